package deconv

import (
	"context"
	"math"
	"slices"
	"sync"

	"roomsonde/deconv/clock"
	"roomsonde/deconv/fourier"
	"roomsonde/deconv/internal/fraction"
	"roomsonde/sweep"
)

// Options says how a recording is worked out. The zero value suits every
// recording of a program whose start in the recording is unknown.
type Options struct {
	// Aligned tells that frame 0 of the recording is frame 0 of the program,
	// but for a latency: so it is when a card played and recorded. Otherwise
	// the program is looked for.
	Aligned bool
	PreS    float64 // how much of the response before the first arrival is kept; 0: 0.5 s, less where a sweep's distortion stands nearer
	KeepS   float64 // how much after it; 0: the program's tail, or 2 s

	// Timing is what clock.Locate found in this recording. With it the repeats
	// are laid on top of each other to a fraction of a frame, a skew of the
	// clocks is put right, and time zero comes from the marks where these
	// were played apart from the sweeps. nil: the sweep is looked for as
	// Aligned says, and both clocks are taken for one.
	Timing *clock.Timing
	// Skip tells the sweeps that are left out, counted from 0: those that lost
	// frames. Recover does not look for such faults itself. It may be shorter than there are sweeps.
	Skip []bool
	// Replace are stretches that something spoiled: there the mean is over the
	// other sweeps.
	Replace []Stretch
}

// Stretch is a part of one of the program's sweeps or of the silence after it.
type Stretch struct {
	Sweep        int // counted from 0
	From, Frames int // From counts from the sweep's first frame
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
// *SampleError, *NothingLeftError, ctx's error.
//
// Sweeps that the program repeats are averaged. Without Options.Timing that
// supposes that player and recorder run on one clock.
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
	l, err := place(ctx, rec, p, o)
	if err != nil {
		return nil, err
	}
	x := excitation{samples: s.Samples(), rate: s.SampleRate, fromHz: s.StartHz, toHz: s.StopHz, sweep: s}

	n := fourier.FastLen(l.length + int(0.25*s.SampleRate))
	long := borrow(n)
	defer long.giveBack()
	inv := newInverse(spectrumOf(long.a, x.samples, long.x), n, x.rate, x.fromHz, x.toHz)
	// Meanwhile, a silence to hear the noise in: before the first sound; else
	// after the last one has died away. Sound is never early.
	var noise *Noise
	var aside sync.WaitGroup
	aside.Go(func() {
		first := int(math.Round(l.origin))
		noise = silence(rec, first+p.Segments[1].Start, first+p.Frames-p.Tail(), p.Tail()+int(latestS*x.rate), inv)
		if noise != nil {
			for i := range noise.Density {
				noise.Density[i] /= float64(len(l.used))
				noise.psd[i] /= float64(len(l.used))
			}
		}
	})
	spectrum := l.mean(long, rec)
	inv.apply(spectrum)
	aside.Wait()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if l.common && l.fraction != 0 {
		fraction.Advance(spectrum, n, l.fraction)
	}
	plan := fourier.Get(n)
	h := plan.Sequence(long.x, spectrum)
	fourier.Put(plan)

	r := &Result{FromHz: x.fromHz, ToHz: x.toHz, Sweeps: len(l.used), Noise: noise, Timing: o.Timing, SkewCorrected: l.skew, TimeZero: FirstArrival}
	for i := range l.starts {
		if !slices.Contains(l.used, i) {
			r.Skipped = append(r.Skipped, i)
		}
	}
	// Is it the sweep at all? And then time zero: near the strongest sound, and
	// not among the distortion products, which stand before it.
	coarse, outDB := inv.arrival(spectrum)
	if outDB < clock.NeedDB {
		return nil, &NotFoundError{PeakDB: outDB, NeedDB: clock.NeedDB, Silent: outDB == 0}
	}
	first := l.cut(l.used[0])
	if o.Aligned && first+coarse < p.Starts(sweep.KindSweep)[l.used[0]]-int(0.05*x.rate) {
		return nil, &NotFoundError{PeakDB: outDB, NeedDB: clock.NeedDB, Early: true}
	}
	lag, err := firstArrival(h, coarse-int(0.05*x.rate), coarse+int(0.2*x.rate), x.rate, x.toHz)
	if err != nil {
		return nil, err
	}
	r.ArrivalFrame = first + lag
	r.TailFrames = max(0, min(first+l.length, len(rec))-r.ArrivalFrame-s.Frames)
	if r.ArrivalFrame < 0 {
		r.StartMissing = true
		r.FromHz = math.Min(s.StopHz, s.FrequencyAt(float64(-r.ArrivalFrame)/x.rate))
	}
	if short := r.ArrivalFrame + s.Frames - len(rec); short > 0 {
		r.EndMissing = true
		r.ToHz = math.Max(s.StartHz, s.FrequencyAt(s.Seconds-float64(short)/x.rate))
	}
	if r.FromHz >= r.ToHz {
		return nil, &NotFoundError{Silent: false, NeedDB: clock.NeedDB}
	}
	aside.Go(func() { r.Products = separate(h, lag, s) })
	// Time zero: lag l.margin, where the marks say so.
	zero := lag
	if l.common && math.Abs(float64(lag-l.margin)) <= farthestS*x.rate {
		zero, r.TimeZero = l.margin, MarkArrival
	}
	r.Impulse = cut(h, spectrum, inv, lag, zero, o, noise)
	r.ArrivalS = (float64(lag-zero) + between(h, lag)) / x.rate
	aside.Wait()
	return r, nil
}

// farthestS is how far from the marks' time zero the first arrival may be.
const farthestS = 1

// latestS is by how many seconds sound may be late behind the start of a
// recording that started with the program.
const latestS = 0.5

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
	lag, err := clock.Find(ctx, rec, x, []int{0}, len(x))
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
	r.Impulse = cut(h, spectrum, inv, near, near, o, r.Noise)
	r.TimeZero, r.ArrivalS = FirstArrival, between(h, near)/rate
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
// given, and continues it past the ends of the range. lag is the first arrival,
// and zero time zero, which may stand outside what is kept: then zeros fill the
// gap.
func cut(h []float64, spectrum []complex128, inv *inverse, lag, zero int, o Options, noise *Noise) ImpulseResponse {
	pre := int(math.Round(o.PreS * inv.rate))
	keep := min(int(math.Round(o.KeepS*inv.rate)), inv.n-pre)
	before, after := max(0, lag-pre-zero), max(0, zero-lag-keep+1)
	ir := ImpulseResponse{SampleRate: inv.rate, Samples: make([]float64, before+pre+keep+after), Zero: before + pre - (lag - zero), Onset: before + pre}
	heard := ir.Samples[before : before+pre+keep]
	circular(heard, h, lag-pre)
	if extra := inv.continuation(spectrum, lag, support{pre, keep}, noise); extra != nil {
		addCircular(heard, extra, inv.n, lag-pre)
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
