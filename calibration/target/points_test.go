package target

import (
	"errors"
	"io"
	"math"
	"strings"
	"testing"
	"testing/iotest"
)

func TestParsePoints(t *testing.T) {
	want := []Point{{20, 6}, {80, 2.5}, {1000, 0}}
	for name, text := range map[string]string{
		"spaces":      "20 6\n80 2.5\n1000 0\n",
		"tabs, title": "Hz\tdB\n20\t6.0\n80\t2.5\n1000\t0.0\n",
		"semicolons":  "# what I like\n20;6,0\n80;2,5\n1000;0,0",
		"commas":      "20.0,6.0\r\n80.0,2.5\r\n1000.0,0.0\r\n",
		"unsorted":    "1000 0\n20 6\n80 2.5\n",
		"kHz":         "kHz dB\n0.02 6\n0.08 2.5\n1 0\n",
		"phase":       "20 6 10\n80 2.5 20\n1000 0 0\n",
		"remark":      "20 6 # low\n; between\n80 2.5\n1000 0\n",
	} {
		got, remarks, err := ParsePoints(strings.NewReader(text), name)
		if err != nil || len(got) != len(want) {
			t.Errorf("%s: %v, %v", name, got, err)
			continue
		}
		for i := range want {
			if got[i] != want[i] {
				t.Errorf("%s: point %d is %v, want %v", name, i, got[i], want[i])
			}
		}
		for _, r := range remarks {
			if microphones(r) {
				t.Errorf("%s: a remark on microphones: %s", name, r)
			}
		}
		if name == "unsorted" && (len(remarks) != 1 || !strings.Contains(remarks[0], "sorted")) {
			t.Errorf("unsorted rows: %q", remarks)
		}
		if name == "kHz" && (len(remarks) != 1 || !strings.Contains(remarks[0], "kHz")) {
			t.Errorf("kHz: %q", remarks)
		}
		if name != "unsorted" && name != "kHz" && name != "phase" && len(remarks) != 0 {
			t.Errorf("%s: remarks %q", name, remarks)
		}
	}
}

func TestParsePointsRefuses(t *testing.T) {
	for _, c := range []struct {
		name, text string
		line       int
		says, hint string
	}{
		{"empty", "", 0, "the file is empty", "rows look like"},
		{"words", "a curve\nof mine\n", 1, "no rows of numbers", "rows look like"},
		{"letter", "20 6\n80 2x\n1000 0\n", 2, "", ""},
		{"one column", "20\n30\n", 1, "only one column", ""},
		{"missing", "20 6\n80\n1000 0\n", 2, "1 column", "complete the row"},
		{"level", "20 75\n1000 75\n", 1, "beyond ±30 dB", "around 0"},
		{"one row", "200 3\n", 1, "at least two frequencies", "rows look like"},
		{"ends low", "20 6\n90 0\n", 0, "the highest frequency is only 90 Hz", "20000 0"},
		{"contradiction", "20 6\n20 3\n1000 0\n", 2, "contradict each other", "delete the row"},
		{"too low", "0.5 6\n1000 0\n", 0, "0.5 Hz lies outside", "frequencies in Hz"},
		{"binary", "\x00\x01\x02PNG", 1, "binary", "rows look like"},
	} {
		_, _, err := ParsePoints(strings.NewReader(c.text), "mine.txt")
		var e *FileError
		if !errors.As(err, &e) {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if e.Line != c.line || !strings.Contains(e.Problem, c.says) || !strings.Contains(e.Hint(), c.hint) || e.Hint() == "" {
			t.Errorf("%s: line %d, %v; hint %q", c.name, e.Line, err, e.Hint())
		}
		if microphones(e.Hint()) || !strings.HasPrefix(err.Error(), "target: mine.txt") {
			t.Errorf("%s: %v; hint %q", c.name, err, e.Hint())
		}
	}
	if _, _, err := ParsePoints(iotest.ErrReader(io.ErrUnexpectedEOF), "x"); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("a reader's error: %v", err)
	}
}

// Whatever is read makes a target that passes its check and is a number
// everywhere; whatever is refused says why and what to do.
func FuzzParsePoints(f *testing.F) {
	for _, s := range []string{"", "20 6\n1000 0", "Hz,dB\n20,6\n1000,0", "kHz\tdB\n0.02\t6\n1\t0", "20;1,5\n30;2,5\n2000;0", "1e3 1e1\n2e3 -30", "20 6\n20 6.5\n300 1", "\xff\xfe2\x000\x00 \x006\x00", "nan 1\n20 3", "20 6 5\n400 1 3\n"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		points, _, err := ParsePoints(strings.NewReader(text), "fuzz")
		if err != nil {
			var e *FileError
			if !errors.As(err, &e) || e.Hint() == "" || e.Problem == "" || e.Line < 0 {
				t.Fatalf("%v", err)
			}
			return
		}
		target := Target{Points: points}
		if err := target.Check(); err != nil {
			t.Fatal(err)
		}
		for _, hz := range []float64{1, 20, 999, 1e5} {
			if db := target.DB(hz); !(math.Abs(db) <= mostPointDB) {
				t.Fatalf("%g dB at %g Hz", db, hz)
			}
		}
	})
}
