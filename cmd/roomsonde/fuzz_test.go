package main

import (
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime/metrics"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// lineWords are what command lines are made of, beside free text: commands, options,
// and values that are usual, extreme, or wrong. Those that end in = stand before
// a value.
var lineWords = strings.Fields(`
	list show export recover sweep microphone help --help -h --version --json
	--survey=survey --survey=elsewhere --survey=mic.txt --survey= --survey
	1 2 3 4 0 -1 +1 1.5 99999999999999999999 latest 0001-left-main left main 0002 0003 main-left
	sweep.wav tiny.wav broken.wav text.txt mic.txt mic-wrong.txt missing.wav survey new.wav new.csv new.png new.svg .
	--source= --seat= --note= --source=sub --seat=main --note=note
	--from= --to= --duration= --rate= --level= --ceiling= --tail= --range= --sweeps= --outputs= --channel= --wav= --mark=
	--window= --cycles= --smoothing= --crossover= --microphone= --minimum-phase --thirds --drawings= --drawing= --format=
	--curve= --decay= --impulse= --zero= --grid= --normalise --keep-existing --input-channel= --sweep= --quick --marks=false
	48000 44.1k 96000 0.5 1s 20 20k 500Hz -30 -12dB -12 0dBFS 6 -90 1e9 1e-9 1e400 nan inf -inf 0x10 ½ 10% 1/3 1/24 1/0 0/1 1/-1 1/1e9
	full sub tweeter FL FR+LFE FL+FL XX 9 64 65 70000 png svg gif log start file 20ms -1s none true false
	-- - = --= -j --jason --dura 'q" \n %s %d <nil> ü 日本 \x00 * ~ $HOME`)

// FuzzCommandLine calls the program with command lines made from bytes: each
// byte of line is one of lineWords, joined to the one before where that ends in =;
// from 248 on it is the next line of text. Nothing that records or plays is
// called, nothing outside a folder of the test's own is touched.
//
// Whatever is asked, the program answers: no panic, no hang, no memory without
// end, an exit code of the documented ones, and an error says what is wrong and
// what to do.
func FuzzCommandLine(f *testing.F) {
	files := commandFiles(f)
	// Of these, which cobra adds by itself, the answers are cobra's own.
	barred := []string{"completion", "__complete", "__completeNoDesc"}
	for _, cmd := range (&app{}).command().Commands() {
		if !slices.Contains([]string{"list", "show", "export", "recover", "sweep", "microphone", "help"}, cmd.Name()) {
			barred = append(append(barred, cmd.Name()), cmd.Aliases...)
		}
	}
	for _, seed := range []string{
		"list", "list --json", "list --survey=elsewhere", "show 1", "show latest --json --thirds", "show left --drawings=|drawn --format=|svg", "show 2", "show 3",
		"show 1 --window= 0.5 --cycles= 6 --smoothing= 1/3 --crossover= 500Hz --minimum-phase", "show 1 --microphone= mic.txt",
		"recover sweep.wav --sweep= sweep.wav --json", "recover sweep.wav --source= left --note= ü", "recover tiny.wav", "recover broken.wav", "recover 2 --json",
		"recover 0002 --microphone= none", "recover text.txt", "recover missing.wav", "recover sweep.wav --input-channel= 2",
		"export 1 --curve= new.csv --decay= |other.csv --impulse= new.wav --zero= start --normalise", "export 1 --curve= new.csv --grid= full --smoothing= 1/24",
		"export latest --impulse= new.wav --zero= 20ms --keep-existing", "microphone mic.txt --json", "microphone mic.txt --drawing= new.png", "microphone mic-wrong.txt",
		"sweep --json --from= 20 --to= 20k --duration= 0.5 --rate= 44.1k --level= -12dB --sweeps= 2 --quick", "sweep --wav= new.wav --duration= 0.5 --channel= FR+LFE --outputs= 6 --mark= FL",
		"sweep --range= sub --marks=false --tail= 0.5 --ceiling= 0dBFS --json", "help show", "--version", "", "|nonsense --json", "show |--no-such-option",
	} {
		var line []byte
		var text []string
		for _, w := range strings.Fields(seed) {
			// A bar begins what is free text; an option may stand before it.
			option, free, isFree := strings.Cut(w, "|")
			if i := slices.Index(lineWords, option); i >= 0 {
				line = append(line, byte(i))
			} else if option != "" {
				f.Fatalf("%q is none of the words", option)
			}
			if isFree {
				line, text = append(line, 255), append(text, free)
			}
		}
		f.Add(line, strings.Join(text, "\n"))
	}
	if len(lineWords) > 248 {
		f.Fatalf("%d words", len(lineWords))
	}
	f.Fuzz(func(t *testing.T, line []byte, text string) {
		args, ok := arguments(line, text)
		if !ok || slices.ContainsFunc(args, func(a string) bool { return slices.Contains(barred, a) }) {
			return
		}
		dir := t.TempDir()
		for path, content := range files {
			path = filepath.Join(dir, path)
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, content, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		t.Chdir(dir)
		const patience = 10 * time.Minute // seconds of work, on a busy machine, least of all served
		watch := time.AfterFunc(patience, func() { panic("it hangs: " + strings.Join(args, " ")) })
		defer watch.Stop()
		before := memoryTaken()
		var out, talk strings.Builder
		code := run(t.Context(), args, &out, &talk)
		if took := memoryTaken() - before; took > 3<<30 {
			t.Errorf("%q took %d MiB", args, took>>20)
		}
		checkAnswer(t, args, code, out.String(), talk.String())
		// The survey's take is whole, whatever was asked.
		for path, content := range files {
			if strings.HasPrefix(path, takeFolder) {
				if b, err := os.ReadFile(filepath.Join(dir, path)); err != nil || string(b) != string(content) {
					t.Errorf("%q: %s was changed: %v", args, path, err)
				}
			}
		}
	})
}

// arguments makes a command line, or refuses what would write elsewhere, or take
// long because it was asked to.
func arguments(line []byte, text string) (args []string, ok bool) {
	if len(line) > 40 || len(text) > 1000 {
		return nil, false
	}
	lines := strings.Split(text, "\n")
	for _, b := range line {
		word := ""
		if int(b) < len(lineWords) {
			word = lineWords[b]
		} else if b >= 248 && len(lines) > 0 {
			word, lines = lines[0], lines[1:]
			if v, err := strconv.ParseFloat(strings.TrimRight(word[strings.LastIndex(word, "=")+1:], " kHzmsdBFS"), 64); err == nil && math.Abs(v) > 3 && math.Abs(v) < 1e6 {
				return nil, false
			}
		}
		if strings.ContainsAny(word, "/\\\x00") && !slices.Contains(lineWords, word) || strings.Contains(word, "..") {
			return nil, false
		}
		if n := len(args); n > 0 && strings.HasSuffix(args[n-1], "=") && strings.HasPrefix(args[n-1], "--") {
			args[n-1] += word
		} else {
			args = append(args, word)
		}
	}
	return args, true
}

// checkAnswer holds what the program said to what it promises.
func checkAnswer(t *testing.T, args []string, code int, out, talk string) {
	t.Helper()
	switch code {
	case exitDone, exitMarked:
		if strings.Contains(talk, "\nroomsonde: ") || strings.HasPrefix(talk, "roomsonde: ") {
			t.Errorf("%q: an error was printed, and the exit code is %d:\n%s", args, code, talk)
		}
		if out == "" {
			t.Errorf("%q: exit code %d, and nothing was said", args, code)
		}
	case exitOther, exitUsage, exitFile, exitNoSweep, exitSurvey:
		at := strings.Index("\n"+talk, "\nroomsonde: ")
		if at < 0 || !strings.Contains(talk[at:], "\n  what to do: ") {
			t.Errorf("%q: exit code %d, but stderr lacks the fact or what to do:\n%s", args, code, talk)
		}
		if code == exitOther {
			t.Errorf("%q: something else failed, which no test has seen before:\n%s", args, talk)
		}
	default:
		t.Errorf("%q: exit code %d:\n%s", args, code, talk)
	}
	for _, leak := range []string{"panic", "goroutine ", "%!", "<nil>", ": deconv: ", ": sweep: ", ": capture: ", ": calibration: ", ": wav: "} {
		if strings.Contains(talk, leak) && !strings.Contains(strings.Join(args, " "), leak) {
			t.Errorf("%q: stderr holds %q:\n%s", args, leak, talk)
		}
	}
}

// memoryTaken returns how much memory was taken so far, in bytes.
func memoryTaken() uint64 {
	s := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(s)
	return s[0].Value.Uint64()
}

// takeFolder holds the one finished take of commandFiles.
const takeFolder = "survey/0001-left-main"

// commandFiles returns what lies in the folder that the fuzzed commands run in,
// by path: a survey with a take that is finished, one that is not, and one that
// is damaged; recordings and calibrations, right and wrong.
func commandFiles(f *testing.F) map[string][]byte {
	dir := f.TempDir()
	at := func(path string) string { return filepath.Join(dir, path) }
	ok := func(err error) {
		f.Helper()
		if err != nil {
			f.Fatal(err)
		}
	}
	for path, content := range map[string]string{
		"text.txt": "Not what you are looking for.\n", "mic.txt": "20 1\n1000 0\n20000 -2\n", "mic-wrong.txt": "20 1\n1000 zero\n",
	} {
		ok(os.WriteFile(at(path), []byte(content), 0o644))
	}
	for _, args := range [][]string{
		{"sweep", "--from", "500", "--duration", "0.5", "--tail", "0.3", "--level", "-12", "--quick", "--wav", at("sweep.wav")},
		{"recover", at("sweep.wav"), "--source", "left", "--microphone", at("mic.txt"), "--survey", at("survey")},
	} {
		var out, talk strings.Builder
		if code := run(f.Context(), args, &out, &talk); code != exitDone && code != exitMarked {
			f.Fatalf("%q: code %d, %s", args, code, &talk)
		}
	}
	sound, err := os.ReadFile(at("sweep.wav"))
	ok(err)
	ok(os.WriteFile(at("tiny.wav"), slices.Concat(sound[:len(sound)-len(sound)%2], nil)[:2000], 0o644))
	ok(os.WriteFile(at("broken.wav"), sound[:30], 0o644))
	for folder, names := range map[string][]string{
		"survey/0002-right-main.unfinished": {"take.json", "recording.wav"},
		"survey/0003-left-main":             {"take.json", "impulse.wav"},
	} {
		ok(os.MkdirAll(at(folder), 0o755))
		for _, name := range names {
			b, err := os.ReadFile(at(filepath.Join(takeFolder, name)))
			ok(err)
			ok(os.WriteFile(at(filepath.Join(folder, name)), b, 0o644))
		}
	}
	files := map[string][]byte{}
	ok(filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		name, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		files[filepath.ToSlash(name)], err = os.ReadFile(path)
		return err
	}))
	return files
}
