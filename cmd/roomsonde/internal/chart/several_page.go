package chart

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"html"
	"image"
	"image/color"
	"image/png"
	"math"
	"slices"
	"strconv"
	"strings"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Page is a drawing made to stand in a web page: an SVG without a heading of its
// own, whose colours are classes, so that the page chooses them for light and
// dark, and whose curves are groups that the page shows and hides.
//
// Every curve i is a <g class="curve" data-curve="i">, its name at the right edge
// a <g class="end" data-curve="i">, or beside a curve that ends before the edge a
// <g class="name" data-curve="i">; a curve that is not shown at first has the
// class "off" as well. The page needs the rules of PageStyle.
type Page struct {
	SVG           []byte
	Width, Height float64 // of the view box

	// Left, Top, Right and Bottom bound the panel in the view box, y downward.
	Left, Top, Right, Bottom float64
	// Floor is the bottom of the lowest panel, where several stand over each other
	// on one frequency axis; else it is Bottom.
	Floor float64
	// The axes of the panel: the frequency axis is logarithmic, the other linear.
	FromHz, ToHz float64
	Low, High    float64

	colours map[color.RGBA]bool
}

// X returns where a frequency lies in the view box.
func (p *Page) X(hz float64) float64 {
	return p.Left + (p.Right-p.Left)*math.Log(hz/p.FromHz)/math.Log(p.ToHz/p.FromHz)
}

// Y returns where a value lies in the view box.
func (p *Page) Y(v float64) float64 {
	return p.Bottom - (p.Bottom-p.Top)*(v-p.Low)/(p.High-p.Low)
}

// PageOptions says how a drawing for a page is laid out. The zero value is
// 800 x 450 units, of which a letter of a note is 13.5 high.
type PageOptions struct {
	Width, Height float64 // of the view box; 0: 800 x 450
	Name          string  // of the drawing among those of a page, for its IDs
	// Hidden tells which curves are not shown at first; it may be short or nil.
	Hidden []bool
	// NoEnds leaves the names at the right edge out, for a drawing so narrow that
	// they would take it up. Up to two curves are then named over the panel; more
	// the page must name.
	NoEnds bool
}

// Paged is a view that can stand in a page.
type Paged interface {
	View
	// Page draws the view for a web page. Errors are *DataError.
	Page(o PageOptions) (*Page, error)
}

var (
	_ Paged = Several{}
	_ Paged = Change{}
	_ Paged = DecayTimes{}
)

// pageCanvas is a vg.Canvas that writes the SVG of a Page.
type pageCanvas struct {
	buf     bytes.Buffer
	height  float64
	state   pageState
	stack   []pageState
	align   text.XAlignment // of the text about to be written
	colours map[color.RGBA]bool
}

type pageState struct {
	m      [6]float64 // x' = m0·x + m2·y + m4, y' = m1·x + m3·y + m5, y upward
	width  float64
	dashes []vg.Length
	offset vg.Length
	colour color.RGBA
}

func newPageCanvas(height float64) *pageCanvas {
	return &pageCanvas{height: height, state: pageState{m: [6]float64{1, 0, 0, 1, 0, 0}, width: 1}, colours: map[color.RGBA]bool{}}
}

func (c *pageCanvas) SetLineWidth(w vg.Length) { c.state.width = w.Points() }
func (c *pageCanvas) SetLineDash(d []vg.Length, offset vg.Length) {
	c.state.dashes, c.state.offset = d, offset
}

func (c *pageCanvas) SetColor(col color.Color) {
	c.state.colour = color.RGBAModel.Convert(col).(color.RGBA)
}

func (c *pageCanvas) Push() { c.stack = append(c.stack, c.state) }
func (c *pageCanvas) Pop() {
	c.state = c.stack[len(c.stack)-1]
	c.stack = c.stack[:len(c.stack)-1]
}

func (c *pageCanvas) apply(n [6]float64) {
	m := c.state.m
	c.state.m = [6]float64{
		m[0]*n[0] + m[2]*n[1], m[1]*n[0] + m[3]*n[1],
		m[0]*n[2] + m[2]*n[3], m[1]*n[2] + m[3]*n[3],
		m[0]*n[4] + m[2]*n[5] + m[4], m[1]*n[4] + m[3]*n[5] + m[5],
	}
}

func (c *pageCanvas) Rotate(rad float64) {
	sin, cos := math.Sincos(rad)
	c.apply([6]float64{cos, sin, -sin, cos, 0, 0})
}
func (c *pageCanvas) Translate(pt vg.Point) {
	c.apply([6]float64{1, 0, 0, 1, pt.X.Points(), pt.Y.Points()})
}
func (c *pageCanvas) Scale(x, y float64) { c.apply([6]float64{x, 0, 0, y, 0, 0}) }

// at returns a point in the view box.
func (c *pageCanvas) at(pt vg.Point) (x, y float64) {
	m := c.state.m
	a, b := pt.X.Points(), pt.Y.Points()
	return m[0]*a + m[2]*b + m[4], c.height - (m[1]*a + m[3]*b + m[5])
}

// num writes a coordinate: a tenth of a unit is less than anyone sees.
func num(v float64) string {
	s := strconv.FormatFloat(v, 'f', 1, 64)
	s = strings.TrimSuffix(s, ".0")
	if s == "-0" {
		return "0"
	}
	return s
}

// data writes a path with steps relative to the point before, which are short.
func (c *pageCanvas) data(path vg.Path) string {
	var b strings.Builder
	// In tenths of a unit, so that rounding does not add up.
	var px, py int64
	tenth := func(v float64) int64 { return int64(math.Round(v * 10)) }
	put := func(cmd byte, pts ...vg.Point) {
		b.WriteByte(cmd)
		ox, oy := px, py
		for i, p := range pts {
			x, y := c.at(p)
			tx, ty := tenth(x), tenth(y)
			dx, dy := num(float64(tx-ox)/10), num(float64(ty-oy)/10)
			if i > 0 && dx[0] != '-' {
				b.WriteByte(' ')
			}
			b.WriteString(dx)
			if dy[0] != '-' {
				b.WriteByte(' ')
			}
			b.WriteString(dy)
			px, py = tx, ty
		}
	}
	start := [2]int64{}
	for _, comp := range path {
		switch comp.Type {
		case vg.MoveComp:
			put('m', comp.Pos)
			start = [2]int64{px, py}
		case vg.LineComp:
			put('l', comp.Pos)
		case vg.CurveComp:
			put("qc"[len(comp.Control)-1], append(slices.Clone(comp.Control), comp.Pos)...)
		case vg.ArcComp:
			on := func(a float64) vg.Point {
				sin, cos := math.Sincos(a)
				return comp.Pos.Add(vg.Point{X: comp.Radius * vg.Length(cos), Y: comp.Radius * vg.Length(sin)})
			}
			first := on(comp.Start)
			if b.Len() == 0 {
				put('m', first)
				start = [2]int64{px, py}
			} else {
				put('l', first)
			}
			// A quarter of a circle at a time, as a cubic curve; its error is 0.03 % of
			// the radius.
			n := int(math.Ceil(math.Abs(comp.Angle) / (math.Pi / 2)))
			step := comp.Angle / float64(max(n, 1))
			k := vg.Length(4.0/3*math.Tan(step/4)) * comp.Radius
			for i := range n {
				a0 := comp.Start + step*float64(i)
				a1 := a0 + step
				s0, c0 := math.Sincos(a0)
				s1, c1 := math.Sincos(a1)
				put('c', on(a0).Add(vg.Point{X: -k * vg.Length(s0), Y: k * vg.Length(c0)}),
					on(a1).Add(vg.Point{X: k * vg.Length(s1), Y: -k * vg.Length(c1)}), on(a1))
			}
		case vg.CloseComp:
			b.WriteByte('z')
			px, py = start[0], start[1]
		}
	}
	return b.String()
}

// class returns the class of a colour, for a use: "s" for strokes, "f" for
// fillings.
func (c *pageCanvas) class(use string) string {
	col := c.state.colour
	c.colours[col] = true
	return use + colourName(col)
}

func colourName(c color.RGBA) string { return fmt.Sprintf("%02x%02x%02x", c.R, c.G, c.B) }

func (c *pageCanvas) Stroke(path vg.Path) {
	if c.state.width <= 0 || len(path) == 0 {
		return
	}
	fmt.Fprintf(&c.buf, `<path class="s %s" d="%s"`, c.class("s"), c.data(path))
	if c.state.width != 1 {
		fmt.Fprintf(&c.buf, ` stroke-width="%.3g"`, c.state.width)
	}
	if len(c.state.dashes) > 0 {
		var d []string
		for _, l := range c.state.dashes {
			d = append(d, num(l.Points()))
		}
		fmt.Fprintf(&c.buf, ` stroke-dasharray="%s"`, strings.Join(d, " "))
	}
	c.buf.WriteString("/>\n")
}

func (c *pageCanvas) Fill(path vg.Path) {
	if len(path) > 0 {
		fmt.Fprintf(&c.buf, `<path class="%s" d="%s"/>`+"\n", c.class("f"), c.data(path))
	}
}

func (c *pageCanvas) FillString(f font.Face, pt vg.Point, s string) {
	width := f.Width(s)
	anchor := ""
	switch c.align {
	case draw.XCenter:
		anchor = ` text-anchor="middle"`
	case draw.XRight:
		anchor = ` text-anchor="end"`
	}
	pt.X -= width * vg.Length(c.align)
	x, y := c.at(pt)
	weight := ""
	if f.Font.Weight >= xfont.WeightSemiBold {
		weight = ` font-weight="700"`
	}
	turn := ""
	if m := c.state.m; m[1] != 0 {
		turn = fmt.Sprintf(` transform="rotate(%.4g %s %s)"`, -math.Atan2(m[1], m[0])*180/math.Pi, num(x), num(y))
	}
	fmt.Fprintf(&c.buf, `<text class="%s" x="%s" y="%s" font-size="%.4g" textLength="%.4g" lengthAdjust="spacingAndGlyphs"%s%s%s>%s</text>`+"\n",
		c.class("f"), num(x), num(y), f.Font.Size.Points(), width.Points(), anchor, weight, turn, html.EscapeString(s))
}

func (c *pageCanvas) DrawImage(rect vg.Rectangle, img image.Image) {
	var b bytes.Buffer
	if png.Encode(&b, img) != nil { // it fails only for an image without pixels
		return
	}
	x, y := c.at(vg.Point{X: rect.Min.X, Y: rect.Max.Y})
	size := rect.Size()
	fmt.Fprintf(&c.buf, `<image x="%s" y="%s" width="%s" height="%s" preserveAspectRatio="none" href="data:image/png;base64,%s"/>`+"\n",
		num(x), num(y), num(size.X.Points()), num(size.Y.Points()), base64.StdEncoding.EncodeToString(b.Bytes()))
}

// pageOf returns the page's canvas under a canvas, or nil where the drawing is
// made for a file.
func pageOf(c vg.Canvas) *pageCanvas {
	for c != nil {
		switch d := c.(type) {
		case *draw.Canvas:
			c = d.Canvas
		case draw.Canvas:
			c = d.Canvas
		case *pageCanvas:
			return d
		default:
			return nil
		}
	}
	return nil
}

// group draws what belongs to one group of a page. In a file it is no group.
func group(c *draw.Canvas, attributes string, paint func()) {
	p := pageOf(c)
	if p == nil {
		paint()
		return
	}
	fmt.Fprintf(&p.buf, "<g %s>\n", attributes)
	paint()
	p.buf.WriteString("</g>\n")
}

// newPage draws a page. body paints and returns where the panel lies, in the
// canvas's units.
func newPage(o PageOptions, title, alt string, body func(draw.Canvas) vg.Rectangle) (*Page, error) {
	if o.Width == 0 && o.Height == 0 {
		o.Width, o.Height = layoutWidth, layoutWidth*9/16
	}
	const least, most = 240, 2000
	if !(o.Width >= least && o.Width <= most) || !(o.Height >= least/2 && o.Height <= most) {
		return nil, &DataError{What: fmt.Sprintf("page of %g x %g units", o.Width, o.Height), Why: "too small to read, or too large", Do: fmt.Sprintf("take %d to %d units each way", least, most)}
	}
	pc := newPageCanvas(o.Height)
	dc := draw.NewCanvas(pc, vg.Length(o.Width), vg.Length(o.Height))
	panel := body(dc)
	p := &Page{
		Width: o.Width, Height: o.Height, colours: pc.colours,
		Left: panel.Min.X.Points(), Right: panel.Max.X.Points(),
		Top: o.Height - panel.Max.Y.Points(), Bottom: o.Height - panel.Min.Y.Points(),
	}
	p.Floor = p.Bottom
	var out bytes.Buffer
	id := html.EscapeString(clean(o.Name))
	fmt.Fprintf(&out, `<svg viewBox="0 0 %s %s" role="img" aria-labelledby="%s-t" aria-describedby="%s-d">`+"\n", num(o.Width), num(o.Height), id, id)
	fmt.Fprintf(&out, `<title id="%s-t">%s</title><desc id="%s-d">%s</desc>`+"\n", id, html.EscapeString(clean(title)), id, html.EscapeString(clean(alt)))
	out.Write(pc.buf.Bytes())
	out.WriteString("</svg>\n")
	p.SVG = out.Bytes()
	return p, nil
}

// Palette is the colours that pages use, light and dark.
type Palette struct{ used map[color.RGBA]bool }

// Add takes up the colours of a page.
func (p *Palette) Add(pages ...*Page) {
	if p.used == nil {
		p.used = map[color.RGBA]bool{}
	}
	for _, page := range pages {
		for c := range page.colours {
			p.used[c] = true
		}
	}
}

// Sample returns a small SVG, hidden from screen readers, with the line and the
// mark of the curve with an index, to stand before its name in the page.
func (p *Palette) Sample(i int) []byte {
	const width, height = 34, 14
	pc := newPageCanvas(height)
	dc := draw.NewCanvas(pc, width, height)
	s := wideStrokeOf(i)
	at := vg.Point{X: width / 2, Y: height / 2}
	dc.StrokeLine2(s.line(2), 1, at.Y, width-1, at.Y)
	markOf(i, &dc, s.colour, at, 4, false)
	p.Add(&Page{colours: pc.colours})
	return fmt.Appendf(nil, `<svg class="sample" viewBox="0 0 %d %d" width="%d" height="%d" aria-hidden="true">%s</svg>`, width, height, width, height, pc.buf.Bytes())
}

func (p *Palette) sorted() []color.RGBA {
	var all []color.RGBA
	for c := range p.used {
		all = append(all, c)
	}
	slices.SortFunc(all, func(a, b color.RGBA) int { return strings.Compare(colourName(a), colourName(b)) })
	return all
}

// Light returns the colours' custom properties on white paper: as they are, but
// for the curves that are too pale for a page, where lines have to stand out of
// the ground by 3 to 1 (WCAG 2.2, 1.4.11). These are darkened as far as that takes.
func (p *Palette) Light() string { return p.properties(onPaper) }

func onPaper(c color.RGBA) color.RGBA {
	if !slices.ContainsFunc(strokes, func(s stroke) bool { return s.colour == c }) {
		return c
	}
	return darkUntil(c, 3)
}

// Dark returns the colours' custom properties for a dark page.
func (p *Palette) Dark() string { return p.properties(darkened) }

func (p *Palette) properties(of func(color.RGBA) color.RGBA) string {
	var b strings.Builder
	for _, c := range p.sorted() {
		fmt.Fprintf(&b, "--c%s:#%s;", colourName(c), colourName(of(c)))
	}
	return b.String()
}

// Classes returns the rules that use the properties.
func (p *Palette) Classes() string {
	var b strings.Builder
	for _, c := range p.sorted() {
		n := colourName(c)
		fmt.Fprintf(&b, ".s%s{stroke:var(--c%s)}.f%s{fill:var(--c%s)}", n, n, n, n)
	}
	return b.String()
}

// DarkPaper and DarkInk are the page's ground and letters in the dark, as #rrggbb;
// LightPaper and LightInk on paper.
var (
	DarkPaper, DarkInk   = "#" + colourName(night), "#" + colourName(nightInk)
	LightPaper, LightInk = "#" + colourName(paper), "#" + colourName(ink)
)

var (
	night    = color.RGBA{23, 26, 31, 255}
	nightInk = color.RGBA{232, 232, 232, 255}
)

// The colours of curves in the dark: the same hues, lighter where they need it to
// stand out of the ground by 4.5 to 1, so that names may be written in them too.
var nightStrokes = map[color.RGBA]color.RGBA{
	blue:       {72, 160, 220, 255},
	vermillion: {238, 120, 40, 255},
	green:      {30, 180, 135, 255},
	purple:     {214, 140, 182, 255},
	orange:     orange,
	black:      {240, 240, 240, 255},
	sky:        {120, 200, 245, 255},
}

// nightOf has the colours whose place in the dark follows from how they were made.
var nightOf = func() map[color.RGBA]color.RGBA {
	m := map[color.RGBA]color.RGBA{
		paper: night, ink: nightInk,
		quiet:      {178, 182, 188, 255},
		frameGrey:  {132, 137, 145, 255},
		majorGrey:  {62, 66, 73, 255},
		minorGrey:  {40, 44, 50, 255},
		shadeGrey:  {33, 37, 43, 255},
		noiseGrey:  {150, 154, 160, 255},
		spreadTint: {48, 58, 68, 255},
		limitTint:  {52, 47, 36, 255},
		unsureTint: {52, 56, 63, 255},
		bandTint:   {34, 38, 45, 255},
		targetGrey: {120, 126, 134, 255},
	}
	for day, dark := range nightStrokes {
		m[day] = dark
		m[darkText(day)] = mix(dark, paper, 0.2)
		m[letters(day)] = mix(dark, paper, 0.1)
		m[day] = dark // where letters need no other colour than lines
		m[stroke{colour: day}.faint().Color.(color.RGBA)] = mix(dark, night, 0.4)
	}
	for _, doubtful := range []bool{false, true} {
		p := 0.62
		if doubtful {
			p = 0.84
		}
		m[barColour(doubtful).(color.RGBA)] = mix(nightStrokes[sky], night, p)
	}
	return m
}()

// darkened returns a colour's counterpart in the dark. What is not known here
// keeps its hue and turns its lightness over.
func darkened(c color.RGBA) color.RGBA {
	if d, ok := nightOf[c]; ok {
		return d
	}
	high, low := max(c.R, c.G, c.B), min(c.R, c.G, c.B)
	shift := 255 - int(high) - int(low)
	turn := func(v uint8) uint8 {
		x := float64(int(v)+shift) / 255 // 0: black
		return uint8(math.Round(float64(night.R) + x*float64(int(nightInk.R)-int(night.R))))
	}
	return color.RGBA{turn(c.R), turn(c.G), turn(c.B), 255}
}

// PageStyle is what the SVG of a Page needs beside its colours.
const PageStyle = `svg .s{fill:none}svg .off{display:none}svg text{font-family:'Liberation Sans',Arial,Helvetica,sans-serif}`
