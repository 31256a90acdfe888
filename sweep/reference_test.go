package sweep

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"roomsonde/sweep/scale/outsidetest"
)

// Novak, Lotton, Simon, J. Audio Eng. Soc. 63(10), 2015, eqs. 32 and 33:
// k = round(f1·T/ln(f2/f1)), L = k/f1, T' = L·ln(f2/f1). The figures were
// worked out from these formulas outside this project.
func TestSynchronisedDurations(t *testing.T) {
	const tol = 1e-6 // s, the last digit of the figures
	for _, c := range []struct{ f1, f2, T, L, wantT float64 }{
		{20, 20000, 10, 1.45, 10.016245},
		{20, 20000, 5, 0.7, 4.835429},
		{10, 24000, 10, 1.3, 10.118191},
	} {
		s := mustNew(t, Options{StartHz: c.f1, StopHz: c.f2, Seconds: c.T})
		if !(math.Abs(s.RateS-c.L) <= tol && math.Abs(s.Seconds-c.wantT) <= tol) {
			t.Errorf("%g to %g Hz in %g s: L = %.6f, T' = %.6f, want %.6f and %.6f", c.f1, c.f2, c.T, s.RateS, s.Seconds, c.L, c.wantT)
		}
	}
}

// Farina, AES 108th Convention, 2000: order k arrives L·ln k early. L and the
// advances as computed from that formula for 20 Hz to 20 kHz in 10 s, without
// the rounding of L; so they are scaled to ours.
func TestHarmonicAdvance(t *testing.T) {
	s := mustNew(t, Options{StartHz: 20, StopHz: 20000, Seconds: 10})
	const farinaL = 1.447648
	for k, want := range map[int]float64{2: 1.003433, 3: 1.590404, 4: 2.006867, 5: 2.329900} {
		if got := s.HarmonicAdvance(k) * farinaL / s.RateS; !(math.Abs(got-want) <= 1e-6*2) {
			t.Errorf("order %d arrives %.6f s early, want %.6f", k, got, want)
		}
	}
}

// The sweep itself against SciPy's chirp (SciPy 1.10, signal.chirp, method
// logarithmic), and its spectrum against |X(f)| = ½·√(L/f)·a·fs (Novak et al.
// 2015, eq. 43), by NumPy's transform.
func TestAgainstSciPy(t *testing.T) {
	python := outsidetest.Python(t)
	s := mustNew(t, Options{StartHz: 20, StopHz: 20000, Seconds: 10})
	dir := t.TempDir()
	raw := filepath.Join(dir, "sweep.f32")
	f, err := os.Create(raw)
	if err != nil {
		t.Fatal(err)
	}
	if err := binary.Write(f, binary.LittleEndian, s.Samples()); err != nil {
		t.Fatal(err)
	}
	f.Close()
	script := fmt.Sprintf(`
import numpy as np
from scipy import signal
x = np.fromfile(%q, '<f4').astype(float) / %.17g
n = np.arange(len(x))
T, fs = %.17g, 48000.0
ref = signal.chirp(n / fs, 20, T, 20000, 'logarithmic', phi=-90)
a, b = %d, len(x) - %d
print(np.abs(x - ref)[a:b].max())
X = np.abs(np.fft.rfft(x, 1 << 20)) / fs
f = np.arange(len(X)) * fs / (1 << 20)
# The spectrum ripples about the formula (Fresnel); its mean over a sixth of an octave does not.
worst = 0.0
for c in (100, 1000, 10000):
    k = (f > c * 2**(-1/12)) & (f < c * 2**(1/12))
    worst = max(worst, abs(20 * np.log10(np.sqrt(np.mean(X[k]**2 * f[k])) / (0.5 * np.sqrt(%.17g)))))
print(worst)
`, raw, s.Amplitude(), s.Seconds, s.FadeIn, s.FadeOut, s.RateS)
	out, err := exec.Command(python, "-c", script).Output()
	if err != nil {
		t.Fatal(err)
	}
	var difference, spectrum float64
	if _, err := fmt.Sscan(string(out), &difference, &spectrum); err != nil {
		t.Fatalf("%v in %q", err, out)
	}
	const tolSamples = 1e-6 // float32 rounding is 6e-8; the rest is SciPy's own phase at 20 kHz
	if !(difference <= tolSamples) {
		t.Errorf("largest difference to signal.chirp = %.2g of the level, want below %g", difference, tolSamples)
	}
	const tolDB = 0.005
	if !(spectrum <= tolDB) {
		t.Errorf("spectrum differs from ½√(L/f) by %.4f dB, want below %g", spectrum, tolDB)
	}
}
