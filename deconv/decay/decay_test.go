package decay

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"roomsonde/deconv"
	"roomsonde/sweep/scale"
)

var octaves = Options{Widths: []scale.Width{scale.Octave}}

func analyse(t testing.TB, ir deconv.ImpulseResponse, o Options) []Band {
	t.Helper()
	bands, err := Analyse(context.Background(), ir, o)
	if err != nil {
		t.Fatal(err)
	}
	return bands
}

// one returns a single band.
func one(t testing.TB, ir deconv.ImpulseResponse, nominal float64, w scale.Width) Band {
	t.Helper()
	return analyse(t, ir, Options{FromHz: nominal, ToHz: nominal, Widths: []scale.Width{w}})[0]
}

// A decaying sine has its decay time in closed form, and the reversed filter
// leaves it alone. At low B·T what is left is the wave in the squared sine.
func TestExponential(t *testing.T) {
	for _, rate := range []float64{44100, 48000, 96000, 192000} {
		for _, seconds := range []float64{0.15, 0.3, 1, 2} {
			for _, w := range []scale.Width{scale.Octave, scale.Third} {
				for _, sb := range scale.Bands(w, 31.5, 8000) {
					if rate > 96000 && seconds > 0.3 {
						continue // time
					}
					tol := 0.002
					if sb.BandwidthHz()*seconds < 20 {
						tol = 0.02
					}
					if sb.BandwidthHz()*seconds < 8 {
						continue
					}
					b := one(t, ringing(rate, 1.3*seconds, seconds, int(0.02*rate), sb), sb.NominalHz, w)
					for _, v := range []struct {
						name string
						Value
						tol float64
					}{{"EDT", b.EDT, 4 * tol}, {"T20", b.T20, tol}, {"T30", b.T30, tol}} {
						if v.name == "EDT" && !v.OK && strings.Contains(v.Reason, "direct sound") {
							continue
						}
						if d := math.Abs(v.Seconds/seconds - 1); !v.OK || !(d <= v.tol) {
							t.Errorf("%g Hz, %v %g Hz: %s = %.4f s (%s), want %g", rate, w, sb.NominalHz, v.name, v.Seconds, v.Reason, seconds)
						}
					}
				}
			}
		}
	}
}

// Noise with an exponential envelope scatters, so the mean over seeds is
// looked at: no bias, at any noise floor at which the value is given.
func TestNoBias(t *testing.T) {
	const (
		seconds = 0.5
		seeds   = 12
	)
	for _, floor := range []float64{-400, -60, -55, -50, -45, -40} {
		var c50, clear [9]float64
		var sum [3][9]float64
		var count [3][9]float64
		for seed := range uint64(seeds) {
			ir := reverberation(seed+1, 48000, 1.6, seconds, floor)
			for i, b := range analyse(t, ir, octaves) {
				if b.C50DB.OK {
					c50[i] += b.C50DB.Value
					clear[i]++
				}
				for k, v := range []Value{b.EDT, b.T20, b.T30} {
					if v.OK {
						sum[k][i] += v.Seconds
						count[k][i]++
					}
				}
			}
		}
		for i, b := range scale.Bands(scale.Octave, 31.5, 8000) {
			// Closed form for 0.5 s. Energy weighted by e^(−t/τ), τ = T/13.8 = 36 ms,
			// has the relative variance 1/(B·72 ms) after any instant and 1/(B·43 ms)
			// in the first 50 ms: 26.5 dB/√B on their ratio. Three standard deviations
			// of the mean.
			tol := 0.1 + 3*26.5/math.Sqrt(b.BandwidthHz()*seeds)
			if b.NominalHz >= 500 && floor <= -50 && clear[i] < seeds {
				t.Errorf("%g Hz, noise at %g dB: C50 given %g times of %d only", b.NominalHz, floor, clear[i], seeds)
			}
			if clear[i] < seeds/2 {
				continue
			}
			if d := math.Abs(c50[i]/clear[i] - 4.7437); !(d <= tol) {
				t.Errorf("%g Hz, noise at %g dB: mean C50 = %.2f dB, want 4.74 ± %.2f", b.NominalHz, floor, c50[i]/clear[i], tol)
			}
		}
		for k, name := range []string{"EDT", "T20", "T30"} {
			for i, b := range scale.Bands(scale.Octave, 31.5, 8000) {
				n := count[k][i]
				if name == "T30" && floor == -40 && n > seeds/4 {
					t.Errorf("%g Hz: T30 given %g times of %d with the noise at −40 dB", b.NominalHz, n, seeds)
				}
				wanted := b.NominalHz >= 125 && (name == "EDT" || floor <= -50) && (name != "T30" || floor <= -55)
				if wanted && n < seeds/2 {
					t.Errorf("%g Hz, noise at %g dB: %s given %g times of %d only", b.NominalHz, floor, name, n, seeds)
				}
				if n < seeds/2 {
					continue
				}
				// Scatter of one value: 0.88·√(1.19/BT) for T20, 0.55·√(1.15/BT)
				// for T30 (ISO 3382-2 with n = 10; from memory), taken for the EDT as
				// √(2.5/BT); three standard deviations of the mean, and 1.5 % of bias.
				bt := b.BandwidthHz() * seconds
				sigma := []float64{math.Sqrt(2.5 / bt), 0.88 * math.Sqrt(1.19/bt), 0.55 * math.Sqrt(1.15/bt)}[k]
				tol := 0.015 + 3*sigma/math.Sqrt(n)
				if d := math.Abs(sum[k][i]/n/seconds - 1); !(d <= tol) {
					t.Errorf("%g Hz, noise at %g dB: mean %s = %.3f s, want %g ± %.1f %%", b.NominalHz, floor, name, sum[k][i]/n, seconds, 100*tol)
				}
			}
		}
	}
}

// The knee, the noise and the range of a synthetic decay are known.
func TestKneeAndNoise(t *testing.T) {
	const seconds = 0.6
	for _, floor := range []float64{-30, -40, -50, -60} {
		ir := reverberation(7, 48000, 2, seconds, floor)
		for _, b := range analyse(t, ir, octaves) {
			if b.NominalHz < 500 {
				continue // one run scatters too much
			}
			if want := seconds * -floor / 60; !(math.Abs(b.KneeS-want) <= 0.1*seconds) {
				t.Errorf("%g Hz, noise at %g dB: knee at %.2f s, want %.2f", b.NominalHz, floor, b.KneeS, want)
			}
			// White noise of unit power: the band's share is its noise bandwidth, for
			// a third-order Butterworth π/6/sin(π/6) = 1.047 times the −3 dB width.
			want := floor + scale.PowerDB(1.047*b.BandwidthHz()/24000)
			if !(math.Abs(b.NoiseDB-want) <= 0.7) {
				t.Errorf("%g Hz: noise at %.1f dB, want %.1f", b.NominalHz, b.NoiseDB, want)
			}
			if !(math.Abs(b.RangeDB+floor) <= 3) {
				t.Errorf("%g Hz: range of %.1f dB, want %.1f", b.NominalHz, b.RangeDB, -floor)
			}
			if !(b.INRDB >= b.RangeDB-3 && b.INRDB <= b.RangeDB+12) {
				t.Errorf("%g Hz: peak to noise %.1f dB, range %.1f dB", b.NominalHz, b.INRDB, b.RangeDB)
			}
		}
	}
}

// Two slopes: EDT follows the first, T30 leans to the second, the curvature
// and the non-linearity speak.
func TestDoubleSlope(t *testing.T) {
	b := scale.Bands(scale.Octave, 1000, 1000)[0]
	early := ringing(48000, 3, 0.3, 480, b)
	late := ringing(48000, 3, 1.5, 480, b)
	for i, v := range late.Samples {
		early.Samples[i] += 0.05 * v
	}
	got := one(t, early, 1000, scale.Octave)
	if d := math.Abs(got.EDT.Seconds/0.3 - 1); !got.EDT.OK || !(d <= 0.15) {
		t.Errorf("EDT = %+v, want about 0.3", got.EDT)
	}
	if !(got.CurvaturePercent > 20) || got.NonlinearityPermille < doubtNonlinearity || !strings.Contains(got.Reason, "T30") {
		t.Errorf("C = %.0f %%, ξ = %.0f ‰, %q: a bend this strong must be told", got.CurvaturePercent, got.NonlinearityPermille, got.Reason)
	}
}

func TestRefusals(t *testing.T) {
	quiet := func(n int) []float64 { return make([]float64, n) }
	third := func(hz float64) scale.Band { return scale.Bands(scale.Third, hz, hz)[0] }
	octave := func(hz float64) scale.Band { return scale.Bands(scale.Octave, hz, hz)[0] }
	all := []string{"EDT", "T20", "T30"}
	noisy := reverberation(1, 48000, 2, 0.5, 10)
	for i := range noisy.Samples {
		noisy.Samples[i] *= 1e-3
	}
	direct := ringing(48000, 1, 0.5, 480, octave(1000))
	direct.Samples[480] += 1000
	partly := ringing(48000, 1, 0.5, 480, octave(1000))
	partly.Samples[480] += 300
	moved := ringing(48000, 1, 0.5, 4800, octave(1000))
	moved.Zero = 0
	tiny := ringing(48000, 1, 0.5, 480, octave(1000))
	for i := range tiny.Samples {
		tiny.Samples[i] *= 1e-200
	}
	steps := deconv.ImpulseResponse{SampleRate: 48000, Samples: quiet(48000), Zero: 480}
	for i, at := range []int{480, 9600, 19200, 28800} { // four echoes, 12 dB each
		steps.Samples[at] = scale.Amplitude(-12 * float64(i))
	}
	weakTail := reverberation(3, 48000, 2, 1.2, -30)
	weakTail.Samples[weakTail.Zero] += 80

	cases := []struct {
		name    string
		ir      deconv.ImpulseResponse
		band    scale.Band
		o       Options
		refused []string
		say     string
	}{
		{"silent", deconv.ImpulseResponse{SampleRate: 48000, Samples: quiet(48000)}, octave(1000), Options{}, all, "silent"},
		{"silent in the band", tiny, octave(1000), Options{}, all, "silent in this band"},
		{"silent after time zero", deconv.ImpulseResponse{SampleRate: 48000, Samples: append([]float64{1}, quiet(48000)...), Zero: 5000}, octave(1000), Options{}, all, "nothing after time zero"},
		{"noise only", noisy, octave(1000), Options{}, all, "no direct sound stands out of the noise"},
		{"time zero elsewhere", moved, octave(1000), Options{}, all, "the strongest sound comes 100 ms later"},
		{"short", ringing(48000, 0.03, 0.5, 480, octave(1000)), octave(1000), Options{}, all, "too short for this band"},
		{"short for a low band", ringing(48000, 0.2, 0.5, 480, third(31.5)), third(31.5), Options{}, all, "too short for this band"},
		{"cut off", ringing(48000, 0.3, 1, 480, octave(1000)), octave(1000), Options{}, all, "the response ends after 0.30 s"},
		{"noise 20 dB down", reverberation(1, 48000, 2, 0.5, -20), octave(2000), Options{}, all, "25 dB are needed"},
		{"noise 30 dB down", reverberation(1, 48000, 2, 0.5, -30), octave(2000), Options{}, all[1:], "35 dB are needed"},
		{"noise 40 dB down", reverberation(1, 48000, 2, 0.5, -40), octave(2000), Options{}, all[2:], "45 dB are needed"},
		{"early knee", weakTail, octave(1000), Options{}, all[1:], "the noise takes over after"},
		{"narrow filter", ringing(48000, 1, 0.2, 480, third(50)), third(50), Options{}, all, "B·T = 2"},
		{"direct sound alone", direct, octave(1000), Options{}, all[:1], "falls past -10 dB with the direct sound"},
		{"direct sound loud", partly, octave(1000), Options{}, all[:1], "the direct sound takes up the decay"},
		{"echoes", steps, octave(1000), Options{}, all[1:], "too far from a straight line"},
		{"below the source", ringing(48000, 1, 0.5, 480, octave(63)), octave(63), Options{ReadableFromHz: 60}, all, "below the 60 Hz"},
		{"above the microphone", ringing(48000, 1, 0.5, 480, octave(8000)), octave(8000), Options{ReadableToHz: 10000}, all, "above the 10000 Hz"},
		{"above the rate", ringing(16000, 1, 0.5, 480, octave(1000)), octave(8000), Options{}, all, "too near half the sampling rate"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			c.o.FromHz, c.o.ToHz, c.o.Widths = c.band.NominalHz, c.band.NominalHz, []scale.Width{c.band.Width}
			b := analyse(t, c.ir, c.o)[0]
			said := false
			for _, v := range []struct {
				name string
				Value
			}{{"EDT", b.EDT}, {"T20", b.T20}, {"T30", b.T30}} {
				want := slices.Contains(c.refused, v.name)
				if want && (v.OK || v.Reason == "" || v.Seconds != 0) {
					t.Errorf("%s = %+v, want it refused with a reason and no number", v.name, v.Value)
				}
				if want {
					said = said || strings.Contains(v.Reason, c.say)
				}
			}
			if !said || !strings.Contains(strings.ToLower(b.Reason), strings.ToLower(c.say)) || !strings.HasSuffix(b.Reason, ".") {
				t.Errorf("reason %q does not say %q", b.Reason, c.say)
			}
			finite(t, b)
		})
	}
}

// finite fails on a NaN or an infinity anywhere: JSON has none.
func finite(t *testing.T, b Band) {
	t.Helper()
	for _, v := range []float64{b.EDT.Seconds, b.T20.Seconds, b.T30.Seconds, b.C50DB.Value, b.C80DB.Value, b.D50.Value,
		b.CentreTimeS.Value, b.INRDB, b.RangeDB, b.KneeS, b.NoiseDB, b.BT, b.NonlinearityPermille, b.CurvaturePercent} {
		if v-v != 0 {
			t.Errorf("%g Hz: a value is %g: %+v", b.NominalHz, v, b)
			return
		}
	}
}

func TestDoubts(t *testing.T) {
	third := scale.Bands(scale.Third, 100, 100)[0]
	b := one(t, ringing(48000, 1, 6/third.BandwidthHz(), 480, third), 100, scale.Third)
	if !b.T20.OK || !strings.Contains(b.T20.Reason, "B·T = 6") || !strings.Contains(b.Reason, "doubtful") {
		t.Errorf("T20 = %+v, reason %q: B·T between 4 and 8 is to be called doubtful", b.T20, b.Reason)
	}
}

// Lengths, noise levels and rates at random: never a panic, never a NaN, never
// a number beside a refusal.
func TestAnythingGoesThrough(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		n := rapid.IntRange(1, 6000).Draw(r, "n")
		rate := rapid.SampledFrom([]float64{1000, 8000, 16000, 44100, 192000, 1e6}).Draw(r, "rate")
		x := make([]float64, n)
		kind := rapid.IntRange(0, 3).Draw(r, "kind")
		for i := range x {
			switch kind {
			case 0:
				x[i] = rapid.Float64Range(-1, 1).Draw(r, "x")
			case 1:
				x[i] = 1
			case 2:
				x[i] = math.Exp(-float64(i) / 50)
			case 3:
				x[i] = math.Exp(float64(i) / 500)
			}
			if i > 200 && kind == 0 {
				break
			}
		}
		ir := deconv.ImpulseResponse{SampleRate: rate, Samples: x, Zero: rapid.IntRange(0, n-1).Draw(r, "zero")}
		bands, err := Analyse(context.Background(), ir, Options{})
		if err != nil {
			r.Fatal(err)
		}
		for _, b := range bands {
			finite(t, b)
			for _, v := range []Value{b.EDT, b.T20, b.T30} {
				if v.OK != (v.Seconds > 0) || !v.OK && v.Reason == "" {
					r.Fatalf("%+v", v)
				}
			}
		}
	})
}

// Neither gain nor polarity nor silence before the response changes anything.
func TestInvariance(t *testing.T) {
	base := reverberation(5, 44100, 1, 0.4, -55)
	want := analyse(t, base, Options{})
	rapid.Check(t, func(r *rapid.T) {
		g := math.Ldexp(1, rapid.IntRange(-20, 20).Draw(r, "gain"))
		if rapid.Bool().Draw(r, "inverted") {
			g = -g
		}
		delay := rapid.IntRange(0, 5000).Draw(r, "delay")
		ir := deconv.ImpulseResponse{SampleRate: base.SampleRate, Zero: base.Zero + delay, Samples: make([]float64, delay+len(base.Samples))}
		for i, v := range base.Samples {
			ir.Samples[delay+i] = g * v
		}
		got := analyse(t, ir, Options{})
		for i := range got {
			if d := got[i].NoiseDB - want[i].NoiseDB - scale.AmplitudeDB(g); !(math.Abs(d) <= 1e-6) {
				r.Fatalf("%g Hz: noise moved by %g dB too much", want[i].NominalHz, d)
			}
			got[i].NoiseDB = want[i].NoiseDB
			// A power of two changes no bit of the filtering, but the rounding of
			// the logarithms.
			if d := cmp.Diff(want[i], got[i], cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) <= 1e-6*(1+math.Abs(a)) })); d != "" {
				r.Fatalf("%g Hz: %s", want[i].NominalHz, d)
			}
		}
	})
}

// The same samples called faster by one octave (of 10^0.3) decay that much
// faster, one band up.
func TestRelabelledRate(t *testing.T) {
	g := math.Pow(10, 0.3)
	slow := reverberation(9, 48000, 2, 0.8, -60)
	fast := slow
	fast.SampleRate *= g
	a, b := analyse(t, slow, octaves), analyse(t, fast, octaves)
	compared := 0
	for i := 3; i+1 < len(b); i++ { // from 250 Hz: below, the rates differ
		for k, v := range []Value{a[i].T20, a[i].T30} {
			w := []Value{b[i+1].T20, b[i+1].T30}[k]
			if !v.OK || !w.OK {
				continue
			}
			compared++
			if d := math.Abs(w.Seconds*g/v.Seconds - 1); !(d <= 0.003) {
				t.Errorf("%g Hz: %g s became %g s, want %g", a[i].NominalHz, v.Seconds, w.Seconds, v.Seconds/g)
			}
		}
	}
	if compared < 8 {
		t.Errorf("only %d values compared", compared)
	}
}

func TestDeterministicAndUnchanged(t *testing.T) {
	ir := reverberation(2, 48000, 1, 0.4, -50)
	kept := slices.Clone(ir.Samples)
	want := analyse(t, ir, Options{Workers: 1})
	for range 3 {
		if d := cmp.Diff(want, analyse(t, ir, Options{Workers: 4})); d != "" {
			t.Fatal(d)
		}
	}
	if !slices.Equal(kept, ir.Samples) {
		t.Error("the response was changed")
	}
}

// The whole response as one band.
func TestBroadband(t *testing.T) {
	const seconds = 0.5
	ir := reverberation(6, 48000, 2, seconds, -70)
	for _, o := range []Options{{}, {ReadableFromHz: 20, ReadableToHz: 20000}, {ReadableFromHz: 200, ReadableToHz: 5000}, {ReadableFromHz: 50}, {ReadableToHz: 30000}} {
		b, err := AnalyseBroadband(context.Background(), ir, o)
		if err != nil {
			t.Fatal(err)
		}
		high := 24000.0
		if o.ReadableToHz > 0 {
			high = min(high, o.ReadableToHz)
		}
		if b.Width != Broadband || b.NominalHz != 0 || b.LowHz != o.ReadableFromHz || b.HighHz != high {
			t.Errorf("%+v: band %+v", o, b.Band)
		}
		// Scatter as in TestNoBias, three standard deviations; closed forms for the
		// ratios (see TestClosedForms).
		sigma := math.Sqrt(1 / (b.BandwidthHz() * seconds))
		for _, v := range []struct {
			name      string
			ok        bool
			got, want float64
			tol       float64
		}{
			{"EDT", b.EDT.OK, b.EDT.Seconds, seconds, 0.005 + 3*1.6*sigma*seconds},
			{"T20", b.T20.OK, b.T20.Seconds, seconds, 0.005 + 3*0.96*sigma*seconds},
			{"T30", b.T30.OK, b.T30.Seconds, seconds, 0.005 + 3*0.6*sigma*seconds},
			{"C50", b.C50DB.OK, b.C50DB.Value, 4.7437, 0.05 + 3*26.5*sigma*math.Sqrt(seconds)},
			{"C80", b.C80DB.OK, b.C80DB.Value, 9.0956, 0.05 + 3*35*sigma*math.Sqrt(seconds)},
			{"D50", b.D50.OK, b.D50.Value, 0.74881, 0.005 + 3*sigma},
			{"Ts", b.CentreTimeS.OK, b.CentreTimeS.Value, 0.036191, 0.0005 + 3*0.036*sigma*3},
		} {
			if !v.ok || !(math.Abs(v.got-v.want) <= v.tol) {
				t.Errorf("%+v: %s = %.4f (%v), want %.4f ± %.4f; %s", o, v.name, v.got, v.ok, v.want, v.tol, b.Reason)
			}
		}
		finite(t, b)
		c, err := BroadbandCurve(ir, o)
		if err != nil || len(c.TimeS) < 400 || len(c.TimeS) != len(c.LevelDB) {
			t.Errorf("%+v: a curve of %d points, %v", o, len(c.TimeS), err)
		}
		if d := cmp.Diff(b, c.Band); d != "" {
			t.Error(d)
		}
	}
	silent := deconv.ImpulseResponse{SampleRate: 48000, Samples: make([]float64, 48000)}
	if b, err := AnalyseBroadband(context.Background(), silent, Options{}); err != nil || b.T20.OK || !strings.Contains(b.Reason, "silent") {
		t.Errorf("silence: %+v, %v", b, err)
	}
	if b, err := AnalyseBroadband(context.Background(), ir, Options{ReadableFromHz: 23000}); err != nil || b.T20.OK || b.Reason == "" {
		t.Errorf("nothing readable: %+v, %v", b, err)
	}
	var bad *InputError
	if _, err := AnalyseBroadband(context.Background(), deconv.ImpulseResponse{}, Options{}); !errors.As(err, &bad) {
		t.Errorf("no samples: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := AnalyseBroadband(ctx, ir, Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// The ratios say why they are refused.
func TestRatioRefusals(t *testing.T) {
	octave := func(hz float64) scale.Band { return scale.Bands(scale.Octave, hz, hz)[0] }
	spike := reverberation(8, 48000, 2, 0.5, -8)
	spike.Samples[spike.Zero] += 200
	for _, c := range []struct {
		name string
		ir   deconv.ImpulseResponse
		band scale.Band
		want [4]string // of C50, C80, D50, Ts; "": given
	}{
		{"clear", reverberation(1, 48000, 2, 0.5, -60), octave(2000), [4]string{}},
		{"noise 20 dB down", reverberation(1, 48000, 2, 0.5, -20), octave(2000), [4]string{"25 dB are needed", "25 dB are needed", "25 dB are needed", "25 dB are needed"}},
		{"a limit is smeared", ringing(48000, 1, 0.4, 480, scale.Bands(scale.Third, 100, 100)[0]), scale.Bands(scale.Third, 100, 100)[0],
			[4]string{"smears a limit of 50 ms", "smears a limit of 80 ms", "smears a limit of 50 ms", "more than 10 ms"}},
		{"the limit matters", ringing(48000, 1, 0.1, 480, octave(125)), octave(125), [4]string{"smears the limit of 50 ms by", "smears the limit of 80 ms by", "", ""}},
		{"noise 32 dB down", reverberation(1, 48000, 2, 0.5, -32), octave(1000), [4]string{"the noise may put it off", "the noise may put it off", "", ""}},
		{"early knee", spike, octave(4000), [4]string{"too early to know the late part", "too early to know the late part", "too early to know the late part", "too early to know the late part"}},
		{"short", ringing(48000, 0.06, 0.1, 480, octave(4000)), octave(4000), [4]string{"the noise may put it off", "the response ends after 59 ms", "the response ends", "the response ends"}},
	} {
		b := one(t, c.ir, c.band.NominalHz, c.band.Width)
		for i, r := range []Ratio{b.C50DB, b.C80DB, b.D50, b.CentreTimeS} {
			name := []string{"C50", "C80", "D50", "Ts"}[i]
			if r.OK != (c.want[i] == "") || !strings.Contains(r.Reason, c.want[i]) || !r.OK && r.Value != 0 {
				t.Errorf("%s: %s = %+v, want %q", c.name, name, r, c.want[i])
			}
		}
		finite(t, b)
	}
}

func TestOrder(t *testing.T) {
	var got []string
	for _, b := range analyse(t, reverberation(2, 48000, 0.5, 0.3, -50), Options{FromHz: 125, ToHz: 250}) {
		got = append(got, fmt.Sprintf("%v %g", b.Width, b.NominalHz))
	}
	want := []string{"octave 125", "octave 250", "third 125", "third 160", "third 200", "third 250"}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestCurve(t *testing.T) {
	ir := reverberation(4, 48000, 2, 0.5, -60)
	sb := scale.Bands(scale.Octave, 1000, 1000)[0]
	c, err := Curve(ir, sb, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(one(t, ir, 1000, scale.Octave), c.Band); d != "" {
		t.Error(d)
	}
	n := len(c.TimeS)
	if n < 400 || n > 1001 || n != len(c.LevelDB) {
		t.Fatalf("%d times and %d levels", n, len(c.LevelDB))
	}
	if !(c.TimeS[0] >= 0 && c.TimeS[0] < 0.001 && c.LevelDB[0] <= 0 && c.LevelDB[0] > -1) {
		t.Errorf("starts at %g s, %g dB", c.TimeS[0], c.LevelDB[0])
	}
	if d := c.TimeS[n-1] - c.Band.KneeS; !(math.Abs(d) < 0.002) {
		t.Errorf("ends at %g s, the knee is at %g", c.TimeS[n-1], c.Band.KneeS)
	}
	if d := c.LevelDB[n-1] + c.Band.RangeDB; !(math.Abs(d) < 1) {
		t.Errorf("ends at %g dB, the range is %g", c.LevelDB[n-1], c.Band.RangeDB)
	}
	for i := 1; i < n; i++ {
		// Where the noise taken off is above what there is at the moment, in nulls
		// and close to the knee, the curve may rise a little.
		rise := 0.01
		if c.LevelDB[i] < 10-c.Band.RangeDB {
			rise = 0.5
		}
		if !(c.TimeS[i] > c.TimeS[i-1]) || !(c.LevelDB[i] < c.LevelDB[i-1]+rise) {
			t.Fatalf("at %g s the curve rises from %g to %g dB", c.TimeS[i], c.LevelDB[i-1], c.LevelDB[i])
		}
	}
	silent, err := Curve(deconv.ImpulseResponse{SampleRate: 48000, Samples: make([]float64, 48000)}, sb, Options{})
	if err != nil || len(silent.TimeS) != 0 || silent.Band.Reason == "" {
		t.Errorf("a silent response: %d points, %q, %v", len(silent.TimeS), silent.Band.Reason, err)
	}
}

func TestErrors(t *testing.T) {
	good := ringing(48000, 0.5, 0.3, 100, scale.Bands(scale.Octave, 1000, 1000)...)
	with := func(f func(*deconv.ImpulseResponse)) deconv.ImpulseResponse {
		c := good
		c.Samples = slices.Clone(good.Samples)
		f(&c)
		return c
	}
	cases := []struct {
		name string
		ir   deconv.ImpulseResponse
		o    Options
		say  string
	}{
		{"empty", deconv.ImpulseResponse{SampleRate: 48000}, Options{}, "no samples"},
		{"no rate", with(func(c *deconv.ImpulseResponse) { c.SampleRate = 0 }), Options{}, "sampling rate"},
		{"NaN rate", with(func(c *deconv.ImpulseResponse) { c.SampleRate = math.NaN() }), Options{}, "sampling rate"},
		{"zero outside", with(func(c *deconv.ImpulseResponse) { c.Zero = len(c.Samples) }), Options{}, "time zero"},
		{"zero negative", with(func(c *deconv.ImpulseResponse) { c.Zero = -1 }), Options{}, "time zero"},
		{"NaN", with(func(c *deconv.ImpulseResponse) { c.Samples[77] = math.NaN() }), Options{}, "sample 77"},
		{"infinite", with(func(c *deconv.ImpulseResponse) { c.Samples[7] = math.Inf(-1) }), Options{}, "sample 7"},
		{"from above to", good, Options{FromHz: 500, ToHz: 100}, "500 to 100"},
		{"NaN from", good, Options{FromHz: math.NaN()}, "NaN"},
		{"readable upside down", good, Options{ReadableFromHz: 500, ReadableToHz: 100}, "readable range"},
		{"width", good, Options{Widths: []scale.Width{2}}, "1/2 octave"},
	}
	for _, c := range cases {
		_, err := Analyse(context.Background(), c.ir, c.o)
		var input *InputError
		if !errors.As(err, &input) || !strings.Contains(err.Error(), c.say) || input.Hint() == "" {
			t.Errorf("%s: %v, want an InputError with a hint that says %q", c.name, err, c.say)
		}
		if _, err := Curve(c.ir, scale.Bands(scale.Octave, 1000, 1000)[0], c.o); !errors.As(err, &input) {
			t.Errorf("%s: Curve says %v", c.name, err)
		}
	}
	if _, err := Curve(good, scale.Band{}, Options{}); err == nil {
		t.Error("Curve took a band without edges")
	}
}

func TestCancelled(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Analyse(ctx, reverberation(1, 48000, 1, 0.5, -60), Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want context.Canceled", err)
	}
}

func BenchmarkAnalyse(b *testing.B) {
	for _, rate := range []float64{44100, 48000, 96000, 192000} {
		b.Run(fmt.Sprintf("%gkHz", rate/1000), func(b *testing.B) {
			ir := reverberation(1, rate, 2.1, 0.5, -60) // and 0.1 s before
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Analyse(context.Background(), ir, Options{}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(2.2/(b.Elapsed().Seconds()/float64(b.N)), "x-realtime")
		})
	}
}

// Decays start at the first arrival, wherever time zero is.
func TestDecayStartsAtTheOnset(t *testing.T) {
	base := ringing(48000, 1, 0.5, 4800, scale.Bands(scale.Octave, 1000, 1000)[0])
	want, err := Analyse(context.Background(), base, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, zero := range []int{0, 4000, 5500} {
		moved := base
		moved.Zero, moved.Onset = zero, base.Zero
		got, err := Analyse(context.Background(), moved, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for i := range want {
			if got[i] != want[i] {
				t.Errorf("time zero at %d: %+v, want %+v", zero, got[i], want[i])
			}
		}
	}
	moved := base
	moved.Onset = len(base.Samples)
	var bad *InputError
	if _, err := Analyse(context.Background(), moved, Options{}); !errors.As(err, &bad) {
		t.Errorf("an onset outside: %v", err)
	}
}
