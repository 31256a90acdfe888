package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"roomsonde/capture"
	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/survey"
)

// What a round does with a survey that was moved, damaged, or made by somebody
// else, and with names that no one thought of.

// says runs a command that must end with a code, and returns what was said.
func says(t *testing.T, code int, args ...string) string {
	t.Helper()
	var out, talk bytes.Buffer
	if got := run(t.Context(), args, &out, &talk); got != code {
		t.Fatalf("roomsonde %.300s: exit code %d, want %d\n%s%.300s", strings.Join(args, " "), got, code, talk.String(), out.String())
	}
	if code != exitDone && code != exitMarked && !strings.Contains(talk.String(), "what to do: ") {
		t.Errorf("roomsonde %.300s does not say what to do:\n%s", strings.Join(args, " "), talk.String())
	}
	return talk.String()
}

func writeText(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

// editTake changes what a take's file says of its round.
func editTake(t *testing.T, path string, change func(take, round map[string]any)) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var take map[string]any
	decode(t, b, &take)
	change(take, take["round"].(map[string]any))
	if b, err = json.Marshal(take); err != nil {
		t.Fatal(err)
	}
	writeText(t, path, string(b))
}

// calibrations returns the sums of the calibrations that a survey's takes have.
func calibrations(t *testing.T, dir string) (sums []string) {
	t.Helper()
	for _, e := range takesIn(t, dir) {
		sum := "none"
		if e.Calibration != nil {
			sum = e.Calibration.SHA256
		}
		sums = append(sums, sum)
	}
	return sums
}

// A round goes on with the calibration that it was begun with, wherever the file
// is by then, and whatever stands at its path.
func TestRoundKeepsCalibration(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "somewhere")
	if err := os.Mkdir(folder, 0o777); err != nil {
		t.Fatal(err)
	}
	file, other := filepath.Join(folder, "mic.txt"), filepath.Join(folder, "other.txt")
	const first, second = "20 1\n1000 0\n20000 -2\n", "20 9\n1000 0\n20000 9\n"
	writeText(t, other, second)
	const half = "source 2 of 2"
	begun := func() (dir string) {
		dir = filepath.Join(t.TempDir(), "room")
		writeText(t, file, first)
		interrupted(t, half, shortRound(dir, "--play", "FL,FR", "--microphone", file)...)
		return dir
	}
	same := func(dir string, want int) {
		t.Helper()
		if sums := calibrations(t, dir); len(sums) != want || slices.ContainsFunc(sums, func(s string) bool { return s != sums[0] || s == "none" }) {
			t.Errorf("the takes' calibrations: %q", sums)
		}
	}

	dir := begun()
	if b, err := os.ReadFile(filepath.Join(dir, "0001-fl-main", survey.MetaName)); err != nil || bytes.Contains(b, []byte("somewhere")) || !bytes.Contains(b, []byte("microphone=mic.txt")) {
		t.Errorf("take.json says in which folder the file was, or not that there was one: %v\n%s", err, b)
	}
	// As earlier versions wrote it: the whole path. The file was changed, and the
	// survey moved.
	editTake(t, filepath.Join(dir, "0001-fl-main", survey.MetaName), func(_, round map[string]any) {
		options := round["options"].([]any)
		for i, o := range options {
			if strings.HasPrefix(o.(string), "microphone=") {
				options[i] = "microphone=" + file
			}
		}
	})
	writeText(t, file, second)
	moved := filepath.Join(t.TempDir(), "moved")
	if err := os.Rename(dir, moved); err != nil {
		t.Fatal(err)
	}
	p, talk := goRound(t, exitDone, "round", "--resume", "--survey", moved, "--json")
	if !p.Complete || !strings.Contains(talk, "mic.txt (as the round began)") {
		t.Errorf("complete %v\n%s", p.Complete, talk)
	}
	same(moved, 2)

	// The file is gone.
	dir = begun()
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	goRound(t, exitDone, "round", "--resume", "--survey", dir, "--json")
	same(dir, 2)

	// The survey's copy is gone, or another: the user is asked, and only the same
	// file will do.
	for _, spoil := range []func(copy string) error{os.Remove, func(copy string) error { return os.WriteFile(copy, []byte(second), 0o666) }} {
		dir = begun()
		copies, err := filepath.Glob(filepath.Join(dir, "microphones", "*"))
		if err != nil || len(copies) != 1 {
			t.Fatal(copies, err)
		}
		if err := spoil(copies[0]); err != nil {
			t.Fatal(err)
		}
		resume := []string{"round", "--resume", "--survey", dir, "--json"}
		if said := says(t, exitSurvey, resume...); !strings.Contains(said, "--microphone FILE") || !strings.Contains(said, `"mic.txt"`) {
			t.Errorf("it says\n%s", said)
		}
		for wrong, code := range map[string]int{other: exitUsage, "none": exitUsage, filepath.Join(folder, "nowhere.txt"): exitFile} {
			says(t, code, append(resume, "--microphone", wrong)...)
		}
		goRound(t, exitDone, append(resume, "--microphone", file)...)
		same(dir, 2)
		goRound(t, exitDone, resume...)
	}

	// The same command, with another file of that name: another round.
	dir = begun()
	writeText(t, file, second)
	p, talk = goRound(t, exitDone, shortRound(dir, "--play", "FL,FR", "--microphone", file)...)
	if p.ids() != "0002-fl-main 0003-fr-main" || !strings.Contains(strings.Join(strings.Fields(talk), " "), "with another calibration: a new one begins") {
		t.Errorf("takes %s\n%s", p.ids(), talk)
	}

	// None is none, also where the survey has one by now.
	dir = filepath.Join(t.TempDir(), "room")
	interrupted(t, half, shortRound(dir, "--play", "FL,FR", "--microphone", "none")...)
	goRound(t, exitDone, "round", "--resume", "--survey", dir, "--json", "--microphone", "none")
	if sums := calibrations(t, dir); !slices.Equal(sums, []string{"none", "none"}) {
		t.Errorf("calibrations %q", sums)
	}
	if said := says(t, exitUsage, "round", "--resume", "--survey", dir, "--microphone", other); !strings.Contains(said, "is not the calibration") {
		t.Error(said)
	}
}

// Drawings say loudspeaker and seat, are called what every file system takes, and
// replace nothing.
func TestRoundDrawingNames(t *testing.T) {
	long, emoji := strings.Repeat("x", 400), strings.Repeat("🎵", 400)
	for _, c := range []struct {
		seat    string
		sources []string
		want    string
	}{
		{"left end", []string{"FL", "centre", "left + sub"}, "left-end-fl-centre-left-sub"},
		{"CON", []string{"NUL", "a:b", "..", "x/y\\z"}, "con-nul-a-b-fc-x-y-z"},
		{"../x", []string{"FL"}, "x-fl"},
		{"sofa. ", []string{"COM1.txt"}, "sofa-com1-txt"},
		{"😀", []string{"🎵", "FR"}, "seat-1-fl-fr"},
		{emoji, []string{emoji}, "seat-1-fl"},
		{"Küche", []string{"Größe"}, "küche-größe"},
		{"a\u200b<>:\"|?*b", []string{"FL"}, "a-b-fl"},
		{long, []string{long, long, "FC"}, strings.Repeat("x", 60) + "-" + strings.Repeat("x", 60) + "-and-2-more"},
	} {
		r := &roundUnderWay{Round: survey.Round{ID: "20260314-120000-0a1b2c3d", Seats: []string{c.seat}}, takes: map[slot]*roundTake{}}
		for i, source := range c.sources {
			channel := []string{"FL", "FR", "FC", "LFE"}[i]
			r.parts = append(r.parts, part{source, channel})
			r.takes[slot{0, i}] = &roundTake{meta: survey.Meta{ID: "1", Source: source}, measured: true}
		}
		name := (&roundResult{r: r}).drawingName(0)
		if !strings.HasPrefix(name, "round-2026-03-1") || !strings.HasSuffix(name, "-"+c.want) || len(name) > 200 ||
			!utf8.ValidString(name) || strings.ContainsFunc(name, func(r rune) bool { return r != '-' && !unicode.IsLetter(r) && !unicode.IsDigit(r) }) {
			t.Errorf("%.40q, %.40q: %s", c.seat, c.sources, name)
		}
	}
	// An ID that is none leads nowhere.
	r := &roundUnderWay{Round: survey.Round{ID: "../../../x", Seats: []string{"main"}}}
	if name := (&roundResult{r: r}).drawingName(0); name != "round-main" {
		t.Errorf("a round without an ID: %s", name)
	}

	folder := filepath.Join(t.TempDir(), "pictures")
	if err := os.Mkdir(folder, 0o777); err != nil {
		t.Fatal(err)
	}
	view := func(name string) chart.View {
		return chart.Microphone{Subtitle: name, Hz: []float64{20, 20000}, DB: []float64{0, 1}}
	}
	writeText(t, filepath.Join(folder, "round-main.svg"), "the user's own")
	for _, c := range []struct{ name, want string }{{"one", "round-main-2.svg"}, {"two", "round-main-3.svg"}, {"one", "round-main-2.svg"}, {"two", "round-main-3.svg"}} {
		if path, err := drawBeside(folder, "round-main", "svg", view(c.name)); err != nil || filepath.Base(path) != c.want {
			t.Errorf("%s: drawn in %s, %v, want %s", c.name, path, err, c.want)
		}
	}
	if b, err := os.ReadFile(filepath.Join(folder, "round-main.svg")); err != nil || string(b) != "the user's own" {
		t.Errorf("%q, %v", b, err)
	}

	// As a whole: each seat has its own, and the same round, held against a target
	// later, leaves the first.
	dir := filepath.Join(t.TempDir(), "room")
	draw := []string{"--drawings", filepath.Join(folder, "all"), "--format", "svg"}
	goRound(t, exitDone, append(shortRound(dir, "--play", "FL,right=FR", "--seats", "main,left end"), draw...)...)
	drawings := func(want int) (names []string) {
		t.Helper()
		entries, err := os.ReadDir(filepath.Join(folder, "all"))
		if err != nil || len(entries) != want {
			t.Fatalf("%d drawings, want %d: %v, %v", len(entries), want, entries, err)
		}
		for _, e := range entries {
			names = append(names, e.Name())
		}
		return names
	}
	for i, end := range []string{"-left-end-fl-right.svg", "-main-fl-right.svg"} {
		if name := drawings(2)[i]; !strings.HasSuffix(name, end) {
			t.Errorf("drawn in %s, want …%s", name, end)
		}
	}
	resume := append([]string{"round", "--resume", "--survey", dir, "--json"}, draw...)
	goRound(t, exitDone, resume...)
	drawings(2)
	command(t, exitDone, "target", "set", "--rise", "6", "--survey", dir)
	goRound(t, exitDone, resume...)
	drawings(4)
}

// What a take says of its round may have been damaged, or written by somebody
// else: it is refused in words, and commands neither terminal nor files.
func TestRoundRefusesWhatNoRoundSays(t *testing.T) {
	source := filepath.Join(t.TempDir(), "room")
	interrupted(t, "source 2 of 2", shortRound(source, "--play", "FL,FR")...)
	const evil = "\x1b]0;owned\a"
	for name, change := range map[string]func(take, round map[string]any){
		"no sources":               func(_, r map[string]any) { r["play"] = []string{} },
		"two sources in one":       func(_, r map[string]any) { r["play"] = []string{"FL,FC", "FR"} },
		"a source that is none":    func(_, r map[string]any) { r["play"] = []string{"FL", "="} },
		"a source that commands":   func(_, r map[string]any) { r["play"] = []string{"FL", evil + "=FR"} },
		"no seats":                 func(_, r map[string]any) { r["seats"] = []string{} },
		"two seats in one":         func(_, r map[string]any) { r["seats"] = []string{"main,left end"} },
		"a seat without a name":    func(_, r map[string]any) { r["seats"] = []string{"main", ""} },
		"a seat twice":             func(_, r map[string]any) { r["seats"] = []string{"main", "Main"} },
		"a seat that commands":     func(_, r map[string]any) { r["seats"] = []string{"main", evil} },
		"a seat of two lines":      func(_, r map[string]any) { r["seats"] = []string{"main\nend"} },
		"an ID that leads away":    func(_, r map[string]any) { r["id"] = "../../../../tmp/x" },
		"no ID":                    func(_, r map[string]any) { r["id"] = "" },
		"an index below all":       func(_, r map[string]any) { r["index"] = -1 },
		"an index beyond all":      func(_, r map[string]any) { r["index"] = 2 },
		"more sources than named":  func(_, r map[string]any) { r["of"] = 3 },
		"fewer channels":           func(_, r map[string]any) { r["channels"] = []string{"FL"} },
		"an option that is none":   func(_, r map[string]any) { r["options"] = []string{"device=model", "fault=mute"} },
		"an option that commands":  func(_, r map[string]any) { r["options"] = []string{evil} },
		"a value that is none":     func(_, r map[string]any) { r["options"] = []string{"device=model", "level=loud"} },
		"a level above all":        func(_, r map[string]any) { r["options"] = []string{"device=model", "level=6"} },
		"a round of another shape": func(take, _ map[string]any) { take["round"] = "yes" },
	} {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "room")
			if err := os.CopyFS(dir, os.DirFS(source)); err != nil {
				t.Fatal(err)
			}
			editTake(t, filepath.Join(dir, "0001-fl-main", survey.MetaName), change)
			var out, talk bytes.Buffer
			code := run(t.Context(), []string{"round", "--resume", "--survey", dir, "--json"}, &out, &talk)
			if code != exitUsage && code != exitSurvey || out.Len() > 0 || !strings.Contains(talk.String(), "what to do: ") {
				t.Errorf("exit code %d\n%s", code, talk.String())
			}
			if strings.ContainsAny(talk.String(), "\x1b\a") {
				t.Errorf("it commands the terminal: %q", talk.String())
			}
			if n := len(mustGlob(t, filepath.Join(dir, "0*"))); n != 1 {
				t.Errorf("%d takes", n)
			}
			// A page of the survey is made all the same.
			command(t, exitDone, "report", "--survey", dir, "--to", filepath.Join(t.TempDir(), "page.html"))
		})
	}
}

func mustGlob(t *testing.T, pattern string) []string {
	t.Helper()
	paths, err := filepath.Glob(pattern)
	if err != nil {
		t.Fatal(err)
	}
	return paths
}

// A take of the round that cannot be used any more is told, and taken once more; the
// others stay.
func TestRoundTellsOfDamagedTakes(t *testing.T) {
	source := filepath.Join(t.TempDir(), "room")
	goRound(t, exitDone, shortRound(source, "--play", "FL,FR")...)
	for name, spoil := range map[string]func(take string) error{
		"half of take.json": func(take string) error { return os.Truncate(filepath.Join(take, survey.MetaName), 300) },
		"nothing in it":     func(take string) error { return os.Truncate(filepath.Join(take, survey.MetaName), 0) },
		"half a recording":  func(take string) error { return os.Truncate(filepath.Join(take, survey.RecordingName), 5000) },
		"no recording":      func(take string) error { return os.Remove(filepath.Join(take, survey.RecordingName)) },
		"another round":     func(take string) error { return otherSeats(filepath.Join(take, survey.MetaName)) },
	} {
		for _, spoiled := range []string{"0001-fl-main", "0002-fr-main"} {
			t.Run(name+" of "+spoiled, func(t *testing.T) {
				dir := filepath.Join(t.TempDir(), "room")
				if err := os.CopyFS(dir, os.DirFS(source)); err != nil {
					t.Fatal(err)
				}
				if err := spoil(filepath.Join(dir, spoiled)); err != nil {
					t.Fatal(err)
				}
				p, talk := goRound(t, exitDone, "round", "--resume", "--survey", dir, "--json")
				// Of takes that say different things the last one counts.
				again := 3
				if name == "another round" && spoiled == "0002-fr-main" {
					again = 5
				}
				if !p.Complete || len(mustGlob(t, filepath.Join(dir, "0*"))) != again {
					t.Errorf("complete %v, takes %s\n%s", p.Complete, p.ids(), talk)
				}
				if !strings.Contains(talk, "note: Take "+spoiled) && !strings.Contains(talk, "note: Take 0001-fl-main") {
					t.Errorf("it does not tell of it:\n%s", talk)
				}
			})
		}
	}
	// Where nothing else is left, it is what is told.
	dir := filepath.Join(t.TempDir(), "room")
	interrupted(t, "source 2 of 2", shortRound(dir, "--play", "FL,FR")...)
	if err := os.Truncate(filepath.Join(dir, "0001-fl-main", survey.MetaName), 300); err != nil {
		t.Fatal(err)
	}
	if said := says(t, exitSurvey, "round", "--resume", "--survey", dir); !strings.Contains(said, "0001-fl-main is damaged") {
		t.Error(said)
	}
}

// otherSeats makes a take say another thing of its round.
func otherSeats(path string) error {
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	return os.WriteFile(path, bytes.Replace(b, []byte(`"seats": [`), []byte(`"seats": [ "left end",`), 1), 0o666)
}

// Names that no one thought of are refused in words, or come back as they were.
func TestRoundStrangeNames(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "room")
	for _, c := range []struct{ option, text, say string }{
		{"--seats", "", "names no seat"},
		{"--seats", "main, \t ,", "names no seat"},
		{"--seats", strings.Repeat("x", 501), "--seats is longer than 500"},
		{"--seats", "ma\x01in", "--seats holds control characters"},
		{"--seats", "ma\xffin", "--seats holds control characters"},
		{"--seats", "ma\u202ein", "--seats holds characters that turn"},
		{"--seats", "../x", `no seat "../x"`},
		{"--play", "a\x1b[2J=FL", "--play holds control characters"},
		{"--play", "\u2067a=FL", "--play holds characters that turn"},
		{"--play", strings.Repeat("x", 501) + "=FL", "--play is longer than 500"},
	} {
		args := shortRound(dir, c.option, c.text)
		if c.option != "--play" {
			args = append(args, "--play", "FL")
		}
		if said := says(t, exitUsage, args...); !strings.Contains(said, c.say) || strings.ContainsAny(said, "\x1b\x01") {
			t.Errorf("%s %q: %q", c.option, c.text, said)
		}
	}
	if _, err := os.Stat(dir); err == nil {
		t.Error("a survey was made")
	}
	folder := t.TempDir()
	dir = filepath.Join(folder, "room")
	names := []string{"../x", "CON", "🎵", "a\nb", strings.Repeat("y", 500)}
	var play []string
	for i, name := range names {
		play = append(play, name+"="+[]string{"FL", "FR", "FC", "SL", "SR"}[i])
	}
	p, _ := goRound(t, exitDone, shortRound(dir, "--play", strings.Join(play, ","), "--drawings", filepath.Join(folder, "pictures"))...)
	again, talk := goRound(t, exitDone, "round", "--resume", "--survey", dir, "--json")
	if !p.Complete || len(p.Takes) != 5 || p.ids() != again.ids() || p.Takes[3].Source != "a b" || !strings.Contains(talk, "nothing is played") {
		t.Errorf("takes %.300s\n%.300s", p.ids(), talk)
	}
	if left, err := os.ReadDir(folder); err != nil || len(left) != 2 || len(mustGlob(t, filepath.Join(folder, "pictures", "round-*.png"))) != 1 {
		t.Errorf("%v, %v", left, err)
	}
}

// Two rounds do not play at a time, and who waited goes on from what there is.
func TestRoundsTakeTurns(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "room")
	interrupted(t, "source 2 of 2", shortRound(dir, "--play", "FL,FR")...)
	s, err := survey.Open(dir, false)
	if err != nil {
		t.Fatal(err)
	}
	other := &roundUnderWay{s: s}
	release, err := other.hold()
	if err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{shortRound(dir, "--play", "FC"), {"round", "--resume", "--survey", dir}} {
		if said := says(t, exitSurvey, args...); !strings.Contains(said, "another program is at work on it") || strings.Contains(said, "source ") {
			t.Errorf("%v: it says\n%s", args, said)
		}
	}
	if n := len(takesIn(t, dir)); n != 1 {
		t.Errorf("%d takes", n)
	}
	release()
	// What another program added before it was this one's turn is not played again.
	last, err := lastRound(s)
	if err != nil {
		t.Fatal(err)
	}
	waited := &roundUnderWay{of: roundFlags{survey: dir}, parts: []part{{"", "FL"}, {"", "FR"}}, takes: map[slot]*roundTake{},
		device: deviceFlags{device: "model", inputChannel: 1}, pass: passFlags{repeat: 1}}
	if err := waited.goOn(last, microphoneFlags{}); err != nil {
		t.Fatal(err)
	}
	goRound(t, exitDone, "round", "--resume", "--survey", dir, "--json")
	if got := waited.missing(0); !slices.Equal(got, []int{1}) {
		t.Errorf("missing %v, want the second", got)
	}
	var said bytes.Buffer
	if err := (&app{talk: &said}).playRound(t.Context(), waited, "", sweepFlags{sweeps: 2, marks: true, duration: 1, tail: 0.5}, microphoneFlags{}); err != nil || len(waited.missing(0)) != 0 || strings.Contains(said.String(), "source 2 of 2") {
		t.Errorf("missing %v, %v\n%s", waited.missing(0), err, said.String())
	}
	// A pipe in its place would wait for ever.
	lock := filepath.Join(dir, roundLock)
	if err := os.Remove(lock); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(lock, 0o777); err != nil {
		t.Fatal(err)
	}
	if said := says(t, exitSurvey, shortRound(dir, "--play", "FC")...); !strings.Contains(said, roundLock+" is not a file") {
		t.Errorf("it says\n%s", said)
	}
}

// lineCounter ends a context at the n-th thing that is said.
type lineCounter struct {
	bytes.Buffer
	left int
	stop func()
}

func (w *lineCounter) Write(p []byte) (int, error) {
	if w.left--; w.left == 0 {
		w.stop()
	}
	return w.Buffer.Write(p)
}

// Wherever a round is interrupted, it goes on from there: nothing sound is played
// twice, and the outcome is the same.
func TestRoundInterruptedAnywhere(t *testing.T) {
	args := func(dir string) []string { return shortRound(dir, "--play", "FL,FR", "--from", "20", "--quick") }
	want, _ := goRound(t, exitDone, args(filepath.Join(t.TempDir(), "room"))...)
	kept := map[int]int{}
	for n := 1; ; n += 2 {
		dir := filepath.Join(t.TempDir(), "room")
		ctx, stop := context.WithCancel(t.Context())
		talk := &lineCounter{left: n, stop: stop}
		var out bytes.Buffer
		code := run(ctx, args(dir), &out, talk)
		stop()
		if code == exitDone && talk.left > 0 { // it was done before
			break
		}
		if code != exitInterrupted && code != exitDone {
			t.Fatalf("at line %d: exit code %d\n%s", n, code, talk.String())
		}
		var p *played
		if s, err := survey.Open(dir, false); err != nil {
			p, _ = goRound(t, exitDone, args(dir)...) // it had not begun
		} else if last, err := lastRound(s); err != nil {
			t.Fatal(err)
		} else if last == nil {
			p, _ = goRound(t, exitDone, args(dir)...)
		} else {
			kept[len(last.entries)]++
			if !strings.Contains(talk.String(), "round are kept") && code != exitDone {
				t.Errorf("at line %d it does not say what is kept:\n%s", n, talk.String())
			}
			p, _ = goRound(t, exitDone, "round", "--resume", "--survey", dir, "--json")
		}
		finished := map[int]int{}
		for _, e := range takesIn(t, dir) {
			if !e.Unfinished {
				finished[e.Round.Index]++
			}
		}
		if !p.Complete || finished[0] != 1 || finished[1] != 1 || !slices.Equal(p.Readings, want.Readings) {
			t.Errorf("at line %d: complete %v, takes %v, readings %q, want %q", n, p.Complete, finished, p.Readings, want.Readings)
		}
	}
	if kept[1] == 0 || kept[2] == 0 {
		t.Errorf("takes that were kept, and how often: %v", kept)
	}
}

// A round that goes on with other devices is as careful as a first take.
func TestRoundWithOtherDevices(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "room")
	interrupted(t, "source 2 of 2", shortRound(dir, "--play", "FL,FR")...)
	s, err := survey.Open(dir, false)
	if err != nil {
		t.Fatal(err)
	}
	last, err := lastRound(s)
	if err != nil {
		t.Fatal(err)
	}
	// The takes were made with a real card.
	editTake(t, filepath.Join(dir, "0001-fl-main", survey.MetaName), func(take, _ map[string]any) {
		take["device"] = survey.Device{Input: "USB microphone", Output: "HDMI", System: "ALSA"}
	})
	for _, c := range []struct {
		input    string
		cautious bool
	}{{"USB microphone", false}, {"another microphone", true}} {
		var said bytes.Buffer
		a := &app{talk: &said, live: true, in: strings.NewReader("\n")}
		r := &roundUnderWay{of: roundFlags{survey: dir}, parts: []part{{"", "FL"}, {"", "FR"}}, takes: map[slot]*roundTake{}}
		device := deviceFlags{device: "model", inputChannel: 1}
		model, rate, err := device.open(t.Context(), "main", 0)
		if err != nil {
			t.Fatal(err)
		}
		r.Round, r.s, r.begun, r.pass = last.Round, s, true, passFlags{repeat: 1}
		r.played = survey.Device{Input: "USB microphone", Output: "HDMI"}
		card := *model
		card.input, card.output = capture.Device{Name: c.input, System: "ALSA", Inputs: 1}, capture.Device{Name: "HDMI", System: "ALSA", Outputs: 8}
		device.channel = "FL"
		play := sweepFlags{sweeps: 1, marks: true}
		p, err := plan(model, rate, takeFlags{survey: dir, seat: "main"}, device, play, r.pass)
		if err != nil {
			t.Fatal(err)
		}
		p.card = &card
		r.stands = []*stand{{seat: "main", card: &card, plans: []*planned{p, p}}}
		if err := a.beforeRound(t.Context(), r, &card, "", ""); err != nil {
			t.Fatal(err)
		}
		for _, text := range []string{"turn the volume down", "before      until now HDMI played", "Press Enter to start"} {
			if got := strings.Contains(said.String(), text); got != c.cautious {
				t.Errorf("%s: %q said: %v\n%s", c.input, text, got, said.String())
			}
		}
	}
}

// A survey raises no limit by itself: a raised ceiling is asked for again.
func TestRoundAsksForCeiling(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "room")
	const half = "source 2 of 2"
	raised := []string{"--play", "FL,FR", "--ceiling", "-9", "--level", "-11"}
	if said := interrupted(t, half, shortRound(dir, raised...)...); !strings.Contains(said, " --ceiling -9\n") {
		t.Errorf("what goes on with it is not said:\n%s", said)
	}
	resume := []string{"round", "--resume", "--survey", dir, "--json"}
	if said := says(t, exitUsage, resume...); !strings.Contains(said, "add --ceiling -9") {
		t.Errorf("it says\n%s", said)
	}
	for _, other := range []string{"-3", "-12"} {
		if said := says(t, exitUsage, append(resume, "--ceiling", other)...); !strings.Contains(said, "--ceiling cannot go with --resume") {
			t.Errorf("it says\n%s", said)
		}
	}
	if n := len(takesIn(t, dir)); n != 1 {
		t.Fatalf("%d takes", n)
	}
	goRound(t, exitDone, append(resume, "--ceiling", "-9 dBFS")...)
	for _, e := range takesIn(t, dir) {
		if e.LevelDBFS != -11 {
			t.Errorf("%s was played at %g dBFS", e.ID, e.LevelDBFS)
		}
	}
	// A lowered one is not, and none is given afterwards.
	interrupted(t, half, shortRound(dir, "--play", "FC,FR", "--ceiling", "-20", "--new")...)
	goRound(t, exitDone, resume...)
	interrupted(t, half, shortRound(dir, "--play", "SL,FR", "--new")...)
	says(t, exitUsage, append(resume, "--ceiling", "-9")...)
}

// FuzzRoundProblem: whatever is kept of a round, it is refused, or its sources and
// seats are what it says.
func FuzzRoundProblem(f *testing.F) {
	f.Add([]byte(`{"id":"20260314-120000-0a1b2c3d","index":1,"of":2,"play":["FL","a=FR"],"seats":["main","left end"]}`))
	f.Add([]byte(`{"id":"..","index":-1,"of":0,"play":[],"seats":[""]}`))
	f.Add([]byte(`{"id":"x","index":0,"of":1,"play":["=,"],"seats":["a,b"],"channels":["FL","FR"]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var r survey.Round
		if json.Unmarshal(b, &r) != nil {
			return
		}
		problem := roundProblem(&r)
		parts, err := parsePlay(strings.Join(r.Play, ","))
		seats, seatErr := parseSeats(strings.Join(r.Seats, ","))
		if problem == "" && (err != nil || seatErr != nil || len(parts) != r.Of || !slices.Equal(seats, r.Seats) || r.Index < 0 || r.Index >= len(parts)) {
			t.Fatalf("%s passes: %v", b, errors.Join(err, seatErr))
		}
		if problem == "" {
			u := &roundUnderWay{Round: r, parts: parts}
			for seat := range r.Seats {
				if name := (&roundResult{r: u}).drawingName(seat); filepath.Base(name) != name {
					t.Fatalf("%s is drawn in %s", b, name)
				}
			}
		}
		if strings.ContainsFunc(problem, unicode.IsControl) {
			t.Fatalf("%q", problem)
		}
	})
}
