package deconv

import (
	"math"
	"slices"

	"roomsonde/deconv/clock"
	"roomsonde/deconv/fourier"
)

// arrival returns where in the circular response with spectrum h the strongest
// sound lies, to a few frames, and how far it stands out of the rest in dB: the
// same measure as clock.Find's, Y·X*/|X|, from H = Y·X*/|X|² and no further than the
// lowest octaves of the range, which a low sample rate holds.
func (inv *inverse) arrival(h []complex128) (lag int, outDB float64) {
	step := inv.step()
	factor := 8
	for factor > 1 && (inv.n%(2*factor) != 0 || inv.rate/2/float64(factor) < math.Max(4*inv.fromHz, 5000)) {
		factor /= 2
	}
	n := inv.n / factor
	c := make([]complex128, n/2+1)
	for k := inv.low; k < min(inv.high, len(c)-1); k++ {
		// 1/|filter| is |X|, but for a hair.
		if gain := square(inv.filter[k]); gain > 0 {
			c[k] = h[k] * complex(1/math.Sqrt(gain)*fadeIn(float64(k)*step, inv.fromHz), 0)
		}
	}
	plan := fourier.Get(n)
	defer fourier.Put(plan)
	score := plan.Sequence(nil, c)
	best, outDB := clock.Stands(score)
	if best > n/2 {
		best -= n
	}
	return best * factor, outDB
}

// fadeIn leaves the lowest third of an octave above fromHz out smoothly, where
// an excitation's own fade leaves little but noise.
func fadeIn(hz, fromHz float64) float64 {
	t := 3 * math.Log2(hz/fromHz)
	if t >= 1 {
		return 1
	}
	return 0.5 - 0.5*math.Cos(math.Pi*math.Max(t, 0))
}

// firstArrival returns the lag of time zero in the circular response h, searched
// from lag lo up to lag hi: the strongest frame soon after |h| first comes within
// 20 dB of its peak (ISO 3382-1:2009, 5.3.2 puts the start of the direct sound
// there [cited from memory]). Soon is a millisecond, or four periods of the
// highest frequency where that is more: a response that ends at toHz rings before
// its peak as after it.
func firstArrival(h []float64, lo, hi int, rate, toHz float64) (int, error) {
	n := len(h)
	at := func(lag int) float64 { return math.Abs(h[((lag%n)+n)%n]) }
	var peak float64
	for lag := lo; lag < hi; lag++ {
		peak = math.Max(peak, at(lag))
	}
	if peak == 0 {
		return 0, &NotFoundError{Silent: true, NeedDB: clock.NeedDB}
	}
	first := lo
	for at(first) < peak/10 {
		first++
	}
	best := first
	soon := int(math.Max(rate/1000, 4*rate/toHz))
	for lag := first; lag <= first+soon && lag < hi; lag++ {
		if at(lag) > at(best) {
			best = lag
		}
	}
	return best, nil
}

// extent returns the first frame of x that sounds and the frame after the last:
// within 80 dB of the peak.
func extent(x []float32) (first, last int) {
	var peak float32
	for _, v := range x {
		peak = max(peak, v, -v)
	}
	threshold := peak * 1e-4
	sounds := func(v float32) bool { return peak > 0 && (v >= threshold || v <= -threshold) }
	first = slices.IndexFunc(x, sounds)
	if first < 0 {
		return 0, 0
	}
	last = len(x)
	for !sounds(x[last-1]) {
		last--
	}
	return first, last
}

// rangeOf returns the range of an excitation by its spectrum x, bins step Hz
// apart: the stretch of sixths of octaves around the strongest one whose energy
// per octave is within 50 dB of it, its ends then moved inwards, by 1/48 octave
// at a time, to where the power is within 6 dB of the most that lies within an
// octave further in: a sweep's spectrum falls off like that past its ends.
func rangeOf(x []complex128, step, rate float64) (fromHz, toHz float64) {
	const (
		below = 1e-5 // of the strongest
		edge  = 0.25 // of the power further in
		wide  = 1.0 / 6
		fine  = 1.0 / 48
	)
	mean := func(lo, hi float64) float64 {
		var sum float64
		count := 0
		for k := int(math.Ceil(lo / step)); k < len(x) && float64(k)*step < hi; k++ {
			sum += real(x[k])*real(x[k]) + imag(x[k])*imag(x[k])
			count++
		}
		return sum / math.Max(1, float64(count))
	}
	var edges, density []float64
	strongest := 0
	energy := func(i int) float64 { return density[i] * edges[i] }
	for lo := math.Max(1, 6*step); lo < rate/2; lo *= math.Exp2(wide) {
		edges = append(edges, lo)
		density = append(density, mean(lo, math.Min(lo*math.Exp2(wide), rate/2)))
		if last := len(edges) - 1; energy(last) > energy(strongest) {
			strongest = last
		}
	}
	a, b := strongest, strongest
	for a > 0 && energy(a-1) > below*energy(strongest) {
		a--
	}
	for b < len(edges)-1 && energy(b+1) > below*energy(strongest) {
		b++
	}
	// most returns the highest density among the sixths that overlap lo to hi.
	most := func(lo, hi float64) (most float64) {
		for i, e := range edges {
			if e < hi && e*math.Exp2(wide) > lo {
				most = max(most, density[i])
			}
		}
		return most
	}
	fromHz, toHz = edges[a], math.Min(edges[b]*math.Exp2(wide), rate/2)
	for fromHz < edges[strongest] && mean(fromHz, math.Max(fromHz*math.Exp2(fine), fromHz+2*step)) < edge*most(fromHz, 2*fromHz) {
		fromHz *= math.Exp2(fine)
	}
	for toHz > edges[strongest] && mean(math.Min(toHz*math.Exp2(-fine), toHz-2*step), toHz) < edge*most(toHz/2, toHz) {
		toHz *= math.Exp2(-fine)
	}
	return fromHz, toHz
}
