package capture

import (
	"context"
	"errors"
	"fmt"
	"math"
)

// Defaults of Guard.
const (
	// DefaultLimitDBFS is the input's peak beyond which nothing more is to be
	// learnt, and something may be about to break.
	DefaultLimitDBFS = -1
	// DefaultReports is how many reports in a row must be over the limit: one
	// alone may be a door.
	DefaultReports = 2
)

// fullScale is an input at its end, whatever the limit.
const fullScale = 0.9999

// Guard is a Card that stops by itself when its input gets too loud: a level
// far too high, a volume turned up in the middle, a howling feedback. It ends
// the inner card's context, so that the sound fades out as after Ctrl-C.
type Guard struct {
	Card
	LimitDBFS float64 // highest peak of the input; 0: DefaultLimitDBFS. Full scale is too loud whatever the limit
	Reports   int     // consecutive progress reports over the limit that end a job; 0: DefaultReports
}

var _ Card = (*Guard)(nil)

// PlayRecord plays and records as the inner card does. When the input stays
// over the limit it returns what was recorded until then and a *LoudError, which
// is also the cause of the context that the inner card gets (context.Cause).
// When the caller's own context ends first, the error is that of the inner card,
// so that the two can be told apart.
func (g *Guard) PlayRecord(ctx context.Context, job Job, progress func(Progress)) (*Recording, error) {
	limitDBFS, reports := g.LimitDBFS, g.Reports
	if limitDBFS == 0 {
		limitDBFS = DefaultLimitDBFS
	}
	if reports <= 0 {
		reports = DefaultReports
	}
	limit := math.Min(math.Pow(10, limitDBFS/20), fullScale)
	guarded, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	over, highest := 0, 0.0
	rec, err := g.Card.PlayRecord(guarded, job, func(p Progress) {
		// A NaN of a driver gone wrong counts as loud.
		if p.Peak < limit {
			over, highest = 0, 0
		} else {
			over++
			highest = math.Max(highest, p.Peak)
		}
		if over == reports && guarded.Err() == nil {
			at := 0.0
			if job.SampleRate > 0 {
				at = float64(p.Frames) / job.SampleRate
			}
			stop(&LoudError{PeakDBFS: 20 * math.Log10(highest), LimitDBFS: 20 * math.Log10(limit), AtS: at})
		}
		if progress != nil {
			progress(p)
		}
	})
	var loud *LoudError
	if errors.As(context.Cause(guarded), &loud) {
		return rec, loud
	}
	return rec, err
}

// LoudError says that a job was ended because the input was too loud.
type LoudError struct {
	PeakDBFS  float64 // highest peak of the input
	LimitDBFS float64 // what it may reach
	AtS       float64 // when, in s from the start of the job
}

func (e *LoudError) Error() string {
	if math.IsNaN(e.PeakDBFS) {
		return fmt.Sprintf("capture: %.1f s after the start the input delivered what is no number, so the sound was faded out", e.AtS)
	}
	return fmt.Sprintf("capture: the input was too loud: a peak of %.1f dBFS, %.1f s after the start, is above the limit of %.1f dBFS, so the sound was faded out",
		e.PeakDBFS, e.AtS, e.LimitDBFS)
}

// Hint says what to do about it.
func (e *LoudError) Hint() string {
	if math.IsNaN(e.PeakDBFS) {
		return "choose another input, or another sound system for the same one"
	}
	return "turn the amplifier's volume down, or the microphone's gain if the sound was not loud in the room; then find the level anew from below"
}
