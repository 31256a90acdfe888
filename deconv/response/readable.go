package response

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"

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
	// FromNoise and ToNoise tell that it is the noise that ends the range there.
	FromNoise, ToNoise bool
	// Margin is by how many dB the signal is stronger than it must be to be read,
	// negative where it is weaker, at 24 points an octave over the range that is
	// left when noise is not looked at. It is empty where the noise is unknown,
	// and it goes no lower than a signal 10 dB under the noise: what lies deeper
	// cannot be told.
	Margin Curve
	buried []bool // of Margin's points: the noise is as strong as the signal, or more
}

// LouderDB returns by how many dB the signal would have to be stronger so that
// all but a tenth of the range from fromHz to toHz could be read (dips are
// bottomless), 0 where it can be or nothing is known; atLeast tells that the
// signal is buried in noise there, so that it may have to be more.
func (r Readable) LouderDB(fromHz, toHz float64) (db float64, atLeast bool) {
	var points []int
	for i, hz := range r.Margin.Hz {
		if hz >= fromHz && hz <= toHz {
			points = append(points, i)
		}
	}
	if len(points) == 0 {
		return 0, false
	}
	slices.SortFunc(points, func(a, b int) int { return cmp.Compare(r.Margin.DB[a], r.Margin.DB[b]) })
	i := points[len(points)/10]
	return math.Max(0, -r.Margin.DB[i]), r.buried[i]
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
// decibel at four standard errors, and in no case less than 10 dB over the
// noise.
const (
	readFraction = 6
	readErrorDB  = 0.5
	readSigmas   = 4
	leastSNRDB   = 10
)

// UncertaintyDB returns the standard error in dB of a point of a response that
// was read as power, with noise expected to be in it and the point a mean over
// independent values (Response.Independent; 1 where nothing was smoothed):
// (20/ln 10)/√2·10^(−SNR/20)/√independent, or 6.14 dB at 0 dB for a single value.
// The signal in it is power − noise. The formula is that of small errors; the
// result is capped at 20 dB, where it has lost its meaning, and is 20 dB where no
// signal is left. That the noise also raises the point is not in it.
func UncertaintyDB(power, noise, independent float64) float64 {
	if noise <= 0 {
		return 0
	}
	if power <= noise {
		return mostErrorDB
	}
	return math.Min(mostErrorDB, errorAt0DB*math.Sqrt(noise/(power-noise)/math.Max(1, independent)))
}

// What UncertaintyDB gives at a signal-to-noise ratio of 0 dB, and its cap, in dB.
const (
	errorAt0DB  = 20 / math.Ln10 / math.Sqrt2
	mostErrorDB = 20
)

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

// ReadableBand returns where r may be read, and why no further. A point can be
// read where its mean over a sixth of an octave (of which nothing lies outside
// the excitation's range) is within half a decibel at four standard errors and
// at least 10 dB over the noise, as far as the noise is known. Points are judged
// from the best one outwards; stretches of up to a third of an octave in which
// the noise is too near, as at the bottom of a deep dip, become gaps. A range
// narrower than a third of an octave is none.
func (r *Response) ReadableBand(l Limits) Readable {
	band := Readable{OK: true, FromHz: l.FromHz, ToHz: l.ToHz,
		FromReason: "the sweep starts here", ToReason: "the sweep ends here"}
	narrow := func(from, to float64, whyFrom, whyTo string) {
		if from > band.FromHz {
			band.FromHz, band.FromReason = from, whyFrom
		}
		if to > 0 && to < band.ToHz {
			band.ToHz, band.ToReason = to, whyTo
		}
	}
	if l.MicToHz > 0 {
		narrow(l.MicFromHz, l.MicToHz, "the microphone's calibration starts here", "the microphone's calibration ends here")
	}
	if l.LowPassHz > 0 {
		narrow(0, l.LowPassHz*math.Sqrt2, "", fmt.Sprintf("half an octave above the low-pass at %s", inHz(l.LowPassHz)))
	}
	// The gate: what is shorter than two resolution steps has no shape.
	if from := 2 / r.Window.LengthS; r.Window.LengthS < 0.5 {
		narrow(from, 0, fmt.Sprintf("a window of %s tells nothing lower", Window{LengthS: r.Window.LengthS}), "")
	}
	if r.Window.Cycles > 0 && r.Window.Cycles < 2 {
		return Readable{FromReason: fmt.Sprintf("a window of %.3g cycles tells nothing at any frequency", r.Window.Cycles)}
	}
	ends := fmt.Sprintf("from %s (%s) to %s (%s)", inHz(band.FromHz), band.FromReason, inHz(band.ToHz), band.ToReason)
	if band.FromHz >= band.ToHz {
		return Readable{FromReason: "nothing is left: " + ends}
	}
	if tooNarrow(band) {
		return Readable{FromReason: "what is left is less than a third of an octave: " + ends}
	}
	if l.Noise == nil {
		return band
	}
	within := *r
	within.FromHz, within.ToHz = l.FromHz, l.ToHz
	return within.narrowByNoise(band, l.Noise)
}

// tooNarrow reports whether a band is narrower than a third of an octave.
func tooNarrow(band Readable) bool {
	return band.ToHz < band.FromHz*math.Exp2(1.0/3)*(1-1e-9)
}

// inHz writes a frequency for a sentence, with at most three significant digits.
func inHz(hz float64) string {
	unit := " Hz"
	if hz >= 999.5 {
		hz, unit = hz/1000, " kHz"
	}
	if hz >= 99.95 {
		return strconv.FormatFloat(hz, 'f', 0, 64) + unit
	}
	return strconv.FormatFloat(hz, 'g', 3, 64) + unit
}

// narrowByNoise moves the ends of a band inwards to where the noise allows.
func (r *Response) narrowByNoise(band Readable, noise *deconv.Noise) Readable {
	const perOctave = 24
	count := max(2, int(math.Ceil(math.Log2(band.ToHz/band.FromHz)*perOctave))+1)
	hz := make([]float64, count)
	for i := range hz {
		hz[i] = band.FromHz * math.Pow(band.ToHz/band.FromHz, float64(i)/float64(count-1))
	}
	power := r.Smooth(hz, readFraction)
	hiss := r.NoisePower(noise, hz)
	upper := doubt(noise)
	for i, f := range hz {
		hiss[i] *= scale.Interpolate(noise.Hz, upper, f)
	}
	margin := make([]float64, count)
	band.buried = make([]bool, count)
	best := 0
	for i, f := range hz {
		signal := power[i] - hiss[i]
		band.buried[i] = signal < hiss[i]
		signal = max(signal, hiss[i]/10, 1e-30)
		const allowed = readErrorDB / readSigmas // standard error in dB
		need := math.Max(scale.Power(leastSNRDB), square(errorAt0DB/allowed)/r.Independent(f, readFraction))
		margin[i] = scale.PowerDB(signal) - scale.PowerDB(math.Max(hiss[i], 1e-40)) - scale.PowerDB(need)
		if margin[i] > margin[best] {
			best = i
		}
	}
	band.Margin = Curve{hz, margin}
	if margin[best] < 0 {
		return Readable{FromReason: "the room's noise hides it all", FromNoise: true, ToNoise: true, Margin: band.Margin, buried: band.buried}
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
				gaps = append(gaps, Gap{math.Min(hz[last], hz[i]), math.Max(hz[last], hz[i]), "here " + mayFalsify})
			}
			last = i
		}
		return last, gaps
	}
	low, below := walk(-1, 0)
	high, above := walk(1, count-1)
	for i := len(below) - 1; i >= 0; i-- {
		band.Gaps = append(band.Gaps, below[i])
	}
	band.Gaps = append(band.Gaps, above...)
	// A single point beyond a gap is no range of its own.
	from, to := hz[low], hz[high]
	for len(band.Gaps) > 0 && band.Gaps[0].FromHz <= from {
		from, band.Gaps = band.Gaps[0].ToHz, band.Gaps[1:]
	}
	for n := len(band.Gaps); n > 0 && band.Gaps[n-1].ToHz >= to; n-- {
		to, band.Gaps = band.Gaps[n-1].FromHz, band.Gaps[:n-1]
	}
	if len(band.Gaps) == 0 {
		band.Gaps = nil
	}
	if from > hz[0] {
		band.FromHz, band.FromReason, band.FromNoise = from, "below this "+mayFalsify, true
	}
	if to < hz[count-1] {
		band.ToHz, band.ToReason, band.ToNoise = to, "above this "+mayFalsify, true
	}
	if tooNarrow(band) {
		return Readable{FromReason: fmt.Sprintf("only %s to %s, less than a third of an octave, stands far enough out of the room's noise", inHz(from), inHz(to)),
			FromNoise: true, ToNoise: true, Margin: band.Margin, buried: band.buried}
	}
	return band
}

// mayFalsify is what the noise may do to a mean over a sixth of an octave where
// it may not be read.
const mayFalsify = "the room's noise may falsify it by more than 0.5 dB"

// doubt returns by which factor the noise may be more than it was found to be, at
// each of its frequencies: an estimate from few degrees of freedom may be low, and
// this is its upper bound at 95 % of a chi-squared distribution.
func doubt(noise *deconv.Noise) []float64 {
	upper := make([]float64, len(noise.Freedom))
	for i, freedom := range noise.Freedom {
		upper[i] = freedom / distuv.ChiSquared{K: freedom}.Quantile(0.05)
	}
	return upper
}

func square(x float64) float64 { return x * x }
