package chart

import (
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// pennant is a word over a place, with a line down to it.
type pennant struct {
	at   vg.Length // x of the place
	foot vg.Length // y of the place
	text string

	row   int // from 0 at the bottom
	left  vg.Length
	width vg.Length
}

// place is a point of a plot, in the units of its axes, with a word that stands over
// the panel; above is how far over the point the line down to it ends.
type place struct {
	x, y  float64
	above vg.Length
	text  string
}

// flagged draws a plot with words over it, sorted by place, each with a line down to
// where it belongs. It returns what the words leave of the canvas.
func flagged(c draw.Canvas, p *plot.Plot, sty text.Style, places []place) draw.Canvas {
	flags, rows := flagsOf(c, p, sty, places)
	bottom := c.Max.Y - vg.Length(rows)*lineHeight(sty)
	c.Max.Y = bottom
	if rows > 0 {
		c.Max.Y -= 3
	}
	_, y := p.Transforms(ptr(p.DataCanvas(c)))
	for i, q := range places {
		flags[i].foot = y(q.y) + q.above
	}
	p.Draw(c)
	hoist(&c, flags, sty, bottom)
	return c
}

func flagsOf(c draw.Canvas, p *plot.Plot, sty text.Style, places []place) (flags []pennant, rows int) {
	x, _ := p.Transforms(ptr(p.DataCanvas(c)))
	flags = make([]pennant, len(places))
	for i, q := range places {
		flags[i] = pennant{at: x(q.x), text: q.text}
	}
	return flags, raise(flags, sty, c.Max.X)
}

// rowsOf returns how many rows words over a plot take.
func rowsOf(c draw.Canvas, p *plot.Plot, sty text.Style, places []place) int {
	_, rows := flagsOf(c, p, sty, places)
	return rows
}

const flagGap = 4 // between a line and its word

// raise gives each of the flags, which are sorted by place, a row, so that no word
// stands in another and no line runs through a word; right is where words must end.
// It returns how many rows there are.
func raise(flags []pennant, sty text.Style, right vg.Length) (rows int) {
	for i := len(flags) - 1; i >= 0; i-- {
		f := &flags[i]
		f.width = sty.Width(f.text)
		f.left = f.at + flagGap
		end := f.left + f.width*spareWidth
		if end > right { // its word stands on the other side of its line
			f.left = f.at - flagGap - f.width*spareWidth
			end = f.at
		}
		for j := i + 1; j < len(flags); j++ {
			g := flags[j]
			if g.at < end+flagGap || g.left < end+2*flagGap {
				f.row = max(f.row, g.row+1)
			}
		}
		rows = max(rows, f.row+1)
	}
	return rows
}

// hoist draws the lines and, over them, the words, the lowest row from bottom on.
func hoist(c *draw.Canvas, flags []pennant, sty text.Style, bottom vg.Length) {
	y := func(f pennant) vg.Length { return bottom + lineHeight(sty)*(vg.Length(f.row)+0.5) }
	for _, f := range flags {
		c.StrokeLine2(draw.LineStyle{Color: quiet, Width: 0.75}, f.at, f.foot, f.at, y(f)+lineHeight(sty)*0.45)
	}
	for _, f := range flags {
		x := f.left
		if f.left < f.at {
			x = f.at - flagGap - f.width
		}
		veil(c, rectAt(x+1, y(f)-lineHeight(sty)*0.45, f.width-2, lineHeight(sty)*0.9), paper)
		middle(c, sty, vg.Point{X: x, Y: y(f)}, f.text)
	}
}
