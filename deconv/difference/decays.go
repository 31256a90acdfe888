package difference

import (
	"cmp"
	"math"
	"slices"
	"strconv"

	"roomsonde/deconv/decay"
	"roomsonde/sweep/scale"
)

// DecayChange is the change of one band's decay time.
type DecayChange struct {
	Name                      string
	Hz                        float64
	BeforeS, AfterS           float64
	DifferenceS, UncertaintyS float64 // the uncertainty at the confidence of the result
	DifferenceShare           float64 // DifferenceS/BeforeS
	Changed                   bool    // beyond the uncertainty
	// BeforeDoubtful and AfterDoubtful are those of the two times.
	BeforeDoubtful, AfterDoubtful bool
}

// ModeChange is what became of one room mode. A mode that was found in one take
// only is no change: it may be hidden, and so may be its change.
type ModeChange struct {
	Before, After *Mode // nil where it was not found
	// Where both are there: the changes, and what they may be off at the
	// confidence of the result.
	DifferenceHz, UncertaintyHz float64
	DifferenceS, UncertaintyS   float64
	Shifted, Changed            bool // frequency, decay time: beyond the uncertainty
}

// Hz is where the mode is, or was.
func (m ModeChange) Hz() float64 {
	if m.After != nil {
		return m.After.Hz
	}
	return m.Before.Hz
}

// OfBands makes Decays of what package decay gives: of each band T20, or T30 or
// EDT where that was refused; one that is doubtful stays so. Only like is compared with like: the name says which
// of them it is. Bands in which all are refused are left out. The standard errors
// are what noise does to them.
func OfBands(bands []decay.Band) []Decay {
	var out []Decay
	for _, b := range bands {
		for _, v := range []struct {
			name  string
			value decay.Value
		}{{"T20", b.T20}, {"T30", b.T30}, {"EDT", b.EDT}} {
			if v.value.OK {
				out = append(out, Decay{Name: bandName(b) + " " + v.name, Hz: b.MidHz, Seconds: v.value.Seconds, StandardS: noiseError(b, v.name, v.value.Seconds), Doubtful: v.value.Reason != ""})
				break
			}
		}
	}
	return out
}

// compareDecays compares decay times and modes.
func (r *Result) compareDecays(before, after Take, o Options, risk float64) {
	type two struct{ a, b Decay }
	var decays []two
	for _, a := range before.Decays {
		i := slices.IndexFunc(after.Decays, func(d Decay) bool { return d.Name == a.Name })
		if i < 0 || !(a.Seconds > 0 && after.Decays[i].Seconds > 0) {
			continue
		}
		decays = append(decays, two{a, after.Decays[i]})
	}
	modes := pairModes(before.Modes, after.Modes)
	k := quantilesOf(len(decays)+2*len(modes), risk).normal()
	standard := func(seconds, own float64) float64 { return math.Hypot(own, o.DecayRepeatability*seconds) }
	for _, d := range decays {
		c := DecayChange{Name: d.a.Name, Hz: d.a.Hz, BeforeS: d.a.Seconds, AfterS: d.b.Seconds, DifferenceS: d.b.Seconds - d.a.Seconds,
			BeforeDoubtful: d.a.Doubtful, AfterDoubtful: d.b.Doubtful}
		c.DifferenceShare = c.DifferenceS / c.BeforeS
		c.UncertaintyS = k * math.Hypot(standard(d.a.Seconds, d.a.StandardS), standard(d.b.Seconds, d.b.StandardS))
		c.Changed = math.Abs(c.DifferenceS) > c.UncertaintyS
		r.Decays = append(r.Decays, c)
		if c.Changed {
			r.Changes = append(r.Changes, Change{Kind: DecayShift, Name: c.Name, Hz: c.Hz, Before: c.BeforeS, After: c.AfterS, Difference: c.DifferenceS, Uncertainty: c.UncertaintyS, Unit: "s",
				BeforeDoubtful: c.BeforeDoubtful, AfterDoubtful: c.AfterDoubtful})
		}
	}
	for _, m := range modes {
		if a, b := m.Before, m.After; a != nil && b != nil {
			m.DifferenceHz, m.UncertaintyHz = b.Hz-a.Hz, k*math.Hypot(math.Hypot(a.StandardHz, b.StandardHz), math.Sqrt2*o.FrequencyRepeatability*a.Hz)
			m.DifferenceS, m.UncertaintyS = b.T60S-a.T60S, k*math.Hypot(standard(a.T60S, a.StandardS), standard(b.T60S, b.StandardS))
			m.Shifted = m.UncertaintyHz > 0 && math.Abs(m.DifferenceHz) > m.UncertaintyHz
			m.Changed = math.Abs(m.DifferenceS) > m.UncertaintyS
			if m.Shifted {
				r.Changes = append(r.Changes, Change{Kind: ModeShift, Hz: b.Hz, Before: a.Hz, After: b.Hz, Difference: m.DifferenceHz, Uncertainty: m.UncertaintyHz, Unit: "Hz"})
			}
			if m.Changed {
				r.Changes = append(r.Changes, Change{Kind: ModeDecay, Hz: b.Hz, Before: a.T60S, After: b.T60S, Difference: m.DifferenceS, Uncertainty: m.UncertaintyS, Unit: "s"})
			}
		}
		r.Modes = append(r.Modes, m)
	}
}

// decayConstant is ln 10³: a mode's half-power bandwidth is decayConstant/(π·T60),
// some 2.2/T60.
const decayConstant = 3 * math.Ln10

// pairModes pairs the modes of two takes: as they say themselves, or the nearest first: their frequencies
// differ by no more than half the wider one's bandwidth, or three standard
// errors where that is more. Of several within reach the one that is about as
// strong is nearer: 12 dB count as much as the reach.
func pairModes(before, after []Mode) []ModeChange {
	type pair struct {
		a, b     int
		distance float64
	}
	valid := func(m Mode) bool { return m.Hz > 0 && m.T60S > 0 }
	var pairs []pair
	told := slices.ContainsFunc(after, func(m Mode) bool { return m.Was != 0 })
	for i, a := range before {
		for j, b := range after {
			if !valid(a) || !valid(b) {
				continue
			}
			if told {
				if b.Was == i+1 {
					pairs = append(pairs, pair{i, j, 0})
				}
				continue
			}
			reach := math.Max(decayConstant/math.Pi/math.Min(a.T60S, b.T60S)/2, 3*math.Hypot(a.StandardHz, b.StandardHz))
			if d := math.Abs(b.Hz-a.Hz) / reach; d <= 1 {
				pairs = append(pairs, pair{i, j, math.Hypot(d, (b.LevelDB-a.LevelDB)/12)})
			}
		}
	}
	slices.SortStableFunc(pairs, func(a, b pair) int { return cmp.Compare(a.distance, b.distance) })
	usedA, usedB := make([]bool, len(before)), make([]bool, len(after))
	var out []ModeChange
	for _, p := range pairs {
		if usedA[p.a] || usedB[p.b] {
			continue
		}
		usedA[p.a], usedB[p.b] = true, true
		out = append(out, ModeChange{Before: &before[p.a], After: &after[p.b]})
	}
	for i := range before {
		if !usedA[i] && valid(before[i]) {
			out = append(out, ModeChange{Before: &before[i]})
		}
	}
	for i := range after {
		if !usedB[i] && valid(after[i]) {
			out = append(out, ModeChange{After: &after[i]})
		}
	}
	slices.SortStableFunc(out, func(a, b ModeChange) int { return cmp.Compare(a.Hz(), b.Hz()) })
	return out
}

// noiseError is the standard error of a decay time that noise causes:
// T·c·10^(−(R−r)/20)/√(B·T), where R is by how much the decay curve falls until
// the noise takes over and r how much of a fall is evaluated. The form was found,
// and c so set that hardly a band scatters more, by measuring the model room
// twelve times each with noise at six levels. (Seats, and positions a little
// apart, scatter far more: for those it does not stand.)
func noiseError(b decay.Band, quantity string, seconds float64) float64 {
	c, fall := 1.8, 25.0
	switch quantity {
	case "T30":
		c, fall = 1.3, 35
	case "EDT":
		c, fall = 6, 10
	}
	return seconds * c * scale.Amplitude(fall-b.RangeDB) / math.Sqrt(b.BandwidthHz()*seconds)
}

// bandName names a band for matching and for sentences: "63 Hz octave".
func bandName(b decay.Band) string {
	if b.NominalHz == 0 { // no octave's part
		return "whole range"
	}
	return strconv.FormatFloat(b.NominalHz, 'f', -1, 64) + " Hz " + b.Width.String()
}
