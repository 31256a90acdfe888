package waterfall

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"roomsonde/deconv"
	"roomsonde/sweep/scale"
)

// An exponentially decaying tone falls from slice to slice at its own rate, at any
// frequency and through any window: every later slice is the first one times
// e^(st).
func TestSlopeOfAModeIsItsOwn(t *testing.T) {
	const tol = 2e-4 // relative
	rapid.Check(t, func(r *rapid.T) {
		decay := rapid.Float64Range(0.25, 3).Draw(r, "decay")
		hz := rapid.Float64Range(80, 280).Draw(r, "hz") // far enough from its mirror image
		o := Options{WindowS: rapid.Float64Range(0.1, 0.8).Draw(r, "window"), RiseS: rapid.Float64Range(0.08, 0.15).Draw(r, "rise"), StepS: rapid.Float64Range(0.02, 0.05).Draw(r, "step")}
		ir := empty(1.6)
		add(ir, hz, 1, decay, 0.4)
		w := mustWaterfall(t, ir, nil, o)
		begin := 0
		for w.TimesS[begin] < o.RiseS+0.02 { // the low-pass rings around the onset
			begin++
		}
		checked := 0
		for k := 0; k < len(w.Hz); k += 11 {
			var levels []float64
			for i := begin; i < len(w.TimesS); i++ {
				levels = append(levels, w.DB[i][k])
			}
			got, want := slope(w.TimesS[begin:], levels), -60/decay
			if w.DB[begin][k] < slices.Max(w.DB[begin])-25 {
				continue // the skirt of the image is no longer small beside that of the line
			}
			checked++
			if !(math.Abs(got/want-1) <= tol) {
				r.Fatalf("mode of %g s at %g Hz, seen at %g Hz: %.4f dB/s, want %.4f", decay, hz, w.Hz[k], got, want)
			}
		}
		if checked < 2 {
			r.Fatalf("only %d frequencies checked", checked)
		}
	})
}

// A wire is at 0 dB in the first slice, and falls as the window itself does.
func TestWireShowsTheWindow(t *testing.T) {
	const tol = 0.02 // dB
	for _, o := range []Options{{}, {ToHz: 20000, StepS: 0.001}} {
		ir := empty(1.5)
		ir.Samples[ir.Zero] = 1
		w := mustWaterfall(t, ir, nil, o)
		checked := 0
		for i := range w.TimesS {
			if w.FallDB[i] < -40 {
				break
			}
			checked++
			for k := range w.Hz {
				if d := w.DB[i][k] - w.FallDB[i]; !(math.Abs(d) <= tol) {
					t.Fatalf("to %g Hz: %.3f dB at %g Hz after %g s, the window is at %.3f dB", w.Options.ToHz, w.DB[i][k], w.Hz[k], w.TimesS[i], w.FallDB[i])
				}
			}
		}
		if checked < 8 {
			t.Errorf("only %d slices checked", checked)
		}
		// cos² has fallen by 20 dB where the cosine is 10^(−1/2).
		if got, want := w.BlindS(20), w.Options.RiseS*2/math.Pi*math.Acos(math.Pow(10, -0.5)); !(math.Abs(got-want) <= 1e-12) {
			t.Errorf("BlindS(20) = %g, want %g", got, want)
		}
		if got := weight(-w.BlindS(33), w.Options.RiseS, w.Options.WindowS); !(math.Abs(scale.AmplitudeDB(got)+33) <= 1e-9) {
			t.Errorf("at BlindS(33) the window is at %g dB", scale.AmplitudeDB(got))
		}
	}
}

// ResolutionHz is the width of a steady tone's line.
func TestResolutionIsThatOfATone(t *testing.T) {
	const tol = 0.02 // relative; the line is read at points 0.2 Hz apart
	ir := empty(2)
	for i := range ir.Samples {
		ir.Samples[i] = math.Sin(2 * math.Pi * 100 * float64(i) / testRate)
	}
	w := mustWaterfall(t, ir, nil, Options{})
	line := w.DB[30]
	top := slices.Index(line, slices.Max(line))
	cross := func(step int) float64 {
		k := top
		for line[k] > line[top]-10*math.Log10(2) {
			k += step
		}
		a, b := line[k-step], line[k]
		return w.Hz[k] - float64(step)*(w.Hz[1]-w.Hz[0])*(line[top]-10*math.Log10(2)-b)/(a-b)
	}
	if got := cross(1) - cross(-1); !(math.Abs(got/w.ResolutionHz-1) <= tol) {
		t.Errorf("the line is %.3f Hz wide, ResolutionHz %.3f", got, w.ResolutionHz)
	}
}

// Of white noise the mean level is the one expected, and next to nothing of it
// stands above the floor.
func TestNoiseIsAtItsLevelAndUnderTheFloor(t *testing.T) {
	const (
		sigma    = 1e-3
		tol      = 0.5  // dB: some 60 independent values, 1.1 dB/√n each for a start
		tolTail  = 1.5  // dB
		mostOver = 2e-3 // of the cells
	)
	ir := empty(4)
	rng := rand.New(rand.NewPCG(8, 9))
	for i := range ir.Samples {
		ir.Samples[i] = sigma * rng.NormFloat64()
	}
	for _, c := range []struct {
		name   string
		noise  *deconv.Noise
		source Source
		tol    float64
	}{{"given", white(sigma), Silence, tol}, {"from the tail", nil, Tail, tolTail}} {
		for _, o := range []Options{{SpanS: 2.4}, {ToHz: 20000, SpanS: 2}} {
			w := mustWaterfall(t, ir, c.noise, o)
			compare(t, c.name, w.Source, c.source, w.DB, w.NoiseDB, w.Masked, false, c.tol, mostOver)
		}
		e := mustEnergy(t, ir, c.noise, EnergyOptions{Linear: true, ToS: 2})
		compare(t, c.name, e.Source, c.source, e.DB, e.NoiseDB, e.Masked, true, c.tol, mostOver)
	}
}

func compare(t *testing.T, name string, source, want Source, db [][]float64, noise []float64, masked func(i, k int) bool, rowIsHz bool, tol, mostOver float64) {
	t.Helper()
	if source != want {
		t.Errorf("%s: noise from %q, want %q", name, source, want)
	}
	var got, expected float64
	over, all := 0, 0
	for i := range db {
		for k := range db[i] {
			at := k
			if rowIsHz {
				at = i
			}
			got += scale.Power(db[i][k] - noise[at])
			expected++
			if !masked(i, k) {
				over++
			}
			all++
		}
	}
	if d := scale.PowerDB(got / expected); !(math.Abs(d) <= tol) {
		t.Errorf("%s: noise is %.2f dB from the level expected", name, d)
	}
	if share := float64(over) / float64(all); !(share <= mostOver) {
		t.Errorf("%s: %.3f %% of the noise stands above the floor", name, 100*share)
	}
}

// Where nothing is known of the noise there is no floor.
func TestUnknownNoiseHasNoFloor(t *testing.T) {
	ir := empty(1.2)
	ir.Samples[ir.Zero] = 1 // and zeros to the end
	silent := white(1)
	silent.DigitalZero = true
	for _, noise := range []*deconv.Noise{nil, silent} {
		w := mustWaterfall(t, ir, noise, Options{})
		e := mustEnergy(t, ir, noise, EnergyOptions{})
		if w.Source != Unknown || w.FloorDB != nil || w.NoiseDB != nil || w.Masked(0, 0) || e.Source != Unknown || e.FloorDB != nil || e.Masked(0, 0) {
			t.Errorf("a floor from %q and %q, want none", w.Source, e.Source)
		}
	}
}

// An arrival's energy over time is the band's own, in closed form: a Gaussian.
func TestEnergyOfAWire(t *testing.T) {
	const tol = 0.02 // dB
	ir := empty(2)
	ir.Samples[ir.Zero] = -1
	e := mustEnergy(t, ir, nil, EnergyOptions{ToHz: 10000, PerOctave: 3, Columns: 2000})
	checked := 0
	for i, hz := range e.Hz {
		sigma := deviation(hz, e.Options.Bandwidth)
		for k, at := range e.TimesS {
			want := -10 / math.Ln10 * square(2*math.Pi*sigma*at)
			if want < -60 {
				break
			}
			checked++
			if !(math.Abs(e.DB[i][k]-want) <= tol) {
				t.Fatalf("at %.1f Hz, %.5f s: %.3f dB, want %.3f", hz, at, e.DB[i][k], want)
			}
		}
		// The number of periods after which it has fallen by 30 dB.
		at := e.BlindPeriods(30) / hz
		if d := 10 / math.Ln10 * square(2*math.Pi*sigma*at); !(math.Abs(d-30) <= 1e-9) {
			t.Errorf("BlindPeriods(30) is where the band has fallen by %g dB", d)
		}
	}
	if checked < 10_000 {
		t.Errorf("only %d values checked", checked)
	}
}

// A bass mode falls at its own rate, and two arrivals in the treble stay two.
func TestEnergyIsSharpAtBothEnds(t *testing.T) {
	const tol = 0.01 // relative
	ir := empty(2)
	add(ir, 30, 0.01, 0.8, 0)
	for _, ms := range []float64{3, 4.5} {
		ir.Samples[ir.Zero+int(ms*testRate/1000)] += 1
	}
	e := mustEnergy(t, ir, nil, EnergyOptions{})
	bass := nearest(e.Hz, 30)
	begin, end := nearest(e.TimesS, 0.4), nearest(e.TimesS, 0.95)
	if got, want := slope(e.TimesS[begin:end], e.DB[bass][begin:end]), -60/0.8; !(math.Abs(got/want-1) <= tol) {
		t.Errorf("a mode falls by %.2f dB/s, want %.2f", got, want)
	}
	treble := e.DB[nearest(e.Hz, 10000)]
	between := treble[nearest(e.TimesS, 0.00375)]
	for _, s := range []float64{0.003, 0.0045} {
		if peak := treble[nearest(e.TimesS, s)]; !(math.Abs(peak) <= 0.3) || !(peak-between >= 20) {
			t.Errorf("10 kHz: %.2f dB at the arrival after %g s, %.2f dB between the two", peak, s, between)
		}
	}
}

func nearest(x []float64, v float64) int {
	best := 0
	for i := range x {
		if math.Abs(x[i]-v) < math.Abs(x[best]-v) {
			best = i
		}
	}
	return best
}

func TestCorrectSubtracts(t *testing.T) {
	const tol = 1e-12
	ir := room(2, 1e-5)
	slant := func(hz float64) float64 { return math.Log2(hz / 100) }
	w := mustWaterfall(t, ir, white(1e-5), Options{StepS: 0.1})
	c := w.Correct(slant)
	e := mustEnergy(t, ir, white(1e-5), EnergyOptions{PerOctave: 3, Columns: 20})
	d := e.Correct(slant)
	for k, hz := range w.Hz {
		if !(math.Abs(w.DB[1][k]-c.DB[1][k]-slant(hz)) <= tol) || !(math.Abs(w.FloorDB[k]-c.FloorDB[k]-slant(hz)) <= tol) || !(math.Abs(w.NoiseDB[k]-c.NoiseDB[k]-slant(hz)) <= tol) || w.Masked(1, k) != c.Masked(1, k) {
			t.Fatalf("waterfall at %g Hz: %g dB became %g", hz, w.DB[1][k], c.DB[1][k])
		}
	}
	for i, hz := range e.Hz {
		if !(math.Abs(e.DB[i][3]-d.DB[i][3]-slant(hz)) <= tol) || !(math.Abs(e.FloorDB[i]-d.FloorDB[i]-slant(hz)) <= tol) || !(math.Abs(e.NoiseDB[i]-d.NoiseDB[i]-slant(hz)) <= tol) {
			t.Fatalf("energy at %g Hz: %g dB became %g", hz, e.DB[i][3], d.DB[i][3])
		}
	}
}

// The same input gives the same output, bit for bit, and is not changed; and the
// resolved options give the same picture again.
func TestSameTwice(t *testing.T) {
	ir := room(1.5, 1e-5)
	before := slices.Clone(ir.Samples)
	w, e := mustWaterfall(t, ir, nil, Options{ToHz: 8000}), mustEnergy(t, ir, nil, EnergyOptions{PerOctave: 6})
	if !reflect.DeepEqual(w, mustWaterfall(t, ir, nil, w.Options)) || !reflect.DeepEqual(e, mustEnergy(t, ir, nil, e.Options)) {
		t.Error("the same response gave another picture")
	}
	if !slices.Equal(before, ir.Samples) {
		t.Error("the response was changed")
	}
}

func TestShortResponseEndsEarlyAndSaysSo(t *testing.T) {
	ir := room(0.9, 0)
	w := mustWaterfall(t, ir, nil, Options{})
	var early *EndsEarly
	if len(w.Warnings) != 1 || !errors.As(w.Warnings[0], &early) || early.AskedS != 0.6 || !(math.Abs(early.GivenS-0.4) <= 1e-9) || !(math.Abs(w.TimesS[len(w.TimesS)-1]-0.4) <= 1e-9) || w.Options.SpanS != early.GivenS {
		t.Errorf("warnings %v, last slice at %g s, span %g s; want one that says 0.4 s instead of 0.6", w.Warnings, w.TimesS[len(w.TimesS)-1], w.Options.SpanS)
	}
}

func TestErrors(t *testing.T) {
	ctx, good := context.Background(), room(1.5, 0)
	broken := room(1.5, 0)
	broken.Samples[500] = math.NaN()
	outside := good
	outside.Zero = -3
	var response *ResponseError
	var option *OptionError
	var short *TooShortError
	for _, c := range []struct {
		name string
		ir   deconv.ImpulseResponse
		o    Options
		e    EnergyOptions
		as   any
	}{
		{"empty", deconv.ImpulseResponse{SampleRate: 48000}, Options{}, EnergyOptions{}, &response},
		{"no rate", deconv.ImpulseResponse{Samples: []float64{1}}, Options{}, EnergyOptions{}, &response},
		{"not a number", broken, Options{}, EnergyOptions{}, &response},
		{"time zero outside", outside, Options{}, EnergyOptions{}, &response},
		{"frequencies", good, Options{FromHz: 300, ToHz: 200}, EnergyOptions{FromHz: 300, ToHz: 200}, &option},
		{"above half the rate", good, Options{ToHz: 24000}, EnergyOptions{ToHz: 24000}, &option},
		{"not a number of Hz", good, Options{ToHz: math.NaN()}, EnergyOptions{ToHz: math.NaN()}, &option},
		{"no time", good, Options{StepS: -1}, EnergyOptions{FromS: 0.5, ToS: 0.2}, &option},
		{"too many cells", good, Options{StepS: 1e-5, ToHz: 900}, EnergyOptions{Columns: 1e6}, &option},
		{"margin", good, Options{MarginDB: -4}, EnergyOptions{MarginDB: math.Inf(1)}, &option},
		{"too short", room(0.4, 0), Options{}, EnergyOptions{ToS: 0.5}, &short},
	} {
		_, err := Of(ctx, c.ir, nil, c.o)
		_, err2 := EnergyOf(ctx, c.ir, nil, c.e)
		for _, err := range []error{err, err2} {
			if !errors.As(err, c.as) || err.Error() == "" {
				t.Errorf("%s: %v", c.name, err)
			}
			if h, ok := err.(interface{ Hint() string }); !ok || c.as != any(&option) && h.Hint() == "" {
				t.Errorf("%s: no hint", c.name)
			}
		}
	}
	early := -5.0 // outside the response
	if _, err := Of(ctx, good, nil, Options{OnsetS: &early}); !errors.As(err, &option) {
		t.Errorf("an onset before the response: %v", err)
	}
	if _, err := EnergyOf(ctx, good, nil, EnergyOptions{OnsetS: &early, ToS: 0.5}); err == nil {
		t.Error("an onset before the response gave a picture")
	}
	over, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := Of(over, good, nil, Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if _, err := EnergyOf(over, good, nil, EnergyOptions{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}
