package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"syscall"

	"roomsonde/calibration"
	"roomsonde/capture"
	"roomsonde/capture/modelroom"
	"roomsonde/capture/soundcard"
	"roomsonde/capture/wav"
	"roomsonde/capture/wav/atomicfile"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv"
	"roomsonde/sweep"
)

// The exit codes. Scripts rely on them.
const (
	exitDone        = 0
	exitOther       = 1
	exitUsage       = 2
	exitDevice      = 3
	exitFile        = 4
	exitNoSweep     = 5
	exitSurvey      = 6
	exitMarked      = 7
	exitInterrupted = 130
)

// exitCodes is the table that the help shows.
const exitCodes = `Exit codes:
  0    done; a take is sound
  1    something else failed
  2    a command, option or value that cannot be used
  3    the sound device: none, unknown, busy or gone
  4    a file that cannot be read: WAV, calibration
  5    nothing to work with: silence, or no sweep in the recording
  6    the survey: unknown take, not writable, disk full
  7    the take is kept but marked: see its findings
  130  interrupted; nothing was kept`

// errMarked is returned for a take that is kept but marked; its findings have
// been printed by then.
var errMarked = errors.New("the take is marked")

// usageError is a mistake on the command line.
type usageError struct{ text, hint string }

func (e *usageError) Error() string { return e.text }
func (e *usageError) Hint() string  { return e.hint }

func usage(hint, format string, args ...any) error {
	return &usageError{fmt.Sprintf(format, args...), hint}
}

// fileError puts a file's name before what is wrong with its content.
type fileError struct {
	path string
	err  error
}

func (e *fileError) Error() string { return e.path + ": " + e.err.Error() }
func (e *fileError) Unwrap() error { return e.err }

// is reports whether err holds an error of type T.
func is[T error](err error) bool {
	var target T
	return errors.As(err, &target)
}

// exitCode is the one place where errors become exit codes.
func exitCode(err error) int {
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errMarked):
		return exitMarked
	case errors.Is(err, context.Canceled):
		return exitInterrupted
	case is[*usageError](err), is[*sweep.OptionError](err), is[*capture.ChannelError](err),
		is[*modelroom.SeatError](err), is[*modelroom.OptionError](err), is[*modelroom.ChannelError](err),
		is[*modelroom.RateError](err), is[*modelroom.JobError](err):
		return exitUsage
	case is[*soundcard.Error](err), errors.Is(err, soundcard.ErrNotBuilt), is[*capture.PickError](err),
		is[*capture.UnknownDeviceError](err), is[*capture.AmbiguousDeviceError](err), is[*capture.RoleError](err):
		return exitDevice
	case is[*survey.NotSurveyError](err), is[*survey.WriteError](err), is[*survey.BusyError](err), is[*survey.NewerError](err),
		is[*survey.NotFoundError](err), is[*survey.AmbiguousError](err), is[*survey.UnfinishedError](err), is[*survey.Damage](err),
		errors.Is(err, syscall.ENOSPC):
		return exitSurvey
	case is[*wav.FormatError](err), is[*calibration.SyntaxError](err), is[*deconv.RateError](err), is[*deconv.SampleError](err), is[*fileError](err):
		return exitFile
	case is[*deconv.NotFoundError](err), is[*deconv.TooShortError](err):
		return exitNoSweep
	}
	return exitOther
}

// explain prints an error and what to do about it.
func explain(w io.Writer, err error) {
	if errors.Is(err, errMarked) {
		return
	}
	if errors.Is(err, context.Canceled) {
		fmt.Fprintln(w, "roomsonde: interrupted; nothing was kept")
		return
	}
	text := err.Error()
	// The packages' own names are for those who read code.
	for _, prefix := range []string{"sweep: ", "deconv: ", "response: ", "capture: ", "wav: ", "calibration: ", "soundcard: ", "modelroom: "} {
		text = strings.Replace(text, prefix, "", 1)
	}
	fmt.Fprintln(w, "roomsonde: "+text)
	if hint := hintOf(err); hint != "" {
		fmt.Fprintln(w, "  what to do: "+hint)
	}
}

// hintOf returns what the innermost error that knows it says about what to do.
func hintOf(err error) (hint string) {
	var visit func(error)
	visit = func(err error) {
		if err == nil {
			return
		}
		if h, ok := err.(interface{ Hint() string }); ok && h.Hint() != "" {
			hint = h.Hint()
			return
		}
		switch e := err.(type) {
		case interface{ Unwrap() error }:
			visit(e.Unwrap())
		case interface{ Unwrap() []error }:
			for _, inner := range e.Unwrap() {
				if hint == "" {
					visit(inner)
				}
			}
		}
	}
	visit(err)
	if hint == "" {
		hint = atomicfile.Hint(err)
	}
	return hint
}
