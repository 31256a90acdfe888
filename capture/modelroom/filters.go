package modelroom

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

type passKind int

const (
	lowPass passKind = iota
	highPass
)

// biquad is (b0 + b1 z⁻¹ + b2 z⁻²)/(1 + a1 z⁻¹ + a2 z⁻²).
type biquad struct{ b0, b1, b2, a1, a2 float64 }

// cascade is a chain of biquads.
type cascade []biquad

// at returns the transfer function at the point of the z plane whose inverse
// is zi.
func (c cascade) at(zi complex128) complex128 {
	num, den := complex(1, 0), complex(1, 0)
	for _, q := range c {
		num *= complex(q.b0, 0) + zi*(complex(q.b1, 0)+zi*complex(q.b2, 0))
		den *= 1 + zi*(complex(q.a1, 0)+zi*complex(q.a2, 0))
	}
	return num / den
}

// secondOrder is the bilinear transform of 1/(s²+s/Q+1), or of s² over the
// same, with the frequency of the corner kept (pre-warped).
func secondOrder(kind passKind, hz, q, rate float64) biquad {
	k := math.Tan(math.Pi * hz / rate)
	norm := 1 / (1 + k/q + k*k)
	f := biquad{a1: 2 * (k*k - 1) * norm, a2: (1 - k/q + k*k) * norm}
	if kind == lowPass {
		f.b0 = k * k * norm
		f.b1 = 2 * f.b0
	} else {
		f.b0 = norm
		f.b1 = -2 * f.b0
	}
	f.b2 = f.b0
	return f
}

// butterworth returns a Butterworth filter of even order.
func butterworth(kind passKind, order int, hz, rate float64) cascade {
	var c cascade
	for i := range order / 2 {
		q := 1 / (2 * math.Sin(math.Pi*float64(2*i+1)/float64(2*order)))
		c = append(c, secondOrder(kind, hz, q, rate))
	}
	return c
}

// linkwitzRiley returns the fourth-order Linkwitz-Riley filter: a
// second-order Butterworth filter twice. Its low-pass and high-pass add up to
// an all-pass (Linkwitz, JAES 24(1) 1976; from memory).
func linkwitzRiley(kind passKind, hz, rate float64) cascade {
	b := butterworth(kind, 2, hz, rate)[0]
	return cascade{b, b}
}

// grid is a set of equally spaced frequencies on which spectra are worked
// out, with what it takes to get from there to samples and back. A spectrum
// has n/2+1 bins, from 0 to half the rate.
type grid struct {
	n    int // samples
	rate float64
	fft  *fourier.FFT
	// Scratch for transforms, so that building a room makes little garbage.
	bins []complex128
	time []float64
}

// newGrid returns the grid of n samples (even) at rate.
func newGrid(rate float64, n int) *grid {
	return &grid{
		n: n, rate: rate, fft: fourier.NewFFT(n),
		bins: make([]complex128, n/2+1), time: make([]float64, n),
	}
}

// hz returns the frequency of bin k.
func (g *grid) hz(k int) float64 { return float64(k) * g.rate / float64(g.n) }

// impulse returns the n samples whose spectrum is given.
func (g *grid) impulse(spectrum []complex128) []float64 {
	h := g.fft.Sequence(make([]float64, g.n), spectrum)
	scaleBy(h, 1/float64(g.n))
	return h
}

// minimumPhase returns the minimum-phase spectrum whose magnitude is
// exp(logMagnitude(hz)), by the folded real cepstrum. The magnitude is exact
// at every bin.
func (g *grid) minimumPhase(logMagnitude func(hz float64) float64) []complex128 {
	for k := range g.bins {
		g.bins[k] = complex(logMagnitude(g.hz(k)), 0)
	}
	cepstrum := g.fft.Sequence(g.time, g.bins)
	scaleBy(cepstrum, 1/float64(g.n))
	for i := 1; i < g.n/2; i++ {
		cepstrum[i] *= 2
		cepstrum[g.n-i] = 0
	}
	h := g.fft.Coefficients(nil, cepstrum)
	for k, log := range h {
		h[k] = cmplx.Exp(log)
	}
	return h
}

func scaleBy(x []float64, by float64) {
	for i := range x {
		x[i] *= by
	}
}
