// Package outsidetest finds what the outside and real-path rings of checks
// need: general-purpose programs, an interpreter with SciPy, open data. Where
// something is missing the test fails in CI; a missing program fails it under
// `make test` too, which installs them all. Elsewhere it is skipped, with a word
// on what it did without.
//
// Only tests may import it.
package outsidetest

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

// inCI and allRings say which missing things are failures: everything in CI,
// every program where ROOMSONDE_RINGS=all (as `make test` sets it). The open data
// are not part of a clone.
func inCI() bool     { return os.Getenv("CI") != "" }
func allRings() bool { return inCI() || os.Getenv("ROOMSONDE_RINGS") == "all" }

func missing(t testing.TB, demanded bool, what, remedy string) {
	t.Helper()
	if demanded {
		t.Fatalf("%s is missing, and this run must not do without it: %s", what, remedy)
	}
	t.Skipf("done without %s: %s", what, remedy)
}

// Tool returns the path of a program, to be looked up in PATH.
func Tool(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		missing(t, allRings(), name, "`make tools` installs it")
	}
	return path
}

// interpreters are tried in this order; the second is where Debian puts the
// one that its python3-scipy belongs to, even when PATH prefers another.
var interpreters = []string{"python3", "/usr/bin/python3"}

var python = sync.OnceValue(func() string {
	candidates := interpreters
	if set := os.Getenv("PYTHON"); set != "" {
		candidates = append([]string{set}, interpreters...)
	}
	for _, name := range candidates {
		if exec.Command(name, "-c", "import numpy, scipy, soundfile").Run() == nil {
			return name
		}
	}
	return ""
})

// Python returns an interpreter that has NumPy, SciPy and soundfile.
func Python(t testing.TB) string {
	t.Helper()
	if python() == "" {
		missing(t, allRings(), "a Python with NumPy, SciPy and soundfile", "`make tools` installs it")
	}
	return python()
}

// Data returns the path of a file of the open data sets. Their folder is
// ROOMSONDE_DATA; unset, it is looked for beside the checkout.
func Data(t testing.TB, name string) string {
	t.Helper()
	folder := os.Getenv("ROOMSONDE_DATA")
	if folder == "" {
		if root := moduleRoot(); root != "" {
			folder = filepath.Join(root, "..", "shared", "data")
		}
	}
	path := filepath.Join(folder, filepath.FromSlash(name))
	if _, err := os.Stat(path); err != nil {
		set, _, _ := strings.Cut(name, "/")
		missing(t, inCI(), "the open data set "+set, "set ROOMSONDE_DATA to the folder that holds it")
	}
	return path
}

func moduleRoot() string {
	folder, err := os.Getwd()
	if err != nil {
		return ""
	}
	for {
		if _, err := os.Stat(filepath.Join(folder, "go.mod")); err == nil {
			return folder
		}
		up := filepath.Dir(folder)
		if up == folder {
			return ""
		}
		folder = up
	}
}
