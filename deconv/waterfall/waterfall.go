// Package waterfall shows how sound dies away over frequency and time, in two
// pictures of one impulse response.
//
// Of is the cumulative spectral decay: spectra of what is left of the response
// from a time τ on, for a row of times. Energy is a time-frequency picture with
// bands of constant relative width, in which a bass mode and a reflection in the
// treble are both sharp.
//
// Both say where they tell nothing: under the noise, and where the analysis
// itself takes longer to fall than a sound would.
//
// Levels are in dB of recorded over played full scale, like those of a frequency
// response: a wire of gain 1 is at 0 dB in the first slice, and at its arrival.
package waterfall

import (
	"context"
	"fmt"
	"math"
	"sort"
	"strconv"

	"roomsonde/deconv"
	"roomsonde/deconv/fourier"
	"roomsonde/deconv/response"
	"roomsonde/sweep/scale"
)

// Options choose the cumulative spectral decay. The zero value is the bass, 20 to
// 300 Hz; with ToHz above 1 kHz the other values are those of the full range.
// The resolved copy stands in the result. Before and after compare only where
// both were made with it.
type Options struct {
	FromHz, ToHz float64 // 0: 20 Hz and 300 Hz
	// WindowS is how much of the response a slice looks at, from its time on, in
	// seconds; it fades out over all of that. 0: 0.5 s in the bass, 0.2 s in the full
	// range. More resolves frequencies better; RiseS, not this, blurs times.
	WindowS float64
	// RiseS is how long before its time a slice fades in, in seconds. 0: 0.1 s in
	// the bass, 0.02 s in the full range. Less shows a faster decay, and spreads a
	// loud mode over its neighbours.
	RiseS float64
	StepS float64 // from slice to slice, in seconds; 0: 0.01 s, 0.005 s in the full range
	// SpanS is the time of the last slice, in seconds; 0: 0.6 s, 0.4 s in the full
	// range. It becomes less where the response ends within the last slice's window.
	SpanS float64
	// PerOctave is the number of frequencies to the octave, each the mean power of
	// 1/PerOctave octave. 0: in the bass the transform's own frequencies, at most
	// 0.2 Hz apart, without any mean; 24 in the full range.
	PerOctave int
	// MarginDB is how far above the expected noise the floor lies under which
	// nothing is to be drawn. 0: 10 dB.
	MarginDB float64
	// OnsetS is the time from which the slices count, in seconds after the
	// response's Zero. nil: the first arrival.
	OnsetS *float64
}

// Bass reports whether the options, as they resolve, are of the bass.
func (o Options) Bass() bool { return o.ToHz <= bassTopHz }

const (
	bassTopHz = 1000.0
	bassBinHz = 0.2
	// keepShare is up to which share of half the lower rate the decimation leaves
	// the response as it is; the band shown ends well below.
	keepShare = 0.6
	// leastShare is half the lower rate over the highest frequency shown, at least.
	leastShare = 2.2
	mostCells  = 20_000_000
)

// resolved fills in the defaults for ir and checks them.
func (o Options) resolved(ir deconv.ImpulseResponse) (Options, error) {
	pick := func(v *float64, bass, full float64) {
		if *v == 0 {
			if *v = bass; !o.Bass() {
				*v = full
			}
		}
	}
	if o.ToHz == 0 {
		o.ToHz = 300
	}
	pick(&o.FromHz, 20, 20)
	pick(&o.WindowS, 0.5, 0.2)
	pick(&o.RiseS, 0.1, 0.02)
	pick(&o.StepS, 0.01, 0.005)
	pick(&o.SpanS, 0.6, 0.4)
	pick(&o.MarginDB, 10, 10)
	if o.PerOctave == 0 && !o.Bass() {
		o.PerOctave = 24
	}
	onset := float64(ir.FirstArrival()-ir.Zero) / ir.SampleRate
	if o.OnsetS != nil {
		onset = *o.OnsetS
	}
	o.OnsetS = &onset
	switch {
	case !(o.FromHz > 0) || !(o.ToHz > o.FromHz*1.05) || math.IsInf(o.ToHz, 0):
		return o, &OptionError{What: fmt.Sprintf("a waterfall from %g to %g Hz", o.FromHz, o.ToHz), Do: "name a lower and a higher frequency, such as 20 and 300 Hz"}
	case o.ToHz >= ir.SampleRate/2:
		return o, &OptionError{What: fmt.Sprintf("a waterfall up to %g Hz of a response with a sample rate of %g Hz", o.ToHz, ir.SampleRate), Do: fmt.Sprintf("end it below %g Hz", ir.SampleRate/2)}
	case !(o.WindowS >= 1/o.ToHz) || !(o.WindowS <= 60):
		return o, &OptionError{What: fmt.Sprintf("a window of %g s", o.WindowS), Do: "take one between a period of the highest frequency and 60 s"}
	case !(o.RiseS >= 0) || !(o.RiseS <= 60):
		return o, &OptionError{What: fmt.Sprintf("a rise of %g s", o.RiseS), Do: "take one of up to 60 s"}
	case !(o.StepS > 0) || !(o.SpanS >= o.StepS) || !(o.SpanS <= 600):
		return o, &OptionError{What: fmt.Sprintf("slices every %g s up to %g s", o.StepS, o.SpanS), Do: "take a step above 0 and a longer span"}
	case o.PerOctave < 0 || o.PerOctave > 192 || !(o.MarginDB > 0) || !(o.MarginDB < 200) || math.IsNaN(onset) || math.IsInf(onset, 0):
		return o, &OptionError{What: fmt.Sprintf("%d frequencies to the octave, a margin of %g dB, an onset at %g s", o.PerOctave, o.MarginDB, onset)}
	}
	return o, nil
}

// OptionError says which of the options cannot be.
type OptionError struct {
	What string
	Do   string // what to do; may be empty
}

func (e *OptionError) Error() string { return "waterfall: " + e.What + " cannot be worked out" }

// Hint says what to do about it, or nothing.
func (e *OptionError) Hint() string { return e.Do }

// ResponseError says that the response is none.
type ResponseError struct{ Why string }

func (e *ResponseError) Error() string { return "waterfall: the impulse response " + e.Why }

// Hint says what to do about it.
func (e *ResponseError) Hint() string { return "measure again, or look at the file it came from" }

// TooShortError says that the response ends within the window of the first
// slices.
type TooShortError struct {
	HaveS, NeedS float64 // from the first arrival on
}

func (e *TooShortError) Error() string {
	return fmt.Sprintf("waterfall: the response ends %.2f s after the first arrival, and the window needs %.2f s", e.HaveS, e.NeedS)
}

// Hint says what to do about it.
func (e *TooShortError) Hint() string {
	return "take a shorter window, or record for longer after the sweep"
}

// EndsEarly is a warning: fewer slices than were asked for.
type EndsEarly struct{ AskedS, GivenS float64 }

func (e *EndsEarly) Error() string {
	return fmt.Sprintf("the waterfall ends at %.2f s instead of %.2f s: the response is no longer than the window of that slice", e.GivenS, e.AskedS)
}

// Source says where the noise of a picture comes from.
type Source string

// Where the noise comes from.
const (
	Silence Source = "silence" // heard in the recording, and given by the caller
	Tail    Source = "tail"    // the end of the response itself: noise, or what is left of the decay
	Unknown Source = ""        // nothing is known; there is no floor
)

// Waterfall is the cumulative spectral decay of a response.
type Waterfall struct {
	Options Options     // as resolved
	Hz      []float64   // rising
	TimesS  []float64   // of the slices, from the first arrival on, in seconds; the first is 0
	DB      [][]float64 // DB[slice][frequency]

	// NoiseDB is the noise expected in every slice, at each frequency, and FloorDB
	// the level under which nothing is to be drawn: the upper 95 % bound of the
	// noise and MarginDB. Both are nil where Source is Unknown.
	NoiseDB, FloorDB []float64
	Source           Source

	// FallDB is how far the slices of a sound that stops at once have fallen, at
	// each time against the first: what the window itself does. Nothing can be
	// seen to fall faster.
	FallDB []float64
	// ResolutionHz is the width of a steady tone's line, 3 dB below its top.
	ResolutionHz float64
	Warnings     []error
}

// BlindS returns until which time, in seconds, the window itself takes to fall by
// a number of dB: of a decay that reaches as deep before, nothing can be said.
func (w *Waterfall) BlindS(dB float64) float64 {
	return w.Options.RiseS * 2 / math.Pi * math.Acos(math.Sqrt(scale.Amplitude(-math.Abs(dB))))
}

// Masked reports whether a level lies under the floor.
func (w *Waterfall) Masked(slice, frequency int) bool {
	return w.FloorDB != nil && w.DB[slice][frequency] < w.FloorDB[frequency]
}

// Correct returns w without a microphone's deviation: deviationDB(hz) subtracted
// from levels, noise and floor. w is not changed.
func (w *Waterfall) Correct(deviationDB func(hz float64) float64) *Waterfall {
	c := *w
	by := make([]float64, len(w.Hz))
	for i, hz := range w.Hz {
		by[i] = deviationDB(hz)
	}
	c.DB = make([][]float64, len(w.DB))
	for s := range w.DB {
		c.DB[s] = minus(w.DB[s], by)
	}
	c.NoiseDB, c.FloorDB = minus(w.NoiseDB, by), minus(w.FloorDB, by)
	return &c
}

func minus(a, b []float64) []float64 {
	if a == nil {
		return nil
	}
	out := make([]float64, len(a))
	for i := range a {
		out[i] = a[i] - b[i]
	}
	return out
}

// weight is the window of a slice t seconds after its time: a half-Hann rise over
// rise seconds up to 1 at t = 0, and a half-Hann fall over length seconds. Both
// are those of the continuous window; 0 outside.
func weight(t, rise, length float64) float64 {
	switch {
	case t <= -rise && rise > 0, t < 0 && rise == 0, t >= length:
		return 0
	case t < 0:
		return square(math.Cos(math.Pi / 2 * t / rise))
	}
	return square(math.Cos(math.Pi / 2 * t / length))
}

func square(x float64) float64 { return x * x }

// Of works out the cumulative spectral decay of ir: for each time τ the spectrum
// Σ h[n]·w(t−τ)·e^(−j2πft), with a window that rises over RiseS up to τ and falls
// over WindowS after it, both as halves of a Hann window. A mode that decays
// exponentially falls from slice to slice by its own rate, whatever the window, from
// RiseS on: each later sum is the one before times e^(st). (Its mirror image at the
// negative frequency takes part by the window's skirt, 0.02 dB at 25 Hz.)
//
// noise is what Recover heard in the recording. Where it is nil, the end of the
// response stands for it, past the last slice.
//
// ir is not changed. The error is a *ResponseError, *OptionError or
// *TooShortError, or that of ctx.
func Of(ctx context.Context, ir deconv.ImpulseResponse, noise *deconv.Noise, o Options) (*Waterfall, error) {
	if err := check(ir); err != nil {
		return nil, err
	}
	o, err := o.resolved(ir)
	if err != nil {
		return nil, err
	}
	rate := ir.SampleRate
	onset := onsetFrame(ir, *o.OnsetS)
	have := (float64(len(ir.Samples)) - onset) / rate
	w := &Waterfall{Options: o}
	// The last slice's window ends with the response, to a sample.
	span := math.Min(o.SpanS, have-o.WindowS+1/rate)
	if onset < 0 || have < 0 {
		return nil, &OptionError{What: fmt.Sprintf("a waterfall from %g s on, outside the response", *o.OnsetS), Do: "leave the onset to the first arrival"}
	}
	if span < o.StepS {
		return nil, &TooShortError{HaveS: have, NeedS: o.WindowS + o.StepS}
	}
	count := int(span/o.StepS+1e-6) + 1
	if given := float64(count-1) * o.StepS; given < o.SpanS-o.StepS*(1-1e-6) {
		w.Warnings = append(w.Warnings, &EndsEarly{AskedS: o.SpanS, GivenS: given})
		w.Options.SpanS = given
	}
	for i := range count {
		w.TimesS = append(w.TimesS, float64(i)*o.StepS)
		w.FallDB = append(w.FallDB, scale.AmplitudeDB(weight(-w.TimesS[i], o.RiseS, o.WindowS)))
	}

	layers := o.layers(ir, onset)
	for _, l := range layers {
		w.Hz = append(w.Hz, l.hz...)
	}
	if float64(count)*float64(len(w.Hz)) > mostCells {
		return nil, &OptionError{What: fmt.Sprintf("a picture of %d slices of %d frequencies", count, len(w.Hz)), Do: "take fewer slices"}
	}
	w.DB = make([][]float64, count)
	for i := range w.DB {
		w.DB[i] = make([]float64, len(w.Hz))
	}
	first := 0
	for _, l := range layers {
		if err := l.work(ctx, w, first); err != nil {
			return nil, err
		}
		first += len(l.hz)
	}

	w.ResolutionHz = resolution(o.RiseS, o.WindowS)
	energy := 3.0 / 8 * (o.RiseS + o.WindowS) * rate // Σw², in frames
	floor := noiseFloor{margin: scale.Power(o.MarginDB)}
	floor.noise, w.Source = heard(ir, noise, int(onset+(w.TimesS[count-1]+o.WindowS)*rate))
	w.NoiseDB, w.FloorDB = floor.levels(w.Hz, func(int) float64 { return energy })
	return w, nil
}

// check refuses a response that is none.
func check(ir deconv.ImpulseResponse) error {
	switch {
	case len(ir.Samples) == 0:
		return &ResponseError{Why: "is empty"}
	case !(ir.SampleRate >= 1) || math.IsInf(ir.SampleRate, 0):
		return &ResponseError{Why: fmt.Sprintf("has a sample rate of %g Hz", ir.SampleRate)}
	case !ir.Inside():
		return &ResponseError{Why: "has its time zero or its first arrival outside its samples"}
	}
	for i, v := range ir.Samples {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return &ResponseError{Why: "has no finite number in sample " + strconv.Itoa(i)}
		}
	}
	return nil
}

// onsetFrame returns the place in the samples that lies so many seconds after time
// zero: a sample where the seconds are those of one, but for rounding.
func onsetFrame(ir deconv.ImpulseResponse, seconds float64) float64 {
	at := float64(ir.Zero) + seconds*ir.SampleRate
	if whole := math.Round(at); math.Abs(at-whole) < 1e-6 {
		return whole
	}
	return at
}

// logGrid returns frequencies from fromHz to toHz, evenly spaced over the logarithm
// and about perOctave to the octave.
func logGrid(fromHz, toHz float64, perOctave int) []float64 {
	steps := max(1, int(math.Round(math.Log2(toHz/fromHz)*float64(perOctave))))
	hz := make([]float64, steps+1)
	for i := range hz {
		hz[i] = fromHz * math.Pow(toHz/fromHz, float64(i)/float64(steps))
	}
	return hz
}

// layer is a part of the frequency axis that is worked out at one rate.
type layer struct {
	low       signal
	n         int // the transforms' length
	hz        []float64
	bin       int // of hz[0], where hz are the transform's own frequencies
	perOctave int
}

// layers returns the parts of the frequency axis, lowest first. With means over a
// share of an octave there are several: only the low ones need close frequencies.
func (o Options) layers(ir deconv.ImpulseResponse, onset float64) []layer {
	make := func(toHz, binHz float64) layer {
		l := layer{low: decimate(ir, onset, toHz, o), perOctave: o.PerOctave}
		need := math.Max((o.RiseS+o.WindowS)*l.low.rate+2, l.low.rate/binHz)
		l.n = fourier.FastLen(int(math.Ceil(need)))
		return l
	}
	if o.PerOctave == 0 {
		l := make(o.ToHz, bassBinHz)
		step := l.low.rate / float64(l.n)
		// The outermost frequencies lie at the ends of the band, or just outside.
		l.bin = max(1, int(o.FromHz/step+1e-9))
		for k := l.bin; k <= int(math.Ceil(o.ToHz/step-1e-9)); k++ {
			l.hz = append(l.hz, float64(k)*step)
		}
		return []layer{l}
	}
	hz := logGrid(o.FromHz, o.ToHz, o.PerOctave)
	up := math.Exp2(0.5 / float64(o.PerOctave))
	// The coarsest grid has four frequencies to the inverse of the window's length,
	// and serves where a mean holds enough of them; below, two octaves at a time have
	// one that is finer than the narrowest mean.
	const enough, finer = 24, 6
	coarse := 0.25 / (o.RiseS + o.WindowS)
	var layers []layer
	for at := 0; at < len(hz); {
		mean := hz[at] * (up - 1/up)
		end, bin := len(hz), coarse
		if mean < enough*coarse {
			end, bin = sort.SearchFloat64s(hz, 4*hz[at]), math.Min(coarse/4, mean/finer)
		}
		l := make(math.Min(hz[end-1]*up, 0.49*ir.SampleRate), bin)
		l.hz = hz[at:end]
		layers = append(layers, l)
		at = end
	}
	return layers
}

// work fills in the levels of the layer's frequencies, which begin at the column
// first.
func (l layer) work(ctx context.Context, w *Waterfall, first int) error {
	workers := make([]slicer, workersFor(len(w.TimesS)))
	err := share(ctx, len(workers), len(w.TimesS), func(worker, i int) {
		s := &workers[worker]
		if s.plan == nil {
			*s = slicer{low: l.low, rise: w.Options.RiseS, length: w.Options.WindowS, plan: fourier.Get(l.n), x: make([]float64, l.n), spectrum: make([]complex128, l.n/2+1), phase: math.NaN()}
		}
		spectrum := s.at(w.TimesS[i])
		out := w.DB[i][first : first+len(l.hz)]
		if l.perOctave == 0 {
			for k := range out {
				v := spectrum[l.bin+k]
				out[k] = scale.PowerDB(real(v)*real(v) + imag(v)*imag(v))
			}
			return
		}
		// Only as far as the means reach.
		step := l.low.rate / float64(l.n)
		top := min(len(spectrum), int(l.hz[len(l.hz)-1]*math.Exp2(0.5/float64(l.perOctave))/step)+3)
		r := response.Response{SampleRate: l.low.rate, StepHz: step, H: spectrum[:top]}
		for k, p := range r.Smooth(l.hz, float64(l.perOctave)) {
			out[k] = scale.PowerDB(p)
		}
	})
	for i := range workers {
		fourier.Put(workers[i].plan)
	}
	return err
}

// signal is a response at a lower rate, or at its own.
type signal struct {
	x     []float64
	rate  float64
	onset float64 // index in x, not always a whole one
	gain  float64 // what a sum over x has to be multiplied by
}

// decimate returns the part of the response that the slices see, at the lowest
// rate that does the band up to toHz no harm. The low-pass before it has zero
// phase, and leaves alone what lies below keepShare of half the lower rate. What
// the slices' window would have carried over from above that is lost; it is
// smooth, and carries next to nothing so far.
func decimate(ir deconv.ImpulseResponse, onset, toHz float64, o Options) signal {
	const cycles = 12 // to what is lost, in one rise of the window
	need := math.Max((toHz+cycles/o.RiseS)/keepShare, leastShare*toHz)
	factor := 1
	for ir.SampleRate/float64(4*factor) >= need {
		factor *= 2
	}
	rate := ir.SampleRate / float64(factor)
	if factor == 1 {
		return signal{x: ir.Samples, rate: rate, onset: onset, gain: 1}
	}
	// The low-pass rings for some periods of its edge's width.
	edge := (1 - keepShare) * rate / 2
	guard := 30 / edge
	from := int(math.Floor(onset - (o.RiseS+guard)*ir.SampleRate)) // may lie before the response
	if whole := int(onset); float64(whole) == onset {
		// Slices then lie on samples of the lower rate.
		from = whole - (whole-from)/factor*factor
	}
	to := min(len(ir.Samples), int(math.Ceil(onset+(o.SpanS+o.WindowS+guard)*ir.SampleRate)))
	short := fourier.FastLen((to-from)/factor + int(guard*rate) + 2)
	n := short * factor
	x := make([]float64, n)
	copy(x[max(0, -from):], ir.Samples[max(0, from):to])
	plan := fourier.Get(n)
	spectrum := plan.Coefficients(nil, x)
	fourier.Put(plan)
	lower := make([]complex128, short/2+1)
	half := float64(short / 2)
	for k := range lower {
		g := 1 / float64(factor) // the shorter inverse divides by less
		if share := float64(k) / half; share > keepShare {
			// Smooth at both ends, so that it rings for a short time only.
			g *= square(math.Cos(math.Pi / 2 * square(math.Sin(math.Pi/2*(share-keepShare)/(1-keepShare)))))
		}
		lower[k] = spectrum[k] * complex(g, 0)
	}
	plan = fourier.Get(short)
	y := plan.Sequence(nil, lower)
	fourier.Put(plan)
	return signal{x: y, rate: rate, onset: (onset - float64(from)) / float64(factor), gain: float64(factor)}
}

// slicer works out slices one after another.
type slicer struct {
	low          signal
	rise, length float64
	plan         *fourier.Real
	x            []float64
	spectrum     []complex128
	window       []float64
	phase        float64 // of the window, between samples
}

// at returns the spectrum of the slice at a time, its phase relative to where its
// window begins. It is overwritten by the next call.
func (s *slicer) at(time float64) []complex128 {
	at := s.low.onset + time*s.low.rate
	begin := int(math.Ceil(at - s.rise*s.low.rate))
	// Rounded, so that slices that differ by the rounding of their times share a window.
	phase := math.Round((at-float64(begin))*1e6) / 1e6
	if phase != s.phase {
		s.phase = phase
		s.window = s.window[:0]
		for i := 0; ; i++ {
			t := (float64(i) - phase) / s.low.rate
			if t >= s.length {
				break
			}
			s.window = append(s.window, s.low.gain*weight(t, s.rise, s.length))
		}
	}
	clear(s.x)
	for i, w := range s.window[:min(len(s.window), len(s.x))] {
		if k := begin + i; k >= 0 && k < len(s.low.x) {
			s.x[i] = w * s.low.x[k]
		}
	}
	return s.plan.Coefficients(s.spectrum, s.x)
}

// resolution returns the width of the window's spectrum 3 dB below its top.
func resolution(rise, length float64) float64 {
	power := func(hz float64) float64 {
		const steps = 2000
		var re, im float64
		for i := range steps {
			t := -rise + (float64(i)+0.5)/steps*(rise+length)
			sin, cos := math.Sincos(2 * math.Pi * hz * t)
			v := weight(t, rise, length)
			re, im = re+v*cos, im-v*sin
		}
		return re*re + im*im
	}
	top := power(0)
	lo, hi := 0.0, 2/(rise+length)
	for power(hi) > top/2 {
		hi *= 2
	}
	for range 60 {
		if mid := (lo + hi) / 2; power(mid) > top/2 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo + hi
}
