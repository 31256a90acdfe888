package modelroom

import (
	"fmt"
	"slices"
	"strings"

	"github.com/agnivade/levenshtein"
)

// SeatError says that the room has no such seat.
type SeatError struct {
	Seat  string
	Known []string
}

func (e *SeatError) Error() string {
	return fmt.Sprintf("the model room has no seat %q", e.Seat)
}

// Hint names the seat that was probably meant, and all others.
func (e *SeatError) Hint() string {
	all := "its seats are " + quoted(e.Known)
	wanted := strings.ToLower(strings.TrimSpace(e.Seat))
	best, bestAt := "", 0
	for _, name := range e.Known {
		d := levenshtein.ComputeDistance(wanted, name)
		for _, word := range strings.Fields(name) {
			d = min(d, levenshtein.ComputeDistance(wanted, word))
		}
		if best == "" || d < bestAt {
			best, bestAt = name, d
		}
	}
	if wanted != "" && bestAt <= max(1, len(wanted)/3) {
		return fmt.Sprintf("did you mean %q? (%s)", best, all)
	}
	return all
}

func quoted(names []string) string {
	q := make([]string, len(names))
	for i, n := range names {
		q[i] = fmt.Sprintf("%q", n)
	}
	return strings.Join(q, ", ")
}

// ChannelError says that a track is for an output, or the job for an input,
// that the room does not have.
type ChannelError struct {
	Channel  int
	Input    bool
	Channels []string // the names of those there are, in order
}

func (e *ChannelError) Error() string {
	if e.Input {
		return fmt.Sprintf("the model room has no input channel %d", e.Channel)
	}
	return fmt.Sprintf("the model room has no output channel %d", e.Channel)
}

// Hint lists the channels.
func (e *ChannelError) Hint() string {
	if e.Input {
		return "its microphone is input channel 0, counted from 0"
	}
	return fmt.Sprintf("counted from 0, its outputs are %s", strings.Join(e.Channels, ", "))
}

// RateError says that the room does not run at a sampling rate.
type RateError struct {
	Rate float64 // Hz
}

func (e *RateError) Error() string {
	return fmt.Sprintf("the model room does not run at %g Hz", e.Rate)
}

// Hint lists the rates.
func (e *RateError) Hint() string {
	texts := make([]string, len(rates))
	for i, r := range rates {
		texts[i] = fmt.Sprintf("%g", r)
	}
	return "it runs at " + strings.Join(texts, ", ") + " Hz"
}

// JobError says what is wrong with a job, and what to do.
type JobError struct {
	Fact, Remedy string
}

func (e *JobError) Error() string { return e.Fact }

// Hint says what to change.
func (e *JobError) Hint() string { return e.Remedy }

// OptionError says which option cannot be used.
type OptionError struct {
	Option, Fact, Remedy string
}

func (e *OptionError) Error() string { return fmt.Sprintf("model room: %s: %s", e.Option, e.Fact) }

// Hint says what to give instead.
func (e *OptionError) Hint() string { return e.Remedy }

// rates in Hz that the room runs at.
var rates = []float64{
	8000, 11025, 12000, 16000, 22050, 24000, 32000,
	44100, 48000, 88200, 96000, 176400, 192000,
}

func checkRate(rate float64) error {
	if !slices.Contains(rates, rate) {
		return &RateError{Rate: rate}
	}
	return nil
}
