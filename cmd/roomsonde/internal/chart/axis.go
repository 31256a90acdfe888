package chart

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// tick positions and labels of the frequency axis: 1-2-5 in each decade, as
// the trade labels it (common practice, no source); on a short axis also the
// numbers between. The first and the last label carry the unit.
func frequencyTicks(from, to float64) []plot.Tick {
	digits := map[int]bool{1: true, 2: true, 5: true}
	switch octaves := math.Log2(to / from); {
	case octaves <= 2:
		for d := 1; d <= 9; d++ {
			digits[d] = true
		}
	case octaves <= 5:
		digits[3], digits[4], digits[7] = true, true, true
	}
	const slack = 1 + 1e-9
	var ticks []plot.Tick
	for e := int(math.Floor(math.Log10(from))); e <= int(math.Ceil(math.Log10(to))); e++ {
		for d := 1; d <= 9; d++ {
			hz := float64(d) * math.Pow10(e)
			if hz < from/slack || hz > to*slack {
				continue
			}
			t := plot.Tick{Value: math.Min(math.Max(hz, from), to)}
			if digits[d] {
				t.Label = shortHz(hz)
			}
			ticks = append(ticks, t)
		}
	}
	unitAtEnds(ticks)
	return ticks
}

// unitAtEnds writes the unit out at the first and the last labelled tick.
func unitAtEnds(ticks []plot.Tick) {
	first, last := -1, -1
	for i, t := range ticks {
		if t.Label != "" {
			if first < 0 {
				first = i
			}
			last = i
		}
	}
	if first >= 0 {
		ticks[first].Label = Hz(ticks[first].Value)
		ticks[last].Label = Hz(ticks[last].Value)
	}
}

// shortHz writes 50, 200, 1k, 12.5k.
func shortHz(hz float64) string {
	if hz >= 1000 {
		return threeDigits(hz/1000) + "k"
	}
	return threeDigits(hz)
}

// Hz writes a frequency for a label: 31.5 Hz, 113 Hz, 1.25 kHz.
func Hz(hz float64) string {
	if hz >= 999.5 {
		return threeDigits(hz/1000) + " kHz"
	}
	return threeDigits(hz) + " Hz"
}

// threeDigits writes v with three significant digits, without zeros at the end.
func threeDigits(v float64) string {
	digits := 0
	if v > 0 && v < 100 {
		digits = 2 - int(math.Floor(math.Log10(v)))
	}
	s := strconv.FormatFloat(v, 'f', min(digits, 6), 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// signed writes v with a real minus sign, and a plus sign where plus is true.
func signed(v float64, digits int, plus bool) string {
	s := strconv.FormatFloat(math.Abs(v), 'f', digits, 64)
	zero := strings.Trim(s, "0.") == ""
	switch {
	case v < 0 && !zero:
		return "−" + s
	case v > 0 && !zero && plus:
		return "+" + s
	}
	return s
}

// stepTicks labels every major step and marks every minor one.
func stepTicks(from, to, minor, major float64, label func(float64) string) []plot.Tick {
	var ticks []plot.Tick
	first, last := math.Ceil(from/minor-1e-9), math.Floor(to/minor+1e-9)
	each := math.Round(major / minor)
	for k := first; k <= last; k++ {
		t := plot.Tick{Value: math.Min(math.Max(k*minor, from), to)}
		if math.Mod(k, each) == 0 {
			t.Label = label(k * minor)
		}
		ticks = append(ticks, t)
	}
	return ticks
}

// panel returns a plot with the common look: logarithmic or linear x axis,
// ticks outside, no axis lines (the frame is drawn over the data).
func panel(logX bool, x, y [2]float64, xTicks, yTicks []plot.Tick) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = nil
	p.TextHandler = textHandler()
	p.X.Min, p.X.Max = x[0], x[1]
	p.Y.Min, p.Y.Max = y[0], y[1]
	if logX {
		p.X.Scale = plot.LogScale{}
	}
	p.X.Tick.Marker = plot.ConstantTicks(xTicks)
	p.Y.Tick.Marker = plot.ConstantTicks(yTicks)
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.LineStyle.Width = 0
		a.Padding = 0
		a.Tick.LineStyle = draw.LineStyle{Color: frameGrey, Width: 0.75}
		a.Tick.Length = 5
		a.Tick.Label.Color = ink
		a.Tick.Label.Handler = textHandler()
		a.Tick.Label.Font = textStyle(tickSize, ink, false, 0, 0).Font
	}
	p.X.Tick.Length = 8 // keeps the lowest label of y clear of the first of x
	return p
}

// grid draws the lines behind the data: thin for ticks without a label.
type grid struct{}

func (grid) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	for pass := range 2 { // minor lines first, major ones over them
		sty := draw.LineStyle{Color: minorGrey, Width: 0.75}
		if pass == 1 {
			sty.Color = majorGrey
		}
		for _, t := range p.X.Tick.Marker.Ticks(p.X.Min, p.X.Max) {
			if t.IsMinor() == (pass == 0) {
				c.StrokeLine2(sty, x(t.Value), c.Min.Y, x(t.Value), c.Max.Y)
			}
		}
		rungs(c, p, y, sty, pass == 0)
	}
}

// rungs draws the horizontal lines of the grid: those of ticks without a label, or
// those of ticks that have one.
func rungs(c draw.Canvas, p *plot.Plot, y func(float64) vg.Length, sty draw.LineStyle, minor bool) {
	for _, t := range p.Y.Tick.Marker.Ticks(p.Y.Min, p.Y.Max) {
		if t.IsMinor() == minor {
			c.StrokeLine2(sty, c.Min.X, y(t.Value), c.Max.X, y(t.Value))
		}
	}
}

// allRungs draws both kinds, the strong ones over the others, for axes whose upright
// lines are another matter.
func allRungs(c draw.Canvas, p *plot.Plot) {
	_, y := p.Transforms(&c)
	rungs(c, p, y, draw.LineStyle{Color: minorGrey, Width: 0.75}, true)
	rungs(c, p, y, draw.LineStyle{Color: majorGrey, Width: 0.75}, false)
}

// secondsTicks are the ticks of an axis of decay times, from 0 to top.
func secondsTicks(top, minor, major float64) []plot.Tick {
	digits := 1
	if major >= 1 {
		digits = 0
	}
	return stepTicks(0, top, minor, major, func(v float64) string {
		if v == 0 {
			return "0"
		}
		return signed(v, digits, false)
	})
}

// frame draws the border over the data.
func frame(c draw.Canvas) {
	pts := rectPoints(c.Rectangle)
	c.StrokeLines(draw.LineStyle{Color: frameGrey, Width: 1}, append(pts, pts[0], pts[1]))
}

// plotterFunc makes a plot.Plotter of a function.
type plotterFunc func(draw.Canvas, *plot.Plot)

func (f plotterFunc) Plot(c draw.Canvas, p *plot.Plot) { f(c, p) }

// columnWidth is the raster of thinning, in units of the layout: one pixel of
// the default PNG.
const columnWidth = 0.5

// thin drops points that no one can see: of all points of a line in one column
// of columnWidth the first, the lowest, the highest and the last stay, in
// their order. The x values must not fall.
func thin(pts []vg.Point) []vg.Point {
	if len(pts) <= 4 {
		return pts
	}
	out := make([]vg.Point, 0, min(len(pts), 4096))
	for i := 0; i < len(pts); {
		col := math.Floor(float64(pts[i].X) / columnWidth)
		j, lo, hi := i, i, i
		for ; j < len(pts) && math.Floor(float64(pts[j].X)/columnWidth) == col; j++ {
			if pts[j].Y < pts[lo].Y {
				lo = j
			}
			if pts[j].Y > pts[hi].Y {
				hi = j
			}
		}
		last := -1
		for _, k := range []int{i, min(lo, hi), max(lo, hi), j - 1} {
			if k != last {
				out = append(out, pts[k])
				last = k
			}
		}
		i = j
	}
	return out
}

// limit keeps absurd values drawable; far outside every axis it changes nothing
// that can be seen.
func limit(v float64) float64 { return math.Min(math.Max(v, -1e6), 1e6) }

// trace is a curve in the coordinates of a canvas.
type trace []vg.Point

func makeTrace(c *draw.Canvas, p *plot.Plot, xs, ys []float64) trace {
	x, y := p.Transforms(c)
	pts := make(trace, len(xs))
	for i := range xs {
		pts[i] = vg.Point{X: x(xs[i]), Y: y(limit(ys[i]))}
	}
	return thin(pts)
}

// strokeTrace draws a trace within the frame. A single point is a dot.
func strokeTrace(c *draw.Canvas, sty draw.LineStyle, t trace) {
	if len(t) == 1 {
		if c.Contains(t[0]) {
			c.DrawGlyph(draw.GlyphStyle{Color: sty.Color, Radius: 2.2 * sty.Width, Shape: draw.CircleGlyph{}}, t[0])
		}
		return
	}
	c.StrokeLines(sty, c.ClipLinesXY(t)...)
}

// between returns the part of a curve between two frequencies; ends within the
// curve are interpolated in log frequency, so that parts join. The results
// share nothing with the input.
func between(hz, v []float64, from, to float64) (fs, vs []float64) {
	at := func(i int, f float64) float64 {
		t := math.Log(f/hz[i]) / math.Log(hz[i+1]/hz[i])
		return v[i] + t*(v[i+1]-v[i])
	}
	for i := range hz {
		if i > 0 && hz[i-1] < from && hz[i] > from && from < to {
			fs, vs = append(fs, from), append(vs, at(i-1, from))
		}
		if hz[i] >= from && hz[i] <= to {
			fs, vs = append(fs, hz[i]), append(vs, v[i])
		}
		if i > 0 && hz[i-1] < to && hz[i] > to && from < to {
			fs, vs = append(fs, to), append(vs, at(i-1, to))
		}
	}
	return fs, vs
}

// checkCurve refuses what cannot be drawn over a frequency axis and returns
// the curve without points at 0 Hz, which such an axis does not have.
func checkCurve(what string, hz, v []float64) (fs, vs []float64, err error) {
	if len(hz) != len(v) {
		return nil, nil, &DataError{What: what, Why: fmt.Sprintf("%d frequencies but %d values", len(hz), len(v))}
	}
	for i := range hz {
		switch {
		case math.IsNaN(hz[i]) || math.IsInf(hz[i], 0) || hz[i] < 0:
			return nil, nil, &DataError{What: what, Why: fmt.Sprintf("frequency %d is %g Hz", i+1, hz[i])}
		case i > 0 && hz[i] <= hz[i-1]:
			return nil, nil, &DataError{What: what, Why: fmt.Sprintf("frequency %d (%g Hz) is not above the one before it (%g Hz)", i+1, hz[i], hz[i-1]), Do: "sort the points by frequency and drop repeated ones"}
		case math.IsNaN(v[i]) || math.IsInf(v[i], 0):
			return nil, nil, &DataError{What: what, Why: fmt.Sprintf("the value at %s is %g", Hz(hz[i]), v[i]), Do: "leave out points that have no value"}
		}
	}
	if len(hz) > 0 && hz[0] == 0 {
		hz, v = hz[1:], v[1:]
	}
	if len(hz) == 0 {
		return nil, nil, &DataError{What: what, Why: "there is no point to draw"}
	}
	return hz, v, nil
}

// checkAxis refuses an axis that cannot be drawn.
func checkAxis(from, to float64) error {
	const least = 1.2 // a quarter of an octave
	if !(from > 0) || !(to >= from*least) || math.IsInf(to, 0) {
		return &DataError{
			What: fmt.Sprintf("frequency axis from %g to %g Hz", from, to),
			Why:  "its end is not far enough above its start",
			Do:   "name a lower and a higher frequency, such as 20 and 20000 Hz",
		}
	}
	return nil
}
