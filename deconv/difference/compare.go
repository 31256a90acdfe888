package difference

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"roomsonde/sweep/scale"
)

// Result is what lies between two takes, after less before.
type Result struct {
	// Hz, DifferenceDB, UncertaintyDB, StandardDB, BeforeDB, AfterDB and OK belong
	// together: one entry per point of the grid over the range that both takes can
	// be read in. Where OK is false one of them cannot be read: the
	// difference means nothing there, and its uncertainty is 20 dB.
	//
	// BeforeDB and AfterDB are the levels as compared: smoothed, without the
	// noise's power, AfterDB matched. UncertaintyDB holds for all points at once
	// with the confidence of the result; StandardDB is one standard error of
	// a point.
	Hz, DifferenceDB, UncertaintyDB, StandardDB []float64
	BeforeDB, AfterDB                           []float64
	OK                                          []bool

	FromHz, ToHz         float64 // the range that both can be read in
	FromReason, ToReason string
	OffsetDB             float64 // was added to the take after, to match levels; 0 without a match
	OffsetStandardDB     float64 // its standard error
	Smoothing            float64 // 1/Smoothing octave
	Confidence           float64 // that nothing at all is told to have changed where nothing did
	Factor               float64 // standard deviations in UncertaintyDB
	RepeatabilityAssumed bool    // no takes have shown yet how well they repeat

	Bands  []BandChange  // third-octave bands, lowest first
	Peaks  []Peak        // all peaks and dips of either take, changed or not, lowest first
	Decays []DecayChange // decay per band, in the order of the take before
	Modes  []ModeChange  // lowest first

	// Changes are what can be told beyond the uncertainty, the plainest first.
	// Empty when nothing can.
	Changes []Change
	Remarks []string // what else is worth knowing, in plain sentences
}

// BandChange is the change of the mean power in a band.
type BandChange struct {
	scale.Band
	BeforeDB, AfterDB, DifferenceDB, UncertaintyDB float64
	Changed                                        bool // beyond the uncertainty
}

// Kind says what a change is a change of.
type Kind string

// The kinds of change.
const (
	PeakChange  Kind = "peak"  // a peak of the response
	DipChange   Kind = "dip"   // a dip of the response
	RangeChange Kind = "range" // a range in which the level is another
	LevelChange Kind = "level" // the level of all of it
	TiltChange  Kind = "tilt"  // the slope of all of it
	ShelfChange Kind = "shelf" // the level of all below a frequency, against all above it
	DecayShift  Kind = "decay" // the decay of a band
	ModeDecay   Kind = "mode decay"
	ModeShift   Kind = "mode frequency"
)

// Change is one thing that changed beyond the uncertainty.
type Change struct {
	Kind Kind
	// What became of a peak or dip, as Peak has it; "" for other kinds.
	What What
	Name string // of a decay's band, "" otherwise
	// Hz is where: of a peak or dip its top, of a range the point of the largest
	// change, of a shelf its middle; 0 for level and tilt.
	Hz float64
	// FromHz and ToHz bound it: of a peak or dip where it is at half its height.
	FromHz, ToHz float64
	// Before and After are heights of peaks and depths of dips in dB, mean levels
	// of a range in dB, decay times in s, frequencies of modes in Hz. Level, tilt
	// and shelf have none. Those of a peak or dip are over one and the same place
	// beside it, so that they compare.
	Before, After float64
	// BeforeHeightDB and AfterHeightDB are a peak's or dip's HeightDB in each take
	// by itself; 0 where it is not to be found.
	BeforeHeightDB, AfterHeightDB float64
	// BeforeDoubtful and AfterDoubtful tell which decay time is not to be relied on.
	BeforeDoubtful, AfterDoubtful bool
	// Difference is the change and Uncertainty what it may be off, at the
	// confidence of the result: in Unit.
	Difference, Uncertainty float64
	Unit                    string // "dB", "dB/octave", "s", "Hz"
	// LargestDB is the largest change inside a range, at Hz.
	LargestDB float64
}

// weight is how much of a change is certain, in steps that are about as plain to a
// listener: 1 dB, a twentieth of a decay time (ISO 3382-1:2009, annex A; from
// memory), a hundredth of a frequency (our own).
func (c Change) weight() float64 {
	certain := math.Abs(c.Difference) - c.Uncertainty
	switch c.Unit {
	case "s":
		return certain / (0.05 * c.Before)
	case "Hz":
		return certain / (0.01 * c.Before)
	case "dB/octave":
		return certain * math.Log2(c.ToHz/c.FromHz) / 2
	}
	return certain
}

// Compare returns what changed from one take to another of the same source at
// the same seat. Whether they are that, the caller knows. The takes are not
// changed.
//
// Errors: *InputError for takes without a response and for options that contradict
// themselves, *NothingSharedError where there is nothing that both can be read in.
func Compare(before, after Take, o Options) (*Result, error) {
	return compare(before, after, o, 1)
}

// CompareEach compares each of the later takes with the first. The confidence is
// that of all the comparisons together.
func CompareEach(first Take, later []Take, o Options) ([]*Result, error) {
	out := make([]*Result, len(later))
	for i, t := range later {
		var err error
		if out[i], err = compare(first, t, o, len(later)); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// The shares of the risk: of points, peaks and ranges; of bands and broad
// changes; of decays and modes.
const (
	riskOfPoints = 0.5
	riskOfBands  = 0.25
	riskOfDecays = 0.25
)

func compare(before, after Take, o Options, comparisons int) (*Result, error) {
	o, err := o.resolve()
	if err != nil {
		return nil, err
	}
	s, err := share([]Take{before, after}, o)
	if err != nil {
		return nil, err
	}
	n := len(s.hz)
	risk := (1 - o.Confidence) / float64(comparisons)
	r := &Result{
		Hz: s.hz, DifferenceDB: make([]float64, n), UncertaintyDB: make([]float64, n), StandardDB: make([]float64, n),
		BeforeDB: make([]float64, n), AfterDB: make([]float64, n), OK: s.ok,
		FromHz: s.fromHz, ToHz: s.toHz, FromReason: s.fromReason, ToReason: s.toReason,
		OffsetDB: s.offset[1], OffsetStandardDB: s.offsetStandard[1],
		Smoothing: o.Smoothing, Confidence: o.Confidence,
		RepeatabilityAssumed: !o.Repeatability.Known(),
		Remarks:              s.remarks,
	}
	// Points, and as many heights of peaks and dips at the very most.
	q := quantilesOf(2*n, risk*riskOfPoints)
	r.Factor = q.normal()
	for i, hz := range s.hz {
		a, b := s.levels[0][i], s.levels[1][i]
		repeat := o.Repeatability.At(hz)
		r.BeforeDB[i], r.AfterDB[i] = s.db(0, i), s.db(1, i)
		r.DifferenceDB[i] = r.AfterDB[i] - r.BeforeDB[i]
		r.StandardDB[i] = math.Min(mostUncertainDB, math.Sqrt(square(a.standardDB())+square(b.standardDB())+2*repeat*repeat+square(r.OffsetStandardDB)))
		r.UncertaintyDB[i] = math.Max(leastDB, apart(a, b, repeat, r.OffsetStandardDB, q))
		if r.UncertaintyDB[i] >= mostUncertainDB {
			r.OK[i] = false
		}
		if !r.OK[i] {
			r.UncertaintyDB[i], r.StandardDB[i] = mostUncertainDB, mostUncertainDB
		}
	}
	broad := r.compareBands(s, risk*riskOfBands)
	r.comparePeaks(o, broad)
	r.compareRanges(broad)
	r.compareDecays(before, after, o, risk*riskOfDecays)
	if r.RepeatabilityAssumed {
		r.Remarks = append(r.Remarks, fmt.Sprintf("How well takes repeat here is not known yet; a standard deviation of %.1f dB was assumed.", AssumedDB))
	}
	if n := o.Repeatability.Takes; n > 0 && n < 3 {
		r.Remarks = append(r.Remarks, fmt.Sprintf("How well takes repeat here is known from %d takes only.", n))
	}
	slices.SortStableFunc(r.Changes, func(a, b Change) int { return cmp.Compare(b.weight(), a.weight()) })
	return r, nil
}

// compareBands compares third-octave bands, looks for a broad change that
// explains all of them, and returns it as dB at a frequency.
func (r *Result) compareBands(s *shared, risk float64) func(hz float64) float64 {
	bands, levels := s.bands()
	q := quantilesOf(len(bands)+4, risk) // and the figures of the broad change
	var x, y, u []float64
	for i, b := range bands {
		before, after := levels[0][i], levels[1][i]
		if !before.ok || !after.ok {
			continue
		}
		repeat := s.o.Repeatability.At(b.MidHz)
		c := BandChange{Band: b, BeforeDB: before.db() + s.offset[0], AfterDB: after.db() + s.offset[1]}
		c.DifferenceDB = c.AfterDB - c.BeforeDB
		c.UncertaintyDB = math.Max(leastDB, apart(before, after, repeat, r.OffsetStandardDB, q))
		c.Changed = math.Abs(c.DifferenceDB) > c.UncertaintyDB
		r.Bands = append(r.Bands, c)
		x, y = append(x, math.Log2(b.MidHz)), append(y, c.DifferenceDB)
		u = append(u, c.UncertaintyDB)
	}
	changes, broad := explain(x, y, u)
	for _, c := range changes {
		c.FromHz, c.ToHz = r.FromHz, r.ToHz
		r.Changes = append(r.Changes, c)
	}
	return broad
}

// leastDB is the least uncertainty of a level: what the noise leaves of it is
// often less than what converters and rounding do (our own).
const leastDB = 0.02

// compareRanges tells of ranges in which the level changed beyond the uncertainty
// and beyond what the broad change explains, except where a peak or dip that
// changed has told of it already.
func (r *Result) compareRanges(broad func(float64) float64) {
	told := slices.Clone(r.Changes)
	// What is left of the difference that the broad change does not explain; 0
	// where the level is what it was, whatever happened to the rest.
	left := make([]float64, len(r.Hz))
	for i, hz := range r.Hz {
		left[i] = unexplained(r.DifferenceDB[i], broad(hz), r.UncertaintyDB[i])
	}
	covered := func(from, to float64, up bool) bool {
		return slices.ContainsFunc(told, func(c Change) bool {
			if c.Kind != PeakChange && c.Kind != DipChange {
				return false
			}
			rises := (c.Difference > 0) == (c.Kind == PeakChange)
			return rises == up && c.Hz >= from && c.Hz <= to && math.Log2(to/from) < 1
		})
	}
	for i := 0; i < len(r.Hz); {
		if !r.OK[i] || math.Abs(left[i]) <= r.UncertaintyDB[i] {
			i++
			continue
		}
		up := left[i] > 0
		j := i
		for j < len(r.Hz) && r.OK[j] && (left[j] > 0) == up && math.Abs(left[j]) > r.UncertaintyDB[j] {
			j++
		}
		if !covered(r.Hz[i], r.Hz[j-1], up) {
			r.Changes = append(r.Changes, r.rangeOf(i, j, left))
		}
		i = j
	}
	// Bands in which the change is too small for single points, but not for
	// their mean.
	for i := 0; i < len(r.Bands); {
		b := r.Bands[i]
		rest := func(b BandChange) float64 { return unexplained(b.DifferenceDB, broad(b.MidHz), b.UncertaintyDB) }
		if math.Abs(rest(b)) <= b.UncertaintyDB {
			i++
			continue
		}
		up := rest(b) > 0
		j := i + 1
		for j < len(r.Bands) && r.Bands[j-1].HighHz > r.Bands[j].LowHz*(1-1e-6) && (rest(r.Bands[j]) > 0) == up && math.Abs(rest(r.Bands[j])) > r.Bands[j].UncertaintyDB {
			j++
		}
		from, to := b.LowHz, r.Bands[j-1].HighHz
		same := func(c Change) bool { // has it been told?
			if c.Kind == PeakChange || c.Kind == DipChange {
				return c.Hz >= from && c.Hz <= to
			}
			return c.Kind == RangeChange && c.FromHz <= to && c.ToHz >= from && (c.Difference > 0) == up
		}
		if !slices.ContainsFunc(r.Changes, same) {
			c := Change{Kind: RangeChange, FromHz: from, ToHz: to, Unit: "dB"}
			var before, after float64
			for _, b := range r.Bands[i:j] {
				before += b.BeforeDB / float64(j-i)
				after += b.AfterDB / float64(j-i)
				c.Uncertainty = math.Max(c.Uncertainty, b.UncertaintyDB)
				if math.Abs(b.DifferenceDB) > math.Abs(c.LargestDB) {
					c.LargestDB, c.Hz = b.DifferenceDB, b.MidHz
				}
			}
			c.Before, c.After, c.Difference = before, after, after-before
			r.Changes = append(r.Changes, c)
		}
		i = j
	}
}

// unexplained returns what a broad change leaves of a difference: 0 unless there is
// a difference beyond its uncertainty, in the direction of what is left.
func unexplained(difference, broad, uncertainty float64) float64 {
	left := difference - broad
	if math.Abs(difference) <= uncertainty || (left > 0) != (difference > 0) {
		return 0
	}
	return left
}

// rangeOf tells of the points from i to before j.
func (r *Result) rangeOf(i, j int, left []float64) Change {
	c := Change{Kind: RangeChange, FromHz: r.Hz[i], ToHz: r.Hz[j-1], Unit: "dB"}
	count := float64(j - i)
	var largest, uncertain float64
	for n := i; n < j; n++ {
		c.Before += r.BeforeDB[n] / count
		c.After += r.AfterDB[n] / count
		uncertain += r.UncertaintyDB[n] / count // as if all erred alike
		if math.Abs(left[n]) > largest {
			largest = math.Abs(left[n])
			c.Hz, c.LargestDB = r.Hz[n], r.DifferenceDB[n]
		}
	}
	c.Difference, c.Uncertainty = c.After-c.Before, uncertain
	return c
}
