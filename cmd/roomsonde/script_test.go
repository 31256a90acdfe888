package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"roomsonde/capture/soundcard"
	"roomsonde/sweep/scale/outsidetest"
)

// TestMain lets the scripts call the program by its name: the test's own binary
// then is the program.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"roomsonde": asProgram})
}

func asProgram() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	var talk io.Writer = os.Stderr
	if quiet, err := soundcard.KeepLibrariesQuiet(); err == nil {
		talk = quiet
	}
	code := run(ctx, os.Args[1:], os.Stdout, talk)
	stop()
	os.Exit(code)
}

// TestScripts runs testdata/script: the program as a user calls it, with the
// built-in room. No script may play on a real device: a developer may have one.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(e *testscript.Env) error {
			calibrations, err := filepath.Abs("../../calibration/testdata/files")
			e.Setenv("CALIBRATIONS", calibrations)
			e.Values["test"] = e.T()
			return err
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"code": cmdCode, "jsoncheck": cmdJSONCheck, "field": cmdField, "files": cmdFiles, "sox": cmdSoX,
		},
		Condition: func(condition string) (bool, error) {
			if condition != "nodevice" {
				return false, fmt.Errorf("no condition %q", condition)
			}
			devices, err := soundcard.Devices(t.Context())
			return err == nil && len(devices) == 0, nil
		},
	})
}

// cmdCode runs the program and demands an exit code:
//
//	code 2 measure --from 2k --to 100
//
// Whatever the code, what the exit code promises is held: a failure writes
// nothing to stdout, and to stderr the fact and what to do about it.
func cmdCode(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 {
		ts.Fatalf("usage: code N args...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec("roomsonde", args[1:]...)
	got := 0
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		got = exit.ExitCode()
	} else if err != nil {
		ts.Fatalf("cannot run: %v", err)
	}
	stdout, stderr := ts.ReadFile("stdout"), ts.ReadFile("stderr")
	if got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
	switch want {
	case exitDone, exitMarked:
		if strings.Contains(stderr, "roomsonde: ") {
			ts.Fatalf("an error was printed, and the exit code is %d", got)
		}
	default:
		if stdout != "" {
			ts.Fatalf("a failure wrote to stdout")
		}
		at := strings.Index("\n"+stderr, "\nroomsonde: ")
		if at < 0 || !strings.Contains(stderr[at:], "\n  what to do: ") {
			ts.Fatalf("stderr lacks the fact or what to do")
		}
	}
	for _, leak := range []string{"panic", "goroutine ", "%!", "<nil>", ": deconv: ", ": sweep: ", ": capture: ", ": calibration: ", ": wav: "} {
		if strings.Contains(stderr, leak) {
			ts.Fatalf("stderr holds %q, which is not for users", leak)
		}
	}
}

// cmdJSONCheck demands that stdout (or the file named) is one JSON object and
// nothing else, and of the given kind: result, or just object.
func cmdJSONCheck(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 || len(args) > 2 {
		ts.Fatalf("usage: jsoncheck kind [file]")
	}
	file := "stdout"
	if len(args) == 2 {
		file = args[1]
	}
	object, err := oneObject(ts.ReadFile(file))
	ts.Check(err)
	switch args[0] {
	case "object":
	case "result":
		ts.Check(checkResult(object))
	default:
		ts.Fatalf("no kind %q", args[0])
	}
}

// cmdField compares a field of the JSON on stdout: field response.smoothing none
// A list's length is len, an element its number: field takes.len 1
func cmdField(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: [!] field path value")
	}
	var v any
	ts.Check(json.Unmarshal([]byte(ts.ReadFile("stdout")), &v))
	for _, name := range strings.Split(args[0], ".") {
		switch at := v.(type) {
		case map[string]any:
			inner, ok := at[name]
			if !ok {
				ts.Fatalf("there is no %q in %s", name, args[0])
			}
			v = inner
		case []any:
			if name == "len" {
				v = float64(len(at))
				continue
			}
			i, err := strconv.Atoi(name)
			if err != nil || i < 0 || i >= len(at) {
				ts.Fatalf("no element %q of %d in %s", name, len(at), args[0])
			}
			v = at[i]
		default:
			ts.Fatalf("%s: nothing to look into at %q", args[0], name)
		}
	}
	if got := fmt.Sprint(v); (got == args[1]) == neg {
		ts.Fatalf("%s = %s, want %s (negated: %v)", args[0], got, args[1], neg)
	}
}

// cmdFiles demands that a folder holds these names and no other, but for a
// survey's lock: files survey 0001-left-sub-main microphones survey.json
func cmdFiles(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 {
		ts.Fatalf("usage: files folder names...")
	}
	entries, err := os.ReadDir(ts.MkAbs(args[0]))
	ts.Check(err)
	var got []string
	for _, e := range entries {
		if e.Name() != ".lock" && e.Name() != ".worked" && e.Name() != ".tmp" { // testscript's TMPDIR is .tmp
			got = append(got, e.Name())
		}
	}
	want := slices.Clone(args[1:])
	slices.Sort(want)
	if !slices.Equal(got, want) {
		ts.Fatalf("%s holds %q, want %q", args[0], got, want)
	}
}

// cmdSoX runs SoX (Debian's sox 14.4.2) to make a file that we did not write.
// Without dither, and with the same random numbers each time.
func cmdSoX(ts *testscript.TestScript, neg bool, args []string) {
	sox := outsidetest.Tool(ts.Value("test").(testing.TB), "sox")
	ts.Check(ts.Exec(sox, append([]string{"-D", "-R"}, args...)...))
}
