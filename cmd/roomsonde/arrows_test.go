package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// module is the module's name, before every import path of ours.
const module = "roomsonde"

// goTool runs the go command in the module's root and returns its stdout.
func goTool(t *testing.T, env []string, args ...string) []byte {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "go", args...)
	cmd.Dir = filepath.Join("..", "..")
	cmd.Env = append(os.Environ(), env...)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go %s: %v\n%s", strings.Join(args, " "), err, stderr.String())
	}
	return out
}

// below reports whether path is folder or lies in it.
func below(path, folder string) bool {
	return path == folder || strings.HasPrefix(path, folder+"/")
}

// TestArrowsPointOneWay holds the rule of who may know whom, for what the
// packages import themselves (their tests may import more).
func TestArrowsPointOneWay(t *testing.T) {
	const home = module + "/sweep/scale"
	// may lists, for a package by the first line that fits, what of the module it
	// may import, each with all below it.
	may := []struct {
		pkg  string
		only []string
	}{
		{"sweep/scale/outsidetest", nil},
		{"sweep/scale", nil},
		{"sweep", []string{"sweep/scale"}},
		{"calibration/target", []string{"calibration", "sweep/scale"}},
		{"calibration", []string{"sweep/scale"}},
		// soundserver serves tests, and nothing but tests imports it.
		{"capture/soundcard/soundserver", []string{"capture", "sweep/scale/outsidetest"}},
		// Inspection and level-finding read what was recorded.
		{"capture/inspect", []string{"sweep", "deconv/clock", "deconv/fourier"}},
		{"capture/level", []string{"capture", "sweep", "deconv/fourier"}},
		{"capture", []string{"capture", "sweep"}},
		{"deconv/fourier", nil},
		{"deconv", []string{"deconv", "sweep"}},
		{"cmd", []string{"cmd", "capture", "deconv", "calibration", "sweep"}},
	}
	// Between the parts of deconv: downward only.
	deconvOrder := []string{"deconv/fourier", "deconv/clock", "deconv", "deconv/response", "deconv/decay", "deconv/decay/tolerance", "deconv/modes", "deconv/reflections", "deconv/waterfall", "deconv/difference"}
	place := func(path string) int {
		for i, p := range deconvOrder {
			if path == module+"/"+p {
				return i
			}
		}
		return -1
	}
	outsideOnly := map[string]string{ // of the libraries, who alone may import them
		"github.com/gordonklaus/portaudio":  module + "/capture/soundcard",
		"github.com/spf13/cobra":            module + "/cmd",
		"github.com/spf13/pflag":            module + "/cmd",
		"github.com/vbauerster/mpb/v8":      module + "/cmd",
		"github.com/gofrs/flock":            module + "/cmd",
		"gonum.org/v1/plot":                 module + "/cmd",
		"golang.org/x/term":                 module + "/cmd",
		"github.com/rogpeppe/go-internal":   "nobody but tests",
		"pgregory.net/rapid":                "nobody but tests",
		module + "/sweep/scale/outsidetest": module + "/capture/soundcard/soundserver",
		"testing":                           module + "/capture/soundcard/soundserver",
	}
	exempt := []string{module + "/sweep/scale/outsidetest", module + "/capture/soundcard/soundserver"} // helpers of tests

	d := json.NewDecoder(bytes.NewReader(goTool(t, nil, "list", "-json=ImportPath,Imports", "./...")))
	seen := 0
	for {
		var p struct {
			ImportPath string
			Imports    []string
		}
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		seen++
		var only []string
		ruled := false
		for _, m := range may {
			if below(p.ImportPath, module+"/"+m.pkg) {
				only, ruled = m.only, true
				break
			}
		}
		if !ruled {
			t.Errorf("no rule says what %s may import: add one", p.ImportPath)
		}
		helper := false
		for _, e := range exempt {
			helper = helper || p.ImportPath == e
		}
		for _, i := range p.Imports {
			if below(i, module) {
				ok := i == home && p.ImportPath != home
				for _, o := range only {
					ok = ok || below(i, module+"/"+o)
				}
				if !ok {
					t.Errorf("%s imports %s, which it must not know", p.ImportPath, i)
				}
				if from, to := place(p.ImportPath), place(i); from >= 0 && to >= from {
					t.Errorf("%s imports %s: within deconv, %s comes first", p.ImportPath, i, strings.Join(deconvOrder, ", then "))
				}
			}
			for library, who := range outsideOnly {
				if below(i, library) && !below(p.ImportPath, who) && !helper {
					t.Errorf("%s imports %s, which is for %s", p.ImportPath, i, who)
				}
			}
		}
	}
	if seen < 15 {
		t.Errorf("only %d packages were looked at", seen)
	}
}

// TestBuildsWithoutCgo builds everything without a C compiler: then only the
// sound card is missing, and the program says so.
func TestBuildsWithoutCgo(t *testing.T) {
	folder := t.TempDir()
	goTool(t, []string{"CGO_ENABLED=0"}, "build", "./...")
	program := filepath.Join(folder, "roomsonde")
	goTool(t, []string{"CGO_ENABLED=0"}, "build", "-o", program, "./cmd/roomsonde")
	out, err := exec.CommandContext(t.Context(), program, "devices").Output()
	if err != nil || !strings.Contains(string(out), "Only the built-in room is there") || !strings.Contains(string(out), "what to do: ") {
		t.Errorf("devices (%v) prints %s", err, out)
	}
	var list struct {
		Support bool `json:"sound_card_support"`
		Devices []struct{ Name string }
	}
	out, err = exec.CommandContext(t.Context(), program, "devices", "--json").Output()
	decode(t, out, &list)
	if err != nil || list.Support || len(list.Devices) != 1 || list.Devices[0].Name != modelName {
		t.Errorf("devices --json (%v) prints %s", err, out)
	}
	out, err = exec.CommandContext(t.Context(), program, "measure", "--device", "model", "--duration", "1", "--survey", filepath.Join(folder, "survey"), "--json").Output()
	if object, objectErr := oneObject(string(out)); err != nil || objectErr != nil || checkResult(object) != nil {
		t.Errorf("measure --device model: %v, %v, %v", err, objectErr, checkResult(object))
	}
	err = exec.CommandContext(t.Context(), program, "measure", "--survey", filepath.Join(folder, "other")).Run()
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.ExitCode() != exitDevice {
		t.Errorf("measure without a sound card: %v, want exit code %d", err, exitDevice)
	}
}
