package difference

import (
	"fmt"
	"math"

	"roomsonde/sweep/scale"
)

// Repeatability is how well levels repeat when the same thing is measured again:
// the standard deviation of one take's level in dB, beside what noise does.
type Repeatability struct {
	Hz, DB []float64 // rising frequencies; held at the ends. Both empty: unknown
	Takes  int       // from how many takes; 0: not from takes
}

// Repeats returns a repeatability of db at all frequencies; 0: everything but
// noise repeats exactly.
func Repeats(db float64) Repeatability { return Repeatability{Hz: []float64{1}, DB: []float64{db}} }

// Known reports whether r says anything.
func (r Repeatability) Known() bool { return len(r.Hz) > 0 }

// At returns the standard deviation in dB at hz, AssumedDB where nothing is known.
func (r Repeatability) At(hz float64) float64 {
	if !r.Known() {
		return AssumedDB
	}
	return scale.Interpolate(r.Hz, r.DB, hz)
}

func (r Repeatability) check() error {
	bad := len(r.Hz) != len(r.DB)
	for i := range r.Hz {
		bad = bad || len(r.DB) <= i || !(r.Hz[i] > 0) || !(r.DB[i] >= 0 && r.DB[i] <= mostUncertainDB) || i > 0 && !(r.Hz[i] > r.Hz[i-1])
	}
	if bad {
		return &InputError{"the repeatability is no curve of rising frequencies with 0 to 20 dB", "take it from RepeatabilityOf or Repeats"}
	}
	return nil
}

// RepeatabilityOf tells from two or more takes of one source at one seat through
// one chain how well levels repeat, on the takes' common grid. The takes' levels
// are matched in pairs by their mean power over the band that Options names, or
// over the whole common range where it names none.
//
// It is robust: 1.4826/√2 of the median absolute difference over all pairs of
// takes and a third of an octave around each point. One spoilt take among five
// does not raise it much. What the takes' noise explains is taken off, as power.
//
// Of two or three takes the result is itself no more than an indication: a
// microphone that was by chance put back exactly, once, tells little of how
// it will be put back.
func RepeatabilityOf(takes []Take, o Options) (Repeatability, error) {
	o, err := o.resolve()
	if err != nil {
		return Repeatability{}, err
	}
	if len(takes) < 2 {
		return Repeatability{}, &InputError{fmt.Sprintf("%d take tells nothing of how well it repeats", len(takes)), "give at least two takes of one source at one seat"}
	}
	s, err := share(takes, o)
	if err != nil {
		return Repeatability{}, err
	}
	if o.MatchFromHz == 0 {
		s.match(s.fromHz, s.toHz)
	}
	// Differences of all pairs, and the noise's part in them.
	n := len(s.hz)
	diffs := make([][]float64, n)
	noise := make([]float64, n)
	for i := range n {
		if !s.ok[i] {
			continue
		}
		for a := range takes {
			noise[i] += square(s.levels[a][i].standardDB()) / float64(len(takes))
			for b := range a {
				d := s.db(a, i) - s.db(b, i)
				diffs[i] = append(diffs[i], math.Abs(d))
			}
		}
	}
	out := Repeatability{Takes: len(takes)}
	reach := max(1, o.PerOctave/6)
	var near []float64
	for i := range n {
		near = near[:0]
		var own float64
		points := 0
		for j := max(0, i-reach); j <= min(n-1, i+reach); j++ {
			near = append(near, diffs[j]...)
			if s.ok[j] {
				own += noise[j]
				points++
			}
		}
		if len(near) == 0 {
			continue
		}

		middle := median(near, -1)
		sigma := 1.4826 * middle / math.Sqrt2
		out.Hz = append(out.Hz, s.hz[i])
		out.DB = append(out.DB, math.Min(mostUncertainDB, math.Sqrt(math.Max(0, sigma*sigma-own/float64(points)))))
	}
	return out, nil
}
