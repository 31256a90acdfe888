package main

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"roomsonde/capture"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/sweep"
)

// TestRescueFindsAName: a recording that its survey cannot take is kept beside it, also
// where one of the same name was rescued before; and none of them is replaced.
func TestRescueFindsAName(t *testing.T) {
	t.Chdir(t.TempDir())
	s, err := survey.Open("survey", true)
	if err != nil {
		t.Fatal(err)
	}
	p, err := sweep.NewProgram(sweep.ProgramOptions{})
	if err != nil {
		t.Fatal(err)
	}
	draft, err := s.Begin(survey.Meta{Source: "left", Seat: "main", SampleRateHz: 48000})
	if err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(draft.Dir()); err != nil {
		t.Fatal(err)
	}
	var talk bytes.Buffer
	a := &app{out: &talk, talk: &talk}
	for _, name := range []string{".wav", "-2.wav", "-3.wav"} {
		talk.Reset()
		if err := a.keep(draft, p, &capture.Recording{SampleRate: 48000, Samples: []float32{0.1, 0.2}}); err == nil {
			t.Fatal("a recording was kept in a folder that is gone")
		}
		path := "rescued-" + draft.ID() + name
		if info, err := os.Stat(path); err != nil || info.Size() == 0 || !strings.Contains(talk.String(), path) {
			t.Errorf("%s: %v; said %q", path, err, talk.String())
		}
	}
}
