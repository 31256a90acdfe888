package sweep

import (
	"math"
	"testing"
)

// sin(2πx) against the standard library's, over many turns: as near as x, with a
// quarter taken off, is rounded.
func TestSinTurns(t *testing.T) {
	const tol = 2e-15
	worst := 0.0
	for i := -4000; i < 40000; i++ {
		x := float64(i) / 997
		want := math.Sin(2 * math.Pi * (x - math.Floor(x)))
		rounding := math.Pi * (math.Nextafter(math.Abs(x), math.Inf(1)) - math.Abs(x))
		worst = math.Max(worst, math.Abs(sinTurns(x)-want)-rounding)
	}
	if !(worst <= tol) {
		t.Errorf("worst error %g, want at most %g", worst, tol)
	}
	for i, want := range []float64{0, 1, 0, -1} {
		if got := sinTurns(float64(i) / 4); !(math.Abs(got-want) <= tol) {
			t.Errorf("sine of %d quarter turns = %g, want %g", i, got, want)
		}
	}
}
