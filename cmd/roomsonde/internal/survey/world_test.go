package survey

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/gofrs/flock"
)

// holdLock takes the survey's lock as another program would, until released.
func holdLock(t testing.TB, s *Survey) (release func()) {
	t.Helper()
	l := flock.New(filepath.Join(s.Dir(), lockName))
	if err := l.Lock(); err != nil {
		t.Fatal(err)
	}
	return func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}
}

// A program that never lets go of the survey is waited for, then named; nothing
// is lost, and nothing half begun is left.
func TestLockIsNotToBeHad(t *testing.T) {
	s := create(t)
	d := begin(t, s, 1)
	release := holdLock(t, s)
	s.patience = 50 * time.Millisecond
	busy := func(what string, err error) {
		t.Helper()
		if b := (*BusyError)(nil); !errors.As(err, &b) || b.Path != s.Dir() || !strings.Contains(err.Error(), "for the 0.05 s") || !strings.Contains(hint(err), "wait until it is done") {
			t.Errorf("%s: %v (%s)", what, err, hint(err))
		}
	}
	_, err := s.Begin(example())
	busy("begin", err)
	busy("settings", s.SaveSettings(Settings{}))
	_, err = d.Finish(answer(50), d.Meta())
	busy("finish", err)
	if entries, damage := list(t, s); len(entries) != 1 || !entries[0].InProgress || len(damage) != 0 {
		t.Errorf("meanwhile: %+v, %v", entries, damage)
	}
	// The same draft goes on once the other is done.
	release()
	s.patience = 0
	if _, err := d.Finish(answer(50), d.Meta()); err != nil {
		t.Fatal(err)
	}
	if err := s.Verify("1"); err != nil {
		t.Error(err)
	}
	if entries, _ := list(t, s); len(entries) != 1 {
		t.Errorf("got %+v", entries)
	}
}

// Close gives the take free also where the lock is not to be had.
func TestCloseWithoutLock(t *testing.T) {
	s := create(t)
	d := begin(t, s, 1)
	release := holdLock(t, s)
	s.patience = 50 * time.Millisecond
	d.Close()
	release()
	if entries, _ := list(t, s); len(entries) != 1 || entries[0].InProgress {
		t.Errorf("got %+v", entries)
	}
	if _, err := s.Adopt("1"); err != nil {
		t.Error(err)
	}
}

// slow is a disk that takes its time for every block.
type slow struct{ w io.Writer }

func (s slow) Write(p []byte) (int, error) {
	done := 0
	for done < len(p) {
		time.Sleep(time.Millisecond)
		n, err := s.w.Write(p[done:min(done+1000, len(p))])
		done += n
		if err != nil {
			return done, err
		}
	}
	return done, nil
}

// A slow disk delays and spoils nothing: what is written outside the lock may
// take longer than anybody waits for the lock, and others get on meanwhile.
func TestSlowDisk(t *testing.T) {
	s := create(t)
	s.wrap = func(w io.Writer) io.Writer { return slow{w} }
	s.patience = 500 * time.Millisecond // less than the recording takes
	d := begin(t, s, 0)
	kept := make(chan error)
	go func() { kept <- d.KeepRecording(48000, sound(250_000)) }()
	other := must(Open(s.Dir(), false))
	for done := false; !done; {
		select {
		case err := <-kept:
			if err != nil {
				t.Fatal(err)
			}
			done = true
		default:
			add(t, other, "other", "main")
		}
	}
	if _, err := d.Finish(answer(2000), d.Meta()); err != nil {
		t.Fatal(err)
	}
	entries, damage := list(t, s)
	if len(entries) < 2 || len(damage) != 0 {
		t.Errorf("%d takes, %v", len(entries), damage)
	}
	for _, e := range entries {
		if err := s.Verify(e.ID); err != nil || e.Unfinished {
			t.Errorf("%s: %v", e.ID, err)
		}
	}
}

// A survey that goes away in the middle is named as gone, and does not come back
// as a folder with half of it.
func TestRemovedInTheMiddle(t *testing.T) {
	gone := func(what string, err error, text string) {
		t.Helper()
		var w *WriteError
		if !errors.As(err, &w) || !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "removed or renamed") || !strings.Contains(hint(err), text) {
			t.Errorf("%s: %v (%s)", what, err, hint(err))
		}
	}
	s := create(t)
	d := begin(t, s, 0)
	away := s.Dir() + " elsewhere"
	if err := os.Rename(s.Dir(), away); err != nil {
		t.Fatal(err)
	}
	const back = "put it back under this name, or choose another survey"
	gone("keep", d.KeepRecording(48000, sound(100)), back)
	_, err := s.Begin(example())
	gone("begin", err, back)
	_, err = s.KeepMicrophone("m.txt", []byte("20 0\n"))
	gone("microphone", err, back)
	gone("settings", s.SaveSettings(Settings{}), back)
	if exists(s.Dir()) {
		t.Error("the survey's folder came back")
	}
	// Put back, it goes on as if nothing had been.
	if err := os.Rename(away, s.Dir()); err != nil {
		t.Fatal(err)
	}
	if err := d.KeepRecording(48000, sound(100)); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(s.Dir(), away); err != nil {
		t.Fatal(err)
	}
	_, err = d.Finish(answer(50), d.Meta())
	gone("finish", err, back)
	d.Close()
	if exists(s.Dir()) {
		t.Error("the survey's folder came back")
	}
	if e, err := must(Open(away, false)).Adopt("1"); err != nil {
		t.Error(err)
	} else {
		e.Close()
	}

	// Only the take's own folder.
	s = create(t)
	d = begin(t, s, 0)
	remove(t, d.Dir())
	gone("keep", d.KeepRecording(48000, sound(100)), "measure again")
	d.Close()
	if entries, damage := list(t, s); len(entries)+len(damage) != 0 {
		t.Errorf("left: %+v, %v", entries, damage)
	}
}

// A survey, and a take in it, may be reached through symbolic links.
func TestThroughLinks(t *testing.T) {
	s := create(t)
	first := add(t, s, "left", "main")
	dir := t.TempDir()
	link(t, s.Dir(), filepath.Join(dir, "room"))
	through := must(Open(filepath.Join(dir, "room"), true))
	if take := add(t, through, "right", "main"); take.Number != 2 {
		t.Errorf("number %d", take.Number)
	}
	// A take that was moved to a larger disk.
	moved := filepath.Join(dir, "moved")
	if err := os.Rename(first.Dir, moved); err != nil {
		t.Fatal(err)
	}
	link(t, moved, first.Dir)
	entries, damage := list(t, s)
	if len(entries) != 2 || len(damage) != 0 {
		t.Fatalf("got %+v, %v", entries, damage)
	}
	for _, e := range entries {
		if err := through.Verify(e.ID); err != nil {
			t.Error(err)
		}
	}
	// A link that leads nowhere is damage with a name, not an end.
	remove(t, moved)
	if entries, damage := list(t, s); len(entries) != 1 || len(damage) != 1 || !strings.Contains(damage[0].Problem, moved+", which does not exist") {
		t.Errorf("got %+v, %v", entries, damage)
	}
	if take := add(t, s, "next", "main"); take.Number != 3 {
		t.Errorf("the number of a take whose link leads nowhere was given again: %d", take.Number)
	}
}

// A clock that was set back, or jumped while the machine slept, changes neither
// numbers nor order nor what the latest take is.
func TestClockGoesBackwards(t *testing.T) {
	s := create(t)
	start := example().MadeAt
	for _, days := range []int{0, -400, 7, -20000, 3} {
		m := example()
		m.MadeAt = start.AddDate(0, 0, days)
		d, err := s.Begin(m)
		if err != nil {
			t.Fatal(err)
		}
		if err := d.KeepRecording(48000, sound(10)); err != nil {
			t.Fatal(err)
		}
		take, err := d.Finish(answer(50), m)
		if err != nil {
			t.Fatal(err)
		}
		// Files from the future and the past alike.
		for _, path := range []string{take.Dir, take.RecordingPath(), filepath.Join(s.Dir(), lockName)} {
			if err := os.Chtimes(path, m.MadeAt, m.MadeAt); err != nil {
				t.Fatal(err)
			}
		}
	}
	entries, damage := list(t, s)
	if len(entries) != 5 || len(damage) != 0 {
		t.Fatalf("got %+v, %v", entries, damage)
	}
	for i, e := range entries {
		if e.Number != i+1 {
			t.Errorf("take %d stands at place %d", e.Number, i+1)
		}
	}
	if take, err := s.Load(Latest); err != nil || take.Number != 5 {
		t.Errorf("latest: %+v, %v", take, err)
	}
}

// Another program creates the survey just after this one has seen that there is
// none.
func TestCreatedMeanwhile(t *testing.T) {
	for _, create := range []bool{true, false} {
		there := filepath.Join(t.TempDir(), "room")
		must(Open(there, true))
		if err := os.Mkdir(filepath.Join(there, microphones), 0o777); err != nil {
			t.Fatal(err)
		}
		s, err := (&Survey{dir: there}).withoutHeader(create)
		if err != nil || s.ReadOnly() != nil {
			t.Errorf("create %v: %v, %v", create, s, err)
		}
	}
}

// A disk that cannot lock says so, with what to do.
func TestDiskWithoutLocks(t *testing.T) {
	s := create(t)
	err := s.failed("begin a take", noLocks(&fs.PathError{Op: "flock", Path: "x", Err: syscall.ENOLCK}))
	if !errors.Is(err, syscall.ENOLCK) || !strings.Contains(err.Error(), "cannot lock files") || !strings.Contains(hint(err), "disk of this computer") {
		t.Errorf("%v (%s)", err, hint(err))
	}
}
