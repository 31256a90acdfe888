package deconv

import (
	"math"
	"slices"

	"roomsonde/deconv/fourier"
	"roomsonde/deconv/internal/parallel"
)

// Regularisation ε, relative to the excitation's typical power: inside its range
// it leaves the response untouched, and outside it rises to where it swallows
// everything. What then stands outside is continuation's business.
const (
	epsilonInside  = 1e-8 // −80 dB
	epsilonOutside = 1.0
	lowerSkirt     = 0.5      // octaves below the range in which ε rises
	upperSkirt     = 1.0 / 24 // octaves above it
)

// inverse is X*/(|X|²+ε) for one excitation and one length of transform.
type inverse struct {
	n            int // length of the transforms
	rate         float64
	fromHz, toHz float64
	filter       []complex128 // n/2+1
	low, high    int          // the range in bins: low <= k < high
	// below and above hold what regularisation takes away from the response,
	// 1 − |X|²/(|X|²+ε), for the bins under low and those from high on.
	below, above []float64
}

func (inv *inverse) step() float64 { return inv.rate / float64(inv.n) }

// spectrumOf transforms x, padded with zeros to the length of padded, into dst
// (len(padded)/2+1). What padded held is lost.
func spectrumOf(dst []complex128, x []float32, padded []float64) []complex128 {
	parallel.Split(len(padded), func(lo, hi int) {
		for i := lo; i < min(hi, len(x)); i++ {
			padded[i] = float64(x[i])
		}
		clear(padded[min(max(lo, len(x)), hi):hi])
	})
	plan := fourier.Get(len(padded))
	defer fourier.Put(plan)
	return plan.Coefficients(dst, padded)
}

// newInverse makes the inverse of an excitation that has energy from fromHz to
// toHz out of its spectrum, which it uses up.
func newInverse(spectrum []complex128, n int, rate, fromHz, toHz float64) *inverse {
	inv := &inverse{n: n, rate: rate, fromHz: fromHz, toHz: toHz, filter: spectrum}
	step := inv.step()
	ref := typicalPower(spectrum, step, fromHz, toHz)
	inv.low = min(len(spectrum), int(math.Ceil(fromHz/step)))
	inv.high = max(inv.low, min(len(spectrum), int(math.Floor(toHz/step))+1))
	inv.below, inv.above = make([]float64, inv.low), make([]float64, len(spectrum)-inv.high)
	x := spectrum
	// ε rises along a raised cosine over the logarithms of both frequency and ε.
	span := math.Log(epsilonOutside / epsilonInside)
	parallel.Split(len(x), func(lo, hi int) {
		for k := lo; k < hi; k++ {
			epsilon, way := ref*epsilonInside, 0.0 // way: 0 inside, 1 past a skirt
			switch hz := math.Max(float64(k)*step, 1e-9); {
			case k < inv.low:
				way = math.Log2(fromHz/hz) / lowerSkirt
			case k >= inv.high:
				way = math.Log2(hz/toHz) / upperSkirt
			}
			if way > 0 {
				epsilon *= math.Exp(span * (0.5 - 0.5*math.Cos(math.Pi*math.Min(1, way))))
			}
			re, im := real(x[k]), imag(x[k])
			scale := 1 / (re*re + im*im + epsilon)
			x[k] = complex(re*scale, -im*scale)
			switch {
			case k < inv.low:
				inv.below[k] = epsilon * scale
			case k >= inv.high:
				inv.above[k-inv.high] = epsilon * scale
			}
		}
	})
	return inv
}

// apply replaces a recording's spectrum by the impulse response's.
func (inv *inverse) apply(y []complex128) {
	parallel.Split(len(y), func(lo, hi int) {
		filter := inv.filter[lo:hi]
		for k, v := range y[lo:hi] {
			y[lo+k] = v * filter[k]
		}
	})
}

// gainPower returns the mean of |X*/(|X|²+ε)|² over the part of [fromHz, toHz]
// that lies in the range, or else of all of it: by how much the inverse passes
// noise.
func (inv *inverse) gainPower(fromHz, toHz float64) float64 {
	step := inv.rate / float64(inv.n)
	if toHz > inv.fromHz && fromHz < inv.toHz {
		fromHz, toHz = math.Max(fromHz, inv.fromHz), math.Min(toHz, inv.toHz)
	}
	lo := min(len(inv.filter)-1, max(0, int(math.Ceil(fromHz/step))))
	hi := min(len(inv.filter), max(lo+1, int(math.Floor(toHz/step))+1))
	var sum float64
	for _, v := range inv.filter[lo:hi] {
		sum += real(v)*real(v) + imag(v)*imag(v)
	}
	return sum / float64(hi-lo)
}

// typicalPower returns the median of |X|² over the part of the range that
// lies in 20 Hz to 20 kHz, from at most some thousand bins.
func typicalPower(x []complex128, step, fromHz, toHz float64) float64 {
	if toHz > 20 && fromHz < 20000 {
		fromHz, toHz = max(fromHz, 20), min(toHz, 20000)
	}
	lo := min(len(x)-1, max(1, int(math.Ceil(fromHz/step))))
	hi := min(len(x), max(lo+1, int(toHz/step)+1))
	const most = 8192
	stride := max(1, (hi-lo)/most)
	var powers []float64
	for k := lo; k < hi; k += stride {
		powers = append(powers, real(x[k])*real(x[k])+imag(x[k])*imag(x[k]))
	}
	slices.Sort(powers)
	return powers[len(powers)/2]
}
