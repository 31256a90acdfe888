package response

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"roomsonde/deconv"
	"roomsonde/deconv/fourier"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// convolve returns x passed through h, with len(h) frames more.
func convolve(x []float32, h []float64) []float64 {
	n := fourier.FastLen(len(x) + len(h))
	plan := fourier.Get(n)
	defer fourier.Put(plan)
	a, b := make([]float64, n), make([]float64, n)
	for i, v := range x {
		a[i] = float64(v)
	}
	copy(b, h)
	fa, fb := plan.Coefficients(nil, a), plan.Coefficients(nil, b)
	for k := range fa {
		fa[k] *= fb[k]
	}
	return slices.Clone(plan.Sequence(nil, fa))[:len(x)+len(h)]
}

// randomRoom is a direct sound and decaying noise: a response as rugged as a
// room's, with peaks and dips right up to the ends of any range.
func randomRoom(rate, decayS float64, seed uint64) []float64 {
	rnd := rand.New(rand.NewPCG(seed, 11))
	h := make([]float64, int(1.5*rate))
	for i := range h {
		h[i] = 0.05 * rnd.NormFloat64() * math.Pow(10, -3*float64(i)/rate/decayS)
	}
	h[0] += 1
	return h
}

// Up to the very ends of the sweep's range the means over a sixth of an octave
// are what the room has inside that range: what lies outside was not measured,
// and does not count.
func TestSmoothStaysInRange(t *testing.T) {
	// The promise of the readable band. About half of the 0.3 dB that are seen come
	// from bins that are wide against a sixth of an octave at 20 Hz, half from the
	// deconvolution at the ends of a short range.
	const tolDB = readErrorDB
	for _, c := range []struct {
		name string
		o    sweep.Options
	}{
		{"to the top of 96 kHz", sweep.Options{SampleRate: 96000, StartHz: 20, StopHz: 24000, Seconds: 4}},
		{"bass", sweep.Options{SampleRate: 48000, StartHz: 10, StopHz: 500, Seconds: 4}},
		{"an octave", sweep.Options{SampleRate: 48000, StartHz: 40, StopHz: 80, Seconds: 4}},
	} {
		var worst, unbounded float64
		for seed := range uint64(3) {
			p, err := sweep.NewProgram(sweep.ProgramOptions{Sweep: c.o})
			if err != nil {
				t.Fatal(err)
			}
			h := randomRoom(c.o.SampleRate, 0.5, seed)
			rec := make([]float32, p.Frames+int(c.o.SampleRate))
			rnd := rand.New(rand.NewPCG(seed, 12))
			for i, v := range convolve(p.Samples(), h) {
				if i+500 < len(rec) {
					rec[i+500] = float32(v)
				}
			}
			for i := range rec {
				rec[i] += float32(1e-6 * rnd.NormFloat64())
			}
			res, err := deconv.Recover(t.Context(), rec, p, deconv.Options{Aligned: true})
			if err != nil {
				t.Fatal(err)
			}
			r := mustOf(t, res.Impulse, Window{})
			r.FromHz, r.ToHz = res.FromHz, res.ToHz
			band := r.ReadableBand(Limits{FromHz: res.FromHz, ToHz: res.ToHz, Noise: res.Noise})
			if !band.OK || band.FromHz > res.FromHz*1.2 || band.ToHz < res.ToHz/1.2 {
				t.Fatalf("%s: %+v", c.name, band)
			}
			// Eight times as many points as the measured response has.
			truth := mustOf(t, deconv.ImpulseResponse{SampleRate: c.o.SampleRate, Samples: append(slices.Clone(h), make([]float64, 8*len(h))...)}, Window{})
			var hz []float64
			for f := band.FromHz; f <= band.ToHz; f *= math.Exp2(1.0 / 48) {
				hz = append(hz, f)
			}
			hz = append(hz, band.ToHz)
			got, beyond := r.Smooth(hz, readFraction), smoothAll(r.Power(), r.StepHz, hz, readFraction)
			for i, f := range hz {
				if !band.Contains(f) {
					continue
				}
				// By definition: the mean of the true power over the part inside.
				lo, hi := math.Max(res.FromHz, f*math.Exp2(-1.0/12)), math.Min(res.ToHz, f*math.Exp2(1.0/12))
				var sum float64
				const steps = 400
				for k := range steps {
					sum += powerAt(truth, lo+(hi-lo)*(float64(k)+0.5)/steps)
				}
				want := scale.PowerDB(sum / steps)
				d := math.Abs(scale.PowerDB(got[i]) - want)
				worst = math.Max(worst, d)
				unbounded = math.Max(unbounded, math.Abs(scale.PowerDB(beyond[i])-want))
				if !(d <= tolDB) {
					t.Errorf("%s, seed %d: %.2f dB off at %.1f Hz, within the readable %.1f to %.1f Hz", c.name, seed, d, f, band.FromHz, band.ToHz)
				}
			}
		}
		t.Logf("%s: within %.3f dB; with what lies outside %.2f dB", c.name, worst, unbounded)
	}
}

// powerAt returns the power of the nearest bin.
func powerAt(r *Response, hz float64) float64 {
	v := r.H[int(math.Round(hz/r.StepHz))]
	return real(v)*real(v) + imag(v)*imag(v)
}

// A spectrum that is 1 inside the range and huge outside smooths to 1 everywhere,
// at every smoothing, and also where one asks beyond the range.
func TestSmoothIsBlindOutside(t *testing.T) {
	r := &Response{SampleRate: 48000, StepHz: 1.5, H: make([]complex128, 16001), FromHz: 100, ToHz: 1000}
	for k := range r.H {
		r.H[k] = 1e6
		if f := float64(k) * r.StepHz; f >= r.FromHz && f <= r.ToHz {
			r.H[k] = 1
		}
	}
	at := []float64{50, 99, 100, 100.1, 105, 300, 950, 999, 1000, 1001, 5000, 30000}
	for _, fraction := range []float64{0, 1, 3, 12, 48, 1000} {
		for i, p := range r.Smooth(at, fraction) {
			if !(math.Abs(p-1) <= 1e-9) {
				t.Errorf("1/%g octave at %g Hz: %g, want 1", fraction, at[i], p)
			}
		}
	}
	// Without a range, or with one that holds no bin, all of it counts.
	r.FromHz, r.ToHz = 0, 0
	if p := r.Smooth([]float64{5000}, 3)[0]; !(p > 1e11) {
		t.Errorf("without a range: %g", p)
	}
	r.FromHz, r.ToHz = 100.1, 100.2
	if p := r.Smooth([]float64{5000}, 3)[0]; !(p > 1e11) {
		t.Errorf("a range between two bins: %g", p)
	}
}

// The standard error of a smoothed level, against the scatter of levels in noise.
func TestUncertaintyIsTheScatter(t *testing.T) {
	const length, draws = 48000, 400
	const tol = 0.15 // of the error; the scatter of 400 draws is known to 4 %
	rnd := rand.New(rand.NewPCG(5, 6))
	for _, c := range []struct{ snrDB, hz, fraction float64 }{{20, 1000, 0}, {20, 1000, 24}, {12, 3000, 6}, {30, 200, 12}} {
		sigma := math.Pow(10, -c.snrDB/20) / math.Sqrt(length)
		var sum, squares, said float64
		for range draws {
			// A window without a rise and a fall, so that its length is the
			// noise's; noise before the signal and after it.
			n := fourier.FastLen(2 * length)
			x := make([]float64, n)
			x[length/2] = 1
			for i := range length {
				x[i] += sigma * rnd.NormFloat64()
			}
			plan := fourier.Get(n)
			r := &Response{SampleRate: rate, StepHz: rate / float64(n), H: plan.Coefficients(nil, x), Window: Window{LengthS: 1}}
			fourier.Put(plan)
			p := r.Smooth([]float64{c.hz}, c.fraction)[0]
			db := scale.PowerDB(p)
			sum, squares = sum+db, squares+db*db
			said += UncertaintyDB(p, math.Pow(10, -c.snrDB/10), r.Independent(c.hz, c.fraction)) / draws
		}
		scatter := math.Sqrt(squares/draws - square(sum/draws))
		if !(math.Abs(said/scatter-1) <= tol) {
			t.Errorf("%+v: said %.4f dB, scatters by %.4f dB", c, said, scatter)
		}
	}
	for _, c := range []struct{ power, noise, independent, want float64 }{
		{2, 1, 1, 6.1419}, {101, 1, 1, 0.61419}, {101, 1, 25, 0.12284}, {1, 0, 1, 0},
		{1, 1, 1, 20}, {0.5, 1, 1, 20}, {1.01, 1, 1, 20}, {0, 0, 1, 0},
	} {
		if got := UncertaintyDB(c.power, c.noise, c.independent); !(math.Abs(got-c.want) <= 1e-4) {
			t.Errorf("UncertaintyDB(%g, %g, %g) = %g, want %g", c.power, c.noise, c.independent, got, c.want)
		}
	}
}

// What Of says of its points.
func TestPointsPerResolutionStep(t *testing.T) {
	ir := impulse(24000, 120000, map[int]float64{0: 1})
	for _, w := range []Window{{}, {LengthS: 2.5}, {LengthS: 1}, {LengthS: 0.1}, {LengthS: 0.003}, {PreS: -1, LengthS: 1.99}, {PreS: 0.001}} {
		r := mustOf(t, ir, w)
		if most := math.Min(1.5, r.Window.ResolutionHz(100)/2); r.StepHz > most*(1+1e-9) {
			t.Errorf("%+v: %g Hz apart, want at most %g", w, r.StepHz, most)
		}
	}
}

// flat returns a wire's response under noise whose density, re a signal of 0 dB
// in the whole window, is given in dB at each frequency.
func flat(t *testing.T, hz []float64, noiseDB func(hz float64) float64) (*Response, *deconv.Noise) {
	r := mustOf(t, impulse(24000, 120000, map[int]float64{0: 1}), Window{})
	n := &deconv.Noise{Hz: hz}
	for _, f := range hz {
		n.Density = append(n.Density, scale.Power(noiseDB(f))/r.Energy(f))
		n.Freedom = append(n.Freedom, 1e6)
	}
	for k := range r.H { // as a recording has it: the noise on top
		f := float64(k) * r.StepHz
		r.H[k] = complex(math.Sqrt(1+scale.Interpolate(hz, n.Density, f)*r.Energy(f)), 0)
	}
	return r, n
}

// A gap at an end of the band moves the end; a band narrower than a third of an
// octave is none; and the reasons say which end they are of.
func TestReadableEndsAtGaps(t *testing.T) {
	var hz []float64
	for f := 5.0; f < 24000; f *= math.Exp2(1.0 / 48) {
		hz = append(hz, f)
	}
	const quiet, loud = -60, 20
	noise := func(holes ...[2]float64) func(float64) float64 {
		return func(f float64) float64 {
			for _, h := range holes {
				if f > h[0] && f < h[1] {
					return loud
				}
			}
			return quiet
		}
	}
	read := func(db func(float64) float64, l Limits) Readable {
		r, n := flat(t, hz, db)
		l.Noise = n
		return r.ReadableBand(l)
	}
	l := Limits{FromHz: 15, ToHz: 20000}

	b := read(noise([2]float64{15.25, 17.8}, [2]float64{100, 115}, [2]float64{17000, 19800}), l)
	if !b.OK || !(b.FromHz > 17 && b.FromHz < 19) || !(b.ToHz > 16000 && b.ToHz < 17500) || !b.FromNoise || !b.ToNoise || len(b.Gaps) != 1 {
		t.Errorf("gaps at both ends: %+v to %+v, gaps %+v", b.FromHz, b.ToHz, b.Gaps)
	}
	if b.FromReason != "below this the room's noise may falsify it by more than 0.5 dB" || b.ToReason != "above this the room's noise may falsify it by more than 0.5 dB" ||
		len(b.Gaps) == 1 && b.Gaps[0].Reason != "here the room's noise may falsify it by more than 0.5 dB" {
		t.Errorf("reasons %q, %q, %+v", b.FromReason, b.ToReason, b.Gaps)
	}

	// A quarter of an octave, and half an octave, of quiet.
	for width, ok := range map[float64]bool{0.25: false, 0.5: true} {
		b := read(noise([2]float64{0, 1000}, [2]float64{1000 * math.Exp2(width), 30000}), l)
		if b.OK != ok || !ok && !strings.Contains(b.FromReason, "less than a third of an octave, stands far enough out of the room's noise") {
			t.Errorf("%g octaves: %+v", width, b)
		}
	}
	b = read(noise(), Limits{FromHz: 15, ToHz: 20000, MicFromHz: 100, MicToHz: 15000, LowPassHz: 80})
	if b.OK || b.FromReason != "what is left is less than a third of an octave: from 100 Hz (the microphone's calibration starts here) to 113 Hz (half an octave above the low-pass at 80 Hz)" {
		t.Errorf("limits near each other: %+v", b.FromReason)
	}
	b = read(noise(), Limits{FromHz: 15, ToHz: 20000, MicFromHz: 20, MicToHz: 15000})
	if b.FromReason != "the microphone's calibration starts here" || b.ToReason != "the microphone's calibration ends here" || b.FromNoise || b.ToNoise {
		t.Errorf("a microphone's limits: %+v", b)
	}
}

// How much louder: against a signal that is that much louder.
func TestLouder(t *testing.T) {
	var hz []float64
	for f := 5.0; f < 24000; f *= math.Exp2(1.0 / 12) {
		hz = append(hz, f)
	}
	level := 0.0
	rising := func(f float64) float64 { return -level - 40 + 60*math.Log10(200/math.Min(f, 200)) } // 18 dB an octave below 200 Hz
	l := Limits{FromHz: 15, ToHz: 20000}
	read := func() Readable {
		r, n := flat(t, hz, rising)
		l.Noise = n
		return r.ReadableBand(l)
	}
	b := read()
	first := b.FromHz
	if !b.OK || !b.FromNoise || b.ToNoise {
		t.Fatalf("%+v", b)
	}
	db, atLeast := b.LouderDB(first/1.5, first)
	if !(db > 3 && db < 20) || atLeast {
		t.Fatalf("just below %g Hz: %g dB (%t)", first, db, atLeast)
	}
	level = db + 1.5 // the tenth that may stay short
	if b = read(); b.FromHz > first/1.5*1.05 {
		t.Errorf("%g dB louder it starts at %g Hz, want %g", level, b.FromHz, first/1.5)
	}
	level = 0
	if db, atLeast = read().LouderDB(15, 20); !atLeast || db < 20 {
		t.Errorf("deep in the noise: %g dB (%t)", db, atLeast)
	}
	if db, _ := read().LouderDB(1000, 20000); db != 0 {
		t.Errorf("where all can be read: %g dB", db)
	}
}

// A harmonic of 0.01 % under a floor about 58 dB down is hidden: no point of it,
// and none of the noise, is told, whichever way the noise falls out.
func TestDistortionTellsNoNoise(t *testing.T) {
	const harmonic = 1e-4
	peak := math.Pow(10, -30.0/20) // of the default sweep
	var of, told int
	var floors []float64
	for seed := range uint64(12) {
		o := sweep.ProgramOptions{Sweep: sweep.Options{Seconds: []float64{3, 5, 10}[seed%3]}}
		res := measured(t, o, 1.5e-4, 100+seed, func(x float64) float64 { return x + 2*harmonic/peak*x*x })
		d := DistortionOf(res, mustOf(t, res.Impulse, Window{}))
		for _, o := range d.Orders {
			of += len(o.Floor.Hz)
			told += len(o.Ratio.Hz)
			floors = append(floors, o.Floor.DB...)
			if len(o.Ratio.Hz) > 0 {
				t.Errorf("seed %d: %d points of order %d told, at %.0f to %.0f Hz", seed, len(o.Ratio.Hz), o.Order, o.Ratio.Hz[0], o.Ratio.Hz[len(o.Ratio.Hz)-1])
			}
			for i, f := range o.Floor.Hz {
				if most := o.MostDB[i]; !(most >= o.Floor.DB[i]+6) {
					t.Errorf("order %d at %g Hz: at most %g dB over a floor of %g dB", o.Order, f, most, o.Floor.DB[i])
				}
			}
		}
		// Order 2 is there, so the bound must be above it.
		for _, hz := range []float64{50, 100, 1000} {
			orders, hidden, _, most := d.At(hz)
			if len(orders) > 0 || len(hidden) == 0 || !(most > scale.AmplitudeDB(harmonic)) {
				t.Errorf("seed %d at %g Hz: told %v, hidden %v, at most %.1f dB", seed, hz, orders, hidden, most)
			}
		}
	}
	slices.Sort(floors)
	t.Logf("%d of %d points told; floors %.0f to %.0f dB, median %.0f", told, of, floors[0], floors[len(floors)-1], floors[len(floors)/2])
}
