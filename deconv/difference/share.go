package difference

import (
	"fmt"
	"math"
	"slices"

	"roomsonde/sweep/scale"
)

// shared is what several takes have in common: one grid, their levels on it.
type shared struct {
	takes                []Take
	o                    Options
	fromHz, toHz         float64
	fromReason, toReason string
	hz                   []float64
	ok                   []bool    // all takes can be read here
	levels               [][]level // [take][point]
	offset               []float64 // dB that was added to each take's levels
	offsetStandard       []float64 // its standard error in dB, against the first take
	remarks              []string
}

// share brings takes onto one grid, and matches their levels where o says so.
func share(takes []Take, o Options) (*shared, error) {
	s := &shared{takes: takes, o: o, offset: make([]float64, len(takes)), offsetStandard: make([]float64, len(takes))}
	s.fromHz, s.toHz = o.FromHz, math.Inf(1)
	s.fromReason, s.toReason = "as asked", "as asked"
	if o.ToHz > 0 {
		s.toHz = o.ToHz
	}
	for i, t := range takes {
		if t.Response == nil || len(t.Response.H) == 0 || !(t.Response.StepHz > 0) {
			return nil, &InputError{fmt.Sprintf("take %d of %d has no response", i+1, len(takes)), "work out its response first"}
		}
		if t.Noise != nil && (len(t.Noise.Hz) == 0 || len(t.Noise.Hz) != len(t.Noise.Density) || len(t.Noise.Hz) != len(t.Noise.Freedom)) {
			return nil, &InputError{fmt.Sprintf("the noise of take %d of %d is incomplete", i+1, len(takes)), "work out its response again"}
		}
		if !t.Readable.OK {
			return nil, &NothingSharedError{Reasons: []string{t.Readable.FromReason}}
		}
		if t.Readable.FromHz > s.fromHz {
			s.fromHz, s.fromReason = t.Readable.FromHz, t.Readable.FromReason
		}
		if t.Readable.ToHz < s.toHz {
			s.toHz, s.toReason = t.Readable.ToHz, t.Readable.ToReason
		}
	}
	for _, t := range takes { // 0 Hz has no place on the grid
		s.fromHz = math.Max(s.fromHz, t.Response.StepHz)
	}
	if !(s.fromHz < s.toHz) {
		return nil, &NothingSharedError{FromHz: s.fromHz, ToHz: s.toHz}
	}
	s.hz = grid(s.fromHz, s.toHz, o.PerOctave)
	if len(s.hz) < 3 {
		return nil, &NothingSharedError{FromHz: s.fromHz, ToHz: s.toHz}
	}
	s.ok = make([]bool, len(s.hz))
	for i := range s.ok {
		s.ok[i] = true
	}
	s.levels = make([][]level, len(takes))
	for n, t := range takes {
		s.levels[n] = t.levels(s.hz, o.Smoothing)
		for i, hz := range s.hz {
			s.ok[i] = s.ok[i] && s.levels[n][i].ok && t.Readable.Contains(hz)
		}
	}
	if !slices.Contains(s.ok, true) {
		return nil, &NothingSharedError{FromHz: s.fromHz, ToHz: s.toHz}
	}
	s.remark()
	if o.MatchFromHz > 0 {
		if o.MatchFromHz < s.fromHz*(1-1e-9) || o.MatchToHz > s.toHz*(1+1e-9) {
			return nil, &InputError{
				fmt.Sprintf("levels cannot be matched from %.4g to %.4g Hz: the takes can be read from %.4g to %.4g Hz", o.MatchFromHz, o.MatchToHz, s.fromHz, s.toHz),
				"match them within that range, or not at all"}
		}
		if !s.match(o.MatchFromHz, o.MatchToHz) {
			return nil, &InputError{
				fmt.Sprintf("levels cannot be matched from %.4g to %.4g Hz: nothing can be read there", o.MatchFromHz, o.MatchToHz),
				"match them in a wider band, or not at all"}
		}
	}
	return s, nil
}

// remark notes what makes takes differ before anything was changed.
func (s *shared) remark() {
	unknown := 0
	shortest, longest := math.Inf(1), 0.0
	for _, t := range s.takes {
		if t.Noise == nil || t.Noise.DigitalZero {
			unknown++
		}
		shortest = math.Min(shortest, t.Response.Window.LengthS)
		longest = math.Max(longest, t.Response.Window.LengthS)
	}
	if unknown > 0 {
		s.remarks = append(s.remarks, fmt.Sprintf("The noise is unknown in %d of %d takes; the uncertainty leaves it out.", unknown, len(s.takes)))
	}
	if longest > 1.1*shortest {
		s.remarks = append(s.remarks, fmt.Sprintf("The takes are seen through windows of %.3g s and %.3g s: what rings longer than the shorter one differs for that alone.", shortest, longest))
	}
}

// match shifts the levels of all takes so that their mean power over a band is
// that of the first. The mean is over equal parts of octaves. It reports whether
// there is anything to be read in the band.
func (s *shared) match(fromHz, toHz float64) bool {
	var sums, variance []float64
	for n := range s.takes {
		// Points nearer to each other than the smoothing reaches do not
		// count for themselves.
		var sum, spread, count, apart float64
		for i, hz := range s.hz {
			if s.ok[i] && hz >= fromHz*(1-1e-9) && hz <= toHz*(1+1e-9) {
				l := s.levels[n][i]
				sum += l.power
				spread += square(l.power * l.standardDB())
				count++
				apart += math.Min(1, s.o.Smoothing/float64(s.o.PerOctave))
			}
		}
		if count == 0 {
			return false
		}
		sums = append(sums, sum/count)
		variance = append(variance, spread/(sum*sum)*count/math.Max(1, apart))
	}
	for n := range s.takes {
		s.offset[n] = scale.PowerDB(sums[0]) - scale.PowerDB(sums[n])
		if n > 0 {
			s.offsetStandard[n] = math.Sqrt(variance[0] + variance[n])
		}
	}
	return true
}

// db returns the level of a take at a point, matched.
func (s *shared) db(take, i int) float64 { return s.levels[take][i].db() + s.offset[take] }

// contains reports whether all takes can be read from lowHz to highHz.
func (s *shared) contains(lowHz, highHz float64) bool {
	if lowHz < s.fromHz*(1-1e-9) || highHz > s.toHz*(1+1e-9) {
		return false
	}
	for i, hz := range s.hz {
		if hz >= lowHz && hz <= highHz && !s.ok[i] {
			return false
		}
	}
	return true
}

// bands returns the third-octave bands that all takes can be read in, and the
// levels of all takes in them.
func (s *shared) bands() ([]scale.Band, [][]level) {
	var bands []scale.Band
	var at []float64
	for _, b := range scale.Bands(scale.Third, s.fromHz/2, s.toHz*2) {
		if s.contains(b.LowHz, b.HighHz) {
			bands, at = append(bands, b), append(at, b.MidHz)
		}
	}
	out := make([][]level, len(s.takes))
	for n, t := range s.takes {
		out[n] = t.levels(at, float64(scale.Third))
	}
	return bands, out
}
