package clock

import (
	"context"
	"math"

	"roomsonde/deconv/fourier"
	"roomsonde/deconv/internal/parallel"
)

// NeedDB is how far a match must stand out of the rest of the correlation, peak
// over rms. Gaussian noise alone reaches some 14 dB among a million frames, coloured
// noise 17 dB in a dozen trials.
const NeedDB = 20

// longestSearch is how many frames are searched in one piece: a recording of an
// hour must not need gigabytes.
const longestSearch = 1 << 22

// most is the largest skew that is believed.
const most = 1000e-6

// Find finds where in rec the excitation x starts, starts being the frames at
// which it is repeated and whole the frames from the first start to the end of
// the last; it returns the frame of the first repeat, which may lie before
// frame 0. Repeats may lie as far from their places as a skew of 1000 ppm puts
// them. Long recordings are searched piece by piece; pieces overlap by whole.
// Errors: *NotFoundError, ctx's error.
func Find(ctx context.Context, rec, x []float32, starts []int, whole int) (int, error) {
	piece := max(longestSearch, 4*whole)
	if len(rec) <= piece {
		piece = len(rec)
	}
	n := fourier.FastLen(piece + len(x))
	template := templateOf(x, n)
	y := make([]float64, n)
	best, bestPeak, silent := 0, 0.0, true
	mostDB := math.Inf(-1)
	for from := 0; ; from += piece - whole {
		if err := ctx.Err(); err != nil {
			return 0, err
		}
		part := rec[from:min(from+piece, len(rec))]
		if start, peak, db, ok := match(y, part, template, starts); ok {
			silent = false
			mostDB = math.Max(mostDB, db)
			// A piece with all repeats has the stronger match, though it need not stand
			// out more.
			if db >= NeedDB && peak > bestPeak {
				best, bestPeak = from+start, peak
			}
		}
		if from+piece >= len(rec) {
			break
		}
	}
	if silent || bestPeak == 0 {
		return 0, &NotFoundError{PeakDB: mostDB, NeedDB: NeedDB, Silent: silent}
	}
	return best, nil
}

// templateOf returns X*/|X| of x at length n: the correlation with half the
// whitening. A matched filter in white noise would see little but bass, a
// division little but hiss.
func templateOf(x []float32, n int) []complex128 {
	padded := make([]float64, n)
	for i, v := range x {
		padded[i] = float64(v)
	}
	plan := fourier.Get(n)
	defer fourier.Put(plan)
	spectrum := plan.Coefficients(nil, padded)
	var top float64
	for _, v := range spectrum {
		top = math.Max(top, real(v)*real(v)+imag(v)*imag(v))
	}
	parallel.Split(len(spectrum), func(lo, hi int) {
		for k := lo; k < hi; k++ {
			re, im := real(spectrum[k]), imag(spectrum[k])
			g := 1 / math.Sqrt(re*re+im*im+1e-9*top)
			spectrum[k] = complex(g*re, -g*im)
		}
	})
	return spectrum
}

// match returns where in rec the excitation most likely starts, how strong that
// match is, and how far it stands out of the rest in dB; ok is false where rec is silent.
// y is room for it, as long as the template's transform.
func match(y []float64, rec []float32, template []complex128, starts []int) (start int, peak, outDB float64, ok bool) {
	n := len(y)
	var mean, power float64
	for _, v := range rec {
		mean += float64(v)
	}
	mean /= float64(len(rec)) // a converter's offset would outshout the sweep
	for i, v := range rec {
		y[i] = float64(v) - mean
		power += y[i] * y[i]
	}
	if power <= 1e-24*float64(len(rec)) { // −240 dBFS: rounding of the mean
		return 0, 0, 0, false
	}
	clear(y[len(rec):])
	plan := fourier.Get(n)
	spectrum := plan.Coefficients(nil, y)
	parallel.Split(len(spectrum), func(lo, hi int) {
		for k := lo; k < hi; k++ {
			spectrum[k] *= template[k]
		}
	})
	c := plan.Sequence(y, spectrum)
	fourier.Put(plan)

	// The repeats lie on top of each other once shifted, but for the skew.
	score := c
	if len(starts) > 1 {
		for i := range c {
			c[i] = math.Abs(c[i])
		}
		score = append([]float64(nil), c...)
		for _, s := range starts[1:] {
			shift := s - starts[0]
			reach := int(math.Ceil(most * float64(shift)))
			addLargest(score, c, shift, reach)
		}
	}
	best, outDB := Stands(score)
	peak = math.Abs(score[best])
	if best > len(rec) {
		best -= n
	}
	return best, peak, outDB, true
}

// addLargest adds to each score[i] the largest of c[i+shift−reach] to
// c[i+shift+reach], counted around.
func addLargest(score, c []float64, shift, reach int) {
	n := len(c)
	width := 2*reach + 1
	// Maxima from the last border of blocks on, and up to the next one: of these
	// any stretch of one block's length is made (M. van Herk, Pattern Recognition
	// Letters 13, 1992 [from memory]).
	parallel.Split(n, func(lo, hi int) {
		up, down := make([]float64, width), make([]float64, width)
		at := func(i int) float64 { return c[((i%n)+n)%n] }
		for from := lo; from < hi; from += width {
			// Stretches that start in [from, from+width) begin in this block of c
			// and end in the next.
			a := from + shift - reach
			var m float64
			for i := width - 1; i >= 0; i-- {
				m = math.Max(m, at(a+i))
				down[i] = m
			}
			m = 0
			for i := range width {
				up[i] = m // of the i values from a+width on
				m = math.Max(m, at(a+width+i))
			}
			for i := range min(width, hi-from) {
				score[from+i] += math.Max(down[i], up[i])
			}
		}
	})
}

// Stands returns the index of the strongest value of a circular correlation, and
// how far it stands out of the rms of the rest in dB.
func Stands(score []float64) (best int, outDB float64) {
	n := len(score)
	var peak, sum float64
	for i, v := range score {
		v = math.Abs(v)
		sum += v * v
		if v > peak {
			best, peak = i, v
		}
	}
	if peak == 0 {
		return 0, 0
	}
	// Without the neighbourhood of the peak, where the room answers.
	around := n / 20
	for d := -around; d <= around; d++ {
		v := score[((best+d)%n+n)%n]
		sum -= v * v
	}
	rest := math.Sqrt(math.Max(sum, 1e-30*peak*peak*float64(n)) / float64(n-2*around))
	return best, 20 * math.Log10(peak/rest)
}
