package survey

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"unicode"
	"unicode/utf8"

	"roomsonde/capture/wav"
	"roomsonde/deconv"
)

// Take is a finished take.
type Take struct {
	Meta
	Dir string
	// Raw is take.json as it stands, with fields that this version does not
	// know.
	Raw json.RawMessage
	// Newer is set where a newer version wrote the take.
	Newer bool
}

// Load finds the take that id means (see Resolve) and reads what it says of
// itself. An unfinished take is an *UnfinishedError.
func (s *Survey) Load(id string) (*Take, error) {
	e, err := s.Resolve(id)
	if err != nil {
		return nil, err
	}
	return s.load(e)
}

func (s *Survey) load(e *Entry) (*Take, error) {
	if e.Unfinished {
		u := &UnfinishedError{ID: e.ID, Dir: e.Dir}
		if path := filepath.Join(e.Dir, RecordingName); exists(path) {
			u.Recording = path
		}
		return nil, u
	}
	meta, raw, err := readMeta(filepath.Join(e.Dir, MetaName))
	if err != nil {
		return nil, unusable(e.ID, e.Dir, MetaName, err)
	}
	t := &Take{Meta: *meta, Dir: e.Dir, Raw: raw, Newer: meta.Format > Format}
	t.ID, t.Number = e.ID, e.Number
	return t, nil
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// RecordingPath returns the path of the take's first recording.
func (t *Take) RecordingPath() string { return filepath.Join(t.Dir, RecordingName) }

// RecordingPaths returns the paths of the take's recordings, the first one
// first, those that were left out among them.
func (t *Take) RecordingPaths() []string { return recordingPaths(t.Dir, &t.Meta) }

// ImpulsePath returns the path of the take's impulse response.
func (t *Take) ImpulsePath() string { return filepath.Join(t.Dir, ImpulseName) }

// ReadRecording reads the take's first recording. What is wrong with it is a *Damage,
// or a *NewerError where a newer version wrote the take.
func (t *Take) ReadRecording() (*wav.File, error) {
	f, err := readWAV(t.RecordingPath())
	if err != nil {
		return nil, t.damage(RecordingName, err)
	}
	return f, nil
}

// ReadRecordings reads all of the take's recordings, in the order of
// RecordingPaths. Errors are as from ReadRecording.
func (t *Take) ReadRecordings() ([]*wav.File, error) {
	var files []*wav.File
	for _, path := range t.RecordingPaths() {
		f, err := readWAV(path)
		if err != nil {
			return nil, t.damage(filepath.Base(path), err)
		}
		files = append(files, f)
	}
	return files, nil
}

// ReadImpulse reads the take's impulse response. What is wrong with it is a
// *Damage, or a *NewerError where a newer version wrote the take.
func (t *Take) ReadImpulse() (deconv.ImpulseResponse, error) {
	var none deconv.ImpulseResponse
	f, err := readWAV(t.ImpulsePath())
	if err != nil {
		return none, t.damage(ImpulseName, err)
	}
	if t.Impulse == nil || t.Impulse.ZeroFrame < 0 || t.Impulse.ZeroFrame >= f.Frames() {
		return none, t.problem("take.json does not say where time zero sits in the impulse response")
	}
	if t.Impulse.ArrivalFrame < 0 || t.Impulse.ArrivalFrame >= f.Frames() {
		return none, t.problem("take.json states a first arrival that is not within the impulse response")
	}
	return deconv.ImpulseResponse{SampleRate: float64(f.SampleRate), Samples: f.Channels[0], Zero: t.Impulse.ZeroFrame, Onset: t.Impulse.ArrivalFrame}, nil
}

// readWAV is wav.ReadFile for what is a file.
func readWAV(path string) (*wav.File, error) {
	if err := regular(path); err != nil {
		return nil, err
	}
	return wav.ReadFile(path)
}

func (t *Take) damage(file string, err error) error {
	if t.Newer {
		return t.newer()
	}
	var format *wav.FormatError
	if errors.As(err, &format) {
		return t.problem(file + ": " + format.Problem)
	}
	return unusable(t.ID, t.Dir, file, err)
}

// problem says what is wrong with a take. In one of a newer version, what looks
// wrong may be right.
func (t *Take) problem(text string) error {
	if t.Newer {
		return t.newer()
	}
	return &Damage{ID: t.ID, Path: t.Dir, Problem: text}
}

// ByNewer is the *NewerError of a take that a newer version wrote.
func (t *Take) ByNewer() error { return t.newer() }

func (t *Take) newer() error {
	return &NewerError{Path: t.Dir, Found: t.Format, Known: Format, take: true}
}

// Verify reads every file of a take (and its calibration file) and compares it
// with the sum that take.json states. What differs is a *Damage; several are
// joined. In a take that a newer version wrote, it is a *NewerError.
func (s *Survey) Verify(id string) error {
	t, err := s.Load(id)
	if err != nil {
		return err
	}
	type check struct{ name, path, want string }
	var checks []check
	for i, path := range t.RecordingPaths() {
		checks = append(checks, check{filepath.Base(path), path, t.recording(i).SHA256})
	}
	if t.Impulse != nil {
		checks = append(checks, check{ImpulseName, t.ImpulsePath(), t.Impulse.SHA256})
	}
	var problems []error
	bad := func(format string, args ...any) {
		problems = append(problems, &Damage{ID: t.ID, Path: t.Dir, Problem: fmt.Sprintf(format, args...)})
	}
	if t.Calibration != nil {
		if path, ok := s.inside(t.Calibration.File); ok {
			checks = append(checks, check{t.Calibration.File, path, t.Calibration.SHA256})
		} else {
			bad("its calibration file %q is not within the survey", t.Calibration.File)
		}
	}
	for _, c := range checks {
		got, err := hashFile(c.path)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			bad("%s is missing", c.name)
		case err != nil:
			bad("%s cannot be read: %v", c.name, cause(err))
		case c.want == "":
			bad("take.json does not state the sum of %s", c.name)
		case !strings.EqualFold(got, c.want):
			bad("%s is not as it was written (its SHA-256 is %.12s…, take.json states %.12s…)", c.name, got, c.want)
		}
	}
	if _, err := t.ReadImpulse(); err != nil {
		problems = append(problems, err)
	}
	if t.Newer && len(problems) > 0 {
		return t.newer()
	}
	return errors.Join(problems...)
}

func hashFile(path string) (string, error) {
	if err := regular(path); err != nil {
		return "", err
	}
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	sum := sha256.New()
	if _, err := io.Copy(sum, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}

// inside turns a path as stated in take.json into one of this system, and
// reports whether it stays within the survey.
func (s *Survey) inside(file string) (string, bool) {
	local, err := filepath.Localize(path.Clean(file))
	if err != nil {
		return "", false
	}
	return filepath.Join(s.dir, local), true
}

// KeepMicrophone copies the content of a calibration file into the survey,
// unless it is there already, and returns how take.json names it. name is
// what the user's file was called.
func (s *Survey) KeepMicrophone(name string, content []byte) (Calibration, error) {
	if s.readOnly != nil {
		return Calibration{}, s.readOnly
	}
	fail := func(err error) (Calibration, error) {
		return Calibration{}, s.failed("keep the calibration file", err)
	}
	sum := sha256.Sum256(content)
	full := hex.EncodeToString(sum[:])
	name = filepath.Base(filepath.Clean(name))
	file := full[:12] + "-" + fileName(name)
	c := Calibration{File: microphones + "/" + file, SHA256: full, Name: name}
	dir := filepath.Join(s.dir, microphones)
	target := filepath.Join(dir, file)
	if len(content) > maxMicrophoneBytes {
		return fail(fmt.Errorf("it is larger than %d MiB", maxMicrophoneBytes>>20))
	}
	if there, err := readFile(target, maxMicrophoneBytes); err == nil && bytes.Equal(there, content) {
		return c, nil
	}
	// Not MkdirAll: a survey that was removed must not come back as a folder
	// with nothing but this in it.
	if err := s.try("microphones", func() error { return os.Mkdir(dir, 0o777) }); err != nil && !errors.Is(err, fs.ErrExist) {
		return fail(err)
	}
	_, err := s.write("calibration file", target, func(w io.Writer) error {
		_, err := w.Write(content)
		return err
	})
	if err != nil {
		return fail(err)
	}
	return c, nil
}

// ReadMicrophone returns the content of a take's calibration file. What is
// wrong with it is a *Damage.
func (s *Survey) ReadMicrophone(c Calibration) ([]byte, error) {
	path, ok := s.inside(c.File)
	if !ok {
		return nil, &Damage{ID: c.File, Path: s.dir, Problem: "the calibration file is not within the survey", hint: microphoneHint}
	}
	b, err := readFile(path, maxMicrophoneBytes)
	if err != nil {
		d := unusable(c.File, path, "", err)
		d.hint = microphoneHint
		return nil, d
	}
	if sum := sha256.Sum256(b); !strings.EqualFold(hex.EncodeToString(sum[:]), c.SHA256) {
		return nil, &Damage{ID: c.File, Path: path, Problem: "the calibration file is not as it was when the take was made", hint: microphoneHint}
	}
	return b, nil
}

// microphoneHint says what to do where a calibration file is lost.
const microphoneHint = "put it back from a copy, or name another: --microphone FILE, or --microphone none for a curve that contains the microphone's own deviation"

// fileName makes a name that every file system takes.
func fileName(name string) string {
	clean := strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune("._-+ ", r) {
			return r
		}
		return '-'
	}, name)
	// Cut from the front: the ending says what it is.
	if over := len(clean) - 80; over > 0 {
		for !utf8.RuneStart(clean[over]) {
			over++
		}
		clean = clean[over:]
	}
	clean = strings.Trim(clean, ". ")
	if clean == "" {
		return "calibration"
	}
	return clean
}
