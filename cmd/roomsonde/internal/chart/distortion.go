package chart

import (
	"fmt"
	"io"
	"math"
	"slices"
)

// Harmonic is one distortion product over the frequency that was played.
type Harmonic struct {
	Order int       // 2 is the first overtone; not used for the total
	Hz    []float64 // frequency played, rising
	DB    []float64 // level against the fundamental: -40 is 1 %
	// Blank marks points that are not to be drawn, because the product lies in
	// the noise there; nil: all are drawn.
	Blank []bool
}

// Distortion answers "How clean is it?": harmonics, and their total, over the
// frequency played, in dB on the left and in percent on the right.
type Distortion struct {
	Title    string // "": "How clean is it?"
	Subtitle string // source, seat, take, date, level

	Harmonics []Harmonic // up to six
	THD       Harmonic   // total; may be empty

	Readable  Readable
	Smoothing string // as in Response
	Reference string // "": "dB against the fundamental"; say so when referred to the input

	// FromHz and ToHz are the ends of the frequency axis, as in Response.
	FromHz, ToHz float64
}

const distortionSpanDB = 70

// Render implements View.
func (v Distortion) Render(w io.Writer, f Format, size ...Size) error {
	s, err := v.resolve()
	if err != nil {
		return err
	}
	return render(w, f, size, s.title, s.alt(), s.paint)
}

func (v Distortion) resolve() (*spectrum, error) {
	s := &spectrum{
		title: orElse(v.Title, "How clean is it?"), subtitle: v.Subtitle,
		left: orElse(v.Reference, "dB against the fundamental, over the frequency played"), right: smoothing(v.Smoothing),
		minor: 5, major: 10, percentAxis: true, always: true,
	}
	if err := checkReadable("distortion", v.Readable); err != nil {
		return nil, err
	}
	all := v.Harmonics
	if len(v.THD.Hz) > 0 || len(v.THD.DB) > 0 {
		all = append([]Harmonic{v.THD}, all...)
		all[0].Order = 0
	}
	if len(all) == 0 {
		return nil, &DataError{What: "distortion", Why: "there is no curve to draw"}
	}
	if len(all) > len(strokes) {
		return nil, &DataError{What: "distortion", Why: fmt.Sprintf("%d curves in one drawing cannot be told apart", len(all)), Do: "draw the orders 2 to 5 and the total"}
	}
	visible := false
	for i, h := range all {
		name, st := "total (THD)", stroke{colour: ink}
		if h.Order != 0 || i > 0 || len(v.THD.Hz) == 0 {
			if h.Order < 2 {
				return nil, &DataError{What: "distortion", Why: fmt.Sprintf("a harmonic of order %d", h.Order), Do: "orders start at 2, the first overtone"}
			}
			name, st = ordinal(h.Order)+" harmonic", strokeOf(h.Order-1)
		}
		fs, vs, err := checkCurve(name, h.Hz, h.DB)
		if err != nil {
			return nil, err
		}
		blank := h.Blank
		if blank != nil {
			if len(blank) != len(h.Hz) {
				return nil, &DataError{What: name, Why: fmt.Sprintf("%d points but %d marks of blank ones", len(h.Hz), len(blank))}
			}
			blank = blank[len(blank)-len(fs):]
			if !slices.Contains(blank, false) {
				s.foot = append(s.foot, name+": nowhere above the noise")
				continue
			}
		}
		visible = true
		s.curves = append(s.curves, series{name: name, hz: fs, db: vs, blank: blank, readable: v.Readable, stroke: st})
	}
	if !visible {
		return nil, &DataError{What: "distortion", Why: "every point lies in the noise", Do: "measure louder, or in a quieter moment; what cannot be told from the noise is not drawn"}
	}
	if err := s.setAxis(v.FromHz, v.ToHz); err != nil {
		return nil, err
	}
	s.top = math.Max(-20, math.Ceil((s.highest()+3)/10)*10)
	s.bottom = s.top - distortionSpanDB
	return s, nil
}

func ordinal(n int) string {
	switch {
	case n%100 >= 11 && n%100 <= 13:
	case n%10 == 1:
		return fmt.Sprintf("%dst", n)
	case n%10 == 2:
		return fmt.Sprintf("%dnd", n)
	case n%10 == 3:
		return fmt.Sprintf("%drd", n)
	}
	return fmt.Sprintf("%dth", n)
}
