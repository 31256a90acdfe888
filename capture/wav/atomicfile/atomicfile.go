// Package atomicfile writes files that are either whole or not there: under a
// temporary name in the same folder, flushed to the disk, then renamed. It is
// the one home of that for the WAV writer, the survey and the exports.
package atomicfile

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"syscall"
)

// Options says how to write. The zero value replaces a file that is there.
type Options struct {
	// KeepExisting refuses to replace a file: the error is then fs.ErrExist
	// within an *Error.
	KeepExisting bool
}

// Error says that a file could not be written. What stood at Path before
// still stands there.
type Error struct {
	Path string
	Err  error
}

// Error names the file and the cause.
func (e *Error) Error() string {
	cause := e.Err
	// The path is named once; the temporary name helps nobody.
	var path *fs.PathError
	var link *os.LinkError
	if errors.As(cause, &path) {
		cause = path.Err
	} else if errors.As(cause, &link) {
		cause = link.Err
	}
	return fmt.Sprintf("cannot write %s: %v", e.Path, cause)
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// Hint says what to do about the cause; it is empty where nothing is known.
func (e *Error) Hint() string {
	// A cause that brings its own remedy knows best.
	var hinted interface{ Hint() string }
	if errors.As(e.Err, &hinted) {
		return hinted.Hint()
	}
	return Hint(e.Err)
}

// Hint says what a user can do about an error of the file system: a full
// disk, missing rights, a read-only medium, a missing folder. It is empty for
// every other error.
func Hint(err error) string {
	switch {
	case errors.Is(err, fs.ErrExist):
		return "choose another name, or say that the file may be replaced"
	case full(err):
		return "the disk is full: free some space there, or choose a folder on another disk"
	case errors.Is(err, syscall.EFBIG):
		return "files there may not be as large as this one: choose a folder on another disk, or raise the limit (ulimit -f)"
	case errors.Is(err, syscall.EROFS):
		return "that disk is read-only: choose a folder on another one"
	case errors.Is(err, fs.ErrPermission):
		return "you have no right to write there: choose another folder, or change its rights"
	case errors.Is(err, syscall.ENOTDIR):
		return "part of that path is a file, not a folder: check the path"
	case errors.Is(err, syscall.EISDIR):
		return "that is a folder: name a file in it"
	case errors.Is(err, fs.ErrNotExist):
		return "the folder does not exist: create it first, or check the path"
	}
	return ""
}

func full(err error) bool {
	const windowsHandleDiskFull, windowsDiskFull = syscall.Errno(39), syscall.Errno(112)
	if runtime.GOOS == "windows" {
		return errors.Is(err, windowsHandleDiskFull) || errors.Is(err, windowsDiskFull)
	}
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}

// Write calls write with a buffered writer and puts what it wrote at path.
// When it returns nil the file is on the disk under its name; when it returns
// an error (an *Error, or write's own error inside one) nothing has changed at
// path and no temporary file is left.
//
// A path that names a device or a pipe is written to directly, and a symbolic
// link keeps pointing where it did: its target is replaced. The new file has
// the old one's rights.
func Write(path string, o Options, write func(io.Writer) error) error {
	wrap := func(err error) error { return &Error{Path: path, Err: err} }
	target, rights := path, fs.FileMode(0)
	if info, err := os.Stat(path); err == nil {
		switch {
		case info.IsDir():
			return wrap(syscall.EISDIR)
		case o.KeepExisting:
			return wrap(fs.ErrExist)
		case !info.Mode().IsRegular():
			if err := direct(path, write); err != nil {
				return wrap(err)
			}
			return nil
		}
		rights = info.Mode().Perm()
		if resolved, err := filepath.EvalSymlinks(path); err == nil {
			target = resolved
		}
	}
	temp, err := create(target)
	if err != nil {
		return wrap(err)
	}
	done := false
	defer func() {
		if !done {
			temp.Close()
			os.Remove(temp.Name())
		}
	}()
	if err := buffered(temp, write); err != nil {
		return wrap(err)
	}
	if rights != 0 {
		// Whom the old file was closed to, the new one is too. Not every file
		// system has rights, so a failure says nothing.
		_ = temp.Chmod(rights)
	}
	if err := temp.Sync(); err != nil {
		return wrap(err)
	}
	if err := temp.Close(); err != nil {
		return wrap(err)
	}
	if o.KeepExisting {
		err = publishNew(temp.Name(), target)
	} else {
		err = os.Rename(temp.Name(), target)
	}
	if err != nil {
		return wrap(err)
	}
	done = true
	if err := SyncFolder(filepath.Dir(target)); err != nil {
		return wrap(err)
	}
	return nil
}

func buffered(w io.Writer, write func(io.Writer) error) error {
	b := bufio.NewWriterSize(w, 1<<16)
	if err := write(b); err != nil {
		return err
	}
	return b.Flush()
}

func direct(path string, write func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	if err := buffered(f, write); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}

// create opens a new file beside target. Unlike os.CreateTemp it leaves the
// rights to the user's umask, because the file is to stay.
func create(target string) (*os.File, error) {
	for try := 0; ; try++ {
		name := filepath.Join(filepath.Dir(target),
			"."+filepath.Base(target)+"."+strconv.FormatUint(uint64(rand.Uint32()), 36)+TempSuffix)
		f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
		if errors.Is(err, fs.ErrExist) && try < 1000 {
			continue
		}
		return f, err
	}
}

// TempSuffix ends the name of every file that is still being written. One
// that stays behind is left from a program that was killed.
const TempSuffix = ".tmp"

// publishNew gives temp the name target, which must not exist.
func publishNew(temp, target string) error {
	err := os.Link(temp, target)
	if err == nil {
		os.Remove(temp) // the file has its name; a leftover is only untidy
		return nil
	}
	if errors.Is(err, fs.ErrExist) {
		return err
	}
	// A file system without hard links: claim the name, then rename over it.
	claim, err := os.OpenFile(target, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return err
	}
	if err := claim.Close(); err != nil {
		return err
	}
	if err := os.Rename(temp, target); err != nil {
		os.Remove(target)
		return err
	}
	return nil
}

// SyncFolder flushes a folder's list of names, so that a rename in it
// survives a loss of power. Where the system cannot do that it does nothing.
func SyncFolder(path string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	defer d.Close()
	if err := d.Sync(); err != nil && !errors.Is(err, syscall.EINVAL) && !errors.Is(err, errors.ErrUnsupported) {
		return err
	}
	return nil
}
