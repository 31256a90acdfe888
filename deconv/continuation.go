package deconv

import (
	"math"
	"math/cmplx"
	"slices"

	"roomsonde/deconv/fourier"
	"roomsonde/deconv/internal/parallel"
)

// A response that breaks off at the ends of the excitation's range rings: with a
// start at 5 Hz for seconds, to both sides of time zero, and wherever that
// ringing is cut off, it spoils the bass inside the range (measured without
// noise: −45 dB at 20 Hz with 0.2 s kept before time zero). Outside the range
// nothing was measured, so any value there is as true as any other; the ones
// that let the response end where it is cut are chosen, and the range itself is
// left as it is. This is band-limited extrapolation of a response of limited
// length (A. Papoulis, IEEE Trans. Circuits Syst. 22(9), 1975 [cited from
// memory]), solved by conjugate gradients. The more noise there is at an end,
// the less is made of what was measured there.

// support is where the response may differ from zero, in frames around time
// zero; what is kept.
type support struct{ pre, keep int }

// edges are the ends of what a response holds, as far as noise lets it.
type edges struct {
	low, high int // bins: the response is believed for low <= k < high
	// lowSize and highSize are the magnitudes to go on with, and lowPenalty and
	// highPenalty the power of noise over that of the response there.
	lowSize, highSize       float64
	lowPenalty, highPenalty float64
}

// ends looks at both ends of a response. Where a fade left the excitation so
// little energy that the noise comes within 10 dB of the response's typical
// level, over up to an octave, the response is not believed; without noise it is
// believed a little beyond the range.
func (inv *inverse) ends(response []complex128, sup support, noise *Noise) edges {
	power := func(from, to int) float64 { // mean |H|² of some hundred bins
		from, to = max(from, inv.low), min(max(to, from+1), inv.high)
		stride := max(1, (to-from)/256)
		var sum float64
		count := 0
		for k := from; k < to; k += stride {
			sum += square(response[k])
			count++
		}
		return sum / math.Max(1, float64(count))
	}
	// The typical level: the median over thirds of octaves.
	var levels []float64
	for k := float64(inv.low); k < float64(inv.high); k *= math.Exp2(1.0 / 3) {
		levels = append(levels, power(int(k), int(k*math.Exp2(1.0/3))))
		k = math.Max(k, 4)
	}
	slices.Sort(levels)
	typical := levels[len(levels)/2]
	energy := float64(sup.pre + sup.keep)
	believed := func(k int) bool { return noise.at(k, inv, energy) <= 0.1*typical }

	e := edges{low: inv.low, high: inv.high}
	// Below the range an excitation's skirt may tell a little more.
	const told = 1e-4 // of the response that regularisation may take away there
	for e.low > 1 && inv.below[e.low-1] < told && believed(e.low-1) {
		e.low--
	}
	for e.low < min(2*inv.low, inv.high-1) && !believed(e.low) {
		e.low++
	}
	for e.high > max(inv.high/2, e.low+1) && !believed(e.high-1) {
		e.high--
	}
	// A single bin is as good as the noise in it lets it be.
	const least = 1e-6
	size := func(edge, from, to int) (magnitude, penalty float64) {
		around := power(from, to)
		magnitude = math.Sqrt(math.Min(square(response[edge]), around))
		hiss := noise.at((from+to)/2, inv, float64(inv.n)) // all lags' noise is in a bin
		if around > 0 {
			penalty = math.Min(1, hiss/around)
		}
		if penalty > 1e-3 {
			magnitude = math.Min(magnitude, math.Sqrt(math.Max(0, around-hiss)))
		}
		return magnitude, math.Max(penalty, least)
	}
	e.lowSize, e.lowPenalty = size(e.low, e.low, min(2*e.low, e.high-1))
	e.highSize, e.highPenalty = size(e.high-1, max(e.low, int(float64(e.high)*0.9)), e.high-1)
	return e
}

func square(v complex128) float64 { return real(v)*real(v) + imag(v)*imag(v) }

// continuation returns the spectrum to be added to a response so that it
// continues past the ends of the range, up to its highest bin that is not zero
// or further; response is the spectrum that apply gave, lag the frame of time
// zero, noise what is known of it, or nil. It is nil when there is nothing to
// continue.
func (inv *inverse) continuation(response []complex128, lag int, sup support, noise *Noise) []complex128 {
	if inv.low >= inv.high || (inv.low == 0 && inv.high == len(response)) {
		return nil
	}
	// All with time zero at phase zero.
	turned := func(v complex128, k, frames int) complex128 {
		_, part := math.Modf(float64(k) * float64(frames) / float64(inv.n))
		return v * cmplx.Rect(1, 2*math.Pi*part)
	}
	e := inv.ends(response, sup, noise)
	const lowStart, lowStop = 100.0, 2000.0 // Hz; see below
	step := inv.step()
	end := min(2*inv.high, len(response))
	bass := min(e.high, int(8*inv.fromHz/step)) // how far up the bass end is looked at
	size := max(e.low, inv.low, bass)
	if e.high < len(response) || inv.toHz <= lowStop {
		size = end
	}
	out := make([]complex128, size)
	// To begin with, the value at the lowest frequency is held down to 0 Hz, its
	// phase turning evenly to the nearest multiple of π, and the value at the
	// highest one is faded out over an octave. What was measured there and is not
	// believed is taken away.
	if e.low > 0 {
		phase, sign := cmplx.Phase(turned(response[e.low], e.low, lag)), 1.0
		if math.Abs(phase) > math.Pi/2 {
			sign, phase = -1, phase-math.Copysign(math.Pi, phase)
		}
		for k := range e.low {
			out[k] = cmplx.Rect(sign*e.lowSize, phase*float64(k)/float64(e.low)) - turned(response[k], k, lag)
		}
	}
	for k := e.low; k < inv.low; k++ { // the skirt: what little was taken away
		lost := inv.below[k]
		out[k] = turned(response[k], k, lag) * complex(lost/(1-lost), 0)
	}
	edge := cmplx.Rect(e.highSize, cmplx.Phase(turned(response[e.high-1], e.high-1, lag)))
	for k := e.high; k < end; k++ {
		fade := 0.5 + 0.5*math.Cos(math.Pi*float64(k-e.high+1)/float64(end-e.high+1))
		if k < inv.high {
			out[k] = complex(fade, 0)*edge - turned(response[k], k, lag)
		} else {
			out[k] = complex(fade*inv.above[k-inv.high], 0) * edge
		}
	}
	// Then both are bettered where the range ends at low frequencies, at a
	// sample rate as low as that allows. Higher up ringing dies away in
	// milliseconds by itself.
	switch {
	case inv.toHz <= lowStop:
		inv.compact(response, out, lag, sup, e, e.high, end, end, turned)
	case inv.fromHz <= lowStart:
		// The top of the range is faded out, so that it does not matter here.
		inv.compact(response, out, lag, sup, e, bass, 0, int(2*inv.fromHz/step), turned)
	}
	for k := range out {
		if out[k] != 0 {
			out[k] = turned(out[k], k, -lag)
		}
	}
	return out
}

// compact betters the continuation out, so that the response below bin top has
// the least energy outside its support. Bins under e.low, and from top to end,
// are free; from bin flat to top the response is faded out when end is 0.
func (inv *inverse) compact(response, out []complex128, lag int, sup support, e edges, top, end, flat int, turned func(complex128, int, int) complex128) {
	last := max(top, end) // bins in use
	free := func(k int) bool { return k < e.low || (k >= top && k < end) }
	n := fourier.FastLen(2*last + 2)
	plan := fourier.Get(n)
	defer fourier.Put(plan)
	start := make([]complex128, n/2+1)
	for k := range last {
		v := turned(response[k], k, lag) + out[k]
		if end == 0 && k >= flat {
			v *= complex(0.5+0.5*math.Cos(math.Pi*float64(k-flat)/float64(top-flat)), 0)
		}
		start[k] = v
	}
	// outside keeps what lies outside the support, and of that the free bins.
	// Towards its ends the support counts less and less as such, so that the
	// response dies away before it is cut off.
	const ramp = 0.2                      // of either side
	frames := float64(inv.n) / float64(n) // of the full rate, per frame here
	after, before := float64(sup.keep)/frames, float64(sup.pre)/frames
	weight := make([]float64, n)
	for i := range weight {
		depth := (after - float64(i)) / (ramp * after) // 0 at the support's end, 1 where the ramp begins
		if back := float64(n - i); back < float64(i) {
			depth = (before - back) / (ramp * before)
		}
		weight[i] = 0.5 + 0.5*math.Cos(math.Pi*math.Min(1, math.Max(0, depth)))
	}
	work := make([]float64, n)
	outside := func(dst, src []complex128) {
		plan.Sequence(work, src)
		for i, w := range weight {
			work[i] *= w
		}
		plan.Coefficients(dst, work)
		for k := range dst {
			if !free(k) {
				dst[k] = 0
			}
		}
		dst[0] = complex(real(dst[0]), 0)
	}
	dot := func(a, b []complex128) (sum float64) {
		for k := range a {
			sum += real(a[k])*real(b[k]) + imag(a[k])*imag(b[k])
		}
		// Every bin but that at 0 Hz stands for two of the whole spectrum, and only
		// in that sum is the matrix symmetric.
		return sum - real(a[0])*real(b[0])/2
	}
	// Conjugate gradients on P·F·W·F⁻¹·P·d = −P·F·W·F⁻¹·start: symmetric, its
	// eigenvalues between 0 and 1. Those near 0 belong to what lies inside the
	// support and outside the range; the penalty, added to all of them, keeps
	// noise from being blown up there.
	const rounds, enough = 100, 1e-8
	d := make([]complex128, n/2+1)
	r := make([]complex128, n/2+1)
	outside(r, start)
	for k := range r {
		r[k] = -r[k]
	}
	p := append([]complex128(nil), r...)
	q := make([]complex128, n/2+1)
	power := dot(r, r)
	first := power
	for range rounds {
		if power <= enough*enough*first || power == 0 {
			break
		}
		outside(q, p)
		for k := range q {
			penalty := e.highPenalty
			if k < e.low {
				penalty = e.lowPenalty
			}
			q[k] += complex(penalty, 0) * p[k]
		}
		along := dot(p, q)
		if along <= 0 {
			break
		}
		a := complex(power/along, 0)
		for k := range d {
			d[k] += a * p[k]
			r[k] -= a * q[k]
		}
		next := dot(r, r)
		b := complex(next/power, 0)
		for k := range p {
			p[k] = r[k] + b*p[k]
		}
		power = next
	}
	for k := range last {
		if free(k) {
			out[k] += d[k]
		}
	}
}

// addCircular adds to dst what the circular sequence of n frames with the given
// spectrum holds from frame start on. The spectrum may end early, the rest of it
// being zeros. Spectra that reach up a little way only,
// as continuations in the bass do, are transformed at a low rate and
// interpolated.
func addCircular(dst []float64, spectrum []complex128, n, start int) {
	bins := len(spectrum)
	for bins > 0 && spectrum[bins-1] == 0 {
		bins--
	}
	if bins == 0 {
		return
	}
	start = ((start % n) + n) % n
	// At 128 frames a cycle or more, an interpolation of degree 7 errs by less
	// than 1e-13.
	const degree, leastFrames = 7, 128
	factor := 1
	for n%(4*factor) == 0 && n/(2*factor) >= leastFrames*bins {
		factor *= 2
	}
	slow := n / factor
	plan := fourier.Get(slow)
	defer fourier.Put(plan)
	whole := make([]complex128, slow/2+1)
	copy(whole, spectrum[:bins])
	coarse := plan.Sequence(nil, whole)
	if factor == 1 {
		for i := range dst {
			dst[i] += coarse[(start+i)%n]
		}
		return
	}
	// Around, so that every frame has its neighbours: 3 before it and 4 after.
	const before = degree / 2
	around := make([]float64, 0, slow+degree)
	around = append(around, coarse[slow-before:]...)
	around = append(around, coarse...)
	around = append(around, coarse[:degree-before]...)
	weights := make([][degree + 1]float64, factor) // Lagrange's, and 1/factor of the inverse transform
	for j := range weights {
		t := float64(before) + float64(j)/float64(factor)
		for i := range weights[j] {
			w := 1 / float64(factor)
			for k := range degree + 1 {
				if k != i {
					w *= (t - float64(k)) / float64(i-k)
				}
			}
			weights[j][i] = w
		}
	}
	parallel.Split(len(dst), func(lo, hi int) {
		at := (start + lo) % n
		for i := lo; i < hi; i++ {
			w := &weights[at%factor]
			v := around[at/factor:][:degree+1]
			dst[i] += w[0]*v[0] + w[1]*v[1] + w[2]*v[2] + w[3]*v[3] + w[4]*v[4] + w[5]*v[5] + w[6]*v[6] + w[7]*v[7]
			if at++; at == n {
				at = 0
			}
		}
	})
}
