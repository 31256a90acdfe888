package survey

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"time"

	"roomsonde/capture/wav/atomicfile"
)

// The most that is read of a file, in bytes. What is larger is none of ours.
const (
	maxHeaderBytes     = 1 << 20
	maxMetaBytes       = 16 << 20
	maxMicrophoneBytes = 16 << 20
)

// regular returns an error for what is there and no file: opening a pipe would
// wait for its other end, reading some devices never ends. Links are followed.
func regular(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	what := "something else"
	switch mode := info.Mode(); {
	case mode.IsRegular():
		return nil
	case mode.IsDir():
		what = "a folder"
	case mode&fs.ModeNamedPipe != 0:
		what = "a pipe"
	case mode&fs.ModeSocket != 0:
		what = "a socket"
	case mode&fs.ModeDevice != 0:
		what = "a device"
	}
	return errors.New("it is " + what + ", not a file")
}

// readFile reads a file of at most so many bytes.
func readFile(path string, most int64) ([]byte, error) {
	if err := regular(path); err != nil {
		return nil, err
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, err
	}
	if int64(len(b)) > most {
		return nil, fmt.Errorf("it is larger than %d MiB", most>>20)
	}
	return b, nil
}

// readHint says what to do where something cannot be read. (atomicfile.Hint
// speaks of writing.)
func readHint(err error) string {
	switch {
	case errors.Is(err, fs.ErrPermission):
		return "you have no right to read it: change its rights, or read a copy"
	case errors.Is(err, syscall.ELOOP):
		return "its symbolic links lead back to themselves: delete the wrong one, or give another folder"
	}
	return atomicfile.Hint(err)
}

// unusable makes a *Damage of an error of reading a file or folder of the
// survey. file is put before the problem where it is not "".
func unusable(id, path, file string, err error) *Damage {
	d := &Damage{ID: id, Path: path, Problem: cause(err).Error()}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		d.Problem = "it is missing"
		if file != "" {
			d.Problem = file + " is missing"
		}
		return d
	case errors.Is(err, fs.ErrPermission):
		d.unreadable, d.hint = true, readHint(err)
	}
	if file != "" {
		d.Problem = file + ": " + d.Problem
	}
	return d
}

// unmarshal is json.Unmarshal with errors for those who do not read Go.
func unmarshal(b []byte, v any) error {
	err := json.Unmarshal(b, v)
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	var moment *time.ParseError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &syntax):
		if syntax.Offset >= int64(len(b)) {
			return fmt.Errorf("it ends in the middle, after %d bytes", len(b))
		}
		return fmt.Errorf("it cannot be read at byte %d of %d", syntax.Offset, len(b))
	case errors.As(err, &kind):
		found := kindInWords(kind.Value)
		if kind.Field == "" {
			return fmt.Errorf("it holds %s, where named values in braces belong", found)
		}
		return fmt.Errorf("its %s is %s, where %s belongs", kind.Field, found, typeInWords(kind.Type))
	case errors.As(err, &moment):
		return fmt.Errorf("%s is no date and time, as 2025-03-01T14:30:00+01:00 is", moment.Value)
	}
	return errors.New("a date and time in it is none, as 2025-03-01T14:30:00+01:00 is one")
}

// kindInWords says what package json found.
func kindInWords(value string) string {
	kind, number, _ := strings.Cut(value, " ")
	switch kind {
	case "array":
		return "a list"
	case "object":
		return "a group in braces"
	case "string":
		return "text"
	case "bool":
		return "true or false"
	}
	if number == "" {
		return "a number"
	}
	return "the number " + number
}

// typeInWords says what a type is in JSON.
func typeInWords(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Pointer:
		return typeInWords(t.Elem())
	case reflect.Slice, reflect.Array:
		return "a list"
	case reflect.String:
		return "text"
	case reflect.Float32, reflect.Float64:
		return "a number"
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return "a whole number"
	case reflect.Bool:
		return "true or false"
	}
	return "a group in braces"
}

// dangling returns the symbolic link on the way to path that leads nowhere, and
// where it points; "" where there is none.
func dangling(path string) (link, target string) {
	for p := filepath.Clean(path); ; p = filepath.Dir(p) {
		info, err := os.Lstat(p)
		switch {
		case err == nil && info.Mode()&fs.ModeSymlink != 0:
			if _, err := os.Stat(p); errors.Is(err, fs.ErrNotExist) {
				target, _ := os.Readlink(p)
				return p, target
			}
			return "", ""
		case err == nil, p == filepath.Dir(p):
			return "", ""
		}
	}
}

// shellWord writes a path so that it can be copied into a command line.
func shellWord(path string) string {
	switch {
	case !strings.ContainsAny(path, " \t\n'\"`$&|;<>()*?[]{}#~!^%"):
		return path
	case runtime.GOOS == "windows":
		return `"` + path + `"`
	}
	return "'" + strings.ReplaceAll(path, "'", `'\''`) + "'"
}

// keptMicrophone is how KeepMicrophone names a file: the beginning of its sum.
var keptMicrophone = regexp.MustCompile(`^[0-9a-f]{12}-`)

// isTake reports whether a folder is a take: whether it holds one of the files
// without which a take is none.
func isTake(dir string) bool {
	return exists(filepath.Join(dir, MetaName)) || exists(filepath.Join(dir, RecordingName))
}

// isMicrophones reports whether a folder holds calibration files that a survey
// has kept.
func isMicrophones(dir string) bool {
	files, err := os.ReadDir(dir)
	if err != nil {
		return false
	}
	for _, f := range files {
		if keptMicrophone.MatchString(f.Name()) {
			return true
		}
	}
	return false
}

// Holds reports whether path names a place among a survey's own files, so that
// nothing else may be written there: in a take's folder (one that holds
// take.json, or recording.wav where a survey.json lies beside it), in the
// microphones beside a survey.json, or that file, the settings or the lock
// beside it. It need not exist. Symbolic links are followed,
// also the last one, since who writes follows it too.
func Holds(path string) bool {
	if path == "" {
		return false
	}
	// Where a link stands before a "..", the system goes up from the link's
	// target, and who cleans the path first goes up from the link. Both count.
	clean, err := filepath.Abs(path)
	if err != nil {
		return false
	}
	if follow(clean) {
		return true
	}
	if !filepath.IsAbs(path) {
		// Not joined: that would clean it.
		wd, err := os.Getwd()
		if err != nil {
			return false
		}
		path = wd + string(filepath.Separator) + path
	}
	return follow(path)
}

// follow is Holds for an absolute path, link by link.
func follow(path string) bool {
	const mostLinks = 40 // as many as Linux follows
	for range mostLinks {
		folder, name := filepath.Split(path)
		if name == "" || name == "." || name == ".." { // a folder, which nothing can be written over
			return false
		}
		if resolved, err := filepath.EvalSymlinks(folder); err == nil {
			folder = resolved
		} else {
			folder = filepath.Clean(folder)
		}
		if ours(folder, name) {
			return true
		}
		target, err := os.Readlink(filepath.Join(folder, name))
		if err != nil {
			return false
		}
		if !filepath.IsAbs(target) {
			target = strings.TrimSuffix(folder, string(filepath.Separator)) + string(filepath.Separator) + target
		}
		path = target
	}
	return false
}

// ours reports whether a name in a folder without links belongs to a survey.
// Some systems do not mind the case of names.
func ours(folder, name string) bool {
	if isTake(folder) && (exists(filepath.Join(folder, MetaName)) || exists(filepath.Join(filepath.Dir(folder), surveyName))) {
		return true // a recording.wav alone may be anybody's
	}
	if strings.EqualFold(filepath.Base(folder), microphones) && exists(filepath.Join(filepath.Dir(folder), surveyName)) {
		return true
	}
	own := func(n string) bool { return strings.EqualFold(name, n) }
	return slices.ContainsFunc([]string{surveyName, settingsName, lockName}, own) && exists(filepath.Join(folder, surveyName))
}
