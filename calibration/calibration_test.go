package calibration

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "write the golden files anew")

// exact is for values that pass through nothing but reading.
const exact = 1e-9

func mustParse(t *testing.T, text string) *Microphone {
	t.Helper()
	m, err := Parse(strings.NewReader(text), "mic.txt")
	if err != nil {
		t.Fatalf("Parse(%q): %v", text, err)
	}
	return m
}

func near(a, b []float64, tol float64) bool {
	return len(a) == len(b) && slices.EqualFunc(a, b, func(x, y float64) bool { return math.Abs(x-y) <= tol })
}

func TestParseDialects(t *testing.T) {
	hz, db, deg := []float64{20.5, 1000, 16000}, []float64{-1.25, 0, 2.5}, []float64{10.5, 0, -45}
	whole, wholeDB := []float64{20, 1000, 16000}, []float64{-1, 0, 2}
	for _, c := range []struct {
		name, text         string
		hz, db, deg        []float64
		separator, decimal string
	}{
		{"tabs", "20.5\t-1.25\n1000\t0\n16000\t2.5\n", hz, db, nil, "tabs", "point"},
		{"tabs with padding", "20.5 \t -1.25\n1000 \t 0\n16000\t 2.5\n", hz, db, nil, "tabs", "point"},
		{"several tabs", "20.5\t\t-1.25\n1000\t\t0\n16000\t2.5", hz, db, nil, "tabs", "point"},
		{"tabs and spaces", "20.5\t-1.25 10.5\n1000\t0 0\n16000\t2.5 -45\n", hz, db, deg, "tabs and spaces", "point"},
		{"some rows tabs", "20.5\t-1.25\n1000 0\n16000 2.5\n", hz, db, nil, "tabs and spaces", "point"},
		{"spaces", "  20.5   -1.25\n  1000    0.00\n 16000    2.50\n", hz, db, nil, "spaces", "point"},
		{"spaces, three columns", "20.5 -1.25 10.5\n1000 0 0\n16000 2.5 -45\n", hz, db, deg, "spaces", "point"},
		{"commas", "20.5,-1.25\n1000,0\n16000,2.5\n", hz, db, nil, "commas", "point"},
		{"commas, three columns", "20.5,-1.25,10.5\n1000,0,0\n16000,2.5,-45\n", hz, db, deg, "commas", "point"},
		{"commas and blanks", "20.5, -1.25\n1000, 0\n16000 ,2.5\n", hz, db, nil, "commas", "point"},
		{"commas and tabs", "20.5,\t-1.25\n1000,\t0\n16000,\t2.5\n", hz, db, nil, "commas", "point"},
		{"commas, whole numbers", "20,-1\n1000,0\n16000,2\n", whole, wholeDB, nil, "commas", "none"},
		{"commas, three whole numbers", "20,-1,0\n1000,0,5\n16000,2,-45\n", whole, wholeDB, []float64{0, 5, -45}, "commas", "none"},
		{"commas, three noughts", "20,0,0\n1000,0,0\n16000,0,0\n", whole, []float64{0, 0, 0}, []float64{0, 0, 0}, "commas", "none"},
		{"commas, three whole numbers, title", "Hz,dB,degrees\n20,-1,0\n1000,0,5\n16000,2,-45\n", whole, wholeDB, []float64{0, 5, -45}, "commas", "none"},
		{"commas, three pieces, title", "Hz,dB,degrees\n20,-1,00\n1000,-0,05\n16000,2,-45\n", whole, wholeDB, []float64{0, 5, -45}, "commas", "none"},
		{"commas, title of two columns", "\"Freq\";\"Level (dB)\"\n20,5,-1,25\n1000,0,0,0\n16000,0,2,5\n", hz, db, nil, "commas", "comma"},
		{"comma and blank, title of three columns", "# Hz dB deg\n20,-1, 0\n1000,0, 5\n16000,2, -45\n", whole, wholeDB, []float64{0, 5, -45}, "commas", "none"},
		{"comma and blank, title of two columns", "# Hz dB\n20,5, -1\n1000,0, 0\n16000,0, 2\n", hz, wholeDB, nil, "commas", "comma"},
		{"commas, trailing", "20.5,-1.25,\n1000,0,\n16000,2.5,\n", hz, db, nil, "commas", "point"},
		{"semicolons", "20.5;-1.25\n1000;0\n16000;2.5\n", hz, db, nil, "semicolons", "point"},
		{"semicolons, decimal comma", "20,5;-1,25\n1000;0\n16000;2,5\n", hz, db, nil, "semicolons", "comma"},
		{"semicolons, trailing", "20,5;-1,25;\n1000;0;\n16000;2,5;\n", hz, db, nil, "semicolons", "comma"},
		{"semicolons and blanks", "20,5 ; -1,25 ; 10,5\n1000; 0; 0\n16000; 2,5; -45\n", hz, db, deg, "semicolons", "comma"},
		{"tabs, decimal comma", "20,5\t-1,25\n1000\t0\n16000\t2,5\n", hz, db, nil, "tabs", "comma"},
		{"spaces, decimal comma", "20,5 -1,25\n1000,0 0,00\n16000 2,50\n", hz, db, nil, "spaces", "comma"},
		{"comma and blank, decimal comma", "20,5, -1,25\n1000, 0\n16000, 2,5\n", hz, db, nil, "commas", "comma"},
		{"tight commas, decimal comma, six pieces", "20,5,-1,25,10,5\n1000,0,0,0,0,0\n16000,0,2,5,-45,0\n", hz, db, deg, "commas", "comma"},
		{"quoted cells, decimal comma", "\"20,5\",\"-1,25\"\n1000,0\n16000,\"2,5\"\n", hz, db, nil, "commas", "comma"},
		{"quoted cells, semicolons", "\"20,5\";\"-1,25\"\n\"1000\";\"0\"\n\"16000\";\"2,5\"\n", hz, db, nil, "semicolons", "comma"},
		{"quoted cells, point", "\"20.5\",\"-1.25\"\n\"1000\",\"0\"\n\"16000\",\"2.5\"\n", hz, db, nil, "commas", "point"},
		{"exponents", "2.05e1 -1.25E0\n1e3 0\n1.6e+4 2.5\n", hz, db, nil, "spaces", "point"},
		{"bare marks and plus", "20.5 -1.25\n1000. +.0\n16000. +2.5\n", hz, db, nil, "spaces", "point"},
		{"typographic minus", "20.5 −1.25\n1000 0\n16000 2.5\n", hz, db, nil, "spaces", "point"},
		{"hard blanks", "20.5\u00a0-1.25\n1000\u00a00\n16000\u00a02.5\n", hz, db, nil, "spaces", "point"},
		{"CRLF", "20.5 -1.25\r\n1000 0\r\n16000 2.5\r\n", hz, db, nil, "spaces", "point"},
		{"CR", "20.5 -1.25\r1000 0\r16000 2.5", hz, db, nil, "spaces", "point"},
		{"end-of-file mark of old systems", "20.5 -1.25\n1000 0\n16000 2.5\n\x1a", hz, db, nil, "spaces", "point"},
		{"every comment mark", "# a\n* b\n; c\n\"d\"\n// e\n% f\n20.5 -1.25\n# 30 9\n1000 0\n; 40 9\n16000 2.5\n* end\n", hz, db, nil, "spaces", "point"},
		{"remarks behind rows", "20.5 -1.25 # low\n1000 0 // middle\n16000 2.5 % high\n", hz, db, nil, "spaces", "point"},
		{"bare header", "Microphone calibration data\nmade 2026-03-01\n\nFreq dB\n20.5 -1.25\n1000 0\n16000 2.5\n", hz, db, nil, "spaces", "point"},
		{"a date alone", "2026-03-01\n20.5 -1.25\n1000 0\n16000 2.5\n", hz, db, nil, "spaces", "point"},
		{"blank lines", "\n\n20.5 -1.25\n\n1000 0\n  \n16000 2.5\n\n", hz, db, nil, "spaces", "point"},
		{"falling order", "16000 2.5\n1000 0\n20.5 -1.25\n", hz, db, nil, "spaces", "point"},
		{"kHz", "f [kHz], dB\n0.0205,-1.25\n1,0\n16,2.5\n", hz, db, nil, "commas", "point"},
		{"kHz in thousandths", "Frequency/kHz dB\n0.020 -1\n1.000 0\n16.000 2\n", whole, wholeDB, nil, "spaces", "point"},
		{"radians", "Freq Mag_dB Phase_rad\n20.5 -1.25 0.18325957145940461\n1000 0 0\n16000 2.5 -0.78539816339744828\n", hz, db, deg, "spaces", "point"},
		{"third column is another angle of incidence", "Hz, dB at 0 deg, dB at 90 deg\n20.5,-1.25,9\n1000,0,9\n16000,2.5,9\n", hz, db, nil, "commas", "point"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := mustParse(t, c.text)
			if !near(m.Hz, c.hz, exact) || !near(m.DB, c.db, exact) || !near(m.Degrees, c.deg, exact) || (m.Degrees == nil) != (c.deg == nil) {
				t.Errorf("got %v %v %v, want %v %v %v", m.Hz, m.DB, m.Degrees, c.hz, c.db, c.deg)
			}
			if m.Separator != c.separator || m.Decimal != c.decimal {
				t.Errorf("got %q and %q, want %q and %q", m.Separator, m.Decimal, c.separator, c.decimal)
			}
		})
	}
}

func TestParseEncodings(t *testing.T) {
	const text = "# 0° incidence, 12 µV\r\n20 -1.5\r\n20000 2\r\n"
	latin := strings.NewReplacer("°", "\xb0", "µ", "\xb5").Replace(text)
	wide := func(mark, little bool) string {
		var b bytes.Buffer
		units := utf16.Encode([]rune(text))
		if mark {
			units = append([]uint16{0xfeff}, units...)
		}
		for _, u := range units {
			if little {
				b.Write([]byte{byte(u), byte(u >> 8)})
			} else {
				b.Write([]byte{byte(u >> 8), byte(u)})
			}
		}
		return b.String()
	}
	for _, c := range []struct{ name, text, encoding string }{
		{"UTF-8", text, "UTF-8"},
		{"UTF-8 with mark", "\xef\xbb\xbf" + text, "UTF-8"},
		{"Windows-1252", latin, "Windows-1252"},
		{"UTF-16 LE", wide(true, true), "UTF-16 LE"},
		{"UTF-16 BE", wide(true, false), "UTF-16 BE"},
		{"UTF-16 LE without mark", wide(false, true), "UTF-16 LE"},
		{"UTF-16 BE without mark", wide(false, false), "UTF-16 BE"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := mustParse(t, c.text)
			if m.Encoding != c.encoding || !slices.Equal(m.Hz, []float64{20, 20000}) || !slices.Equal(m.DB, []float64{-1.5, 2}) ||
				!slices.Equal(m.Header, []string{"0° incidence, 12 µV"}) {
				t.Errorf("got %s, %v %v, header %q", m.Encoding, m.Hz, m.DB, m.Header)
			}
		})
	}
}

func TestParseRefuses(t *testing.T) {
	long := "20 0\n" + strings.Repeat("# filling\n", maxBytes/10) + "30 0\n"
	for _, c := range []struct {
		name, text string
		line       int
		found      string // in the offending text
		problem    string // in the problem
	}{
		{"empty", "", 0, "", "empty"},
		{"only blanks", "\r\n \t\n", 0, "", "empty"},
		{"only a mark", "\xef\xbb\xbf", 0, "", "empty"},
		{"binary", "20 0\n\x89PNG\x1a\n\x00\x00\x00\rIHDR", 2, "\x1a", "binary"},
		{"too large", long, 0, "", "8 MiB"},
		{"half a UTF-16 character", "\xff\xfe2\x000", 0, "", "damaged"},
		{"text only", "# a microphone\nno numbers here\n", 1, "a microphone", "no rows"},
		{"one column", "20\n30\n40\n", 1, "20", "only one column"},
		{"one column of decimals", "20.5\n30.5\n", 1, "20.5", "only one column"},
		{"four columns", "20 0 0 0\n30 0 0 0\n", 1, "20 0 0 0", "4 columns"},
		{"uneven", "20 0 0\n30 0\n40 0 0\n", 2, "30 0", "2 columns, where others have 3"},
		{"uneven, commas", "20.5,0\n30,0,0\n40,0\n", 2, "30,0,0", "3 columns, where others have 2"},
		{"a number alone above", "700\n20 0\n30 0\n", 1, "700", "1 column, where others have 2"},
		{"empty cell", "20;0;1\n30;;1\n", 2, "30;;1", "empty"},
		{"NaN", "20 0\n30 NaN\n", 2, "30 NaN", "NaN"},
		{"NaN first", "20 nan\n30 0\n", 1, "20 nan", "nan"},
		{"infinity", "20 0\n30;-Inf\n", 2, "30;-Inf", "-Inf"},
		{"a runtime's infinity", "20 0\n30 -1.#INF\n", 2, "-1.#INF", "-1.#INF"},
		{"overflow", "20 0\n1e999 0\n", 2, "1e999", "too large"},
		{"negative frequency", "20 0\n-30 0\n", 2, "-30 0", "negative"},
		{"frequency too high", "20 0\n3e6 0\n", 2, "3e6", "above 1 MHz"},
		{"frequency too low", "1e-9 0\n20 0\n", 1, "1e-9", "below 0.001 Hz"},
		{"level too high", "20 0\n30 30.01\n", 2, "30 30.01", "beyond ±30 dB"},
		{"level too low", "20 0\n30 -94\n", 2, "30 -94", "beyond ±30 dB"},
		{"wild phase", "20 0 0\n30 0 1e9\n", 2, "1e9", "phase"},
		{"only 0 Hz", "0 0\n0 0\n", 2, "0 0", "at least two"},
		{"a single row", "1000 0\n", 1, "1000 0", "at least two"},
		{"text behind rows", "20 0\n30 0\nend of data\n", 3, "end of data", "neither"},
		{"damaged row", "20 0\n30 0.x\n", 2, "30 0.x", "neither"},
		{"damaged first row", "20 0.1x\n30 0\n", 1, "20 0.1x", "cannot be read"},
		{"two points", "20 0\n30.1.2 0\n", 2, "30.1.2", "not a number"},
		{"repeats contradict", "20 0\n1000 0.5\n30 0\n1000 -0.6\n", 4, "", "lines 2 and 4 contradict each other at 1 kHz by 1.10 dB"},
		{"phases contradict", "20 0 0\n1000 0 175\n1000 0 -170\n", 3, "", "lines 2 and 3 contradict each other at 1 kHz by 15.0 degrees"},
		{"ambiguous commas", "20,5,1,2\n30,5,1,3\n", 1, "20,5,1,2", "20.5 and 1.2 or 20.5, 1 and 2"},
		{"ambiguous commas, three pieces", "20,-1\n25,1,5\n", 2, "25,1,5", "25.1 and 5 or 25 and 1.5"},
		{"ambiguous commas, two or three columns", "20,-1,05\n1000,-1,70\n", 1, "20,-1,05", "20 and -1.05 or 20, -1 and 5"},
		{"ambiguous commas, minus nought", "20,-1,5\n1000,-0,5\n", 1, "20,-1,5", "20 and -1.5 or 20, -1 and 5"},
		{"ambiguous commas, four or three whole fields", "20,0,0\n1000,0,0,0\n", 2, "1000,0,0,0", "this may be"},
		{"ambiguous commas, a title that does not settle them", "Hz,dB,degrees\n20,5,1,2\n1000,5,1,3\n", 2, "20,5,1,2", "20.5, 1 and 2 or 20, 5.1 and 2"},
		{"ambiguous commas, a title of two columns", "Hz,dB\n20,1,2\n1000,1,3\n", 2, "20,1,2", "20.1 and 2 or 20 and 1.2"},
		{"thousands or three columns", "1,000,0\n2,000,1\n", 1, "1,000,0", "this may be"},
		{"kHz without a title", "0.02 0\n1 0\n20 0\n", 0, "", "the highest frequency is only 20 Hz"},
		{"kHz under a title in Hz", "Hz,dB\n0.02,0\n1,0\n20,0\n", 0, "", "the highest frequency is only 20 Hz"},
		{"kHz up to 100", "0.02 0\n100 0\n", 0, "", "the highest frequency is only 100 Hz"},
		{"Hz under a title in kHz", "kHz,dB\n20,0\n20000,0\n", 3, "20000,0", "above 1 MHz"},
		{"ambiguous comma and blank", "20,5, 1\n30,5, 1\n", 1, "20,5, 1", "20, 5 and 1 or 20.5 and 1"},
		{"thousands, comma", "900.5 0.1\n1,000.5 0.2\n", 2, "1,000.5", "thousands separator"},
		{"thousands, comma, semicolons", "900.5;0.1\n1,000;0.2\n", 2, "1,000", "thousands separator"},
		{"thousands, point", "900,5;0,1\n1.000,5;0,2\n", 2, "1.000,5", "thousands separator"},
		{"thousands, apostrophe", "1'000 0.1\n2'000 0.2\n", 1, "1'000", "thousands separator"},
		{"thousands, hard blank", "1\u00a0000 0.1\n2\u00a0000 0.2\n", 1, "1\u00a0000", "thousands separator"},
		{"thousands, blank", "1 000 0.1\n2 000 0.2\n", 1, "1 000", "thousands separator"},
		{"thousands or hertz", "500 0\n1,000 -1\n2,000 1\n", 2, "1,000 -1", "thousands separator"},
		{"two decimal marks", "20.5 -1,2\n30.5 0\n", 1, "20.5 -1,2", "decimal"},
		{"kHz and Hz", "Freq (Hz) dB\nf/kHz dB\n20 0\n30 0\n", 2, "f/kHz", "in Hz in line 1"},
		{"open quote", "\"20,5\",\"1\n\"30,5\",\"2\"\n", 1, "20,5", "not closed"},
		{"endless row", "20 0\n" + strings.Repeat("1 ", 1000) + "\n", 2, "1 1", "too long"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, err := Parse(strings.NewReader(c.text), "mic.txt")
			var e *SyntaxError
			if !errors.As(err, &e) {
				t.Fatalf("got %+v, %v; want a *SyntaxError", m, err)
			}
			if e.Name != "mic.txt" || e.Line != c.line || !strings.Contains(e.Text, c.found) || !strings.Contains(e.Problem, c.problem) {
				t.Errorf("got line %d, text %q, problem %q; want line %d, %q, %q", e.Line, e.Text, e.Problem, c.line, c.found, c.problem)
			}
			if e.Hint() == "" || strings.HasSuffix(e.Hint(), ".") {
				t.Errorf("hint %q", e.Hint())
			}
			if c.line > 0 && !strings.Contains(e.Error(), fmt.Sprintf("mic.txt, line %d: ", c.line)) {
				t.Errorf("message %q does not name the place", e)
			}
		})
	}
}

func TestParseReturnsReadErrors(t *testing.T) {
	if _, err := Parse(io.MultiReader(strings.NewReader("20 0\n"), failing{}), "mic.txt"); !errors.Is(err, os.ErrPermission) {
		t.Errorf("got %v, want it to wrap %v", err, os.ErrPermission)
	}
}

// endless delivers the same byte for ever, and counts.
type endless struct {
	b byte
	n int64
}

func (e *endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = e.b
	}
	e.n += int64(len(p))
	return len(p), nil
}

func TestParseEndsWhereItsReaderDoesNot(t *testing.T) {
	for _, b := range []byte{0, '1', '\n'} {
		r := &endless{b: b}
		_, err := Parse(r, "mic.txt")
		if e := (*SyntaxError)(nil); !errors.As(err, &e) || !strings.Contains(e.Problem, "8 MiB") {
			t.Errorf("endless %q: %v", b, err)
		}
		if r.n > maxBytes+1 {
			t.Errorf("endless %q: %d bytes were read, at most %d are allowed", b, r.n, maxBytes+1)
		}
	}
}

func TestHints(t *testing.T) {
	for text, want := range map[string]string{
		"20,5,1,2\n1000,5,1,3\n":                "or put a title line Hz,dB,degrees above",
		"0.02 0\n20 0\n":                        "is the first column in kHz? then its title should say so",
		"kHz,dB\n20,0\n20000,0\n":               "in kHz, as its title says",
		"Hz,dB,degrees\n20,5,1,2\n1000,5,1,3\n": "semicolons or tabs between the columns, or with decimal points",
	} {
		_, err := Parse(strings.NewReader(text), "mic.txt")
		if e := (*SyntaxError)(nil); !errors.As(err, &e) || !strings.Contains(e.Hint(), want) {
			t.Errorf("%q: %v; want a hint with %q", text, err, want)
		}
	}
	// What a title would settle is not asked of who has written one.
	_, err := Parse(strings.NewReader("Hz,dB,degrees\n20,5,1,2\n1000,5,1,3\n"), "mic.txt")
	if e := (*SyntaxError)(nil); !errors.As(err, &e) || strings.Contains(e.Hint(), "title line") {
		t.Errorf("%v", err)
	}
}

func TestFrequencyInWords(t *testing.T) {
	for hz, want := range map[float64]string{0.001: "0.001 Hz", 31.5: "31.5 Hz", 1250: "1.25 kHz", 20000: "20 kHz", 1e6: "1 MHz"} {
		if got := frequency(hz); got != want {
			t.Errorf("%g: got %q, want %q", hz, got, want)
		}
	}
}

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, os.ErrPermission }

func TestSensitivity(t *testing.T) {
	for _, c := range []struct {
		header string
		want   string // as String; "" for none
	}{
		{"Sens Factor =-1.8dB", "-1.8 dB"},
		{"Sens Factor =-.8dB, serial 0042", "-0.8 dB"},
		{"Sens Factor =-1.8dB, Gain =18dB, no 0042", "-1.8 dB"},
		{"Gain =18dB, Sens Factor =-1.8dB", "-1.8 dB"},
		{"Sens Factor = -1,8 dB", "-1.8 dB"},
		{"Sensitivity: 12.5 mV/Pa", "12.5 mV/Pa"},
		{"Sensitivity: 12,5 mV/Pa ± 3 dB", "12.5 mV/Pa"},
		{"12.5mV/Pa", "12.5 mV/Pa"},
		{"sensitivity at 1 kHz: 0.0125 V/Pa", "12.5 mV/Pa"},
		{"Sensitivity [mV/Pa]: 12.5", "12.5 mV/Pa"},
		{"Sensitivity (mV/Pa) = 12.5 at 1000 Hz", "12.5 mV/Pa"},
		{"sensitivity 12.5 mV per Pascal", "12.5 mV/Pa"},
		{"Sensitivity measured at 94 dB SPL: 12.5 mV/Pa", "12.5 mV/Pa"},
		{"Sensitivity: 12.5 mV/Pa (-38.06 dB re 1 V/Pa)", "12.5 mV/Pa"},
		{"-38.2 dB re 1V/Pa", "-38.2 dB re 1 V/Pa"},
		{"Sensitivity: -38.2 dB (re 1 V/Pa) +/- 2 dB", "-38.2 dB re 1 V/Pa"},
		{"Sensitivity (dB re 1 V/Pa): -38.2", "-38.2 dB re 1 V/Pa"},
		{"-38.2 dB ref. 1 V/Pa @ 1 kHz", "-38.2 dB re 1 V/Pa"},
		{"-38.2 dBV/Pa", "-38.2 dB re 1 V/Pa"},
		{"-38.2 dB (0 dB = 1 V/Pa)", "-38.2 dB re 1 V/Pa"},
		{"Sensitivity −38.2 dB re 1 V/Pa", "-38.2 dB re 1 V/Pa"},
		{"sensitivity -24.5 dBFS at 94 dB SPL", "-24.5 dBFS at 94 dB SPL"},
		{"Sensitivity: -24.5dBFS@94dBSPL", "-24.5 dBFS at 94 dB SPL"},
		{"Sensitivity @ 94 dB: -24.5 dBFS", "-24.5 dBFS at 94 dB SPL"},
		{"Sensitivity (dBFS at 94 dB SPL): -24.5", "-24.5 dBFS at 94 dB SPL"},
		{"94 dB SPL = -24.5 dBFS", "-24.5 dBFS at 94 dB SPL"},
		{"Sensitivity -24.5 dBFS/Pa", "-24.5 dBFS at 94 dB SPL"},
		{"sensitivity -4.5 dB FS for 114 dB (SPL)", "-4.5 dBFS at 114 dB SPL"},
		{"Sensitivity: -24.5 dBFS", "-24.5 dBFS"},
		{"Sensitivity: -38", ""},
		{"Sensitivity: 1,250 mV/Pa", ""},
		{"Sensitivity - 38.2 dB", ""},
		{"Sensitivity: -38 dBu", ""},
		{"Sensitivity: -38 dB re 1 V", ""},
		{"Sensitivity: -12.5 mV/Pa", ""},
		{"Sensitivity: 10 mV/Pa or 20 mV/Pa", ""},
		{"Sensitivity tolerance: 2 dB", ""},
		{"noise floor -90 dBFS", ""},
		{"max 0 dBFS at 124 dB SPL", ""},
		{"gain 18 dB", ""},
		{"no. 0042", ""},
	} {
		t.Run(c.header, func(t *testing.T) {
			for _, mark := range []string{"#", "* ", ""} {
				m := mustParse(t, mark+c.header+"\n20 0\n20000 1\n")
				got := ""
				if m.Sensitivity != nil {
					got = m.Sensitivity.String()
					if m.Sensitivity.Text != c.header {
						t.Errorf("text %q", m.Sensitivity.Text)
					}
				}
				if got != c.want {
					t.Errorf("%q: got %q, want %q", mark, got, c.want)
				}
				if !slices.Equal(m.Header, []string{c.header}) {
					t.Errorf("header %q", m.Header)
				}
			}
		})
	}
}

func TestSensitivitySaysWhatItLeavesOut(t *testing.T) {
	for header, want := range map[string]string{
		"# Sensitivity: -38":         "no unit",
		"# Sensitivity: 1,250 mV/Pa": "thousands",
		"# Sensitivity - 38.2 dB":    "sign",
		"# Sensitivity: 10 mV/Pa\n# nothing\n# Sensitivity: 12 mV/Pa": "Lines 1 and 3 state different sensitivities, 10 mV/Pa and 12 mV/Pa; none is used.",
	} {
		m := mustParse(t, header+"\n20 0\n20000 1\n")
		if m.Sensitivity != nil || !strings.Contains(strings.Join(m.Remarks, "\n"), want) {
			t.Errorf("%q: sensitivity %v, remarks %q; want a remark with %q", header, m.Sensitivity, m.Remarks, want)
		}
	}
}

func TestSPLOffset(t *testing.T) {
	for _, c := range []struct {
		header string
		want   float64
		ok     bool
		reason string
	}{
		{"sensitivity -24.5 dBFS at 94 dB SPL", 118.5, true, "input gain"},
		{"sensitivity -4.5 dBFS at 114 dB SPL", 118.5, true, "input gain"},
		{"sensitivity -24.5 dBFS", 0, false, "without the sound pressure level"},
		{"sensitivity 12.5 mV/Pa", 0, false, "converter"},
		{"-38.2 dB re 1 V/Pa", 0, false, "converter"},
		{"Sens Factor =-1.8dB", 0, false, "what it refers to"},
		{"no. 0042", 0, false, "no sensitivity"},
	} {
		got, ok, reason := mustParse(t, "# "+c.header+"\n20 0\n20000 1\n").SPLOffset()
		if !(math.Abs(got-c.want) <= exact) || ok != c.ok || !strings.Contains(reason, c.reason) {
			t.Errorf("%q: got %v, %v, %q; want %v, %v, %q", c.header, got, ok, reason, c.want, c.ok, c.reason)
		}
	}
}

func TestRemarks(t *testing.T) {
	third := "20 0\n25 0\n31.5 0\n40 0\n50 0\n63 0\n80 0\n100 0\n125 0\n160 0\n200 0\n250 0\n315 0\n400 0\n500 0\n630 0\n800 0\n1000 0\n1250 0\n1600 0\n" +
		"2000 0\n2500 0\n3150 0\n4000 0\n5000 0\n6300 0\n8000 0\n10000 0\n12500 0\n16000 0\n20000 0\n"
	for _, c := range []struct {
		name, text string
		want       []string // one per remark, in order
	}{
		{"nominal thirds, sign stated, nothing to say", "# freq, response dB\n" + third, nil},
		{"sign unknown", third, []string{"does not say which sign"}},
		{"correction", "# correction, dB\n" + third, []string{"speaks of a correction"}},
		{"a row missing", "# Hz response\n" + strings.Replace(third, "\n125 0\n", "\n", 1), []string{"in 1 place, most between 100 Hz and 160 Hz (0.68 octaves)"}},
		{"wide spacing outside 20 Hz to 20 kHz", "# Hz response\n1 0\n" + third + "96000 0\n", nil},
		{"range", "# Hz response\n" + strings.TrimPrefix(third, "20 0\n"), []string{"covers only 25 Hz to 20 kHz"}},
		{"0 Hz", "# Hz response\n0 -40\n" + third, []string{"line 2 dropped"}},
		{"order", "# Hz response\n20000 0\n" + strings.TrimSuffix(third, "20000 0\n"), []string{"have been sorted"}},
		{"equal rows", "# Hz response\n" + third + "20000 0\n20000 0\n", []string{"repeat another one were merged with it: 2"}},
		{"contradicting rows", "# Hz response\n" + third + "20000 0.4\n", []string{"Lines 32 and 33 give different values for the same frequency (by up to 0.40 dB); their mean"}},
		{"text with a number", "94 decibels\n# Hz response\n" + third, []string{`Line 1, "94 decibels", begins with a number`}},
		{"kHz", "# kHz response\n0.02 0\n0.025 0\n", []string{"in kHz, as line 1 says", "covers only 20 Hz to 25 Hz"}},
		{"three whole numbers a row", "20,0,0\n20000,1,-90\n", []string{"read as three columns", "no title", "sign", "Rows lie"}},
		{"three whole numbers a row under a title", "Hz,dB response,degrees\n20,0,0\n20000,1,-90\n", []string{"Rows lie"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := mustParse(t, c.text).Remarks
			if len(got) != len(c.want) {
				t.Fatalf("got %d remarks %q, want %d", len(got), got, len(c.want))
			}
			for i, want := range c.want {
				if !strings.Contains(got[i], want) {
					t.Errorf("remark %d is %q, want one with %q", i, got[i], want)
				}
			}
		})
	}
}

func TestContradictingRowsAreAveraged(t *testing.T) {
	m := mustParse(t, "20 0 0\n1000 0.2 178\n1000 0.6 -178\n1000 0.1 -177\n20000 1 180\n")
	if !near(m.DB, []float64{0, 0.3, 1}, exact) {
		t.Errorf("levels %v", m.DB)
	}
	// 178, 182 and 183 degrees: 181, which is -179 after a step from 0.
	if !near(m.Degrees, []float64{0, -179, -180}, 1e-6) {
		t.Errorf("phases %v", m.Degrees)
	}
}

func TestDeviation(t *testing.T) {
	m := mustParse(t, "100 -2 170\n400 2 -170\n1600 2 -150\n")
	for _, c := range []struct {
		hz, db, degrees float64
		covers          bool
	}{
		{1, -2, 170, false}, // held, no slope carried on
		{100, -2, 170, true},
		{200, 0, 180, true}, // half way on the axis of lg f
		{400, 2, 190, true},
		{800, 2, 200, true},
		{1600, 2, 210, true},
		{1600.001, 2, 210, false},
		{1e5, 2, 210, false},
	} {
		if got := m.DeviationDB(c.hz); !(math.Abs(got-c.db) <= exact) {
			t.Errorf("deviation at %v Hz = %v dB, want %v", c.hz, got, c.db)
		}
		if got, ok := m.PhaseDegrees(c.hz); !ok || !(math.Abs(got-c.degrees) <= exact) {
			t.Errorf("phase at %v Hz = %v, %v, want %v", c.hz, got, ok, c.degrees)
		}
		if got := m.Covers(c.hz); got != c.covers {
			t.Errorf("covers %v Hz: %v", c.hz, got)
		}
	}
	if from, to := m.Range(); from != 100 || to != 1600 {
		t.Errorf("range %v to %v", from, to)
	}
	if _, ok := mustParse(t, "20 0\n300 0\n").PhaseDegrees(25); ok {
		t.Error("a phase out of two columns")
	}
}

func TestPhaseThatIsContinuousStaysSo(t *testing.T) {
	m := mustParse(t, "20 0 -10\n1000 0 -200\n20000 0 -700\n")
	if want := []float64{-10, -200, -700}; !slices.Equal(m.Degrees, want) {
		t.Errorf("got %v, want %v", m.Degrees, want)
	}
}

// TestSummaryGolden holds the sentences against testdata/files, whose content is
// invented for this purpose; `go test
// -update` writes them anew.
func TestSummaryGolden(t *testing.T) {
	files, err := filepath.Glob("testdata/files/*")
	if err != nil {
		t.Fatal(err)
	}
	tried := 0
	for _, file := range files {
		if strings.HasSuffix(file, ".golden") {
			continue
		}
		tried++
		t.Run(filepath.Base(file), func(t *testing.T) {
			f, err := os.Open(file)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			m, err := Parse(f, filepath.Base(file))
			if err != nil {
				t.Fatal(err)
			}
			got := strings.Join(m.Summary(), "\n") + "\n"
			golden := file + ".golden"
			if *update {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(strings.ReplaceAll(string(want), "\r\n", "\n"), got); d != "" {
				t.Errorf("summary (-want +got):\n%s", d)
			}
		})
	}
	if tried == 0 {
		t.Error("no files in testdata/files")
	}
}

// TestAnyDialectReadsBack writes a random curve in a random dialect.
func TestAnyDialectReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 40).Draw(t, "rows")
		phased := rapid.Bool().Draw(t, "phase")
		// Frequencies in thousandths, levels in hundredths, phases in tenths.
		hz := rapid.SliceOfNDistinct(rapid.IntRange(1000, 40_000_000), n, n, rapid.ID[int]).Draw(t, "hz")
		// One frequency must lie above where a file in kHz may end.
		for hz[0] <= 1000*kilohertzEnd || slices.Contains(hz[1:], hz[0]) {
			hz[0] += 1000 * kilohertzEnd
		}
		rows := make([][]string, n)
		type key struct{ db, degrees float64 }
		want := map[float64]key{}
		kilo := rapid.Bool().Draw(t, "kHz")
		for i, h := range hz {
			db, deg := rapid.IntRange(-3000, 3000).Draw(t, "dB"), rapid.IntRange(-1800, 1800).Draw(t, "degrees")
			want[float64(h)/1000] = key{float64(db) / 100, float64(deg) / 10}
			f := fmt.Sprintf("%.3f", float64(h)/1000)
			if kilo {
				f = fmt.Sprintf("%.6f", float64(h)/1e6)
			}
			rows[i] = []string{f, fmt.Sprintf("%.2f", float64(db)/100)}
			if phased {
				rows[i] = append(rows[i], fmt.Sprintf("%.1f", float64(deg)/10))
			}
		}
		decimal := rapid.SampledFrom([]string{".", ","}).Draw(t, "decimal")
		separators := []string{"\t", " ", "   ", " \t ", ";", " ; ", ", ", ",\t"}
		if decimal == "." || phased { // "20,5,-1,2" is refused, "20,5,-1,2,0,0" is not
			separators = append(separators, ",")
		}
		separator := rapid.SampledFrom(separators).Draw(t, "separator")
		quotes := rapid.Bool().Draw(t, "quotes")
		mark := rapid.SampledFrom([]string{"#", "*", ";", "//", "%", "\""}).Draw(t, "comment")
		end := rapid.SampledFrom([]string{"\n", "\r\n", "\r"}).Draw(t, "line end")
		comment := func(s string) string {
			if mark == "\"" {
				return mark + s + mark
			}
			return mark + " " + s
		}
		lines := []string{comment("serial 0042, 1 kHz")}
		if kilo {
			lines = append(lines, comment("Frequency (kHz), level (dB), phase (deg)"))
		}
		for i, r := range rows {
			if decimal == "," {
				for j := range r {
					r[j] = strings.Replace(r[j], ".", ",", 1)
				}
			}
			if quotes {
				for j := range r {
					r[j] = `"` + r[j] + `"`
				}
			}
			if i == n/2 {
				lines = append(lines, "", comment("half way"))
			}
			lines = append(lines, strings.Join(r, separator))
		}
		text := strings.Join(lines, end)
		if rapid.Bool().Draw(t, "mark") {
			text = "\ufeff" + text
		}
		m, err := Parse(strings.NewReader(text), "mic.txt")
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if len(m.Hz) != n || (m.Degrees != nil) != phased {
			t.Fatalf("%d frequencies, phase %v; want %d, %v", len(m.Hz), m.Degrees != nil, n, phased)
		}
		for i, h := range m.Hz {
			w, ok := want[math.Round(h*1000)/1000]
			if !ok || !(math.Abs(m.DB[i]-w.db) <= exact) {
				t.Fatalf("%v Hz: %v dB, want %v", h, m.DB[i], w.db)
			}
			if phased && !(math.Abs(math.Remainder(m.Degrees[i]-w.degrees, 360)) <= 1e-6) {
				t.Fatalf("%v Hz: %v degrees, want %v", h, m.Degrees[i], w.degrees)
			}
		}
	})
}

func FuzzParse(f *testing.F) {
	files, _ := filepath.Glob("testdata/files/*")
	for _, file := range files {
		if b, err := os.ReadFile(file); err == nil {
			f.Add(b)
		}
	}
	for _, s := range []string{
		"20,5,1,2\n30,5,1,3", "\"20,5\",\"-1,2\"\n1000,0", "20,5, -1,2\n1000, 0", "20,0,0\n1000,1,-5", "Hz,dB\n20,5,1,2\n1000,5,1,3", "kHz,dB,deg\n1,0,0\n2,-0,05", "\xff\xfe2\x000\x00 \x001\x00\n\x00", "1 000 0.1\n2 000 0.2",
		"f/kHz dB rad\n1e-3 1 1\n2 2 2", ",,,\n;;\n\"\"\n", "# sens -24.5 dBFS @ 94 dB SPL\n0 0\n1 1\n1 1.5\n2 0",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := Parse(bytes.NewReader(b), "mic.txt")
		if err != nil {
			var e *SyntaxError
			if !errors.As(err, &e) || e.Error() == "" || e.Hint() == "" || m != nil {
				t.Fatalf("got %v and %#v", m, err)
			}
			return
		}
		if len(m.Hz) < 2 || len(m.DB) != len(m.Hz) || m.Degrees != nil && len(m.Degrees) != len(m.Hz) || m.Rows < len(m.Hz) {
			t.Fatalf("lengths %d, %d, %d of %d rows", len(m.Hz), len(m.DB), len(m.Degrees), m.Rows)
		}
		for i, hz := range m.Hz {
			if i > 0 && !(m.Hz[i-1] < hz) {
				t.Fatalf("not rising at %d: %v", i, m.Hz)
			}
			if !(hz >= minHz && hz <= maxHz) || !(math.Abs(m.DB[i]) <= maxDB) {
				t.Fatalf("%v Hz, %v dB", hz, m.DB[i])
			}
			if m.Degrees != nil && (math.IsNaN(m.Degrees[i]) || math.IsInf(m.Degrees[i], 0)) {
				t.Fatalf("phase %v", m.Degrees[i])
			}
		}
		for _, hz := range []float64{1e-6, 1000, math.Sqrt(m.Hz[0] * m.Hz[1]), 1e9} {
			if db := m.DeviationDB(hz); !(math.Abs(db) <= maxDB) {
				t.Fatalf("deviation at %v Hz = %v", hz, db)
			}
		}
		if s := m.Sensitivity; s != nil && (math.IsNaN(s.Value) || math.IsInf(s.Value, 0) || s.Unit == "" || s.Text == "") {
			t.Fatalf("sensitivity %+v", s)
		}
		if offset, ok, reason := m.SPLOffset(); math.IsNaN(offset) || math.IsInf(offset, 0) || reason == "" || !ok && offset != 0 {
			t.Fatalf("offset %v, %v, %q", offset, ok, reason)
		}
		if len(m.Summary()) < 5 {
			t.Fatalf("summary %q", m.Summary())
		}
	})
}

func BenchmarkParse(b *testing.B) {
	for _, c := range []struct{ name, separator, decimal string }{{"tabs", "\t", "."}, {"semicolons and decimal comma", ";", ","}, {"commas", ",", "."}} {
		b.Run(c.name, func(b *testing.B) {
			var text strings.Builder
			text.WriteString("# 10 000 rows\n")
			for i := range 10000 {
				row := fmt.Sprintf("%.4f%s%.3f%s%.2f\n", 10*math.Pow(10, float64(i)/2800), c.separator, math.Sin(float64(i)/500), c.separator, 10*math.Cos(float64(i)/500))
				if c.decimal == "," {
					row = strings.ReplaceAll(row, ".", ",")
				}
				text.WriteString(row)
			}
			file := text.String()
			b.SetBytes(int64(len(file)))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Parse(strings.NewReader(file), "mic.txt"); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkDeviationDB(b *testing.B) {
	m := &Microphone{}
	for i := range 10000 {
		m.Hz = append(m.Hz, 10*math.Pow(10, float64(i)/2800))
		m.DB = append(m.DB, math.Sin(float64(i)/500))
	}
	sum := 0.0
	for b.Loop() {
		sum += m.DeviationDB(1234.5)
	}
	_ = sum
}
