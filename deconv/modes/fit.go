package modes

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"
)

// pole is a damped sinusoid's decay constant and angular frequency, both per
// sample of the decimated rate: it goes as e^{(−decay + j·angle)·n}.
type pole struct{ decay, angle float64 }

func (p pole) z() complex128 { return cmplx.Rect(math.Exp(-p.decay), p.angle) }

// fit is a maximum-likelihood fit of damped sinusoids to all responses in white
// noise: y_r[n] = Σ_p Re(c_{p,r} z_p^n) + noise. Poles are shared.
//
// The amplitudes are eliminated (variable projection: Golub and Pereyra, SIAM J.
// Numer. Anal. 10, 1973, in Kaufman's form; from memory), so that steps are in
// the poles alone. All inner products between columns n^k·z^n are geometric sums
// in closed form, so that a step does not grow with the length but for the
// correlations with the data.
type fit struct {
	y     [][]float64
	n     int
	poles []pole
	amp   [][]complex128 // [response][pole]
	rest  [][]float64    // residual per response
	rss   float64
	prior *prior // what is known of the poles beforehand; nil: nothing
	own   []pole // each pole without what was known of itself; nil: poles

	gram  *mat.SymDense   // of the linear columns Re z^n and Re jz^n, scaled to a unit diagonal
	scale []float64       // by which the linear columns were multiplied
	chol  mat.Cholesky    // of gram
	sums  [3][]complex128 // S_m(z_p·z_q) = Σ n^m (z_p·z_q)^n, row-major
	sumsC [3][]complex128 // S_m(z_p·conj z_q)
}

// geometric returns Σ n^m x^n over 0 ≤ n < count for m = 0, 1, 2.
func geometric(x complex128, count int) (s0, s1, s2 complex128) {
	d := 1 - x
	if cmplx.Abs(d) < 2e-3 {
		// Too near 1 for the closed form.
		t := complex(1, 0)
		for n := range count {
			f := complex(float64(n), 0)
			s0 += t
			s1 += f * t
			s2 += f * f * t
			t *= x
		}
		return
	}
	big := complex(float64(count), 0)
	last := power(x, count)
	// Σ x^n = (1 − x^N)/(1 − x); the others by x·d/dx.
	s0 = (1 - last) / d
	s1 = (x*s0 - big*last) / d
	// S2 = x·S1' with S1 = (x·S0 − N·x^N)/(1−x):
	// x·S1' = (x·S0 + x·S1 − N²·x^N)/(1−x) + x·S1/(1−x).
	s2 = (x*s0 + 2*x*s1 - big*big*last) / d
	return
}

// power returns x^n for n ≥ 0, by squaring.
func power(x complex128, n int) complex128 {
	out := complex(1, 0)
	for ; n > 0; n >>= 1 {
		if n&1 == 1 {
			out *= x
		}
		x *= x
	}
	return out
}

// inner returns the inner product of Re(a·n^k·z_p^n) and Re(b·n^l·z_q^n), m = k+l.
func (f *fit) inner(a complex128, p int, b complex128, q, m int) float64 {
	i := p*len(f.poles) + q
	return 0.5 * (real(a*b*f.sums[m][i]) + real(a*cmplx.Conj(b)*f.sumsC[m][i]))
}

// newFit solves for the amplitudes of the given poles. It returns nil where the
// poles cannot be told apart numerically.
func newFit(y [][]float64, poles []pole) *fit {
	f := &fit{y: y, n: len(y[0]), poles: poles}
	if !f.solve() {
		return nil
	}
	return f
}

var unit = [2]complex128{1, 1i}

func (f *fit) solve() bool {
	m := len(f.poles)
	f.rest = make([][]float64, len(f.y))
	if m == 0 {
		f.rss = 0
		for r, y := range f.y {
			f.rest[r] = append([]float64(nil), y...)
			f.amp = append(f.amp, nil)
			for _, v := range y {
				f.rss += v * v
			}
		}
		return true
	}
	z := make([]complex128, m)
	for i, p := range f.poles {
		z[i] = p.z()
	}
	for k := range f.sums {
		f.sums[k] = make([]complex128, m*m)
		f.sumsC[k] = make([]complex128, m*m)
	}
	for p := range m {
		for q := p; q < m; q++ {
			a, b, c := geometric(z[p]*z[q], f.n)
			f.sums[0][p*m+q], f.sums[1][p*m+q], f.sums[2][p*m+q] = a, b, c
			f.sums[0][q*m+p], f.sums[1][q*m+p], f.sums[2][q*m+p] = a, b, c
			a, b, c = geometric(z[p]*cmplx.Conj(z[q]), f.n)
			f.sumsC[0][p*m+q], f.sumsC[1][p*m+q], f.sumsC[2][p*m+q] = a, b, c
			f.sumsC[0][q*m+p], f.sumsC[1][q*m+p], f.sumsC[2][q*m+p] = cmplx.Conj(a), cmplx.Conj(b), cmplx.Conj(c)
		}
	}
	size := 2 * m
	f.scale = make([]float64, size)
	for i := range size {
		v := f.inner(unit[i%2], i/2, unit[i%2], i/2, 0)
		if !(v > 0) {
			return false
		}
		f.scale[i] = 1 / math.Sqrt(v)
	}
	f.gram = mat.NewSymDense(size, nil)
	for i := range size {
		for j := i; j < size; j++ {
			f.gram.SetSym(i, j, f.scale[i]*f.scale[j]*f.inner(unit[i%2], i/2, unit[j%2], j/2, 0))
		}
	}
	if !f.chol.Factorize(f.gram) || f.chol.Cond() > 1e13 {
		return false
	}
	f.amp = make([][]complex128, len(f.y))
	f.rss = 0
	for r, y := range f.y {
		t := correlate(y, z)
		c := f.solveLinear(t)
		// One step of iterative refinement through the residual itself.
		rest := residual(y, z, c)
		d := f.solveLinear(correlate(rest, z))
		for i := range c {
			c[i] += d[i]
		}
		f.amp[r] = c
		f.rest[r] = residual(y, z, c)
		for _, v := range f.rest[r] {
			f.rss += v * v
		}
	}
	return true
}

// solveLinear returns the amplitudes for correlations t with the data.
func (f *fit) solveLinear(t []complex128) []complex128 {
	m := len(f.poles)
	b := mat.NewVecDense(2*m, nil)
	for i := range m {
		b.SetVec(2*i, f.scale[2*i]*real(t[i]))
		b.SetVec(2*i+1, f.scale[2*i+1]*real(1i*t[i]))
	}
	var x mat.VecDense
	if err := f.chol.SolveVecTo(&x, b); err != nil {
		if _, ok := err.(mat.Condition); !ok {
			return make([]complex128, m)
		}
	}
	c := make([]complex128, m)
	for i := range m {
		c[i] = complex(f.scale[2*i]*x.AtVec(2*i), f.scale[2*i+1]*x.AtVec(2*i+1))
	}
	return c
}

// correlate returns Σ y[n]·z^n for each z.
func correlate(y []float64, z []complex128) []complex128 {
	t := make([]complex128, len(z))
	i := 0
	// Horner from the end: no powers are needed. Four at a time, so that they
	// need not wait for each other.
	for ; i+4 <= len(z); i += 4 {
		w0, w1, w2, w3 := z[i], z[i+1], z[i+2], z[i+3]
		r0, i0, r1, i1 := real(w0), imag(w0), real(w1), imag(w1)
		r2, i2, r3, i3 := real(w2), imag(w2), real(w3), imag(w3)
		var a0, b0, a1, b1, a2, b2, a3, b3 float64
		for n := len(y) - 1; n >= 0; n-- {
			v := y[n]
			a0, b0 = a0*r0-b0*i0+v, a0*i0+b0*r0
			a1, b1 = a1*r1-b1*i1+v, a1*i1+b1*r1
			a2, b2 = a2*r2-b2*i2+v, a2*i2+b2*r2
			a3, b3 = a3*r3-b3*i3+v, a3*i3+b3*r3
		}
		t[i], t[i+1], t[i+2], t[i+3] = complex(a0, b0), complex(a1, b1), complex(a2, b2), complex(a3, b3)
	}
	for ; i < len(z); i++ {
		wr, wi := real(z[i]), imag(z[i])
		var ar, ai float64
		for n := len(y) - 1; n >= 0; n-- {
			ar, ai = ar*wr-ai*wi+y[n], ar*wi+ai*wr
		}
		t[i] = complex(ar, ai)
	}
	return t
}

// correlateRamp returns Σ y[n]·n·z^n for each z.
func correlateRamp(y []float64, z []complex128) []complex128 {
	ramp := make([]float64, len(y))
	for n, v := range y {
		ramp[n] = float64(n) * v
	}
	return correlate(ramp, z)
}

// residual returns y − Σ Re(c z^n).
func residual(y []float64, z, c []complex128) []float64 {
	e := append([]float64(nil), y...)
	i := 0
	for ; i+4 <= len(z); i += 4 {
		w0, w1, w2, w3 := z[i], z[i+1], z[i+2], z[i+3]
		r0, i0, r1, i1 := real(w0), imag(w0), real(w1), imag(w1)
		r2, i2, r3, i3 := real(w2), imag(w2), real(w3), imag(w3)
		a0, b0, a1, b1 := real(c[i]), imag(c[i]), real(c[i+1]), imag(c[i+1])
		a2, b2, a3, b3 := real(c[i+2]), imag(c[i+2]), real(c[i+3]), imag(c[i+3])
		for n := range e {
			e[n] -= a0 + a1 + a2 + a3
			a0, b0 = a0*r0-b0*i0, a0*i0+b0*r0
			a1, b1 = a1*r1-b1*i1, a1*i1+b1*r1
			a2, b2 = a2*r2-b2*i2, a2*i2+b2*r2
			a3, b3 = a3*r3-b3*i3, a3*i3+b3*r3
		}
	}
	for ; i < len(z); i++ {
		ar, ai := real(c[i]), imag(c[i])
		wr, wi := real(z[i]), imag(z[i])
		for n := range e {
			e[n] -= ar
			ar, ai = ar*wr-ai*wi, ar*wi+ai*wr
		}
	}
	return e
}

// information returns the Fisher information of (ln decay, angle) of every pole,
// amplitudes eliminated, in units of 1/variance of the noise; and, with
// gradient, half the negative slope of the squared residual.
func (f *fit) information() (info *mat.SymDense, gradient []float64, cross []*mat.Dense) {
	m := len(f.poles)
	size := 2 * m
	info = mat.NewSymDense(size, nil)
	gradient = make([]float64, size)
	z := make([]complex128, m)
	for i, p := range f.poles {
		z[i] = p.z()
	}
	lower := f.chol.RawU() // gram = Uᵀ·U
	factor := make([]complex128, size)
	for r := range f.y {
		for p := range m {
			factor[2*p] = -f.amp[r][p] * complex(f.poles[p].decay, 0)
			factor[2*p+1] = 1i * f.amp[r][p]
		}
		t := correlateRamp(f.rest[r], z)
		b := mat.NewDense(size, size, nil) // linear × nonlinear
		for j := range size {
			gradient[j] += real(factor[j] * t[j/2])
			for i := range size {
				b.Set(i, j, f.scale[i]*f.inner(unit[i%2], i/2, factor[j], j/2, 1))
			}
		}
		var x mat.Dense // Uᵀ x = b
		_ = x.Solve(lower.T(), b)
		var projected mat.SymDense
		projected.SymOuterK(1, x.T())
		for i := range size {
			for j := i; j < size; j++ {
				v := f.inner(factor[i], i/2, factor[j], j/2, 2) - projected.At(i, j)
				info.SetSym(i, j, info.At(i, j)+v)
			}
		}
		cross = append(cross, &x)
	}
	return info, gradient, cross
}

// freedom is the number of data values beyond the number of parameters.
func (f *fit) freedom() float64 {
	r := float64(len(f.y))
	return math.Max(1, float64(f.n)*r-float64(len(f.poles))*(2+2*r))
}

// floor is a variance that counts as there in any case, 80 dB below the data's,
// which is 1: nothing that was measured is better, and arithmetic need not be modelled.
const floor = 1e-8

// variance is the noise's.
func (f *fit) variance() float64 { return f.rss/f.freedom() + floor }

// limits keeps poles where they mean something, all per sample.
type limits struct{ minDecay, maxDecay, minAngle, maxAngle float64 }

func (l limits) clamp(p pole) pole {
	p.decay = math.Min(math.Max(p.decay, l.minDecay), l.maxDecay)
	p.angle = math.Min(math.Max(p.angle, l.minAngle), l.maxAngle)
	return p
}

// refine moves the poles to the next minimum of the squared residual
// (Levenberg–Marquardt) and returns the fit there.
func (f *fit) refine(l limits, steps int) *fit {
	cur := f
	if len(cur.poles) == 0 {
		return cur
	}
	lambda := 1e-3
	for range steps {
		info, g, _ := cur.information()
		cur.prior.join(info, g, cur.poles)
		size := len(g)
		improved := false
		done := false
		for range 6 {
			a := mat.NewSymDense(size, nil)
			a.CopySym(info)
			for i := range size {
				a.SetSym(i, i, info.At(i, i)*(1+lambda)+1e-300)
			}
			var chol mat.Cholesky
			if !chol.Factorize(a) {
				lambda = math.Max(10*lambda, 1e-6)
				continue
			}
			var step mat.VecDense
			if err := chol.SolveVecTo(&step, mat.NewVecDense(size, g)); err != nil {
				if _, ok := err.(mat.Condition); !ok {
					lambda *= 10
					continue
				}
			}
			next := make([]pole, len(cur.poles))
			for i, p := range cur.poles {
				dl := math.Min(math.Max(step.AtVec(2*i), -0.7), 0.7)
				reach := 1.5 * p.decay
				da := math.Min(math.Max(step.AtVec(2*i+1), -reach), reach)
				next[i] = l.clamp(pole{p.decay * math.Exp(dl), p.angle + da})
			}
			try := newFit(cur.y, next)
			if try == nil {
				lambda = math.Max(8*lambda, 1e-6)
				continue
			}
			try.prior = cur.prior
			if gain := cur.misfit() - try.misfit(); gain >= 0 {
				improved = true
				done = gain < 0.02*try.variance()
				cur = try
				lambda = math.Max(lambda/5, 1e-9)
				break
			}
			lambda = math.Max(8*lambda, 1e-6)
		}
		if !improved || done {
			break
		}
	}
	return cur
}

// gramInverse returns the inverse of the scaled Gram matrix.
func (f *fit) gramInverse() *mat.SymDense {
	inv := mat.NewSymDense(2*len(f.poles), nil)
	_ = f.chol.InverseTo(inv)
	return inv
}
