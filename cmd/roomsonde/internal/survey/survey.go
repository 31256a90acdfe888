package survey

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
	"unicode"

	"github.com/agnivade/levenshtein"
	"github.com/gofrs/flock"

	"roomsonde/capture/wav/atomicfile"
)

// How long to wait for another program. A clock that jumps, because the machine
// slept or its time was set, changes nothing about it.
const (
	lockPatience   = 15 * time.Second
	finishPatience = 2 * time.Minute // a take is at stake, and a disk may be slow
	lockRetry      = 20 * time.Millisecond
)

// Survey is a folder of takes. Its methods may be used by several goroutines
// and several programs at once.
type Survey struct {
	dir string
	// readOnly is why nothing may be written, nil when it may.
	readOnly error
	damage   []Damage // of the survey itself

	// patience replaces lockPatience and finishPatience where a test sets it.
	patience time.Duration
	// step is called before each change on disk; a test makes it fail.
	step func(name string) error
	// wrap stands between a file and who writes it; a test makes it fail.
	wrap func(io.Writer) io.Writer
}

// header is the content of survey.json.
type header struct {
	Kind   string `json:"kind"`
	Format int    `json:"format"`
}

const kind = "roomsonde survey"

// Open opens the survey in dir. With create, a folder that is missing or empty
// becomes one. Errors are a *NotSurveyError for what is no survey and a
// *WriteError where it could not be created.
//
// A survey of a newer version, or one whose survey.json cannot be read, opens
// for reading: Begin then says why nothing is written.
func Open(dir string, create bool) (*Survey, error) {
	return open(&Survey{dir: dir}, create)
}

func open(s *Survey, create bool) (*Survey, error) {
	if s.dir == "" {
		return nil, &NotSurveyError{"", "no folder was named", "give the folder that holds the takes, or shall hold them"}
	}
	info, err := os.Stat(s.dir)
	if errors.Is(err, fs.ErrNotExist) {
		if link, target := dangling(s.dir); link != "" {
			return nil, &NotSurveyError{link, "is a symbolic link to " + target + ", which does not exist", "see what became of that folder, or give another one"}
		}
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if !create {
			return nil, &NotSurveyError{s.dir, "there is no such survey", "measure something into it first, or check the path"}
		}
		if err := s.try("create", func() error { return os.MkdirAll(s.dir, 0o777) }); err != nil {
			return nil, &WriteError{"create the survey", s.dir, cause(err)}
		}
	case err != nil && create && !errors.Is(err, fs.ErrPermission):
		return nil, &WriteError{"create the survey", s.dir, cause(err)}
	case err != nil:
		return nil, &NotSurveyError{s.dir, "cannot be opened: " + cause(err).Error(), readHint(err)}
	case !info.IsDir():
		return nil, &NotSurveyError{s.dir, "is a file; a survey is a folder", "give the folder that holds the takes"}
	}

	b, err := readFile(filepath.Join(s.dir, surveyName), maxHeaderBytes)
	if errors.Is(err, fs.ErrNotExist) {
		return s.withoutHeader(create)
	}
	if errors.Is(err, fs.ErrPermission) {
		// Is it the file that is closed, or the folder?
		if _, err := os.ReadDir(s.dir); err != nil {
			return nil, &NotSurveyError{s.dir, "cannot be opened: " + cause(err).Error(), readHint(err)}
		}
	}
	var h header
	if err == nil {
		err = unmarshal(b, &h)
	}
	if err != nil && h.Kind == kind && h.Format > Format {
		err = nil // a newer version may write other things otherwise
	}
	if err == nil && (h.Kind != kind || h.Format < 1) {
		err = errors.New("it does not say that this is a survey")
	}
	switch {
	case err != nil:
		d := unusable(surveyName, filepath.Join(s.dir, surveyName), "", err)
		s.damage, s.readOnly = []Damage{*d}, d
	case h.Format > Format:
		s.readOnly = &NewerError{Path: s.dir, Found: h.Format, Known: Format}
	}
	return s, nil
}

// withoutHeader opens or creates a survey whose folder lacks survey.json.
func (s *Survey) withoutHeader(create bool) (*Survey, error) {
	entries, err := os.ReadDir(s.dir)
	if err != nil {
		return nil, &NotSurveyError{s.dir, "cannot be opened: " + cause(err).Error(), readHint(err)}
	}
	if exists(filepath.Join(s.dir, surveyName)) {
		return open(s, create) // another program has just created it
	}
	takes, others := 0, 0
	for _, e := range entries {
		path := filepath.Join(s.dir, e.Name())
		switch {
		// A folder may be called "2024", or "microphones", for other reasons.
		case takeName.MatchString(e.Name()) && isTake(path), e.Name() == microphones && isMicrophones(path):
			takes++
		case !strings.HasPrefix(e.Name(), "."):
			others++
		}
	}
	if create && (takes > 0 || others == 0) {
		err := s.locked(lockPatience, func() error {
			// Another program may have been faster.
			if _, err := os.Stat(filepath.Join(s.dir, surveyName)); err == nil {
				return nil
			}
			return s.writeJSON("survey.json", filepath.Join(s.dir, surveyName), header{kind, Format})
		})
		if err != nil {
			return nil, s.failed("create the survey", err)
		}
		return open(s, false)
	}
	if takes > 0 {
		d := Damage{ID: surveyName, Path: filepath.Join(s.dir, surveyName), Problem: "it is missing"}
		s.damage, s.readOnly = []Damage{d}, &d
		return s, nil
	}
	if _, err := os.Stat(filepath.Join(s.dir, MetaName)); err == nil {
		return nil, &NotSurveyError{s.dir, "is a single take, not a survey", "give the folder above it: " + filepath.Dir(filepath.Clean(s.dir))}
	}
	if create {
		return nil, &NotSurveyError{s.dir, "holds other things, and no survey", "give a folder that is empty or does not exist yet"}
	}
	return nil, &NotSurveyError{s.dir, "is not a survey", "give the folder that holds the takes, or measure something first"}
}

// Dir returns the survey's folder.
func (s *Survey) Dir() string { return s.dir }

// ReadOnly returns why nothing may be written into the survey, and nil where
// nothing speaks against it.
func (s *Survey) ReadOnly() error { return s.readOnly }

// Entry is a take as List sees it.
type Entry struct {
	Meta
	Dir string
	// Unfinished is set where the take was begun and never finished; then Meta
	// may hold little.
	Unfinished bool
	// InProgress is set where a program is at work on an unfinished take.
	InProgress bool
	Holds      []string // the files in it, sorted, without temporary ones
	// Newer is set where a newer version wrote the take: Meta may lack some of
	// what it says.
	Newer bool
}

// takeName takes the name of a take's folder apart: number, slug, state.
var takeName = regexp.MustCompile(`^(\d{4,9})(?:-([^.]*))?(\.unfinished)?$`)

// List returns the survey's takes by number, unfinished ones among them, and
// what is damaged. The error says that the folder itself cannot be read.
func (s *Survey) List() ([]Entry, []Damage, error) {
	folders, err := os.ReadDir(s.dir)
	if err != nil {
		return nil, nil, &NotSurveyError{s.dir, "cannot be read: " + cause(err).Error(), readHint(err)}
	}
	var entries []Entry
	damage := slices.Clone(s.damage)
	for _, f := range folders {
		dir := filepath.Join(s.dir, f.Name())
		m := takeName.FindStringSubmatch(f.Name())
		if m == nil {
			if _, err := os.Stat(filepath.Join(dir, MetaName)); err == nil {
				damage = append(damage, Damage{ID: f.Name(), Path: dir, Problem: "its folder's name does not begin with a number"})
			}
			continue
		}
		if link, target := dangling(dir); link == dir {
			damage = append(damage, Damage{ID: f.Name(), Path: dir, Problem: "it is a symbolic link to " + target + ", which does not exist"})
			continue
		}
		if info, err := os.Stat(dir); err != nil || !info.IsDir() {
			continue
		}
		e, d := s.entry(dir, f.Name(), m)
		if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
			// Finished or thrown away while we looked: look again under the
			// name that a finished take has.
			name := strings.TrimSuffix(f.Name(), unfinished)
			dir = filepath.Join(s.dir, name)
			if info, err := os.Stat(dir); err != nil || !info.IsDir() {
				continue
			}
			e, d = s.entry(dir, name, takeName.FindStringSubmatch(name))
		}
		if d != nil {
			damage = append(damage, *d)
			continue
		}
		if !slices.ContainsFunc(entries, func(o Entry) bool { return o.Dir == e.Dir }) {
			entries = append(entries, *e)
		}
	}
	slices.SortStableFunc(entries, func(a, b Entry) int {
		return cmp.Or(cmp.Compare(a.Number, b.Number), cmp.Compare(a.ID, b.ID))
	})
	return entries, damage, nil
}

// entry looks at one take's folder.
func (s *Survey) entry(dir, name string, m []string) (*Entry, *Damage) {
	e := &Entry{Dir: dir, Unfinished: m[3] != ""}
	files, err := os.ReadDir(dir)
	if err != nil {
		return nil, unusable(name, dir, "", err)
	}
	for _, f := range files {
		if !strings.HasPrefix(f.Name(), ".") {
			e.Holds = append(e.Holds, f.Name())
		}
	}
	meta, _, err := readMeta(filepath.Join(dir, MetaName))
	if err == nil {
		e.Meta = *meta
		e.Newer = meta.Format > Format
	} else if !e.Unfinished {
		return nil, s.Rescued(unusable(name, dir, MetaName, err))
	}
	// The folder's name is what the user sees, and may have changed.
	e.ID = strings.TrimSuffix(name, unfinished)
	e.Number, _ = strconv.Atoi(m[1])
	if e.Unfinished {
		e.InProgress = busy(dir)
		return e, nil
	}
	if e.Newer { // which may name its files otherwise
		return e, nil
	}
	if problem := listProblem(dir, &e.Meta, e.Holds); problem != "" {
		return nil, &Damage{ID: name, Path: dir, Problem: problem}
	}
	for i, path := range append(recordingPaths(dir, &e.Meta), filepath.Join(dir, ImpulseName)) {
		file := filepath.Base(path)
		if err := regular(path); err != nil {
			d := unusable(name, dir, file, err)
			if file == ImpulseName {
				d = s.Rescued(d)
			}
			return nil, d
		}
		info, err := os.Stat(path)
		if err != nil {
			continue // gone again: who reads it will say so
		}
		problem := ""
		if info.Size() == 0 {
			problem = "is empty"
		} else if file != ImpulseName {
			problem = e.recording(i).sizeProblem(info.Size())
		}
		if problem != "" {
			d := &Damage{ID: name, Path: dir, Problem: file + " " + problem}
			if file == ImpulseName {
				d = s.Rescued(d)
			}
			return nil, d
		}
	}
	return e, nil
}

// Rescued adds to a damaged take how to make a new one of its recording, where that
// is whole.
func (s *Survey) Rescued(d *Damage) *Damage {
	path := filepath.Join(d.Path, RecordingName)
	if d.unreadable {
		return d
	}
	if _, err := readWAV(path); err != nil {
		return d
	}
	command := "roomsonde recover " + shellWord(path)
	if filepath.Clean(s.dir) != usualName {
		command += " --survey " + shellWord(s.dir)
	}
	d.hint = "its recording is whole. Restore the rest from a copy; or make a new take of it, with --source, --seat and the sweep's options as they were, and then move " + d.Path + " out of the survey: " + command
	return d
}

// usualName is the folder that commands take for the survey where none is named.
const usualName = "survey"

// readMeta reads a take.json, and returns its bytes as well.
func readMeta(path string) (*Meta, []byte, error) {
	b, err := readFile(path, maxMetaBytes)
	if err != nil {
		return nil, nil, err
	}
	m, err := parseMeta(b)
	return m, b, err
}

// parseMeta reads the content of a take.json. Fields that it does not know
// are no error. Of one that a newer version wrote, it takes what it understands.
func parseMeta(b []byte) (*Meta, error) {
	if len(b) == 0 {
		return nil, errors.New("it is empty")
	}
	var m Meta
	if err := unmarshal(b, &m); err != nil {
		var format struct{ Format int }
		if json.Unmarshal(b, &format) != nil || format.Format <= Format {
			return nil, err
		}
		m.Format = format.Format
		m.Program = nil // it may be anything, also half of what it was
	}
	if m.Format < 1 {
		return nil, errors.New("it does not state its format")
	}
	if len(m.MoreRecordings) == 0 {
		m.Recording.Used = true
	}
	for _, text := range []*string{&m.Source, &m.Seat, &m.Note} {
		*text = strings.Map(printable, *text)
	}
	return &m, nil
}

// printable replaces what could command a terminal, or turn the order of letters
// round: a survey may come from somebody else.
func printable(r rune) rune {
	if unicode.IsControl(r) || r >= '\u202a' && r <= '\u202e' || r >= '\u2066' && r <= '\u2069' {
		return unicode.ReplacementChar
	}
	return r
}

// Latest is the ID that stands for the finished take with the highest number.
const Latest = "latest"

// Resolve finds the take that id means: its number, its whole ID, a part that
// no other take's ID has, or Latest. Errors are a *NotFoundError, an
// *AmbiguousError, or the *Damage of the take that is meant. A path must lie in
// the survey.
func (s *Survey) Resolve(id string) (*Entry, error) {
	entries, damage, err := s.List()
	if err != nil {
		return nil, err
	}
	if id == Latest {
		for _, e := range slices.Backward(entries) {
			if !e.Unfinished {
				return &e, nil
			}
		}
		return nil, &NotFoundError{ID: id, None: true}
	}
	if folder := filepath.Dir(filepath.Clean(id)); folder != "." && !sameFolder(folder, s.dir) {
		return nil, &NotFoundError{ID: id, dir: s.dir, other: folder}
	}
	exact := strings.TrimSuffix(strings.TrimSpace(filepath.Base(filepath.Clean(id))), unfinished)
	want := strings.ToLower(exact)
	number, numeric := -1, false
	if n, err := strconv.Atoi(want); err == nil && n >= 0 {
		number, numeric = n, true
	}
	// From the strictest to the loosest; the first that anything meets counts.
	for i, meant := range []func(id string) bool{
		func(id string) bool { return id == exact }, // as written: not all systems mind the case
		func(id string) bool { return id == want },
		func(id string) bool { return numeric && numberOf(id) == number },
		func(id string) bool { return want != "" && !numeric && strings.HasPrefix(id, want) },
		func(id string) bool { return want != "" && !numeric && strings.Contains(id, want) },
	} {
		as := strings.ToLower
		if i == 0 {
			as = func(id string) string { return id }
		}
		var found []string
		var entry *Entry
		var broken *Damage
		for i, e := range entries {
			if meant(as(e.ID)) {
				found, entry = append(found, e.ID), &entries[i]
			}
		}
		for i, d := range damage {
			if takeName.MatchString(d.ID) && meant(as(d.ID)) {
				found, broken = append(found, d.ID), &damage[i]
			}
		}
		switch {
		case len(found) > 1:
			return nil, &AmbiguousError{id, found}
		case entry != nil:
			return entry, nil
		case broken != nil:
			return nil, broken
		}
	}
	return nil, &NotFoundError{ID: id, None: len(entries) == 0 && len(damage) == 0, Near: near(want, entries)}
}

// sameFolder reports whether two paths name one folder.
func sameFolder(a, b string) bool {
	x, err := os.Stat(a)
	if err != nil {
		return false
	}
	y, err := os.Stat(b)
	return err == nil && os.SameFile(x, y)
}

func numberOf(id string) int {
	if m := takeName.FindStringSubmatch(id); m != nil {
		n, _ := strconv.Atoi(m[1])
		return n
	}
	return -1
}

// near returns up to three IDs that look like id: by the whole or by the
// words after the number.
func near(id string, entries []Entry) []string {
	type candidate struct {
		id       string
		distance int
	}
	var found []candidate
	for _, e := range slices.Backward(entries) {
		whole := strings.ToLower(e.ID)
		_, words, _ := strings.Cut(whole, "-")
		d := min(levenshtein.ComputeDistance(id, whole), levenshtein.ComputeDistance(id, words))
		if d <= max(2, len(id)/3) {
			found = append(found, candidate{e.ID, d})
		}
	}
	slices.SortStableFunc(found, func(a, b candidate) int { return cmp.Compare(a.distance, b.distance) })
	var ids []string
	for _, c := range found[:min(3, len(found))] {
		ids = append(ids, c.id)
	}
	return ids
}

// locked runs f while no other program changes the survey. It waits for others
// as long as patience says, or less where a test says so.
func (s *Survey) locked(patience time.Duration, f func() error) error {
	path := filepath.Join(s.dir, lockName)
	if err := regular(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s: %w", lockName, err)
	}
	if s.patience != 0 {
		patience = s.patience
	}
	l := flock.New(path, flock.SetPermissions(0o666))
	defer l.Close()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	_, err := l.TryLockContext(ctx, lockRetry)
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		return &BusyError{Path: s.dir, Waited: patience}
	case err != nil:
		return noLocks(err)
	}
	return f()
}

// noLocks says what to do where an error of locking means that a disk, of a
// network perhaps, cannot lock at all.
func noLocks(err error) error {
	if errors.Is(err, syscall.ENOLCK) || errors.Is(err, errors.ErrUnsupported) {
		return &hinted{fmt.Errorf("its disk cannot lock files: %w", cause(err)), "choose a folder on a disk of this computer; locks keep two programs from writing over each other"}
	}
	return err
}

// busy reports whether a living program holds an unfinished take.
func busy(dir string) bool {
	if regular(filepath.Join(dir, busyName)) != nil {
		return false
	}
	// Without the flag to create it: looking must leave no trace.
	l := flock.New(filepath.Join(dir, busyName), flock.SetFlag(os.O_RDONLY))
	defer l.Close()
	free, err := l.TryRLock()
	return err == nil && !free
}

// try runs one change on disk, unless a test says that it fails.
func (s *Survey) try(name string, f func() error) error {
	if s.step != nil {
		if err := s.step(name); err != nil {
			return err
		}
	}
	return f()
}

// write puts a file into the survey, whole, and returns its SHA-256.
func (s *Survey) write(name, path string, write func(io.Writer) error) (string, error) {
	sum := sha256.New()
	err := s.try(name, func() error {
		return atomicfile.Write(path, atomicfile.Options{}, func(w io.Writer) error {
			if s.wrap != nil {
				w = s.wrap(w)
			}
			return write(io.MultiWriter(w, sum))
		})
	})
	return hex.EncodeToString(sum.Sum(nil)), err
}

func (s *Survey) writeJSON(name, path string, v any) error {
	b, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return err
	}
	_, err = s.write(name, path, func(w io.Writer) error {
		_, err := w.Write(append(b, '\n'))
		return err
	})
	return err
}

// failed makes a *WriteError, unless err says it all.
func (s *Survey) failed(doing string, err error) error {
	var busy *BusyError
	var newer *NewerError
	if errors.As(err, &busy) || errors.As(err, &newer) {
		return err
	}
	if errors.Is(err, fs.ErrNotExist) && !exists(s.dir) {
		err = &hinted{fmt.Errorf("the folder was removed or renamed meanwhile: %w", cause(err)), "put it back under this name, or choose another survey"}
	}
	return &WriteError{doing, s.dir, cause(err)}
}

// cause takes the path off an error of the file system: our own messages name
// one that tells the user more.
func cause(err error) error {
	var atomic *atomicfile.Error
	if errors.As(err, &atomic) {
		err = atomic.Err
	}
	var path *fs.PathError
	var link *os.LinkError
	switch {
	case errors.As(err, &path):
		return path.Err
	case errors.As(err, &link):
		return link.Err
	}
	return err
}

// slug makes a part of an ID from what a user wrote: lower-case letters and
// digits, with hyphens between.
func slug(s string) string {
	var b strings.Builder
	n := 0
	for _, r := range strings.ToLower(s) {
		switch {
		case n >= 32 || b.Len() > 90 || unicode.Is(unicode.Mn, r): // names of files have a limit in bytes
		case unicode.IsLetter(r) || unicode.IsDigit(r):
			b.WriteRune(r)
			n++
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
			n++
		}
	}
	return strings.Trim(b.String(), "-")
}
