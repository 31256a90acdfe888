// Package target holds the curve that a system is aimed at, ties it to a measured
// level, and tells how far a measurement departs from it, band by band.
//
// The typical use, step by step:
//
//  1. A Target is made by hand, read from JSON or, for a curve of points, by
//     ParsePoints. Check says what is wrong with it.
//  2. Offset ties it to what was measured, by mean power in the target's level band.
//  3. DB plus that offset is the curve to draw; Departures tells band by band how
//     far the measurement lies from it.
//  4. Recommendations are published tolerances, to be laid over it by name.
//
// # The curve
//
// It is the sum of three parts, in dB; a part that is not given is 0, and the
// zero Target is flat.
//
//	rise:   Rise·(1 − cos πx)/2, x = lg2(From/f)/Span held to 0…1
//	tilt:   Tilt·lg2(f/Pivot)
//	points: straight between two points over lg f, held beyond the outermost
//
// The rise is 0 from From upwards, Rise from Span octaves below it downwards,
// and half of it half-way; it is steepest there, π/2·Rise/Span dB per octave. How
// a curve should look is a matter of taste and room; none is recommended here.
package target

import (
	"fmt"
	"math"

	"roomsonde/sweep/scale"
)

// Target is the curve aimed at. The zero value is flat.
type Target struct {
	RiseDB      float64 `json:"rise_db,omitempty"`      // rise towards the bass; negative: a fall
	FromHz      float64 `json:"from_hz,omitempty"`      // where it begins, seen from above; 0: 120 Hz
	SpanOctaves float64 `json:"span_octaves,omitempty"` // over how many octaves it is reached; 0: 2

	TiltDBPerOctave float64 `json:"tilt_db_per_octave,omitempty"` // negative: falling towards the treble
	PivotHz         float64 `json:"pivot_hz,omitempty"`           // where the tilt is 0 dB; 0: 1 kHz

	Points     []Point `json:"points,omitempty"`      // rising frequencies
	PointsName string  `json:"points_name,omitempty"` // of the file that they were read from

	// LevelFromHz and LevelToHz bound the band in which the target is tied to the
	// measured level; both 0: 200 Hz to 2 kHz. A subwoofer by itself needs another.
	LevelFromHz float64 `json:"level_from_hz,omitempty"`
	LevelToHz   float64 `json:"level_to_hz,omitempty"`
}

// Point is a point of a curve.
type Point struct {
	Hz float64 `json:"hz"`
	DB float64 `json:"db"`
}

const (
	defaultFromHz      = 120
	defaultSpanOctaves = 2
	defaultPivotHz     = 1000
	defaultLevelFromHz = 200
	defaultLevelToHz   = 2000
)

// What a target may hold. Wider ones are slips of the hand: 24 dB more is 250 times the
// power.
const (
	mostRiseDB  = 24
	mostTiltDB  = 6
	mostPointDB = 30
	mostPoints  = 10000
	leastHz     = 1
	mostHz      = 100e3
)

// Error says what is wrong with a target or with what it is held against.
type Error struct {
	Field string // of the JSON, with an index where it has one; "" where none is meant
	What  string // what is wrong
	Do    string // what to do about it
}

func (e *Error) Error() string {
	if e.Field == "" {
		return "target: " + e.What
	}
	return "target: " + e.Field + ": " + e.What
}

// Hint says what to do about it.
func (e *Error) Hint() string { return e.Do }

// Resolved returns t with its defaults filled in. Points are not copied.
func (t Target) Resolved() Target {
	fill := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	fill(&t.FromHz, defaultFromHz)
	fill(&t.SpanOctaves, defaultSpanOctaves)
	fill(&t.PivotHz, defaultPivotHz)
	if t.LevelFromHz == 0 && t.LevelToHz == 0 {
		t.LevelFromHz, t.LevelToHz = defaultLevelFromHz, defaultLevelToHz
	}
	return t
}

// Check returns an *Error for the first thing that is wrong with t, or nil.
func (t Target) Check() error {
	t = t.Resolved()
	for _, f := range []struct {
		name             string
		v, least, most   float64
		unit, suggestion string
	}{
		{"rise_db", t.RiseDB, -mostRiseDB, mostRiseDB, "dB", "give the rise towards the bass in dB, as 6"},
		{"from_hz", t.FromHz, leastHz, mostHz, "Hz", "give the frequency below which the curve rises, as 120"},
		{"span_octaves", t.SpanOctaves, 0.1, 10, "octaves", "give over how many octaves the rise is reached, as 2"},
		{"tilt_db_per_octave", t.TiltDBPerOctave, -mostTiltDB, mostTiltDB, "dB per octave", "give the slope in dB per octave, as -0.5"},
		{"pivot_hz", t.PivotHz, leastHz, mostHz, "Hz", "give the frequency at which the tilt is 0 dB, as 1000"},
		{"level_from_hz", t.LevelFromHz, leastHz, mostHz, "Hz", "give both ends of the band in which levels are tied, as 200 and 2000"},
		{"level_to_hz", t.LevelToHz, leastHz, mostHz, "Hz", "give both ends of the band in which levels are tied, as 200 and 2000"},
	} {
		if !(f.v >= f.least && f.v <= f.most) {
			return &Error{f.name, fmt.Sprintf("%g %s lies outside %g to %g", f.v, f.unit, f.least, f.most), f.suggestion}
		}
	}
	if !(t.LevelToHz >= t.LevelFromHz*leastLevelRatio) {
		return &Error{"level_to_hz", fmt.Sprintf("the band from %g to %g Hz is narrower than a third of an octave", t.LevelFromHz, t.LevelToHz), "give an upper end further above the lower one"}
	}
	return checkPoints(t.Points)
}

// leastLevelRatio is a third of an octave, and a little slack.
var leastLevelRatio = math.Exp2(1.0/3) * (1 - 1e-3)

func checkPoints(points []Point) error {
	if len(points) == 1 {
		return &Error{"points", "there is only one", "give at least two, or none"}
	}
	if len(points) > mostPoints {
		return &Error{"points", fmt.Sprintf("there are %d", len(points)), fmt.Sprintf("give no more than %d", mostPoints)}
	}
	for i, p := range points {
		field := fmt.Sprintf("points[%d]", i)
		switch {
		case !(p.Hz >= leastHz && p.Hz <= mostHz):
			return &Error{field, fmt.Sprintf("%g Hz lies outside %d Hz to %g kHz", p.Hz, leastHz, mostHz/1000), "give frequencies in Hz"}
		case !(math.Abs(p.DB) <= mostPointDB):
			return &Error{field, fmt.Sprintf("%g dB lies beyond ±%d dB", p.DB, mostPointDB), "give levels around 0 dB: the target is tied to the measured level by itself"}
		case i > 0 && !(p.Hz > points[i-1].Hz):
			return &Error{field, fmt.Sprintf("%g Hz does not come after %g Hz", p.Hz, points[i-1].Hz), "put the points in order of rising frequency, each frequency once"}
		}
	}
	return nil
}

// DB returns the curve at hz in dB. t is one that Check finds nothing wrong with,
// and hz is above 0.
func (t Target) DB(hz float64) float64 {
	t = t.Resolved()
	var db float64
	if t.RiseDB != 0 {
		x := math.Min(1, math.Max(0, math.Log2(t.FromHz/hz)/t.SpanOctaves))
		db += t.RiseDB * (0.5 - 0.5*math.Cos(math.Pi*x))
	}
	if t.TiltDBPerOctave != 0 {
		db += t.TiltDBPerOctave * math.Log2(hz/t.PivotHz)
	}
	if n := len(t.Points); n > 0 {
		db += t.between(hz)
	}
	return db
}

// between reads the points at hz.
func (t Target) between(hz float64) float64 {
	lo, hi := 0, len(t.Points)-1
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; t.Points[mid].Hz <= hz {
			lo = mid
		} else {
			hi = mid
		}
	}
	a, b := t.Points[lo], t.Points[hi]
	if lo == hi {
		return a.DB
	}
	return scale.Interpolate([]float64{a.Hz, b.Hz}, []float64{a.DB, b.DB}, hz)
}

// Curve returns DB at each of the frequencies hz, plus offsetDB.
func (t Target) Curve(hz []float64, offsetDB float64) []float64 {
	out := make([]float64, len(hz))
	for i, f := range hz {
		out[i] = t.DB(f) + offsetDB
	}
	return out
}

// String says what the target is, in one line: "flat, 6 dB more towards the bass from
// 120 Hz on (over 2 octaves)".
func (t Target) String() string {
	t = t.Resolved()
	s := "flat"
	if len(t.Points) > 0 {
		s = fmt.Sprintf("%d points from %g to %g Hz", len(t.Points), t.Points[0].Hz, t.Points[len(t.Points)-1].Hz)
		if t.PointsName != "" {
			s += " (" + t.PointsName + ")"
		}
	}
	if t.RiseDB != 0 {
		word := "more"
		if t.RiseDB < 0 {
			word = "less"
		}
		s += fmt.Sprintf(", %g dB %s towards the bass from %g Hz on (over %g octaves)", math.Abs(t.RiseDB), word, t.FromHz, t.SpanOctaves)
	}
	if t.TiltDBPerOctave != 0 {
		s += fmt.Sprintf(", tilted by %+g dB per octave around %g Hz", t.TiltDBPerOctave, t.PivotHz)
	}
	return s
}
