// Package decay turns an impulse response into the decay of each octave and
// one-third-octave band: EDT, T20 and T30 (ISO 3382-1:2009, ISO 3382-2:2008),
// clarity, definition and centre time, with the figures that say how far they
// may be trusted. A value that the noise, the band filter or the curve's bend
// does not allow is refused, with the reason.
//
// How a band is worked out:
//
//  1. Time zero is the onset of the direct sound: the response's first arrival
//     (whatever its Zero), or the first sample up to 5 ms earlier that comes
//     within 20 dB of the peak.
//  2. A Butterworth band-pass of third order per edge, class 1 of
//     IEC 61260-1:2014, runs backwards in time (Jacobsen & Rindel, JSV 117,
//     1987; from memory), so that its own decay does not lengthen the room's.
//     Low bands run at a rate reduced in halves by linear-phase filters.
//  3. The noise and the knee, where the decay meets it, are found after
//     Lundeby et al., Acustica 81 (1995).
//  4. The squared response is integrated backwards (Schroeder, JASA 37, 1965)
//     from the knee on, less the noise power, plus the tail that is missing
//     beyond the knee.
//
// The filter run backwards moves energy to earlier times, by 0.7/B on average
// (B is the bandwidth). What it puts before time zero is the direct sound's,
// so 0 dB of the decay curve is the energy of all of it; but the curve is
// evaluated from time zero on, where an exponential decay passes the reversed
// filter with its slope unchanged. For C50, C80 and D50 the response is cut at the
// limit before it is filtered, as ISO 3382-1 (annex A; from memory) recommends,
// so that the filter's ringing counts for the part that it comes from. Where that
// and cutting after the filter differ by half of what can be noticed, the ratio is
// refused: the value would hang on the filter. The centre time needs no cut; what
// the filter displaced this response's energy by is taken off.
//
// What the noise may do to each value is worked out: three standard deviations of
// what it adds by chance to the energies that the value is read from (of its
// products with the response, of itself, and of the power that was taken off as
// noise), what may lie hidden below it, and, where the curve is bent, what moving
// the ends of the evaluated range does. A value is refused where that may come to
// more than 5 % (T20), 10 % (EDT, T30), 0.3 dB, 0.025 or 5 ms.
package decay

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"roomsonde/deconv"
	"roomsonde/sweep/scale"
)

// Options says which bands are wanted and where the source and the microphone
// can be believed. The zero value asks for octave and one-third-octave bands
// from 31.5 Hz to 8 kHz without such limits.
type Options struct {
	FromHz, ToHz float64       // nominal mid-band frequencies; 0: 31.5 and 8000
	Widths       []scale.Width // nil: octave and one-third octave, in this order
	// ReadableFromHz and ReadableToHz bound what the source can play and the
	// microphone can hear. A band that reaches beyond is refused. 0: no limit.
	ReadableFromHz, ReadableToHz float64
	// Workers is the number of goroutines; 0: runtime.GOMAXPROCS(0). The
	// result does not depend on it.
	Workers int
}

// Value is a decay time or the reason for which there is none.
type Value struct {
	Seconds float64 // 0 when refused
	OK      bool
	// Reason is why the value is refused or, when OK, why it is doubtful; a
	// clause without a full stop. "" when there is nothing to say.
	Reason string
}

// Ratio is an energy ratio or a centre time, or the reason for which there is
// none.
type Ratio struct {
	Value  float64 // dB, a share, or seconds, as the field says; 0 when refused
	OK     bool
	Reason string
}

// Band is the decay in one band.
type Band struct {
	scale.Band

	EDT Value // 0 to −10 dB, times 6
	T20 Value // −5 to −25 dB, times 3
	T30 Value // −5 to −35 dB, times 2

	C50DB, C80DB Ratio // early (50, 80 ms) to late energy, dB (their reasons are not part of Reason)
	D50          Ratio // energy up to 50 ms as a share of all
	CentreTimeS  Ratio // centroid of the energy, seconds

	// INRDB is the peak of the band's power, averaged over 1/B seconds, over
	// the mean power of its noise, dB.
	INRDB float64
	// RangeDB is how far the decay curve falls until the noise takes over: the
	// peak-to-noise ratio of an exponential decay with the same energy and the
	// late slope. Refusals go by the lower of it and INRDB.
	RangeDB float64
	KneeS   float64 // where the decay meets the noise, or the response ends; seconds after time zero
	// NoiseDB is the mean power of the noise in the band, dB re a response of 1;
	// where the response ends before the noise is met, that of the decay's end.
	NoiseDB float64

	// BT is bandwidth times decay time (T30, else T20, else EDT, also where
	// these are refused), NonlinearityPermille the deviation ξ = 1000·(1−r²) of
	// the same line from the curve, and CurvaturePercent C = 100·(T30/T20 − 1)
	// (ISO 3382-2:2008, annex B; from memory). 0 when the curve does not reach.
	BT                   float64
	NonlinearityPermille float64
	CurvaturePercent     float64

	// Reason says in a plain sentence what was refused or is doubtful, and
	// why. "" when there is nothing to say.
	Reason string
}

// CurveResult is the decay curve of one band, for drawing.
type CurveResult struct {
	// TimeS are seconds after time zero and LevelDB the energy still to come
	// there, dB re all energy in the band: the Schroeder integral with the noise
	// subtracted and the tail added, down to the knee. Both have the same
	// length, about 1000 at most, and are empty for a band that has no decay to
	// show. LevelDB[0] is below 0 by what the band filter moves before time zero.
	TimeS, LevelDB []float64
	Band           Band
}

// InputError says what is wrong with the response or the options.
type InputError struct{ What, Do string }

func (e *InputError) Error() string { return "decay: " + e.What }

// Hint says what to do about it.
func (e *InputError) Hint() string { return e.Do }

// Analyse returns the decay in every band asked for, the widths in their order
// and each from the lowest band to the highest. The response is not changed.
//
// It returns an *InputError for a response without samples, with a sample that
// is not a finite number, with an impossible rate or time zero, and for options
// that contradict themselves; and ctx.Err() when ctx ends first. A band in which
// nothing can be read is not an error: it says so itself.
func Analyse(ctx context.Context, ir deconv.ImpulseResponse, o Options) ([]Band, error) {
	o, err := o.resolve()
	if err != nil {
		return nil, err
	}
	if err := check(ir); err != nil {
		return nil, err
	}
	var bands []Band
	for _, w := range o.Widths {
		for _, b := range scale.Bands(w, o.FromHz, o.ToHz) {
			bands = append(bands, Band{Band: b})
		}
	}
	p, err := prepare(ctx, ir, bands, o)
	if err != nil {
		return nil, err
	}

	// The bands at the highest rates take longest: they go first.
	order := make([]int, len(bands))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return p.stepsOf(bands[a].Band) - p.stepsOf(bands[b].Band)
	})
	var next atomic.Int64
	work := func() {
		var s scratch
		for ctx.Err() == nil {
			i := int(next.Add(1)) - 1
			if i >= len(order) {
				return
			}
			p.analyse(&bands[order[i]], o, &s)
		}
	}
	workers := min(o.Workers, len(bands))
	var wg sync.WaitGroup
	for range workers - 1 {
		wg.Go(work)
	}
	work()
	wg.Wait()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	return bands, nil
}

// Broadband is the Width of a Band that is no octave's part.
const Broadband scale.Width = 0

// AnalyseBroadband returns the decay of the whole response, as one band of Width
// Broadband from LowHz to HighHz, without a nominal or a mid-band frequency. With
// limits of the readable range it is band-passed between them (Butterworth, third
// order per edge, backwards in time); without, it is taken as it is. Errors are
// those of Analyse.
func AnalyseBroadband(ctx context.Context, ir deconv.ImpulseResponse, o Options) (Band, error) {
	c, err := broadband(ctx, ir, o)
	return c.Band, err
}

// BroadbandCurve is Curve for AnalyseBroadband's band.
func BroadbandCurve(ir deconv.ImpulseResponse, o Options) (CurveResult, error) {
	return broadband(context.Background(), ir, o)
}

func broadband(ctx context.Context, ir deconv.ImpulseResponse, o Options) (r CurveResult, err error) {
	if o, err = o.resolve(); err != nil {
		return r, err
	}
	if err := check(ir); err != nil {
		return r, err
	}
	p, err := prepare(ctx, ir, nil, o)
	if err != nil {
		return r, err
	}
	b := &r.Band
	b.Width, b.LowHz, b.HighHz = Broadband, o.ReadableFromHz, ir.SampleRate/2
	if o.ReadableToHz > 0 {
		b.HighHz = min(b.HighHz, o.ReadableToHz)
	}
	filter := &bandFilter{flat: true}
	if b.LowHz > 0 || b.HighHz < ir.SampleRate/2 {
		low, high := max(b.LowHz, 1), min(b.HighHz, highestPass*ir.SampleRate)
		if !(low < high) {
			b.refuse("nothing that can be read lies below half the sampling rate")
			return r, nil
		}
		f := designBandFilter(low, high, ir.SampleRate)
		filter = &f
	}
	var s scratch
	switch {
	case p.silent:
		b.refuse("the response is silent")
	case p.lost != "":
		b.refuse(p.lost)
	default:
		if c := p.through(b, filter, 0, &s); c != nil {
			r.TimeS, r.LevelDB = c.draw(1000)
		}
	}
	return r, nil
}

// highestPass is the highest upper edge of a band-pass for the whole response, as
// a share of the sampling rate: the bilinear transform has no more.
const highestPass = 0.45

// Curve returns the decay curve of one band, together with what Analyse says
// about that band. Errors are those of Analyse.
func Curve(ir deconv.ImpulseResponse, band scale.Band, o Options) (CurveResult, error) {
	o, err := o.resolve()
	if err != nil {
		return CurveResult{}, err
	}
	if err := check(ir); err != nil {
		return CurveResult{}, err
	}
	if !(band.LowHz > 0 && band.LowHz < band.HighHz) {
		return CurveResult{}, &InputError{
			fmt.Sprintf("a band from %g to %g Hz", band.LowHz, band.HighHz), "take the band from scale.Bands"}
	}
	r := CurveResult{Band: Band{Band: band}}
	p, err := prepare(context.Background(), ir, []Band{r.Band}, o)
	if err != nil {
		return CurveResult{}, err
	}
	var s scratch
	if c := p.analyse(&r.Band, o, &s); c != nil {
		r.TimeS, r.LevelDB = c.draw(1000)
	}
	return r, nil
}

func (o Options) resolve() (Options, error) {
	if o.FromHz == 0 {
		o.FromHz = 31.5
	}
	if o.ToHz == 0 {
		o.ToHz = 8000
	}
	if o.Widths == nil {
		o.Widths = []scale.Width{scale.Octave, scale.Third}
	}
	if o.Workers <= 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	if !(o.FromHz > 0 && o.FromHz <= o.ToHz) {
		return o, &InputError{fmt.Sprintf("bands from %g to %g Hz", o.FromHz, o.ToHz),
			"give a lowest band that is not above the highest"}
	}
	if !(o.ReadableFromHz >= 0 && o.ReadableToHz >= 0) ||
		o.ReadableToHz > 0 && o.ReadableFromHz >= o.ReadableToHz {
		return o, &InputError{fmt.Sprintf("a readable range from %g to %g Hz", o.ReadableFromHz, o.ReadableToHz),
			"give a lower end below the upper one, or 0 for no limit"}
	}
	for _, w := range o.Widths {
		if w != scale.Octave && w != scale.Third {
			return o, &InputError{fmt.Sprintf("bands of %v", w), "ask for octave or one-third-octave bands"}
		}
	}
	return o, nil
}

func check(ir deconv.ImpulseResponse) error {
	// Below 1 kHz the bands of interest do not fit; the upper bound keeps
	// a nonsense header from asking for endless work.
	if !(ir.SampleRate >= 1000 && ir.SampleRate <= 1e6) {
		return &InputError{fmt.Sprintf("a sampling rate of %g Hz", ir.SampleRate),
			"give the rate of the recording in hertz, 1000 to 1000000"}
	}
	if len(ir.Samples) == 0 {
		return &InputError{"the impulse response has no samples", "measure again, or check the file"}
	}
	if !ir.Inside() {
		return &InputError{fmt.Sprintf("time zero is sample %d and the first arrival sample %d of %d", ir.Zero, ir.FirstArrival(), len(ir.Samples)),
			"set it to the sample of the direct sound"}
	}
	for i, v := range ir.Samples {
		if v-v != 0 { // NaN or infinite
			return &InputError{fmt.Sprintf("sample %d of the impulse response is %g", i, v),
				"the file is damaged or the recovery failed; recover it again"}
		}
	}
	return nil
}

const (
	onsetSearchS = 0.005 // how far before Zero the onset is looked for
	onsetShare   = 0.1   // amplitude re peak: 20 dB below it (ISO 3382-1:2009, A.2.1; from memory)
	directS      = 0.02  // the direct sound peaks within this of time zero, also through a subwoofer
	noiseAfterS  = 0.1   // the noise is looked for at least this long after it
	onsetNoise   = 5.6   // 15 dB: what the direct sound's peak has over the rms noise at least
	preRollS     = 0.010 // kept before the onset, the first half of it faded in
)

// prepared is a response made ready for all bands: reversed in time, at every
// rate needed.
type prepared struct {
	rate    float64
	levels  ladder
	zero    float64 // position of time zero in the reversed samples, at the input's rate
	silent  bool
	lost    string // why the direct sound was not found, or ""
	lengthS float64
	beforeS float64 // what is kept before time zero, its power counted
	// borders of the late parts, after each of earlyLimits, at the rates of levels;
	// nil where the response ends before.
	borders [len(earlyLimits)][]border
}

// earlyLimits are where the early part ends, in seconds: that of C50 and D50, and
// that of C80 (ISO 3382-1:2009, annex A; from memory).
var earlyLimits = [...]float64{0.050, 0.080}

func prepare(ctx context.Context, ir deconv.ImpulseResponse, bands []Band, o Options) (*prepared, error) {
	p := &prepared{rate: ir.SampleRate}
	x := ir.Samples
	end := len(x)
	for end > 0 && x[end-1] == 0 {
		end-- // digital silence is no noise
	}
	if end == 0 {
		p.silent = true
		return p, nil
	}
	onset, lost := findOnset(x[:end], ir.FirstArrival(), ir.SampleRate)
	p.lost = lost
	if lost != "" {
		return p, nil
	}
	start := max(0, onset-int(preRollS*p.rate))
	r := make([]float64, end-start)
	for i, v := range x[start:end] {
		r[len(r)-1-i] = v
	}
	p.beforeS = float64(onset-start) / p.rate
	if start > 0 {
		p.beforeS *= 0.5 + 0.5*0.375 // cos⁴ has the mean 3/8
		fade := (onset - start) / 2
		for i := range fade {
			r[len(r)-1-i] *= 0.5 - 0.5*math.Cos(math.Pi*(float64(i)+0.5)/float64(fade))
		}
	}
	p.zero = float64(end - 1 - onset)
	p.lengthS = (p.zero + 1) / p.rate

	doubled, last := false, 0
	for _, b := range bands {
		if p.refusal(b.Band, o) != "" {
			continue
		}
		s := p.stepsOf(b.Band)
		doubled = doubled || s < 0
		last = max(last, s)
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	p.levels = newLadder(r, doubled, last)
	for i, limit := range earlyLimits {
		// The first sample of the late part is the one nearest to the limit.
		if end := int(p.zero) + 1 - int(math.Round(limit*p.rate)); end > 0 {
			p.borders[i] = p.levels.borders(end)
		}
	}
	return p, nil
}

// findOnset returns the first sample of the direct sound, or why there is none
// to be found at time zero.
func findOnset(x []float64, zero int, rate float64) (onset int, lost string) {
	if zero >= len(x) {
		return 0, "the response holds nothing after time zero"
	}
	from := max(0, zero-int(onsetSearchS*rate))
	to := min(len(x), zero+int(directS*rate)+1)
	peak, peakAt, direct := 0.0, from, 0.0
	for i := from; i < len(x); i++ {
		a := math.Abs(x[i])
		if a > peak {
			peak, peakAt = a, i
		}
		if i < to {
			direct = max(direct, a)
		}
	}
	if direct < onsetShare*peak {
		return 0, fmt.Sprintf("no direct sound stands at time zero: the strongest sound comes %.0f ms later",
			float64(peakAt-zero)/rate*1000)
	}
	// Only a stretch well after the direct sound can show the noise.
	if n := len(x) / 10; len(x)-n >= zero+int(noiseAfterS*rate) && n > 0 {
		power := 0.0
		for _, v := range x[len(x)-n:] {
			power += v * v
		}
		if direct < onsetNoise*math.Sqrt(power/float64(n)) {
			return 0, "no direct sound stands out of the noise at time zero"
		}
	}
	for i := from; i < zero; i++ {
		if math.Abs(x[i]) >= onsetShare*peak {
			return i, ""
		}
	}
	return zero, ""
}

func (p *prepared) stepsOf(b scale.Band) int { return stepsFor(b.HighHz, p.rate) }

// refusal returns why a band is refused before it is looked at, or "".
func (p *prepared) refusal(b scale.Band, o Options) string {
	const edge = 1e-6 // limits given as rounded band edges
	switch {
	case o.ReadableFromHz > 0 && b.LowHz < o.ReadableFromHz*(1-edge):
		return fmt.Sprintf("the band begins at %s Hz, below the %s Hz from which the source and the microphone can be read",
			hertz(b.LowHz), hertz(o.ReadableFromHz))
	case o.ReadableToHz > 0 && b.HighHz > o.ReadableToHz*(1+edge):
		return fmt.Sprintf("the band ends at %s Hz, above the %s Hz up to which the source and the microphone can be read",
			hertz(b.HighHz), hertz(o.ReadableToHz))
	case b.HighHz > usableShare*p.rate:
		return fmt.Sprintf("the band ends at %s Hz, too near half the sampling rate of %s Hz", hertz(b.HighHz), hertz(p.rate))
	case p.silent:
		return "the response is silent"
	}
	return p.lost
}

func hertz(f float64) string {
	if f < 100 {
		return fmt.Sprintf("%.3g", f)
	}
	return fmt.Sprintf("%.0f", f)
}
