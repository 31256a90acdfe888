// Package lowpass says how a signal falls behind the low-pass of a crossover, and
// up to where the response of a source behind it is read.
//
// With x = f/corner and an order n:
//
//	Butterworth:     |H| = 1/√(1+x^2n), −3.01 dB at its corner
//	Linkwitz-Riley:  |H| = 1/(1+x^n), n even, −6.02 dB at its corner
//
// A Linkwitz-Riley filter of order n is two Butterworth filters of order n/2 in
// series (S. H. Linkwitz, J. Audio Eng. Soc. 24(1), 1976; from memory). Both fall
// by 6.02·n dB per octave far above the corner, which the trade calls 6n.
package lowpass

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"roomsonde/sweep/scale"
)

// Family is a family of filters.
type Family string

// The families.
const (
	LinkwitzRiley Family = "linkwitz-riley"
	Butterworth   Family = "butterworth"
)

// Filter is a low-pass without its corner frequency. The zero value is the usual
// one of home theatre, Linkwitz-Riley of order 4 (common practice, no source).
type Filter struct {
	Family Family `json:"family,omitempty"` // "": LinkwitzRiley
	Order  int    `json:"order,omitempty"`  // 0: 4
}

// orders lists what there is of each family.
var orders = map[Family][]int{
	LinkwitzRiley: {2, 4, 8},
	Butterworth:   {1, 2, 3, 4, 6, 8},
}

// Filters lists all low-passes that there are, Linkwitz-Riley first.
func Filters() []Filter {
	var all []Filter
	for _, f := range []Family{LinkwitzRiley, Butterworth} {
		for _, n := range orders[f] {
			all = append(all, Filter{f, n})
		}
	}
	return all
}

// FilterError says that there is no such low-pass.
type FilterError struct {
	What string // as it was written or given
}

func (e *FilterError) Error() string { return fmt.Sprintf("lowpass: there is no low-pass %q", e.What) }

// Hint lists those that there are.
func (e *FilterError) Hint() string {
	var names []string
	for _, f := range Filters() {
		names = append(names, f.short())
	}
	return "give a slope in dB per octave, as 24, or one of " + strings.Join(names, ", ")
}

// Resolved returns f with its defaults filled in. It fails with *FilterError.
func (f Filter) Resolved() (Filter, error) {
	if f.Family == "" {
		f.Family = LinkwitzRiley
	}
	if f.Order == 0 {
		f.Order = 4
	}
	if !slices.Contains(orders[f.Family], f.Order) {
		return f, &FilterError{fmt.Sprintf("%s of order %d", f.Family, f.Order)}
	}
	return f, nil
}

// BySlope returns the filter of a family ("": Linkwitz-Riley) that falls by so many
// dB per octave, 6 to the order. It fails with *FilterError.
func BySlope(family Family, dbPerOctave float64) (Filter, error) {
	if family == "" {
		family = LinkwitzRiley
	}
	for _, n := range orders[family] {
		if math.Abs(dbPerOctave-6*float64(n)) <= 0.5 {
			return Filter{family, n}, nil
		}
	}
	return Filter{}, &FilterError{fmt.Sprintf("%s of %g dB per octave", family, dbPerOctave)}
}

var form = regexp.MustCompile(`^(?:(linkwitz[- ]?riley|lr|butterworth|bw)[ -]*)?(\d{1,3})(?: *db(?: *(?:/|per) *oct(?:ave)?)?)?$`)

// Parse reads a low-pass as people write it: "24", "24 dB", "LR24", "BW12",
// "linkwitz-riley 48 dB per octave", "Butterworth 18 dB/oct". The number is the
// slope in dB per octave, not the order; without a family it is
// Linkwitz-Riley, or Butterworth where that alone has the slope. "" is the zero
// Filter. It fails with *FilterError.
func Parse(text string) (Filter, error) {
	if strings.TrimSpace(text) == "" {
		return Filter{}, nil
	}
	m := form.FindStringSubmatch(strings.ToLower(strings.TrimSpace(text)))
	if m == nil {
		return Filter{}, &FilterError{text}
	}
	slope, _ := strconv.Atoi(m[2]) // three digits at most
	families := []Family{LinkwitzRiley, Butterworth}
	switch {
	case strings.HasPrefix(m[1], "l"):
		families = families[:1]
	case m[1] != "":
		families = families[1:]
	}
	for _, family := range families {
		if slope%6 == 0 && slices.Contains(orders[family], slope/6) {
			return Filter{family, slope / 6}, nil
		}
	}
	return Filter{}, &FilterError{text}
}

// short is how Parse reads it: "LR24".
func (f Filter) short() string {
	name := "LR"
	if f.Family == Butterworth {
		name = "BW"
	}
	return name + strconv.Itoa(6*f.Order)
}

// String names the filter: "Linkwitz-Riley, 24 dB per octave".
func (f Filter) String() string {
	g, err := f.Resolved()
	if err != nil {
		return fmt.Sprintf("%s of order %d", f.Family, f.Order)
	}
	name := "Linkwitz-Riley"
	if g.Family == Butterworth {
		name = "Butterworth"
	}
	return fmt.Sprintf("%s, %d dB per octave", name, 6*g.Order)
}

// SlopeDB returns by how many dB per octave f falls, as the trade says it: 6 to the
// order.
func (f Filter) SlopeDB() float64 {
	if g, err := f.Resolved(); err == nil {
		f = g
	}
	return 6 * float64(f.Order)
}

// MagnitudeDB returns the filter's magnitude in dB at hz behind a corner at cornerHz,
// against its pass-band. A filter that Resolved refuses, or a corner that is not
// above 0, falls nowhere: 0 dB.
func (f Filter) MagnitudeDB(hz, cornerHz float64) float64 {
	f, err := f.Resolved()
	if err != nil || !(cornerHz > 0) || !(hz > 0) {
		return 0
	}
	power := 1 + math.Pow(hz/cornerHz, float64(2*f.Order))
	if f.Family == LinkwitzRiley {
		power = math.Pow(1+math.Pow(hz/cornerHz, float64(f.Order)), 2)
	}
	return math.Max(scale.FloorDB, -10*math.Log10(power))
}

// ReadingEndHz returns where the reading of a source behind a low-pass ends: half an
// octave above its corner, 113 Hz of 80 (common practice, no source). Above it the
// loudspeakers play, and a response measured without them says nothing of
// the whole.
func ReadingEndHz(cornerHz float64) float64 { return cornerHz * math.Sqrt2 }
