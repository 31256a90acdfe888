package modelroom

import (
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// convolver plays several channels through an impulse response each and adds
// the results up, block by block (overlap-add).
type convolver struct {
	fft      *fourier.FFT
	block    int            // frames per block
	size     int            // transform length
	response [][]complex128 // by channel
	in       []float64      // scratch
	bins     []complex128
	sum      []complex128
	out      []float64
	tail     []float64 // what earlier blocks still have to say, from this block's first frame on
}

// newConvolver prepares for a job of so many frames; impulses may be empty.
func newConvolver(impulses [][]float64, frames int) *convolver {
	longest := 1
	for _, h := range impulses {
		longest = max(longest, len(h))
	}
	longest = min(longest, frames) // what comes later is never heard
	c := &convolver{size: fastLength(2 * longest)}
	c.block = c.size - longest + 1
	c.fft = fourier.NewFFT(c.size)
	c.in = make([]float64, c.size)
	c.out = make([]float64, c.size)
	c.bins = make([]complex128, c.size/2+1)
	c.sum = make([]complex128, c.size/2+1)
	c.tail = make([]float64, c.size)
	for _, h := range impulses {
		clear(c.in)
		copy(c.in, h[:min(len(h), longest)])
		c.response = append(c.response, c.fft.Coefficients(nil, c.in))
	}
	return c
}

// run fills dst (block frames) with what the next block of input sounds like.
// input must fill a slice of block frames for a channel. Until keep is
// called, run can be repeated with another input for the same block.
func (c *convolver) run(dst []float64, input func(channel int, dst []float64)) {
	clear(c.sum)
	for i, response := range c.response {
		clear(c.in)
		input(i, c.in[:c.block])
		c.fft.Coefficients(c.bins, c.in)
		for k, v := range c.bins {
			c.sum[k] += v * response[k]
		}
	}
	c.fft.Sequence(c.out, c.sum)
	norm := 1 / float64(c.size)
	for n := range c.out {
		c.out[n] = c.out[n]*norm + c.tail[n]
	}
	copy(dst, c.out[:c.block])
}

// keep makes the last run final and goes on to the next block.
func (c *convolver) keep() {
	clear(c.tail)
	copy(c.tail, c.out[c.block:])
}

// shaper is the distortion of loudspeaker and amplifier: a polynomial
// y = x + a2·x² + a3·x³ + ..., worked out at a multiple of the sampling rate,
// so that products above half the rate vanish, as they would in a real room,
// rather than fold back.
type shaper struct {
	a    []float64   // a2, a3, ...
	fold int         // rate multiple
	taps [][]float64 // taps[j][i]: weight of sample n+i-shaperHalf+1 for the value at n+j/fold
}

const shaperHalf = 32

// newShaper returns nil when there is nothing to do.
func newShaper(a []float64) *shaper {
	for len(a) > 0 && a[len(a)-1] == 0 {
		a = a[:len(a)-1]
	}
	if len(a) == 0 {
		return nil
	}
	// Order p at rate multiple m reaches p/2 rates and folds back to m - p/2:
	// m = (p+1)/2 keeps that above half the rate.
	order := len(a) + 1
	s := &shaper{a: a, fold: (order + 2) / 2, taps: nil}
	for j := range s.fold {
		frac := float64(j) / float64(s.fold)
		taps := make([]float64, 2*shaperHalf)
		for i := range taps {
			x := float64(i-shaperHalf+1) - frac
			taps[i] = sinc(x) * kaiser(x/shaperHalf)
		}
		s.taps = append(s.taps, taps)
	}
	return s
}

func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

func (s *shaper) products(x float64) float64 {
	var y float64
	for i := len(s.a) - 1; i >= 0; i-- {
		y = (y + s.a[i]) * x
	}
	return y * x
}

// shape fills dst with the distorted samples of x from frame from on; frames
// outside x are silent.
func (s *shaper) shape(dst []float64, x []float32, from int) {
	at := func(n int) float64 {
		if n < 0 || n >= len(x) {
			return 0
		}
		return float64(x[n])
	}
	// The signal around the block, then per phase the products between the
	// samples, then those brought back to the samples.
	const reach = 2 * shaperHalf
	signal := make([]float64, len(dst)+2*reach)
	for i := range signal {
		signal[i] = at(from + i - reach)
	}
	for i := range dst {
		v := signal[i+reach]
		dst[i] = v + s.products(v)/float64(s.fold)
	}
	between := make([]float64, len(signal))
	for j := 1; j < s.fold; j++ {
		taps := s.taps[j]
		for i := shaperHalf; i < len(signal)-shaperHalf; i++ {
			var v float64
			for t, w := range taps {
				v += w * signal[i+t-shaperHalf+1]
			}
			between[i] = s.products(v) / float64(s.fold)
		}
		// between[i] belongs to i+j/fold; its weight at sample n is
		// h(n - i - j/fold) = h(i + j/fold - n).
		for i := range dst {
			n := i + reach
			var v float64
			for t := range taps {
				// taps[t] = h(t-half+1 - frac), wanted at offset n-i' = t-half+1
				v += taps[t] * between[n-(t-shaperHalf+1)]
			}
			dst[i] += v
		}
	}
}
