package lowpass

import (
	"encoding/json"
	"math"
	"os/exec"
	"strings"
	"testing"

	"roomsonde/sweep/scale/outsidetest"
)

const tolOutsideDB = 0.01

// scipy.signal.butter, as an analog filter, of the order and for Linkwitz-Riley of
// half the order and squared.
const butter = `
import json, sys
import numpy as np
from scipy.signal import butter, freqs
out = []
for job in json.load(sys.stdin):
    n = job["order"] // 2 if job["squared"] else job["order"]
    b, a = butter(n, 2 * np.pi * job["corner"], analog=True)
    _, h = freqs(b, a, 2 * np.pi * np.array(job["hz"]))
    db = 20 * np.log10(np.abs(h))
    out.append((2 * db if job["squared"] else db).tolist())
json.dump(out, sys.stdout)`

func TestAgainstSciPy(t *testing.T) {
	type job struct {
		Order   int       `json:"order"`
		Squared bool      `json:"squared"`
		Corner  float64   `json:"corner"`
		Hz      []float64 `json:"hz"`
	}
	var jobs []job
	for _, f := range Filters() {
		for _, corner := range []float64{40, 80, 120, 2500} {
			j := job{Order: f.Order, Squared: f.Family == LinkwitzRiley, Corner: corner}
			for octave := -3.0; octave <= 3; octave += 0.25 {
				j.Hz = append(j.Hz, corner*math.Exp2(octave))
			}
			jobs = append(jobs, j)
		}
	}
	in, err := json.Marshal(jobs)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), outsidetest.Python(t), "-c", butter)
	cmd.Stdin = strings.NewReader(string(in))
	text, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var want [][]float64
	if err := json.Unmarshal(text, &want); err != nil {
		t.Fatal(err)
	}
	if len(want) != len(jobs) {
		t.Fatalf("%d answers to %d questions", len(want), len(jobs))
	}
	for i, j := range jobs {
		f := Filter{Butterworth, j.Order}
		if j.Squared {
			f.Family = LinkwitzRiley
		}
		for n, hz := range j.Hz {
			if got := f.MagnitudeDB(hz, j.Corner); !(math.Abs(got-want[i][n]) <= tolOutsideDB) {
				t.Errorf("%v, corner %g Hz, at %.1f Hz: %.4f dB, SciPy has %.4f", f, j.Corner, hz, got, want[i][n])
			}
		}
	}
}
