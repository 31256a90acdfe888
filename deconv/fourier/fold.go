package fourier

import "runtime"

// With z[n] = x[2n] + j x[2n+1] and Z its transform of length M = N/2, the
// transforms of the even and odd values are
//
//	E[k] = (Z[k] + Z*[M−k])/2, O[k] = (Z[k] − Z*[M−k])/2j,
//
// and X[k] = E[k] + w^k O[k], X[M−k] = (E[k] − w^k O[k])*, w = e^(−j2π/N).

// fold is the scratch of unfolding and refolding. The work is cut into blocks of
// the k that share a coarse root.
type fold struct {
	m     int
	roots *roots // e^(−j2πk/N)
	team  team

	dst, coeff []complex128 // during a call
}

type (
	unfoldStep fold
	refoldStep fold
)

func newFold(n int) *fold { return &fold{m: n / 2, roots: rootsFor(n)} }

// unfold turns Z, in dst[:M], into X, in place.
func (f *fold) unfold(dst []complex128) {
	m := f.m
	z := dst[0]
	dst[0] = complex(real(z)+imag(z), 0)
	dst[m] = complex(real(z)-imag(z), 0)
	if m%2 == 0 {
		dst[m/2] = complex(real(dst[m/2]), -imag(dst[m/2]))
	}
	f.dst = dst
	f.run((*unfoldStep)(f))
}

// refold turns X, in coeff, into that Z whose forward transform is the sequence:
// mirrored, and divided by M.
func (f *fold) refold(dst, coeff []complex128) {
	m := f.m
	scale := 0.5 / float64(m)
	a, b := scale*real(coeff[0]), scale*real(coeff[m])
	dst[0] = complex(a+b, a-b)
	if m%2 == 0 {
		c := coeff[m/2]
		dst[m/2] = complex(2*scale*real(c), -2*scale*imag(c))
	}
	f.dst, f.coeff = dst, coeff
	f.run((*refoldStep)(f))
}

func (f *fold) run(w work) {
	pairs := (f.m - 1) / 2 // k and m−k; 0 and m/2 are done
	lanes := 1
	if 2*f.m >= parallelFrom {
		lanes = runtime.GOMAXPROCS(0)
	}
	f.team.run(lanes, pairs>>f.roots.shift+1, w)
	f.dst, f.coeff = nil, nil
}

// bounds returns the k of a block.
func (f *fold) bounds(block int) (lo, hi int) {
	lo = block << f.roots.shift
	hi = min(lo+1<<f.roots.shift, (f.m-1)/2+1)
	return max(lo, 1), hi
}

func (u *unfoldStep) do(_, block int) {
	j := (*fold)(u)
	lo, hi := j.bounds(block)
	if hi <= lo {
		return
	}
	coarse := j.roots.coarse[block]
	cr, ci := 0.5*real(coarse), 0.5*imag(coarse)
	fine := j.roots.fine[lo-block<<j.roots.shift:][:hi-lo]
	up := j.dst[lo:hi][:len(fine)]
	down := j.dst[j.m-hi+1 : j.m-lo+1][:len(fine)]
	for i, f := range fine {
		wr, wi := real(f)*cr-imag(f)*ci, real(f)*ci+imag(f)*cr
		di := len(down) - 1 - i
		a, b := up[i], down[di]
		ar, ai, br, bi := real(a), imag(a), real(b), imag(b)
		er, ei := 0.5*(ar+br), 0.5*(ai-bi)
		// or + j·oi is (Z[k] − Z*[M−k])/j, twice O; the half is in w.
		or, oi := ai+bi, br-ar
		tr, ti := wr*or-wi*oi, wr*oi+wi*or
		up[i] = complex(er+tr, ei+ti)
		down[di] = complex(er-tr, ti-ei)
	}
}

func (r *refoldStep) do(_, block int) {
	j := (*fold)(r)
	lo, hi := j.bounds(block)
	if hi <= lo {
		return
	}
	s := 0.5 / float64(j.m)
	coarse := j.roots.coarse[block]
	cr, ci := s*real(coarse), s*imag(coarse)
	fine := j.roots.fine[lo-block<<j.roots.shift:][:hi-lo]
	up, upC := j.dst[lo:hi][:len(fine)], j.coeff[lo:hi][:len(fine)]
	down, downC := j.dst[j.m-hi+1 : j.m-lo+1][:len(fine)], j.coeff[j.m-hi+1 : j.m-lo+1][:len(fine)]
	for i, f := range fine {
		wr, wi := real(f)*cr-imag(f)*ci, real(f)*ci+imag(f)*cr
		di := len(down) - 1 - i
		a, b := upC[i], downC[di]
		ar, ai, br, bi := real(a), imag(a), real(b), imag(b)
		er, ei := s*(ar+br), s*(ai-bi)
		dr, dm := ar-br, ai+bi
		// Scaled like E: O = (X[k] − X*[M−k]) w^−k
		or, oi := wr*dr+wi*dm, wr*dm-wi*dr
		// Z[k] = E + jO and Z[M−k] = (E − jO)*, each stored at the other's place.
		down[di] = complex(er-oi, ei+or)
		up[i] = complex(er+oi, or-ei)
	}
}
