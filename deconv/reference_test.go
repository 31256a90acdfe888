package deconv

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"roomsonde/capture/wav"
	"roomsonde/sweep"
	"roomsonde/sweep/scale/outsidetest"
)

// A room that others measured: the raw recording of a long sweep by the two ears
// of a dummy head, deconvolved by its excitation, against the impulse response
// that their own system delivered (University of Rostock, CC0 1.0; see the data
// sets' README). SciPy comes to −52 dB and to 0.025 dB in 95 % of the bins from
// 50 Hz to 15 kHz, with the same peak frame; so must this.
func TestSeminarRoom(t *testing.T) {
	const tolErrorDB, tolMagnitudeDB = -52, 0.025
	read := func(name string) *wav.File {
		f, err := wav.ReadFile(outsidetest.Data(t, "seminar-room/"+name))
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	raw, x, want := read("raw_head_m80.wav"), read("recovered_excitation.wav"), read("ir_head_m80.wav")
	for ear := range 2 {
		rate := float64(raw.SampleRate)
		r, err := Divide(context.Background(), single(raw.Channels[ear]), single(x.Channels[0]), rate, Options{PreS: 0.2, KeepS: 1.4})
		if err != nil {
			t.Fatal(err)
		}
		truth := make([]float64, len(want.Channels[ear]))
		peak := 0
		for i, v := range want.Channels[ear] {
			truth[i] = float64(v)
			if math.Abs(truth[i]) > math.Abs(truth[peak]) {
				peak = i
			}
		}
		got := r.Impulse.Samples
		best := 0
		for i, v := range got {
			if math.Abs(v) > math.Abs(got[best]) {
				best = i
			}
		}
		if at := best - r.Impulse.Zero + r.ArrivalFrame; at != peak {
			t.Errorf("ear %d: peak at frame %d, want %d", ear, at, peak)
		}
		// Their response starts with the recording: it is compared over its own
		// length, as delivered.
		aligned := ImpulseResponse{SampleRate: rate, Samples: make([]float64, len(truth))}
		for i := range truth {
			if k := i - r.ArrivalFrame + r.Impulse.Zero; k >= 0 && k < len(got) {
				aligned.Samples[i] = got[k]
			}
		}
		e, m95 := against(t, aligned, truth, 50, 15000)
		t.Logf("ear %d: error %.1f dB, magnitude within %.4f dB in 95 %% of bins", ear, e, m95)
		if !(e <= tolErrorDB) || !(m95 <= tolMagnitudeDB) {
			t.Errorf("ear %d: error %.1f dB and magnitude %.4f dB, want below %d and %g", ear, e, m95, tolErrorDB, tolMagnitudeDB)
		}
	}
}

func single(x []float64) []float32 {
	out := make([]float32, len(x))
	for i, v := range x {
		out[i] = float32(v)
	}
	return out
}

// against asks NumPy for the error and the 95th percentile of the difference in
// magnitude between two impulse responses.
func against(t *testing.T, got ImpulseResponse, want []float64, fromHz, toHz float64) (errorDB, magnitudeDB float64) {
	t.Helper()
	return scipy(t, map[string]any{"rate": got.SampleRate, "from": fromHz, "to": toHz}, map[string][]float64{"got": got.Samples, "want": want}, `
n = 1 << 17
G, W = np.fft.rfft(got, n), np.fft.rfft(want, n)
f = np.arange(len(G)) * rate / n
k = (f >= lo) & (f <= hi)
print(json.dumps([10 * np.log10(np.sum(np.abs(G - W)[k]**2) / np.sum(np.abs(W)[k]**2)),
                  np.percentile(np.abs(20 * np.log10(np.abs(G[k]) / np.abs(W[k]))), 95)]))
`)
}

// scipy runs a script over arrays of samples and returns the two numbers that it
// prints.
func scipy(t *testing.T, numbers map[string]any, arrays map[string][]float64, script string) (float64, float64) {
	t.Helper()
	python := outsidetest.Python(t)
	dir := t.TempDir()
	head := "import json, sys\nimport numpy as np\nfrom scipy import signal\np = json.loads(sys.argv[1])\nrate, lo, hi = p['rate'], p['from'], p['to']\n"
	for name, samples := range arrays {
		path := filepath.Join(dir, name)
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := binary.Write(f, binary.LittleEndian, samples); err != nil {
			t.Fatal(err)
		}
		f.Close()
		head += name + " = np.fromfile(sys.argv[2] + '/" + name + "')\n"
	}
	args, _ := json.Marshal(numbers)
	cmd := exec.Command(python, "-c", head+script, string(args), dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var result [2]float64
	if err := json.Unmarshal(out, &result); err != nil {
		t.Fatalf("%v in %q", err, out)
	}
	return result[0], result[1]
}

// The same division written in two lines of SciPy, on the same recording, inside
// the sweep's range: an independent transform and an independent deconvolution.
func TestAgainstSciPyDivision(t *testing.T) {
	const tolErrorDB, tolMagnitudeDB = -100, 0.001
	p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{StartHz: 10, StopHz: 22000, Seconds: 5}})
	rec := record(p, room(48000, 700, 1, 0.4, 11), 24000, 0, 2)
	r, err := Recover(context.Background(), rec, p, Options{Aligned: true})
	if err != nil {
		t.Fatal(err)
	}
	double := func(x []float32) []float64 {
		out := make([]float64, len(x))
		for i, v := range x {
			out[i] = float64(v)
		}
		return out
	}
	start := p.Starts(sweep.KindSweep)[0]
	e, m := scipy(t, map[string]any{"rate": 48000, "from": 20, "to": 21000, "shift": r.ArrivalFrame - start - r.Impulse.Zero},
		map[string][]float64{"got": r.Impulse.Samples, "rec": double(rec[start:]), "x": double(p.Sweep.Samples())}, `
n = 1 << 20
X, Y = np.fft.rfft(x, n), np.fft.rfft(rec, n)
W0 = Y * X.conj() / (np.abs(X)**2 + 1e-12 * np.abs(X).max()**2)
f = np.arange(len(W0)) * rate / n
W0 *= np.exp(2j * np.pi * f / rate * p['shift'])
G = np.fft.rfft(got, n)
k = (f >= lo) & (f <= hi)
print(json.dumps([10 * np.log10(np.sum(np.abs(G - W0)[k]**2) / np.sum(np.abs(W0)[k]**2)),
                  np.percentile(np.abs(20 * np.log10(np.abs(G[k]) / np.abs(W0[k]))), 95)]))
`)
	t.Logf("error %.1f dB, magnitude within %.5f dB in 95 %% of bins", e, m)
	if !(e <= tolErrorDB) || !(m <= tolMagnitudeDB) {
		t.Errorf("error %.1f dB and magnitude %.5f dB, want below %d and %g", e, m, tolErrorDB, tolMagnitudeDB)
	}
}
