package modes

import (
	"math"

	"roomsonde/deconv/fourier"
)

// Explained says how much of the measured responses is resynthesised, from
// Result.StartS after the first arrival on.
type Explained struct {
	// FromHz and ToHz bound what was compared: from Options.LowHz to the last
	// mode reported, its half bandwidth included. Both are LowHz where there is no mode.
	FromHz, ToHz float64
	// All is what everything that the fit found explains, as it was found:
	// Result.Modes, Result.Other, and the poles outside the range that reach
	// into it.
	All Synthesis
	// Modes is what the poles of Result.Modes can explain alone, their amplitudes
	// fitted again without the others (which may have leaned on them).
	Modes Synthesis
}

// Synthesis is a sum of damped sinusoids held against the measured responses.
type Synthesis struct {
	// Share is the part of the energy that it leaves no residual of, 1 −
	// Σ|H−M|²/Σ|H|², over all responses: 1 is all.
	Share float64
	// Rest lists the ranges in which more than 5 % is not explained, as far as
	// they matter (0.5 % of the energy compared); rising in frequency.
	Rest []Rest
}

// Rest is a range that the modes do not explain.
type Rest struct {
	FromHz, ToHz float64
	Left         float64 // of the energy in the range, the part not explained
	OfAll        float64 // the same as a part of all the energy compared
}

const (
	unexplained = 0.05
	matters     = 0.005
)

func explain(p *prepared, modes []Mode, f *fit, o Options) Explained {
	if len(modes) == 0 {
		return Explained{FromHz: o.LowHz, ToHz: o.LowHz}
	}
	ex := Explained{FromHz: o.LowHz}
	for _, m := range modes {
		ex.ToHz = math.Max(ex.ToHz, math.Min(m.ToHz+m.BandwidthHz()/2, o.HighHz))
	}
	bins := fourier.FastLen(4 * len(p.y[0]))
	plan := fourier.Get(bins)
	defer fourier.Put(plan)
	df := p.dec.rate / float64(bins)
	lo, hi := int(math.Ceil(ex.FromHz/df)), int(ex.ToHz/df)
	if hi <= lo {
		return ex
	}
	pad := make([]float64, bins)
	var spectrum []complex128
	// The spectra are taken of the whitened data, so that what is below the range
	// does not leak into it, and the whitening is undone in the spectrum.
	undo := make([]float64, bins/2+1)
	for k := range undo {
		a := p.whiteGain(complex(0, 2*math.Pi*float64(k)*df))
		undo[k] = 1 / (real(a)*real(a) + imag(a)*imag(a))
	}
	add := func(power, x []float64, level float64) {
		clear(pad)
		copy(pad, x)
		spectrum = plan.Coefficients(spectrum, pad)
		for k, c := range spectrum {
			power[k] += (real(c)*real(c) + imag(c)*imag(c)) * undo[k] * level * level
		}
	}
	have, byModes, byAll := make([]float64, bins/2+1), make([]float64, bins/2+1), make([]float64, bins/2+1)
	var reported []pole
	for _, m := range modes {
		for _, q := range m.members {
			reported = append(reported, pole{q.decay / p.dec.rate, q.omega / p.dec.rate})
		}
	}
	alone := newFit(f.y, reported)
	for r, y := range f.y {
		add(have, y, p.level[r])
		add(byAll, f.rest[r], p.level[r])
		if alone != nil {
			add(byModes, alone.rest[r], p.level[r])
		} else {
			add(byModes, y, p.level[r])
		}
	}
	ex.Modes = compare(have, byModes, lo, hi, df)
	ex.All = compare(have, byAll, lo, hi, df)
	return ex
}

// compare works out what a residual's power spectrum leaves of the measured one,
// in bins lo to hi of df Hz each.
func compare(have, rest []float64, lo, hi int, df float64) Synthesis {
	sum := func(x []float64, a, b int) float64 {
		s := 0.0
		for _, v := range x[a : b+1] {
			s += v
		}
		return s
	}
	all := sum(have, lo, hi)
	if all == 0 {
		return Synthesis{}
	}
	out := Synthesis{Share: 1 - sum(rest, lo, hi)/all}
	// Twelfths of an octave, neighbours joined.
	type span struct{ a, b int }
	var spans []span
	for a := lo; a <= hi; {
		b := min(max(a, int(float64(a)*math.Pow(2, 1.0/12))), hi)
		if sum(rest, a, b) > unexplained*sum(have, a, b) {
			if k := len(spans) - 1; k >= 0 && spans[k].b == a-1 {
				spans[k].b = b
			} else {
				spans = append(spans, span{a, b})
			}
		}
		a = b + 1
	}
	for _, s := range spans {
		h, e := sum(have, s.a, s.b), sum(rest, s.a, s.b)
		if e > matters*all {
			out.Rest = append(out.Rest, Rest{FromHz: float64(s.a) * df, ToHz: float64(s.b) * df, Left: e / h, OfAll: e / all})
		}
	}
	return out
}
