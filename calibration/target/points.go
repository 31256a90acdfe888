package target

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"roomsonde/calibration"
)

// FileError says why a file of points was refused, and where.
type FileError struct {
	Name    string // of the file
	Line    int    // counted from 1; 0 where the whole file is meant
	Text    string // the offending text, "" where there is none
	Problem string // what is wrong

	hint string
}

// Error returns the fact: file, line, text, problem.
func (e *FileError) Error() string {
	s := "target: "
	if e.Name != "" {
		s += e.Name
		if e.Line > 0 {
			s += ", "
		}
	}
	if e.Line > 0 {
		s += fmt.Sprintf("line %d", e.Line)
	}
	if e.Name != "" || e.Line > 0 {
		s += ": "
	}
	s += e.Problem
	if e.Text != "" {
		text := []rune(e.Text)
		if len(text) > 60 {
			text = append(text[:59:59], '…')
		}
		s += fmt.Sprintf(": %q", string(text))
	}
	return s
}

// Hint says what to do next.
func (e *FileError) Hint() string { return e.hint }

const rowsHint = "rows look like `100 2.5`: frequency in Hz and level in dB around 0; text lines begin with #"

// ParsePoints reads the points of a curve from a text file: a row for each, with
// frequency and level. name stands for the file in messages.
//
// The file is read as calibration.Parse reads a microphone's, in all its dialects:
// tabs, spaces, commas or semicolons between the columns, point or comma as decimal
// mark, lines that begin with # * ; // % or a quotation mark as text, kHz where the
// title line says so, a third column (a phase) left aside. Rows need not be in
// order. Dialects are not guessed: a file that can be read in two ways is refused.
//
// remarks are plain sentences on what a reader of the curve should know, such as
// rows that were sorted or merged. It fails with *FileError, or with r's error,
// wrapped.
func ParsePoints(r io.Reader, name string) (points []Point, remarks []string, err error) {
	m, err := calibration.Parse(r, name)
	var bad *calibration.SyntaxError
	switch {
	case errors.As(err, &bad):
		e := &FileError{Name: bad.Name, Line: bad.Line, Text: bad.Text, Problem: bad.Problem, hint: bad.Hint()}
		// Some of its advice is on microphones.
		switch {
		case microphones(e.hint):
			e.hint = rowsHint
		case strings.HasPrefix(e.Problem, "the highest frequency is only"):
			e.hint = "add the point that holds from there on, as `20000 0`; if the first column is in kHz, put a title line kHz,dB above"
		}
		return nil, nil, e
	case err != nil:
		return nil, nil, fmt.Errorf("target: %s: %w", name, err)
	}
	for i, hz := range m.Hz {
		points = append(points, Point{hz, m.DB[i]})
	}
	var e *Error
	if errors.As(checkPoints(points), &e) {
		return nil, nil, &FileError{Name: name, Problem: e.What, hint: e.Do}
	}
	for _, remark := range m.Remarks {
		if !microphones(remark) {
			remarks = append(remarks, remark)
		}
	}
	return points, remarks, nil
}

// microphones reports whether a sentence is about a microphone's file: about its
// sign, its range, its sensitivity.
func microphones(sentence string) bool {
	for _, word := range []string{"microphone", "maker", "sensitivit", "deviation", "correction", "calibration", "uncorrected", "1 kHz"} {
		if strings.Contains(sentence, word) {
			return true
		}
	}
	return false
}
