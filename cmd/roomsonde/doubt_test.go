package main

import (
	"encoding/json"
	"io/fs"
	"strings"
	"testing"

	"roomsonde/calibration/target"
	"roomsonde/cmd/roomsonde/internal/reading"
)

// A dip that nothing explains is not left without a word.
func TestDipWithoutReason(t *testing.T) {
	var out strings.Builder
	(&reasons{dips: []reading.Dip{{Hz: 310, DepthDB: 12}}, why: [][]string{nil}}).print(&out)
	if want := "310 Hz, 12 dB deep:\n  - Nothing that is looked for explains it.\n"; !strings.Contains(out.String(), want) {
		t.Errorf("got %q, want %q in it", out.String(), want)
	}
}

// Differences have a sign, and nothing has none.
func TestSignedCells(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{signedCell(0.04), "0.0"}, {signedCell(-0.04), "0.0"}, {signedCell(0.06), "+0.1"}, {signedCell(-12.34), "−12.3"},
		{signedSeconds(0.004), "0.00"}, {signedSeconds(-0.004), "0.00"}, {signedSeconds(-0.006), "−0.01"}, {signedSeconds(1.5), "+1.50"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

// Errors speak of options and plain figures, not of what is inside the program.
func TestErrorsInOurWords(t *testing.T) {
	unmarshal := func(text string) error {
		var t target.Target
		return json.Unmarshal([]byte(text), &t)
	}
	for _, c := range []struct {
		err  error
		want string
	}{
		{&target.Error{Field: "level_from_hz", What: "it lies at 2.198e+04 Hz"}, "--level-band: it lies at 21980 Hz"},
		{&target.Error{Field: "rise_db", What: "100 dB lies outside"}, "--rise: 100 dB lies outside"},
		{unmarshal(`{"rise_db": "x"}`), "its rise_db is text, where something else belongs"},
		{unmarshal(`{"points": [{"hz": true}]}`), "its points.hz is true or false, where something else belongs"},
		{unmarshal(`[7]`), "it is a list, where something else belongs"},
		{unmarshal(`{"rise_db": 1e999}`), "its rise_db is a number, where something else belongs"},
		{unmarshal(`{"rise_db": }`), "it is not written as it should be"},
		{unmarshal(`{"rise_db": 3`), "it is not written as it should be"},
		{&fileError{"x.txt", &fs.PathError{Op: "open", Path: "x.txt", Err: fs.ErrNotExist}}, "x.txt: no such file"},
		{&fileError{"it cannot be read", &fs.PathError{Op: "open", Path: "x.txt", Err: fs.ErrPermission}}, "it cannot be read: x.txt: permission denied"},
	} {
		if got := inWords(c.err); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}
