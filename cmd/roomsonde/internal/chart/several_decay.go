package chart

import (
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// DecayPoint is one decay time: of a band, or of a room mode.
type DecayPoint struct {
	Hz          float64 // mid-band frequency, or the mode's
	Seconds     float64 // for a decay of 60 dB
	Uncertainty float64 // s, to either side; 0: not known, and not drawn
	Doubtful    bool    // drawn hollow
}

// DecayLine is the decay times of one take, by frequency.
type DecayLine struct {
	Name   string
	Points []DecayPoint // rising; not all lines need the same ones
}

// DecayTimes shows the decay times of several takes over one another, each with
// what it may be off: "What did the change do to the decay?" for one before and
// one after a change, "How long does the bass ring?" for modes. Points of one
// frequency stand side by side.
type DecayTimes struct {
	Title    string // "": "How long does it ring?"
	Subtitle string
	Lines    []DecayLine // one to seven, on a page as many as there are; the first matters most
	Quantity string      // what the times are, as in "T20, else T30, in octave bands"

	// BandsHz are the exact mid-band frequencies of the bands that the times are
	// of, BandLabels their nominal ones; both empty for modes, whose frequencies
	// are their own.
	BandsHz    []float64
	BandLabels []string

	FromHz, ToHz float64 // ends of the frequency axis; 0: by the points
	TopSeconds   float64 // 0: chosen
	// Before tells that the lines are two, after and before a change, and have
	// their strokes.
	Before bool
	Foot   []string
}

type decayTimes struct {
	DecayTimes
	from, to, top, minor, major float64
	strokes                     []stroke
	hidden                      []bool
	page, noEnds                bool
}

// Render implements View.
func (v DecayTimes) Render(w io.Writer, f Format, size ...Size) error {
	d, err := v.resolve(maxCurves)
	if err != nil {
		return err
	}
	return render(w, f, size, d.Title, d.alt(), func(c draw.Canvas) {
		d.body(heading(c, d.Title, d.Subtitle, d.Foot))
	})
}

// Page implements Paged.
func (v DecayTimes) Page(o PageOptions) (*Page, error) {
	d, err := v.resolve(math.MaxInt)
	if err != nil {
		return nil, err
	}
	d.hidden, d.noEnds, d.page = o.Hidden, o.NoEnds, true
	p, err := newPage(o, d.Title, d.alt(), func(c draw.Canvas) vg.Rectangle {
		return d.body(draw.Crop(c, 2, -2, 4, -2))
	})
	if err != nil {
		return nil, err
	}
	p.FromHz, p.ToHz, p.Low, p.High = d.from, d.to, 0, d.top
	return p, nil
}

func (v DecayTimes) resolve(most int) (*decayTimes, error) {
	v.Title = orElse(v.Title, "How long does it ring?")
	if len(v.Lines) == 0 {
		return nil, &DataError{What: "decay times", Why: "there is no take to draw"}
	}
	if len(v.Lines) > most {
		return nil, &DataError{What: "decay times", Why: fmt.Sprintf("%d takes in one drawing cannot be told apart", len(v.Lines)), Do: fmt.Sprintf("draw %d takes or fewer at a time", most)}
	}
	if len(v.BandsHz) != len(v.BandLabels) {
		return nil, &DataError{What: "decay times", Why: fmt.Sprintf("%d bands but %d labels", len(v.BandsHz), len(v.BandLabels))}
	}
	if v.Before && len(v.Lines) != 2 {
		return nil, &DataError{What: "decay times", Why: fmt.Sprintf("%d takes are not one after and one before", len(v.Lines))}
	}
	d := &decayTimes{DecayTimes: v}
	d.Lines = slices.Clone(v.Lines)
	least, highest, longest, doubtful, points := math.Inf(1), 0.0, 0.0, 0.0, 0
	for i := range d.Lines {
		l := &d.Lines[i]
		l.Name = orElse(clean(l.Name), fmt.Sprintf("take %d", i+1))
		last := 0.0
		for _, p := range l.Points {
			what := fmt.Sprintf("decay times of %q", l.Name)
			switch {
			case !(p.Hz > 0) || math.IsInf(p.Hz, 0):
				return nil, &DataError{What: what, Why: fmt.Sprintf("a frequency is %g Hz", p.Hz)}
			case p.Hz < last:
				return nil, &DataError{What: what, Why: fmt.Sprintf("%s stands after %s", Hz(p.Hz), Hz(last)), Do: "sort the points by frequency"}
			case !(p.Seconds >= 0) || math.IsInf(p.Seconds, 0):
				return nil, &DataError{What: what, Why: fmt.Sprintf("the time at %s is %g s", Hz(p.Hz), p.Seconds), Do: "leave out a time that could not be worked out"}
			case !(p.Uncertainty >= 0) || math.IsInf(p.Uncertainty, 0):
				return nil, &DataError{What: what, Why: fmt.Sprintf("the uncertainty at %s is %g s", Hz(p.Hz), p.Uncertainty)}
			}
			last = p.Hz
			least, highest = math.Min(least, p.Hz), math.Max(highest, p.Hz)
			if p.Doubtful {
				doubtful = math.Max(doubtful, p.Seconds)
			} else {
				longest = math.Max(longest, math.Min(p.Seconds+p.Uncertainty, p.Seconds*1.3))
			}
			points++
		}
		s := wideStrokeOf(i)
		if v.Before {
			s = [2]stroke{afterStroke, beforeStroke}[i]
		}
		d.strokes = append(d.strokes, s)
	}
	if points == 0 {
		return nil, &DataError{What: "decay times", Why: "no time could be worked out"}
	}
	if longest == 0 || doubtful < 1.5*longest { // doubtful ones far above all others do not set the axis
		longest = math.Max(longest, doubtful)
	}
	d.from, d.to = v.FromHz, v.ToHz
	edge := 1.12
	if n := len(v.BandsHz); n > 0 {
		least, highest, edge = v.BandsHz[0], v.BandsHz[n-1], math.Sqrt2
		if n > 1 {
			edge = math.Sqrt(v.BandsHz[1] / v.BandsHz[0])
		}
	}
	if d.from == 0 {
		d.from = least / edge
	}
	if d.to == 0 {
		d.to = highest * edge
	}
	if len(v.BandsHz) == 0 && d.to < d.from*2 { // a mode alone
		d.from, d.to = d.from/1.4, d.to*1.4
	}
	if err := checkAxis(d.from, d.to); err != nil {
		return nil, err
	}
	axis := decayDrawing{}
	axis.setTop(longest, v.TopSeconds)
	d.top, d.minor, d.major = axis.top, axis.minor, axis.major
	d.Quantity = clean(v.Quantity)
	return d, nil
}

func (d *decayTimes) alt() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s. Decay times over frequency from %s to %s.", d.Subtitle, Hz(d.from), Hz(d.to))
	for i, l := range d.Lines {
		if i == maxCurves {
			fmt.Fprintf(&b, " And %d more takes.", len(d.Lines)-i)
			break
		}
		fmt.Fprintf(&b, " %s:", l.Name)
		for _, p := range l.Points {
			fmt.Fprintf(&b, " %s %.2f s", d.nameOf(p.Hz), p.Seconds)
			if p.Uncertainty > 0 {
				fmt.Fprintf(&b, " ± %.2f s", p.Uncertainty)
			}
			if p.Doubtful {
				b.WriteString(" (doubtful)")
			}
			b.WriteByte(',')
		}
		if len(l.Points) == 0 {
			b.WriteString(" none,")
		}
	}
	return strings.TrimSuffix(b.String(), ",") + "."
}

// nameOf returns the nominal frequency of a band, or a mode's own.
func (d *decayTimes) nameOf(hz float64) string {
	if i := d.bandOf(hz); i >= 0 {
		label := bare(clean(d.BandLabels[i]))
		if v, err := strconv.ParseFloat(label, 64); err == nil {
			return Hz(v)
		}
		return label
	}
	return Hz(hz)
}

func (d *decayTimes) bandOf(hz float64) int {
	for i, b := range d.BandsHz {
		if math.Abs(math.Log(hz/b)) < 1e-3 {
			return i
		}
	}
	return -1
}

// The marks of lines differ in shape: disc, triangle, diamond, square, and their
// turned ones.
func markOf(i int, c *draw.Canvas, col color.Color, at vg.Point, r vg.Length, hollow bool) {
	pt := func(x, y vg.Length) vg.Point { return vg.Point{X: x * r, Y: y * r} }
	switch i % 7 {
	case 0:
		if hollow {
			ring(c, col, at, r*0.95, hollowWidth)
		} else {
			c.DrawGlyphNoClip(draw.GlyphStyle{Color: col, Radius: r, Shape: draw.CircleGlyph{}}, at)
		}
	case 1:
		polygon(c, col, hollow, at, pt(0, 1.25), pt(1.2, -0.85), pt(-1.2, -0.85))
	case 2:
		polygon(c, col, hollow, at, pt(0, 1.3), pt(1.3, 0), pt(0, -1.3), pt(-1.3, 0))
	case 3:
		polygon(c, col, hollow, at, pt(0.9, 0.9), pt(0.9, -0.9), pt(-0.9, -0.9), pt(-0.9, 0.9))
	case 4:
		polygon(c, col, hollow, at, pt(0, -1.25), pt(1.2, 0.85), pt(-1.2, 0.85))
	case 5:
		polygon(c, col, hollow, at, pt(1.3, 0), pt(-0.85, 1.15), pt(-0.85, -1.15))
	case 6:
		polygon(c, col, hollow, at, pt(-1.3, 0), pt(0.85, 1.15), pt(0.85, -1.15))
	}
}

func (d *decayTimes) body(c draw.Canvas) vg.Rectangle {
	quantity := d.Quantity
	if strings.Contains(strings.ToLower(d.Title), strings.ToLower(quantity)) { // it has been said
		quantity = ""
	}
	c = caption(c, "seconds for a decay of 60 dB", quantity)
	text := func(i int) draw.TextStyle {
		return textStyle(noteSize, letters(d.strokes[i].colour), true, 0, 0)
	}
	if !d.page || d.Before {
		var items []keyItem
		for i, l := range d.Lines {
			if d.Before { // in the order of time
				i = 1 - i
				l = d.Lines[i]
			}
			items = append(items, keyItem{func(c *draw.Canvas, at vg.Point) {
				lineSample(d.line(i))(c, at)
				markOf(i, c, d.strokes[i].colour, at, 5, false)
			}, l.Name, text(i)})
		}
		if d.anyDoubtful() {
			items = append(items, keyItem{func(c *draw.Canvas, at vg.Point) { markOf(0, c, quiet, at.Add(vg.Point{X: 5}), 5, true) }, "hollow: doubtful", textStyle(noteSize, quiet, false, 0, 0)})
		}
		if d.anyCut() {
			items = append(items, keyItem{func(c *draw.Canvas, at vg.Point) {
				sty := draw.LineStyle{Color: quiet, Width: 1.25}
				c.StrokeLine2(sty, at.X+5, at.Y-8, at.X+5, at.Y+8)
				barGoesOn(c, sty, at.X+5, at.Y+8)
			}, barGoesOnWords, textStyle(noteSize, quiet, false, 0, 0)})
		}
		c = key(c, items, false)
	}
	c.Max.X -= 16
	var xs []plot.Tick
	if len(d.BandsHz) > 0 {
		dd := decayDrawing{ratio: math.Pow(d.to/d.from, 1/math.Max(1, math.Round(math.Log(d.to/d.from)/math.Log(d.slot()))))}
		for i, hz := range d.BandsHz {
			dd.bands = append(dd.bands, DecayBand{Label: clean(d.BandLabels[i]), MidHz: hz})
		}
		xs = dd.ticks(c.Max.X - c.Min.X - 60)
	} else {
		xs = roomyTicks(d.from, d.to, c.Max.X-c.Min.X-40)
	}
	p := panel(true, [2]float64{d.from, d.to}, [2]float64{0, d.top}, xs, secondsTicks(d.top, d.minor, d.major))
	if len(d.BandsHz) > 0 {
		p.Add(plotterFunc(d.slots))
	} else {
		p.Add(grid{})
	}
	p.Add(plotterFunc(d.data))
	p.Draw(c)
	return p.DataCanvas(c).Rectangle
}

func (d *decayTimes) anyDoubtful() bool {
	for _, l := range d.Lines {
		for _, p := range l.Points {
			if p.Doubtful {
				return true
			}
		}
	}
	return false
}

// barGoesOn marks a bar that is cut off at the top of the panel.
func barGoesOn(c *draw.Canvas, sty draw.LineStyle, x, top vg.Length) {
	sty.Dashes = nil
	c.StrokeLines(sty, []vg.Point{{X: x - 4, Y: top - 7}, {X: x, Y: top - 0.5}, {X: x + 4, Y: top - 7}})
}

const barGoesOnWords = "arrow: the bar goes on above"

// anyCut reports whether a bar is cut off at the top of the panel.
func (d *decayTimes) anyCut() bool {
	for _, l := range d.Lines {
		for _, q := range l.Points {
			if q.Uncertainty > 0 && q.Seconds <= d.top && q.Seconds+q.Uncertainty > d.top && q.Hz >= d.from && q.Hz <= d.to && !(q.Doubtful && d.crowded()) {
				return true
			}
		}
	}
	return false
}

// slot is the ratio of a band's upper edge to its lower one.
func (d *decayTimes) slot() float64 {
	if n := len(d.BandsHz); n > 1 {
		return d.BandsHz[1] / d.BandsHz[0]
	}
	return 2
}

// slots tints every second band, so that it is plain which one a mark beside its
// middle belongs to, and draws the horizontal grid over that.
func (d *decayTimes) slots(c draw.Canvas, p *plot.Plot) {
	x, _ := p.Transforms(&c)
	half := math.Sqrt(d.slot())
	inside := func(hz float64) vg.Length { return x(math.Min(math.Max(hz, d.from), d.to)) }
	for i, hz := range d.BandsHz {
		if left, right := inside(hz/half), inside(hz*half); i%2 == 0 && right > left {
			c.FillPolygon(bandTint, rectPoints(vg.Rectangle{Min: vg.Point{X: left, Y: c.Min.Y}, Max: vg.Point{X: right, Y: c.Max.Y}}))
		}
	}
	allRungs(c, p)
}

// bandTint is the ground of every second band.
var bandTint = color.RGBA{245, 246, 247, 255}

// bandShare is the part of a band's width in its middle that the marks of several
// takes share: what is left free beside them parts them from the next band's.
const bandShare = 0.5

// mostAside is by how much of its frequency the mark of a mode may stand aside, for
// those of several takes to be seen.
const mostAside = 0.01

// line is how the points of a take are joined.
func (d *decayTimes) line(i int) draw.LineStyle { return d.strokes[i].line(1.2) }

// crowded reports whether bars at doubtful modes would cover all others: such a bar
// is long, and that the mode is doubtful its hollow mark says.
func (d *decayTimes) crowded() bool { return len(d.BandsHz) == 0 && len(d.Lines) > 2 }

// abreast returns how much room from the first take's mark to the last one's there
// is in a band, or for a mode, and how large a mark is, on a panel so wide.
func (d *decayTimes) abreast(width vg.Length) (room, r vg.Length) {
	side := min(len(d.Lines), maxCurves)
	if len(d.BandsHz) == 0 {
		// A mode's place says its frequency, so marks overlap rather than leave it.
		within := 2 * mostAside * width / vg.Length(math.Log(d.to/d.from))
		r = 5
		if side > 2 && width < 400 { // so that what lies under another mark is seen
			r = 3.6
		}
		return min(vg.Length(min(7*(side-1), 28)), within), r
	}
	w := width / vg.Length(math.Log(d.to/d.from)/math.Log(d.slot()))
	r = min(5, max(2.4, w*bandShare/vg.Length(side)*0.5))
	return min(w*bandShare, 2.6*r*vg.Length(side-1)), r
}

func (d *decayTimes) data(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	frame(c)
	// Side by side within the middle of a band, or close together for modes. On a
	// page with many takes each takes the place it has among the first seven.
	side := min(len(d.Lines), maxCurves)
	room, r := d.abreast(c.Max.X - c.Min.X)
	for i := len(d.Lines) - 1; i >= 0; i-- {
		l := d.Lines[i]
		col := d.strokes[i].colour
		shift := vg.Length(0)
		if side > 1 {
			shift = room * (vg.Length(i%maxCurves)/vg.Length(side-1) - 0.5)
			if d.Before { // before stands left
				shift = -shift
			}
		}
		class := "curve"
		if i < len(d.hidden) && d.hidden[i] {
			class += " off"
		}
		group(&c, fmt.Sprintf(`class="%s" data-curve="%d"`, class, i), func() {
			var at []vg.Point
			var pts []DecayPoint
			for _, q := range l.Points {
				if q.Hz < d.from || q.Hz > d.to {
					continue
				}
				at = append(at, vg.Point{X: x(q.Hz) + shift, Y: y(math.Min(q.Seconds, d.top))})
				pts = append(pts, q)
			}
			if len(d.BandsHz) > 0 {
				// Only neighbouring bands are joined.
				for k := 1; k < len(at); k++ {
					if a, b := d.bandOf(pts[k-1].Hz), d.bandOf(pts[k].Hz); b == a+1 {
						c.StrokeLine2(d.line(i), at[k-1].X, at[k-1].Y, at[k].X, at[k].Y)
					}
				}
			}
			for k, q := range pts {
				if u := q.Uncertainty; u > 0 && q.Seconds <= d.top && !(q.Doubtful && d.crowded()) {
					low, high := y(math.Max(q.Seconds-u, 0)), y(math.Min(q.Seconds+u, d.top))
					sty := draw.LineStyle{Color: col, Width: 1.25}
					c.StrokeLine2(sty, at[k].X, low, at[k].X, high)
					cap := r * 0.7
					c.StrokeLine2(sty, at[k].X-cap, low, at[k].X+cap, low)
					if q.Seconds+u <= d.top {
						c.StrokeLine2(sty, at[k].X-cap, high, at[k].X+cap, high)
					} else {
						barGoesOn(&c, sty, at[k].X, high)
					}
				}
			}
			for k, q := range pts {
				if q.Seconds > d.top {
					at[k].Y = c.Max.Y - 9
					middle(&c, textStyle(noteSize-1, ink, false, draw.XCenter, 0), vg.Point{X: at[k].X, Y: c.Max.Y - 23}, strconv.FormatFloat(q.Seconds, 'f', 1, 64)+"↑")
				}
				markOf(i, &c, col, at[k], r, q.Doubtful)
			}
		})
	}
}
