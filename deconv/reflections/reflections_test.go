package reflections

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"roomsonde/deconv"
	"roomsonde/sweep/scale"
)

// tap is a pulse in a synthetic response: milliseconds after the direct sound, and dB re it.
type tap struct{ ms, db float64 }

// response returns pulses band-limited to highHz (a sinc in a Hann window of 256
// samples either side, between the samples too), the direct sound at 30 ms.
func response(rate, highHz, lengthS float64, taps ...tap) deconv.ImpulseResponse {
	x := make([]float64, int(lengthS*rate))
	at := 0.03 * rate
	for _, p := range append([]tap{{0, 0}}, taps...) {
		mid := at + p.ms/1000*rate
		const half = 256
		for i := max(0, int(mid)-half); i <= min(len(x)-1, int(mid)+half); i++ {
			d := float64(i) - mid
			v := 2 * highHz / rate
			if d != 0 {
				v = math.Sin(2*math.Pi*highHz/rate*d) / (math.Pi * d)
			}
			if math.Abs(d) < half {
				x[i] += scale.Amplitude(p.db) * v * (0.5 + 0.5*math.Cos(math.Pi*d/half))
			}
		}
	}
	return deconv.ImpulseResponse{SampleRate: rate, Samples: x, Zero: int(math.Round(at))}
}

func withNoise(ir deconv.ImpulseResponse, seed uint64, rms float64) deconv.ImpulseResponse {
	r := rand.New(rand.NewPCG(seed, 5))
	ir.Samples = slices.Clone(ir.Samples)
	for i := range ir.Samples {
		ir.Samples[i] += rms * r.NormFloat64()
	}
	return ir
}

func find(t testing.TB, ir deconv.ImpulseResponse, o Options) Result {
	t.Helper()
	r, err := Find(ir, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Pulses that do not overlap come back as they were put in, at any rate and any
// fraction of a sample.
func TestKnownReflections(t *testing.T) {
	// A millisecond from a pulse its side lobes are 30 dB down: 20·lg(1.03) = 0.26 dB.
	const tolS, tolDB = 2e-6, 0.3
	want := []tap{{1.234, -6}, {3.5, -12.5}, {7.0071, -10}, {20.31, -24}, {44, -18}}
	for _, rate := range []float64{44100, 48000, 96000, 192000} {
		for _, o := range []Options{{}, {FromHz: 500, ToHz: 16000}, {SpeedMPS: 340}} {
			r := find(t, response(rate, 20000, 0.5, want...), o)
			if !r.OK || r.Reason != "" || len(r.Arrivals) != len(want) {
				t.Fatalf("%g Hz, %+v: %+v %q, want %v", rate, o, r.Arrivals, r.Reason, want)
			}
			speed := 343.2
			if o.SpeedMPS != 0 {
				speed = o.SpeedMPS
			}
			for i, w := range want {
				a := r.Arrivals[i]
				if !(math.Abs(a.DelayS-w.ms/1000) <= tolS) || !(math.Abs(a.LevelDB-w.db) <= tolDB) || !(math.Abs(a.PathM-a.DelayS*speed) <= 1e-12) {
					t.Errorf("%g Hz: %+v, want %+v", rate, a, w)
				}
			}
			if !(math.Abs(r.DirectS-(0.03-float64(int(math.Round(0.03*rate)))/rate)) <= tolS) {
				t.Errorf("%g Hz: direct sound at %g s", rate, r.DirectS)
			}
		}
	}
}

// A direct sound alone has no reflections, however its band ends and
// wherever it lies between samples, and however far down is looked.
func TestSideLobesAreNotNamed(t *testing.T) {
	for _, rate := range []float64{16000, 44100, 48000, 96000} {
		for _, high := range []float64{0.3, 0.4, 0.45} {
			for _, frac := range []float64{0, 0.25, 0.5} {
				ir := response(rate, high*rate, 0.5)
				moved := response(rate, high*rate, 0.5, tap{1000 * frac / rate, 0})
				for i := range moved.Samples {
					moved.Samples[i] -= ir.Samples[i]
				}
				for _, o := range []Options{{WithinDB: 60}, {FromHz: 200, ToHz: 2000, WithinDB: 60}, {FromHz: 4000, ToHz: 20000, WithinDB: 60}, {FromHz: 1000, ToHz: 4000, WithinDB: 60}} {
					if o.FromHz > highest*rate/2 {
						continue
					}
					// A wideband pulse too: a single sample.
					click := deconv.ImpulseResponse{SampleRate: rate, Samples: make([]float64, int(rate/2)), Zero: 700}
					click.Samples[700] = 1
					for _, x := range []deconv.ImpulseResponse{ir, moved, click} {
						if r := find(t, x, o); !r.OK || len(r.Arrivals) != 0 {
							t.Errorf("%g Hz, limit %g, fraction %g, %+v: %+v %q", rate, high, frac, o, r.Arrivals, r.Reason)
						}
					}
				}
			}
		}
	}
}

// In mere reverberation little stands out: it is no row of reflections.
func TestReverberationIsNotNamed(t *testing.T) {
	const seeds = 40
	named := 0
	for seed := range uint64(seeds) {
		ir := response(48000, 20000, 1)
		r := rand.New(rand.NewPCG(seed, 3))
		for i := ir.Zero + 10; i < len(ir.Samples); i++ {
			s := float64(i-ir.Zero) / 48000
			ir.Samples[i] += 0.05 * math.Exp(-6.9*s/0.4) * r.NormFloat64()
		}
		named += len(find(t, ir, Options{}).Arrivals)
	}
	// The envelope of Gaussian noise of bandwidth B has √(2πu)·B/√12·e^(−u) peaks a
	// second that stand by u over its mean power (S. O. Rice, 1944–45; from memory):
	// 11 dB over the median are u = 8.7 and 2.5 a second, 0.12 in 50 ms. But the median
	// is that of 6 ms, some 40 independent values, and scatters by 23 % of the power:
	// e^(−u) grows to e^(σ²/2) = 7 times as much on average where u scatters by σ = 2.
	if most := seeds; named > most {
		t.Errorf("%d arrivals named in %d decaying noises, want at most %d", named, seeds, most)
	}
}

func TestNoise(t *testing.T) {
	taps := []tap{{4, -10}, {9, -27}}
	for seed := range uint64(10) {
		// A band-limited pulse has the height 2·7/48 in the band from 1 to 8 kHz, and
		// noise of unit power the power 2·7/24 there in the envelope squared.
		clean := response(48000, 20000, 0.5, taps...)
		for _, c := range []struct {
			rms  float64
			want int
		}{{0.0005, 2}, {0.008, 1}} {
			r := find(t, withNoise(clean, seed, c.rms), Options{})
			if want := scale.PowerDB(c.rms*c.rms*2*7/24) - scale.AmplitudeDB(2*7.0/48); !(math.Abs(r.NoiseDB-want) <= 1) {
				t.Errorf("noise %g: %g dB, want %g", c.rms, r.NoiseDB, want)
			}
			// Noise 24 dB below a pulse puts it off by 0.6 dB (one standard deviation).
			if !r.OK || len(r.Arrivals) != c.want || !(math.Abs(r.Arrivals[0].LevelDB+10) <= 1.8) || !(math.Abs(r.Arrivals[0].DelayS-0.004) <= 2e-5) {
				t.Errorf("noise %g, seed %d: %+v %q", c.rms, seed, r.Arrivals, r.Reason)
			}
			if hidden := r.NoiseDB+noiseDB > -30; hidden != strings.Contains(r.Reason, "the noise hides") || hidden != (r.DownToDB > -30) {
				t.Errorf("noise at %g dB, looked down to %g dB: %q", r.NoiseDB, r.DownToDB, r.Reason)
			}
		}
		if r := find(t, withNoise(clean, seed, 0.05), Options{}); r.OK || len(r.Arrivals) != 0 || len(r.LevelDB) != 0 || !strings.Contains(r.Reason, "out of the noise") {
			t.Errorf("in loud noise: %+v", r)
		}
	}
}

func TestRefusals(t *testing.T) {
	whole := response(48000, 20000, 0.5, tap{4, -10}, tap{30, -12})
	cut := whole
	cut.Samples = whole.Samples[:whole.Zero+960]
	if r := find(t, cut, Options{}); !r.OK || len(r.Arrivals) != 1 || !strings.Contains(r.Reason, "ends 20 ms after") || !(math.Abs(r.SearchedS-0.02) <= 1e-4) {
		t.Errorf("cut after 20 ms: %+v %q", r.Arrivals, r.Reason)
	}
	silent := deconv.ImpulseResponse{SampleRate: 48000, Samples: make([]float64, 1000), Zero: 10}
	if r := find(t, silent, Options{}); r.OK || !strings.Contains(r.Reason, "silent") {
		t.Errorf("silence: %+v", r)
	}
	single := deconv.ImpulseResponse{SampleRate: 48000, Samples: []float64{1}}
	if r := find(t, single, Options{}); r.OK || r.Reason == "" {
		t.Errorf("one sample: %+v", r)
	}
	if r := find(t, whole, Options{Most: 1}); len(r.Arrivals) != 1 || !(math.Abs(r.Arrivals[0].LevelDB+10) < 0.1) {
		t.Errorf("the strongest: %+v", r.Arrivals)
	}
	if r := find(t, whole, Options{WithinDB: 11}); len(r.Arrivals) != 1 {
		t.Errorf("within 11 dB: %+v", r.Arrivals)
	}
	if r := find(t, response(48000, 20000, 0.5, tap{4, 3}), Options{}); len(r.Arrivals) != 1 || !(math.Abs(r.Arrivals[0].LevelDB-3) < 0.1) {
		t.Errorf("louder than the direct sound: %+v", r.Arrivals)
	}
}

func TestErrors(t *testing.T) {
	good := response(48000, 20000, 0.2)
	with := func(f func(*deconv.ImpulseResponse)) deconv.ImpulseResponse {
		c := good
		c.Samples = slices.Clone(good.Samples)
		f(&c)
		return c
	}
	for _, c := range []struct {
		ir  deconv.ImpulseResponse
		o   Options
		say string
	}{
		{deconv.ImpulseResponse{SampleRate: 48000}, Options{}, "no samples"},
		{with(func(c *deconv.ImpulseResponse) { c.SampleRate = math.NaN() }), Options{}, "sampling rate"},
		{with(func(c *deconv.ImpulseResponse) { c.Zero = -1 }), Options{}, "time zero"},
		{with(func(c *deconv.ImpulseResponse) { c.Samples[5] = math.Inf(1) }), Options{}, "sample 5"},
		{with(func(c *deconv.ImpulseResponse) { c.SampleRate = 4000 }), Options{}, "sampling rate of 4000"},
		{good, Options{FromHz: 1000, ToHz: 1500}, "1000 to 1500"},
		{good, Options{FromHz: -1}, "-1"},
		{good, Options{ToHz: math.NaN()}, "NaN"},
		{good, Options{WithinS: -1}, "-1 s"},
		{good, Options{CurveS: 1e9}, "1e+09 s"},
		{good, Options{WithinDB: -3}, "-3 dB"},
		{good, Options{SpeedMPS: 34}, "34 m/s"},
		{good, Options{Most: -2}, "-2 arrivals"},
	} {
		_, err := Find(c.ir, c.o)
		var input *InputError
		if !errors.As(err, &input) || !strings.Contains(err.Error(), c.say) || input.Hint() == "" {
			t.Errorf("%v, want an InputError with a hint that says %q", err, c.say)
		}
	}
}

// Neither gain nor polarity nor what lies long before changes anything, and the
// response stays as it was.
func TestInvariance(t *testing.T) {
	base := withNoise(response(48000, 20000, 0.3, tap{2.5, -9}, tap{11, -15}), 1, 1e-4)
	want := find(t, base, Options{})
	kept := slices.Clone(base.Samples)
	rapid.Check(t, func(r *rapid.T) {
		g := math.Ldexp(1, rapid.IntRange(-30, 30).Draw(r, "gain"))
		if rapid.Bool().Draw(r, "inverted") {
			g = -g
		}
		delay := rapid.IntRange(0, 4000).Draw(r, "delay")
		ir := deconv.ImpulseResponse{SampleRate: 48000, Onset: base.Zero + delay, Samples: make([]float64, delay+len(base.Samples))}
		for i, v := range base.Samples {
			ir.Samples[delay+i] = g * v
		}
		got, err := Find(ir, Options{})
		if err != nil {
			r.Fatal(err)
		}
		if d := got.DirectS - want.DirectS - float64(base.Zero+delay)/48000; !(math.Abs(d) <= 1e-6) {
			r.Fatalf("direct sound %g s off", d)
		}
		got.DirectS = want.DirectS
		// What lies before the response is faded, not cut, when there is more of it.
		near := cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) <= 1e-3*(1+math.Abs(a)) || a < -60 && b < -60 })
		if d := cmp.Diff(want.Arrivals, got.Arrivals, near); d != "" {
			r.Fatal(d)
		}
	})
	if !slices.Equal(kept, base.Samples) {
		t.Error("the response was changed")
	}
}

// Whatever comes in: no panic, no NaN, arrivals in order and within what is said.
func TestAnythingGoesThrough(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		n := rapid.IntRange(1, 4000).Draw(r, "n")
		x := make([]float64, n)
		seed := rapid.Uint64().Draw(r, "seed")
		rnd := rand.New(rand.NewPCG(seed, 1))
		sparse := rapid.IntRange(1, 500).Draw(r, "sparse")
		for i := range x {
			if rnd.IntN(sparse) == 0 {
				x[i] = rnd.NormFloat64() * math.Exp(20*rnd.Float64()-10)
			}
		}
		rate := rapid.SampledFrom([]float64{8000, 44100, 48000, 1e6}).Draw(r, "rate")
		got, err := Find(deconv.ImpulseResponse{SampleRate: rate, Samples: x, Zero: rapid.IntRange(0, n-1).Draw(r, "zero")}, Options{})
		if err != nil {
			r.Fatal(err)
		}
		if !got.OK && (got.Reason == "" || len(got.Arrivals) > 0) || len(got.TimeS) != len(got.LevelDB) {
			r.Fatalf("%+v", got)
		}
		last := 0.0
		for _, a := range got.Arrivals {
			if !(a.DelayS > last && a.DelayS <= got.SearchedS+2/rate && a.LevelDB >= got.DownToDB-1e-9 && a.LevelDB < 1e3) {
				r.Fatalf("%+v in %+v", a, got)
			}
			last = a.DelayS
		}
		for _, v := range append([]float64{got.DirectS, got.ResolutionS, got.NoiseDB, got.SearchedS, got.DownToDB}, got.LevelDB...) {
			if v-v != 0 {
				r.Fatalf("%g in the result", v)
			}
		}
	})
}

func BenchmarkFind(b *testing.B) {
	for _, rate := range []float64{48000, 192000} {
		b.Run(fmt.Sprintf("%gkHz", rate/1000), func(b *testing.B) {
			ir := withNoise(response(rate, 20000, 2, tap{3, -8}, tap{12, -14}), 1, 1e-4)
			for b.Loop() {
				if _, err := Find(ir, Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
