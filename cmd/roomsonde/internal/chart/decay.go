package chart

import (
	"fmt"
	"image/color"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"roomsonde/sweep/scale"
)

// DecayBand is the decay in one octave or one-third-octave band.
type DecayBand struct {
	Label string      // nominal frequency, "63" or "63 Hz"; "": from MidHz
	MidHz float64     // exact mid-band frequency
	Width scale.Width // 0: octave; the same in all bands of a drawing

	// Decay times extrapolated to 60 dB, in seconds; nil where refused.
	EDT, T20, T30 *float64
	// Times that are given but doubtful; they are drawn hollow.
	EDTDoubtful, T20Doubtful, T30Doubtful bool
	// Reason says why a value is refused; "" when none is.
	Reason string
}

// Decay answers "How long does it ring?": early decay time, T20 and T30 per
// band (ISO 3382-1), each with a mark of its own shape, over a bar as high as
// T20, or T30 where T20 is refused. Marks of sound times are filled; those of
// doubtful ones are hollow, and their bars pale. The bands end one above the last
// that has a time.
type Decay struct {
	Title    string // "": "How long does it ring?"
	Subtitle string // source, seat, take, date
	Bands    []DecayBand

	// TopSeconds is the upper end of the time axis, to give several drawings
	// the same one; a longer time is written at the top of its bar.
	// 0: chosen, at least 0.6 s, to hold all times but those doubtful ones that
	// stand alone above all others.
	TopSeconds float64

	// Command shows all reasons, as "roomsonde show 1 --thirds"; "": not named.
	Command string
}

// Render implements View.
func (v Decay) Render(w io.Writer, f Format, size ...Size) error {
	d, err := v.resolve()
	if err != nil {
		return err
	}
	return render(w, f, size, d.title, d.alt(), d.paint)
}

type decayDrawing struct {
	title, subtitle string
	bands           []DecayBand
	ratio           float64 // upper over lower edge of a band
	width           scale.Width
	top             float64
	minor, major    float64
	letters         []string // of each band; "" where nothing is refused
	foot            []string
	count           [3]int // bands with EDT, T20, T30
	last            string // frequency of the last band drawn, where bands after it are left out; else ""
	command         string
}

func (b DecayBand) times() [3]*float64 { return [3]*float64{b.EDT, b.T20, b.T30} }

func (b DecayBand) doubtful() [3]bool {
	return [3]bool{b.EDTDoubtful, b.T20Doubtful, b.T30Doubtful}
}

// bar returns the time that a band's bar shows: T20, else T30, else none.
func (b DecayBand) bar() (t *float64, doubtful bool) {
	if b.T20 != nil {
		return b.T20, b.T20Doubtful
	}
	return b.T30, b.T30Doubtful
}

func (b DecayBand) refused() bool { return b.times() == [3]*float64{} }

var decayNames = [3]string{"EDT", "T20", "T30"}

func (v Decay) resolve() (*decayDrawing, error) {
	if len(v.Bands) == 0 {
		return nil, &DataError{What: "decay", Why: "there is no band to draw"}
	}
	d := &decayDrawing{title: orElse(v.Title, "How long does it ring?"), subtitle: v.Subtitle, width: v.Bands[0].Width, command: clean(v.Command)}
	if d.width == 0 {
		d.width = scale.Octave
	}
	if d.width < 1 || d.width > 24 {
		return nil, &DataError{What: "decay", Why: fmt.Sprintf("bands of a width of %s", d.width)}
	}
	d.ratio = math.Pow(10, 0.3/float64(d.width)) // IEC 61260-1:2014, 5.2
	for i, b := range v.Bands {
		b.Label = clean(b.Label)
		if math.IsNaN(b.MidHz) || math.IsInf(b.MidHz, 0) || b.MidHz <= 0 {
			return nil, &DataError{What: fmt.Sprintf("decay, band %d", i+1), Why: fmt.Sprintf("its mid-band frequency is %g Hz", b.MidHz)}
		}
		if b.Label == "" {
			b.Label = shortHz(b.MidHz)
		}
		what := "decay, band " + b.Label
		if b.Width == 0 {
			b.Width = scale.Octave
		}
		if b.Width != d.width {
			return nil, &DataError{What: what, Why: fmt.Sprintf("it is of width %s among others of width %s", b.Width, d.width), Do: "draw octave and one-third-octave bands one at a time"}
		}
		if i > 0 && b.MidHz < v.Bands[i-1].MidHz*math.Sqrt(d.ratio) {
			return nil, &DataError{What: what, Why: "it overlaps the band before it", Do: "sort the bands by frequency and drop repeated ones"}
		}
		for k, t := range b.times() {
			if t == nil {
				continue
			}
			if math.IsNaN(*t) || math.IsInf(*t, 0) || *t < 0 {
				return nil, &DataError{What: what, Why: fmt.Sprintf("its %s is %g s", decayNames[k], *t), Do: "leave out a time that could not be worked out, and give the reason"}
			}
		}
		d.bands = append(d.bands, b)
	}
	d.endBands()
	for _, b := range d.bands {
		for k, t := range b.times() {
			if t != nil {
				d.count[k]++
			}
		}
	}
	d.chooseTop(v.TopSeconds)
	d.giveReasons()
	return d, nil
}

// endBands leaves out the bands from the second after the last with a time on;
// a subwoofer would else be drawn as a long row of refusals. Some stay, to be
// seen as bands; where no band has a time all do.
func (d *decayDrawing) endBands() {
	const least = 4
	last := -1
	for i, b := range d.bands {
		if !b.refused() {
			last = i
		}
	}
	if end := max(last+2, least); last >= 0 && end < len(d.bands) {
		d.bands = d.bands[:end]
		d.last = bare(d.bands[end-1].Label) + " Hz"
		if hz, err := strconv.ParseFloat(bare(d.bands[end-1].Label), 64); err == nil {
			d.last = Hz(hz)
		}
		d.last = strings.Replace(d.last, "k Hz", " kHz", 1)
	}
}

// chooseTop chooses the time axis so that what is written at its top, for times
// above it, covers no mark.
func (d *decayDrawing) chooseTop(fixed float64) {
	need := d.longest()
	d.setTop(need, fixed)
	if fixed > 0 {
		return
	}
	const free = 0.8 // of the axis, below the writing
	for range 5 {
		high := need
		for i, b := range d.bands {
			if !d.beyond(b) {
				continue
			}
			for _, near := range d.bands[max(0, i-1):min(i+2, len(d.bands))] {
				for _, t := range near.times() {
					if t != nil && *t <= d.top && *t > free*d.top {
						high = math.Max(high, *t/free)
					}
				}
			}
		}
		if high <= need {
			return
		}
		need = high
		d.setTop(need, 0)
	}
}

// beyond reports whether a band has a time above the axis.
func (d *decayDrawing) beyond(b DecayBand) bool {
	for _, t := range b.times() {
		if t != nil && *t > d.top {
			return true
		}
	}
	return false
}

// longest returns the longest time that the axis must hold: a sound one, or a
// doubtful one that another time in its band or the next backs. Where there is
// neither, any.
func (d *decayDrawing) longest() float64 {
	const backs = 1.5 // up to so many times as long as another
	best, any := 0.0, 0.0
	for i, b := range d.bands {
		for k, t := range b.times() {
			if t == nil {
				continue
			}
			any = math.Max(any, *t)
			backed := !b.doubtful()[k]
			for j := max(0, i-1); j < min(i+2, len(d.bands)); j++ {
				for l, other := range d.bands[j].times() {
					if other != nil && (j != i || l != k) && *t <= backs**other {
						backed = true
					}
				}
			}
			if backed {
				best = math.Max(best, *t)
			}
		}
	}
	if best == 0 {
		return any
	}
	return best
}

// setTop sets the time axis: steps of 0.1 s for ordinary rooms, wider ones
// for halls.
func (d *decayDrawing) setTop(longest, fixed float64) {
	need := math.Max(0.6, longest*1.06)
	if fixed > 0 && !math.IsInf(fixed, 0) {
		need = fixed
	}
	d.major = 0.1
	for k := 0; need/d.major > 8.001; k++ {
		d.major = [3]float64{0.1, 0.2, 0.5}[(k+1)%3] * math.Pow10((k+1)/3)
	}
	d.minor = d.major / 2
	d.top = need
	if fixed <= 0 {
		d.top = math.Ceil(need/d.major-1e-9) * d.major
	}
}

// number is one with its sign, but not the figures of a name such as T20.
var number = regexp.MustCompile(`[-−]?\b\d+(?:\.\d+)?`)

// otherReason marks bands whose reasons do not stand at the foot. It is no letter:
// those of the text, which it points to, count other reasons.
const otherReason = "*"

// giveReasons gives each of the first reasons a letter and a line at the foot, and
// all others one mark. Reasons that differ only in their numbers share a line with
// the range of the numbers, so that thirty bands do not make thirty lines.
func (d *decayDrawing) giveReasons() {
	type group struct {
		letter string
		low    []string
		high   []string
		text   []string // between the numbers
		whole  bool     // all of a band refused, somewhere
	}
	groups := map[string]*group{}
	var order []*group
	d.letters = make([]string, len(d.bands))
	of := make([]*group, len(d.bands))
	for i, b := range d.bands {
		reason := clean(b.Reason)
		if reason == "" {
			if !b.refused() {
				continue
			}
			reason = "no reason given"
		}
		id := number.ReplaceAllString(reason, "#")
		nums := number.FindAllString(reason, -1)
		g := groups[id]
		if g == nil {
			g = &group{text: number.Split(reason, -1), low: nums, high: append([]string(nil), nums...)}
			groups[id] = g
			order = append(order, g)
		}
		for k, n := range nums {
			if value(n) < value(g.low[k]) {
				g.low[k] = n
			}
			if value(n) > value(g.high[k]) {
				g.high[k] = n
			}
		}
		g.whole = g.whole || b.refused()
		of[i] = g
	}
	const most = 4
	told := len(order)
	if told > most {
		told = most - 1
	}
	for i, g := range order {
		g.letter = otherReason
		if i < told {
			g.letter = string(rune('a' + i))
		}
	}
	for i, g := range of {
		if g != nil {
			d.letters[i] = g.letter
		}
	}
	for i, g := range order {
		if i == told {
			rest := otherReason + ": other reasons"
			if d.command != "" {
				if d.anyDoubtful() {
					rest += ", and why times are doubtful"
				}
				rest += ": see " + d.command + " (its letters are its own)"
			}
			d.foot = append(d.foot, rest)
			break
		}
		var s strings.Builder
		for k, t := range g.text {
			s.WriteString(t)
			if k < len(g.low) {
				s.WriteString(g.low[k])
				if g.low[k] != g.high[k] {
					s.WriteString(" to " + g.high[k])
				}
			}
		}
		d.foot = append(d.foot, g.letter+": "+s.String())
	}
	if told == len(order) && d.command != "" && d.anyDoubtful() {
		d.foot = append(d.foot, "hollow: why they are doubtful, see "+d.command)
	}
}

func (d *decayDrawing) anyDoubtful() bool {
	for _, b := range d.bands {
		for k, t := range b.times() {
			if t != nil && b.doubtful()[k] {
				return true
			}
		}
	}
	return false
}

func value(s string) float64 {
	v, _ := strconv.ParseFloat(strings.ReplaceAll(s, "−", "-"), 64)
	return v
}

func (d *decayDrawing) anyDoubtfulBar() bool {
	for _, b := range d.bands {
		if t, doubtful := b.bar(); t != nil && doubtful {
			return true
		}
	}
	return false
}

func (d *decayDrawing) alt() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s. Decay times in %s bands.", d.subtitle, d.width)
	for _, band := range d.bands {
		fmt.Fprintf(&b, " %s:", band.Label)
		if band.refused() {
			b.WriteString(" none,")
		}
		for k, t := range band.times() {
			if t != nil {
				fmt.Fprintf(&b, " %s %.2f s", decayNames[k], *t)
				if band.doubtful()[k] {
					b.WriteString(" (doubtful)")
				}
				b.WriteString(",")
			}
		}
	}
	s := strings.TrimSuffix(b.String(), ",") + "."
	if d.last != "" {
		s += " All bands above " + d.last + " are refused."
	}
	return s
}

// The marks of the three times differ in shape: diamond, disc, triangle. That of
// a doubtful time is hollow.
type decayMark func(c *draw.Canvas, at vg.Point, r vg.Length, hollow bool)

var decayMarks = [3]decayMark{
	func(c *draw.Canvas, at vg.Point, r vg.Length, hollow bool) {
		polygon(c, green, hollow, at, vg.Point{X: 0, Y: 1.3 * r}, vg.Point{X: 1.3 * r, Y: 0}, vg.Point{X: 0, Y: -1.3 * r}, vg.Point{X: -1.3 * r, Y: 0})
	},
	func(c *draw.Canvas, at vg.Point, r vg.Length, hollow bool) {
		if !hollow {
			c.DrawGlyphNoClip(draw.GlyphStyle{Color: blue, Radius: r, Shape: draw.CircleGlyph{}}, at)
			return
		}
		ring(c, blue, at, r*0.95, hollowWidth)
	},
	func(c *draw.Canvas, at vg.Point, r vg.Length, hollow bool) {
		polygon(c, vermillion, hollow, at, vg.Point{X: 0, Y: 1.25 * r}, vg.Point{X: 1.2 * r, Y: -0.85 * r}, vg.Point{X: -1.2 * r, Y: -0.85 * r})
	},
}

// hollowWidth is the width of the line around a hollow mark.
const hollowWidth = 1.5

func polygon(c *draw.Canvas, col color.Color, hollow bool, at vg.Point, corners ...vg.Point) {
	pts := make([]vg.Point, len(corners))
	for i, p := range corners {
		pts[i] = at.Add(p)
	}
	if !hollow {
		c.FillPolygon(col, pts)
		return
	}
	c.FillPolygon(paper, pts)
	c.StrokeLines(draw.LineStyle{Color: col, Width: hollowWidth}, append(pts, pts[0], pts[1]))
}

// ring draws a circle with paper in it.
func ring(c *draw.Canvas, col color.Color, at vg.Point, r, width vg.Length) {
	c.DrawGlyphNoClip(draw.GlyphStyle{Color: paper, Radius: r, Shape: draw.CircleGlyph{}}, at)
	var p vg.Path
	p.Move(at.Add(vg.Point{X: r}))
	p.Arc(at, r, 0, 2*math.Pi)
	c.SetLineStyle(draw.LineStyle{Color: col, Width: width})
	c.Stroke(p)
}

// barColour is that of the bars: pale where their time is doubtful.
func barColour(doubtful bool) color.Color {
	if doubtful {
		return mix(sky, paper, 0.82)
	}
	return mix(sky, paper, 0.56)
}

func (d *decayDrawing) paint(c draw.Canvas) {
	c = heading(c, d.title, d.subtitle, d.foot)
	bands := "in octave bands"
	if d.width == scale.Third {
		bands = "in one-third-octave bands"
	} else if d.width != scale.Octave {
		bands = "in bands of " + d.width.String()
	}
	if d.last != "" {
		bands += ", all above " + d.last + " refused"
	}
	c = caption(c, "seconds for a decay of 60 dB", bands)

	text := textStyle(textSize, ink, false, 0, 0)
	var items []keyItem
	for k, name := range decayNames {
		switch n := d.count[k]; {
		case n == 0:
			name += " (no band)"
		case n < len(d.bands):
			name += fmt.Sprintf(" (%d of %d bands)", n, len(d.bands))
		}
		mark := decayMarks[k]
		items = append(items, keyItem{func(c *draw.Canvas, at vg.Point) { mark(c, at.Add(vg.Point{X: 5}), 5, false) }, name, text})
	}
	if d.count[1]+d.count[2] > 0 {
		items = append(items, keyItem{func(c *draw.Canvas, at vg.Point) {
			c.FillPolygon(barColour(false), rectPoints(rectAt(at.X-4, at.Y-7, 18, 14)))
		}, "bar: T20, else T30", text})
	}
	if d.anyDoubtful() {
		words := "hollow: doubtful"
		if d.anyDoubtfulBar() {
			words = "hollow, pale: doubtful"
		}
		items = append(items, keyItem{func(c *draw.Canvas, at vg.Point) {
			if d.anyDoubtfulBar() {
				c.FillPolygon(barColour(true), rectPoints(rectAt(at.X-14, at.Y-8, 28, 16)))
			}
			for k, mark := range decayMarks {
				mark(c, at.Add(vg.Point{X: 9 * vg.Length(k-1)}), 3.2, true)
			}
		}, words, text})
	}
	for i, b := range d.bands {
		if b.refused() {
			letter := d.letters[i]
			items = append(items, keyItem{func(c *draw.Canvas, at vg.Point) { refusedMark(c, at.Add(vg.Point{X: 4}), letter) }, "refused", text})
			break
		}
	}
	c = key(c, items, false)

	half := math.Sqrt(d.ratio)
	from, to := d.bands[0].MidHz/half, d.bands[len(d.bands)-1].MidHz*half
	p := panel(true, [2]float64{from, to}, [2]float64{0, d.top}, nil, secondsTicks(d.top, d.minor, d.major))
	p.X.Tick.Marker = plot.ConstantTicks(d.ticks(c.Max.X - c.Min.X - 60))
	p.Add(plotterFunc(d.data))
	p.Draw(c)
}

// bare returns a band's label without its unit.
func bare(label string) string { return strings.TrimSuffix(strings.TrimSuffix(label, "Hz"), " ") }

// ticks labels the bands, as many as fit side by side: all, every second octave, or
// every third third of one, with 1 kHz (or the middle one) among them.
func (d *decayDrawing) ticks(width vg.Length) []plot.Tick {
	sty := textStyle(tickSize, ink, false, 0, 0)
	var widest vg.Length
	labels := make([]string, len(d.bands))
	middle, near := 0, math.Inf(1)
	for i, b := range d.bands {
		l := bare(b.Label)
		if v, err := strconv.ParseFloat(l, 64); err == nil && v >= 1000 {
			l = shortHz(v)
		}
		labels[i] = l
		widest = max(widest, sty.Width(l))
		if o := math.Abs(math.Log(b.MidHz / 1000)); o < near {
			middle, near = i, o
		}
	}
	slots := math.Log(d.bands[len(d.bands)-1].MidHz/d.bands[0].MidHz)/math.Log(d.ratio) + 1
	step, steps := 1, []int{1, 3, 6, 12, 24}
	if d.ratio > 1.5 {
		steps = []int{1, 2, 4, 8}
	}
	for _, step = range steps {
		if widest+8 <= width/vg.Length(slots)*vg.Length(step) {
			break
		}
	}
	ticks := make([]plot.Tick, len(d.bands))
	for i, b := range d.bands {
		ticks[i].Value = b.MidHz
		if (i-middle)%step == 0 {
			ticks[i].Label = labels[i]
		}
	}
	first := true
	for i := range ticks {
		if ticks[i].Label != "" && first && !strings.HasSuffix(ticks[i].Label, "k") {
			ticks[i].Label += " Hz"
			first = false
		}
	}
	return ticks
}

// refusedMark is an open ring with the letter of the reason.
func refusedMark(c *draw.Canvas, at vg.Point, letter string) {
	ring(c, quiet, at, 8, 1.25)
	if letter != "" {
		middle(c, textStyle(noteSize, ink, false, draw.XCenter, 0), at.Add(vg.Point{Y: -0.5}), letter)
	}
}

func (d *decayDrawing) data(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	allRungs(c, p)
	half := math.Sqrt(d.ratio)
	for _, b := range d.bands {
		left, right := x(b.MidHz/half), x(b.MidHz*half)
		inset := (right - left) * 0.08
		if t, doubtful := b.bar(); t != nil {
			bar := vg.Rectangle{Min: vg.Point{X: left + inset, Y: c.Min.Y}, Max: vg.Point{X: right - inset, Y: y(math.Min(*t, d.top))}}
			c.FillPolygon(barColour(doubtful), rectPoints(bar))
		}
	}
	frame(c)
	for i, b := range d.bands {
		left, right := x(b.MidHz/half), x(b.MidHz*half)
		w := right - left
		r := min(5, max(2, w*0.15))
		doubtful := b.doubtful()
		above := c.Max.Y - 9
		for k, t := range b.times() {
			if t == nil {
				continue
			}
			at := vg.Point{X: (left+right)/2 + w*0.28*vg.Length(k-1), Y: y(*t)}
			if *t > d.top { // too long for the axis: its mark and its value at the top
				at.Y = above
				sty := textStyle(noteSize-1, ink, false, draw.XCenter, 0)
				label := strconv.FormatFloat(*t, 'f', 1, 64) + "↑"
				middle(&c, sty, vg.Point{X: (left + right) / 2, Y: above - 14}, label)
				above -= 28
			}
			decayMarks[k](&c, at, r, doubtful[k])
		}
		foot := vg.Point{X: (left + right) / 2, Y: c.Min.Y + 13}
		switch {
		case b.refused():
			refusedMark(&c, foot, d.letters[i])
		case d.letters[i] != "":
			middle(&c, textStyle(noteSize, ink, false, draw.XCenter, 0), foot, d.letters[i])
		}
	}
}
