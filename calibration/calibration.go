// Package calibration reads the file that comes with a measurement microphone
// and answers with the microphone's deviation at any frequency.
//
// The typical use, step by step:
//
//  1. Parse reads the file, whatever its dialect, or refuses it with the line
//     and the reason.
//  2. Summary says in plain sentences what was read. Show it: a file that was
//     misread is noticed by the eye long before it is noticed in a result.
//  3. DeviationDB is what the microphone adds at a frequency. Subtract it from
//     a measured level. Covers tells where that is more than a guess.
//  4. SPLOffset turns dBFS into dB SPL, where the file allows it.
//
// The sign: the file states the microphone's own deviation, which is to be
// subtracted (common practice, no source). Where the header does not say so, a
// remark says that it was taken so.
//
// Dialects are never guessed. A file is read in every dialect that fits all of
// its rows, and refused when two of them give different numbers and no title says
// how many columns there are. One exception: rows of three whole numbers between
// commas are three columns (20,0,0), and a remark says that they were read so.
package calibration

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"roomsonde/sweep/scale"
)

// Microphone is what a calibration file says. Hz, DB and Degrees have one
// entry per frequency, lowest frequency first, each frequency once.
type Microphone struct {
	Name    string    // as given to Parse, usually the file's name
	Hz      []float64 // rising, in Hz, whatever unit the file uses
	DB      []float64 // the microphone's deviation in dB
	Degrees []float64 // phase in degrees without jumps of a whole turn; nil when the file has none

	Sensitivity *Sensitivity // nil when the file states none that can be relied on
	Header      []string     // all text that is not data, as found, without comment marks; serial numbers are here
	Remarks     []string     // what the reader of a result should know, in plain sentences

	Rows      int    // rows of numbers in the file, before any were dropped or merged
	Columns   int    // 2 or 3
	Separator string // "tabs", "spaces", "tabs and spaces", "commas", "semicolons"
	Decimal   string // "point", "comma", or "none" where every number is whole
	Encoding  string // "UTF-8", "UTF-16 LE", "UTF-16 BE", "Windows-1252"
}

// Units of a Sensitivity. A level other than 94 dB SPL changes the last one
// accordingly ("dBFS at 114 dB SPL").
const (
	UnitMillivolt = "mV/Pa"             // open-circuit voltage in a sound pressure of 1 Pa
	UnitVoltLevel = "dB re 1 V/Pa"      // the same as a level
	UnitDB        = "dB"                // a bare level: what it refers to is not stated
	UnitFullScale = "dBFS at 94 dB SPL" // what the microphone's own converter delivers at 94 dB SPL
	UnitDBFS      = "dBFS"              // the same without the sound pressure level that belongs to it
)

// Sensitivity is a sensitivity as the header states it. Nothing in it is worked
// out, except that V/Pa is kept as mV/Pa.
type Sensitivity struct {
	Value float64
	Unit  string  // one of the units above
	AtSPL float64 // dB SPL that a dBFS value belongs to, usually 94; 0 for other units
	Text  string  // the header line that it was read from
}

// String returns value and unit: "12.5 mV/Pa", "-24.5 dBFS at 94 dB SPL".
func (s Sensitivity) String() string { return number(s.Value) + " " + s.Unit }

// Range returns the lowest and the highest frequency of the file, in Hz.
func (m *Microphone) Range() (fromHz, toHz float64) { return m.Hz[0], m.Hz[len(m.Hz)-1] }

// Covers reports whether hz lies within Range, ends included. Outside,
// DeviationDB is the value at the nearer end and a response is uncorrected.
func (m *Microphone) Covers(hz float64) bool {
	from, to := m.Range()
	return from <= hz && hz <= to
}

// DeviationDB returns the microphone's deviation at hz in dB: linear in lg f
// between two rows, held at the ends. Subtract it from what was measured.
func (m *Microphone) DeviationDB(hz float64) float64 {
	return scale.Interpolate(m.Hz, m.DB, hz)
}

// PhaseDegrees returns the microphone's phase at hz in degrees, interpolated
// like DeviationDB and without jumps of a whole turn, and false when the file
// states no phase.
func (m *Microphone) PhaseDegrees(hz float64) (degrees float64, ok bool) {
	if m.Degrees == nil {
		return 0, false
	}
	return scale.Interpolate(m.Hz, m.Degrees, hz), true
}

// SPLOffset returns the number of dB to add to a level in dBFS to get dB SPL.
// ok is true only where the file says what the microphone's own converter
// delivers at a known sound pressure level; any other sensitivity would need
// the gain of a converter that the file does not know. reason is a sentence:
// what the offset relies on, or why there is none.
//
// 0 dBFS is taken as the RMS level of a full-scale sine (AES17; from memory).
// Files do not say; one that means it otherwise is off by 3.01 dB.
func (m *Microphone) SPLOffset() (offsetDB float64, ok bool, reason string) {
	s := m.Sensitivity
	switch {
	case s == nil:
		return 0, false, "The microphone's file states no sensitivity, so levels are relative."
	case s.AtSPL > 0:
		return s.AtSPL - s.Value, true, fmt.Sprintf("dB SPL follow from %s; they hold only while the computer's input gain stands where it stood when that was measured.", s)
	case s.Unit == UnitDBFS:
		return 0, false, fmt.Sprintf("The sensitivity, %s, is stated without the sound pressure level that it belongs to, so levels are relative.", s)
	case s.Unit == UnitDB:
		return 0, false, fmt.Sprintf("The sensitivity, %s, is stated without what it refers to, so levels are relative.", s)
	}
	return 0, false, fmt.Sprintf("The sensitivity, %s, is that of the microphone without a converter; the converter's gain is not known, so levels are relative.", s)
}

// Summary says what was read, in plain sentences: form, range, deviation,
// phase, sensitivity, and then the remarks.
func (m *Microphone) Summary() []string {
	form := fmt.Sprintf("%s: %d rows of %d columns, separated by %s, ", m.Name, m.Rows, m.Columns, m.Separator)
	if m.Decimal == "none" {
		form += "without decimals"
	} else {
		form += "with decimal " + m.Decimal
	}
	from, to := m.Range()
	lo, hi := 0, 0
	for i, db := range m.DB {
		if db < m.DB[lo] {
			lo = i
		}
		if db > m.DB[hi] {
			hi = i
		}
	}
	lines := []string{
		fmt.Sprintf("%s (%s).", form, m.Encoding),
		fmt.Sprintf("It covers %s to %s with %d frequencies.", frequency(from), frequency(to), len(m.Hz)),
	}
	if m.DB[lo] == m.DB[hi] {
		lines = append(lines, fmt.Sprintf("The deviation is %+.2f dB throughout.", m.DB[lo]))
	} else {
		lines = append(lines, fmt.Sprintf("The deviation runs from %+.2f dB at %s to %+.2f dB at %s.",
			m.DB[lo], frequency(m.Hz[lo]), m.DB[hi], frequency(m.Hz[hi])))
	}
	if m.Degrees == nil {
		lines = append(lines, "It states no phase.")
	} else {
		lines = append(lines, fmt.Sprintf("The phase runs from %.1f degrees at %s to %.1f degrees at %s.",
			m.Degrees[0], frequency(from), m.Degrees[len(m.Degrees)-1], frequency(to)))
	}
	if s := m.Sensitivity; s != nil {
		lines = append(lines, fmt.Sprintf("Its sensitivity is %s, read from %s.", s, quote(s.Text)))
	} else {
		lines = append(lines, "It states no sensitivity that can be used.")
	}
	return append(lines, m.Remarks...)
}

// frequency writes hz as people say it: "31.5 Hz", "1.25 kHz", "1 MHz".
func frequency(hz float64) string {
	unit := " Hz"
	if hz >= 1e6 {
		hz, unit = hz/1e6, " MHz"
	} else if hz >= 1000 {
		hz, unit = hz/1000, " kHz"
	}
	return strconv.FormatFloat(significant(hz, 4), 'f', -1, 64) + unit
}

func number(x float64) string { return strconv.FormatFloat(significant(x, 12), 'f', -1, 64) }

func significant(x float64, digits int) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'e', digits-1, 64), 64)
	if err != nil || math.IsInf(y, 0) {
		return x
	}
	return y
}

// quote puts text into quotation marks, shortened to what fits a line.
func quote(text string) string {
	const most = 60
	if r := []rune(text); len(r) > most {
		text = string(r[:most-1]) + "…"
	}
	return strconv.Quote(text)
}

// SyntaxError says why a calibration file was refused, and where.
type SyntaxError struct {
	Name    string // of the file
	Line    int    // counted from 1; 0 where the whole file is meant
	Text    string // the offending text, "" where there is none
	Problem string // what is wrong

	hint string
}

// Error returns the fact: file, line, text, problem.
func (e *SyntaxError) Error() string {
	var b strings.Builder
	b.WriteString("calibration: ")
	if e.Name != "" {
		b.WriteString(e.Name)
		if e.Line > 0 {
			b.WriteString(", ")
		}
	}
	if e.Line > 0 {
		fmt.Fprintf(&b, "line %d", e.Line)
	}
	if e.Name != "" || e.Line > 0 {
		b.WriteString(": ")
	}
	b.WriteString(e.Problem)
	if e.Text != "" {
		b.WriteString(": " + quote(e.Text))
	}
	return b.String()
}

// Hint says what to do next.
func (e *SyntaxError) Hint() string {
	if e.hint != "" {
		return e.hint
	}
	return "rows look like `1000 0.0`: frequency in Hz, deviation in dB and, if known, phase in degrees; text lines begin with #"
}
