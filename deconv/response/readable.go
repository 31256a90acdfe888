package response

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"roomsonde/deconv"
	"roomsonde/sweep/scale"
)

// Limits are what bounds the range in which a response means something.
type Limits struct {
	FromHz, ToHz float64       // the excitation's range
	Noise        *deconv.Noise // nil: unknown
	// MicFromHz and MicToHz bound the microphone's calibration; both 0: the
	// response is not corrected, and nothing is known of the microphone.
	MicFromHz, MicToHz float64
	LowPassHz          float64 // the crossover's low-pass that the source passes; 0: none
}

// Readable is the range in which a response may be read.
type Readable struct {
	OK           bool // false: nowhere; FromReason says why
	FromHz, ToHz float64
	FromReason   string
	ToReason     string
	Gaps         []Gap // stretches inside the range that may not be read
}

// Gap is a stretch inside the readable band in which noise hides the response.
type Gap struct {
	FromHz, ToHz float64
	Reason       string
}

// Contains reports whether the response may be read at hz.
func (r Readable) Contains(hz float64) bool {
	if !r.OK || hz < r.FromHz || hz > r.ToHz {
		return false
	}
	for _, g := range r.Gaps {
		if hz > g.FromHz && hz < g.ToHz {
			return false
		}
	}
	return true
}

// The measure of readability: the mean over a sixth of an octave, within half a
// decibel at three standard errors, and in no case less than 10 dB over the
// noise.
const (
	readFraction = 6
	readErrorDB  = 0.5
	readSigmas   = 3
	leastSNRDB   = 10
)

// UncertaintyDB returns the standard error in dB of one point of a response at a
// signal-to-noise ratio given as powers: (20/ln 10)/√2·10^(−SNR/20), or 6.14 dB
// at 0 dB. It is capped at 20 dB, where it has lost its meaning.
func UncertaintyDB(signal, noise float64) float64 {
	if noise <= 0 {
		return 0
	}
	if signal <= 0 {
		return 20
	}
	return math.Min(20, 20/math.Ln10/math.Sqrt2*math.Sqrt(noise/signal))
}

// NoisePower returns the expected noise power in r at the frequencies hz, nil
// where the noise is unknown.
func (r *Response) NoisePower(noise *deconv.Noise, hz []float64) []float64 {
	if noise == nil {
		return nil
	}
	out := make([]float64, len(hz))
	for i, f := range hz {
		out[i] = scale.Interpolate(noise.Hz, noise.Density, f) * r.Energy(f) * r.gainAt(f)
	}
	return out
}

// ReadableBand returns where r may be read, and why no further. Points of a
// sixth of an octave are judged, from the best one outwards; stretches of up to
// a third of an octave in which only the noise is too near, as at the bottom of
// a deep dip, become gaps.
func (r *Response) ReadableBand(l Limits) Readable {
	band := Readable{OK: true, FromHz: l.FromHz, ToHz: l.ToHz,
		FromReason: "the sweep starts here", ToReason: "the sweep ends here"}
	narrow := func(from, to float64, why string) {
		if from > band.FromHz {
			band.FromHz, band.FromReason = from, why
		}
		if to > 0 && to < band.ToHz {
			band.ToHz, band.ToReason = to, why
		}
	}
	if l.MicToHz > 0 {
		narrow(l.MicFromHz, l.MicToHz, "the microphone's calibration ends here")
	}
	if l.LowPassHz > 0 {
		narrow(0, l.LowPassHz*math.Sqrt2, fmt.Sprintf("half an octave above the low-pass at %.4g Hz", l.LowPassHz))
	}
	// The gate: what is shorter than two resolution steps has no shape.
	if from := 2 / r.Window.LengthS; r.Window.LengthS < 0.5 {
		narrow(from, 0, fmt.Sprintf("a window of %s tells nothing lower", Window{LengthS: r.Window.LengthS}))
	}
	if r.Window.Cycles > 0 && r.Window.Cycles < 2 {
		return Readable{FromReason: fmt.Sprintf("a window of %.3g cycles tells nothing at any frequency", r.Window.Cycles)}
	}
	if band.FromHz >= band.ToHz {
		return Readable{FromReason: fmt.Sprintf("nothing is left: from %.4g Hz (%s) to %.4g Hz (%s)", band.FromHz, band.FromReason, band.ToHz, band.ToReason)}
	}
	if l.Noise == nil {
		return band
	}
	return r.narrowByNoise(band, l.Noise)
}

// narrowByNoise moves the ends of a band inwards to where the noise allows.
func (r *Response) narrowByNoise(band Readable, noise *deconv.Noise) Readable {
	const perOctave = 24
	count := max(2, int(math.Ceil(math.Log2(band.ToHz/band.FromHz)*perOctave))+1)
	hz := make([]float64, count)
	for i := range hz {
		hz[i] = band.FromHz * math.Pow(band.ToHz/band.FromHz, float64(i)/float64(count-1))
	}
	power := Smooth(r.Power(), r.StepHz, hz, readFraction)
	hiss := r.NoisePower(noise, hz)
	// An estimate from few degrees of freedom may be low: judge by its upper
	// bound, at 95 % of a chi-squared distribution.
	upper := make([]float64, len(noise.Freedom))
	for i, freedom := range noise.Freedom {
		upper[i] = freedom / distuv.ChiSquared{K: freedom}.Quantile(0.05)
	}
	for i, f := range hz {
		hiss[i] *= scale.Interpolate(noise.Hz, upper, f)
	}
	margin := make([]float64, count) // dB by which a point is better than needed
	best := 0
	for i, f := range hz {
		signal := math.Max(power[i]-hiss[i], 1e-30)
		// Independent values in a sixth of an octave: its width over the
		// window's resolution.
		independent := math.Max(1, f*(math.Exp2(1.0/(2*readFraction))-math.Exp2(-1.0/(2*readFraction)))*r.Window.lengthAt(f))
		allowed := readErrorDB / readSigmas // standard error in dB
		need := math.Max(scale.Power(leastSNRDB), square(20/math.Ln10/math.Sqrt2/allowed)/independent)
		margin[i] = scale.PowerDB(signal) - scale.PowerDB(math.Max(hiss[i], 1e-40)) - scale.PowerDB(need)
		if margin[i] > margin[best] {
			best = i
		}
	}
	why := "the noise is too near: a sixth-octave mean may be off by more than 0.5 dB"
	if margin[best] < 0 {
		return Readable{FromReason: "the noise hides it all: measure louder, longer, or in a quieter hour"}
	}
	// Outwards from the best point, over holes of at most a third of an octave.
	const hole = perOctave / 3
	walk := func(step, end int) (last int, gaps []Gap) {
		last = best
		for i := best; i != end+step; i += step {
			if margin[i] < 0 {
				continue
			}
			if skipped := (i-last)*step - 1; skipped > hole {
				break
			} else if skipped > 0 {
				gaps = append(gaps, Gap{math.Min(hz[last], hz[i]), math.Max(hz[last], hz[i]), why})
			}
			last = i
		}
		return last, gaps
	}
	low, below := walk(-1, 0)
	high, above := walk(1, count-1)
	if low > 0 {
		band.FromHz, band.FromReason = hz[low], why
	}
	if high < count-1 {
		band.ToHz, band.ToReason = hz[high], why
	}
	for i := len(below) - 1; i >= 0; i-- {
		band.Gaps = append(band.Gaps, below[i])
	}
	band.Gaps = append(band.Gaps, above...)
	return band
}

func square(x float64) float64 { return x * x }
