package atomicfile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
)

func text(s string) func(io.Writer) error {
	return func(w io.Writer) error {
		_, err := io.WriteString(w, s)
		return err
	}
}

// holds fails unless the folder has these files with these contents, and no others.
func holds(t *testing.T, dir string, want map[string]string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for _, e := range entries {
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		got[e.Name()] = string(b)
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("the folder holds %v, want %v", got, want)
	}
}

func TestWrite(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.txt")
	for _, content := range []string{"first", "second", "", strings.Repeat("long", 50000)} {
		if err := Write(path, Options{}, text(content)); err != nil {
			t.Fatal(err)
		}
		holds(t, dir, map[string]string{"a.txt": content})
	}
}

func TestAFailureLeavesWhatWasThere(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.txt")
	cause := errors.New("the tape is torn")
	broken := func(w io.Writer) error {
		io.WriteString(w, strings.Repeat("half", 50000))
		return cause
	}
	if err := Write(path, Options{}, broken); !errors.Is(err, cause) || !strings.Contains(err.Error(), path) {
		t.Errorf("got %v", err)
	}
	holds(t, dir, map[string]string{})
	if err := Write(path, Options{}, text("old")); err != nil {
		t.Fatal(err)
	}
	if err := Write(path, Options{}, broken); !errors.Is(err, cause) {
		t.Errorf("got %v", err)
	}
	holds(t, dir, map[string]string{"a.txt": "old"})
}

func TestKeepExisting(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.txt")
	if err := Write(path, Options{KeepExisting: true}, text("first")); err != nil {
		t.Fatal(err)
	}
	called := false
	err := Write(path, Options{KeepExisting: true}, func(io.Writer) error { called = true; return nil })
	var e *Error
	if !errors.As(err, &e) || !errors.Is(err, fs.ErrExist) || e.Hint() == "" || called {
		t.Errorf("got %v, called %v", err, called)
	}
	holds(t, dir, map[string]string{"a.txt": "first"})

	// Of many at once, one wins, and the others know that they lost.
	path = filepath.Join(dir, "b.txt")
	var group sync.WaitGroup
	errs := make([]error, 8)
	for i := range errs {
		group.Go(func() { errs[i] = Write(path, Options{KeepExisting: true}, text(fmt.Sprint(i))) })
	}
	group.Wait()
	winner := -1
	for i, err := range errs {
		if err == nil && winner >= 0 {
			t.Errorf("%d and %d both wrote it", winner, i)
		}
		if err == nil {
			winner = i
		} else if !errors.Is(err, fs.ErrExist) {
			t.Errorf("%d: %v", i, err)
		}
	}
	holds(t, dir, map[string]string{"a.txt": "first", "b.txt": fmt.Sprint(winner)})
}

// Readers see the old file or the new one, never a part.
func TestNeverAPart(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.txt")
	contents := []string{strings.Repeat("a", 200000), strings.Repeat("b", 300000)}
	if err := Write(path, Options{}, text(contents[0])); err != nil {
		t.Fatal(err)
	}
	done := make(chan error)
	go func() {
		for i := range 100 {
			if err := Write(path, Options{}, text(contents[i%2])); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}()
	for {
		select {
		case err := <-done:
			if err != nil {
				t.Error(err)
			}
			return
		default:
			b, err := os.ReadFile(path)
			if err != nil || string(b) != contents[0] && string(b) != contents[1] {
				t.Fatalf("read %d bytes, %v", len(b), err)
			}
		}
	}
}

func TestSpecialTargets(t *testing.T) {
	dir := t.TempDir()
	if err := Write(dir, Options{}, text("x")); !errors.Is(err, syscall.EISDIR) {
		t.Errorf("a folder: %v", err)
	}
	if err := Write(filepath.Join(dir, "no", "a.txt"), Options{}, text("x")); !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.(*Error).Hint(), "create it first") {
		t.Errorf("in a missing folder: %v", err)
	}
	holds(t, dir, map[string]string{})
	if runtime.GOOS == "windows" {
		return // no devices among the files, and links need rights
	}
	if err := Write(os.DevNull, Options{}, text("x")); err != nil {
		t.Errorf("a device: %v", err)
	}
	if info, err := os.Stat(os.DevNull); err != nil || info.Mode().IsRegular() {
		t.Fatalf("the device was replaced by a file: %v, %v", info, err)
	}
	// A symbolic link stays one.
	if err := os.MkdirAll(filepath.Join(dir, "far"), 0o755); err != nil {
		t.Fatal(err)
	}
	target, link := filepath.Join(dir, "far", "a.txt"), filepath.Join(dir, "link")
	if err := os.WriteFile(target, []byte("old"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(target, link); err != nil {
		t.Fatal(err)
	}
	if err := Write(link, Options{}, text("new")); err != nil {
		t.Fatal(err)
	}
	holds(t, filepath.Join(dir, "far"), map[string]string{"a.txt": "new"})
	if info, err := os.Stat(target); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the rights are now %v, %v", info.Mode(), err)
	}
	if info, err := os.Lstat(link); err != nil || info.Mode()&fs.ModeSymlink == 0 {
		t.Errorf("the link was replaced: %v, %v", info, err)
	}
}

// A real full disk, where the system has a device that plays one.
func TestFull(t *testing.T) {
	const fullDevice = "/dev/full"
	if _, err := os.Stat(fullDevice); err != nil {
		return // checked through Hint below
	}
	err := Write(fullDevice, Options{}, text("x"))
	if !errors.Is(err, syscall.ENOSPC) || !strings.Contains(err.(*Error).Hint(), "free some space") {
		t.Errorf("got %v", err)
	}
}

type hinted struct{ error }

func (hinted) Hint() string { return "turn it round" }

func TestHint(t *testing.T) {
	for err, want := range map[error]string{
		syscall.EROFS: "read-only", syscall.EACCES: "no right", fs.ErrExist: "another name", syscall.ENOTDIR: "check the path",
		fs.ErrNotExist: "does not exist", errors.New("unheard of"): "",
	} {
		if got := Hint(&fs.PathError{Op: "open", Path: "x", Err: err}); !strings.Contains(got, want) || (got == "") != (want == "") {
			t.Errorf("%v: %q, want %q", err, got, want)
		}
	}
	if runtime.GOOS != "windows" {
		for _, err := range []error{syscall.ENOSPC, syscall.EDQUOT} {
			if got := Hint(err); !strings.Contains(got, "full") {
				t.Errorf("%v: %q", err, got)
			}
		}
	}
	if got := (&Error{"a", hinted{errors.New("upside down")}}).Hint(); got != "turn it round" {
		t.Errorf("the cause's own remedy is lost: %q", got)
	}
}
