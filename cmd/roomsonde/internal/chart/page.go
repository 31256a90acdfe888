package chart

import (
	"strings"
	"unicode/utf8"

	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

const margin = 20

// heading writes the question and what was measured at the top of the page,
// the foot notes at its bottom, and returns what is left between. What is too
// long for a line breaks into two.
func heading(c draw.Canvas, title, subtitle string, foot []string) draw.Canvas {
	c = draw.Crop(c, margin, -margin, margin*0.7, -margin*0.8)
	width := c.Max.X - c.Min.X

	// Who made it, for whoever meets the drawing alone.
	sty := textStyle(noteSize, frameGrey, false, draw.XRight, draw.YTop)
	c.FillText(sty, c.Max, "roomsonde")
	signature := sty.Width("roomsonde") + 20

	sty = textStyle(titleSize, ink, true, draw.XLeft, draw.YTop)
	for _, l := range wrap(sty, clean(title), lineShare*(width-signature), 2) {
		c.FillText(sty, vg.Point{X: c.Min.X, Y: c.Max.Y}, l)
		c.Max.Y -= lineHeight(sty)
	}
	sty = textStyle(textSize, quiet, false, draw.XLeft, draw.YTop)
	for _, l := range wrapParts(sty, clean(subtitle), lineShare*width, 3) {
		c.FillText(sty, vg.Point{X: c.Min.X, Y: c.Max.Y}, l)
		c.Max.Y -= lineHeight(sty)
	}
	c.Max.Y -= 8

	sty = textStyle(noteSize, quiet, false, draw.XLeft, draw.YTop)
	type line struct {
		indent vg.Length
		text   string
	}
	var lines []line
	for _, note := range foot {
		// A note that begins with a letter of the drawing goes on below its text.
		lead, text, lettered := strings.Cut(note, ": ")
		lead += ": "
		if lettered = lettered && utf8.RuneCountInString(lead) <= 3; !lettered {
			lead, text = "", note
		}
		indent := sty.Width(lead)
		for i, l := range balanced(sty, text, lineShare*width-indent, 2) {
			if i == 0 {
				lines = append(lines, line{0, lead + l})
			} else {
				lines = append(lines, line{indent, l})
			}
		}
	}
	c.Min.Y += lineHeight(sty) * vg.Length(len(lines))
	y := c.Min.Y
	for _, l := range lines {
		c.FillText(sty, vg.Point{X: c.Min.X + l.indent, Y: y}, l.text)
		y -= lineHeight(sty)
	}
	if len(lines) > 0 {
		c.Min.Y += 5
	}
	return c
}

// caption writes a line over a panel, or two: the unit of its y axis on the left,
// how it was worked out on the right. It returns what is left below.
func caption(c draw.Canvas, left, right string) draw.Canvas {
	sty := textStyle(noteSize, quiet, false, draw.XRight, draw.YTop)
	width := lineShare * (c.Max.X - c.Min.X)
	rights := balanced(sty, clean(right), width/2, 2)
	taken, _ := noteSizeOf(sty, rights)
	lefts := balanced(sty, clean(left), width-taken-20, 2)
	write := func(x vg.Length, lines []string) {
		for i, l := range lines {
			c.FillText(sty, vg.Point{X: x, Y: c.Max.Y - vg.Length(i)*lineHeight(sty)}, l)
		}
	}
	write(c.Max.X, rights)
	sty.XAlign = draw.XLeft
	write(c.Min.X, lefts)
	if n := max(len(lefts), len(rights)); n > 0 {
		c.Max.Y -= vg.Length(n)*lineHeight(sty) + 3
	}
	return c
}

// keyItem is one entry of a key: a sample drawn by its function in a box of
// keySample by 10 units around a point, and a text.
type keyItem struct {
	sample func(c *draw.Canvas, at vg.Point)
	text   string
	style  text.Style
}

const keySample = 28

func lineSample(sty draw.LineStyle) func(*draw.Canvas, vg.Point) {
	return func(c *draw.Canvas, at vg.Point) {
		c.StrokeLine2(sty, at.X-keySample/2, at.Y, at.X+keySample/2, at.Y)
	}
}

// key writes the items in rows at the top of c and returns what is left below.
// With dry it writes nothing.
func key(c draw.Canvas, items []keyItem, dry bool) draw.Canvas {
	const gapBetween, gapInside = 10, 6
	width := c.Max.X - c.Min.X
	x, rows := c.Min.X, 0
	row := textStyle(textSize, ink, false, draw.XLeft, draw.YCenter)
	h := lineHeight(row) + 2
	for _, it := range items {
		label := brief(it.style, it.text, lineShare*(width-keySample-gapInside))
		w := keySample + gapInside + spareWidth*it.style.Width(label)
		if rows == 0 || x+w > c.Max.X {
			x, rows = c.Min.X, rows+1
		}
		if y := c.Max.Y - h*(vg.Length(rows)-0.5); !dry {
			it.sample(&c, vg.Point{X: x + keySample/2, Y: y})
			sty := it.style
			sty.XAlign = draw.XLeft
			middle(&c, sty, vg.Point{X: x + keySample + gapInside, Y: y}, label)
		}
		x += w + gapBetween
	}
	if rows == 0 {
		return c
	}
	c.Max.Y -= h*vg.Length(rows) + 3
	return c
}
