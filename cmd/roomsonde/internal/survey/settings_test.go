package survey

import (
	"encoding/json"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestSettings(t *testing.T) {
	s := create(t)
	path := filepath.Join(s.Dir(), settingsName)
	if got, err := s.Settings(); err != nil || !cmp.Equal(got, Settings{}) || exists(path) {
		t.Errorf("without any: %+v, %v", got, err)
	}
	want := Settings{MarkChannel: "FR", Level: &LevelSetting{DBFS: -24, Source: "left", Channel: "FL", Input: "microphone", Output: "receiver",
		SetAt: time.Date(2025, 3, 1, 14, 30, 0, 0, time.FixedZone("", 3600))},
		Target: json.RawMessage(`{"rise_db":6}`), Crossovers: map[string]Crossover{"sub": {80, "LR24"}},
		Repeatability: &Repeatability{Takes: []string{"0001-a-b", "0002-a-b"}, Hz: []float64{20, 200}, DB: []float64{0.1, 0.2}}}
	if err := s.SaveSettings(want); err != nil {
		t.Fatal(err)
	}
	want.Format = 1
	got, err := must(Open(s.Dir(), false)).Settings()
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("want (-), got (+):\n%s", diff)
	}

	// What another version put there stays, also when ours goes.
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	write(t, path, strings.Replace(string(b), "{", `{"temperature": {"celsius": 21.5}, "LEVEL": null,`, 1))
	if err := s.SaveSettings(Settings{}); err != nil {
		t.Fatal(err)
	}
	b, err = os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := s.Settings(); err != nil || !cmp.Equal(got, Settings{Format: 1}) || !strings.Contains(string(b), `"celsius": 21.5`) || strings.Contains(strings.ToLower(string(b)), "level") {
		t.Errorf("got %+v, %v:\n%s", got, err, b)
	}

	// Of a newer format, or damaged: not overwritten, and in nobody's way.
	for content, want := range map[string]any{
		`{"format": 2, "level": "soft"}`:                                                       new(*NewerError),
		`{"format": 1, "level": "soft"}`:                                                       new(*Damage),
		`{"format": 1, "level": {"dbfs": 3}}`:                                                  new(*Damage), // above full scale
		`{"format": 1, "level": {"set_at": "tuesday"}}`:                                        new(*Damage),
		`{"level": {"dbfs": -30}}`:                                                             new(*Damage),
		`{"format": 1, "repeatability": {"takes": ["a"], "hz": [20, 30], "db": [1, 1]}}`:       new(*Damage),
		`{"format": 1, "crossovers": {"sub": {"hz": 80, "filter": "LR99"}}}`:                   new(*Damage),
		`{"format": 1, "crossovers": {"sub": {"hz": 0}}}`:                                      new(*Damage),
		`{"format": 1, "repeatability": {"takes": ["a", "b"], "hz": [20, 20], "db": [1, 1]}}`:  new(*Damage),
		`{"format": 1, "repeatability": {"takes": ["a", "b"], "hz": [20, 30], "db": [1]}}`:     new(*Damage),
		`{"format": 1, "repeatability": {"takes": ["a", "b"], "hz": [20, 30], "db": [1, -1]}}`: new(*Damage),
		"":     new(*Damage),
		`[]`:   new(*Damage),
		`null`: new(*Damage),
	} {
		write(t, path, content)
		got, err := s.Settings()
		if !errors.As(err, want) || hint(err) == "" || !cmp.Equal(got, Settings{}) {
			t.Errorf("%s: %+v, %v (%s)", content, got, err, hint(err))
		}
		if err := s.SaveSettings(Settings{MarkChannel: "FR"}); !errors.As(err, want) || hint(err) == "" {
			t.Errorf("%s: saved over with %v", content, err)
		}
		if b, _ := os.ReadFile(path); string(b) != content {
			t.Errorf("%s was rewritten as %s", content, b)
		}
		add(t, s, "a", "b")
		if _, damage := list(t, s); len(damage) != 0 {
			t.Errorf("%s: %v", content, damage)
		}
	}
	for _, level := range []float64{0.1, math.NaN(), math.Inf(1), math.Inf(-1)} {
		remove(t, path)
		if err := s.SaveSettings(Settings{Level: &LevelSetting{DBFS: level}}); err == nil || exists(path) {
			t.Errorf("a level of %g dBFS was saved", level)
		}
	}
	if !Holds(path) {
		t.Error("an export may be written over the settings")
	}
}

func TestSettingsCannotBeSaved(t *testing.T) {
	s := create(t)
	old := Settings{Format: 1, MarkChannel: "FL"}
	if err := s.SaveSettings(old); err != nil {
		t.Fatal(err)
	}
	s.wrap = func(w io.Writer) io.Writer { return &full{w, 5} }
	if err := s.SaveSettings(Settings{MarkChannel: "FR"}); !errors.Is(err, syscall.ENOSPC) || !strings.Contains(hint(err), "free some space") {
		t.Errorf("on a full disk: %v (%s)", err, hint(err))
	}
	s.wrap = nil
	if got, err := s.Settings(); err != nil || !cmp.Equal(got, old) {
		t.Errorf("the old ones are %+v, %v", got, err)
	}
	write(t, filepath.Join(s.Dir(), surveyName), `{"kind": "roomsonde survey", "format": 2}`)
	if err := must(Open(s.Dir(), false)).SaveSettings(Settings{}); !errors.As(err, new(*NewerError)) {
		t.Errorf("in a newer survey: %v", err)
	}
}
