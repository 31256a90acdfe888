package decay

import (
	"math"
	"math/rand/v2"

	"roomsonde/deconv"
	"roomsonde/sweep/scale"
)

// ringing returns a decaying sine of each band's mid-band frequency, which has
// a decay time in closed form.
func ringing(rate, lengthS, seconds float64, lead int, bands ...scale.Band) deconv.ImpulseResponse {
	x := make([]float64, lead+int(lengthS*rate))
	for _, b := range bands {
		for i := range x[lead:] {
			t := float64(i) / rate
			x[lead+i] += math.Exp(-3*math.Ln10*t/seconds) * math.Cos(2*math.Pi*b.MidHz*t)
		}
	}
	return deconv.ImpulseResponse{SampleRate: rate, Samples: x, Zero: lead}
}

// reverberation returns white noise with an exponential envelope and steady
// noise noiseDB below its start.
func reverberation(seed uint64, rate, lengthS, seconds, noiseDB float64) deconv.ImpulseResponse {
	r := rand.New(rand.NewPCG(seed, 1))
	lead := int(0.1 * rate)
	x := make([]float64, lead+int(lengthS*rate))
	floor := scale.Amplitude(noiseDB)
	for i := range x {
		if i >= lead {
			t := float64(i-lead) / rate
			x[i] = math.Exp(-3*math.Ln10*t/seconds) * r.NormFloat64()
		}
		if noiseDB > -300 {
			x[i] += floor * r.NormFloat64()
		}
	}
	return deconv.ImpulseResponse{SampleRate: rate, Samples: x, Zero: lead}
}
