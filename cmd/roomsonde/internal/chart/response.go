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

	// The room's noise in the same scale, drawn thin; both may be empty.
	NoiseHz, NoiseDB []float64

	Smoothing string // as in "1/24 octave"; "none" or "" is shown as "not smoothed"
	Reference string // unit and reference of the dB axis; "": "dB"

	// FromHz and ToHz are the ends of the frequency axis. 0: 20 Hz to 20 kHz,
	// or 10 Hz to 200 or 500 Hz when nothing above can be read.
	FromHz, ToHz float64
	// TopDB is the upper end of the level axis, to give several drawings the
	// same one. nil: the next step of 5 dB with 3 dB of air over the highest
	// readable point.
	TopDB *float64
	// SpanDB is the height of the level axis in dB. 0: 50.
	SpanDB float64
}

// maxCurves is the number of strokes that can be told apart.
var maxCurves = len(strokes)

const (
	defaultSpanDB   = 50
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

func (v Response) resolve() (*spectrum, error) {
	if len(v.Curves) == 0 {
		return nil, &DataError{What: "response", Why: "there is no curve to draw"}
	}
	if len(v.Curves) > maxCurves {
		return nil, &DataError{What: "response", Why: fmt.Sprintf("%d curves in one drawing cannot be told apart", len(v.Curves)), Do: fmt.Sprintf("draw %d curves or fewer at a time", maxCurves)}
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
	return s, nil
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
	case highest <= 400:
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

// paint lays the drawing out. Names go to the curves; where one does not find
// a clear place they all go into a key over the panel instead.
func (s *spectrum) paint(c draw.Canvas) {
	c = heading(c, s.title, s.subtitle, s.foot)
	c = caption(c, s.left, s.right)
	named := s.always || len(s.curves) > 1 || len(s.noise.hz) > 0
	if s.percentAxis {
		c.Max.X -= 44
	}
	if !named {
		s.panel(c, false, false)
		return
	}
	if s.panel(c, true, true) {
		s.panel(c, true, false)
		return
	}
	var items []keyItem
	for _, cv := range s.curves {
		if cv.name == "" {
			cv.name = "measured"
		}
		st := cv.stroke
		items = append(items, keyItem{lineSample(st.line(2)), cv.name, textStyle(textSize, darkText(st.colour), true, 0, 0)})
	}
	if len(s.noise.hz) > 0 {
		items = append(items, keyItem{lineSample(noiseLine), s.noise.name, textStyle(textSize, quiet, false, 0, 0)})
	}
	s.panel(key(c, items), false, false)
}

var noiseLine = draw.LineStyle{Color: noiseGrey, Width: 1}

// panel draws axes, curves and writing. With dry it draws nothing and reports
// whether all names find a place at their curves.
func (s *spectrum) panel(c draw.Canvas, names, dry bool) (placed bool) {
	placed = true
	label := func(v float64) string { return signed(v, 0, s.plusSign) }
	p := panel(true, [2]float64{s.from, s.to}, [2]float64{s.bottom, s.top},
		frequencyTicks(s.from, s.to), stepTicks(s.bottom, s.top, s.minor, s.major, label))
	draws := func(c draw.Canvas, p *plot.Plot) { placed = s.data(c, p, names, dry) }
	if dry {
		draws(p.DataCanvas(c), p)
		return placed
	}
	p.Add(plotterFunc(s.shade), grid{}, plotterFunc(draws))
	p.Draw(c)
	return placed
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

// outer returns the range in which at least one curve can be read.
func (s *spectrum) outer() (from, to float64) {
	from, to = s.to, s.from
	for _, cv := range s.curves {
		f, t := s.band(cv)
		from, to = math.Min(from, f), math.Max(to, t)
	}
	return from, to
}

func (s *spectrum) data(c draw.Canvas, p *plot.Plot, names, dry bool) (placed bool) {
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

	s.ends(c, x, pl, dry)
	if !names {
		return true
	}

	placed = true
	put := func(own int, name string, sty draw.LineStyle, from, to vg.Length, size vg.Length, bold bool) {
		ts := textStyle(size, darkText(sty.Color), bold, draw.XLeft, draw.YCenter)
		const gap = 5
		w, h := ts.Width(name)+keySample+gap, lineHeight(ts)
		r, ok := pl.besideCurve(own, w, h, from, to)
		if !ok {
			placed = false
			return
		}
		pl.taken = append(pl.taken, r)
		if dry {
			return
		}
		veil(&c, r, paper)
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
	return placed
}

// end is one end of a readable band, or the whole of a band that does not
// reach into the axis.
type end struct {
	hz     float64
	reason string
	low    bool
	none   bool // nothing on the axis can be read
}

// bandEnds returns the ends that lie on the axis.
func (s *spectrum) bandEnds(cv series) (es []end) {
	from, to := s.band(cv)
	low := end{hz: cv.readable.FromHz, reason: clean(cv.readable.FromReason), low: true}
	high := end{hz: cv.readable.ToHz, reason: clean(cv.readable.ToReason)}
	switch {
	case from >= s.to:
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

// ends marks where the readable bands end, and says why.
func (s *spectrum) ends(c draw.Canvas, x func(float64) vg.Length, pl *placer, dry bool) {
	owners := map[end][]int{}
	var all []end
	for i, cv := range s.curves {
		for _, e := range s.bandEnds(cv) {
			if owners[e] == nil {
				all = append(all, e)
			}
			owners[e] = append(owners[e], i)
		}
	}
	for _, e := range all {
		if at := x(e.hz); !dry && !e.none {
			c.StrokeLine2(draw.LineStyle{Color: frameGrey, Width: 1, Dashes: []vg.Length{4, 3}}, at, c.Min.Y, at, c.Max.Y)
		}
	}
	from, to := s.outer()
	for _, e := range all {
		words := orElse(s.beyond, "not readable")
		head := words + " above " + Hz(e.hz)
		if e.low {
			head = words + " below " + Hz(e.hz)
		}
		sty := textStyle(noteSize, quiet, false, draw.XLeft, draw.YTop)
		// An end that only some of the curves have is theirs by name.
		if own := owners[e]; len(own) < len(s.curves) {
			var names []string
			for _, i := range own {
				names = append(names, s.curves[i].name)
			}
			head = fit(sty, strings.Join(names, ", "), 160) + ": " + head
			sty.Color = darkText(s.curves[own[0]].stroke.colour)
		}
		var best struct {
			r      vg.Rectangle
			lines  []string
			sty    draw.TextStyle
			ground color.RGBA // of the panel there
			cost   float64
		}
		best.cost = forbidden
		for _, width := range []vg.Length{240, 190, 150, 110} {
			lines := append([]string{head}, balanced(sty, e.reason, width, 3)...)
			w, h := noteSizeOf(sty, lines)
			heights := []vg.Length{c.Max.Y - 6 - h, c.Min.Y + 6, c.Max.Y - 60 - h, c.Min.Y + 60, c.Center().Y}
			for _, outside := range []bool{true, false} {
				st, left := sty, x(e.hz)+6
				if outside == e.low {
					st.XAlign, left = draw.XRight, left-12-w
				}
				if e.none {
					st.XAlign, left = draw.XCenter, c.Center().X-w/2
				}
				for k, y := range heights {
					r := rectAt(left, y, w, h)
					cost := pl.cost(r) + float64(k)
					if !outside {
						cost += 2
					}
					if cost < best.cost {
						best.r, best.lines, best.sty, best.cost = r, lines, st, cost
						best.ground = paper
						if (outside || e.none) && (e.low && e.hz <= from || !e.low && e.hz >= to || from >= to) {
							best.ground = shadeGrey
						}
					}
				}
			}
		}
		if best.cost >= forbidden {
			continue
		}
		pl.taken = append(pl.taken, best.r)
		if !dry {
			if best.cost < 10 { // else a curve runs below, which a veil would hide
				veil(&c, best.r, best.ground)
			}
			note(&c, best.sty, best.r, best.lines)
		}
	}
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
