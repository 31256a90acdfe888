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

// Line is something drawn over frequency that was not measured: a target, or what
// a filter lets one expect.
type Line struct {
	Name   string // as in "target: flat, +6 dB below 120 Hz"
	Hz, DB []float64
	// Of is 1 for what belongs to the first curve, 2 for the second, and comes and
	// goes with it in a page; 0: it belongs to none.
	Of int
}

// Span is a range of levels over frequency: from the lowest to the highest of
// several curves, or what a recommendation allows.
type Span struct {
	Name          string
	Hz            []float64
	LowDB, HighDB []float64 // as many; low not above high
}

// Several shows the responses of several takes over one another, each with its
// own readable band and its name at its end. Its title is the question that the
// caller asks of them.
type Several struct {
	Title    string // "": "How alike are they?"
	Subtitle string

	Curves   []Curve // one to fourteen, on a page as many as there are; the first matters most
	Readable Readable

	Target   *Line  // drawn broad and pale under the curves
	Limits   *Span  // published limits; the name says whose
	Spread   *Span  // shaded: from the lowest to the highest of the curves
	Expected []Line // drawn thin, as the fall of a low-pass

	NoiseHz, NoiseDB []float64 // as in Response

	Smoothing, Window, Reference string // as in Response

	FromHz, ToHz float64  // as in Response
	TopDB        *float64 // as in Response
	SpanDB       float64  // 0: 50, or up to 80 where curves lie far apart
}

// More curves than this are a tangle on paper.
const mostSeveral = 14

// Tints and greys of what lies under the curves; ours, without a meaning.
var (
	spreadTint = color.RGBA{226, 233, 240, 255}
	limitTint  = color.RGBA{246, 240, 224, 255}
	targetGrey = color.RGBA{168, 165, 160, 255}
)

// letters makes the colour of a curve as dark as letters on paper must be, which
// is 4.5 to 1 (WCAG 2.2, 1.4.3).
func letters(c color.RGBA) color.RGBA { return darkUntil(c, 4.5) }

// darkUntil darkens a colour until it stands out of paper by a ratio.
func darkUntil(c color.RGBA, ratio float64) color.RGBA {
	for p := 0.0; ; p += 0.05 {
		if m := mix(c, black, p); contrast(m, paper) >= ratio || p >= 1 {
			return m
		}
	}
}

// contrast is the contrast ratio of WCAG 2.2, from 1 to 21.
func contrast(a, b color.RGBA) float64 {
	luminance := func(c color.RGBA) float64 {
		part := func(v uint8) float64 {
			x := float64(v) / 255
			if x <= 0.04045 {
				return x / 12.92
			}
			return math.Pow((x+0.055)/1.055, 2.4)
		}
		return 0.2126*part(c.R) + 0.7152*part(c.G) + 0.0722*part(c.B)
	}
	x, y := luminance(a), luminance(b)
	return (math.Max(x, y) + 0.05) / (math.Min(x, y) + 0.05)
}

var (
	targetLine   = draw.LineStyle{Color: targetGrey, Width: 3.5}
	limitLine    = draw.LineStyle{Color: quiet, Width: 1, Dashes: []vg.Length{1, 2.5}}
	expectedLine = draw.LineStyle{Color: quiet, Width: 1.25, Dashes: []vg.Length{7, 2, 1.5, 2}}
)

// wideStrokeOf is strokeOf with more combinations: after the first seven, each
// colour comes back with another's dashes.
func wideStrokeOf(i int) stroke {
	n := len(strokes)
	return stroke{strokes[i%n].colour, strokes[(i+i/n)%n].dashes}
}

type severalDrawing struct {
	*spectrum
	limitName, spreadName string
	targetSeries          series
	limits, spread        [2]series
	expected              []series
	expectedOf            []int // curve, or -1
	hidden                []bool
	noEnds                bool
	page                  bool
}

// Render implements View.
func (v Several) Render(w io.Writer, f Format, size ...Size) error {
	d, err := v.resolve(mostSeveral)
	if err != nil {
		return err
	}
	return render(w, f, size, d.title, d.alt(), func(c draw.Canvas) {
		c = heading(c, d.title, d.subtitle, d.foot)
		d.body(c)
	})
}

// Page implements Paged.
func (v Several) Page(o PageOptions) (*Page, error) {
	d, err := v.resolve(math.MaxInt)
	if err != nil {
		return nil, err
	}
	d.hidden, d.noEnds, d.page = o.Hidden, o.NoEnds, true
	p, err := newPage(o, d.title, d.alt(), func(c draw.Canvas) vg.Rectangle {
		return d.body(draw.Crop(c, 2, -2, 4, -2))
	})
	if err != nil {
		return nil, err
	}
	p.FromHz, p.ToHz, p.Low, p.High = d.from, d.to, d.bottom, d.top
	return p, nil
}

func (v Several) resolve(most int) (*severalDrawing, error) {
	s, err := Response{
		Title: orElse(v.Title, "How alike are they?"), Subtitle: v.Subtitle,
		Curves: v.Curves, Readable: v.Readable, NoiseHz: v.NoiseHz, NoiseDB: v.NoiseDB,
		Smoothing: v.Smoothing, Window: v.Window, Reference: v.Reference,
		FromHz: v.FromHz, ToHz: v.ToHz, TopDB: v.TopDB, SpanDB: v.SpanDB,
	}.resolveUpTo(most)
	if err != nil {
		return nil, err
	}
	d := &severalDrawing{spectrum: s}
	for i := range s.curves {
		s.curves[i].stroke = wideStrokeOf(i)
	}
	line := func(what string, l Line) (series, error) {
		fs, vs, err := checkCurve(what, l.Hz, l.DB)
		return series{name: orElse(clean(l.Name), what), hz: fs, db: vs}, err
	}
	if v.Target != nil {
		if d.targetSeries, err = line("target", *v.Target); err != nil {
			return nil, err
		}
	}
	for i, l := range v.Expected {
		e, err := line(fmt.Sprintf("expected %d", i+1), l)
		if err != nil {
			return nil, err
		}
		if l.Of < 0 || l.Of > len(v.Curves) {
			return nil, &DataError{What: e.name, Why: fmt.Sprintf("it belongs to curve %d of %d", l.Of, len(v.Curves))}
		}
		d.expected, d.expectedOf = append(d.expected, e), append(d.expectedOf, l.Of-1)
	}
	span := func(what string, sp *Span) (out [2]series, name string, err error) {
		if sp == nil {
			return out, "", nil
		}
		for i, db := range [][]float64{sp.LowDB, sp.HighDB} {
			if out[i], err = line(what, Line{Name: sp.Name, Hz: sp.Hz, DB: db}); err != nil {
				return out, "", err
			}
		}
		for i := range out[0].db {
			if out[0].db[i] > out[1].db[i] {
				return out, "", &DataError{What: what, Why: fmt.Sprintf("its lower end lies above its upper one at %s", Hz(out[0].hz[i]))}
			}
		}
		return out, orElse(clean(sp.Name), what), nil
	}
	if d.limits, d.limitName, err = span("limits", v.Limits); err != nil {
		return nil, err
	}
	if d.spread, d.spreadName, err = span("spread", v.Spread); err != nil {
		return nil, err
	}
	if v.SpanDB == 0 {
		d.deepen()
	}
	d.foot = d.faintNotes()
	return d, nil
}

// deepen lowers the axis until it holds nearly all of what can be read: nine
// tenths of each curve.
func (d *severalDrawing) deepen() {
	const deepest = 80
	for _, cv := range d.curves {
		from, to := d.band(cv)
		var all []float64
		for _, part := range cv.cut(from, to) {
			all = append(all, part[1]...)
		}
		if len(all) == 0 {
			continue
		}
		slices.Sort(all)
		for all[len(all)/10] < d.bottom && d.top-d.bottom+responseMajorDB <= deepest {
			d.bottom -= responseMajorDB
		}
	}
}

// faintNotes says in few words where curves are faint, and why: one line for each
// reason, with the range of the ends that it gives.
func (d *severalDrawing) faintNotes() (notes []string) {
	type kind struct {
		low, none bool
		reason    string
	}
	type found struct {
		kind
		least, most float64
		owners      []int
	}
	var all []*found
	for i, cv := range d.curves {
		for _, e := range d.bandEnds(cv) {
			k := kind{e.low, e.none, e.reason}
			at := slices.IndexFunc(all, func(f *found) bool { return f.kind == k })
			if at < 0 {
				at = len(all)
				all = append(all, &found{kind: k, least: e.hz, most: e.hz})
			}
			f := all[at]
			f.least, f.most = math.Min(f.least, e.hz), math.Max(f.most, e.hz)
			f.owners = append(f.owners, i)
		}
	}
	const most = 4
	for i, f := range all {
		if i == most-1 && len(all) > most {
			return append(notes, fmt.Sprintf("not readable (faint) elsewhere for %d other reasons", len(all)-i))
		}
		at := Hz(f.least)
		if other := Hz(f.most); other != at {
			at += " to " + other
		}
		var s string
		switch {
		case f.none:
			s = "not readable (faint) throughout"
		case f.low:
			s = "not readable (faint) below " + at
		default:
			s = "not readable (faint) above " + at
		}
		if f.reason != "" {
			s += ", " + f.reason
		}
		if len(f.owners) < len(d.curves) {
			var names []string
			for _, o := range f.owners {
				names = append(names, d.curves[o].name)
			}
			who := strings.Join(names, ", ")
			if len(names) > 3 {
				who = fmt.Sprintf("%d of %d curves", len(names), len(d.curves))
			}
			s = who + " " + s
		}
		notes = append(notes, s)
	}
	return notes
}

func (d *severalDrawing) alt() string {
	var b strings.Builder
	if n := len(d.curves); n > mostSeveral {
		fmt.Fprintf(&b, "%s. Level over frequency from %s to %s; %s; %s. %d curves.", d.subtitle, Hz(d.from), Hz(d.to), d.left, d.right, n)
	} else {
		b.WriteString(d.spectrum.alt())
	}
	for _, s := range []struct{ what, name string }{{"Target", d.targetSeries.name}, {"Limits", d.limitName}, {"Shaded", d.spreadName}} {
		if s.name != "" {
			fmt.Fprintf(&b, " %s: %s.", s.what, s.name)
		}
	}
	for i, e := range d.expected {
		if !slices.ContainsFunc(d.expected[:i], func(o series) bool { return o.name == e.name }) {
			fmt.Fprintf(&b, " Expected: %s.", e.name)
		}
	}
	return b.String()
}

// named is something that has a name in the drawing: beside its line within the
// panel where it ends before the edge, or is no curve; at the right edge
// otherwise; over the panel where there is no room.
type named struct {
	series
	curve    int // or -1
	style    draw.LineStyle
	text     draw.TextStyle
	from, to float64 // where its name may stand, in Hz

	end     bool // its name stands at the right edge
	over    bool // its name stands over the panel
	at, row vg.Length
}

const (
	endLead = 16 // length of the line from a curve to its name
	endGap  = 5
)

// body draws all but the heading, and returns the panel.
func (d *severalDrawing) body(c draw.Canvas) vg.Rectangle {
	c = caption(c, d.left, d.right)
	names := d.names()
	var column vg.Length
	for _, n := range names {
		if n.end {
			column = max(column, endLead+endGap+spareWidth*n.text.Width(n.name))
		}
	}
	column = min(column, 0.27*(c.Max.X-c.Min.X))
	var spans []keyItem
	if d.limitName != "" {
		spans = append(spans, spanItem(limitTint, limitLine, d.limitName))
	}
	if d.spreadName != "" {
		spans = append(spans, spanItem(spreadTint, spreadEdge, d.spreadName))
	}
	label := func(v float64) string { return signed(v, 0, d.plusSign) }
	p := panel(true, [2]float64{d.from, d.to}, [2]float64{d.bottom, d.top},
		roomyTicks(d.from, d.to, c.Max.X-c.Min.X-max(column, 16)-36), stepTicks(d.bottom, d.top, d.minor, d.major, label))
	// What moves over the panel makes it lower, so all places are looked for again.
	inner := func(dry bool) draw.Canvas {
		items := slices.Clone(spans)
		for _, n := range names {
			if n.over {
				items = append(items, keyItem{lineSample(n.style), n.name, n.text})
			}
		}
		in := c
		if len(items) > 0 {
			in = key(in, items, dry)
		}
		in.Max.X -= max(column, 16) // room for the last label of the axis
		return in
	}
	for d.place(p.DataCanvas(inner(true)), p, names, true) {
	}
	c = inner(false)
	p.Add(plotterFunc(d.shade), plotterFunc(d.under), grid{}, plotterFunc(func(c draw.Canvas, p *plot.Plot) {
		d.lines(c, p)
		d.place(c, p, names, false)
		d.atEnds(c, p, names, column)
	}))
	p.Draw(c)
	return p.DataCanvas(c).Rectangle
}

// roomyTicks are frequencyTicks without the labels for which an axis of a width
// has no room: the ends stay, then powers of ten, then fives.
func roomyTicks(from, to float64, width vg.Length) []plot.Tick {
	ticks := frequencyTicks(from, to)
	sty := textStyle(tickSize, ink, false, 0, 0)
	type place struct{ left, right vg.Length }
	of := func(t plot.Tick) place {
		x := width * vg.Length(math.Log(t.Value/from)/math.Log(to/from))
		half := sty.Width(t.Label)/2 + 3
		return place{x - half, x + half}
	}
	var labelled []int
	for i, t := range ticks {
		if t.Label != "" {
			labelled = append(labelled, i)
		}
	}
	rank := func(i int) int {
		if i == labelled[0] || i == labelled[len(labelled)-1] {
			return 0
		}
		switch digit := ticks[i].Value / math.Pow10(int(math.Floor(math.Log10(ticks[i].Value)+1e-9))); {
		case digit < 1.5:
			return 1
		case digit > 4.5 && digit < 5.5:
			return 2
		}
		return 3
	}
	order := slices.Clone(labelled)
	slices.SortStableFunc(order, func(a, b int) int { return rank(a) - rank(b) })
	var kept []place
	for _, i := range order {
		p := of(ticks[i])
		if slices.ContainsFunc(kept, func(k place) bool { return p.left < k.right && k.left < p.right }) {
			ticks[i].Label = ""
			continue
		}
		kept = append(kept, p)
	}
	return ticks
}

var spreadEdge = draw.LineStyle{Color: frameGrey, Width: 0.75}

func spanItem(tint color.RGBA, edge draw.LineStyle, name string) keyItem {
	return keyItem{func(c *draw.Canvas, at vg.Point) {
		r := rectAt(at.X-12, at.Y-7, 24, 14)
		c.FillPolygon(tint, rectPoints(r))
		c.StrokeLine2(edge, r.Min.X, r.Min.Y, r.Max.X, r.Min.Y)
		c.StrokeLine2(edge, r.Min.X, r.Max.Y, r.Max.X, r.Max.Y)
	}, name, textStyle(noteSize, ink, false, 0, 0)}
}

// names lists what is named in the drawing.
func (d *severalDrawing) names() (all []named) {
	for i, cv := range d.curves {
		if d.noEnds && len(d.curves) > 2 || len(d.curves) == 1 && cv.name == "" {
			continue
		}
		n := named{series: cv, curve: i, style: cv.stroke.line(2), text: textStyle(noteSize, letters(cv.stroke.colour), true, draw.XLeft, draw.YCenter)}
		n.from, n.to = d.band(cv)
		n.over = d.noEnds
		n.end = !n.over && d.reachesEdge(cv)
		all = append(all, n)
	}
	add := func(s series, sty draw.LineStyle) {
		if len(s.hz) > 0 {
			all = append(all, named{series: s, curve: -1, style: sty, text: textStyle(noteSize, quiet, false, draw.XLeft, draw.YCenter), from: d.from, to: d.to})
		}
	}
	add(d.targetSeries, targetLine)
	for i, e := range d.expected {
		at := slices.IndexFunc(all, func(n named) bool { return n.curve < 0 && n.name == e.name })
		switch {
		case at >= 0: // one name for all that share it
			all[at].over = true
		default:
			add(e, expectedLine)
			if d.page && d.expectedOf[i] >= 0 && len(d.curves) > 1 {
				all[len(all)-1].over = true // it may be hidden, and another be shown
			}
		}
	}
	add(d.noise, noiseLine)
	return all
}

// reachesEdge reports whether a curve is in view at the right edge.
func (d *severalDrawing) reachesEdge(cv series) bool {
	hz, _ := d.lastSeen(cv)
	return cv.hz[0] < d.to && hz >= d.to*0.985
}

// lastSeen returns where a curve leaves the panel: after that it lies below it, or
// there is no more of it.
func (d *severalDrawing) lastSeen(cv series) (hz, db float64) {
	for i := len(cv.hz) - 1; i >= 0; i-- {
		if cv.hz[i] <= d.to && cv.db[i] >= d.bottom {
			return cv.hz[i], cv.db[i]
		}
	}
	return d.from, d.bottom
}

// afterEnd looks for a place of w by h units to the right of a point, as near to it
// as there is room.
func (pl *placer) afterEnd(at vg.Point, w, h vg.Length) (vg.Rectangle, bool) {
	const gap, farthest, step = 6, 60, 4
	for far := vg.Length(0); far <= farthest; far += step {
		for _, by := range []vg.Point{{Y: far}, {Y: -far}, {X: far}, {X: far, Y: far}, {X: far, Y: -far}} {
			r := rectAt(at.X+gap+by.X, at.Y-h/2+by.Y, w, h)
			if pl.cost(r) == 0 {
				return r, true
			}
		}
	}
	return vg.Rectangle{}, false
}

// place writes the names that stand within the panel. With dry it writes nothing,
// moves one that finds no place over the panel, and reports that.
func (d *severalDrawing) place(c draw.Canvas, p *plot.Plot, names []named, dry bool) (moved bool) {
	x, y := p.Transforms(&c)
	pl := &placer{area: c.Rectangle}
	whole := func(s series) (t trace) {
		for _, part := range s.cut(d.from, d.to) {
			t = append(t, makeTrace(&c, p, part[0], part[1])...)
		}
		return t
	}
	for i, cv := range d.curves {
		if !d.isHidden(i) {
			pl.traces = append(pl.traces, whole(cv))
		}
	}
	for i := range names {
		n := &names[i]
		if n.end || n.over {
			continue
		}
		pl.traces = append(pl.traces, whole(n.series))
		const gap = 5
		w, h := spareWidth*n.text.Width(n.name)+keySample+gap, lineHeight(n.text)
		var r vg.Rectangle
		ok := false
		if n.curve >= 0 && d.page {
			hz, db := d.lastSeen(n.series)
			r, ok = pl.afterEnd(vg.Point{X: x(math.Max(hz, d.from)), Y: y(limit(db))}, w, h)
		}
		if !ok {
			r, ok = pl.besideCurve(len(pl.traces)-1, w, h, x(math.Min(n.from, d.to)), x(math.Max(n.to, d.from)))
		}
		if !ok && d.page && n.curve >= 0 {
			continue // the page's list has its name
		}
		if !ok {
			n.over = true
			return true
		}
		pl.taken = append(pl.taken, r)
		if dry {
			continue
		}
		under := r
		under.Max.X -= n.text.Width(n.name) * (spareWidth - 1)
		mid := (r.Min.Y + r.Max.Y) / 2
		write := func() {
			veil(&c, under, d.ground(under, x))
			lineSample(n.style)(&c, vg.Point{X: r.Min.X + keySample/2, Y: mid})
			middle(&c, n.text, vg.Point{X: r.Min.X + keySample + gap, Y: mid}, n.name)
		}
		if n.curve < 0 {
			write()
		} else {
			group(&c, d.attributes("name", n.curve), write)
		}
	}
	return false
}

// under draws the shaded ranges, below the grid.
func (d *severalDrawing) under(c draw.Canvas, p *plot.Plot) {
	fill := func(s [2]series, tint color.RGBA, edge draw.LineStyle) {
		for i, low := range s[0].cut(d.from, d.to) {
			high := s[1].cut(d.from, d.to)[i]
			a, b := makeTrace(&c, p, low[0], low[1]), makeTrace(&c, p, high[0], high[1])
			ring := slices.Clone(b)
			slices.Reverse(ring)
			ring = append(slices.Clone(a), ring...)
			c.FillPolygon(tint, c.ClipPolygonXY(ring))
			strokeTrace(&c, edge, a)
			strokeTrace(&c, edge, b)
		}
	}
	fill(d.limits, limitTint, limitLine)
	fill(d.spread, spreadTint, spreadEdge)
}

// lines draws all lines, the most important curve on top.
func (d *severalDrawing) lines(c draw.Canvas, p *plot.Plot) {
	parts := func(s series, sty draw.LineStyle, from, to float64) {
		for _, part := range s.cut(from, to) {
			strokeTrace(&c, sty, makeTrace(&c, p, part[0], part[1]))
		}
	}
	parts(d.targetSeries, targetLine, d.from, d.to)
	parts(d.noise, noiseLine, d.from, d.to)
	for i, e := range d.expected {
		if d.expectedOf[i] < 0 {
			parts(e, expectedLine, d.from, d.to)
		}
	}
	for i := len(d.curves) - 1; i >= 0; i-- {
		cv := d.curves[i]
		from, to := d.band(cv)
		group(&c, d.attributes("curve", i), func() {
			for k, e := range d.expected {
				if d.expectedOf[k] == i {
					parts(e, expectedLine, d.from, d.to)
				}
			}
			if from > d.from {
				parts(cv, cv.stroke.faint(), d.from, math.Min(from, d.to))
			}
			if to < d.to {
				parts(cv, cv.stroke.faint(), math.Max(to, d.from), d.to)
			}
			parts(cv, cv.stroke.line(1.8), from, to)
		})
	}
	frame(c)
}

// atEnds writes the names at the right edge, in the order in which their curves
// end, each with a line from its curve.
func (d *severalDrawing) atEnds(c draw.Canvas, p *plot.Plot, names []named, column vg.Length) {
	_, y := p.Transforms(&c)
	var ends, shown []*named
	for i := range names {
		n := &names[i]
		if !n.end {
			continue
		}
		n.at = c.Min.Y + 1
		if all := n.cut(d.from, d.to); len(all) > 0 {
			last := all[len(all)-1][1]
			n.at = min(max(y(limit(last[len(last)-1])), c.Min.Y+1), c.Max.Y-1)
		}
		n.row = n.at
		ends = append(ends, n)
		if !d.isHidden(n.curve) {
			shown = append(shown, n)
		}
	}
	high := lineHeight(textStyle(noteSize, ink, false, 0, 0))
	spreadRows(shown, high, c.Min.Y+high/2-4, c.Max.Y-high/2+4)
	for _, n := range ends {
		group(&c, d.attributes("end", n.curve)+fmt.Sprintf(` data-end="%s" data-row="%s"`, pageY(&c, n.at), pageY(&c, n.row)), func() {
			c.StrokeLines(n.style, []vg.Point{{X: c.Max.X, Y: n.at}, {X: c.Max.X + endLead, Y: n.row}})
			left := c.Max.X + endLead + endGap
			middle(&c, n.text, vg.Point{X: left, Y: n.row}, fit(n.text, n.name, c.Max.X+column-left))
		})
	}
}

// pageY returns a height as a page has it; in a file it is not wanted.
func pageY(c *draw.Canvas, y vg.Length) string {
	if p := pageOf(c); p != nil {
		_, v := p.at(vg.Point{Y: y})
		return num(v)
	}
	return ""
}

func (d *severalDrawing) isHidden(i int) bool { return i < len(d.hidden) && d.hidden[i] }

// attributes are those of a curve's group, or of its name's.
func (d *severalDrawing) attributes(class string, i int) string {
	if d.isHidden(i) {
		class += " off"
	}
	return fmt.Sprintf(`class="%s" data-curve="%d"`, class, i)
}

// spreadRows moves names apart so that no two are nearer than high, each as near
// to its curve's end as the others let it, and all between low and top if they fit.
func spreadRows(names []*named, high, low, top vg.Length) {
	names = slices.Clone(names)
	slices.SortStableFunc(names, func(a, b *named) int {
		switch {
		case a.at > b.at:
			return -1
		case a.at < b.at:
			return 1
		}
		return 0
	})
	// Blocks of names that touch stand with their middle at the mean of what each
	// would like.
	type block struct {
		first, n int
		sum      vg.Length // of the wishes for the first row
	}
	var blocks []block
	rowOf := func(b block) vg.Length {
		return min(top, max(b.sum/vg.Length(b.n), low+high*vg.Length(b.n-1)))
	}
	for i, n := range names {
		blocks = append(blocks, block{i, 1, n.at})
		for len(blocks) > 1 {
			a, b := blocks[len(blocks)-2], blocks[len(blocks)-1]
			if rowOf(a)-high*vg.Length(a.n) >= rowOf(b) {
				break
			}
			blocks = blocks[:len(blocks)-1]
			blocks[len(blocks)-1] = block{a.first, a.n + b.n, a.sum + b.sum + high*vg.Length(a.n*b.n)}
		}
	}
	for _, b := range blocks {
		row := rowOf(b)
		for i := range b.n {
			names[b.first+i].row = row - high*vg.Length(i)
		}
	}
}
