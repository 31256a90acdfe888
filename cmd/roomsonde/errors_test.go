package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"syscall"
	"testing"

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

// TestErrorsBecomeExitCodes holds every error that a user can meet to its exit
// code, and to saying what to do; also those that no test machine can bring
// about, as a device that another program holds.
func TestErrorsBecomeExitCodes(t *testing.T) {
	_, noInput, noDevices := capture.PickInput(nil)
	two := []capture.Device{
		{Name: "USB microphone A", System: "ALSA", Inputs: 1, Rate: 48000},
		{Name: "USB microphone B", System: "ALSA", Inputs: 1, Rate: 48000},
	}
	_, _, both := capture.PickInput(two)
	_, unknown := capture.FindDevice(two, "USB mikrophone A", capture.InputRole)
	_, ambiguous := capture.FindDevice(two, "usb", capture.InputRole)
	_, role := capture.FindDevice(two, "USB microphone A", capture.OutputRole)
	_, badSweep := sweep.New(sweep.Options{StartHz: 2000, StopHz: 100})
	_, badChannel := capture.ParseChannels("9", 2)
	_, badLine := calibration.Parse(strings.NewReader("20 1\n30 x\n40 2\n"), "mic.txt")
	_, noWAV := wav.Read(strings.NewReader("text"))
	if noDevices == nil || noInput != "" {
		t.Error("an input was picked where there is none")
	}
	full := &fs.PathError{Op: "write", Path: "x", Err: syscall.ENOSPC}
	cases := []struct {
		err  error
		code int
		says string // in the message or in what to do
	}{
		{usage("do this", "that is wrong"), exitUsage, "do this"},
		{badSweep, exitUsage, "2000 Hz"},
		{badChannel, exitUsage, "no such output"},
		{&modelroom.SeatError{Seat: "sofa", Known: []string{"main"}}, exitUsage, `"main"`},
		{&modelroom.RateError{Rate: 1}, exitUsage, "48000"},

		{noDevices, exitDevice, "no device that records"},
		{both, exitDevice, "USB microphone B"},
		{both, exitDevice, "a part of it will do: --input NAME"},
		{&soundcard.Error{Kind: soundcard.ErrRate, Device: "USB microphone A"}, exitDevice, "it can run at: --rate"},
		{unknown, exitDevice, `did you mean "USB microphone A"`},
		{ambiguous, exitDevice, "USB microphone B"},
		{role, exitDevice, "USB microphone A"},
		{soundcard.ErrNotBuilt, exitDevice, "CGO_ENABLED=1"},
		{&soundcard.Error{Kind: soundcard.ErrBusy, Device: "USB microphone A"}, exitDevice, "close other programs"},
		{&soundcard.Error{Kind: soundcard.ErrVanished, Device: "USB microphone A"}, exitDevice, "plug it in again"},
		{&soundcard.Error{Kind: soundcard.ErrStalled}, exitDevice, "repeat the measurement"},
		{fmt.Errorf("while measuring: %w", &soundcard.Error{Kind: soundcard.ErrBusy}), exitDevice, "close other programs"},

		{&fileError{"there.wav", os.ErrNotExist}, exitFile, "check the path"},
		{&fileError{"there.wav", os.ErrPermission}, exitFile, "no right to read"},
		{readError("there.wav", noWAV), exitFile, "not a WAV file"},
		{badLine, exitFile, "mic.txt, line 2"},
		{&deconv.RateError{RecordingHz: 44100, ExcitationHz: 48000}, exitFile, "44100"},
		{&deconv.RateError{RecordingHz: 44100, ExcitationHz: 48000}, exitFile, "or make a sweep for 44100 Hz (sweep --rate 44100)"},
		{&ratesError{"phone.wav", "sweep.wav", deconv.RateError{RecordingHz: 8000, ExcitationHz: 48000}}, exitFile, "phone.wav has a sample rate of 8000 Hz, but sweep.wav has 48000 Hz\n  what to do: record at 48000 Hz\n"},
		{&hintedError{"that is so", "do this"}, exitFile, "do this"},
		{&deconv.SampleError{Frame: 7}, exitFile, "frame 7"},

		{&deconv.NotFoundError{Silent: true}, exitNoSweep, "not muted"},
		{&deconv.NotFoundError{PeakDB: 12, NeedDB: 18}, exitNoSweep, "this very sweep"},
		{&deconv.TooShortError{HaveS: 0.1, NeedS: 1}, exitNoSweep, "0.10 s"},
		{fmt.Errorf("take 7: %w", &deconv.NotFoundError{Silent: true}), exitNoSweep, "take 7"},

		{&survey.NotFoundError{ID: "8", Near: []string{"0007-left"}}, exitSurvey, "did you mean 0007-left"},
		{&survey.UnfinishedError{ID: "7", Recording: "r.wav"}, exitSurvey, "r.wav"},
		{&survey.WriteError{Doing: "keep the recording", Path: "s", Err: full}, exitSurvey, "the disk is full"},
		{&survey.WriteError{Doing: "keep the recording", Path: "s", Err: fs.ErrPermission}, exitSurvey, "no right to write"},
		{&survey.BusyError{Path: "s"}, exitSurvey, "another program"},
		{&survey.NewerError{Path: "s", Found: 9, Known: 1}, exitSurvey, "update the program"},
		{&survey.Damage{ID: "7", Path: "s/7", Problem: "it is empty"}, exitSurvey, "s/7"},
		{&atomicfile.Error{Path: "out.csv", Err: full}, exitFile, "the disk is full"},

		{&atomicfile.Error{Path: "no/out.csv", Err: fs.ErrNotExist}, exitFile, "the folder does not exist"},
		{&atomicfile.Error{Path: "out.csv", Err: fs.ErrExist}, exitFile, "out.csv"},
		{&atomicfile.Error{Path: "out.csv", Err: fs.ErrExist}, exitFile, "leave out --keep-existing"},
	}
	for _, c := range cases {
		if c.err == nil {
			t.Errorf("no error, want one that says %q", c.says)
			continue
		}
		if got := exitCode(c.err); got != c.code {
			t.Errorf("%v: exit code %d, want %d", c.err, got, c.code)
		}
		var said strings.Builder
		explain(&said, c.err)
		fact, todo, ok := strings.Cut(said.String(), "\n  what to do: ")
		if !ok || !strings.HasPrefix(fact, "roomsonde: ") || strings.TrimSpace(todo) == "" {
			t.Errorf("%T does not say both the fact and what to do:\n%s", c.err, said.String())
		}
		if !strings.Contains(said.String(), c.says) {
			t.Errorf("%T does not say %q:\n%s", c.err, c.says, said.String())
		}
		if packageNames.MatchString(strings.TrimPrefix(fact, "roomsonde: ")) {
			t.Errorf("a package's name was left in %q", fact)
		}
	}
	for err, want := range map[error]int{
		nil: exitDone, errMarked: exitMarked, errors.New("something"): exitOther, context.Canceled: exitInterrupted,
		fmt.Errorf("late: %w", context.Canceled): exitInterrupted, error(&keptError{context.Canceled, "s/1", "roomsonde recover 1"}): exitInterrupted,
	} {
		if got := exitCode(err); got != want {
			t.Errorf("%v: exit code %d, want %d", err, got, want)
		}
	}
	var said strings.Builder
	explain(&said, &keptError{context.Canceled, "s/0001.unfinished", ""})
	if got, want := said.String(), "roomsonde: interrupted; the recording is kept in s/0001.unfinished\n"; got != want {
		t.Errorf("an interruption after the recording says %q, want %q", got, want)
	}
	said.Reset()
	explain(&said, errMarked)
	if said.Len() != 0 {
		t.Errorf("a marked take, whose findings were printed, says %q", said.String())
	}
}

// A path that ends like a package's name stays whole.
func TestPathsStayWholeInMessages(t *testing.T) {
	err := &atomicfile.Error{Path: "my.wav", Err: fs.ErrExist}
	if got := inWords(err); !strings.HasPrefix(got, "cannot write my.wav: ") {
		t.Errorf("%q lost a part of the path", got)
	}
	if got, want := inWords(&fileError{"my.wav", &deconv.NotFoundError{Silent: true}}), "my.wav: the recording is silent"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}
