package reading

import (
	"context"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/sweep"
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
	m, err := measurement.Work(context.Background(), measurement.Input{Recording: rec, SampleRate: 48000, Program: p, Aligned: true}, o)
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
	got := numbers(t, s) // from, to, span, highest at, by how much, ...
	if len(got) < 5 {
		t.Fatalf("%q", s)
	}
	// A twelfth of an octave takes a little off a peak of Q 8, and the mean lies
	// a little above the flat part.
	if got[0] != 20 || got[1] != 200 || !(math.Abs(got[2]-11) <= 1) || !(math.Abs(got[3]-50) <= 1) || !(math.Abs(got[4]-9.7) <= 1) {
		t.Errorf("%q", s)
	}
}

func TestNothingReadable(t *testing.T) {
	m := measured(t, 0.3, measurement.Options{}, resonance(50, 0, 1))
	if m.Readable.OK {
		t.Fatalf("readable in noise ten times as loud: %+v", m.Readable)
	}
	if s := Readable(m); !strings.HasPrefix(s, "Nothing of this can be read: ") {
		t.Errorf("%q", s)
	}
	if s := Evenness(m); s != "" {
		t.Errorf("evenness of nothing: %q", s)
	}
	if len(m.Findings) != 1 || m.Findings[0].Kind != measurement.Unreadable {
		t.Errorf("findings %+v", m.Findings)
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
	if s := Noise(m); !strings.Contains(s, "not known") {
		t.Errorf("%q", s)
	}
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
	if s := Distortion(quiet); !strings.Contains(s, "under ") {
		t.Errorf("in noise: %q", s)
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
	for db, want := range map[float64]string{-20: "10 %", -40: "1 %", -46.02: "0.5 %", -60: "0.1 %", -80: "0.01 %"} {
		if got := percent(db); got != want {
			t.Errorf("%g dB = %s, want %s", db, got, want)
		}
	}
	if got := minus(-0.2); got != "0" {
		t.Errorf("a small negative number is %q", got)
	}
}
