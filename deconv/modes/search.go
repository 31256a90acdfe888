package modes

import (
	"cmp"
	"context"
	"math"
	"math/cmplx"
	"slices"
	"sync"
)

// search finds how many poles the data hold, and where.
type search struct {
	y      [][]float64
	rate   float64
	limits limits
	need   float64 // fall of the squared residual, in variances, that a pole must earn
	most   int     // poles
}

const sixtyDB = 6.907755278982137 // ln 1000

func (s *search) decayOf(t60 float64) float64 { return sixtyDB / t60 / s.rate }

const (
	// needSpread is how many standard deviations of a chi-squared variable above
	// its mean a pole must earn to be part of the fit: so many that few of the
	// places in frequency and decay at which it could be tried pass by chance.
	needSpread = 6.5
	// obvious is how many times that lets a pole's place go without a trial.
	obvious = 30
	// company is how many neighbours are fitted again when a pole comes or goes.
	company = 5
)

func newSearch(y [][]float64, rate float64) *search {
	s := &search{y: y, rate: rate, most: 110}
	s.limits = limits{
		minDecay: s.decayOf(longestS), maxDecay: s.decayOf(0.03),
		minAngle: 2 * math.Pi * 2 / rate, maxAngle: math.Pi * 0.995,
	}
	// A pole has 2 parameters and 2 more per response.
	free := 2 + 2*float64(len(y))
	s.need = free + needSpread*math.Sqrt(2*free)
	return s
}

// model is a set of poles, rising in frequency, with amplitudes and what they leave.
// Unlike a fit, its amplitudes need not be the best for all poles together.
type model struct {
	y     [][]float64
	poles []pole
	amp   [][]complex128 // [response][pole]
	rest  [][]float64
	rss   float64
}

func (f *fit) model() *model {
	return &model{y: f.y, poles: f.poles, amp: f.amp, rest: f.rest, rss: f.rss}
}

func (m *model) variance() float64 {
	r := float64(len(m.y))
	n := float64(len(m.y[0])) * r
	return m.rss/math.Max(n/10, n-float64(len(m.poles))*(2+2*r)) + floor
}

// sub returns a fit of the poles to what the model leaves and its poles drop
// had explained; nil where it cannot be solved.
func (m *model) sub(drop []int, poles []pole) *fit {
	y := make([][]float64, len(m.y))
	z := make([]complex128, len(drop))
	c := make([]complex128, len(drop))
	for r := range y {
		for k, i := range drop {
			z[k], c[k] = m.poles[i].z(), -m.amp[r][i]
		}
		y[r] = residual(m.rest[r], z, c)
	}
	return newFit(y, poles)
}

// sorted returns the model with its poles rising in frequency.
func (m *model) sorted() *model {
	if slices.IsSortedFunc(m.poles, func(a, b pole) int { return cmp.Compare(a.angle, b.angle) }) {
		return m
	}
	return m.with(nil, &fit{rest: m.rest, rss: m.rss})
}

// with returns the model with the poles drop replaced by those of the fit that
// sub returned for them.
func (m *model) with(drop []int, f *fit) *model {
	type one struct {
		p pole
		a []complex128
	}
	var all []one
	for i, p := range m.poles {
		if slices.Contains(drop, i) {
			continue
		}
		o := one{p: p}
		for r := range m.y {
			o.a = append(o.a, m.amp[r][i])
		}
		all = append(all, o)
	}
	for i, p := range f.poles {
		o := one{p: p}
		for r := range m.y {
			o.a = append(o.a, f.amp[r][i])
		}
		all = append(all, o)
	}
	slices.SortFunc(all, func(a, b one) int { return cmp.Compare(a.p.angle, b.p.angle) })
	out := &model{y: m.y, rest: f.rest, rss: f.rss, amp: make([][]complex128, len(m.y))}
	for _, o := range all {
		out.poles = append(out.poles, o.p)
		for r := range m.y {
			out.amp[r] = append(out.amp[r], o.a[r])
		}
	}
	return out
}

// near returns the poles that overlap most with p, without the one at index
// self (−1: none such), at most count.
func (m *model) near(p pole, self, count int) []int {
	var list []int
	for i := range m.poles {
		if i != self {
			list = append(list, i)
		}
	}
	overlap := func(i int) float64 {
		return math.Abs(m.poles[i].angle-p.angle) / (m.poles[i].decay + p.decay)
	}
	slices.SortFunc(list, func(a, b int) int { return cmp.Compare(overlap(a), overlap(b)) })
	return list[:min(count, len(list))]
}

func pick(poles []pole, list []int) []pole {
	out := make([]pole, len(list))
	for k, i := range list {
		out[k] = poles[i]
	}
	return out
}

// settle refines the model block by block, in two halves at the same time: what
// one half changes the other hardly sees.
func (s *search) settle(m *model, rounds, steps int) *model {
	for range rounds {
		before := m.rss
		mid := len(m.poles) / 2
		if mid < block {
			m = s.settlePart(m, 0, len(m.poles), steps).sorted()
		} else {
			var low, high *model
			var wait sync.WaitGroup
			wait.Go(func() { low = s.settlePart(m, 0, mid, steps) })
			high = s.settlePart(m, mid, len(m.poles), steps)
			wait.Wait()
			both := &model{
				y: m.y, rest: make([][]float64, len(m.y)), amp: make([][]complex128, len(m.y)),
				poles: append(slices.Clone(low.poles[:mid]), high.poles[mid:]...),
			}
			for r, e := range m.rest {
				both.amp[r] = append(slices.Clone(low.amp[r][:mid]), high.amp[r][mid:]...)
				both.rest[r] = make([]float64, len(e))
				for n, v := range e {
					v = low.rest[r][n] + high.rest[r][n] - v
					both.rest[r][n] = v
					both.rss += v * v
				}
			}
			for _, one := range []*model{low, high} {
				if one.rss < both.rss {
					both = one
				}
			}
			m = both.sorted()
			// Blocks that reach across the middle.
			m = s.settlePart(m, mid-block/2, min(mid+block/2, len(m.poles)), steps).sorted()
		}
		if before-m.rss < m.variance() {
			break
		}
	}
	return m
}

// block is how many poles are refined together, the next ones half of them on.
const block = 8

// settlePart refines poles from to to−1, which stay at their indices.
func (s *search) settlePart(m *model, from, to, steps int) *model {
	for lo := from; lo < to; lo += block / 2 {
		var list []int
		for i := lo; i < min(lo+block, to); i++ {
			list = append(list, i)
		}
		if f := m.sub(list, pick(m.poles, list)); f != nil {
			if f = f.refine(s.limits, steps); f.rss < m.rss {
				m = m.changed(list, f)
			}
		}
		if lo+block >= to {
			break
		}
	}
	return m
}

// changed returns the model with the poles at these indices moved as the fit of
// sub has them.
func (m *model) changed(list []int, f *fit) *model {
	out := &model{y: m.y, poles: slices.Clone(m.poles), rest: f.rest, rss: f.rss, amp: make([][]complex128, len(m.y))}
	for r := range m.y {
		out.amp[r] = slices.Clone(m.amp[r])
		for k, i := range list {
			out.poles[i], out.amp[r][i] = f.poles[k], f.amp[r][k]
		}
	}
	return out
}

// start returns the model that grows from what ESPRIT finds, in windows of
// several lengths.
func (s *search) start() *model {
	n := len(s.y[0])
	var windows []int
	for _, seconds := range []float64{0.45, 0.8} {
		if count := min(int(seconds*s.rate), n); !slices.Contains(windows, count) {
			windows = append(windows, count)
		}
	}
	models := make([]*model, len(windows))
	var wait sync.WaitGroup
	for i, count := range windows {
		wait.Go(func() {
			var kept []pole
			for _, p := range esprit(s.y, count, count*45/100, 6, 2*s.most) {
				if s.limits.clamp(p) == p {
					kept = append(kept, p)
				}
			}
			if f := newFit(s.y, kept); f != nil {
				models[i] = s.backward(s.settle(s.thin(f, 4).model(), 3, 4))
			}
		})
	}
	wait.Wait()
	best := newFit(s.y, nil).model()
	for _, m := range models {
		if m != nil && s.cost(m) < s.cost(best) {
			best = m
		}
	}
	return best
}

// cost is twice the negative log likelihood with the price of each pole.
func (s *search) cost(m *model) float64 {
	values := float64(len(m.y[0]) * len(m.y))
	return values*math.Log(m.rss+floor*values) + s.need*float64(len(m.poles))
}

// without returns the poles but those named.
func without(poles []pole, drop ...int) []pole {
	var out []pole
	for i, p := range poles {
		if !slices.Contains(drop, i) {
			out = append(out, p)
		}
	}
	return out
}

// strengths returns for each pole how much the squared residual would rise
// without it were only the other amplitudes fitted again.
func (f *fit) strengths() []float64 {
	out := make([]float64, len(f.poles))
	if len(out) == 0 {
		return out
	}
	inv := f.gramInverse()
	for p := range out {
		i := 2 * p
		a := inv.At(i, i) * f.scale[i] * f.scale[i]
		b := inv.At(i, i+1) * f.scale[i] * f.scale[i+1]
		d := inv.At(i+1, i+1) * f.scale[i+1] * f.scale[i+1]
		det := a*d - b*b
		for r := range f.y {
			x, y := real(f.amp[r][p]), imag(f.amp[r][p])
			out[p] += (d*x*x - 2*b*x*y + a*y*y) / det
		}
	}
	return out
}

// thin drops, a few at a time, poles that even before refinement earn less than
// bound variances.
func (s *search) thin(f *fit, bound float64) *fit {
	for len(f.poles) > 0 {
		st := f.strengths()
		var list []int
		for i, v := range st {
			if v < bound*f.variance() {
				list = append(list, i)
			}
		}
		if len(list) == 0 {
			return f
		}
		slices.SortFunc(list, func(a, b int) int { return cmp.Compare(st[a], st[b]) })
		next := newFit(s.y, without(f.poles, list[:(len(list)+2)/3]...))
		if next == nil {
			return f
		}
		f = next
	}
	return f
}

// backward drops the poles that do not earn their place, weakest first, their
// neighbours fitted again each time.
func (s *search) backward(m *model) *model {
	tried := map[pole]bool{} // in vain, and nothing near has changed since
	strength := map[pole]float64{}
	for len(m.poles) > 0 {
		v := m.variance()
		weakest := -1
		for i, p := range m.poles {
			if tried[p] {
				continue
			}
			if _, known := strength[p]; !known {
				list := append(m.near(p, i, company), i)
				f := m.sub(list, pick(m.poles, list))
				if f == nil {
					strength[p] = 0
				} else {
					strength[p] = f.strengths()[len(list)-1]
				}
			}
			if strength[p] < obvious*s.need*v && (weakest < 0 || strength[p] < strength[m.poles[weakest]]) {
				weakest = i
			}
		}
		if weakest < 0 {
			return m
		}
		p := m.poles[weakest]
		tried[p] = true
		list := m.near(p, weakest, company)
		f := m.sub(append(slices.Clone(list), weakest), pick(m.poles, list))
		if f == nil {
			continue
		}
		f = f.refine(s.limits, 8)
		if f.rss-m.rss < s.need*v {
			for _, i := range list {
				delete(tried, m.poles[i])
			}
			m = m.with(append(slices.Clone(list), weakest), f)
		}
	}
	return m
}

// forward adds poles where the residual shows any, as long as they earn it.
func (s *search) forward(ctx context.Context, m *model) (*model, error) {
	for len(m.poles) < s.most {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		added := false
		for _, c := range s.candidates(m, 12) {
			list := m.near(c, -1, company)
			f := m.sub(list, append(pick(m.poles, list), c))
			if f == nil {
				continue
			}
			f = f.refine(s.limits, 12)
			next := m.with(list, f)
			if m.rss-next.rss >= s.need*next.variance() {
				m = next
				added = true
			}
		}
		if !added {
			break
		}
		m = s.settle(m, 1, 3)
	}
	return m, nil
}

// candidates returns the poles that, added to m with nothing else changed,
// would explain most of the residual: best first.
func (s *search) candidates(m *model, most int) []pole {
	type found struct {
		p    pole
		gain float64
	}
	var list []found
	v := m.variance()
	n := float64(len(m.y[0]))
	for _, t60 := range []float64{0.15, 0.4, 1.0, 2.5} {
		decay := s.decayOf(t60)
		step := decay // half the bandwidth at half power
		energy := (1 - math.Exp(-2*decay*n)) / (1 - math.Exp(-2*decay)) / 2
		var z []complex128
		for a := s.limits.minAngle; a < s.limits.maxAngle; a += step {
			z = append(z, cmplx.Rect(math.Exp(-decay), a))
		}
		gain := make([]float64, len(z))
		for r := range m.y {
			for k, t := range correlate(m.rest[r], z) {
				gain[k] += (real(t)*real(t) + imag(t)*imag(t)) / energy / v
			}
		}
		for k := 1; k+1 < len(gain); k++ {
			if gain[k] > gain[k-1] && gain[k] >= gain[k+1] && gain[k] > s.need/3 {
				list = append(list, found{pole{decay, cmplx.Phase(z[k])}, gain[k]})
			}
		}
	}
	slices.SortFunc(list, func(a, b found) int { return cmp.Compare(b.gain, a.gain) })
	var out []pole
	for _, c := range list {
		if len(out) == most {
			break
		}
		near := false
		for _, o := range out {
			near = near || math.Abs(o.angle-c.p.angle) < 2*math.Max(o.decay, c.p.decay)
		}
		if !near {
			out = append(out, c.p)
		}
	}
	return out
}

// run does all of it.
func (s *search) run(ctx context.Context) (*fit, error) {
	m, err := s.forward(ctx, s.start())
	if err != nil {
		return nil, err
	}
	m = s.backward(s.settle(m, 2, 4))
	f := newFit(s.y, m.poles)
	for f == nil { // numerically the same pole twice: one goes
		m = &model{y: m.y, poles: m.poles[1:], rest: m.rest}
		f = newFit(s.y, m.poles)
	}
	return f.refine(s.limits, 6), nil
}
