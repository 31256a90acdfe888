// Package sweep makes what a measurement plays: the exponential sine sweep in
// its synchronised form, and the program of silence, sweeps and time marks
// around it.
//
// # The sweep
//
//	x(t) = a·sin(2π·f1·L·(e^(t/L) − 1)),   f(t) = f1·e^(t/L),   0 <= t < T
//
// with f1·L a whole number. Sources: A. Farina, "Simultaneous measurement of
// impulse response and distortion with a swept-sine technique", AES 108th
// Convention, 2000; A. Novak, P. Lotton, L. Simon, "Synchronized swept-sine",
// J. Audio Eng. Soc. 63(10), 2015, eqs. 32, 33 and 43. Rounding f1·L makes the
// "−1" immaterial and keeps the harmonics in phase with the sweep; it changes
// the duration asked for, by at most half of ln(f2/f1)/f1 where the sweep is longer
// than that (5 Hz to 24 kHz: 0.85 s), and Sweep.Seconds says to what.
package sweep

import (
	"fmt"
	"math"
	"runtime"
	"sync"
)

// Limits of what can be asked for.
const (
	MinRate = 44100  // Hz
	MaxRate = 192000 // Hz

	MinSeconds = 0.5
	MaxSeconds = 120

	// MinStartHz keeps loudspeaker cones where they belong.
	MinStartHz = 1

	// DefaultLevelDBFS is quiet on purpose: most systems need more, and the
	// way there is up from below.
	DefaultLevelDBFS = -30
	// DefaultCeilingDBFS is the loudest peak level that a caller gets without
	// raising the ceiling on purpose.
	DefaultCeilingDBFS = -12
	// MaxCeilingDBFS is as far as the ceiling can be raised.
	MaxCeilingDBFS = -3
	// InfrasonicCeilingDBFS holds for sweeps that start below 20 Hz, whatever
	// the ceiling: down there a loudspeaker moves far and is not heard.
	InfrasonicCeilingDBFS = -6
)

// Options describes a sweep. The zero value is the default full-range sweep.
type Options struct {
	StartHz     float64 // first frequency; 0: 5 Hz
	StopHz      float64 // last frequency; 0: 24 kHz, or half the sample rate where that is lower
	SampleRate  float64 // Hz, MinRate to MaxRate; 0: 48000
	Seconds     float64 // how long, to within half a step (see New); 0: 10
	LevelDBFS   float64 // peak level, below 0; 0: DefaultLevelDBFS
	CeilingDBFS float64 // highest LevelDBFS allowed; 0: DefaultCeilingDBFS
}

// An OptionError names the option that cannot be had, and what to do.
type OptionError struct {
	Option  string // "start", "stop", "range", "rate", "duration", "level", "ceiling", "sweeps"
	Problem string
	Remedy  string
}

func (e *OptionError) Error() string { return "sweep: " + e.Problem }

// Hint says what to do about it.
func (e *OptionError) Hint() string { return e.Remedy }

// resolved fills in the defaults and checks the rest.
func (o Options) resolved() (Options, error) {
	bad := func(option, remedy, problem string, args ...any) (Options, error) {
		return o, &OptionError{Option: option, Problem: fmt.Sprintf(problem, args...), Remedy: remedy}
	}
	for _, v := range []float64{o.StartHz, o.StopHz, o.SampleRate, o.Seconds, o.LevelDBFS, o.CeilingDBFS} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return bad("range", "give ordinary numbers", "an option is not a finite number")
		}
	}
	if o.SampleRate == 0 {
		o.SampleRate = 48000
	}
	if o.SampleRate < MinRate || o.SampleRate > MaxRate {
		return bad("rate", "use 44100, 48000, 88200, 96000, 176400 or 192000", "a sample rate of %g Hz is outside %d to %d Hz", o.SampleRate, MinRate, MaxRate)
	}
	nyquist := o.SampleRate / 2
	if o.StartHz == 0 {
		o.StartHz = 5
	}
	if o.StopHz == 0 {
		o.StopHz = math.Min(24000, nyquist)
	}
	if o.StartHz < MinStartHz {
		return bad("start", "start at 5 Hz or higher", "a sweep cannot start at %g Hz", o.StartHz)
	}
	if o.StopHz > nyquist {
		return bad("stop", fmt.Sprintf("stop at %g Hz or lower, or raise the sample rate", nyquist), "a sweep at a sample rate of %g Hz cannot go up to %g Hz", o.SampleRate, o.StopHz)
	}
	if o.StartHz >= o.StopHz {
		return bad("range", "exchange the two", "the sweep would start at %g Hz, which is not below its end at %g Hz", o.StartHz, o.StopHz)
	}
	if o.StopHz < 2*o.StartHz {
		return bad("range", "widen the range", "from %g to %g Hz is less than an octave, too little to read anything from", o.StartHz, o.StopHz)
	}
	if o.Seconds == 0 {
		o.Seconds = 10
	}
	if o.Seconds < MinSeconds || o.Seconds > MaxSeconds {
		return bad("duration", "10 s suits most rooms", "a sweep of %g s is outside %g to %g s", o.Seconds, float64(MinSeconds), float64(MaxSeconds))
	}
	if o.CeilingDBFS == 0 {
		o.CeilingDBFS = DefaultCeilingDBFS
	}
	if o.CeilingDBFS > MaxCeilingDBFS {
		return bad("ceiling", "turn the amplifier up a little instead, from below", "the ceiling cannot be raised above %d dBFS", MaxCeilingDBFS)
	}
	if o.LevelDBFS == 0 {
		o.LevelDBFS = math.Min(DefaultLevelDBFS, o.CeilingDBFS)
	}
	if o.LevelDBFS > o.CeilingDBFS {
		return bad("level", "use a lower level, or raise the ceiling on purpose after a quiet take has shown that there is room", "a level of %g dBFS is above the ceiling of %g dBFS", o.LevelDBFS, o.CeilingDBFS)
	}
	if o.StartHz < 20 && o.LevelDBFS > InfrasonicCeilingDBFS {
		return bad("level", "start at 20 Hz, or use a lower level", "a sweep that starts below 20 Hz may not exceed %d dBFS", InfrasonicCeilingDBFS)
	}
	if o.LevelDBFS < -100 {
		return bad("level", "-30 is the quiet default", "a level of %g dBFS is below what any converter plays", o.LevelDBFS)
	}
	return o, nil
}

// Sweep is a synchronised exponential sine sweep. Make one with New.
type Sweep struct {
	Options         // as resolved
	RateS   float64 // L: the sweep takes L·ln 2 seconds for an octave
	Frames  int     // length in frames
	FadeIn  int     // raised-cosine fade in frames; shorter than an octave of the sweep
	FadeOut int     // raised-cosine fade in frames; 0 where the sweep ends at half the sample rate
}

// New makes the sweep nearest to what is asked for. Its duration comes in steps
// of ln(f2/f1)/f1 seconds, one at least, since f1·L is rounded to a whole number:
// from 5 Hz to 24 kHz in steps of 1.70 s, so that 0.5 s asked for become 1.70 s.
//
// The sweep ends either at half the sample rate, at its last zero crossing
// (a fade there would put ringing of −43 dB before the impulse; measured), or
// with a fade of 20 ms. The fade-in takes at most 0.8 s and at most 0.8 of the
// first octave.
func New(o Options) (*Sweep, error) {
	o, err := o.resolved()
	if err != nil {
		return nil, err
	}
	return fromCycles(o, math.Max(1, math.Round(o.StartHz*o.Seconds/math.Log(o.StopHz/o.StartHz))))
}

// fromCycles makes the sweep with f1·L = cycles, a whole number >= 1.
func fromCycles(o Options, cycles float64) (*Sweep, error) {
	s := &Sweep{Options: o}
	octaves := math.Log(o.StopHz / o.StartHz)
	s.RateS = cycles / o.StartHz
	s.Seconds = s.RateS * octaves
	if !(cycles >= 1 && s.Seconds <= 1.5*MaxSeconds) {
		return nil, &OptionError{Option: "duration", Problem: fmt.Sprintf("a sweep from %g to %g Hz would take %.0f s", o.StartHz, o.StopHz, s.Seconds), Remedy: "start higher"}
	}
	s.Frames = int(math.Floor(s.Seconds * o.SampleRate))
	octave := s.RateS * math.Ln2 * o.SampleRate
	s.FadeIn = int(math.Min(0.8*octave, 0.8*o.SampleRate))
	if o.StopHz < 0.998*o.SampleRate/2 {
		s.FadeOut = int(math.Min(0.02*o.SampleRate, 0.1*octave))
	}
	return s, nil
}

// Amplitude returns the peak, 1 being full scale.
func (s *Sweep) Amplitude() float64 { return math.Pow(10, s.LevelDBFS/20) }

// FrequencyAt returns the frequency in Hz that sounds t seconds after the start.
func (s *Sweep) FrequencyAt(t float64) float64 { return s.StartHz * math.Exp(t/s.RateS) }

// TimeAt returns when frequency hz sounds, in seconds after the start.
func (s *Sweep) TimeAt(hz float64) float64 { return s.RateS * math.Log(hz/s.StartHz) }

// HarmonicAdvance returns by how many seconds the impulse response of the
// distortion product of order k stands before the linear one: L·ln k
// (Farina 2000).
func (s *Sweep) HarmonicAdvance(k int) float64 { return s.RateS * math.Log(float64(k)) }

// Samples returns the sweep, x[n], Frames long, full scale ±1, each sample
// rounded to float32: exactly what a card is given to play.
func (s *Sweep) Samples() []float32 {
	x := make([]float32, s.Frames)
	amplitude := s.Amplitude()
	cycles := s.StartHz * s.RateS // a whole number
	step := 1 / (s.SampleRate * s.RateS)
	// e^(t/L) by one multiplication a frame, renewed often enough that rounding
	// stays below 1e-13 of a cycle at 24 kHz.
	const renew = 64
	ratio := math.Exp(step)
	fill := func(lo, hi int) { // lo is a multiple of renew
		var growth float64
		for n := lo; n < hi; n++ {
			if n%renew == 0 {
				growth = math.Exp(float64(n) * step)
			}
			v := amplitude * sinTurns(cycles*growth)
			if n < s.FadeIn || n >= s.Frames-s.FadeOut {
				v *= s.envelope(n)
			}
			x[n] = float32(v)
			growth *= ratio
		}
	}
	var all sync.WaitGroup
	workers := runtime.GOMAXPROCS(0)
	part := (s.Frames/workers/renew + 1) * renew
	for lo := 0; lo < s.Frames; lo += part {
		all.Go(func() { fill(lo, min(lo+part, s.Frames)) })
	}
	all.Wait()
	if s.FadeOut == 0 {
		// The last whole half cycle, so that the end is no step.
		half := 2 * cycles * math.Exp(float64(s.Frames)*step)
		last := int(math.Floor(math.Log(math.Floor(half)/(2*cycles)) / step))
		for n := last + 1; n < s.Frames; n++ {
			x[n] = 0
		}
	}
	return x
}

// sinTurns returns sin(2πx), to 1e-15 but for the rounding of x itself: in half
// the time of math.Sin, which must know angles of any size.
func sinTurns(x float64) float64 {
	// sin(2πx) = cos(2πt) = sin(2πy) with t = x − ¼ taken to −½…½ and
	// y = ¼ − |t|, which lies in −¼…¼.
	t := x - 0.25
	t -= math.Floor(t + 0.5)
	y := 0.25 - math.Abs(t)
	z := y * y
	sum := sineTerms[len(sineTerms)-1]
	for i := len(sineTerms) - 2; i >= 0; i-- {
		sum = sum*z + sineTerms[i]
	}
	return sum * y
}

// sineTerms are the coefficients of Taylor's series of sin(2πy) in y, y³, …; the
// first one left out is below 1e-16 at y = ¼.
var sineTerms = func() (c [11]float64) {
	term := 2 * math.Pi
	for i := range c {
		c[i] = term
		term *= -(2 * math.Pi) * (2 * math.Pi) / float64((2*i+2)*(2*i+3))
	}
	return c
}()

// envelope is the fades: raised cosines at both ends.
func (s *Sweep) envelope(n int) float64 {
	switch {
	case n < s.FadeIn:
		return 0.5 - 0.5*math.Cos(math.Pi*(float64(n)+0.5)/float64(s.FadeIn))
	case n >= s.Frames-s.FadeOut:
		return 0.5 - 0.5*math.Cos(math.Pi*(float64(s.Frames-n)-0.5)/float64(s.FadeOut))
	}
	return 1
}
