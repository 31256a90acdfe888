package decay

import (
	"math"
	"math/cmplx"
	"sync"

	"roomsonde/sweep/scale"
)

// filterOrder is the order per band edge; the band-pass has twice as many
// poles. Third order lies inside the class 1 limits of IEC 61260-1:2014,
// second order does not.
const filterOrder = 3

// sectionCount is the number of second-order sections of a band-pass: each
// low-pass pole becomes two, and conjugate pairs share a section.
const sectionCount = filterOrder

// section is one second-order section (1 − z⁻²)/(1 + a1·z⁻¹ + a2·z⁻²).
type section struct{ a1, a2 float64 }

// bandFilter is a Butterworth band-pass in second-order sections.
type bandFilter struct {
	flat     bool // passes everything as it is: the rest is not used
	sections [sectionCount]section
	gain     float64 // makes |H| = 1 at the centre
	// centreS is the centroid in seconds of the squared impulse response:
	// how far, on average, the filter moves energy in time. Run backwards, it
	// moves it to earlier times by that much.
	centreS float64
	// lastS is the time in seconds after which less than 1e-7 of the energy
	// of the filter's impulse response is left.
	lastS float64
}

// designBandFilter returns the Butterworth band-pass with the −3 dB edges
// lowHz and highHz at a sampling rate (0 < lowHz < highHz < rate/2): the
// analogue low-pass prototype, moved to the prewarped band and brought to the
// z-plane by the bilinear transform (Oppenheim & Schafer, Discrete-Time Signal
// Processing, chapter 7; from memory).
func designBandFilter(lowHz, highHz, rate float64) bandFilter {
	low := math.Tan(math.Pi * lowHz / rate)
	high := math.Tan(math.Pi * highHz / rate)
	width, centre2 := high-low, low*high

	var f bandFilter
	i := 0
	add := func(s complex128) { // s and its conjugate, from the s- to the z-plane
		z := (1 + s) / (1 - s)
		f.sections[i] = section{a1: -2 * real(z), a2: real(z)*real(z) + imag(z)*imag(z)}
		i++
	}
	for k := 0; k <= filterOrder/2; k++ {
		// The prototype's poles in the upper half plane and on the real axis.
		angle := math.Pi/2 + math.Pi*float64(2*k+1)/(2*filterOrder)
		pole := cmplx.Rect(1, angle) * complex(width/2, 0)
		root := cmplx.Sqrt(pole*pole - complex(centre2, 0))
		if 2*k+1 == filterOrder {
			if re := real(pole); re*re > centre2 {
				// In a band of several octaves the real pole makes two real ones.
				root := math.Sqrt(re*re - centre2)
				z1, z2 := (1+re+root)/(1-re-root), (1+re-root)/(1-re+root)
				f.sections[i] = section{a1: -z1 - z2, a2: z1 * z2}
				i++
				continue
			}
			// Else its two band-pass poles are each other's conjugates.
			add(complex(real(pole), math.Sqrt(centre2-real(pole)*real(pole))))
			continue
		}
		add(pole + root)
		add(pole - root)
	}
	f.gain = 1
	f.gain = 1 / cmplx.Abs(f.response(2*math.Atan(math.Sqrt(centre2))))
	// A band of many octaves rings with the width of its lowest one.
	f.measure(rate, min(highHz-lowHz, lowHz))
	return f
}

// response returns H at an angular frequency in radians per sample.
func (f *bandFilter) response(omega float64) complex128 {
	z1 := cmplx.Rect(1, -omega)
	z2 := z1 * z1
	h := complex(f.gain, 0)
	for _, s := range f.sections {
		h *= (1 - z2) / (1 + complex(s.a1, 0)*z1 + complex(s.a2, 0)*z2)
	}
	return h
}

// measure fills centreS and lastS from the filter's own impulse response.
func (f *bandFilter) measure(rate, bandwidth float64) {
	n := int(12*rate/bandwidth) + 16
	sum := make([]float64, n)
	after, first := f.integrate(sum[:1], []float64{1}, state{}, 0)
	f.ringOut(sum[1:], after, first)
	total, moment := sum[n-1], 0.0
	last := n - 1
	for i := n - 1; i > 0; i-- {
		moment += float64(i) * (sum[i] - sum[i-1])
		if total-sum[i] < 1e-7*total {
			last = i
		}
	}
	f.centreS = moment / total / rate
	f.lastS = float64(last) / rate
}

// state is what a filter remembers between two stretches of a signal.
type state struct{ p1, q1, p2, q2, p3, q3 float64 }

// integrate filters x from a state on and writes the running sum of the squared
// output, begun at total, to sum, which is as long: sum[k] = total + y[0]² + … +
// y[k]². It returns the state after it. With x reversed in time this is the
// Schroeder integral itself.
func (f *bandFilter) integrate(sum, x []float64, s state, total float64) (state, float64) {
	var (
		a11, a12 = f.sections[0].a1, f.sections[0].a2
		a21, a22 = f.sections[1].a1, f.sections[1].a2
		a31, a32 = f.sections[2].a1, f.sections[2].a2
		g        = f.gain

		p1, q1, p2, q2, p3, q3 = s.p1, s.q1, s.p2, s.q2, s.p3, s.q3
	)
	x = x[:len(sum)]
	if f.flat {
		for i, v := range x {
			total += v * v
			sum[i] = total
		}
		return s, total
	}
	for i, v := range x {
		v *= g
		// Transposed direct form II with b = (1, 0, −1). p = q − a·(v + p) is written
		// so that one value waits as little as it can for the one before.
		u := v + p1
		p1 = (q1 - a11*v) - a11*p1
		q1 = -v - a12*u
		v = u + p2
		p2 = (q2 - a21*u) - a21*p2
		q2 = -u - a22*v
		u = v + p3
		p3 = (q3 - a31*v) - a31*p3
		q3 = -v - a32*u
		total += u * u
		sum[i] = total
	}
	return state{p1, q1, p2, q2, p3, q3}, total
}

// ringOut is integrate for a signal of zeros.
func (f *bandFilter) ringOut(sum []float64, s state, total float64) {
	var (
		a11, a12 = f.sections[0].a1, f.sections[0].a2
		a21, a22 = f.sections[1].a1, f.sections[1].a2
		a31, a32 = f.sections[2].a1, f.sections[2].a2

		p1, q1, p2, q2, p3, q3 = s.p1, s.q1, s.p2, s.q2, s.p3, s.q3
	)
	for i := range sum {
		u := p1
		p1 = q1 - a11*u
		q1 = -a12 * u
		v := u + p2
		p2 = q2 - a21*v
		q2 = -u - a22*v
		w := v + p3
		p3 = q3 - a31*w
		q3 = -v - a32*w
		total += w * w
		sum[i] = total
	}
}

type filterKey struct{ low, high, rate float64 }

// filters caches designs: a survey works at one rate, over and over.
var filters sync.Map // filterKey → *bandFilter

func bandFilterFor(b scale.Band, rate float64) *bandFilter {
	key := filterKey{b.LowHz, b.HighHz, rate}
	if f, ok := filters.Load(key); ok {
		return f.(*bandFilter)
	}
	f := designBandFilter(b.LowHz, b.HighHz, rate)
	kept, _ := filters.LoadOrStore(key, &f)
	return kept.(*bandFilter)
}
