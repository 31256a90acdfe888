package survey

import (
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
)

func remove(t testing.TB, path string) {
	t.Helper()
	if err := os.RemoveAll(path); err != nil {
		t.Fatal(err)
	}
}

func link(t testing.TB, target, path string) {
	t.Helper()
	if err := os.Symlink(target, path); err != nil {
		t.Fatal(err)
	}
}

func folder(t testing.TB, path string) {
	t.Helper()
	if err := os.MkdirAll(path, 0o755); err != nil {
		t.Fatal(err)
	}
}

// sparse makes a file of so many zeros that take no room.
func sparse(t testing.TB, path string, size int64) {
	t.Helper()
	remove(t, path)
	write(t, path, "")
	if err := os.Truncate(path, size); err != nil {
		t.Fatal(err)
	}
}

func TestFilesBeyondTheirLimitAreRefused(t *testing.T) {
	s := create(t)
	c, err := s.KeepMicrophone("m.txt", []byte("20 0\n"))
	if err != nil {
		t.Fatal(err)
	}
	take := add(t, s, "left", "main")
	microphone := filepath.Join(s.Dir(), filepath.FromSlash(c.File))
	sparse(t, microphone, maxMicrophoneBytes+1)
	if _, err := s.ReadMicrophone(c); !errors.As(err, new(*Damage)) || !strings.Contains(err.Error(), "larger than 16 MiB") {
		t.Errorf("calibration: %v", err)
	}
	if _, err := s.KeepMicrophone("m.txt", make([]byte, maxMicrophoneBytes+1)); !errors.As(err, new(*WriteError)) {
		t.Errorf("a calibration file that could not be read again: %v", err)
	}
	sparse(t, filepath.Join(take.Dir, MetaName), maxMetaBytes+1)
	if _, err := s.Load("1"); !errors.As(err, new(*Damage)) || !strings.Contains(err.Error(), "take.json: it is larger than 16 MiB") {
		t.Errorf("take.json: %v", err)
	}
	sparse(t, filepath.Join(s.Dir(), surveyName), maxHeaderBytes+1)
	if err := must(Open(s.Dir(), false)).ReadOnly(); !errors.As(err, new(*Damage)) || !strings.Contains(err.Error(), "larger than 1 MiB") {
		t.Errorf("survey.json: %v", err)
	}
	// At the limit itself a file is read.
	header := filepath.Join(s.Dir(), surveyName)
	write(t, header, `{"kind": "`+kind+`", "format": 1}`+strings.Repeat(" ", maxHeaderBytes-41))
	if info, err := os.Stat(header); err != nil || info.Size() > maxHeaderBytes || info.Size() < maxHeaderBytes-20 {
		t.Fatalf("the file for the limit is %d bytes long, %v", info.Size(), err)
	}
	if err := must(Open(s.Dir(), false)).ReadOnly(); err != nil {
		t.Error(err)
	}
}

// A folder of other things does not become a survey because of a folder's name.
func TestForeignFolders(t *testing.T) {
	for name, path := range map[string]string{
		"photos by year":      "2024/room.jpg",
		"an empty year":       "2024/",
		"a year and its name": "2024-summer/x.txt",
		"not ours unfinished": "2024-summer.unfinished/x.txt",
		"microphones":         "microphones/picture.png",
		"no microphones":      "microphones/",
		"a file":              "2024",
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			if full := filepath.Join(dir, path); strings.HasSuffix(path, "/") {
				folder(t, full)
			} else {
				write(t, full, "x")
			}
			for _, create := range []bool{true, false} {
				if _, err := Open(dir, create); !errors.As(err, new(*NotSurveyError)) {
					t.Errorf("create %v: %v", create, err)
				}
			}
			if exists(filepath.Join(dir, surveyName)) || exists(filepath.Join(dir, lockName)) {
				t.Error("something was written into it")
			}
		})
	}
	// What is ours is known again.
	for _, path := range []string{"2024/take.json", "0001-left/recording.wav", "0001-left.unfinished/recording.wav", "microphones/0123456789ab-m.txt"} {
		dir := t.TempDir()
		write(t, filepath.Join(dir, path), "x")
		if s, err := Open(dir, false); err != nil || s.ReadOnly() == nil {
			t.Errorf("%s, to read: %v", path, err)
		}
		if s, err := Open(dir, true); err != nil || s.ReadOnly() != nil {
			t.Errorf("%s, to write: %v", path, err)
		}
	}
}

func TestSurveyPaths(t *testing.T) {
	dir := t.TempDir()
	link(t, "nowhere", filepath.Join(dir, "dangling"))
	link(t, "turn", filepath.Join(dir, "turn"))
	for _, create := range []bool{true, false} {
		var not *NotSurveyError
		if _, err := Open("", create); !errors.As(err, &not) || err.Error() != "no folder was named" || hint(err) == "" {
			t.Errorf("no path: %v", err)
		}
		for _, path := range []string{"dangling", "dangling/room"} {
			if _, err := Open(filepath.Join(dir, path), create); !errors.As(err, &not) || !strings.Contains(err.Error(), "dangling: is a symbolic link to nowhere, which does not exist") || hint(err) == "" {
				t.Errorf("%s, create %v: %v", path, create, err)
			}
		}
		if _, err := Open(filepath.Join(dir, "turn"), create); err == nil || errors.Is(err, fs.ErrNotExist) {
			t.Errorf("a link to itself: %v", err)
		}
	}
	if exists(filepath.Join(dir, "nowhere")) {
		t.Error("a folder was made where a link leads")
	}
	// A link to a folder is as good as the folder.
	folder(t, filepath.Join(dir, "room"))
	link(t, "room", filepath.Join(dir, "link"))
	if _, err := Open(filepath.Join(dir, "link"), true); err != nil {
		t.Error(err)
	}
}

// Who may not read is not told that they may not write, and not that what they
// may not read is damaged. (Tests may run as root, whom no rights stop.)
func TestUnreadable(t *testing.T) {
	denied := &fs.PathError{Op: "open", Path: "x", Err: syscall.EACCES}
	d := unusable(surveyName, "room/survey.json", "", denied)
	if strings.Contains(d.Error(), "damaged") || !strings.Contains(d.Error(), "survey.json cannot be read: permission denied") || !strings.Contains(d.Hint(), "right to read") {
		t.Errorf("%v (%s)", d, d.Hint())
	}
	if d := unusable("0001", "room/0001", MetaName, denied); d.Error() != "0001 cannot be read: take.json: permission denied" {
		t.Errorf("%v", d)
	}
	if d := unusable("0001", "room/0001", MetaName, errors.New("it is empty")); d.Error() != "0001 is damaged: take.json: it is empty" || !strings.Contains(d.Hint(), "room/0001") {
		t.Errorf("%v (%s)", d, d.Hint())
	}
	if os.Geteuid() == 0 || runtime.GOOS == "windows" {
		return
	}
	dir := t.TempDir()
	if err := os.Chmod(dir, 0); err != nil {
		t.Fatal(err)
	}
	defer os.Chmod(dir, 0o700)
	for _, path := range []string{dir, filepath.Join(dir, "room")} {
		for _, create := range []bool{true, false} {
			if _, err := Open(path, create); !errors.As(err, new(*NotSurveyError)) || !strings.Contains(hint(err), "right to read") {
				t.Errorf("%v (%s)", err, hint(err))
			}
		}
	}
}

func TestMetaInWords(t *testing.T) {
	for content, want := range map[string]string{
		`[]`:                               "it holds a list, where named values in braces belong",
		`"x"`:                              "it holds text, where named values in braces belong",
		`7`:                                "it holds a number, where named values in braces belong",
		`{"format": "1"}`:                  "its format is text, where a whole number belongs",
		`{"format": 1.5}`:                  "its format is the number 1.5, where a whole number belongs",
		`{"format": 1, "recording": []}`:   "its recording is a list, where a group in braces belongs",
		`{"format": 1, "findings": {}}`:    "its findings is a group in braces, where a list belongs",
		`{"format": 1, "note": true}`:      "its note is true or false, where text belongs",
		`{"format": 1, "latency_s": "a"}`:  "its latency_s is text, where a number belongs",
		`{"format": 1, "made_at": "noon"}`: "no date and time",
		`{"format": 1, "made_at": 7}`:      "a date and time in it is none",
		`{"format": 1,`:                    "it ends in the middle, after 13 bytes",
		`{"format": 1; "a": 2}`:            "it cannot be read at byte 13 of 21",
		`{}`:                               "it does not state its format",
		`null`:                             "it does not state its format",
	} {
		_, err := parseMeta([]byte(content))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want %q", content, err, want)
			continue
		}
		for _, word := range []string{"Go ", "struct", "survey.", "json:", "UnmarshalJSON", "[]"} {
			if strings.Contains(err.Error(), word) {
				t.Errorf("%s: %q speaks of %q", content, err, word)
			}
		}
	}
	s := create(t)
	write(t, filepath.Join(s.Dir(), surveyName), "[]")
	if err := must(Open(s.Dir(), false)).ReadOnly(); err == nil || !strings.Contains(err.Error(), "it holds a list") {
		t.Errorf("survey.json: %v", err)
	}
}

// What a newer version wrote is not called damaged, however it differs.
func TestNewerTakes(t *testing.T) {
	for name, content := range map[string]string{
		"hardly a field":    `{"format": 9}`,
		"fields of others":  `{"format": 9, "number": "seven", "recording": ["a.flac"], "findings": {"noise": 1}}`,
		"another time":      `{"format": 9, "made_at": 1740835800, "source": "left"}`,
		"format at the end": `{"made_at": "noon", "number": [], "format": 9}`,
	} {
		t.Run(name, func(t *testing.T) {
			s := create(t)
			take := add(t, s, "left", "main")
			write(t, filepath.Join(take.Dir, MetaName), content)
			remove(t, take.RecordingPath())
			remove(t, take.ImpulsePath())
			entries, damage := list(t, s)
			if len(entries) != 1 || !entries[0].Newer || entries[0].Number != 1 || len(damage) != 0 {
				t.Fatalf("list: %+v, %v", entries, damage)
			}
			got, err := s.Load("1")
			if err != nil || !got.Newer || got.Format != 9 || got.ID != take.ID || string(got.Raw) != content {
				t.Fatalf("got %+v, %v", got, err)
			}
			if _, err := json.Marshal(got.Meta); err != nil {
				t.Error(err)
			}
			_, recording := got.ReadRecording()
			_, impulse := got.ReadImpulse()
			for _, err := range []error{recording, impulse, s.Verify("1")} {
				if !errors.As(err, new(*NewerError)) || errors.As(err, new(*Damage)) || !strings.Contains(err.Error(), "written by a newer version") || !strings.Contains(hint(err), "update the program") {
					t.Errorf("got %v (%s)", err, hint(err))
				}
			}
		})
	}
	// A survey of a newer version, likewise.
	s := create(t)
	write(t, filepath.Join(s.Dir(), surveyName), `{"kind": "`+kind+`", "format": 9, "format_name": "x"}`)
	if err := must(Open(s.Dir(), false)).ReadOnly(); !errors.As(err, new(*NewerError)) {
		t.Errorf("survey.json: %v", err)
	}
}

func TestHints(t *testing.T) {
	s := create(t)
	d, err := s.Begin(example())
	if err != nil {
		t.Fatal(err)
	}
	if err := d.KeepRecording(48000, sound(100)); err != nil {
		t.Fatal(err)
	}
	d.Close()
	if _, err := s.Load("1"); !strings.HasSuffix(hint(err), "roomsonde recover "+shellWord(d.RecordingPath())) {
		t.Errorf("unfinished: %q", hint(err))
	}
	if runtime.GOOS != "windows" {
		for path, want := range map[string]string{
			"room/0001/recording.wav": "room/0001/recording.wav", "my room/größe": "'my room/größe'", "o'neill": `'o'\''neill'`, "$HOME": "'$HOME'",
		} {
			if got := shellWord(path); got != want {
				t.Errorf("%s became %s", path, got)
			}
		}
	}

	// Two folders with one number, of two names and of one.
	take := add(t, s, "right", "main")
	copyOf := filepath.Join(s.Dir(), "0002-again")
	if err := os.CopyFS(copyOf, os.DirFS(take.Dir)); err != nil {
		t.Fatal(err)
	}
	_, err = s.Load("2")
	if !errors.As(err, new(*AmbiguousError)) || hint(err) != "give the whole ID, as 0002-again" {
		t.Errorf("two of a number: %v (%s)", err, hint(err))
	}
	for _, id := range []string{"0002-again", take.ID} {
		if got, err := s.Load(id); err != nil || got.ID != id {
			t.Errorf("%s: %v", id, err)
		}
	}
	if err := os.CopyFS(copyOf+unfinished, os.DirFS(take.Dir)); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Load("0002-again"); !errors.As(err, new(*AmbiguousError)) || !strings.Contains(hint(err), "move one of the two") {
		t.Errorf("two of a name: %v (%s)", err, hint(err))
	}
}

// IDs that differ in case alone can be told apart by writing them as they are.
func TestIDsAsWritten(t *testing.T) {
	s := create(t)
	take := add(t, s, "right", "")
	upper := filepath.Join(s.Dir(), "0001-RIGHT")
	if exists(upper) {
		return // on this system the two are one folder
	}
	if err := os.CopyFS(upper, os.DirFS(take.Dir)); err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"0001-right", "0001-RIGHT"} {
		if got, err := s.Load(id); err != nil || got.ID != id {
			t.Errorf("%s: got %v, %v", id, got, err)
		}
	}
}

func TestHolds(t *testing.T) {
	dir, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	s, err := Open(filepath.Join(dir, "room"), true)
	if err != nil {
		t.Fatal(err)
	}
	c, err := s.KeepMicrophone("m.txt", []byte("20 0\n"))
	if err != nil {
		t.Fatal(err)
	}
	take := add(t, s, "left", "main").ID
	write(t, filepath.Join(dir, "alone", RecordingName), "x")
	write(t, filepath.Join(dir, "other", "microphones", "picture.png"), "x")
	write(t, filepath.Join(dir, "out", "deep", "old.wav"), "x")
	link(t, filepath.Join(dir, "room"), filepath.Join(dir, "out", "to-room"))
	link(t, filepath.Join("..", "room", take), filepath.Join(dir, "out", "to-take"))
	link(t, filepath.Join("..", "room", take, RecordingName), filepath.Join(dir, "out", "file.wav"))
	link(t, "file.wav", filepath.Join(dir, "out", "chain.wav"))
	link(t, filepath.Join("to-take", "new.wav"), filepath.Join(dir, "out", "dangling.wav"))
	link(t, "round.wav", filepath.Join(dir, "out", "round.wav"))
	link(t, filepath.Join(dir, "out", "deep"), filepath.Join(dir, "room", "away"))
	t.Chdir(filepath.Join(dir, "out"))
	for path, want := range map[string]bool{
		"":                                   false,
		"left.wav":                           false,
		"deep/old.wav":                       false,
		"missing/left.wav":                   false,
		"round.wav":                          false,
		"../room/" + take + "/recording.wav": true,
		"../room/" + take + "/take.json":     true,
		"../room/" + take + "/new.wav":       true,
		"../room/./" + take + "//x":          true,
		"../room/" + take + "/../left.wav":   false, // beside the takes
		"../room/left.wav":                   false,
		"../room/0099-none/left.wav":         false,
		"../room/survey.json":                true,
		"../room/.lock":                      true,
		"survey.json":                        false, // of no survey
		".lock":                              false,
		"../room/" + c.File:                  true,
		"../room/microphones/new.txt":        true,
		"../other/microphones/new.txt":       false,
		"../alone/left.wav":                  false, // a recording.wav of no survey
		"to-room/" + take + "/recording.wav": true,
		"to-room/survey.json":                true,
		"to-room/microphones/x":              true,
		"to-take/recording.wav":              true,
		"to-take/../survey.json":             true,  // the system goes up from where the link leads
		"to-take/../left.wav":                false, // from either
		"to-room/away/../to-take/x":          true,
		"file.wav":                           true,
		"chain.wav":                          true,
		"dangling.wav":                       true,
		"../room/away/old.wav":               false,
		"../room/" + take + "/..":            false,
		"../room/" + take + "/":              false,
	} {
		native := filepath.FromSlash(path)
		if got := Holds(native); got != want {
			t.Errorf("%q: got %v, want %v", path, got, want)
		}
		if path == "" {
			continue
		}
		full := dir + string(filepath.Separator) + "out" + string(filepath.Separator) + native
		if got := Holds(full); got != want {
			t.Errorf("%q: got %v, want %v", full, got, want)
		}
	}
}
