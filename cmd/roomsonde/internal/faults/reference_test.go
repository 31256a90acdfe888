package main

import (
	"fmt"
	"math"
	"os/exec"
	"strings"
	"testing"

	"roomsonde/sweep/scale/outsidetest"
)

// Clopper and Pearson's bounds as SciPy has them
// (scipy.stats.binomtest(k, n).proportion_ci(method="exact")).
func TestBoundsAgainstSciPy(t *testing.T) {
	const tol = 1e-9
	cases := [][2]int{{0, 10}, {10, 10}, {1, 1000}, {999, 1000}, {3, 7}, {0, 3000}, {57, 60}}
	var script strings.Builder
	script.WriteString("from scipy.stats import binomtest\n")
	for _, c := range cases {
		fmt.Fprintf(&script, "print(*('%%.17g' %% v for v in binomtest(%d, %d).proportion_ci(0.95, method='exact')))\n", c[0], c[1])
	}
	out, err := exec.Command(outsidetest.Python(t), "-c", script.String()).Output()
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	for i, c := range cases {
		var low, high float64
		if _, err := fmt.Sscan(lines[i], &low, &high); err != nil {
			t.Fatal(err)
		}
		s := shareOf(c[0], c[1])
		if !(math.Abs(s.Low-low) <= tol) || !(math.Abs(s.High-high) <= tol) {
			t.Errorf("%d of %d: %.12f..%.12f, want %.12f..%.12f", c[0], c[1], s.Low, s.High, low, high)
		}
	}
}
