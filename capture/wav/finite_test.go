package wav

import (
	"math"
	"testing"
)

// Every place and every kind of what is not finite is seen, and nothing else is
// taken for it.
func TestAllFinite32(t *testing.T) {
	fine := []float32{0, float32(math.Copysign(0, -1)), math.MaxFloat32, -math.MaxFloat32, math.SmallestNonzeroFloat32, 1, -1}
	for n := range 40 {
		for offset := range 2 {
			x := make([]float32, n+offset)[offset:]
			for i := range x {
				x[i] = fine[i%len(fine)]
			}
			if !allFinite32(x) {
				t.Fatalf("%d finite samples at offset %d are called not finite", n, offset)
			}
			for i := range x {
				for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
					kept := x[i]
					x[i] = float32(bad)
					if allFinite32(x) {
						t.Fatalf("%g at %d of %d, offset %d, is not seen", bad, i, n, offset)
					}
					x[i] = kept
				}
			}
		}
	}
}
