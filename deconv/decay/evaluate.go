package decay

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"roomsonde/deconv/fourier"
	"roomsonde/sweep/scale"
)

// Limits of the standards and our own.
const (
	// Decay range above the noise: evaluation range and 15 dB more
	// (ISO 3382-1:2009, 5.3.3; from memory).
	edtNeedsDB, t20NeedsDB, t30NeedsDB = 25, 35, 45

	// Where the response ends too early to know the noise, the end of
	// the curve is off by as much as it could be: then 10 dB more, so that it
	// stays below 1 % of the energy at the end of the range.
	unknownNoiseDB = 10

	// What the noise may do to a value: three standard deviations of chance (see
	// curve.chance and curve.amiss), and most of the energy below the noise, which
	// may go on otherwise than the last that is heard (see curve.hidden). A value is
	// refused where that comes to more than these shares of it, and doubtful from
	// half of them on. The figures were set on the three open rooms and synthetic
	// ones, and judged on others.
	chances     = 3
	tailUnknown = 0.8
	// The decay below the noise is taken to fall by 4.3 dB in this time at least:
	// what follows a steep fall may be slower, and not be heard for the noise.
	hiddenS    = 0.05
	mostOffT20 = 0.05
	mostOff    = 0.10 // EDT and T30

	// B·T for a filter run backwards (ISO 3382-2:2008, 7.3; from memory).
	refuseBT = 4
	doubtBT  = 8

	// Non-linearity in permille and curvature in percent (ISO 3382-2:2008,
	// annex B; from memory. The refusal at 50 is ours, and so are the wider
	// limits for the EDT: single reflections bend the first 10 dB of most rooms'
	// decay, and the EDT is meant to tell of them).
	doubtNonlinearity     = 10
	refuseNonlinearity    = 50
	doubtNonlinearityEDT  = 50
	refuseNonlinearityEDT = 200
	doubtCurvatureHigh    = 10
	doubtCurvatureLow     = -5

	// The least share of an evaluation range that must come after time zero; what
	// lies above it is the direct sound, as sharp as the filter can show it.
	leastShare = 0.5

	// Early energy up to a limit t needs B·t of this: the filter spreads energy
	// by 0.34/B (one standard deviation) about its mean displacement.
	leastBt = 2
	// The centre time needs that spread to stay within its just noticeable
	// difference, 10 ms (ISO 3382-1:2009, table A.1).
	leastBandwidthHz = 0.34 / 0.010
	// From here on up the filter's mean displacement, 7 ms at most, will do for the
	// response's own, which comes within a millisecond of it.
	narrowHz   = 100
	displacedS = 0.3 // what counts of the response for that
	// For the centre time and D50 the decay must be heard for this long: what is
	// below the noise before that may be much.
	leastHeardS = 0.075
	// Clarity and centre time are dominated by the early part.
	ratioNeedsDB = 25
	// How far the noise may put a ratio off: a third to a half of the just
	// noticeable differences, 1 dB, 0.05 and 10 ms (ISO 3382-1:2009, table A.1; from
	// memory; C50 is taken as C80).
	mostOffClarity    = 0.3 // dB
	mostOffDefinition = 0.025
	mostOffCentreS    = 0.005
	// And how far the values may lie apart that come of cutting the response before
	// and after it is filtered.
	mostSmearClarity    = 0.5 // dB
	mostSmearDefinition = 0.025

	shortestS = 0.05 // a response this short shows no decay
)

// scratch is what one goroutine works in.
type scratch struct{ sum, levels, part []float64 }

// curve is the compensated Schroeder integral of one band. Positions count the
// reversed signal's samples: the larger, the earlier.
type curve struct {
	e      *energy
	f      floor
	minus  float64 // what is to be taken off sum for a position k: minus + noise·k
	total  float64 // energy of the whole band, 0 dB
	top    int     // the first position at or after time zero
	bottom int     // the last one before the knee
	tail   float64 // energy that was added for what lies beyond the knee
	// beforeS is how much of the response before time zero is there.
	beforeS float64
	// crossHz and noiseHz are the bandwidths that chance goes by: of the noise
	// where the response sounds, and of the noise alone.
	crossHz, noiseHz float64
	// noise is the noise power that chance goes by, per sample; where the noise was
	// not met it is that of the decay's end. hidden is the energy that may lie
	// beyond the knee, unheard.
	noise, hidden float64
}

// chance returns the variance that the noise adds to an energy that it was taken
// off: of what sounds together with it (energy, a sum of powers) and of itself over
// a time. Gaussian noise of power N and bandwidth B, added to h, adds to ∫h² the
// products 2∫hn, of variance 2N·∫h²/B, and to N·t the variance N²·t/B (S. O. Rice,
// Bell Syst. Tech. J. 23 and 24, 1944–45; from memory).
func (c *curve) chance(energy, seconds float64) float64 {
	r, n := c.e.rate, c.noise
	return r * n * (2*max(0, energy)/c.crossHz + n*r*max(0, seconds)/c.noiseHz)
}

// amiss is the standard deviation of the noise energy over a time, by what is not
// known of the noise power.
func (c *curve) amiss(seconds float64) float64 {
	return c.noise * c.f.noiseOff * c.e.rate * seconds
}

// rest returns the energy of a decay like the late one from a power on.
func (c *curve) rest(power float64) float64 {
	return power * c.e.rate * 10 / (-c.f.late.slope * math.Ln10)
}

// at returns the energy from position k on, noise taken off and tail added.
func (c *curve) at(k int) float64 {
	before := 0.0
	if k > 0 {
		before = c.e.sum[k-1]
	}
	// Half of the sample at k lies before it.
	return 0.5*(before+c.e.sum[k]) - c.minus - c.f.noise*float64(k)
}

// after returns the same for any time.
func (c *curve) after(t float64) float64 {
	return c.e.from(t) - c.minus - c.f.noise*(c.e.zero-t*c.e.rate)
}

func (c *curve) time(k int) float64 { return (c.e.zero - float64(k)) / c.e.rate }

// level returns the curve at position k in dB; ok is false where nothing is left.
func (c *curve) level(k int) (db float64, ok bool) {
	p := c.at(k)
	if !(p > 0) {
		return 0, false
	}
	return 10 / math.Ln10 * math.Log(p/c.total), true
}

func newCurve(e *energy, f floor, bandwidth float64) *curve {
	c := &curve{e: e, f: f, crossHz: bandwidth, noiseHz: bandwidth}
	c.top = int(math.Floor(e.zero))
	c.bottom = max(0, int(math.Ceil(e.zero-f.kneeS*e.rate)))
	c.tail = c.rest(f.late.power(f.kneeS))
	c.noise = f.last
	c.hidden = max(c.tail, c.noise*e.rate*hiddenS)
	if f.reached {
		// A slow decay close to the noise shows in what there is more of after the
		// knee than at the end.
		const lastShare = 0.3
		span := (e.endS - f.kneeS) * e.rate
		last := e.mean((1-lastShare)*e.endS, e.endS)
		chance := last * span / math.Sqrt(max(1, bandwidth*lastShare*e.endS))
		if more := e.from(f.kneeS) - last*span; more > chance {
			c.hidden = max(c.hidden, more)
		}
	}
	if f.unsteady {
		// The last 10 dB of what was taken for decay may be noise.
		c.hidden = max(c.hidden, e.from(f.kneeS+10/f.late.slope)-e.from(f.kneeS))
	}
	c.minus = e.from(f.kneeS) - c.tail - f.noise*(e.zero-f.kneeS*e.rate)
	c.total = e.sum[len(e.sum)-1] - c.minus - f.noise*float64(len(e.sum))
	return c
}

// bandwidths returns the bandwidths that chance goes by in a band so wide that
// neither the noise nor the response is flat in it: (∫N)·(∫H)/∫N·H and (∫N)²/∫N²
// of their power spectra N and H, from the response before and after the knee.
// They are at most the band's own.
func (c *curve) bandwidths(x []float64, most float64) (crossHz, noiseHz float64) {
	heard := min(c.bottom, len(x)-1)
	if heard < leastSpectrum || c.f.last == 0 {
		return most, most
	}
	n := fourier.FastLen(len(x))
	plan := fourier.Get(n)
	defer fourier.Put(plan)
	seq := make([]float64, n)
	copy(seq, x[:heard])
	noise := plan.Coefficients(nil, seq)
	clear(seq)
	copy(seq, x[heard:])
	room := plan.Coefficients(nil, seq)
	// One bin of a noise spectrum scatters by as much as it has: only the mean of
	// several can be squared.
	group := max(1, n/heard) * 16
	var sn, sh, snh, snn float64
	for from := 1; from+group <= len(noise); from += group {
		var pn, ph float64
		for k := from; k < from+group; k++ {
			pn += real(noise[k])*real(noise[k]) + imag(noise[k])*imag(noise[k])
			ph += real(room[k])*real(room[k]) + imag(room[k])*imag(room[k])
		}
		sn, sh, snh, snn = sn+pn, sh+ph, snh+pn*ph, snn+pn*pn
	}
	if !(snn > 0 && snh > 0) {
		return most, most
	}
	width := c.e.rate / float64(n) * float64(group)
	return min(most, width*sn*sh/snh), min(most, width*sn*sn/snn)
}

// leastSpectrum is the least number of samples that shows the noise's spectrum.
const leastSpectrum = 256

// fit is the straight line through the curve between two levels.
type fit struct {
	seconds      float64 // 60 dB
	nonlinearity float64 // permille
	topDB        float64 // where it begins, ≤ the upper level
	ok           bool    // the lower level is reached before the knee
	// off is how far, as a share, the noise may have put the time off.
	off float64
}

const (
	leastPoints = 150 // so that the steps of a low rate do not show
	fitPoints   = 250 // more change no digit that is shown
	fewPoints   = 50  // enough to see what moves a line
)

// fit evaluates the curve from highDB down to lowDB (both ≤ 0): least squares
// between the first crossings of the two levels.
func (c *curve) fit(highDB, lowDB float64) fit {
	return c.fitFrom(c.top, highDB, lowDB, leastPoints, fitPoints)
}

// fitFrom is fit for a curve that begins at a position, by a number of points
// within limits.
func (c *curve) fitFrom(first int, highDB, lowDB float64, least, most int) fit {
	high, low := c.total*scale.Power(highDB), c.total*scale.Power(lowDB)
	for first >= c.bottom && c.at(first) > high {
		first--
	}
	last := first
	for last >= c.bottom && c.at(last) >= low {
		last--
	}
	if last < c.bottom {
		return fit{}
	}
	// The crossings lie between two samples, or at time zero.
	from, to := max(0, c.crossing(first, high)), max(0, c.crossing(last, low))
	if (to-from)*c.e.rate < 2 {
		return fit{} // gone at once
	}
	n := min(max(least, first-last), most)
	const toDB = 10 / math.Ln10
	var (
		r     regression
		topDB float64
		step  = (to - from) / float64(n-1)
		// A point's weight in the slope of the line is its distance from the middle,
		// by this. A change of energy δ at one moment shows in all points before it:
		// in the slope it counts by the sum of their weights, each over its energy.
		weight    = 12 / (step * float64(n) * (float64(n)*float64(n) - 1))
		sum       float64 // of these up to now
		variance  float64 // of the slope, by chance
		perNoise  float64 // change of the slope per noise power
		remaining = c.after(from)
	)
	for i := range n {
		t := from + step*float64(i)
		p := c.after(t)
		if !(p > 0) {
			return fit{}
		}
		db := toDB * math.Log(p/c.total)
		if i == 0 {
			topDB = db
		}
		r.add(t, db)
		variance += sum * sum * c.chance(remaining-p, step)
		remaining = p
		w := toDB * weight * (float64(i) - 0.5*float64(n-1)) / p
		sum += w
		perNoise += w * (c.f.kneeS - t) * c.e.rate // times the noise power that is amiss
	}
	slope, _, r2 := r.line()
	if !(slope < 0) {
		return fit{}
	}
	variance += sum * sum * c.chance(remaining-c.tail, c.f.kneeS-to)
	perNoise *= c.noise * c.f.noiseOff
	variance += perNoise * perNoise
	return fit{seconds: -60 / slope, nonlinearity: 1000 * (1 - r2), topDB: topDB, ok: true,
		off: (chances*math.Sqrt(variance) + tailUnknown*math.Abs(sum)*c.hidden) / -slope}
}

// bent adds to f.off the noise's part in where the range begins and ends: where
// the curve is bent, that matters as much as the noise's part in the curve itself.
func (c *curve) bent(f *fit, highDB, lowDB float64) {
	few := func(first int, high, low float64) fit { return c.fitFrom(first, high, low, fewPoints, fewPoints) }
	still := few(c.top, highDB, lowDB)
	if !still.ok {
		return
	}
	moved := func(high, low float64) (off float64) {
		for _, sign := range []float64{-1, 1} {
			if g := few(c.top, highDB+sign*high, lowDB+sign*low); g.ok {
				off = max(off, math.Abs(g.seconds/still.seconds-1))
			}
		}
		return off
	}
	f.off += moved(0, max(leastOffDB, c.offDB(lowDB)))
	if highDB < 0 {
		f.off += moved(max(leastOffDB, c.offDB(highDB)), 0)
	} else if late := few(c.top-int(math.Ceil(leastOffBt*c.e.rate/c.crossHz)), highDB, lowDB); late.ok {
		f.off += math.Abs(late.seconds/still.seconds - 1)
	} else {
		f.ok = false
	}
}

// leastOffBt is by how much time zero is moved for the EDT, in widths of the band:
// it lies within the filter's answer to the direct sound, which takes about 1/B.
const leastOffBt = 0.15

// leastOffDB is by how much the ends of a range are moved at least: the curve
// depends on the band filter's details by as much.
const leastOffDB = 0.2

// straight is the non-linearity in permille below which it does not matter where
// the range of a line begins and ends.
const straight = 3

// culprit says what mostly puts a time off that is read down to a level.
func (c *curve) culprit(lowDB float64) string {
	if c.offDB(lowDB) < leastOffDB {
		return "a bend of the curve"
	}
	return "the noise"
}

// offDB is how far the noise may have put the level of the curve off at a
// level, where the response falls to it.
func (c *curve) offDB(db float64) float64 {
	p := c.total * scale.Power(db)
	left := c.f.kneeS
	v := c.chance(p-c.tail, left) + math.Pow(c.amiss(left), 2)
	return 10 / math.Ln10 * (chances*math.Sqrt(v) + tailUnknown*c.hidden) / p
}

// crossing returns the time at which the curve falls to p, just before
// position k, the first at which it lies below.
func (c *curve) crossing(k int, p float64) float64 {
	if k+1 >= len(c.e.sum) {
		return c.time(k)
	}
	before, at := c.at(k+1), c.at(k)
	if !(before > p) || !(before > at) {
		return c.time(k)
	}
	return c.time(k+1) + (before-p)/(before-at)/c.e.rate
}

// centroid returns the centre time after time zero, not yet corrected for the
// filter.
func (c *curve) centroid() float64 {
	// ∫t·p = ∫E + t₀·E(t₀), from the start of everything on.
	n := len(c.e.sum)
	s := 0.0
	for k := n - 1; k > c.bottom; k-- {
		s += c.at(k)
	}
	s /= c.e.rate
	s += c.at(c.bottom) * 10 / (-c.f.late.slope * math.Ln10) // the tail falls on
	return c.time(n-1) + s/c.total
}

func (c *curve) draw(points int) (times, levels []float64) {
	step := max(1, (c.top-c.bottom+points)/points)
	for k := c.top; k >= c.bottom; k -= step {
		db, ok := c.level(k)
		if !ok {
			break
		}
		times = append(times, c.time(k))
		levels = append(levels, db)
	}
	return times, levels
}

// analyse fills b and returns its curve, or nil where there is none. The curve
// lives in the scratch.
func (p *prepared) analyse(b *Band, o Options, s *scratch) *curve {
	if why := p.refusal(b.Band, o); why != "" {
		b.refuse(why)
		return nil
	}
	steps := p.stepsOf(b.Band)
	return p.through(b, bandFilterFor(b.Band, rateAt(p.rate, steps)), steps, s)
}

// through is analyse for a band filter at the rate after a number of steps.
func (p *prepared) through(b *Band, filter *bandFilter, steps int, s *scratch) *curve {
	bandwidth := b.BandwidthHz()
	rate := rateAt(p.rate, steps)
	x := p.levels.at(steps)

	n := len(x) + int(filter.lastS*rate) + 1
	if cap(s.sum) < n {
		s.sum = make([]float64, n)
	}
	e := &energy{sum: s.sum[:n], rate: rate, zero: p.zero * rate / p.rate}
	var splits [len(earlyLimits)]split
	for i, limit := range earlyLimits {
		splits[i].limit = limit
		if p.borders[i] != nil {
			splits[i].border = p.borders[i][steps+1]
		}
	}
	s.run(filter, e, x, splits[:])

	// Backwards in time the filter starts at the end of the response, and
	// takes about twice its centroid to settle.
	e.endS = p.lengthS - min(2*filter.centreS, 0.1*p.lengthS)
	if e.endS < max(shortestS, 2/bandwidth) {
		b.refuse(fmt.Sprintf("the response ends %.0f ms after the direct sound, too short for this band", p.lengthS*1000))
		return nil
	}
	if !(e.sum[n-1] > 0) {
		b.refuse("the response is silent in this band")
		return nil
	}
	f := findFloor(e, bandwidth, s)
	b.KneeS = f.kneeS
	b.NoiseDB = scale.PowerDB(f.noise)
	if f.found {
		b.NoiseDB = scale.PowerDB(f.last)
	}
	b.INRDB = scale.PowerDB(e.peak(1/bandwidth)) - b.NoiseDB
	if !f.found {
		b.refuse("no decay stands out of the noise")
		return nil
	}
	c := newCurve(e, f, bandwidth)
	c.beforeS = p.beforeS
	if !(c.total > 0) {
		b.refuse("no decay stands out of the noise")
		return nil
	}
	if left := max(c.after(f.kneeS), c.rest(f.last)); left > 0 {
		b.RangeDB = scale.PowerDB(c.total) - scale.PowerDB(left)
	}
	if b.Width == Broadband {
		c.crossHz, c.noiseHz = c.bandwidths(x, bandwidth)
	}
	b.times(c)
	displaced := filter.centreS
	if bandwidth < narrowHz {
		displaced = s.displacement(filter, e, x[max(c.bottom, c.top-int(displacedS*rate)):])
	}
	b.ratios(c, filter.centreS, displaced, splits[:])
	b.explain()
	return c
}

// peak returns the highest mean power over a span in seconds.
func (e *energy) peak(span float64) float64 {
	w := max(1, int(span*e.rate))
	best := 0.0
	search := func(from, to, step int) (at int) {
		for k := max(w, from); k < min(to, len(e.sum)); k += step {
			if p := e.sum[k] - e.sum[k-w]; p > best {
				best, at = p, k
			}
		}
		return at
	}
	// First in steps in which a mean over the span cannot change much.
	step := max(1, w/8)
	if at := search(w, len(e.sum), step); at > 0 && step > 1 {
		search(at-step, at+step+1, 1)
	}
	return best / float64(w)
}

// split is a band's energy before and after a limit, the response cut there
// before it is filtered.
type split struct {
	limit       float64 // seconds after time zero
	border      border  // of the late part; none where the response ends before the limit
	early, late float64 // sums of powers, noise and all
}

// run filters x, reversed in time, into e.sum, and splits it at the limits, which rise.
//
// The filter runs backwards, so what it gives until it comes to the limit is
// that of the late part alone; the late part then rings out, and the early part
// starts it anew.
func (s *scratch) run(filter *bandFilter, e *energy, x []float64, splits []split) {
	ring := len(e.sum) - len(x)
	var st state
	total, done := 0.0, 0
	for i := len(splits) - 1; i >= 0; i-- { // the latest is met first
		l := &splits[i]
		first, n := l.border.first, min(len(l.border.samples), len(x)-l.border.first)
		if n <= 0 || first < done {
			continue
		}
		late := l.border.samples[:n]
		st, total = filter.integrate(e.sum[done:first], x[done:first], st, total)
		done = first
		if need := len(x) - first + ring + n; cap(s.part) < need {
			s.part = make([]float64, need)
		}
		sum, early := s.part[:len(x)-first+ring], s.part[len(x)-first+ring:][:n]
		rest, sofar := filter.integrate(sum[:n], late, st, total)
		filter.ringOut(sum[n:n+ring], rest, sofar)
		l.late = sum[n+ring-1]
		for k, v := range late {
			early[k] = x[first+k] - v
		}
		rest, sofar = filter.integrate(sum[:n], early, state{}, 0)
		rest, sofar = filter.integrate(sum[n:len(x)-first], x[first+n:], rest, sofar)
		filter.ringOut(sum[len(x)-first:], rest, sofar)
		l.early = sum[len(sum)-1]
	}
	st, total = filter.integrate(e.sum[done:len(x)], x[done:], st, total)
	filter.ringOut(e.sum[len(x):], st, total)
}

// displacement returns by how many seconds the filter, run through x as it is (a
// response reversed in time), displaces its energy: the filter's group delay,
// weighted by what passes. Run through x the other way round it does as much to the
// other side.
func (s *scratch) displacement(filter *bandFilter, e *energy, x []float64) float64 {
	n, ring := len(x), int(filter.lastS*e.rate)+1
	if cap(s.part) < 2*n+ring {
		s.part = make([]float64, 2*n+ring)
	}
	sum, turned := s.part[:n+ring], s.part[n+ring:][:n]
	centroid := func(x []float64) float64 {
		st, total := filter.integrate(sum[:n], x, state{}, 0)
		filter.ringOut(sum[n:], st, total)
		total = sum[len(sum)-1]
		moment := 0.0
		for _, v := range sum {
			moment += total - v
		}
		return moment / total
	}
	for i, v := range x {
		turned[n-1-i] = v
	}
	return (centroid(x) + centroid(turned) - float64(n-1)) / 2 / e.rate
}

// refuse refuses every value of the band for one reason.
func (b *Band) refuse(why string) {
	v, r := Value{Reason: why}, Ratio{Reason: why}
	b.EDT, b.T20, b.T30 = v, v, v
	b.C50DB, b.C80DB, b.D50, b.CentreTimeS = r, r, r, r
	b.Reason = sentence(why)
}

func (b *Band) times(c *curve) {
	have := min(b.INRDB, b.RangeDB)
	fitted := func(highDB, lowDB, needDB float64) fit {
		f := c.fit(highDB, lowDB)
		if f.ok && have >= needDB && f.nonlinearity >= straight {
			c.bent(&f, highDB, lowDB)
		}
		return f
	}
	edt, t20, t30 := fitted(0, -10, edtNeedsDB), fitted(-5, -25, t20NeedsDB), fitted(-5, -35, t30NeedsDB)
	b.EDT = b.judge(c, edt, 0, -10, edtNeedsDB, mostOff)
	b.T20 = b.judge(c, t20, -5, -25, t20NeedsDB, mostOffT20)
	b.T30 = b.judge(c, t30, -5, -35, t30NeedsDB, mostOff)
	for _, f := range []fit{t30, t20, edt} {
		if f.ok {
			b.BT = b.BandwidthHz() * f.seconds
			b.NonlinearityPermille = f.nonlinearity
			break
		}
	}
	if t20.ok && t30.ok {
		b.CurvaturePercent = 100 * (t30.seconds/t20.seconds - 1)
	}
	if b.T20.OK && b.T30.OK {
		why := ""
		switch c := b.CurvaturePercent; {
		case c > doubtCurvatureHigh:
			why = fmt.Sprintf("the decay bends: T30 is %.0f %% longer than T20, so no single time describes it", c)
		case c < doubtCurvatureLow:
			why = fmt.Sprintf("the decay bends: T30 is %.0f %% shorter than T20, so no single time describes it", -c)
		}
		for _, v := range []*Value{&b.T20, &b.T30} {
			if v.Reason == "" {
				v.Reason = why
			}
		}
	}
}

// judge decides whether a fitted line may be given as a decay time.
func (b *Band) judge(c *curve, f fit, highDB, lowDB, needDB, mostOff float64) Value {
	have := min(b.INRDB, b.RangeDB)
	span := highDB - lowDB
	doubtXi, refuseXi := float64(doubtNonlinearity), float64(refuseNonlinearity)
	if highDB == 0 {
		doubtXi, refuseXi = doubtNonlinearityEDT, refuseNonlinearityEDT
	}
	bt := b.BandwidthHz() * f.seconds
	why := ""
	switch {
	case have < needDB && c.f.reached && b.INRDB >= needDB:
		why = fmt.Sprintf("the noise takes over after %.2f s, when the decay has fallen by only %.0f dB; %.0f dB are needed",
			c.f.kneeS, math.Floor(have), needDB)
	case have < needDB && c.f.reached:
		why = fmt.Sprintf("the decay stands only %.0f dB out of the noise, %.0f dB are needed", math.Floor(have), needDB)
	case c.f.brief && have < needDB+unknownNoiseDB:
		why = fmt.Sprintf("the response ends after %.2f s, when the decay has fallen by %.0f dB, too early to know the noise; %.0f dB are needed then",
			c.e.endS, math.Floor(have), needDB+unknownNoiseDB)
	case !f.ok && c.gone(lowDB):
		why = fmt.Sprintf("the level falls past %.0f dB with the direct sound, faster than the band filter can show", lowDB)
	case !f.ok:
		why = fmt.Sprintf("the level does not fall steadily to %.0f dB", lowDB)
	case f.topDB < highDB-(1-leastShare)*span:
		why = fmt.Sprintf("the direct sound takes up the decay down to %.0f dB, too much of the range from %.0f to %.0f dB",
			f.topDB, highDB, lowDB)
	case bt < refuseBT:
		why = fmt.Sprintf("the band filter itself rings about as long (B·T = %.1f, below %d)", math.Floor(10*bt)/10, refuseBT)
	case f.nonlinearity > refuseXi:
		why = fmt.Sprintf("the decay is too far from a straight line (ξ = %.0f ‰, above %.0f ‰)", math.Ceil(f.nonlinearity), refuseXi)
	case f.off > mostOff:
		why = fmt.Sprintf("%s may put it off by %.0f %%, more than %.0f %%", c.culprit(lowDB), math.Ceil(100*f.off), 100*mostOff)
	}
	if why != "" {
		return Value{Reason: why}
	}
	v := Value{Seconds: f.seconds, OK: true}
	switch {
	case bt < doubtBT:
		v.Reason = fmt.Sprintf("the band filter rings nearly as long (B·T = %.1f, below %d)", math.Floor(10*bt)/10, doubtBT)
	case f.nonlinearity > doubtXi:
		v.Reason = fmt.Sprintf("the decay is not quite a straight line (ξ = %.0f ‰, above %.0f ‰)", math.Ceil(f.nonlinearity), doubtXi)
	case f.off > mostOff/2:
		v.Reason = fmt.Sprintf("%s may put it off by %.0f %%", c.culprit(lowDB), math.Ceil(100*f.off))
	}
	return v
}

// gone reports whether the curve has fallen below db within three samples of
// time zero.
func (c *curve) gone(db float64) bool {
	k := max(c.bottom, c.top-3)
	return c.at(k) < c.total*scale.Power(db)
}

// ratios fills clarity, definition and centre time (ISO 3382-1:2009, annex A;
// from memory). shift is how far the filter moves energy to earlier times on
// average over its band, and displaced how far it moved this response's.
func (b *Band) ratios(c *curve, shift, displaced float64, splits []split) {
	have := min(b.INRDB, b.RangeDB)
	if have < ratioNeedsDB {
		why := fmt.Sprintf("the decay stands only %.0f dB out of the noise, %d dB are needed", math.Floor(have), ratioNeedsDB)
		if !c.f.reached {
			why = fmt.Sprintf("the response ends after %.2f s, when the decay has fallen by %.0f dB; %d dB are needed",
				c.e.endS, math.Floor(have), ratioNeedsDB)
		}
		r := Ratio{Reason: why}
		b.C50DB, b.C80DB, b.D50, b.CentreTimeS = r, r, r, r
		return
	}
	s50, s80 := b.share(c, shift, splits[0]), b.share(c, shift, splits[1])
	b.C50DB, b.C80DB, b.D50 = s50.clarity(), s80.clarity(), s50.definition()
	b.CentreTimeS = b.centre(c, displaced)
}

// share is what of a band's energy comes before a limit.
type share struct {
	why         string
	limit       float64
	early, late float64 // energies, the noise taken off
	offShare    float64 // how far the noise may put early/late off, as a share
	otherwise   float64 // late over all, when the response is filtered before it is cut
	floor       floor
}

func (b *Band) share(c *curve, shift float64, l split) share {
	s := share{limit: l.limit, floor: c.f}
	if len(l.border.samples) == 0 || c.f.kneeS <= l.limit {
		s.why = c.f.unheard()
		return s
	}
	if bt := b.BandwidthHz() * l.limit; bt < leastBt {
		s.why = fmt.Sprintf("the band filter smears a limit of %.0f ms (B·t = %.1f, below %d)", l.limit*1000, bt, leastBt)
		return s
	}
	ring := shift * c.e.rate // how much longer noise rings through the filter, on average
	before := l.limit + c.beforeS
	s.early = l.early - c.f.noise*before*c.e.rate
	earlyVariance := c.chance(s.early, before) + math.Pow(c.amiss(before), 2)
	after := max(0, c.f.kneeS-l.limit)
	s.late = l.late - c.minus - c.f.noise*(c.e.zero-l.limit*c.e.rate+ring)
	lateVariance := c.chance(s.late-c.tail, after) + math.Pow(c.amiss(after), 2)
	s.otherwise = c.after(min(l.limit-shift, c.f.kneeS)) / c.total
	if !(s.early > 0 && s.late > 0) {
		s.why = fmt.Sprintf("no energy is left on one side of %.0f ms", l.limit*1000)
		return s
	}
	s.offShare = (chances*math.Sqrt(lateVariance)+c.hidden)/s.late + chances*math.Sqrt(earlyVariance)/s.early
	return s
}

// unheard says why the late part is not known.
func (f floor) unheard() string {
	if !f.reached {
		return fmt.Sprintf("the response ends after %.0f ms, too early to know the late part", f.kneeS*1000)
	}
	return fmt.Sprintf("the noise takes over after %.0f ms, too early to know the late part", f.kneeS*1000)
}

func (s share) clarity() Ratio {
	db := scale.PowerDB(s.early) - scale.PowerDB(s.late)
	off := 10 / math.Ln10 * s.offShare
	apart := math.Abs(db - (scale.PowerDB(1-s.otherwise) - scale.PowerDB(s.otherwise)))
	switch {
	case s.why != "":
		return Ratio{Reason: s.why}
	case off > mostOffClarity:
		return Ratio{Reason: fmt.Sprintf("the noise may put it off by %.1f dB, more than %g dB", math.Ceil(10*off)/10, mostOffClarity)}
	case apart > mostSmearClarity:
		return Ratio{Reason: fmt.Sprintf("the band filter smears the limit of %.0f ms by %.1f dB, more than %g dB", s.limit*1000, math.Ceil(10*apart)/10, mostSmearClarity)}
	}
	return Ratio{Value: db, OK: true}
}

func (s share) definition() Ratio {
	d := s.early / (s.early + s.late)
	off := d * (1 - d) * s.offShare
	apart := math.Abs(d - (1 - s.otherwise))
	switch {
	case s.why != "":
		return Ratio{Reason: s.why}
	case s.floor.kneeS < leastHeardS:
		return Ratio{Reason: s.floor.unheard()}
	case off > mostOffDefinition:
		return Ratio{Reason: fmt.Sprintf("the noise may put it off by %.2f, more than %g", math.Ceil(100*off)/100, mostOffDefinition)}
	case apart > mostSmearDefinition:
		return Ratio{Reason: fmt.Sprintf("the band filter smears the limit of %.0f ms by %.2f, more than %g", s.limit*1000, math.Ceil(100*apart)/100, mostSmearDefinition)}
	}
	return Ratio{Value: d, OK: true}
}

// centre returns the centre time. The filter displaces it by its own, which is
// taken off: no limit is cut, so nothing needs to be windowed.
func (b *Band) centre(c *curve, displaced float64) Ratio {
	if b.BandwidthHz() < leastBandwidthHz {
		return Ratio{Reason: "the band filter smears the energy by more than 10 ms"}
	}
	if c.f.kneeS < leastHeardS {
		return Ratio{Reason: c.f.unheard()}
	}
	ts := max(0, c.centroid()+displaced)
	// A change of energy at a time moves the centroid by its distance from it. The
	// energy of one exponential decay lies as far from its centroid as that is from
	// time zero, that of a bent one up to about twice as far.
	knee := c.f.kneeS
	spread := 4 * ts * ts
	if noise := (math.Pow(knee-ts, 3) + ts*ts*ts) / 3; noise > 0 {
		spread = (c.chance(c.total, 0)*spread + c.chance(0, noise)) / (c.total * c.total)
	}
	arm := c.amiss(knee) * (knee/2 - ts) / c.total
	late := max(hiddenS, 10/(-c.f.late.slope*math.Ln10))
	off := chances*math.Sqrt(spread+arm*arm) + c.hidden/c.total*math.Abs(knee+late-ts)
	if off > mostOffCentreS {
		return Ratio{Reason: fmt.Sprintf("the noise may put it off by %.0f ms, more than %g ms", math.Ceil(1000*off), 1000*mostOffCentreS)}
	}
	return Ratio{Value: ts, OK: true}
}

// explain puts the reasons of the decay times into one sentence, those with the
// same reason together.
func (b *Band) explain() {
	type named struct {
		name string
		Value
	}
	var parts []string
	times := []named{{"EDT", b.EDT}, {"T20", b.T20}, {"T30", b.T30}}
	for _, ok := range []bool{false, true} {
		for i, v := range times {
			if v.OK != ok || v.Reason == "" ||
				slices.ContainsFunc(times[:i], func(o named) bool {
					return o.OK == ok && o.Reason == v.Reason
				}) {
				continue
			}
			var names []string
			for _, o := range times[i:] {
				if o.OK == ok && o.Reason == v.Reason {
					names = append(names, o.name)
				}
			}
			switch {
			case !ok:
				parts = append(parts, "no "+strings.Join(names, ", no ")+": "+v.Reason)
			case len(names) == 1:
				parts = append(parts, names[0]+" is doubtful: "+v.Reason)
			default:
				parts = append(parts, strings.Join(names, ", ")+" are doubtful: "+v.Reason)
			}
		}
	}
	b.Reason = sentence(strings.Join(parts, "; "))
}

func sentence(s string) string {
	if s == "" {
		return ""
	}
	return strings.ToUpper(s[:1]) + s[1:] + "."
}
