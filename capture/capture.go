// Package capture says how a measurement signal is played and recorded: the
// Card that does it, what it is asked for (Job) and what comes back
// (Recording). Real sound cards are in capture/soundcard, a built-in room in
// capture/modelroom, and WAV files in capture/wav.
package capture

import "context"

// Card plays and records at the same time.
//
// PlayRecord plays job's tracks and returns what one input heard meanwhile:
// Recording.Samples has job.Frames frames, frame 0 being recorded as near to
// the moment that frame 0 is played as the device allows; the recording is
// late by the device's latency, never early. Where input and output are two
// devices, their clocks may differ.
//
// When ctx ends it fades the output out, stops, and returns what it has
// together with ctx's error; so it does with its own error when the device
// fails on the way. The recording is nil only when nothing was recorded.
//
// progress may be nil; it is called from PlayRecord's own goroutine, some ten
// times a second, never concurrently, and at least once at the end.
type Card interface {
	// Device describes the card as it was opened.
	Device() Device
	PlayRecord(ctx context.Context, job Job, progress func(Progress)) (*Recording, error)
}

// Job is what a card is asked to play and record.
type Job struct {
	SampleRate float64 // Hz, of both tracks and recording
	Tracks     []Track // what is played; other output channels stay silent
	Frames     int     // how long to record; at least as long as the longest track
	Input      int     // input channel to record, counted from 0
}

// Track is what one output channel plays, from frame 0, full scale ±1.
// Several tracks may share one Samples slice; a card only reads it.
type Track struct {
	Channel int // output channel, counted from 0
	Samples []float32
}

// Progress reports how far a PlayRecord is.
type Progress struct {
	Frames int     // frames recorded so far
	Total  int     // frames in all
	Peak   float64 // highest |sample| of the input since the last report, full scale 1
}

// Recording is what a card heard.
type Recording struct {
	Samples    []float32 // one input channel, full scale ±1, as delivered
	SampleRate float64   // Hz
	// Overflows and Underflows count the buffers that the driver itself
	// reported as lost on the way in and on the way out. Zero proves nothing:
	// sound servers lose buffers without raising a flag.
	Overflows, Underflows int
	// Others are further input channels of the same device, heard along with
	// Samples and as long as those, so that a microphone on another channel than
	// the one asked for can be told from one that hears nothing. At most seven,
	// in the order of their channels; nil where the device has no others.
	Others []Channel
	// StalledS says by how many seconds the time that passed while recording
	// exceeds what was recorded: the machine was suspended, or the device or its
	// server stood still and then went on. Small values, up to some tenths, are
	// the path's own unevenness and mean nothing. It is never negative.
	StalledS float64
	// Remarks are what the user should know of the path: that a server
	// resamples, say. Plain sentences.
	Remarks []string
}

// Channel is one input channel of a recording.
type Channel struct {
	Index   int       // counted from 0
	Samples []float32 // full scale ±1, as delivered
}

// Device is an input, an output, or both, as the system lists it.
type Device struct {
	Name     string  // as the system names it, unique within a listing
	System   string  // the sound system it belongs to: "ALSA", "JACK Audio Connection Kit", "model"
	Inputs   int     // input channels
	Outputs  int     // output channels
	Rate     float64 // native rate in Hz, 0 when unknown
	Default  bool    // the system's default input or output
	LatencyS float64 // what the system claims for the round trip in s; not to be believed
}
