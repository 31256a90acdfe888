package deconv

import (
	"math"

	"github.com/mjibson/go-dsp/window"

	"roomsonde/deconv/fourier"
	"roomsonde/sweep/scale"
)

// Noise is the room's and the microphone's noise as it appears in an impulse
// response: the expected power of its spectrum, so that signal over noise is
// known at every frequency.
type Noise struct {
	Seconds float64   // of silence that it was heard in
	Hz      []float64 // rising, above 0
	// Density[i] is the expected |N(f)|² per frame of the window's energy: a
	// spectrum taken through a window w holds Density·Σw² of noise power.
	Density []float64
	// Freedom[i] are the degrees of freedom of Density[i], as of a chi-squared
	// variable: few in the bass, where a short silence holds few cycles.
	Freedom []float64
	// RecordingDBFS is the noise's level in the recording itself, as rms.
	RecordingDBFS float64
	// DigitalZero tells that the silence holds nothing but zeros, or less than
	// −200 dBFS: so it does where everything is arithmetic, and where a gate or an editor put it there,
	// and then the noise during the sweep is unknown.
	DigitalZero bool

	// psd[i] is the noise in the recording, as power per frame, two-sided.
	psd []float64
}

// at returns the expected |N|² in bin k of inv's transforms, seen through a
// window of the given energy.
func (n *Noise) at(k int, inv *inverse, energy float64) float64 {
	if n == nil || len(n.Hz) == 0 {
		return 0
	}
	v := inv.filter[k]
	return scale.Interpolate(n.Hz, n.psd, float64(k)*inv.step()) * (real(v)*real(v) + imag(v)*imag(v)) * energy
}

// Silences shorter than this say nothing about bass.
const leastSilenceS = 0.25

// hear estimates the noise of the silence x (frames of the recording), as it
// comes out of the inverse. It returns nil when x is too short.
//
// The power spectral density is Welch's mean of half-overlapping segments under
// a Hann window (P. D. Welch, IEEE Trans. Audio Electroacoust. 15, 1967 [from
// memory]); go-dsp's window is the symmetric one, which at these lengths differs
// from the periodic one by less than 0.001 dB. (Its Pwelch gives the same, at
// eight times the time of the transforms here.)
func hear(x []float32, inv *inverse) *Noise {
	seconds := float64(len(x)) / inv.rate
	if seconds < leastSilenceS {
		return nil
	}
	// The longest power of two that still gives three segments.
	size := 1 << int(math.Log2(float64(len(x))/2))
	samples := make([]float64, len(x))
	var mean, power float64
	for _, v := range x {
		mean += float64(v)
	}
	mean /= float64(len(x))
	for i, v := range x {
		samples[i] = float64(v) - mean // a converter's offset is no noise
		power += samples[i] * samples[i]
	}
	power /= float64(len(x))
	psd, segments := welch(samples, window.Hann(size))
	n := &Noise{Seconds: seconds, RecordingDBFS: scale.PowerDB(power), DigitalZero: power+mean*mean < 1e-20}
	// One value per sixth of an octave, or per bin where bins are wider: the
	// estimate has few degrees of freedom, and room noise is smooth but for hum,
	// which the mean over a sixth of an octave keeps.
	step := inv.rate / float64(size)
	// Half-overlapping segments under a Hann window are nearly independent:
	// their periodograms correlate by (1/6)², so K of them count as K/(1+2/36)
	// (Welch 1967). Neighbouring bins do correlate, under that window by 4/9: M of
	// them count as some M/(1+8/9).
	periodograms := math.Max(1, float64(segments)/(1+2.0/36))
	for lo := step / 2; lo < inv.rate/2; {
		hi := math.Max(lo*math.Exp2(1.0/6), lo+step)
		var sum float64
		var count int
		for k := int(math.Ceil(lo / step)); k < len(psd) && float64(k)*step < hi; k++ {
			if k > 0 {
				sum += psd[k]
				count++
			}
		}
		if count > 0 {
			n.Hz = append(n.Hz, math.Sqrt(lo*hi))
			n.Freedom = append(n.Freedom, 2*periodograms*math.Max(1, float64(count)/(1+8.0/9)))
			n.psd = append(n.psd, sum/float64(count))
			n.Density = append(n.Density, sum/float64(count)*inv.gainPower(lo, hi))
		}
		lo = hi
	}
	return n
}

// welch returns the two-sided power spectral density per frame, |X[k]|²/Σw² for
// k = 0…len(w)/2, as the mean over segments of x under window w that overlap by
// half; and how many segments there were.
func welch(x, w []float64) (psd []float64, segments int) {
	size := len(w)
	psd = make([]float64, size/2+1)
	plan := fourier.Get(size)
	defer fourier.Put(plan)
	part := make([]float64, size)
	spectrum := make([]complex128, size/2+1)
	for start := 0; start+size <= len(x); start += size / 2 {
		for i, v := range x[start : start+size] {
			part[i] = v * w[i]
		}
		for k, v := range plan.Coefficients(spectrum, part) {
			psd[k] += real(v)*real(v) + imag(v)*imag(v)
		}
		segments++
	}
	var energy float64
	for _, v := range w {
		energy += v * v
	}
	for k := range psd {
		psd[k] /= energy * float64(segments)
	}
	return psd, segments
}
