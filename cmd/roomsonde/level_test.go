package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"roomsonde/capture"
	levels "roomsonde/capture/level"
)

// TestLevelErrors holds exit codes, and that every error says what to do.
func TestLevelErrors(t *testing.T) {
	for _, c := range []struct {
		err  error
		code int
	}{
		{&levels.SilentError{LevelDBFS: -30, NoiseDBFS: -70}, exitNoSweep},
		{&levels.SilentError{LevelDBFS: -30, Zero: true}, exitNoSweep},
		{&levels.JumpError{LevelDBFS: -42, StepDB: 6, RiseDB: 11}, exitStopped},
		{&capture.LoudError{PeakDBFS: -0.2, LimitDBFS: -1, AtS: 3.2}, exitStopped},
		{&levels.RecordingError{Problem: "the recording is shorter than was asked for"}, exitDevice},
		{errors.Join(&capture.LoudError{PeakDBFS: -0.2, LimitDBFS: -1, AtS: 3.2}, context.Canceled), exitInterrupted},
	} {
		if got := exitCode(c.err); got != c.code {
			t.Errorf("%v: exit code %d, want %d", c.err, got, c.code)
		}
		if c.code == exitInterrupted {
			continue
		}
		var out bytes.Buffer
		explain(&out, c.err)
		if s := out.String(); !strings.Contains(s, "  what to do: ") || strings.Contains(s, "level: ") || strings.Contains(s, "capture: ") {
			t.Errorf("%T prints %q", c.err, s)
		}
	}
}

// TestMeter holds the meter's line: its parts, its width, and that nothing is
// written once it was cleared.
func TestMeter(t *testing.T) {
	for _, c := range []struct {
		step levels.Step
		hold float64
		want string
	}{
		{levels.Step{PeakDBFS: -400}, math.Inf(-1), "room noise               " + strings.Repeat("·", 40) + "  input silent"},
		{levels.Step{Number: 3, LevelDBFS: -48, PeakDBFS: -60}, -40, "step 3 at −48 dBFS       " + strings.Repeat("━", 10) + strings.Repeat("·", 9) + "┃" + strings.Repeat("·", 20) + "  input −40 dBFS"},
		{levels.Step{Number: 12, LevelDBFS: -12.5, Again: true, PeakDBFS: 0}, 0, "step 12 at −12.5 dBFS, again " + strings.Repeat("━", 39) + "┃  input 0 dBFS"},
	} {
		if got := meterText(c.step, c.hold); got != c.want {
			t.Errorf("meter\n%q, want\n%q", got, c.want)
		}
	}
	var out bytes.Buffer
	m := &meterLine{w: &out, width: func() int { return 30 }}
	m.update(levels.Step{Number: 1, LevelDBFS: -60, PeakDBFS: -50, Frames: 4800, Total: 48000})
	m.update(levels.Step{Number: 1, LevelDBFS: -60, PeakDBFS: -70, Frames: 9600, Total: 48000})
	m.update(levels.Step{Number: 1, LevelDBFS: -60, PeakDBFS: -50, Frames: 48000, Total: 48000, Done: true})
	lines := strings.Split(strings.TrimPrefix(out.String(), "\r\x1b[K"), "\r\x1b[K")
	if len(lines) != 2 {
		t.Fatalf("%d lines: %q, want 2", len(lines), lines)
	}
	for _, line := range lines {
		if n := utf8.RuneCountInString(line); n > 29 {
			t.Errorf("%q is %d wide in a terminal of 30", line, n)
		}
	}
	m.clear()
	before := out.Len()
	m.update(levels.Step{Number: 2, LevelDBFS: -54, PeakDBFS: -50})
	m.clear()
	if out.Len() != before {
		t.Errorf("after it was cleared the meter wrote %q", out.String()[before:])
	}
}

// TestExposureInWords holds the sentence's times: a level of 85 dBA, 1.3 dB above
// the unweighted one, may be heard 8 hours a day, and by the law of equal energy
// 12.6 hours a week (adults) or 3.97 (children).
func TestExposureInWords(t *testing.T) {
	text := exposureInWords(85-1.3, 34)
	for _, want := range []string{"for 8 hours a day", "for 12 hours a week", "3.5 hours a week to children", "taken as 85 dBA", "about 34 s"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in %q", want, text)
		}
	}
	if text := exposureInWords(40, 34); strings.Count(text, "any length of time") != 3 {
		t.Errorf("at 40 dB: %q", text)
	}
	for hours, want := range map[float64]string{30: "30 hours", 2.6: "2.5 hours", 1.99: "119 minutes", 0.25: "15 minutes", 0.02: "72 seconds", 0: "no time"} {
		if got := duration(hours); got != want {
			t.Errorf("%g h: %q, want %q", hours, got, want)
		}
	}
}

// TestOctavesInWords holds how each state of an octave is told.
func TestOctavesInWords(t *testing.T) {
	f := foundLevel{}
	for _, o := range []levels.Octave{
		{State: levels.Enough, Heard: true, SNRDB: 33.4, ResponseDB: 32.5, RangeDB: 50.2, NoiseDB: -81},
		{State: levels.Weak, Heard: true, SNRDB: 8, ResponseDB: 7, RangeDB: 25, NoiseDB: -81, UnderDB: 27},
		{State: levels.Limit, SNRDB: 3, NoiseDB: -81, UnderDB: 36},
		{State: levels.Unheard, NoiseDB: -60},
	} {
		o.Band.NominalHz = 1000
		f.Octaves = append(f.Octaves, o)
	}
	var out bytes.Buffer
	f.printOctaves(&out)
	lines := strings.Split(out.String(), "\n")
	for i, want := range []string{"33        32     50  enough", "8         7     25  weak, 27 dB under", "–         –      –  source's limit, ≥ 36 dB under", "–         –      –  not heard"} {
		if !strings.Contains(lines[i+2], want) {
			t.Errorf("line %q, want %q in it", lines[i+2], want)
		}
	}
	if !strings.Contains(out.String(), "not raised for octaves") {
		t.Error("nothing is said of weak octaves")
	}
	for _, line := range lines {
		if n := utf8.RuneCountInString(line); n > 80 {
			t.Errorf("%d wide: %q", n, line)
		}
	}
}

// TestLevelJSONIsFinite holds that silence makes nulls, not numbers that JSON
// does not know.
func TestLevelJSONIsFinite(t *testing.T) {
	f := foundLevel{card: &card{}, Result: levels.Result{LevelDBFS: -40, NoiseDBFS: -400, Steps: []levels.Step{{Number: 1, PeakDBFS: -400, SPL: math.NaN()}}}}
	var out bytes.Buffer
	if err := f.printJSON(&out); err != nil {
		t.Fatal(err)
	}
	if s := out.String(); !strings.Contains(s, `"noise_dbfs":null`) && !strings.Contains(s, `"noise_dbfs": null`) {
		t.Errorf("%s", s)
	}
	if fmt.Sprint(f.Steps[0].SPL) != "NaN" {
		t.Error("the step was changed")
	}
}

// foretoldTolDB is between the range that a search foretells and the one that the
// decay in a measurement shows: two ways of working out that share no code, on noise heard
// for 3 s.
const foretoldTolDB = 2.0

// TestLevelForetells measures at the level found, and holds what was foretold: the
// range of the decay, put right for each octave's own decay time, a response that
// can be read down to 20 Hz, and a take without findings.
func TestLevelForetells(t *testing.T) {
	folder := t.TempDir()
	call := func(v any, args ...string) {
		t.Helper()
		var out, talk bytes.Buffer
		args = append(args, "--device", "model", "--source", "left+sub", "--survey", folder, "--json")
		if code := run(t.Context(), args, &out, &talk); code != exitDone {
			t.Fatalf("%v: exit code %d\n%s", args, code, talk.String())
		}
		decode(t, out.Bytes(), v)
	}
	var found struct {
		LevelDBFS float64 `json:"level_dbfs"`
		PeakDBFS  float64 `json:"expected_peak_dbfs"`
		Octaves   []struct {
			BandHz  float64 `json:"band_hz"`
			RangeDB float64 `json:"range_db"`
		}
	}
	call(&found, "level")
	var measured struct {
		Findings []any
		Readable struct {
			FromHz float64 `json:"from_hz"`
		} `json:"readable"`
		Decay []struct {
			BandHz  float64  `json:"band_hz"`
			Width   string   `json:"width"`
			T20S    *float64 `json:"t20_s"`
			T30S    *float64 `json:"t30_s"`
			Xi      float64  `json:"nonlinearity_permille"`
			RangeDB float64  `json:"range_db"`
		}
	}
	call(&measured, "measure", "--level", fmt.Sprint(found.LevelDBFS))
	if len(measured.Findings) > 0 {
		t.Errorf("findings: %v", measured.Findings)
	}
	if from := measured.Readable.FromHz; !(from > 0 && from <= 20) {
		t.Errorf("readable from %g Hz, want 20 Hz or lower", from)
	}
	compared := 0
	for _, o := range found.Octaves {
		for _, d := range measured.Decay {
			if d.Width != "octave" || d.BandHz != o.BandHz {
				continue
			}
			if d.T20S == nil || d.T30S == nil {
				t.Errorf("%g Hz: T20 or T30 is refused, and %.0f dB of range were foretold", o.BandHz, o.RangeDB)
				continue
			}
			// The range goes by the slope near the noise, which is that of T20 only
			// where the decay is straight: ξ up to 10 ‰ (ISO 3382-2, B.2).
			if d.Xi > 10 {
				continue
			}
			compared++
			want := o.RangeDB - 10*math.Log10(*d.T20S/0.5)
			if !(math.Abs(d.RangeDB-want) <= foretoldTolDB) {
				t.Errorf("%g Hz: a range of %.1f dB, foretold were %.1f dB", o.BandHz, d.RangeDB, want)
			}
			t.Logf("%g Hz: a range of %.1f dB, foretold were %.1f dB", o.BandHz, d.RangeDB, want)
		}
	}
	if compared < 5 {
		t.Errorf("%d octaves were compared, want 5 or more", compared)
	}
}
