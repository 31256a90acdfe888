package modes

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"roomsonde/deconv"
)

// Without noise the fit is exact but for its floor 90 dB down.
const (
	tolHz    = 1e-3
	tolShare = 1e-3 // of decay times
	tolLevel = 0.01 // dB
	tolPhase = 1e-3 // rad
)

func response(truth []trueMode, seat int, rate float64) deconv.ImpulseResponse {
	const lead = 300
	return deconv.ImpulseResponse{SampleRate: rate, Samples: ring(truth, seat, rate, lead, 2), Zero: lead}
}

func find(t *testing.T, o Options, irs ...deconv.ImpulseResponse) *Result {
	t.Helper()
	res, err := Find(t.Context(), irs, o)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

func TestExact(t *testing.T) {
	truth := []trueMode{
		{33.3, 1.2, []float64{1, 0.2}, []float64{0.3, -1}},
		{48, 0.6, []float64{0.5, 1}, []float64{2, 0}},
		{51, 0.9, []float64{0.7, 0.4}, []float64{-3, 1.5}},
		{110, 0.4, []float64{1, 1}, []float64{1, 3}},
	}
	for _, rate := range []float64{8000, 16000, 44100, 48000, 96000} {
		a, b := response(truth, 0, rate), response(truth, 1, rate)
		// The second arrives at another time: phases count from each one's own.
		b.Samples, b.Onset = append(make([]float64, 77), b.Samples...), b.Zero+77
		b.Zero = 5
		res := find(t, Options{}, a, b)
		if len(res.Modes) != len(truth) || len(res.Other) != 0 {
			t.Fatalf("%g Hz: found %+v and %+v", rate, res.Modes, res.Other)
		}
		for i, m := range truth {
			g := res.Modes[i]
			if g.Kind != Single || !(math.Abs(g.Hz-m.hz) <= tolHz) || !(math.Abs(g.DecayS/m.decayS-1) <= tolShare) {
				t.Errorf("%g Hz: %.6f Hz %.6f s, want %g Hz %g s", rate, g.Hz, g.DecayS, m.hz, m.decayS)
			}
			for seat, at := range g.At {
				if !(math.Abs(at.LevelDB-m.levelDB(seat, rate)) <= tolLevel) {
					t.Errorf("%g Hz, %g Hz at %d: %.4f dB, want %.4f dB", rate, m.hz, seat, at.LevelDB, m.levelDB(seat, rate))
				}
				if !(math.Abs(math.Remainder(at.PhaseRad-m.phase[seat], 2*math.Pi)) <= tolPhase) {
					t.Errorf("%g Hz, %g Hz at %d: %.5f rad, want %.5f", rate, m.hz, seat, at.PhaseRad, m.phase[seat])
				}
				if !(math.Abs(at.Amplitude/m.amp[seat]-1) <= tolShare) {
					t.Errorf("%g Hz, %g Hz at %d: amplitude %.5f, want %g", rate, m.hz, seat, at.Amplitude, m.amp[seat])
				}
			}
		}
		if !(res.Explained.All.Share > 0.9999) || !(res.Explained.Modes.Share > 0.9999) || len(res.Explained.Modes.Rest) != 0 {
			t.Errorf("%g Hz: explained %+v", rate, res.Explained)
		}
	}
}

// TestLevelIsThePeak holds LevelDB against the magnitude of the response's own
// spectrum where one mode is alone.
func TestLevelIsThePeak(t *testing.T) {
	truth := []trueMode{{62.5, 0.8, []float64{0.3}, []float64{0.4}}}
	ir := response(truth, 0, 48000)
	ir.Samples = append(ir.Samples, make([]float64, 48000)...)
	h := 0i
	for n, v := range ir.Samples {
		h += complex(v, 0) * expC(complex(0, -2*math.Pi*62.5*float64(n)/48000))
	}
	want := 20 * math.Log10(math.Hypot(real(h), imag(h)))
	// The mode's mirror at −62.5 Hz adds 1.4 % at most: 0.12 dB.
	const tol = 0.12
	if got := find(t, Options{}, ir).Modes[0].At[0].LevelDB; !(math.Abs(got-want) <= tol) {
		t.Errorf("%.3f dB, and the response has %.3f dB there", got, want)
	}
}

// TestScaleDoesNotMatter: results do not depend on the responses' level.
func TestScaleDoesNotMatter(t *testing.T) {
	_, irs := syntheticRoom(3, 8, 4, -40, 500, 1)
	a := find(t, Options{}, irs...)
	for i := range irs[0].Samples {
		irs[0].Samples[i] *= 0x1p-20
	}
	b := find(t, Options{}, irs...)
	if len(a.Modes) != len(b.Modes) {
		t.Fatalf("%d and %d modes", len(a.Modes), len(b.Modes))
	}
	for i, m := range a.Modes {
		n := b.Modes[i]
		if !(math.Abs(m.Hz-n.Hz) <= tolExact) || !(math.Abs(m.At[0].LevelDB-n.At[0].LevelDB-20*20*math.Log10(2)) <= 1e-6) {
			t.Errorf("%+v and %+v", m, n)
		}
	}
}

func TestSameInputSameOutput(t *testing.T) {
	_, irs := syntheticRoom(4, 12, 2.5, -40, 500, 2)
	before := slices.Clone(irs[0].Samples)
	if a, b := find(t, Options{}, irs...), find(t, Options{}, irs...); !reflect.DeepEqual(a, b) {
		t.Error("two runs differ")
	}
	if !slices.Equal(before, irs[0].Samples) {
		t.Error("the response was changed")
	}
}

// TestTooNear: two modes a twentieth of their bandwidth apart in noise are not
// told apart, and what is said of them holds both.
func TestTooNear(t *testing.T) {
	truth := []trueMode{
		{50, 0.6, []float64{1}, []float64{0}}, {50.2, 0.6, []float64{1}, []float64{0.5}},
		{80, 0.6, []float64{1}, []float64{0}},
	}
	ir := response(truth, 0, syntheticRate)
	rng := rand.New(rand.NewPCG(8, 8))
	for n := range ir.Samples {
		ir.Samples[n] += 0.03 * rng.NormFloat64()
	}
	res := find(t, Options{}, ir)
	if len(res.Modes) != 2 {
		t.Fatalf("got %+v", res.Modes)
	}
	if m := res.Modes[0]; !(math.Abs(m.Hz-50.1) <= m.Hz90+0.1) || !(m.FromHz > 45 && m.ToHz < 55) {
		t.Errorf("got %+v", m)
	}
}

// TestGroup: poles that lie closer than they are known are one group.
func TestGroup(t *testing.T) {
	near := func(hz, sd float64) estimate {
		return estimate{
			member:  member{decay: 10, omega: 2 * math.Pi * hz, amp: []complex128{0.01}},
			sdOmega: 2 * math.Pi * sd, sdLnDecay: 0.05, strength: 1000,
			halfLevel: []float64{5}, halfPhase: []float64{0.1},
		}
	}
	got := groups([]estimate{near(40, 0.05), near(50, 0.4), near(50.9, 0.4), near(60, 0.05)})
	if len(got) != 3 || len(got[1]) != 2 {
		t.Fatalf("got %d groups", len(got))
	}
	m := assemble(got[1], &prepared{dec: decimator{inRate: 1000}}, func(float64, int) float64 { return 0.1 })
	if m.Kind != Group || m.Poles != 2 || m.FromHz != 50 || !(math.Abs(m.ToHz-50.9) <= tolExact) || !(m.Hz > 50 && m.Hz < 50.9) || !(m.At[0].LevelDB90 > 0.8 && m.At[0].LevelDB90 < 3) {
		t.Errorf("got %+v", m)
	}
	// Two equal poles that fall in step: their sum falls as they do, but for the beat.
	if t60 := math.Log(1000) / 10; !(m.DecayS > 0.5*t60 && m.DecayS <= t60*(1+1e-9)) {
		t.Errorf("decays in %.3f s, its members in %.3f s", m.DecayS, t60)
	}
}

func TestNotRoomModes(t *testing.T) {
	truth := []trueMode{
		{32, 0.1, []float64{1}, []float64{0}},    // a loudspeaker's lower end
		{50, 1e6, []float64{0.01}, []float64{0}}, // hum
		{74, 0.7, []float64{1}, []float64{0}},
	}
	ir := response(truth, 0, syntheticRate)
	rng := rand.New(rand.NewPCG(9, 9))
	for n := range ir.Samples {
		ir.Samples[n] += 1e-3 * rng.NormFloat64()
	}
	res := find(t, Options{}, ir)
	if len(res.Modes) != 1 || !(math.Abs(res.Modes[0].Hz-74) <= 0.1) {
		t.Errorf("modes: %+v", res.Modes)
	}
	kinds := map[Kind]float64{}
	for _, m := range res.Other {
		kinds[m.Kind] = m.Hz
	}
	if len(res.Other) != 2 || !(math.Abs(kinds[Short]-32) <= 1) || !(math.Abs(kinds[Steady]-50) <= 0.1) {
		t.Errorf("other: %+v", res.Other)
	}
}

// TestRumble: noise from below the range, 40 dB over the modes' own in it, does not keep
// the modes from being found.
func TestRumble(t *testing.T) {
	truth := []trueMode{{41, 0.5, []float64{1}, []float64{0}}, {63, 0.6, []float64{0.7}, []float64{1}}, {88, 0.4, []float64{1}, []float64{2}}}
	ir := response(truth, 0, syntheticRate)
	rng := rand.New(rand.NewPCG(10, 10))
	slow, slower := 0.0, 0.0
	for n := range ir.Samples {
		slow += 0.006 * (rng.NormFloat64() - slow) // falls from 4 Hz on, twice
		slower += 0.006 * (slow - slower)
		ir.Samples[n] += 20*slower + 0.003*rng.NormFloat64()
	}
	res := find(t, Options{}, ir)
	pairs := pairUp(truth, res.Modes)
	if len(pairs) != 3 || len(res.Modes) > 4 {
		t.Fatalf("found %+v", res.Modes)
	}
	for _, p := range pairs {
		m, g := truth[p[0]], res.Modes[p[1]]
		if !(math.Abs(g.Hz-m.hz) <= 0.3) || !(math.Abs(g.DecayS/m.decayS-1) <= 0.15) {
			t.Errorf("%.2f Hz %.3f s, want %g Hz %g s", g.Hz, g.DecayS, m.hz, m.decayS)
		}
	}
}

// TestUnequalResponses: a response that is 40 dB quieter than its neighbour, and
// as clear, helps as much as an equal one; one that is nothing but noise does no harm.
func TestUnequalResponses(t *testing.T) {
	_, equal := syntheticRoom(12, 12, 2.5, -40, 500, 2)
	quiet := slices.Clone(equal)
	quiet[1].Samples = slices.Clone(equal[1].Samples)
	for n := range quiet[1].Samples {
		quiet[1].Samples[n] /= 100
	}
	a, b := find(t, Options{}, equal...), find(t, Options{}, quiet...)
	if len(a.Modes) != len(b.Modes) {
		t.Fatalf("%d modes, and %d with one response quieter", len(a.Modes), len(b.Modes))
	}
	const tol = 0.3 // of the stated uncertainty
	for i, m := range a.Modes {
		n := b.Modes[i]
		if !(math.Abs(m.Hz-n.Hz) <= tol*m.Hz90) || !(math.Abs(m.DecayS-n.DecayS) <= tol*m.DecayS90) || !(math.Abs(m.At[1].LevelDB-40-n.At[1].LevelDB) <= tol*m.At[1].LevelDB90) || !(n.Hz90 <= 1.2*m.Hz90) {
			t.Errorf("%+v, and with one response quieter %+v", m, n)
		}
	}
	truth, good := syntheticRoom(13, 8, 4, -50, 500, 1)
	rng := rand.New(rand.NewPCG(14, 14))
	bad := deconv.ImpulseResponse{SampleRate: syntheticRate, Samples: make([]float64, len(good[0].Samples)), Zero: good[0].Zero}
	for n := range bad.Samples {
		bad.Samples[n] = 0.3 * rng.NormFloat64()
	}
	if res := find(t, Options{}, good[0], bad); len(pairUp(truth, res.Modes)) != len(truth) {
		t.Errorf("found %+v", res.Modes)
	}
}

func TestSilence(t *testing.T) {
	res := find(t, Options{}, deconv.ImpulseResponse{SampleRate: 48000, Samples: make([]float64, 96000)})
	if len(res.Modes) != 0 || len(res.Other) != 0 || res.Explained.All.Share != 0 {
		t.Errorf("found %+v", res)
	}
	// A silent response beside a live one.
	truth, irs := syntheticRoom(2, 8, 4, -50, 500, 1)
	mute := deconv.ImpulseResponse{SampleRate: syntheticRate, Samples: make([]float64, len(irs[0].Samples)), Zero: irs[0].Zero}
	if res := find(t, Options{}, irs[0], mute); len(pairUp(truth, res.Modes)) != len(truth) || !(res.Modes[0].At[1].LevelDB < -100) {
		t.Errorf("found %+v", res.Modes)
	}
}

func TestRefuses(t *testing.T) {
	good := deconv.ImpulseResponse{SampleRate: 48000, Samples: make([]float64, 96000)}
	with := func(change func(*deconv.ImpulseResponse)) deconv.ImpulseResponse {
		ir := good
		ir.Samples = slices.Clone(good.Samples)
		change(&ir)
		return ir
	}
	for name, c := range map[string]struct {
		irs []deconv.ImpulseResponse
		o   Options
	}{
		"none":         {},
		"rates differ": {irs: []deconv.ImpulseResponse{good, with(func(ir *deconv.ImpulseResponse) { ir.SampleRate = 44100 })}},
		"no rate":      {irs: []deconv.ImpulseResponse{with(func(ir *deconv.ImpulseResponse) { ir.SampleRate = math.NaN() })}},
		"no arrival":   {irs: []deconv.ImpulseResponse{with(func(ir *deconv.ImpulseResponse) { ir.Zero = 96000 })}},
		"no number":    {irs: []deconv.ImpulseResponse{with(func(ir *deconv.ImpulseResponse) { ir.Samples[7] = math.Inf(1) })}},
		"low rate":     {irs: []deconv.ImpulseResponse{with(func(ir *deconv.ImpulseResponse) { ir.SampleRate = 400 })}},
		"empty range":  {irs: []deconv.ImpulseResponse{good}, o: Options{LowHz: 300}},
		"bad option":   {irs: []deconv.ImpulseResponse{good}, o: Options{SkipS: -1}},
		"no option":    {irs: []deconv.ImpulseResponse{good}, o: Options{HighHz: math.NaN()}},
	} {
		var e *InputError
		if _, err := Find(t.Context(), c.irs, c.o); !errors.As(err, &e) || e.Hint() == "" || e.Error() == "" {
			t.Errorf("%s: got %v", name, err)
		}
	}
	var short *TooShortError
	_, err := Find(t.Context(), []deconv.ImpulseResponse{{SampleRate: 48000, Samples: make([]float64, 9600)}}, Options{})
	if !errors.As(err, &short) || short.Hint() == "" || !(short.NeedS > short.HaveS) {
		t.Errorf("too short: got %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, irs := syntheticRoom(1, 8, 4, -50, 500, 1)
	if _, err := Find(ctx, irs, Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: got %v", err)
	}
}

// FuzzFind: whatever the samples are, there is an answer without NaN, or an error.
func FuzzFind(f *testing.F) {
	f.Add(uint64(1), uint16(3000), 0.5, 40.0)
	f.Add(uint64(2), uint16(1200), -3.0, 0.0)
	f.Fuzz(func(t *testing.T, seed uint64, length uint16, shape, hz float64) {
		rng := rand.New(rand.NewPCG(seed, 1))
		x := make([]float64, int(length)%4000)
		for n := range x {
			x[n] = math.Exp(-math.Abs(shape)*float64(n)/500) * (math.Cos(hz*float64(n)) + 1e-3*rng.NormFloat64())
		}
		res, err := Find(t.Context(), []deconv.ImpulseResponse{{SampleRate: 2000, Samples: x}}, Options{})
		if err != nil {
			return
		}
		for _, m := range append(res.Modes, res.Other...) {
			sum := m.Hz + m.Hz90 + m.DecayS + m.DecayS90 + m.At[0].LevelDB + m.At[0].LevelDB90 + m.At[0].PhaseRad + m.At[0].PhaseRad90
			if math.IsNaN(sum) || math.IsInf(sum, 0) || m.Hz90 < 0 || m.DecayS90 < 0 || m.DecayS <= 0 {
				t.Errorf("got %+v", m)
			}
		}
	})
}
