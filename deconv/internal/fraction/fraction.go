// Package fraction moves and reads sequences by fractions of a frame.
package fraction

import (
	"math"

	"roomsonde/deconv/internal/parallel"
)

// Sinc is sin(πx)/(πx).
func Sinc(x float64) float64 {
	if math.Abs(x) < 1e-8 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// Kaiser is the window I0(β·√(1−x²))/I0(β), 0 outside ±1.
func Kaiser(x, beta float64) float64 {
	if x <= -1 || x >= 1 {
		return 0
	}
	return bessel0(beta*math.Sqrt(1-x*x)) / bessel0(beta)
}

// bessel0 is the modified Bessel function of the first kind and order 0, by its
// power series.
func bessel0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-17*sum; k++ {
		term *= x / (2 * k) * x / (2 * k)
		sum += term
	}
	return sum
}

// Advance moves the sequence of n values with the given spectrum (n/2+1 bins)
// by that many frames, whole or not, to earlier places, counted around.
func Advance(spectrum []complex128, n int, frames float64) {
	advance(spectrum, spectrum, n, frames, false)
}

// AddAdvanced adds what Advance makes of src to dst.
func AddAdvanced(dst, src []complex128, n int, frames float64) {
	advance(dst, src, n, frames, true)
}

func advance(dst, src []complex128, n int, frames float64, add bool) {
	step := 2 * math.Pi * frames / float64(n)
	last := -1
	if n%2 == 0 {
		last = n / 2
	}
	parallel.Split(len(src), func(lo, hi int) {
		ds, dc := math.Sincos(step)
		var s, c float64
		for k := lo; k < hi; k++ {
			if (k-lo)%renew == 0 {
				s, c = math.Sincos(step * float64(k))
			}
			re, im := real(src[k]), imag(src[k])
			v := complex(re*c-im*s, re*s+im*c)
			if k == last {
				// Half the sample rate has no fraction of a frame: its real part is
				// what a band-limited sequence would show.
				v = complex(real(v), 0)
			}
			if add {
				v += dst[k]
			}
			dst[k] = v
			s, c = s*dc+c*ds, c*dc-s*ds
		}
	})
}

// renew is after how many turns by a small angle the angle is worked out anew, so
// that rounding stays below 1e-14.
const renew = 64

// Turn replaces c[k] by c[k]·e^(j(start + k·step)).
func Turn(c []complex128, start, step float64) {
	ds, dc := math.Sincos(step)
	var s, co float64
	for k, v := range c {
		if k%renew == 0 {
			s, co = math.Sincos(start + float64(k)*step)
		}
		re, im := real(v), imag(v)
		c[k] = complex(re*co-im*s, re*s+im*co)
		s, co = s*dc+co*ds, co*dc-s*ds
	}
}

// Peak returns the lag τ near start at which the correlation Re Σ c[k]·e^(jωτ),
// ω = first + k·step in radians per frame, has its maximum, by Newton's method: where
// a correlation has it that is interpolated by any amount of zero padding.
func Peak(c []complex128, first, step, start float64) float64 {
	tau := start
	for range 12 {
		slope, bend := 0.0, 0.0 // the first derivative, and minus the second
		ds, dc := math.Sincos(step * tau)
		var s, co float64
		for k, v := range c {
			w := first + float64(k)*step
			if k%renew == 0 {
				s, co = math.Sincos(w * tau)
			}
			re, im := real(v)*co-imag(v)*s, real(v)*s+imag(v)*co
			slope -= w * im
			bend += w * w * re
			s, co = s*dc+co*ds, co*dc-s*ds
		}
		if !(bend > 0) {
			break
		}
		d := math.Max(-0.5, math.Min(0.5, slope/bend))
		tau += d
		if math.Abs(d) < 1e-7 {
			break
		}
	}
	return tau
}
