package modes

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"
	"sync"

	"gonum.org/v1/gonum/mat"

	"roomsonde/deconv/fourier"
)

// estimate is one pole in 1/s.
type estimate struct {
	member
	strength float64 // rise of the squared residual without it, in local variances
	// Standard deviations by the fit alone; sdLevel, of ln(peak), in the response
	// where it is least.
	sdOmega, sdLnDecay, sdLevel float64
	// Half the widths of 90 % intervals, all told; the last two per response, of
	// ln(peak) and of the phase in rad.
	halfOmega, halfLnDecay float64
	halfLevel, halfPhase   []float64
	variance, weak, merged float64 // the noise's, near it; see hidden
}

// widening says how a standard deviation becomes half a 90 % interval.
type widening struct {
	least, weak   float64 // it is multiplied by 1.645·(least + weak·…), see hidden
	known, merged float64 // what comes on top: nothing in a room is known better, and sums of modes much less
}

// tuned was found on the tuning half of the synthetic rooms (least, weak) and in
// the model room, whose modes are known (known, merged).
var tuned = struct{ place, decay, level, phase widening }{
	place: widening{1.04, 0.46, 0.005, 0.2}, // of half the bandwidth in rad/s
	decay: widening{1.04, 0.46, 0.005, 0.25},
	level: widening{1.04, 0.56, 0.005, 0.2},
	phase: widening{1.06, 0.94, 0.01, 0.3},
}

func half(sd float64, w widening, weak, merged, unit float64) float64 {
	return math.Hypot(half90*sd*(w.least+w.weak*weak), unit*(w.known+w.merged*merged))
}

// density returns the residual's power density as a variance: for white noise it
// is everywhere that noise's. It is an average over ±around rad per sample,
// corrected for what the poles within took away.
func (f *fit) density(angle, around float64, spectra []float64, bins int) float64 {
	step := 2 * math.Pi / float64(bins)
	lo := max(1, int(math.Ceil((angle-around)/step)))
	hi := min(len(spectra)-2, int((angle+around)/step))
	if hi <= lo {
		return f.variance()
	}
	sum := 0.0
	for k := lo; k <= hi; k++ {
		sum += spectra[k]
	}
	// So many real values stand in this range of frequencies.
	responses := float64(len(f.y))
	values := responses * float64(f.n) * float64(hi-lo+1) * step / math.Pi
	taken := 0.0
	for _, p := range f.poles {
		if p.angle > angle-around && p.angle < angle+around {
			taken += 2 + 2*responses
		}
	}
	return sum / float64(hi-lo+1) / responses * values / math.Max(values-taken, values/4)
}

// spectra returns the sum over the responses of the residual's |E|²/n, and the
// length of the transform.
func (f *fit) spectra() ([]float64, int) {
	bins := fourier.FastLen(2 * f.n)
	plan := fourier.Get(bins)
	defer fourier.Put(plan)
	sum := make([]float64, bins/2+1)
	pad := make([]float64, bins)
	for _, e := range f.rest {
		clear(pad)
		copy(pad, e)
		for k, c := range plan.Coefficients(nil, pad) {
			sum[k] += (real(c)*real(c) + imag(c)*imag(c)) / float64(f.n)
		}
	}
	return sum, bins
}

// aroundHz is how far on either side of a mode the residual counts as its noise.
const aroundHz = 12

// estimates works out what is known of every pole.
func (s *search) estimates(f *fit, p *prepared, lowHz float64) []estimate {
	m := len(f.poles)
	spectra, bins := f.spectra()
	info, gradient, cross := f.information()
	f.prior.join(info, gradient, f.poles)
	cov := invert(info)
	gramInv := f.gramInverse()
	strengths := f.strengths()
	wander := s.wander(f, cov)

	upper := f.chol.RawU()
	// How the amplitudes follow the poles: dc = −K·dθ.
	follow := make([]*mat.Dense, len(cross))
	for r, x := range cross {
		var k mat.Dense
		_ = k.Solve(upper, x)
		follow[r] = &k
	}
	weak, merged := s.hidden(f, strengths, 2*math.Pi*lowHz/s.rate)
	later := p.startS * s.rate // samples from the first arrival to the first used
	out := make([]estimate, m)
	poles, amps := f.poles, f.amp
	if f.own != nil {
		if g := newFit(f.y, f.own); g != nil {
			poles, amps = g.poles, g.amp
		}
	}
	for i, q := range poles {
		around := math.Max(2*math.Pi*aroundHz/s.rate, 2*q.decay)
		v := f.density(q.angle, around, spectra, bins)
		e := &out[i]
		e.index, e.variance, e.weak, e.merged = i, v, weak[i], merged[i]
		e.decay, e.omega = q.decay*s.rate, q.angle*s.rate
		e.strength = strengths[i] / v
		ownDecay, ownAngle := f.prior.ownSpread(i, cov)
		vd, va := v*ownDecay+wander[i][0], v*ownAngle+wander[i][1]
		e.sdLnDecay, e.sdOmega = math.Sqrt(vd), math.Sqrt(va)*s.rate
		e.halfLnDecay, e.halfOmega = half(e.sdLnDecay, tuned.decay, weak[i], merged[i], 1), half(e.sdOmega, tuned.place, weak[i], merged[i], e.decay)
		e.sdLevel = math.Inf(1)
		gain := p.gain(complex(-e.decay, e.omega))
		for r := range f.y {
			c := amps[r][i]
			back := cmplx.Exp(complex(q.decay, -q.angle) * complex(later, 0))
			e.amp = append(e.amp, c*back/gain*complex(p.level[r], 0))
			// Rows of ∂(Re c, Im c)/∂θ and their covariance, unscaled.
			var rows [2][]float64
			for h := range 2 {
				rows[h] = make([]float64, 2*m)
				for j := range 2 * m {
					rows[h][j] = -follow[r].At(2*i+h, j) * f.scale[2*i+h]
				}
			}
			size2 := real(c)*real(c) + imag(c)*imag(c)
			if size2 == 0 {
				e.halfLevel, e.halfPhase = append(e.halfLevel, math.MaxFloat32), append(e.halfPhase, math.Pi)
				continue
			}
			// ln(peak) = ln|c| + δ·later − ln δ + …, phase = arg c − ω·later.
			var spread [2]float64
			weights := [2][2]float64{{real(c) / size2, imag(c) / size2}, {-imag(c) / size2, real(c) / size2}}
			for k, w := range weights {
				row := make([]float64, 2*m)
				for j := range row {
					row[j] = w[0]*rows[0][j] + w[1]*rows[1][j]
				}
				if k == 0 {
					row[2*i] += q.decay*later - 1
				} else {
					row[2*i+1] -= later
				}
				vec := mat.NewVecDense(2*m, row)
				fromPoles := mat.Inner(vec, cov, vec)
				a := 2 * i
				fromData := 0.0
				for x := range 2 {
					for y := range 2 {
						fromData += w[x] * w[y] * gramInv.At(a+x, a+y) * f.scale[a+x] * f.scale[a+y]
					}
				}
				spread[k] = v * (fromPoles + fromData)
			}
			// What a mode wanders, or is less known by itself, its peak follows: 1 for 1 at most.
			sd := math.Sqrt(spread[0] + wander[i][0] + v*(ownDecay-cov.At(2*i, 2*i)))
			e.sdLevel = math.Min(e.sdLevel, sd)
			e.halfLevel = append(e.halfLevel, half(sd, tuned.level, weak[i], merged[i], 1))
			e.halfPhase = append(e.halfPhase, half(math.Sqrt(spread[1]+(wander[i][1]+v*(ownAngle-cov.At(2*i+1, 2*i+1)))*later*later), tuned.phase, weak[i], merged[i], 1))
		}
	}
	return out
}

// wander returns for each pole by how much more than noise explains it moves,
// as variances of ln decay and angle, when the fit starts later and when it
// ends earlier: of two fits to a whole and to a part of it the difference of the
// estimates has the difference of their variances (J. A. Hausman, Econometrica
// 46, 1978; from memory).
func (s *search) wander(f *fit, cov *mat.SymDense) [][2]float64 {
	m := len(f.poles)
	out := make([][2]float64, m)
	type part struct{ from, to int }
	late := int(0.03 * s.rate)
	v := f.variance()
	parts := []part{{late, f.n}, {0, f.n * 55 / 100}}
	moved := make([][][2]float64, len(parts))
	var wait sync.WaitGroup
	for k, w := range parts {
		if w.to-w.from < 6*m {
			continue
		}
		wait.Go(func() { moved[k] = s.moves(f, cov, w.from, w.to, v) })
	}
	wait.Wait()
	for _, list := range moved {
		for i, d := range list {
			out[i][0], out[i][1] = math.Max(out[i][0], d[0]), math.Max(out[i][1], d[1])
		}
	}
	return out
}

// moves is wander for the data from one sample to another; nil where it does not
// tell.
func (s *search) moves(f *fit, cov *mat.SymDense, from, to int, v float64) [][2]float64 {
	y := make([][]float64, len(f.y))
	for r := range y {
		y[r] = f.y[r][from:to]
	}
	g := newFit(y, f.poles)
	if g == nil {
		return nil
	}
	g.prior = f.prior
	g = g.refine(s.limits, 3)
	info, gradient, _ := g.information()
	g.prior.join(info, gradient, g.poles)
	part := invert(info)
	out := make([][2]float64, len(f.poles))
	for i := range out {
		if part.At(2*i, 2*i)*v > 0.25 {
			continue // the part alone says nothing
		}
		for k, d := range []float64{math.Log(g.poles[i].decay / f.poles[i].decay), g.poles[i].angle - f.poles[i].angle} {
			noise := v * math.Max(0, part.At(2*i+k, 2*i+k)-cov.At(2*i+k, 2*i+k))
			out[i][k] = math.Max(0, d*d-wanderNoise*noise)
		}
	}
	return out
}

// wanderNoise is how many times its variance a difference may be before it
// counts as more than noise: the 95 % point of a chi-squared variable.
const wanderNoise = 3.84

// sumSpread returns the standard deviation of ln|H| at hz, H the sum of these
// poles in response r, with the poles taken for known: amplitudes that lean against each
// other do not count.
func (f *fit) sumSpread(g []estimate, p *prepared, hz float64, r int, inv *mat.SymDense) float64 {
	jw := complex(0, 2*math.Pi*hz)
	h := 0i
	gains := make([]complex128, len(g))
	for k, e := range g {
		s := complex(-e.decay, e.omega)
		gains[k] = e.amp[r] / f.amp[r][e.index] / 2 / (jw - s)
		h += gains[k] * f.amp[r][e.index]
	}
	if h == 0 {
		return math.Inf(1)
	}
	var at []int
	var weights []float64
	v := 0.0
	for k, e := range g {
		d := gains[k] / h
		at = append(at, 2*e.index, 2*e.index+1)
		weights = append(weights, real(d)*f.scale[2*e.index], -imag(d)*f.scale[2*e.index+1])
		v = math.Max(v, e.variance)
	}
	sum := 0.0
	for a, i := range at {
		for b, j := range at {
			sum += weights[a] * weights[b] * inv.At(i, j)
		}
	}
	return math.Sqrt(v * math.Max(sum, 0))
}

// hidden returns for each pole, both from 0 to 1, what the neighbours may do that
// it may have and that are too weak, or too near, to be found, and lean on it all
// the same.
//
// weak: what stays below the bound for a pole has up to √(need/strength) of this
// one's amplitude, and it matters as far as bandwidths overlap; each response
// more makes it less likely to stay below in all.
//
// merged: in a room the modes become more with the square of the frequency (H.
// Kuttruff, Room Acoustics; from memory). Where fewer are found than the lowest
// ones let expect, what is found are sums of modes.
func (s *search) hidden(f *fit, strengths []float64, lowest float64) (weak, merged []float64) {
	weak, merged = make([]float64, len(f.poles)), make([]float64, len(f.poles))
	v := f.variance()
	around := 2 * math.Pi * hiddenHz / s.rate
	// So many modes lie up to the angle of the last of the lowest.
	count, upTo := 0.0, 0.0
	for _, p := range sortedByAngle(f.poles) {
		if p.angle >= lowest && count < hiddenFrom && sixtyDB/p.decay/s.rate > hiddenShort {
			count, upTo = count+1, p.angle
		}
	}
	for i, p := range f.poles {
		near := 0.0
		for _, q := range f.poles {
			if math.Abs(q.angle-p.angle) < around {
				near++
			}
		}
		if count == hiddenFrom && p.angle > upTo {
			expected := 3 * count / upTo * (p.angle / upTo) * (p.angle / upTo) * 2 * around
			merged[i] = math.Min(math.Max((expected/near-1)/2, 0), 1)
		}
		x := p.decay / around * near * math.Sqrt(s.need*v/math.Max(strengths[i], v)) / float64(len(f.y))
		weak[i] = math.Min(1, x/hiddenFull)
	}
	return weak, merged
}

func sortedByAngle(poles []pole) []pole {
	out := slices.Clone(poles)
	slices.SortFunc(out, func(a, b pole) int { return cmp.Compare(a.angle, b.angle) })
	return out
}

const (
	hiddenHz    = 10.0 // to either side, the neighbourhood
	hiddenFull  = 0.03
	hiddenFrom  = 6    // modes from which it is told how many more there are
	hiddenShort = 0.15 // s: no mode below
)

// invert returns the inverse of an information matrix. One that rounding has left
// without an inverse is regularised: what it does not tell becomes very unsure.
func invert(info *mat.SymDense) *mat.SymDense {
	n := info.SymmetricDim()
	largest := 0.0
	for i := range n {
		largest = math.Max(largest, info.At(i, i))
	}
	scale := make([]float64, n)
	for i := range n {
		scale[i] = 1 / math.Sqrt(math.Max(info.At(i, i), math.Max(1e-14*largest, 1e-300)))
	}
	out := mat.NewSymDense(n, nil)
	for ridge := 1e-13; ridge < 1e3*float64(n); ridge *= 10 {
		a := mat.NewSymDense(n, nil)
		for i := range n {
			a.SetSym(i, i, 1+ridge)
			for j := i + 1; j < n; j++ {
				a.SetSym(i, j, math.Min(math.Max(info.At(i, j)*scale[i]*scale[j], -1), 1))
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(a) {
			continue
		}
		_ = chol.InverseTo(out)
		break
	}
	for i := range n {
		for j := i; j < n; j++ {
			out.SetSym(i, j, out.At(i, j)*scale[i]*scale[j])
		}
	}
	return out
}
