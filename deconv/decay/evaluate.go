package decay

import (
	"fmt"
	"math"
	"slices"
	"strings"

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

	// With less than this beyond the need, chance puts one value in ten off by
	// some 5 % (our own runs on synthetic responses).
	nearNoiseDB = 3

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
	// Clarity and centre time are dominated by the early part.
	ratioNeedsDB = 25

	shortestS = 0.05 // a response this short shows no decay
)

// scratch is what one goroutine works in.
type scratch struct{ sum, levels []float64 }

// curve is the compensated Schroeder integral of one band. Positions count the
// reversed signal's samples: the larger, the earlier.
type curve struct {
	e      *energy
	f      floor
	minus  float64 // what is to be taken off sum for a position k: minus + noise·k
	total  float64 // energy of the whole band, 0 dB
	top    int     // the first position at or after time zero
	bottom int     // the last one before the knee
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

func newCurve(e *energy, f floor) *curve {
	c := &curve{e: e, f: f}
	c.top = int(math.Floor(e.zero))
	c.bottom = max(0, int(math.Ceil(e.zero-f.kneeS*e.rate)))
	tail := f.late.power(f.kneeS) * e.rate * 10 / (-f.late.slope * math.Ln10)
	c.minus = e.from(f.kneeS) - tail - f.noise*(e.zero-f.kneeS*e.rate)
	c.total = e.sum[len(e.sum)-1] - c.minus - f.noise*float64(len(e.sum))
	return c
}

// fit is the straight line through the curve between two levels.
type fit struct {
	seconds      float64 // 60 dB
	nonlinearity float64 // permille
	topDB        float64 // where it begins, ≤ the upper level
	ok           bool    // the lower level is reached before the knee
}

const (
	leastPoints = 200 // so that the steps of a low rate do not show
	fitPoints   = 600 // more change no digit that is shown
)

// fit evaluates the curve from highDB down to lowDB (both ≤ 0): least squares
// between the first crossings of the two levels.
func (c *curve) fit(highDB, lowDB float64) fit {
	high, low := c.total*scale.Power(highDB), c.total*scale.Power(lowDB)
	first := c.top
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
	n := min(max(leastPoints, first-last), fitPoints)
	var r regression
	topDB := 0.0
	for i := range n {
		t := from + (to-from)*float64(i)/float64(n-1)
		p := c.after(t)
		if !(p > 0) {
			break
		}
		db := 10 / math.Ln10 * math.Log(p/c.total)
		if i == 0 {
			topDB = db
		}
		r.add(t, db)
	}
	slope, _, r2 := r.line()
	if !(slope < 0) {
		return fit{}
	}
	return fit{seconds: -60 / slope, nonlinearity: 1000 * (1 - r2), topDB: topDB, ok: true}
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
	bandwidth := b.BandwidthHz()
	steps := p.stepsOf(b.Band)
	rate := rateAt(p.rate, steps)
	filter := bandFilterFor(b.Band, rate)
	x := p.levels.at(steps)

	n := len(x) + int(filter.lastS*rate) + 1
	if cap(s.sum) < n {
		s.sum = make([]float64, n)
	}
	e := &energy{sum: s.sum[:n], rate: rate, zero: p.zero * rate / p.rate}
	filter.integrate(e.sum, x)

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
	if f.found && !f.reached {
		// The noise lies somewhere below the last of the decay.
		b.NoiseDB = scale.PowerDB(max(f.noise, f.late.power(f.kneeS)))
	}
	b.INRDB = scale.PowerDB(e.peak(1/bandwidth)) - b.NoiseDB
	if !f.found {
		b.refuse("no decay stands out of the noise")
		return nil
	}
	c := newCurve(e, f)
	if !(c.total > 0) {
		b.refuse("no decay stands out of the noise")
		return nil
	}
	if left := c.after(f.kneeS); left > 0 {
		b.RangeDB = scale.PowerDB(c.total) - scale.PowerDB(left)
	}
	b.times(c)
	b.ratios(c, filter.centreS)
	b.explain()
	return c
}

// peak returns the highest mean power over a span in seconds.
func (e *energy) peak(span float64) float64 {
	w := max(1, int(span*e.rate))
	best := 0.0
	for k := w; k < len(e.sum); k++ {
		best = max(best, e.sum[k]-e.sum[k-w])
	}
	return best / float64(w)
}

// refuse refuses every value of the band for one reason.
func (b *Band) refuse(why string) {
	v, r := Value{Reason: why}, Ratio{Reason: why}
	b.EDT, b.T20, b.T30 = v, v, v
	b.C50DB, b.C80DB, b.D50, b.CentreTimeS = r, r, r, r
	b.Reason = sentence(why)
}

func (b *Band) times(c *curve) {
	edt, t20, t30 := c.fit(0, -10), c.fit(-5, -25), c.fit(-5, -35)
	b.EDT = b.judge(c, edt, 0, -10, edtNeedsDB)
	b.T20 = b.judge(c, t20, -5, -25, t20NeedsDB)
	b.T30 = b.judge(c, t30, -5, -35, t30NeedsDB)
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
func (b *Band) judge(c *curve, f fit, highDB, lowDB, needDB float64) Value {
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
	case have < needDB+nearNoiseDB:
		v.Reason = fmt.Sprintf("the noise is near: %.0f dB below the decay, %.0f dB are the least", math.Floor(have), needDB)
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
// from memory). shift is how far the filter moved energy to earlier times.
func (b *Band) ratios(c *curve, shift float64) {
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
	early := func(limit float64) (late float64, why string) {
		t := limit - shift
		late = c.after(min(t, c.f.kneeS)) / c.total
		if t > c.f.kneeS { // down the late line
			late *= scale.Power(c.f.late.slope * (t - c.f.kneeS))
		}
		switch bt := b.BandwidthHz() * limit; {
		case bt < leastBt:
			why = fmt.Sprintf("the band filter smears a limit of %.0f ms (B·t = %.1f, below %d)", limit*1000, bt, leastBt)
		case !(late > 0 && late < 1):
			why = fmt.Sprintf("no energy is left on one side of %.0f ms", limit*1000)
		}
		return late, why
	}
	clarity := func(limit float64) Ratio {
		late, why := early(limit)
		switch {
		case why != "":
		case limit-shift > c.f.kneeS:
			why = fmt.Sprintf("the noise takes over after %.0f ms, before the late part begins", c.f.kneeS*1000)
		default:
			return Ratio{Value: scale.PowerDB((1 - late) / late), OK: true}
		}
		return Ratio{Reason: why}
	}
	b.C50DB, b.C80DB = clarity(0.050), clarity(0.080)
	if late, why := early(0.050); why != "" {
		b.D50 = Ratio{Reason: why}
	} else {
		b.D50 = Ratio{Value: 1 - late, OK: true}
	}
	if b.BandwidthHz() < leastBandwidthHz {
		b.CentreTimeS = Ratio{Reason: "the band filter smears the energy by more than 10 ms"}
	} else {
		b.CentreTimeS = Ratio{Value: max(0, c.centroid()+shift), OK: true}
	}
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
