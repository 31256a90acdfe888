// Package chart draws measurements: the same code makes a PNG to post and an
// SVG to print or to put in a page.
//
// There is one drawing for each question that a user asks of a room:
//
//	Response    "How even is it?"                   level over frequency
//	Decay       "How long does it ring?"            decay times per band
//	Impulse     "What arrives when?"                impulse response and its level over time
//	Microphone  "What does the microphone add?"     calibration curve
//	Distortion  "How clean is it?"                  harmonics over frequency
//	Waterfall   "How long does the bass ring?"      level over frequency and time, as a surface
//	Energy      "Which frequencies come when?"      energy over frequency and time, as a map
//	Ringing     "Does it ring too long?"            decay times against published limits
//	Several     "How alike are they?"               responses over one another, target and limits
//	Change      "What did the change do?"           two responses, and their difference
//	DecayTimes  "What did it do to the decay?"      decay times of several takes
//	Arrivals    "Which reflections are strong?"     energy over time, arrivals marked
//
// Several, Change and DecayTimes can also stand in a web page of ours (see Page),
// with colours that the page chooses and curves that it shows and hides.
//
// Each is a plain struct of numbers and texts with a Render method. Nothing is
// computed here beyond the drawing: levels, smoothing, readable bands and
// decay times come from the caller. The same struct always gives the same
// bytes: no clock, no randomness, fonts from gonum/plot (Liberation Sans), not
// from the system.
//
// An SVG names Liberation Sans and, after it, Arial and Helvetica, which have
// the same widths by design; no font is embedded, to keep files small. Every
// text also carries the length it was laid out with. Letters that Liberation
// Sans does not have (it has Latin, Greek, Cyrillic and Hebrew) are boxes in a
// PNG; an SVG takes them from the viewer's fonts.
package chart

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"math"
	"path/filepath"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Format is a file format, named by its file extension without the dot.
type Format string

// The formats that Render writes.
const (
	PNG Format = "png"
	SVG Format = "svg"
)

// FormatOf returns the format that the extension of path stands for. The error
// is an *UnknownFormatError.
func FormatOf(path string) (Format, error) {
	ext := strings.ToLower(strings.TrimPrefix(filepath.Ext(path), "."))
	switch f := Format(ext); f {
	case PNG, SVG:
		return f, nil
	}
	return "", &UnknownFormatError{Name: ext}
}

// UnknownFormatError says that a drawing was asked for in a format that this
// package does not write.
type UnknownFormatError struct {
	Name string // what was asked for, without the dot; may be empty
}

func (e *UnknownFormatError) Error() string {
	if e.Name == "" {
		return "chart: the file name has no extension, so the format is not known"
	}
	return fmt.Sprintf("chart: no drawing in the format %q", e.Name)
}

// Hint says what to do next.
func (e *UnknownFormatError) Hint() string {
	return "end the file name in .png (for a forum post) or .svg (for print and web pages)"
}

// DataError says what in the input cannot be drawn.
type DataError struct {
	What string // which curve, band or field, as a user knows it
	Why  string // the fact
	Do   string // what to do next; may be empty
}

func (e *DataError) Error() string { return "chart: " + e.What + ": " + e.Why }

// Hint says what to do next, or nothing.
func (e *DataError) Hint() string { return e.Do }

// Size is the size of a drawing in pixels of the PNG. The zero value is
// 1600 x 900. The layout, and with it the size of the writing, follows the
// width: a drawing of half the width looks the same, only smaller. An SVG has
// the same proportions and scales freely.
type Size struct {
	Width, Height int
}

// Bounds of Size: below them nothing is readable, above them the picture takes
// more memory than anyone means to spend.
const (
	minSidePixels = 240
	maxSidePixels = 10000
	minAspect     = 0.4 // height over width
	maxAspect     = 1.5
)

func (s Size) resolve() (Size, error) {
	if s == (Size{}) {
		return Size{Width: 1600, Height: 900}, nil
	}
	do := fmt.Sprintf("ask for %d to %d pixels each way, with a height between %g and %g of the width", minSidePixels, maxSidePixels, minAspect, maxAspect)
	what := fmt.Sprintf("size %d x %d pixels", s.Width, s.Height)
	if s.Width < minSidePixels || s.Height < minSidePixels/2 {
		return s, &DataError{What: what, Why: "too small to read", Do: do}
	}
	if s.Width > maxSidePixels || s.Height > maxSidePixels {
		return s, &DataError{What: what, Why: "too large", Do: do}
	}
	if r := float64(s.Height) / float64(s.Width); r < minAspect || r > maxAspect {
		return s, &DataError{What: what, Why: "too flat or too tall", Do: do}
	}
	return s, nil
}

// View is any of the drawings of this package.
type View interface {
	// Render writes the drawing to w. With no size it is 1600 x 900 pixels.
	// Nothing is written unless the whole drawing succeeded. Errors are
	// *UnknownFormatError, *DataError, or those of w.
	Render(w io.Writer, f Format, size ...Size) error
}

var (
	_ View = Response{}
	_ View = Decay{}
	_ View = Impulse{}
	_ View = Microphone{}
	_ View = Distortion{}
	_ View = Waterfall{}
	_ View = Energy{}
	_ View = Ringing{}
	_ View = Arrivals{}
)

// layoutWidth is the width of every drawing in the units of the layout, in
// which font sizes and line widths are given. A PNG of 1600 pixels has two
// pixels to the unit.
const layoutWidth = 800

// render sets up the canvas, lets paint draw on it and writes the file. alt is
// the description for those who cannot see the drawing; it goes into the SVG.
func render(w io.Writer, f Format, sizes []Size, title, alt string, paint func(draw.Canvas)) error {
	if f != PNG && f != SVG {
		return &UnknownFormatError{Name: string(f)}
	}
	if len(sizes) > 1 {
		return errors.New("chart: Render takes one size at most")
	}
	var size Size
	if len(sizes) == 1 {
		size = sizes[0]
	}
	size, err := size.resolve()
	if err != nil {
		return err
	}
	width := vg.Length(layoutWidth)
	height := vg.Length(layoutWidth * float64(size.Height) / float64(size.Width))

	var out bytes.Buffer
	switch f {
	case PNG:
		// vg wants whole dots per inch; the layout takes up the rounding.
		dpi := int(math.Round(float64(size.Width) / layoutWidth * 72))
		img := image.NewRGBA(image.Rect(0, 0, size.Width, size.Height))
		c := vgimg.NewWith(vgimg.UseImage(img), vgimg.UseDPI(dpi)) // on white, which is paper
		paint(draw.New(c))
		enc := png.Encoder{CompressionLevel: png.DefaultCompression}
		if err := enc.Encode(&out, c.Image()); err != nil {
			return fmt.Errorf("chart: PNG: %w", err)
		}
	case SVG:
		c := &svgCanvas{Canvas: vgsvg.New(width, height)}
		dc := draw.NewCanvas(c, width, height)
		dc.FillPolygon(paper, rectPoints(dc.Rectangle))
		paint(dc)
		doc, err := c.finish(title, alt)
		if err != nil {
			return err
		}
		out.Write(doc)
	}
	if _, err := w.Write(out.Bytes()); err != nil {
		return fmt.Errorf("chart: %w", err)
	}
	return nil
}

// clean makes a text of the user's safe for one line of a drawing and for XML:
// control characters become spaces, runs of space become one.
func clean(s string) string {
	s = strings.ToValidUTF8(s, "?")
	s = strings.Map(func(r rune) rune {
		switch {
		case r < 0x20, r >= 0x7f && r < 0xa0, r == 0xfffe, r == 0xffff, r == 0xad:
			return ' '
		case r >= 0x200b && r <= 0x200f, r >= 0x202a && r <= 0x202e, r >= 0x2066 && r <= 0x2069, r == 0xfeff:
			return -1 // invisible, and able to turn the rest of the line around
		}
		return r
	}, s)
	return strings.Join(strings.Fields(s), " ")
}
