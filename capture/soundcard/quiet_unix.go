//go:build cgo && unix

package soundcard

import (
	"os"
	"runtime/debug"
	"sync/atomic"

	"golang.org/x/sys/unix"
)

// PortAudio tries every sound system and every device that the configuration
// knows, and the libraries beneath it (ALSA, JACK) write a line to the standard
// error for each that is not there: a hundred lines on a healthy machine. Later
// they report there every buffer that comes late. They offer no common switch,
// and PortAudio no way to those they have; so file descriptor 2 itself is led
// elsewhere.

// quietly runs f while file descriptor 2 leads nowhere, and then puts it back.
// What this program writes meanwhile is lost too, so f is only ever a call that
// lists, opens or closes devices; only crash reports of the Go runtime come
// through. Where the descriptor cannot be moved, f runs all the same.
func quietly(f func() error) error {
	if quietForGood.Load() {
		return f()
	}
	saved, err := muteStderr()
	if err != nil {
		return f()
	}
	stderr := os.NewFile(uintptr(saved), "stderr")
	defer stderr.Close()
	debug.SetCrashOutput(stderr, debug.CrashOptions{})
	defer debug.SetCrashOutput(nil, debug.CrashOptions{})
	defer unix.Dup2(saved, 2) // also when f panics
	return f()
}

// quietForGood is set by KeepLibrariesQuiet.
var quietForGood atomic.Bool

// muteStderr leads file descriptor 2 nowhere and returns what it was.
func muteStderr() (saved int, err error) {
	nowhere, err := os.OpenFile(os.DevNull, os.O_WRONLY, 0)
	if err != nil {
		return 0, err
	}
	defer nowhere.Close()
	if saved, err = unix.FcntlInt(2, unix.F_DUPFD_CLOEXEC, 3); err != nil {
		return 0, err
	}
	if err := unix.Dup2(int(nowhere.Fd()), 2); err != nil {
		unix.Close(saved)
		return 0, err
	}
	return saved, nil
}

// KeepLibrariesQuiet is for a program to call once, first of all, if it does not
// want the messages of ALSA and JACK among its own, in a progress bar for
// instance. It leads file descriptor 2 nowhere for good and returns the standard
// error under another descriptor; os.Stderr is set to it, and crash reports of
// the Go runtime go there too. A program that holds the old os.Stderr writes into
// nothing. Without it the messages are kept away only while devices are listed,
// opened and closed.
func KeepLibrariesQuiet() (*os.File, error) {
	saved, err := muteStderr()
	if err != nil {
		return os.Stderr, err
	}
	quietForGood.Store(true)
	stderr := os.NewFile(uintptr(saved), os.Stderr.Name())
	os.Stderr = stderr
	return stderr, debug.SetCrashOutput(stderr, debug.CrashOptions{})
}
