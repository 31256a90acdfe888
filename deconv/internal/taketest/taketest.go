// Package taketest makes takes for tests, as they could be: a program through a
// room, recorded by another clock. What it resamples with is not what the
// packages under test use.
package taketest

import (
	"math"
	"math/rand/v2"
	"sync"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Room returns an impulse response: direct sound of 1 at frame delay, and from
// 3 ms later on a dense tail that decays by 60 dB in the given seconds.
func Room(rate float64, delay int, seconds float64, seed uint64) []float64 {
	rnd := rand.New(rand.NewPCG(seed, 1))
	h := make([]float64, delay+int(1.2*seconds*rate)+int(0.01*rate))
	h[delay] = 1
	first := int(0.003 * rate)
	for i := delay + first; i < len(h); i++ {
		h[i] = 0.05 * rnd.NormFloat64() * math.Exp(-6.9*float64(i-delay)/seconds/rate)
	}
	return h
}

// Convolve returns x*h, len(x)+len(h)−1 long, by gonum's transform.
func Convolve(x []float32, h []float64) []float64 {
	n := len(x) + len(h) - 1
	size := 1
	for size < n {
		size *= 2
	}
	a, b := make([]float64, size), make([]float64, size)
	for i, v := range x {
		a[i] = float64(v)
	}
	copy(b, h)
	fft := fourier.NewFFT(size)
	fa, fb := fft.Coefficients(nil, a), fft.Coefficients(nil, b)
	for k := range fa {
		fa[k] *= fb[k] / complex(float64(size), 0)
	}
	return fft.Sequence(a, fa)[:n]
}

// Read returns y at (m−late)·(1+skew), m = 0…frames−1, by a sinc of ±half frames
// under a Kaiser window of β = 14: what a recorder with another clock gets. With 128 taps it is exact to −140 dB
// up to 0.96 of half the rate, with 32 up to 0.85.
func Read(y []float64, frames int, late, skew float64, half int) []float64 {
	const beta, fine = 14.0, 512
	window := make([]float64, half*fine+2)
	for i := range window {
		if d := float64(i) / float64(half*fine); d < 1 {
			window[i] = bessel0(beta*math.Sqrt(1-d*d)) / bessel0(beta)
		}
	}
	out := make([]float64, frames)
	read := func(from, to int) {
		for m := from; m < to; m++ {
			at := (float64(m) - late) * (1 + skew)
			whole := math.Floor(at)
			f := at - whole
			s := math.Sin(math.Pi*f) / math.Pi
			var sum float64
			for j := -half + 1; j <= half; j++ {
				i := int(whole) + j
				if i < 0 || i >= len(y) {
					continue
				}
				d := f - float64(j)
				if math.Abs(d) < 1e-9 {
					sum += y[i]
					continue
				}
				g := s / d
				if j&1 != 0 {
					g = -g
				}
				w := math.Abs(d) * fine
				k := int(w)
				sum += y[i] * g * (window[k] + (w-float64(k))*(window[k+1]-window[k]))
			}
			out[m] = sum
		}
	}
	var all sync.WaitGroup
	all.Go(func() { read(0, frames/2) })
	read(frames/2, frames)
	all.Wait()
	return out
}

func bessel0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-17*sum; k++ {
		term *= x / (2 * k) * x / (2 * k)
		sum += term
	}
	return sum
}

// Noisy returns y with white noise that lies by snr dB below y's rms over all of
// it; 0: none.
func Noisy(y []float64, snr float64, seed uint64) []float32 {
	var power float64
	for _, v := range y {
		power += v * v
	}
	rms := 0.0
	if snr != 0 {
		rms = math.Sqrt(power/float64(len(y))) * math.Pow(10, -snr/20)
	}
	rnd := rand.New(rand.NewPCG(seed, 9))
	out := make([]float32, len(y))
	for i, v := range y {
		if rms != 0 {
			v += rms * rnd.NormFloat64()
		}
		out[i] = float32(v)
	}
	return out
}
