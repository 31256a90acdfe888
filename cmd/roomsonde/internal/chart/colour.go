package chart

import (
	"encoding/hex"
	"image/color"
	"math"

	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// viridisHex is the colour map viridis of S. van der Walt and N. Smith, 2015: 256
// steps from dark to light that look equally far apart, also to most who see few
// colours, and in grey. From option_d.py of github.com/BIDS/colormap, rounded to
// eight bits; published under CC0 1.0.
const viridisHex = "" +
	"44015444025645045745055946075a46085c460a5d460b5e470d60470e61471063471164471365481467481668481769" +
	"48186a481a6c481b6d481c6e481d6f481f70482071482173482374482475482576482677482878482979472a7a472c7a" +
	"472d7b472e7c472f7d46307e46327e46337f463480453581453781453882443983443a83443b84433d84433e85423f85" +
	"4240864241864142874144874045884046883f47883f48893e49893e4a893e4c8a3d4d8a3d4e8a3c4f8a3c508b3b518b" +
	"3b528b3a538b3a548c39558c39568c38588c38598c375a8c375b8d365c8d365d8d355e8d355f8d34608d34618d33628d" +
	"33638d32648e32658e31668e31678e31688e30698e306a8e2f6b8e2f6c8e2e6d8e2e6e8e2e6f8e2d708e2d718e2c718e" +
	"2c728e2c738e2b748e2b758e2a768e2a778e2a788e29798e297a8e297b8e287c8e287d8e277e8e277f8e27808e26818e" +
	"26828e26828e25838e25848e25858e24868e24878e23888e23898e238a8d228b8d228c8d228d8d218e8d218f8d21908d" +
	"21918c20928c20928c20938c1f948c1f958b1f968b1f978b1f988b1f998a1f9a8a1e9b8a1e9c891e9d891f9e891f9f88" +
	"1fa0881fa1881fa1871fa28720a38620a48621a58521a68522a78522a88423a98324aa8325ab8225ac8226ad8127ad81" +
	"28ae8029af7f2ab07f2cb17e2db27d2eb37c2fb47c31b57b32b67a34b67935b77937b87838b9773aba763bbb753dbc74" +
	"3fbc7340bd7242be7144bf7046c06f48c16e4ac16d4cc26c4ec36b50c46a52c56954c56856c66758c7655ac8645cc863" +
	"5ec96260ca6063cb5f65cb5e67cc5c69cd5b6ccd5a6ece5870cf5773d05675d05477d1537ad1517cd2507fd34e81d34d" +
	"84d44b86d54989d5488bd6468ed64590d74393d74195d84098d83e9bd93c9dd93ba0da39a2da37a5db36a8db34aadc32" +
	"addc30b0dd2fb2dd2db5de2bb8de29bade28bddf26c0df25c2df23c5e021c8e020cae11fcde11dd0e11cd2e21bd5e21a" +
	"d8e219dae319dde318dfe318e2e418e5e419e7e419eae51aece51befe51cf1e51df4e61ef6e620f8e621fbe723fde725"

var viridis = func() (out [256]color.RGBA) {
	b, err := hex.DecodeString(viridisHex)
	if err != nil || len(b) != 3*len(out) {
		panic("chart: the table of viridis is damaged")
	}
	for i := range out {
		out[i] = color.RGBA{b[3*i], b[3*i+1], b[3*i+2], 255}
	}
	return out
}()

// levels is a scale of colours for levels: the darkest at the bottom, the lightest
// at the top, in steps that can be told apart.
type levels struct {
	bottom, top float64 // dB
	step        float64 // dB
}

// at returns the colour of a level, that of the end where it lies outside. The
// very lightest colours of the map are left out: on paper they are lost.
func (l levels) at(db float64) color.RGBA { return l.colour(l.index(db)) }

func (l levels) count() int { return max(1, int(math.Round((l.top-l.bottom)/l.step))) }

// index returns the step that a level lies in, from 0 at the bottom.
func (l levels) index(db float64) int {
	return min(max(0, int(math.Floor((db-l.bottom)/l.step))), l.count()-1)
}

func (l levels) colour(index int) color.RGBA {
	const lightest = 245.0
	return viridis[int(math.Round(lightest*float64(index)/math.Max(1, float64(l.count()-1))))]
}

// bar draws the scale with its numbers: a column of colours in r, a label to the
// right of it every major dB, and words over it.
func (l levels) bar(c *draw.Canvas, r vg.Rectangle, major float64, words []string) {
	y := func(db float64) vg.Length {
		return r.Min.Y + (r.Max.Y-r.Min.Y)*vg.Length((db-l.bottom)/(l.top-l.bottom))
	}
	for i := range l.count() {
		from, to := l.bottom+float64(i)*l.step, l.bottom+float64(i+1)*l.step
		c.FillPolygon(l.colour(i), rectPoints(vg.Rectangle{Min: vg.Point{X: r.Min.X, Y: y(from)}, Max: vg.Point{X: r.Max.X, Y: min(r.Max.Y, y(to)+0.3)}}))
	}
	pts := rectPoints(r)
	c.StrokeLines(draw.LineStyle{Color: frameGrey, Width: 0.75}, append(pts, pts[0], pts[1]))
	sty := textStyle(noteSize, ink, false, draw.XLeft, draw.YCenter)
	for db := math.Ceil(l.bottom/major-1e-9) * major; db <= l.top+1e-9; db += major {
		c.StrokeLine2(draw.LineStyle{Color: frameGrey, Width: 0.75}, r.Max.X, y(db), r.Max.X+4, y(db))
		middle(c, sty, vg.Point{X: r.Max.X + 7, Y: y(db)}, signed(db, 0, false))
	}
	head := textStyle(noteSize, quiet, false, draw.XLeft, draw.YBottom)
	w, h := noteSizeOf(head, words)
	note(c, alignedRight(head), rectAt(r.Max.X+30-w, r.Max.Y+5, w, h), words)
}

func alignedRight(sty text.Style) text.Style {
	sty.XAlign = draw.XRight
	return sty
}

// mixAlpha returns a colour that lets what is under it through: p is its own share.
func mixAlpha(c color.RGBA, p float64) color.NRGBA {
	return color.NRGBA{c.R, c.G, c.B, uint8(255*p + 0.5)}
}
