package chart

import (
	"bytes"
	"cmp"
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Waterfall answers "How long does the bass ring?": the cumulative spectral decay
// as a row of slices, the first at the back and each later one further down the
// page, so that a mode that rings is a ridge running down. Frequencies stay
// straight above their axis. The height of a slice over its own line is its level,
// and so is its colour. What lies behind a slice is hidden; what lies under the
// floor is not drawn.
type Waterfall struct {
	Title    string // "": "How long does the bass ring?", or "How long does it ring?" where the axis ends above 1 kHz
	Subtitle string // source, seat, take, date
	Note     string // how it was worked out, over the drawing on the right; may be empty

	Hz     []float64   // rising
	TimesS []float64   // of the slices in seconds, rising from 0
	DB     [][]float64 // DB[slice][frequency]
	// FloorDB is the level at each frequency under which nothing is drawn, for
	// noise; nil: not known.
	FloorDB []float64
	// BlindS is until when in seconds the analysis itself falls, so that nothing can
	// be said of the room; the slices up to there are pale. 0: none.
	BlindS float64
	// Periods are marked by lines on which so many periods have passed at each
	// frequency. nil: 10 and 20, or 20 and 100 where the
	// axis ends above 1 kHz; empty: none.
	Periods []float64

	// Marks stand over the drawing, each with a line down to its frequency; as of the
	// modes that ring longest. Those outside the axis are left out.
	Marks []Mark
	// FromHz and ToHz are the ends of the frequency axis; 0: those of Hz.
	FromHz, ToHz float64

	// TopDB is the level at the top of the scale, to give several drawings the same
	// one. nil: the highest level, to the next 5 dB.
	TopDB     *float64
	RangeDB   float64 // from top to bottom of the scale; 0: 40
	Reference string  // unit and reference of the levels; "": "dB"
}

// bassTopHz is where the bass ends.
const bassTopHz = 1000

// Mark is a word at a frequency.
type Mark struct {
	Hz   float64
	Text string // as in "33.5 Hz, 1.3 s"
}

// Render implements View.
func (v Waterfall) Render(w io.Writer, f Format, size ...Size) error {
	d, err := v.resolve()
	if err != nil {
		return err
	}
	// A surface of noise is all corners. Where that makes an SVG too large it is drawn
	// again with wider columns.
	const mostBytes = 1_200_000
	for d.column = finestColumn; ; d.column *= 2 {
		var out bytes.Buffer
		if err := render(&out, f, size, d.title, d.alt(), d.paint); err != nil {
			return err
		}
		if f == SVG && out.Len() > mostBytes && d.column < 8*finestColumn {
			continue
		}
		if _, err := w.Write(out.Bytes()); err != nil {
			return fmt.Errorf("chart: %w", err)
		}
		return nil
	}
}

// finestColumn is the width of a column of the surface, in units of the layout.
const finestColumn = 1.25

type waterfallDrawing struct {
	Waterfall
	title     string
	scale     levels
	periods   []float64
	marks     []Mark
	column    float64 // width
	from, to  float64 // Hz
	lastS     float64
	hidden    bool // something lies under the floor, within the scale
	reference string
}

func (v Waterfall) resolve() (*waterfallDrawing, error) {
	const what = "waterfall"
	d := &waterfallDrawing{Waterfall: v, periods: v.Periods, reference: orElse(clean(v.Reference), "dB")}
	switch {
	case len(v.TimesS) < 2 || len(v.DB) != len(v.TimesS):
		return nil, &DataError{What: what, Why: fmt.Sprintf("%d times but %d slices, where two at least are needed", len(v.TimesS), len(v.DB))}
	case len(v.Hz) < 2:
		return nil, &DataError{What: what, Why: fmt.Sprintf("there are %d frequencies", len(v.Hz))}
	case v.FloorDB != nil && len(v.FloorDB) != len(v.Hz):
		return nil, &DataError{What: what, Why: fmt.Sprintf("%d frequencies but %d values of the floor", len(v.Hz), len(v.FloorDB))}
	case !(v.BlindS >= 0) || math.IsInf(v.BlindS, 0):
		return nil, &DataError{What: what, Why: fmt.Sprintf("nothing can be said up to %g s", v.BlindS)}
	case !(v.RangeDB >= 0) || v.RangeDB > 200:
		return nil, &DataError{What: what, Why: fmt.Sprintf("a scale of %g dB", v.RangeDB), Do: "take 20 to 100 dB"}
	case v.TopDB != nil && (math.IsNaN(*v.TopDB) || math.IsInf(*v.TopDB, 0)):
		return nil, &DataError{What: what, Why: fmt.Sprintf("a scale up to %g dB", *v.TopDB)}
	}
	for _, p := range v.Periods {
		if !(p > 0) || math.IsInf(p, 0) {
			return nil, &DataError{What: what, Why: fmt.Sprintf("a line of %g periods", p)}
		}
	}
	top := math.Inf(-1)
	for i, t := range v.TimesS {
		if math.IsNaN(t) || math.IsInf(t, 0) || t < 0 || i > 0 && t <= v.TimesS[i-1] {
			return nil, &DataError{What: what, Why: fmt.Sprintf("slice %d is at %g s", i+1, t), Do: "sort the slices by time, from 0 on"}
		}
		if _, _, err := checkCurve(fmt.Sprintf("waterfall, slice %d", i+1), v.Hz, v.DB[i]); err != nil {
			return nil, err
		}
		top = math.Max(top, slices.Max(v.DB[i]))
	}
	if v.FloorDB != nil {
		if _, _, err := checkCurve("waterfall, floor", v.Hz, v.FloorDB); err != nil {
			return nil, err
		}
	}
	if v.Hz[0] <= 0 {
		return nil, &DataError{What: what, Why: "it begins at 0 Hz", Do: "leave out what a logarithmic axis does not have"}
	}
	d.from, d.to = v.FromHz, v.ToHz
	if d.from == 0 {
		d.from = v.Hz[0]
	}
	if d.to == 0 {
		d.to = v.Hz[len(v.Hz)-1]
	}
	if err := checkAxis(d.from, d.to); err != nil {
		return nil, err
	}
	if d.from < v.Hz[0]*(1-1e-9) || d.to > v.Hz[len(v.Hz)-1]*(1+1e-9) {
		return nil, &DataError{What: what, Why: fmt.Sprintf("an axis from %s to %s, where the levels go from %s to %s", Hz(d.from), Hz(d.to), Hz(v.Hz[0]), Hz(v.Hz[len(v.Hz)-1])), Do: "let the axis end within what was worked out"}
	}
	for _, m := range v.Marks {
		if math.IsNaN(m.Hz) || math.IsInf(m.Hz, 0) {
			return nil, &DataError{What: what, Why: fmt.Sprintf("a mark at %g Hz", m.Hz)}
		}
		if m.Text = clean(m.Text); m.Text != "" && m.Hz >= d.from && m.Hz <= d.to {
			d.marks = append(d.marks, m)
		}
	}
	slices.SortFunc(d.marks, func(a, b Mark) int { return cmp.Compare(a.Hz, b.Hz) })
	span := v.RangeDB
	if span == 0 {
		span = 40
	}
	d.scale = levels{top: math.Ceil(limit(top)/5-1e-9) * 5, step: span / 16}
	if v.TopDB != nil {
		d.scale.top = *v.TopDB
	}
	d.scale.bottom = d.scale.top - span
	if v.RangeDB == 0 && len(v.FloorDB) > 0 {
		// Where noise leaves less everywhere, a deeper scale would only show walls.
		const least = 20
		deepest := math.Floor(slices.Min(v.FloorDB)/5) * 5
		d.scale.bottom = math.Min(math.Max(d.scale.bottom, deepest), d.scale.top-least)
		d.scale.step = (d.scale.top - d.scale.bottom) / 16
	}
	d.lastS = v.TimesS[len(v.TimesS)-1]
	for k := range v.FloorDB {
		d.hidden = d.hidden || v.FloorDB[k] > d.scale.bottom
	}
	if v.Periods == nil {
		if d.periods = []float64{10, 20}; d.to > bassTopHz {
			d.periods = []float64{20, 100}
		}
	}
	d.title = clean(v.Title)
	if d.title == "" {
		if d.title = "How long does the bass ring?"; d.to > bassTopHz {
			d.title = "How long does it ring?"
		}
	}
	return d, nil
}

// alt says where it rings longest, of what stands above floor and scale.
func (d *waterfallDrawing) alt() string {
	s := fmt.Sprintf("%s. Level over frequency from %s to %s, in %d slices from 0 to %s ms after the first arrival.", d.Subtitle, Hz(d.from), Hz(d.to), len(d.TimesS), signed(d.lastS*1000, 0, false))
	last, at := -1, 0
	for i := range d.DB {
		for k, db := range d.DB[i] {
			if db > d.ground(k) && (i > last || i == last && db > d.DB[last][at]) {
				last, at = i, k
			}
		}
	}
	if last >= 0 {
		s += fmt.Sprintf(" What stays longest above %s dB", signed(d.scale.bottom, 0, false))
		if d.FloorDB != nil {
			s += " and the noise"
		}
		s += fmt.Sprintf(" is %s, for %s ms.", Hz(d.Hz[at]), signed(d.TimesS[last]*1000, 0, false))
	}
	return s
}

// ground returns the level under which nothing of a frequency is drawn.
func (d *waterfallDrawing) ground(k int) float64 {
	if d.FloorDB == nil {
		return d.scale.bottom
	}
	return math.Max(d.FloorDB[k], d.scale.bottom)
}

func (d *waterfallDrawing) paint(c draw.Canvas) {
	var foot []string
	if d.BlindS > 0 {
		foot = append(foot, fmt.Sprintf("pale: the analysis itself takes %s ms to fall; of a faster decay it says nothing", signed(d.BlindS*1000, 0, false)))
	}
	if d.hidden {
		foot = append(foot, "nothing is drawn where noise is too near")
	}
	c = heading(c, d.title, d.Subtitle, foot)
	c = caption(c, "milliseconds after the first arrival, downwards; each slice as high as its level", d.Note)
	c.Max.X -= scaleWidth

	ms := func(v float64) string { return signed(v, 0, false) }
	major := niceStep(d.lastS * 1000 / 7)
	p := panel(true, [2]float64{d.from, d.to}, [2]float64{-d.lastS * 1000, 0},
		frequencyTicks(d.from, d.to), nil)
	var ticks []plot.Tick
	for t := 0.0; t <= d.lastS*1000*(1+1e-9); t += major {
		label := ms(t)
		if t == 0 {
			label = "0 ms"
		}
		ticks = append(ticks, plot.Tick{Value: -math.Min(t, d.lastS*1000), Label: label})
	}
	slices.Reverse(ticks)
	p.Y.Tick.Marker = plot.ConstantTicks(ticks)

	// The rows of marks.
	sty := textStyle(noteSize, ink, false, draw.XLeft, draw.YCenter)
	x, _ := p.Transforms(ptr(p.DataCanvas(c)))
	words := make([]pennant, len(d.marks))
	for i, m := range d.marks {
		words[i] = pennant{at: x(m.Hz), text: m.Text}
	}
	rows := vg.Length(raise(words, sty, c.Max.X+scaleWidth-8)) * lineHeight(sty)
	marksAt := c.Max.Y - rows
	if rows > 0 {
		c.Max.Y -= rows + 4
	}

	// The lines of the slices lie below the room that the first one needs.
	high := (c.Max.Y - c.Min.Y) * 0.36
	lower := draw.Crop(c, 0, 0, 0, -high)
	area := p.DataCanvas(lower)
	s := d.newSurface(area, p, high*0.97)
	for i := range words {
		words[i].foot = s.crest(words[i].at)
	}
	hoist(&c, words, sty, marksAt)
	p.Add(plotterFunc(func(c draw.Canvas, p *plot.Plot) { s.paint(c, p) }))
	p.Draw(lower)

	// The scale of levels is as high as the levels themselves.
	r := rectAt(c.Max.X+24, c.Min.Y+(c.Max.Y-c.Min.Y)*0.42, 16, high*0.97)
	d.scale.bar(&c, r, niceStep((d.scale.top-d.scale.bottom)/5), balanced(textStyle(noteSize, quiet, false, 0, 0), d.reference, scaleWidth-16, 3))
}

// scaleWidth is what the scale of levels takes of a drawing's width.
const scaleWidth = 78

func ptr[T any](v T) *T { return &v }

// columns returns the slice's levels, and the ground, at evenly spaced places of
// the axis: the highest level between two, or one interpolated where there is none.
func (d *waterfallDrawing) columns(db []float64, n int) []float64 {
	out := make([]float64, n)
	from, ratio := math.Log(d.from), math.Log(d.to/d.from)
	k := 0
	for i := range out {
		at := math.Exp(from + ratio*float64(i)/float64(n-1))
		for k+1 < len(d.Hz)-1 && d.Hz[k+1] <= at {
			k++
		}
		t := math.Min(math.Max(math.Log(at/d.Hz[k])/math.Log(d.Hz[k+1]/d.Hz[k]), 0), 1)
		out[i] = db[k] + t*(db[k+1]-db[k])
		// Peaks between this place and the next stay.
		next := math.Exp(from + ratio*(float64(i)+0.5)/float64(n-1))
		before := math.Exp(from + ratio*(float64(i)-0.5)/float64(n-1))
		for j := k; j >= 0 && d.Hz[j] > before; j-- {
			out[i] = math.Max(out[i], db[j])
		}
		for j := k + 1; j < len(d.Hz) && d.Hz[j] < next; j++ {
			out[i] = math.Max(out[i], db[j])
		}
	}
	return out
}

// surface is the slices in the coordinates of a canvas.
type surface struct {
	*waterfallDrawing
	area   vg.Rectangle
	line   func(s float64) vg.Length // of a slice
	x      func(hz float64) vg.Length
	perDB  vg.Length
	n      int // columns
	ground []float64
	times  []float64          // of the slices that are drawn
	db     [][]float64        // db[slice][column]
	taken  map[[2]int]float64 // what it costs to write there
}

func (d *waterfallDrawing) newSurface(c draw.Canvas, p *plot.Plot, high vg.Length) *surface {
	x, y := p.Transforms(&c)
	s := &surface{
		waterfallDrawing: d, area: c.Rectangle, x: x,
		line:  func(s float64) vg.Length { return y(-s * 1000) },
		perDB: high / vg.Length(d.scale.top-d.scale.bottom),
		n:     max(2, int(float64(c.Max.X-c.Min.X)/d.column)+1),
		taken: map[[2]int]float64{},
	}
	s.ground = make([]float64, s.n)
	for i := range s.ground {
		s.ground[i] = d.scale.bottom
	}
	if d.FloorDB != nil {
		for i, v := range d.columns(d.FloorDB, s.n) {
			s.ground[i] = math.Max(s.ground[i], v)
		}
	}
	// No more slices than can be told apart.
	const closest = 2.4 // units of the layout
	every := max(1, int(math.Ceil(closest*float64(len(d.TimesS)-1)/float64(c.Max.Y-c.Min.Y))))
	for k := 0; k < len(d.DB); k += every {
		s.times = append(s.times, d.TimesS[k])
		s.db = append(s.db, d.columns(d.DB[k], s.n))
	}
	return s
}

// at returns the place of a column, and column that of a place.
func (s *surface) at(i int) vg.Length {
	return s.area.Min.X + (s.area.Max.X-s.area.Min.X)*vg.Length(i)/vg.Length(s.n-1)
}

func (s *surface) column(x vg.Length) int {
	return min(max(0, int(math.Round(float64((x-s.area.Min.X)/(s.area.Max.X-s.area.Min.X))*float64(s.n-1)))), s.n-1)
}

// height returns how high a slice stands in a column.
func (s *surface) height(slice, i int) vg.Length {
	return s.line(s.times[slice]) + s.perDB*vg.Length(math.Min(math.Max(s.db[slice][i], s.scale.bottom), s.scale.top+s.scale.step)-s.scale.bottom)
}

// crest returns the highest point of the surface over a place.
func (s *surface) crest(x vg.Length) vg.Length {
	i := s.column(x)
	top := s.line(0)
	for k := range s.db {
		if s.db[k][i] > s.ground[i] {
			top = max(top, s.height(k, i))
		}
	}
	return top
}

// paint draws the slices from back to front, each over what it hides.
func (s *surface) paint(c draw.Canvas, p *plot.Plot) {
	// The plane that the slices stand on.
	c.FillPolygon(shadeGrey, rectPoints(vg.Rectangle{Min: vg.Point{X: c.Min.X, Y: s.line(math.Min(s.BlindS, s.lastS))}, Max: vg.Point{X: c.Max.X, Y: s.line(0)}}))
	grid{}.Plot(c, p)
	for k, t := range s.times {
		db := s.db[k]
		for i := 0; i < s.n; {
			if db[i] <= s.ground[i] {
				i++
				continue
			}
			j := i
			for j < s.n && db[j] > s.ground[j] {
				j++
			}
			s.stand(&c, k, i, j, t < s.BlindS && k > 0)
			i = j
		}
	}
	pts := []vg.Point{{X: c.Min.X, Y: c.Max.Y}, {X: c.Min.X, Y: c.Min.Y}, {X: c.Max.X, Y: c.Min.Y}}
	c.StrokeLines(draw.LineStyle{Color: frameGrey, Width: 1}, pts)
	lines := make([][]vg.Point, len(s.periods))
	for k, periods := range s.periods {
		lines[k] = s.periodLine(&c, periods)
	}
	const onALine = 1000
	for _, line := range lines {
		for _, pt := range line {
			s.taken[cellOf(pt.X, pt.Y)] = onALine
		}
	}
	for k, periods := range s.periods {
		s.namePeriods(&c, lines[k], threeDigits(periods)+" periods")
	}
}

// periodLine draws, on the plane of the lines, where so many periods have passed.
func (s *surface) periodLine(c *draw.Canvas, periods float64) (pts []vg.Point) {
	const nearest = 0.02 // of the time axis, to its beginning: there the lines meet
	for x := s.area.Min.X; x <= s.area.Max.X; x += 4 {
		hz := s.from * math.Pow(s.to/s.from, float64((x-s.area.Min.X)/(s.area.Max.X-s.area.Min.X)))
		if t := periods / hz; t <= s.lastS && t > s.lastS*nearest {
			pts = append(pts, vg.Point{X: x, Y: s.line(t)})
		}
	}
	if len(pts) < 4 {
		return nil
	}
	c.StrokeLines(draw.LineStyle{Color: paper, Width: 2.8}, pts)
	c.StrokeLines(draw.LineStyle{Color: vermillion, Width: 1.4, Dashes: []vg.Length{6, 3}}, pts)
	return pts
}

// namePeriods writes the name of a line below it, where nothing else is drawn if
// there is such a place.
func (s *surface) namePeriods(c *draw.Canvas, pts []vg.Point, label string) {
	sty := textStyle(noteSize, darkText(vermillion), true, draw.XLeft, draw.YCenter)
	w, h := spareWidth*sty.Width(label), lineHeight(sty)
	cells := func(r vg.Rectangle, do func(cell [2]int)) {
		for x := r.Min.X; x <= r.Max.X; x += takenCell {
			for y := r.Min.Y; y <= r.Max.Y; y += takenCell {
				do(cellOf(x, y))
			}
		}
	}
	best, least := vg.Rectangle{}, math.Inf(1)
	for i, pt := range pts {
		r := rectAt(pt.X+6, pt.Y-h-2, w, h)
		if r.Max.X > s.area.Max.X-4 || r.Min.Y < s.area.Min.Y+2 {
			continue
		}
		cost := float64(i) / 100
		cells(r, func(cell [2]int) { cost += s.taken[cell] })
		if cost < least {
			best, least = r, cost
		}
	}
	const surfaceOnly = 1000 // costs less than crossing a line or a name
	if least >= surfaceOnly {
		return
	}
	cells(best, func(cell [2]int) { s.taken[cell] = surfaceOnly })
	under := best
	under.Max.X -= sty.Width(label) * (spareWidth - 1)
	veil(c, under, paper)
	middle(c, sty, vg.Point{X: best.Min.X, Y: (best.Min.Y + best.Max.Y) / 2}, label)
}

// takenCell is the raster, in units of the layout, on which the surface notes
// where it covers the page.
const takenCell = 5

func cellOf(x, y vg.Length) [2]int {
	return [2]int{int(math.Floor(float64(x / takenCell))), int(math.Floor(float64(y / takenCell)))}
}

// stand draws the columns i to j−1 of a slice, which stand above the ground.
func (s *surface) stand(c *draw.Canvas, slice, i, j int, pale bool) {
	db, base := s.db[slice], s.line(s.times[slice])
	shade := func(index int) color.RGBA {
		col := s.scale.colour(index)
		if pale {
			return mix(col, shadeGrey, 0.72)
		}
		return col
	}
	// One polygon for each run of columns of a colour; it overlaps the next a
	// little, or a hairline of what lies behind would shine through.
	for a := i; a < j; {
		index := s.scale.index(db[a])
		b := a + 1
		for b < j && s.scale.index(db[b]) == index {
			b++
		}
		pts := []vg.Point{{X: s.at(a), Y: base}}
		for k := a; k <= min(b, j-1); k++ {
			pts = append(pts, vg.Point{X: s.at(k), Y: s.height(slice, k)})
		}
		if len(pts) == 2 { // a single column at the end
			pts = append(pts, vg.Point{X: pts[1].X + 0.5, Y: pts[1].Y})
		}
		last := pts[len(pts)-1]
		pts = append(straighten(pts), vg.Point{X: last.X, Y: base})
		c.FillPolygon(shade(index), pts)
		a = b
	}
	crest := make([]vg.Point, 0, j-i)
	for k := i; k < j; k++ {
		crest = append(crest, vg.Point{X: s.at(k), Y: s.height(slice, k)})
		for y := base; y < crest[k-i].Y; y += takenCell {
			s.taken[cellOf(crest[k-i].X, y)] = 1
		}
	}
	// Thin lines where the slices lie close.
	apart := float64(s.area.Max.Y-s.area.Min.Y) / float64(len(s.times))
	sty := draw.LineStyle{Color: mix(ink, paper, 0.1), Width: vg.Length(math.Min(0.6, 0.12*apart))}
	switch {
	case slice == 0:
		sty.Width = 1.6
	case pale:
		sty.Color = frameGrey
	}
	if len(crest) > 1 {
		c.StrokeLines(sty, straighten(crest))
	}
}

// straighten drops points that lie next to the line between their neighbours.
func straighten(pts []vg.Point) []vg.Point {
	const slack = 0.2 // units of the layout: less than half a pixel
	if len(pts) < 3 {
		return pts
	}
	out := []vg.Point{pts[0]}
	for begin := 0; begin < len(pts)-1; {
		// The furthest point to which a straight line passes all between; slopes
		// from begin must stay within what each point allows.
		lo, hi := math.Inf(-1), math.Inf(1)
		end := begin + 1
		for k := begin + 1; k < len(pts); k++ {
			dx := float64(pts[k].X - pts[begin].X)
			if dx <= 0 {
				break
			}
			slope := float64(pts[k].Y-pts[begin].Y) / dx
			if slope < lo || slope > hi {
				break
			}
			end = k
			lo, hi = math.Max(lo, slope-slack/dx), math.Min(hi, slope+slack/dx)
		}
		out = append(out, pts[end])
		begin = end
	}
	return out
}
