package modelroom

import (
	"fmt"
	"math"
	"os/exec"
	"path/filepath"
	"testing"

	"roomsonde/sweep/scale"
	"roomsonde/sweep/scale/outsidetest"
)

// somewhere is a recording in parts: a noise that stands for the signal, with
// next to nothing above 22 kHz, where the interpolation ends.
func somewhere(frames int) Heard {
	r := random(3, "reference")
	x := make([]float64, frames+4*resampleHalf)
	a, b := 0.0, 0.0
	for i := range x { // pinkish, up to half the rate
		v := r.NormFloat64()
		a += 0.3 * (v - a)
		b += 0.3 * (a - b)
		x[i] = 0.1 * (b + 0.01*v)
	}
	for range 8 {
		for i := len(x) - 1; i > 0; i-- {
			x[i] = 0.5 * (x[i] + x[i-1])
		}
	}
	return Heard{SampleRate: 48000, Frames: frames, Signal: x}
}

func spoil(t *testing.T, h Heard, faults ...string) []float32 {
	t.Helper()
	var list []Fault
	for _, text := range faults {
		f, err := ParseFault(text)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, f)
	}
	rec, _, err := Spoil(h, list)
	if err != nil {
		t.Fatal(err)
	}
	return rec.Samples
}

// The recorder's clock against the definition, x(m·(1+δ)) by Shannon's
// interpolation with all samples, as NumPy's sinc has it. The signal is known
// at 40000 places, and the sum without a window is cut off at its ends: so the
// signal fades there.
func TestSkewAgainstNumPy(t *testing.T) {
	const tolDB = -100.0
	const frames = 40000
	h := somewhere(frames)
	h.Signal = h.Signal[:frames]
	for i := range h.Signal {
		h.Signal[i] *= math.Pow(math.Sin(math.Pi*float64(i)/frames), 2)
	}
	folder := t.TempDir()
	write(t, folder, "x.f64", h.Signal)
	for _, c := range []struct {
		fault string
		at    string // NumPy, of m
	}{
		{"skew 100ppm", "m*(1+100e-6)"},
		{"skew -500ppm", "m*(1-500e-6)"},
		{"skew 50ppm wobble 20ppm", "m*(1+50e-6) + 20e-6*144000/(2*np.pi)*(1-np.cos(2*np.pi*m/144000))"},
		{"rate 1.0884353741496600", "m/1.08843537414966"},
	} {
		got := spoil(t, h, c.fault)
		python(t, folder, fmt.Sprintf(`
import numpy as np
x = np.fromfile("x.f64", "<f8")
m = np.arange(100, 36000, 31).astype(float)
at = %s
n = np.arange(len(x))
np.array([np.dot(x, np.sinc(a - n)) for a in at]).astype("<f8").tofile("y.f64")
`, c.at))
		want := readFloats(t, filepath.Join(folder, "y.f64"))
		var wrong, power float64
		for i, w := range want {
			d := float64(got[100+31*i]) - w
			wrong += d * d
			power += w * w
		}
		db := scale.PowerDB(wrong / power)
		t.Logf("%s: %.1f dB from NumPy's sinc", c.fault, db)
		if !(db <= tolDB) {
			t.Errorf("%s: %.1f dB from NumPy's sinc, want <= %.0f dB", c.fault, db, tolDB)
		}
	}
}

// soxed runs SoX over the samples and returns what comes out.
func soxed(t *testing.T, x []float32, effects ...string) []float32 {
	t.Helper()
	folder := t.TempDir()
	write(t, folder, "in.f32", x)
	raw := []string{"-t", "raw", "-e", "floating-point", "-b", "32", "-L", "-c", "1", "-r", "48000"}
	args := append([]string{"-D"}, append(raw, "in.f32")...)
	args = append(append(append(args, raw...), "out.f32"), effects...)
	cmd := exec.Command(outsidetest.Tool(t, "sox"), args...)
	cmd.Dir = folder
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("sox %v: %v\n%s", args, err, out)
	}
	y := readFloat32s(t, filepath.Join(folder, "out.f32"))
	return y
}

// Lost frames and holes as SoX 14.4 makes them: trim cuts frames out, pad puts
// silence in. SoX writes floating-point samples rounded to 24 bits.
func TestBuffersAgainstSoX(t *testing.T) {
	const tol = 1.0 / (1 << 24)
	h := somewhere(20000)
	sound := spoil(t, h)
	for _, c := range []struct {
		fault   string
		effects []string
	}{
		{"drop 64 at 0.25s", []string{"trim", "0", "=12000s", "=12064s"}},
		{"zero 17 at 0.25s", []string{"trim", "0", "=12000s", "=12017s", "pad", "17s@12000s"}},
	} {
		got, want := spoil(t, h, c.fault), soxed(t, sound, c.effects...)
		if len(want) < 19000 {
			t.Fatalf("%s: SoX returned %d frames", c.fault, len(want))
		}
		for n, w := range want {
			if !(math.Abs(float64(got[n])-float64(w)) <= tol) {
				t.Errorf("%s: frame %d is %g, and %g of SoX", c.fault, n, got[n], w)
				break
			}
		}
	}
}

// A recorder that is slow by 1/(1+1e-4) as SoX's "speed" makes it.
func TestSkewAgainstSoX(t *testing.T) {
	const tolDB = -90.0
	h := somewhere(48000)
	sound := spoil(t, Heard{SampleRate: 48000, Frames: len(h.Signal), Signal: h.Signal})
	got := spoil(t, h, "skew 100ppm")
	want := soxed(t, sound, "speed", "1.0001", "rate", "-v", "48000")
	var wrong, power float64
	for n := 500; n < min(len(got), len(want))-500; n++ {
		d := float64(got[n]) - float64(want[n])
		wrong += d * d
		power += float64(want[n]) * float64(want[n])
	}
	db := scale.PowerDB(wrong / power)
	t.Logf("%.1f dB from SoX", db)
	if !(db <= tolDB) {
		t.Errorf("a skew of 100 ppm is %.1f dB from SoX's speed 1.0001, want <= %.0f dB", db, tolDB)
	}
}

// Blocks repeated and held, a step, a clip and rounding, as NumPy slices and
// rounds them.
func TestFaultsAgainstNumPy(t *testing.T) {
	const tol = 1e-9
	h := somewhere(20000)
	folder := t.TempDir()
	write(t, folder, "x.f64", h.Signal)
	for _, c := range []struct {
		fault string
		bits  int
		numpy string
	}{
		{"repeat 33 at 0.25s", 0, "y = np.insert(x, 12000, x[12000-33:12000])"},
		{"hold 33 at 0.25s", 0, "y = x.copy(); y[12000:12033] = x[12000-33:12000]"},
		{"step 0.02 at 0.25s", 0, "y = x + 0.02*(np.arange(len(x)) >= 12000)"},
		{"clip 3dB", 0, "m = np.abs(x).max()*10**(-3/20); y = np.clip(x, -m, m)"},
		{"overload 2dB", 0, "y = np.clip(x*10**(2/20)/np.abs(x).max(), -1, 1)"},
		{"overload 2dB", 16, "y = np.clip(np.round(32768*np.clip(x*10**(2/20)/np.abs(x).max(), -1, 1)), -32768, 32767)/32768"},
		{"gain 0dB", 24, "y = np.round(2.0**23*x)/2.0**23"},
	} {
		// The highest sample is looked for in as much as is worked out.
		h.Bits = c.bits
		got := spoil(t, h, c.fault)
		python(t, folder, fmt.Sprintf(`
import numpy as np
x = np.fromfile("x.f64", "<f8")[:%d]
%s
y.astype("<f4").astype("<f8").tofile("y.f64")
`, Margin(h.Frames, nil), c.numpy))
		want := readFloats(t, filepath.Join(folder, "y.f64"))
		for n, v := range got {
			if !(math.Abs(float64(v)-want[n]) <= tol) {
				t.Errorf("%s: frame %d is %g, and %g of NumPy", c.fault, n, v, want[n])
				break
			}
		}
	}
}
