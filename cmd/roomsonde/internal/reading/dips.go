package reading

import (
	"fmt"
	"math"

	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/deconv/difference"
)

// How deep a dip is at least that is worth a word, in dB, and where, in Hz: above,
// single ones belong to reflections and change when a head moves.
const (
	leastDipDB = 6
	dipsFromHz = 20
	dipsToHz   = 300
)

// Dip is a dip of the response, as package difference finds them: so what is said
// of one take and what is said of two is the same.
type Dip struct {
	Hz, DepthDB  float64 // below what is beside it
	FromHz, ToHz float64 // where it has half its depth

	m *measurement.Measurement // that it is of; nil: not known
}

// Dips returns the dips of the bass that are worth a word, the deepest first.
func Dips(m *measurement.Measurement) []Dip {
	if !m.Readable.OK {
		return nil
	}
	all, err := difference.Dips(difference.Take{Response: m.Response, Noise: m.Noise, Readable: m.Readable}, difference.Options{})
	if err != nil {
		return nil
	}
	var out []Dip
	for _, e := range all {
		if e.Hz >= dipsFromHz && e.Hz <= dipsToHz && e.HeightDB >= leastDipDB {
			out = append(out, Dip{e.Hz, e.HeightDB, e.FromHz, e.ToHz, m})
		}
	}
	return out
}

// DeepestDip says in a sentence which dip is deepest; empty where there is none.
func DeepestDip(dips []Dip) string {
	if len(dips) == 0 {
		return ""
	}
	d := dips[0]
	s := fmt.Sprintf("The deepest dip of the bass lies at %s: %.0f dB below what is beside it, %s wide. No filter should fill it: 10 dB more take ten times the power.", chart.Hz(d.Hz), d.DepthDB, chart.Hz(d.ToHz-d.FromHz))
	return s
}

// Around is what is known about the place of a dip.
type Around struct {
	ModesHz     []float64 // the room's modes as found, rising
	CrossoverHz float64   // where loudspeaker and subwoofers meet; 0: not known
	Several     bool      // the source is more than one loudspeaker or subwoofer
	Here        Elsewhere // this take itself
	Elsewhere   []Elsewhere
}

// Elsewhere is the same place of the response in another take of the same source.
type Elsewhere struct {
	Seat   string
	Take   int
	Hz, DB []float64 // its response, smoothed
	FromHz float64   // of what may be read
	ToHz   float64
}

// WhyDip says what a dip may come from, the best supported first, each with what
// would tell it from the others.
func WhyDip(d Dip, around Around) []string {
	var out []string
	// What other seats say is evidence; the rest is possible.
	var gone, stays []string
	here, told := around.Here.depth(d)
	for _, e := range around.Elsewhere {
		depth, ok := e.depth(d)
		switch {
		case !ok || !told:
		case depth < 0.3*here:
			gone = append(gone, fmt.Sprintf("%s (take %d: %.1f dB)", e.Seat, e.Take, math.Max(0, depth)))
		case depth > 0.7*here:
			stays = append(stays, fmt.Sprintf("%s (take %d: %.1f dB)", e.Seat, e.Take, depth))
		}
	}
	switch {
	case len(gone) > 0 && len(stays) == 0:
		out = append(out, "It is not there at "+list(gone)+": it belongs to this seat, as the null of a mode or a reflection from near the seat does.")
	case len(stays) > 0 && len(gone) == 0:
		out = append(out, "It is there at "+list(stays)+" too: it belongs to the source and where it stands, rather than to the seat.")
	case len(gone) > 0:
		out = append(out, "It is there at "+list(stays)+", and not at "+list(gone)+".")
	}
	// A reflection that fits is evidence, too.
	w := d.boundary(around)
	if w.heard != nil {
		out = append(out, w.sentence(d))
	}
	if around.CrossoverHz > 0 && d.Hz > around.CrossoverHz/math.Sqrt2 && d.Hz < math.Sqrt2*around.CrossoverHz && around.Several {
		out = append(out, fmt.Sprintf("The crossover at %s is near, where loudspeaker and subwoofer play together and may work against each other. Measure each alone: if neither has the dip, delay or polarity would mend it.", chart.Hz(around.CrossoverHz)))
	} else if around.Several && d.Hz < 200 {
		out = append(out, "Several sources play, and may work against each other. Measure each alone: if none has the dip, delay or polarity would mend it.")
	}
	below, above := 0.0, 0.0
	for _, hz := range around.ModesHz {
		if hz <= d.Hz {
			below = hz
		} else if above == 0 {
			above = hz
		}
	}
	switch {
	case below > 0 && above > 0 && above < 1.5*below:
		out = append(out, fmt.Sprintf("It lies between the modes at %.1f and %.1f Hz, whose sounds may cancel at this seat, or this seat may lie on a mode's null. Measure half a metre away: then the dip changes its depth, and hardly its frequency.", below, above))
	case d.Hz < 200:
		out = append(out, "This seat may lie on the null of a room mode. Measure half a metre away: then the dip changes its depth, and hardly its frequency.")
	}
	if s := w.sentence(d); s != "" && w.heard == nil {
		out = append(out, s)
	}
	return out
}

// depth returns how deep the other take is at the place of a dip: its lowest level
// within the dip's width, below the lower of the highest levels within half an
// octave on either side; false where it cannot be read there.
func (e Elsewhere) depth(d Dip) (float64, bool) {
	if d.FromHz/math.Sqrt2 < e.FromHz || d.ToHz*math.Sqrt2 > e.ToHz || len(e.Hz) == 0 {
		return 0, false
	}
	inside, left, right := math.Inf(1), math.Inf(-1), math.Inf(-1)
	for i, hz := range e.Hz {
		switch {
		case hz >= d.FromHz && hz <= d.ToHz:
			inside = math.Min(inside, e.DB[i])
		case hz >= d.FromHz/math.Sqrt2 && hz < d.FromHz:
			left = math.Max(left, e.DB[i])
		case hz > d.ToHz && hz <= d.ToHz*math.Sqrt2:
			right = math.Max(right, e.DB[i])
		}
	}
	if math.IsInf(inside, 1) || math.IsInf(left, -1) || math.IsInf(right, -1) {
		return 0, false
	}
	return math.Min(left, right) - inside, true
}
