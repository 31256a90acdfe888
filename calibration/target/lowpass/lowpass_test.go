package lowpass

import (
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"
)

const tolDB = 1e-9

func TestClosedForms(t *testing.T) {
	for _, f := range Filters() {
		corner := -10 * math.Log10(2) // Butterworth: half of the power
		if f.Family == LinkwitzRiley {
			corner = -20 * math.Log10(2) // half of the amplitude
		}
		if got := f.MagnitudeDB(80, 80); !(math.Abs(got-corner) <= tolDB) {
			t.Errorf("%v: %.4f dB at its corner, want %.4f", f, got, corner)
		}
		if got := f.MagnitudeDB(1, 80); !(math.Abs(got) <= 0.01) && f.Order > 1 {
			t.Errorf("%v: %.4f dB in its pass-band", f, got)
		}
		// Far above, 20·lg 2 to the order and octave.
		if got, want := f.MagnitudeDB(8000, 80)-f.MagnitudeDB(16000, 80), 20*math.Log10(2)*float64(f.Order); !(math.Abs(got-want) <= 0.01) {
			t.Errorf("%v: falls by %.3f dB per octave, want %.3f", f, got, want)
		}
		if f.SlopeDB() != 6*float64(f.Order) {
			t.Errorf("%v: %g dB per octave", f, f.SlopeDB())
		}
	}
	if got := (Filter{}).MagnitudeDB(160, 80); !(math.Abs(got+24.6090) <= 1e-4) {
		t.Errorf("the usual one, an octave above its corner: %.4f dB", got)
	}
	if got := ReadingEndHz(80); !(math.Abs(got-113.137) <= 0.001) {
		t.Errorf("80 Hz is read up to %.3f Hz", got)
	}
	if got := (Filter{}).MagnitudeDB(ReadingEndHz(80), 80); !(math.Abs(got+13.9794) <= 1e-4) {
		t.Errorf("there it is %.4f dB down", got)
	}
	// No infinities, and no answer from what is no filter.
	if got := (Filter{LinkwitzRiley, 8}).MagnitudeDB(1e300, 1e-10); got != -400 {
		t.Errorf("%g dB", got)
	}
	if (Filter{LinkwitzRiley, 3}).MagnitudeDB(100, 50) != 0 || (Filter{}).MagnitudeDB(100, 0) != 0 || (Filter{}).MagnitudeDB(0, 80) != 0 {
		t.Error("what is no filter falls")
	}
}

func TestParse(t *testing.T) {
	for text, want := range map[string]Filter{
		"": {}, "24": {LinkwitzRiley, 4}, "48": {LinkwitzRiley, 8}, "12": {LinkwitzRiley, 2}, "18": {Butterworth, 3},
		"LR24": {LinkwitzRiley, 4}, "lr 48": {LinkwitzRiley, 8}, "BW12": {Butterworth, 2}, "bw-24 dB": {Butterworth, 4},
		"Linkwitz-Riley 12 dB/oct": {LinkwitzRiley, 2}, "butterworth 36 dB per octave": {Butterworth, 6}, " 6 ": {Butterworth, 1},
	} {
		got, err := Parse(text)
		if err != nil || got != want {
			t.Errorf("%q is %+v, %v; want %+v", text, got, err, want)
		}
	}
	for _, text := range []string{"4", "25", "LR18", "LR36", "BW30", "steep", "24 Hz", "-24", "1e2", "99999"} {
		_, err := Parse(text)
		var e *FilterError
		if !errors.As(err, &e) || !strings.Contains(e.Hint(), "LR24") {
			t.Errorf("%q: %v", text, err)
		}
	}
	for _, f := range Filters() {
		for _, text := range []string{f.short(), f.String()} {
			if got, err := Parse(strings.ReplaceAll(text, ",", "")); err != nil || got != f {
				t.Errorf("%q is %+v, %v", text, got, err)
			}
		}
		if got, err := BySlope(f.Family, f.SlopeDB()); err != nil || got != f {
			t.Errorf("%v by its slope: %v, %v", f, got, err)
		}
		text, err := json.Marshal(f)
		var back Filter
		if err != nil || json.Unmarshal(text, &back) != nil || back != f {
			t.Errorf("%s: %v", text, err)
		}
	}
	if _, err := BySlope("", 20); err == nil {
		t.Error("20 dB per octave")
	}
	if _, err := (Filter{"bessel", 4}).Resolved(); err == nil {
		t.Error("a family that is not there")
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"24", "LR48", "butterworth 18 dB/oct", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if got, err := Parse(text); err == nil {
			if _, err := got.Resolved(); err != nil {
				t.Errorf("%q is %+v: %v", text, got, err)
			}
		}
	})
}
