package response

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"roomsonde/deconv"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

const rate = 48000

// impulse returns an impulse response of n frames with unit impulses of the
// given heights at frames after time zero.
func impulse(pre, n int, at map[int]float64) deconv.ImpulseResponse {
	ir := deconv.ImpulseResponse{SampleRate: rate, Samples: make([]float64, n), Zero: pre}
	for i, v := range at {
		ir.Samples[pre+i] = v
	}
	return ir
}

// smoothAll smooths a spectrum of which every bin counts.
func smoothAll(p []float64, step float64, at []float64, fraction float64) []float64 {
	return newSmoother(p, step, 0, 0).smooth(at, fraction)
}

func mustOf(t *testing.T, ir deconv.ImpulseResponse, w Window) *Response {
	t.Helper()
	r, err := Of(ir, w)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestWire(t *testing.T) {
	for _, w := range []Window{{}, {LengthS: 0.005}, {Cycles: 6}, {LengthS: 0.3, Cycles: 15}} {
		r := mustOf(t, impulse(1000, 50000, map[int]float64{0: 1}), w)
		for k, v := range r.H {
			if !(cmplx.Abs(v-1) <= 1e-12) {
				t.Fatalf("window %v: H[%d] = %v, want 1", w, k, v)
			}
		}
		for k, d := range r.GroupDelay(impulse(1000, 50000, map[int]float64{0: 1})) {
			if !(math.Abs(d) <= 1e-12) {
				t.Fatalf("window %v: group delay[%d] = %g s", w, k, d)
			}
		}
	}
}

// A pure delay of d frames has the phase −2πfd and the group delay d.
func TestDelay(t *testing.T) {
	ir := impulse(100, 20000, map[int]float64{48: -0.5})
	r := mustOf(t, ir, Window{})
	phase := Unwrapped(r.PhaseDegrees())
	delay := r.GroupDelay(ir)
	for k := 1; k < len(r.H)-1; k++ {
		hz := float64(k) * r.StepHz
		if want := phase[0] - 360*hz*48/rate; !(math.Abs(phase[k]-want) <= 1e-6) {
			t.Fatalf("phase at %g Hz = %g, want %g", hz, phase[k], want)
		}
		if !(math.Abs(delay[k]-0.001) <= 1e-9) {
			t.Fatalf("group delay at %g Hz = %g s, want 0.001", hz, delay[k])
		}
	}
	if math.Abs(math.Abs(phase[0])-180) > 1e-9 {
		t.Errorf("an inverted impulse has phase %g at 0 Hz", phase[0])
	}
}

// Direct sound and one echo: the comb's mean power is 1 + a², whatever its depth
// (closed form), where a mean of decibels would read it low.
func TestSmoothingKeepsEnergy(t *testing.T) {
	const tolDB = 0.02
	for _, a := range []float64{0.5, 0.9, 1} {
		r := mustOf(t, impulse(0, 96000, map[int]float64{0: 1, 4800: a}), Window{LengthS: 2})
		got := smoothAll(r.Power(), r.StepHz, []float64{2000, 5000, 10000}, 3)
		for i, p := range got {
			if d := scale.PowerDB(p) - scale.PowerDB(1+a*a); !(math.Abs(d) <= tolDB) {
				t.Errorf("echo %g, point %d: %.4f dB off 10·lg(1+a²)", a, i, d)
			}
		}
	}
}

// Smoothing against its definition: the integral of the piecewise constant power
// over the band, by brute force.
func TestSmoothByDefinition(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	p := make([]float64, 5000)
	for i := range p {
		p[i] = rnd.ExpFloat64()
	}
	const step = 4.8
	for range 200 {
		hz := 20 * math.Pow(1000, rnd.Float64())
		fraction := []float64{1, 3, 6, 12, 24, 48}[rnd.IntN(6)]
		lo, hi := hz*math.Exp2(-0.5/fraction)/step, hz*math.Exp2(0.5/fraction)/step
		if hi-lo < 1 || hi > float64(len(p))-1 {
			continue
		}
		var sum float64
		for k, v := range p {
			a, b := math.Max(lo, float64(k)-0.5), math.Min(hi, float64(k)+0.5)
			sum += v * math.Max(0, b-a)
		}
		want := sum / (hi - lo)
		if got := smoothAll(p, step, []float64{hz}, fraction)[0]; !(math.Abs(got/want-1) <= 1e-9) {
			t.Errorf("%g Hz at 1/%g octave: %g, want %g", hz, fraction, got, want)
		}
	}
	// The top of the axis stays finite and inside the data.
	if got := smoothAll(p, step, []float64{24000, 30000}, 3); !(got[0] > 0.3 && got[0] < 3 && got[1] > 0) {
		t.Errorf("at the end of the axis: %v", got)
	}
}

func TestGrid(t *testing.T) {
	bins, hz := Grid(0.4, 5, 24000, 96)
	for i := range bins {
		if hz[i] != float64(bins[i])*0.4 || hz[i] < 5 || hz[i] > 24000*(1+1e-12) {
			t.Fatalf("point %d: bin %d at %g Hz", i, bins[i], hz[i])
		}
		if i > 0 {
			if bins[i] <= bins[i-1] {
				t.Fatalf("bins %d and %d", bins[i-1], bins[i])
			}
			if gap := hz[i] - hz[i-1]; gap > hz[i]*(math.Exp2(1.0/96)-1)+0.4+1e-9 {
				t.Fatalf("a hole of %g Hz at %g Hz", gap, hz[i])
			}
		}
	}
	if hz[0] > 5.4 || hz[len(hz)-1] < 23800 || len(hz) > 12*96+30 {
		t.Errorf("%d points from %g to %g Hz", len(hz), hz[0], hz[len(hz)-1])
	}
}

// A minimum-phase filter's phase comes back from its magnitude: one real pole,
// H = 1/(1 − a·z⁻¹), in closed form.
func TestMinimumPhase(t *testing.T) {
	const n, a, tol = 1 << 14, 0.9, 1e-9
	magnitude := make([]float64, n/2+1)
	want := make([]float64, n/2+1)
	for k := range magnitude {
		h := 1 / (1 - a*cmplx.Rect(1, -2*math.Pi*float64(k)/n))
		magnitude[k], want[k] = cmplx.Abs(h), cmplx.Phase(h)
	}
	for k, got := range MinimumPhase(magnitude) {
		if !(math.Abs(got-want[k]) <= tol) {
			t.Fatalf("bin %d: phase %g, want %g", k, got, want[k])
		}
	}
}

// A window that depends on frequency keeps the direct sound and drops an echo
// where its cycles have passed, and not where they have not.
func TestCyclesWindow(t *testing.T) {
	ir := impulse(0, 48000, map[int]float64{0: 1, 960: 0.5}) // echo at 20 ms
	r, whole := mustOf(t, ir, Window{Cycles: 5}), mustOf(t, ir, Window{})
	power := r.Power()
	at := func(hz float64) float64 { return smoothAll(power, r.StepHz, []float64{hz}, 3)[0] }
	if d := scale.PowerDB(at(4000)); !(math.Abs(d) <= 0.01) { // 1.25 ms
		t.Errorf("at 4 kHz the echo is still there: %.3f dB", d)
	}
	want := smoothAll(whole.Power(), whole.StepHz, []float64{30}, 3)[0]
	if d := scale.PowerDB(at(30)) - scale.PowerDB(want); !(math.Abs(d) <= 0.1) { // 167 ms
		t.Errorf("at 30 Hz the echo is gone: %.3f dB off", d)
	}
}

// Correcting what a filter did gives the wire back: magnitude, and phase both as
// given and as minimum phase. One pole, whose phase is the minimum one.
func TestCorrect(t *testing.T) {
	const a = 0.6
	ir := impulse(1000, 60000, nil)
	for i := range 200 {
		ir.Samples[1000+i] = math.Pow(a, float64(i))
	}
	r := mustOf(t, ir, Window{})
	pole := func(hz float64) complex128 { return 1 / (1 - a*cmplx.Rect(1, -2*math.Pi*hz/rate)) }
	db := func(hz float64) float64 { return scale.AmplitudeDB(cmplx.Abs(pole(hz))) }
	degrees := func(hz float64) float64 { return cmplx.Phase(pole(hz)) * 180 / math.Pi }
	for name, c := range map[string]struct {
		phase PhaseSource
		tol   float64
		size  bool
	}{"given": {GivenPhase, 1e-9, false}, "minimum": {MinimalPhase, 1e-9, false}, "magnitude only": {NoPhase, 1e-9, true}} {
		for k, v := range r.Correct(db, degrees, c.phase).H {
			if c.size {
				v = complex(cmplx.Abs(v), 0)
			}
			if !(cmplx.Abs(v-1) <= c.tol) {
				t.Fatalf("%s: H[%d] = %v, want 1", name, k, v)
			}
		}
	}
	noise := &deconv.Noise{Hz: []float64{10, 20000}, Density: []float64{1, 1}, Freedom: []float64{9, 9}}
	before, after := r.NoisePower(noise, []float64{5000})[0], r.Correct(db, nil, NoPhase).NoisePower(noise, []float64{5000})[0]
	if want := before * scale.Power(-db(5000)); !(math.Abs(after/want-1) <= 1e-12) {
		t.Errorf("noise %g, want %g", after, want)
	}
}

// |H|² = 1/(1 + (f0/f)⁴) for frequencies far below the sample rate (Butterworth).
func TestHighPass(t *testing.T) {
	const f0, tolDB = 15, 0.02
	r := mustOf(t, HighPass(impulse(100, 96000, map[int]float64{0: 1}), f0), Window{})
	for _, hz := range []float64{4, 7.5, 15, 30, 100, 1000} {
		k := math.Round(hz / r.StepHz)
		f := k * r.StepHz
		got, want := scale.PowerDB(r.Power()[int(k)]), -scale.PowerDB(1+math.Pow(f0/f, 4))
		if !(math.Abs(got-want) <= tolDB) {
			t.Errorf("at %.2f Hz: %.3f dB, want %.3f", f, got, want)
		}
	}
}

func TestBadInput(t *testing.T) {
	for _, ir := range []deconv.ImpulseResponse{{}, {SampleRate: rate}, {SampleRate: rate, Samples: make([]float64, 5), Zero: 5}, {SampleRate: rate, Samples: make([]float64, 5), Zero: -1}} {
		if _, err := Of(ir, Window{}); err == nil {
			t.Errorf("%+v accepted", ir)
		}
	}
	if _, err := Of(impulse(0, 100, nil), Window{LengthS: -1}); err == nil {
		t.Error("a negative window accepted")
	}
}

func measured(t *testing.T, o sweep.ProgramOptions, noise float64, seed uint64, system func(x float64) float64) *deconv.Result {
	t.Helper()
	p, err := sweep.NewProgram(o)
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(seed, 7))
	rec := make([]float32, p.Frames+2000)
	for i, v := range p.Samples() {
		rec[i+1000] = float32(system(float64(v)))
	}
	for i := range rec {
		rec[i] += float32(noise * rnd.NormFloat64())
	}
	r, err := deconv.Recover(context.Background(), rec, p, deconv.Options{Aligned: true})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// The ends of the readable band and their reasons.
func TestReadableEnds(t *testing.T) {
	res := measured(t, sweep.ProgramOptions{Sweep: sweep.Options{StartHz: 10, StopHz: 20000, Seconds: 3}}, 0, 1, func(x float64) float64 { return x })
	whole := mustOf(t, res.Impulse, Window{})
	base := Limits{FromHz: res.FromHz, ToHz: res.ToHz, Noise: res.Noise}
	with := func(change func(*Limits)) Limits { l := base; change(&l); return l }
	for _, c := range []struct {
		name     string
		r        *Response
		l        Limits
		from, to float64
		why      [2]string
	}{
		{"sweep", whole, base, 10, 20000, [2]string{"sweep starts", "sweep ends"}},
		{"microphone", whole, with(func(l *Limits) { l.MicFromHz, l.MicToHz = 20, 15000 }), 20, 15000, [2]string{"calibration", "calibration"}},
		{"low-pass", whole, with(func(l *Limits) { l.LowPassHz = 80 }), 10, 80 * math.Sqrt2, [2]string{"sweep starts", "low-pass at 80 Hz"}},
		{"gate", mustOf(t, res.Impulse, Window{LengthS: 0.005}), base, 400, 20000, [2]string{"5 ms", "sweep ends"}},
		{"nothing", whole, with(func(l *Limits) { l.MicFromHz, l.MicToHz, l.LowPassHz = 500, 15000, 80 }), 0, 0, [2]string{"nothing is left", ""}},
	} {
		b := c.r.ReadableBand(c.l)
		if b.OK != (c.to > 0) || math.Abs(b.FromHz-c.from) > 1e-6 || math.Abs(b.ToHz-c.to) > 1e-6 ||
			!strings.Contains(b.FromReason, c.why[0]) || !strings.Contains(b.ToReason, c.why[1]) {
			t.Errorf("%s: %+v", c.name, b)
		}
	}
}

// At 40 dB signal over noise in the recording, and less, the sixth-octave means
// are within half a decibel of the truth wherever the band says that they may be
// read; and where it ends for the noise they soon are not.
func TestReadableBandKeepsItsPromise(t *testing.T) {
	// A system that falls by 12 dB per octave below 60 Hz and above 4 kHz, so
	// that noise takes over at both ends.
	type filter struct{ low1, low2, high1, high2 float64 }
	system := func() func(float64) float64 {
		var f filter
		kl, kh := 1-math.Exp(-2*math.Pi*60/rate), 1-math.Exp(-2*math.Pi*4000/rate)
		return func(x float64) float64 {
			f.low1 += kl * (x - f.low1)
			x -= f.low1
			f.low2 += kl * (x - f.low2)
			x -= f.low2
			f.high1 += kh * (x - f.high1)
			f.high2 += kh * (f.high1 - f.high2)
			return f.high2
		}
	}
	o := sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 5}}
	truth := mustOf(t, measured(t, o, 0, 1, system()).Impulse, Window{})
	rms := math.Pow(10, -30.0/20) / math.Sqrt2 * 0.6 // of the recorded sweep, about
	for _, snr := range []float64{40, 30, 20} {
		var beyond, beyondBad int
		for seed := range uint64(4) {
			res := measured(t, o, rms*math.Pow(10, -snr/20), seed, system())
			r := mustOf(t, res.Impulse, Window{})
			band := r.ReadableBand(Limits{FromHz: res.FromHz, ToHz: res.ToHz, Noise: res.Noise})
			if !band.OK || band.ToHz < 2000 || band.FromHz > 100 {
				t.Fatalf("%g dB: %+v", snr, band)
			}
			var hz []float64
			for f := 6.0; f < 22000; f *= math.Exp2(1.0 / 24) {
				hz = append(hz, f)
			}
			got, want := smoothAll(r.Power(), r.StepHz, hz, 6), smoothAll(truth.Power(), truth.StepHz, hz, 6)
			for i, f := range hz {
				d := math.Abs(scale.PowerDB(got[i]) - scale.PowerDB(want[i]))
				if band.Contains(f) && !(d <= 0.5) {
					t.Errorf("%g dB, seed %d: %.2f dB off at %.1f Hz, inside the readable band %.1f to %.1f Hz", snr, seed, d, f, band.FromHz, band.ToHz)
				}
				if f > band.ToHz*2 {
					beyond++
					if d > 0.5 {
						beyondBad++
					}
				}
			}
			t.Logf("%g dB, seed %d: readable %.1f to %.0f Hz (%s; %s), %d gaps", snr, seed, band.FromHz, band.ToHz, band.FromReason, band.ToReason, len(band.Gaps))
		}
		if beyond > 0 && beyondBad*2 < beyond {
			t.Errorf("%g dB: an octave past the end only %d of %d points are off: the band ends too early", snr, beyondBad, beyond)
		}
	}
}

// A polynomial without memory, y = x + a2·x² + a3·x³ + a4·x⁴ + a5·x⁵, has exact
// products on a tone of peak A (power-reduction formulas):
//
//	H1 = A + ¾a3A³ + ⅝a5A⁵, H2 = ½a2A² + ½a4A⁴, H3 = ¼a3A³ + 5/16·a5A⁵,
//	H4 = ⅛a4A⁴, H5 = 1/16·a5A⁵.
func TestDistortionOfAPolynomial(t *testing.T) {
	const tolDB = 0.2
	const a2, a3, a4, a5 = 0.5, 2.0, 30.0, 400.0
	// Swept at 192 kHz, so that the fifth order of the highest note fits.
	o := sweep.ProgramOptions{Sweep: sweep.Options{SampleRate: 192000, StartHz: 10, StopHz: 19000, Seconds: 10, LevelDBFS: -20}}
	res := measured(t, o, 1e-9, 3, func(x float64) float64 { return x + a2*x*x + a3*x*x*x + a4*x*x*x*x + a5*x*x*x*x*x })
	d := DistortionOf(res, mustOf(t, res.Impulse, Window{}))
	if d == nil || len(d.Orders) != 4 {
		t.Fatalf("orders: %+v", d)
	}
	A := math.Pow(10, -20.0/20)
	h1 := A + 0.75*a3*math.Pow(A, 3) + 0.625*a5*math.Pow(A, 5)
	h := map[int]float64{2: (a2*A*A + a4*math.Pow(A, 4)) / 2, 3: a3/4*math.Pow(A, 3) + 5.0/16*a5*math.Pow(A, 5), 4: a4 / 8 * math.Pow(A, 4), 5: a5 / 16 * math.Pow(A, 5)}
	var thd, worst float64
	for _, order := range d.Orders {
		want := scale.AmplitudeDB(h[order.Order] / h1)
		thd += square(h[order.Order] / h1)
		checked := 0
		for i, f := range order.Ratio.Hz {
			// The fade-in covers the first octave; at the top the fade-out does.
			if f < 30 || f*float64(order.Order) > 17000 {
				continue
			}
			checked++
			for name, got := range map[string]float64{"ratio": order.Ratio.DB[i], "input": order.InputDB[i]} {
				worst = math.Max(worst, math.Abs(got-want))
				if !(math.Abs(got-want) <= tolDB) {
					t.Errorf("order %d at %.0f Hz: %s %.3f dB, want %.3f", order.Order, f, name, got, want)
				}
			}
		}
		if checked < 100 {
			t.Errorf("order %d: only %d points", order.Order, checked)
		}
	}
	t.Logf("orders 2 to 5 within %.3f dB", worst)
	got := d.THD.DB[len(d.THD.DB)/2]
	if want := scale.PowerDB(thd); !(math.Abs(got-want) <= tolDB) {
		t.Errorf("THD %.3f dB at %.0f Hz, want %.3f", got, d.THD.Hz[len(d.THD.Hz)/2], want)
	}
}

// Noise is never passed off as distortion.
func TestDistortionBlanksNoise(t *testing.T) {
	res := measured(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 5}}, 1e-3, 5, func(x float64) float64 { return x })
	d := DistortionOf(res, mustOf(t, res.Impulse, Window{}))
	points, of := 0, 0
	for _, o := range d.Orders {
		points += len(o.Ratio.Hz)
		of += len(o.Floor.Hz)
	}
	if of < 500 || points > of/100 {
		t.Errorf("a clean system in noise shows %d points of distortion among %d", points, of)
	}
	res.Noise = nil
	if DistortionOf(res, mustOf(t, res.Impulse, Window{})) != nil {
		t.Error("distortion without a known noise floor")
	}
}

func ExampleOf() {
	ir := deconv.ImpulseResponse{SampleRate: 48000, Samples: []float64{0, 0.5, 0, 0}, Zero: 1}
	r, _ := Of(ir, Window{})
	fmt.Printf("%.2f dB\n", scale.PowerDB(r.Power()[100]))
	// Output: -6.02 dB
}

func BenchmarkOf(b *testing.B) {
	ir := impulse(24000, 120000, map[int]float64{0: 1})
	for name, w := range map[string]Window{"fixed": {}, "cycles": {Cycles: 10}} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				r, _ := Of(ir, w)
				_, hz := Grid(r.StepHz, 5, 24000, 96)
				smoothAll(r.Power(), r.StepHz, hz, 24)
			}
		})
	}
}
