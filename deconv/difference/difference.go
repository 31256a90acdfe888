// Package difference says what lies between takes: what a change did to the
// response and to the decay, and how sure that is; how well a measurement repeats;
// how alike seats and loudspeakers are.
//
// The typical use, step by step:
//
//  1. RepeatabilityOf tells from takes of one source at one seat, measured again
//     without any change, how well levels repeat.
//  2. Compare gives the difference of two takes with its uncertainty, and Changes,
//     a list of what can be told beyond that uncertainty. It is empty when nothing
//     can.
//  3. Average and Alike look at several takes side by side: the seats of one
//     source, the loudspeakers of one round.
//
// # The grid
//
// All takes are brought onto one grid, 1000 Hz·2^(i/n), whatever their sample
// rates and bins, by the mean of power over 1/Smoothing octave around each of its
// points (response.Smooth). From each mean the noise power expected in it is
// taken off: with noise 10 dB below, it would raise a level by 0.4 dB, and a take
// with more noise would seem louder.
//
// # Uncertainty
//
// A mean of power over m independent values, with signal S and noise N, scatters by
//
//	σ = (20/ln 10)·√(x/m·(1+x)), x = N/2S
//
// which for little noise is the 6.14 dB·10^(−SNR/20)/√m of response.UncertaintyDB.
// To it come: what the estimate of the noise power may be off (as far as a short
// silence tells, and a tenth beside, since noise in the silence and noise in the
// sweep are not the same), the repeatability of both takes, and what the match of
// levels may be off. All of it is added as powers.
//
// The uncertainty that is stated is not that of a point: with some hundred of
// points in a curve, one in twenty beyond its 95 % would be sold as a change in
// every comparison. It is wide enough that with the stated confidence no point of
// the whole curve, no band and no decay is told to have changed where nothing did:
// Šidák's factor for as many points as the grid has (Z. Šidák, J. Am. Stat. Assoc.
// 62, 1967; from memory), which errs on the safe side for points that depend on
// each other; and Student's t for the degrees of freedom that the noise's power is
// known with, which are few in the bass. The points of the curve have half of the risk, bands and broad
// changes a quarter, decays and modes a quarter. Downwards a level is
// less sure than upwards; the stated figure is the larger, and never below 0.02 dB.
//
// Noise is known in bands of a sixth of an octave. Where one stands out from those
// beside it, a tone such as hum is taken to lie wherever it harms most.
//
// What it rests on: the noise during the sweep is like that in the silence.
package difference

import (
	"fmt"

	"roomsonde/deconv"
	"roomsonde/deconv/response"
)

// Take is what is compared of one take.
type Take struct {
	// Response is the response, corrected by the microphone's curve, with
	// FromHz and ToHz set. The takes of one comparison are best seen through
	// windows of one length.
	Response *response.Response
	// Noise belongs to Response; nil: unknown, and then it has no part in the
	// uncertainty, and a remark says so.
	Noise *deconv.Noise
	// Readable is where Response may be read; nothing outside is compared.
	Readable response.Readable
	Decays   []Decay // decay per band; nil: not compared
	Modes    []Mode  // room modes; nil: not compared
}

// Decay is the decay time of one band.
type Decay struct {
	Name    string  // of the band with its width, as it is to be matched: "63 Hz octave"
	Hz      float64 // mid-band frequency, for the order in lists
	Seconds float64
	// StandardS is the standard error of Seconds; 0: unknown, and then only
	// Options.DecayRepeatability counts.
	StandardS float64
	Doubtful  bool // it is given, but not to be relied on: as decay.Value with a Reason
}

// Mode is a room mode as it was found in one take.
type Mode struct {
	Hz, StandardHz float64
	// T60S is the time in which it falls by 60 dB; StandardS its standard error.
	T60S, StandardS float64
	// LevelDB is the level of its peak: where modes lie close together, it tells
	// which of them is which. 0 for all: not known.
	LevelDB float64
	// Was says of a mode after which of those before it was: its index counted from 1,
	// or NotThere. 0 for all: not known, and they are paired by frequency and level.
	Was int
}

// NotThere is the Was of a mode that was not found before.
const NotThere = -1

// Options says how takes are compared. The zero value compares all that can be
// read, without matching levels.
type Options struct {
	FromHz, ToHz float64 // what is looked at; 0: all that both takes can be read in
	Smoothing    float64 // 1/Smoothing octave; 0: 12
	PerOctave    int     // points of the grid; 0: 48
	// MatchFromHz and MatchToHz bound the band in which the levels of the takes
	// are matched, by mean power; both 0: levels are compared as they are.
	MatchFromHz, MatchToHz float64
	// Repeatability is how well levels repeat; the zero value: AssumedDB, and
	// the result says that it was assumed.
	Repeatability Repeatability
	// DecayRepeatability is the relative standard error with which decay times
	// repeat from take to take, beside their own uncertainty; 0: AssumedDecay.
	// Below 0: none.
	DecayRepeatability float64
	// FrequencyRepeatability is the same for the frequencies of modes; 0:
	// AssumedFrequency. Below 0: none.
	FrequencyRepeatability float64
	Confidence             float64 // of the whole comparison; 0: 0.95
	// LeastHeightDB is how far a peak must stand above what is around it, and a dip below, to
	// be one; 0: 3 dB.
	LeastHeightDB float64
	// PeaksToHz ends the search for peaks and dips; 0: 500 Hz. Above, single ones
	// belong to reflections and change when a head moves.
	PeaksToHz float64
}

// What is assumed where a survey has not shown yet how well it repeats, as
// standard deviation of one take: our own figures for a microphone that was not
// moved (no source).
const (
	AssumedDB    = 0.2
	AssumedDecay = 0.02
	// Modes go with the speed of sound, 0.17 % to the degree: a degree or so.
	AssumedFrequency = 0.002
)

const (
	defaultSmoothing  = 12
	defaultPerOctave  = 48
	defaultConfidence = 0.95
	defaultHeightDB   = 3
	defaultPeaksToHz  = 500
)

// InputError says what is wrong with takes or options.
type InputError struct{ What, Do string }

func (e *InputError) Error() string { return "difference: " + e.What }

// Hint says what to do about it.
func (e *InputError) Hint() string { return e.Do }

// NothingSharedError says that the takes have no range in common in which all of
// them can be read.
type NothingSharedError struct {
	FromHz, ToHz float64 // the highest of the lower ends, the lowest of the upper ones
	Reasons      []string
}

func (e *NothingSharedError) Error() string {
	s := fmt.Sprintf("difference: the takes share no range in which they can be read: one begins at %.4g Hz, one ends at %.4g Hz", e.FromHz, e.ToHz)
	if len(e.Reasons) > 0 {
		s = "difference: a take cannot be read anywhere: " + e.Reasons[0]
	}
	return s
}

// Hint says what to do about it.
func (e *NothingSharedError) Hint() string {
	return "compare takes of the same source, or measure again with a louder or longer sweep"
}

// resolve fills in the defaults and refuses what contradicts itself.
func (o Options) resolve() (Options, error) {
	for _, v := range []float64{o.FromHz, o.ToHz, o.Smoothing, o.MatchFromHz, o.MatchToHz, o.LeastHeightDB, o.PeaksToHz, float64(o.PerOctave)} {
		if !(v >= 0 && v <= 1e6) {
			return o, &InputError{fmt.Sprintf("%g is no frequency, height or number of points that can be used", v), "give figures that are not negative, or 0 for the default"}
		}
	}
	if o.ToHz > 0 && o.FromHz >= o.ToHz {
		return o, &InputError{fmt.Sprintf("a range from %g to %g Hz", o.FromHz, o.ToHz), "give a lower end below the upper one, or 0 for no limit"}
	}
	if (o.MatchFromHz != 0 || o.MatchToHz != 0) && !(o.MatchFromHz > 0 && o.MatchToHz > o.MatchFromHz) {
		return o, &InputError{fmt.Sprintf("levels cannot be matched from %g to %g Hz", o.MatchFromHz, o.MatchToHz), "give a lower end above 0 Hz and below the upper one, or neither for no match"}
	}
	fill := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	fill(&o.Smoothing, defaultSmoothing)
	fill(&o.Confidence, defaultConfidence)
	fill(&o.LeastHeightDB, defaultHeightDB)
	fill(&o.PeaksToHz, defaultPeaksToHz)
	if o.PerOctave == 0 {
		o.PerOctave = defaultPerOctave
	}
	if o.PerOctave < 3 || o.PerOctave > 1000 {
		return o, &InputError{fmt.Sprintf("a grid of %d points an octave", o.PerOctave), "ask for 3 to 1000, or 0 for the default"}
	}
	for _, v := range []struct {
		share   *float64
		assumed float64
		what    string
	}{{&o.DecayRepeatability, AssumedDecay, "decay times"}, {&o.FrequencyRepeatability, AssumedFrequency, "frequencies"}} {
		switch {
		case *v.share == 0:
			*v.share = v.assumed
		case *v.share < 0:
			*v.share = 0
		case !(*v.share < 1):
			return o, &InputError{fmt.Sprintf("%s that repeat within %g of themselves", v.what, *v.share), "give a share below 1, as 0.02"}
		}
	}
	if !(o.Confidence > 0 && o.Confidence < 1) {
		return o, &InputError{fmt.Sprintf("a confidence of %g", o.Confidence), "give one between 0 and 1, as 0.95"}
	}
	return o, o.Repeatability.check()
}
