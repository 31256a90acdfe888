package chart

import (
	"image/color"
	"math"
	"sort"

	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// placer finds places for writing inside a panel where it covers nothing.
type placer struct {
	area   vg.Rectangle
	traces []trace
	taken  []vg.Rectangle
}

// span returns the lowest and the highest point of a trace between two x, with
// the crossings of the two edges; ok is false where the trace has none.
func (t trace) span(x0, x1 vg.Length) (lo, hi vg.Length, ok bool) {
	lo, hi = vg.Length(math.Inf(1)), vg.Length(math.Inf(-1))
	put := func(y vg.Length) {
		lo, hi, ok = min(lo, y), max(hi, y), true
	}
	first := sort.Search(len(t), func(i int) bool { return t[i].X >= x0 })
	for i := first; i < len(t); i++ {
		p := t[i]
		if p.X <= x1 {
			put(p.Y)
		}
		if i > 0 {
			for _, x := range [2]vg.Length{x0, x1} {
				if q := t[i-1]; q.X < x && p.X > x {
					put(q.Y + (p.Y-q.Y)*(x-q.X)/(p.X-q.X))
				}
			}
		}
		if p.X > x1 {
			break
		}
	}
	return lo, hi, ok
}

// covered says how much of a rectangle's width has a trace running through it,
// as a number of strips of about 6 units, from 0 up.
func (t trace) covered(r vg.Rectangle) int {
	n := 0
	const strip = 6
	for x := r.Min.X; x < r.Max.X; x += strip {
		if lo, hi, ok := t.span(x, min(x+strip, r.Max.X)); ok && lo < r.Max.Y && hi > r.Min.Y {
			n++
		}
	}
	return n
}

func overlap(a, b vg.Rectangle) bool {
	return a.Min.X < b.Max.X && b.Min.X < a.Max.X && a.Min.Y < b.Max.Y && b.Min.Y < a.Max.Y
}

// forbidden is the cost of a place that covers other writing or leaves the panel.
const forbidden = 1e6

func (pl *placer) cost(r vg.Rectangle) float64 {
	const gap = 3
	if r.Min.X < pl.area.Min.X+gap || r.Max.X > pl.area.Max.X-gap || r.Min.Y < pl.area.Min.Y+gap || r.Max.Y > pl.area.Max.Y-gap {
		return forbidden
	}
	for _, t := range pl.taken {
		if overlap(r, t) {
			return forbidden
		}
	}
	n := 0
	for _, t := range pl.traces {
		n += t.covered(r)
	}
	return float64(10 * n)
}

// clear reports whether a place covers no other writing and lies well clear of
// all traces.
func (pl *placer) clear(r vg.Rectangle) bool {
	if pl.cost(r) > 0 {
		return false
	}
	const gap = 5
	r.Min.X, r.Min.Y, r.Max.X, r.Max.Y = r.Min.X-gap, r.Min.Y-gap, r.Max.X+gap, r.Max.Y+gap
	for _, t := range pl.traces {
		if t.covered(r) > 0 {
			return false
		}
	}
	return true
}

func rectAt(x, y, w, h vg.Length) vg.Rectangle {
	return vg.Rectangle{Min: vg.Point{X: x, Y: y}, Max: vg.Point{X: x + w, Y: y + h}}
}

// besideCurve looks for a place of w by h units close above or below the trace
// own (the index in pl.traces), clear of everything, and nearer to it than to
// any other trace. Only x between from and to are tried. ok is false where
// there is no such place.
func (pl *placer) besideCurve(own int, w, h, from, to vg.Length) (vg.Rectangle, bool) {
	const gap = 4
	var at vg.Rectangle
	least := math.Inf(1)
	from, to = max(from, pl.area.Min.X+6), min(to, pl.area.Max.X-6)
	middle := (from + to) / 2
	for x := from; x+w <= to; x += 4 {
		lo, hi, ok := pl.traces[own].span(x, x+w)
		if !ok {
			continue
		}
		for _, r := range []vg.Rectangle{rectAt(x, hi+gap, w, h), rectAt(x, lo-gap-h, w, h)} {
			c := pl.cost(r)
			if c > 0 {
				continue
			}
			// Air between the writing and its curve, and the presence of
			// another curve as near as its own, both make it ambiguous.
			mlo, mhi, _ := pl.traces[own].span(x+w/2-4, x+w/2+4)
			air := float64(max(r.Min.Y-mhi, mlo-r.Max.Y))
			c += air * 0.6
			wide := vg.Rectangle{
				Min: vg.Point{X: r.Min.X - 8, Y: r.Min.Y - 14},
				Max: vg.Point{X: r.Max.X + 8, Y: r.Max.Y + 14},
			}
			for i, t := range pl.traces {
				if i != own {
					c += 6 * float64(t.covered(wide))
				}
			}
			c += math.Abs(float64(x+w/2-middle)) * 0.01
			if c < least {
				at, least = r, c
			}
		}
	}
	const good = 40
	return at, least < good
}

// veil covers the grid under writing, so that no line runs through letters.
func veil(c *draw.Canvas, r vg.Rectangle, col color.Color) {
	r.Min.X -= 2
	r.Max.X += 2
	c.FillPolygon(col, rectPoints(r))
}

// note writes lines of text into a rectangle whose size came from noteSizeOf.
func note(c *draw.Canvas, sty text.Style, r vg.Rectangle, lines []string) {
	y := r.Max.Y
	x := r.Min.X
	switch sty.XAlign {
	case draw.XRight:
		x = r.Max.X
	case draw.XCenter:
		x = (r.Min.X + r.Max.X) / 2
	}
	sty.YAlign = draw.YTop
	for _, l := range lines {
		c.FillText(sty, vg.Point{X: x, Y: y}, l)
		y -= lineHeight(sty)
	}
}

// noteSizeOf returns the width and height of lines.
func noteSizeOf(sty text.Style, lines []string) (w, h vg.Length) {
	for _, l := range lines {
		w = max(w, sty.Width(l))
	}
	return w, lineHeight(sty) * vg.Length(len(lines))
}

// balanced wraps s at width, and then as narrow as the number of lines allows,
// so that no last line has a single short word.
func balanced(sty text.Style, s string, width vg.Length, most int) []string {
	lines := wrap(sty, s, width, most)
	if len(lines) < 2 {
		return lines
	}
	for w := width - 4; w > width/2; w -= 4 {
		narrow := wrap(sty, s, w, most+1)
		if len(narrow) > len(lines) {
			break
		}
		lines = narrow
	}
	return lines
}

// middle writes s with the middle of its capitals at the height of at.
func middle(c *draw.Canvas, sty text.Style, at vg.Point, s string) {
	sty.YAlign = draw.YCenter
	c.FillText(sty, at.Add(vg.Point{Y: sty.FontExtents().Descent * 0.6}), s)
}
