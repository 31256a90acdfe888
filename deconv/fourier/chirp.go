package fourier

// chirp is a transform of any length as a convolution (Bluestein 1970): with
// c[n] = e^(−jπn²/m), X[k] = c[k] Σ (x[n] c[n]) c*[k−n].
type chirp struct {
	m     int
	inner *engine
	c     []complex128
	// kernel is the transform of c*, scaled by 1/inner.m
	kernel []complex128
}

// chirpLen returns the length of the convolution for a transform of length m.
func chirpLen(m int) int { return FastLen(4*m-2) / 2 }

func newChirpEngine(m int) *engine {
	inner := engineFor(chirpLen(m))
	c := &chirp{m: m, inner: inner, c: make([]complex128, m)}
	square := 0 // n² mod 2m
	for n := range c.c {
		c.c[n] = root(square, 2*m)
		square = (square + 2*n + 1) % (2 * m)
	}
	l := inner.m
	seq := make([]complex128, l)
	scale := 1 / float64(l)
	for n, v := range c.c {
		v = complex(real(v)*scale, -imag(v)*scale)
		seq[n] = v
		if n > 0 {
			seq[l-n] = v
		}
	}
	c.kernel = make([]complex128, l)
	inner.transform(c.kernel, seq, newWorkspace(inner))
	return &engine{m: m, rows: 1, cols: m, chirp: c}
}

func (c *chirp) transform(dst, src []complex128, w *workspace) {
	l := c.inner.m
	in, out := w.pad[:l], w.pad[l:]
	for i, v := range c.c {
		in[i] = src[i] * v
	}
	clear(in[c.m:])
	c.inner.transform(out, in, w.inner)
	// The product is stored mirrored: its forward transform is then the inverse.
	in[0] = out[0] * c.kernel[0]
	for k := 1; k < l; k++ {
		in[l-k] = out[k] * c.kernel[k]
	}
	c.inner.transform(out, in, w.inner)
	for k, v := range c.c {
		dst[k] = out[k] * v
	}
}
