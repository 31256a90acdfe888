// Package level finds a level for a measurement: loud enough to be read, and no
// louder. It comes from below.
//
// The typical use: Find with a card, the program that will be measured with, and
// the channels that play the source. Result.LevelDBFS is the level for that
// program; Why says in a sentence what ended the search, and Octaves what each
// octave will have.
//
// # How it goes
//
// First the noise is heard in silence. Then a probe, a logarithmic sweep of about
// one second between 20 Hz and 16 kHz (less where the program spares the source),
// is played at StartDBFS, and again in steps of at most 6 dB, smaller where
// something is near that ends the search. Each recording is divided by the probe's
// spectrum, which gives the path's gain per octave, and that must stay the same
// from step to step: a path that changes is not stepped on.
//
// # What is enough
//
// Let P be the power that is recorded while the sweep passes an octave, and N the
// noise's power in that octave; S/N = P/N does not depend on how long the sweep
// takes. The program spends τ seconds in each octave and is played n times.
// Deconvolution gathers the energy n·P·τ into the octave's impulse response. In a
// room with the reverberation time T this decays as e^(−at), a = 6·ln 10/T, so that
// its power begins at n·P·τ·a, over the noise of n recordings. Hence the range
// between its beginning and the noise is, in dB,
//
//	R = 10·lg(P/N) + 10·lg(n·τ·6·ln 10/T)
//
// ISO 3382-1:2009, 5.3.3 (read second-hand) asks for R = 45 dB where T30 is to be
// told: that is the one goal, with T taken as 0.5 s.
//
// The other is the response. It is worked out in a window of W seconds (as long as
// the program's silence after a sweep), which holds the energy n·P·τ against n·N·W
// of noise in every averaged recording; over the noise that is
//
//	10·lg(P/N) + 10·lg(n·τ/W)
//
// A place of the response is within 0.5 dB at four standard errors where this is
// 33.6 dB: 4/(√2·(10^(0.5/20) − 1)) as an amplitude. The goal for the octave's mean
// is 38 dB, so that this holds in dips of 4 dB as well.
//
// For the default program, τ = 0.83 s, n = 2 and W = 2 s: the first is reached with
// S/N = 28 dB in an octave, the second with 39 dB. A sweep that is longer by some
// factor gains 10·lg of that factor in both.
//
// # What does not raise the level
//
// An octave WeakDB under the strongest one is not what the source is for: it is
// reported, and no level is chosen for its sake. One that is LimitDB under it, or
// not heard and certainly that low, counts as the source's limit.
package level

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"roomsonde/capture"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// What the search goes by.
const (
	DefaultStartDBFS  = -60 // level of the first probe
	DefaultGoalDB     = 45  // range of an octave's impulse response: ISO 3382-1:2009, 5.3.3, for T30
	DefaultResponseDB = 38  // of an octave's response over the noise in it: see above
	DefaultPeakDBFS   = -9  // highest peak that the program's recording may be expected to have
	DefaultSPL        = 85  // dB SPL, highest level of the sweep at the microphone, where it is known

	StepDB        = 6   // most that one probe is louder than the one before
	finestDB      = 1   // least
	SilentDBFS    = -30 // where the search gives up when nothing was heard; sweep's quiet default
	WeakDB        = 24  // an octave so far under the strongest does not raise the level
	LimitDB       = 35  // an octave so far under the strongest is the source's limit
	JumpDB        = 3   // a path that changes by more from step to step is not stepped on
	assumedT      = 0.5 // s, reverberation time that the goal is worked out with
	trustedSNR    = 12  // dB of S/N from which a gain is compared with another
	loudNoiseDBFS = -40 // rms of a noise that is worth a word
	peakMargin    = 1   // dB, of the expected peak
	probeFromHz   = 20
	probeToHz     = 16000
)

// Lengths in seconds.
const (
	noiseS   = 3.0 // of silence, in which the noise is heard
	probeS   = 1.0 // of the probe, nearly
	leadS    = 0.25
	latencyS = 0.5 // as late as a recording may be
	decayS   = 0.4 // of the response, that is looked at
	tailS    = 0.35
	beforeS  = 0.08 // of the response, before its arrival
)

// Options say what is to be played, where, and what it is limited by. Program is
// what the level is for; nil: two default sweeps with time marks. The zero value
// plays on the first channel and records the first.
type Options struct {
	Program  *sweep.Program
	Channels []int // output channels that play, counted from 0; nil: the first
	Input    int   // input channel, counted from 0

	StartDBFS   float64 // level of the first probe, at most -60; 0: DefaultStartDBFS
	CeilingDBFS float64 // highest level, up to sweep.MaxCeilingDBFS; 0: sweep.DefaultCeilingDBFS
	GoalDB      float64 // range wanted in each octave; 0: DefaultGoalDB
	ResponseDB  float64 // response over noise wanted in each octave; 0: DefaultResponseDB
	PeakDBFS    float64 // highest peak expected of the program's recording; 0: DefaultPeakDBFS

	// Sensitivity turns dBFS into dB SPL; nil where that is not known.
	Sensitivity *Sensitivity
	LimitSPL    float64 // highest level of the sweep in dB SPL; 0: DefaultSPL. Holds where Sensitivity is known
}

// Sensitivity is what a microphone delivers.
type Sensitivity struct {
	// OffsetDB is to be added to a level in dBFS, 0 dBFS being the rms of a
	// full-scale sine, to get dB SPL.
	OffsetDB float64
	// DeviationDB is the microphone's deviation at hz; nil: none.
	DeviationDB func(hz float64) float64
}

// State says how an octave stands.
type State string

// The states of an octave.
const (
	Unheard State = "not heard"      // not told from the noise yet
	Short   State = "short"          // heard, below the goal
	Enough  State = "enough"         // at the goal
	Weak    State = "weak"           // short, and WeakDB or more under the strongest octave
	Limit   State = "source's limit" // short, and LimitDB or more under the strongest octave
)

// Octave is what is known of an octave band at a level.
type Octave struct {
	Band    scale.Band
	State   State
	Heard   bool
	GainDB  float64 // recorded over played, where Heard; else what it is at most
	NoiseDB float64 // rms of the noise in the band, dBFS (0: rms 1)
	SNRDB   float64 // S/N in the recording while the sweep passes, where Heard; else what it is at most
	// What the program makes of SNRDB, as the package comment says: from the
	// beginning of the decay to the noise, and the response over the noise.
	RangeDB    float64
	ResponseDB float64
	UnderDB    float64 // how far under the strongest octave the recorded sound is
}

// Step is a step on the way, or, when Done is false, how far it is.
type Step struct {
	Number    int     // from 1; 0: the silence in which the noise is heard
	LevelDBFS float64 // peak of the probe; 0 in silence
	Again     bool    // the step before, repeated for a doubt

	Done     bool
	Frames   int     // recorded so far
	Total    int     // in all
	PeakDBFS float64 // of the input: since the last report, or, when Done, in all

	// When Done, and not of the silence:
	Octaves      []Octave
	Heard        int     // octaves heard
	ExpectedDBFS float64 // expected peak of the program's recording at this level
	SPL          float64 // level of the sweep at the microphone, dB SPL; NaN where it is not known
}

// Reason says what ended the search.
type Reason string

// The reasons.
const (
	ReasonEnough  Reason = "enough"     // every octave that the source plays is at the goal
	ReasonCeiling Reason = "ceiling"    // Options.CeilingDBFS
	ReasonInput   Reason = "input"      // the recording would come near full scale
	ReasonSPL     Reason = "spl"        // Options.LimitSPL
	ReasonStuck   Reason = "not louder" // what is heard no longer grows with what is played
	ReasonFailed  Reason = "failed"     // with an error: there is no level
)

// Result is what was found. With an error it holds the steps until then.
type Result struct {
	LevelDBFS float64 // peak level for the program; 0 with an error
	Reason    Reason
	Why       string // the reason in a sentence

	NoiseDBFS float64  // rms of all noise in the recording, dBFS (0: rms 1)
	Octaves   []Octave // at LevelDBFS
	PeakDBFS  float64  // expected peak of the program's recording, dBFS
	SPL       *SPL     // nil where the sensitivity is not known
	Steps     []Step
	Warnings  []string // plain sentences
}

// SPL is the sound at the microphone at Result.LevelDBFS, unweighted.
type SPL struct {
	LevelDB float64 // dB SPL, rms of the sweep where it is loudest (an octave's mean)
	PeakDB  float64 // expected peak sound pressure, dB SPL
	Octave  float64 // Hz, where it is loudest
}

// resolved fills in the defaults and checks the rest.
func (o Options) resolved() (Options, error) {
	bad := func(option, remedy, problem string, args ...any) (Options, error) {
		return o, &sweep.OptionError{Option: option, Problem: fmt.Sprintf(problem, args...), Remedy: remedy}
	}
	if o.Program == nil {
		p, err := sweep.NewProgram(sweep.ProgramOptions{Sweeps: 2, Marks: true})
		if err != nil {
			return o, err
		}
		o.Program = p
	}
	if len(o.Channels) == 0 {
		o.Channels = []int{0}
	}
	or := func(v *float64, otherwise float64) {
		if *v == 0 {
			*v = otherwise
		}
	}
	or(&o.StartDBFS, DefaultStartDBFS)
	or(&o.CeilingDBFS, sweep.DefaultCeilingDBFS)
	or(&o.GoalDB, DefaultGoalDB)
	or(&o.ResponseDB, DefaultResponseDB)
	or(&o.PeakDBFS, DefaultPeakDBFS)
	or(&o.LimitSPL, DefaultSPL)
	for _, v := range []float64{o.StartDBFS, o.CeilingDBFS, o.GoalDB, o.ResponseDB, o.PeakDBFS, o.LimitSPL} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return bad("level", "give ordinary numbers", "an option is not a finite number")
		}
	}
	if o.CeilingDBFS <= sweep.MaxCeilingDBFS && o.Program.Sweep.StartHz < 20 {
		o.CeilingDBFS = math.Min(o.CeilingDBFS, sweep.InfrasonicCeilingDBFS) // louder it cannot be played
	}
	switch {
	case o.CeilingDBFS > sweep.MaxCeilingDBFS:
		return bad("ceiling", "turn the amplifier up a little instead, from below", "the ceiling cannot be raised above %d dBFS", sweep.MaxCeilingDBFS)
	case o.StartDBFS > DefaultStartDBFS || o.StartDBFS < -90:
		return bad("level", fmt.Sprintf("start at %d dBFS", DefaultStartDBFS), "the search cannot start at %g dBFS", o.StartDBFS)
	case o.CeilingDBFS < o.StartDBFS:
		return bad("ceiling", "raise it", "the ceiling of %g dBFS is below the first step at %g dBFS", o.CeilingDBFS, o.StartDBFS)
	case o.GoalDB < 10 || o.GoalDB > 80 || o.ResponseDB < 10 || o.ResponseDB > 80:
		return bad("goal", "leave both at their defaults", "goals of %g and %g dB are outside 10 to 80 dB", o.GoalDB, o.ResponseDB)
	case o.PeakDBFS > -1:
		return bad("level", fmt.Sprintf("%d dBFS leaves room for noise", DefaultPeakDBFS), "a recording with a peak of %g dBFS has no room left", o.PeakDBFS)
	}
	return o, nil
}

// gains returns by how much an octave's range and its response over the noise
// exceed its S/N in the recording: 10·lg(n·τ·6·ln 10/T) and 10·lg(n·τ/W).
func gains(p *sweep.Program) (decay, response float64) {
	seconds := float64(p.Options.Sweeps) * p.Sweep.RateS * math.Ln2
	return scale.PowerDB(seconds * 6 * math.Ln10 / assumedT), scale.PowerDB(seconds / p.Options.TailS)
}

// missing returns by how much an octave is short of the goals.
func (s *search) missing(o *Octave) float64 {
	return math.Max(s.o.GoalDB-o.RangeDB, s.o.ResponseDB-o.ResponseDB)
}

// Find finds a level for o.Program on a card. progress may be nil; it is called
// from Find's own goroutine, while a step plays (Done false) and after it.
//
// Every probe is played under a capture.Guard, so that an input that gets too loud
// ends the search with a fade and a *capture.LoudError. The other errors are those
// of the card and of ctx, *sweep.OptionError, *SilentError (nothing was heard at
// all), *JumpError (the path got louder by itself) and *RecordingError. With an
// error the result has the steps until then and no level.
func Find(ctx context.Context, card capture.Card, o Options, progress func(Step)) (Result, error) {
	o, err := o.resolved()
	if err != nil {
		return Result{Reason: ReasonFailed}, err
	}
	if progress == nil {
		progress = func(Step) {}
	}
	s := &search{card: &capture.Guard{Card: card}, o: o, progress: progress}
	err = s.run(ctx)
	if err != nil {
		s.result.LevelDBFS, s.result.Reason, s.result.Why, s.result.SPL = 0, ReasonFailed, "", nil
	}
	return s.result, err
}

// search is a search under way.
type search struct {
	card     capture.Card
	o        Options
	progress func(Step)
	probe    *probe
	noise    *noise
	result   Result
}

func (s *search) run(ctx context.Context) error {
	var err error
	if s.probe, err = newProbe(s.o.Program); err != nil {
		return err
	}
	if err := s.listen(ctx); err != nil {
		return err
	}
	level := s.o.StartDBFS
	var before *Step
	sure := false // before agrees with another step
	for number := 1; ; number++ {
		step, err := s.play(ctx, number, level, false)
		if err != nil {
			return err
		}
		agrees := false
		if before != nil {
			_, doubt, ok := change(before, &step)
			agrees = ok
			if ok && doubt > JumpDB {
				// It may be a door that fell shut: it is heard once more.
				if step, err = s.play(ctx, number, level, true); err != nil {
					return err
				}
				d, _, ok := change(before, &step)
				switch {
				case ok && d > JumpDB:
					return &JumpError{LevelDBFS: level, RiseDB: d, StepDB: level - before.LevelDBFS}
				case ok && d < -JumpDB && sure:
					s.settle(*before, ReasonStuck, fmt.Sprintf("what was played %.0f dB louder came back only %.0f dB louder, so something levels it: automatic gain, a limiter, or a loudspeaker at its end",
						level-before.LevelDBFS, math.Max(0, level-before.LevelDBFS+d)))
					s.result.Warnings = append(s.result.Warnings, "Switch off what levels the sound: automatic gain and voice processing of the input, night modes and limiters of the receiver. A measurement needs a path whose gain stands still.")
					return nil
				}
				// If it got less, the step before was the one with the noise in it.
			}
		}
		next, reason, why, err := s.next(&step)
		if before == nil && reason != "" && reason != ReasonCeiling {
			// Nothing is taken from one look alone.
			if step, err = s.play(ctx, number, level, true); err != nil {
				return err
			}
			next, reason, why, err = s.next(&step)
		}
		if err != nil {
			return err
		}
		if reason != "" {
			s.settle(step, reason, why)
			return nil
		}
		before, level, sure = &step, next, agrees
	}
}

// next says at which level to go on, or why not.
func (s *search) next(step *Step) (level float64, reason Reason, why string, err error) {
	at := step.LevelDBFS
	if step.Heard == 0 && at >= math.Min(SilentDBFS, s.o.CeilingDBFS) {
		return 0, "", "", &SilentError{LevelDBFS: at, PeakDBFS: step.PeakDBFS, NoiseDBFS: s.result.NoiseDBFS, Zero: s.noise.zero}
	}
	// How much more is wanted, and the least of what may be had.
	want, open := 0.0, false
	for _, oct := range step.Octaves {
		switch oct.State {
		case Unheard:
			open, want = true, StepDB
		case Short:
			open, want = true, math.Max(want, s.missing(&oct))
		}
	}
	if !open && step.Heard > 0 {
		return 0, ReasonEnough, "every octave that the source plays stands far enough out of the noise", nil
	}
	type bound struct {
		room   float64
		reason Reason
		why    string
	}
	bounds := []bound{
		{s.o.CeilingDBFS - at, ReasonCeiling, fmt.Sprintf("the ceiling of %g dBFS is reached", s.o.CeilingDBFS)},
	}
	if step.Heard > 0 {
		bounds = append(bounds, bound{s.o.PeakDBFS - step.ExpectedDBFS, ReasonInput,
			fmt.Sprintf("a louder sweep would bring the recording near full scale: its peak is expected at %.0f dBFS", step.ExpectedDBFS)})
		if !math.IsNaN(step.SPL) {
			bounds = append(bounds, bound{s.o.LimitSPL - step.SPL, ReasonSPL,
				fmt.Sprintf("a louder sweep would exceed the limit of %g dB SPL at the microphone", s.o.LimitSPL)})
		}
	}
	least := slices.MinFunc(bounds, func(a, b bound) int {
		switch {
		case a.room < b.room:
			return -1
		case a.room > b.room:
			return 1
		}
		return 0
	})
	smallest := float64(finestDB)
	if least.reason == ReasonCeiling { // which is known exactly
		smallest = 0.05
	}
	if least.room < smallest {
		return 0, least.reason, least.why, nil
	}
	up := math.Min(math.Min(math.Max(math.Ceil(want), finestDB), StepDB), least.room)
	// Whole decibels are easier to say, and to type in.
	if rounded := math.Floor(at+up+1e-9) - at; rounded >= finestDB {
		up = rounded
	}
	return at + up, "", "", nil
}

// settle makes a step the result.
func (s *search) settle(step Step, reason Reason, why string) {
	r := &s.result
	r.LevelDBFS, r.Reason, r.Why, r.Octaves, r.PeakDBFS = step.LevelDBFS, reason, why, step.Octaves, step.ExpectedDBFS
	if c := s.o.Sensitivity; c != nil && step.Heard > 0 {
		spl := SPL{LevelDB: step.SPL, PeakDB: step.ExpectedDBFS + sineDB + c.OffsetDB}
		spl.Octave = s.loudest(step.Octaves)
		r.SPL = &spl
	}
	if reason == ReasonInput && step.ExpectedDBFS > s.o.PeakDBFS {
		r.Warnings = append(r.Warnings, fmt.Sprintf("The input is close to its end at this level already (a peak of %.0f dBFS is expected): turn the microphone's gain down, and find the level anew.", step.ExpectedDBFS))
	}
	if !math.IsNaN(step.SPL) && step.SPL > s.o.LimitSPL+finestDB {
		r.Warnings = append(r.Warnings, fmt.Sprintf("At the microphone that is %.0f dB SPL already, above the limit of %g dB SPL: turn the amplifier down, and find the level anew.", step.SPL, s.o.LimitSPL))
	}
	var short []string
	for _, oct := range step.Octaves {
		if oct.State == Short || oct.State == Unheard {
			short = append(short, hz(oct.Band.NominalHz))
		}
	}
	if len(short) > 0 {
		r.Warnings = append(r.Warnings, fmt.Sprintf("Too near the noise: %s. Parts of the response there may not be readable, and decay times may be refused; a quieter room, a longer sweep or more of them help (twice as long: 3 dB).", strings.Join(short, ", ")))
	}
	if r.NoiseDBFS > loudNoiseDBFS {
		r.Warnings = append(r.Warnings, fmt.Sprintf("Noise of %.0f dBFS is a lot: look for what hums or runs in the room, or turn the microphone's gain down.", r.NoiseDBFS))
	}
	if s.noise.bursts {
		r.Warnings = append(r.Warnings, "There were noises in the silence at the beginning; they were left out.")
	}
	if s.noise.zero {
		r.Warnings = append(r.Warnings, fmt.Sprintf("The input delivered digital silence before the first sound: a noise gate may be at work. The room's noise is not known; it was taken as %d dBFS.", assumedNoiseDBFS))
	}
}

// sineDB is between rms and peak of a sine, and so between rms 1 and AES17's 0 dBFS.
var sineDB = 10 * math.Log10(2)

// change returns by how many dB the path's gain rose from one step to the next:
// the median over the octaves that can be compared, and the most by which one of
// them differs. ok is false where none can.
func change(before, now *Step) (db, most float64, ok bool) {
	var all []float64
	for i, oct := range now.Octaves {
		b := before.Octaves[i]
		d := oct.GainDB - b.GainDB
		trusted := oct.Heard && oct.SNRDB >= trustedSNR
		was := b.Heard && b.SNRDB >= trustedSNR
		switch {
		case trusted && was, trusted && !b.Heard && d > 0, was && !oct.Heard && d < 0:
			all = append(all, d)
			most = math.Max(most, math.Abs(d))
		case trusted && b.Heard:
			// What was just above the noise is not known so well.
			most = math.Max(most, math.Abs(d)-JumpDB)
		}
	}
	if len(all) == 0 {
		return 0, most, most > 0
	}
	slices.Sort(all)
	return (all[(len(all)-1)/2] + all[len(all)/2]) / 2, most, true
}

// loudest returns the octave in which the sweep is loudest at the microphone.
func (s *search) loudest(octaves []Octave) float64 {
	at, most := 0.0, math.Inf(-1)
	for _, oct := range octaves {
		if v := oct.GainDB - s.deviation(oct.Band); oct.Heard && v > most {
			at, most = oct.Band.NominalHz, v
		}
	}
	return at
}

func (s *search) deviation(b scale.Band) float64 {
	if c := s.o.Sensitivity; c != nil && c.DeviationDB != nil {
		return c.DeviationDB(b.MidHz)
	}
	return 0
}

// SilentError says that nothing of the probes was heard.
type SilentError struct {
	LevelDBFS float64 // of the last probe
	PeakDBFS  float64 // of the input meanwhile
	NoiseDBFS float64 // rms of the noise, dBFS
	Zero      bool    // the input delivered nothing but zeros
}

func (e *SilentError) Error() string {
	if e.Zero {
		return fmt.Sprintf("level: nothing was heard up to %.0f dBFS: the input delivers digital silence", e.LevelDBFS)
	}
	return fmt.Sprintf("level: nothing of the sweep was heard up to %.0f dBFS, only noise at %.0f dBFS", e.LevelDBFS, e.NoiseDBFS)
}

// Hint says what to do about it.
func (e *SilentError) Hint() string {
	if e.Zero {
		return "see that the microphone is not muted, that it is the input chosen, and that this program may use it; then try again"
	}
	return "see which loudspeaker plays: it may be another one, or muted, or off. Check the output and its channel, and the input; if both are right, turn the amplifier up a little and try again"
}

// JumpError says that the path got louder by itself from one step to the next.
type JumpError struct {
	LevelDBFS float64 // of the step at which it was noticed
	StepDB    float64 // by how much it was played louder
	RiseDB    float64 // by how much more than that it came back louder
}

func (e *JumpError) Error() string {
	return fmt.Sprintf("level: at %.0f dBFS the sound came back %.0f dB louder than %.0f dB more can explain", e.LevelDBFS, e.RiseDB, e.StepDB)
}

// Hint says what to do about it.
func (e *JumpError) Hint() string {
	return "somebody may have turned the volume, or automatic gain or a noise gate is at work: leave the volume alone, switch the other off, and try again"
}

// RecordingError says that a recording cannot be used.
type RecordingError struct{ Problem string }

func (e *RecordingError) Error() string { return "level: " + e.Problem }

// Hint says what to do about it.
func (e *RecordingError) Hint() string {
	return "try again; if it stays so, choose another input, or another sound system for the same one"
}

func hz(v float64) string {
	if v >= 1000 {
		return fmt.Sprintf("%g kHz", v/1000)
	}
	return fmt.Sprintf("%g Hz", v)
}
