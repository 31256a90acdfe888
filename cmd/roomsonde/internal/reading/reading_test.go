package reading

import (
	"context"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/deconv/decay"
	"roomsonde/deconv/response"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// measured plays the default sweep, shortened, through a system into noise.
func measured(t *testing.T, noise float64, o measurement.Options, system func(x []float32) []float64) *measurement.Measurement {
	t.Helper()
	p, err := sweep.NewProgram(sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 4}})
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(1, 2))
	rec := make([]float32, p.Frames+24000)
	for i, v := range system(p.Samples()) {
		rec[i+2000] = float32(v)
	}
	for i := range rec {
		rec[i] += float32(noise * rnd.NormFloat64())
	}
	m, err := measurement.Work(context.Background(), measurement.Input{Passes: []measurement.Pass{{Recording: rec}}, SampleRate: 48000, Program: p, Aligned: true}, o)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// resonance is a peaking filter of gain dB and Q at hz (Audio EQ Cookbook, W3C
// note), the system of which every reading is known.
func resonance(hz, gain, q float64) func([]float32) []float64 {
	a, w := math.Pow(10, gain/40), 2*math.Pi*hz/48000
	alpha := math.Sin(w) / (2 * q)
	a0 := 1 + alpha/a
	b0, b1, b2 := (1+alpha*a)/a0, -2*math.Cos(w)/a0, (1-alpha*a)/a0
	a1, a2 := b1, (1-alpha/a)/a0
	return func(x []float32) []float64 {
		out := make([]float64, len(x))
		var x1, x2, y1, y2 float64
		for i, v := range x {
			y := b0*float64(v) + b1*x1 + b2*x2 - a1*y1 - a2*y2
			x1, x2, y1, y2 = float64(v), x1, y, y1
			out[i] = y
		}
		return out
	}
}

// numbers returns the figures of a sentence.
func numbers(t *testing.T, sentence string) []float64 {
	t.Helper()
	var out []float64
	for _, s := range regexp.MustCompile(`[-+−]?\d+(\.\d+)?`).FindAllString(sentence, -1) {
		v, err := strconv.ParseFloat(strings.ReplaceAll(s, "−", "-"), 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

func TestEvennessFindsThePeak(t *testing.T) {
	m := measured(t, 1e-6, measurement.Options{}, resonance(50, 12, 8))
	s := Evenness(m)
	got := numbers(t, strings.TrimPrefix(s, "Smoothed over 1/12 octave, ")) // from, to, span, by how much the highest, at, ...
	if len(got) < 7 {
		t.Fatalf("%q", s)
	}
	// A twelfth of an octave takes a little off a peak of Q 8, and the mean lies
	// a little above the flat part.
	if got[0] != 20 || got[1] != 200 || !(math.Abs(got[2]-11) <= 1) || !(math.Abs(got[3]-9.7) <= 1) || !(math.Abs(got[4]-50) <= 1) {
		t.Errorf("%q", s)
	}
	// The flat part is lowest farthest from the peak: at the end of the range.
	if !strings.HasPrefix(s, "Smoothed over 1/12 octave, the level between 20 Hz and 200 Hz spans ") || !strings.HasSuffix(s, " dB at the edge, 200 Hz, against its mean there.") {
		t.Errorf("%q", s)
	}
}

func TestNothingReadable(t *testing.T) {
	m := measured(t, 0.3, measurement.Options{}, resonance(50, 0, 1))
	if m.Readable.OK {
		t.Fatalf("readable in noise ten times as loud: %+v", m.Readable)
	}
	// The finding says it, and no reading says it again.
	if s := Readable(m); s != "" {
		t.Errorf("said twice: %q", s)
	}
	if s := Evenness(m); s != "" {
		t.Errorf("evenness of nothing: %q", s)
	}
	if len(m.Findings) != 1 || m.Findings[0].Kind != measurement.Unreadable || !strings.HasPrefix(m.Findings[0].Text, "Nothing of this can be read: ") ||
		!strings.Contains(m.Findings[0].Text, "dB louder") {
		t.Errorf("findings %+v", m.Findings)
	}
	m.Findings = nil
	if s := Readable(m); !strings.HasPrefix(s, "Nothing of this can be read: ") {
		t.Errorf("without the finding: %q", s)
	}
}

func TestReadableNamesBothEnds(t *testing.T) {
	m := measured(t, 1e-6, measurement.Options{LowPassHz: 80}, resonance(50, 0, 1))
	if s := Readable(m); !strings.Contains(s, "113 Hz (half an octave above the low-pass at 80 Hz)") || !strings.Contains(s, "5 Hz (") {
		t.Errorf("%q", s)
	}
}

func TestNoiseAndPeak(t *testing.T) {
	m := measured(t, 1e-4, measurement.Options{}, resonance(50, 0, 1))
	got := numbers(t, Noise(m))
	if got[0] != -30 || got[1] != -80 {
		t.Errorf("%q", Noise(m))
	}
	m.Noise = nil
	if s := Noise(m); !strings.Contains(s, "how loud the room's noise is, is not known") {
		t.Errorf("%q", s)
	}
	if s := Readable(m); !strings.HasSuffix(s, ", noise left aside.") {
		t.Errorf("%q", s)
	}
}

// What may not be read is not named as standing out of the noise.
func TestNoiseNamesOnlyWhatIsReadable(t *testing.T) {
	m := measured(t, 1e-4, measurement.Options{LowPassHz: 80}, resonance(50, 0, 1))
	if s := Noise(m); !strings.Contains(s, " at 40 Hz") || strings.Contains(s, "kHz") {
		t.Errorf("%q", s)
	}
	m.Readable.Gaps = []response.Gap{{FromHz: 38, ToHz: 42}}
	if s := Noise(m); strings.Contains(s, " at 40 Hz") {
		t.Errorf("in a gap: %q", s)
	}
}

// A doubtful time is marked, in the bass by itself and in the middle as part of
// the mean.
func TestDecayMarksDoubts(t *testing.T) {
	band := func(hz, seconds float64, doubt string) decay.Band {
		return decay.Band{Band: scale.Band{Width: scale.Octave, NominalHz: hz}, T20: decay.Value{OK: true, Seconds: seconds, Reason: doubt}}
	}
	m := &measurement.Measurement{Window: response.Window{LengthS: 2}, Decay: []decay.Band{
		band(63, 0.62, "the decay bends"), band(125, 0.5, ""), band(500, 0.4, ""), band(1000, 0.3, "few"), band(2000, 0.2, "")}}
	const want = "To die away by 60 dB, the bass takes 0.62 s at 63 Hz (T20, doubtful), 0.50 s at 125 Hz (T20), the middle 0.30 s (mean of 500 Hz to 2 kHz; doubtful at 1 kHz)."
	if got := Decay(m); got != want {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	m.Window.LengthS = 0.005
	if got := Decay(m); got != want+" Decay times always use all that is kept." {
		t.Errorf("through a short window: %q", got)
	}
}

// Noise in the bass: the reading says how much louder would do, and that much
// louder does.
func TestHiddenBass(t *testing.T) {
	m := bassNoise(t, 0, 0.01)
	s := Readable(m)
	match := regexp.MustCompile(`The noise hides the bass below ([0-9.]+) Hz: about ([0-9]+) dB louder would show it`).FindStringSubmatch(s)
	if match == nil {
		t.Fatalf("%q", s)
	}
	if chart.Hz(m.Readable.FromHz) != match[1]+" Hz" || !strings.Contains(s, "Readable from "+match[1]+" Hz (below this the room's noise may falsify it by more than 0.5 dB)") {
		t.Errorf("two figures for one frequency: %q", s)
	}
	db, err := strconv.ParseFloat(match[2], 64)
	if err != nil || db < 3 || db > 25 {
		t.Fatalf("%q", s)
	}
	if again := bassNoise(t, db, 0.01); again.Readable.FromHz > 22 {
		t.Errorf("%g dB louder is still hidden below %g Hz (%s)", db, again.Readable.FromHz, Readable(again))
	}
	if again := bassNoise(t, db-6, 0.01); again.Readable.FromHz < 22 {
		t.Errorf("6 dB less than asked for shows it as well")
	}
}

// bassNoise measures a wire, louder by db, under noise that rises towards the
// bass.
func bassNoise(t *testing.T, db, noise float64) *measurement.Measurement {
	t.Helper()
	p, err := sweep.NewProgram(sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 4}})
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(3, 4))
	rec := make([]float32, p.Frames+24000)
	gain := float32(math.Pow(10, db/20))
	for i, v := range p.Samples() {
		rec[i+2000] = gain * v
	}
	// White noise through two poles at 20 Hz: its power falls by 12 dB an octave.
	k := 1 - math.Exp(-2*math.Pi*20/48000)
	var y1, y2 float64
	for i := range rec {
		y1 += k * (rnd.NormFloat64() - y1)
		y2 += k * (y1 - y2)
		rec[i] += float32(noise * y2 / math.Sqrt(k))
	}
	m, err := measurement.Work(context.Background(), measurement.Input{Passes: []measurement.Pass{{Recording: rec}}, SampleRate: 48000, Program: p, Aligned: true}, measurement.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestDistortionOfASquare(t *testing.T) {
	const a2 = 1.0 // at a peak of −30 dBFS: half of 3.16 %
	m := measured(t, 1e-7, measurement.Options{}, func(x []float32) []float64 {
		out := make([]float64, len(x))
		for i, v := range x {
			out[i] = float64(v) + a2*float64(v)*float64(v)
		}
		return out
	})
	s := Distortion(m)
	if !strings.Contains(s, "1.6 % at 100 Hz") || !strings.Contains(s, "1.6 % at 1 kHz") {
		t.Errorf("%q", s)
	}
	quiet := measured(t, 1e-3, measurement.Options{}, resonance(50, 0, 1))
	if s := Distortion(quiet); !strings.HasPrefix(s, "Total harmonic distortion: hidden by the noise, so under ") {
		t.Errorf("in noise: %q", s)
	}
}

// "Under" is a bound: for all orders together, so above what the largest of them
// could be.
func TestDistortionBoundHoldsAllOrders(t *testing.T) {
	hz := []float64{999, 1000, 1001}
	order := func(n int, floor float64, told ...float64) response.OrderDistortion {
		o := response.OrderDistortion{Order: n, Floor: response.Curve{Hz: hz, DB: []float64{floor, floor, floor}}}
		most := floor + 20*math.Log10(2)
		for _, db := range told {
			o.Ratio.Hz, o.Ratio.DB, most = hz, []float64{db, db, db}, db
		}
		o.MostDB = []float64{most, most, most}
		return o
	}
	m := &measurement.Measurement{Readable: response.Readable{OK: true, FromHz: 20, ToHz: 20000}}
	for _, c := range []struct {
		orders []response.OrderDistortion
		want   string
	}{
		// Four times (0.5 %)² is (1 %)².
		{[]response.OrderDistortion{order(2, -52.04), order(3, -52.04), order(4, -52.04), order(5, -52.04)}, "hidden by the noise, so under 1.0 % at 1 kHz."},
		{[]response.OrderDistortion{order(2, -52.04), order(3, -200)}, "hidden by the noise, so under 0.50 % at 1 kHz (orders 2 and 3)."},
		{[]response.OrderDistortion{order(2, -80, -40), order(3, -80, -60), order(4, -52), order(5, -52)}, "at least 1.0 % at 1 kHz (orders 2 and 3)."},
		{[]response.OrderDistortion{order(2, -80, -40), order(3, -80, -60), order(4, -120), order(5, -120)}, "1.0 % at 1 kHz (orders 2 and 3)."},
		{[]response.OrderDistortion{order(2, 3), order(3, 3)}, ""},
	} {
		m.Distortion = &response.Distortion{Orders: c.orders, FromHz: 500, ToHz: 2000}
		want := c.want
		if want != "" {
			want = "Total harmonic distortion: " + want
		}
		if got := Distortion(m); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// The loudness at the microphone is the mean level plus the level played plus
// the sensitivity's offset: 0 dB, −30 dBFS and 94 dB here.
func TestSPL(t *testing.T) {
	m := measured(t, 1e-6, measurement.Options{}, resonance(50, 0, 1))
	if s := SPL(m, -30, 94); !strings.Contains(s, "about 64 dB SPL") {
		t.Errorf("%q", s)
	}
}

func TestPercent(t *testing.T) {
	for db, want := range map[float64]string{-20: "10 %", -20.04: "10 %", -20.1: "9.9 %", -40: "1.0 %", -40.04: "1.0 %", -46.02: "0.50 %", -60: "0.10 %", -80: "0.010 %", -18: "13 %"} {
		if got := percent(db); got != want {
			t.Errorf("%g dB = %s, want %s", db, got, want)
		}
	}
	for db, want := range map[float64]string{-0.04: "0.0 dB", 1.2: "+1.2 dB", -11.6: "−11.6 dB"} {
		if got := Signed(db); got != want {
			t.Errorf("%g dB = %q, want %q", db, got, want)
		}
	}
	if got := minus(-0.2); got != "0" {
		t.Errorf("a small negative number is %q", got)
	}
}
