package modelroom

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"roomsonde/capture"
	"roomsonde/sweep/scale"
	"roomsonde/sweep/scale/outsidetest"
)

// Rigid rectangular rooms: mode frequencies f = (c/2)·sqrt(Σ(n_i/L_i)²)
// (M. Long, Architectural Acoustics, Eq. 8.43; H. Kuttruff, Room Acoustics,
// 3.1; both as transcribed for this project).
func TestModeFrequenciesAgainstTables(t *testing.T) {
	for _, c := range []struct {
		size  point
		speed float64
		want  []float64 // Hz, lowest first
		tol   float64   // half the last digit given
	}{
		// 5 x 4 x 2.5 m, c = 343.2 m/s: worked out with NumPy from the formula.
		{point{5, 4, 2.5}, 343.2, []float64{
			34.320, 42.900, 54.939, 68.640, 68.640, 76.742, 80.944, 80.944, 85.800,
			87.919, 92.409, 97.072, 102.960, 106.129, 109.878, 109.878, 111.540,
			115.113, 123.743, 128.700, 129.555, 130.968, 133.197, 134.024, 137.280, 137.280,
		}, 0.0005001},
		// 0.8 x 0.5 x 0.3 m, c = 343.9 m/s: the array of another
		// implementation's own test, in units of 100 Hz.
		{point{0.8, 0.5, 0.3}, 343.9, []float64{
			214.9375, 343.9, 405.5432639142833, 429.875, 550.5086063132890,
			573.1666666666666, 612.1422683363956, 644.8125, 668.4214522124330, 687.8,
		}, 1e-9},
	} {
		orders := modeOrders(c.size, c.want[len(c.want)-1]+0.01, c.speed)
		if len(orders) != len(c.want) {
			t.Errorf("%v m: %d modes, want %d", c.size, len(orders), len(c.want))
			continue
		}
		for i, o := range orders {
			if got := modeHz(c.size, o, c.speed); !(math.Abs(got-c.want[i]) <= c.tol) {
				t.Errorf("%v m: mode %d %v at %.6f Hz, want %.6f", c.size, i, o, got, c.want[i])
			}
		}
	}
	// The room mode count of the same sources: 65 modes up to 200 Hz.
	if got := len(modeOrders(point{5, 4, 2.5}, 200, 343.2)); got != 65 {
		t.Errorf("%d modes up to 200 Hz, want 65", got)
	}
}

// The receiver's crossover: scipy.signal.butter(2, 80, fs=48000) squared,
// values of SciPy 1.10.1; low and high add up to an all-pass.
func TestCrossoverAgainstSciPy(t *testing.T) {
	const tolDB = 0.00001
	low, high := linkwitzRiley(lowPass, 80, 48000), linkwitzRiley(highPass, 80, 48000)
	for _, c := range []struct{ hz, db float64 }{
		{20, -0.03386}, {40, -0.52656}, {80, -6.02060}, {160, -24.60987}, {320, -48.20341},
	} {
		l, h := low.at(unitInverse(c.hz, 48000)), high.at(unitInverse(c.hz, 48000))
		if got := scale.AmplitudeDB(cmplx.Abs(l)); !(math.Abs(got-c.db) <= tolDB) {
			t.Errorf("low-pass at %g Hz: %.5f dB, want %.5f", c.hz, got, c.db)
		}
		if got := scale.AmplitudeDB(cmplx.Abs(l + h)); !(math.Abs(got) <= 1e-9) {
			t.Errorf("sum at %g Hz: %g dB, want 0", c.hz, got)
		}
	}
	// Analogue values at a tenth of the rate's bend: f/fc, low, high in dB.
	low, high = linkwitzRiley(lowPass, 80, 192000), linkwitzRiley(highPass, 80, 192000)
	for _, c := range []struct{ ratio, low, high float64 }{
		{0.25, -0.0339, -48.1987}, {0.5, -0.5266, -24.6090}, {math.Sqrt2 / 2, -1.9382, -13.9794},
		{1, -6.0206, -6.0206}, {math.Sqrt2, -13.9794, -1.9382}, {2, -24.6090, -0.5266}, {4, -48.1987, -0.0339},
	} {
		zi := unitInverse(80*c.ratio, 192000)
		l, h := scale.AmplitudeDB(cmplx.Abs(low.at(zi))), scale.AmplitudeDB(cmplx.Abs(high.at(zi)))
		if !(math.Abs(l-c.low) <= 0.0004) || !(math.Abs(h-c.high) <= 0.0004) {
			t.Errorf("f/fc = %g: low %.4f, high %.4f dB, want %.4f, %.4f", c.ratio, l, h, c.low, c.high)
		}
	}
}

// Direct sound: it arrives after distance/c, c = 343.2 m/s (ISO 9613-1:1993,
// 20 °C), as 1/distance. Checked on the image sources alone, where the direct
// pulse can be told from all others, by its phase over frequency.
func TestDirectSound(t *testing.T) {
	const rate, c = 48000.0, 343.2
	const tolFrames, tolDB = 0.001, 0.001
	s := &cinema
	for name, e := range s.speakers {
		for seatName, seat := range s.seats {
			d := math.Sqrt(math.Pow(e.at[0]-seat[0], 2) + math.Pow(e.at[1]-seat[1], 2) + math.Pow(e.at[2]-seat[2], 2))
			images := s.room.images(e.at, seat, d/c*(1+1e-9))
			if len(images) != 1 || images[0].loss != 0 {
				t.Errorf("%s to %s: %d images up to the direct sound", name, seatName, len(images))
				continue
			}
			h := make([]float64, 2000)
			addPulse(h, images[0].seconds*rate, images[0].height)
			for _, hz := range []float64{1000, 8000, 16000} {
				v := dft(h, hz, rate)
				if got := scale.AmplitudeDB(cmplx.Abs(v) * d); !(math.Abs(got) <= tolDB) {
					t.Errorf("%s to %s at %g Hz: %+.5f dB from 1/distance", name, seatName, hz, got)
				}
				turn := cmplx.Phase(v * cmplx.Exp(complex(0, 2*math.Pi*hz*d/c)))
				if got := turn / (2 * math.Pi * hz) * rate; !(math.Abs(got) <= tolFrames) {
					t.Errorf("%s to %s at %g Hz: %+.5f frames from distance/c", name, seatName, hz, got)
				}
			}
			// In the finished response too, the highest sample of the first
			// millisecond is where the direct sound is.
			if seatName != "main" {
				continue
			}
			r := theRoom(t)
			for channel, ch := range s.channels {
				if ch != name {
					continue
				}
				tr := truth(t, r, channel, seatName, rate)
				at, most := 0, 0.0
				for n := range int(d/c*rate) + 48 {
					if v := math.Abs(tr.ImpulseFlat[n]); v > most {
						at, most = n, v
					}
				}
				if want := d / c * rate; !(math.Abs(float64(at)-want) <= 1) {
					t.Errorf("%s: first peak at frame %d, direct sound at %.2f", name, at, want)
				}
			}
		}
	}
}

// python runs a script with SciPy in a folder and returns what it prints.
func python(t *testing.T, folder, script string) string {
	t.Helper()
	cmd := exec.Command(outsidetest.Python(t), "-c", script)
	cmd.Dir = folder
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, stderr.String())
	}
	return string(out)
}

func write(t *testing.T, folder, name string, data any) {
	t.Helper()
	var b bytes.Buffer
	if err := binary.Write(&b, binary.LittleEndian, data); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, name), b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
}

func readFloats(t *testing.T, path string) []float64 {
	t.Helper()
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float64, len(raw)/8)
	if err := binary.Read(bytes.NewReader(raw), binary.LittleEndian, x); err != nil {
		t.Fatal(err)
	}
	return x
}

// What is recorded is the convolution of what was played with Truth.Impulse,
// as scipy.signal.fftconvolve does it.
func TestConvolutionAgainstSciPy(t *testing.T) {
	const rate = 48000.0
	const tolDB = -180.0 // before float32
	const tol32DB = -140.0
	r := open(t, Options{NoiseDBFS: silent})
	tr := truth(t, r, chFL, "main", rate)
	x := make([]float32, int(4.3*rate))
	gen := random(11, "test")
	for n := range x {
		x[n] = float32(max(-1, min(1, 0.1*gen.NormFloat64())))
	}
	frames := int(6 * rate)
	folder := t.TempDir()
	write(t, folder, "x.f32", x)
	write(t, folder, "h.f64", tr.Impulse)
	python(t, folder, `
import numpy as np
from scipy.signal import fftconvolve
x = np.fromfile("x.f32", "<f4").astype(float)
h = np.fromfile("h.f64", "<f8")
fftconvolve(x, h).astype("<f8").tofile("y.f64")
`)
	want := readFloats(t, filepath.Join(folder, "y.f64"))
	difference := func(at func(n int) float64) float64 {
		var worst, peak float64
		for n := range frames - tr.Latency {
			w := 0.0
			if n < len(want) {
				w = want[n]
			}
			peak = math.Max(peak, math.Abs(w))
			worst = math.Max(worst, math.Abs(at(n)-w))
		}
		return scale.AmplitudeDB(worst / peak)
	}
	job := capture.Job{SampleRate: rate, Frames: frames, Tracks: []capture.Track{{Channel: chFL, Samples: x}}}
	p := r.prepare(job, 0)
	exact := make([]float64, frames)
	for n := range exact {
		exact[n] = p.frame(n)
	}
	d := difference(func(n int) float64 { return exact[n+tr.Latency] })
	got := record(t, r, rate, frames, job.Tracks...)
	d32 := difference(func(n int) float64 { return float64(got[n+tr.Latency]) })
	t.Logf("largest difference to SciPy: %.1f dB re peak before, %.1f dB after rounding to float32", d, d32)
	if !(d <= tolDB) || !(d32 <= tol32DB) {
		t.Errorf("differences of %.1f and %.1f dB, want <= %.0f and %.0f dB", d, d32, tolDB, tol32DB)
	}
}

// The microphone is minimum phase: its phase is the Hilbert transform of its
// level in nepers, as scipy.signal.hilbert makes it.
func TestMicrophonePhaseAgainstSciPy(t *testing.T) {
	tr := truth(t, theRoom(t), chFR, "main", 48000)
	folder := t.TempDir()
	write(t, folder, "with.f64", tr.Impulse)
	write(t, folder, "flat.f64", tr.ImpulseFlat)
	python(t, folder, `
import numpy as np
from scipy.signal import hilbert
a, b = (np.fft.fft(np.fromfile(f, "<f8")) for f in ("with.f64", "flat.f64"))
f = np.abs(np.fft.fftfreq(len(a), 1/48000))
r = a/b
level = np.log(np.abs(r))
level[f < 0.25] = level[1]   # at 0 Hz nothing is played
phase = -np.imag(hilbert(level))
use = (np.fft.fftfreq(len(a), 1/48000) > 50) & (f < 22000)
np.array([np.max(np.abs(np.angle(r*np.exp(-1j*phase))[use])), np.max(np.abs(phase[use]))]).tofile("out.f64")
`)
	out := readFloats(t, filepath.Join(folder, "out.f64"))
	t.Logf("largest phase difference 50 Hz - 22 kHz: %.5f rad of up to %.2f rad", out[0], out[1])
	if !(out[0] <= 0.005) {
		t.Errorf("phase is off by %.5f rad, want <= 0.005", out[0])
	}
}

func readFloat32s(t *testing.T, path string) []float32 {
	t.Helper()
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float32, len(raw)/4)
	if err := binary.Read(bytes.NewReader(raw), binary.LittleEndian, x); err != nil {
		t.Fatal(err)
	}
	return x
}
