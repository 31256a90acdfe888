package chart

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Arrival is one of the first sounds after the direct one.
type Arrival struct {
	DelayS float64 // after the direct sound
	PathM  float64 // by how much its way is longer, in metres; 0: not written
	DB     float64 // level against the direct sound
	Name   string  // as of the wall it came from; may be empty
}

// Arrivals answers "Which reflections are strong?": the energy of a response over
// time, with the strongest arrivals after the direct sound, each marked and
// labelled with its delay, the length of its detour and its level.
type Arrivals struct {
	Title    string // "": "Which reflections are strong?"
	Subtitle string // source, seat, take, date
	Note     string // how the curve was worked out, over the drawing on the right; may be empty

	Seconds []float64 // times of the curve after the direct sound, rising
	DB      []float64 // as many levels, 0 dB at the direct sound
	Marks   []Arrival // up to about ten can be told apart

	// UpToDB is a level that reflections should not pass until UpToS, as published;
	// UpToName names it. UpToS 0: none.
	UpToDB, UpToS float64
	UpToName      string

	FromS, ToS float64 // ends of the time axis; 0: −1 ms and 25 ms, or later where marks are
	BottomDB   float64 // of the level axis; 0: −40, or lower where marks are
}

// Render implements View.
func (v Arrivals) Render(w io.Writer, f Format, size ...Size) error {
	d, err := v.resolve()
	if err != nil {
		return err
	}
	return render(w, f, size, d.title, d.alt(), d.paint)
}

type arrivalsDrawing struct {
	Arrivals
	title  string
	marks  []Arrival // within the axis, rising in time
	from   float64   // ms
	to     float64
	bottom float64
	top    float64
	ms     []float64
}

func (v Arrivals) resolve() (*arrivalsDrawing, error) {
	const what = "arrivals"
	bad := func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) }
	switch {
	case len(v.Seconds) != len(v.DB) || len(v.Seconds) < 2:
		return nil, &DataError{What: what, Why: fmt.Sprintf("%d times and %d levels, where two at least are needed", len(v.Seconds), len(v.DB))}
	case bad(v.FromS) || bad(v.ToS) || bad(v.BottomDB) || bad(v.UpToDB) || bad(v.UpToS) || v.UpToS < 0 || v.BottomDB > 0:
		return nil, &DataError{What: what, Why: fmt.Sprintf("an axis from %g to %g s and down to %g dB, a limit of %g dB until %g s", v.FromS, v.ToS, v.BottomDB, v.UpToDB, v.UpToS)}
	}
	d := &arrivalsDrawing{Arrivals: v, title: orElse(clean(v.Title), "Which reflections are strong?"), from: v.FromS * 1000, to: v.ToS * 1000, bottom: v.BottomDB}
	for i, t := range v.Seconds {
		if bad(t) || bad(v.DB[i]) || i > 0 && t <= v.Seconds[i-1] {
			return nil, &DataError{What: what, Why: fmt.Sprintf("point %d of the curve is %g dB at %g s", i+1, v.DB[i], t), Do: "sort the points by time, and leave out those without a level"}
		}
		d.ms = append(d.ms, t*1000)
	}
	last, lowest, highest := 0.0, 0.0, 0.0
	for i, m := range v.Marks {
		if bad(m.DelayS) || bad(m.DB) || bad(m.PathM) {
			return nil, &DataError{What: what, Why: fmt.Sprintf("arrival %d is %g dB after %g s", i+1, m.DB, m.DelayS)}
		}
		last, lowest = math.Max(last, m.DelayS*1000), math.Min(lowest, m.DB)
	}
	if v.FromS == 0 {
		d.from = -1
	}
	if v.ToS == 0 {
		d.to = math.Max(25, math.Ceil(last*1.15/5)*5)
	}
	if d.bottom == 0 {
		d.bottom = math.Min(-40, math.Floor((lowest-8)/10)*10)
	}
	if !(d.to-d.from >= 0.1) {
		return nil, &DataError{What: what, Why: fmt.Sprintf("a time axis from %g to %g ms", d.from, d.to), Do: "take a later end"}
	}
	for i, t := range d.ms {
		if t >= d.from && t <= d.to {
			highest = math.Max(highest, v.DB[i])
		}
	}
	d.top = math.Ceil(limit(highest)/5-1e-9)*5 + 3
	for _, m := range v.Marks {
		if t := m.DelayS * 1000; t >= d.from && t <= d.to {
			d.marks = append(d.marks, m)
		}
	}
	slices.SortStableFunc(d.marks, func(a, b Arrival) int { return cmp.Compare(a.DelayS, b.DelayS) })
	return d, nil
}

// words of a mark: 2.3 ms · 0.79 m · −9.5 dB · floor.
func (a Arrival) words() string {
	parts := []string{signed(a.DelayS*1000, 1, false) + " ms"}
	if a.PathM != 0 {
		parts = append(parts, signed(a.PathM, 2, false)+" m")
	}
	parts = append(parts, signed(a.DB, 1, true)+" dB")
	if n := clean(a.Name); n != "" {
		parts = append(parts, n)
	}
	return strings.Join(parts, " · ")
}

func (d *arrivalsDrawing) alt() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s. Energy over time from %s to %s ms after the direct sound.", d.Subtitle, signed(d.from, 0, false), signed(d.to, 0, false))
	for _, m := range d.marks {
		b.WriteString(" Arrival: " + m.words() + ".")
	}
	if len(d.marks) == 0 {
		b.WriteString(" No arrival is marked.")
	}
	return b.String()
}

func (d *arrivalsDrawing) paint(c draw.Canvas) {
	c = heading(c, d.title, d.Subtitle, nil)
	c = caption(c, "dB against the direct sound · each arrival: delay, longer way, level", d.Note)
	major := niceStep((d.to - d.from) / 9)
	p := panel(false, [2]float64{d.from, d.to}, [2]float64{d.bottom, d.top},
		stepTicks(d.from, d.to, major/2, major, func(v float64) string {
			if math.Abs(v) < 1e-9 {
				return "0 ms"
			}
			return threeSigned(v)
		}),
		stepTicks(d.bottom, d.top, 5, 10, func(v float64) string { return signed(v, 0, false) }))

	p.Add(grid{}, plotterFunc(d.data))
	places := make([]place, len(d.marks))
	for i, m := range d.marks {
		places[i] = place{m.DelayS * 1000, math.Min(math.Max(m.DB, d.bottom), d.top), arrivalRadius, m.words()}
	}
	c = flagged(c, p, textStyle(noteSize, ink, false, draw.XLeft, draw.YCenter), places)
	if d.limited() {
		d.nameLimit(p.DataCanvas(c), p)
	}
}

// limited reports whether the limit lies on the axes.
func (d *arrivalsDrawing) limited() bool {
	return d.UpToS > 0 && d.UpToDB < d.top && d.UpToDB > d.bottom && d.UpToS*1000 > d.from
}

// threeSigned writes v with three digits and a real minus sign.
func threeSigned(v float64) string {
	if v < 0 {
		return "−" + threeDigits(-v)
	}
	return threeDigits(v)
}

const arrivalRadius = 4.6

func (d *arrivalsDrawing) data(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	if d.limited() {
		from, to := x(math.Max(d.from, 0)), x(math.Min(d.UpToS*1000, d.to))
		at := y(d.UpToDB)
		c.FillPolygon(limitZone, rectPoints(vg.Rectangle{Min: vg.Point{X: from, Y: at}, Max: vg.Point{X: to, Y: c.Max.Y}}))
		line := draw.LineStyle{Color: darkText(vermillion), Width: 1.6, Dashes: []vg.Length{8, 2}}
		c.StrokeLine2(line, from, at, to, at)
		c.StrokeLine2(line, to, at, to, c.Max.Y)
	}
	t := makeTrace(&c, p, d.ms, d.Arrivals.DB)
	clipped := c.ClipLinesXY(t)
	for _, part := range clipped {
		area := append([]vg.Point{{X: part[0].X, Y: c.Min.Y}}, part...)
		area = append(area, vg.Point{X: part[len(part)-1].X, Y: c.Min.Y})
		c.FillPolygon(mixAlpha(sky, 0.35), area)
	}
	c.StrokeLines(strokeOf(0).line(1.6), clipped...)
	frame(c)
	for _, m := range d.marks {
		at := vg.Point{X: x(m.DelayS * 1000), Y: y(math.Min(math.Max(m.DB, d.bottom), d.top))}
		ring(&c, ink, at, arrivalRadius, 1.8)
	}
}

// nameLimit writes the name of the limit over its line or, in several lines, beside
// its end, where the fewest lines of marks run.
func (d *arrivalsDrawing) nameLimit(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	from, to, at := x(math.Max(d.from, 0)), x(math.Min(d.UpToS*1000, d.to)), y(d.UpToDB)
	ts := textStyle(noteSize, darkText(vermillion), true, draw.XLeft, draw.YTop)
	name := orElse(clean(d.UpToName), "limit")
	var best vg.Rectangle
	var lines []string
	least := math.Inf(1)
	try := func(left, top, width vg.Length, most int, cost float64) {
		broken := balanced(ts, name, width, most)
		w, h := noteSizeOf(ts, broken)
		r := rectAt(left, top-h, w*spareWidth, h)
		if r.Min.X < c.Min.X+4 || r.Max.X > c.Max.X-4 || strings.Contains(strings.Join(broken, " "), "…") {
			cost += 50
		}
		if r.Min.Y < at && r.Min.X > to { // as low as the curve may be
			cost += 2
		}
		for _, m := range d.marks {
			if px := x(m.DelayS * 1000); px > r.Min.X-4 && px < r.Max.X+4 {
				cost++
			}
		}
		if cost < least {
			best, lines, least = r, broken, cost
		}
	}
	over := at + lineHeight(ts) + 3
	w := ts.Width(name)
	try(to-6-w*spareWidth, over, w, 1, 0)
	try(from+14, over, w, 1, 0.1)
	for i, width := range []vg.Length{w, 200, 140, 110} {
		try(to+8, c.Max.Y-6, width, 4, 0.2+float64(i)/10)
	}
	under, ground := best, paper
	under.Max.X -= (best.Max.X - best.Min.X) * (1 - 1/spareWidth)
	if best.Min.X < to {
		ground = limitZone
	}
	veil(&c, under, ground)
	note(&c, ts, best, lines)
}

// limitZone tints what lies above the limit.
var limitZone = mix(vermillion, paper, 0.9)
