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

// Readable is the range of frequencies in which a curve means something.
// Outside it a curve is drawn faint and the reason stands at the end.
type Readable struct {
	FromHz, ToHz         float64 // 0: no end on this side
	FromReason, ToReason string  // why it ends there, a few words
	// None says that nothing can be read at all, and FromReason why.
	None bool
}

// Curve is one level over frequency.
type Curve struct {
	Name     string    // stands at the curve when there are several, or with noise
	Hz       []float64 // rising
	DB       []float64 // as many
	Readable Readable  // zero: as in Response.Readable
}

// Response answers "How even is it?": the magnitude of one or more frequency
// responses over a logarithmic frequency axis.
type Response struct {
	Title    string // "": "How even is it?"
	Subtitle string // source, seat, take, date

	Curves   []Curve // one to seven; the first is the one that matters most
	Readable Readable

	// The room's noise in the same scale, drawn thin; both may be empty. Where all
	// of it lies below the axis, words say so instead.
	NoiseHz, NoiseDB []float64

	Smoothing string // as in "1/24 octave"; "none" or "" is shown as "not smoothed"
	Window    string // as in "5 ms"; "": all of the response, and not shown
	Reference string // unit and reference of the dB axis; "": "dB"

	// FromHz and ToHz are the ends of the frequency axis. 0: 20 Hz to 20 kHz,
	// or 10 Hz to 200 or 500 Hz when there is nothing to be read above.
	FromHz, ToHz float64
	// TopDB is the upper end of the level axis, to give several drawings the
	// same one. nil: the next step of 5 dB with 3 dB of air over the highest
	// readable point.
	TopDB *float64
	// SpanDB is the height of the level axis in dB. 0: 50, or up to 70 where
	// that brings more of the noise into view.
	SpanDB float64
}

// maxCurves is the number of strokes that can be told apart.
var maxCurves = len(strokes)

const (
	defaultSpanDB   = 50
	widestSpanDB    = 70
	responseAirDB   = 3
	responseStepDB  = 5
	responseMajorDB = 10
)

// Render implements View.
func (v Response) Render(w io.Writer, f Format, size ...Size) error {
	s, err := v.resolve()
	if err != nil {
		return err
	}
	return render(w, f, size, s.title, s.alt(), s.paint)
}

// series is a curve that has been checked, with the way to draw it.
type series struct {
	name     string
	hz, db   []float64
	blank    []bool // nil, or where not to draw
	readable Readable
	stroke   stroke
	dots     bool // mark each point
}

// cut returns the parts of a series between two frequencies: one, or several
// where points are left blank.
func (s series) cut(from, to float64) (parts [][2][]float64) {
	for i := 0; i < len(s.hz); i++ {
		j := i
		for j < len(s.hz) && !(s.blank != nil && s.blank[j]) {
			j++
		}
		if fs, vs := between(s.hz[i:j], s.db[i:j], from, to); len(fs) > 0 {
			parts = append(parts, [2][]float64{fs, vs})
		}
		i = j
	}
	return parts
}

// spectrum is a drawing of curves over frequency, ready to be painted. The
// views of this package that look like that share it.
type spectrum struct {
	title, subtitle string
	left, right     string // the caption over the panel
	curves          []series
	noise           series
	from, to        float64
	bottom, top     float64
	minor, major    float64
	plusSign        bool
	zeroLine        bool
	percentAxis     bool
	always          bool // name even a single curve
	foot            []string
	beyond          string // what the curve is beyond its band; "": not readable
}

func (v Response) resolve() (*spectrum, error) { return v.resolveUpTo(maxCurves) }

// resolveUpTo takes as many curves as most.
func (v Response) resolveUpTo(most int) (*spectrum, error) {
	if len(v.Curves) == 0 {
		return nil, &DataError{What: "response", Why: "there is no curve to draw"}
	}
	if len(v.Curves) > most {
		return nil, &DataError{What: "response", Why: fmt.Sprintf("%d curves in one drawing cannot be told apart", len(v.Curves)), Do: fmt.Sprintf("draw %d curves or fewer at a time", most)}
	}
	s := &spectrum{
		title: orElse(v.Title, "How even is it?"), subtitle: v.Subtitle,
		left: orElse(v.Reference, "dB"), right: smoothing(v.Smoothing),
		minor: responseStepDB, major: responseMajorDB,
	}
	for i, c := range v.Curves {
		name := clean(c.Name)
		what := fmt.Sprintf("curve %d", i+1)
		if name != "" {
			what = fmt.Sprintf("curve %q", name)
		} else if len(v.Curves) > 1 {
			name = what
		}
		fs, vs, err := checkCurve(what, c.Hz, c.DB)
		if err != nil {
			return nil, err
		}
		r := c.Readable
		if r == (Readable{}) {
			r = v.Readable
		}
		if err := checkReadable(what, r); err != nil {
			return nil, err
		}
		s.curves = append(s.curves, series{name: name, hz: fs, db: vs, readable: r, stroke: strokeOf(i)})
	}
	if len(v.NoiseHz) > 0 || len(v.NoiseDB) > 0 {
		fs, vs, err := checkCurve("noise", v.NoiseHz, v.NoiseDB)
		if err != nil {
			return nil, err
		}
		s.noise = series{name: "noise in the room", hz: fs, db: vs}
	}
	if err := s.setAxis(v.FromHz, v.ToHz); err != nil {
		return nil, err
	}

	span := v.SpanDB
	if span == 0 {
		span = defaultSpanDB
	}
	if !(span >= 10 && span <= 400) {
		return nil, &DataError{What: "level axis", Why: fmt.Sprintf("its height is %g dB", span), Do: "take 10 to 400 dB, or 0 for the usual 50 dB"}
	}
	if span > 100 {
		s.minor, s.major = 10, 20*math.Ceil(span/200)
	}
	if v.TopDB != nil {
		s.top = *v.TopDB
		if math.IsNaN(s.top) || math.Abs(s.top) > 1e5 {
			return nil, &DataError{What: "level axis", Why: fmt.Sprintf("its upper end is %g dB", s.top)}
		}
	} else {
		s.top = math.Ceil((s.highest()+responseAirDB)/responseStepDB) * responseStepDB
	}
	s.bottom = s.top - span
	s.fitNoise(v.SpanDB == 0)
	if w := clean(v.Window); w != "" {
		s.right += " · window " + w
	}
	return s, nil
}

// fitNoise makes room for noise that is partly in view, if the axis may grow,
// and puts words in place of noise that is not in view at all.
func (s *spectrum) fitNoise(grow bool) {
	low, high := math.Inf(1), math.Inf(-1)
	for _, part := range s.noise.cut(s.from, s.to) {
		low, high = math.Min(low, slices.Min(part[1])), math.Max(high, slices.Max(part[1]))
	}
	if high < s.bottom {
		s.noise = series{}
		if !math.IsInf(high, -1) {
			s.right += fmt.Sprintf(" · noise below %s dB", signed(math.Ceil(limit(high)/responseStepDB)*responseStepDB, 0, s.plusSign))
		}
		return
	}
	for grow && low < s.bottom && s.top-s.bottom+responseMajorDB <= widestSpanDB {
		s.bottom -= responseMajorDB
	}
}

func orElse(s, other string) string {
	if strings.TrimSpace(s) == "" {
		return other
	}
	return s
}

func smoothing(s string) string {
	switch s = clean(s); s {
	case "", "none":
		return "not smoothed"
	}
	return "smoothed over " + s
}

func checkReadable(what string, r Readable) error {
	bad := func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) || x < 0 }
	if bad(r.FromHz) || bad(r.ToHz) || r.ToHz > 0 && r.FromHz > r.ToHz {
		return &DataError{What: what, Why: fmt.Sprintf("its readable band is %g to %g Hz", r.FromHz, r.ToHz)}
	}
	return nil
}

// band returns the ends of the readable band within the axis.
func (s *spectrum) band(c series) (from, to float64) {
	if c.readable.None {
		return s.to, s.to
	}
	from, to = math.Max(c.readable.FromHz, s.from), s.to
	if c.readable.ToHz > 0 {
		to = math.Min(c.readable.ToHz, s.to)
	}
	return from, to
}

// setAxis chooses the ends of the frequency axis and checks that something
// lies between them.
func (s *spectrum) setAxis(from, to float64) error {
	highest := 0.0
	for _, c := range s.curves {
		h := c.hz[len(c.hz)-1]
		if c.readable.ToHz > 0 {
			h = math.Min(h, c.readable.ToHz)
		}
		highest = math.Max(highest, h)
	}
	low, high := 20.0, 20000.0
	switch {
	case highest <= 160:
		low, high = 10, 200
	case highest <= 510: // a sweep to 500 Hz, and what its grid may add
		low, high = 10, 500
	}
	s.from, s.to = from, to
	if s.from == 0 {
		s.from = low
		if s.to > 0 && s.to < 1000 { // a bass view was asked for
			s.from = 10
		}
	}
	if s.to == 0 {
		s.to = high
		if s.from*2 > s.to {
			s.to = 20000
		}
	}
	if err := checkAxis(s.from, s.to); err != nil {
		return err
	}
	for _, c := range s.curves {
		if len(c.cut(s.from, s.to)) > 0 {
			return nil
		}
	}
	return &DataError{
		What: "drawing",
		Why:  fmt.Sprintf("no curve has a point between %s and %s", Hz(s.from), Hz(s.to)),
		Do:   "choose the ends of the frequency axis so that they hold the measurement",
	}
}

// highest returns the highest level on the axis, of what can be read if
// anything can.
func (s *spectrum) highest() float64 {
	best, other := math.Inf(-1), math.Inf(-1)
	for _, c := range s.curves {
		from, to := s.band(c)
		for _, part := range c.cut(from, to) {
			best = math.Max(best, slices.Max(part[1]))
		}
		for _, part := range c.cut(s.from, s.to) {
			other = math.Max(other, slices.Max(part[1]))
		}
	}
	if math.IsInf(best, -1) {
		best = other
	}
	return limit(best)
}

// alt describes the drawing in words.
func (s *spectrum) alt() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s. Level over frequency from %s to %s; %s; %s.", s.subtitle, Hz(s.from), Hz(s.to), s.left, s.right)
	for _, c := range s.curves {
		from, to := s.band(c)
		if c.name != "" {
			fmt.Fprintf(&b, " Curve %s,", c.name)
		} else {
			b.WriteString(" The curve is")
		}
		if from >= to {
			b.WriteString(" nowhere readable on this axis.")
			continue
		}
		fmt.Fprintf(&b, " readable from %s to %s.", Hz(from), Hz(to))
	}
	return b.String()
}

// paint lays the drawing out. Names go to the curves; where one does not find a
// clear place they all go into a key over the panel instead. What is said of the
// ends of the readable bands stands beside them, or else over the panel too.
func (s *spectrum) paint(c draw.Canvas) {
	c = heading(c, s.title, s.subtitle, s.foot)
	c = caption(c, s.left, s.right)
	if s.percentAxis {
		c.Max.X -= 44
	}
	var items []keyItem
	if s.always || len(s.curves) > 1 || len(s.noise.hz) > 0 {
		for _, cv := range s.curves {
			items = append(items, keyItem{lineSample(cv.stroke.line(2)), orElse(cv.name, "measured"), textStyle(textSize, darkText(cv.stroke.colour), true, 0, 0)})
		}
		if len(s.noise.hz) > 0 {
			items = append(items, keyItem{lineSample(noiseLine), s.noise.name, textStyle(textSize, quiet, false, 0, 0)})
		}
	}
	// Each thing that moves over the panel makes the panel lower, so all places
	// are looked for again.
	var lay layout
	lay.names = len(items) > 0
	over := func(dry bool) draw.Canvas {
		c := c
		if !lay.names {
			c = key(c, items, dry)
		}
		return s.notesAbove(c, lay.above, dry)
	}
	for {
		named, homeless := s.panel(over(true), lay, true)
		switch {
		case len(homeless) > 0:
			lay.above = append(lay.above, homeless...)
			continue
		case !named:
			lay.names = false
			continue
		}
		break
	}
	s.panel(over(false), lay, false)
}

// layout says where the writing of a spectrum goes.
type layout struct {
	names bool  // beside the curves, not into a key
	above []end // over the panel, not beside the end
}

var noiseLine = draw.LineStyle{Color: noiseGrey, Width: 1}

// panel draws axes, curves and writing. With dry it draws nothing and reports
// whether all names find a place at their curves, and which ends' notes find
// none.
func (s *spectrum) panel(c draw.Canvas, lay layout, dry bool) (named bool, homeless []end) {
	label := func(v float64) string { return signed(v, 0, s.plusSign) }
	p := panel(true, [2]float64{s.from, s.to}, [2]float64{s.bottom, s.top},
		frequencyTicks(s.from, s.to), stepTicks(s.bottom, s.top, s.minor, s.major, label))
	if dry {
		return s.data(p.DataCanvas(c), p, lay, true)
	}
	p.Add(plotterFunc(s.shade), grid{}, plotterFunc(func(c draw.Canvas, p *plot.Plot) { s.data(c, p, lay, false) }))
	p.Draw(c)
	return true, nil
}

// shade tints the ranges in which no curve can be read.
func (s *spectrum) shade(c draw.Canvas, p *plot.Plot) {
	from, to := s.outer()
	x, _ := p.Transforms(&c)
	if from > s.from {
		c.FillPolygon(shadeGrey, rectPoints(vg.Rectangle{Min: c.Min, Max: vg.Point{X: x(math.Min(from, s.to)), Y: c.Max.Y}}))
	}
	if to < s.to {
		c.FillPolygon(shadeGrey, rectPoints(vg.Rectangle{Min: vg.Point{X: x(math.Max(to, s.from)), Y: c.Min.Y}, Max: c.Max}))
	}
}

// ground returns the colour of the panel behind a place.
func (s *spectrum) ground(r vg.Rectangle, x func(float64) vg.Length) color.RGBA {
	from, to := s.outer()
	if from >= to || r.Max.X <= x(from) || r.Min.X >= x(to) {
		return shadeGrey
	}
	return paper
}

// outer returns the range in which at least one curve can be read.
func (s *spectrum) outer() (from, to float64) {
	from, to = s.to, s.from
	for _, cv := range s.curves {
		f, t := s.band(cv)
		from, to = math.Min(from, f), math.Max(to, t)
	}
	return from, to
}

func (s *spectrum) data(c draw.Canvas, p *plot.Plot, lay layout, dry bool) (placed bool, homeless []end) {
	x, y := p.Transforms(&c)
	pl := &placer{area: c.Rectangle}

	if s.zeroLine && !dry {
		c.StrokeLine2(draw.LineStyle{Color: frameGrey, Width: 1}, c.Min.X, y(0), c.Max.X, y(0))
	}
	draws := func(cv series, sty draw.LineStyle, from, to float64) {
		for _, part := range cv.cut(from, to) {
			t := makeTrace(&c, p, part[0], part[1])
			strokeTrace(&c, sty, t)
			for i := 0; cv.dots && i < len(t); i++ {
				c.DrawGlyph(draw.GlyphStyle{Color: sty.Color, Radius: 2.6, Shape: draw.CircleGlyph{}}, t[i])
			}
		}
	}
	whole := func(cv series) (t trace) {
		for _, part := range cv.cut(s.from, s.to) {
			t = append(t, makeTrace(&c, p, part[0], part[1])...)
		}
		return t
	}
	if len(s.noise.hz) > 0 {
		pl.traces = append(pl.traces, whole(s.noise))
		if !dry {
			draws(s.noise, noiseLine, s.from, s.to)
		}
	}
	first := len(pl.traces)
	for _, cv := range s.curves {
		pl.traces = append(pl.traces, whole(cv))
	}
	// The most important curve comes last, on top.
	for i := len(s.curves) - 1; i >= 0 && !dry; i-- {
		cv := s.curves[i]
		from, to := s.band(cv)
		if from > s.from {
			draws(cv, cv.stroke.faint(), s.from, math.Min(from, s.to))
		}
		if to < s.to {
			draws(cv, cv.stroke.faint(), math.Max(to, s.from), s.to)
		}
		draws(cv, cv.stroke.line(2), from, to)
	}
	if !dry {
		frame(c)
		if s.percentAxis {
			s.percent(c, y)
		}
	}

	homeless = s.ends(c, x, pl, lay.above, dry)
	if !lay.names {
		return true, homeless
	}

	placed = true
	put := func(own int, name string, sty draw.LineStyle, from, to vg.Length, size vg.Length, bold bool) {
		ts := textStyle(size, darkText(sty.Color), bold, draw.XLeft, draw.YCenter)
		const gap = 5
		w, h := spareWidth*ts.Width(name)+keySample+gap, lineHeight(ts)
		r, ok := pl.besideCurve(own, w, h, from, to)
		if !ok {
			placed = false
			return
		}
		pl.taken = append(pl.taken, r)
		if dry {
			return
		}
		under := r
		under.Max.X -= ts.Width(name) * (spareWidth - 1)
		veil(&c, under, s.ground(under, x))
		mid := (r.Min.Y + r.Max.Y) / 2
		lineSample(sty)(&c, vg.Point{X: r.Min.X + keySample/2, Y: mid})
		middle(&c, ts, vg.Point{X: r.Min.X + keySample + gap, Y: mid}, name)
	}
	for i, cv := range s.curves {
		name := cv.name
		if name == "" {
			name = "measured"
		}
		from, to := s.band(cv)
		put(first+i, name, cv.stroke.line(2), x(math.Min(from, s.to)), x(math.Max(to, s.from)), textSize, true)
	}
	if len(s.noise.hz) > 0 {
		put(0, s.noise.name, noiseLine, c.Min.X, c.Max.X, noteSize, false)
	}
	return placed, homeless
}

// end is one end of a readable band, or the whole of a band that does not
// reach into the axis.
type end struct {
	hz      float64
	reason  string
	low     bool
	none    bool // nothing on the axis can be read
	nothing bool // nor anywhere else
}

// bandEnds returns the ends that lie on the axis.
func (s *spectrum) bandEnds(cv series) (es []end) {
	from, to := s.band(cv)
	low := end{hz: cv.readable.FromHz, reason: clean(cv.readable.FromReason), low: true, nothing: cv.readable.None}
	high := end{hz: cv.readable.ToHz, reason: clean(cv.readable.ToReason)}
	switch {
	case cv.readable.None, from >= s.to:
		low.none = true
		return []end{low}
	case to <= s.from:
		high.none = true
		return []end{high}
	}
	if low.hz > s.from {
		es = append(es, low)
	}
	if high.hz > 0 && high.hz < s.to {
		es = append(es, high)
	}
	return es
}

// allEnds returns the ends that lie on the axis, and the curves that have each.
func (s *spectrum) allEnds() (all []end, owners map[end][]int) {
	owners = map[end][]int{}
	for i, cv := range s.curves {
		for _, e := range s.bandEnds(cv) {
			if owners[e] == nil {
				all = append(all, e)
			}
			owners[e] = append(owners[e], i)
		}
	}
	return all, owners
}

// headOf says what an end is of, in words and with a colour.
func (s *spectrum) headOf(e end, owners []int) (head string, sty draw.TextStyle) {
	words := orElse(s.beyond, "not readable")
	switch {
	case e.nothing:
		head = "nothing can be read here"
	case e.low:
		head = words + " below " + Hz(e.hz)
	default:
		head = words + " above " + Hz(e.hz)
	}
	sty = textStyle(noteSize, quiet, false, draw.XLeft, draw.YTop)
	// An end that only some of the curves have is theirs by name.
	if len(owners) < len(s.curves) {
		var names []string
		for _, i := range owners {
			names = append(names, s.curves[i].name)
		}
		head = fit(sty, strings.Join(names, ", "), 160) + ": " + head
		sty.Color = darkText(s.curves[owners[0]].stroke.colour)
	}
	return head, sty
}

// notesAbove writes what did not fit beside its end, at the side of the end, and
// returns what is left below.
func (s *spectrum) notesAbove(c draw.Canvas, ends []end, dry bool) draw.Canvas {
	if len(ends) == 0 {
		return c
	}
	_, owners := s.allEnds()
	width := lineShare * (c.Max.X - c.Min.X)
	var free [2]vg.Length // of the row, for each side
	for i, e := range ends {
		head, sty := s.headOf(e, owners[e])
		if e.reason != "" {
			head += ": " + e.reason
		}
		side := 1
		if e.low {
			side = 0
		}
		lines := balanced(sty, head, width, 2)
		w, h := noteSizeOf(sty, lines)
		if i == 0 || w > free[side] || len(lines) > 1 {
			if i > 0 {
				c.Max.Y -= lineHeight(sty)
			}
			free = [2]vg.Length{width - 20, width - 20}
		}
		r := rectAt(c.Min.X, c.Max.Y-h, c.Max.X-c.Min.X, h)
		if side == 1 {
			sty.XAlign = draw.XRight
		}
		if !dry {
			note(&c, sty, r, lines)
		}
		free[side], free[1-side] = 0, free[1-side]-w
		if len(lines) > 1 {
			c.Max.Y -= h - lineHeight(sty)
			free = [2]vg.Length{}
		}
	}
	c.Max.Y -= lineHeight(textStyle(noteSize, quiet, false, 0, 0)) + 3
	return c
}

// ends marks where the readable bands end, and says why where no curve runs. It
// returns the ends for whose note there is no such place.
func (s *spectrum) ends(c draw.Canvas, x func(float64) vg.Length, pl *placer, above []end, dry bool) (homeless []end) {
	all, owners := s.allEnds()
	for _, e := range all {
		if e.none {
			continue
		}
		at := x(e.hz)
		if !dry {
			c.StrokeLine2(draw.LineStyle{Color: frameGrey, Width: 1, Dashes: []vg.Length{4, 3}}, at, c.Min.Y, at, c.Max.Y)
		}
		pl.taken = append(pl.taken, vg.Rectangle{Min: vg.Point{X: at - 1, Y: c.Min.Y}, Max: vg.Point{X: at + 1, Y: c.Max.Y}})
	}
	for _, e := range all {
		if slices.Contains(above, e) {
			continue
		}
		head, sty := s.headOf(e, owners[e])
		var best struct {
			r     vg.Rectangle
			lines []string
			sty   draw.TextStyle
			cost  float64
		}
		best.cost = forbidden
		for k, width := range []vg.Length{240, 190, 150, 110} {
			lines := append([]string{head}, balanced(sty, e.reason, width, 3)...)
			w, h := noteSizeOf(sty, lines)
			w *= spareWidth
			for _, outside := range []bool{true, false} {
				st := sty
				var left vg.Length
				switch {
				case e.none:
					st.XAlign, left = draw.XCenter, c.Center().X-w/2
				case outside == e.low:
					st.XAlign, left = draw.XRight, x(e.hz)-6-w
				default:
					left = x(e.hz) + 6
				}
				const step = 8
				for y := c.Min.Y + 6; y+h <= c.Max.Y-6; y += step {
					// At the top if it can be, at the bottom rather than between.
					fromTop, fromBottom := float64(c.Max.Y-6-h-y), float64(y-c.Min.Y-6)
					cost := math.Min(fromTop, fromBottom+40)/10 + float64(k)/2
					if !outside {
						cost += 3
					}
					if cost >= best.cost {
						continue
					}
					r := rectAt(left, y, w, h)
					if !pl.clear(r) {
						continue
					}
					best.r, best.lines, best.sty, best.cost = r, lines, st, cost
				}
			}
		}
		if best.cost >= forbidden {
			homeless = append(homeless, e)
			continue
		}
		pl.taken = append(pl.taken, best.r)
		if !dry {
			under := best.r
			spare := (under.Max.X - under.Min.X) * (1 - 1/spareWidth)
			switch best.sty.XAlign {
			case draw.XRight:
				under.Min.X += spare
			case draw.XCenter:
				under.Min.X += spare / 2
				under.Max.X -= spare / 2
			default:
				under.Max.X -= spare
			}
			veil(&c, under, s.ground(under, x))
			note(&c, best.sty, best.r, best.lines)
		}
	}
	return homeless
}

// percent writes what the levels are as shares, on the right of the panel:
// -20 dB is 10 %, -40 dB is 1 %.
func (s *spectrum) percent(c draw.Canvas, y func(float64) vg.Length) {
	sty := textStyle(tickSize, ink, false, draw.XLeft, draw.YCenter)
	for db := 20 * math.Floor(s.top/20); db >= s.bottom; db -= 20 {
		at := y(db)
		c.StrokeLine2(draw.LineStyle{Color: frameGrey, Width: 0.75}, c.Max.X, at, c.Max.X+5, at)
		middle(&c, sty, vg.Point{X: c.Max.X + 8, Y: at}, strconv.FormatFloat(math.Pow10(int(math.Round(db/20))+2), 'g', 3, 64)+" %")
	}
}
