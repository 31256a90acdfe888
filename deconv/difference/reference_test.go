package difference

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"roomsonde/capture/modelroom"
	"roomsonde/deconv"
	"roomsonde/deconv/response"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
	"roomsonde/sweep/scale/outsidetest"
)

const (
	scripts       = "../../testdata/reference/"
	tolOutsideDB  = 0.01 // of differences, averages and smoothing
	tolOutsideOct = 1e-3 // of frequencies of widths, octaves
)

// python runs a script of testdata/reference with JSON in and out.
func python(t *testing.T, script string, in, out any, args ...string) {
	t.Helper()
	interpreter := outsidetest.Python(t)
	text, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), interpreter, append([]string{scripts + script}, args...)...)
	cmd.Stdin = bytes.NewReader(text)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	got, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v\n%s", script, err, stderr.String())
	}
	if err := json.Unmarshal(got, out); err != nil {
		t.Fatal(err)
	}
}

// writeImpulse writes samples for a script to read: little-endian float64.
func writeImpulse(t *testing.T, name string, samples []float64) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := binary.Write(f, binary.LittleEndian, samples); err != nil {
		t.Fatal(err)
	}
	return path
}

// plain is a take of an impulse response that nothing is taken off, seen whole.
func plain(t *testing.T, samples []float64, zero int, rate, fromHz, toHz float64) Take {
	t.Helper()
	r, err := response.Of(deconv.ImpulseResponse{SampleRate: rate, Samples: samples, Zero: zero}, response.Window{})
	if err != nil {
		t.Fatal(err)
	}
	r.FromHz, r.ToHz = fromHz, toHz
	return Take{Response: r, Readable: response.Readable{OK: true, FromHz: fromHz, ToHz: toHz}}
}

// NumPy, by code of its own (testdata/reference/difference_numpy.py), reads the
// same impulse responses at three seats of the model room: its smoothing, match,
// difference, mean over seats and spread, within 0.01 dB. scipy.signal.find_peaks
// finds the same peaks and dips in the same curve, with peak_prominences and
// peak_widths.
func TestAgainstNumPy(t *testing.T) {
	room, err := modelroom.Open(modelroom.Options{})
	if err != nil {
		t.Fatal(err)
	}
	rates := []float64{48000, 44100, 48000}
	type source struct {
		Path string  `json:"path"`
		Rate float64 `json:"rate"`
		N    int     `json:"n"` // length of the transform
	}
	in := struct {
		Takes              []source `json:"takes"`
		Fraction           float64  `json:"fraction"`
		PerOctave          int      `json:"per_octave"`
		From, To           float64
		MatchFrom, MatchTo float64
		PeaksTo            float64
	}{Fraction: 12, PerOctave: 48, From: 20, To: 18000, MatchFrom: 200, MatchTo: 4000, PeaksTo: 500}
	var takes []Take
	for i, seat := range room.Seats() {
		truth, err := room.Truth(channelFL, seat, rates[i])
		if err != nil {
			t.Fatal(err)
		}
		// Nothing before the sound: the window has no rise, and its fall is in the
		// script.
		takes = append(takes, plain(t, truth.Impulse, 0, rates[i], 10, 20000))
		in.Takes = append(in.Takes, source{writeImpulse(t, "seat.f64", truth.Impulse), rates[i], int(math.Round(rates[i] / takes[i].Response.StepHz))})
	}
	var want struct {
		Hz, Difference, Mean, Lowest, Highest, Standard []float64
		Offset                                          float64
		Peaks, Dips                                     []struct{ Hz, Height, From, To float64 }
	}
	python(t, "difference_numpy.py", in, &want)

	o := Options{FromHz: in.From, ToHz: in.To, MatchFromHz: in.MatchFrom, MatchToHz: in.MatchTo, Repeatability: Repeats(0)}
	r, err := Compare(takes[0], takes[1], o)
	if err != nil {
		t.Fatal(err)
	}
	s, err := Average(takes, Options{FromHz: in.From, ToHz: in.To})
	if err != nil {
		t.Fatal(err)
	}
	if len(want.Hz) < 400 || len(r.Hz) != len(want.Hz) || len(s.Hz) != len(want.Hz) {
		t.Fatalf("%d points compared, %d averaged, %d in NumPy", len(r.Hz), len(s.Hz), len(want.Hz))
	}
	worst := 0.0
	check := func(what string, i int, got, want float64) {
		t.Helper()
		d := math.Abs(got - want)
		worst = math.Max(worst, d)
		if !(d <= tolOutsideDB) {
			t.Errorf("%s at %.1f Hz = %.4f dB, NumPy has %.4f", what, r.Hz[i], got, want)
		}
	}
	for i, hz := range want.Hz {
		if math.Abs(r.Hz[i]/hz-1) > 1e-12 {
			t.Fatalf("point %d lies at %.9g Hz, in NumPy at %.9g", i, r.Hz[i], hz)
		}
		check("difference", i, r.DifferenceDB[i], want.Difference[i])
		check("mean", i, s.MeanDB[i], want.Mean[i])
		check("lowest", i, s.LowestDB[i], want.Lowest[i])
		check("highest", i, s.HighestDB[i], want.Highest[i])
		check("range", i, s.RangeDB[i], want.Highest[i]-want.Lowest[i])
		check("standard deviation", i, s.StandardDB[i], want.Standard[i])
	}
	check("offset", 0, r.OffsetDB, want.Offset)
	t.Logf("at most %.5f dB from NumPy", worst)

	// Peaks and dips of the take before, of 3 dB and more.
	for _, dip := range []bool{false, true} {
		expected := want.Peaks
		if dip {
			expected = want.Dips
		}
		if len(expected) < 3 {
			t.Errorf("SciPy finds only %d", len(expected))
		}
		var got []Extremum
		for _, p := range r.Peaks {
			if p.Dip == dip && p.Before != nil && p.Before.HeightDB >= defaultHeightDB {
				got = append(got, *p.Before)
			}
		}
		if len(got) != len(expected) {
			t.Errorf("dips %v: %d found, %d by SciPy", dip, len(got), len(expected))
		}
		for _, e := range expected {
			found := false
			for _, g := range got {
				if math.Abs(g.Hz/e.Hz-1) < 1e-9 {
					found = true
					if !(math.Abs(g.HeightDB-e.Height) <= tolOutsideDB) || !(math.Abs(math.Log2(g.FromHz/e.From)) <= tolOutsideOct) || !(math.Abs(math.Log2(g.ToHz/e.To)) <= tolOutsideOct) {
						t.Errorf("dip %v at %.2f Hz: %+v, SciPy has %+v", dip, e.Hz, g, e)
					}
				}
			}
			if !found {
				t.Errorf("dip %v at %.2f Hz is missed", dip, e.Hz)
			}
		}
	}
}

// Absorption added to the model room. What it did to each band's decay, SciPy says
// (testdata/reference/decay_scipy.py, code of its own) from the room's own impulse
// responses; what is found in sweeps with noise has the right sign and is within
// 5 % of it.
func TestAbsorptionAgainstSciPy(t *testing.T) {
	s := measureWith(t, modelroom.Options{}, sweep.Options{Seconds: 5}, channelFL, 0)
	truth, err := s.room.Truth(channelFL, "main", s.rate)
	if err != nil {
		t.Fatal(err)
	}
	damped := damp(truth.Impulse, s.rate, 5)
	before := s.take(t, s.record(truth.Impulse, 1), true)
	after := s.take(t, s.record(damped, 2), true)
	r, err := Compare(before, after, Options{})
	if err != nil {
		t.Fatal(err)
	}
	holds(t, r, spectrum(truth.Impulse, s.rate, 1<<20), spectrum(damped, s.rate, 1<<20), 20, 16000)

	type line struct{ S float64 }
	type band struct {
		Mid           float64
		Width         int
		EDT, T20, T30 *line
	}
	scipy := func(h []float64) map[string]float64 {
		onset, top := 0, 0.0
		for _, v := range h {
			top = math.Max(top, math.Abs(v))
		}
		for math.Abs(h[onset]) < 0.1*top {
			onset++
		}
		path := writeImpulse(t, "impulse.f64", h)
		var out struct{ Bands []band }
		python(t, "decay_scipy.py", nil, &out, fmt.Sprintf("raw:%s:%g:%d", path, s.rate, onset), path+".out")
		times := map[string]float64{}
		for _, b := range out.Bands {
			for quantity, l := range map[string]*line{"T20": b.T20, "T30": b.T30, "EDT": b.EDT} {
				if l != nil {
					times[fmt.Sprintf("%.0f Hz 1/%d %s", b.Mid, b.Width, quantity)] = l.S
				}
			}
		}
		return times
	}
	wantBefore, wantAfter := scipy(truth.Impulse), scipy(damped)
	compared, told, worst := 0, 0, 0.0
	for _, d := range r.Decays {
		width, quantity := 1, d.Name[len(d.Name)-3:]
		if bytes.Contains([]byte(d.Name), []byte("third")) {
			width = 3
		}
		key := fmt.Sprintf("%.0f Hz 1/%d %s", d.Hz, width, quantity)
		a, b := wantBefore[key], wantAfter[key]
		if a == 0 || b == 0 {
			t.Errorf("SciPy has no %s", key)
			continue
		}
		compared++
		if d.Changed {
			told++
		}
		off := math.Abs(d.AfterS/d.BeforeS/(b/a) - 1)
		worst = math.Max(worst, off)
		if !(off <= tolDecayChange) || (d.DifferenceS < 0) != (b < a) {
			t.Errorf("%s: from %.3f to %.3f s; SciPy has %.3f to %.3f s", d.Name, d.BeforeS, d.AfterS, a, b)
		}
	}
	if compared < 15 || told < compared/2 {
		t.Errorf("%d decays compared, %d told to have changed", compared, told)
	}
	t.Logf("%d decays, %d told, at most %.1f %% off", compared, told, 100*worst)
}

// The uncertainty of a point: σ of levels read from NumPy's complex noise on a
// constant, by 20000 trials, for several ratios of signal to noise and numbers of
// values in the mean.
func TestSpreadAgainstNumPy(t *testing.T) {
	type job struct {
		SNR    float64 `json:"snr"`
		Values int     `json:"values"`
	}
	jobs := []job{{40, 1}, {20, 1}, {20, 8}, {10, 4}, {10, 32}, {0, 32}}
	var want []float64
	python(t, "difference_spread.py", jobs, &want)
	for i, j := range jobs {
		noise := scale.Power(-j.SNR)
		l := levelOf(1+noise, noise, float64(j.Values), 1e12)
		l.bias = 0
		// 2 % is the error of 20000 trials, four times over; the formula is that of small errors.
		if got := l.standardDB(); !(math.Abs(got/want[i]-1) <= 0.02+0.5*square(l.spread)) {
			t.Errorf("%+v: σ = %.4f dB, NumPy has %.4f", j, got, want[i])
		}
	}
}
