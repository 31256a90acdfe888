package waterfall

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"roomsonde/deconv"
)

const testRate = 48000.0

// empty returns a response of nothing, with its first arrival 0.25 s in.
func empty(seconds float64) deconv.ImpulseResponse {
	zero := int(0.25 * testRate)
	return deconv.ImpulseResponse{SampleRate: testRate, Samples: make([]float64, zero+int(seconds*testRate)), Zero: zero}
}

// add adds an exponentially decaying tone from the first arrival on: amplitude per
// sample, time to fall by 60 dB.
func add(ir deconv.ImpulseResponse, hz, amplitude, decayS, phase float64) {
	for i := ir.Zero; i < len(ir.Samples); i++ {
		t := float64(i-ir.Zero) / ir.SampleRate
		ir.Samples[i] += amplitude * math.Exp(-6.907755278982137*t/decayS) * math.Sin(2*math.Pi*hz*t+phase)
	}
}

// room returns a response as of a room, invented: a direct sound, reflections,
// reverberation, bass modes and, with a level above 0, white noise.
func room(seconds, noise float64) deconv.ImpulseResponse {
	ir := empty(seconds)
	rng := rand.New(rand.NewPCG(31, 7))
	for _, r := range [][2]float64{{0, 0.6}, {2.3, -0.2}, {4.1, 0.25}, {7.7, 0.15}, {11.9, -0.1}, {23, 0.06}} {
		ir.Samples[ir.Zero+int(r[0]*testRate/1000)] += r[1]
	}
	for i := ir.Zero; i < len(ir.Samples); i++ {
		t := float64(i-ir.Zero) / testRate
		ir.Samples[i] += 0.02 * rng.NormFloat64() * math.Exp(-6.9*t/0.4) * math.Min(1, t/0.01)
	}
	for i, m := range [][3]float64{{24, 0.9, 0.0016}, {33.5, 1.3, 0.004}, {41, 0.7, 0.002}, {52.5, 0.6, 0.002}, {68, 0.9, 0.003}, {83, 0.5, 0.002}, {110, 0.45, 0.003}, {147, 0.6, 0.003}, {210, 0.4, 0.004}} {
		add(ir, m[0], m[2], m[1], float64(i))
	}
	for i := range ir.Samples {
		ir.Samples[i] += noise * rng.NormFloat64()
	}
	return ir
}

// white is the noise that room adds, as Recover would have heard it: the power of
// a sample per frame of a window's energy.
func white(sigma float64) *deconv.Noise {
	return &deconv.Noise{Seconds: 10, Hz: []float64{5, 24000}, Density: []float64{sigma * sigma, sigma * sigma}, Freedom: []float64{1e4, 1e4}}
}

func mustWaterfall(t testing.TB, ir deconv.ImpulseResponse, noise *deconv.Noise, o Options) *Waterfall {
	t.Helper()
	w, err := Of(context.Background(), ir, noise, o)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func mustEnergy(t testing.TB, ir deconv.ImpulseResponse, noise *deconv.Noise, o EnergyOptions) *Energy {
	t.Helper()
	e, err := EnergyOf(context.Background(), ir, noise, o)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// slope returns the least-squares slope of y over x.
func slope(x, y []float64) float64 {
	var sx, sy, sxx, sxy float64
	for i := range x {
		sx, sy, sxx, sxy = sx+x[i], sy+y[i], sxx+x[i]*x[i], sxy+x[i]*y[i]
	}
	n := float64(len(x))
	return (n*sxy - sx*sy) / (n*sxx - sx*sx)
}
