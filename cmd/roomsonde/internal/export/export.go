// Package export writes what roomsonde found out as files that other programs
// read: impulse responses as WAV, curves and decay times as CSV or as plain
// columns of text.
//
// Everything goes to an io.Writer; atomicfile.Write makes a file of it that is
// either whole or not there.
package export

import (
	"bufio"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"roomsonde/capture/wav"
	"roomsonde/deconv"
	"roomsonde/sweep/scale"
)

// Error says that something cannot be exported as asked.
type Error struct{ Problem, Remedy string }

// Error returns the problem.
func (e *Error) Error() string { return e.Problem }

// Hint says what to do next.
func (e *Error) Hint() string { return e.Remedy }

// Zero says where time zero sits in an exported impulse response. The zero
// value leaves it where it is kept.
type Zero struct {
	moved    bool
	preRollS float64
}

// ZeroAt puts time zero this many seconds after the file's beginning (at the
// nearest frame). What was kept before that is dropped; what was not kept is
// silence.
func ZeroAt(seconds float64) Zero { return Zero{true, seconds} }

// maxPreRollS is longer than any room answers.
const maxPreRollS = 60

// ParseZero understands "file" (as kept), "start" (time zero at frame 0) and a
// time from the file's beginning to time zero: "0.1" in seconds, or "100ms".
// The error is an *Error.
func ParseZero(s string) (Zero, error) {
	switch s = strings.TrimSpace(s); s {
	case "", "file":
		return Zero{}, nil
	case "start":
		return ZeroAt(0), nil
	}
	seconds, err := strconv.ParseFloat(s, 64)
	if err != nil {
		var d time.Duration
		d, err = time.ParseDuration(s)
		seconds = d.Seconds()
	}
	if err != nil || !(seconds >= 0 && seconds <= maxPreRollS) {
		return Zero{}, &Error{
			fmt.Sprintf("%q does not say where time zero is to sit", s),
			fmt.Sprintf("say file, start, or the time before it in seconds (0 to %d), as 0.1", maxPreRollS),
		}
	}
	return ZeroAt(seconds), nil
}

// String returns what ParseZero understands.
func (z Zero) String() string {
	switch {
	case !z.moved:
		return "file"
	case z.preRollS == 0:
		return "start"
	}
	return strconv.FormatFloat(z.preRollS, 'g', -1, 64)
}

// ImpulseOptions says how to write an impulse response. The zero value writes
// it as it is kept: 32-bit floats, unscaled, time zero where it is.
type ImpulseOptions struct {
	Encoding wav.Encoding
	Zero     Zero
	// Scale multiplies every sample. 0: 1.
	Scale float64
	// Normalise scales so that the largest sample is full scale (in integer
	// formats, one step of dither below it). Scale must then be 0.
	Normalise bool
	// Seed starts the generator of the dither of integer formats.
	Seed uint64
	// Comment is put before what the file says of itself.
	Comment string
}

// ImpulseInfo says what was written.
type ImpulseInfo struct {
	Frames    int
	ZeroFrame int     // where time zero sits
	Scale     float64 // what every sample was multiplied by
	PeakDBFS  float64 // of the file
	Comment   string  // as it stands in the file
}

// Impulse writes an impulse response as a mono WAV file. The file's INFO
// comment states the scale and where time zero sits. Beyond full scale an
// integer format is refused with a *wav.OverloadError unless the scale makes
// it fit; other errors are an *Error, those of wav.Write, or w's own.
func Impulse(w io.Writer, ir deconv.ImpulseResponse, o ImpulseOptions) (ImpulseInfo, error) {
	var info ImpulseInfo
	if ir.SampleRate != math.Trunc(ir.SampleRate) || !(ir.SampleRate > 0 && ir.SampleRate <= math.MaxInt32) {
		return info, &Error{fmt.Sprintf("a sample rate of %g Hz does not fit into a WAV file", ir.SampleRate), ""}
	}
	if ir.Zero < 0 || ir.Zero >= len(ir.Samples) {
		return info, &Error{fmt.Sprintf("time zero (frame %d) is not within the impulse response of %d frames", ir.Zero, len(ir.Samples)), ""}
	}
	if o.Normalise && o.Scale != 0 {
		return info, &Error{"an impulse response is either normalised or scaled, not both", "leave one of the two out"}
	}
	samples, zero, err := place(ir, o.Zero)
	if err != nil {
		return info, err
	}
	peak := 0.0
	for _, v := range samples {
		peak = max(peak, math.Abs(v))
	}
	info = ImpulseInfo{Frames: len(samples), ZeroFrame: zero, Scale: o.Scale}
	if info.Scale == 0 {
		info.Scale = 1
	}
	if o.Normalise {
		if !(peak > 0) {
			return ImpulseInfo{}, &Error{"the impulse response is silent, and cannot be normalised", "write it as it is"}
		}
		info.Scale = headroom(o.Encoding) / peak
	}
	info.PeakDBFS = scale.AmplitudeDB(peak * info.Scale)
	info.Comment = fmt.Sprintf("impulse response, recorded over played full scale times %s (%+.2f dB), time zero at frame %d",
		strconv.FormatFloat(info.Scale, 'g', -1, 64), scale.AmplitudeDB(info.Scale), zero)
	if o.Encoding == wav.PCM24 || o.Encoding == wav.PCM16 {
		info.Comment += ", TPDF dither"
	}
	if o.Comment != "" {
		info.Comment = o.Comment + "; " + info.Comment
	}
	err = wav.Write(w, int(ir.SampleRate), [][]float64{samples}, wav.Options{
		Encoding: o.Encoding, Scale: info.Scale, Seed: o.Seed, Comment: info.Comment,
	})
	if err != nil {
		return ImpulseInfo{}, err
	}
	return info, nil
}

// headroom returns the peak that a normalised file has.
func headroom(e wav.Encoding) float64 {
	switch e {
	case wav.PCM24:
		return 1 - math.Ldexp(1, -22)
	case wav.PCM16:
		return 1 - math.Ldexp(1, -14)
	}
	return 1
}

// place moves time zero. The result may share ir's samples.
func place(ir deconv.ImpulseResponse, z Zero) ([]float64, int, error) {
	if !z.moved {
		return ir.Samples, ir.Zero, nil
	}
	if !(z.preRollS >= 0 && z.preRollS <= maxPreRollS) {
		return nil, 0, &Error{fmt.Sprintf("time zero cannot sit %g s after the beginning", z.preRollS), fmt.Sprintf("say 0 to %d s", maxPreRollS)}
	}
	at := int(math.Round(z.preRollS * ir.SampleRate))
	if at <= ir.Zero {
		return ir.Samples[ir.Zero-at:], at, nil
	}
	return append(make([]float64, at-ir.Zero), ir.Samples...), at, nil
}

// Curve is a frequency response. MagnitudeDB and PhaseDegrees belong to the
// frequencies in Hz; PhaseDegrees may be nil. What is NaN or infinite is
// absent.
type Curve struct {
	Hz           []float64
	MagnitudeDB  []float64
	PhaseDegrees []float64
}

// Column is a further column of a CSV file.
type Column struct {
	Name   string // as in the header row: with its unit
	Values []float64
}

// CurveOptions says what else a curve's file holds.
type CurveOptions struct {
	Columns []Column // CSV only
	// About are lines that say what the curve is: source, smoothing. Text only:
	// CSV knows no comments.
	About []string
}

func (c Curve) check(o CurveOptions) error {
	if len(c.Hz) == 0 {
		return &Error{"the curve is empty", ""}
	}
	unequal := func(name string, n int) error {
		return &Error{fmt.Sprintf("%s has %d values for %d frequencies", name, n, len(c.Hz)), ""}
	}
	if len(c.MagnitudeDB) != len(c.Hz) {
		return unequal("the magnitude", len(c.MagnitudeDB))
	}
	if c.PhaseDegrees != nil && len(c.PhaseDegrees) != len(c.Hz) {
		return unequal("the phase", len(c.PhaseDegrees))
	}
	for _, col := range o.Columns {
		if len(col.Values) != len(c.Hz) {
			return unequal("column "+col.Name, len(col.Values))
		}
	}
	return nil
}

// Decimals written: finer than any measurement, and than the bins of a
// response of a minute. A value read back differs by half a unit of the last.
const (
	hzDecimals     = 6
	dbDecimals     = 4
	degreeDecimals = 3
	secondDecimals = 4
	shareDecimals  = 4
)

// number writes a value, always with a point, never with an exponent; "" for
// what is absent.
func number(x float64, decimals int) string {
	if x-x != 0 {
		return ""
	}
	s := strconv.FormatFloat(x, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-") // no minus zero
	}
	return s
}

// short drops the zeros at a number's end, and the point that they leave.
func short(s string) string {
	if !strings.Contains(s, ".") {
		return s
	}
	return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
}

// CurveCSV writes a curve as CSV after RFC 4180: a header row
// frequency_hz,magnitude_db,phase_deg and the names of further columns, then a
// row a frequency. Decimal points, lines ended by CRLF; a value that is absent
// is an empty field.
func CurveCSV(w io.Writer, c Curve, o CurveOptions) error {
	if err := c.check(o); err != nil {
		return err
	}
	out := newCSV(w)
	row := []string{"frequency_hz", "magnitude_db", "phase_deg"}
	for _, col := range o.Columns {
		row = append(row, col.Name)
	}
	out.Write(row)
	for i, hz := range c.Hz {
		row = append(row[:0], number(hz, hzDecimals), number(c.MagnitudeDB[i], dbDecimals), "")
		if c.PhaseDegrees != nil {
			row[2] = number(c.PhaseDegrees[i], degreeDecimals)
		}
		for _, col := range o.Columns {
			row = append(row, short(number(col.Values[i], hzDecimals)))
		}
		out.Write(row)
	}
	out.Flush()
	return out.Error()
}

func newCSV(w io.Writer) *csv.Writer {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	return out
}

// CurveText writes a curve as columns parted by tabs: Hz, dB and, where the
// curve has a phase, degrees. Lines that begin with # say what it is, and the
// last of them names the columns with their units. A frequency whose magnitude
// or phase is absent is left out.
//
// The sign # is the comment of gnuplot, NumPy and Octave; spreadsheets show
// such lines as text.
func CurveText(w io.Writer, c Curve, o CurveOptions) error {
	if err := c.check(o); err != nil {
		return err
	}
	out := bufio.NewWriter(w)
	for _, about := range o.About {
		for line := range strings.Lines(about) {
			fmt.Fprintf(out, "# %s\n", strings.TrimRight(line, "\r\n"))
		}
	}
	out.WriteString("# Hz\tdB")
	if c.PhaseDegrees != nil {
		out.WriteString("\tdegrees")
	}
	out.WriteString("\n")
	for i, hz := range c.Hz {
		row := []string{number(hz, hzDecimals), number(c.MagnitudeDB[i], dbDecimals)}
		if c.PhaseDegrees != nil {
			row = append(row, number(c.PhaseDegrees[i], degreeDecimals))
		}
		whole := true
		for _, field := range row {
			whole = whole && field != ""
		}
		if whole {
			fmt.Fprintln(out, strings.Join(row, "\t"))
		}
	}
	return out.Flush()
}

// Decay is a row of a table of decay times: one band. Nil is a value that was
// refused, and Reason says why.
type Decay struct {
	BandHz float64     // nominal mid-band frequency
	Width  scale.Width // octave or third
	// Decay times in s.
	EDTS, T20S, T30S *float64
	// Clarity in dB.
	C50DB, C80DB *float64
	D50          *float64 // definition, a share
	CentreTimeS  *float64
	Reason       string
}

// DecayCSV writes decay times as CSV after RFC 4180, with the header row
// band_hz,width,edt_s,t20_s,t30_s,c50_db,c80_db,d50,centre_time_s,reason. What was refused is an
// empty field.
func DecayCSV(w io.Writer, rows []Decay) error {
	if len(rows) == 0 {
		return &Error{"there are no decay times to write", ""}
	}
	out := newCSV(w)
	out.Write([]string{"band_hz", "width", "edt_s", "t20_s", "t30_s", "c50_db", "c80_db", "d50", "centre_time_s", "reason"})
	optional := func(x *float64, decimals int) string {
		if x == nil {
			return ""
		}
		return number(*x, decimals)
	}
	for _, r := range rows {
		out.Write([]string{
			strconv.FormatFloat(r.BandHz, 'f', -1, 64), r.Width.String(),
			optional(r.EDTS, secondDecimals), optional(r.T20S, secondDecimals), optional(r.T30S, secondDecimals),
			optional(r.C50DB, dbDecimals), optional(r.C80DB, dbDecimals), optional(r.D50, shareDecimals), optional(r.CentreTimeS, secondDecimals), r.Reason,
		})
	}
	out.Flush()
	return out.Error()
}
