//go:build unix

package survey

import (
	"errors"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// Nothing that stands for a file makes the program wait, or read without end:
// each of these would hang the test, or eat its memory.
func TestWhatIsNoFileIsRefused(t *testing.T) {
	makers := map[string]func(path string){
		"it is a device": func(path string) { link(t, "/dev/zero", path) },
		"it is a pipe": func(path string) {
			if err := syscall.Mkfifo(path, 0o666); err != nil {
				t.Fatal(err)
			}
		},
		"it is a folder": func(path string) { folder(t, path) },
	}
	for problem, put := range makers {
		t.Run(problem, func(t *testing.T) {
			s := create(t)
			c, err := s.KeepMicrophone("m.txt", []byte("20 0\n"))
			if err != nil {
				t.Fatal(err)
			}
			take := add(t, s, "left", "main")
			replace := func(path string) {
				remove(t, path)
				put(path)
			}
			damaged := func(err error, what string) {
				t.Helper()
				if d := (*Damage)(nil); !errors.As(err, &d) || !strings.Contains(d.Problem, problem) {
					t.Errorf("%s: got %v, want %q", what, err, problem)
				}
			}

			microphone := filepath.Join(s.Dir(), filepath.FromSlash(c.File))
			replace(microphone)
			_, err = s.ReadMicrophone(c)
			damaged(err, "calibration file")
			if _, err := hashFile(microphone); err == nil || !strings.Contains(err.Error(), problem) {
				t.Errorf("sum: %v", err)
			}

			for _, file := range []string{ImpulseName, RecordingName, MetaName} {
				replace(filepath.Join(take.Dir, file))
				entries, damage := list(t, s)
				if len(entries) != 0 || len(damage) != 1 || !strings.Contains(damage[0].Problem, file+": "+problem) {
					t.Errorf("%s: list says %+v, %v", file, entries, damage)
				}
				_, err := s.Load("1")
				damaged(err, file)
			}
			_, err = take.ReadRecording()
			damaged(err, "recording")
			_, err = take.ReadImpulse()
			damaged(err, "impulse response")

			// An unfinished take.
			dir := filepath.Join(s.Dir(), "0002-right"+unfinished)
			folder(t, dir)
			put(filepath.Join(dir, busyName))
			put(filepath.Join(dir, RecordingName))
			if entries, _ := list(t, s); len(entries) != 1 || entries[0].InProgress {
				t.Errorf("unfinished: %+v", entries)
			}
			_, err = s.Adopt("2")
			damaged(err, "unfinished take")
			remove(t, filepath.Join(dir, RecordingName))
			write(t, filepath.Join(dir, RecordingName), "RIFF")
			if _, err := s.Adopt("2"); err == nil || !strings.Contains(err.Error(), problem) {
				t.Errorf("its mark: %v", err)
			}

			lock := filepath.Join(s.Dir(), lockName)
			replace(lock)
			if _, err := s.Begin(example()); err == nil || !strings.Contains(err.Error(), problem) {
				t.Errorf("lock: %v", err)
			}

			replace(filepath.Join(s.Dir(), surveyName))
			again, err := Open(s.Dir(), true)
			if err != nil {
				t.Fatal(err)
			}
			damaged(again.ReadOnly(), surveyName)
		})
	}
}
