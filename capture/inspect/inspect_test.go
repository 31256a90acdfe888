package inspect

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"

	"pgregory.net/rapid"

	"roomsonde/deconv/clock"
	"roomsonde/deconv/fourier"
	"roomsonde/sweep"
)

// hall is a made-up room with a program played in it: decaying noise and six
// modes behind a direct sound, as in the prototype that the methods were tried
// with.
type hall struct {
	program *sweep.Program
	signal  []float64 // without noise, peak 0.25
	level   float64   // rms of the sweeps
	noise   func(r *rand.Rand, n int, rms float64) []float64
}

type hallOptions struct {
	seed      uint64
	program   sweep.ProgramOptions
	sub       bool    // only 20 to 90 Hz comes back
	wire      bool    // no room at all
	bend      float64 // distortion: y = x + bend·x²/peak
	skewPPM   float64
	latency   int
	frames    int // 0: the program and half a second
	noisekind string
}

func quick(o hallOptions) hallOptions {
	o.program.Sweeps, o.program.Marks = max(1, o.program.Sweeps), true
	if o.program.Sweep.Seconds == 0 {
		o.program.Sweep.Seconds = 3
	}
	return o
}

func two(o hallOptions) hallOptions {
	o.program.Sweeps = 2
	return quick(o)
}

// halls keeps those that were built: tests share them.
var halls sync.Map

func newHall(t testing.TB, o hallOptions) *hall {
	t.Helper()
	o.seed %= 7
	if h, ok := halls.Load(o); ok {
		return h.(*hall)
	}
	h := buildHall(t, o)
	halls.Store(o, h)
	return h
}

func buildHall(t testing.TB, o hallOptions) *hall {
	t.Helper()
	p, err := sweep.NewProgram(o.program)
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(o.seed, 77))
	rate := p.Sweep.SampleRate
	if o.latency == 0 {
		o.latency = int(0.02 * rate)
	}
	h := &hall{program: p, noise: noises[o.noisekind]}
	if h.noise == nil {
		h.noise = noises["pink"]
	}
	frames := p.Frames + int(rate/2)
	x := make([]float64, fourier.FastLen(frames+int(rate)))
	played := p.Samples()
	if o.skewPPM != 0 {
		played = clock.Resample(played, 1+o.skewPPM*1e-6)
	}
	for i, v := range played {
		u := float64(v)
		x[o.latency+i] = u + o.bend*u*u/p.Sweep.Amplitude()
	}
	if !o.wire {
		answer := make([]float64, len(x))
		answer[0] = 1
		decay := 0.25 + 0.55*r.Float64()
		for i := range int(decay * rate) {
			answer[i] += 0.05 * math.Exp(-6.9*float64(i)/(decay*rate)) * r.NormFloat64()
		}
		for range 6 {
			hz, d := 25+100*r.Float64(), decay*(0.8+0.5*r.Float64())
			a := 0.7 * 13.8 / (d * rate)
			for i := range int(1.2 * d * rate) {
				answer[i] += a * math.Exp(-6.9*float64(i)/(d*rate)) * math.Sin(2*math.Pi*hz*float64(i)/rate)
			}
		}
		plan := fourier.Get(len(x))
		a, b := plan.Coefficients(nil, x), plan.Coefficients(nil, answer)
		for k := range a {
			a[k] *= b[k]
			if o.sub {
				hz := float64(k) * rate / float64(len(x))
				high, low := math.Pow(hz/22, 4), math.Pow(hz/90, 4)
				a[k] *= complex(high/(1+high)/(1+low), 0)
			}
		}
		plan.Sequence(x, a)
		fourier.Put(plan)
	}
	var peak float64
	for _, v := range x {
		peak = math.Max(peak, math.Abs(v))
	}
	for i := range x {
		x[i] *= 0.25 / peak
	}
	h.signal = x[:frames]
	if o.frames > 0 {
		h.signal = x[:o.frames]
	}
	start := p.Starts(sweep.KindSweep)[0] + o.latency
	var sum float64
	for _, v := range x[start : start+p.Sweep.Frames] {
		sum += v * v
	}
	h.level = math.Sqrt(sum / float64(p.Sweep.Frames))
	return h
}

// noises make noise of an rms value.
var noises = map[string]func(r *rand.Rand, n int, rms float64) []float64{
	"white": func(r *rand.Rand, n int, rms float64) []float64 { return coloured(r, n, rms, 0) },
	"pink":  func(r *rand.Rand, n int, rms float64) []float64 { return coloured(r, n, rms, 0.5) },
	"brown": func(r *rand.Rand, n int, rms float64) []float64 { return coloured(r, n, rms, 1) },
	"none":  func(r *rand.Rand, n int, rms float64) []float64 { return make([]float64, n) },
	// "speech" comes and goes four times a second.
	"speech": func(r *rand.Rand, n int, rms float64) []float64 {
		x := coloured(r, n, rms, 0.6)
		for i := range x {
			u := math.Sin(2*math.Pi*4*float64(i)/48000) + 0.6*math.Sin(2*math.Pi*1.3*float64(i)/48000)
			x[i] *= 0.3 + 0.7*math.Max(0, u)
		}
		return x
	},
}

func coloured(r *rand.Rand, n int, rms, exponent float64) []float64 {
	size := fourier.FastLen(n)
	plan := fourier.Get(size)
	defer fourier.Put(plan)
	s := make([]complex128, size/2+1)
	for k := 1; k < len(s)-1; k++ {
		g := math.Pow(math.Max(float64(k), 5*float64(size)/48000), -exponent)
		s[k] = complex(g*r.NormFloat64(), g*r.NormFloat64())
	}
	x := plan.Sequence(nil, s)[:n]
	var sum float64
	for _, v := range x {
		sum += v * v
	}
	for i := range x {
		x[i] *= rms / math.Sqrt(sum/float64(n))
	}
	return x
}

// record adds noise so far below the sweeps' rms and rounds to bits (0: not).
func (h *hall) record(seed uint64, snrDB float64, bits int) []float32 {
	r := rand.New(rand.NewPCG(seed, 99))
	noise := h.noise(r, len(h.signal), h.level*math.Pow(10, -snrDB/20))
	out := make([]float32, len(h.signal))
	for i, v := range h.signal {
		out[i] = float32(v + noise[i])
	}
	return rounded(out, bits)
}

func rounded(x []float32, bits int) []float32 {
	if bits > 0 {
		g := math.Exp2(float64(bits - 1))
		for i, v := range x {
			x[i] = float32(math.Max(-g, math.Min(g-1, math.Round(float64(v)*g))) / g)
		}
	}
	return x
}

// at returns a frame of the recording: s seconds into the nth segment of a kind.
func (h *hall) at(kind sweep.Kind, n int, s float64) int {
	rate := h.program.Sweep.SampleRate
	return int(0.02*rate) + h.program.Starts(kind)[n] + int(s*rate)
}

func (h *hall) take(t testing.TB, rec []float32, change func(*Input)) *Report {
	t.Helper()
	timing, err := clock.Locate(context.Background(), rec, h.program, clock.Options{Aligned: true})
	var lost *clock.NotFoundError
	if err != nil && !errors.As(err, &lost) {
		t.Fatal(err)
	}
	in := Input{Recording: rec, SampleRate: h.program.Sweep.SampleRate, Program: h.program, Timing: timing, Aligned: true}
	if change != nil {
		change(&in)
	}
	kept := slices.Clone(rec)
	report, err := Take(context.Background(), in)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.EqualFunc(kept, rec, func(a, b float32) bool { return math.Float32bits(a) == math.Float32bits(b) }) {
		t.Fatal("the recording was changed")
	}
	checkFindings(t, report, len(rec), in.SampleRate)
	return report
}

// checkFindings holds what is true of all findings.
func checkFindings(t testing.TB, r *Report, frames int, rate float64) {
	t.Helper()
	notes := false
	for _, f := range r.Findings {
		if order(f.Kind) < 0 {
			t.Errorf("a kind that is not listed: %q", f.Kind)
		}
		if f.What == "" || f.Effect == "" || (f.Fault && f.Remedy == "") {
			t.Errorf("a finding of kind %q says too little: %+v", f.Kind, f)
		}
		for _, s := range []string{f.What, f.Effect, f.Remedy} {
			if s != "" && (!strings.HasSuffix(s, ".") || strings.Contains(s, "%!") || strings.Contains(s, "NaN") || strings.Contains(s, "Inf")) {
				t.Errorf("no plain sentence: %q", s)
			}
		}
		if !(f.FromS <= f.ToS) || !(f.ToS <= float64(frames)/rate+2) || !(f.FromHz <= f.ToHz) || math.IsNaN(f.Amount) || math.IsInf(f.Amount, 0) {
			t.Errorf("numbers make no sense: %+v", f)
		}
		if f.Fault && notes {
			t.Error("faults do not come first")
		}
		notes = notes || !f.Fault
	}
	for _, b := range r.Bursts {
		if b.Sweep < 0 || b.Sweep >= len(r.Whole) || b.From < 0 || b.Frames <= 0 {
			t.Errorf("a burst that makes no sense: %+v", b)
		}
	}
}

func faults(r *Report) (kinds []Kind) {
	for _, f := range r.Findings {
		if f.Fault {
			kinds = append(kinds, f.Kind)
		}
	}
	return kinds
}

func has(r *Report, k Kind, fault bool) bool {
	return slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Kind == k && f.Fault == fault })
}

// Sound recordings of all sorts are not marked.
func TestSoundTakes(t *testing.T) {
	tests := []struct {
		name string
		o    hallOptions
		snr  float64
		bits int
		edit func(x []float32) []float32
	}{
		{"room", two(hallOptions{seed: 1}), 30, 24, nil},
		{"room, 16 bit, brown noise", two(hallOptions{seed: 2, noisekind: "brown"}), 40, 16, nil},
		{"room, white noise, much of it", two(hallOptions{seed: 3, noisekind: "white", skewPPM: 80}), 20, 0, nil},
		{"room, noise that comes and goes", two(hallOptions{seed: 4, noisekind: "speech"}), 40, 24, nil},
		{"distortion", two(hallOptions{seed: 5, bend: 0.1}), 40, 24, nil},
		{"clocks far apart", two(hallOptions{seed: 6, skewPPM: 450}), 35, 24, nil},
		{"subwoofer", two(hallOptions{seed: 7, sub: true, program: sweep.ProgramOptions{Sweep: sweep.Options{StopHz: 500}}}), 25, 24, nil},
		{"subwoofer, 16 bit", two(hallOptions{seed: 8, sub: true, noisekind: "brown", program: sweep.ProgramOptions{Sweep: sweep.Options{StopHz: 500}}}), 40, 16, nil},
		{"wire, no noise", two(hallOptions{wire: true, noisekind: "none"}), 0, 0, nil},
		{"wire, no noise, 16 bit", two(hallOptions{wire: true, noisekind: "none"}), 0, 16, nil},
		{"wire, no noise, 16 bit, quiet", two(hallOptions{wire: true, noisekind: "none"}), 0, 0, func(x []float32) []float32 { return rounded(scaled(x, 0.02), 16) }},
		{"wire, 16 bit, noise below a step", two(hallOptions{wire: true, noisekind: "white"}), 88, 16, nil},
		{"room, no noise, 16 bit", two(hallOptions{seed: 9, noisekind: "none"}), 0, 16, nil},
		{"room, no noise", two(hallOptions{seed: 10, noisekind: "none"}), 0, 0, nil},
		{"offset", two(hallOptions{seed: 11}), 35, 24, func(x []float32) []float32 { return shifted(x, 0.02) }},
		{"digital silence before and after", two(hallOptions{seed: 12}), 35, 24, func(x []float32) []float32 {
			clear(x[:3000])
			return append(x, make([]float32, 40000)...)
		}},
		{"floats beyond full scale", two(hallOptions{seed: 13}), 35, 0, func(x []float32) []float32 { return scaled(x, 7) }},
		{"quick form", quick(hallOptions{seed: 14}), 30, 24, nil},
		{"44.1 kHz", two(hallOptions{seed: 15, program: sweep.ProgramOptions{Sweep: sweep.Options{SampleRate: 44100}}}), 30, 16, nil},
		{"96 kHz", two(hallOptions{seed: 16, program: sweep.ProgramOptions{Sweep: sweep.Options{SampleRate: 96000}}}), 30, 24, nil},
		{"three sweeps", hallOptions{seed: 17, program: sweep.ProgramOptions{Sweeps: 3, Marks: true, Sweep: sweep.Options{Seconds: 3}}}, 30, 24, nil},
		{"8 bit", two(hallOptions{seed: 1}), 35, 8, nil},
		{"8 bit, quiet", two(hallOptions{seed: 1, noisekind: "brown"}), 35, 0, func(x []float32) []float32 { return rounded(scaled(x, 0.3), 8) }},
		{"8 bit, wire", two(hallOptions{wire: true, noisekind: "white"}), 35, 0, func(x []float32) []float32 { return rounded(scaled(x, 0.3), 8) }},
		{"8 bit, subwoofer", two(hallOptions{seed: 2, sub: true, program: sweep.ProgramOptions{Sweep: sweep.Options{StopHz: 500}}}), 35, 8, nil},
		{"ends after the last mark", two(hallOptions{seed: 18}), 30, 24, func(x []float32) []float32 { return x[:len(x)-48000] }},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			h := newHall(t, test.o)
			rec := h.record(1, test.snr, test.bits)
			if test.edit != nil {
				rec = test.edit(rec)
			}
			r := h.take(t, rec, nil)
			for _, f := range r.Findings {
				if f.Fault {
					t.Errorf("marked as %s: %s", f.Kind, f.Text())
				}
			}
			for i, whole := range r.Whole {
				if !whole {
					t.Errorf("sweep %d is not whole", i+1)
				}
			}
			if len(r.Whole) != h.program.Options.Sweeps || len(r.Bursts) != 0 {
				t.Errorf("%d sweeps, bursts %v", len(r.Whole), r.Bursts)
			}
			if (h.program.Options.Sweeps == 1) != has(r, QuickForm, false) {
				t.Error("the quick form's note is wrong")
			}
		})
	}
}

func scaled(x []float32, g float32) []float32 {
	for i := range x {
		x[i] *= g
	}
	return x
}

func shifted(x []float32, d float32) []float32 {
	for i := range x {
		x[i] += d
	}
	return x
}

func drop(x []float32, at, n int) []float32 { return slices.Delete(x, at, at+n) }

func putIn(x []float32, at, n int) []float32 {
	return slices.Insert(x, at, slices.Clone(x[at-n:at])...)
}

func clipTo(x []float32, limit float32) []float32 {
	for i, v := range x {
		x[i] = max(-limit, min(limit, v))
	}
	return x
}

func peakOf(x []float32) float32 {
	var p float32
	for _, v := range x {
		p = max(p, v, -v)
	}
	return p
}

// Each fault is found and named, and says which sweep it spoilt.
func TestFaultsAreNamed(t *testing.T) {
	sub := sweep.ProgramOptions{Sweep: sweep.Options{StopHz: 500}}
	tests := []struct {
		name  string
		o     hallOptions
		snr   float64
		bits  int
		edit  func(h *hall, x []float32) []float32
		input func(h *hall, in *Input)
		want  Kind
		// whole is what must be said of the sweeps; nil: nothing is asked
		whole []bool
	}{
		{"lost frames", two(hallOptions{seed: 21}), 25, 24, func(h *hall, x []float32) []float32 { return drop(x, h.at(sweep.KindSweep, 0, 1.1), 16) }, nil, LostFrames, []bool{false, false}},
		{"lost frames, subwoofer", two(hallOptions{seed: 22, sub: true, program: sub}), 25, 24, func(h *hall, x []float32) []float32 { return drop(x, h.at(sweep.KindSweep, 1, 1.1), 16) }, nil, LostFrames, nil},
		{"lost in the middle of the middle mark", two(hallOptions{seed: 23}), 25, 24, func(h *hall, x []float32) []float32 { return drop(x, h.at(sweep.KindMark, 1, 0.125), 16) }, nil, MarkDamaged, []bool{false, false}},
		{"repeated and put in", two(hallOptions{seed: 24}), 25, 24, func(h *hall, x []float32) []float32 { return putIn(x, h.at(sweep.KindSweep, 1, 0.7), 64) }, nil, ExtraFrames, nil},
		{"repeated in place", two(hallOptions{seed: 25}), 25, 24, func(h *hall, x []float32) []float32 {
			at := h.at(sweep.KindSweep, 1, 0.9)
			copy(x[at:at+16], x[at-16:at])
			return x
		}, nil, Repeated, []bool{true, false}},
		{"zeros", two(hallOptions{seed: 26}), 25, 16, func(h *hall, x []float32) []float32 {
			at := h.at(sweep.KindSweep, 0, 2.2)
			clear(x[at : at+16])
			return x
		}, nil, ZeroFilled, []bool{false, true}},
		{"zeros, subwoofer, 16 bit", two(hallOptions{seed: 27, sub: true, program: sub}), 40, 16, func(h *hall, x []float32) []float32 {
			at := h.at(sweep.KindSweep, 0, 1.7)
			clear(x[at : at+16])
			return x
		}, nil, ZeroFilled, []bool{false, true}},
		{"one value", two(hallOptions{seed: 28}), 25, 24, func(h *hall, x []float32) []float32 {
			at := h.at(sweep.KindSweep, 0, 1.5)
			for i := range 64 {
				x[at+i] = x[at-1]
			}
			return x
		}, nil, ZeroFilled, []bool{false, true}},
		{"clipped", two(hallOptions{seed: 29}), 35, 16, func(h *hall, x []float32) []float32 { return clipTo(x, peakOf(x)*0.89) }, nil, Clipping, nil},
		{"clipped, subwoofer", two(hallOptions{seed: 30, sub: true, program: sub}), 35, 24, func(h *hall, x []float32) []float32 { return clipTo(x, peakOf(x)*0.89) }, nil, Clipping, nil},
		{"clipped at full scale", two(hallOptions{seed: 31}), 35, 16, func(h *hall, x []float32) []float32 { return rounded(scaled(x, 1.12/peakOf(x)), 16) }, nil, Clipping, nil},
		{"clipped before the converter, whose noise and offset come on top", two(hallOptions{seed: 32}), 35, 0, func(h *hall, x []float32) []float32 {
			clipTo(x, peakOf(x)*0.89)
			r := rand.New(rand.NewPCG(3, 3))
			for i := range x {
				x[i] += 0.01 + float32(3e-5*r.NormFloat64())
			}
			return rounded(x, 16)
		}, nil, Clipping, nil},
		{"burst", two(hallOptions{seed: 33}), 40, 24, func(h *hall, x []float32) []float32 {
			r := rand.New(rand.NewPCG(4, 4))
			at := h.at(sweep.KindSweep, 1, 1.6)
			for i := range 1440 {
				x[at+i] += float32(0.1 * h.level * r.NormFloat64())
			}
			return x
		}, nil, Burst, []bool{true, true}},
		{"step", two(hallOptions{seed: 34}), 40, 24, func(h *hall, x []float32) []float32 {
			shifted(x[h.at(sweep.KindSweep, 0, 0.8):], float32(h.level))
			return x
		}, nil, Step, []bool{false, true}},
		{"louder from the middle on", two(hallOptions{seed: 35}), 30, 24, func(h *hall, x []float32) []float32 { scaled(x[h.at(sweep.KindSweep, 1, 1):], 1.06); return x }, nil, LevelChange, nil},
		{"automatic gain", two(hallOptions{seed: 36}), 35, 24, func(h *hall, x []float32) []float32 { return levelled(x, 3) }, nil, Compression, nil},
		{"gate", two(hallOptions{seed: 37}), 30, 24, func(h *hall, x []float32) []float32 {
			for _, n := range []int{0, 1} {
				from := h.at(sweep.KindSweep, n, 3.4+1.2)
				scaled(x[from:from+int(0.75*48000)], 0.2)
			}
			return x
		}, nil, NoiseGate, nil},
		{"gate that closes altogether", two(hallOptions{seed: 38}), 30, 24, func(h *hall, x []float32) []float32 {
			for _, n := range []int{0, 1} {
				from := h.at(sweep.KindSweep, n, 3.4+1)
				clear(x[from : from+int(0.95*48000)])
			}
			return x
		}, nil, NoiseGate, nil},
		{"noise that rises", two(hallOptions{seed: 39}), 40, 24, func(h *hall, x []float32) []float32 {
			at := h.at(sweep.KindSweep, 1, 0)
			for i, v := range h.noise(rand.New(rand.NewPCG(5, 5)), len(x)-at, 0.08*h.level) {
				x[at+i] += float32(v)
			}
			return x
		}, nil, NoiseChange, nil},
		{"silence", two(hallOptions{seed: 40}), 40, 24, func(h *hall, x []float32) []float32 { clear(x); return x }, nil, Silence, []bool{false, false}},
		{"one value throughout", two(hallOptions{seed: 40}), 40, 24, func(h *hall, x []float32) []float32 { clear(x); return shifted(x, 0.01) }, nil, Silence, nil},
		{"nothing but noise", two(hallOptions{seed: 41}), -60, 24, nil, nil, Silence, []bool{false, false}},
		{"wrong channel", two(hallOptions{seed: 42}), 40, 24, func(h *hall, x []float32) []float32 {
			return rounded(scaled(h.record(7, -60, 0), 1e-3), 24)
		}, func(h *hall, in *Input) { in.Others = [][]float32{make([]float32, 1000), h.record(1, 40, 24)} }, WrongChannel, nil},
		{"wrong speed", two(hallOptions{seed: 43}), 40, 24, func(h *hall, x []float32) []float32 { return clock.Resample(x, 48000/44100.0) }, nil, WrongSpeed, []bool{false, false}},
		{"too early", two(hallOptions{seed: 44}), 40, 24, func(h *hall, x []float32) []float32 { return x[2400:] }, nil, EarlySound, nil},
		{"copy before the sound", two(hallOptions{seed: 45}), 40, 24, func(h *hall, x []float32) []float32 {
			for i, v := range h.program.Samples() {
				x[i+300] += 0.1 * v
			}
			return x
		}, nil, EarlySound, nil},
		{"the driver says so", quick(hallOptions{seed: 46}), 40, 24, nil, func(h *hall, in *Input) { in.Overflows = 2 }, DriverReport, []bool{false}},
		{"as many lost in each sweep", two(hallOptions{seed: 21}), 35, 24, func(h *hall, x []float32) []float32 {
			return drop(drop(x, h.at(sweep.KindSweep, 1, 1.1), 64), h.at(sweep.KindSweep, 0, 1.4), 64)
		}, nil, LostFrames, []bool{false, false}},
		{"as many put in each sweep", two(hallOptions{seed: 21}), 35, 24, func(h *hall, x []float32) []float32 {
			return putIn(putIn(x, h.at(sweep.KindSweep, 1, 1.1), 64), h.at(sweep.KindSweep, 0, 1.4), 64)
		}, nil, ExtraFrames, []bool{false, false}},
		{"put into the last mark", two(hallOptions{seed: 24}), 25, 24, func(h *hall, x []float32) []float32 { return putIn(x, h.at(sweep.KindMark, 2, 0.1), 64) }, nil, ExtraFrames, nil},
		{"digital silence before the program", two(hallOptions{seed: 22}), 30, 24, func(h *hall, x []float32) []float32 { clear(x[:h.at(sweep.KindQuiet, 0, -0.02)]); return x }, nil, NoiseGate, nil},
		{"hardly anything before the program", two(hallOptions{seed: 22}), 30, 24, func(h *hall, x []float32) []float32 {
			r := rand.New(rand.NewPCG(1, 2))
			for i := range x[:h.at(sweep.KindQuiet, 0, -0.02)] {
				x[i] = float32(1e-5 * r.NormFloat64())
			}
			return x
		}, nil, NoiseGate, nil},
		{"gate that is shut from the start", two(hallOptions{seed: 23}), 30, 24, func(h *hall, x []float32) []float32 { return gated(x, 0.05) }, nil, NoiseGate, nil},
		{"softer in the middle of a sweep, brown noise", two(hallOptions{seed: 25, noisekind: "brown"}), 30, 24, func(h *hall, x []float32) []float32 {
			scaled(x[h.at(sweep.KindSweep, 0, 1.5):], 0.8)
			return x
		}, nil, LevelChange, nil},
		{"clipped ahead of a high-pass", two(hallOptions{seed: 26}), 35, 0, func(h *hall, x []float32) []float32 { return coupled(clipTo(x, peakOf(x)*0.55), 4) }, nil, Clipping, nil},
		{"clipped ahead of a high-pass, subwoofer", two(hallOptions{seed: 27, sub: true, program: sub}), 35, 0, func(h *hall, x []float32) []float32 { return coupled(clipTo(x, peakOf(x)*0.8), 4) }, nil, Clipping, nil},
		{"a sample that is no number", two(hallOptions{seed: 28}), 35, 0, func(h *hall, x []float32) []float32 { x[200000] = float32(math.NaN()); return x }, nil, OutOfRange, []bool{false, false}},
		{"infinite samples", two(hallOptions{seed: 28}), 35, 0, func(h *hall, x []float32) []float32 {
			x[200000], x[200001] = float32(math.Inf(1)), float32(math.Inf(-1))
			return x
		}, nil, OutOfRange, []bool{false, false}},
		{"a sample far beyond any sound", two(hallOptions{seed: 28}), 35, 0, func(h *hall, x []float32) []float32 { x[200000] = 1e30; return x }, nil, OutOfRange, []bool{false, false}},
		{"whole numbers of 16 bits", two(hallOptions{seed: 28}), 35, 0, func(h *hall, x []float32) []float32 { return scaled(x, 8000) }, nil, OutOfRange, []bool{true, true}},
		{"off centre", two(hallOptions{seed: 28}), 35, 0, func(h *hall, x []float32) []float32 { return shifted(x, 0.6) }, nil, Offset, []bool{true, true}},
		{"click in the quick form", quick(hallOptions{seed: 47}), 30, 24, func(h *hall, x []float32) []float32 { x[h.at(sweep.KindSweep, 0, 0.9)] += 0.2; return x }, nil, Burst, nil},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			h := newHall(t, test.o)
			rec := h.record(1, test.snr, test.bits)
			if test.edit != nil {
				rec = test.edit(h, rec)
			}
			var change func(*Input)
			if test.input != nil {
				change = func(in *Input) { test.input(h, in) }
			}
			r := h.take(t, rec, change)
			if !has(r, test.want, true) {
				t.Errorf("got faults %v, want %s among them", faults(r), test.want)
			}
			if !r.Faulty() {
				t.Error("not faulty")
			}
			if test.whole != nil && !slices.Equal(r.Whole, test.whole) {
				t.Errorf("whole sweeps: got %v, want %v", r.Whole, test.whole)
			}
			for _, f := range r.Findings {
				t.Log(f.Text())
			}
		})
	}
}

// gated turns down to so much what is less than 14 dB over the silence at the start.
func gated(x []float32, shut float64) []float32 {
	threshold := 5 * math.Sqrt(power(x[1000:30000]))
	level, gain := 0.0, shut
	for i, v := range x {
		a := math.Abs(float64(v))
		keep := math.Exp(-1 / (0.08 * 48000))
		if a > level {
			keep = math.Exp(-1 / (0.002 * 48000))
		}
		level = a + keep*(level-a)
		want, follow := 1.0, math.Exp(-1/(0.005*48000))
		if level < threshold {
			want, follow = shut, math.Exp(-1/(0.03*48000))
		}
		gain = want + follow*(gain-want)
		x[i] = float32(float64(v) * gain)
	}
	return rounded(x, 24)
}

// coupled puts a high-pass of first order behind x, as a capacitor is one.
func coupled(x []float32, hz float64) []float32 {
	keep := math.Exp(-2 * math.Pi * hz / 48000)
	var last, y float64
	for i, v := range x {
		y = keep * (y + float64(v) - last)
		last, x[i] = float64(v), float32(y)
	}
	return rounded(x, 16)
}

// levelled is an automatic gain of a ratio.
func levelled(x []float32, ratio float64) []float32 {
	level, threshold := 0.0, 0.03*float64(peakOf(x))
	for i, v := range x {
		a := math.Abs(float64(v))
		keep := math.Exp(-1 / (0.2 * 48000))
		if a > level {
			keep = math.Exp(-1 / (0.005 * 48000))
		}
		level = a + keep*(level-a)
		if level > threshold {
			x[i] = v * float32(math.Pow(level/threshold, 1/ratio-1))
		}
	}
	return x
}

// What is played before the first mark, and after the last, does no harm.
func TestOutsideTheMarks(t *testing.T) {
	h := newHall(t, two(hallOptions{seed: 51}))
	x := drop(h.record(1, 30, 24), 20000, 64)
	clear(x[30000:30100])
	clear(x[len(x)-5000:])
	if r := h.take(t, x, nil); r.Faulty() {
		t.Errorf("marked: %v", faults(r))
	}
}

// A recording that ends early leaves the sweeps that it holds.
func TestCutOff(t *testing.T) {
	h := newHall(t, two(hallOptions{seed: 57}))
	x := h.record(1, 35, 24)
	r := h.take(t, x[:h.at(sweep.KindSweep, 1, 1)], nil)
	if !has(r, CutOff, true) || !slices.Equal(r.Whole, []bool{true, false}) {
		t.Errorf("in the second sweep: %v, %v", r.Whole, r.Findings)
	}
	r = h.take(t, x[:h.at(sweep.KindSweep, 0, 2.5)], nil)
	if !has(r, CutOff, true) || !slices.Equal(r.Whole, []bool{false, false}) {
		t.Errorf("in the first sweep: %v, %v", r.Whole, r.Findings)
	}
}

// What a recording lacks of the program's marks is told, whatever it holds of the
// sweeps.
func TestMarksThatAreCutOff(t *testing.T) {
	h := newHall(t, two(hallOptions{seed: 57}))
	one := newHall(t, quick(hallOptions{seed: 58}))
	x, y := h.record(1, 35, 24), one.record(1, 35, 24)
	for _, test := range []struct {
		name  string
		h     *hall
		x     []float32
		kind  Kind
		fault bool
		text  string
		whole []bool
	}{
		{"last mark", h, x[:h.at(sweep.KindMark, 2, -0.005)], CutOff, true, "ends too early: time mark 3 is not", []bool{true, true}},
		{"half of it", h, x[:h.at(sweep.KindMark, 2, 0.1)], CutOff, true, "ends too early: time mark 3 is not", []bool{true, true}},
		{"and the end of the decay", h, x[:h.at(sweep.KindMark, 2, -0.5)], CutOff, true, "ends too early: sweep 2 and time mark 3 are not", []bool{true, false}},
		{"half of the recording", h, x[:len(x)/2], CutOff, true, "sweeps 1 and 2 and time marks 2 and 3 are not", nil},
		{"first mark", h, x[h.at(sweep.KindMark, 0, 0.1):], CutOff, true, "starts too late: time mark 1 is not", []bool{true, true}},
		{"quiet mark", h, x[h.at(sweep.KindQuiet, 0, 0.1):], CutOff, false, "starts too late: the quiet mark is not", []bool{true, true}},
		{"nothing but the silence", h, x[h.at(sweep.KindQuiet, 0, -0.05):], "", false, "", []bool{true, true}},
		{"last mark of the quick form", one, y[:one.at(sweep.KindMark, 1, -0.3)], MarkDamaged, true, "ends too early: time mark 2 is not", []bool{true}},
	} {
		r := test.h.take(t, test.x, func(in *Input) {
			in.Aligned = false
			in.Timing, _ = clock.Locate(context.Background(), test.x, test.h.program, clock.Options{})
		})
		i := slices.IndexFunc(r.Findings, func(f Finding) bool { return f.Kind == test.kind })
		if test.kind == "" && len(r.Findings) == 0 {
			continue
		}
		if i < 0 || r.Findings[i].Fault != test.fault || r.Faulty() != test.fault || !strings.Contains(r.Findings[i].What, test.text) {
			t.Errorf("%s: %v", test.name, r.Findings)
		}
		if test.whole != nil && !slices.Equal(r.Whole, test.whole) {
			t.Errorf("%s: whole sweeps: got %v, want %v", test.name, r.Whole, test.whole)
		}
	}
}

// Of two programs in one recording one is looked at, and the other is told of. Neither
// makes the other a fault.
func TestTwoPrograms(t *testing.T) {
	h := newHall(t, two(hallOptions{seed: 57}))
	x := append(h.record(1, 35, 24), h.record(2, 35, 24)...)
	r := h.take(t, x, func(in *Input) {
		in.Aligned = false
		in.Timing, _ = clock.Locate(context.Background(), x, h.program, clock.Options{})
	})
	if r.Faulty() || !has(r, OtherSound, false) {
		t.Errorf("%v", r.Findings)
	}
}

// One event is one finding.
func TestNothingIsToldTwice(t *testing.T) {
	h := newHall(t, two(hallOptions{seed: 24}))
	for name, x := range map[string][]float32{
		"a block that comes twice":  putIn(h.record(1, 35, 24), h.at(sweep.KindSweep, 1, 0.7), 64),
		"the same in the last mark": putIn(h.record(1, 35, 24), h.at(sweep.KindMark, 2, 0.1), 64),
		"a gate":                    gated(h.record(1, 30, 24), 0.05),
		"a clipped subwoofer whose tops are all alike": nil,
	} {
		h := h
		if x == nil {
			h = newHall(t, two(hallOptions{seed: 2, sub: true, program: sweep.ProgramOptions{Sweep: sweep.Options{StopHz: 500}}}))
			x = h.record(1, 40, 16)
			x = clipTo(x, peakOf(x)*0.7)
		}
		if r := h.take(t, x, nil); len(faults(r)) != 1 {
			t.Errorf("%s: %v", name, faults(r))
		}
	}
}

// A burst is given to the sweep that holds it, and placed to within two frames
// of 5 ms.
func TestBurstsArePlaced(t *testing.T) {
	h := newHall(t, hallOptions{seed: 52, program: sweep.ProgramOptions{Sweeps: 3, Marks: true, Sweep: sweep.Options{Seconds: 3}}})
	for want, seconds := range []float64{1.3, 3.36, 0.5} { // the second at 22 kHz
		x := h.record(2, 40, 24)
		at := h.at(sweep.KindSweep, want, seconds)
		r := rand.New(rand.NewPCG(6, 6))
		for i := range 1440 {
			x[at+i] += float32(0.15 * h.level * r.NormFloat64())
		}
		report := h.take(t, x, nil)
		if len(report.Bursts) != 1 {
			t.Fatalf("bursts: %v", report.Bursts)
		}
		b := report.Bursts[0]
		from := int(seconds * 48000)
		end := min(from+1440, h.program.Sweep.Frames)
		if b.Sweep != want || b.From > from || b.From < from-720 || b.From+b.Frames < end || b.From+b.Frames > end+960 {
			t.Errorf("got %+v, want sweep %d from %d to %d", b, want, from, from+1440)
		}
	}
}

// The octaves' signal and noise are those that were put in: white noise has
// half as much again of its power per octave.
func TestOctaves(t *testing.T) {
	h := newHall(t, two(hallOptions{wire: true, noisekind: "white"}))
	r := h.take(t, h.record(1, 40, 0), nil)
	if len(r.SNR) != 10 {
		t.Fatalf("%d octaves", len(r.SNR))
	}
	const tolDB = 1.5 // the silence holds few independent values in the bass
	for _, o := range r.SNR {
		if o.Hz < 100 {
			continue
		}
		signal := 20 * math.Log10(h.level)
		noise := 20*math.Log10(h.level) - 40 + 10*math.Log10(o.Hz*math.Sqrt2/2/24000)
		if d := math.Abs(o.SignalDBFS - signal); !(d <= tolDB) && o.Hz < 15000 {
			t.Errorf("signal at %g Hz: got %.2f dBFS, want %.2f", o.Hz, o.SignalDBFS, signal)
		}
		if d := math.Abs(o.NoiseDBFS - noise); !(d <= tolDB) {
			t.Errorf("noise at %g Hz: got %.2f dBFS, want %.2f", o.Hz, o.NoiseDBFS, noise)
		}
	}
	if d := math.Abs(r.NoiseDBFS - (20*math.Log10(h.level) - 40)); !(d <= 0.2) {
		t.Errorf("noise: got %.2f dBFS", r.NoiseDBFS)
	}
}

// Hum is noted with its levels, and is no fault.
func TestHum(t *testing.T) {
	for _, base := range []float64{50, 60} {
		h := newHall(t, two(hallOptions{seed: 53}))
		x := h.record(1, 40, 24)
		for i := range x {
			x[i] += float32(0.003*math.Sin(2*math.Pi*1.0002*base*float64(i)/48000) + 0.001*math.Sin(2*math.Pi*3*1.0002*base*float64(i)/48000+1))
		}
		r := h.take(t, x, nil)
		if r.Faulty() || !has(r, Hum, false) {
			t.Fatalf("%v", r.Findings)
		}
		const tolDB = 1
		want := map[float64]float64{base: 20 * math.Log10(0.003/math.Sqrt2), 3 * base: 20 * math.Log10(0.001/math.Sqrt2)}
		for _, tone := range r.Hum {
			if level, ok := want[tone.Hz]; !ok || !(math.Abs(tone.LevelDBFS-level) <= tolDB) {
				t.Errorf("got %+v, want %v", tone, want)
			}
			delete(want, tone.Hz)
		}
		if len(want) != 0 {
			t.Errorf("not found: %v", want)
		}
	}
}

// Clocks that are far apart, or other than they were, are worth a note.
func TestClocks(t *testing.T) {
	h := newHall(t, two(hallOptions{seed: 54, skewPPM: 40}))
	x := h.record(1, 35, 24)
	for _, test := range []struct {
		history float64
		want    bool
	}{{40e-6, false}, {43e-6, false}, {30e-6, true}, {-40e-6, true}} {
		r := h.take(t, x, func(in *Input) { in.HistorySkew = &test.history })
		if r.Faulty() || has(r, Clocks, false) != test.want {
			t.Errorf("history %g: %v", test.history, r.Findings)
		}
	}
	h = newHall(t, two(hallOptions{seed: 54, skewPPM: 700}))
	if r := h.take(t, h.record(1, 35, 24), nil); r.Faulty() || !has(r, Clocks, false) {
		t.Errorf("700 ppm: %v", r.Findings)
	}
}

// A driver that reports lost buffers is believed where the recording cannot prove
// itself whole, and else not.
func TestDriverReport(t *testing.T) {
	h := newHall(t, two(hallOptions{seed: 55}))
	r := h.take(t, h.record(1, 35, 24), func(in *Input) { in.Overflows = 1 })
	if r.Faulty() || !has(r, DriverReport, false) {
		t.Errorf("%v", r.Findings)
	}
}

// Without a program only what needs none is looked for.
func TestOtherExcitation(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	x := make([]float32, 200000)
	for i, v := range noises["pink"](r, len(x), 0.05) {
		x[i] = float32(v)
	}
	look := func(x []float32) *Report {
		report, err := Take(context.Background(), Input{Recording: x, SampleRate: 48000})
		if err != nil {
			t.Fatal(err)
		}
		checkFindings(t, report, len(x), 48000)
		return report
	}
	if r := look(x); len(r.Findings) != 0 {
		t.Errorf("%v", r.Findings)
	}
	y := slices.Clone(x)
	clear(y[100000:100016])
	if r := look(y); !has(r, ZeroFilled, true) {
		t.Errorf("zeros: %v", r.Findings)
	}
	y = slices.Clone(x)
	copy(y[100000:100064], y[99936:100000])
	if r := look(y); !has(r, Repeated, true) {
		t.Errorf("repeated: %v", r.Findings)
	}
	if r := look(clipTo(slices.Clone(x), 0.12)); !has(r, Clipping, true) {
		t.Errorf("clipped: %v", r.Findings)
	}
	if r := look(nil); !has(r, Silence, true) {
		t.Errorf("empty: %v", r.Findings)
	}
}

func TestErrors(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Take(ctx, Input{Recording: make([]float32, 100), SampleRate: 48000}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	for _, rate := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		if _, err := Take(context.Background(), Input{Recording: make([]float32, 100), SampleRate: rate}); err == nil {
			t.Errorf("a rate of %g was taken", rate)
		}
	}
	p, err := sweep.NewProgram(sweep.ProgramOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Take(context.Background(), Input{Recording: make([]float32, 100), SampleRate: 44100, Program: p}); err == nil {
		t.Error("two sample rates were taken")
	}
}

// Whatever comes, Take neither fails nor says what makes no sense.
func TestAnything(t *testing.T) {
	p, err := sweep.NewProgram(sweep.ProgramOptions{Sweeps: 2, Marks: true, Sweep: sweep.Options{Seconds: 0.5, StartHz: 100}})
	if err != nil {
		t.Fatal(err)
	}
	played := p.Samples()
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(0, len(played)).Draw(rt, "frames")
		x := slices.Clone(played[:n])
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		for range rapid.IntRange(0, 6).Draw(rt, "edits") {
			if len(x) < 10 {
				break
			}
			at := r.IntN(len(x))
			end := at + r.IntN(min(len(x)-at, 20000)) + 1
			switch rapid.IntRange(0, 5).Draw(rt, "edit") {
			case 0:
				clear(x[at:end])
			case 1:
				x = slices.Delete(x, at, end)
			case 2:
				x = slices.Insert(x, at, slices.Clone(x[at:end])...)
			case 3:
				scaled(x[at:end], float32(r.NormFloat64()*100))
			case 4:
				for i := at; i < end; i++ {
					x[i] += float32(0.01 * r.NormFloat64())
				}
			case 5:
				rounded(x[at:end], 2+r.IntN(20))
			}
		}
		in := Input{Recording: x, SampleRate: 48000, Program: p, Aligned: r.IntN(2) == 0}
		if r.IntN(20) > 0 {
			origin := r.NormFloat64() * 1000
			skew := r.NormFloat64() * 1e-3
			in.Timing = &clock.Timing{Origin: origin, Skew: skew, Known: r.IntN(2) == 0}
			for _, seg := range p.Segments {
				if seg.Kind == sweep.KindMark {
					in.Timing.Marks = append(in.Timing.Marks, clock.Mark{Segment: seg, Found: r.IntN(12) > 0, At: origin + float64(seg.Start)/(1+skew) + 30*r.NormFloat64(), LikenessDB: -30 * r.Float64()})
				}
			}
			if r.IntN(3) == 0 {
				in.Timing.Jumps = []clock.Jump{{From: 0, To: p.Frames / 2, Frames: 10 * r.NormFloat64()}}
			}
		}
		report, err := Take(context.Background(), in)
		if err != nil {
			rt.Fatal(err)
		}
		checkFindings(t, report, max(len(x), p.Frames)+10000, 48000)
	})
}

// A noise in a pause is a note.
func TestNoiseInPause(t *testing.T) {
	h := newHall(t, quick(hallOptions{seed: 56}))
	x := h.record(1, 35, 24)
	at := h.at(sweep.KindSweep, 0, 3.4+1.3)
	r := rand.New(rand.NewPCG(9, 9))
	for i := range 4800 {
		x[at+i] += float32(0.2 * h.level * r.NormFloat64())
	}
	report := h.take(t, x, nil)
	if !has(report, Burst, false) || has(report, Burst, true) {
		t.Errorf("%v", report.Findings)
	}
}
