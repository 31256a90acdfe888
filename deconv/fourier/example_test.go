package fourier_test

import (
	"fmt"
	"math/cmplx"

	"roomsonde/deconv/fourier"
)

// Two short sequences are convolved through their spectra. The length has room
// for the whole result, so that its end does not wrap round to its start.
func Example() {
	a, b := []float64{1, 2, 3}, []float64{1, 0, -1, 2}
	n := fourier.FastLen(len(a) + len(b) - 1)
	plan := fourier.Get(n)
	defer fourier.Put(plan)

	x := make([]float64, n)
	copy(x, a)
	A := plan.Coefficients(nil, x)
	clear(x)
	copy(x, b)
	B := plan.Coefficients(nil, x)
	for k := range A {
		A[k] *= B[k]
	}
	for _, v := range plan.Sequence(x, A)[:len(a)+len(b)-1] {
		fmt.Printf("%.1f ", v)
	}
	// Output: 1.0 2.0 2.0 0.0 1.0 6.0
}

// A coefficient of a cosine of amplitude 1 is half the length.
func ExampleReal_Coefficients() {
	x := []float64{1, 0, -1, 0, 1, 0, -1, 0} // cos(2π·2n/8)
	for k, c := range fourier.NewReal(len(x)).Coefficients(nil, x) {
		fmt.Printf("X[%d] = %.1f\n", k, cmplx.Abs(c))
	}
	// Output:
	// X[0] = 0.0
	// X[1] = 0.0
	// X[2] = 4.0
	// X[3] = 0.0
	// X[4] = 0.0
}
