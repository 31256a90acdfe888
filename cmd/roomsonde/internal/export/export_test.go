package export

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"roomsonde/capture/wav"
	"roomsonde/deconv"
	"roomsonde/sweep/scale"
)

func response() deconv.ImpulseResponse {
	return deconv.ImpulseResponse{SampleRate: 1000, Samples: []float64{0.125, -0.25, 2, 0.5, -0.0625}, Zero: 2}
}

func TestImpulse(t *testing.T) {
	for _, c := range []struct {
		name string
		o    ImpulseOptions
		want []float64
		info ImpulseInfo
	}{
		{"as kept", ImpulseOptions{}, []float64{0.125, -0.25, 2, 0.5, -0.0625}, ImpulseInfo{5, 2, 1, 6.0206, "times 1 (+0.00 dB), time zero at frame 2"}},
		{"start", ImpulseOptions{Zero: ZeroAt(0)}, []float64{2, 0.5, -0.0625}, ImpulseInfo{3, 0, 1, 6.0206, "frame 0"}},
		{"less before", ImpulseOptions{Zero: ZeroAt(0.001)}, []float64{-0.25, 2, 0.5, -0.0625}, ImpulseInfo{4, 1, 1, 6.0206, "frame 1"}},
		{"as much before", ImpulseOptions{Zero: ZeroAt(0.002)}, []float64{0.125, -0.25, 2, 0.5, -0.0625}, ImpulseInfo{5, 2, 1, 6.0206, "frame 2"}},
		{"more before", ImpulseOptions{Zero: ZeroAt(0.004)}, []float64{0, 0, 0.125, -0.25, 2, 0.5, -0.0625}, ImpulseInfo{7, 4, 1, 6.0206, "frame 4"}},
		{"nearest frame", ImpulseOptions{Zero: ZeroAt(0.0014)}, []float64{-0.25, 2, 0.5, -0.0625}, ImpulseInfo{4, 1, 1, 6.0206, ""}},
		{"scaled", ImpulseOptions{Scale: 0.25, Comment: "left"}, []float64{0.03125, -0.0625, 0.5, 0.125, -0.015625}, ImpulseInfo{5, 2, 0.25, -6.0206, "left; impulse response, recorded over played full scale times 0.25 (-12.04 dB)"}},
		{"normalised", ImpulseOptions{Normalise: true}, []float64{0.0625, -0.125, 1, 0.25, -0.03125}, ImpulseInfo{5, 2, 0.5, 0, "times 0.5 (-6.02 dB)"}},
	} {
		ir := response()
		var b bytes.Buffer
		info, err := Impulse(&b, ir, c.o)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		f, err := wav.Read(&b)
		if err != nil {
			t.Fatal(err)
		}
		if len(f.Channels) != 1 || !slices.Equal(f.Channels[0], c.want) || f.SampleRate != 1000 || f.Format != "32-bit float" {
			t.Errorf("%s: got %+v, want %v", c.name, f, c.want)
		}
		if info.Frames != c.info.Frames || info.ZeroFrame != c.info.ZeroFrame || info.Scale != c.info.Scale || !(math.Abs(info.PeakDBFS-c.info.PeakDBFS) < 1e-4) {
			t.Errorf("%s: says %+v, want %+v", c.name, info, c.info)
		}
		if f.Comment != info.Comment || !strings.Contains(f.Comment, c.info.Comment) {
			t.Errorf("%s: the file says %q, want %q", c.name, f.Comment, c.info.Comment)
		}
		if !slices.Equal(ir.Samples, response().Samples) {
			t.Errorf("%s: the input was changed", c.name)
		}
	}
}

func TestImpulseIntegers(t *testing.T) {
	for _, e := range []wav.Encoding{wav.PCM24, wav.PCM16} {
		var over *wav.OverloadError
		if _, err := Impulse(io.Discard, response(), ImpulseOptions{Encoding: e}); !errors.As(err, &over) || !(math.Abs(over.PeakDBFS-6.0206) < 1e-4) {
			t.Errorf("%v beyond full scale: %v", e, err)
		}
		for _, o := range []ImpulseOptions{{Encoding: e, Normalise: true}, {Encoding: e, Scale: 0.25}} {
			var b bytes.Buffer
			info, err := Impulse(&b, response(), o)
			if err != nil {
				t.Fatal(err)
			}
			f, err := wav.Read(&b)
			if err != nil {
				t.Fatal(err)
			}
			steps := map[wav.Encoding]float64{wav.PCM24: 1 << 23, wav.PCM16: 1 << 15}[e]
			for n, v := range response().Samples {
				// 1.5 steps: dither and rounding.
				if d := math.Abs(f.Channels[0][n] - v*info.Scale); !(d <= 1.5/steps) {
					t.Errorf("%v, frame %d: %g, want %g", e, n, f.Channels[0][n], v*info.Scale)
				}
			}
			if !strings.Contains(f.Comment, "TPDF dither") || f.Format != e.String() {
				t.Errorf("%v: comment %q, format %s", e, f.Comment, f.Format)
			}
		}
	}
}

func TestImpulseRefuses(t *testing.T) {
	silent := deconv.ImpulseResponse{SampleRate: 48000, Samples: make([]float64, 5)}
	odd, outside := response(), response()
	odd.SampleRate, outside.Zero = 44100.5, 5
	for name, f := range map[string]func(io.Writer) error{
		"rate": func(w io.Writer) error { _, err := Impulse(w, odd, ImpulseOptions{}); return err },
		"zero": func(w io.Writer) error { _, err := Impulse(w, outside, ImpulseOptions{}); return err },
		"empty": func(w io.Writer) error {
			_, err := Impulse(w, deconv.ImpulseResponse{SampleRate: 48000}, ImpulseOptions{})
			return err
		},
		"silent": func(w io.Writer) error { _, err := Impulse(w, silent, ImpulseOptions{Normalise: true}); return err },
		"both": func(w io.Writer) error {
			_, err := Impulse(w, response(), ImpulseOptions{Normalise: true, Scale: 2})
			return err
		},
		"negative": func(w io.Writer) error {
			_, err := Impulse(w, response(), ImpulseOptions{Zero: ZeroAt(-1)})
			return err
		},
		"NaN": func(w io.Writer) error {
			_, err := Impulse(w, response(), ImpulseOptions{Zero: ZeroAt(math.NaN())})
			return err
		},
		"magnitude": func(w io.Writer) error { return CurveCSV(w, Curve{Hz: []float64{1}}, CurveOptions{}) },
		"phase": func(w io.Writer) error {
			return CurveText(w, Curve{Hz: []float64{1}, MagnitudeDB: []float64{1}, PhaseDegrees: []float64{}}, CurveOptions{})
		},
		"no curve": func(w io.Writer) error { return CurveText(w, Curve{}, CurveOptions{}) },
		"column": func(w io.Writer) error {
			return CurveCSV(w, Curve{Hz: []float64{1}, MagnitudeDB: []float64{1}}, CurveOptions{Columns: []Column{{"x", nil}}})
		},
		"no decay": func(w io.Writer) error { return DecayCSV(w, nil) },
	} {
		var b bytes.Buffer
		var e *Error
		if err := f(&b); !errors.As(err, &e) || b.Len() != 0 {
			t.Errorf("%s: %v, and %d bytes", name, err, b.Len())
		}
	}
}

func TestParseZero(t *testing.T) {
	for s, want := range map[string]Zero{
		"": {}, "file": {}, "start": ZeroAt(0), "0": ZeroAt(0), "0.1": ZeroAt(0.1), " 0.1s ": ZeroAt(0.1), "100ms": ZeroAt(0.1), "1e-3": ZeroAt(0.001),
	} {
		got, err := ParseZero(s)
		if err != nil || got != want {
			t.Errorf("%q: %+v, %v", s, got, err)
		}
		if again, err := ParseZero(got.String()); err != nil || again != got {
			t.Errorf("%q is written as %q, which means %+v, %v", s, got, again, err)
		}
	}
	for _, s := range []string{"peak", "-0.1", "NaN", "Inf", "61", "1 m", "1h"} {
		var e *Error
		if got, err := ParseZero(s); !errors.As(err, &e) || e.Hint() == "" {
			t.Errorf("%q: %+v, %v", s, got, err)
		}
	}
}

func TestCurveFiles(t *testing.T) {
	c := Curve{
		Hz: []float64{20, 31.25, 1000.0000004, 20000}, MagnitudeDB: []float64{-3.00004, 0, math.NaN(), 12.34567},
		PhaseDegrees: []float64{-179.9999, -0.0001, 10, math.Inf(1)},
	}
	var b bytes.Buffer
	if err := CurveCSV(&b, c, CurveOptions{Columns: []Column{{"noise, db", []float64{1, 2, 3, 4e-9}}}}); err != nil {
		t.Fatal(err)
	}
	want := "frequency_hz,magnitude_db,phase_deg,\"noise, db\"\r\n20.000000,-3.0000,-180.000,1\r\n31.250000,0.0000,0.000,2\r\n" +
		"1000.000000,,10.000,3\r\n20000.000000,12.3457,,0\r\n"
	if b.String() != want {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
	b.Reset()
	if err := CurveText(&b, c, CurveOptions{About: []string{"left, main\n1/6 octave", "take 7"}}); err != nil {
		t.Fatal(err)
	}
	want = "# left, main\n# 1/6 octave\n# take 7\n# Hz\tdB\tdegrees\n20.000000\t-3.0000\t-180.000\n31.250000\t0.0000\t0.000\n"
	if b.String() != want {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
	c.PhaseDegrees = nil
	b.Reset()
	if err := CurveText(&b, c, CurveOptions{}); err != nil {
		t.Fatal(err)
	}
	want = "# Hz\tdB\n20.000000\t-3.0000\n31.250000\t0.0000\n20000.000000\t12.3457\n"
	if b.String() != want {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
}

func TestDecayCSV(t *testing.T) {
	half, clarity := 0.51239, -1.5
	var b bytes.Buffer
	err := DecayCSV(&b, []Decay{
		{BandHz: 31.5, Width: scale.Octave, Reason: `only 12 dB above the noise, "35" needed`},
		{BandHz: 1000, Width: scale.Third, EDTS: &half, T20S: &half, T30S: &half, C50DB: &clarity, C80DB: &clarity, D50: &half, CentreTimeS: &half},
	})
	if err != nil {
		t.Fatal(err)
	}
	want := "band_hz,width,edt_s,t20_s,t30_s,c50_db,c80_db,d50,centre_time_s,reason\r\n31.5,octave,,,,,,,,\"only 12 dB above the noise, \"\"35\"\" needed\"\r\n" +
		"1000,third,0.5124,0.5124,0.5124,-1.5000,-1.5000,0.5124,0.5124,\r\n"
	if b.String() != want {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
}

// Every finite value comes back from CSV to half a unit of its last decimal.
func TestCurveCSVProperty(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		n := rapid.IntRange(1, 50).Draw(r, "n")
		hz := rapid.SliceOfN(rapid.Float64Range(0, 96000), n, n).Draw(r, "hz")
		db := rapid.SliceOfN(rapid.Float64Range(-400, 400), n, n).Draw(r, "db")
		phase := rapid.SliceOfN(rapid.Float64Range(-180, 180), n, n).Draw(r, "phase")
		var b bytes.Buffer
		if err := CurveCSV(&b, Curve{hz, db, phase}, CurveOptions{}); err != nil {
			r.Fatal(err)
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil || len(rows) != n+1 {
			r.Fatalf("%d rows, %v", len(rows), err)
		}
		for i, row := range rows[1:] {
			for j, want := range []float64{hz[i], db[i], phase[i]} {
				got, err := strconv.ParseFloat(row[j], 64)
				half := []float64{0.5e-6, 0.5e-4, 0.5e-3}[j]
				if d := math.Abs(got - want); err != nil || !(d <= half*1.0001) {
					r.Fatalf("row %d: %v, want %g", i, row, want)
				}
			}
		}
	})
}

var errFull = errors.New("no room")

type limited struct{ room int }

func (l *limited) Write(p []byte) (int, error) {
	if n := l.room; len(p) > n {
		l.room = 0
		return n, errFull
	}
	l.room -= len(p)
	return len(p), nil
}

// A writer that fails is reported, wherever it fails.
func TestFullDisk(t *testing.T) {
	n := 2000
	c := Curve{make([]float64, n), make([]float64, n), make([]float64, n)}
	long := deconv.ImpulseResponse{SampleRate: 48000, Samples: make([]float64, 30000)}
	for name, f := range map[string]func(io.Writer) error{
		"impulse": func(w io.Writer) error { _, err := Impulse(w, long, ImpulseOptions{}); return err },
		"csv":     func(w io.Writer) error { return CurveCSV(w, c, CurveOptions{}) },
		"text":    func(w io.Writer) error { return CurveText(w, c, CurveOptions{}) },
		"decay":   func(w io.Writer) error { return DecayCSV(w, make([]Decay, n)) },
	} {
		var b bytes.Buffer
		if err := f(&b); err != nil {
			t.Fatal(err)
		}
		for _, room := range []int{0, 100, b.Len() / 2, b.Len() - 1} {
			if err := f(&limited{room}); !errors.Is(err, errFull) {
				t.Errorf("%s, room for %d of %d bytes: %v", name, room, b.Len(), err)
			}
		}
		if err := f(&limited{b.Len()}); err != nil {
			t.Errorf("%s, just enough room: %v", name, err)
		}
	}
}

func ExampleCurveText() {
	var b strings.Builder
	CurveText(&b, Curve{Hz: []float64{20, 40}, MagnitudeDB: []float64{-6.02, 0.5}}, CurveOptions{About: []string{"1/6 octave"}})
	fmt.Print(strings.ReplaceAll(b.String(), "\t", " | "))
	// Output:
	// # 1/6 octave
	// # Hz | dB
	// 20.000000 | -6.0200
	// 40.000000 | 0.5000
}
