package inspect

import (
	"fmt"
	"math"
	"runtime"
	"slices"
	"sync"

	"roomsonde/deconv/fourier"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// pair is two sweeps laid on top of each other, in frames of 5 ms from the start
// of the first of them.
type pair struct {
	a, b          int // numbers of the sweeps
	from          int // frame of the recording where the first starts
	lag           float64
	diff          []float64 // power of the difference above highPassHz
	first, second []float64 // power
	cross         []float64 // mean product
	outlier       []bool
	expected      []float64
	low           []bool    // the difference is low-passed there
	missed        []float64 // what the shift does not cancel at the frequency of each frame, re its power
}

// level returns the highest mean power of both within reach frames.
func (p *pair) level(f, reach int) float64 {
	most := 0.0
	for i := max(0, f-reach); i < min(len(p.diff), f+reach+1); i++ {
		most = math.Max(most, (p.first[i]+p.second[i])/2)
	}
	return most
}

const (
	taps = 16 // of the filter that shifts by a part of a frame

	// From here on (re the sample rate) the shift is not exact, and what lies there
	// of the sweep and its harmonics is filtered out of the difference.
	lowFrom = 0.36
	// So many frames of 5 ms the room rings near half the sample rate, and keeps so
	// much of the power from each to the next (a decay time of 0.3 s).
	ringFrames = 40
	ringKeeps  = 0.8

	burstDB    = 12
	signalDB   = -45 // what does not cancel for reasons of clocks and air, re the signal
	medianS    = 0.5
	burstGapS  = 0.02
	settleS    = 0.03
	silenceTop = 4 // how far above the loudest frame of the silence: its tails may be long
)

// harmonics are the sweep's own power and what loudspeakers add at its multiples,
// as it is reckoned with.
var harmonics = []float64{1, 0.005, 0.005, 0.001, 0.001}

// shiftFilter returns h so that Σ h[k]·x[i+k−taps/2+1] is x at i+fraction: a sinc
// under a Kaiser window.
func shiftFilter(fraction float64) (h [taps]float64) {
	const beta = 6
	bessel := func(x float64) float64 {
		sum, term := 1.0, 1.0
		for k := 1.0; term > 1e-12*sum; k++ {
			term *= (x / 2 / k) * (x / 2 / k)
			sum += term
		}
		return sum
	}
	var total float64
	for k := range h {
		d := float64(k-taps/2+1) - fraction
		s := 1.0
		if math.Abs(d) > 1e-9 {
			s = math.Sin(math.Pi*d) / (math.Pi * d)
		}
		u := d / (taps / 2)
		h[k] = s * bessel(beta*math.Sqrt(math.Max(0, 1-u*u)))
		total += h[k]
	}
	for k := range h {
		h[k] /= total
	}
	return h
}

// shiftError returns |H(ω) − e^(jω·fraction)|² of a shift filter: few taps are not
// exact near half the sample rate.
func shiftError(h *[taps]float64, fraction, omega float64) float64 {
	var re, im float64
	for k, v := range h {
		s, c := math.Sincos(omega * (float64(k-taps/2+1) - fraction))
		re += v * c
		im += v * s
	}
	return (re-1)*(re-1) + im*im
}

// shiftTable holds shiftError from 0 to half the sample rate: it is smooth.
type shiftTable [129]float64

func shiftErrors(h *[taps]float64, fraction float64) *shiftTable {
	var t shiftTable
	for i := range t {
		t[i] = shiftError(h, fraction, math.Pi*float64(i)/float64(len(t)-1))
	}
	return &t
}

// at returns the error at a part of the sample rate.
func (t *shiftTable) at(part float64) float64 {
	u := math.Min(1, 2*part) * float64(len(t)-1)
	i := min(int(u), len(t)-2)
	return t[i] + (u-float64(i))*(t[i+1]-t[i])
}

// laySweeps lays each sweep on the next.
func (t *take) laySweeps() {
	starts := t.Program.Starts(sweep.KindSweep)
	if len(starts) < 2 || !t.Timing.Known {
		return
	}
	sound := func(f int) float64 {
		return t.Program.Sweep.FrequencyAt((float64(f) + 0.5) * float64(t.block) / t.rate)
	}
	for j := range len(starts) - 1 {
		jumped := false
		for _, jump := range t.Timing.Jumps {
			if starts[j]+t.Program.Sweep.Frames > jump.From && starts[j] < jump.To || starts[j+1]+t.Program.Sweep.Frames > jump.From && starts[j+1] < jump.To {
				jumped = true
			}
		}
		if !jumped {
			if p := t.subtract(t.place(float64(starts[j])), t.place(float64(starts[j+1])), t.Program.Sweep.Frames, sound); p != nil {
				p.a, p.b = j, j+1
				t.pairs = append(t.pairs, *p)
			}
		}
	}
	t.hearDuring()
}

// hearDuring tells the noise while the sweeps sound from what differs between them:
// where it is far below them, so that they would open any gate, and still more
// than clocks and moving air leave.
func (t *take) hearDuring() {
	const belowDB, aboveDB, leastPieces = -12, -38, 3
	var found []float64
	middle := func(x []float64) float64 {
		x = slices.Clone(x)
		slices.Sort(x)
		return x[len(x)/2]
	}
	long := max(8, int(medianS*t.rate)/t.block)
	for i := range t.pairs {
		p := &t.pairs[i]
		for lo := 0; lo+long <= len(p.diff); lo += long {
			hi := lo + long
			if slices.Contains(p.low[lo:hi], true) {
				continue
			}
			var l likeness
			for f := lo; f < hi; f++ {
				l.a, l.b, l.cross = l.a+p.first[f], l.b+p.second[f], l.cross+p.cross[f]
			}
			d, level := middle(p.diff[lo:hi])/2, (middle(p.first[lo:hi])+middle(p.second[lo:hi]))/2
			if d < scale.Power(belowDB)*level && d > (scale.Power(aboveDB)+slices.Max(p.missed[lo:hi]))*level {
				if g := 1 - l.cross/l.a; g*g*level < d/2 { // and not one that is louder
					found = append(found, d)
				}
			}
		}
	}
	if len(found) < leastPieces {
		return
	}
	slices.Sort(found)
	t.during = found[len(found)/4]
	if more := t.during / math.Max(t.heard.mean, 1e-30); more > scale.Power(3) && t.heard.mean > 0 {
		t.heard = level{t.heard.mean * more, t.heard.max * more}
		t.heardLow = level{t.heardLow.mean * more, t.heardLow.max * more}
	}
}

// compareSweeps looks for what is in one sweep only.
func (t *take) compareSweeps() {
	flagged := make([][]bool, len(t.pairs))
	for i := range t.pairs {
		flagged[i] = t.pairs[i].outliers(t)
		t.pairs[i].outlier = flagged[i]
	}
	for i := range t.pairs {
		t.bursts(i, flagged)
	}
}

// subtract compares what was recorded from a and from b on, for so many frames of
// the program; nil where that is not in the recording. hz is the frequency of
// each frame of 5 ms.
func (t *take) subtract(a, b float64, long int, hz func(f int) float64) *pair {
	frames := int(float64(long) / (1 + t.Timing.Skew) / float64(t.block))
	from := int(math.Round(a))
	lag := b - a
	whole := int(math.Floor(lag))
	settle := int(settleS * t.rate)
	if from-settle < 0 || from+frames*t.block+whole+taps > len(t.x) || frames < 4 {
		return nil
	}
	p := &pair{from: from, lag: lag, diff: make([]float64, frames), first: make([]float64, frames), second: make([]float64, frames), cross: make([]float64, frames)}
	wide := shiftFilter(lag - float64(whole))
	var h [taps]float32
	for k, v := range wide {
		h[k] = float32(v)
	}
	p.missed, p.low = make([]float64, frames), make([]bool, frames)
	errors := shiftErrors(&wide, lag-float64(whole))
	for f := range p.missed {
		for k := range harmonics {
			part := hz(f) * float64(k+1) / t.rate
			if part >= 0.5 {
				break
			}
			p.low[f] = p.low[f] || part > lowFrom
		}
		for k, share := range harmonics {
			part := hz(f) * float64(k+1) / t.rate
			if part >= 0.5 && k > 0 {
				break
			}
			e := share * errors.at(part)
			if p.low[f] {
				e *= lowPassGain(part)
			}
			p.missed[f] += e
		}
	}
	// The room holds on to what was.
	for f, since := 0, ringFrames; f < frames; f++ {
		if since++; p.low[f] {
			since = 0
		}
		p.low[f] = since < ringFrames
		if f > 0 {
			p.missed[f] = max(p.missed[f], ringKeeps*p.missed[f-1])
		}
	}
	do := func(lo, hi int) {
		filter := newHighPass(t.rate)
		at := from + lo*t.block - settle
		difference := func(i int) (d, second float32) {
			y := t.x[i+whole-taps/2+1:][:taps]
			s := h[0]*y[0] + h[1]*y[1] + h[2]*y[2] + h[3]*y[3]
			u := h[4]*y[4] + h[5]*y[5] + h[6]*y[6] + h[7]*y[7]
			v := h[8]*y[8] + h[9]*y[9] + h[10]*y[10] + h[11]*y[11]
			w := h[12]*y[12] + h[13]*y[13] + h[14]*y[14] + h[15]*y[15]
			second = (s + u) + (v + w)
			return second - t.x[i], second
		}
		for ; at < from+lo*t.block; at++ {
			d, _ := difference(at)
			filter.next(float64(d))
		}
		var smooth lowPass
		for f := lo; f < hi; f++ {
			var dd, aa, bb, ab float64
			for range t.block {
				d, second := difference(at)
				y := filter.next(float64(d))
				if z := smooth.next(y); p.low[f] {
					y = z
				}
				dd += y * y
				v := float64(t.x[at])
				aa += v * v
				bb += float64(second) * float64(second)
				ab += v * float64(second)
				at++
			}
			n := float64(t.block)
			p.diff[f], p.first[f], p.second[f], p.cross[f] = dd/n, aa/n, bb/n, ab/n
		}
	}
	workers := max(1, min(runtime.GOMAXPROCS(0), frames/100))
	var all sync.WaitGroup
	for w := 1; w < workers; w++ {
		all.Go(func() { do(frames*w/workers, frames*(w+1)/workers) })
	}
	do(0, frames/workers)
	all.Wait()
	return p
}

// louder reports whether the two differ in frame f by their level more than by
// anything else: either is then nearly the other, but for a factor. (To ask only one
// of them is not enough: what is small beside a burst in the other leaves little.)
func (t *take) louder(p *pair, f int) bool {
	alike := func(first, second, cross, diff float64) bool {
		both := cross * cross
		return first > 0 && second > 0 && math.Max(second-both/first, first-both/second) < 0.25*diff
	}
	if alike(p.first[f], p.second[f], p.cross[f], p.diff[f]) {
		return true
	}
	// Bass that is no part of the difference may hide it.
	settle := int(settleS * t.rate)
	from, shift := p.from+f*t.block, int(math.Floor(p.lag))
	h := shiftFilter(p.lag - float64(shift))
	var a, b highPass
	a, b = newHighPass(t.rate), newHighPass(t.rate)
	var smoothA, smoothB lowPass
	var aa, bb, ab, dd float64
	for i := from - settle; i < from+t.block; i++ {
		var second float64
		for k, v := range t.x[i+shift-taps/2+1:][:taps] {
			second += h[k] * float64(v)
		}
		if i == from-settle { // no step
			a.x1, b.x1 = float64(t.x[i]), second
			a.x2, b.x2 = a.x1, b.x1
		}
		u, v := a.next(float64(t.x[i])), b.next(second)
		if p.low[f] {
			u, v = smoothA.next(u), smoothB.next(v)
		}
		if i >= from {
			aa, bb, ab, dd = aa+u*u, bb+v*v, ab+u*v, dd+(v-u)*(v-u)
		}
	}
	return alike(aa, bb, ab, dd)
}

// floor returns the silence's level as frame f of a pair has it.
func (t *take) floor(p *pair, f int) level {
	if p.low[f] {
		return t.heardLow
	}
	return t.heard
}

// outliers marks the frames in which the sweeps differ by more than noise and
// clocks explain.
func (p *pair) outliers(t *take) []bool {
	n := len(p.diff)
	out := make([]bool, n)
	p.expected = make([]float64, n)
	span := max(8, int(medianS*t.rate)/t.block)
	pieces := max(1, n/span)
	medians := make([]float64, pieces)
	for i := range medians {
		var part []float64 // re the silence, which is another where frames are low-passed
		for f := n * i / pieces; f < n*(i+1)/pieces; f++ {
			part = append(part, p.diff[f]/max(t.floor(p, f).mean, t.least()))
		}
		slices.Sort(part)
		medians[i] = part[len(part)/2]
	}
	for f := range p.diff {
		floor := t.floor(p, f)
		i := f * pieces / n
		// The median of the half second, or of the next nearest where that is louder.
		other := max(0, i-1)
		if f*pieces%n > n/2 {
			other = min(pieces-1, i+1)
		}
		p.expected[f] = max(2*floor.mean, t.least(), max(medians[i], medians[other])*max(floor.mean, t.least()), (scale.Power(signalDB)+p.missed[f])*p.level(f, 4))
		out[f] = p.diff[f] > scale.Power(burstDB)*p.expected[f] && p.diff[f] > 2*max(t.lead.far*floor.mean, silenceTop*floor.max) && !t.louder(p, f)
	}
	return out
}

// bursts reports the outliers of pair i as bursts or steps.
func (t *take) bursts(i int, flagged [][]bool) {
	p := &t.pairs[i]
	gap := max(1, int(burstGapS*t.rate)/t.block)
	total := 0
	for _, v := range flagged[i] {
		if v {
			total++
		}
	}
	if total == 0 {
		return
	}
	if total > len(p.diff)/4 {
		t.add(Finding{Kind: NoiseChange, Fault: true, FromS: t.seconds(p.from), ToS: t.seconds(p.from + len(p.diff)*t.block), Amount: 100 * float64(total) / float64(len(p.diff)), Unit: "%",
			What:   fmt.Sprintf("Sweeps %d and %d differ for %.0f %% of their time by more than the noise before the program explains.", p.a+1, p.b+1, 100*float64(total)/float64(len(p.diff))),
			Effect: "Something changed or made noise in between: the result is doubtful.", Remedy: "Keep the room quiet and everything in it still, and measure again."})
		return
	}
	for f := 0; f < len(p.diff); f++ {
		if !flagged[i][f] {
			continue
		}
		end := f + 1
		for k := end; k < min(len(p.diff), end+gap); k++ {
			if flagged[i][k] {
				end = k + 1
			}
		}
		t.burst(p, f, end, t.culprit(i, f, end, flagged))
		f = end
	}
}

// culprit returns which sweep of pair i holds what lies in frames lo to hi:
// the one that differs from its other neighbour too, else the one that has
// more where the other has little.
func (t *take) culprit(i, lo, hi int, flagged [][]bool) int {
	p := t.pairs[i]
	also := func(number int) bool {
		for k, q := range t.pairs {
			if k != i && (q.a == number || q.b == number) {
				for f := lo; f < min(hi, len(flagged[k])); f++ {
					if flagged[k][f] {
						return true
					}
				}
			}
		}
		return false
	}
	first, second := also(p.a), also(p.b)
	if first != second {
		if first {
			return p.a
		}
		return p.b
	}
	// Σ |D|²·ln(|A|²/|B|²) over frequency.
	n := fourier.FastLen(t.block)
	plan := fourier.Get(n)
	defer fourier.Put(plan)
	x, y := make([]float64, n), make([]float64, n)
	w := hann(n)
	var sum float64
	a, b := make([]complex128, n/2+1), make([]complex128, n/2+1)
	for f := lo; f < min(hi, lo+20); f++ {
		at := p.from + f*t.block
		other := at + int(math.Round(p.lag))
		if other+n > len(t.x) {
			break
		}
		for k := range n {
			x[k], y[k] = w[k]*float64(t.x[at+k]), w[k]*float64(t.x[other+k])
		}
		plan.Coefficients(a, x)
		plan.Coefficients(b, y)
		for k := 1; k < len(a)-1; k++ {
			pa := real(a[k])*real(a[k]) + imag(a[k])*imag(a[k])
			pb := real(b[k])*real(b[k]) + imag(b[k])*imag(b[k])
			if pa <= 0 || pb <= 0 {
				continue
			}
			d := math.Sqrt(pa) - math.Sqrt(pb)
			sum += d * d * math.Log(pa/pb)
		}
	}
	if sum >= 0 {
		return p.a
	}
	return p.b
}

// burst reports frames lo to hi of a pair.
func (t *take) burst(p *pair, lo, hi, number int) {
	from, to := p.from+lo*t.block, p.from+hi*t.block
	shift := 0
	if number == p.b {
		shift = int(math.Round(p.lag))
	}
	// What explains it is reported already.
	for _, s := range []int{0, int(math.Round(p.lag))} {
		if t.damagedAt(from+s, to+s, 4*t.block) {
			return
		}
	}
	if change := p.gainChange(lo, hi, 100*t.heard.mean); change != 0 {
		t.changes = append(t.changes, gainChange{at: from + shift, db: change})
		t.damaged = append(t.damaged, span{from + shift, to + shift})
		return
	}
	most, over := 0.0, 0.0
	for f := lo; f < hi; f++ {
		if p.diff[f] > most {
			most, over = p.diff[f], p.diff[f]/p.level(f, 4)
		}
	}
	rate := 1 + t.Timing.Skew
	stretch := Stretch{Sweep: number, From: int(float64(max(0, lo-1)*t.block) * rate)}
	stretch.Frames = min(int(float64((hi+1)*t.block)*rate), t.Program.Sweep.Frames) - stretch.From
	hzFrom := t.Program.Sweep.FrequencyAt(float64(stretch.From) / t.rate)
	hzTo := math.Min(t.Program.Sweep.StopHz, t.Program.Sweep.FrequencyAt(float64(stretch.From+stretch.Frames)/t.rate))
	f := Finding{Fault: true, FromS: t.seconds(from + shift), ToS: t.seconds(to + shift), FromHz: hzFrom, ToHz: hzTo}
	t.damaged = append(t.damaged, span{from + shift, to + shift})
	if offset := t.offset(p, lo, hi); hi-lo <= 6 && offset*offset > 0.3*most && offset > t.wander(p, hi-lo) {
		f.Kind, f.Amount, f.Unit = Step, scale.AmplitudeDB(offset), "dBFS"
		f.What = fmt.Sprintf("The waveform jumps %s, by %.0f dBFS.", t.described(from+shift), f.Amount)
		f.Effect = "It is in one of two sweeps only: a click over the whole range."
		f.Remedy = again
		t.report.Whole[p.a], t.report.Whole[p.b] = false, false // which of them is not told surely
	} else {
		f.Kind, f.Amount, f.Unit = Burst, scale.PowerDB(over), "dB"
		f.What = fmt.Sprintf("A noise that is in this sweep only, %s: %.0f ms, %s the sweep.", t.described(from+shift), 1000*t.seconds(to-from), compared(f.Amount))
		f.Effect = fmt.Sprintf("It disturbs the response from this sweep, most between %s and %s; there the other sweep stands in for it.", hertz(hzFrom), hertz(hzTo))
		f.Remedy = "Nothing need be done where the other sweep is quiet there; to be sure, measure again when the room is."
		t.report.Bursts = append(t.report.Bursts, stretch)
	}
	t.add(f)
}

// gainChange is a place where the level changes from one moment to the next.
type gainChange struct {
	at int
	db float64
}

// gainChange returns by how many dB the second is louder re the first after frames
// lo to hi than before, where that is more than chance; 0 where it is not. Frames of
// less power than least do not count.
func (p *pair) gainChange(lo, hi int, least float64) float64 {
	const reach, leastFrames = 12, 8
	of := func(lo, hi int) (l likeness, count int) {
		for f := max(0, lo); f < min(hi, len(p.diff)); f++ {
			if p.first[f] > least && p.second[f] > least {
				l.a, l.b, l.cross = l.a+p.first[f], l.b+p.second[f], l.cross+p.cross[f]
				count++
			}
		}
		return l, count
	}
	before, n := of(lo-1-reach, lo-1)
	after, m := of(hi+1, hi+1+reach)
	if n < leastFrames || m < leastFrames {
		return 0
	}
	a, slackA := before.level(1)
	b, slackB := after.level(1)
	if math.Abs(b-a) > levelDB+slackA+slackB {
		return b - a
	}
	return 0
}

// wander returns how large an offset is no wonder: twice what the bass makes of it
// at any of some other places.
func (t *take) wander(p *pair, long int) float64 {
	most := 0.0
	for k := range 24 {
		lo := len(p.diff) * k / 24
		if !slices.Contains(p.outlier[lo:min(len(p.outlier), lo+long+8)], true) {
			most = math.Max(most, t.offset(p, lo, lo+long))
		}
	}
	return 2 * most
}

// offset returns by how much the mean of the difference is another after frames
// lo to hi than before.
func (t *take) offset(p *pair, lo, hi int) float64 {
	long := 4 * t.block
	whole := int(math.Round(p.lag))
	mean := func(from int) float64 {
		var sum float64
		for i := from; i < from+long; i++ {
			if i < 0 || i+whole >= len(t.x) {
				return 0
			}
			sum += float64(t.x[i+whole]) - float64(t.x[i])
		}
		return sum / float64(long)
	}
	return math.Abs(mean(p.from+hi*t.block) - mean(p.from+lo*t.block-long))
}
