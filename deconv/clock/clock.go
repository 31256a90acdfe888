// Package clock finds a program in a recording and tells the player's clock
// from the recorder's.
//
// Convention: δ is the skew, the recorder takes its sample m at player time
// m·(1+δ), both counted in frames of the program's sample rate. A recorder
// that is slow has δ > 0, and its recording is too short.
//
// Time marks are compared as they were recorded, one with another: they came
// the same way, so that loudspeaker and room cancel, and their distance is known
// to hundredths of a frame. Only where the program as a whole lies is told from
// the mark as it was played. (H. Gamper, "Clock drift estimation and compensation
// for asynchronous impulse response measurements", HSCMA 2017, uses repeats the
// same way [abstract read].)
package clock

import (
	"fmt"

	"roomsonde/sweep"
)

// Timing says where a program lies in a recording.
type Timing struct {
	// Origin is the frame of the recording (with a fraction) at which frame 0
	// of the program arrived: by way of the marks where there are any, else of
	// the strongest sound of the first sweep.
	Origin float64
	// Skew is δ, and SkewStdErr its standard error; both 0 where Known is false,
	// and then nothing is known of the clocks.
	Skew, SkewStdErr float64
	Known            bool
	Marks            []Mark // the program's time marks in their order; nil without marks
	// Quiet are the quiet marks. Their LevelDB is what they lack to QuietDB
	// below the first mark found: 0 where what comes back grows with what is
	// played.
	Quiet []Mark
	Jumps []Jump // where frames were lost or repeated between marks
	// ByMarks tells that Origin is the marks'.
	ByMarks bool
}

// Mark is a time mark as it was recorded. All but Segment and OutDB is 0 where
// it was not found.
type Mark struct {
	Segment sweep.Segment // in the program
	// Found is false where it does not stand out of the noise, is cut off by
	// the recording's ends, or is the only one that was clipped.
	Found   bool
	At      float64 // frame of the recording at which the segment's first frame arrived
	StdErr  float64 // of At relative to the other marks', in frames
	LevelDB float64 // re the first mark found
	OutDB   float64 // how far its peak stands out of the rest of the matched filter's output
	// LikenessDB is the power of what differs between this mark and the others
	// (the time marks), re the mark's power, once both lie on top of each other
	// at one level: the noise of both, and what happened to one of them. 0 where
	// there is no other.
	LikenessDB float64
}

// Jump is a stretch between two marks in which the recording lost frames
// (Frames < 0) or gained some (Frames > 0). Two sweeps that disagree do not
// say which is the whole one: the one that makes the smaller skew is taken
// for it.
type Jump struct {
	From, To int     // frames of the program between which it lies
	Frames   float64 // how many
	StdErr   float64
}

// FrameOf returns the frame of the recording at which a frame of the program
// arrived. Jumps are counted: past one, the marks after it say so.
func (t *Timing) FrameOf(program float64) float64 {
	frame := t.Origin + program/(1+t.Skew)
	for _, j := range t.Jumps {
		if program >= float64(j.To) {
			frame += j.Frames
		}
	}
	return frame
}

// Options says how a recording is searched. The zero value suits every
// recording.
type Options struct {
	// Aligned tells that frame 0 of the recording is frame 0 of the program,
	// but for a latency of up to a second: so it is when a card played and
	// recorded.
	Aligned bool
}

// NotFoundError says that the recording does not hold the excitation.
type NotFoundError struct {
	PeakDB float64 // how far the best match stands out of the rest of the correlation
	NeedDB float64
	Silent bool // the recording has no signal at all
	Early  bool // it is there before it was played
}

func (e *NotFoundError) Error() string {
	if e.Silent {
		return "deconv: the recording is silent"
	}
	if e.Early {
		return "deconv: the sweep was recorded before it was played"
	}
	return fmt.Sprintf("deconv: no sweep found: the best match stands %.0f dB out of the rest, and %.0f dB are needed", e.PeakDB, e.NeedDB)
}

// Hint says what to do about it.
func (e *NotFoundError) Hint() string {
	if e.Silent {
		return "check that the microphone is connected, selected and not muted, and that the system lets this program use it"
	}
	if e.Early {
		return "the input seems to listen to the computer itself: choose the microphone as input, and switch monitoring off"
	}
	return "check that this is the recording of this very sweep, that the loudspeaker played it, and that it was loud enough"
}
