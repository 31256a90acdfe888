package survey

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"roomsonde/deconv"
)

// A child process of the tests writes takes into this folder until it is
// killed or has written so many.
const (
	envWriter = "ROOMSONDE_TEST_SURVEY"
	envCount  = "ROOMSONDE_TEST_TAKES"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(envWriter); dir != "" {
		writeTakes(dir, os.Getenv(envCount))
		return
	}
	os.Exit(m.Run())
}

// writeTakes says on stdout what it has got the survey to promise.
func writeTakes(dir, count string) {
	check := func(err error) {
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	s, err := Open(dir, true)
	check(err)
	n := 1 << 30
	if count != "" {
		_, err := fmt.Sscan(count, &n)
		check(err)
	}
	for range n {
		d, err := s.Begin(example())
		check(err)
		check(d.KeepRecording(48000, sound(20000)))
		fmt.Println("recorded", d.ID())
		t, err := d.Finish(answer(10000), d.Meta())
		check(err)
		fmt.Println("finished", t.ID)
		d.Close()
	}
}

func example() Meta {
	return Meta{
		Source: "left+sub", Seat: "main", Note: "subwoofer moved to the corner",
		MadeAt:  time.Date(2025, 3, 1, 14, 30, 0, 0, time.FixedZone("", 3600)),
		Program: json.RawMessage(`{"from_hz":20,"to_hz":20000}`), SampleRateHz: 48000, LevelDBFS: -30,
		Device:   Device{Input: "microphone", Output: "receiver", System: "model", OutputChannels: []int{0, 3}, RateHz: 48000},
		Findings: []Finding{{Kind: "noise", Text: "the room is quiet"}},
		Engine:   Engine{"0.1", "go1.26"},
		Recording: Recording{
			Overflows: 1, Underflows: 2, Remarks: []string{"the server resamples"},
		},
	}
}

func sound(frames int) [][]float32 {
	x := make([]float32, frames)
	for n := range x {
		x[n] = float32(0.5 * math.Sin(float64(n)/7))
	}
	return [][]float32{x}
}

func answer(frames int) deconv.ImpulseResponse {
	h := make([]float64, frames)
	h[frames/10] = 0.25
	h[frames/10+3] = float64(float32(0.1))
	return deconv.ImpulseResponse{SampleRate: 48000, Samples: h, Zero: frames / 10, Onset: frames/10 + 3}
}

func create(t testing.TB) *Survey {
	t.Helper()
	s, err := Open(filepath.Join(t.TempDir(), "room"), true)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func add(t testing.TB, s *Survey, source, seat string) *Take {
	t.Helper()
	m := example()
	m.Source, m.Seat = source, seat
	d, err := s.Begin(m)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	if err := d.KeepRecording(48000, sound(100)); err != nil {
		t.Fatal(err)
	}
	take, err := d.Finish(answer(50), m)
	if err != nil {
		t.Fatal(err)
	}
	return take
}

func list(t testing.TB, s *Survey) ([]Entry, []Damage) {
	t.Helper()
	entries, damage, err := s.List()
	if err != nil {
		t.Fatal(err)
	}
	return entries, damage
}

func write(t testing.TB, path, content string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
		t.Fatal(err)
	}
}

func hint(err error) string {
	if h, ok := err.(interface{ Hint() string }); ok {
		return h.Hint()
	}
	return ""
}

// What is kept comes back, and the folder holds what it must and no more.
func TestKeepAndLoad(t *testing.T) {
	s := create(t)
	calibration, err := s.KeepMicrophone(filepath.Join("somewhere", "mic 90°.txt"), []byte("20 1.5\n"))
	if err != nil {
		t.Fatal(err)
	}
	if again, err := s.KeepMicrophone("mic 90°.txt", []byte("20 1.5\n")); err != nil || again != calibration {
		t.Errorf("the same file again: %+v, %v", again, err)
	}
	if other, err := s.KeepMicrophone("mic 90°.txt", []byte("20 1.6\n")); err != nil || other.File == calibration.File {
		t.Errorf("another file of that name: %+v, %v", other, err)
	}
	calibration.Angle = "90 degrees"

	want := example()
	d, err := s.Begin(want)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	if err := d.KeepRecording(48000, [][]float32{{0.5, -2, 0}, {0, 0, 0.25}}); err != nil {
		t.Fatal(err)
	}
	want.Calibration = &calibration
	take, err := d.Finish(answer(100), want)
	if err != nil {
		t.Fatal(err)
	}
	want.Format, want.ID, want.Number = 1, "0001-left-sub-main", 1
	want.Recording.Channels, want.Recording.Frames, want.Recording.PeakDBFS = 2, 3, 20*math.Log10(2)
	want.Recording.SHA256, want.Impulse = take.Recording.SHA256, &Impulse{10, 13, take.Impulse.SHA256}
	want.Recording.Used, want.Findings[0].Fault = true, false
	got, err := s.Load("latest")
	if err != nil {
		t.Fatal(err)
	}
	// The program's JSON is indented along with the rest.
	var program bytes.Buffer
	if err := json.Compact(&program, got.Program); err != nil {
		t.Fatal(err)
	}
	got.Program = program.Bytes()
	if diff := cmp.Diff(want, got.Meta); diff != "" {
		t.Errorf("want (-), got (+):\n%s", diff)
	}
	if err := s.Verify("1"); err != nil {
		t.Error(err)
	}
	if b, err := s.ReadMicrophone(*got.Calibration); err != nil || string(b) != "20 1.5\n" {
		t.Errorf("the calibration file came back as %q, %v", b, err)
	}
	recording, err := got.ReadRecording()
	if err != nil || fmt.Sprint(recording.Channels) != "[[0.5 -2 0] [0 0 0.25]]" {
		t.Errorf("recording %+v, %v", recording, err)
	}
	impulse, err := got.ReadImpulse()
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(answer(100), impulse); diff != "" {
		t.Errorf("impulse response: want (-), got (+):\n%s", diff)
	}
	var names []string
	filepath.WalkDir(s.Dir(), func(path string, e fs.DirEntry, err error) error {
		rel, _ := filepath.Rel(s.Dir(), path)
		names = append(names, filepath.ToSlash(rel))
		return err
	})
	if diff := cmp.Diff([]string{".", ".lock", "0001-left-sub-main", "0001-left-sub-main/impulse.wav",
		"0001-left-sub-main/recording.wav", "0001-left-sub-main/take.json", "microphones"}, slices.DeleteFunc(names, func(n string) bool {
		return strings.HasPrefix(n, "microphones/") || n == surveyName
	})); diff != "" {
		t.Error(diff)
	}
}

// Fields of take.json that this version does not know are still there.
func TestUnknownFieldsSurvive(t *testing.T) {
	s := create(t)
	take := add(t, s, "a", "b")
	path := filepath.Join(take.Dir, MetaName)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	write(t, path, strings.Replace(string(b), `"format": 1`, `"format": 2, "temperature_c": 21.5`, 1))
	got, err := s.Load("1")
	if err != nil || !got.Newer || got.Source != "a" || !strings.Contains(string(got.Raw), "temperature_c") {
		t.Errorf("got %+v, %v", got, err)
	}
	if entries, damage := list(t, s); len(entries) != 1 || !entries[0].Newer || len(damage) != 0 {
		t.Errorf("list: %+v, %+v", entries, damage)
	}
}

func TestIDs(t *testing.T) {
	s := create(t)
	if _, err := s.Load("latest"); !errors.As(err, new(*NotFoundError)) || hint(err) != "measure one first" {
		t.Errorf("in an empty survey: %v", err)
	}
	for _, c := range [][3]string{
		{"left+sub", "main", "0001-left-sub-main"},
		{"Right", "main", "0002-right-main"},
		{"sub 1", "left end", "0003-sub-1-left-end"},
		{"..//../x\x00y", "größe", "0004-x-y-größe"},
		{"", "", "0005"},
		{"scho\u0308n", strings.Repeat("日本", 60), "0006-schon-" + strings.Repeat("日本", 15) + "日"},
	} {
		if got := add(t, s, c[0], c[1]).ID; got != c[2] {
			t.Errorf("source %q, seat %q: ID %q, want %q", c[0], c[1], got, c[2])
		}
	}
	for id, want := range map[string]string{
		"1": "0001-left-sub-main", "0002": "0002-right-main", "right": "0002-right-main", "RIGHT": "0002-right-main",
		"sub-1": "0003-sub-1-left-end", "0003-sub-1-left-end": "0003-sub-1-left-end", "latest": "0006",
		filepath.Join(s.Dir(), "0002-right-main") + string(filepath.Separator): "0002-right-main",
	} {
		if e, err := s.Resolve(id); err != nil || !strings.HasPrefix(e.ID, want) {
			t.Errorf("%q: got %v, %v, want %s", id, e, err, want)
		}
	}
	var ambiguous *AmbiguousError
	if _, err := s.Load("main"); !errors.As(err, &ambiguous) || len(ambiguous.Matches) != 2 {
		t.Errorf("main: %v", err)
	}
	var missing *NotFoundError
	if _, err := s.Load("rihgt-main"); !errors.As(err, &missing) || !slices.Equal(missing.Near, []string{"0002-right-main"}) {
		t.Errorf("rihgt-main: %v", err)
	} else if hint(err) != "did you mean 0002-right-main?" {
		t.Errorf("hint %q", hint(err))
	}
	// A path names a take of this survey, or none.
	other := filepath.Join(t.TempDir(), "other", "0002-right-main")
	if e, err := s.Resolve(other); !errors.As(err, &missing) || !strings.Contains(err.Error(), "does not lie in this survey") || !strings.HasSuffix(hint(err), "0002-right-main --survey "+shellWord(filepath.Dir(other))) {
		t.Errorf("a path into another survey: %v, %v (%s)", e, err, hint(err))
	}
	for _, id := range []string{"70", "", ".", "..", "/", "unheard of"} {
		if _, err := s.Load(id); !errors.As(err, &missing) && !errors.As(err, &ambiguous) {
			t.Errorf("%q: %v", id, err)
		}
	}
}

// A number is never given twice, and IDs sort as the takes were made, also
// beyond four digits.
func TestNumbers(t *testing.T) {
	s := create(t)
	write(t, filepath.Join(s.Dir(), "9999-old-main", "nothing"), "")
	a, b := add(t, s, "a", ""), add(t, s, "b", "")
	if a.ID != "10000-a" || b.ID != "10001-b" {
		t.Errorf("got %s, %s", a.ID, b.ID)
	}
	entries, damage := list(t, s)
	if len(entries) != 2 || entries[0].Number != 10000 || len(damage) != 1 || damage[0].ID != "9999-old-main" {
		t.Errorf("got %+v, %+v", entries, damage)
	}
}

func TestDamageIsReportedAndSkipped(t *testing.T) {
	s := create(t)
	for range 8 {
		add(t, s, "left", "main")
	}
	dir := func(n int) string { return filepath.Join(s.Dir(), fmt.Sprintf("%04d-left-main", n)) }
	write(t, filepath.Join(dir(1), MetaName), `{"format": 1, "id":`)
	write(t, filepath.Join(dir(2), MetaName), "")
	write(t, filepath.Join(dir(3), MetaName), `{"format": 1, "number": "three", "seat": []}`)
	os.Remove(filepath.Join(dir(4), MetaName))
	os.Remove(filepath.Join(dir(5), RecordingName))
	write(t, filepath.Join(dir(6), ImpulseName), "")
	if err := os.Rename(dir(7), filepath.Join(s.Dir(), "my best one")); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(s.Dir(), "photos", "room.jpg"), "x")
	write(t, filepath.Join(s.Dir(), "0009-a-file-not-a-folder"), "x")

	entries, damage := list(t, s)
	if len(entries) != 1 || entries[0].Number != 8 {
		t.Errorf("got %+v", entries)
	}
	want := []string{"it ends in the middle, after 19 bytes", "it is empty", "its number is text, where a whole number belongs", "take.json is missing", "recording.wav is missing", "impulse.wav is empty", "does not begin with a number"}
	if len(damage) != len(want) {
		t.Fatalf("got %d damaged, want %d: %v", len(damage), len(want), damage)
	}
	for i, d := range damage {
		if !strings.Contains(d.Problem, want[i]) {
			t.Errorf("%s: problem %q, want %q", d.ID, d.Problem, want[i])
		}
	}
	var d *Damage
	if _, err := s.Load("1"); !errors.As(err, &d) || !strings.Contains(hint(err), dir(1)) {
		t.Errorf("a damaged take: %v", err)
	}
	// The number of a damaged take is not given again.
	if take := add(t, s, "left", "main"); take.Number != 10 {
		t.Errorf("next number %d", take.Number)
	}
}

func TestVerifyFindsEveryChange(t *testing.T) {
	s := create(t)
	calibration, err := s.KeepMicrophone("m.txt", []byte("20 0\n"))
	if err != nil {
		t.Fatal(err)
	}
	m := example()
	m.Calibration = &calibration
	d, err := s.Begin(m)
	if err != nil {
		t.Fatal(err)
	}
	if err := d.KeepRecording(48000, sound(100)); err != nil {
		t.Fatal(err)
	}
	take, err := d.Finish(answer(50), m)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Verify("1"); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{take.RecordingPath(), take.ImpulsePath(), filepath.Join(s.Dir(), filepath.FromSlash(calibration.File))} {
		good, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		bad := slices.Clone(good)
		bad[len(bad)-1] ^= 1
		write(t, path, string(bad))
		if err := s.Verify("1"); !errors.As(err, new(*Damage)) || !strings.Contains(err.Error(), "not as it was written") {
			t.Errorf("%s changed by one bit: %v", filepath.Base(path), err)
		}
		write(t, path, string(good))
	}
	if err := s.Verify("1"); err != nil {
		t.Error(err)
	}
	// A path in take.json leads nowhere outside.
	if _, err := s.ReadMicrophone(Calibration{File: "../../secret", SHA256: calibration.SHA256}); !errors.As(err, new(*Damage)) {
		t.Errorf("outside the survey: %v", err)
	}
}

var errCrash = errors.New("the program was killed")

// Killed before any one step of making a take, the survey stays whole: the
// take is there, or an unfinished one is, with its recording from the step on
// that kept it; and it can be taken up.
func TestCrashAtEveryStep(t *testing.T) {
	var steps []string
	s := create(t)
	add(t, s, "before", "main")
	s.step = func(name string) error { steps = append(steps, name); return nil }
	add(t, s, "left", "main")
	want := []string{"begin", "begun take.json", RecordingName, "recorded take.json", ImpulseName, "finished take.json", "rename"}
	if !slices.Equal(steps, want) {
		t.Fatalf("steps %q, want %q", steps, want)
	}
	for i, crash := range want {
		t.Run(crash, func(t *testing.T) {
			s := create(t)
			add(t, s, "before", "main")
			s.step = func(name string) error {
				if name == crash {
					return errCrash
				}
				return nil
			}
			d, err := s.Begin(example())
			if err == nil {
				err = d.KeepRecording(48000, sound(100))
			}
			if err == nil {
				_, err = d.Finish(answer(50), example())
			}
			if !errors.Is(err, errCrash) {
				t.Fatalf("got %v", err)
			}
			// What the system does when a program ends; nothing is closed.
			if d != nil && d.busy != nil {
				d.busy.Close()
			}
			s.step = nil

			entries, damage := list(t, s)
			if len(damage) != 0 || entries[0].ID != "0001-before-main" {
				t.Fatalf("got %+v, %+v", entries, damage)
			}
			if err := s.Verify("1"); err != nil {
				t.Error(err)
			}
			recorded := i > slices.Index(want, RecordingName)
			if len(entries) == 1 {
				if recorded {
					t.Error("the recording is lost")
				}
				return
			}
			e := entries[1]
			if !e.Unfinished || e.InProgress || slices.Contains(e.Holds, RecordingName) != recorded || e.Number != 2 {
				t.Fatalf("got %+v", e)
			}
			var u *UnfinishedError
			if _, err := s.Load("2"); !errors.As(err, &u) || (u.Recording != "") != recorded || hint(err) == "" {
				t.Errorf("loading it: %v", err)
			}
			if got := add(t, s, "next", "main"); got.Number != 3 {
				t.Errorf("the next number is %d", got.Number)
			}
			adopted, err := s.Adopt("2")
			if !recorded {
				if !errors.As(err, &u) {
					t.Errorf("got %v", err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			defer adopted.Close()
			if adopted.Meta().Source != "left+sub" || adopted.Meta().Recording.Frames != 100 {
				t.Errorf("taken up as %+v", adopted.Meta())
			}
			if _, err := adopted.Finish(answer(50), adopted.Meta()); err != nil {
				t.Fatal(err)
			}
			if err := s.Verify("2"); err != nil {
				t.Error(err)
			}
			if _, err := s.Adopt("2"); err == nil {
				t.Error("a finished take was taken up")
			}
		})
	}
}

// A draft that is closed without a recording leaves nothing; with one, the
// recording stays.
func TestClose(t *testing.T) {
	s := create(t)
	d, err := s.Begin(example())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.Finish(answer(50), example()); !errors.Is(err, ErrNoRecording) {
		t.Errorf("finished without a recording: %v", err)
	}
	if entries, _ := list(t, s); len(entries) != 1 || !entries[0].InProgress {
		t.Errorf("got %+v, want one in progress", entries)
	}
	d.Close()
	if entries, _ := list(t, s); len(entries) != 0 {
		t.Errorf("left behind: %+v", entries)
	}
	d, err = s.Begin(example())
	if err != nil {
		t.Fatal(err)
	}
	if err := d.KeepRecording(48000, sound(100)); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Adopt("1"); !errors.As(err, new(*BusyError)) {
		t.Errorf("taken up while in progress: %v", err)
	}
	m := d.Meta()
	m.Findings = []Finding{{Kind: "sweep", Text: "no sweep was found in the recording", Fault: true}}
	if err := d.Update(m); err != nil {
		t.Fatal(err)
	}
	d.Close()
	entries, damage := list(t, s)
	if len(entries) != 1 || len(damage) != 0 || !entries[0].Unfinished || entries[0].InProgress || entries[0].Findings[0].Kind != "sweep" {
		t.Errorf("got %+v, %+v", entries, damage)
	}
}

// full lets so many bytes through, then says what a full disk says.
type full struct {
	w    io.Writer
	room int
}

func (f *full) Write(p []byte) (int, error) {
	n := min(f.room, len(p))
	f.room -= n
	if _, err := f.w.Write(p[:n]); err != nil {
		return 0, err
	}
	if n < len(p) {
		return n, &fs.PathError{Op: "write", Path: "temporary", Err: syscall.ENOSPC}
	}
	return n, nil
}

func TestFullDisk(t *testing.T) {
	s := create(t)
	add(t, s, "before", "main")
	for _, room := range []int{0, 10, 300} {
		s.wrap = func(w io.Writer) io.Writer { return &full{w, room} }
		_, err := s.Begin(example())
		var w *WriteError
		if !errors.As(err, &w) || !errors.Is(err, syscall.ENOSPC) || !strings.Contains(hint(err), "free some space") {
			t.Errorf("room for %d bytes: %v", room, err)
		}
	}
	s.wrap = nil
	d, err := s.Begin(example())
	if err != nil {
		t.Fatal(err)
	}
	s.wrap = func(w io.Writer) io.Writer { return &full{w, 200} }
	if err := d.KeepRecording(48000, sound(100)); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("got %v", err)
	}
	s.wrap = nil
	// Space was freed: the same draft goes on.
	if err := d.KeepRecording(48000, sound(100)); err != nil {
		t.Fatal(err)
	}
	// A further recording for which there is no room costs the first nothing.
	s.wrap = func(w io.Writer) io.Writer { return &full{w, 200} }
	if err := d.KeepRecording(48000, sound(100)); !errors.Is(err, syscall.ENOSPC) || len(d.RecordingPaths()) != 1 {
		t.Errorf("got %v, and %q", err, d.RecordingPaths())
	}
	if _, err := d.Finish(answer(500), example()); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("got %v", err)
	}
	if _, err := s.KeepMicrophone("m.txt", make([]byte, 500)); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("got %v", err)
	}
	s.wrap = nil
	if _, err := d.Finish(answer(500), example()); err != nil {
		t.Fatal(err)
	}
	entries, damage := list(t, s)
	if len(entries) != 2 || len(damage) != 0 {
		t.Errorf("got %+v, %+v", entries, damage)
	}
	if left, _ := filepath.Glob(filepath.Join(s.Dir(), "*", ".*")); len(left) > 0 {
		t.Errorf("left behind: %q", left)
	}
}

func TestNotWritable(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "file"), "x")
	_, err := Open(filepath.Join(dir, "file", "room"), true)
	if !errors.As(err, new(*WriteError)) || !strings.Contains(hint(err), "check the path") {
		t.Errorf("below a file: %v (%s)", err, hint(err))
	}
	// Tests may run as root, whom no rights stop: the error is put in.
	for cause, want := range map[error]string{
		syscall.EROFS:  "read-only",
		syscall.EACCES: "no right to write",
	} {
		fails := func(string) error { return &fs.PathError{Op: "mkdir", Path: "x", Err: cause} }
		_, err := open(&Survey{dir: filepath.Join(dir, "room"), step: fails}, true)
		if !errors.As(err, new(*WriteError)) || !strings.Contains(hint(err), want) {
			t.Errorf("%v: %v (%s)", cause, err, hint(err))
		}
		s := create(t)
		s.step = fails
		if _, err := s.Begin(example()); !errors.Is(err, cause) || !strings.Contains(hint(err), want) {
			t.Errorf("%v: %v (%s)", cause, err, hint(err))
		}
		if _, err := s.KeepMicrophone("m", nil); !errors.Is(err, cause) {
			t.Errorf("%v: %v", cause, err)
		}
		s.step = nil
		if entries, damage := list(t, s); len(entries)+len(damage) != 0 {
			t.Errorf("left behind: %+v, %+v", entries, damage)
		}
	}
}

func TestOpen(t *testing.T) {
	dir := t.TempDir()
	var not *NotSurveyError
	room := filepath.Join(dir, "room")
	if _, err := Open(room, false); !errors.As(err, &not) || exists(room) {
		t.Errorf("a missing one: %v", err)
	}
	if _, err := Open(room, true); err != nil {
		t.Fatal(err)
	}
	s, err := Open(room, true)
	if err != nil {
		t.Fatal(err)
	}
	take := add(t, s, "a", "b")
	if _, err := Open(take.Dir, true); !errors.As(err, &not) || !strings.HasSuffix(hint(err), room) {
		t.Errorf("a take's folder: %v (%s)", err, hint(err))
	}
	write(t, filepath.Join(dir, "documents", "letter.txt"), "x")
	for _, create := range []bool{true, false} {
		if _, err := Open(filepath.Join(dir, "documents"), create); !errors.As(err, &not) {
			t.Errorf("a folder of other things, create %v: %v", create, err)
		}
	}
	if exists(filepath.Join(dir, "documents", surveyName)) || exists(filepath.Join(dir, "documents", lockName)) {
		t.Error("something was written beside other things")
	}
	if _, err := Open(filepath.Join(dir, "documents", "letter.txt"), true); !errors.As(err, &not) {
		t.Errorf("a file: %v", err)
	}

	// Of a newer version, or damaged: for reading only.
	header := filepath.Join(room, surveyName)
	good, err := os.ReadFile(header)
	if err != nil {
		t.Fatal(err)
	}
	for content, want := range map[string]any{
		strings.Replace(string(good), `"format": 1`, `"format": 2`, 1): new(*NewerError),
		`{"kind"`: new(*Damage), `{"format": 1}`: new(*Damage), "": new(*Damage),
	} {
		write(t, header, content)
		// s was opened before, and notices all the same.
		for _, s := range []*Survey{s, must(Open(room, true)), must(Open(room, false))} {
			if _, err := s.Begin(example()); !errors.As(err, want) || hint(err) == "" {
				t.Errorf("survey.json %q: Begin says %v", content, err)
			}
			if got, err := s.Load("1"); err != nil || got.ID != take.ID {
				t.Errorf("survey.json %q: reading fails: %v", content, err)
			}
		}
		if b, _ := os.ReadFile(header); string(b) != content {
			t.Errorf("survey.json %q was rewritten as %q", content, b)
		}
	}
	// Missing: read as it is, put back when asked to create.
	os.Remove(header)
	if s := must(Open(room, false)); s.ReadOnly() == nil || exists(header) {
		t.Error("a missing survey.json was overlooked, or put back without being asked")
	}
	if s := must(Open(room, true)); s.ReadOnly() != nil || !exists(header) {
		t.Error("a missing survey.json was not put back")
	}
	// Reading leaves no trace in an old copy without lock.
	os.Remove(filepath.Join(room, lockName))
	must(Open(room, false)).List()
	if exists(filepath.Join(room, lockName)) {
		t.Error("reading created a lock")
	}
}

func must(s *Survey, err error) *Survey {
	if err != nil {
		panic(err)
	}
	return s
}

// child starts a process that writes takes.
func child(t *testing.T, dir, count string) (*exec.Cmd, io.Reader) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), envWriter+"="+dir, envCount+"="+count)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return cmd, out
}

// Killed at any moment, a program has lost nothing that it was told is kept.
func TestKill(t *testing.T) {
	const rounds = 20
	dir := filepath.Join(t.TempDir(), "room")
	rng := rand.New(rand.NewPCG(20, 25))
	promised := map[string]string{}
	for range rounds {
		cmd, out := child(t, dir, "")
		lines := bufio.NewScanner(out)
		for n := 1 + rng.IntN(5); n > 0 && lines.Scan(); n-- {
			word, id, _ := strings.Cut(lines.Text(), " ")
			promised[id] = word
		}
		// A moment of chance; no outcome depends on its length.
		time.Sleep(time.Duration(rng.IntN(8000)) * time.Microsecond)
		cmd.Process.Kill()
		for lines.Scan() {
			word, id, _ := strings.Cut(lines.Text(), " ")
			promised[id] = word
		}
		cmd.Wait()
	}
	s, err := Open(dir, false)
	if err != nil {
		t.Fatal(err)
	}
	entries, damage := list(t, s)
	if len(damage) != 0 {
		t.Errorf("damaged: %v", damage)
	}
	found := map[string]Entry{}
	numbers := map[int]bool{}
	unfinishedTakes := 0
	for _, e := range entries {
		found[e.ID] = e
		if numbers[e.Number] {
			t.Errorf("number %d was given twice", e.Number)
		}
		numbers[e.Number] = true
		if e.InProgress {
			t.Errorf("%s is said to be in progress; its program is dead", e.ID)
		}
		if !e.Unfinished {
			if err := s.Verify(e.ID); err != nil {
				t.Error(err)
			}
			continue
		}
		unfinishedTakes++
		if slices.Contains(e.Holds, RecordingName) {
			d, err := s.Adopt(e.ID)
			if err != nil {
				t.Error(err)
				continue
			}
			if _, err := d.Finish(answer(100), d.Meta()); err != nil {
				t.Error(err)
			}
			d.Close()
			if err := s.Verify(e.ID); err != nil {
				t.Error(err)
			}
		}
	}
	for id, word := range promised {
		e, ok := found[id]
		switch {
		case !ok:
			t.Errorf("%s was %s and is gone", id, word)
		case word == "finished" && e.Unfinished:
			t.Errorf("%s was finished and is not", id)
		case !slices.Contains(e.Holds, RecordingName):
			t.Errorf("%s was recorded and holds only %q", id, e.Holds)
		}
	}
	if len(promised) < rounds {
		t.Errorf("only %d takes were promised in %d rounds", len(promised), rounds)
	}
	t.Logf("%d takes, %d of them left unfinished by %d kills", len(entries), unfinishedTakes, rounds)
}

// Several programs and goroutines at once never get the same number, lose
// nothing, and those who look on meanwhile see no damage.
func TestManyAtOnce(t *testing.T) {
	const (
		programs = 5
		routines = 2
		each     = 8
	)
	dir := filepath.Join(t.TempDir(), "room")
	var children []*exec.Cmd
	var outs []io.Reader
	for range programs {
		cmd, out := child(t, dir, fmt.Sprint(each))
		children, outs = append(children, cmd), append(outs, out)
	}
	s, err := Open(dir, true)
	if err != nil {
		t.Fatal(err)
	}
	var group sync.WaitGroup
	for range routines {
		group.Go(func() {
			for range each {
				add(t, s, "left", "main")
			}
		})
	}
	stop, watched := make(chan bool), make(chan bool)
	go func() {
		defer close(watched)
		for {
			select {
			case <-stop:
				return
			default:
				if _, damage, err := s.List(); err != nil || len(damage) > 0 {
					t.Errorf("seen meanwhile: %v, %v", damage, err)
					return
				}
			}
		}
	}()
	for i, c := range children {
		io.Copy(io.Discard, outs[i])
		if err := c.Wait(); err != nil {
			t.Error(err)
		}
	}
	group.Wait()
	close(stop)
	<-watched
	entries, damage := list(t, s)
	if want := (programs + routines) * each; len(entries) != want || len(damage) != 0 {
		t.Fatalf("got %d takes, want %d; damage %v", len(entries), want, damage)
	}
	for i, e := range entries {
		if e.Number != i+1 || e.Unfinished {
			t.Errorf("take %d is %+v", i+1, e)
		}
		if err := s.Verify(e.ID); err != nil {
			t.Error(err)
		}
	}
}

// A lock file that nobody holds stops nobody.
func TestStaleLock(t *testing.T) {
	s := create(t)
	write(t, filepath.Join(s.Dir(), lockName), "left from a program that died")
	add(t, s, "a", "b")
}

// Slugs hold nothing that a file system or a shell minds.
func TestSlug(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		got := slug(rapid.String().Draw(r, "text"))
		if len(got) > 100 || strings.ContainsAny(got, `/\.: *?"<>|`+"\x00\n\t'$&;`") || got != strings.Trim(got, "-") {
			r.Fatalf("got %q", got)
		}
		if name := "0001-" + got + unfinished; !takeName.MatchString(name) {
			r.Fatalf("%q is no take's name", name)
		}
	})
}

func TestFileName(t *testing.T) {
	for in, want := range map[string]string{
		"mic.txt": "mic.txt", "": "calibration", "...": "calibration", "a/b:c.cal": "a-b-c.cal",
		strings.Repeat("ü", 100) + ".txt": strings.Repeat("ü", 38) + ".txt",
	} {
		if got := fileName(in); got != want {
			t.Errorf("%q: got %q, want %q", in, got, want)
		}
	}
}

// FuzzTakeJSON: no content of take.json brings the program down, and what is
// understood is understood the same once written again.
func FuzzTakeJSON(f *testing.F) {
	b, err := json.Marshal(example())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte(`{"format":1}`))
	f.Add([]byte(`{"format":2,"impulse":{"zero_frame":-1},"calibration":{"file":"../x"},"made_at":"2025-13-01T00:00:00Z"}`))
	f.Add([]byte(`{"format":1e400}`))
	f.Add([]byte(`[]`))
	f.Add([]byte(`{"format":2,"number":[],"recording":"elsewhere","made_at":7,"program":{"a":1}}`))
	f.Add([]byte("\xef\xbb\xbf{}"))
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := parseMeta(b)
		if err != nil {
			return
		}
		first, err := json.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		again, err := parseMeta(first)
		if err != nil {
			t.Fatal(err)
		}
		second, err := json.Marshal(again)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(first, second) {
			t.Fatalf("%s\nbecame\n%s", first, second)
		}
	})
}
