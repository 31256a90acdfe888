package decay

import (
	"math"

	"roomsonde/sweep/scale"
)

// energy is the backward integral of one band's squared response, kept as the
// running sum over the reversed time: sum[k] covers the samples 0 (the last in
// time) to k. Powers are per sample, so they do not depend on the rate.
type energy struct {
	sum  []float64
	rate float64 // Hz, of this band's signal
	zero float64 // position of time zero in sum
	endS float64 // where the filter has settled: nothing is read after this time
}

// from returns the sum of powers from time t on, interpolated between samples.
func (e *energy) from(t float64) float64 {
	// Sample k covers k−½ … k+½.
	at := e.zero - t*e.rate - 0.5
	switch k := math.Floor(at); {
	case at <= -1:
		return 0
	case at >= float64(len(e.sum)-1):
		return e.sum[len(e.sum)-1]
	case k < 0:
		return e.sum[0] * (at + 1)
	default:
		i := int(k)
		return e.sum[i] + (at-k)*(e.sum[i+1]-e.sum[i])
	}
}

// mean returns the mean power between two times.
func (e *energy) mean(t0, t1 float64) float64 {
	return max(0, e.from(t0)-e.from(t1)) / ((t1 - t0) * e.rate)
}

// floor is the noise and where the decay meets it.
type floor struct {
	noise   float64   // mean power per sample; 0 when not reached
	late    levelLine // the late decay; its slope is negative
	kneeS   float64   // where the late line meets the noise, or the end
	reached bool      // the noise is met before the response ends
	brief   bool      // so little of it is there that its power is not well known
	found   bool      // there is a decay at all
	// noiseOff is the standard deviation of the noise power as it was measured, as
	// a share of it.
	noiseOff float64
	unsteady bool // noise that changes, so that it cannot be told from the last of the decay
	// last is the noise power, and where the response ends before the noise is
	// met, the power at its end, which is the most that the noise can have.
	last float64
}

const (
	firstMarginDB  = 8  // the first line ends this far above the noise
	lateFromDB     = 22 // the late line starts this far above the noise
	lateToDB       = 7  // and ends this far above it
	intervalsPer10 = 6  // intervals per 10 dB of decay
	settledS       = 0.001
	maxRounds      = 8
	// Noise of bandwidth B, averaged over a time t, has a relative standard
	// deviation of 1/√(B·t). Counted from 10 dB of decay after the knee.
	leastNoiseBt = 4
	// The noise is only known where it makes up this share of what is heard last;
	// what was taken off as decay may be wrong by half of itself.
	leastNoiseShare = 0.5
	decayShare      = 0.5
	// Noise whose two halves differ by more than this share of their sum (3 dB) and
	// by more than chance does is not steady.
	unsteadyShare = 0.33
	// Then the intervals keep their length: lengths and slope chasing each
	// other need not settle.
	freeRounds = 2
)

// findFloor is the iteration of Lundeby, Vigran, Bietz and Vorländer, Acustica
// 81 (1995) 344–355 (steps from memory). bandwidth is in Hz. One thing is
// added: where the response ends less than 10 dB of decay after the knee, the
// decay that is still to be heard in what is taken for noise is taken off.
func findFloor(e *energy, bandwidth float64, s *scratch) floor {
	end := e.endS
	f := floor{noise: e.mean(0.9*end, end), kneeS: end}
	dt := min(max(1/bandwidth, 0.010), 0.050, end/20)
	for {
		levels := e.levels(dt, s)
		peak := argmax(levels)
		last := firstBelow(levels, peak, scale.PowerDB(f.noise)+firstMarginDB)
		if line, ok := fitLevels(levels, peak, last, dt); ok && last-peak >= 3 {
			f.late, f.found = line, true
			break
		}
		// A decay of a few milliseconds needs shorter intervals.
		if dt /= 3; dt*e.rate < 2 {
			return f
		}
	}
	f.kneeS = f.late.meets(scale.PowerDB(f.noise))
	raw := f.noise // with the decay that is still to be heard in it
	for round := range maxRounds {
		tenDB := 10 / -f.late.slope
		if round < freeRounds {
			dt = max(tenDB/intervalsPer10, 2/e.rate, end/4000)
		}
		from := min(f.kneeS+tenDB, 0.9*end)
		heard := e.mean(from, end)
		noise := heard
		if from < f.kneeS+tenDB {
			noise = max(0, noise-f.late.mean(from, end))
		}
		levels := e.levels(dt, s)
		peak := argmax(levels)
		noiseDB := scale.PowerDB(noise)
		// Without noise the line still needs the last 15 dB, not the last point.
		bottom := max(noiseDB, scale.PowerDB(e.mean(0.95*end, end))-lateToDB)
		last := firstBelow(levels, peak, bottom+lateToDB)
		first := firstBelow(levels, peak, bottom+lateFromDB)
		line, ok := fitLevels(levels, max(peak, min(first, last-3)), last, dt)
		if !ok {
			break
		}
		knee := line.meets(noiseDB)
		moved := math.Abs(knee - f.kneeS)
		f.noise, f.late, f.kneeS, raw = noise, line, knee, heard
		if moved < settledS {
			break
		}
	}
	// Most of what is heard last must be noise to tell how much of it there is.
	if f.reached = f.kneeS < end && f.noise >= leastNoiseShare*raw; !f.reached {
		f.kneeS = end
		f.noise = 0 // it cannot be told from the decay, so none is taken off
	}
	after := end - f.kneeS - 10/-f.late.slope
	heard := max(1/bandwidth, after, 0.1*end)
	f.noiseOff = math.Sqrt(1 / max(1, bandwidth*heard))
	if f.reached {
		// Noise that is not steady shows in its two halves.
		from := min(end-after, 0.9*end)
		mid := 0.5 * (from + end)
		first, second := e.mean(from, mid), e.mean(mid, end)
		unsteady := math.Abs(first-second) / (first + second)
		f.unsteady = unsteady > max(unsteadyShare, chances*f.noiseOff)
		f.noiseOff = max(f.noiseOff, unsteady)
		f.noiseOff += decayShare * (raw/f.noise - 1)
	} else {
		f.noiseOff += 1
	}
	f.brief = after < 0 || bandwidth*after < leastNoiseBt
	f.kneeS = max(0, min(f.kneeS, end))
	f.last = f.noise
	if !f.reached {
		f.last = max(f.late.power(f.kneeS), e.mean(min(0.95*end, max(0, end-1/bandwidth)), end))
	}
	return f
}

// levels returns the mean levels in dB of intervals dt from time zero to the
// end. The slice is the scratch's.
func (e *energy) levels(dt float64, s *scratch) []float64 {
	n := int(e.endS / dt)
	if cap(s.levels) < n {
		s.levels = make([]float64, n)
	}
	l := s.levels[:n]
	later := e.from(0)
	for i := range l {
		next := e.from(float64(i+1) * dt)
		l[i] = scale.PowerDB((later - next) / (dt * e.rate))
		later = next
	}
	return l
}

// firstBelow returns the first index from start on from which two intervals in
// a row lie below db, or the length. One alone may be a beat.
func firstBelow(levels []float64, start int, db float64) int {
	for i := start; i < len(levels); i++ {
		if levels[i] < db && (i+1 == len(levels) || levels[i+1] < db) {
			return i
		}
	}
	return len(levels)
}

func argmax(v []float64) int {
	best := 0
	for i := range v {
		if v[i] > v[best] {
			best = i
		}
	}
	return best
}

// levelLine is level = offset + slope·t in dB and seconds.
type levelLine struct{ offset, slope float64 }

func (l levelLine) meets(db float64) float64 { return (db - l.offset) / l.slope }
func (l levelLine) power(t float64) float64  { return scale.Power(l.offset + l.slope*t) }

// mean returns the mean power between two times.
func (l levelLine) mean(t0, t1 float64) float64 {
	rate := -l.slope * math.Ln10 / 10
	return (l.power(t0) - l.power(t1)) / (rate * (t1 - t0))
}

// fitLevels fits a falling line to the intervals first … last−1.
func fitLevels(levels []float64, first, last int, dt float64) (levelLine, bool) {
	if last-first < 2 {
		return levelLine{}, false
	}
	var r regression
	for i := first; i < last; i++ {
		r.add((float64(i)+0.5)*dt, levels[i])
	}
	slope, offset, _ := r.line()
	// A decay of 10 minutes is none.
	if !(slope < -0.1) {
		return levelLine{}, false
	}
	return levelLine{offset, slope}, true
}

// regression accumulates a least-squares line y = a + b·x.
type regression struct{ n, x0, sx, sy, sxx, sxy, syy float64 }

func (r *regression) add(x, y float64) {
	if r.n == 0 {
		r.x0 = x
	}
	x -= r.x0
	r.n++
	r.sx += x
	r.sy += y
	r.sxx += x * x
	r.sxy += x * y
	r.syy += y * y
}

// line returns slope, offset at x = 0 and r², the squared correlation.
func (r *regression) line() (slope, offset, r2 float64) {
	xx := r.sxx - r.sx*r.sx/r.n
	xy := r.sxy - r.sx*r.sy/r.n
	yy := r.syy - r.sy*r.sy/r.n
	slope = xy / xx
	offset = (r.sy-slope*r.sx)/r.n - slope*r.x0
	r2 = 1
	if yy > 0 {
		r2 = xy * xy / (xx * yy)
	}
	return slope, offset, r2
}
