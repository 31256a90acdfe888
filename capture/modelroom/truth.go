package modelroom

import (
	"math"

	"roomsonde/sweep/scale"
)

// Truth is what a perfect measurement of one output channel at one seat would
// find.
type Truth struct {
	SampleRate float64 // Hz
	// Latency is the card's own delay in frames. What is recorded is
	// y[n] = Σ Impulse[k]·x[n-Latency-k], plus noise.
	Latency int
	// Impulse is the finite impulse response that the card convolves with, by
	// the microphone; time zero, when the loudspeaker is driven, is index 0.
	// It is 2 s long and ends more than 120 dB down.
	Impulse []float64
	// ImpulseFlat is the same with a microphone that is flat and of the same
	// sensitivity.
	ImpulseFlat []float64
	Sources     []Source // what the channel drives
	// HandOverHz is where the modal sum ends and images with decaying noise
	// take over.
	HandOverHz float64
	Modes      []Mode // the room's modes, lowest first, up to three times HandOverHz
	// Decay holds the decay times that the reverberation after the images was
	// given, per octave. They are heard above HandOverHz; below, every mode
	// has its own.
	Decay []BandDecay
	// Faults holds what went wrong with the Room's last job, exactly; nil when
	// nothing did, or when Truth was called before it.
	Faults []Injected

	sum  *modalSum
	feed []feed
	hand cascade // the low-pass that leads to the modal part
}

// Source is a loudspeaker or subwoofer that a channel drives.
type Source struct {
	Name      string
	Position  [3]float64 // m from the front wall, the left wall, the floor
	DistanceM float64    // to the seat
	DelayS    float64    // of its own electronics, beside Truth.Latency
	Subwoofer bool
}

// BandDecay is a decay time that went into the reverberation of an octave.
type BandDecay struct {
	scale.Band
	T60S float64
}

// Room returns the closed form of the modal part from source i to the seat at
// hz: pressure at the seat over free-field pressure at 1 m, without
// loudspeaker, crossover or microphone. It holds below the highest mode.
func (t *Truth) Room(i int, hz float64) complex128 {
	var h [maxSources]complex128
	t.sum.at(complex(0, 2*math.Pi*hz), h[:])
	return h[i]
}

// Drive returns what stands between the channel's samples and source i's
// free-field pressure at 1 m, at hz: level, delay, crossover and the
// cabinet's lower end, as digital filters at SampleRate, without the slight
// roll-off of loudspeakers near 20 kHz.
func (t *Truth) Drive(i int, hz float64) complex128 {
	s := complex(0, 2*math.Pi*hz)
	return t.feed[i].drive(t.SampleRate).at(s, unitInverse(hz, t.SampleRate))
}

// ModalResponse returns, at hz, the part of the channel's response that comes
// from the modal sum, in closed form and with a flat microphone:
// gain · low-pass at HandOverHz · Σ Drive·Room over the sources.
func (t *Truth) ModalResponse(hz float64) complex128 {
	var room [maxSources]complex128
	t.sum.at(complex(0, 2*math.Pi*hz), room[:])
	var h complex128
	for i := range t.feed {
		h += room[i] * t.Drive(i, hz)
	}
	return h * recordGain * t.hand.at(unitInverse(hz, t.SampleRate))
}

// Response returns the transfer function of Impulse (or ImpulseFlat) at hz,
// by direct summation.
func (t *Truth) Response(impulse []float64, hz float64) complex128 {
	var re, im float64
	w := 2 * math.Pi * hz / t.SampleRate
	for n, v := range impulse {
		sin, cos := math.Sincos(w * float64(n))
		re += v * cos
		im -= v * sin
	}
	return complex(re, im)
}

func unitInverse(hz, rate float64) complex128 {
	sin, cos := math.Sincos(-2 * math.Pi * hz / rate)
	return complex(cos, sin)
}
