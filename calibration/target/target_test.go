package target

import (
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"

	"roomsonde/sweep/scale"
)

const tolDB = 1e-9

// near fails unless got is want within tol.
func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if d := math.Abs(got - want); !(d <= tol) {
		t.Errorf("%s = %.6g, want %.6g ± %g", what, got, want, tol)
	}
}

func TestCurve(t *testing.T) {
	for _, hz := range []float64{1, 20, 1000, 20000} {
		near(t, "the zero target", Target{}.DB(hz), 0, 0)
	}
	// 6 dB towards the bass below 120 Hz, over two octaves: half of it at 60 Hz,
	// all at 30 Hz.
	rise := Target{RiseDB: 6, FromHz: 120}
	for hz, want := range map[float64]float64{20000: 0, 120: 0, 60: 3, 30: 6, 10: 6,
		120 / math.Exp2(0.5): 6 * (1 - math.Sqrt2/2) / 2} {
		near(t, "the rise", rise.DB(hz), want, tolDB)
	}
	// Steepest half-way: π/2·6/2 dB per octave.
	near(t, "its slope at 60 Hz", (rise.DB(60*math.Exp2(-1e-4))-rise.DB(60*math.Exp2(1e-4)))/2e-4, math.Pi/2*3, 1e-4)
	narrow := Target{RiseDB: -4, FromHz: 100, SpanOctaves: 1}
	near(t, "a fall", narrow.DB(50), -4, tolDB)

	tilt := Target{TiltDBPerOctave: -0.8}
	near(t, "the tilt at 1 kHz", tilt.DB(1000), 0, tolDB)
	near(t, "the tilt at 8 kHz", tilt.DB(8000), -2.4, tolDB)
	tilt.PivotHz = 500
	near(t, "the tilt at 250 Hz", tilt.DB(250), 0.8, tolDB)

	points := Target{Points: []Point{{20, 6}, {80, 2}, {1000, 0}}}
	for hz, want := range map[float64]float64{5: 6, 20: 6, 40: 4, 80: 2, 1000: 0, 5000: 0} {
		near(t, "the points", points.DB(hz), want, tolDB)
	}
	all := Target{RiseDB: 6, TiltDBPerOctave: -1, Points: points.Points}
	near(t, "the sum", all.DB(60), rise.DB(60)+math.Log2(1000.0/60)+points.DB(60), tolDB)
	if got := all.Curve([]float64{60, 100}, 70); len(got) != 2 || got[0] != all.DB(60)+70 {
		t.Errorf("the curve is %v", got)
	}
}

func TestCheck(t *testing.T) {
	for _, good := range []Target{{}, {RiseDB: 6, FromHz: 120}, {TiltDBPerOctave: -1}, {Points: []Point{{20, 1}, {30, 2}}}, {LevelFromHz: 30, LevelToHz: 80}} {
		if err := good.Check(); err != nil {
			t.Errorf("%+v: %v", good, err)
		}
	}
	for _, c := range []struct {
		t           Target
		field, says string
	}{
		{Target{RiseDB: 40}, "rise_db", "40 dB lies outside -24 to 24"},
		{Target{RiseDB: math.NaN()}, "rise_db", "NaN"},
		{Target{FromHz: -120}, "from_hz", "-120 Hz"},
		{Target{SpanOctaves: 20}, "span_octaves", "20 octaves"},
		{Target{TiltDBPerOctave: 7}, "tilt_db_per_octave", "7 dB per octave"},
		{Target{PivotHz: math.Inf(1)}, "pivot_hz", "+Inf"},
		{Target{LevelFromHz: 100}, "level_to_hz", "0 Hz lies outside"},
		{Target{LevelFromHz: 100, LevelToHz: 110}, "level_to_hz", "narrower than a third of an octave"},
		{Target{LevelFromHz: 100, LevelToHz: 50}, "level_to_hz", "from 100 to 50 Hz"},
		{Target{Points: []Point{{20, 1}}}, "points", "only one"},
		{Target{Points: []Point{{20, 1}, {20, 2}}}, "points[1]", "does not come after"},
		{Target{Points: []Point{{0, 1}, {20, 2}}}, "points[0]", "0 Hz"},
		{Target{Points: []Point{{20, 75}, {30, 75}}}, "points[0]", "75 dB lies beyond"},
		{Target{Points: make([]Point, 10001)}, "points", "there are 10001"},
	} {
		var e *Error
		if err := c.t.Check(); !errors.As(err, &e) || e.Field != c.field || !strings.Contains(e.What, c.says) || e.Hint() == "" {
			t.Errorf("%s: %v, want %q", c.field, err, c.says)
		}
	}
}

// A target goes through JSON unchanged, and its zero value is the empty object.
func TestJSON(t *testing.T) {
	in := Target{RiseDB: 6, FromHz: 120, SpanOctaves: 1.5, TiltDBPerOctave: -0.5, PivotHz: 800,
		Points: []Point{{20, 1}, {30, 2}}, PointsName: "mine.txt", LevelFromHz: 300, LevelToHz: 3000}
	text, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	var out Target
	if err := json.Unmarshal(text, &out); err != nil {
		t.Fatal(err)
	}
	again, _ := json.Marshal(out)
	if string(again) != string(text) || !strings.Contains(string(text), `"rise_db":6,"from_hz":120,"span_octaves":1.5`) {
		t.Errorf("%s became %s", text, again)
	}
	if text, _ := json.Marshal(Target{}); string(text) != "{}" {
		t.Errorf("the zero target is %s", text)
	}
	for _, c := range []struct {
		t    Target
		want string
	}{
		{Target{}, "flat"},
		{Target{RiseDB: 6}, "flat, 6 dB more towards the bass from 120 Hz on (over 2 octaves)"},
		{Target{RiseDB: -3, TiltDBPerOctave: -0.5}, "flat, 3 dB less towards the bass from 120 Hz on (over 2 octaves), tilted by -0.5 dB per octave around 1000 Hz"},
		{Target{Points: []Point{{20, 1}, {30, 2}}, PointsName: "a.txt"}, "2 points from 20 to 30 Hz (a.txt)"},
	} {
		if got := c.t.String(); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// line is a curve on an uneven grid, as a measurement's is: bins in the bass, parts
// of octaves above.
func line(db func(hz float64) float64) (hz, out []float64) {
	for f := 10.0; f < 22000; f = math.Max(f+0.7, f*math.Exp2(1.0/96)) {
		hz, out = append(hz, f), append(out, db(f))
	}
	return hz, out
}

func TestOffset(t *testing.T) {
	target := Target{RiseDB: 6, FromHz: 120, TiltDBPerOctave: -0.7}
	// What follows the target lies as far above it as it was shifted, in any band.
	hz, db := line(func(f float64) float64 { return target.DB(f) - 31.4 })
	for _, band := range [][2]float64{{0, 0}, {30, 80}, {500, 2000}, {50, 15000}} {
		target.LevelFromHz, target.LevelToHz = band[0], band[1]
		got, err := target.Offset(hz, db)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "the offset", got, -31.4, 0.001)
	}
	// Power, not decibels: half of the band (in octaves) at 0 dB, half at 20 dB.
	hz, db = line(func(f float64) float64 {
		if f < 1000 {
			return 0
		}
		return 20
	})
	got, err := Target{LevelFromHz: 250, LevelToHz: 4000}.Offset(hz, db)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "the mean of 1 and 100", got, 10*math.Log10(50.5), 0.03)

	for _, c := range []struct {
		t      Target
		hz, db []float64
		says   string
	}{
		{Target{}, []float64{300, 5000}, []float64{0, 0}, "tied from 200 to 2000 Hz, but the measurement covers 300 to 5000 Hz"},
		{Target{}, []float64{20, 500}, []float64{0, 0}, "covers 20 to 500 Hz"},
		{Target{}, []float64{20}, []float64{0}, "1 frequencies"},
		{Target{}, []float64{20, 20000}, []float64{0}, "2 frequencies and 1 levels"},
		{Target{}, []float64{20, 20}, []float64{0, 0}, "broken at its point 1"},
		{Target{}, []float64{20, 20000}, []float64{0, math.NaN()}, "broken at its point 1"},
		{Target{RiseDB: 99}, []float64{20, 20000}, []float64{0, 0}, "rise_db"},
	} {
		_, err := c.t.Offset(c.hz, c.db)
		var e *Error
		if !errors.As(err, &e) || !strings.Contains(err.Error(), c.says) || e.Hint() == "" {
			t.Errorf("%v, want %q", err, c.says)
		}
	}
}

func TestDepartures(t *testing.T) {
	target := Target{RiseDB: 6, FromHz: 120}
	// 3 dB too loud in the octave around 1 kHz, 2 dB too quiet below 50 Hz.
	hz, db := line(func(f float64) float64 {
		switch {
		case f > 707.946 && f < 1412.54:
			return target.DB(f) + 3 - 20
		case f < 44.668:
			return target.DB(f) - 2 - 20
		}
		return target.DB(f) - 20
	})
	for _, width := range []scale.Width{scale.Octave, scale.Third} {
		all, err := target.Departures(hz, db, -20, width, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		if n := len(all); width == scale.Octave && n != 10 || width == scale.Third && n != 32 {
			t.Errorf("%d bands of a width of %v", n, width)
		}
		for _, d := range all {
			want := 0.0
			switch {
			case d.LowHz > 700 && d.HighHz < 1420:
				want = 3
			case d.HighHz < 45:
				want = -2
			}
			near(t, "the departure at "+d.Band.Width.String(), d.DB, want, 0.05)
			near(t, "its parts", d.MeasuredDB-d.TargetDB, d.DB, tolDB)
		}
	}
	some, err := target.Departures(hz, db, -20, scale.Third, 20, 200)
	if err != nil || len(some) != 9 || some[0].NominalHz != 25 || some[8].NominalHz != 160 {
		t.Errorf("from 20 to 200 Hz: %d bands, %v", len(some), err)
	}
	if _, err := target.Departures(hz, db, 0, scale.Width(6), 0, 0); err == nil {
		t.Error("bands of a sixth of an octave are not refused")
	}
}

func TestRecommendations(t *testing.T) {
	for _, r := range Recommendations() {
		named, err := RecommendationNamed(r.Name)
		if err != nil || named.Source != r.Source || r.Support == "" {
			t.Errorf("%s: %v", r.Name, err)
		}
		lower, upper, ok := r.Limits(1000)
		if !ok || lower != -3 || upper != 3 {
			t.Errorf("%s at 1 kHz: %g to %g dB", r.Name, lower, upper)
		}
		if _, _, ok := r.Limits(31.5); ok {
			t.Errorf("%s has limits at 31.5 Hz", r.Name)
		}
		// Flat but for 5 dB too much at 100 Hz and a fall above 8 kHz.
		hz, db := line(func(f float64) float64 {
			switch {
			case f > 89.1251 && f < 112.2018:
				return 65
			case f > 8800: // a point of the grid before the band begins
				return 51
			}
			return 60
		})
		mean, bands, err := r.Judge(hz, db)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "the mean", mean, 60, 0.01)
		if len(bands) != 26 || bands[0].NominalHz != 50 || bands[25].NominalHz != 16000 {
			t.Errorf("%s: %d bands", r.Name, len(bands))
		}
		for _, b := range bands {
			want := 0.0
			switch {
			case b.NominalHz == 100:
				want = 2
			case b.NominalHz >= 10000:
				want = -9 - b.LowerDB
			}
			near(t, r.Name, b.BeyondDB, want, 0.1)
		}
		hz, db = line(func(f float64) float64 { return 0 })
		if _, _, err := r.Judge(hz[:50], db[:50]); err == nil || !strings.Contains(err.Error(), "from 200 to 4000 Hz") {
			t.Errorf("a subwoofer: %v", err)
		}
	}
	var e *Error
	if _, err := RecommendationNamed("mine"); !errors.As(err, &e) || !strings.Contains(e.Hint(), "EBU Tech 3276") {
		t.Errorf("%v", err)
	}
	if _, _, err := (Recommendation{}).Judge([]float64{1, 2}, []float64{0, 0}); err == nil {
		t.Error("an empty recommendation judges")
	}
}

// As the figures are remembered: the lower limits at the upper end, and the
// slopes above 2 kHz of 1.5 and 1 dB per octave.
func TestLimitsAsRemembered(t *testing.T) {
	for name, slope := range map[string]float64{"ITU-R BS.1116-3": 1.5, "EBU Tech 3276": 1} {
		r, err := RecommendationNamed(name)
		if err != nil {
			t.Fatal(err)
		}
		for octaves := range 4 {
			lower, _, _ := r.Limits(2000 * math.Exp2(float64(octaves)))
			near(t, name, lower, -3-slope*float64(octaves), tolDB)
		}
	}
}
