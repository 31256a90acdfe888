package difference

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"roomsonde/sweep/scale"
)

// Spread is several takes side by side, as of one source at several seats. All
// slices have one entry per point of the grid.
type Spread struct {
	Hz []float64
	// OK is false where one of the takes cannot be read: the figures mean nothing
	// there.
	OK []bool
	// MeanDB is the level of the mean power, 10·lg(1/n·Σ|H|²). Phases have no
	// part in it.
	MeanDB              []float64
	LowestDB, HighestDB []float64 // of any take
	RangeDB             []float64 // HighestDB − LowestDB
	// StandardDB is the standard deviation of the takes' levels in dB, n − 1 in
	// its denominator; 0 for a single take.
	StandardDB []float64
	LevelsDB   [][]float64 // [take][point], as compared
	OffsetsDB  []float64   // added to each take to match levels; 0 without a match

	FromHz, ToHz         float64 // the range that all can be read in
	FromReason, ToReason string
	Takes                int
	Remarks              []string
}

// Average returns the mean power of takes and how far they spread around it, on
// their common grid. Errors are those of Compare.
func Average(takes []Take, o Options) (*Spread, error) {
	o, err := o.resolve()
	if err != nil {
		return nil, err
	}
	if len(takes) == 0 {
		return nil, &InputError{"there is no take to average", "give at least one"}
	}
	s, err := share(takes, o)
	if err != nil {
		return nil, err
	}
	n := len(s.hz)
	line := func() []float64 { return make([]float64, n) }
	out := &Spread{Hz: s.hz, OK: s.ok, MeanDB: line(), LowestDB: line(), HighestDB: line(), RangeDB: line(), StandardDB: line(),
		OffsetsDB: s.offset, FromHz: s.fromHz, ToHz: s.toHz, FromReason: s.fromReason, ToReason: s.toReason, Takes: len(takes), Remarks: s.remarks}
	for range takes {
		out.LevelsDB = append(out.LevelsDB, line())
	}
	count := float64(len(takes))
	for i := range n {
		var power, sum float64
		low, high := math.Inf(1), math.Inf(-1)
		for t := range takes {
			db := s.db(t, i)
			out.LevelsDB[t][i] = db
			power += scale.Power(db) / count
			sum += db / count
			low, high = math.Min(low, db), math.Max(high, db)
		}
		var squares float64
		for t := range takes {
			squares += square(out.LevelsDB[t][i] - sum)
		}
		out.MeanDB[i], out.LowestDB[i], out.HighestDB[i], out.RangeDB[i] = scale.PowerDB(power), low, high, high-low
		if len(takes) > 1 {
			out.StandardDB[i] = math.Sqrt(squares / (count - 1))
		}
	}
	return out, nil
}

// Likeness is how alike several loudspeakers are at one seat.
type Likeness struct {
	Bands []BandLikeness // third-octave bands, lowest first
	// Apart are the ranges in which one loudspeaker stands out from the others,
	// the largest departure first.
	Apart                []Apart
	OffsetsDB            []float64 // added to each take to match levels; 0 without a match
	FromHz, ToHz         float64   // the range that all can be read in
	FromReason, ToReason string
	Remarks              []string
}

// BandLikeness is one band of several loudspeakers.
type BandLikeness struct {
	scale.Band
	// LevelsDB holds each loudspeaker's level; DeparturesDB each one's departure
	// from the target, or, without one, from the median of all.
	LevelsDB, DeparturesDB []float64
	SpreadDB               float64 // highest less lowest
	// Farthest is the loudspeaker that lies farthest from the median of the
	// others, counted from 0, and FarthestDB by how much; −1 and 0 for fewer than
	// three, of which neither stands out from the other. UncertaintyDB is what
	// FarthestDB may be off at the confidence asked for, all bands together.
	Farthest                  int
	FarthestDB, UncertaintyDB float64
}

// Apart is a range in which one loudspeaker stands out.
type Apart struct {
	Take         int // counted from 0
	FromHz, ToHz float64
	DB           float64 // mean departure from the median of the others
	LargestDB    float64 // the largest in a band
	LargestHz    float64 // nominal frequency of that band
}

// ApartDB is how far a loudspeaker must lie from the median of the others in a
// third-octave band to stand out: the 2 dB within which ITU-R BS.1116-3 wants the
// channels alike from 250 Hz to 2 kHz (from memory; the document was not read),
// here at all frequencies.
const ApartDB = 2

// Alike tells how alike loudspeakers are, in third-octave bands. target is the
// curve aimed at in dB, to be tied to the measured level by its caller; nil: none.
// It is called for mid-band frequencies. Errors are those of Compare.
func Alike(takes []Take, target func(hz float64) float64, o Options) (*Likeness, error) {
	o, err := o.resolve()
	if err != nil {
		return nil, err
	}
	if len(takes) < 2 {
		return nil, &InputError{fmt.Sprintf("%d loudspeaker cannot be compared with others", len(takes)), "measure at least two"}
	}
	s, err := share(takes, o)
	if err != nil {
		return nil, err
	}
	out := &Likeness{OffsetsDB: s.offset, FromHz: s.fromHz, ToHz: s.toHz, FromReason: s.fromReason, ToReason: s.toReason, Remarks: s.remarks}
	bands, levels := s.bands()
	q := quantilesOf(len(bands)*len(takes), 1-o.Confidence)
	for i, band := range bands {
		b := BandLikeness{Band: band, Farthest: -1}
		usable := true
		for n := range takes {
			usable = usable && levels[n][i].ok
			b.LevelsDB = append(b.LevelsDB, levels[n][i].db()+s.offset[n])
		}
		if !usable {
			continue
		}
		all := median(b.LevelsDB, -1)
		low, high := math.Inf(1), math.Inf(-1)
		for n, db := range b.LevelsDB {
			aim := all
			if target != nil {
				aim = target(band.MidHz)
			}
			b.DeparturesDB = append(b.DeparturesDB, db-aim)
			low, high = math.Min(low, db), math.Max(high, db)
			if d := db - median(b.LevelsDB, n); len(takes) > 2 && math.Abs(d) > math.Abs(b.FarthestDB) {
				b.Farthest, b.FarthestDB = n, d
			}
		}
		b.SpreadDB = high - low
		if b.Farthest >= 0 {
			// The median of the others is no less sure than the least sure of them.
			worst := level{power: 1, ok: true}
			for n := range takes {
				if n != b.Farthest && levels[n][i].standardDB() > worst.standardDB() {
					worst = levels[n][i]
				}
			}
			shared := 0.0
			for n := range takes {
				shared = math.Max(shared, s.offsetStandard[n])
			}
			b.UncertaintyDB = math.Max(leastDB, apart(levels[b.Farthest][i], worst, o.Repeatability.At(band.MidHz), shared, q))
		}
		out.Bands = append(out.Bands, b)
	}
	out.findApart()
	return out, nil
}

// findApart joins neighbouring bands in which the same loudspeaker stands out in
// the same direction.
func (l *Likeness) findApart() {
	stands := func(b BandLikeness) bool {
		return b.Farthest >= 0 && math.Abs(b.FarthestDB) > ApartDB && math.Abs(b.FarthestDB) > b.UncertaintyDB
	}
	for i := 0; i < len(l.Bands); {
		first := l.Bands[i]
		if !stands(first) {
			i++
			continue
		}
		a := Apart{Take: first.Farthest, FromHz: first.LowHz}
		j := i
		for ; j < len(l.Bands); j++ {
			b := l.Bands[j]
			if !stands(b) || b.Farthest != a.Take || (b.FarthestDB > 0) != (first.FarthestDB > 0) || j > i && b.LowHz > a.ToHz*(1+1e-6) {
				break
			}
			a.ToHz = b.HighHz
			a.DB += b.FarthestDB
			if math.Abs(b.FarthestDB) > math.Abs(a.LargestDB) {
				a.LargestDB, a.LargestHz = b.FarthestDB, b.NominalHz
			}
		}
		a.DB /= float64(j - i)
		l.Apart = append(l.Apart, a)
		i = j
	}
	slices.SortStableFunc(l.Apart, func(a, b Apart) int { return cmp.Compare(math.Abs(b.LargestDB), math.Abs(a.LargestDB)) })
}

// median returns the median of values, but for one of them (−1: of all).
func median(values []float64, without int) float64 {
	rest := make([]float64, 0, len(values))
	for i, v := range values {
		if i != without {
			rest = append(rest, v)
		}
	}
	slices.Sort(rest)
	return (rest[(len(rest)-1)/2] + rest[len(rest)/2]) / 2
}
