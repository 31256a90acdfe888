package target

import (
	"fmt"
	"math"

	"roomsonde/sweep/scale"
)

// Departure is how far a measurement lies from the target in a band.
type Departure struct {
	scale.Band
	// MeasuredDB is the level of the measurement's mean power in the band,
	// TargetDB that of the target's, tied by the offset. DB is the difference,
	// positive where the measurement is louder.
	MeasuredDB, TargetDB, DB float64
}

// meanPower returns the mean of the power of a curve in dB over equal parts of
// octaves from fromHz to toHz: the integral over lg f, power being straight over
// lg f between two points of the curve.
func meanPower(hz, db []float64, fromHz, toHz float64) float64 {
	at := func(f float64) float64 { // power at f
		lo, hi := 0, len(hz)-1
		for hi-lo > 1 {
			if mid := (lo + hi) / 2; hz[mid] <= f {
				lo = mid
			} else {
				hi = mid
			}
		}
		return scale.Interpolate(hz[lo:hi+1], []float64{scale.Power(db[lo]), scale.Power(db[hi])}, f)
	}
	var sum float64
	f, p := fromHz, at(fromHz)
	step := func(next, power float64) {
		sum += (p + power) / 2 * math.Log(next/f)
		f, p = next, power
	}
	for i, v := range hz {
		if v > fromHz && v < toHz {
			step(v, scale.Power(db[i]))
		}
	}
	step(toHz, at(toHz))
	return sum / math.Log(toHz/fromHz)
}

// checkCurve refuses what is no curve.
func checkCurve(hz, db []float64) error {
	if len(hz) < 2 || len(hz) != len(db) {
		return &Error{What: fmt.Sprintf("a measured curve of %d frequencies and %d levels", len(hz), len(db)), Do: "give equally many, and at least two"}
	}
	for i := range hz {
		if !(hz[i] > 0) || math.IsInf(hz[i], 0) || math.IsNaN(db[i]) || math.IsInf(db[i], 0) || i > 0 && !(hz[i] > hz[i-1]) {
			return &Error{What: fmt.Sprintf("the measured curve is broken at its point %d (%g Hz, %g dB)", i, hz[i], db[i]), Do: "give rising frequencies above 0 Hz with levels that are numbers"}
		}
	}
	return nil
}

// Offset returns the dB that have to be added to t so that in its level band its
// mean power is that of a measured curve: hz rising, db its levels. The mean is
// over equal parts of octaves. It fails with *Error where t is not in order or
// the curve does not cover the band.
func (t Target) Offset(hz, db []float64) (float64, error) {
	if err := t.Check(); err != nil {
		return 0, err
	}
	t = t.Resolved()
	if err := checkCurve(hz, db); err != nil {
		return 0, err
	}
	const slack = 1e-3
	if first, last := hz[0], hz[len(hz)-1]; first > t.LevelFromHz*(1+slack) || last < t.LevelToHz*(1-slack) {
		return 0, &Error{"level_from_hz",
			fmt.Sprintf("levels are tied from %g to %g Hz, but the measurement covers %.4g to %.4g Hz", t.LevelFromHz, t.LevelToHz, first, last),
			"tie the target in a band that the measurement covers"}
	}
	measured := meanPower(hz, db, t.LevelFromHz, t.LevelToHz)
	aimed := t.meanPower(t.LevelFromHz, t.LevelToHz)
	return scale.PowerDB(measured) - scale.PowerDB(aimed), nil
}

// meanPower is meanPower of the target itself, on a fine grid.
func (t Target) meanPower(fromHz, toHz float64) float64 {
	const perOctave = 96
	n := max(2, int(math.Ceil(perOctave*math.Log2(toHz/fromHz)))+1)
	hz := make([]float64, n)
	for i := range hz {
		hz[i] = fromHz * math.Pow(toHz/fromHz, float64(i)/float64(n-1))
	}
	return meanPower(hz, t.Curve(hz, 0), fromHz, toHz)
}

// Departures returns by how much a measured curve departs from t, tied by
// offsetDB, in the bands of the width that lie wholly between fromHz and toHz (0:
// as far as the curve goes) and within the curve. It fails with *Error.
func (t Target) Departures(hz, db []float64, offsetDB float64, width scale.Width, fromHz, toHz float64) ([]Departure, error) {
	if err := t.Check(); err != nil {
		return nil, err
	}
	if err := checkCurve(hz, db); err != nil {
		return nil, err
	}
	if width != scale.Octave && width != scale.Third {
		return nil, &Error{What: fmt.Sprintf("bands of %v", width), Do: "ask for octave or one-third-octave bands"}
	}
	const slack = 1e-3 // of the ends: bands are a little wider than their names
	from, to := math.Max(fromHz, hz[0])*(1-slack), hz[len(hz)-1]*(1+slack)
	if toHz > 0 {
		to = math.Min(to, toHz*(1+slack))
	}
	var out []Departure
	for _, b := range scale.Bands(width, from/2, to*2) {
		if b.LowHz < from || b.HighHz > to {
			continue
		}
		d := Departure{Band: b,
			MeasuredDB: scale.PowerDB(meanPower(hz, db, b.LowHz, b.HighHz)),
			TargetDB:   scale.PowerDB(t.meanPower(b.LowHz, b.HighHz)) + offsetDB}
		d.DB = d.MeasuredDB - d.TargetDB
		out = append(out, d)
	}
	return out, nil
}
