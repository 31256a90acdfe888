package main

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"unicode/utf8"

	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv/decay"
	"roomsonde/sweep/scale"
)

func TestTypographicMinus(t *testing.T) {
	for in, want := range map[string]string{
		"a level of -3 dBFS, below -12.5 dB":   "a level of −3 dBFS, below −12.5 dB",
		"from 0 to -10 dB, from -5 to -25 dB":  "from 0 to −10 dB, from −5 to −25 dB",
		"use --level -24 and see 2026-11-25":   "use --level -24 and see 2026-11-25",
		"0001-left-sub-main, phone -3.wav, -5": "0001-left-sub-main, phone -3.wav, -5",
	} {
		if got := typographic(in); got != want {
			t.Errorf("%q became %q, want %q", in, got, want)
		}
	}
}

func TestLettersNeverRepeat(t *testing.T) {
	seen := map[string]bool{}
	for i := range 800 {
		if l := letter(i); seen[l] {
			t.Fatalf("%q stands for two notes", l)
		} else {
			seen[l] = true
		}
	}
	if letter(0) != "a" || letter(25) != "z" || letter(26) != "aa" || letter(27) != "ab" || letter(701) != "zz" || letter(702) != "aaa" {
		t.Errorf("letters %q %q %q %q", letter(25), letter(26), letter(701), letter(702))
	}
}

func TestMergedReasons(t *testing.T) {
	for want, reasons := range map[string][]string{
		"T30 is 20 % longer":             {"T30 is 20 % longer"},
		"T30 is 9 or 20 % longer":        {"T30 is 20 % longer", "T30 is 9 % longer"},
		"down to −7 to −15 dB of −25 dB": {"down to −9 dB of −25 dB", "down to −15 dB of −25 dB", "down to −7 dB of −25 dB"},
	} {
		if got := merged(reasons); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// A table of thirds stays short and narrow: one note for each kind of reason, a
// run of bands that are refused as a whole in one line.
func TestDecayTable(t *testing.T) {
	straight := decay.Value{Seconds: 0.5, OK: true}
	doubt := func(xi string) decay.Value {
		return decay.Value{Seconds: 0.6, OK: true, Reason: "not quite a straight line (ξ = " + xi + " ‰)"}
	}
	m := &measurement.Measurement{}
	for i, b := range scale.Bands(scale.Third, 31.5, 8000) {
		band := decay.Band{Band: b, EDT: straight, T20: straight, T30: straight}
		switch {
		case i == 1:
			band.T20 = doubt("12")
		case i == 3:
			band.T30 = doubt("30")
		case i > 10:
			v := decay.Value{Reason: "above the 300 Hz up to which it can be read"}
			band.EDT, band.T20, band.T30 = v, v, v
		}
		m.Decay = append(m.Decay, band)
	}
	var out strings.Builder
	(&result{meta: survey.Meta{}, m: m}).printDecay(&out, scale.Third)
	text := out.String()
	for _, want := range []string{
		"0.60? 0.50  a",
		"0.50  0.60? a",
		"  a  40 Hz, 63 Hz, doubtful: not quite a straight line (bend ξ = 12 or 30 ‰).",
		"400 Hz–8 kHz     –     –     –  b",
		"  b  400 Hz to 8 kHz: above the 300 Hz up to which it can be read.",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	for _, line := range strings.Split(text, "\n") {
		if utf8.RuneCountInString(line) > 80 {
			t.Errorf("wider than 80: %q", line)
		}
	}
	if n := strings.Count(text, "\n"); n > 16 {
		t.Errorf("%d lines:\n%s", n, text)
	}
}

// Before a first take the program waits for Enter, until it is interrupted; an
// input that was closed is no Enter, and without a terminal nobody is asked.
func TestWaitForEnter(t *testing.T) {
	var said strings.Builder
	typed := strings.NewReader("\nrest")
	if err := (&app{live: true, in: typed, talk: &said}).waitForEnter(t.Context()); err != nil || typed.Len() != 4 {
		t.Errorf("after Enter: %v, and %d bytes are left", err, typed.Len())
	}
	if !strings.Contains(said.String(), "Press Enter to start") {
		t.Errorf("it says %q", said.String())
	}
	if err := (&app{live: true, in: strings.NewReader(""), talk: &said}).waitForEnter(t.Context()); !errors.Is(err, context.Canceled) {
		t.Errorf("after the input's end: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	never, end := io.Pipe()
	defer end.Close()
	if err := (&app{live: true, in: never, talk: &said}).waitForEnter(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("interrupted: %v", err)
	}
	for _, a := range []*app{{in: never}, {live: true}} {
		if err := a.waitForEnter(t.Context()); err != nil {
			t.Errorf("without a terminal: %v", err)
		}
	}
}
