package tolerance

import (
	"math"
	"testing"
)

// Values of Tm = 0.25 (V/100)^(1/3), held within 0.2 and 0.4 s, worked out in
// double precision with NumPy from the formula as public pages quote it from EBU
// Tech 3276; the document itself could not be read.
func TestNominalTimes(t *testing.T) {
	const tolS = 5e-5 // half of the last digit
	for _, v := range []struct{ m3, s float64 }{
		{25, 0.2}, {40, 0.2}, {51.2, 0.2}, {60, 0.2109}, {80, 0.2321}, {100, 0.25}, {150, 0.2862}, {200, 0.3150}, {300, 0.3606}, {2000, 0.4},
	} {
		c, err := EBU(v.m3)
		if err != nil {
			t.Fatal(err)
		}
		if !(math.Abs(c.Nominal-v.s) <= tolS) {
			t.Errorf("%g m³: %.4f s, want %.4f", v.m3, c.Nominal, v.s)
		}
	}
}
