package modelroom

import (
	"math"
	"math/rand/v2"
)

// background is the room's stationary noise with the microphone's own: a sum
// of first-order low-passed noises whose corners lie two octaves apart, which
// together fall by about 4.5 dB per octave (between pink and brown, as rooms
// with ventilation and traffic outside do; common practice, no source), over
// a white floor.
type background struct {
	r     *rand.Rand
	state []float64
	feed  []float64 // y = keep·y + feed·white
	keep  []float64
	white float64
}

// corners of the low-passed noises in Hz; each has half the power of the one
// before.
var noiseCorners = []float64{12, 48, 192, 768, 3072}

// microphoneNoiseDB is the white floor's power against the whole noise.
const microphoneNoiseDB = -32

// newBackground returns noise of the given RMS value (over the whole band);
// nil for none.
func newBackground(rms, rate float64, r *rand.Rand) *background {
	if rms == 0 {
		return nil
	}
	b := &background{r: r}
	white := math.Pow(10, microphoneNoiseDB/10.0)
	b.white = rms * math.Sqrt(white)
	var parts float64
	for i := range noiseCorners {
		parts += math.Exp2(-float64(i))
	}
	for i, hz := range noiseCorners {
		std := rms * math.Sqrt((1-white)*math.Exp2(-float64(i))/parts)
		keep := math.Exp(-2 * math.Pi * hz / rate)
		b.keep = append(b.keep, keep)
		b.feed = append(b.feed, std*math.Sqrt(1-keep*keep))
		// Begin as if it had been running for ever.
		b.state = append(b.state, std*r.NormFloat64())
	}
	return b
}

func (b *background) next() float64 {
	v := b.white * b.r.NormFloat64()
	for i := range b.state {
		b.state[i] = b.keep[i]*b.state[i] + b.feed[i]*b.r.NormFloat64()
		v += b.state[i]
	}
	return v
}
