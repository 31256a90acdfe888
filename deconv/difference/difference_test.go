package difference

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"roomsonde/deconv"
	"roomsonde/deconv/decay"
	"roomsonde/deconv/response"
	"roomsonde/sweep/scale"
)

// curve is a take whose response follows db(hz), at a bin spacing of 0.5 Hz, and
// which can be read from 20 Hz to 18 kHz.
func curve(db func(hz float64) float64) Take {
	r := &response.Response{SampleRate: 48000, StepHz: 0.5, H: make([]complex128, 48001),
		Window: response.Window{PreS: 0.5, LengthS: 1.5}, FromHz: 5, ToHz: 24000, Energy: func(float64) float64 { return 1 }}
	for k := range r.H {
		r.H[k] = complex(scale.Amplitude(db(math.Max(1, float64(k)*r.StepHz))), 0)
	}
	return Take{Response: r, Readable: response.Readable{OK: true, FromHz: 20, ToHz: 18000, FromReason: "low", ToReason: "high"}}
}

// bump is a bell of so many dB and so many octaves at half height around hz.
func bump(at, hz, db, octaves float64) float64 {
	v := math.Log2(at/hz) / octaves
	return db * math.Exp2(-4*v*v)
}

func mustCompare(t *testing.T, before, after Take, o Options) *Result {
	t.Helper()
	r, err := Compare(before, after, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestNothingIsTheSame(t *testing.T) {
	a := curve(func(hz float64) float64 { return bump(hz, 50, 8, 0.3) })
	r := mustCompare(t, a, a, Options{})
	if len(r.Changes) != 0 || r.FromHz != 20 || r.ToHz != 18000 || r.FromReason != "low" || r.ToReason != "high" {
		t.Errorf("%+v", r.Changes)
	}
	for i, d := range r.DifferenceDB {
		if d != 0 || !(r.UncertaintyDB[i] > r.StandardDB[i]) || !r.OK[i] {
			t.Fatalf("at %g Hz: %g ± %g dB", r.Hz[i], d, r.UncertaintyDB[i])
		}
	}
	if !r.RepeatabilityAssumed || r.Confidence != 0.95 || r.Smoothing != 12 {
		t.Errorf("defaults: %+v", r)
	}
	if len(r.Peaks) != 1 || r.Peaks[0].What != Stayed || r.Peaks[0].Changed {
		t.Errorf("peaks: %+v", r.Peaks)
	}
	if len(r.Remarks) != 2 || !strings.Contains(r.Remarks[0], "noise is unknown in 2 of 2") || !strings.Contains(r.Remarks[1], "0.2 dB was assumed") {
		t.Errorf("remarks: %q", r.Remarks)
	}
}

func TestPeaksAndDips(t *testing.T) {
	flat := curve(func(float64) float64 { return 0 })
	for _, c := range []struct {
		name          string
		before, after func(hz float64) float64
		kind          Kind
		what          What
		hz, was, is   float64
	}{
		{"went", func(hz float64) float64 { return bump(hz, 50, 8, 0.4) }, func(float64) float64 { return 0 }, PeakChange, Went, 50, 8, 0},
		{"came", func(float64) float64 { return 0 }, func(hz float64) float64 { return bump(hz, 80, 8, 0.4) }, PeakChange, Came, 80, 0, 8},
		{"lower", func(hz float64) float64 { return bump(hz, 50, 10, 0.4) }, func(hz float64) float64 { return bump(hz, 50, 4, 0.4) }, PeakChange, Stayed, 50, 10, 4},
		{"dip went", func(hz float64) float64 { return bump(hz, 100, -12, 0.4) }, func(float64) float64 { return 0 }, DipChange, Went, 100, 12, 0},
		{"dip came", func(float64) float64 { return 0 }, func(hz float64) float64 { return bump(hz, 100, -12, 0.4) }, DipChange, Came, 100, 0, 12},
		{"dip filled by half", func(hz float64) float64 { return bump(hz, 63, -12, 0.4) }, func(hz float64) float64 { return bump(hz, 63, -6, 0.4) }, DipChange, Stayed, 63, 12, 6},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := mustCompare(t, curve(c.before), curve(c.after), Options{Repeatability: Repeats(0.05)})
			if len(r.Changes) != 1 {
				t.Fatalf("want one change, got %+v", r.Changes)
			}
			got := r.Changes[0]
			if got.Kind != c.kind || got.What != c.what || math.Abs(math.Log2(got.Hz/c.hz)) > 1.0/48 {
				t.Errorf("%+v", got)
			}
			// Smoothing over 1/12 octave takes some tenths off a bell of 0.4 octaves.
			if !(math.Abs(got.Before-c.was) <= 0.5) || !(math.Abs(got.After-c.is) <= 0.5) || !(math.Abs(got.Difference-(c.is-c.was)) <= 0.5) {
				t.Errorf("from %g to %g by %g, want %g to %g", got.Before, got.After, got.Difference, c.was, c.is)
			}
			if w := math.Log2(got.ToHz / got.FromHz); !(math.Abs(w-0.4) <= 0.03) {
				t.Errorf("%g octaves wide, want 0.4", w)
			}
		})
	}
	// A peak below the least height is none; one that moves is another one.
	r := mustCompare(t, flat, curve(func(hz float64) float64 { return bump(hz, 50, 2, 0.4) }), Options{})
	if len(r.Peaks) != 0 {
		t.Errorf("a bump of 2 dB counts as a peak: %+v", r.Peaks)
	}
	r = mustCompare(t, curve(func(hz float64) float64 { return bump(hz, 50, 9, 0.2) }), curve(func(hz float64) float64 { return bump(hz, 70, 9, 0.2) }), Options{})
	if len(r.Peaks) != 2 || r.Peaks[0].What != Went || r.Peaks[1].What != Came {
		t.Errorf("a peak that moved: %+v", r.Peaks)
	}
}

// With 0.2 dB of repeatability half a decibel is no progress.
func TestWiggleIsNoProgress(t *testing.T) {
	flat := curve(func(float64) float64 { return 0 })
	r := mustCompare(t, flat, curve(func(hz float64) float64 { return 0.5 * math.Sin(9*math.Log2(hz)) }), Options{})
	if len(r.Changes) != 0 {
		t.Errorf("0.5 dB are told as %+v", r.Changes)
	}
	r = mustCompare(t, flat, curve(func(hz float64) float64 { return bump(hz, 1000, 2, 0.5) }), Options{})
	if len(r.Changes) != 1 || r.Changes[0].Kind != RangeChange || !(math.Abs(r.Changes[0].LargestDB-2) <= 0.1) || !(math.Abs(math.Log2(r.Changes[0].Hz/1000)) <= 0.03) {
		t.Errorf("2 dB around 1 kHz are told as %+v", r.Changes)
	}
}

func TestBroadChanges(t *testing.T) {
	base := func(hz float64) float64 { return bump(hz, 50, 8, 0.3) + bump(hz, 90, -9, 0.2) }
	before := curve(base)
	for _, c := range []struct {
		name   string
		change func(hz float64) float64
		kind   Kind
		want   float64
	}{
		{"level", func(float64) float64 { return 3 }, LevelChange, 3},
		{"tilt", func(hz float64) float64 { return -0.6 * math.Log2(hz/600) }, TiltChange, -0.6},
		{"shelf", func(hz float64) float64 { return 4 * shelf(math.Log2(120/hz)) }, ShelfChange, 4},
		{"lower shelf", func(hz float64) float64 { return -5 * shelf(math.Log2(2000/hz)/2) }, ShelfChange, -5},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := mustCompare(t, before, curve(func(hz float64) float64 { return base(hz) + c.change(hz) }), Options{Repeatability: Repeats(0.1)})
			if len(r.Changes) != 1 || r.Changes[0].Kind != c.kind {
				t.Fatalf("want a %s, got %+v", c.kind, r.Changes)
			}
			if got := r.Changes[0]; !(math.Abs(got.Difference-c.want) <= 0.1*math.Max(1, math.Abs(c.want))) || !(math.Abs(got.Difference-c.want) <= got.Uncertainty) {
				t.Errorf("%+v, want %g", got, c.want)
			}
			if c.name == "shelf" && !(math.Abs(math.Log2(r.Changes[0].Hz/120)) <= 0.25) {
				t.Errorf("the shelf's middle lies at %g Hz, want 120", r.Changes[0].Hz)
			}
			// Of one level, matched, nothing is left.
			if c.kind == LevelChange {
				m := mustCompare(t, before, curve(func(hz float64) float64 { return base(hz) + c.change(hz) }), Options{MatchFromHz: 200, MatchToHz: 2000})
				if len(m.Changes) != 0 || !(math.Abs(m.OffsetDB+3) <= 1e-9) {
					t.Errorf("matched by %g dB, and told: %+v", m.OffsetDB, m.Changes)
				}
			}
		})
	}
}

func TestGapsAreLeftOut(t *testing.T) {
	a := curve(func(float64) float64 { return 0 })
	b := curve(func(hz float64) float64 { return bump(hz, 60, 20, 0.1) })
	b.Readable.Gaps = []response.Gap{{FromHz: 50, ToHz: 70}}
	b.Readable.FromHz = 30
	r := mustCompare(t, a, b, Options{ToHz: 1000})
	if r.FromHz != 30 || r.ToHz != 1000 || r.ToReason != "as asked" || len(r.Changes) != 0 {
		t.Errorf("from %g to %g Hz (%s): %+v", r.FromHz, r.ToHz, r.ToReason, r.Changes)
	}
	for i, hz := range r.Hz {
		if r.OK[i] == (hz > 50 && hz < 70) || !r.OK[i] && r.UncertaintyDB[i] != mostUncertainDB {
			t.Errorf("OK = %v at %g Hz", r.OK[i], hz)
		}
	}
	for _, band := range r.Bands {
		if band.LowHz < 70 && band.HighHz > 50 {
			t.Errorf("a band in the gap: %+v", band.Band)
		}
	}
}

func TestRefusals(t *testing.T) {
	good := curve(func(float64) float64 { return 0 })
	nowhere, high := good, good
	nowhere.Readable = response.Readable{FromReason: "the room's noise hides it all"}
	high.Readable = response.Readable{OK: true, FromHz: 19000, ToHz: 20000}
	gappy := good
	gappy.Readable.Gaps = []response.Gap{{FromHz: 90, ToHz: 210}}
	broken := good
	broken.Noise = &deconv.Noise{Hz: []float64{1}}
	for _, c := range []struct {
		name string
		b    Take
		o    Options
		says string
	}{
		{"no response", Take{}, Options{}, "take 2 of 2 has no response"},
		{"broken noise", broken, Options{}, "the noise of take 2 of 2 is incomplete"},
		{"unreadable", nowhere, Options{}, "the room's noise hides it all"},
		{"nothing in common", high, Options{}, "one begins at 1.9e+04 Hz"},
		{"range", good, Options{FromHz: 100, ToHz: 50}, "a range from 100 to 50 Hz"},
		{"negative", good, Options{FromHz: -1}, "-1 is no frequency"},
		{"NaN", good, Options{Smoothing: math.NaN()}, "NaN is no frequency"},
		{"match", good, Options{MatchFromHz: 100}, "levels cannot be matched"},
		{"match outside", good, Options{MatchFromHz: 10, MatchToHz: 100}, "can be read from 20 to 1.8e+04 Hz"},
		{"match in a gap", gappy, Options{MatchFromHz: 100, MatchToHz: 200}, "nothing can be read there"},
		{"grid", good, Options{PerOctave: 2}, "2 points an octave"},
		{"confidence", good, Options{Confidence: 1}, "a confidence of 1"},
		{"repeatability", good, Options{Repeatability: Repeatability{Hz: []float64{1, 1}, DB: []float64{1, 2}}}, "rising frequencies"},
		{"negative repeatability", good, Options{Repeatability: Repeats(-1)}, "0 to 20 dB"},
		{"decay", good, Options{DecayRepeatability: 2}, "decay times that repeat within 2 of themselves"},
		{"frequency", good, Options{FrequencyRepeatability: math.NaN()}, "frequencies that repeat within NaN"},
	} {
		_, err := Compare(good, c.b, c.o)
		var hinted interface{ Hint() string }
		if err == nil || !strings.Contains(err.Error(), c.says) || !errors.As(err, &hinted) || hinted.Hint() == "" {
			t.Errorf("%s: %v, want %q with a hint", c.name, err, c.says)
		}
	}
	if _, err := Average(nil, Options{}); err == nil {
		t.Error("the average of nothing is not refused")
	}
	if _, err := Alike([]Take{good}, nil, Options{}); err == nil {
		t.Error("one loudspeaker is alike with itself")
	}
	if _, err := RepeatabilityOf([]Take{good}, Options{}); err == nil {
		t.Error("one take repeats itself")
	}
}

// The noise in a take is taken off before levels are compared, and counted in
// the uncertainty.
func TestNoiseIsTakenOff(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	quiet := curve(func(float64) float64 { return 0 })
	loud := curve(func(float64) float64 { return 0 })
	const noise = 0.1 // 10 dB below
	for k := range loud.Response.H {
		loud.Response.H[k] += complex(rnd.NormFloat64()*math.Sqrt(noise/2), rnd.NormFloat64()*math.Sqrt(noise/2))
	}
	loud.Noise = &deconv.Noise{Hz: []float64{1, 24000}, Density: []float64{noise, noise}, Freedom: []float64{1e6, 1e6}}
	quiet.Noise = &deconv.Noise{Hz: []float64{1, 24000}, Density: []float64{1e-9, 1e-9}, Freedom: []float64{1e6, 1e6}}
	r := mustCompare(t, quiet, loud, Options{Repeatability: Repeats(0)})
	if len(r.Changes) != 0 {
		t.Errorf("noise alone is told as %+v", r.Changes)
	}
	var sum, count float64
	for i, hz := range r.Hz {
		if hz > 1000 {
			sum += r.DifferenceDB[i]
			count++
		}
	}
	if mean := sum / count; !(math.Abs(mean) <= 0.02) {
		t.Errorf("with noise 10 dB below, the level is %.3f dB higher", mean)
	}
	// An uncertainty of one point by hand: x = N/2S = 0.05, 1/12 octave around
	// 1 kHz is 57.78 Hz, times 1.5 s is 86.7 values: 8.686·√(0.05·1.05/86.7) = 0.2137 dB;
	// the noise's own power may be off by a tenth, 8.686·0.05·0.1 = 0.0434 dB. (The mean that was
	// read is not exactly 1.1.)
	for i, hz := range r.Hz {
		if hz == 1000 {
			if want := math.Hypot(0.2137, 0.0434); !(math.Abs(r.StandardDB[i]-want) <= 0.02) {
				t.Errorf("σ at 1 kHz = %.4f dB, want %.4f", r.StandardDB[i], want)
			}
		}
	}
}

func TestRepeatability(t *testing.T) {
	rnd := rand.New(rand.NewPCG(4, 4))
	// Takes that differ by a smooth wobble of 0.5 dB (below 1 kHz; 1 dB above), and by a
	// level each.
	makeTakes := func(n int) []Take {
		var takes []Take
		for range n {
			wobble := make([]float64, 600)
			for i := range wobble {
				wobble[i] = rnd.NormFloat64()
			}
			offset := 3 * rnd.NormFloat64()
			takes = append(takes, curve(func(hz float64) float64 {
				v := 24*math.Log2(hz) + 2
				k := int(v)
				f := v - float64(k)
				w := math.Cos(f*math.Pi/2)*wobble[k] + math.Sin(f*math.Pi/2)*wobble[k+1]
				if hz > 1000 {
					return offset + w
				}
				return offset + 0.5*w
			}))
		}
		return takes
	}
	for _, n := range []int{3, 6} {
		r, err := RepeatabilityOf(makeTakes(n), Options{Smoothing: 48})
		if err != nil {
			t.Fatal(err)
		}
		var low, high []float64
		for i, hz := range r.Hz {
			if hz < 700 {
				low = append(low, r.DB[i])
			} else if hz > 1400 {
				high = append(high, r.DB[i])
			}
		}
		if l, h := median(low, -1), median(high, -1); r.Takes != n || !(math.Abs(l-0.5) <= 0.15) || !(math.Abs(h-1) <= 0.3) {
			t.Errorf("%d takes: %.2f dB below 1 kHz, %.2f above; want 0.5 and 1", n, l, h)
		}
	}
	// One spoilt take among six hardly matters.
	takes := makeTakes(6)
	takes[5] = curve(func(hz float64) float64 { return 15 * math.Sin(5*math.Log2(hz)) })
	r, err := RepeatabilityOf(takes, Options{Smoothing: 48})
	if err != nil || !(median(r.DB, -1) < 1.6) {
		t.Errorf("with one spoilt take: %.2f dB, %v", median(r.DB, -1), err)
	}
	// What the noise explains is no lack of repeatability: it alone scatters by 0.21 dB.
	takes = nil
	for range 5 {
		take := curve(func(float64) float64 { return 0 })
		for k := range take.Response.H {
			take.Response.H[k] += complex(rnd.NormFloat64()*math.Sqrt(0.05), rnd.NormFloat64()*math.Sqrt(0.05))
		}
		take.Noise = &deconv.Noise{Hz: []float64{1, 24000}, Density: []float64{0.1, 0.1}, Freedom: []float64{1e6, 1e6}}
		takes = append(takes, take)
	}
	if r, err = RepeatabilityOf(takes, Options{}); err != nil || !(median(r.DB, -1) < 0.1) {
		t.Errorf("takes that differ by noise alone repeat within %.2f dB, %v", median(r.DB, -1), err)
	}
	if (Repeatability{}).At(100) != AssumedDB || Repeats(0.4).At(3) != 0.4 {
		t.Error("the assumed or the plain repeatability")
	}
	// Known, it widens the uncertainty: Šidák's factor times √2·σ and no noise.
	flat := curve(func(float64) float64 { return 0 })
	c := mustCompare(t, flat, flat, Options{Repeatability: Repeats(0.4)})
	if want := c.Factor * math.Sqrt2 * 0.4; !(math.Abs(c.UncertaintyDB[7]-want) <= 1e-9) || c.RepeatabilityAssumed {
		t.Errorf("uncertainty %g dB, want %g", c.UncertaintyDB[7], want)
	}
	// 470 points twice at a risk of 0.025: 1 − 0.975^(1/940) in two tails, the normal quantile 4.19.
	if n := len(c.Hz); n < 450 || n > 490 || !(math.Abs(c.Factor-4.19) <= 0.02) {
		t.Errorf("%d points, factor %.3f", n, c.Factor)
	}
}

func TestAverage(t *testing.T) {
	// 0, 6.0206 and −∞-ish dB: powers 1, 4, 1/4.
	takes := []Take{curve(func(float64) float64 { return 0 }), curve(func(float64) float64 { return 20 * math.Log10(2) }), curve(func(float64) float64 { return -20 * math.Log10(2) })}
	s, err := Average(takes, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i, hz := range s.Hz {
		if !(math.Abs(s.MeanDB[i]-10*math.Log10(1.75)) <= 1e-9) || !(math.Abs(s.RangeDB[i]-40*math.Log10(2)) <= 1e-9) || !(math.Abs(s.StandardDB[i]-20*math.Log10(2)) <= 1e-9) {
			t.Fatalf("at %g Hz: mean %g, range %g, deviation %g dB", hz, s.MeanDB[i], s.RangeDB[i], s.StandardDB[i])
		}
	}
	if s.Takes != 3 || len(s.LevelsDB) != 3 || !(math.Abs(s.LevelsDB[1][9]-6.0206) <= 1e-4) {
		t.Errorf("%d takes, %g dB", s.Takes, s.LevelsDB[1][9])
	}
	s, err = Average(takes[:1], Options{})
	if err != nil || s.MeanDB[3] != 0 || s.StandardDB[3] != 0 {
		t.Errorf("one take: %v, %v", s.MeanDB[3], err)
	}
}

func TestAlike(t *testing.T) {
	like := func(hz float64) float64 { return bump(hz, 50, 5, 0.5) }
	takes := []Take{curve(like), curve(func(hz float64) float64 { return like(hz) + 0.5 }), curve(like),
		curve(func(hz float64) float64 { return like(hz) + 0.3 + bump(hz, 2000, -6, 1) }), curve(func(hz float64) float64 { return like(hz) - 0.4 })}
	l, err := Alike(takes, nil, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(l.Apart) != 1 || l.Apart[0].Take != 3 || l.Apart[0].FromHz > 2000 || l.Apart[0].ToHz < 2000 || !(l.Apart[0].DB < -2) || !(math.Abs(l.Apart[0].LargestDB+5.7) <= 0.3) || l.Apart[0].LargestHz != 2000 {
		t.Errorf("%+v", l.Apart)
	}
	for _, b := range l.Bands {
		if b.NominalHz == 200 && (!(math.Abs(b.SpreadDB-0.9) <= 1e-6) || len(b.LevelsDB) != 5 || !(math.Abs(b.DeparturesDB[1]-0.5) <= 1e-6)) {
			t.Errorf("200 Hz: %+v", b)
		}
	}
	// Against a target; and two, of which neither stands out.
	l, err = Alike(takes[2:4], func(float64) float64 { return -1 }, Options{MatchFromHz: 100, MatchToHz: 500})
	if err != nil {
		t.Fatal(err)
	}
	if len(l.Apart) != 0 || !(math.Abs(l.OffsetsDB[1]+0.3) <= 0.05) {
		t.Errorf("two: %+v, offsets %v", l.Apart, l.OffsetsDB)
	}
	for _, b := range l.Bands {
		if b.NominalHz == 500 && (!(math.Abs(b.DeparturesDB[0]-1) <= 1e-6) || b.Farthest != -1) {
			t.Errorf("500 Hz: %+v", b)
		}
	}
}

// Two modes at one frequency are told apart by how strong they are, whichever
// rings longer.
func TestPairModesByLevel(t *testing.T) {
	strong, weak := Mode{Hz: 101.9, T60S: 0.16, LevelDB: -6}, Mode{Hz: 101.7, T60S: 0.66, LevelDB: -20}
	before := []Mode{strong, weak}
	strong.Hz, weak.Hz = 101.7, 101.9 // nearer, in frequency, to the other one
	strong.LevelDB--
	weak.T60S = 0.69
	for _, p := range pairModes(before, []Mode{weak, strong}) {
		if p.Before == nil || p.After == nil || math.Abs(p.Before.LevelDB-p.After.LevelDB) > 1 {
			t.Errorf("%+v became %+v", p.Before, p.After)
		}
	}
}

// TestPairModesAsTold: modes that say what they were are paired so, whatever is nearer, and
// no others.
func TestPairModesAsTold(t *testing.T) {
	before := []Mode{{Hz: 40, T60S: 0.6}, {Hz: 41, T60S: 0.3}, {Hz: 70, T60S: 0.4}}
	after := []Mode{{Hz: 40.9, T60S: 0.6, Was: 1}, {Hz: 70, T60S: 0.4, Was: NotThere}}
	got := pairModes(before, after)
	want := [][2]*Mode{{&before[0], &after[0]}, {&before[1], nil}, {&before[2], nil}, {nil, &after[1]}}
	if len(got) != len(want) {
		t.Fatalf("%d pairs, want %d", len(got), len(want))
	}
	for _, w := range want {
		if !slices.ContainsFunc(got, func(m ModeChange) bool { return m.Before == w[0] && m.After == w[1] }) {
			t.Errorf("%v and %v are no pair: %+v", w[0], w[1], got)
		}
	}
}

func TestDecaysAndModes(t *testing.T) {
	a := curve(func(float64) float64 { return 0 })
	b := a
	a.Decays = []Decay{{"63 Hz octave T20", 63, 0.80, 0.01, true}, {"125 Hz octave T20", 125, 0.5, 0.01, false}, {"250 Hz octave T30", 250, 0.5, 0.01, false}}
	b.Decays = []Decay{{"125 Hz octave T20", 125, 0.51, 0.01, true}, {"63 Hz octave T20", 63, 0.60, 0.01, false}, {"250 Hz octave T20", 250, 0.2, 0.01, false}}
	a.Modes = []Mode{{Hz: 31, StandardHz: 0.05, T60S: 0.9, StandardS: 0.02}, {Hz: 42, StandardHz: 0.05, T60S: 0.8, StandardS: 0.02}, {Hz: 44.5, StandardHz: 0.05, T60S: 0.6, StandardS: 0.02}, {Hz: 60, StandardHz: 0.05, T60S: 0.5, StandardS: 0.02}, {Hz: 75, StandardHz: 0.1, T60S: 0.5, StandardS: 0.02}}
	b.Modes = []Mode{{Hz: 31.05, StandardHz: 0.05, T60S: 0.6, StandardS: 0.02}, {Hz: 44.6, StandardHz: 0.05, T60S: 0.6, StandardS: 0.02}, {Hz: 42.05, StandardHz: 0.05, T60S: 0.8, StandardS: 0.02}, {Hz: 61, StandardHz: 0.05, T60S: 0.5, StandardS: 0.02}, {Hz: 90, StandardHz: 0.1, T60S: 0.5, StandardS: 0.02}}
	r := mustCompare(t, a, b, Options{})
	if len(r.Decays) != 2 || !r.Decays[0].Changed || r.Decays[1].Changed || !(math.Abs(r.Decays[0].DifferenceShare+0.25) <= 1e-9) {
		t.Errorf("decays: %+v", r.Decays)
	}
	// What is doubtful stays so: before at 63 Hz, after at 125 Hz.
	for i, want := range [][2]bool{{true, false}, {false, true}} {
		if d := r.Decays[i]; d.BeforeDoubtful != want[0] || d.AfterDoubtful != want[1] {
			t.Errorf("%s: doubtful before %t, after %t, want %v", d.Name, d.BeforeDoubtful, d.AfterDoubtful, want)
		}
	}
	for _, c := range r.Changes {
		if want := c.Kind == DecayShift; c.BeforeDoubtful != want || c.AfterDoubtful {
			t.Errorf("doubts of the change %+v", c)
		}
	}
	paired := 0
	for _, m := range r.Modes {
		if m.Before != nil && m.After != nil {
			paired++
			if math.Abs(m.DifferenceHz) > 1.01 {
				t.Errorf("%+v and %+v are no pair", m.Before, m.After)
			}
		}
	}
	if paired != 4 || len(r.Modes) != 6 {
		t.Errorf("%d of %d modes paired", paired, len(r.Modes))
	}
	kinds := map[Kind][]float64{}
	for _, c := range r.Changes {
		kinds[c.Kind] = append(kinds[c.Kind], c.Hz)
	}
	if len(r.Changes) != 3 || len(kinds[DecayShift]) != 1 || len(kinds[ModeDecay]) != 1 || kinds[ModeDecay][0] != 31.05 || len(kinds[ModeShift]) != 1 || kinds[ModeShift][0] != 61 {
		t.Errorf("%+v", r.Changes)
	}
	// The plainest comes first.
	for i := 1; i < len(r.Changes); i++ {
		if r.Changes[i].weight() > r.Changes[i-1].weight() {
			t.Errorf("change %d is plainer than the one before it", i)
		}
	}
}

// A time that is given with a reason is doubtful, and is compared as such.
func TestOfBandsKeepsDoubts(t *testing.T) {
	got := OfBands([]decay.Band{
		{Band: scale.Band{MidHz: 63, NominalHz: 63, Width: scale.Octave}, T20: decay.Value{Seconds: 0.7, OK: true, Reason: "it bends"}, T30: decay.Value{Seconds: 0.7, OK: true}},
		{Band: scale.Band{MidHz: 125, NominalHz: 125, Width: scale.Octave}, T20: decay.Value{Reason: "refused"}, T30: decay.Value{Seconds: 0.5, OK: true}},
	})
	if len(got) != 2 || got[0].Name != "63 Hz octave T20" || !got[0].Doubtful || got[1].Name != "125 Hz octave T30" || got[1].Doubtful {
		t.Errorf("%+v", got)
	}
}

// The depth of a dip is one thing: Dips says of a take what a comparison says of
// it, also where what is beside the dip changed. Here the hill left of a dip is
// lowered: the dip is less deep then, and did not change itself.
func TestDipsAreThoseOfComparisons(t *testing.T) {
	const tolDB = 1e-9
	room := func(hill float64) Take {
		return curve(func(hz float64) float64 {
			return bump(hz, 45, hill, 0.3) + bump(hz, 62, -6, 0.3) + bump(hz, 85, 10, 0.3) + bump(hz, 150, -9, 0.3)
		})
	}
	takes := [2]Take{room(9), room(2)}
	r := mustCompare(t, takes[0], takes[1], Options{Repeatability: Repeats(0.05)})
	compared := [2]map[float64]float64{{}, {}} // depth by frequency
	for _, p := range r.Peaks {
		for i, e := range []*Extremum{p.Before, p.After} {
			if p.Dip && e != nil {
				compared[i][e.Hz] = e.HeightDB
			}
		}
		if p.Dip && p.Changed {
			t.Errorf("the dip at %.0f Hz is said to have changed: %+v", p.Hz(), p)
		}
	}
	var at62 [2]float64
	for i, take := range takes {
		dips, err := Dips(take, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(dips) != 2 || len(compared[i]) != 2 {
			t.Fatalf("take %d: dips %+v, in the comparison %v, want two", i, dips, compared[i])
		}
		if dips[0].HeightDB < dips[1].HeightDB {
			t.Errorf("the deepest is not the first: %+v", dips)
		}
		for _, d := range dips {
			if got, ok := compared[i][d.Hz]; !ok || !(math.Abs(got-d.HeightDB) <= tolDB) {
				t.Errorf("take %d: %.2f dB deep at %.1f Hz, in the comparison %.2f", i, d.HeightDB, d.Hz, got)
			}
			if math.Abs(math.Log2(d.Hz/62)) < 0.1 {
				at62[i] = d.HeightDB
			}
		}
	}
	if !(at62[0] > at62[1]+3) {
		t.Errorf("the dip at 62 Hz is %.1f dB deep beside a high hill and %.1f dB beside a low one", at62[0], at62[1])
	}
	// Where the dip and a hill beside it change, the change has the heights of each
	// take, too: 9 + 6 dB before, 10 + 12 dB after, and 6 dB between them over the
	// right hill, which stayed.
	both := func(left, dip float64) Take {
		return curve(func(hz float64) float64 {
			return bump(hz, 45, left, 0.3) + bump(hz, 62, -dip, 0.25) + bump(hz, 85, 10, 0.3)
		})
	}
	r = mustCompare(t, both(9, 6), both(14, 12), Options{Repeatability: Repeats(0.05)})
	i := slices.IndexFunc(r.Changes, func(c Change) bool { return c.Kind == DipChange })
	if i < 0 {
		t.Fatalf("the dip that became deeper is not told: %+v", r.Changes)
	}
	for n, take := range []Take{both(9, 6), both(14, 12)} {
		dips, err := Dips(take, Options{})
		if err != nil || len(dips) == 0 {
			t.Fatal(err, dips)
		}
		c := r.Changes[i]
		if got := []float64{c.BeforeHeightDB, c.AfterHeightDB}[n]; !(math.Abs(got-dips[0].HeightDB) <= tolDB) {
			t.Errorf("take %d: the change has %.2f dB, the take %.2f", n, got, dips[0].HeightDB)
		}
		if over := c.Before; n == 0 && !(math.Abs(over-dips[0].HeightDB) > 0.5) {
			t.Errorf("%.2f dB over the one place and by itself: this test sees nothing", over)
		}
	}
	if _, err := Dips(Take{}, Options{}); err == nil {
		t.Error("dips of nothing")
	}
}

// The confidence of several comparisons is that of all together.
func TestCompareEach(t *testing.T) {
	flat := curve(func(float64) float64 { return 0 })
	one := mustCompare(t, flat, flat, Options{})
	many, err := CompareEach(flat, []Take{flat, flat, flat, flat}, Options{})
	if err != nil || len(many) != 4 || !(many[3].Factor > one.Factor+0.2) {
		t.Errorf("%d results, %v: factor %.2f, %.2f of a single one", len(many), err, many[3].Factor, one.Factor)
	}
}

// The takes are not changed, and the same input gives the same output.
func TestPure(t *testing.T) {
	a, b := curve(func(hz float64) float64 { return bump(hz, 50, 8, 0.3) }), curve(func(float64) float64 { return 0 })
	h := a.Response.H[100]
	x, y := mustCompare(t, a, b, Options{}), mustCompare(t, a, b, Options{})
	if a.Response.H[100] != h || len(x.Changes) != len(y.Changes) || x.DifferenceDB[50] != y.DifferenceDB[50] || x.Changes[0] != y.Changes[0] {
		t.Error("a second comparison gives something else")
	}
}
