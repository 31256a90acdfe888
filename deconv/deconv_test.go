package deconv

import (
	"context"
	"errors"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"roomsonde/deconv/internal/taketest"
	"roomsonde/sweep"
)

// room returns a response with direct sound, reflections and a decaying tail,
// starting with delay frames of silence.
func room(rate float64, delay int, seconds, t60 float64, seed uint64) []float64 {
	rnd := rand.New(rand.NewPCG(seed, 1))
	h := make([]float64, delay+int(seconds*rate))
	for i := delay + 1; i < len(h); i++ {
		t := float64(i-delay) / rate
		h[i] = 0.05 * rnd.NormFloat64() * math.Exp(-6.908*t/t60)
	}
	h[delay] = 1
	return h
}

// record plays p through h into a recording that lasts extra frames longer,
// with white noise of the given rms.
func record(p *sweep.Program, h []float64, extra int, noise float64, seed uint64) []float32 {
	y := taketest.Convolve(p.Samples(), h)
	rec := make([]float32, p.Frames+extra)
	rnd := rand.New(rand.NewPCG(seed, 2))
	for i := range rec {
		v := noise * rnd.NormFloat64()
		if i < len(y) {
			v += y[i]
		}
		rec[i] = float32(v)
	}
	return rec
}

// compare returns the error of got against the truth h (its frame at belonging
// to got's time zero), as power in [from, to] relative to the truth's there, and
// the largest difference in magnitude over bins within 40 dB of the mean.
func compare(got ImpulseResponse, h []float64, at int, from, to float64) (errorDB, magnitudeDB float64) {
	n := 1 << 18
	for n < len(got.Samples) {
		n *= 2
	}
	want := make([]float64, n)
	for i, v := range h {
		if k := i - at + got.Zero; k >= 0 && k < n {
			want[k] = v
		}
	}
	have := make([]float64, n)
	copy(have, got.Samples)
	fft := fourier.NewFFT(n)
	a, b := fft.Coefficients(nil, have), fft.Coefficients(nil, want)
	var e, s float64
	var count int
	lo, hi := int(from*float64(n)/got.SampleRate)+1, int(to*float64(n)/got.SampleRate)
	for k := lo; k < hi; k++ {
		d := cmplx.Abs(a[k] - b[k])
		e += d * d
		s += cmplx.Abs(b[k]) * cmplx.Abs(b[k])
		count++
	}
	for k := lo; k < hi; k++ {
		if m := cmplx.Abs(b[k]); m*m > 1e-4*s/float64(count) {
			magnitudeDB = math.Max(magnitudeDB, math.Abs(20*math.Log10(cmplx.Abs(a[k])/m)))
		}
	}
	return 10 * math.Log10(e/s), magnitudeDB
}

func program(t testing.TB, o sweep.ProgramOptions) *sweep.Program {
	t.Helper()
	p, err := sweep.NewProgram(o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// What went in comes out: −90 dB in the impulse and 0.01 dB in magnitude inside
// the sweep's range, at all rates and for every layout of program. (Sweeps
// of 3 s are the shortest here: one of 2 s has its distortion so near that only
// 0.11 s before time zero can be kept, and comes to 0.018 dB at 20 Hz.)
func TestRecoversTheRoom(t *testing.T) {
	const tolImpulseDB, tolMagnitudeDB = -90, 0.01
	for name, o := range map[string]sweep.ProgramOptions{
		"default":     {},
		"44.1 kHz":    {Sweep: sweep.Options{SampleRate: 44100, Seconds: 5}},
		"96 kHz":      {Sweep: sweep.Options{SampleRate: 96000, Seconds: 3}},
		"192 kHz":     {Sweep: sweep.Options{SampleRate: 192000, Seconds: 3}},
		"20-20k":      {Sweep: sweep.Options{StartHz: 20, StopHz: 20000, Seconds: 5}},
		"sub":         {Sweep: sweep.Options{StopHz: 500}},
		"two + marks": {Sweep: sweep.Options{Seconds: 3}, Sweeps: 2, Marks: true},
	} {
		t.Run(name, func(t *testing.T) {
			p := program(t, o)
			rate := p.Sweep.SampleRate
			const delay = 1357
			h := room(rate, delay, 1.2, 0.4, 3)
			rec := record(p, h, int(rate/2), 0, 0)
			for _, aligned := range []bool{true, false} {
				r, err := Recover(context.Background(), rec, p, Options{Aligned: aligned})
				if err != nil {
					t.Fatal(err)
				}
				if r.Sweeps != max(1, o.Sweeps) {
					t.Errorf("averaged %d sweeps", r.Sweeps)
				}
				if r.StartMissing || r.EndMissing {
					t.Errorf("parts are called missing: %+v", r)
				}
				at := r.ArrivalFrame - p.Starts(sweep.KindSweep)[0]
				if p.Sweep.StopHz > 5000 && at != delay {
					t.Errorf("aligned %v: time zero at frame %d, want %d", aligned, at, delay)
				}
				e, m := compare(r.Impulse, h, at, p.Sweep.StartHz, p.Sweep.StopHz)
				t.Logf("aligned %v: impulse error %.1f dB, magnitude %.5f dB", aligned, e, m)
				if !(e <= tolImpulseDB) || !(m <= tolMagnitudeDB) {
					t.Errorf("aligned %v: impulse error %.1f dB and magnitude %.4f dB, want below %d and %g", aligned, e, m, tolImpulseDB, tolMagnitudeDB)
				}
			}
		})
	}
}

// The sweep is found wherever it lies in a long recording, in noise as loud as
// it is, and cut off at either end.
func TestLocates(t *testing.T) {
	const longestSearch = 1 << 22 // of clock.Find's pieces
	p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 3}})
	h := room(48000, 500, 0.5, 0.3, 5)
	whole := record(p, h, 0, 0, 0)
	first := p.Starts(sweep.KindSweep)[0] + 500
	place := func(before, after int, noise float64) []float32 {
		rnd := rand.New(rand.NewPCG(9, 9))
		out := make([]float32, before+len(whole)+after)
		copy(out[before:], whole)
		for i := range out {
			out[i] += float32(noise * rnd.NormFloat64())
		}
		return out
	}
	rms := p.Sweep.Amplitude() / math.Sqrt2
	for _, c := range []struct {
		name          string
		rec           []float32
		want          int
		start, end    bool
		fromHz, topHz float64
	}{
		{"late", place(700000, 100000, 0), first + 700000, false, false, 5, 24000},
		{"late in a recording of three minutes", place(8_000_000, 300000, 1e-4), first + 8_000_000, false, false, 5, 24000},
		{"across two pieces of the search", place(longestSearch-first-40000, 4_000_000, 1e-4), longestSearch - 40000, false, false, 5, 24000},
		{"noise as loud", place(200000, 0, rms), first + 200000, false, false, 5, 24000},
		{"starts 0.5 s into the sweep", whole[first+24000:], -24000, true, false, p.Sweep.FrequencyAt(0.5), 24000},
		{"ends 0.5 s early", whole[:first+p.Sweep.Frames-24000], first, false, true, 5, p.Sweep.FrequencyAt(p.Sweep.Seconds - 0.5)},
	} {
		r, err := Recover(context.Background(), c.rec, p, Options{})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if r.ArrivalFrame != c.want || r.StartMissing != c.start || r.EndMissing != c.end {
			t.Errorf("%s: found at %d (missing %v %v), want %d (%v %v)", c.name, r.ArrivalFrame, r.StartMissing, r.EndMissing, c.want, c.start, c.end)
		}
		if !(math.Abs(r.FromHz/c.fromHz-1) < 1e-3 && math.Abs(r.ToHz/c.topHz-1) < 1e-3) {
			t.Errorf("%s: range %g to %g Hz, want %g to %g", c.name, r.FromHz, r.ToHz, c.fromHz, c.topHz)
		}
	}
}

func TestRefusesWhatHoldsNoSweep(t *testing.T) {
	p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 2}})
	rnd := rand.New(rand.NewPCG(4, 4))
	noise := make([]float32, 300000)
	tone := make([]float32, 300000)
	music := make([]float32, 300000) // notes that come and go
	for i := range noise {
		noise[i] = float32(0.1 * rnd.NormFloat64())
		tone[i] = float32(0.1 * math.Sin(float64(i)*0.05))
		music[i] = float32(0.1 * math.Sin(float64(i)*0.01*float64(1+i/12000%7)) * math.Exp(-float64(i%12000)/3000))
	}
	other := program(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 2, StartHz: 24, StopHz: 12345}})
	for name, rec := range map[string][]float32{"silence": make([]float32, 300000), "noise": noise, "tone": tone, "notes": music, "another sweep": other.Samples()} {
		_, err := Recover(context.Background(), rec, p, Options{})
		var nf *NotFoundError
		if !errors.As(err, &nf) || nf.Hint() == "" {
			t.Errorf("%s: got %v, want a NotFoundError", name, err)
		} else if nf.Silent != (name == "silence") {
			t.Errorf("%s: Silent = %v", name, nf.Silent)
		}
	}
	var short *TooShortError
	if _, err := Recover(context.Background(), noise[:1000], p, Options{}); !errors.As(err, &short) {
		t.Errorf("a short recording: got %v", err)
	}
	noise[77] = float32(math.NaN())
	var sample *SampleError
	if _, err := Recover(context.Background(), noise, p, Options{}); !errors.As(err, &sample) || sample.Frame != 77 {
		t.Errorf("a NaN: got %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Recover(ctx, record(p, []float64{1}, 0, 0, 0), p, Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: got %v", err)
	}
}

// The noise that is predicted in a spectrum from the silence is the noise that
// is there, within what its few degrees of freedom allow.
func TestPredictsNoise(t *testing.T) {
	const tolDB = 1.5 // the silence of 1.4 s has some 4 segments; means over half an octave of four takes
	p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 5}})
	h := room(48000, 300, 1, 0.4, 3)
	clean, err := Recover(context.Background(), record(p, h, 24000, 0, 0), p, Options{Aligned: true})
	if err != nil {
		t.Fatal(err)
	}
	n := 1 << 17
	fft := fourier.NewFFT(n)
	for _, hz := range []float64{40, 200, 1000, 5000, 15000} {
		var got, want float64
		for seed := range uint64(4) {
			r, err := Recover(context.Background(), record(p, h, 24000, 3e-4, seed), p, Options{Aligned: true})
			if err != nil {
				t.Fatal(err)
			}
			if r.ArrivalFrame != clean.ArrivalFrame {
				t.Fatalf("time zero moved")
			}
			d := make([]float64, n)
			for i := range r.Impulse.Samples {
				d[i] = r.Impulse.Samples[i] - clean.Impulse.Samples[i]
			}
			for k, v := range fft.Coefficients(nil, d) {
				if f := float64(k) * 48000 / float64(n); f > hz/1.19 && f < hz*1.19 {
					got += real(v)*real(v) + imag(v)*imag(v)
				}
			}
			for i, f := range r.Noise.Hz {
				if f > hz/1.06 && f < hz*1.06 {
					want += r.Noise.Density[i] * float64(len(d[:len(r.Impulse.Samples)])) * (hz*1.19 - hz/1.19) / 48000 * float64(n)
					break
				}
			}
			if level := r.Noise.RecordingDBFS; !(math.Abs(level-20*math.Log10(3e-4)) < 0.3) {
				t.Errorf("noise level %.2f dBFS", level)
			}
		}
		if d := 10 * math.Log10(got/want); !(math.Abs(d) <= tolDB) {
			t.Errorf("at %g Hz: the noise is %.2f dB off its prediction, want within %g", hz, d, tolDB)
		}
	}
}

// Any excitation will do for Divide: noise, here, over part of the range.
func TestDivide(t *testing.T) {
	rnd := rand.New(rand.NewPCG(8, 8))
	x := make([]float32, 5*48000)
	for i := range x[4800 : 4*48000] {
		x[4800+i] = float32(0.1 * rnd.NormFloat64())
	}
	h := room(48000, 200, 0.8, 0.3, 6)
	y := taketest.Convolve(x, h)
	rec := make([]float32, len(y)+40000)
	for i, v := range y {
		rec[i+20000] = float32(v)
	}
	r, err := Divide(context.Background(), rec, x, 48000, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if r.ArrivalFrame != 20200 {
		t.Errorf("found at %d, want 20200", r.ArrivalFrame)
	}
	e, m := compare(r.Impulse, h, 200, 20, 23000)
	// Noise has deep dips in its spectrum, where regularisation takes a little:
	// 0.013 dB with its −80 dB, and below 0.01 with −100 dB (tried).
	const tolImpulseDB, tolMagnitudeDB = -90, 0.02
	if !(e <= tolImpulseDB && m <= tolMagnitudeDB) {
		t.Errorf("impulse error %.1f dB, magnitude %.4f dB", e, m)
	}
	if r.ToHz < 23000 || r.FromHz > 20 {
		t.Errorf("range %g to %g Hz", r.FromHz, r.ToHz)
	}
	if r.Products != nil {
		t.Errorf("noise has no harmonics")
	}
}

// Divide reads a sweep's range off its samples.
func TestDivideFindsTheRange(t *testing.T) {
	for _, c := range [][2]float64{{20, 20000}, {50, 5000}, {5, 500}, {500, 24000}} {
		p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{StartHz: c[0], StopHz: c[1], Seconds: 4}})
		x := p.Samples()
		r, err := Divide(context.Background(), x, x, 48000, Options{})
		if err != nil {
			t.Fatal(err)
		}
		// The fade-in hides the bottom of the first octave.
		if !(r.FromHz >= c[0]/1.02 && r.FromHz <= c[0]*1.6 && math.Abs(math.Log2(r.ToHz/c[1])) < 0.05) {
			t.Errorf("sweep from %g to %g Hz: read as %.1f to %.1f", c[0], c[1], r.FromHz, r.ToHz)
		}
	}
}

// A converter's offset, larger than the sweep itself, neither hides the sweep nor
// leaks into the bass.
func TestOffset(t *testing.T) {
	p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 5}})
	h := room(48000, 400, 0.8, 0.3, 4)
	rec := record(p, h, 24000, 1e-6, 3)
	for i := range rec {
		rec[i] += 0.5
	}
	for _, aligned := range []bool{true, false} {
		r, err := Recover(context.Background(), rec, p, Options{Aligned: aligned})
		if err != nil {
			t.Fatal(err)
		}
		// float32 beside an offset of 0.5 has a step of 6e-8.
		e, _ := compare(r.Impulse, h, r.ArrivalFrame-p.Starts(sweep.KindSweep)[0], 20, 20000)
		if !(e <= -75) {
			t.Errorf("aligned %v: impulse error %.1f dB", aligned, e)
		}
	}
}

func TestLeavesTheRecordingAlone(t *testing.T) {
	p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 1}})
	rec := record(p, room(48000, 100, 0.3, 0.2, 1), 1000, 1e-4, 1)
	before := append([]float32(nil), rec...)
	a, err := Recover(context.Background(), rec, p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	b, _ := Recover(context.Background(), rec, p, Options{})
	for i := range rec {
		if rec[i] != before[i] {
			t.Fatalf("frame %d changed", i)
		}
	}
	for i := range a.Impulse.Samples {
		if a.Impulse.Samples[i] != b.Impulse.Samples[i] {
			t.Fatalf("two runs differ at frame %d", i)
		}
	}
}

func BenchmarkRecover(b *testing.B) {
	for _, c := range []struct {
		name string
		o    sweep.Options
	}{{"10s_48k", sweep.Options{}}, {"10s_96k", sweep.Options{SampleRate: 96000}}, {"60s_96k", sweep.Options{SampleRate: 96000, Seconds: 60}}} {
		b.Run(c.name, func(b *testing.B) {
			p := program(b, sweep.ProgramOptions{Sweep: c.o})
			rec := record(p, []float64{1, 0.5, 0.25}, 24000, 1e-5, 1)
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Recover(context.Background(), rec, p, Options{Aligned: true}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(len(rec))/p.Sweep.SampleRate*float64(b.N)/b.Elapsed().Seconds(), "x-realtime")
		})
	}
}
