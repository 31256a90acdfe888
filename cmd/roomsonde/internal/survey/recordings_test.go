package survey

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"roomsonde/deconv"
)

// begin begins a take and keeps so many recordings, each with a length of its own.
func begin(t testing.TB, s *Survey, recordings int) *Draft {
	t.Helper()
	d, err := s.Begin(example())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(d.Close)
	for i := range recordings {
		if err := d.KeepRecording(48000, sound(100+i)); err != nil {
			t.Fatal(err)
		}
	}
	return d
}

// crash is what the system does when a program ends; nothing is closed.
func (d *Draft) crash() {
	if d.busy != nil {
		d.busy.Close()
		d.busy = nil
	}
	d.done = true
}

func names(paths []string) (names []string) {
	for _, p := range paths {
		names = append(names, filepath.Base(p))
	}
	return names
}

// Each of several recordings is on the disk before the next is made, and comes
// back with what was said of it.
func TestSeveralRecordings(t *testing.T) {
	s := create(t)
	d := begin(t, s, 0)
	for i := range 3 {
		if err := d.KeepRecording(48000, sound(100+i)); err != nil {
			t.Fatal(err)
		}
		if got := names(d.RecordingPaths()); len(got) != i+1 {
			t.Fatalf("after recording %d: %q", i+1, got)
		}
		for _, path := range d.RecordingPaths() {
			if !exists(path) {
				t.Errorf("%s is not there", path)
			}
		}
	}
	if err := d.KeepRecording(44100, sound(5)); err == nil || !strings.Contains(err.Error(), "44100 Hz") {
		t.Errorf("another rate: %v", err)
	}
	m := example()
	m.Recording.Used = true
	m.MoreRecordings = []Recording{{Overflows: 3, Why: "samples are missing at 2.1 s", Remarks: []string{"a remark"}, SHA256: "invented", Frames: 7, File: "../../x"}}
	take, err := d.Finish(answer(50), m)
	if err != nil {
		t.Fatal(err)
	}
	peak := take.Recording.PeakDBFS
	want := []Recording{
		{Channels: 1, Frames: 100, PeakDBFS: peak, Overflows: 1, Underflows: 2, Remarks: []string{"the server resamples"}, File: "recording.wav", Used: true},
		{Channels: 1, Frames: 101, PeakDBFS: peak, Overflows: 3, Remarks: []string{"a remark"}, File: "recording-2.wav", Why: "samples are missing at 2.1 s"},
		{Channels: 1, Frames: 102, PeakDBFS: peak, Remarks: []string{}, File: "recording-3.wav"},
	}
	got := append([]Recording{take.Recording}, take.MoreRecordings...)
	for i := range got {
		if len(got[i].SHA256) != 64 {
			t.Errorf("sum %q", got[i].SHA256)
		}
		got[i].SHA256 = ""
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("want (-), got (+):\n%s", diff)
	}
	if got := names(take.RecordingPaths()); !slices.Equal(got, []string{"recording.wav", "recording-2.wav", "recording-3.wav"}) {
		t.Errorf("paths %q", got)
	}
	files, err := take.ReadRecordings()
	if err != nil || len(files) != 3 || files[0].Frames() != 100 || files[2].Frames() != 102 {
		t.Errorf("read: %d files, %v", len(files), err)
	}
	if err := s.Verify("1"); err != nil {
		t.Error(err)
	}
	for i, path := range take.RecordingPaths() {
		good, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		bad := slices.Clone(good)
		bad[len(bad)-1] ^= 1
		write(t, path, string(bad))
		if err := s.Verify("1"); !errors.As(err, new(*Damage)) || !strings.Contains(err.Error(), filepath.Base(path)+" is not as it was written") {
			t.Errorf("recording %d changed by one bit: %v", i+1, err)
		}
		write(t, path, "")
		if _, damage := list(t, s); len(damage) != 1 || damage[0].Problem != filepath.Base(path)+" is empty" {
			t.Errorf("recording %d empty: %v", i+1, damage)
		}
		remove(t, path)
		if _, damage := list(t, s); len(damage) != 1 || damage[0].Problem != filepath.Base(path)+" is missing" {
			t.Errorf("recording %d missing: %v", i+1, damage)
		}
		if _, err := take.ReadRecordings(); !errors.As(err, new(*Damage)) || !strings.Contains(err.Error(), filepath.Base(path)) {
			t.Errorf("recording %d missing: read says %v", i+1, err)
		}
		write(t, path, string(good))
	}
	if err := s.Verify("1"); err != nil {
		t.Error(err)
	}
}

// A take with one recording says no more than it did before there were several.
func TestOneRecordingIsWrittenAsBefore(t *testing.T) {
	s := create(t)
	take := add(t, s, "a", "b")
	for _, word := range []string{"more_recordings", `"file"`, `"used"`, `"why"`, "clock", "time_zero", "mark_", "arrival_s"} {
		if strings.Contains(string(take.Raw), word) {
			t.Errorf("take.json holds %s:\n%s", word, take.Raw)
		}
	}
	if !take.Recording.Used || take.Recording.File != "" || len(take.MoreRecordings) != 0 {
		t.Errorf("got %+v", take.Recording)
	}
}

// A take of before says what it said: all findings were faults, and time zero
// was the first arrival.
func TestTakesOfBefore(t *testing.T) {
	m, err := parseMeta([]byte(`{"format": 1, "recording": {"channels": 1, "sha256": "ab"},
		"impulse": {"zero_frame": 480, "sha256": "cd"},
		"findings": [{"kind": "clipping", "text": "It clips."}, {"kind": "hum", "text": "Some hum.", "fault": false, "from_hz": 50, "amount": -70, "unit": "dBFS"}]}`))
	if err != nil {
		t.Fatal(err)
	}
	if m.Impulse.ArrivalFrame != 480 {
		t.Errorf("arrival at %d", m.Impulse.ArrivalFrame)
	}
	want := []Finding{{Kind: "clipping", Text: "It clips.", Fault: true}, {Kind: "hum", Text: "Some hum.", FromHz: 50, Amount: -70, Unit: "dBFS"}}
	if diff := cmp.Diff(want, m.Findings); diff != "" {
		t.Error(diff)
	}
	if got := m.Faults(); len(got) != 1 || got[0].Kind != "clipping" {
		t.Errorf("faults %+v", got)
	}
	if _, err := parseMeta([]byte(`{"format": 1, "findings": [{"kind": 7}]}`)); err == nil || !strings.Contains(err.Error(), "its findings.kind is a number, where text belongs") {
		t.Errorf("got %v", err)
	}
}

// The arrival is kept beside time zero, with clock and mark; a finding's number
// that is none costs no take.
func TestClockAndTimeZero(t *testing.T) {
	s := create(t)
	d := begin(t, s, 1)
	m := example()
	channel := 0
	m.Clock = &Clock{SkewPPM: -61.25, UncertaintyPPM: 0.05, Corrected: true}
	m.TimeZero, m.ArrivalS, m.MarkChannel, m.MarkChannelName = string(deconv.MarkArrival), 0.00875, &channel, "FR"
	unknown := m
	unknown.Clock = &Clock{SkewPPM: 3, UncertaintyPPM: math.Inf(1)}
	if err := d.Update(unknown); err != nil {
		t.Error(err)
	}
	if entries, _ := list(t, s); len(entries) != 1 || entries[0].Clock != nil {
		t.Errorf("a clock of unknown uncertainty is kept as %+v", entries)
	}
	outside := answer(50)
	outside.Onset = 50
	if _, err := d.Finish(outside, m); err == nil || !strings.Contains(err.Error(), "first arrival (frame 50)") {
		t.Errorf("an arrival outside: %v", err)
	}
	m.Findings = []Finding{{Kind: "steps", Text: "Steps.", FromS: 1.5, ToS: 2, Amount: math.Inf(1), FromHz: math.NaN()}}
	if _, err := d.Finish(answer(50), m); err != nil {
		t.Fatal(err)
	}
	got, err := s.Load("1")
	if err != nil {
		t.Fatal(err)
	}
	m.Findings = []Finding{{Kind: "steps", Text: "Steps.", FromS: 1.5, ToS: 2}}
	for _, c := range [][2]any{{m.Clock, got.Clock}, {m.TimeZero, got.TimeZero}, {m.ArrivalS, got.ArrivalS}, {m.MarkChannel, got.MarkChannel}, {m.MarkChannelName, got.MarkChannelName}, {m.Findings, got.Findings}} {
		if diff := cmp.Diff(c[0], c[1]); diff != "" {
			t.Error(diff)
		}
	}
	impulse, err := got.ReadImpulse()
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(answer(50), impulse); diff != "" {
		t.Error(diff)
	}
	for _, frame := range []int{-1, 50} {
		got.Impulse.ArrivalFrame = frame
		if _, err := got.ReadImpulse(); !errors.As(err, new(*Damage)) {
			t.Errorf("an arrival at frame %d of 50: %v", frame, err)
		}
	}
}

// Killed before any step of a take with several recordings, those that were kept
// are there, and the take can be finished from them.
func TestCrashBetweenRecordings(t *testing.T) {
	var steps []string
	whole := func(s *Survey) (*Draft, error) {
		d, err := s.Begin(example())
		for i := 0; err == nil && i < 3; i++ {
			err = d.KeepRecording(48000, sound(100+i))
		}
		if err == nil {
			_, err = d.Finish(answer(50), d.Meta())
		}
		return d, err
	}
	s := create(t)
	s.step = func(name string) error { steps = append(steps, name); return nil }
	if _, err := whole(s); err != nil {
		t.Fatal(err)
	}
	const recorded = "recorded take.json"
	if want := []string{"begin", "begun take.json", "recording.wav", recorded, "recording-2.wav", recorded, "recording-3.wav", recorded, "impulse.wav", "finished take.json", "rename"}; !slices.Equal(steps, want) {
		t.Fatalf("steps %q, want %q", steps, want)
	}
	for crash := range steps {
		t.Run(fmt.Sprint(crash, " ", steps[crash]), func(t *testing.T) {
			s, at := create(t), 0
			s.step = func(string) error {
				if at++; at > crash {
					return errCrash
				}
				return nil
			}
			d, err := whole(s)
			if !errors.Is(err, errCrash) {
				t.Fatalf("got %v", err)
			}
			var want []string // kept until then
			for _, name := range steps[:crash] {
				if strings.HasSuffix(name, ".wav") && name != ImpulseName {
					want = append(want, name)
				}
			}
			s.step = nil
			if d != nil {
				d.crash()
				write(t, filepath.Join(d.dir, ".recording-4.wav.abc.tmp"), "half of it")
			}
			if len(want) == 0 {
				return // as in TestCrashAtEveryStep
			}
			d, err = s.Adopt("1")
			if err != nil {
				t.Fatal(err)
			}
			defer d.Close()
			if got := names(d.RecordingPaths()); !slices.Equal(got, want) {
				t.Errorf("taken up with %q, want %q", got, want)
			}
			// It may go on recording, too.
			if err := d.KeepRecording(48000, sound(200)); err != nil {
				t.Fatal(err)
			}
			if _, err := d.Finish(answer(50), d.Meta()); err != nil {
				t.Fatal(err)
			}
			if err := s.Verify("1"); err != nil {
				t.Error(err)
			}
			take, err := s.Load("1")
			if err != nil {
				t.Fatal(err)
			}
			files, err := take.ReadRecordings()
			if err != nil || len(files) != len(want)+1 {
				t.Fatalf("%d recordings, %v", len(files), err)
			}
			for i, f := range files[:len(want)] {
				if r := take.recording(i); f.Frames() != 100+i || r.Frames != 100+i || r.File != filepath.Base(take.RecordingPaths()[i]) {
					t.Errorf("recording %d has %d frames and is %+v", i+1, f.Frames(), r)
				}
			}
			if left, _ := filepath.Glob(filepath.Join(take.Dir, ".*")); len(left) > 0 {
				t.Errorf("left behind: %q", left)
			}
		})
	}
}

// A recording that somebody took away is told, and the take is finished from the
// others, under the names that they have.
func TestRecordingTakenAway(t *testing.T) {
	s := create(t)
	d := begin(t, s, 3)
	remove(t, d.RecordingPaths()[1])
	write(t, filepath.Join(d.Dir(), "recording-4.wav"), "not what it says")
	d.crash()
	d, err := s.Adopt("1")
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	remove(t, filepath.Join(d.Dir(), "recording-4.wav"))
	if err := d.KeepRecording(48000, [][]float32{make([]float32, 50)}); err != nil {
		t.Fatal(err)
	}
	take, err := d.Finish(answer(50), d.Meta())
	if err != nil {
		t.Fatal(err)
	}
	if got := names(take.RecordingPaths()); !slices.Equal(got, []string{"recording.wav", "recording-3.wav", "recording-4.wav"}) {
		t.Errorf("paths %q", got)
	}
	if r := take.Recording.Remarks; len(r) != 3 || !strings.Contains(r[1], "recording-4.wav, could not be read") || !strings.Contains(r[2], "recording-2.wav, was missing") {
		t.Errorf("remarks %q", r)
	}
	if err := s.Verify("1"); err != nil {
		t.Error(err)
	}
}

// What take.json says of files leads nowhere outside the take.
func TestRecordingsStayInTheTake(t *testing.T) {
	s := create(t)
	d := begin(t, s, 2)
	take, err := d.Finish(answer(50), d.Meta())
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(take.Dir, MetaName)
	for _, name := range []string{"../../secret.wav", "/etc/passwd", "take.json", "recording-1.wav", "recording-02.wav", "recording.wav"} {
		quoted, _ := json.Marshal(name)
		write(t, path, strings.Replace(string(take.Raw), `"recording-2.wav"`, string(quoted), 1))
		if _, err := s.Load("1"); !errors.As(err, new(*Damage)) {
			t.Errorf("%s: loaded, %v", name, err)
		}
		m, _, err := readMeta(path)
		if err != nil {
			t.Fatal(err)
		}
		if names := recordingPaths(take.Dir, m); len(names) != 2 || names[1] != filepath.Join(take.Dir, "recording-2.wav") {
			t.Errorf("%s leads to %q", name, names)
		}
	}
}

// What take.json says of its recordings is held against the folder. A take that is
// wrong there is reported, and the others stay as they are.
func TestListOfRecordings(t *testing.T) {
	for _, test := range []struct {
		name string
		edit func(dir string, m map[string]any)
		want string
	}{
		{"doubled", func(dir string, m map[string]any) {
			more := m["more_recordings"].([]any)
			more[1] = more[0]
		}, "take.json lists recording-2.wav twice"},
		{"the first as a further one", func(dir string, m map[string]any) {
			m["more_recordings"].([]any)[1].(map[string]any)["file"] = "recording.wav"
		}, `take.json lists a recording "recording.wav", which is no name of one`},
		{"outside", func(dir string, m map[string]any) {
			m["more_recordings"].([]any)[0].(map[string]any)["file"] = "../recording-2.wav"
		}, `take.json lists a recording "../recording-2.wav", which is no name of one`},
		{"one removed", func(dir string, m map[string]any) {
			m["more_recordings"] = m["more_recordings"].([]any)[:1]
		}, "take.json does not list recording-3.wav, which lies beside it"},
		{"all removed", func(dir string, m map[string]any) { delete(m, "more_recordings") }, "take.json does not list recording-2.wav, which lies beside it"},
		{"far too many", func(dir string, m map[string]any) {
			m["more_recordings"] = make([]struct{}, 5000)
		}, "take.json lists 5001 recordings, which no take has"},
		{"frames below none", func(dir string, m map[string]any) {
			m["recording"].(map[string]any)["frames"] = -5
		}, "recording.wav has -5 frames of 1 channels by take.json, which cannot be"},
		{"frames beyond all bounds", func(dir string, m map[string]any) {
			m["recording"].(map[string]any)["frames"] = math.MaxInt
		}, fmt.Sprintf("recording.wav has %d frames of 1 channels by take.json, which cannot be", math.MaxInt)},
		{"more frames than there are", func(dir string, m map[string]any) {
			m["more_recordings"].([]any)[0].(map[string]any)["frames"] = 1e6
		}, "recording-2.wav is cut short"},
		{"fewer frames than there are", func(dir string, m map[string]any) {
			write(t, filepath.Join(dir, "recording-3.wav"), strings.Repeat("x", 1<<17))
		}, "recording-3.wav is longer than take.json says"},
	} {
		t.Run(test.name, func(t *testing.T) {
			s := create(t)
			good := add(t, s, "a", "b")
			d := begin(t, s, 3)
			take, err := d.Finish(answer(50), example())
			if err != nil {
				t.Fatal(err)
			}
			var m map[string]any
			if err := json.Unmarshal(take.Raw, &m); err != nil {
				t.Fatal(err)
			}
			test.edit(take.Dir, m)
			b, err := json.Marshal(m)
			if err != nil {
				t.Fatal(err)
			}
			write(t, filepath.Join(take.Dir, MetaName), string(b))
			entries, damage := list(t, s)
			if len(damage) != 1 || !strings.Contains(damage[0].Problem, test.want) || damage[0].ID != take.ID {
				t.Errorf("got %v, want %q", damage, test.want)
			}
			if len(entries) != 1 || entries[0].ID != good.ID {
				t.Errorf("the other take: %v", entries)
			}
			if _, err := s.Load(take.ID); !errors.As(err, new(*Damage)) {
				t.Errorf("loaded: %v", err)
			}
			if _, err := s.Load(good.ID); err != nil {
				t.Errorf("the other take: %v", err)
			}
		})
	}
}
