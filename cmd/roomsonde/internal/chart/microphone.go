package chart

import (
	"fmt"
	"io"
	"math"
)

// Microphone answers "What does the microphone add?": the curve of its
// calibration file. Above 0 dB the microphone hears too much.
type Microphone struct {
	Title    string // "": "What does the microphone add?"
	Subtitle string // file, sensitivity, number of points

	Hz, DB []float64 // the points of the file, rising

	// FromHz and ToHz are the ends of the frequency axis; 0: 20 Hz to 20 kHz.
	FromHz, ToHz float64
}

// A file with no more points than this gets a dot on each.
const dottedPoints = 80

// Render implements View. The level axis reaches from -10 to +10 dB, or as
// many steps of 10 dB further as the curve needs.
func (v Microphone) Render(w io.Writer, f Format, size ...Size) error {
	s, err := v.resolve()
	if err != nil {
		return err
	}
	return render(w, f, size, s.title, s.alt(), s.paint)
}

func (v Microphone) resolve() (*spectrum, error) {
	fs, vs, err := checkCurve("microphone's curve", v.Hz, v.DB)
	if err != nil {
		return nil, err
	}
	s := &spectrum{
		title: orElse(v.Title, "What does the microphone add?"), subtitle: v.Subtitle,
		left: "dB by which the microphone reads too high (+) or too low (−)", right: "taken off every curve",
		curves: []series{{
			hz: fs, db: vs, stroke: strokeOf(0), dots: len(fs) <= dottedPoints,
			readable: Readable{
				FromHz: fs[0], ToHz: fs[len(fs)-1],
				FromReason: "the file begins here", ToReason: "the file ends here",
			},
		}},
		beyond: "no values", plusSign: true, zeroLine: true, minor: 1, major: 5,
	}
	from, to := v.FromHz, v.ToHz
	if from == 0 {
		from = 20
	}
	if to == 0 {
		to = 20000
	}
	if err := s.setAxis(from, to); err != nil {
		return nil, err
	}
	largest, at := 0.0, s.from
	for _, part := range s.curves[0].cut(s.from, s.to) {
		for i, db := range part[1] {
			if math.Abs(db) > math.Abs(largest) {
				largest, at = db, part[0][i]
			}
		}
	}
	s.top = 10 * math.Max(1, math.Ceil(math.Abs(limit(largest))/10))
	s.bottom = -s.top
	if s.top > 10 {
		s.minor, s.major = s.top/10, s.top/2
	}
	s.foot = []string{fmt.Sprintf("largest deviation: %s dB at %s", signed(largest, 1, true), Hz(at))}
	return s, nil
}
