package target

import (
	"encoding/json"
	"math"
	"os/exec"
	"strings"
	"testing"

	"roomsonde/sweep/scale"
	"roomsonde/sweep/scale/outsidetest"
)

const tolOutsideDB = 0.01

// The mean power over bands of an uneven curve, by scipy.integrate.quad on a PCHIP
// of nothing: power straight over lg f, integrated over lg f.
const means = `
import json, sys
import numpy as np
from scipy.integrate import quad
job = json.load(sys.stdin)
x, p = np.log(job["hz"]), 10 ** (np.array(job["db"]) / 10)
out = []
for lo, hi in job["bands"]:
    a, b = np.log(lo), np.log(hi)
    inside = x[(x > a) & (x < b)]
    total, edges = 0.0, np.concatenate([[a], inside, [b]])
    for l, r in zip(edges, edges[1:]):
        total += quad(lambda v: np.interp(v, x, p), l, r)[0]
    out.append(10 * np.log10(total / (b - a)))
json.dump(out, sys.stdout)`

func TestMeanPowerAgainstSciPy(t *testing.T) {
	hz, db := line(func(f float64) float64 { return 8 * math.Sin(7*math.Log(f)) * math.Exp(-f/4000) })
	all, err := Target{}.Departures(hz, db, 0, scale.Third, 20, 8000)
	if err != nil {
		t.Fatal(err)
	}
	job := struct {
		Hz    []float64    `json:"hz"`
		DB    []float64    `json:"db"`
		Bands [][2]float64 `json:"bands"`
	}{Hz: hz, DB: db}
	for _, d := range all {
		job.Bands = append(job.Bands, [2]float64{d.LowHz, d.HighHz})
	}
	in, err := json.Marshal(job)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), outsidetest.Python(t), "-c", means)
	cmd.Stdin = strings.NewReader(string(in))
	text, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var want []float64
	if err := json.Unmarshal(text, &want); err != nil {
		t.Fatal(err)
	}
	if len(want) != len(all) || len(want) < 20 {
		t.Fatalf("%d bands, %d by SciPy", len(all), len(want))
	}
	for i, d := range all {
		if !(math.Abs(d.MeasuredDB-want[i]) <= tolOutsideDB) {
			t.Errorf("%g Hz: %.4f dB, SciPy has %.4f", d.NominalHz, d.MeasuredDB, want[i])
		}
	}
}
