package deconv

import (
	"context"
	"math"
	"sync"

	"roomsonde/deconv/fourier"
	"roomsonde/deconv/internal/parallel"
	"roomsonde/sweep"
)

// Options says how a recording is worked out. The zero value suits every
// recording of a program whose start in the recording is unknown.
type Options struct {
	// Aligned tells that frame 0 of the recording is frame 0 of the program,
	// but for a latency: so it is when a card played and recorded. Otherwise
	// the program is looked for.
	Aligned bool
	PreS    float64 // how much of the response before time zero is kept; 0: 0.5 s, less where a sweep's distortion stands nearer
	KeepS   float64 // how much after it; 0: the program's tail, or 2 s
}

func (o Options) resolved(tailS float64) Options {
	if o.PreS == 0 {
		o.PreS = 0.5
	}
	if o.KeepS == 0 {
		o.KeepS = tailS
	}
	return o
}

// excitation is what deconvolution needs to know of what was played.
type excitation struct {
	samples      []float32
	rate         float64
	fromHz, toHz float64
	sweep        *sweep.Sweep // nil when it is not a log sweep
}

// Recover works out the impulse response from a recording of program p at the
// sample rate of p. rec is not changed. Errors: *TooShortError, *NotFoundError,
// *SampleError, ctx's error.
//
// Sweeps that the program repeats are averaged, which supposes that player and
// recorder run on one clock.
func Recover(ctx context.Context, rec []float32, p *sweep.Program, o Options) (*Result, error) {
	s := p.Sweep
	if err := checkSamples(rec); err != nil {
		return nil, err
	}
	if need := s.Frames / 4; len(rec) < need {
		return nil, &TooShortError{float64(len(rec)) / s.SampleRate, float64(need) / s.SampleRate}
	}
	if o.PreS == 0 {
		o.PreS = math.Min(0.5, 0.8*s.HarmonicAdvance(2))
	}
	o = o.resolved(p.Options.TailS)
	x := excitation{samples: s.Samples(), rate: s.SampleRate, fromHz: s.StartHz, toHz: s.StopHz, sweep: s}

	starts := p.Starts(sweep.KindSweep)
	length := s.Frames + p.Tail() // of one repeat
	margin := 0                   // frames before a start that are taken along
	if o.Aligned && len(starts) == 1 {
		// The latency eats into the silence after the sweep. Where nothing else
		// follows, what was recorded past the program's end makes up for it.
		if p.Frames == starts[0]+length {
			length += max(0, len(rec)-p.Frames)
		}
	} else {
		start, err := find(ctx, rec, x.samples, starts, starts[len(starts)-1]-starts[0]+s.Frames)
		if err != nil {
			return nil, err
		}
		shift := start - starts[0]
		margin = int(0.1 * s.SampleRate)
		for i := range starts {
			starts[i] += shift
		}
		length += margin
	}

	n := fourier.FastLen(length + int(0.25*s.SampleRate))
	long := borrow(n)
	defer long.giveBack()
	spectrum := spectrumOf(long.a, x.samples, long.x)
	mean := long.x
	dc := offset(rec[:min(max(0, starts[0]-margin), len(rec))])
	used := average(mean, rec, starts, margin, length, dc)
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	inv := newInverse(spectrum, n, x.rate, x.fromHz, x.toHz)
	// Meanwhile, a silence to hear the noise in: before the first sound; else
	// after the last one has died away. Sound is never early.
	var noise *Noise
	var aside sync.WaitGroup
	aside.Go(func() {
		first := starts[0] - p.Starts(sweep.KindSweep)[0] // of the program
		noise = silence(rec, first+p.Segments[1].Start, first+p.Frames-p.Tail(), p.Tail()+int(latestS*x.rate), inv)
		if noise != nil {
			for i := range noise.Density {
				noise.Density[i] /= float64(used)
				noise.psd[i] /= float64(used)
			}
		}
	})
	h, spectrum := divide(long.b, mean, inv)
	aside.Wait()
	if err := ctx.Err(); err != nil {
		return nil, err
	}

	r := &Result{FromHz: x.fromHz, ToHz: x.toHz, Sweeps: used, Noise: noise}
	// Is it the sweep at all? And then time zero: near the strongest sound, and
	// not among the distortion products, which stand before it.
	coarse, outDB := inv.arrival(spectrum)
	if outDB < needDB {
		return nil, &NotFoundError{PeakDB: outDB, NeedDB: needDB, Silent: outDB == 0}
	}
	if o.Aligned && starts[0]-margin+coarse < p.Starts(sweep.KindSweep)[0]-int(0.05*x.rate) {
		return nil, &NotFoundError{PeakDB: outDB, NeedDB: needDB, Early: true}
	}
	lag, err := firstArrival(h, coarse-int(0.05*x.rate), coarse+int(0.2*x.rate), x.rate, x.toHz)
	if err != nil {
		return nil, err
	}
	r.ArrivalFrame = starts[0] - margin + lag
	r.TailFrames = max(0, min(starts[0]-margin+length, len(rec))-r.ArrivalFrame-s.Frames)
	if r.ArrivalFrame < 0 {
		r.StartMissing = true
		r.FromHz = math.Min(s.StopHz, s.FrequencyAt(float64(-r.ArrivalFrame)/x.rate))
	}
	if short := r.ArrivalFrame + s.Frames - len(rec); short > 0 {
		r.EndMissing = true
		r.ToHz = math.Max(s.StartHz, s.FrequencyAt(s.Seconds-float64(short)/x.rate))
	}
	if r.FromHz >= r.ToHz {
		return nil, &NotFoundError{Silent: false, NeedDB: needDB}
	}
	aside.Go(func() { r.Products = separate(h, lag, s) })
	r.Impulse = cut(h, spectrum, inv, lag, o, noise)
	aside.Wait()
	return r, nil
}

// latestS is by how many seconds sound may be late behind the start of a
// recording that started with the program.
const latestS = 0.5

// average puts the mean of the repeats that start at the given frames into mean:
// length frames from margin before each start, the offset dc taken away, and
// zeros behind. It takes those that were recorded whole, or the first one where
// none was, and returns how many.
func average(mean []float64, rec []float32, starts []int, margin, length int, dc float64) int {
	var whole []int
	for _, start := range starts {
		if lo := start - margin; lo >= 0 && lo+length <= len(rec) {
			whole = append(whole, lo)
		}
	}
	if len(whole) == 0 || whole[0] != starts[0]-margin {
		whole = []int{starts[0] - margin} // what time zero is counted from
	}
	clear(mean)
	for _, lo := range whole {
		from, to := max(lo, 0), min(lo+length, len(rec))
		parallel.Split(max(0, to-from), func(a, b int) {
			for i := from + a; i < from+b; i++ {
				mean[i-lo] += float64(rec[i]) - dc
			}
		})
	}
	if count := float64(len(whole)); count > 1 {
		for i := range mean {
			mean[i] /= count
		}
	}
	return len(whole)
}

// Divide works out the impulse response from a recording of any excitation by
// regularised division alone: rec and x at the same rate in Hz, neither
// changed. The excitation's range is read off its own spectrum. Errors:
// *TooShortError, *NotFoundError, *SampleError, ctx's error.
func Divide(ctx context.Context, rec, x []float32, rate float64, o Options) (*Result, error) {
	for _, samples := range [][]float32{rec, x} {
		if err := checkSamples(samples); err != nil {
			return nil, err
		}
	}
	first, last := extent(x)
	if last-first < int(0.05*rate) {
		return nil, &TooShortError{float64(max(0, last-first)) / rate, 0.05}
	}
	if len(rec) < (last-first)/4 {
		return nil, &TooShortError{float64(len(rec)) / rate, float64(last-first) / 4 / rate}
	}
	o = o.resolved(2)
	lag, err := find(ctx, rec, x, []int{0}, len(x))
	if err != nil {
		return nil, err
	}
	// What lies far from the excitation adds nothing but noise.
	around := int((math.Max(o.KeepS, 2) + 1) * rate)
	from, to := max(0, lag-around), min(len(rec), lag+last+around)
	n := fourier.FastLen(to - from + len(x))
	long := borrow(n)
	defer long.giveBack()
	spectrum := spectrumOf(long.a, x, long.x)
	fromHz, toHz := rangeOf(spectrum, rate/float64(n), rate)
	inv := newInverse(spectrum, n, rate, fromHz, toHz)
	y := long.x
	for i, v := range rec[from:to] {
		y[i] = float64(v)
	}
	clear(y[to-from:])
	h, spectrum := divide(long.b, y, inv)
	near, err := firstArrival(h, lag-from-int(0.05*rate), lag-from+int(0.2*rate), rate, toHz)
	if err != nil {
		return nil, err
	}
	lag = from + near
	r := &Result{FromHz: fromHz, ToHz: toHz, Sweeps: 1, ArrivalFrame: lag}
	r.TailFrames = max(0, len(rec)-lag-last)
	r.StartMissing, r.EndMissing = lag+first < 0, lag+last > len(rec)
	r.Noise = silence(rec, lag+first, lag+last, int(2*rate), inv)
	r.Impulse = cut(h, spectrum, inv, near, o, r.Noise)
	return r, ctx.Err()
}

// offset returns a converter's constant offset as a silence shows it, and 0 where
// it does not stand clear of the noise, or the silence is short.
func offset(silence []float32) float64 {
	if len(silence) < 4096 {
		return 0
	}
	var sum, power float64
	for _, v := range silence {
		sum += float64(v)
		power += float64(v) * float64(v)
	}
	mean := sum / float64(len(silence))
	if noise := power/float64(len(silence)) - mean*mean; mean*mean < 9*noise {
		return 0
	}
	return mean
}

// divide takes a recording to a circular impulse response of the inverse's
// length and its spectrum, which takes the place of y and dst.
func divide(dst []complex128, y []float64, inv *inverse) (h []float64, spectrum []complex128) {
	plan := fourier.Get(inv.n)
	defer fourier.Put(plan)
	spectrum = plan.Coefficients(dst, y)
	inv.apply(spectrum)
	return plan.Sequence(y, spectrum), spectrum
}

// cut takes the linear response out of the circular one, whose spectrum is
// given, and continues it past the ends of the range.
func cut(h []float64, spectrum []complex128, inv *inverse, lag int, o Options, noise *Noise) ImpulseResponse {
	pre := int(math.Round(o.PreS * inv.rate))
	keep := min(int(math.Round(o.KeepS*inv.rate)), inv.n-pre)
	ir := ImpulseResponse{SampleRate: inv.rate, Samples: make([]float64, pre+keep), Zero: pre}
	circular(ir.Samples, h, lag-pre)
	if extra := inv.continuation(spectrum, lag, support{pre, keep}, noise); extra != nil {
		addCircular(ir.Samples, extra, inv.n, lag-pre)
	}
	return ir
}

// circular copies len(dst) values of h from index start on, counted around.
func circular(dst, h []float64, start int) {
	n := len(h)
	start = ((start % n) + n) % n
	copied := copy(dst, h[start:])
	copy(dst[copied:], h)
}

// silence hears the noise in the part of rec before soundStart, or else in what
// follows settle frames after soundEnd.
func silence(rec []float32, soundStart, soundEnd, settle int, inv *inverse) *Noise {
	// Whatever starts with the recording (a converter's settling, a fade of the
	// system's) stays out, and so does what precedes the sound a little.
	skip, guard := int(0.1*inv.rate), int(0.03*inv.rate)
	if before := min(soundStart-guard, len(rec)); before-skip >= int(leastSilenceS*inv.rate) {
		return hear(unedited(rec[skip:before]), inv)
	}
	if after := soundEnd + settle; after >= 0 && len(rec)-after >= int(leastSilenceS*inv.rate) {
		return hear(unedited(rec[after:]), inv)
	}
	return nil
}

// unedited returns the longest stretch of a silence without exact zeros in a
// row, which editors and gates leave behind; all of it where it is nothing but
// zeros.
func unedited(x []float32) []float32 {
	const row = 32
	var best []float32
	start, zeros := 0, 0
	for i, v := range x {
		if v != 0 {
			zeros = 0
			continue
		}
		if zeros++; zeros < row {
			continue
		}
		if part := x[start:max(start, i-zeros+1)]; len(part) > len(best) {
			best = part
		}
		start = i + 1
	}
	if part := x[start:]; len(part) > len(best) {
		best = part
	}
	if len(best) <= row {
		return x
	}
	return best
}

// separate cuts the distortion products of a sweep out of the circular
// response: each from a little before its place to 0.9 of the way to the next
// lower order's (method of Farina 2000; the figures are our own, found by
// trial: a product begins at n times the sweep's start and spreads to both
// sides for it, and a rise of 10 ms reads the second order at 30 Hz 0.9 dB low).
func separate(h []float64, lag int, s *sweep.Sweep) []Product {
	const before, most = 0.25, 0.08 // of the gap to the next higher order; s
	const share, longest = 0.9, 1.0 // of the gap to the next lower order; s
	var products []Product
	for order := 2; order <= 5; order++ {
		gap := s.HarmonicAdvance(order) - s.HarmonicAdvance(order-1)
		rise := math.Min(before*(s.HarmonicAdvance(order+1)-s.HarmonicAdvance(order)), most)
		length := math.Min(share*gap-rise, longest)
		if length < 0.04 {
			break // the orders run into each other
		}
		if s.FrequencyAt(0)*float64(order) > s.StopHz {
			break
		}
		pre := int(rise * s.SampleRate)
		total := pre + int(length*s.SampleRate)
		ir := ImpulseResponse{SampleRate: s.SampleRate, Samples: make([]float64, total), Zero: pre}
		circular(ir.Samples, h, lag-int(math.Round(s.HarmonicAdvance(order)*s.SampleRate))-pre)
		p := Product{Order: order, Impulse: ir}
		fall := total / 4
		for i := range ir.Samples {
			w := 1.0
			if i < pre {
				w = 0.5 - 0.5*math.Cos(math.Pi*(float64(i)+0.5)/float64(pre))
			} else if left := total - i; left <= fall {
				w = 0.5 - 0.5*math.Cos(math.Pi*(float64(left)-0.5)/float64(fall))
			}
			ir.Samples[i] *= w
			p.WindowEnergy += w * w
		}
		products = append(products, p)
	}
	return products
}

// checkSamples reports the first sample that is no finite number.
func checkSamples(x []float32) error {
	for i, v := range x {
		if v-v != 0 {
			return &SampleError{i}
		}
	}
	return nil
}
