package modes

import (
	"math"
	"math/cmplx"

	"roomsonde/sweep/scale"
)

const (
	// unsureDecay is the standard deviation of ln(decay) from which on a pole
	// does not stand for a mode by itself.
	unsureDecay = 0.21
	// unsurePlace is the same of its frequency, as a share of half its bandwidth.
	unsurePlace = 0.5
	// unsureLevel is the same of the logarithm of its amplitude where that is known best.
	unsureLevel = 0.6
	// apart is how many standard deviations two poles must be apart.
	apart = 2.5
	// mostUnsure bounds what is stated, as a logarithm: nobody needs more.
	mostUnsure = 10
	// worthSpread: see needSpread; for being reported.
	worthSpread = 9
)

// alone reports whether a pole stands for a mode by itself.
func (e estimate) alone() bool {
	return e.sdLnDecay < unsureDecay && e.sdOmega < unsurePlace*e.decay && e.sdLevel < unsureLevel
}

// worth reports whether what was found is more than chance.
func worth(g []estimate) bool {
	best := 0.0
	for _, e := range g {
		best = math.Max(best, e.strength)
	}
	free := 2 + 2*float64(len(g[0].amp))
	return best > free+worthSpread*math.Sqrt(2*free)
}

// groups puts poles together that the data do not tell apart. est rises in
// frequency.
func groups(est []estimate) [][]estimate {
	var out [][]estimate
	for i, e := range est {
		if i > 0 {
			l := est[i-1]
			gap := e.omega - l.omega
			// Both sure, but not told apart, neither by frequency nor by decay; or neither
			// sure, and one within the other's bandwidth. A sure one beside an unsure
			// one stays what it is.
			alike := gap < apart*math.Hypot(e.sdOmega, l.sdOmega) &&
				math.Abs(math.Log(e.decay/l.decay)) < apart*math.Hypot(e.sdLnDecay, l.sdLnDecay)
			if e.alone() == l.alone() && alike || !e.alone() && !l.alone() && gap < math.Max(e.decay, l.decay) {
				out[len(out)-1] = append(out[len(out)-1], e)
				continue
			}
		}
		out = append(out, []estimate{e})
	}
	return out
}

// crowdedFrom is the share of hidden's merged from which on a mode is Crowded:
// twice as many expected as found.
const crowdedFrom = 0.5

// assemble makes a mode of a group of poles; level says how sure ln|H| of their
// sum is at a frequency in a response, as a standard deviation.
func assemble(g []estimate, p *prepared, level func(hz float64, r int) float64) Mode {
	fs := p.dec.inRate
	if len(g) == 1 {
		e := g[0]
		m := Mode{Kind: Single, Hz: e.omega / 2 / math.Pi, DecayS: sixtyDB / e.decay, Poles: 1, Crowded: e.merged >= crowdedFrom, members: []member{e.member}}
		m.FromHz, m.ToHz = m.Hz, m.Hz
		m.Hz90 = math.Min(e.halfOmega/2/math.Pi, m.Hz)
		m.DecayS90 = math.Min(e.halfLnDecay, mostUnsure) * m.DecayS
		for r, a := range e.amp {
			m.At = append(m.At, Strength{
				LevelDB:   scale.AmplitudeDB(cmplx.Abs(a) / 2 / e.decay * fs),
				LevelDB90: math.Min(e.halfLevel[r], mostUnsure) * 20 / math.Ln10,
				Amplitude: cmplx.Abs(a), PhaseRad: cmplx.Phase(a),
				PhaseRad90: math.Min(e.halfPhase[r], math.Pi),
			})
		}
		return m
	}
	m := Mode{Kind: Group, Poles: len(g)}
	m.FromHz, m.ToHz = math.Inf(1), 0
	short, long := math.Inf(1), 0.0
	weak, merged := 0.0, 0.0
	for _, e := range g {
		hz := e.omega / 2 / math.Pi
		m.FromHz, m.ToHz = math.Min(m.FromHz, hz), math.Max(m.ToHz, hz)
		t := sixtyDB / e.decay
		short, long = math.Min(short, t), math.Max(long, t)
		m.members = append(m.members, e.member)
		m.Crowded = m.Crowded || e.merged >= crowdedFrom
		weak, merged = math.Max(weak, e.weak), math.Max(merged, e.merged)
	}
	// The peak of the group's own magnitude within its range, summed as power over
	// the responses.
	best := -1.0
	const steps = 100
	for k := range steps + 1 {
		hz := m.FromHz + (m.ToHz-m.FromHz)*float64(k)/steps
		sum := 0.0
		for r := range g[0].amp {
			a := m.magnitude(hz, r)
			sum += a * a
		}
		if sum > best {
			best, m.Hz = sum, hz
		}
	}
	m.Hz90 = math.Max(m.ToHz-m.Hz, m.Hz-m.FromHz)
	m.DecayS = m.fall(short, long)
	m.DecayS90 = math.Max(math.Max(long-m.DecayS, m.DecayS-short), 0)
	for r := range g[0].amp {
		sum := 0i
		for _, e := range g {
			sum += e.amp[r]
		}
		m.At = append(m.At, Strength{
			LevelDB:   scale.AmplitudeDB(m.magnitude(m.Hz, r) * fs),
			LevelDB90: math.Min(half(level(m.Hz, r), tuned.level, weak, merged, 1), mostUnsure) * 20 / math.Ln10,
			Amplitude: cmplx.Abs(sum), PhaseRad: cmplx.Phase(sum), PhaseRad90: math.Pi,
		})
	}
	return m
}

// magnitude returns |H| of the mode at hz in response r, in seconds.
func (m Mode) magnitude(hz float64, r int) float64 {
	h := 0i
	jw := complex(0, 2*math.Pi*hz)
	for _, q := range m.members {
		s := complex(-q.decay, q.omega)
		a := q.amp[r]
		h += a/2/(jw-s) + cmplx.Conj(a)/2/(jw-cmplx.Conj(s))
	}
	return cmplx.Abs(h)
}

// fall returns the decay time of the sum of the members' energy, from −5 to
// −25 dB of its backward integral: a line through the two points.
func (m Mode) fall(short, long float64) float64 {
	// ∫ from t of |Σ a e^{st}|² is Σ over pairs in closed form.
	left := func(t float64) float64 {
		sum := 0.0
		for r := range m.members[0].amp {
			for _, a := range m.members {
				for _, b := range m.members {
					d := complex(a.decay+b.decay, b.omega-a.omega)
					e := cmplx.Exp(-d * complex(t, 0))
					sum += real(a.amp[r] * cmplx.Conj(b.amp[r]) * e / d)
				}
			}
		}
		return sum
	}
	whole := left(0)
	at := func(db float64) float64 {
		lo, hi := 0.0, long
		for range 50 {
			mid := (lo + hi) / 2
			if left(mid) > whole*scale.Power(db) {
				lo = mid
			} else {
				hi = mid
			}
		}
		return lo
	}
	return math.Min(math.Max(3*(at(-25)-at(-5)), short), long)
}
