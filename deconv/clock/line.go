package clock

import "math"

// line finds origin, skew and jumps from the places of the marks.
func (t *Timing) line() {
	var found []Mark
	for _, m := range t.Marks {
		if m.Found {
			found = append(found, m)
		}
	}
	if len(found) == 0 {
		return
	}
	type interval struct {
		played, recorded, sigma float64
		whole                   bool
	}
	var all []interval
	for i := 1; i < len(found); i++ {
		a, b := found[i-1], found[i]
		all = append(all, interval{float64(b.Segment.Start - a.Segment.Start), b.At - a.At, math.Hypot(a.StdErr, b.StdErr), false})
	}
	// The intervals that agree with most of the others are whole; where that
	// leaves a choice, those of the smallest skew.
	votes, skew := 0, 0.0
	var chosen []bool
	for _, k := range all {
		e := k.played/k.recorded - 1
		if !(math.Abs(e) <= most) {
			continue
		}
		agree := make([]bool, len(all))
		count := 0
		for j, other := range all {
			sigma := math.Hypot(other.sigma, k.sigma*other.played/k.played)
			agree[j] = other == k || math.Abs(other.recorded-other.played/(1+e)) <= math.Max(0.5, 6*sigma)
			if agree[j] {
				count++
			}
		}
		if count > votes || count == votes && math.Abs(e) < math.Abs(skew) {
			votes, skew, chosen = count, e, agree
		}
	}
	for j := range chosen {
		all[j].whole = chosen[j]
	}
	if votes > 0 {
		t.Known = true
		t.Skew, t.SkewStdErr = slope(found, chosen)
	}
	for j, k := range all {
		if k.whole {
			continue
		}
		t.Jumps = append(t.Jumps, Jump{
			From: found[j].Segment.Start + found[j].Segment.Frames, To: found[j+1].Segment.Start,
			Frames: k.recorded - k.played/(1+t.Skew),
			StdErr: math.Hypot(k.sigma, k.played*t.SkewStdErr),
		})
	}
	// The origin: of the marks before the first jump.
	var sum, weights float64
	for j, m := range found {
		if j > 0 && !all[j-1].whole {
			break
		}
		w := 1 / (m.StdErr*m.StdErr + 1e-12)
		sum += w * (m.At - float64(m.Segment.Start)/(1+t.Skew))
		weights += w
	}
	t.Origin = sum / weights
}

// slope returns the skew, and its standard error, of the straight lines through
// the marks, one line for each stretch of whole intervals, all of one slope.
func slope(found []Mark, whole []bool) (skew, stdErr float64) {
	const least = 1e-6 // frames: rounding
	var sxx, sxy float64
	type point struct{ x, y, w float64 }
	var points []point
	for from := 0; from < len(found); {
		to := from + 1
		for to < len(found) && whole[to-1] {
			to++
		}
		var w, mx, my float64
		for _, m := range found[from:to] {
			v := 1 / (m.StdErr*m.StdErr + least*least)
			w, mx, my = w+v, mx+v*float64(m.Segment.Start), my+v*m.At
		}
		for _, m := range found[from:to] {
			p := point{float64(m.Segment.Start) - mx/w, m.At - my/w, 1 / (m.StdErr*m.StdErr + least*least)}
			sxx += p.w * p.x * p.x
			sxy += p.w * p.x * p.y
			points = append(points, p)
		}
		from = to
	}
	b := sxy / sxx // recorded frames per frame played, 1/(1+δ)
	variance := 1 / sxx
	// Where the marks scatter more than their noise says, believe the scatter.
	lines := 1
	for _, w := range whole {
		if !w {
			lines++
		}
	}
	if freedom := len(points) - lines - 1; freedom > 0 {
		var chi float64
		for _, p := range points {
			chi += p.w * (p.y - b*p.x) * (p.y - b*p.x)
		}
		variance *= math.Max(1, chi/float64(freedom))
	}
	skew = 1/b - 1
	return skew, math.Sqrt(variance) * (1 + skew)
}
