package inspect

import (
	"fmt"
	"math"
	"slices"
	"sync"

	"roomsonde/deconv/fourier"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// silence is the noise before anything sounds, above highPassHz.
type silence struct {
	span
	level       // of its frames of 5 ms
	low   level // the same, low-passed as where low says so of a pair's frames
	// far is how far above the mean a frame of noise alone may lie: where most of
	// the noise is bass, a frame of 5 ms holds but one value or two.
	far float64
	// before tells that it was heard before the program, and not at the end of a
	// pause.
	before bool
}

// pause is the end of a pause after a sweep, where the room has died away.
type pause struct {
	span
	level, low level
	zeros      bool // mostly digital silence
	steady     bool // as noise is, and no room that still rings
}

// level is a mean power, and the highest.
type level struct{ mean, max float64 }

// spectrum is a mean periodogram: power per bin, one-sided, so that its sum is
// the mean square.
type spectrum struct {
	step float64 // Hz between bins
	bins []float64
}

// band returns the power from lo to hi Hz, parts of bins counted.
func (s spectrum) band(lo, hi float64) float64 {
	var sum float64
	for k := max(1, int(lo/s.step-0.5)); k < len(s.bins); k++ {
		from, to := math.Max(lo, (float64(k)-0.5)*s.step), math.Min(hi, (float64(k)+0.5)*s.step)
		if from >= hi {
			break
		}
		if to > from {
			sum += s.bins[k] * (to - from) / s.step
		}
	}
	return sum
}

// spectrumOf returns the mean over Hann windows of size frames, stride apart
// (Welch 1967), each without its mean; empty when x is shorter.
func (t *take) spectrumOf(x []float32, size, stride int) spectrum {
	if len(x) < size || size < 16 {
		return spectrum{}
	}
	plan := fourier.Get(size)
	defer fourier.Put(plan)
	s := spectrum{step: t.rate / float64(size), bins: make([]float64, size/2+1)}
	part := make([]float64, size)
	coefficients := make([]complex128, size/2+1)
	window := hann(size)
	var energy float64
	for _, w := range window {
		energy += w * w
	}
	segments := 0
	for at := 0; at+size <= len(x); at += stride {
		var mean float64
		for _, v := range x[at : at+size] {
			mean += float64(v)
		}
		mean /= float64(size)
		for i, v := range x[at : at+size] {
			part[i] = (float64(v) - mean) * window[i]
		}
		for k, v := range plan.Coefficients(coefficients, part) {
			s.bins[k] += real(v)*real(v) + imag(v)*imag(v)
		}
		segments++
	}
	// Two sides, and Parseval: Σ|X|²/N is the energy under the window.
	for k := range s.bins {
		s.bins[k] *= 2 / (energy * float64(segments) * float64(size))
	}
	return s
}

var hanns sync.Map

// hann returns the periodic Hann window.
func hann(n int) []float64 {
	if w, ok := hanns.Load(n); ok {
		return w.([]float64)
	}
	w := make([]float64, n)
	for i := range w {
		w[i] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(n))
	}
	hanns.Store(n, w)
	return w
}

// highPass is a Butterworth filter of second order.
type highPass struct{ b, a1, a2, x1, x2, y1, y2 float64 }

// highPassHz keeps what a room does in the bass on its own out of the
// comparison.
const highPassHz = 60

func newHighPass(rate float64) highPass {
	k := math.Tan(math.Pi * highPassHz / rate)
	n := 1 / (1 + math.Sqrt2*k + k*k)
	return highPass{b: n, a1: 2 * (k*k - 1) * n, a2: (1 - math.Sqrt2*k + k*k) * n}
}

func (f *highPass) next(x float64) float64 {
	y := f.b*(x-2*f.x1+f.x2) - f.a1*f.y1 - f.a2*f.y2
	f.x2, f.x1, f.y2, f.y1 = f.x1, x, f.y1, y
	return y
}

// least returns the power below which noise does not count: that of rounding, and
// 100 dB below the highest sample.
func (t *take) least() float64 {
	return math.Max(t.quantum*t.quantum/4, 1e-10*t.peak*t.peak)
}

func levelOf(powers []float64) (l level) {
	for _, p := range powers {
		l.mean += p / float64(len(powers))
		l.max = math.Max(l.max, p)
	}
	return l
}

// framePowers returns the power above highPassHz of the frames of 5 ms of a
// span, and the same low-passed; the first tenth of a second is for the filter to
// settle.
func (t *take) framePowers(s span) (out, low []float64) {
	if s.to <= s.from {
		return nil, nil
	}
	f := newHighPass(t.rate)
	settle := min(s.from, int(0.1*t.rate))
	f.x1 = float64(t.x[s.from-settle])
	f.x2 = f.x1
	for _, v := range t.x[s.from-settle : s.from] {
		f.next(float64(v))
	}
	var smooth lowPass
	for at := s.from; at+t.block <= s.to; at += t.block {
		var sum, lowSum float64
		for _, v := range t.x[at : at+t.block] {
			y := f.next(float64(v))
			sum += y * y
			z := smooth.next(y)
			lowSum += z * z
		}
		out = append(out, sum/float64(t.block))
		low = append(low, lowSum/float64(t.block))
	}
	return out, low
}

// lowPass is (1+z^−1)³/8, which has no gain at half the sample rate.
type lowPass struct{ x1, x2, x3 float64 }

func (f *lowPass) next(x float64) float64 {
	y := (x + 3*(f.x1+f.x2) + f.x3) / 8
	f.x1, f.x2, f.x3 = x, f.x1, f.x2
	return y
}

// lowPassGain is its |H|² at a part of the sample rate.
func lowPassGain(part float64) float64 { return math.Pow(math.Cos(math.Pi*math.Min(0.5, part)), 6) }

// part returns the span of the recording of program frames from to to, clipped
// to the recording.
func (t *take) part(from, to int) span {
	a, b := t.at(from), t.at(to)
	a = max(0, min(a, len(t.x)))
	return span{a, max(a, min(b, len(t.x)))}
}

// hearPauses measures the ends of the pauses.
func (t *take) hearPauses() {
	for _, s := range t.tails() {
		p := pause{span: s}
		powers, low := t.framePowers(s)
		p.level, p.low = levelOf(powers), levelOf(low)
		a, b := levelOf(powers[:len(powers)/2]).mean, levelOf(powers[len(powers)/2:]).mean
		p.steady = a < 1.5*b && b < 1.5*a
		p.zeros = 2*zerosIn(t.x[s.from:s.to]) > s.to-s.from
		t.ends = append(t.ends, p)
		if t.quietest == nil || p.level.mean < t.quietest.level.mean {
			t.quietest = &p
		}
	}
}

func zerosIn(x []float32) (n int) {
	for _, v := range x {
		if v == 0 {
			n++
		}
	}
	return n
}

// hearSilence measures the silence before the program; where the recording starts
// too late for that, the quietest end of a pause.
func (t *take) hearSilence() {
	if t.Program == nil || t.Timing == nil {
		return
	}
	t.hearPauses()
	margin := int(0.02 * t.rate)
	s := t.part(0, t.Program.Lead())
	s.to = max(s.from, s.to-margin)
	if s.from == 0 && s.to > int(0.5*t.rate) {
		s.from = int(0.05 * t.rate) // devices click as they start
	}
	t.lead.before = s.to-s.from >= int(0.1*t.rate)
	if !t.lead.before {
		if t.quietest == nil {
			return
		}
		s = t.quietest.span
	}
	t.lead.span = s
	x := t.x[s.from:s.to]
	t.digital = zerosIn(x) > len(x)/2
	t.report.NoiseS, t.report.NoiseDBFS = t.seconds(s.to-s.from), scale.PowerDB(power(x))
	powers, low := t.framePowers(span{s.from + min(int(0.1*t.rate), (s.to-s.from)/4), s.to})
	t.lead.level, t.lead.low = levelOf(powers), levelOf(low)
	t.heard, t.heardLow = t.lead.level, t.lead.low
	if q := t.quietest; q != nil && q.level.mean > scale.Power(gateDB)*t.lead.mean {
		t.heard, t.heardLow = q.level, q.low // that quiet was not that of the sweeps
	}
	size := 1 << 15
	for float64(size) < t.rate/2 {
		size *= 2
	}
	for size > len(x) {
		size /= 2
	}
	t.noise = t.spectrumOf(x, size, size/2)
	t.lead.far = t.furthest()
	t.hum()
}

// furthest returns how far above its mean the power of a frame of noise may lie.
// It is as chi-squared over 2·B·T degrees of freedom, B being the width
// (∫S)²/∫S² of the filtered noise's spectrum (R. B. Blackman and J. W. Tukey,
// The Measurement of Power Spectra, 1958; from memory); one frame in some hundred
// million lies further (E. B. Wilson and M. M. Hilferty, PNAS 17, 1931; from
// memory). A periodogram is rough, which makes B too small, not too large.
func (t *take) furthest() float64 {
	const deviations = 6
	var sum, square float64
	for k, v := range t.noise.bins {
		r := math.Pow(float64(k)*t.noise.step/highPassHz, 4)
		v *= r / (1 + r)
		sum += v
		square += v * v
	}
	if square == 0 {
		return scale.Power(burstDB)
	}
	freedom := math.Max(1, 2*sum*sum/square*t.noise.step*blockS)
	u := 2 / (9 * freedom)
	return math.Max(scale.Power(burstDB), math.Pow(1-u+deviations*math.Sqrt(u), 3))
}

// Hum.

// humLeastDBFS is a hum that no converter delivers: rounding of what was made by
// arithmetic.
const humLeastDBFS = -140

const (
	humOverDB = 10 // over the neighbourhood
	humTopHz  = 1000
)

// hum finds the mains' lines in the silence.
func (t *take) hum() {
	n := t.noise
	if n.step == 0 || n.step > 4 || t.digital {
		return
	}
	lines := func(base float64) (found []Tone, sum float64) {
		for k := 1.0; k*base <= humTopHz && k*base < t.rate/2; k++ {
			middle := int(math.Round(k * base / n.step))
			reach := 1 + int(0.001*k*base/n.step)
			peak := middle
			for b := middle - reach; b <= middle+reach; b++ {
				if b > 0 && b < len(n.bins) && n.bins[b] > n.bins[peak] {
					peak = b
				}
			}
			var around []float64
			for d := 4; d <= 8; d++ {
				for _, b := range []int{peak - d, peak + d} {
					if b > 0 && b < len(n.bins) {
						around = append(around, n.bins[b])
					}
				}
			}
			if len(around) < 5 || peak < 3 {
				continue
			}
			slices.Sort(around)
			floor := around[len(around)/2]
			var level float64
			for b := peak - 2; b <= min(peak+2, len(n.bins)-1); b++ {
				level += n.bins[b]
			}
			level -= 5 * floor
			if level > 0 && n.bins[peak] > floor*scale.Power(humOverDB) {
				found = append(found, Tone{Hz: k * base, LevelDBFS: scale.PowerDB(level), OverDB: scale.PowerDB(n.bins[peak] / math.Max(floor, 1e-300))})
				sum += level
			}
		}
		return found, sum
	}
	best, sum := lines(50)
	base := 50.0
	if other, power := lines(60); power > sum {
		best, sum, base = other, power, 60
	}
	if len(best) == 0 {
		return
	}
	if scale.PowerDB(sum) < humLeastDBFS {
		return
	}
	t.report.Hum = best
	var names []string
	for _, tone := range best[:min(4, len(best))] {
		names = append(names, fmt.Sprintf("%s (%.0f dBFS)", hertz(tone.Hz), tone.LevelDBFS))
	}
	if len(best) > 4 {
		names = append(names, fmt.Sprintf("%d more", len(best)-4))
	}
	level := scale.PowerDB(sum)
	t.add(Finding{Kind: Hum, FromHz: best[0].Hz, ToHz: best[len(best)-1].Hz, Amount: level, Unit: "dBFS",
		What:   fmt.Sprintf("Mains hum of %.0f Hz, %.0f dBFS in all: %s.", base, level, list(names)),
		Effect: "It disturbs the result close to these frequencies only.",
		Remedy: "If it can be heard, look for a ground loop or a cable beside a power supply."})
}

// Octaves.
const (
	lowSNR = 15 // dB: below, an octave is worth a note
	// leastOctave is the longest part of an octave that must be swept for it to
	// count.
	leastOctave = 0.7
)

// octaves measures signal over noise per octave in the first sweep.
func (t *take) octaves() {
	if t.Program == nil || t.Timing == nil || t.lead.to == t.lead.from {
		return
	}
	s := t.Program.Sweep
	start := t.Program.Starts(sweep.KindSweep)[0]
	for _, b := range scale.Bands(scale.Octave, 31.5, 16000) {
		lo, hi := math.Max(b.LowHz, s.StartHz), math.Min(b.HighHz, s.StopHz)
		if hi <= lo || math.Log2(hi/lo) < leastOctave {
			continue
		}
		span := t.part(start+int(s.TimeAt(lo)*t.rate), start+int(s.TimeAt(hi)*t.rate))
		x := t.x[span.from:span.to]
		size := 4096
		for float64(size) < 6*t.rate/b.LowHz || float64(size) < t.rate/20 {
			size *= 2
		}
		for size > len(x) && size > 64 {
			size /= 2
		}
		if len(x) < size {
			continue
		}
		// Some windows, not all: it is a mean over much sound.
		const windows = 3
		var signal float64
		for w := range windows {
			at := (len(x) - size) * w / (windows - 1)
			signal += t.spectrumOf(x[at:at+size], size, size).band(b.LowHz/1.06, b.HighHz*1.06) / windows
		}
		noise := t.noise.band(b.LowHz, b.HighHz)
		if t.digital {
			noise = 0
		}
		o := Octave{Hz: b.NominalHz, SignalDBFS: scale.PowerDB(math.Max(signal-noise, 1e-3*noise)), NoiseDBFS: scale.PowerDB(noise)}
		o.SNRDB = o.SignalDBFS - o.NoiseDBFS
		t.report.SNR = append(t.report.SNR, o)
	}
	var low []Octave
	for _, o := range t.report.SNR {
		if o.SNRDB < lowSNR {
			low = append(low, o)
		}
	}
	if len(low) == 0 {
		return
	}
	var names []string
	worst := low[0]
	for i := 0; i < len(low); {
		j := i
		for j+1 < len(low) && low[j+1].Hz < 2.1*low[j].Hz {
			j++
		}
		name := hertz(low[i].Hz)
		if j > i {
			name += " to " + hertz(low[j].Hz)
		}
		names = append(names, name)
		for _, o := range low[i : j+1] {
			if o.SNRDB < worst.SNRDB {
				worst = o
			}
		}
		i = j + 1
	}
	where := fmt.Sprintf("the octaves of %s; least at %s, with %.0f dB", list(names), hertz(worst.Hz), worst.SNRDB)
	if len(low) == 1 {
		where = fmt.Sprintf("the octave of %s: %.0f dB", hertz(worst.Hz), worst.SNRDB)
	}
	t.add(Finding{Kind: LowSignal, FromHz: low[0].Hz / math.Sqrt2, ToHz: low[len(low)-1].Hz * math.Sqrt2, Amount: worst.SNRDB, Unit: "dB",
		What:   fmt.Sprintf("Less than %d dB of signal over noise in %s.", lowSNR, where),
		Effect: "There the response is uncertain, and decay times cannot be had.",
		Remedy: "Where the loudspeaker plays at all: play louder, sweep longer, or make the room quieter."})
}

// Noise that changes.
const (
	gateDB        = 6
	noiseNoteDB   = 6
	noiseFaultDB  = 10
	unrealDB      = 30  // no room gets louder by so much without being heard to
	pauseS        = 0.7 // the end of a tail, where the room has died away
	changeRisesDB = 3   // a change of the noise also lifts the whole band
)

// tails returns the last part of the silence after each sweep.
func (t *take) tails() []span {
	var out []span
	p := t.Program
	for _, start := range p.Starts(sweep.KindSweep) {
		end := start + p.Sweep.Frames + p.Tail()
		long := min(int(pauseS*t.rate), p.Tail()/3)
		s := t.part(end-long, end-int(0.02*t.rate))
		if s.to-s.from > int(0.2*t.rate) {
			out = append(out, s)
		}
	}
	return out
}

// gate looks for a noise that is there while the program sounds, and not in the
// pauses, or in the pauses and not before the program.
func (t *take) gate() {
	if t.lead.to == t.lead.from {
		return
	}
	f := Finding{Kind: NoiseGate, Fault: true, FromS: t.seconds(t.lead.from), ToS: t.seconds(t.lead.to), Unit: "dB", Effect: gateEffect, Remedy: voiceRemedy}
	var ends []pause
	loudest := 0.0
	for _, p := range t.ends {
		if !p.zeros {
			ends = append(ends, p)
			loudest = math.Max(loudest, p.level.mean)
		}
	}
	if len(ends) > 0 {
		f.FromS, f.ToS = t.seconds(ends[0].from), t.seconds(ends[len(ends)-1].to)
	}
	least := math.Max(loudest, t.least()/10)
	if t.lead.before && !t.digital {
		least = math.Max(least, t.lead.mean)
	}
	switch {
	case len(ends) > 0 && t.lead.before && t.digital:
		if q := t.quietest; q.zeros || !q.steady || q.level.mean < 4*t.quantum*t.quantum {
			break
		}
		f.FromS, f.ToS = t.seconds(t.lead.from), t.seconds(t.lead.to)
		f.Amount, f.Unit = scale.PowerDB(t.quietest.level.mean), "dBFS"
		f.What = fmt.Sprintf("Before the program the recording holds nothing but zeros, in the pauses after the sweeps a noise of %.0f dBFS.", f.Amount)
	case len(ends) > 0 && t.lead.before && t.lead.mean > scale.Power(gateDB)*math.Max(loudest, t.least()/10):
		f.Amount = scale.PowerDB(t.lead.mean / math.Max(loudest, t.least()/10))
		f.What = fmt.Sprintf("In the pauses after the sweeps the noise is at least %.0f dB lower than before the program.", f.Amount)
	case len(ends) == 0 && len(t.ends) > 1 && t.lead.before && 4*zerosIn(t.x[t.lead.from:t.lead.to]) < t.lead.to-t.lead.from:
		f.FromS, f.ToS = t.seconds(t.ends[0].from), t.seconds(t.ends[len(t.ends)-1].to)
		f.Amount, f.Unit = t.report.NoiseDBFS, "dBFS"
		f.What = fmt.Sprintf("In the pauses after the sweeps the recording holds hardly anything but zeros, before the program a noise of %.0f dBFS.", f.Amount)
	case t.during > scale.Power(gateDB)*least:
		f.Amount = scale.PowerDB(t.during / least)
		f.What = fmt.Sprintf("While the sweeps sound there is at least %.0f dB more noise than before them and in the pauses.", f.Amount)
	}
	if f.What != "" {
		t.shut = true
		t.add(f)
	}
}

// noiseAfter compares the noise before the program with that after the sweeps.
func (t *take) noiseAfter() {
	if t.Timing == nil || t.digital || t.noise.step == 0 || t.lead.mean == 0 || !t.lead.before || t.shut {
		return
	}
	lead := t.x[t.lead.from:t.lead.to]
	type change struct {
		hz, db float64
	}
	var worst change
	where := span{}
	size := 8192
	for float64(size) < t.rate/8 {
		size *= 2
	}
	before := t.spectrumOf(lead, size, size)
	for _, end := range t.ends {
		s := end.span
		after := t.spectrumOf(t.x[s.from:s.to], size, size)
		if after.step == 0 || before.step == 0 {
			continue
		}
		for _, b := range scale.Bands(scale.Octave, 63, 8000) {
			if b.HighHz > t.rate/2 {
				continue
			}
			a, c := math.Max(before.band(b.LowHz, b.HighHz), t.least()), after.band(b.LowHz, b.HighHz)
			if c <= 0 {
				continue
			}
			// A short stretch holds few independent values in the bass.
			slack := 6 / math.Sqrt(b.BandwidthHz()*t.seconds(s.to-s.from)) * 4.34
			if db := scale.PowerDB(c/a) - slack; db > worst.db {
				worst, where = change{b.NominalHz, db}, s
			}
		}
	}
	if worst.db > unrealDB {
		t.noisier = true
		t.add(Finding{Kind: NoiseGate, Fault: true, FromS: t.seconds(t.lead.from), ToS: t.seconds(where.to),
			FromHz: worst.hz / math.Sqrt2, ToHz: worst.hz * math.Sqrt2, Amount: worst.db, Unit: "dB",
			What:   fmt.Sprintf("Before the program the recording is at least %.0f dB quieter than after a sweep, at %.2f s, most in the octave of %s: that quiet is not the room's.", worst.db, t.seconds(where.from), hertz(worst.hz)),
			Effect: gateEffect, Remedy: voiceRemedy})
	} else if worst.db > noiseNoteDB {
		t.add(Finding{Kind: NoiseChange, Fault: worst.db > noiseFaultDB, FromS: t.seconds(where.from), ToS: t.seconds(where.to),
			FromHz: worst.hz / math.Sqrt2, ToHz: worst.hz * math.Sqrt2, Amount: worst.db, Unit: "dB",
			What:   fmt.Sprintf("The noise is at least %.0f dB louder after a sweep, at %.2f s, than before the program, most in the octave of %s.", worst.db, t.seconds(where.from), hertz(worst.hz)),
			Effect: "Signal over noise is overrated: some of what looks readable is not.", Remedy: "Wait until the room is quiet and measure again."})
		t.noisier = true
	}
}

// noiseDuring compares the noise before the program with what differs between the
// sweeps, which holds the noise of both.
func (t *take) noiseDuring() {
	if t.noisier || t.shut || t.digital || t.noise.step == 0 || t.lead.mean == 0 {
		return
	}
	for _, p := range t.pairs {
		var during []float64
		for f := range p.diff {
			if p.diff[f] > scale.Power(-35)*p.level(f, 4) {
				during = append(during, p.diff[f]/2)
			} else {
				during = append(during, 0)
			}
		}
		if len(during) < 20 {
			continue
		}
		slices.Sort(during)
		middle := during[len(during)/2]
		if db := scale.PowerDB(math.Max(middle, 1e-30) / math.Max(t.lead.mean, t.least())); db > noiseFaultDB {
			t.add(Finding{Kind: NoiseChange, Fault: true, FromS: t.seconds(p.from), ToS: t.seconds(p.from + len(p.diff)*t.block), Amount: db, Unit: "dB",
				What:   fmt.Sprintf("What differs between sweeps %d and %d is %.0f dB louder than the noise before the program.", p.a+1, p.b+1, db),
				Effect: "Either there was more noise during the sweeps, or something moved, or the quiet before the program was not real: signal over noise is overrated.",
				Remedy: "Keep the room quiet and everything in it still, switch noise suppression off, and measure again."})
			return
		}
	}
}

const (
	pauseSmooth = 8  // frames of 5 ms
	pauseRiseDB = 10 // over the stretch before: a room only dies away
	fadeS       = 0.3
	bassFadeS   = 1.0
)

// noisesInPauses looks for noises in the pauses, where they do little harm. The
// first part of each belongs to the room.
func (t *take) noisesInPauses() {
	if t.Program == nil || t.Timing == nil || t.lead.mean == 0 || t.digital {
		return
	}
	var first, last, count int
	most := 0.0
	for i, seg := range t.Program.Segments {
		if i == 0 || seg.Kind != sweep.KindSilence {
			continue
		}
		fade := int(fadeS * t.rate)
		if t.Program.Sweep.StopHz < 1000 {
			fade = int(bassFadeS * t.rate) // modes beat as they die away
		}
		s := t.part(seg.Start+fade, seg.Start+seg.Frames)
		if s.from < int(0.1*t.rate) {
			continue
		}
		s.to -= int(0.02 * t.rate)
		if !t.rises(s) {
			continue
		}
		powers, _ := t.framePowers(s)
		mean := func(from int) (m float64) {
			for _, p := range powers[from : from+pauseSmooth] {
				m += p / pauseSmooth
			}
			return m
		}
		for f := pauseSmooth; f+pauseSmooth <= len(powers); f++ {
			now := mean(f)
			if now > scale.Power(burstDB)*max(t.lead.mean, t.least()) && now > 2*t.lead.max && now > scale.Power(pauseRiseDB)*mean(f-pauseSmooth) {
				at := s.from + f*t.block
				if count == 0 {
					first = at
				}
				last, most = at+pauseSmooth*t.block, math.Max(most, now)
				count++
				f += 2 * pauseSmooth
			}
		}
	}
	if count == 0 {
		return
	}
	what := "A noise in a pause"
	if count > 1 {
		what = fmt.Sprintf("%d noises in the pauses, the first", count)
	}
	over := scale.PowerDB(most / math.Max(t.lead.mean, t.least()))
	t.add(Finding{Kind: Burst, FromS: t.seconds(first), ToS: t.seconds(last), Amount: over, Unit: "dB",
		What:   fmt.Sprintf("%s at %.2f s, up to %.0f dB over the room's noise.", what, t.seconds(first), over),
		Effect: "It disturbs little but the end of the decay.", Remedy: ""})
}

// rises reports whether the power in a span rises at all as a noise would make it:
// without the filter, which takes its time.
func (t *take) rises(s span) bool {
	least := scale.Power(burstDB) * max(t.lead.mean, t.least())
	mean := func(b int) (m float64) {
		for _, v := range t.blocks[b : b+pauseSmooth] {
			m += v.sq / float64(pauseSmooth*t.block)
		}
		return m
	}
	for b := s.from/t.block + 1; (b+pauseSmooth)*t.block < s.to; b++ {
		if now := mean(b); now > least/2 {
			for back := max(s.from/t.block+1, b-2*pauseSmooth); back < b; back++ {
				if now > 1.3*mean(back) {
					return true
				}
			}
		}
	}
	return false
}
