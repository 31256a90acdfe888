// Package soundcard plays and records on real devices, through PortAudio
// (https://www.portaudio.com).
//
// The usual way: Devices lists what there is, capture.FindDevice or
// capture.PickInput and capture.PickOutput choose, Open makes a Card of the
// choice, PlayRecord measures, Close lets go.
//
// A device that plays and records runs as one stream, on one clock. Two devices
// run as two streams, on two clocks that drift apart by some parts in a million;
// the recording says so in its remarks, and Card.Clocks tells. One stream over
// two devices is used only where they share a clock (JACK): elsewhere the system
// would have to drop or repeat samples to keep the two together. A route to a sound
// server runs as two streams too: behind it may be two devices, and one stream in
// both directions through ALSA's plugin for PulseAudio stands still when the server
// resamples (seen in 27 of 32 takes at 44.1 kHz on a sink at 48 kHz, and now and
// then at the same rate; of 64 takes with two streams in none).
//
// A device whose server dies in the middle of a take can hold PortAudio up for
// minutes, or for good. The take is returned with what was recorded; until
// PortAudio comes back every other call returns an ErrLibrary at once.
//
// PortAudio never starts a JACK server by itself. What the libraries beneath it
// write to the standard error is kept away while devices are listed, opened and
// closed; KeepLibrariesQuiet keeps it away for good.
//
// Without cgo everything here compiles, and every call returns ErrNotBuilt.
package soundcard

import (
	"fmt"
	"strings"
	"time"

	"roomsonde/capture"
)

// Options says which devices a Card uses and how. The zero value is the
// system's default input and output at the rate of the input.
type Options struct {
	// Input and Output are devices as Devices lists them, found again by Name
	// and System. One without a name: the system's default.
	Input, Output capture.Device
	// SampleRate in Hz is checked when the card is opened; a job may ask for
	// another. 0: the input's native rate if the output can do it too, else one
	// that both can do.
	SampleRate float64
	// FramesPerBuffer is the size of the buffers that the callback is handed.
	// 0: as the device delivers them, which is the safest.
	FramesPerBuffer int
	// Latency is how much sound is kept in store between program and device on
	// each side. 0: what the device proposes for safe running, and at least
	// 100 ms. More guards against lost buffers and costs nothing but a later
	// start.
	Latency time.Duration
}

// minLatency is enough to ride out a busy machine; a measurement does not need
// to be prompt.
const minLatency = 100 * time.Millisecond

// StandardRates are the sample rates in Hz that Open tries in order to tell
// which of them work.
var StandardRates = []float64{44100, 48000, 88200, 96000, 176400, 192000}

// Error is a failure for which something can be done. Kind tells which one it
// is; compare with errors.Is against ErrBusy and the others.
type Error struct {
	Kind   error  // ErrBusy, ErrVanished, ...
	Device string // the device, or both
	Detail string // what exactly; may be empty
	hint   string // in place of the kind's usual one
	cause  error
}

// The kinds of failure. ErrNotBuilt is returned as it is; the others inside an
// *Error.
var (
	// ErrNotBuilt: the program was built without cgo.
	ErrNotBuilt error = hinted{
		"this build has no sound card support (built without cgo)",
		"build again with CGO_ENABLED=1, a C compiler and PortAudio's headers; all else works without",
	}
	// ErrBusy: another program holds the device.
	ErrBusy error = hinted{
		"the device is busy or cannot be opened",
		"close other programs that use it, look at the system's permission to record, and try again",
	}
	// ErrVanished: the device was there and is not any more.
	ErrVanished error = hinted{
		"the device is not there any more",
		"plug it in again, see that it is listed, and measure again",
	}
	// ErrStalled: the device stopped delivering while measuring.
	ErrStalled error = hinted{
		"the device stopped delivering: unplugged, or its server ended?",
		"plug it in again or start the sound server again, and repeat the measurement",
	}
	// ErrRate: the device cannot run at the sample rate asked for.
	ErrRate error = hinted{
		"the device cannot run at this sample rate",
		"choose one that it can run at",
	}
	// ErrChannels: the device does not have the channels asked for.
	ErrChannels error = hinted{
		"the device does not have these channels",
		"choose channels that it has, or another device",
	}
	// ErrJob: the job itself cannot be played.
	ErrJob error = hinted{
		"the job cannot be played",
		"this is a mistake of the program, not of the device: please report it",
	}
	// ErrLibrary: PortAudio or a sound system beneath it failed, or is still
	// held up by a device that does not answer.
	ErrLibrary error = hinted{
		"the sound system failed",
		"start the program again; if it stays, restart the sound server",
	}
	// ErrClosed: the card was closed.
	ErrClosed error = hinted{
		"the card is closed",
		"open it again",
	}
)

// hinted is an error with advice.
type hinted struct{ text, hint string }

func (e hinted) Error() string { return e.text }
func (e hinted) Hint() string  { return e.hint }

// Error names the device, the kind of failure and the detail.
func (e *Error) Error() string {
	var b strings.Builder
	if e.Device != "" {
		fmt.Fprintf(&b, "%s: ", e.Device)
	}
	b.WriteString(e.Kind.Error())
	if e.Detail != "" {
		fmt.Fprintf(&b, " (%s)", e.Detail)
	}
	if e.cause != nil {
		fmt.Fprintf(&b, ": %v", e.cause)
	}
	return b.String()
}

// Hint says what to do next.
func (e *Error) Hint() string {
	if e.hint != "" {
		return e.hint
	}
	if h, ok := e.Kind.(hinted); ok {
		return h.hint
	}
	return ""
}

// Unwrap gives the kind, for errors.Is, and the cause.
func (e *Error) Unwrap() []error {
	if e.cause != nil {
		return []error{e.Kind, e.cause}
	}
	return []error{e.Kind}
}
