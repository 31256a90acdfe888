package waterfall

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"roomsonde/deconv"
	"roomsonde/deconv/fourier"
	"roomsonde/sweep/scale"
)

// noiseFloor works out noise and floor of a picture.
type noiseFloor struct {
	noise  *deconv.Noise // nil: unknown
	margin float64       // as power
}

// levels returns the noise expected at the frequencies hz, of which the density
// is multiplied by gain, and the floor above it. Both are nil where the noise is
// unknown.
func (f noiseFloor) levels(hz []float64, gain func(i int) float64) (noiseDB, floorDB []float64) {
	if f.noise == nil {
		return nil, nil
	}
	// An estimate from few degrees of freedom may be low: the bound is the upper
	// one at 95 % of a chi-squared distribution.
	upper := make([]float64, len(f.noise.Hz))
	for i := range upper {
		upper[i] = f.noise.Density[i]
		if i < len(f.noise.Freedom) && f.noise.Freedom[i] > 0 {
			upper[i] *= f.noise.Freedom[i] / distuv.ChiSquared{K: f.noise.Freedom[i]}.Quantile(0.05)
		}
	}
	for i, v := range hz {
		g := gain(i)
		noiseDB = append(noiseDB, scale.PowerDB(g*scale.Interpolate(f.noise.Hz, f.noise.Density, v)))
		floorDB = append(floorDB, scale.PowerDB(g*f.margin*scale.Interpolate(f.noise.Hz, upper, v)))
	}
	return noiseDB, floorDB
}

// heard returns the noise given, or else that of the end of the response: past
// the frame after, or its last tenth, whichever is longer. An end that is too
// short, or nothing but zeros, tells nothing.
func heard(ir deconv.ImpulseResponse, noise *deconv.Noise, after int) (*deconv.Noise, Source) {
	if noise != nil && len(noise.Hz) > 0 && !noise.DigitalZero {
		return noise, Silence
	}
	if noise != nil {
		return nil, Unknown // digital silence: the noise during the sweep is not known
	}
	tail := ir.Samples[min(max(0, after), len(ir.Samples)*9/10):]
	const leastS, leastFrames = 0.1, 64
	if float64(len(tail)) < leastS*ir.SampleRate || len(tail) < leastFrames {
		return nil, Unknown
	}
	if n := ofTail(tail, ir.SampleRate); n != nil {
		return n, Tail
	}
	return nil, Unknown
}

// ofTail estimates the noise's density from the end of a response, as Welch's
// mean (IEEE Trans. Audio Electroacoust. 15, 1967 [from memory]) over segments
// under a periodic Hann window that overlap by half, one value per sixth of an
// octave or per bin. It returns nil where there is nothing but zeros.
func ofTail(x []float64, rate float64) *deconv.Noise {
	size := fourier.FastLen(len(x) / 3)
	for size > len(x) || size > 1<<15 {
		size = size / 4 * 2
	}
	window := make([]float64, size)
	var energy float64
	for i := range window {
		window[i] = square(math.Sin(math.Pi * float64(i) / float64(size)))
		energy += square(window[i])
	}
	plan := fourier.Get(size)
	defer fourier.Put(plan)
	part, spectrum := make([]float64, size), make([]complex128, size/2+1)
	psd := make([]float64, size/2+1)
	segments, total := 0, 0.0
	for start := 0; start+size <= len(x); start += size / 2 {
		for i, w := range window {
			part[i] = w * x[start+i]
		}
		for k, v := range plan.Coefficients(spectrum, part) {
			psd[k] += real(v)*real(v) + imag(v)*imag(v)
		}
		segments++
	}
	n := &deconv.Noise{Seconds: float64(len(x)) / rate}
	step := rate / float64(size)
	// Overlapping segments count as K/(1+2/36), neighbouring bins as M/(1+8/9),
	// under this window (Welch 1967).
	periodograms := math.Max(1, float64(segments)/(1+2.0/36))
	for lo := step / 2; lo < rate/2; {
		hi := math.Max(lo*math.Exp2(1.0/6), lo+step)
		var sum float64
		count := 0
		for k := int(math.Ceil(lo / step)); k < len(psd) && float64(k)*step < hi; k++ {
			sum += psd[k]
			count++
		}
		if count > 0 {
			n.Hz = append(n.Hz, math.Sqrt(lo*hi))
			n.Density = append(n.Density, sum/float64(count)/energy/float64(segments))
			n.Freedom = append(n.Freedom, 2*periodograms*math.Max(1, float64(count)/(1+8.0/9)))
			total += sum
		}
		lo = hi
	}
	if total == 0 || len(n.Hz) == 0 {
		return nil
	}
	return n
}
