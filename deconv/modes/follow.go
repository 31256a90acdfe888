package modes

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"sync"

	"gonum.org/v1/gonum/mat"

	"roomsonde/deconv"
	"roomsonde/sweep/scale"
)

// Change is what became of a room's modes.
type Change struct {
	// Before and After are what was found in each. After is worked out with what
	// Before knows, so that it may differ from what Find makes of the same responses.
	Before, After *Result
	// Together tells that the modes before and after are for the most part the
	// same, so that After rests on Before. Where everything has changed it does
	// not; then Pairs is empty.
	Together bool
	// Pairs holds the single modes, by rising frequency. Of a single one before,
	// After may be a group. What is left of a mode that has become another one, and
	// what was unsure before and is not now, is in After only.
	Pairs []Pair
}

// Pair is a mode before and after; nil: there was none, or it is not sure any more.
type Pair struct {
	Before, After *Mode
	// Moved tells that this mode was filtered, or damped, other than the rest: After is
	// another one, beyond what both are known to. Small changes, and those that all modes
	// share, are in the figures only.
	Moved bool
}

const (
	// warmth is the standard deviation of the factor by which all frequencies may
	// have changed together: the speed of sound goes with the square root of the absolute
	// temperature, 0.17 % to the degree (ideal gas).
	warmth = 0.0017
	// damping is the same of all decay times, as its logarithm: somebody more in the room, a curtain.
	damping = 0.15
	// settled is the standard deviation of what single modes differ by from day to
	// day beside that, of ln decay and in parts of half the bandwidth; held is what they are
	// given at first. Our choice.
	settled, held = 0.01, 0.002
	// doubted bounds the same of poles that before did not tell well: so far at most may they go
	// in the fit, lest they take the place of one that has changed. It is no knowledge, and
	// has no part in what is stated.
	doubted = 0.1
)

// Follow finds what became of the modes of before in after, two sets of responses of one
// room, in which something was changed. Poles of before are expected to be those of after
// too: one more is added, or one of them let go, where after's residual demands
// it. So the decay that a filter leaves of a mode is told even where Find alone cannot tell
// it from its neighbours. Each mode after is told as the data after have it; before only
// helps with what stands around it. Errors: as Find's, which say of which set.
func Follow(ctx context.Context, before, after []deconv.ImpulseResponse, o Options) (*Change, error) {
	var a, b *found
	var errA, errB error
	var wait sync.WaitGroup
	wait.Go(func() { a, errA = look(ctx, before, o) })
	b, errB = look(ctx, after, o)
	wait.Wait()
	if errA != nil {
		return nil, fmt.Errorf("before: %w", errA)
	}
	if errB != nil {
		return nil, fmt.Errorf("after: %w", errB)
	}
	w, err := follow(ctx, a, b)
	if err != nil {
		return nil, err
	}
	if w == nil {
		return &Change{Before: a.result(), After: b.result()}, nil
	}
	b.f = w.f
	c := &Change{Before: a.result(), After: b.result(), Together: true}
	c.Pairs = w.pairs(c.Before, c.After)
	return c, nil
}

// prior is what is known of a fit's poles before the data: the information of
// (ln decay, angle) of each about where it was, in units of 1/variance of the noise.
type prior struct {
	at   []pole
	info *mat.SymDense
}

// off is how far poles are from where they were.
func (p *prior) off(poles []pole) *mat.VecDense {
	v := mat.NewVecDense(2*len(poles), nil)
	for i, q := range poles {
		v.SetVec(2*i, math.Log(q.decay/p.at[i].decay))
		v.SetVec(2*i+1, q.angle-p.at[i].angle)
	}
	return v
}

// join adds what is known to a fit's information and gradient.
func (p *prior) join(info *mat.SymDense, gradient []float64, poles []pole) {
	if p == nil {
		return
	}
	info.AddSym(info, p.info)
	var pull mat.VecDense
	pull.MulVec(p.info, p.off(poles))
	for i := range gradient {
		gradient[i] -= pull.AtVec(i)
	}
}

// cost is what poles cost that are not where they were, as a squared residual.
func (p *prior) cost(poles []pole) float64 {
	if p == nil {
		return 0
	}
	v := p.off(poles)
	return mat.Inner(v, p.info, v)
}

// misfit is the squared residual and what the poles cost.
func (f *fit) misfit() float64 { return f.rss + f.prior.cost(f.poles) }

// part returns the prior of the poles of a list, without a word on the others; of those
// added nothing is known.
func (p *prior) part(list []int, added ...pole) *prior {
	out := &prior{at: append(pick(p.at, list), added...), info: mat.NewSymDense(2*(len(list)+len(added)), nil)}
	for a, i := range list {
		for b, j := range list {
			for x := range 2 {
				for y := range 2 {
					out.info.SetSym(2*a+x, 2*b+y, p.info.At(2*i+x, 2*j+y))
				}
			}
		}
	}
	return out
}

// given returns the prior of the poles of a list where the others are held where they
// are; of those added nothing is known.
func (p *prior) given(list []int, poles []pole, added ...pole) *prior {
	out := p.part(list, added...)
	if len(list) == 0 {
		return out
	}
	var rows []int
	for _, i := range list {
		rows = append(rows, 2*i, 2*i+1)
	}
	own := p.part(list).info
	// Where the others are off, these are to be expected off too.
	off := p.off(poles)
	for _, i := range rows {
		off.SetVec(i, 0)
	}
	var pull mat.VecDense
	pull.MulVec(p.info, off)
	drag := mat.NewVecDense(len(rows), nil)
	for a, i := range rows {
		drag.SetVec(a, -pull.AtVec(i))
	}
	var to mat.VecDense
	to.MulVec(invert(own), drag)
	for k := range list {
		out.at[k].decay *= math.Exp(to.AtVec(2 * k))
		out.at[k].angle += to.AtVec(2*k + 1)
	}
	return out
}

// freed returns the prior without knowledge of pole k: what is known of the others
// whatever that one does.
func (p *prior) freed(k int) *prior {
	out := &prior{at: p.at, info: mat.NewSymDense(2*len(p.at), nil)}
	a, b, d := p.info.At(2*k, 2*k), p.info.At(2*k, 2*k+1), p.info.At(2*k+1, 2*k+1)
	det := a*d - b*b
	for i := range 2 * len(p.at) {
		x, y := p.info.At(i, 2*k), p.info.At(i, 2*k+1)
		for j := i; j < 2*len(p.at); j++ {
			if i/2 == k || j/2 == k {
				continue
			}
			u, w := p.info.At(j, 2*k), p.info.At(j, 2*k+1)
			out.info.SetSym(i, j, p.info.At(i, j)-(x*(d*u-b*w)+y*(a*w-b*u))/det)
		}
	}
	return out
}

// spread returns the covariance of (ln decay, angle) of a fit's poles, by its
// information and by how much they wander.
func (s *search) spread(f *fit) *mat.SymDense {
	info, _, _ := f.information()
	c := invert(info)
	wander := s.wander(f, c)
	c.ScaleSym(f.variance(), c)
	for i := range c.SymmetricDim() {
		c.SetSym(i, i, c.At(i, i)+wander[i/2][i%2])
	}
	return c
}

// expect returns what is expected of poles after a change that leaves them as they
// are: known with covariance c (nil: exactly), but for own, a standard deviation, and going
// by no more than about reach (+Inf: no bound); for a fit in noise of a variance.
func (s *search) expect(at []pole, c *mat.SymDense, own, reach, variance float64) *prior {
	n := 2 * len(at)
	unit := func(i int) float64 { // of the angle, half the bandwidth
		if i%2 == 0 {
			return 1
		}
		return at[i/2].decay
	}
	square := func(x float64) float64 { return x * x }
	all := mat.NewSymDense(n, nil)
	if c != nil {
		all.CopySym(c)
	}
	for i := range n {
		all.SetSym(i, i, all.At(i, i)+square(own*unit(i)))
	}
	p := &prior{at: at, info: invert(all)}
	for i := range n {
		p.info.SetSym(i, i, p.info.At(i, i)+1/square(reach*unit(i)))
	}
	all = invert(p.info)
	// What all of the room's share.
	shared := func(i int) float64 {
		switch {
		case s.steady(at[i/2]):
			return 0
		case i%2 == 0:
			return damping
		}
		return warmth * at[i/2].angle
	}
	for i := range n {
		for j := i; j < n; j += 2 {
			all.SetSym(i, j, all.At(i, j)+shared(i)*shared(j))
		}
	}
	p.info = invert(all)
	p.info.ScaleSym(variance, p.info)
	return p
}

// steady reports whether a pole is a tone rather than a mode.
func (s *search) steady(p pole) bool { return sixtyDB/p.decay/s.rate > steadyS }

// follower is a fit to the responses after: poles from before, in their order, and new
// ones behind them.
type follower struct {
	s    *search
	f    *fit
	old  int    // so many poles are from before
	free []bool // of each pole from before: it was let go
	v    float64
}

const (
	// mostSuspects is how many changes are tried in one round.
	mostSuspects = 8
	// mostChanged is the share of the poles from before that may change, or that new
	// ones may be: where more do, the room is another.
	mostChanged = 0.25
)

// follow fits the poles of before to after; nil where after's own do better, or
// where there is nothing to follow.
func follow(ctx context.Context, before, after *found) (*follower, error) {
	if before.f == nil || after.f == nil || len(before.f.poles) == 0 {
		return nil, nil
	}
	s, v := after.s, after.f.variance()
	// Angles and decays are per sample.
	spread, ratio := before.s.spread(before.f), before.p.dec.rate/after.p.dec.rate
	poles := slices.Clone(before.f.poles)
	for i, p := range poles {
		poles[i] = s.limits.clamp(pole{p.decay * ratio, p.angle * ratio})
		for j := range 2 * len(poles) {
			spread.SetSym(2*i+1, j, spread.At(2*i+1, j)*ratio)
		}
		spread.SetSym(2*i+1, 2*i+1, spread.At(2*i+1, 2*i+1)*ratio)
	}
	f := newFit(after.f.y, poles)
	if f == nil {
		return nil, nil
	}
	f = s.adapted(f)
	loose := s.expect(f.poles, spread, settled, doubted, v)
	// First as if all were known well, so that no pole that is not makes up for
	// one that has changed. Where before is the noisier one that leads to too many
	// changes, and it goes without.
	for _, stages := range [][]*prior{{s.expect(f.poles, nil, held, math.Inf(1), v), loose}, {loose}} {
		w := &follower{s: s, f: f, old: len(f.poles), free: make([]bool, len(f.poles)), v: v}
		for _, p := range stages {
			w.with(p)
			if err := w.grow(ctx); err != nil {
				return nil, err
			}
			if w.prune(); w.tooMany() {
				break
			}
		}
		if !w.tooMany() && w.cost() <= after.f.rss/v+s.need*float64(len(after.f.poles)) {
			w.with(s.expect(w.f.prior.at[:w.old], spread, settled, math.Inf(1), v))
			w.f.own = w.alone()
			return w, nil
		}
	}
	return nil, nil
}

// alone returns the poles, each as the data tell it without what was known of itself: so
// no change of it is taken for noise. What was known of the others still tells it from them.
func (w *follower) alone() []pole {
	m := w.f.model()
	out := slices.Clone(m.poles)
	var wait sync.WaitGroup
	const workers = 2
	for k := range workers {
		wait.Go(func() {
			for i := k; i < w.old; i += workers {
				if w.free[i] {
					continue
				}
				list := append(m.near(m.poles[i], i, company), i)
				if f := m.sub(list, pick(m.poles, list)); f != nil {
					f.prior = w.f.prior.freed(i).given(list, m.poles)
					out[i] = f.refine(w.s.limits, 12).poles[len(list)-1]
				}
			}
		})
	}
	wait.Wait()
	return out
}

// ownSpread returns the covariance of pole k (ln decay, angle) by the data and what is known of
// the others: cov is that with what is known of itself, too. By Woodbury's formula, as
// freed takes away a matrix of rank two. In units of the variance.
func (p *prior) ownSpread(k int, cov *mat.SymDense) (decay, angle float64) {
	decay, angle = cov.At(2*k, 2*k), cov.At(2*k+1, 2*k+1)
	if p == nil || p.info.At(2*k, 2*k) == 0 {
		return decay, angle
	}
	n := cov.SymmetricDim()
	a := mat.NewDense(n, 2, nil)
	for i := range n {
		a.Set(i, 0, p.info.At(i, 2*k))
		a.Set(i, 1, p.info.At(i, 2*k+1))
	}
	var ca, left mat.Dense
	ca.Mul(cov, a)
	left.Mul(a.T(), &ca)
	x, y, z := p.info.At(2*k, 2*k)-left.At(0, 0), p.info.At(2*k, 2*k+1)-left.At(0, 1), p.info.At(2*k+1, 2*k+1)-left.At(1, 1)
	det := x*z - y*y
	if !(det > 1e-12*p.info.At(2*k, 2*k)*p.info.At(2*k+1, 2*k+1)) {
		return math.Inf(1), math.Inf(1) // the data say nothing
	}
	more := func(i int) float64 {
		u, w := ca.At(i, 0), ca.At(i, 1)
		return (z*u*u - 2*y*u*w + x*w*w) / det
	}
	return decay + more(2*k), angle + more(2*k+1)
}

// price is how many variances a change of the model must earn that has so many parameters.
func price(params float64) float64 { return params + needSpread*math.Sqrt(2*params) }

// cost is the misfit in variances with the price of what was not known before:
// amplitudes (of what is not there any more, no more than it does), poles let go, and new ones.
func (w *follower) cost() float64 {
	c := w.f.misfit()/w.v + float64(len(w.f.poles)-w.old)*w.s.need
	strengths := w.f.strengths()
	for i, free := range w.free {
		c += math.Min(price(2*float64(len(w.f.y))), strengths[i]/w.v)
		if free {
			c += price(2)
		}
	}
	return c
}

// tooMany reports whether so much has changed that it is another room.
func (w *follower) tooMany() bool {
	n := len(w.f.poles) - w.old
	for _, free := range w.free {
		if free {
			n++
		}
	}
	return float64(n) > math.Max(6, mostChanged*float64(w.old))
}

// adapted returns the fit with all frequencies, and all decays, moved by the factors that
// suit the data best, within three standard deviations. Tones stay.
func (s *search) adapted(f *fit) *fit {
	best, at := f, [2]float64{}
	bound := [2]float64{warmth, damping}
	for step := 1.0; step > 1.0/200; {
		better := false
		for k := range at {
			for _, sign := range []float64{-1, 1} {
				to := at
				to[k] += sign * step * bound[k]
				if math.Abs(to[k]) > 3*bound[k] {
					continue
				}
				poles := slices.Clone(f.poles)
				for i, p := range poles {
					if !s.steady(p) {
						poles[i] = s.limits.clamp(pole{p.decay * math.Exp(to[1]), p.angle * (1 + to[0])})
					}
				}
				if g := newFit(f.y, poles); g != nil && g.rss < best.rss {
					best, at, better = g, to, true
				}
			}
		}
		if !better {
			step /= 2
		}
	}
	return best
}

// with sets what is expected of the poles from before.
func (w *follower) with(p *prior) {
	for i, free := range w.free {
		if free {
			p = p.freed(i)
		}
	}
	f := *w.f
	f.prior = p.part(upTo(w.old), w.f.poles[w.old:]...)
	w.f = &f
}

// upTo returns 0, 1, …, n−1.
func upTo(n int) []int {
	list := make([]int, n)
	for i := range list {
		list[i] = i
	}
	return list
}

// grow adds poles, and lets them go, as long as that is worth it.
func (w *follower) grow(ctx context.Context) error {
	around := 2 * math.Pi * hiddenHz / w.s.rate
	var changed []pole // in the round before; at first everything is looked at
	for first := true; first || len(changed) > 0; first = false {
		if err := ctx.Err(); err != nil {
			return err
		}
		near := func(p pole, list []pole) bool {
			return slices.ContainsFunc(list, func(d pole) bool { return math.Abs(d.angle-p.angle) < around })
		}
		list := w.suspects(func(p pole) bool { return first || near(p, changed) })
		changed = nil
		for _, c := range list {
			if !near(c, changed) && w.try(c) {
				changed = append(changed, c)
			}
		}
		w.f = w.f.refine(w.s.limits, 2)
		if w.tooMany() || len(w.f.poles) >= w.s.most {
			break
		}
	}
	w.f = w.f.refine(w.s.limits, 6)
	return nil
}

// suspects returns poles that may have to be added, the most promising first: where the
// residual shows any, and beside poles from before that may ring shorter, or longer,
// now; the latter where at says so.
func (w *follower) suspects(at func(pole) bool) []pole {
	m := w.f.model()
	list := w.s.candidates(m, mostSuspects)
	for i, p := range m.poles[:w.old] {
		if w.free[i] || sixtyDB/p.decay/w.s.rate < hiddenShort || !at(p) {
			continue
		}
		for _, times := range []float64{0.6, 1.6, 2.7} {
			list = append(list, w.s.limits.clamp(pole{p.decay * times, p.angle}))
		}
	}
	gains := make([]float64, len(list))
	var wait sync.WaitGroup
	const workers = 2
	for k := range workers {
		wait.Go(func() {
			for i := k; i < len(list); i += workers {
				near := m.near(list[i], -1, company)
				if f := m.sub(near, append(pick(m.poles, near), list[i])); f != nil {
					gains[i] = m.rss - f.rss
				}
			}
		})
	}
	wait.Wait()
	order := upTo(len(list))
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(gains[b], gains[a]) })
	return pick(list, order[:min(mostSuspects, len(order))])
}

// try lets go a pole near a candidate, or adds the candidate, whichever is
// better, if it is worth it.
func (w *follower) try(c pole) bool {
	m := w.f.model()
	near := m.near(c, -1, company)
	type way struct {
		free  int // index of the pole let go; −1: one is added
		prior *prior
		poles []pole
		gain  float64
	}
	best := way{}
	for k := -1; k < min(2, len(near)); k++ {
		one := way{free: -1}
		var sub *prior
		start := pick(m.poles, near)
		worth := price(2)
		if k < 0 {
			worth = w.s.need
			one.prior = w.f.prior.part(upTo(len(m.poles)), c)
			sub = w.f.prior.given(near, m.poles, c)
			start = append(start, c)
		} else {
			if one.free = near[k]; one.free >= w.old || w.free[one.free] {
				continue
			}
			one.prior = w.f.prior.freed(one.free)
			sub = one.prior.given(near, m.poles)
		}
		f := m.sub(near, start)
		if f == nil {
			continue
		}
		f.prior = sub
		f = f.refine(w.s.limits, 12)
		one.poles = slices.Clone(m.poles)
		for i, at := range near {
			one.poles[at] = f.poles[i]
		}
		one.poles = append(one.poles, f.poles[len(near):]...)
		one.gain = w.f.misfit() - f.rss - one.prior.cost(one.poles) - worth*w.v
		if one.gain > best.gain {
			best = one
		}
	}
	if best.gain == 0 {
		return false
	}
	f := newFit(w.f.y, best.poles)
	if f == nil {
		return false
	}
	f.prior = best.prior
	w.f = f
	if best.free >= 0 {
		w.free[best.free] = true
	}
	return true
}

// prune takes new poles away again that the others can do without, the weakest first.
func (w *follower) prune() {
	for len(w.f.poles) > w.old {
		strengths := w.f.strengths()
		order := upTo(len(w.f.poles))[w.old:]
		slices.SortFunc(order, func(a, b int) int { return cmp.Compare(strengths[a], strengths[b]) })
		removed := false
		for _, i := range order {
			m := w.f.model()
			near := m.near(m.poles[i], i, company)
			f := m.sub(append(slices.Clone(near), i), pick(m.poles, near))
			if f == nil {
				continue
			}
			f.prior = w.f.prior.given(near, m.poles)
			f = f.refine(w.s.limits, 8)
			poles := slices.Clone(m.poles)
			for j, at := range near {
				poles[at] = f.poles[j]
			}
			poles = slices.Delete(poles, i, i+1)
			next := newFit(w.f.y, poles)
			if next == nil {
				continue
			}
			next.prior = w.f.prior.part(slices.Delete(upTo(len(m.poles)), i, i+1))
			if next.misfit()-w.f.misfit() < w.s.need*w.v {
				w.f, removed = next.refine(w.s.limits, 3), true
				break
			}
		}
		if !removed {
			return
		}
	}
}

const (
	// gaveWayDB is how much weaker than the one that has taken its place a mode must be.
	gaveWayDB = 6.0
	// atPlace is how far off, in bandwidths of it, that one may be: damping hardly
	// moves a mode.
	atPlace = 0.25
)

// pairs tells what became of the single modes of before.
func (w *follower) pairs(before, after *Result) []Pair {
	var out []Pair
	kept := map[int]int{} // index of a pole from before → its pair
	for i := range before.Modes {
		if m := &before.Modes[i]; m.Kind == Single {
			kept[m.members[0].index] = len(out)
			out = append(out, Pair{Before: m})
		}
	}
	var fresh []*Mode
	left := map[int]float64{} // pair → level of what is left of its mode
	for i := range after.Modes {
		m := &after.Modes[i]
		known := false
		for _, q := range m.members {
			k, ok := kept[q.index]
			if !ok {
				continue
			}
			known, left[k] = true, q.loudest()
			if !slices.ContainsFunc(m.members, func(o member) bool { return o.loudest() > q.loudest() }) {
				out[k].After, out[k].Moved = m, w.free[q.index]
			}
		}
		if !known && m.Kind == Single {
			fresh = append(fresh, m)
		}
	}
	// One that was not there before, at one from before that is much weaker than it
	// now, is what that one has turned into.
	slices.SortStableFunc(fresh, func(a, b *Mode) int { return cmp.Compare(b.members[0].loudest(), a.members[0].loudest()) })
	taken := map[int]bool{}
	was := map[int]float64{} // index of a pole from before → its level then
	for _, m := range slices.Concat(before.Modes, before.Other) {
		for _, q := range m.members {
			was[q.index] = q.loudest()
		}
	}
	for _, m := range fresh {
		if q := m.members[0]; q.index < w.old && q.loudest() < was[q.index]+gaveWayDB {
			continue // it was there, only not as sure
		}
		best, off := -1, math.Inf(1)
		for k, p := range out {
			if level, there := left[k]; p.Before == nil || taken[k] || there && level > m.members[0].loudest()-gaveWayDB {
				continue
			}
			within := math.Max(atPlace*p.Before.BandwidthHz(), math.Hypot(p.Before.Hz90, m.Hz90))
			if x := math.Abs(p.Before.Hz - m.Hz); x < math.Min(within, off) {
				best, off = k, x
			}
		}
		if best < 0 {
			if m.members[0].index >= w.old {
				out = append(out, Pair{After: m})
			}
			continue
		}
		out[best].After, out[best].Moved, taken[best] = m, true, true
	}
	for k, p := range out {
		if p.Moved && p.same() {
			out[k].Moved = false
		}
	}
	slices.SortStableFunc(out, func(a, b Pair) int { return cmp.Compare(a.hz(), b.hz()) })
	return out
}

// same reports whether After is Before, as far as they are known, and but for the temperature.
func (p Pair) same() bool {
	a, b := p.Before, p.After
	return b.Kind == Single && math.Abs(a.DecayS-b.DecayS) <= math.Hypot(a.DecayS90, b.DecayS90) &&
		math.Abs(a.Hz-b.Hz) <= math.Hypot(math.Hypot(a.Hz90, b.Hz90), half90*warmth*a.Hz)
}

func (p Pair) hz() float64 {
	if p.Before != nil {
		return p.Before.Hz
	}
	return p.After.Hz
}

// loudest is a pole's level where it is highest, against a level of its own.
func (q member) loudest() float64 {
	top := 0.0
	for _, a := range q.amp {
		top = math.Max(top, cmplx.Abs(a))
	}
	return scale.AmplitudeDB(top / q.decay)
}
