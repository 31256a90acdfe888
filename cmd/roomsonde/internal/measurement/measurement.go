// Package measurement is the chain from a recording to everything that is said
// of it: impulse response, calibrated response, readable band, decay per band,
// distortion, findings. It is the one home of that order, for a fresh take, a
// kept one and a recording from elsewhere.
package measurement

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sync"

	"roomsonde/calibration"
	"roomsonde/capture/inspect"
	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/deconv"
	"roomsonde/deconv/decay"
	"roomsonde/deconv/response"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// Input is what was recorded, once or several times, and what is known of it.
type Input struct {
	Passes     []Pass
	SampleRate float64        // of the recordings, Hz
	Program    *sweep.Program // what was played; nil: Excitation was
	Excitation []float32      // any other excitation, at SampleRate
	// Aligned tells that the recordings started with the program.
	Aligned bool
	// AnyRate lets a recording have another sample rate than a program with
	// marks.
	AnyRate bool
	// OneClock tells that one device played and recorded.
	OneClock bool
	// HistorySkew is the skew that was last measured between these two devices,
	// as clock.Timing has it; nil where none is known.
	HistorySkew *float64
}

// Options says how the recording is read. The zero value is the usual way.
type Options struct {
	Microphone *calibration.Microphone // nil: none
	Phase      response.PhaseSource    // of the microphone; GivenPhase without a phase in the file means NoPhase
	LowPassHz  float64                 // the crossover's low-pass that the source passes; 0: none
	Window     response.Window         // 0: the whole of what is kept
	Smoothing  float64                 // 1/Smoothing octave; 0: none
	KeepS      float64                 // how much of the impulse response is kept; 0: the program's tail
}

// Finding is something wrong that was found in a take. Where it has no place in
// time or frequency, and no amount, these are 0.
type Finding struct {
	Kind, Text string
	// Fault tells that it falsifies the take; else it is good to know.
	Fault        bool
	FromS, ToS   float64 // in the recording
	FromHz, ToHz float64
	Amount       float64
	Unit         string
}

// The kinds of finding, beside those of inspection.
const (
	StartMissing   = "start missing"
	EndMissing     = "end missing"
	ShortTail      = "short tail"
	Unreadable     = "nothing readable"
	HardlyReadable = "hardly readable"
)

// Measurement is what a recording says.
type Measurement struct {
	*deconv.Result
	Response  *response.Response // corrected by the microphone's curve
	Window    response.Window    // as used
	Smoothing float64
	// Hz, MagnitudeDB, PhaseDegrees, NoiseDB and UncertaintyDB belong together:
	// the response on a grid of 96 points an octave, or as dense as the bins.
	// NoiseDB and UncertaintyDB (one standard error, as response.UncertaintyDB
	// gives it) are nil where the noise is unknown.
	Hz, MagnitudeDB, PhaseDegrees, NoiseDB, UncertaintyDB []float64
	Readable                                              response.Readable
	Decay                                                 []decay.Band
	// DecayFromHz and DecayToHz are what source and microphone leave of the range
	// for the decay of bands; noise they judge for themselves.
	DecayFromHz, DecayToHz float64
	Distortion             *response.Distortion // nil where nothing can be told
	Findings               []Finding
	Remarks                []string   // what else is worth knowing, in plain sentences
	Passes                 []PassNote // one for each pass
	GainDB                 float64    // of averaging several passes, in signal over noise
	PeakDBFS               float64    // of the recordings
}

// Sound reports whether no fault was found.
func (m *Measurement) Sound() bool {
	return !slices.ContainsFunc(m.Findings, func(f Finding) bool { return f.Fault })
}

const perOctave = 96

// Work does all of it. Its errors are those of Examine, and a *NothingError
// where no pass gave a result.
func Work(ctx context.Context, in Input, o Options) (*Measurement, error) {
	examined := make([]*Examined, len(in.Passes))
	for i, pass := range in.Passes {
		var err error
		if examined[i], err = Examine(ctx, in, pass, o); err != nil {
			return nil, err
		}
	}
	return Combine(ctx, in, examined, o)
}

// Combine makes one measurement of passes that were examined.
func Combine(ctx context.Context, in Input, examined []*Examined, o Options) (*Measurement, error) {
	c, err := combine(in, examined)
	if err != nil {
		return nil, err
	}
	res := c.Result
	if t := res.Timing; !in.OneClock && (t == nil || !t.Known) {
		c.remarks = append(c.remarks, "Player and recorder may run on two clocks, and no time mark tells them apart. Do not use the phase, the group delay or anything timed; the level curve over a long window may be used.")
	}
	m := &Measurement{Result: res, Smoothing: o.Smoothing, Findings: c.findings, Remarks: c.remarks, Passes: c.passes, GainDB: c.gainDB, PeakDBFS: peakDBFS(in.Passes)}
	limits := response.Limits{FromHz: res.FromHz, ToHz: res.ToHz, Noise: res.Noise, LowPassHz: o.LowPassHz}
	if o.Microphone != nil {
		limits.MicFromHz, limits.MicToHz = o.Microphone.Range()
	}

	m.DecayFromHz, m.DecayToHz = bound(limits, true), bound(limits, false)
	// The decay of the bands and the response do not need each other.
	var decayErr error
	var wg sync.WaitGroup
	wg.Go(func() {
		m.Decay, decayErr = decays(ctx, res.Impulse, m.DecayFromHz, m.DecayToHz)
	})
	err = m.respond(limits, o)
	wg.Wait()
	if err != nil {
		return nil, err
	}
	if decayErr != nil {
		return nil, decayErr
	}
	m.judge(in)
	return m, nil
}

// decays works out the decay of the bands from fromHz to toHz; where nothing is
// left between the two, every band is refused for that.
func decays(ctx context.Context, ir deconv.ImpulseResponse, fromHz, toHz float64) ([]decay.Band, error) {
	if fromHz < toHz {
		return decay.Analyse(ctx, ir, decay.Options{ReadableFromHz: fromHz, ReadableToHz: toHz})
	}
	why := "source and microphone have no range in common"
	var bands []decay.Band
	for _, width := range []scale.Width{scale.Octave, scale.Third} {
		for _, b := range scale.Bands(width, 31.5, 8000) {
			v, r := decay.Value{Reason: why}, decay.Ratio{Reason: why}
			bands = append(bands, decay.Band{Band: b, EDT: v, T20: v, T30: v, C50DB: r, C80DB: r, D50: r, CentreTimeS: r,
				Reason: "Refused: " + why + "."})
		}
	}
	return bands, nil
}

// bound returns the end of the range in which bands may be trusted, as far as it
// is not a matter of noise: that the bands judge for themselves.
func bound(l response.Limits, low bool) float64 {
	if low {
		return math.Max(l.FromHz, l.MicFromHz)
	}
	top := l.ToHz
	if l.MicToHz > 0 {
		top = math.Min(top, l.MicToHz)
	}
	if l.LowPassHz > 0 {
		top = math.Min(top, l.LowPassHz*math.Sqrt2)
	}
	return top
}

// respond works out the response and all that hangs on it.
func (m *Measurement) respond(limits response.Limits, o Options) error {
	r, err := response.Of(m.Impulse, o.Window)
	if err != nil {
		return err
	}
	if mic := o.Microphone; mic != nil {
		phase := o.Phase
		if phase == response.GivenPhase && mic.Degrees == nil {
			phase = response.NoPhase
		}
		r = r.Correct(mic.DeviationDB, func(hz float64) float64 { d, _ := mic.PhaseDegrees(hz); return d }, phase)
	}
	r.FromHz, r.ToHz = m.FromHz, m.ToHz
	m.Response, m.Window = r, r.Window
	bins, hz := response.Grid(r.StepHz, m.FromHz, m.ToHz, perOctave)
	m.Hz = hz
	smoothed := r.Smooth(hz, o.Smoothing)
	noise := r.NoisePower(m.Noise, hz)
	m.MagnitudeDB = decibels(smoothed)
	m.PhaseDegrees = make([]float64, len(hz))
	for i, k := range bins {
		m.PhaseDegrees[i] = r.PhaseDegreesAt(k)
	}
	if noise != nil {
		m.NoiseDB, m.UncertaintyDB = decibels(noise), make([]float64, len(hz))
		for i := range hz {
			m.UncertaintyDB[i] = response.UncertaintyDB(smoothed[i], noise[i], r.Independent(hz[i], o.Smoothing))
		}
	}
	m.Readable = r.ReadableBand(limits)
	m.Distortion = response.DistortionOf(m.Result, r)
	return nil
}

// judge looks for what makes a take unsound that shows only in what was worked
// out of it.
func (m *Measurement) judge(in Input) {
	find := func(kind, format string, args ...any) {
		m.Findings = append(m.Findings, Finding{Kind: kind, Text: fmt.Sprintf(format, args...), Fault: true})
	}
	if m.StartMissing {
		find(StartMissing, "The recording begins after the sweep does: nothing is known below %s. Start recording before you start the player.", chart.Hz(m.FromHz))
	}
	if m.EndMissing {
		find(EndMissing, "The recording ends before the sweep does: nothing is known above %s. Let the recorder run on for some seconds.", chart.Hz(m.ToHz))
	} else if s := float64(m.TailFrames) / m.Impulse.SampleRate; s < leastTailS {
		find(ShortTail, "Only %.2f s were recorded after the sweep: the decay of the highest notes is cut short. Let the recorder run on for some seconds.", s)
	}
	defer func() {
		// What is said of the whole range need not be said of its octaves.
		if slices.ContainsFunc(m.Findings, func(f Finding) bool { return f.Kind == Unreadable || f.Kind == HardlyReadable }) {
			m.Findings = slices.DeleteFunc(m.Findings, func(f Finding) bool { return f.Kind == string(inspect.LowSignal) })
		}
	}()
	if !m.Readable.OK {
		find(Unreadable, "Nothing of this can be read: %s.%s", m.Readable.FromReason, m.louder())
	} else if hidden, of := m.hidden(); hidden > of/2 {
		find(HardlyReadable, "The room's noise hides %.1f of the %.1f octaves that could be read between 20 Hz and 20 kHz.%s", hidden, of, m.louder())
	}
}

// What is heard, in Hz.
const heardFromHz, heardToHz = 20, 20000

// hidden returns how many octaves between 20 Hz and 20 kHz the noise hides, of
// those that could be read without it. Where the response would be hidden by
// noise that lies far below its strongest third of an octave, it is the source
// that is silent there, as a subwoofer is above its crossover: that counts as
// neither.
func (m *Measurement) hidden() (octaves, of float64) {
	const silentDB = 35 // more than the noise must keep away anywhere to be read
	strongest := math.Inf(-1)
	for i, level := range m.Smoothed(3) {
		if m.Readable.Contains(m.Hz[i]) {
			strongest = math.Max(strongest, level)
		}
	}
	for i := 1; i < len(m.Hz); i++ {
		hz := m.Hz[i]
		if hz < heardFromHz || hz > heardToHz || len(m.Readable.Margin.Hz) == 0 ||
			hz < m.Readable.Margin.Hz[0] || hz > m.Readable.Margin.Hz[len(m.Readable.Margin.Hz)-1] {
			continue
		}
		width := math.Log2(hz / m.Hz[i-1])
		switch {
		case m.Readable.Contains(hz):
			of += width
		case m.NoiseDB[i] > strongest-silentDB:
			of += width
			octaves += width
		}
	}
	return octaves, of
}

// louder says what would bring out what the noise hides, as a sentence with a
// space before it; it is empty where noise is not what hides it.
func (m *Measurement) louder() string {
	db, atLeast := m.Readable.LouderDB(heardFromHz, heardToHz)
	if db == 0 {
		db, atLeast = m.Readable.LouderDB(0, math.Inf(1))
	}
	if db == 0 {
		return ""
	}
	about := "about"
	if atLeast {
		about = "at least"
	}
	return fmt.Sprintf(" To show nearly all takes a sweep %s %.0f dB louder (as far as ears and loudspeakers bear it) or a room as much quieter; a longer sweep goes part of the way.", about, math.Ceil(db))
}

// leastTailS is the silence after a sweep that most rooms need.
const leastTailS = 0.3

// Smoothed returns the response's magnitude in dB over 1/fraction octave on m's
// own grid.
func (m *Measurement) Smoothed(fraction float64) []float64 {
	return decibels(m.Response.Smooth(m.Hz, fraction))
}

// MeanDB returns the mean level in dB (mean of power over equal parts of
// octaves) from fromHz to toHz, and false where the curve does not reach.
func (m *Measurement) MeanDB(fromHz, toHz float64) (float64, bool) {
	if fromHz < m.FromHz || toHz > m.ToHz {
		return 0, false
	}
	var at []float64
	for f := fromHz; f <= toHz; f *= math.Exp2(1.0 / 24) {
		at = append(at, f)
	}
	var sum float64
	for _, p := range m.Response.Smooth(at, 24) {
		sum += p
	}
	return scale.PowerDB(sum / float64(len(at))), true
}

// Full returns the response on every bin of the swept range: frequencies in Hz,
// magnitude in dB (smoothed as the measurement is), phase in degrees, and the
// noise in dB, nil where it is unknown.
func (m *Measurement) Full() (hz, magnitudeDB, degrees, noiseDB []float64) {
	r := m.Response
	phase := r.PhaseDegrees()
	for k := 1; k < len(r.H); k++ {
		if f := float64(k) * r.StepHz; f >= m.FromHz && f <= m.ToHz {
			hz, degrees = append(hz, f), append(degrees, phase[k])
		}
	}
	magnitudeDB = decibels(r.Smooth(hz, m.Smoothing))
	if noise := r.NoisePower(m.Noise, hz); noise != nil {
		noiseDB = decibels(noise)
	}
	return hz, magnitudeDB, degrees, noiseDB
}

func decibels(power []float64) []float64 {
	out := make([]float64, len(power))
	for i, p := range power {
		out[i] = scale.PowerDB(p)
	}
	return out
}

// GroupDelay returns the group delay in s, relative to time zero, at frequencies
// of the response's bins, as hz and Full have them: the room's and the
// microphone's together, without smoothing.
func (m *Measurement) GroupDelay(hz []float64) ([]float64, error) {
	r, err := response.Of(m.Impulse, m.Window)
	if err != nil {
		return nil, err
	}
	all := r.GroupDelay(m.Impulse)
	out := make([]float64, len(hz))
	for i, f := range hz {
		out[i] = all[int(math.Round(f/r.StepHz))]
	}
	return out, nil
}
