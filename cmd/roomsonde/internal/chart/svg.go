package chart

import (
	"bytes"
	"errors"
	"fmt"
	"html"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

// svgCanvas is vgsvg.Canvas with writing that stays in place when a viewer has
// none of the fonts: each text is anchored at the side that it was aligned to
// and carries the length that it was laid out with. vgsvg places every text by
// its left end, and with a wider font what is aligned to the right would run
// out of the picture.
type svgCanvas struct {
	*vgsvg.Canvas
	align text.XAlignment // of the text about to be written
	attrs []string        // of each text written so far
}

// FillString implements vg.Canvas.
func (c *svgCanvas) FillString(f font.Face, pt vg.Point, s string) {
	width := f.Width(s)
	anchor := "start"
	switch c.align {
	case draw.XCenter:
		anchor = "middle"
	case draw.XRight:
		anchor = "end"
	}
	pt.X -= width * vg.Length(c.align)
	c.attrs = append(c.attrs, fmt.Sprintf(`text-anchor="%s" textLength="%.5g" lengthAdjust="spacingAndGlyphs" `, anchor, width.Points()))
	c.Canvas.FillString(f, pt, s)
}

// plainText is the text handler of all writing here; it tells an svgCanvas
// about the alignment, which vg.Canvas has no way to say.
type plainText struct {
	text.Handler
}

func (h plainText) Draw(c vg.Canvas, txt string, sty text.Style, pt vg.Point) {
	// The canvas of a plot is a crop of a crop of the page.
	for inner := c; inner != nil; {
		switch d := inner.(type) {
		case *draw.Canvas:
			inner = d.Canvas
			continue
		case draw.Canvas:
			inner = d.Canvas
			continue
		case *svgCanvas:
			d.align = sty.XAlign
		case *pageCanvas:
			d.align = sty.XAlign
		}
		break
	}
	h.Handler.Draw(c, txt, sty, pt)
}

func textHandler() text.Handler { return plainText{plot.DefaultTextHandler} }

// finish returns the document, with what vgsvg leaves out: the attributes of
// the texts, fonts to fall back on, and a title and a description for screen
// readers. All patterns hold a bare "<" or quotation mark, which text of the
// user's cannot (it is escaped), so only markup is touched.
func (c *svgCanvas) finish(title, alt string) ([]byte, error) {
	var raw bytes.Buffer
	if _, err := c.WriteTo(&raw); err != nil {
		return nil, fmt.Errorf("chart: SVG: %w", err)
	}
	doc := bytes.ReplaceAll(raw.Bytes(),
		[]byte(`="font-family:Liberation Sans;`),
		[]byte(`="font-family:'Liberation Sans',Arial,Helvetica,sans-serif;`))

	// Images fill the rectangle they were laid out for; and they are PNG.
	doc = bytes.ReplaceAll(doc, []byte(` xlink:href="data:image/jpg;`), []byte(` preserveAspectRatio="none" xlink:href="data:image/png;`))

	const head = `xmlns:xlink="http://www.w3.org/1999/xlink">`
	desc := fmt.Sprintf(" role=\"img\">\n<title>%s</title>\n<desc>%s</desc>",
		html.EscapeString(clean(title)), html.EscapeString(clean(alt)))
	doc = bytes.Replace(doc, []byte(head), []byte(strings.TrimSuffix(head, ">")+desc), 1)

	var out bytes.Buffer
	for _, attr := range c.attrs {
		before, after, ok := bytes.Cut(doc, []byte("<text "))
		if !ok {
			return nil, errors.New("chart: SVG: fewer texts written than laid out")
		}
		out.Write(before)
		out.WriteString("<text " + attr)
		doc = after
	}
	out.Write(doc)
	return out.Bytes(), nil
}
