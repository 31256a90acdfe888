// Package fourier is the discrete Fourier transform of real sequences, made
// for the long ones that a measurement needs.
//
// The transform of x[n], n = 0…N−1, is X[k] = Σ x[n] e^(−j2πkn/N) for
// k = 0…N/2; the other half is its mirror image and is not computed. The
// inverse divides by N, so that a transform and its inverse give x again.
//
// Lengths 2^a·3^b·5^c that are even are the fast ones, and none of them need be
// a power of two: FastLen picks one. Every other length works too, but odd ones
// cost about three times as much, and those with a prime factor above 5 four to
// eight times.
//
// How it works: the N real values are taken as N/2 complex ones, whose
// transform is unfolded at the end (Cooley, Lewis and Welch, J. Sound Vib. 12,
// 1970). The complex transform of a long sequence is split into a matrix of
// short ones that stay in the processor's near cache (Gentleman and Sande, AFIPS
// 1966; Bailey, J. Supercomputing 4, 1990), and these sort themselves on the way
// (Stockham's arrangement, see Van Loan, Computational Frameworks for the Fast
// Fourier Transform, SIAM 1992, sections 1.7 and 3.3). Other lengths go through
// a convolution with a chirp (Bluestein, IEEE Trans. Audio Electroacoust. 18,
// 1970).
package fourier

import (
	"fmt"
	"unsafe"
)

// Real is a plan for transforms of real sequences of one length.
//
// A Real owns scratch memory, about as much as the sequence itself, and must
// not be used by two goroutines at once. Tables are shared between the plans of
// a length. Long transforms run on up to runtime.GOMAXPROCS(0) goroutines, which
// have all ended when the call returns.
type Real struct {
	n    int
	eng  *engine
	work *workspace
	fold *fold        // even n: n/2 complex values carry the sequence
	wide []complex128 // odd n: input and output of a complex transform of length n
}

// NewReal returns a plan for sequences of n values. It panics if n < 1.
func NewReal(n int) *Real {
	if n < 1 {
		panic(fmt.Sprintf("fourier: length %d, want 1 or more", n))
	}
	p := &Real{n: n}
	if n%2 == 0 {
		p.eng = engineFor(n / 2)
		p.fold = newFold(n)
	} else {
		p.eng = engineFor(n)
		p.wide = make([]complex128, 2*n)
	}
	p.work = newWorkspace(p.eng)
	return p
}

// Len returns the length of the sequences.
func (p *Real) Len() int { return p.n }

// Coefficients computes X[k] = Σ seq[n] e^(−j2πkn/N), k = 0…N/2, into dst and
// returns it. The length of seq is N and that of dst N/2+1 (rounded down), else
// Coefficients panics; a nil dst is allocated. seq is left as it was.
func (p *Real) Coefficients(dst []complex128, seq []float64) []complex128 {
	if len(seq) != p.n {
		panic(fmt.Sprintf("fourier: sequence of %d values, want %d", len(seq), p.n))
	}
	if dst == nil {
		dst = make([]complex128, p.n/2+1)
	} else if len(dst) != p.n/2+1 {
		panic(fmt.Sprintf("fourier: room for %d coefficients, want %d", len(dst), p.n/2+1))
	}
	if p.fold == nil {
		in, out := p.wide[:p.n], p.wide[p.n:]
		for i, v := range seq {
			in[i] = complex(v, 0)
		}
		p.eng.transform(out, in, p.work)
		copy(dst, out)
		dst[0] = complex(real(dst[0]), 0)
		return dst
	}
	m := p.n / 2
	p.eng.transform(dst[:m], asComplex(seq), p.work)
	p.fold.unfold(dst)
	return dst
}

// Sequence computes the inverse, x[n] = 1/N Σ X[k] e^(j2πkn/N) with
// k = 0…N−1 and X[N−k] the conjugate of X[k], into dst and returns it. The
// length of coeff is N/2+1 (rounded down) and that of dst N, else Sequence
// panics; a nil dst is allocated. The imaginary parts of X[0] and, for even N,
// X[N/2] have no real sequence and are ignored. coeff is left as it was.
func (p *Real) Sequence(dst []float64, coeff []complex128) []float64 {
	if len(coeff) != p.n/2+1 {
		panic(fmt.Sprintf("fourier: %d coefficients, want %d", len(coeff), p.n/2+1))
	}
	if dst == nil {
		dst = make([]float64, p.n)
	} else if len(dst) != p.n {
		panic(fmt.Sprintf("fourier: room for %d values, want %d", len(dst), p.n))
	}
	if p.fold == nil {
		// Mirrored, the forward transform is the inverse one.
		in, out := p.wide[:p.n], p.wide[p.n:]
		scale := 1 / float64(p.n)
		in[0] = complex(real(coeff[0])*scale, 0)
		for k := 1; k < len(coeff); k++ {
			re, im := real(coeff[k])*scale, imag(coeff[k])*scale
			in[p.n-k] = complex(re, im)
			in[k] = complex(re, -im)
		}
		p.eng.transform(out, in, p.work)
		for i := range dst {
			dst[i] = real(out[i])
		}
		return dst
	}
	out := asComplex(dst)
	in := p.eng.source(out, p.work)
	p.fold.refold(in, coeff)
	p.eng.transform(out, in, p.work)
	return dst
}

// asComplex sees pairs of neighbouring values as complex ones. A complex128 is
// two float64, real part first, and needs no stricter alignment.
func asComplex(s []float64) []complex128 {
	if len(s) < 2 {
		return nil
	}
	return unsafe.Slice((*complex128)(unsafe.Pointer(unsafe.SliceData(s))), len(s)/2)
}
