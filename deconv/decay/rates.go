package decay

import (
	"math"

	"roomsonde/deconv/internal/fraction"
)

const (
	// highestShare is the highest upper band edge, as a share of the sampling
	// rate, at which the bilinear transform leaves the lower skirt of the
	// widest band inside class 1. Above it the band runs at twice the rate.
	highestShare = 0.25
	// usableShare is the highest upper band edge, as a share of the input's
	// sampling rate, that is analysed at all: up to here the doubler is flat.
	usableShare = 0.4
	// lowestRate keeps the time steps of the decay curve at a quarter of a
	// millisecond or finer, and the skirts of the bass bands, in which strong modes
	// of their neighbours sound, as they are at the full rate; going lower would
	// save next to nothing.
	lowestRate = 4000.0
)

// halfBand holds the odd coefficients h[±1], h[±3], … of a zero-phase
// half-band low-pass; h[0] is 1/2 and the other even ones are 0.
type halfBand []float64

// newHalfBand returns a Kaiser-windowed half-band with the given number of
// odd coefficient pairs.
func newHalfBand(pairs int, beta float64) halfBand {
	h := make(halfBand, pairs)
	edge := float64(2 * pairs) // the window's first zero
	sum := 0.0
	for i := range h {
		m := float64(2*i + 1)
		w := fraction.Kaiser(m/edge, beta)
		h[i] = math.Sin(math.Pi*m/2) / (math.Pi * m) * w
		sum += h[i]
	}
	for i := range h {
		h[i] *= 0.25 / sum // exactly 1 at 0 Hz and 0 at half the rate
	}
	return h
}

// Kaiser's formula for a stop band of −110 dB. The halver has to be flat up to
// highestShare of its output rate only; the doubler up to usableShare of its
// input rate, which takes a sharper filter.
var (
	halver  = newHalfBand(10, 11.2)
	doubler = newHalfBand(20, 11.2)
)

// response returns the real response at a frequency given as a share of the
// higher of the two rates.
func (h halfBand) response(share float64) float64 {
	r := 0.5
	for i, c := range h {
		r += 2 * c * math.Cos(2*math.Pi*share*float64(2*i+1))
	}
	return r
}

// halvedLen returns how many samples halve makes of n: all that the filter
// reaches past the end.
func (h halfBand) halvedLen(n int) int { return (n+2*len(h))/2 + 1 }

// halve writes to out (halvedLen(len(x)) long) every second sample of x
// filtered: out[k] stands at the time of x[2k].
func (h halfBand) halve(out, x []float64) {
	reach := 2*len(h) - 1
	at := func(i int) float64 {
		if i < 0 || i >= len(x) {
			return 0
		}
		return x[i]
	}
	for k := range out {
		mid := 2 * k
		if mid < reach || mid+reach >= len(x) {
			s := 0.5 * at(mid)
			for i, c := range h {
				s += c * (at(mid-2*i-1) + at(mid+2*i+1))
			}
			out[k] = s
			continue
		}
		w := x[mid-reach : mid+reach+1]
		s := 0.5 * w[reach]
		lo, hi := reach-1, reach+1
		for _, c := range h {
			s += c * (w[lo] + w[hi])
			lo -= 2
			hi += 2
		}
		out[k] = s
	}
}

// double writes to out (2·len(x) + 2·len(h) long) x at twice the rate:
// out[2k] is x[k].
func (h halfBand) double(out, x []float64) {
	at := func(i int) float64 {
		if i < 0 || i >= len(x) {
			return 0
		}
		return x[i]
	}
	for k := 0; 2*k < len(out); k++ {
		out[2*k] = at(k)
		if 2*k+1 >= len(out) {
			break
		}
		s := 0.0
		if k-len(h)+1 < 0 || k+len(h) >= len(x) {
			for i, c := range h {
				s += c * (at(k-i) + at(k+1+i))
			}
		} else {
			w := x[k-len(h)+1 : k+len(h)+1]
			lo, hi := len(h)-1, len(h)
			for _, c := range h {
				s += c * (w[lo] + w[hi])
				lo--
				hi++
			}
		}
		out[2*k+1] = 2 * s
	}
}

// stepsFor returns how often the rate is halved (or, at −1, doubled) before a
// band with the upper edge highHz is filtered.
func stepsFor(highHz, rate float64) int {
	if highHz > highestShare*rate {
		return -1
	}
	steps := 0
	for r := rate / 2; r >= lowestRate && highHz <= highestShare*r; r /= 2 {
		steps++
	}
	return steps
}

// rateAt returns the rate after a number of steps.
func rateAt(rate float64, steps int) float64 { return math.Ldexp(rate, -steps) }

// ladder holds one signal at the rates that the bands need, all zero-phase.
// Index 0 is the doubled rate, index 1 the signal's own, 2 half of it and so on.
type ladder [][]float64

// newLadder makes the rungs from −1 (only if doubled) to last of x.
func newLadder(x []float64, doubled bool, last int) ladder {
	l := make(ladder, last+2)
	l[1] = x
	if doubled {
		l[0] = make([]float64, 2*len(x)+2*len(doubler))
		doubler.double(l[0], x)
	}
	for s := 1; s <= last; s++ {
		from := l[s]
		l[s+1] = make([]float64, halver.halvedLen(len(from)))
		halver.halve(l[s+1], from)
	}
	return l
}

func (l ladder) at(steps int) []float64 { return l[steps+1] }

// border is what the part of a signal up to a place, zeros after it, looks like
// around that place at one of the ladder's rates, where filters have smeared the
// cut. Before these samples that part is the signal itself, after them it is zero.
type border struct {
	first   int // place of samples[0] in the signal at this rate
	samples []float64
}

// borderReach is how far the filters smear a cut, in samples of any rate.
const borderReach = 2 * 20

// borders returns the border of x[:end] at each rate that l holds, in its order.
// 0 < end <= len(x).
func (l ladder) borders(end int) []border {
	x := l[1]
	last := len(l) - 2
	unit := 1 << last
	// Far enough that what the smear of its own beginning reaches is not used.
	start := (end/unit - 2*borderReach) * unit
	part := make([]float64, 4*borderReach*unit)
	from := max(0, start)
	copy(part[from-start:], x[from:end])
	b := make([]border, len(l))
	keep := func(i, at int, s []float64, start int) {
		first := max(0, at-borderReach)
		b[i] = border{first, s[first-start : at+borderReach-start]}
	}
	if l[0] != nil {
		doubled := make([]float64, 2*len(part))
		doubler.double(doubled, part)
		keep(0, 2*end, doubled, 2*start)
	}
	for s := 0; ; s++ {
		keep(s+1, end>>s, part, start>>s)
		if s == last {
			return b
		}
		next := make([]float64, halver.halvedLen(len(part)))
		halver.halve(next, part)
		part = next
	}
}
