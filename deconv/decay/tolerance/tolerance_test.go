package tolerance

import (
	"errors"
	"math"
	"testing"
)

const tol = 1e-12 // seconds

func TestLimits(t *testing.T) {
	c, err := EBU(100)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range []struct{ hz, low, high float64 }{
		{63, 0.2, 0.55},
		// Halfway between 63 and 200 Hz on a logarithmic axis: halfway down.
		{math.Sqrt(63 * 200), 0.2, 0.425},
		{200, 0.2, 0.3}, {1000, 0.2, 0.3}, {4000, 0.15, 0.35}, {5000, 0.15, 0.35}, {8000, 0.15, 0.35},
	} {
		low, high, ok := c.Limits(v.hz)
		if !ok || !(math.Abs(low-v.low) <= tol) || !(math.Abs(high-v.high) <= tol) {
			t.Errorf("at %g Hz: %g to %g s (%v), want %g to %g", v.hz, low, high, ok, v.low, v.high)
		}
	}
	for _, hz := range []float64{62.9, 8001, 0, -1, math.NaN(), math.Inf(1)} {
		if _, _, ok := c.Limits(hz); ok {
			t.Errorf("limits at %g Hz, want none", hz)
		}
	}
	if _, _, ok := (Curve{}).Limits(100); ok {
		t.Error("an empty curve has limits")
	}
}

func TestAnyVolumeHoldsAll(t *testing.T) {
	all := EBUAnyVolume()
	for _, m3 := range []float64{5, 30, 60, 120, 300, 800} {
		c, err := EBU(m3)
		if err != nil {
			t.Fatal(err)
		}
		for hz := 63.0; hz <= 8000; hz *= 1.1 {
			low, high, _ := c.Limits(hz)
			if l, h, ok := all.Limits(hz); !ok || l > low+tol || h < high-tol {
				t.Errorf("%g m³ at %g Hz: %g to %g s, outside %g to %g", m3, hz, low, high, l, h)
			}
		}
	}
}

func TestVolumeThatIsNone(t *testing.T) {
	for _, m3 := range []float64{0, -20, math.NaN(), math.Inf(1)} {
		_, err := EBU(m3)
		var v *VolumeError
		if !errors.As(err, &v) || v.Hint() == "" || v.Error() == "" {
			t.Errorf("%g m³: %v", m3, err)
		}
	}
}
