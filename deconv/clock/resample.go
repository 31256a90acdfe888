package clock

import (
	"math"
	"sync"

	"roomsonde/deconv/internal/fraction"
	"roomsonde/deconv/internal/parallel"
)

// The kernel of Resample: a sinc under a Kaiser window. With ±32 taps and β = 10
// the stop band lies below −100 dB.
const (
	kernelBeta   = 10
	kernelTaps   = 32   // to either side, at the lower of the two rates
	kernelPhases = 1024 // per frame; between them straight lines, which err by −112 dB at most
)

// Resample returns rec read at steps of ratio: out[n] is rec at n·ratio, as long
// as that lies in rec, by a sinc under a Kaiser window. A ratio of 44100/48000
// turns a recording at 44.1 kHz into one at 48 kHz; 1+δ, the other way round,
// 1/(1+δ), takes a recording to the player's clock. Above a ratio of 1 what
// the new rate cannot hold is filtered out. The band up to 0.9 of half the lower rate is kept
// within 0.01 dB. rec is not changed. It panics unless 0.1 <= ratio <= 10.
func Resample(rec []float32, ratio float64) []float32 {
	if !(ratio >= 0.1 && ratio <= 10) {
		panic("clock: resampling ratio out of range")
	}
	if len(rec) == 0 {
		return nil
	}
	n := int(math.Floor(float64(len(rec)-1)/ratio+1e-9)) + 1
	out := make([]float32, n)
	if ratio == 1 {
		copy(out, rec)
		return out
	}
	k := usual()
	if ratio > 1.002 { // what a skew moves beyond half the rate lies in the filter's slope
		k = newKernel(1/ratio, int(math.Ceil(kernelTaps*ratio)))
	}
	parallel.Split(n, func(lo, hi int) {
		for i := lo; i < hi; i++ {
			out[i] = float32(k.at(rec, float64(i)*ratio))
		}
	})
	return out
}

// usual is the kernel for ratios up to 1.
var usual = sync.OnceValue(func() *kernel { return newKernel(1, kernelTaps) })

// kernel is a table of an interpolating kernel.
type kernel struct {
	half  int         // taps to either side
	table [][]float64 // [phase][tap], kernelPhases+1 phases
}

func newKernel(cutoff float64, half int) *kernel {
	k := &kernel{half: half, table: make([][]float64, kernelPhases+1)}
	flat := make([]float64, (kernelPhases+1)*2*half)
	parallel.Split(len(flat), func(lo, hi int) {
		for j := lo; j < hi; j++ {
			p, tap := j/(2*half), j%(2*half)
			// Tap 0 stands half−1 frames before the frame that the position follows.
			d := float64(tap-half+1) - float64(p)/kernelPhases
			flat[j] = cutoff * fraction.Sinc(cutoff*d) * fraction.Kaiser(d/float64(half), kernelBeta)
		}
	})
	for p := range k.table {
		k.table[p] = flat[p*2*half:][:2*half]
		// At 0 Hz the gain is 1, whatever the phase.
		var sum float64
		for _, v := range k.table[p] {
			sum += v
		}
		for i := range k.table[p] {
			k.table[p][i] /= sum
		}
	}
	return k
}

// at returns x at a position in frames; outside it x is 0.
func (k *kernel) at(x []float32, position float64) float64 {
	whole := math.Floor(position)
	first := int(whole) - k.half + 1
	phase := (position - whole) * kernelPhases
	p := int(phase)
	t := phase - float64(p)
	a, b := k.table[p], k.table[min(p+1, kernelPhases)]
	if first < 0 || first+2*k.half > len(x) {
		var sum float64
		for i := range a {
			if j := first + i; j >= 0 && j < len(x) {
				sum += float64(x[j]) * (a[i] + t*(b[i]-a[i]))
			}
		}
		return sum
	}
	var s0, s1 float64
	part := x[first:][:len(a)]
	b = b[:len(a)]
	for i, v := range a {
		s0 += float64(part[i]) * v
		s1 += float64(part[i]) * b[i]
	}
	return s0 + t*(s1-s0)
}
