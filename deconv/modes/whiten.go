package modes

import "math"

// whitenOrder is the order of the noise's model: enough for the rise of a room's
// noise towards low frequencies.
const whitenOrder = 6

// coloured is the prediction gain from which on a residual counts as coloured: 2 dB.
const coloured = 1.6

// predictor returns the prediction error filter 1, a1, …, of the given order for
// several records of one process (Burg's method: J. P. Burg, 1967; from
// memory), and by how much it lowers their power.
func predictor(records [][]float64, order int) (a []float64, gain float64) {
	a = []float64{1}
	var ahead, back [][]float64
	power, count := 0.0, 0
	for _, x := range records {
		ahead = append(ahead, append([]float64(nil), x...))
		back = append(back, append([]float64(nil), x...))
		for _, v := range x {
			power += v * v
		}
		count += len(x)
	}
	if power == 0 {
		return a, 1
	}
	left := power
	for m := 1; m <= order; m++ {
		num, den := 0.0, 0.0
		for r := range ahead {
			f, b := ahead[r], back[r]
			for n := m; n < len(f); n++ {
				num += f[n] * b[n-1]
				den += f[n]*f[n] + b[n-1]*b[n-1]
			}
		}
		if den == 0 {
			break
		}
		k := -2 * num / den
		// Held off the unit circle, so that a hum does not become a filter with
		// a gap.
		k = math.Min(math.Max(k, -0.995), 0.995)
		next := make([]float64, m+1)
		for i := range next {
			if i < m {
				next[i] += a[i]
			}
			if i > 0 {
				next[i] += k * a[m-i]
			}
		}
		a = next
		for r := range ahead {
			f, b := ahead[r], back[r]
			for n := len(f) - 1; n >= m; n-- {
				fn, bn := f[n], b[n-1]
				f[n] = fn + k*bn
				b[n] = bn + k*fn
			}
		}
		left *= 1 - k*k
	}
	return a, power / left
}

// whiten filters the responses against the run of time, y'[n] = Σ a_k·y[n+k], so that
// what is lost is at the end. A pole z comes out A(z) = Σ a_k z^k times as large.
func whiten(y [][]float64, a []float64) [][]float64 {
	out := make([][]float64, len(y))
	for r, x := range y {
		out[r] = make([]float64, len(x)-len(a)+1)
		for n := range out[r] {
			for k, c := range a {
				out[r][n] += c * x[n+k]
			}
		}
	}
	return out
}

// rumbles reports whether the last third of the responses is mostly below a
// frequency, given in radians per sample: then it is noise from there that
// rules the fit.
func rumbles(tails [][]float64, below float64) bool {
	low, all := 0.0, 0.0
	share := 1 - math.Exp(-below)
	for _, x := range tails {
		state := 0.0
		if len(x) > 0 {
			state = x[0]
		}
		for _, v := range x {
			state += share * (v - state)
			low += state * state
			all += v * v
		}
	}
	return low > all/2
}

// tails returns the last third of each.
func tails(y [][]float64) [][]float64 {
	out := make([][]float64, len(y))
	for r, x := range y {
		out[r] = x[len(x)*2/3:]
	}
	return out
}

// cascade returns the filter that is a after b.
func cascade(a, b []float64) []float64 {
	out := make([]float64, len(a)+len(b)-1)
	for i, v := range a {
		for k, w := range b {
			out[i+k] += v * w
		}
	}
	return out
}
