// Package response turns an impulse response into a frequency response:
// windows, magnitude, phase, group delay, smoothing on power, a grid of
// logarithmic spacing, the readable band, distortion against frequency.
//
// Decibels appear only at the edges; inside, everything is a complex spectrum
// or a power.
package response

import (
	"fmt"
	"math"
	"math/cmplx"

	"roomsonde/deconv"
	"roomsonde/deconv/fourier"
	"roomsonde/deconv/internal/parallel"
	"roomsonde/sweep/scale"
)

// Window says which part of an impulse response is looked at. The zero value
// takes all of it, which suits bass.
type Window struct {
	// PreS is how much before the first arrival is taken along, all of it rising along
	// a half cosine; 0: what the impulse response has. A negative value: 1 ms.
	PreS float64
	// LengthS is how much after the first arrival is taken, its last quarter falling
	// along a half cosine; 0: what the impulse response has. A short window is
	// a gate: it leaves reflections out, and the response means nothing below
	// some 2/LengthS.
	LengthS float64
	// Cycles makes the window depend on frequency: N cycles of it after the
	// first arrival, but no more than LengthS. 0: the same window at all frequencies.
	// 3 to 6 shows the direct sound, 10 to 15 the tonal balance.
	Cycles float64
}

// Resolved returns the window with its defaults filled in for ir, and no longer
// than ir.
func (w Window) Resolved(ir deconv.ImpulseResponse) Window {
	pre := float64(ir.FirstArrival()) / ir.SampleRate
	post := float64(len(ir.Samples)-ir.FirstArrival()) / ir.SampleRate
	switch {
	case w.PreS < 0:
		w.PreS = min(0.001, pre)
	case w.PreS == 0 || w.PreS > pre:
		w.PreS = pre
	}
	if w.LengthS <= 0 || w.LengthS > post {
		w.LengthS = post
	}
	return w
}

// String names the window in words.
func (w Window) String() string {
	length := fmt.Sprintf("%.3g s", w.LengthS)
	if w.LengthS < 0.1 {
		length = fmt.Sprintf("%.3g ms", 1000*w.LengthS)
	}
	if w.Cycles > 0 {
		return fmt.Sprintf("%.3g cycles, at most %s", w.Cycles, length)
	}
	return length
}

// ResolutionHz returns how far apart two frequencies must be to be told apart
// through the window at hz: 2 over its length.
func (w Window) ResolutionHz(hz float64) float64 { return 2 / w.lengthAt(hz) }

func (w Window) lengthAt(hz float64) float64 {
	if w.Cycles > 0 && hz > 0 {
		return min(w.LengthS, w.Cycles/hz)
	}
	return w.LengthS
}

// Response is a frequency response on the full grid of a transform.
type Response struct {
	SampleRate float64
	StepHz     float64      // H[k] belongs to k·StepHz
	H          []complex128 // ratio of recorded to played full scale, phase relative to time zero
	Window     Window       // as used
	// FromHz and ToHz bound the range that was excited; both 0: all of the axis.
	// What lies outside was not measured, and Smooth keeps away from it. Of
	// cannot know them: whoever does sets them.
	FromHz, ToHz float64
	// Energy returns Σw² of the window at a frequency, in frames.
	Energy func(hz float64) float64
	// gain is the power by which a correction has raised the response at a
	// frequency; nil: none.
	gain func(hz float64) float64
}

// PhaseSource says where the phase of a microphone's correction comes from.
type PhaseSource int

// The phase of a correction.
const (
	NoPhase      PhaseSource = iota // magnitude only
	GivenPhase                      // as the file gives it
	MinimalPhase                    // the minimum phase of the magnitude
)

// Correct returns r without a microphone's deviation: deviationDB(hz) subtracted
// from the magnitude and, as phase says, the deviation's phase in degrees,
// degrees(hz), subtracted from the phase. degrees is used with GivenPhase only.
// Both are called from several goroutines at once.
// r is not changed.
func (r *Response) Correct(deviationDB, degrees func(hz float64) float64, phase PhaseSource) *Response {
	c := *r
	c.H = make([]complex128, len(r.H))
	c.gain = func(hz float64) float64 { return r.gainAt(hz) * scale.Power(-deviationDB(hz)) }
	magnitude := make([]float64, len(r.H))
	parallel.Split(len(magnitude), func(lo, hi int) {
		for k := lo; k < hi; k++ {
			// scale.Amplitude takes four times as long.
			magnitude[k] = math.Exp(deviationDB(float64(k)*r.StepHz) * (math.Ln10 / 20))
		}
	})
	var minimal []float64
	if phase == MinimalPhase {
		minimal = MinimumPhase(magnitude)
	}
	parallel.Split(len(r.H), func(lo, hi int) {
		for k := lo; k < hi; k++ {
			v, g := r.H[k], 1/magnitude[k]
			switch phase {
			case GivenPhase:
				v *= cmplx.Rect(1, -degrees(float64(k)*r.StepHz)*math.Pi/180)
			case MinimalPhase:
				v *= cmplx.Rect(1, -minimal[k])
			}
			c.H[k] = complex(g*real(v), g*imag(v))
		}
	})
	return &c
}

// gainAt returns the power by which corrections have raised r at hz.
func (r *Response) gainAt(hz float64) float64 {
	if r.gain == nil {
		return 1
	}
	return r.gain(hz)
}

// Of transforms ir through a window around its first arrival, phases relative
// to its time zero. The points of the transform are at most
// 1.5 Hz apart, and at most half a resolution step of the window: short windows
// get many points per step, a long one its two. ir is not changed.
//
// With Window.Cycles it is a bank of windows, a third of an octave apart and
// cross-faded over the logarithm of frequency.
func Of(ir deconv.ImpulseResponse, w Window) (*Response, error) {
	if len(ir.Samples) == 0 || ir.SampleRate <= 0 || !ir.Inside() {
		return nil, fmt.Errorf("response: the impulse response is empty or its time zero lies outside it")
	}
	if w.LengthS < 0 || w.Cycles < 0 || math.IsNaN(w.LengthS) || math.IsNaN(w.Cycles) || math.IsNaN(w.PreS) {
		return nil, fmt.Errorf("response: a window cannot have a negative length")
	}
	w = w.Resolved(ir)
	span := int(math.Ceil((w.PreS+w.LengthS)*ir.SampleRate - 1e-6))
	n := fourier.FastLen(max(span, int(ir.SampleRate/1.5), 256))
	r := &Response{SampleRate: ir.SampleRate, StepHz: ir.SampleRate / float64(n), Window: w}
	if w.Cycles == 0 {
		var energy float64
		r.H, energy = transform(ir, w.PreS, w.LengthS, n)
		r.Energy = func(float64) float64 { return energy }
		return r, nil
	}
	r.bank(ir, n)
	return r, nil
}

// transform returns the spectrum of the windowed response, time zero at phase
// zero, and the window's energy.
func transform(ir deconv.ImpulseResponse, preS, lengthS float64, n int) ([]complex128, float64) {
	onset := ir.FirstArrival()
	pre := min(onset, int(math.Round(preS*ir.SampleRate)))
	post := max(1, min(len(ir.Samples)-onset, int(math.Round(lengthS*ir.SampleRate))))
	fall := post / 4
	x := make([]float64, n)
	var energy float64
	// Time zero stands at index 0 of x, and everything else around it.
	start := (((onset - ir.Zero) % n) + n) % n
	at := start
	for i := range post {
		g := 1.0
		if left := post - i; left <= fall {
			g = 0.5 - 0.5*math.Cos(math.Pi*(float64(left)-0.5)/float64(fall))
		}
		x[at] += g * ir.Samples[onset+i]
		energy += g * g
		if at++; at == n {
			at = 0
		}
	}
	at = start
	for i := 1; i <= pre; i++ {
		g := 0.5 + 0.5*math.Cos(math.Pi*(float64(i)-0.5)/float64(pre))
		if at--; at < 0 {
			at = n - 1
		}
		x[at] += g * ir.Samples[onset-i]
		energy += g * g
	}
	plan := fourier.Get(n)
	defer fourier.Put(plan)
	return plan.Coefficients(nil, x), energy
}

// bank fills in a response whose window depends on frequency.
func (r *Response) bank(ir deconv.ImpulseResponse, n int) {
	r.H = make([]complex128, n/2+1)
	ratio := math.Exp2(1.0 / 3)
	low := math.Max(r.StepHz, r.Window.Cycles/r.Window.LengthS) // below it all windows are alike
	var centres, energies []float64
	for hz := low; ; hz *= ratio {
		centres = append(centres, hz)
		if hz >= r.SampleRate/2 {
			break
		}
	}
	for i, hz := range centres {
		length := r.Window.lengthAt(hz)
		h, energy := transform(ir, math.Min(r.Window.PreS, length), length, n)
		energies = append(energies, energy)
		for k := range h {
			f := float64(k) * r.StepHz
			var share float64 // of this window at f: raised cosine over ± a third of an octave
			switch d := math.Log2(math.Max(f, 1e-9)/hz) * 3; {
			case i == 0 && d <= 0:
				share = 1
			case math.Abs(d) < 1:
				share = 0.5 + 0.5*math.Cos(math.Pi*d)
			case i == len(centres)-1 && d > 0:
				share = 1
			default:
				continue
			}
			r.H[k] += complex(share, 0) * h[k]
		}
	}
	r.Energy = func(hz float64) float64 { return scale.Interpolate(centres, energies, math.Max(hz, centres[0])) }
}

// Power returns |H[k]|².
func (r *Response) Power() []float64 {
	p := make([]float64, len(r.H))
	for k, v := range r.H {
		p[k] = real(v)*real(v) + imag(v)*imag(v)
	}
	return p
}

// PhaseDegrees returns the phase of H[k] in degrees, −180 to 180, relative to
// time zero.
func (r *Response) PhaseDegrees() []float64 {
	p := make([]float64, len(r.H))
	for k := range r.H {
		p[k] = r.PhaseDegreesAt(k)
	}
	return p
}

// PhaseDegreesAt is one value of PhaseDegrees.
func (r *Response) PhaseDegreesAt(k int) float64 { return cmplx.Phase(r.H[k]) * 180 / math.Pi }

// Unwrapped returns a phase in degrees without its jumps of 360.
func Unwrapped(degrees []float64) []float64 {
	out := make([]float64, len(degrees))
	var turns float64
	for k, v := range degrees {
		if k > 0 {
			turns -= 360 * math.Round((v-degrees[k-1])/360)
		}
		out[k] = v + turns
	}
	return out
}

// GroupDelay returns −dφ/dω of H[k] in seconds relative to time zero, from
// n·h[n] rather than from differences of the phase: Re(F{n·h}/F{h})/fs. Where
// the response is zero it is 0.
func (r *Response) GroupDelay(ir deconv.ImpulseResponse) []float64 {
	n := int(math.Round(r.SampleRate / r.StepHz))
	timed := deconv.ImpulseResponse{SampleRate: ir.SampleRate, Samples: make([]float64, len(ir.Samples)), Zero: ir.Zero, Onset: ir.Onset}
	for i, v := range ir.Samples {
		timed.Samples[i] = v * float64(i-ir.Zero)
	}
	var h []complex128
	if r.Window.Cycles > 0 {
		t := Response{SampleRate: r.SampleRate, StepHz: r.StepHz, Window: r.Window}
		t.bank(timed, n)
		h = t.H
	} else {
		h, _ = transform(timed, r.Window.PreS, r.Window.LengthS, n)
	}
	out := make([]float64, len(r.H))
	for k, v := range r.H {
		if p := real(v)*real(v) + imag(v)*imag(v); p > 0 {
			out[k] = (real(h[k])*real(v) + imag(h[k])*imag(v)) / p / r.SampleRate
		}
	}
	return out
}

// Smooth returns the mean of r's power over 1/fraction octave around each of the
// frequencies at (Hz), band edges falling between bins counted by their share.
// fraction 0: no smoothing, the nearest bin's power. The mean is on power, so
// that what is heard, energy, is kept; the mean of decibels would read a deep
// comb low. Nothing that lies outside FromHz to ToHz counts: within half of
// 1/fraction octave of these ends the mean is over the part inside, and beyond
// them it is the outermost bin's power. The cost is linear in len(H)+len(at).
func (r *Response) Smooth(at []float64, fraction float64) []float64 {
	return newSmoother(r.Power(), r.StepHz, r.FromHz, r.ToHz).smooth(at, fraction)
}

// Independent returns how many independent values a mean of r over 1/fraction
// octave around hz holds: the width of what is averaged, kept within FromHz to
// ToHz, times the window's length; at least 1. fraction 0: 1.
func (r *Response) Independent(hz, fraction float64) float64 {
	if fraction == 0 {
		return 1
	}
	half := math.Exp2(1 / (2 * fraction))
	lo, hi := math.Max(hz/half, r.FromHz), hz*half
	if r.ToHz > 0 {
		hi = math.Min(hi, r.ToHz)
	}
	return math.Max(1, (hi-lo)*r.Window.lengthAt(hz))
}

// smoother smooths one spectrum as often as one likes: it keeps the running sum.
type smoother struct {
	p, cumulative []float64 // cumulative[k] is the sum of the bins that count below k
	step          float64
	first, last   int // the bins that count
}

// newSmoother smooths the bins from fromHz to toHz (0: to the end), all where
// there is none between.
func newSmoother(p []float64, step, fromHz, toHz float64) smoother {
	const slack = 1e-9
	first, last := max(0, int(math.Ceil(fromHz/step-slack))), len(p)-1
	if toHz > 0 {
		last = min(last, int(toHz/step+slack))
	}
	if first > last {
		first, last = 0, len(p)-1
	}
	// Only the bins that count: others might be so strong that they drown them.
	cumulative := make([]float64, len(p)+1)
	var sum float64
	for k := first; k <= last; k++ {
		sum += p[k]
		cumulative[k+1] = sum
	}
	return smoother{p, cumulative, step, first, last}
}

// smooth is Smooth for the bins that count.
func (s smoother) smooth(at []float64, fraction float64) []float64 {
	p, step, cumulative := s.p, s.step, s.cumulative
	out := make([]float64, len(at))
	if fraction == 0 {
		for i, hz := range at {
			out[i] = p[min(max(int(math.Round(hz/step)), s.first), s.last)]
		}
		return out
	}
	// sum(x) is the integral of the power up to x, bin k covering k−½ to k+½.
	sum := func(x float64) float64 {
		x += 0.5
		k := min(int(x), s.last)
		return cumulative[k] + (x-float64(k))*p[k]
	}
	first, last := float64(s.first), float64(s.last)
	half := math.Exp2(1 / (2 * fraction))
	for i, hz := range at {
		lo, hi := hz/half/step, hz*half/step
		narrow := hi-lo < 1
		lo, hi = math.Max(lo, first-0.5), math.Min(hi, last+0.5)
		if narrow || hi-lo < 1e-3 { // narrower than a bin, or outside: straight between the two nearest
			x := math.Min(math.Max(hz/step, first), last)
			k := int(x)
			t := x - float64(k)
			out[i] = (1-t)*p[k] + t*p[min(k+1, s.last)]
			continue
		}
		// Differences of a running sum may round below zero.
		out[i] = math.Max(0, (sum(hi)-sum(lo))/(hi-lo))
	}
	return out
}

// Grid returns bins of the full grid that lie about evenly over the logarithm of
// frequency, perOctave to the octave and never closer than the bins, from fromHz
// to toHz. Each frequency is one at which the transform was worked out, so
// nothing is interpolated on it.
func Grid(step, fromHz, toHz float64, perOctave int) (bins []int, hz []float64) {
	last := 0
	ratio := math.Exp2(1 / float64(perOctave))
	first := math.Max(fromHz, step)
	for i := 0; ; i++ {
		f := first * math.Pow(ratio, float64(i))
		k := max(int(math.Round(f/step)), last+1)
		if i == 0 {
			k = int(math.Ceil(first/step - 1e-9))
		}
		if float64(k)*step > toHz*(1+1e-12) {
			return bins, hz
		}
		if behind := float64(k) * step; behind > f { // bins are wider than the grid here
			i = max(i, int(math.Ceil(math.Log2(behind/first)*float64(perOctave)-1e-9))-1)
		}
		bins, hz = append(bins, k), append(hz, float64(k)*step)
		last = k
	}
}

// MinimumPhase returns the minimum phase in radians that belongs to the
// magnitudes |H[k]|, k = 0..N/2 of a transform of even length N, by the folded
// real cepstrum (A. V. Oppenheim, R. W. Schafer, Discrete-Time Signal
// Processing [cited from memory]). Magnitudes are floored at −180 dB of the
// largest. N should be some times longer than the response itself.
func MinimumPhase(magnitude []float64) []float64 {
	n := 2 * (len(magnitude) - 1)
	if n < 2 {
		return make([]float64, len(magnitude))
	}
	var top float64
	for _, m := range magnitude {
		top = math.Max(top, m)
	}
	spectrum := make([]complex128, len(magnitude))
	for k, m := range magnitude {
		spectrum[k] = complex(math.Log(math.Max(m, 1e-9*top+math.SmallestNonzeroFloat64)), 0)
	}
	plan := fourier.Get(n)
	defer fourier.Put(plan)
	cepstrum := plan.Sequence(nil, spectrum)
	for i := 1; i < n/2; i++ {
		cepstrum[i] *= 2
		cepstrum[n-i] = 0
	}
	spectrum = plan.Coefficients(spectrum, cepstrum)
	phase := make([]float64, len(magnitude))
	for k, v := range spectrum {
		phase[k] = imag(v)
	}
	return phase
}

// HighPass returns ir without what lies below hz, for showing it over time: a
// Butterworth high-pass of second order, so causal. What stands below the range
// of a sweep was never measured, and in a drawing over time it looks like much.
// ir is not changed.
func HighPass(ir deconv.ImpulseResponse, hz float64) deconv.ImpulseResponse {
	// Bilinear transform of s²/(s² + √2·s + 1), prewarped at hz.
	w := math.Tan(math.Pi * hz / ir.SampleRate)
	norm := 1 / (1 + math.Sqrt2*w + w*w)
	a1, a2 := 2*(w*w-1)*norm, (1-math.Sqrt2*w+w*w)*norm
	out := deconv.ImpulseResponse{SampleRate: ir.SampleRate, Samples: make([]float64, len(ir.Samples)), Zero: ir.Zero, Onset: ir.Onset}
	var x1, x2, y1, y2 float64
	for i, x := range ir.Samples {
		y := norm*(x-2*x1+x2) - a1*y1 - a2*y2
		x1, x2, y1, y2 = x, x1, y, y1
		out.Samples[i] = y
	}
	return out
}
