package scale

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func TestDecibels(t *testing.T) {
	const tol = 1e-12
	for _, c := range []struct{ got, want float64 }{
		{AmplitudeDB(10), 20}, {AmplitudeDB(-0.1), -20}, {PowerDB(1000), 30}, {Amplitude(-40), 0.01}, {Power(-30), 0.001},
		{AmplitudeDB(0), FloorDB}, {PowerDB(0), FloorDB}, {PowerDB(-1e-20), FloorDB}, {PowerDB(1e-60), FloorDB},
	} {
		if !(math.Abs(c.got-c.want) <= tol*math.Max(1, math.Abs(c.want))) {
			t.Errorf("got %g, want %g", c.got, c.want)
		}
	}
	if !math.IsNaN(AmplitudeDB(math.NaN())) {
		t.Error("NaN became a number")
	}
}

func TestInterpolate(t *testing.T) {
	hz, db := []float64{10, 100, 1000}, []float64{0, 20, 10}
	for at, want := range map[float64]float64{1: 0, 10: 0, math.Sqrt(1000): 10, 100: 20, 1000 / math.Sqrt(10): 15, 1000: 10, 9999: 10} {
		if got := Interpolate(hz, db, at); !(math.Abs(got-want) <= 1e-12) {
			t.Errorf("at %g Hz: %g, want %g", at, got, want)
		}
	}
	for _, bad := range [][2][]float64{{nil, nil}, {{1}, nil}, {{1}, {1, 2}}} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%v: no panic", bad)
				}
			}()
			Interpolate(bad[0], bad[1], 5)
		}()
	}
}

// Neighbouring bands share an edge, and three thirds make an octave.
func TestBandsTile(t *testing.T) {
	for _, w := range []Width{Octave, Third} {
		bands := Bands(w, 20, 20000)
		for i := 1; i < len(bands); i++ {
			if !(math.Abs(bands[i].LowHz/bands[i-1].HighHz-1) <= 1e-12) {
				t.Errorf("%s bands %g and %g Hz do not touch", w, bands[i-1].NominalHz, bands[i].NominalHz)
			}
		}
	}
	octave, thirds := Bands(Octave, 1000, 1000)[0], Bands(Third, 800, 1250)
	if !(math.Abs(thirds[0].LowHz/octave.LowHz-1) <= 1e-12 && math.Abs(thirds[2].HighHz/octave.HighHz-1) <= 1e-12) {
		t.Errorf("thirds from %g to %g Hz, octave from %g to %g", thirds[0].LowHz, thirds[2].HighHz, octave.LowHz, octave.HighHz)
	}
	rapid.Check(t, func(t *rapid.T) {
		from := rapid.Float64Range(1, 1e4).Draw(t, "from")
		to := rapid.Float64Range(1, 1e4).Draw(t, "to")
		for _, b := range Bands(Third, from, to) {
			if b.NominalHz < from || b.NominalHz > to || !(b.LowHz < b.MidHz && b.MidHz < b.HighHz) {
				t.Fatalf("from %g to %g: %+v", from, to, b)
			}
		}
	})
}
