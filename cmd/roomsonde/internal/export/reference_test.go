package export

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"roomsonde/capture/wav"
	"roomsonde/capture/wav/atomicfile"
	"roomsonde/deconv"
	"roomsonde/sweep/scale"
	"roomsonde/sweep/scale/outsidetest"
)

// The outside ring: FFmpeg 5.1 convolves with our files, NumPy does the same
// in the time domain; NumPy and Python's csv read our tables. Scripts:
// testdata/reference/export_*.py.

const scripts = "../../../../testdata/reference/"

func output(t *testing.T, name string, args ...string) []byte {
	t.Helper()
	cmd := exec.Command(name, args...)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", filepath.Base(name), strings.Join(args, " "), err, stderr.String())
	}
	return out
}

func save(t *testing.T, path string, write func(io.Writer) error) {
	t.Helper()
	if err := atomicfile.Write(path, atomicfile.Options{}, write); err != nil {
		t.Fatal(err)
	}
}

func saveRaw(t *testing.T, path string, x []float64) {
	t.Helper()
	save(t, path, func(w io.Writer) error { return binary.Write(w, binary.LittleEndian, x) })
}

func floats(t *testing.T, b []byte) []float64 {
	t.Helper()
	x := make([]float64, len(b)/8)
	if err := binary.Read(bytes.NewReader(b), binary.LittleEndian, x); err != nil {
		t.Fatal(err)
	}
	return x
}

func largestDifference(t *testing.T, a, b []float64) float64 {
	t.Helper()
	if len(a) != len(b) || len(a) == 0 {
		t.Fatalf("%d samples against %d", len(a), len(b))
	}
	d := 0.0
	for i := range a {
		if e := math.Abs(a[i] - b[i]); !(e <= d) {
			d = e
		}
	}
	return d
}

// A signal through FFmpeg's afir with our file is NumPy's convolution with
// what libsndfile reads from the same file, to the precision of 64-bit
// arithmetic; and it is the convolution with the response that was exported,
// to the precision of the format.
func TestConvolvedByFFmpeg(t *testing.T) {
	ffmpeg, python := outsidetest.Tool(t, "ffmpeg"), outsidetest.Python(t)
	const rate, frames, length = 48000, 16000, 6000
	// afir works by Fourier transforms in 64 bits; the convolution reaches
	// about 5, its rounding some 1e-15 of that. (-240 dB)
	const tolSame = 1e-12
	rng := rand.New(rand.NewPCG(11, 3))
	signal := make([]float64, frames)
	sumSignal := 0.0
	for n := range signal {
		signal[n] = math.Max(-1, math.Min(1, rng.NormFloat64()/4))
		sumSignal += math.Abs(signal[n])
	}
	ir := deconv.ImpulseResponse{SampleRate: rate, Samples: make([]float64, length), Zero: 480}
	sumResponse := 0.0
	for n := range ir.Samples {
		ir.Samples[n] = 0.2 * rng.NormFloat64() * math.Exp(-float64(n)/800)
		sumResponse += math.Abs(ir.Samples[n])
	}
	dir := t.TempDir()
	in, truth := filepath.Join(dir, "signal.wav"), filepath.Join(dir, "truth.f64")
	if err := wav.WriteFile(in, rate, [][]float64{signal}, wav.Options{Encoding: wav.Float64}); err != nil {
		t.Fatal(err)
	}
	saveRaw(t, filepath.Join(dir, "signal.f64"), signal)
	saveRaw(t, truth, ir.Samples)
	args := []string{scripts + "export_convolve.py", filepath.Join(dir, "signal.f64"), truth}
	type exported struct {
		path  string
		bound float64 // of the difference that the format makes
	}
	var files []exported
	for e, bound := range map[wav.Encoding]float64{
		wav.Float32: sumResponse * math.Ldexp(1, -24), // half a unit of a 24-bit mantissa in each sample
		wav.PCM24:   1.5 * math.Ldexp(1, -23) * sumSignal,
	} {
		f := exported{filepath.Join(dir, fmt.Sprintf("%d.wav", e)), bound}
		save(t, f.path, func(w io.Writer) error {
			_, err := Impulse(w, ir, ImpulseOptions{Encoding: e})
			return err
		})
		files, args = append(files, f), append(args, f.path)
	}
	output(t, python, args...)
	convolved := func(path string) []float64 {
		b, err := os.ReadFile(path + ".convolved")
		if err != nil {
			t.Fatal(err)
		}
		return floats(t, b)
	}
	want := convolved(truth)
	convolve := func(path string) []float64 {
		// Without its automatic gain, and in 64 bits; its default is neither.
		return floats(t, output(t, ffmpeg, "-v", "error", "-i", in, "-i", path, "-filter_complex",
			"[1:a]aformat=sample_fmts=dblp[h];[0:a][h]afir=gtype=none:irgain=1:dry=1:wet=1:precision=double", "-f", "f64le", "-"))
	}
	// FFmpeg 5.1.9's afir doubles the level all the same. How much it does is
	// taken from a unit impulse in a file that FFmpeg wrote itself, so that
	// nothing of ours enters into it.
	unit := filepath.Join(dir, "unit.wav")
	output(t, ffmpeg, "-v", "error", "-f", "lavfi", "-i", fmt.Sprintf("aevalsrc='eq(n,0)':s=%d:d=0.1", rate), "-c:a", "pcm_f64le", unit)
	gain, energy := 0.0, 0.0
	for n, v := range convolve(unit) {
		gain += v * signal[n]
		energy += signal[n] * signal[n]
	}
	gain /= energy
	if d := math.Abs(math.Log2(gain) - math.Round(math.Log2(gain))); !(d <= tolSame) {
		t.Fatalf("afir multiplies by %g, which is no power of two", gain)
	}
	for _, f := range files {
		got := convolve(f.path)
		for n := range got {
			got[n] /= gain
		}
		if d := largestDifference(t, got, convolved(f.path)); !(d <= tolSame) {
			t.Errorf("%s: FFmpeg and NumPy differ by %g, allowed %g", filepath.Base(f.path), d, tolSame)
		} else {
			t.Logf("%s: FFmpeg and NumPy differ by %.1e", filepath.Base(f.path), d)
		}
		if d := largestDifference(t, got, want); !(d <= f.bound) {
			t.Errorf("%s: FFmpeg with our file differs from the truth by %g, the format allows %g", filepath.Base(f.path), d, f.bound)
		} else {
			t.Logf("%s: differs from the truth by %.1e, the format allows %.1e", filepath.Base(f.path), d, f.bound)
		}
	}
}

func TestTablesReadByOthers(t *testing.T) {
	python := outsidetest.Python(t)
	const n = 500
	rng := rand.New(rand.NewPCG(1, 2))
	c := Curve{make([]float64, n), make([]float64, n), make([]float64, n)}
	for i := range n {
		c.Hz[i] = 20 * math.Pow(1000, float64(i)/(n-1))
		c.MagnitudeDB[i], c.PhaseDegrees[i] = 20*rng.NormFloat64(), 360*rng.Float64()-180
	}
	c.MagnitudeDB[7] = math.NaN()
	edt := 0.4321
	rows := []Decay{{BandHz: 31.5, Width: scale.Octave, EDTS: &edt, Reason: "T30: 28 dB, \"45\" needed;\nsee the noise"}}
	dir := t.TempDir()
	paths := []string{filepath.Join(dir, "curve.csv"), filepath.Join(dir, "curve.txt"), filepath.Join(dir, "decay.csv")}
	o := CurveOptions{About: []string{"left; 1/6 octave", "größer"}, Columns: []Column{{"noise_db", c.MagnitudeDB}}}
	save(t, paths[0], func(w io.Writer) error { return CurveCSV(w, c, o) })
	save(t, paths[1], func(w io.Writer) error { return CurveText(w, c, o) })
	save(t, paths[2], func(w io.Writer) error { return DecayCSV(w, rows) })
	var seen struct {
		Curve, Decay []map[string]string
		Text         [][]float64
	}
	if err := json.Unmarshal(output(t, python, append([]string{scripts + "export_read.py"}, paths...)...), &seen); err != nil {
		t.Fatal(err)
	}
	if len(seen.Curve) != n || len(seen.Text) != n-1 || len(seen.Decay) != 1 {
		t.Fatalf("%d rows, %d lines, %d bands", len(seen.Curve), len(seen.Text), len(seen.Decay))
	}
	near := func(what string, got, want, tol float64) {
		t.Helper()
		if d := math.Abs(got - want); !(d <= tol) {
			t.Errorf("%s: %g, want %g ± %g", what, got, want, tol)
		}
	}
	parse := func(s string) float64 {
		t.Helper()
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Error(err)
		}
		return v
	}
	const halfHz, halfDB, halfDegree = 0.51e-6, 0.51e-4, 0.51e-3 // of the last decimal, and its own rounding
	line := 0
	for i := range n {
		row := seen.Curve[i]
		near("frequency in CSV", parse(row["frequency_hz"]), c.Hz[i], halfHz)
		near("phase in CSV", parse(row["phase_deg"]), c.PhaseDegrees[i], halfDegree)
		if i == 7 {
			if row["magnitude_db"] != "" || row["noise_db"] != "" {
				t.Errorf("an absent value is read as %q", row)
			}
			continue
		}
		near("magnitude in CSV", parse(row["magnitude_db"]), c.MagnitudeDB[i], halfDB)
		near("further column", parse(row["noise_db"]), c.MagnitudeDB[i], halfHz)
		near("frequency in text", seen.Text[line][0], c.Hz[i], halfHz)
		near("magnitude in text", seen.Text[line][1], c.MagnitudeDB[i], halfDB)
		near("phase in text", seen.Text[line][2], c.PhaseDegrees[i], halfDegree)
		line++
	}
	d := seen.Decay[0]
	if d["band_hz"] != "31.5" || d["width"] != "octave" || d["edt_s"] != "0.4321" || d["t30_s"] != "" || strings.ReplaceAll(d["reason"], "\r\n", "\n") != rows[0].Reason {
		t.Errorf("decay read as %q", d)
	}
}
