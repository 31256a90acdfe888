package reading

import (
	"fmt"
	"math"

	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/deconv/modes"
)

// Modes this far below the strongest are hardly heard beside it, in dB.
const weakDB = 20

// CutDB is the cut that readings of a mode speak of.
const CutDB = 6

// Ringing says of the modes of a take which rings longest, whether the highest
// peak of the bass is a mode, and what a filter would make of it. levels are the
// modes' levels in dB as the response has them.
func Ringing(m *measurement.Measurement, found *modes.Result, levels []float64) []string {
	longest := Longest(found.Modes, levels)
	if longest < 0 {
		return []string{"No mode was found that stands out of the noise."}
	}
	out := []string{rings(found.Modes, longest)}
	peak, height, ok := highest(m)
	if !ok {
		return append(out, lowering(found.Modes[longest]))
	}
	at := Nearest(found.Modes, levels, peak)
	switch {
	case at < 0:
		out = append(out, fmt.Sprintf("The highest peak of the bass, %.1f dB over its mean at %s, is none of these modes.", height, chart.Hz(peak)))
	case at == longest:
		out = append(out, fmt.Sprintf("The highest peak of the bass, %.1f dB over its mean at %s, is that mode.", height, chart.Hz(peak)))
	default:
		out = append(out, fmt.Sprintf("The highest peak of the bass, %.1f dB over its mean at %s, is another one: the %s at %s, which takes %s.", height, chart.Hz(peak), name(found.Modes[at]), hz(found.Modes[at]), Seconds(found.Modes[at])))
		return append(out, lowering(found.Modes[at]))
	}
	return append(out, lowering(found.Modes[longest]))
}

// rings says how long a mode rings, beside its neighbours.
func rings(all []modes.Mode, i int) string {
	m := all[i]
	s := fmt.Sprintf("The %s at %s rings longest: %s to fall by 60 dB", name(m), hz(m), Seconds(m))
	var sum float64
	count := 0
	for _, j := range []int{i - 1, i + 1} {
		if j >= 0 && j < len(all) {
			sum += all[j].DecayS
			count++
		}
	}
	switch {
	case count == 0:
		return s + "."
	case m.DecayS*float64(count) < 1.1*sum:
		return s + fmt.Sprintf(", hardly longer than beside it (%.2f s).", sum/float64(count))
	}
	return s + fmt.Sprintf(", %.1f times as long as beside it (%.2f s).", m.DecayS/(sum/float64(count)), sum/float64(count))
}

// lowering says what a filter would make of a mode.
func lowering(m modes.Mode) string {
	if m.Kind == modes.Group {
		return fmt.Sprintf("Between %s and %s lie several modes that the measurement does not tell apart: no single filter meets them.", chart.Hz(m.FromHz), chart.Hz(m.ToHz))
	}
	f := m.Cut(CutDB)
	s := fmt.Sprintf("A peaking filter of −%d dB at %.1f Hz with a Q of %.1f would lower it by as much and shorten it to %.2f s.", CutDB, f.Hz, f.Q, f.DecayS)
	if !f.Meets {
		s += " But it is not known well enough for that: with a frequency or a Q that is off, the ringing stays."
	}
	return s
}

func name(m modes.Mode) string {
	if m.Kind == modes.Group {
		return "group of modes"
	}
	return "mode"
}

func hz(m modes.Mode) string {
	if m.Hz90 >= 1 {
		return fmt.Sprintf("%.0f Hz", m.Hz)
	}
	return fmt.Sprintf("%.1f Hz", m.Hz)
}

// Seconds writes a mode's decay time with what it may be off.
func Seconds(m modes.Mode) string {
	return fmt.Sprintf("%.2f s (± %.2f s)", m.DecayS, m.DecayS90)
}

// Longest returns the mode that rings longest among those that are strong enough
// to be heard, -1 where there is none.
func Longest(all []modes.Mode, levels []float64) int {
	best, top := -1, math.Inf(-1)
	for _, l := range levels {
		top = math.Max(top, l)
	}
	for i, m := range all {
		if levels[i] >= top-weakDB && (best < 0 || m.DecayS > all[best].DecayS) {
			best = i
		}
	}
	return best
}

// Nearest returns the mode whose peak a peak of the response at a frequency is:
// within half its width, and strong; -1 where there is none.
func Nearest(all []modes.Mode, levels []float64, at float64) int {
	best := -1
	for i, m := range all {
		reach := math.Max(m.BandwidthHz(), 0.5)
		if at < m.FromHz-reach || at > m.ToHz+reach {
			continue
		}
		if best < 0 || levels[i] > levels[best] {
			best = i
		}
	}
	return best
}

// highest returns the highest peak of the response between 20 and 200 Hz, and how
// far it stands above the mean there.
func highest(m *measurement.Measurement) (at, height float64, ok bool) {
	from, to := math.Max(20, m.Readable.FromHz), math.Min(200, m.Readable.ToHz)
	if !m.Readable.OK || to < 1.5*from {
		return 0, 0, false
	}
	levels := m.Smoothed(48)
	var sum, weight float64
	best := -1
	for i, hz := range m.Hz {
		if hz < from || hz > to || !m.Readable.Contains(hz) {
			continue
		}
		sum += levels[i] / hz
		weight += 1 / hz
		if best < 0 || levels[i] > levels[best] {
			best = i
		}
	}
	if best < 0 {
		return 0, 0, false
	}
	return m.Hz[best], levels[best] - sum/weight, true
}
