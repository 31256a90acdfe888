package clock

import (
	"math"

	"roomsonde/deconv/fourier"
	"roomsonde/deconv/internal/fraction"
	"roomsonde/deconv/internal/parallel"
	"roomsonde/sweep"
)

// Starts returns the frames of the recording, with their fractions, at which
// the sweeps of p start.
func (t *Timing) Starts(p *sweep.Program) []float64 {
	var starts []float64
	for _, s := range p.Starts(sweep.KindSweep) {
		starts = append(starts, t.FrameOf(float64(s)))
	}
	return starts
}

// Difference returns sweep j less sweep i of a program (counted from 0), each
// with the silence after it, as they were recorded: value k belongs to frame
// from+k of the recording, where sweep i starts at frame from or a fraction
// after it. Sweep j is moved onto sweep i by a fraction of a frame, without
// loss of any frequency. A skew does not matter: it is the same for both. What
// the recording does not hold counts as zeros. The levels are those of the
// recording. With p, t and rec as given to and by Locate.
func Difference(rec []float32, p *sweep.Program, t *Timing, i, j int) (difference []float64, from int) {
	starts := t.Starts(p)
	from = int(math.Floor(starts[i]))
	length := p.Sweep.Frames + p.Tail()
	apart := starts[j] - starts[i]
	whole := math.Round(apart)
	difference = make([]float64, length)
	second := from + int(whole)
	if part := apart - whole; math.Abs(part) < 1e-4 {
		read(difference, rec, second)
	} else {
		// The ends are silent, so that what wraps around is too.
		const margin = 256
		n := fourier.FastLen(length + 2*margin)
		x := make([]float64, n)
		read(x[:length+2*margin], rec, second-margin)
		plan := fourier.Get(n)
		spectrum := plan.Coefficients(nil, x)
		fraction.Advance(spectrum, n, part)
		plan.Sequence(x, spectrum)
		fourier.Put(plan)
		copy(difference, x[margin:])
	}
	parallel.Split(length, func(lo, hi int) {
		for k := max(lo, -from); k < min(hi, len(rec)-from); k++ {
			difference[k] -= float64(rec[from+k])
		}
	})
	return difference, from
}

// read copies rec from a frame on, zeros where there is none.
func read(dst []float64, rec []float32, from int) {
	parallel.Split(len(dst), func(lo, hi int) {
		for i := lo; i < hi; i++ {
			if j := from + i; j >= 0 && j < len(rec) {
				dst[i] = float64(rec[j])
			} else {
				dst[i] = 0
			}
		}
	})
}
