package difference

import (
	"cmp"
	"math"
	"slices"
)

// What became of a peak or a dip.
type What string

// What may become of it.
const (
	Went   What = "went"   // it was there before, and is not there any more
	Came   What = "came"   // it is there now, and was not before
	Stayed What = "stayed" // it is there in both takes, perhaps higher or lower than it was
)

// Extremum is a peak or a dip of one take.
type Extremum struct {
	Hz      float64
	LevelDB float64 // at its top or bottom
	// HeightDB is by how much it stands above the higher of the lowest points
	// on either side, up to an octave away or to where the curve is higher than it
	// (the prominence); of a dip how deep it lies, likewise.
	HeightDB float64
	// FromHz and ToHz are where it has half of HeightDB.
	FromHz, ToHz float64
}

// WidthHz and WidthOctaves are the distance from FromHz to ToHz.
func (e Extremum) WidthHz() float64 { return e.ToHz - e.FromHz }

// WidthOctaves is that distance in octaves.
func (e Extremum) WidthOctaves() float64 { return math.Log2(e.ToHz / e.FromHz) }

// Peak is a peak or a dip with what became of it.
type Peak struct {
	Dip  bool
	What What
	// Before and After are it in the two takes; nil where it is not to be found.
	Before, After *Extremum
	// BeforeDB and AfterDB are its heights (of a dip, its depths) over one and the
	// same place beside it, so that they compare; where it is not to be found,
	// what the curve has in its place. ChangeDB is AfterDB − BeforeDB, and
	// UncertaintyDB what that may be off at the confidence of the result.
	BeforeDB, AfterDB       float64
	ChangeDB, UncertaintyDB float64
	Changed                 bool // beyond the uncertainty, and not only what is beside it
}

// Hz is where it is, or was.
func (p Peak) Hz() float64 {
	if p.After != nil {
		return p.After.Hz
	}
	return p.Before.Hz
}

// Dips returns the dips of one take, the deepest first: each what Compare finds of
// it, whatever the other take is, in so far as both can be read over the same range.
// So the depth of a dip, its HeightDB, is one thing everywhere. Of o the least
// height, the range and the smoothing count. Errors are those of Compare.
func Dips(t Take, o Options) ([]Extremum, error) {
	t.Decays, t.Modes = nil, nil
	// Held against itself a take has peaks and dips, and no change.
	o.Repeatability = Repeats(0)
	o.MatchFromHz, o.MatchToHz = 0, 0
	r, err := Compare(t, t, o)
	if err != nil {
		return nil, err
	}
	var out []Extremum
	for _, p := range r.Peaks {
		if p.Dip && p.Before != nil {
			out = append(out, *p.Before)
		}
	}
	slices.SortStableFunc(out, func(a, b Extremum) int { return cmp.Compare(b.HeightDB, a.HeightDB) })
	return out, nil
}

// A peak that was LeastHeightDB high is still there while it is this high.
const stillDB = 1

// comparePeaks finds the peaks and dips of both takes and what became of them.
func (r *Result) comparePeaks(o Options, broad func(hz float64) float64) {
	last := len(r.Hz)
	for last > 0 && r.Hz[last-1] > o.PeaksToHz {
		last--
	}
	for start := 0; start < last; {
		if !r.OK[start] {
			start++
			continue
		}
		end := start
		for end < last && r.OK[end] {
			end++
		}
		for _, dip := range []bool{false, true} {
			r.comparePeaksOf(start, end, dip, o, broad)
		}
		start = end
	}
	slices.SortStableFunc(r.Peaks, func(a, b Peak) int { return cmp.Compare(a.Hz(), b.Hz()) })
	for _, p := range r.Peaks {
		if !p.Changed {
			continue
		}
		c := Change{Kind: PeakChange, What: p.What, Hz: p.Hz(), Difference: p.ChangeDB, Uncertainty: p.UncertaintyDB, Unit: "dB"}
		if p.Dip {
			c.Kind = DipChange
		}
		e := p.After
		if e == nil {
			e = p.Before
		}
		c.FromHz, c.ToHz = e.FromHz, e.ToHz
		c.Before, c.After = p.BeforeDB, p.AfterDB
		if p.Before != nil {
			c.BeforeHeightDB = p.Before.HeightDB
		}
		if p.After != nil {
			c.AfterHeightDB = p.After.HeightDB
		}
		r.Changes = append(r.Changes, c)
	}
}

// extremum is an Extremum with the points that it is made of.
type extremum struct {
	Extremum
	top, base int
}

// comparePeaksOf looks at the points from start to before end.
func (r *Result) comparePeaksOf(start, end int, dip bool, o Options, broad func(hz float64) float64) {
	upright := func(db []float64) []float64 {
		out := slices.Clone(db[start:end])
		if dip {
			for i := range out {
				out[i] = -out[i]
			}
		}
		return out
	}
	curves := [2][]float64{upright(r.BeforeDB), upright(r.AfterDB)}
	var found [2][]extremum
	for n, y := range curves {
		found[n] = peaksOf(r.Hz[start:end], y, min(stillDB, o.LeastHeightDB), o.PerOctave)
		if dip {
			for i := range found[n] {
				found[n][i].LevelDB *= -1
			}
		}
	}
	// own tells whether a change of height is that of the peak, and not of the dip
	// that it is measured from: whether the top moved more than the base, against
	// what happened to all of the curve.
	own := func(topBefore, topAfter, base int) bool {
		sign := 1.0
		if dip {
			sign = -1
		}
		top := curves[1][topAfter] - curves[0][topBefore] - sign*broad(r.Hz[start+topAfter])
		foot := curves[1][base] - curves[0][base] - sign*broad(r.Hz[start+base])
		return math.Abs(top) >= math.Abs(foot)
	}
	// Pair what lies near enough, the nearest first.
	type pair struct {
		a, b     int
		distance float64
	}
	var pairs []pair
	for i, a := range found[0] {
		for j, b := range found[1] {
			near := math.Min(1.0/3, math.Max(1.0/12, math.Max(a.WidthOctaves(), b.WidthOctaves())/2))
			if d := math.Abs(math.Log2(b.Hz / a.Hz)); d <= near && math.Max(a.HeightDB, b.HeightDB) >= o.LeastHeightDB {
				pairs = append(pairs, pair{i, j, d})
			}
		}
	}
	slices.SortStableFunc(pairs, func(a, b pair) int { return cmp.Compare(a.distance, b.distance) })
	used := [2]map[int]bool{{}, {}}
	for _, p := range pairs {
		if used[0][p.a] || used[1][p.b] {
			continue
		}
		used[0][p.a], used[1][p.b] = true, true
		a, b := found[0][p.a], found[1][p.b]
		peak := Peak{Dip: dip, What: Stayed, Before: &a.Extremum, After: &b.Extremum}
		tops := []int{a.top, b.top}
		// Over the same base in both takes, that of the one or of the other: a
		// prominence by itself jumps when the deeper of two neighbours changes by
		// a hair. The smaller change counts.
		for n, base := range []int{a.base, b.base} {
			before, after := curves[0][a.top]-curves[0][base], curves[1][b.top]-curves[1][base]
			if change := after - before; n == 0 || math.Abs(change) < math.Abs(peak.ChangeDB) {
				peak.BeforeDB, peak.AfterDB, peak.ChangeDB = before, after, change
				peak.UncertaintyDB = math.Hypot(r.most(start, tops), r.most(start, []int{base}))
				peak.Changed = own(a.top, b.top, base)
			}
		}
		r.add(peak)
	}
	// What is left over was, or is, in one take only.
	for n, what := range []What{Went, Came} {
		for i, e := range found[n] {
			if used[n][i] || e.HeightDB < o.LeastHeightDB {
				continue
			}
			p := Peak{Dip: dip, What: what}
			p.BeforeDB, p.AfterDB = curves[0][e.top]-curves[0][e.base], curves[1][e.top]-curves[1][e.base]
			if what == Went {
				p.Before = &e.Extremum
			} else {
				p.After = &e.Extremum
			}
			p.ChangeDB = p.AfterDB - p.BeforeDB
			p.UncertaintyDB = math.Hypot(r.UncertaintyDB[start+e.top], r.UncertaintyDB[start+e.base])
			p.Changed = own(e.top, e.top, e.base)
			r.add(p)
		}
	}
}

// add judges a peak by its uncertainty, and keeps it. A peak of one take that the
// other lacks by no more than the uncertainty is called one that stayed. Changed
// says already whether the peak itself changed.
func (r *Result) add(p Peak) {
	p.Changed = p.Changed && math.Abs(p.ChangeDB) > p.UncertaintyDB
	if !p.Changed {
		p.What = Stayed
	}
	r.Peaks = append(r.Peaks, p)
}

// most returns the largest uncertainty between the points.
func (r *Result) most(start int, points []int) float64 {
	u := 0.0
	for i := slices.Min(points); i <= slices.Max(points); i++ {
		u = math.Max(u, r.UncertaintyDB[start+i])
	}
	return u
}

// peaksOf returns the peaks of y over hz that are at least so high.
func peaksOf(hz, y []float64, least float64, perOctave int) []extremum {
	var out []extremum
	for i := 1; i+1 < len(y); i++ {
		if !(y[i] > y[i-1]) {
			continue
		}
		ahead := i // past a plateau
		for ahead+1 < len(y) && y[ahead+1] == y[i] {
			ahead++
		}
		if ahead+1 == len(y) || y[ahead+1] > y[i] {
			continue
		}
		top := (i + ahead) / 2
		left, right := top, top
		for j := top; j >= max(0, top-perOctave) && y[j] <= y[top]; j-- {
			if y[j] < y[left] {
				left = j
			}
		}
		for j := top; j <= min(len(y)-1, top+perOctave) && y[j] <= y[top]; j++ {
			if y[j] < y[right] {
				right = j
			}
		}
		base := left
		if y[right] > y[left] {
			base = right
		}
		height := y[top] - y[base]
		if height < least {
			continue
		}
		e := extremum{Extremum{Hz: hz[top], LevelDB: y[top], HeightDB: height}, top, base}
		half := y[top] - height/2
		lo, hi := top, top
		for lo > left && y[lo] > half {
			lo--
		}
		for hi < right && y[hi] > half {
			hi++
		}
		e.FromHz, e.ToHz = crossing(hz, y, lo, lo+1, half), crossing(hz, y, hi, hi-1, half)
		out = append(out, e)
		i = ahead
	}
	return out
}

// crossing returns where between the points low and high the curve has the
// level, straight over the logarithm of frequency.
func crossing(hz, y []float64, low, high int, level float64) float64 {
	if y[low] >= level || y[high] <= y[low] {
		return hz[low]
	}
	t := (level - y[low]) / (y[high] - y[low])
	return hz[low] * math.Pow(hz[high]/hz[low], t)
}
