package chart

import (
	"image/color"
	"sort"
	"strings"

	"golang.org/x/image/font"
	plotfont "gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// The eight colours of M. Okabe and K. Ito, "Color Universal Design (CUD): How
// to make figures and presentations that are friendly to colorblind people",
// 2008, with the RGB values of their table. Yellow is left out: it is too pale for a line on
// white paper.
var (
	blue       = color.RGBA{0, 114, 178, 255}
	vermillion = color.RGBA{213, 94, 0, 255}
	green      = color.RGBA{0, 158, 115, 255}
	purple     = color.RGBA{204, 121, 167, 255}
	orange     = color.RGBA{230, 159, 0, 255}
	sky        = color.RGBA{86, 180, 233, 255}
	black      = color.RGBA{0, 0, 0, 255}
)

// Greys and paper are ours; they carry no meaning.
var (
	paper     = color.RGBA{255, 255, 255, 255}
	ink       = color.RGBA{34, 34, 34, 255}
	quiet     = color.RGBA{95, 95, 95, 255}
	frameGrey = color.RGBA{140, 140, 140, 255}
	majorGrey = color.RGBA{208, 208, 208, 255}
	minorGrey = color.RGBA{235, 235, 235, 255}
	shadeGrey = color.RGBA{244, 243, 240, 255}
	noiseGrey = color.RGBA{125, 125, 125, 255}
)

// stroke is how one of several curves is drawn. No two strokes share a dash
// pattern within the first six, so that a drawing works without colour.
type stroke struct {
	colour color.RGBA
	dashes []vg.Length
}

var strokes = []stroke{
	{blue, nil},
	{vermillion, []vg.Length{9, 3}},
	{green, []vg.Length{2.5, 2.5}},
	{purple, []vg.Length{10, 3, 2, 3}},
	{orange, []vg.Length{5, 2}},
	{black, []vg.Length{12, 3, 2, 2, 2, 3}},
	{sky, []vg.Length{3, 5}},
}

func strokeOf(i int) stroke { return strokes[i%len(strokes)] }

func (s stroke) line(width vg.Length) draw.LineStyle {
	return draw.LineStyle{Color: s.colour, Width: width, Dashes: s.dashes}
}

// faint is how a curve is drawn where it may not be read.
func (s stroke) faint() draw.LineStyle {
	return draw.LineStyle{Color: mix(s.colour, paper, 0.4), Width: 1.2, Dashes: []vg.Length{1.5, 2.5}}
}

// mix returns a, with the part p of b in it.
func mix(a, b color.RGBA, p float64) color.RGBA {
	m := func(x, y uint8) uint8 { return uint8(float64(x)*(1-p) + float64(y)*p + 0.5) }
	return color.RGBA{m(a.R, b.R), m(a.G, b.G), m(a.B, b.B), 255}
}

// darkText makes the colour of a curve dark enough for letters on paper.
func darkText(c color.Color) color.RGBA {
	r, g, b, _ := c.RGBA()
	return mix(color.RGBA{uint8(r >> 8), uint8(g >> 8), uint8(b >> 8), 255}, black, 0.25)
}

// Writing, in units of the layout (two pixels each in the default PNG).
const (
	titleSize = 24
	textSize  = 15
	tickSize  = 15.5
	noteSize  = 13.5
)

func textStyle(size vg.Length, c color.Color, bold bool, x text.XAlignment, y text.YAlignment) text.Style {
	f := plotfont.Font{Typeface: "Liberation", Variant: "Sans", Size: size}
	if bold {
		f.Weight = font.WeightBold
	}
	return text.Style{Color: c, Font: f, XAlign: x, YAlign: y, Handler: textHandler()}
}

// A viewer of an SVG that has none of the fonts may write wider than what was
// measured here: DejaVu Sans, common where Liberation is missing, by some 15 %.
// Writing that would run out of the picture, or into other writing, then gets as
// much room as spareWidth says, or breaks into lines at lineShare of the width.
const (
	spareWidth = 1.16
	lineShare  = 0.85
)

// fit returns s, cut short with an ellipsis where it is wider than width.
func fit(sty text.Style, s string, width vg.Length) string {
	if sty.Width(s) <= width {
		return s
	}
	r := []rune(s)
	short := func(n int) string { return strings.TrimRight(string(r[:n]), " ,;·") + "…" }
	n := sort.Search(len(r), func(n int) bool { return sty.Width(short(n)) > width }) - 1
	if n < 1 {
		return ""
	}
	return short(n)
}

// brief is fit, but leaves out first what stands in brackets at the end of s.
func brief(sty text.Style, s string, width vg.Length) string {
	if i := strings.LastIndex(s, " ("); i > 0 && strings.HasSuffix(s, ")") && sty.Width(s) > width {
		s = s[:i]
	}
	return fit(sty, s, width)
}

// wrap breaks s into lines no wider than width, at most max of them; the last
// is cut short where s has more. An empty s has no lines.
func wrap(sty text.Style, s string, width vg.Length, max int) []string {
	var lines []string
	words := strings.Fields(s)
	for len(words) > 0 {
		if len(lines) == max-1 {
			return append(lines, fit(sty, strings.Join(words, " "), width))
		}
		n := 1
		for n < len(words) && sty.Width(strings.Join(words[:n+1], " ")) <= width {
			n++
		}
		lines = append(lines, fit(sty, strings.Join(words[:n], " "), width))
		words = words[n:]
	}
	return lines
}

// wrapParts breaks a row of parts with dots between them into lines, if it can
// be between the parts.
func wrapParts(sty text.Style, s string, width vg.Length, max int) []string {
	const dot = " · "
	var lines []string
	for _, part := range strings.Split(s, dot) {
		if n := len(lines); n > 0 && sty.Width(lines[n-1]+dot+part) <= width {
			lines[n-1] += dot + part
			continue
		}
		lines = append(lines, part)
	}
	for _, l := range lines {
		if len(lines) > max || sty.Width(l) > width {
			return wrap(sty, s, width, max)
		}
	}
	return lines
}

func lineHeight(sty text.Style) vg.Length { return sty.Font.Size * 1.22 }

func rectPoints(r vg.Rectangle) []vg.Point {
	return []vg.Point{r.Min, {X: r.Max.X, Y: r.Min.Y}, r.Max, {X: r.Min.X, Y: r.Max.Y}}
}
