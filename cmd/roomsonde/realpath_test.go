//go:build cgo && unix

package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"roomsonde/capture/soundcard/soundserver"
	"roomsonde/sweep/scale/outsidetest"
)

// The real-path ring of the program as a whole: the program as it is built
// measures, through PortAudio and a JACK server without hardware, a room that
// consists of a convolver that someone else wrote (jconvolver, by Fons
// Adriaensen). What was convolved in must come out.

// patience is how long anything here may take before it counts as hung. The
// machine may be busy with other tests.
const patience = 90 * time.Second

// mostTakes is how often a take in which the server lost a buffer is repeated.
const mostTakes = 3

// build builds the program.
func build(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "roomsonde")
	cmd := exec.CommandContext(t.Context(), "go", "build", "-o", path, ".")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("go build: %v\n%s", err, out)
	}
	return path
}

// program is a run of the built program.
type program struct {
	stdout, stderr bytes.Buffer
	code           int
	took           time.Duration
}

// execute runs the built program to its end. meanwhile, if given, is called when
// the program has said that the sweep begins.
func execute(t *testing.T, s *soundserver.Server, path string, meanwhile func(*os.Process), args ...string) *program {
	t.Helper()
	start := time.Now()
	p, err := conduct(t, s, patience, path, func(line string, running *os.Process) {
		if meanwhile != nil && strings.HasPrefix(line, "sweep ") {
			meanwhile(running)
			meanwhile = nil
			start = time.Now()
		}
	}, args...)
	p.took = time.Since(start)
	var exit *exec.ExitError
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		t.Fatalf("roomsonde %s hangs; it said\n%s", strings.Join(args, " "), p.stderr.String())
	case err != nil && !errors.As(err, &exit):
		t.Fatal(err)
	}
	return p
}

// conduct runs the built program to its end, or until the limit; said gets each line that it
// says on the way.
func conduct(t *testing.T, s *soundserver.Server, limit time.Duration, path string, said func(line string, running *os.Process), args ...string) (*program, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	defer cancel()
	p := &program{}
	cmd := exec.CommandContext(ctx, path, args...)
	cmd.Env = append(os.Environ(), s.Env...)
	cmd.Stdout = &p.stdout
	talk, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for lines := bufio.NewScanner(talk); lines.Scan(); {
		fmt.Fprintln(&p.stderr, lines.Text())
		said(lines.Text(), cmd.Process)
	}
	err = cmd.Wait()
	p.code = cmd.ProcessState.ExitCode()
	if ctx.Err() != nil {
		err = ctx.Err()
	}
	return p, err
}

func (p *program) want(t *testing.T, code int) {
	t.Helper()
	if p.code != code {
		t.Fatalf("exit code %d, want %d\n%s%.1000s", p.code, code, p.stderr.String(), p.stdout.String())
	}
}

func TestRealPath(t *testing.T) {
	outsidetest.Tool(t, "jackd")
	path := build(t)
	t.Run("an open living room", func(t *testing.T) {
		// The Open AIR Library, living room 1 (University of York, public domain):
		// at its own rate, as it was published. It is as loud as its file allows, so
		// what comes back is louder than what is played.
		c := measureRoom(t, path, outsidetest.Data(t, "living-room/living_room_1.wav"), 44100, "--level", "-50")
		if c.WindowedDB > windowedDB {
			t.Errorf("response is off by %.5f dB from NumPy's transform of the same window", c.WindowedDB)
		}
	})
	t.Run("a room made by NumPy", func(t *testing.T) {
		room := filepath.Join(t.TempDir(), "room.wav")
		outside(t, nil, outsidetest.Python(t), "-c", `
import sys, numpy as np, soundfile
rng = np.random.default_rng(20)
n = 48000
h = 0.02 * rng.standard_normal(n) * 10 ** (-3 * np.arange(n) / n)
h[:240] = 0
h[96] = 0.4
h[-2400:] *= np.linspace(1, 0, 2400)
soundfile.write(sys.argv[1], h.astype("<f4"), 48000, subtype="FLOAT")
`, room)
		measureRoom(t, path, room, 48000, "--duration", "4").hold(t, -96, floatErrorDB, floatMagnitudeDB)
	})
	t.Run("faults", func(t *testing.T) { testFaults(t, path) })
}

// measureRoom measures a room through the sound server and holds what comes out
// to what was loaded, over the whole of the sweep's range.
func measureRoom(t *testing.T, path, room string, rate int, args ...string) comparison {
	python := outsidetest.Python(t)
	folder := t.TempDir()
	truth := filepath.Join(folder, "truth.f64")
	outside(t, nil, python, "-c", "import sys, soundfile; soundfile.read(sys.argv[1], always_2d=True)[0][:, 0].astype('<f8').tofile(sys.argv[2])", room, truth)
	s := soundserver.Room(t, room, rate)

	listed := execute(t, s, path, nil, "devices", "--json")
	listed.want(t, exitDone)
	var list struct {
		Devices []struct {
			Name    string
			Inputs  int
			Outputs int
			Rate    float64 `json:"rate_hz"`
		}
	}
	decode(t, listed.stdout.Bytes(), &list)
	found := false
	for _, d := range list.Devices {
		found = found || d.Name == s.Device && d.Inputs == 1 && d.Outputs == 1 && d.Rate == float64(rate)
	}
	if !found {
		t.Errorf("devices --json does not list %q with one input and one output at %d Hz: %s", s.Device, rate, listed.stdout.String())
	}

	for take := 1; ; take++ {
		p := execute(t, s, path, nil, append([]string{"measure", "--device", s.Device, "--source", "left", "--seat", "main",
			"--survey", filepath.Join(folder, "survey"), "--json"}, args...)...)
		if p.code != exitDone && p.code != exitMarked {
			p.want(t, exitDone)
		}
		object, err := oneObject(p.stdout.String())
		if err == nil {
			err = checkResult(object)
		}
		if err != nil {
			t.Fatal(err)
		}
		findings := slices.DeleteFunc(object["findings"].([]any), func(f any) bool { return !f.(map[string]any)["fault"].(bool) })
		c := compare(t, p.stdout.String(), truth, 1, 5, float64(min(24000, rate/2)))
		if c.ErrorDB <= floatErrorDB && len(findings) == 0 {
			if !(c.MagnitudeDB <= floatMagnitudeDB) {
				t.Errorf("magnitude is off by %.4f dB at %.1f Hz, want at most %g dB", c.MagnitudeDB, c.MagnitudeHz, floatMagnitudeDB)
			}
			return c
		}
		if take == mostTakes {
			t.Fatalf("difference to the response loaded = %.1f dB, want at most %g dB; findings %v\n%s", c.ErrorDB, floatErrorDB, findings, p.stderr.String())
		}
		t.Logf("take %d: difference %.1f dB, findings %v: the server lost a buffer; once more", take, c.ErrorDB, findings)
	}
}

// testFaults ends measurements early, in all the ways that happen.
func testFaults(t *testing.T, path string) {
	straight := filepath.Join(t.TempDir(), "straight.wav")
	outside(t, nil, outsidetest.Tool(t, "sox"), "-D", "-n", "-r", "48000", "-c", "1", "-b", "16", straight, "trim", "0", "0.1")
	s := soundserver.Room(t, straight, 48000)
	folder := t.TempDir()

	// clean demands that a survey holds no take, finished or not, and that list
	// says so.
	clean := func(t *testing.T, survey string) {
		t.Helper()
		entries, err := os.ReadDir(survey)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			if n := e.Name(); n != "survey.json" && n != ".lock" {
				t.Errorf("%s was left in the survey", n)
			}
		}
		p := execute(t, s, path, nil, "list", "--survey", survey)
		p.want(t, exitDone)
		if got := p.stdout.String(); !strings.HasPrefix(got, "No take in ") || strings.Count(got, "\n") != 1 {
			t.Errorf("list prints\n%s", got)
		}
	}

	t.Run("silence", func(t *testing.T) {
		// A room that answers nothing; and inputs that nothing is connected to.
		for _, device := range []string{s.Device, "system"} {
			survey := filepath.Join(folder, "silent "+device)
			p := execute(t, s, path, nil, "measure", "--device", device, "--from", "100", "--duration", "0.5", "--survey", survey, "--json")
			p.want(t, exitNoSweep)
			if got := p.stderr.String(); !strings.Contains(got, "roomsonde: the recording is silent\n  what to do: check that the microphone is connected") || p.stdout.Len() > 0 {
				t.Errorf("%s: it says\n%s", device, got)
			}
		}
	})

	t.Run("a device of another name", func(t *testing.T) {
		p := execute(t, s, path, nil, "measure", "--device", "convolved rom", "--survey", filepath.Join(folder, "unknown"))
		p.want(t, exitDevice)
		if got := p.stderr.String(); !strings.Contains(got, `"convolved rom"`) || !strings.Contains(got, `did you mean "convolved room"`) {
			t.Errorf("it says\n%s", got)
		}
		if _, err := os.Stat(filepath.Join(folder, "unknown")); err == nil {
			t.Error("a survey was created")
		}
	})

	t.Run("another rate", func(t *testing.T) {
		p := execute(t, s, path, nil, "measure", "--device", s.Device, "--rate", "96000", "--survey", filepath.Join(folder, "rate"))
		if p.code != exitDevice && p.code != exitUsage {
			p.want(t, exitDevice)
		}
		if got := p.stderr.String(); !strings.Contains(got, "96000") || !strings.Contains(got, "48000") {
			t.Errorf("it says\n%s", got)
		}
	})

	for name, sig := range map[string]syscall.Signal{"interrupted": syscall.SIGINT, "terminated": syscall.SIGTERM} {
		t.Run(name, func(t *testing.T) {
			survey := filepath.Join(folder, name)
			p := execute(t, s, path, func(running *os.Process) {
				// Into the middle: however long the machine takes to get there, the
				// outcome is the same.
				time.Sleep(2 * time.Second)
				running.Signal(sig)
			}, "measure", "--device", s.Device, "--duration", "30", "--survey", survey, "--json")
			p.want(t, exitInterrupted)
			if got := p.stderr.String(); !strings.Contains(got, "roomsonde: interrupted; nothing was kept") || p.stdout.Len() > 0 {
				t.Errorf("it says\n%s%s", got, p.stdout.String())
			}
			t.Logf("ended %.2f s after the signal", p.took.Seconds())
			if p.took > 15*time.Second {
				t.Errorf("it took %v to end", p.took)
			}
			clean(t, survey)
		})
	}

	// The last, for it leaves no server.
	t.Run("the server dies", func(t *testing.T) {
		survey := filepath.Join(folder, "dead")
		p := execute(t, s, path, func(*os.Process) {
			time.Sleep(2 * time.Second)
			s.Kill()
		}, "measure", "--device", s.Device, "--duration", "30", "--survey", survey, "--json")
		p.want(t, exitDevice)
		t.Logf("ended %.2f s after the server:\n%s", p.took.Seconds(), p.stderr.String())
		if p.took > 60*time.Second {
			t.Errorf("it took %v to end", p.took)
		}
		if got := p.stderr.String(); !strings.Contains(got, "what to do: ") || p.stdout.Len() > 0 {
			t.Errorf("it says\n%s%s", got, p.stdout.String())
		}
		// What was recorded until then is kept, and is no take.
		list := execute(t, s, path, nil, "list", "--survey", survey)
		list.want(t, exitDone)
		if got := list.stdout.String(); !strings.Contains(got, "No take in ") || !strings.Contains(got, "never finished; it holds recording.wav, take.json") || !strings.Contains(got, "not worked out: ") {
			t.Errorf("list prints\n%s", got)
		}
	})
}
