package modes

import (
	"math"
	"math/cmplx"
	"sort"

	"gonum.org/v1/gonum/mat"
)

// signalFactor times the median singular value is where those of the signal
// begin: M. Gavish and D. L. Donoho, IEEE Trans. Inf. Theory 60(8), 2014, the
// hard threshold for a square matrix in noise of unknown level (from memory).
const signalFactor = 2.858

// esprit returns the poles of the first count samples by the shift invariance of
// the Hankel matrix's signal space (R. Roy and T. Kailath, IEEE Trans. ASSP 37,
// 1989; for damped sinusoids Y. Hua and T. K. Sarkar, IEEE Trans. ASSP 38, 1990;
// both from memory). The Hankel matrices of all responses stand side by side.
// The order is that of the singular values above the noise, plus extra.
func esprit(y [][]float64, count, rows, extra, most int) []pole {
	cols := count - rows + 1
	gram := mat.NewSymDense(rows, nil)
	// G[i][j] = Σ_k y[i+k]·y[j+k]: along each diagonal a running sum.
	for _, full := range y {
		s := full[:count]
		for d := range rows {
			sum := 0.0
			for k := range cols {
				sum += s[k] * s[k+d]
			}
			gram.SetSym(0, d, gram.At(0, d)+sum)
			for i := 1; i+d < rows; i++ {
				sum += s[i+cols-1]*s[i+d+cols-1] - s[i-1]*s[i-1+d]
				gram.SetSym(i, i+d, gram.At(i, i+d)+sum)
			}
		}
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(gram, true) {
		return nil
	}
	values := eigen.Values(nil) // rising
	floor := math.Sqrt(math.Max(values[rows/2], 0)) * signalFactor
	order := 0
	for _, v := range values {
		if v > 0 && math.Sqrt(v) > floor && v > 1e-14*values[rows-1] {
			order++
		}
	}
	order += extra
	order = min(order+order%2, most, rows-2)
	if order < 2 {
		return nil
	}
	var all mat.Dense
	eigen.VectorsTo(&all)
	u := all.Slice(0, rows, rows-order, rows).(*mat.Dense)
	up := u.Slice(0, rows-1, 0, order)
	down := u.Slice(1, rows, 0, order)
	// The columns of U are orthonormal, so U↑ᵀU↑ = I − v·vᵀ with v the last row:
	// its inverse is I + v·vᵀ/(1−|v|²).
	var phi mat.Dense
	phi.Mul(up.T(), down)
	last := mat.NewVecDense(order, mat.Row(nil, rows-1, u))
	rest := 1 - mat.Dot(last, last)
	if rest < 1e-9 {
		return nil
	}
	var left mat.VecDense
	left.MulVec(phi.T(), last)
	phi.RankOne(&phi, 1/rest, last, &left)
	var roots mat.Eigen
	if !roots.Factorize(&phi, mat.EigenNone) {
		return nil
	}
	var out []pole
	for _, z := range roots.Values(nil) {
		if imag(z) > 0 && cmplx.Abs(z) > 1e-3 {
			out = append(out, pole{-math.Log(cmplx.Abs(z)), cmplx.Phase(z)})
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].angle < out[j].angle })
	return out
}
