package chart

import (
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Change answers "What did the change do?": two responses over each other, and
// below them the difference with what it may be off. Only what lies outside the
// grey band around zero is a change; there the difference is drawn strong and a
// bar at the foot of the panel marks it.
type Change struct {
	Title    string // "": "What did the change do?"
	Subtitle string // the takes, and what was changed

	Before, After Curve // their names are "before" and "after" unless given

	// DifferenceDB is after less before at Hz (rising), UncertaintyDB what it may
	// be off, 0 or more. Where Blank is set nothing is known; nil: nowhere.
	Hz, DifferenceDB, UncertaintyDB []float64
	Blank                           []bool
	Confidence                      string // of the uncertainty, as in "19 times in 20"; "": not named

	Smoothing, Reference string  // as in Response
	FromHz, ToHz         float64 // as in Response
}

// The two takes of a comparison, wherever they meet: the later one is blue.
var (
	afterStroke  = stroke{colour: blue}
	beforeStroke = stroke{vermillion, []vg.Length{9, 3}}
)

var (
	unsureTint = color.RGBA{229, 229, 227, 255}
	unsureEdge = draw.LineStyle{Color: frameGrey, Width: 0.75}
)

type changeDrawing struct {
	*severalDrawing
	difference  series
	uncertainty []float64
	confidence  string
	reach       float64   // of the axis of the difference, from -reach to reach
	floor       vg.Length // bottom of the lower panel, once it is drawn
}

// Render implements View. It needs a size that is not flat: the default is
// 1600 x 1200 pixels here.
func (v Change) Render(w io.Writer, f Format, size ...Size) error {
	d, err := v.resolve()
	if err != nil {
		return err
	}
	if len(size) == 0 || len(size) == 1 && size[0] == (Size{}) {
		size = []Size{{1600, 1200}}
	}
	return render(w, f, size, d.title, d.alt(), func(c draw.Canvas) {
		d.body(heading(c, d.title, d.subtitle, d.foot))
	})
}

// Page implements Paged. The curves are 0, after, and 1, before; the panel is that
// of the responses.
func (v Change) Page(o PageOptions) (*Page, error) {
	d, err := v.resolve()
	if err != nil {
		return nil, err
	}
	d.hidden, d.noEnds, d.page = o.Hidden, o.NoEnds, true
	if o.Width == 0 && o.Height == 0 {
		o.Width, o.Height = layoutWidth, 560
	}
	p, err := newPage(o, d.title, d.alt(), func(c draw.Canvas) vg.Rectangle {
		return d.body(draw.Crop(c, 2, -2, 4, -2))
	})
	if err != nil {
		return nil, err
	}
	p.FromHz, p.ToHz, p.Low, p.High = d.from, d.to, d.bottom, d.top
	p.Floor = o.Height - d.floor.Points()
	return p, nil
}

func (v Change) resolve() (*changeDrawing, error) {
	after, before := v.After, v.Before
	after.Name, before.Name = orElse(after.Name, "after"), orElse(before.Name, "before")
	s, err := Several{
		Title: orElse(v.Title, "What did the change do?"), Subtitle: v.Subtitle,
		Curves: []Curve{after, before}, Smoothing: v.Smoothing, Reference: v.Reference,
		FromHz: v.FromHz, ToHz: v.ToHz,
	}.resolve(2)
	if err != nil {
		return nil, err
	}
	s.curves[0].stroke, s.curves[1].stroke = afterStroke, beforeStroke
	d := &changeDrawing{severalDrawing: s, confidence: clean(v.Confidence)}
	fs, vs, err := checkCurve("difference", v.Hz, v.DifferenceDB)
	if err != nil {
		return nil, err
	}
	_, us, err := checkCurve("uncertainty of the difference", v.Hz, v.UncertaintyDB)
	if err != nil {
		return nil, err
	}
	for i, u := range us {
		if u < 0 {
			return nil, &DataError{What: "uncertainty of the difference", Why: fmt.Sprintf("it is %g dB at %s", u, Hz(fs[i]))}
		}
	}
	blank := v.Blank
	if blank != nil {
		if len(blank) != len(v.Hz) {
			return nil, &DataError{What: "difference", Why: fmt.Sprintf("%d points but %d marks of what is not known", len(v.Hz), len(blank))}
		}
		blank = blank[len(blank)-len(fs):] // without 0 Hz
	}
	d.difference, d.uncertainty = series{name: "after less before", hz: fs, db: vs, blank: blank}, us
	most := 0.0
	for i, hz := range fs {
		if hz >= d.from && hz <= d.to && (blank == nil || !blank[i]) {
			most = math.Max(most, math.Abs(limit(vs[i])))
		}
	}
	d.reach = 6
	for most+changeAirDB > d.reach && d.reach < 48 {
		d.reach += 3 * math.Max(1, math.Floor(d.reach/12))
	}
	d.fit()
	return d, nil
}

// known reports whether the difference is known at hz.
func (d *changeDrawing) known(hz float64) bool {
	s := d.difference
	i, found := slices.BinarySearch(s.hz, hz)
	if s.blank == nil {
		return true
	}
	return i < len(s.blank) && !s.blank[i] && (found || i > 0 && !s.blank[i-1])
}

// changeAirDB is what is left free over and under the difference, for words.
const changeAirDB = 3

// fit lets the level axis reach from the highest to the lowest level that can be
// read, at least leastSpanDB and at most widestSpanDB. Here the two curves are to be
// told apart, and a room below them would only press them together.
func (d *changeDrawing) fit() {
	low := math.Inf(1)
	for _, cv := range d.curves {
		for _, part := range cv.cut(d.band(cv)) {
			for i, hz := range part[0] {
				if d.known(hz) {
					low = math.Min(low, limit(part[1][i]))
				}
			}
		}
	}
	if math.IsInf(low, 1) { // nothing can be read
		return
	}
	const leastSpanDB = 20
	d.bottom = math.Floor((low-1)/responseStepDB) * responseStepDB
	d.bottom = math.Max(d.top-widestSpanDB, math.Min(d.top-leastSpanDB, d.bottom))
}

func (d *changeDrawing) alt() string {
	s := d.severalDrawing.alt() + " Below, the difference, after less before."
	stretches := d.beyond()
	if len(stretches) == 0 {
		return s + " Nowhere does it leave its uncertainty."
	}
	var all []string
	for i, r := range stretches {
		if i == 8 {
			all = append(all, fmt.Sprintf("and %d more", len(stretches)-i))
			break
		}
		all = append(all, fmt.Sprintf("%s to %s (%s dB)", Hz(r.from), Hz(r.to), signed(r.most, 1, true)))
	}
	return s + " It leaves its uncertainty from " + strings.Join(all, ", ") + "."
}

// stretch is a range of frequencies in which the difference is beyond its
// uncertainty; most is the value farthest from zero.
type stretch struct {
	from, to, most float64
	first, last    int // points
}

func (d *changeDrawing) beyond() (all []stretch) {
	s := d.difference
	side := 0.0
	for i, hz := range s.hz {
		v := s.db[i]
		if hz < d.from || hz > d.to || s.blank != nil && s.blank[i] || !(math.Abs(v) > d.uncertainty[i]) {
			side = 0
			continue
		}
		if math.Copysign(1, v) != side {
			side = math.Copysign(1, v)
			all = append(all, stretch{hz, hz, v, i, i})
			continue
		}
		r := &all[len(all)-1]
		r.to, r.last = hz, i
		if math.Abs(v) > math.Abs(r.most) {
			r.most = v
		}
	}
	return all
}

// body draws the two panels one above the other, and returns the upper one.
func (d *changeDrawing) body(c draw.Canvas) vg.Rectangle {
	const share = 0.4 // of the lower panel
	lower := c
	lower.Max.Y = c.Min.Y + (c.Max.Y-c.Min.Y)*share
	upper := c
	upper.Min.Y = lower.Max.Y + 10
	rect := d.severalDrawing.body(upper)

	right := "grey: may be off"
	if d.confidence != "" {
		right = "grey: chance, " + d.confidence
	}
	if !d.page { // a page has room to say it below
		right += " · bar: more"
	}
	lower = caption(lower, "dB, after less before: above 0 it is louder now", right)
	const labelHeight, axisHeight = 21, 30
	step := 3.0
	for vg.Length(2*d.reach/step)*labelHeight > lower.Max.Y-lower.Min.Y-axisHeight {
		step *= 2
	}
	// Steps count from zero.
	low := -math.Floor(d.reach/step+1e-9) * step
	p := panel(true, [2]float64{d.from, d.to}, [2]float64{-d.reach, d.reach}, roomyTicks(d.from, d.to, rect.Max.X-rect.Min.X),
		stepTicks(low, -low, step/2, step, func(v float64) string { return signed(v, 0, true) }))
	// Both panels begin and end at the same x.
	data := p.DataCanvas(lower)
	lower.Min.X += rect.Min.X - data.Min.X
	lower.Max.X += rect.Max.X - data.Max.X
	p.Add(plotterFunc(d.unsure), grid{}, plotterFunc(d.change))
	p.Draw(lower)
	d.floor = p.DataCanvas(lower).Min.Y
	return rect
}

// unsure shades the uncertainty around zero.
func (d *changeDrawing) unsure(c draw.Canvas, p *plot.Plot) {
	u := d.difference
	u.db = d.uncertainty
	for _, part := range u.cut(d.from, d.to) {
		low := make([]float64, len(part[1]))
		for i, v := range part[1] {
			low[i] = -v
		}
		a, b := makeTrace(&c, p, part[0], low), makeTrace(&c, p, part[0], part[1])
		ring := slices.Clone(b)
		slices.Reverse(ring)
		if pts := c.ClipPolygonXY(append(slices.Clone(a), ring...)); len(pts) > 2 {
			c.FillPolygon(unsureTint, pts)
		}
		strokeTrace(&c, unsureEdge, a)
		strokeTrace(&c, unsureEdge, b)
	}
}

func (d *changeDrawing) change(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	c.StrokeLine2(draw.LineStyle{Color: frameGrey, Width: 1}, c.Min.X, y(0), c.Max.X, y(0))
	for _, part := range d.difference.cut(d.from, d.to) {
		strokeTrace(&c, draw.LineStyle{Color: ink, Width: 1}, makeTrace(&c, p, part[0], part[1]))
	}
	const foot, bar = 5, 4
	pl := &placer{area: c.Rectangle}
	for _, part := range d.difference.cut(d.from, d.to) {
		pl.traces = append(pl.traces, makeTrace(&c, p, part[0], part[1]))
	}
	stretches := d.beyond()
	for _, r := range stretches {
		first, last := max(r.first-1, 0), min(r.last+1, len(d.difference.hz)-1)
		from := math.Max(math.Sqrt(d.difference.hz[first]*d.difference.hz[r.first]), d.from)
		to := math.Min(math.Sqrt(d.difference.hz[last]*d.difference.hz[r.last]), d.to)
		strong := d.difference
		for _, part := range strong.cut(from, to) {
			strokeTrace(&c, draw.LineStyle{Color: ink, Width: 2.6}, makeTrace(&c, p, part[0], part[1]))
		}
		left, right := x(from), x(to)
		if right-left < 3 {
			left, right = (left+right)/2-1.5, (left+right)/2+1.5
		}
		c.FillPolygon(ink, rectPoints(vg.Rectangle{Min: vg.Point{X: left, Y: c.Min.Y + foot}, Max: vg.Point{X: right, Y: c.Min.Y + foot + bar}}))
	}
	pl.taken = append(pl.taken, vg.Rectangle{Min: c.Min, Max: vg.Point{X: c.Max.X, Y: c.Min.Y + foot + bar + 3}})
	frame(c)
	// The largest changes say how large, where there is room.
	slices.SortStableFunc(stretches, func(a, b stretch) int {
		switch x, y := math.Abs(a.most), math.Abs(b.most); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	sty := textStyle(noteSize, ink, true, draw.XCenter, draw.YCenter)
	for i, r := range stretches {
		if i == 8 {
			break
		}
		at := r.first
		for k := r.first; k <= r.last; k++ {
			if d.difference.db[k] == r.most {
				at = k
			}
		}
		text := fmt.Sprintf("%s at %s", signed(r.most, 1, true), Hz(d.difference.hz[at]))
		w, h := spareWidth*sty.Width(text), lineHeight(sty)
		centre := x(d.difference.hz[at])
		best, least := vg.Rectangle{}, 30.0
		// Beyond the curve or, where that is full, on the other side of zero.
		for _, beyond := range []bool{true, false} {
			from, cost := r.most, 0.0
			if !beyond {
				from, cost = math.Copysign(d.uncertainty[at], -r.most), 4
			}
			for _, dy := range []vg.Length{4, 10, 18} {
				for _, dx := range []vg.Length{0, 12, -12, 26, -26, w/2 + 8, -w/2 - 8} {
					bottom := y(from) + dy
					if from < 0 {
						bottom = y(from) - dy - h
					}
					q := rectAt(centre-w/2+dx, bottom, w, h)
					if cost := cost + pl.cost(q) + math.Abs(float64(dx))/8 + float64(dy)/4; cost < least {
						best, least = q, cost
					}
				}
			}
		}
		if least < 10 {
			pl.taken = append(pl.taken, best)
			middle(&c, sty, vg.Point{X: (best.Min.X + best.Max.X) / 2, Y: (best.Min.Y + best.Max.Y) / 2}, text)
		}
	}
}
