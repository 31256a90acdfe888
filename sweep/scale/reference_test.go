package scale

import (
	"math"
	"testing"
)

// IEC 61260-1:2014, formulas (1) to (5), base ten, worked out outside this
// project to four decimals (formulas as transcribed by python-acoustics, commit
// 99d79206, iec_61260_1_2014.py). Nominal frequencies: the same, and ISO 266
// (from memory).
func TestBandsOfIEC61260(t *testing.T) {
	const tol = 5.1e-5 // Hz, half of the last digit
	octaves := []struct{ nominal, mid, low, high float64 }{
		{31.5, 31.6228, 22.3872, 44.6684}, {63, 63.0957, 44.6684, 89.1251}, {125, 125.8925, 89.1251, 177.8279},
		{250, 251.1886, 177.8279, 354.8134}, {500, 501.1872, 354.8134, 707.9458}, {1000, 1000.0000, 707.9458, 1412.5375},
		{2000, 1995.2623, 1412.5375, 2818.3829}, {4000, 3981.0717, 2818.3829, 5623.4133}, {8000, 7943.2823, 5623.4133, 11220.1845},
		{16000, 15848.9319, 11220.1845, 22387.2114},
	}
	got := Bands(Octave, 31.5, 16000)
	if len(got) != len(octaves) {
		t.Fatalf("%d octaves, want %d", len(got), len(octaves))
	}
	for i, w := range octaves {
		b := got[i]
		if b.NominalHz != w.nominal || !(math.Abs(b.MidHz-w.mid) <= tol && math.Abs(b.LowHz-w.low) <= tol && math.Abs(b.HighHz-w.high) <= tol) {
			t.Errorf("band %g Hz: %+v, want %+v", w.nominal, b, w)
		}
		if rel := b.BandwidthHz() / b.MidHz; !(math.Abs(rel-0.704592) <= 1e-6) {
			t.Errorf("band %g Hz: relative width %.6f, want 0.704592", w.nominal, rel)
		}
	}
	thirds := map[float64]int{20: -17, 25: -16, 31.5: -15, 40: -14, 50: -13, 63: -12, 80: -11, 100: -10, 125: -9, 160: -8, 200: -7, 250: -6,
		315: -5, 400: -4, 500: -3, 630: -2, 800: -1, 1000: 0, 1250: 1, 1600: 2, 2000: 3, 2500: 4, 3150: 5, 4000: 6,
		5000: 7, 6300: 8, 8000: 9, 10000: 10, 12500: 11, 16000: 12, 20000: 13}
	found := Bands(Third, 20, 20000)
	if len(found) != len(thirds) {
		t.Fatalf("%d thirds, want %d", len(found), len(thirds))
	}
	for _, b := range found {
		k, ok := thirds[b.NominalHz]
		if want := 1000 * math.Pow(10, float64(k)/10); !ok || !(math.Abs(b.MidHz/want-1) <= 1e-12) {
			t.Errorf("band %g Hz: exact %g, want %g", b.NominalHz, b.MidHz, want)
		}
		if rel := b.BandwidthHz() / b.MidHz; !(math.Abs(rel-0.230768) <= 1e-6) {
			t.Errorf("band %g Hz: relative width %.6f, want 0.230768", b.NominalHz, rel)
		}
	}
}
