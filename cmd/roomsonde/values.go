package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// quantity is an option's value with its unit: "2k", "2 kHz" and "2000" are the
// same frequency. It is a pflag.Value.
type quantity struct {
	value *float64
	kind  string // as the help names it: HZ, SECONDS, DBFS
	units map[string]float64
	// most and least bound what makes sense at all.
	least, most float64
	set         bool
}

var (
	frequencyUnits = map[string]float64{"": 1, "hz": 1, "k": 1000, "khz": 1000}
	timeUnits      = map[string]float64{"": 1, "s": 1, "ms": 1e-3}
	levelUnits     = map[string]float64{"": 1, "db": 1, "dbfs": 1}
	soundUnits     = map[string]float64{"": 1, "db": 1, "db spl": 1, "dbspl": 1}
	plainUnits     = map[string]float64{"": 1}
)

func frequency(v *float64) *quantity {
	return &quantity{value: v, kind: "HZ", units: frequencyUnits, least: 0.1, most: 1e6}
}
func seconds(v *float64) *quantity {
	return &quantity{value: v, kind: "SECONDS", units: timeUnits, least: 1e-4, most: 3600}
}
func level(v *float64) *quantity {
	return &quantity{value: v, kind: "DBFS", units: levelUnits, least: -200, most: -0.01}
}
func soundPressure(v *float64) *quantity {
	return &quantity{value: v, kind: "DB", units: soundUnits, least: 40, most: 110}
}

// within narrows what a quantity may be.
func (q *quantity) within(least, most float64) *quantity {
	q.least, q.most = least, most
	return q
}

func cycles(v *float64) *quantity {
	return &quantity{value: v, kind: "N", units: plainUnits, least: 1, most: 1000}
}

func (q *quantity) Type() string { return q.kind }

func (q *quantity) String() string {
	if q.value == nil || *q.value == 0 && !q.set {
		return ""
	}
	return strconv.FormatFloat(*q.value, 'g', -1, 64)
}

// Set reads a number and a unit.
func (q *quantity) Set(text string) error {
	trimmed := strings.ToLower(strings.TrimSpace(strings.ReplaceAll(text, "−", "-")))
	number := strings.TrimRight(trimmed, "abcdefghijklmnopqrstuvwxyz ")
	unit, known := q.units[strings.TrimSpace(trimmed[len(number):])]
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || !known || math.IsNaN(v) || math.IsInf(v, 0) {
		return fmt.Errorf("%q is not a value in %s", text, q.inWords())
	}
	v *= unit
	if v < q.least || v > q.most {
		plain := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
		return fmt.Errorf("%q is outside %s to %s %s", text, plain(q.least), plain(q.most), q.inWords())
	}
	*q.value, q.set = v, true
	return nil
}

func (q *quantity) inWords() string {
	switch q.kind {
	case "HZ":
		return "Hz"
	case "SECONDS":
		return "seconds"
	case "DBFS":
		return "dBFS"
	case "DB":
		return "dB SPL"
	}
	return "cycles"
}

// smoothing is a share of an octave: "1/12", "12" or "none".
type smoothing struct{ fraction *float64 }

func (s smoothing) Type() string { return "1/N" }

func (s smoothing) String() string {
	if s.fraction == nil || *s.fraction == 0 {
		return ""
	}
	return fmt.Sprintf("1/%g", *s.fraction)
}

func (s smoothing) Set(text string) error {
	if text == "none" {
		*s.fraction = 0
		return nil
	}
	n, err := strconv.ParseFloat(strings.TrimSuffix(strings.TrimPrefix(text, "1/"), " octave"), 64)
	if err != nil || !(n >= 1 && n <= 96) {
		return fmt.Errorf("%q is not a smoothing: give 1/1 to 1/96 of an octave, or none", text)
	}
	*s.fraction = n
	return nil
}

// smoothingInWords names a smoothing as drawings and JSON do.
func smoothingInWords(fraction float64) string {
	if fraction == 0 {
		return "none"
	}
	return fmt.Sprintf("1/%g octave", fraction)
}
