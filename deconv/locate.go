package deconv

import (
	"context"
	"math"
	"slices"

	"roomsonde/deconv/fourier"
	"roomsonde/deconv/internal/parallel"
)

// needDB is how far a match must stand out of the rest of the correlation, peak
// over rms. Gaussian noise alone reaches some 14 dB among a million frames, coloured
// noise 17 dB in a dozen trials.
const needDB = 20

// longestSearch is how many frames are searched in one piece: a recording of an
// hour must not need gigabytes.
const longestSearch = 1 << 22

// find finds where in rec the excitation x starts, starts being the frames at
// which it is repeated and whole the frames from the first start to the end of
// the last; it returns the frame of the first repeat, which may lie before
// frame 0. Long recordings are searched piece by piece; pieces overlap by whole.
func find(ctx context.Context, rec, x []float32, starts []int, whole int) (int, error) {
	piece := max(longestSearch, 4*whole)
	if len(rec) <= piece {
		piece = len(rec)
	}
	n := fourier.FastLen(piece + len(x))
	long := borrow(n)
	defer long.giveBack()
	spectrum := spectrumOf(long.a, x, long.x)
	best, bestDB, silent := 0, math.Inf(-1), true
	for from := 0; ; from += piece - whole {
		if err := ctx.Err(); err != nil {
			return 0, err
		}
		part := rec[from:min(from+piece, len(rec))]
		if start, db, ok := locate(part, spectrum, n, starts); ok {
			silent = false
			if db > bestDB {
				best, bestDB = from+start, db
			}
		}
		if from+piece >= len(rec) {
			break
		}
	}
	if silent || !(bestDB >= needDB) {
		return 0, &NotFoundError{PeakDB: bestDB, NeedDB: needDB, Silent: silent}
	}
	return best, nil
}

// locate returns where in rec the excitation most likely starts whose spectrum at
// length n is given, and how far that match stands out of the rest in dB; ok is
// false where rec is silent.
//
// The measure is the correlation with half the whitening, Y·X*/|X|: a matched
// filter in white noise would see little but bass, a division little but hiss.
func locate(rec []float32, x []complex128, n int, starts []int) (start int, outDB float64, ok bool) {
	y := make([]float64, n)
	var mean, power float64
	for _, v := range rec {
		mean += float64(v)
	}
	mean /= float64(len(rec)) // a converter's offset would outshout the sweep
	for i, v := range rec {
		y[i] = float64(v) - mean
		power += y[i] * y[i]
	}
	if power <= 1e-24*float64(len(rec)) { // −240 dBFS: rounding of the mean
		return 0, 0, false
	}
	var top float64
	for _, v := range x {
		top = math.Max(top, real(v)*real(v)+imag(v)*imag(v))
	}
	plan := fourier.Get(n)
	spectrum := plan.Coefficients(nil, y)
	parallel.Split(len(spectrum), func(lo, hi int) {
		for k := lo; k < hi; k++ {
			re, im := real(x[k]), imag(x[k])
			spectrum[k] *= complex(re, -im) / complex(math.Sqrt(re*re+im*im+1e-9*top), 0)
		}
	})
	c := plan.Sequence(y, spectrum)
	fourier.Put(plan)

	// The repeats lie on top of each other once shifted.
	score := c
	if len(starts) > 1 {
		score = make([]float64, n)
		for _, s := range starts {
			shift := s - starts[0]
			for i := range score {
				j := i + shift
				if j >= n {
					j -= n
				}
				score[i] += math.Abs(c[j])
			}
		}
	}
	best, outDB := stands(score)
	if best > len(rec) {
		best -= n
	}
	return best, outDB, true
}

// arrival returns where in the circular response with spectrum h the strongest
// sound lies, to a few frames, and how far it stands out of the rest in dB: the
// same measure as locate's, Y·X*/|X|, from H = Y·X*/|X|² and no further than the
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
	best, outDB := stands(score)
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

// stands returns the index of the strongest value of a circular correlation, and
// how far it stands out of the rms of the rest in dB.
func stands(score []float64) (best int, outDB float64) {
	n := len(score)
	var peak, sum float64
	for i, v := range score {
		v = math.Abs(v)
		sum += v * v
		if v > peak {
			best, peak = i, v
		}
	}
	if peak == 0 {
		return 0, 0
	}
	// Without the neighbourhood of the peak, where the room answers.
	around := n / 20
	for d := -around; d <= around; d++ {
		v := score[((best+d)%n+n)%n]
		sum -= v * v
	}
	rest := math.Sqrt(math.Max(sum, 1e-30*peak*peak*float64(n)) / float64(n-2*around))
	return best, 20 * math.Log10(peak/rest)
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
		return 0, &NotFoundError{Silent: true, NeedDB: needDB}
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
