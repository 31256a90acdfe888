package chart

import (
	"fmt"
	"image"
	"image/color"
	"io"
	"math"
	"slices"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Energy answers "Which frequencies come when?": the energy of a response over
// frequency and, downwards, time, in bands of the same relative width. Time is on a
// logarithmic axis where its columns are, so that a reflection after 3 ms and a
// mode that rings for 700 are both to be seen; a number of periods is then a
// straight line.
type Energy struct {
	Title    string // "": "Which frequencies come when?"
	Subtitle string // source, seat, take, date
	Note     string // how it was worked out, over the drawing on the right; may be empty

	Hz     []float64   // rising
	EdgesS []float64   // of the columns of time in seconds, one more than there are columns; rising, from above 0 for a logarithmic axis
	DB     [][]float64 // DB[frequency][column]
	// FloorDB is as in Waterfall. UntilS is the time at each frequency from which on
	// nothing is known, because the response ends; nil: known everywhere.
	FloorDB, UntilS []float64
	// BlindPeriods is for how many periods an arrival itself is still seen, so that
	// nothing can be said of what is weaker; that zone is hatched. 0: none.
	BlindPeriods float64
	// Periods are the numbers of periods that have lines. nil: 10, 30 and 100; empty:
	// none.
	Periods []float64
	Linear  bool // time axis

	TopDB     *float64 // as in Waterfall
	RangeDB   float64  // 0: 50
	Reference string   // unit and reference of the levels; "": "dB"
}

// Render implements View.
func (v Energy) Render(w io.Writer, f Format, size ...Size) error {
	d, err := v.resolve()
	if err != nil {
		return err
	}
	return render(w, f, size, d.title, d.alt(), d.paint)
}

type energyDrawing struct {
	Energy
	title     string
	periods   []float64
	reference string
	scale     levels
	masked    bool   // noise hides something
	ends      bool   // the response ends within the drawing
	strongest [2]int // frequency and column
}

func (v Energy) resolve() (*energyDrawing, error) {
	const what = "energy over time"
	d := &energyDrawing{Energy: v, title: orElse(clean(v.Title), "Which frequencies come when?"), periods: v.Periods, reference: orElse(clean(v.Reference), "dB")}
	if v.Periods == nil {
		d.periods = []float64{10, 30, 100}
	}
	columns := len(v.EdgesS) - 1
	switch {
	case len(v.Hz) < 2 || len(v.DB) != len(v.Hz):
		return nil, &DataError{What: what, Why: fmt.Sprintf("%d frequencies but %d rows of levels, where two at least are needed", len(v.Hz), len(v.DB))}
	case columns < 2:
		return nil, &DataError{What: what, Why: fmt.Sprintf("there are %d edges of columns", len(v.EdgesS))}
	case v.FloorDB != nil && len(v.FloorDB) != len(v.Hz):
		return nil, &DataError{What: what, Why: fmt.Sprintf("%d frequencies but %d values of the floor", len(v.Hz), len(v.FloorDB))}
	case v.UntilS != nil && len(v.UntilS) != len(v.Hz):
		return nil, &DataError{What: what, Why: fmt.Sprintf("%d frequencies but %d ends in time", len(v.Hz), len(v.UntilS))}
	case !(v.BlindPeriods >= 0) || math.IsInf(v.BlindPeriods, 0):
		return nil, &DataError{What: what, Why: fmt.Sprintf("nothing can be said for %g periods", v.BlindPeriods)}
	case !(v.RangeDB >= 0) || v.RangeDB > 200:
		return nil, &DataError{What: what, Why: fmt.Sprintf("a scale of %g dB", v.RangeDB), Do: "take 20 to 100 dB"}
	case v.TopDB != nil && (math.IsNaN(*v.TopDB) || math.IsInf(*v.TopDB, 0)):
		return nil, &DataError{What: what, Why: fmt.Sprintf("a scale up to %g dB", *v.TopDB)}
	case !v.Linear && !(v.EdgesS[0] > 0):
		return nil, &DataError{What: what, Why: fmt.Sprintf("a logarithmic time axis from %g s", v.EdgesS[0]), Do: "begin above 0, or take a linear axis"}
	}
	for i, t := range v.EdgesS {
		if math.IsNaN(t) || math.IsInf(t, 0) || i > 0 && t <= v.EdgesS[i-1] {
			return nil, &DataError{What: what, Why: fmt.Sprintf("edge %d of the columns is at %g s", i+1, t), Do: "sort the columns by time"}
		}
	}
	for _, p := range v.Periods {
		if !(p > 0) || math.IsInf(p, 0) {
			return nil, &DataError{What: what, Why: fmt.Sprintf("a line of %g periods", p)}
		}
	}
	ones := make([]float64, len(v.Hz))
	if _, _, err := checkCurve(what, v.Hz, ones); err != nil {
		return nil, err
	}
	if v.Hz[0] <= 0 {
		return nil, &DataError{What: what, Why: "it begins at 0 Hz"}
	}
	if err := checkAxis(v.Hz[0], v.Hz[len(v.Hz)-1]); err != nil {
		return nil, err
	}
	top := math.Inf(-1)
	for i, row := range v.DB {
		if len(row) != columns {
			return nil, &DataError{What: what, Why: fmt.Sprintf("%d columns at %s, and %d edges of columns", len(row), Hz(v.Hz[i]), len(v.EdgesS))}
		}
		for k, db := range row {
			if math.IsNaN(db) || math.IsInf(db, 0) {
				return nil, &DataError{What: what, Why: fmt.Sprintf("the level at %s in column %d is %g", Hz(v.Hz[i]), k+1, db)}
			}
			if db > top {
				top, d.strongest = db, [2]int{i, k}
			}
		}
	}
	for i := range v.FloorDB {
		if math.IsNaN(v.FloorDB[i]) || math.IsInf(v.FloorDB[i], 0) {
			return nil, &DataError{What: what, Why: fmt.Sprintf("the floor at %s is %g", Hz(v.Hz[i]), v.FloorDB[i])}
		}
	}
	span := v.RangeDB
	if span == 0 {
		span = 50
	}
	d.scale = levels{top: math.Ceil(limit(top)/5-1e-9) * 5, step: span / 20}
	if v.TopDB != nil {
		d.scale.top = *v.TopDB
	}
	d.scale.bottom = d.scale.top - span
	for i := range v.FloorDB {
		d.masked = d.masked || v.FloorDB[i] > d.scale.bottom
	}
	for _, s := range v.UntilS {
		if math.IsNaN(s) {
			return nil, &DataError{What: what, Why: "an end in time is not a number"}
		}
		d.ends = d.ends || s < v.EdgesS[columns]
	}
	return d, nil
}

func (d *energyDrawing) alt() string {
	i, k := d.strongest[0], d.strongest[1]
	return fmt.Sprintf("%s. Energy over frequency from %s to %s and time from %s to %s ms after the first arrival. It is strongest at %s after %s ms.",
		d.Subtitle, Hz(d.Hz[0]), Hz(d.Hz[len(d.Hz)-1]), threeDigits(math.Max(0, d.EdgesS[0]*1000)), threeDigits(d.EdgesS[len(d.EdgesS)-1]*1000), Hz(d.Hz[i]), threeDigits(math.Max(0, d.EdgesS[k]*1000)))
}

// down is where a time lies on the axis, from 0 at its beginning to 1 at its end.
func (d *energyDrawing) down(s float64) float64 {
	first, last := d.EdgesS[0], d.EdgesS[len(d.EdgesS)-1]
	if d.Linear {
		return (s - first) / (last - first)
	}
	return math.Log(s/first) / math.Log(last/first)
}

func (d *energyDrawing) ticks() []plot.Tick {
	first, last := d.EdgesS[0]*1000, d.EdgesS[len(d.EdgesS)-1]*1000
	var ticks []plot.Tick
	if d.Linear {
		major := niceStep((last - first) / 7)
		ticks = stepTicks(first, last, major/2, major, func(v float64) string { return signed(v, 0, false) })
	} else {
		for e := int(math.Floor(math.Log10(first))); e <= int(math.Ceil(math.Log10(last))); e++ {
			for digit := 1; digit <= 9; digit++ {
				v := float64(digit) * math.Pow10(e)
				if v < first*(1-1e-9) || v > last*(1+1e-9) {
					continue
				}
				t := plot.Tick{Value: v}
				if digit == 1 || digit == 2 || digit == 5 {
					t.Label = threeDigits(v)
				}
				ticks = append(ticks, t)
			}
		}
	}
	for i := range ticks {
		if ticks[i].Label != "" {
			ticks[i].Label += " ms"
			break
		}
	}
	for i := range ticks {
		ticks[i].Value = -d.down(ticks[i].Value / 1000)
	}
	slices.Reverse(ticks)
	return ticks
}

func (d *energyDrawing) paint(c draw.Canvas) {
	var foot []string
	if d.BlindPeriods > 0 {
		foot = append(foot, fmt.Sprintf("hatched: for %s periods the analysis itself still shows the first arrival; of what is weaker it says nothing", strconv.FormatFloat(d.BlindPeriods, 'f', 0, 64)))
	}
	white := "white: below the scale"
	if d.masked {
		white += ", or noise is too near"
	}
	if d.ends {
		white += ", or the response ends"
	}
	foot = append(foot, white)
	c = heading(c, d.title, d.Subtitle, foot)
	left := "milliseconds after the first arrival, downwards"
	if len(d.periods) > 0 {
		left += " · dashed: periods"
	}
	c = caption(c, left, d.Note)
	c.Max.X -= scaleWidth
	p := panel(true, [2]float64{d.Hz[0], d.Hz[len(d.Hz)-1]}, [2]float64{-1, 0},
		frequencyTicks(d.Hz[0], d.Hz[len(d.Hz)-1]), d.ticks())
	p.Add(grid{}, plotterFunc(d.data))
	p.Draw(c)
	area := p.DataCanvas(c)
	h := (area.Max.Y - area.Min.Y) * 0.6
	d.scale.bar(&c, rectAt(c.Max.X+24, area.Min.Y+(area.Max.Y-area.Min.Y)*0.2, 16, h), niceStep((d.scale.top-d.scale.bottom)/5), balanced(textStyle(noteSize, quiet, false, 0, 0), d.reference, scaleWidth-16, 3))
}

// picture returns the levels as an image, a pixel to the unit of the layout each
// way or finer where there are more rows and columns; what is not drawn is clear.
func (d *energyDrawing) picture(width, height int) *image.Paletted {
	palette := color.Palette{color.RGBA{}}
	for i := range d.scale.count() {
		palette = append(palette, d.scale.colour(i))
	}
	img := image.NewPaletted(image.Rect(0, 0, width, height), palette)
	// Both axes are even on the page: rows of frequency in their logarithm, and
	// columns of time as their edges are.
	column := make([]int, height)
	for y, k := 0, 0; y < height; y++ {
		at := (float64(y) + 0.5) / float64(height)
		for k+2 < len(d.EdgesS) && d.down(d.EdgesS[k+1]) <= at {
			k++
		}
		column[y] = k
	}
	ratio := math.Log(d.Hz[len(d.Hz)-1] / d.Hz[0])
	for x, i := 0, 0; x < width; x++ {
		hz := d.Hz[0] * math.Exp(ratio*(float64(x)+0.5)/float64(width))
		for i+2 < len(d.Hz) && d.Hz[i+1] <= hz {
			i++
		}
		t := math.Min(math.Max(math.Log(hz/d.Hz[i])/math.Log(d.Hz[i+1]/d.Hz[i]), 0), 1)
		floor := d.scale.bottom
		if d.FloorDB != nil {
			floor = math.Max(floor, (1-t)*d.FloorDB[i]+t*d.FloorDB[i+1])
		}
		for y, k := range column {
			if d.UntilS != nil && d.EdgesS[k+1] > (1-t)*d.UntilS[i]+t*d.UntilS[i+1] {
				continue
			}
			if db := (1-t)*d.DB[i][k] + t*d.DB[i+1][k]; db > floor {
				img.SetColorIndex(x, y, uint8(1+d.scale.index(db)))
			}
		}
	}
	return img
}

func (d *energyDrawing) data(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	w, h := c.Max.X-c.Min.X, c.Max.Y-c.Min.Y
	c.DrawImage(c.Rectangle, d.picture(int(w), int(h)))

	at := func(periods float64) (pts []vg.Point) { // the line, within the frame
		for i := range 201 {
			hz := d.Hz[0] * math.Pow(d.Hz[len(d.Hz)-1]/d.Hz[0], float64(i)/200)
			t := periods / hz
			if t > d.EdgesS[0] && t <= d.EdgesS[len(d.EdgesS)-1] && (d.Linear || t > 0) {
				pts = append(pts, vg.Point{X: x(hz), Y: y(-d.down(t))})
			}
		}
		return pts
	}
	pl := &placer{area: c.Rectangle}
	if d.BlindPeriods > 0 {
		d.hatch(&c, x, y)
		if edge := at(d.BlindPeriods); len(edge) > 1 {
			c.StrokeLines(draw.LineStyle{Color: paper, Width: 2.6}, edge)
			c.StrokeLines(draw.LineStyle{Color: ink, Width: 1.2}, edge)
			pl.traces = append(pl.traces, edge)
		}
	}
	lines := make([]trace, len(d.periods))
	for k, periods := range d.periods {
		if lines[k] = at(periods); len(lines[k]) > 1 {
			c.StrokeLines(draw.LineStyle{Color: paper, Width: 2.6}, lines[k])
			c.StrokeLines(draw.LineStyle{Color: vermillion, Width: 1.3, Dashes: []vg.Length{6, 3}}, lines[k])
			pl.traces = append(pl.traces, lines[k])
		}
	}
	sty := textStyle(noteSize, darkText(vermillion), true, draw.XLeft, draw.YCenter)
	for k, periods := range d.periods {
		if len(lines[k]) < 2 {
			continue
		}
		// Below its line, from its lower end on: in full, or else the number.
		for _, label := range []string{threeDigits(periods) + " periods", threeDigits(periods)} {
			if pl.name(&c, lines[k], sty, label) {
				break
			}
		}
	}
	frame(c)
}

// name writes a label below a line at the first place where it covers nothing, and
// reports whether there is one.
func (pl *placer) name(c *draw.Canvas, line trace, sty text.Style, label string) bool {
	w, h := spareWidth*sty.Width(label), lineHeight(sty)
	for _, pt := range line {
		r := rectAt(pt.X+9, pt.Y-h-1, w, h)
		if pl.cost(r) > 0 {
			continue
		}
		pl.taken = append(pl.taken, r)
		under := r
		under.Max.X -= sty.Width(label) * (spareWidth - 1)
		veil(c, under, paper)
		middle(c, sty, vg.Point{X: r.Min.X, Y: (r.Min.Y + r.Max.Y) / 2}, label)
		return true
	}
	return false
}

// hatch draws slanting lines over the times before BlindPeriods.
func (d *energyDrawing) hatch(c *draw.Canvas, x, y func(float64) vg.Length) {
	edge := func(px vg.Length) vg.Length { // the y of the zone's end above a place
		hz := d.Hz[0] * math.Pow(d.Hz[len(d.Hz)-1]/d.Hz[0], float64((px-c.Min.X)/(c.Max.X-c.Min.X)))
		t := d.BlindPeriods / hz
		if t <= d.EdgesS[0] {
			return c.Max.Y
		}
		return max(c.Min.Y, y(-d.down(t)))
	}
	sty := draw.LineStyle{Color: color.NRGBA{255, 255, 255, 190}, Width: 1.4}
	const apart = 9
	for from := c.Min.X - (c.Max.Y - c.Min.Y); from < c.Max.X; from += apart {
		// Rising to the right at 45 degrees; drawn where it lies in the zone.
		var begin vg.Point
		inside := false
		last := vg.Point{}
		for px := max(from, c.Min.X); px <= c.Max.X; px += 2 {
			pt := vg.Point{X: px, Y: c.Min.Y + (px - from)}
			if pt.Y > c.Max.Y {
				break
			}
			in := pt.Y >= edge(px)
			if in && !inside {
				begin, inside = pt, true
			}
			if !in && inside {
				break
			}
			last = pt
		}
		if inside && last.X > begin.X {
			c.StrokeLine2(sty, begin.X, begin.Y, last.X, last.Y)
		}
	}
}
