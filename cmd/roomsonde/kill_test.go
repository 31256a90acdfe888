package main

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"roomsonde/cmd/roomsonde/internal/survey"
)

// envKills says how often TestKill9 kills; 500 is what was promised.
const (
	envKills    = "ROOMSONDE_KILLS"
	kills       = 25
	killsSurvey = 20 // so many in one survey, which grows
)

// TestKill9 kills the program, as a user calls it, at random instants of measure
// and recover, and holds it to what it promises:
//
//   - the survey opens, no take in it is damaged, and those that were finished
//     are whole, to the last bit;
//   - the take under way is finished, or listed as unfinished, or gone. What holds
//     a recording can be finished from it; what holds none says so;
//   - nobody is held up by what the dead program held;
//   - what the program had printed as kept is there.
//
// The instants are the luck of the machine: a third are counted from the start of
// the program, the others from when a recording begins to be written, half of
// them mostly soon after. Nothing that is demanded depends on them.
func TestKill9(t *testing.T) {
	n := kills
	if s := os.Getenv(envKills); s != "" {
		var err error
		if n, err = strconv.Atoi(s); err != nil {
			t.Fatal(err)
		}
	}
	program, err := exec.LookPath("roomsonde") // the test's own binary, see TestMain
	if err != nil {
		t.Fatal(err)
	}
	k := &killing{T: t, program: program, folder: t.TempDir(), rng: rand.New(rand.NewPCG(9, 500)), saw: map[string]int{}}
	k.setUp()
	for i := 0; k.saw["killed"] < n; i++ {
		if i > 5*n {
			// A test that only ever killed too late would show nothing.
			t.Fatalf("too few kills met the program at work: %v", k.saw)
		}
		if i%killsSurvey == 0 {
			k.newSurvey()
		}
		k.round(i)
		if t.Failed() {
			t.Fatalf("in round %d; stderr of the killed program:\n%s", i+1, k.stderr)
		}
	}
	t.Logf("%v", k.saw)
	// Nor would one that only ever killed too early.
	if k.saw["finished"]+k.saw["unfinished with recording"] == 0 {
		t.Errorf("no kill came after the recording was kept: %v", k.saw)
	}
}

type killing struct {
	*testing.T
	program, folder string
	rng             *rand.Rand
	saw             map[string]int // outcomes

	phone      string            // a recording that was made elsewhere
	phoneSum   [sha256.Size]byte // of it
	frames     int               // of each recording
	takes      map[string]time.Duration
	dir        string            // the survey
	finished   map[string]string // takes that were, with the sum of their impulse response
	unfinished []string          // takes that were left, with a recording
	stderr     string            // of the last program killed
}

// TestProgramsAtOnce lets several programs measure into one survey that none of
// them finds there: no number is given twice, and nothing is lost.
func TestProgramsAtOnce(t *testing.T) {
	const programs, each = 4, 2
	program, err := exec.LookPath("roomsonde")
	if err != nil {
		t.Fatal(err)
	}
	k := &killing{T: t, program: program, folder: t.TempDir(), rng: rand.New(rand.NewPCG(1, 1))}
	k.dir = filepath.Join(k.folder, "room")
	var group sync.WaitGroup
	for range programs {
		args := k.measureArgs()
		group.Go(func() {
			for range each {
				cmd, _, stderr := k.command(args)
				err := cmd.Run()
				if code := cmd.ProcessState.ExitCode(); code != exitDone && code != exitMarked {
					t.Errorf("%v, %s", err, stderr)
				}
			}
		})
	}
	group.Wait()
	s, err := survey.Open(k.dir, false)
	if err != nil {
		t.Fatal(err)
	}
	entries, damage, err := s.List()
	if err != nil || len(entries) != programs*each || len(damage) != 0 {
		t.Fatalf("%d takes, %v, %v", len(entries), damage, err)
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

// measureArgs is the shortest take that has all parts of one.
func (k *killing) measureArgs() []string {
	return []string{"measure", "--device", "model", "--duration", "1", "--tail", "0.5", "--quick", "--survey", k.dir, "--json"}
}

// repeatArgs makes a take of two recordings.
func (k *killing) repeatArgs() []string { return append(k.measureArgs(), "--repeat", "2") }

func (k *killing) recoverArgs() []string {
	return []string{"recover", k.phone, "--survey", k.dir, "--json"}
}

func (k *killing) command(args []string) (cmd *exec.Cmd, stdout, stderr *bytes.Buffer) {
	cmd = exec.Command(k.program, args...)
	stdout, stderr = new(bytes.Buffer), new(bytes.Buffer)
	cmd.Stdout, cmd.Stderr, cmd.Dir = stdout, stderr, k.folder
	return cmd, stdout, stderr
}

// must runs the program to its end, which may be a marked take.
func (k *killing) must(args ...string) {
	k.Helper()
	cmd, _, stderr := k.command(args)
	err := cmd.Run()
	if code := cmd.ProcessState.ExitCode(); code != exitDone && code != exitMarked {
		k.Fatalf("%q: %v, %s", args, err, stderr)
	}
}

// setUp makes the recording to recover from, and learns how long things take.
func (k *killing) setUp() {
	k.phone = filepath.Join(k.folder, "phone.wav")
	k.dir = filepath.Join(k.folder, "first")
	k.must(k.measureArgs()...)
	s, err := survey.Open(k.dir, false)
	if err != nil {
		k.Fatal(err)
	}
	take, err := s.Load(survey.Latest)
	if err != nil {
		k.Fatal(err)
	}
	k.frames = take.Recording.Frames
	k.must("sweep", "--duration", "1", "--tail", "0.5", "--quick", "--wav", k.phone)
	k.phoneSum = k.sum(k.phone)
	k.takes = map[string]time.Duration{}
	for name, args := range map[string][]string{"measure": k.measureArgs(), "repeat": k.repeatArgs(), "recover": k.recoverArgs()} {
		start := time.Now()
		k.must(args...)
		k.takes[name] = time.Since(start)
	}
	k.takes["finish"] = k.takes["recover"]
}

func (k *killing) sum(path string) [sha256.Size]byte {
	b, err := os.ReadFile(path)
	if err != nil {
		k.Fatal(err)
	}
	return sha256.Sum256(b)
}

func (k *killing) newSurvey() {
	k.dir = filepath.Join(k.folder, fmt.Sprintf("room %d", k.rng.Uint32()))
	k.finished, k.unfinished = map[string]string{}, nil
}

// round starts one command, kills it, and looks at what is left.
func (k *killing) round(i int) {
	what, args := "measure", k.measureArgs()
	switch {
	case len(k.unfinished) > 0 && k.rng.IntN(2) == 0:
		what, args = "finish", []string{"recover", k.unfinished[0], "--survey", k.dir, "--json"}
	case k.rng.IntN(3) == 0:
		what, args = "recover", k.recoverArgs()
	case k.rng.IntN(2) == 0:
		what, args = "repeat", k.repeatArgs()
	}
	// What is waited for, in the take's folder.
	begun := "recording"
	if what == "repeat" && k.rng.IntN(2) == 0 {
		begun = "recording-2"
	}
	cmd, stdout, stderr := k.command(args)
	before := folders(k.dir)
	if err := cmd.Start(); err != nil {
		k.Fatal(err)
	}
	ended := make(chan struct{})
	go func() {
		cmd.Wait()
		close(ended)
	}()
	start := time.Now()
	all := float64(k.takes[what])
	moment := time.Duration(k.rng.Float64() * 1.1 * all)
	if what != "finish" && i%3 > 0 {
		// From when there is something to lose.
		moment /= 2
		if i%3 == 2 { // mostly soon after
			moment = time.Duration(all * math.Pow(0.001, k.rng.Float64()))
		}
		for waiting := true; waiting; {
			select {
			case <-ended:
				waiting = false
			default:
				waiting = !lies(k.dir, before, begun)
				time.Sleep(100 * time.Microsecond)
			}
		}
	}
	killed := false
	select {
	case <-ended:
		// The machine may have been busy when this was measured.
		k.takes[what] = min(k.takes[what], time.Since(start))
	case <-time.After(moment):
		killed = true
		cmd.Process.Kill()
		<-ended
	}
	k.stderr = stderr.String()
	switch code := cmd.ProcessState.ExitCode(); {
	case code == exitDone, code == exitMarked:
		k.saw["ended before"]++
	case killed:
		k.saw["killed"]++
		k.saw["killed in "+what]++
	default:
		k.Fatalf("%q ended by itself with code %d: %s", args, code, stderr)
	}
	k.look(what, stdout.String())
}

// folders returns what lies in a survey.
func folders(dir string) (names []string) {
	entries, _ := os.ReadDir(dir)
	for _, e := range entries {
		if e.IsDir() && e.Name() != "microphones" {
			names = append(names, e.Name())
		}
	}
	return names
}

// lies reports whether a take that was not there before holds a file with such a
// name, whole or just being written.
func lies(dir string, before []string, name string) bool {
	for _, folder := range folders(dir) {
		if slices.Contains(before, folder) {
			continue
		}
		files, _ := os.ReadDir(filepath.Join(dir, folder))
		if slices.ContainsFunc(files, func(f os.DirEntry) bool { return strings.Contains(f.Name(), name) }) {
			return true
		}
	}
	return false
}

// look holds what is on the disk to the promises.
func (k *killing) look(what, stdout string) {
	if sum := k.sum(k.phone); sum != k.phoneSum {
		k.Error("the user's own recording was changed")
	}
	s, err := survey.Open(k.dir, false)
	if err != nil {
		if len(k.finished)+len(k.unfinished) > 0 || len(folders(k.dir)) > 0 {
			k.Errorf("the survey does not open: %v", err)
		}
		k.saw["no survey yet"]++
		return
	}
	if err := s.ReadOnly(); err != nil {
		k.Errorf("the survey is read-only: %v", err)
	}
	entries, damage, err := s.List()
	if err != nil || len(damage) > 0 {
		k.Errorf("list: %v, %v", err, damage)
	}
	numbers := map[int]bool{}
	var fresh []survey.Entry
	for _, e := range entries {
		if numbers[e.Number] {
			k.Errorf("number %d was given twice", e.Number)
		}
		numbers[e.Number] = true
		if e.InProgress {
			k.Errorf("%s is said to be in progress; its program is dead", e.ID)
		}
		if !e.Unfinished {
			if err := s.Verify(e.ID); err != nil {
				k.Error(err)
			}
			if e.Recording.Frames != k.frames && e.Device.System != fileSystem {
				k.Errorf("%s has a recording of %d frames", e.ID, e.Recording.Frames)
			}
			if sum, ok := k.finished[e.ID]; ok && sum != e.Impulse.SHA256 {
				k.Errorf("%s was finished, and is another now", e.ID)
			}
		}
		if _, ok := k.finished[e.ID]; !ok && !slices.Contains(k.unfinished, e.ID) {
			fresh = append(fresh, e)
		}
	}
	for id := range k.finished {
		if !slices.ContainsFunc(entries, func(e survey.Entry) bool { return e.ID == id && !e.Unfinished }) {
			k.Errorf("%s was finished, and is no more", id)
		}
	}
	for _, id := range k.unfinished {
		if !slices.ContainsFunc(entries, func(e survey.Entry) bool { return e.ID == id }) {
			k.Errorf("%s was left with its recording, and is no more", id)
		}
	}
	if len(fresh) > 1 || what == "finish" && len(fresh) > 0 {
		k.Errorf("one %s left %d takes", what, len(fresh))
	}
	if len(stdout) > 0 { // the result, which is printed once the take is kept
		whole := len(fresh) == 1 && !fresh[0].Unfinished
		if what == "finish" {
			e, err := s.Resolve(k.unfinished[0])
			whole = err == nil && !e.Unfinished
		}
		if !whole {
			k.Error("a result was printed, and its take is not finished")
		}
	}
	switch {
	case what == "finish":
	case len(fresh) == 0:
		k.saw["gone"]++
	case !fresh[0].Unfinished:
		k.saw["finished"]++
	case slices.Contains(fresh[0].Holds, survey.RecordingName):
		k.saw["unfinished with recording"]++
		k.unfinished = append(k.unfinished, fresh[0].ID)
	default:
		k.saw["unfinished without recording"]++
		var u *survey.UnfinishedError
		if _, err := s.Load(fresh[0].ID); !errors.As(err, &u) || u.Recording != "" || u.Hint() == "" {
			k.Errorf("loading %s says %v", fresh[0].ID, err)
		}
	}
	// What was left is finished by the command that the user is told, mostly at
	// once; now and then it waits, to be killed while that is being done.
	for len(k.unfinished) > 0 {
		id := k.unfinished[0]
		if e, err := s.Resolve(id); err != nil {
			k.Fatal(err)
		} else if e.Unfinished {
			if k.rng.IntN(2) == 0 {
				break
			}
			k.must("recover", id, "--survey", k.dir, "--json")
			take, err := s.Load(id)
			if err != nil {
				k.Fatal(err)
			}
			// Each recording that was there is part of the take now.
			held := slices.DeleteFunc(e.Holds, func(name string) bool { return !strings.HasPrefix(name, "recording") })
			if got := len(take.RecordingPaths()); got != len(held) {
				k.Errorf("%s held %q, and has %d recordings", id, held, got)
			}
			k.saw[fmt.Sprintf("finished afterwards from %s", plural(len(held), "recording"))]++
		} else {
			k.saw["finished by a killed recover"]++
		}
		if err := s.Verify(id); err != nil {
			k.Error(err)
		}
		k.unfinished = k.unfinished[1:]
	}
	// Nobody waits for the dead.
	d, err := s.Begin(survey.Meta{Source: "next"})
	if err != nil {
		k.Fatalf("the next take cannot begin: %v", err)
	}
	d.Close()
	entries, _, err = s.List()
	if err != nil {
		k.Fatal(err)
	}
	for _, e := range entries {
		if !e.Unfinished {
			k.finished[e.ID] = e.Impulse.SHA256
		} else if !slices.Contains(k.unfinished, e.ID) {
			// Nothing but a name and no recording: the user is told that it can be
			// deleted, and does it.
			if err := os.RemoveAll(e.Dir); err != nil {
				k.Fatal(err)
			}
		}
	}
	var out, talk strings.Builder
	if code := run(k.Context(), []string{"list", "--survey", k.dir}, &out, &talk); code != exitDone || strings.Contains(out.String(), "damaged") {
		k.Errorf("list: code %d, %s%s", code, &out, &talk)
	}
}
