package difference

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// explain looks for the simplest broad change that leaves every band within its
// uncertainty: none, a level, a tilt, a shelf. x are lg2 of the bands'
// frequencies, y their differences in dB and u what these may be off. Where none of them explains all, it is none; then the
// bands have to be told one by one.
func explain(x, y, u []float64) ([]Change, func(hz float64) float64) {
	none := func(float64) float64 { return 0 }
	within := func(model func(float64) float64) bool {
		for i := range x {
			if !(math.Abs(y[i]-model(x[i])) <= u[i]) {
				return false
			}
		}
		return true
	}
	if len(x) < 3 || within(none) {
		return nil, none
	}
	mean := 0.0 // uncertainty of what is common to all, as if all bands erred alike
	for _, v := range u {
		mean += v / float64(len(u))
	}

	// Level.
	one := func(float64) float64 { return 1 }
	if c, ok := fit(x, y, u, one); ok {
		level := func(float64) float64 { return c[0] }
		if within(level) && math.Abs(c[0]) > mean {
			return []Change{{Kind: LevelChange, Difference: c[0], Uncertainty: mean, Unit: "dB"}}, level
		}
	}
	levelToo := func(c, at float64) []Change { // the level beside a tilt or a shelf, where there is one
		if math.Abs(c) <= mean {
			return nil
		}
		return []Change{{Kind: LevelChange, Hz: at, Difference: c, Uncertainty: mean, Unit: "dB"}}
	}

	// Tilt: the level is that in the middle of the range.
	span := x[len(x)-1] - x[0]
	if span >= leastTiltOctaves {
		middle := x[0] + span/2
		slope := func(v float64) float64 { return v - middle }
		if c, ok := fit(x, y, u, one, slope); ok {
			tilt := func(v float64) float64 { return c[0] + c[1]*slope(v) }
			off := 2 * mean / span // one end up, the other down
			if within(tilt) && math.Abs(c[1]) > off {
				return append(levelToo(c[0], math.Exp2(middle)), Change{Kind: TiltChange, Difference: c[1], Uncertainty: off, Unit: "dB/octave"}),
					func(hz float64) float64 { return tilt(math.Log2(hz)) }
			}
		}
	}

	// Shelf: the one that leaves least, of those with their middle between the
	// bands and two bands on either side.
	best := math.Inf(1)
	var found func(float64) float64
	var at, above, step float64
	for i := 1; i+2 < len(x); i++ {
		for _, half := range []float64{1, 1.5, 2} {
			for _, width := range []float64{0.25, 0.5, 1, 2, 3} {
				centre := x[i] + half/2*(x[i+1]-x[i])
				shape := func(v float64) float64 { return shelf((centre - v) / width) }
				c, ok := fit(x, y, u, one, shape)
				if !ok {
					continue
				}
				model := func(v float64) float64 { return c[0] + c[1]*shape(v) }
				var left float64
				for n := range x {
					left += square((y[n] - model(x[n])) / u[n])
				}
				if left < best && within(model) && math.Abs(c[1]) > math.Sqrt2*mean {
					best, found, at, above, step = left, model, centre, c[0], c[1]
				}
			}
		}
	}
	if found == nil {
		return nil, none
	}
	return append(levelToo(above, math.Exp2(x[len(x)-1])), Change{Kind: ShelfChange, Hz: math.Exp2(at), Difference: step, Uncertainty: math.Sqrt2 * mean, Unit: "dB"}),
		func(hz float64) float64 { return found(math.Log2(hz)) }
}

// A tilt needs two octaves to be one.
const leastTiltOctaves = 2

// shelf rises from 0 at v = −½ to 1 at v = ½ along half a cosine.
func shelf(v float64) float64 {
	switch {
	case v <= -0.5:
		return 0
	case v >= 0.5:
		return 1
	}
	return 0.5 + 0.5*math.Sin(math.Pi*v)
}

// fit returns the weighted least-squares coefficients of y over the functions of x.
func fit(x, y, u []float64, functions ...func(float64) float64) ([]float64, bool) {
	n := len(functions)
	a := mat.NewSymDense(n, nil)
	b := mat.NewVecDense(n, nil)
	for i, v := range x {
		w := 1 / square(u[i])
		for p, f := range functions {
			b.SetVec(p, b.AtVec(p)+w*f(v)*y[i])
			for q := p; q < n; q++ {
				a.SetSym(p, q, a.At(p, q)+w*f(v)*functions[q](v))
			}
		}
	}
	var ch mat.Cholesky
	if !ch.Factorize(a) || ch.Cond() > 1e10 {
		return nil, false
	}
	var c mat.VecDense
	if ch.SolveVecTo(&c, b) != nil {
		return nil, false
	}
	return c.RawVector().Data, true
}
