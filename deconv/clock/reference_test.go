package clock

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"roomsonde/deconv/internal/taketest"
	"roomsonde/sweep"
	"roomsonde/sweep/scale/outsidetest"
)

// run sends samples through an outside tool as raw float32, little endian.
func run(t *testing.T, x []float32, command func(in, out string) *exec.Cmd) []float32 {
	t.Helper()
	dir := t.TempDir()
	in, out := filepath.Join(dir, "in.f32"), filepath.Join(dir, "out.f32")
	raw := make([]byte, 0, 4*len(x))
	for _, v := range x {
		raw = binary.LittleEndian.AppendUint32(raw, math.Float32bits(v))
	}
	if err := os.WriteFile(in, raw, 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := command(in, out)
	if text, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", cmd, err, text)
	}
	raw, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	y := make([]float32, len(raw)/4)
	for i := range y {
		y[i] = math.Float32frombits(binary.LittleEndian.Uint32(raw[4*i:]))
	}
	return y
}

// SoX's `speed` and `rate -v` make the second clock: speed 1+δ plays faster, so
// that the recorder takes fewer frames, and SoX's resampler, which is not ours, works
// them out. (SoX 14.4.2, libsox effects speed and rate, very high quality.)
func TestAgainstSoX(t *testing.T) {
	const tolPPM, tolSubPPM = 0.05, 1.0
	sox := outsidetest.Tool(t, "sox")
	format := func(rate string) []string {
		return []string{"-t", "raw", "-e", "float", "-b", "32", "-r", rate, "-c", "1"}
	}
	for _, stopHz := range []float64{20000, 500} {
		p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{StartHz: 10, StopHz: stopHz, Seconds: 10}, Marks: true})
		y := taketest.Convolve(p.Samples(), taketest.Room(48000, 300, 0.4, 3))
		x := taketest.Noisy(append(y, make([]float64, 30000)...), 0, 1)
		for _, skew := range []float64{50e-6, -200e-6, 500e-6} {
			rec := run(t, x, func(in, out string) *exec.Cmd {
				args := append(format("48000"), in)
				args = append(append(args, format("48000")...), out, "speed", fmt.Sprintf("%.9f", 1+skew), "rate", "-v", "48000")
				return exec.Command(sox, args...)
			})
			got := located(t, rec, p, true)
			tol := tolPPM
			if stopHz == 500 {
				tol = tolSubPPM
			}
			off := 1e6 * (got.Skew - skew)
			t.Logf("up to %g Hz, %g ppm: off by %.4f ppm", stopHz, 1e6*skew, off)
			if !got.Known || !(math.Abs(off) <= tol) {
				t.Errorf("up to %g Hz, %g ppm: off by %.4f ppm, want within %g", stopHz, 1e6*skew, off, tol)
			}
		}
	}
}

// SciPy evaluates the sinc series itself, at positions m·(1+δ): 100 terms to
// either side under a Blackman-Harris window (scipy.signal.windows, SciPy 1.10).
func TestSkewAgainstSciPy(t *testing.T) {
	const tolPPM = 0.05
	python := outsidetest.Python(t)
	p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{StartHz: 20, StopHz: 20000, Seconds: 3}, Marks: true})
	y := taketest.Convolve(p.Samples(), taketest.Room(48000, 300, 0.3, 3))
	for _, skew := range []float64{123.4e-6, -350e-6} {
		rec := run(t, taketest.Noisy(y, 0, 1), func(in, out string) *exec.Cmd {
			return exec.Command(python, "-c", `
import sys
import numpy as np
from scipy.signal import windows
x = np.fromfile(sys.argv[1], '<f4').astype(float)
h = 100
fine = windows.blackmanharris(2 * h * 256 + 1, sym=True)
grid = np.arange(2 * h * 256 + 1) / 256 - h
out = np.zeros(len(x))
at = np.arange(len(x)) * (1 + float(sys.argv[3]))
whole = np.floor(at).astype(int)
padded = np.concatenate([np.zeros(h), x, np.zeros(2 * h)])
ok = whole < len(x)
at, whole = at[ok], whole[ok]
for j in range(-h + 1, h + 1):
    d = at - whole - j
    out[:len(at)] += padded[whole + j + h] * np.sinc(d) * np.interp(d, grid, fine)
out.astype('<f4').tofile(sys.argv[2])
`, in, out, fmt.Sprint(skew))
		})
		got := located(t, rec, p, true)
		off := 1e6 * (got.Skew - skew)
		t.Logf("%g ppm: off by %.4f ppm", 1e6*skew, off)
		if !got.Known || !(math.Abs(off) <= tolPPM) {
			t.Errorf("%g ppm: off by %.4f ppm, want within %g", 1e6*skew, off, tolPPM)
		}
	}
}

// SciPy's polyphase resampler at 160/147, with a filter far longer than its
// default one, against Resample: the same below 19 kHz.
func TestResampleAgainstSciPy(t *testing.T) {
	const tolDB = -90
	python := outsidetest.Python(t)
	p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{SampleRate: 44100, StartHz: 20, StopHz: 19000, Seconds: 2}})
	x := p.Samples()
	for _, c := range [][2]int{{160, 147}, {1, 2}} {
		want := run(t, x, func(in, out string) *exec.Cmd {
			return exec.Command(python, "-c", `
import sys
import numpy as np
from scipy import signal
x = np.fromfile(sys.argv[1], '<f4').astype(float)
up, down = int(sys.argv[3]), int(sys.argv[4])
m = max(up, down)
b = signal.firwin(2 * 128 * m + 1, 1 / m, window=('kaiser', 12))
signal.resample_poly(x, up, down, window=b).astype('<f4').tofile(sys.argv[2])
`, in, out, fmt.Sprint(c[0]), fmt.Sprint(c[1]))
		})
		got := Resample(x, float64(c[1])/float64(c[0]))
		if d := len(got) - len(want); d < -1 || d > 1 {
			t.Fatalf("%d/%d: %d frames, and SciPy has %d", c[0], c[1], len(got), len(want))
		}
		// Where the sweep is inside both pass bands.
		from := p.Starts(sweep.KindSweep)[0] * c[0] / c[1]
		top := 18500.0
		if c[0] < c[1] {
			top = 9500
		}
		to := from + int(p.Sweep.TimeAt(top)*44100)*c[0]/c[1]
		var left, all float64
		for i := from; i < to; i++ {
			d := float64(got[i]) - float64(want[i])
			left += d * d
			all += float64(want[i]) * float64(want[i])
		}
		db := 10 * math.Log10(left/all)
		t.Logf("%d/%d: %.1f dB", c[0], c[1], db)
		if !(db <= tolDB) {
			t.Errorf("%d/%d: differs from SciPy's by %.1f dB, want at most %d", c[0], c[1], db, tolDB)
		}
	}
}
