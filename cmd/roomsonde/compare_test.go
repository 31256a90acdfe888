package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/deconv/difference"
)

// called runs a command that must succeed, and returns what it prints.
func called(t *testing.T, args ...string) string {
	t.Helper()
	var out, talk bytes.Buffer
	if code := run(context.Background(), args, &out, &talk); code != exitDone {
		t.Fatalf("%s: exit code %d\n%s", strings.Join(args, " "), code, talk.String())
	}
	return out.String()
}

// What show says of each of two takes, compare says of both: which decay times are
// doubtful, and which dip is deepest. The filter lowers the hill beside the dip that
// is deepest before, so that another one is after.
func TestCompareSaysWhatShowSays(t *testing.T) {
	t.Chdir(t.TempDir())
	for _, change := range [][]string{nil, {"--change", "filter subs 60 Hz -6 dB Q 14.6"}} {
		called(t, append([]string{"measure", "--device", "model", "--source", "left+sub", "--duration", "5", "--json"}, change...)...)
	}
	octave := regexp.MustCompile(`(?m)^ +([\d.]+ k?Hz) +\S+ +([\d.]+)(\??)`)
	deepest := regexp.MustCompile(`deepest dip of the bass lies at ([\d.]+ Hz): (\d+ dB)`)
	var doubtful [2]map[string]string // the T20 of a band as it is printed
	var dips []string
	for i := range doubtful {
		doubtful[i] = map[string]string{}
		text := strings.Join(strings.Fields(called(t, "show", fmt.Sprint(i+1))), " ")
		table := called(t, "show", fmt.Sprint(i+1))
		_, table, _ = strings.Cut(table, "How long does it ring?")
		for _, m := range octave.FindAllStringSubmatch(table, -1) {
			doubtful[i][m[1]] = m[2] + m[3]
		}
		m := deepest.FindStringSubmatch(text)
		if m == nil {
			t.Fatalf("show %d names no deepest dip: %s", i+1, text)
		}
		dips = append(dips, fmt.Sprintf("at %s, %s", m[1], m[2]))
	}
	text := called(t, "compare", "1", "2", "--why")
	row := regexp.MustCompile(`(?m)^  octave at ([\d.]+ k?Hz) \(T20\) +(\S+) +(\S+) `)
	marked := 0
	for _, m := range row.FindAllStringSubmatch(text, -1) {
		for i := range doubtful {
			if m[2+i] != doubtful[i][m[1]] {
				t.Errorf("compare has %s at %s in take %d, show %s", m[2+i], m[1], i+1, doubtful[i][m[1]])
			}
			marked += strings.Count(m[2+i], "?")
		}
	}
	if marked == 0 {
		t.Error("no doubtful time in the model room's comparison: this test sees nothing")
	}
	if want := "The deepest dip of the bass: before " + dips[0] + ", after " + dips[1] + "."; !strings.Contains(strings.Join(strings.Fields(text), " "), want) {
		t.Errorf("compare does not say %q:\n%s", want, text)
	}
	// So has the table: of the dips up to 300 Hz the deepest of each column is that one.
	var most [2]float64
	var at [2]string
	for _, m := range regexp.MustCompile(`(?m)^  dip +([\d.]+) Hz +(\S+) +(\S+) `).FindAllStringSubmatch(text, -1) {
		hz, _ := strconv.ParseFloat(m[1], 64)
		for i := range most {
			if v, err := strconv.ParseFloat(strings.Replace(m[2+i], "−", "-", 1), 64); err == nil && hz >= 20 && hz <= 300 && -v > most[i] {
				most[i], at[i] = -v, fmt.Sprintf("at %s Hz, %.0f dB", m[1], -v)
			}
		}
	}
	if at[0] != dips[0] || at[1] != dips[1] {
		t.Errorf("the table's deepest dips are %q, those of show %q", at, dips)
	}
	if dips[0] == dips[1] {
		t.Errorf("the deepest dip is %s in both takes: this test sees nothing", dips[0])
	}

	var j struct {
		Decay []struct {
			Name   string
			Before bool `json:"before_doubtful"`
			After  bool `json:"after_doubtful"`
		}
		Changes []struct {
			Kind, Text string
			Before     bool `json:"before_doubtful"`
		}
		Peaks []struct {
			Kind   string
			Before *float64 `json:"before_height_db"`
			After  *float64 `json:"after_height_db"`
		}
	}
	if err := json.Unmarshal([]byte(called(t, "compare", "1", "2", "--json")), &j); err != nil {
		t.Fatal(err)
	}
	marked = 0
	for _, d := range j.Decay {
		if hz, ok := strings.CutSuffix(d.Name, " octave T20"); ok {
			if strings.HasSuffix(hz, "000 Hz") {
				hz = strings.TrimSuffix(hz, "000 Hz") + " kHz"
			}
			if want := strings.HasSuffix(doubtful[0][hz], "?"); d.Before != want {
				t.Errorf("JSON: doubtful before at %s: %t, want %t", hz, d.Before, want)
			}
			if want := strings.HasSuffix(doubtful[1][hz], "?"); d.After != want {
				t.Errorf("JSON: doubtful after at %s: %t, want %t", hz, d.After, want)
			}
			marked++
		}
	}
	if marked < 5 {
		t.Errorf("only %d octaves in JSON", marked)
	}
	for _, c := range j.Changes {
		if c.Kind == string(difference.DecayShift) && c.Before != (strings.Contains(c.Text, "both times are doubtful") || strings.Contains(c.Text, "time before is doubtful")) {
			t.Errorf("JSON: %+v", c)
		}
	}
	if len(j.Peaks) == 0 || j.Peaks[0].Before == nil || j.Peaks[0].After == nil {
		t.Errorf("JSON: peaks %+v", j.Peaks)
	}
}

// Doubtful times are doubtful in the drawing, too: of bands, and of modes whose time
// is hardly known.
func TestCompareDrawsDoubts(t *testing.T) {
	d := &difference.Result{
		Decays: []difference.DecayChange{{Name: "63 Hz octave T20", Hz: 63.1, BeforeS: 0.7, AfterS: 0.5, BeforeDoubtful: true}, {Name: "125 Hz octave T20", Hz: 126, BeforeS: 0.4, AfterS: 0.4, AfterDoubtful: true}},
		Modes:  []difference.ModeChange{{Before: &difference.Mode{Hz: 30, T60S: 0.9, StandardS: 0.01}, After: &difference.Mode{Hz: 30, T60S: 0.5, StandardS: 0.09}}},
	}
	all := (&beforeAfter{before: &result{}, after: &result{}, d: d}).decays()
	if len(all) != 2 {
		t.Fatalf("%d drawings, want of bands and of modes", len(all))
	}
	doubts := func(points []chart.DecayPoint) (out []bool) {
		for _, p := range points {
			out = append(out, p.Doubtful)
		}
		return out
	}
	if got := fmt.Sprint(doubts(all[0].before), doubts(all[0].after), doubts(all[1].before), doubts(all[1].after)); got != "[true false] [false true] [false] [true]" {
		t.Errorf("doubtful: %s", got)
	}
}

func TestForPage(t *testing.T) {
	for s, want := range map[string]string{
		"In 9 further ranges one stands out (--json lists them).": "In 9 further ranges one stands out.",
		"SR stands out (by -4.9 dB).":                             "SR stands out (by −4.9 dB).",
	} {
		if got := forPage(s); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// Behind a filter with a mode's own Q the mode rings shorter by as much as it is lowered,
// at modes that stand apart and at one that does not, and no other mode is told
// as changed (common practice, no source; the truth: the model room's own decay times).
func TestCompareTellsTheLawOfTheBass(t *testing.T) {
	t.Chdir(t.TempDir())
	called(t, "measure", "--device", "model", "--source", "left+sub", "--json")
	const tol = 0.05
	for i, c := range []struct{ hz, q, want float64 }{{59.98, 14.6, 0.757 / 2}, {67.28, 15.8, 0.729 / 2}} {
		called(t, "measure", "--device", "model", "--source", "left+sub", "--json", "--change", fmt.Sprintf("filter subs %g Hz -6.02 dB Q %g", c.hz, c.q))
		var got struct {
			Modes []struct {
				BeforeHz *float64 `json:"before_hz"`
				AfterS   *float64 `json:"after_s"`
				Changed  bool     `json:"changed"`
			} `json:"modes"`
		}
		if err := json.Unmarshal([]byte(called(t, "compare", "1", fmt.Sprint(i+2), "--json")), &got); err != nil {
			t.Fatal(err)
		}
		seen := false
		for _, m := range got.Modes {
			here := m.BeforeHz != nil && math.Abs(*m.BeforeHz-c.hz) < 0.5
			if m.Changed != here {
				t.Errorf("filter at %g Hz: changed %v: %+v", c.hz, m.Changed, m)
			}
			if here && m.AfterS != nil {
				seen = true
				if !(math.Abs(*m.AfterS/c.want-1) <= tol) {
					t.Errorf("filter at %g Hz: %.3f s, want %.3f s", c.hz, *m.AfterS, c.want)
				}
			}
		}
		if !seen {
			t.Errorf("nothing is told of the mode at %g Hz", c.hz)
		}
	}
}
