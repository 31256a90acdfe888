package target

import (
	"fmt"
	"math"

	"roomsonde/sweep/scale"
)

// Recommendation is a published tolerance for the level of a loudspeaker in a
// listening room, in bands, about the mean level over a range. It is made for
// control rooms and listening tests; a living room that stays within it is a very
// good one.
type Recommendation struct {
	Name   string // short, for a label
	Source string // document, edition, clause
	// Support says how the figures are known.
	Support string
	Width   scale.Width
	// MeanFromHz and MeanToHz bound the bands over whose levels the mean is taken
	// (of decibels) that the limits refer to.
	MeanFromHz, MeanToHz float64
	// Upper and Lower are the limits in dB about that mean, straight over lg f
	// between their points; there are none outside.
	Upper, Lower []Point
}

const notRead = "from memory, second-hand; the document itself was not read"

// Recommendations lists what there is, by name. The caller may change the list.
func Recommendations() []Recommendation {
	// An octave is a factor of two here: 2 kHz to 16 kHz are three of them.
	return []Recommendation{
		{
			Name:    "ITU-R BS.1116-3",
			Source:  "ITU-R BS.1116-3 (02/2015), 8.3.4.1, Figure 2: operational room response curve",
			Support: notRead, Width: scale.Third, MeanFromHz: 200, MeanToHz: 4000,
			Upper: []Point{{50, 3}, {16000, 3}},
			Lower: []Point{{50, -3}, {2000, -3}, {16000, -7.5}},
		},
		{
			Name:    "EBU Tech 3276",
			Source:  "EBU Tech 3276, 2nd edition (1998), 2.4, Figure 2: operational room response curve",
			Support: notRead, Width: scale.Third, MeanFromHz: 200, MeanToHz: 4000,
			Upper: []Point{{50, 3}, {16000, 3}},
			Lower: []Point{{50, -3}, {2000, -3}, {16000, -6}},
		},
	}
}

// RecommendationNamed returns the recommendation of a name. It fails with *Error,
// whose hint lists the names.
func RecommendationNamed(name string) (Recommendation, error) {
	known := ""
	for _, r := range Recommendations() {
		if r.Name == name {
			return r, nil
		}
		if known != "" {
			known += ", "
		}
		known += r.Name
	}
	return Recommendation{}, &Error{What: fmt.Sprintf("there is no recommendation %q", name), Do: "give one of " + known}
}

// Limits returns the limits in dB about the mean at hz, and false where there are
// none.
func (r Recommendation) Limits(hz float64) (lower, upper float64, ok bool) {
	return limit(r.Lower, hz), limit(r.Upper, hz), within(r.Lower, hz) && within(r.Upper, hz)
}

func within(curve []Point, hz float64) bool {
	// A band's exact mid-frequency may lie a little beyond its name.
	const slack = 0.02
	return len(curve) > 0 && hz >= curve[0].Hz*(1-slack) && hz <= curve[len(curve)-1].Hz*(1+slack)
}

func limit(curve []Point, hz float64) float64 {
	if len(curve) == 0 {
		return 0
	}
	return Target{Points: curve}.between(hz)
}

// Judged is one band held against a recommendation.
type Judged struct {
	scale.Band
	DB               float64 // the band's level about the mean
	LowerDB, UpperDB float64 // the limits there
	BeyondDB         float64 // by how much it lies beyond a limit: above positive, below negative, 0 within
}

// Judge holds a measured curve, hz rising and db its levels, against r. Only bands
// that lie wholly within the curve are looked at; meanDB is the mean level that
// the limits refer to. Where the curve does not cover all the bands of that mean,
// it fails with *Error.
func (r Recommendation) Judge(hz, db []float64) (meanDB float64, bands []Judged, err error) {
	if r.Width != scale.Octave && r.Width != scale.Third {
		return 0, nil, &Error{What: "the recommendation is empty", Do: "take one from Recommendations"}
	}
	all, err := Target{}.Departures(hz, db, 0, r.Width, 0, 0)
	if err != nil {
		return 0, nil, err
	}
	need := scale.Bands(r.Width, r.MeanFromHz, r.MeanToHz)
	count := 0
	for _, d := range all {
		if d.NominalHz >= r.MeanFromHz && d.NominalHz <= r.MeanToHz {
			meanDB += d.MeasuredDB / float64(len(need))
			count++
		}
	}
	if count < len(need) || count == 0 {
		return 0, nil, &Error{
			What: fmt.Sprintf("%s refers to the mean level from %g to %g Hz, but the measurement covers only %.4g to %.4g Hz", r.Name, r.MeanFromHz, r.MeanToHz, hz[0], hz[len(hz)-1]),
			Do:   "measure full-range loudspeakers; a subwoofer alone cannot be held against it"}
	}
	for _, d := range all {
		lower, upper, ok := r.Limits(d.MidHz)
		if !ok {
			continue
		}
		j := Judged{Band: d.Band, DB: d.MeasuredDB - meanDB, LowerDB: lower, UpperDB: upper}
		j.BeyondDB = math.Max(0, j.DB-upper) + math.Min(0, j.DB-lower)
		bands = append(bands, j)
	}
	return meanDB, bands, nil
}
