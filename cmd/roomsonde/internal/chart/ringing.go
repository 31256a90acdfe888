package chart

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"roomsonde/sweep/scale"
)

// RingBand is the decay time of a band.
type RingBand struct {
	MidHz    float64     // exact mid-band frequency
	Width    scale.Width // 0: octave
	Seconds  float64     // for a decay of 60 dB
	Doubtful bool        // drawn hollow, and its step pale
}

// RingMode is the decay time of a room mode.
type RingMode struct {
	Hz           float64
	Seconds      float64 // for a decay of 60 dB
	PlusOrMinusS float64 // uncertainty; 0: not known, and not drawn
}

// mostRingDoubt is by how much of itself a mode's time may be off before it is
// doubtful: then it is drawn hollow, and not named as one of the longest.
const mostRingDoubt = 0.2

// mostNameRows is how many rows the names of modes may take over the panel.
const mostNameRows = 3

func (m RingMode) doubtful() bool { return m.PlusOrMinusS > mostRingDoubt*m.Seconds }

// Limit is a corner of recommended limits of a decay time.
type Limit struct {
	Hz          float64
	LowS, HighS float64
}

// Ringing answers "Does it ring too long?": decay times of bands and of modes over
// frequency, against published limits, which are named on the drawing. Bands are
// steps as wide as they are, modes are points with what they may be off; the
// longest modes are named.
type Ringing struct {
	Title    string // "": "Does it ring too long?"
	Subtitle string // source, seat, take, date

	Bands    []RingBand
	Quantity string // what the bands' times are, as in "T20"; "": "bands"
	Modes    []RingMode

	// Limits are straight over the logarithm of frequency between two corners; two
	// corners of one frequency are a step. LimitName names them; LimitNote, at the
	// foot, says more. Without corners nothing is drawn.
	Limits    []Limit
	LimitName string
	LimitNote string

	FromHz, ToHz float64 // ends of the frequency axis; 0: chosen to hold bands, modes and limits
	TopSeconds   float64 // end of the time axis; 0: chosen
	// Named is how many modes are named, the longest that are not doubtful; 0: 3;
	// below 0: none. Where their names would take more than three rows, it is fewer.
	Named int
}

// Render implements View.
func (v Ringing) Render(w io.Writer, f Format, size ...Size) error {
	d, err := v.resolve()
	if err != nil {
		return err
	}
	return render(w, f, size, d.title, d.alt(), d.paint)
}

type ringingDrawing struct {
	Ringing
	title        string
	from, to     float64
	top          float64
	minor, major float64
	named        []RingMode // rising in frequency
}

func (v Ringing) resolve() (*ringingDrawing, error) {
	const what = "ringing"
	if len(v.Bands)+len(v.Modes) == 0 {
		return nil, &DataError{What: what, Why: "there is neither a band nor a mode to draw"}
	}
	d := &ringingDrawing{Ringing: v, title: orElse(clean(v.Title), "Does it ring too long?")}
	d.Bands, d.Modes, d.Limits = slices.Clone(v.Bands), slices.Clone(v.Modes), slices.Clone(v.Limits)
	low, high, longest := math.Inf(1), 0.0, 0.0
	good := func(x float64) bool { return x >= 0 && !math.IsInf(x, 0) }
	for i := range d.Bands {
		b := &d.Bands[i]
		if b.Width == 0 {
			b.Width = scale.Octave
		}
		switch {
		case !good(b.MidHz) || b.MidHz == 0 || b.Width < 1 || b.Width > 24:
			return nil, &DataError{What: what, Why: fmt.Sprintf("band %d is at %g Hz, of width %s", i+1, b.MidHz, b.Width)}
		case !good(b.Seconds):
			return nil, &DataError{What: what, Why: fmt.Sprintf("the band at %s has %g s", Hz(b.MidHz), b.Seconds), Do: "leave out bands that have no time"}
		}
		l, h := b.edges()
		low, high = math.Min(low, l), math.Max(high, h)
		longest = math.Max(longest, b.Seconds)
	}
	for i, m := range d.Modes {
		switch {
		case !good(m.Hz) || m.Hz == 0:
			return nil, &DataError{What: what, Why: fmt.Sprintf("mode %d is at %g Hz", i+1, m.Hz)}
		case !good(m.Seconds) || !good(m.PlusOrMinusS):
			return nil, &DataError{What: what, Why: fmt.Sprintf("the mode at %s has %g ± %g s", Hz(m.Hz), m.Seconds, m.PlusOrMinusS)}
		}
		low, high = math.Min(low, m.Hz/1.1), math.Max(high, m.Hz*1.1)
		longest = math.Max(longest, m.Seconds)
	}
	for i, l := range d.Limits {
		if !good(l.Hz) || l.Hz == 0 || !good(l.HighS) || math.IsNaN(l.LowS) || l.LowS > l.HighS || i > 0 && l.Hz < d.Limits[i-1].Hz {
			return nil, &DataError{What: what, Why: fmt.Sprintf("corner %d of the limits is %g to %g s at %g Hz", i+1, l.LowS, l.HighS, l.Hz)}
		}
		longest = math.Max(longest, l.HighS)
	}
	if len(d.Bands) > 0 && len(d.Limits) > 0 { // bass alone needs no treble
		low, high = math.Min(low, d.Limits[0].Hz), math.Max(high, d.Limits[len(d.Limits)-1].Hz)
	}
	d.from, d.to = v.FromHz, v.ToHz
	if d.from == 0 {
		d.from = math.Min(low, 20)
	}
	if d.to == 0 {
		d.to = math.Max(high, 200)
	}
	if err := checkAxis(d.from, d.to); err != nil {
		return nil, err
	}
	if !good(v.TopSeconds) {
		return nil, &DataError{What: what, Why: fmt.Sprintf("a time axis up to %g s", v.TopSeconds)}
	}
	axis := decayDrawing{}
	axis.setTop(longest, v.TopSeconds)
	d.top, d.minor, d.major = axis.top, axis.minor, axis.major

	slices.SortFunc(d.Modes, func(a, b RingMode) int { return cmp.Compare(b.Seconds, a.Seconds) })
	named := v.Named
	if named == 0 {
		named = 3
	}
	for _, m := range d.Modes {
		if len(d.named) < named && m.Hz >= d.from && m.Hz <= d.to && !m.doubtful() {
			d.named = append(d.named, m)
		}
	}
	slices.SortFunc(d.named, func(a, b RingMode) int { return cmp.Compare(a.Hz, b.Hz) })
	return d, nil
}

func (b RingBand) edges() (low, high float64) {
	half := math.Pow(10, 0.15/float64(b.Width)) // IEC 61260-1:2014, 5.2
	return b.MidHz / half, b.MidHz * half
}

// limits returns the limits at hz, the wider ones at a step; ok is false where
// there are none.
func (d *ringingDrawing) limits(hz float64) (low, high float64, ok bool) {
	low, high = math.Inf(1), math.Inf(-1)
	for i, l := range d.Limits {
		if l.Hz == hz {
			low, high, ok = math.Min(low, l.LowS), math.Max(high, l.HighS), true
		} else if i > 0 && d.Limits[i-1].Hz < hz && hz < l.Hz {
			k := d.Limits[i-1]
			at := []float64{k.Hz, l.Hz}
			return scale.Interpolate(at, []float64{k.LowS, l.LowS}, hz), scale.Interpolate(at, []float64{k.HighS, l.HighS}, hz), true
		}
	}
	return low, high, ok
}

func (d *ringingDrawing) words(m RingMode) string {
	s := Hz(m.Hz) + ": " + strconv.FormatFloat(m.Seconds, 'f', 2, 64)
	if m.PlusOrMinusS >= 0.005 {
		s += " ± " + strconv.FormatFloat(m.PlusOrMinusS, 'f', 2, 64)
	}
	return s + " s"
}

func (d *ringingDrawing) alt() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s. Decay times over frequency.", d.Subtitle)
	say := func(what string, hz, s float64) {
		fmt.Fprintf(&b, " %s at %s: %.2f s", what, Hz(hz), s)
		if low, high, ok := d.limits(hz); ok {
			switch {
			case s > high:
				fmt.Fprintf(&b, ", longer than %.2f s", high)
			case s < low:
				fmt.Fprintf(&b, ", shorter than %.2f s", low)
			}
		}
		b.WriteString(".")
	}
	if len(d.Limits) > 0 {
		fmt.Fprintf(&b, " Limits: %s.", orElse(clean(d.LimitName), "recommended"))
	}
	for _, m := range d.named {
		say("Mode", m.Hz, m.Seconds)
	}
	for _, band := range d.Bands {
		say("Band", band.MidHz, band.Seconds)
	}
	return b.String()
}

func (d *ringingDrawing) paint(c draw.Canvas) {
	var foot []string
	if n := clean(d.LimitNote); n != "" && len(d.Limits) > 0 {
		foot = append(foot, n)
	}
	c = heading(c, d.title, d.Subtitle, foot)
	c = caption(c, "seconds for a decay of 60 dB", "")
	text := textStyle(textSize, ink, false, 0, 0)
	var items []keyItem
	if len(d.Bands) > 0 {
		items = append(items, keyItem{func(c *draw.Canvas, at vg.Point) {
			c.FillPolygon(barColour(false), rectPoints(rectAt(at.X-14, at.Y-8, 28, 12)))
			c.StrokeLine2(draw.LineStyle{Color: blue, Width: 2.2}, at.X-14, at.Y+4, at.X+14, at.Y+4)
		}, orElse(clean(d.Quantity), "bands"), text})
	}
	if slices.ContainsFunc(d.Bands, func(b RingBand) bool { return b.Doubtful }) {
		items = append(items, keyItem{func(c *draw.Canvas, at vg.Point) {
			c.FillPolygon(barColour(true), rectPoints(rectAt(at.X-14, at.Y-8, 28, 12)))
			c.StrokeLine2(draw.LineStyle{Color: blue, Width: 1.4, Dashes: []vg.Length{2.5, 2.5}}, at.X-14, at.Y+4, at.X+14, at.Y+4)
		}, "dotted: doubtful", text})
	}
	if len(d.Modes) > 0 {
		items = append(items, keyItem{func(c *draw.Canvas, at vg.Point) { ringMark(c, at.Add(vg.Point{X: 5}), -7, 7, true, false, false) }, "room mode ± uncertainty", text})
	}
	if slices.ContainsFunc(d.Modes, RingMode.doubtful) {
		items = append(items, keyItem{func(c *draw.Canvas, at vg.Point) { ringMark(c, at.Add(vg.Point{X: 5}), 0, 0, false, true, false) }, "hollow: doubtful", text})
	}
	if slices.ContainsFunc(d.Modes, d.cut) {
		items = append(items, keyItem{func(c *draw.Canvas, at vg.Point) {
			sty := draw.LineStyle{Color: vermillion, Width: 1.6}
			c.StrokeLine2(sty, at.X+5, at.Y-8, at.X+5, at.Y+8)
			barGoesOn(c, sty, at.X+5, at.Y+8)
		}, barGoesOnWords, text})
	}
	if len(d.Limits) > 0 {
		items = append(items, keyItem{func(c *draw.Canvas, at vg.Point) {
			r := rectAt(at.X-14, at.Y-8, 28, 16)
			c.FillPolygon(ringLimitTint, rectPoints(r))
			c.StrokeLine2(ringLimitLine, r.Min.X, r.Min.Y, r.Max.X, r.Min.Y)
			c.StrokeLine2(ringLimitLine, r.Min.X, r.Max.Y, r.Max.X, r.Max.Y)
		}, orElse(clean(d.LimitName), "recommended"), text})
	}
	c = key(c, items, false)

	p := panel(true, [2]float64{d.from, d.to}, [2]float64{0, d.top}, frequencyTicks(d.from, d.to), secondsTicks(d.top, d.minor, d.major))
	p.Add(grid{}, plotterFunc(d.data))
	named := slices.Clone(d.named)
	places := make([]place, len(named))
	for i, m := range named {
		places[i] = place{m.Hz, math.Min(m.Seconds+m.PlusOrMinusS, d.top), 0, d.words(m)}
	}
	sty := textStyle(noteSize, ink, true, draw.XLeft, draw.YCenter)
	for rowsOf(c, p, sty, places) > mostNameRows { // the shortest goes
		least := 0
		for i, m := range named {
			if m.Seconds < named[least].Seconds {
				least = i
			}
		}
		named, places = slices.Delete(named, least, least+1), slices.Delete(places, least, least+1)
	}
	flagged(c, p, sty, places)
}

// cut reports whether a mode's bar is cut off at the top of the panel.
func (d *ringingDrawing) cut(m RingMode) bool {
	return m.Seconds <= d.top && m.Seconds+m.PlusOrMinusS > d.top && m.Hz >= d.from && m.Hz <= d.to
}

// The limits' look: a tint between two lines.
var (
	ringLimitTint = mix(green, paper, 0.82)
	ringLimitLine = draw.LineStyle{Color: darkText(green), Width: 1.6, Dashes: []vg.Length{8, 2}}
)

// ringMark is a mode: a disc, hollow where it is doubtful, on a stem from low to high
// of it that shows what it may be off; cut tells that it goes on above.
func ringMark(c *draw.Canvas, at vg.Point, low, high vg.Length, bar, hollow, cut bool) {
	if bar {
		sty := draw.LineStyle{Color: vermillion, Width: 1.6}
		c.StrokeLine2(sty, at.X, at.Y+low, at.X, at.Y+high)
		c.StrokeLine2(sty, at.X-3.5, at.Y+low, at.X+3.5, at.Y+low)
		if cut {
			barGoesOn(c, sty, at.X, at.Y+high)
		} else {
			c.StrokeLine2(sty, at.X-3.5, at.Y+high, at.X+3.5, at.Y+high)
		}
	}
	c.DrawGlyphNoClip(draw.GlyphStyle{Color: paper, Radius: 5.4, Shape: draw.CircleGlyph{}}, at)
	if hollow {
		ring(c, vermillion, at, 4.4, hollowWidth)
		return
	}
	c.DrawGlyphNoClip(draw.GlyphStyle{Color: vermillion, Radius: 4.4, Shape: draw.CircleGlyph{}}, at)
}

func (d *ringingDrawing) data(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	at := func(s float64) vg.Length { return y(math.Min(math.Max(s, 0), d.top)) }
	inside := func(hz float64) vg.Length { return x(math.Min(math.Max(hz, d.from), d.to)) }
	for _, b := range d.Bands {
		low, high := b.edges()
		if high <= d.from || low >= d.to {
			continue
		}
		c.FillPolygon(barColour(b.Doubtful), rectPoints(vg.Rectangle{Min: vg.Point{X: inside(low) + 0.8, Y: c.Min.Y}, Max: vg.Point{X: inside(high) - 0.8, Y: at(b.Seconds)}}))
	}
	d.drawLimits(&c, inside, at)
	for _, b := range d.Bands {
		low, high := b.edges()
		if high <= d.from || low >= d.to {
			continue
		}
		sty := draw.LineStyle{Color: blue, Width: 2.6}
		if b.Doubtful {
			sty = draw.LineStyle{Color: blue, Width: 1.6, Dashes: []vg.Length{2.5, 2.5}}
		}
		c.StrokeLine2(sty, inside(low)+0.8, at(b.Seconds), inside(high)-0.8, at(b.Seconds))
		if b.Seconds > d.top {
			d.over(&c, (inside(low)+inside(high))/2, b.Seconds)
		}
	}
	frame(c)
	for _, m := range d.Modes {
		if m.Hz < d.from || m.Hz > d.to {
			continue
		}
		pt := vg.Point{X: x(m.Hz), Y: at(m.Seconds)}
		if m.Seconds > d.top {
			// Over the axis: an arrow instead of the disc.
			pt.Y -= 9
			polygon(&c, vermillion, false, pt, vg.Point{Y: 7}, vg.Point{X: 6, Y: -5}, vg.Point{X: -6, Y: -5})
			continue
		}
		low, high := at(m.Seconds-m.PlusOrMinusS), at(m.Seconds+m.PlusOrMinusS)
		ringMark(&c, pt, low-pt.Y, high-pt.Y, m.PlusOrMinusS > 0, m.doubtful(), d.cut(m))
	}
}

// over writes a time that lies above the axis.
func (d *ringingDrawing) over(c *draw.Canvas, x vg.Length, s float64) {
	middle(c, textStyle(noteSize-1, ink, false, draw.XCenter, 0), vg.Point{X: x, Y: c.Max.Y - 10}, strconv.FormatFloat(s, 'f', 1, 64)+"↑")
}

// drawLimits tints what lies between the limits.
func (d *ringingDrawing) drawLimits(c *draw.Canvas, x, y func(float64) vg.Length) {
	if len(d.Limits) < 2 {
		return
	}
	var upper, lower []vg.Point
	for i, l := range d.Limits {
		// Corners outside the axis are moved to where it ends.
		if l.Hz < d.from && (i+1 >= len(d.Limits) || d.Limits[i+1].Hz <= d.from) || l.Hz > d.to && (i == 0 || d.Limits[i-1].Hz >= d.to) {
			continue
		}
		hz := math.Min(math.Max(l.Hz, d.from), d.to)
		low, high := l.LowS, l.HighS
		if hz != l.Hz {
			low, high, _ = d.limits(hz)
		}
		upper = append(upper, vg.Point{X: x(hz), Y: y(high)})
		lower = append(lower, vg.Point{X: x(hz), Y: y(low)})
	}
	if len(upper) < 2 {
		return
	}
	pts := slices.Clone(upper)
	for i := len(lower) - 1; i >= 0; i-- {
		pts = append(pts, lower[i])
	}
	c.FillPolygon(mixAlpha(green, 0.2), pts)
	c.StrokeLines(ringLimitLine, upper)
	c.StrokeLines(ringLimitLine, lower)
}
