package level

import (
	"context"
	"fmt"
	"math"
	"slices"

	"roomsonde/capture"
	"roomsonde/deconv/fourier"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// probe is the signal of one step, at full scale 1, with its spectrum.
type probe struct {
	rate     float64
	sweep    *sweep.Sweep
	samples  []float64    // of amplitude 1
	spectrum []complex128 // of samples, in transforms of size frames
	size     int
	octaves  []band

	decayGain, responseGain float64 // dB, over S/N
}

// band is an octave with its bins and when the probe passes it.
type band struct {
	scale.Band
	from, to int     // bins, to excluded
	endS     float64 // when the probe has left it, s
	pink     float64 // bins, see weight
}

// weight is what bin k counts in the octave's mean, as amplitude: a sweep spends
// the same time in each part of an octave, so that a power counts as 1/f. The mean
// of its square over the octave's bins is 1.
func (o band) weight(k int) float64 { return math.Sqrt(o.pink / float64(max(1, k))) }

// leastOctave is how much of an octave must be probed for it to count.
const leastOctave = 0.8

// newProbe makes the probe for a program: its range, within what is probed.
func newProbe(p *sweep.Program) (*probe, error) {
	s, err := sweep.New(sweep.Options{
		StartHz: math.Max(probeFromHz, p.Sweep.StartHz), StopHz: math.Min(probeToHz, p.Sweep.StopHz),
		SampleRate: p.Sweep.SampleRate, Seconds: probeS, LevelDBFS: DefaultStartDBFS,
	})
	if err != nil {
		return nil, err
	}
	// A short fade leaves more of the lowest octave; it still is a fade.
	octave := s.RateS * math.Ln2 * s.SampleRate
	s.FadeIn = int(octave / 2)
	s.FadeOut = max(s.FadeOut, int(math.Min(0.02*s.SampleRate, 0.1*octave)))
	b := &probe{rate: s.SampleRate, sweep: s}
	b.decayGain, b.responseGain = gains(p)
	amplitude := s.Amplitude()
	for _, v := range s.Samples() {
		b.samples = append(b.samples, float64(v)/amplitude)
	}
	b.size = fourier.FastLen(b.frames() + len(b.samples))
	b.spectrum = transform(b.samples, b.size)
	step := b.rate / float64(b.size)
	// Within its first half octave the probe is still being faded in.
	lowest, highest := s.StartHz*math.Pow(2, 0.25), s.StopHz
	for _, o := range scale.Bands(scale.Octave, 31.5, 8000) {
		lo, hi := math.Max(o.LowHz, lowest), math.Min(o.HighHz, highest)
		if !(math.Log2(hi/lo) >= leastOctave) {
			continue
		}
		oct := band{Band: o, from: int(math.Ceil(lo / step)), to: int(math.Ceil(hi / step)), endS: s.TimeAt(hi)}
		inverse := 0.0
		for k := oct.from; k < oct.to; k++ {
			inverse += 1 / float64(k)
		}
		oct.pink = float64(oct.to-oct.from) / inverse
		b.octaves = append(b.octaves, oct)
	}
	if len(b.octaves) == 0 {
		return nil, &sweep.OptionError{Option: "range", Problem: fmt.Sprintf("from %g to %g Hz there is no octave to find a level for", s.StartHz, s.StopHz), Remedy: "widen the range, or set the level by hand, from below"}
	}
	return b, nil
}

// frames is how long a step is.
func (b *probe) frames() int {
	return b.lead() + len(b.samples) + int((latencyS+decayS+tailS)*b.rate)
}

func (b *probe) lead() int { return int(leadS * b.rate) }

// transform returns the spectrum of x, padded with zeros to size.
func transform(x []float64, size int) []complex128 {
	plan := fourier.Get(size)
	defer fourier.Put(plan)
	padded := make([]float64, size)
	copy(padded, x)
	return plan.Coefficients(nil, padded)
}

// spectrumOf returns the spectrum of a step's recording, with time zero b.before()
// before the probe begins. Its ends, where nothing of the probe is, are tapered: cut off
// sharply, the noise below 20 Hz would spill into the lowest octaves.
func (b *probe) spectrumOf(x []float64) []complex128 {
	mean := 0.0
	for _, v := range x {
		mean += v
	}
	mean /= float64(len(x)) // a converter's offset is no sound
	padded := make([]float64, b.size)
	taper := b.taper()
	for i, v := range x {
		v -= mean
		if edge := min(i, len(x)-1-i); edge < taper {
			v *= 0.5 - 0.5*math.Cos(math.Pi*(float64(edge)+0.5)/float64(taper))
		}
		padded[(i-b.lead()+b.before()+b.size)%b.size] = v
	}
	return transform(padded, b.size)
}

// before is what a response has before its arrival: that of a narrow band begins
// early, by half its own length.
func (b *probe) before() int { return int(beforeS * b.rate) }

func (b *probe) taper() int { return int(0.2 * b.rate) }

// noise is what is heard in silence.
type noise struct {
	psd    []float64 // mean |N|² per frame, two-sided, as in a transform of length size
	size   int
	bursts bool // stretches were left out
	zero   bool // nothing but zeros
	rms    float64
}

// noiseFloor is taken as the least noise, as power per frame (−160 dBFS): below
// it S/N would be about rounding.
const noiseFloor = 1e-16

// assumedNoiseDBFS is taken as the rms of the noise, white, where the silence is
// digital: a gate may hide it, and a level for no noise at all would be too low.
const assumedNoiseDBFS = -70

// hear works out the noise of a silence. Stretches in which an octave is 10 dB
// above its median are left out: a door, a cough.
func hear(x []float64, rate float64, octaves []band, bins int) *noise {
	// Segments of about a third of a second: three bins in the lowest octave.
	size := fourier.FastLen(int(rate / 3))
	plan := fourier.Get(size)
	defer fourier.Put(plan)
	n := &noise{size: size, psd: make([]float64, size/2+1)}
	var mean, power float64
	for _, v := range x {
		mean += v
		power += v * v
	}
	mean /= float64(len(x))
	n.rms = math.Sqrt(math.Max(0, power/float64(len(x))-mean*mean))
	n.zero = power == 0
	window := make([]float64, size)
	energy := 0.0
	for i := range window {
		window[i] = 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(size))
		energy += window[i] * window[i]
	}
	var spectra [][]float64
	segment := make([]float64, size)
	for at := 0; at+size <= len(x); at += size / 2 {
		for i := range segment {
			segment[i] = (x[at+i] - mean) * window[i]
		}
		c := plan.Coefficients(nil, segment)
		p := make([]float64, len(c))
		for i, v := range c {
			p[i] = (real(v)*real(v) + imag(v)*imag(v)) / energy
		}
		spectra = append(spectra, p)
	}
	keep := make([]bool, len(spectra))
	for i := range keep {
		keep[i] = true
	}
	for _, o := range octaves {
		levels := make([]float64, len(spectra))
		for i, p := range spectra {
			levels[i] = sum(p, o, size, bins)
		}
		sorted := slices.Clone(levels)
		slices.Sort(sorted)
		for i, v := range levels {
			if v > 10*sorted[len(sorted)/2] {
				keep[i], n.bursts = false, true
			}
		}
	}
	kept := 0
	for i, p := range spectra {
		if keep[i] {
			kept++
			for k, v := range p {
				n.psd[k] += v
			}
		}
	}
	if kept < 3 { // bursts all the time are the noise
		clear(n.psd)
		kept = len(spectra)
		for _, p := range spectra {
			for k, v := range p {
				n.psd[k] += v
			}
		}
	}
	floor := noiseFloor
	if n.zero {
		floor = scale.Power(assumedNoiseDBFS)
	}
	for k := range n.psd {
		n.psd[k] = math.Max(floor, n.psd[k]/float64(kept))
	}
	return n
}

// sum adds a spectrum of transforms of length size over an octave whose bins are
// those of transforms of length whole.
func sum(psd []float64, o band, size, whole int) float64 {
	ratio := float64(size) / float64(whole)
	lo, hi := float64(o.from)*ratio, float64(o.to)*ratio
	total := 0.0
	for k := max(1, int(math.Round(lo))); k < max(int(math.Round(lo))+1, int(math.Round(hi))) && k < len(psd); k++ {
		total += psd[k]
	}
	return total
}

// at returns the noise's power per frame at bin k of transforms of length whole.
func (n *noise) at(k, whole int) float64 {
	return n.psd[min(len(n.psd)-1, max(1, int(math.Round(float64(k)*float64(n.size)/float64(whole)))))]
}

// listen hears the noise.
func (s *search) listen(ctx context.Context) error {
	b := s.probe
	frames := int(noiseS * b.rate)
	x, peak, err := s.job(ctx, make([]float32, frames), frames, Step{})
	if err != nil {
		return err
	}
	// The first moments after a card was opened are not always like the rest.
	s.noise = hear(x[int(leadS*b.rate):], b.rate, b.octaves, b.size)
	s.result.NoiseDBFS = scale.AmplitudeDB(s.noise.rms)
	step := Step{Done: true, Frames: frames, Total: frames, PeakDBFS: scale.AmplitudeDB(peak), SPL: math.NaN()}
	s.progress(step)
	return nil
}

// job plays samples on the channels and returns what was heard, with its peak.
func (s *search) job(ctx context.Context, samples []float32, frames int, step Step) ([]float64, float64, error) {
	job := capture.Job{SampleRate: s.probe.rate, Frames: frames, Input: s.o.Input}
	for _, c := range s.o.Channels {
		job.Tracks = append(job.Tracks, capture.Track{Channel: c, Samples: samples})
	}
	step.Total, step.SPL = frames, math.NaN()
	rec, err := s.card.PlayRecord(ctx, job, func(p capture.Progress) {
		step.Frames, step.PeakDBFS = p.Frames, scale.AmplitudeDB(p.Peak)
		s.progress(step)
	})
	if err != nil {
		return nil, 0, err
	}
	if rec == nil || len(rec.Samples) < frames {
		return nil, 0, &RecordingError{"the recording is shorter than was asked for"}
	}
	x := make([]float64, frames)
	peak := 0.0
	for i := range x {
		x[i] = float64(rec.Samples[i])
		if math.IsNaN(x[i]) || math.IsInf(x[i], 0) {
			return nil, 0, &RecordingError{fmt.Sprintf("the recording holds what is no number, in frame %d", i)}
		}
		peak = math.Max(peak, math.Abs(x[i]))
	}
	return x, peak, nil
}

// play plays a step and looks at what came back.
func (s *search) play(ctx context.Context, number int, level float64, again bool) (Step, error) {
	b := s.probe
	amplitude := scale.Amplitude(level)
	samples := make([]float32, b.lead()+len(b.samples))
	for i, v := range b.samples {
		samples[b.lead()+i] = float32(amplitude * v)
	}
	step := Step{Number: number, LevelDBFS: level, Again: again}
	x, peak, err := s.job(ctx, samples, b.frames(), step)
	if err != nil {
		return step, err
	}
	s.look(&step, x, amplitude)
	step.Done, step.Frames, step.Total, step.PeakDBFS = true, len(x), len(x), scale.AmplitudeDB(peak)
	step.ExpectedDBFS = math.Max(step.ExpectedDBFS, step.PeakDBFS)
	s.result.Steps = append(s.result.Steps, step)
	s.progress(step)
	return step, nil
}

// look works out what a step heard in each octave. x begins when the job does.
//
// The recording is divided by the probe's spectrum, octave by octave: what the
// probe caused then stands in the response's first tenths of a second, and noise
// all over it.
func (s *search) look(step *Step, x []float64, amplitude float64) {
	b := s.probe
	spectrum := b.spectrumOf(x)
	plan := fourier.Get(b.size)
	defer fourier.Put(plan)
	n := float64(b.size)
	divided := make([]complex128, len(spectrum))
	noiseAt := make([]float64, len(b.octaves)) // power per frame of each response
	responses := make([][]float64, len(b.octaves))
	for i, o := range b.octaves {
		clear(divided)
		for k := o.from; k < o.to; k++ {
			p := b.spectrum[k] * complex(amplitude, 0)
			square := real(p)*real(p) + imag(p)*imag(p)
			w := o.weight(k)
			divided[k] = spectrum[k] / p * complex(w, 0)
			noiseAt[i] += 2 * s.noise.at(k, b.size) * w * w / square / n
		}
		responses[i] = plan.Sequence(nil, divided)
	}
	// Where it is: late by the device, at most latencyS.
	wide := b.before() + int((latencyS+decayS)*b.rate)
	from, to := 0, wide
	if at, ok := arrival(responses, noiseAt, b.before()+int(latencyS*b.rate), int(0.03*b.rate)); ok {
		from, to = max(0, at-b.before()), min(wide, at+int(decayS*b.rate))
	}
	whole := make([]complex128, len(spectrum)) // of all octaves together
	strongest := math.Inf(-1)
	for i, o := range b.octaves {
		h := responses[i]
		frames := float64(to - from)
		energy := energyOf(h[from:to])
		// Noise that is there now, where nothing else can be.
		now := s.noiseNow(o, h, wide)
		reference := noiseAt[i]
		if now > reference && energy/frames < 10*now {
			reference = now
		}
		width := b.rate / n * float64(o.to-o.from) // Hz
		freedom := 2 * width * frames / b.rate
		// Twice the noise, and beyond what chance makes of it: five standard
		// errors of a chi-squared variable.
		threshold := 1 + math.Max(1, 5*math.Sqrt(2/freedom))
		oct := Octave{Band: o.Band}
		caused := energy - frames*reference
		oct.Heard = energy > threshold*frames*reference
		if !oct.Heard {
			caused = threshold * frames * reference
		}
		// Mean |H|² over the octave, by Parseval; a sine of amplitude 1 has power ½.
		square := caused * n / (2 * float64(o.to-o.from))
		noisePower := s.noisePower(o) * math.Max(1, reference/noiseAt[i])
		oct.GainDB = scale.PowerDB(square)
		oct.NoiseDB = scale.PowerDB(noisePower)
		oct.SNRDB = scale.PowerDB(square*amplitude*amplitude/2) - oct.NoiseDB
		oct.RangeDB, oct.ResponseDB = oct.SNRDB+b.decayGain, oct.SNRDB+b.responseGain
		if oct.Heard {
			step.Heard++
			strongest = math.Max(strongest, oct.GainDB)
			clear(h[:from])
			clear(h[to:])
			for k, v := range plan.Coefficients(nil, h) {
				whole[k] += v / complex(o.weight(k), 0)
			}
		}
		step.Octaves = append(step.Octaves, oct)
	}
	step.SPL = math.NaN()
	// A sweep's recording follows amplitude·|H|; the noise comes on top.
	step.ExpectedDBFS = scale.AmplitudeDB(highest(whole, b.rate/n, s.o.Program.Sweep.RateS)*amplitude) + peakMargin
	for i := range step.Octaves {
		oct := &step.Octaves[i]
		oct.UnderDB = math.Max(0, strongest-oct.GainDB)
		oct.State = s.state(oct, step.Heard > 0)
		if c := s.o.Sensitivity; c != nil && oct.Heard {
			spl := oct.GainDB + step.LevelDBFS + c.OffsetDB - s.deviation(oct.Band)
			if !(spl <= step.SPL) {
				step.SPL = spl
			}
		}
	}
}

// highest returns the largest amplitude that a sweep of amplitude 1 with rate L
// (in s) has behind a path with the spectrum h, of bins step Hz wide. The sweep
// passes a frequency f at f/L Hz per second and so cannot follow what is narrower
// than √(f/L): |h|² is averaged over half of that.
func highest(h []complex128, step, rate float64) float64 {
	sums := make([]float64, len(h)+1)
	for k, v := range h {
		sums[k+1] = sums[k] + real(v)*real(v) + imag(v)*imag(v)
	}
	most := 0.0
	for k := range h {
		half := int(math.Sqrt(float64(k)*step/rate) / 4 / step)
		lo, hi := max(0, k-half), min(len(h), k+half+1)
		most = math.Max(most, (sums[hi]-sums[lo])/float64(hi-lo))
	}
	return math.Sqrt(most)
}

// state says how an octave stands.
func (s *search) state(oct *Octave, anyHeard bool) State {
	switch {
	case oct.Heard && s.missing(oct) <= 0.05:
		return Enough
	case anyHeard && oct.UnderDB >= LimitDB:
		return Limit
	case oct.Heard && oct.UnderDB >= WeakDB:
		return Weak
	case oct.Heard:
		return Short
	case anyHeard && oct.UnderDB >= WeakDB: // at most that much
		return Weak
	}
	return Unheard
}

// noisePower is the noise's power in an octave, as heard in the silence.
func (s *search) noisePower(o band) float64 {
	total := 0.0
	for k := o.from; k < o.to; k++ {
		total += 2 * s.noise.at(k, s.probe.size)
	}
	return total / float64(s.probe.size)
}

// noiseNow is the power per frame of an octave's response after everything that
// the probe can have caused, but for the end of its decay.
func (s *search) noiseNow(o band, h []float64, from int) float64 {
	b := s.probe
	to := b.before() + b.frames() - b.lead() - b.taper() - int(o.endS*b.rate)
	if to-from < int(0.1*b.rate) {
		return 0
	}
	return energyOf(h[from:to]) / float64(to-from)
}

// arrival returns the frame at which the responses begin to be loud: where the
// energy of a stretch, each octave's in units of its noise, is highest. ok is false
// when nothing stands out.
func arrival(responses [][]float64, noise []float64, latest, stretch int) (at int, ok bool) {
	sums := make([]float64, latest+stretch)
	for i, h := range responses {
		for t := range sums {
			sums[t] += h[t] * h[t] / noise[i]
		}
	}
	run, most := 0.0, 0.0
	for t, v := range sums {
		run += v
		if t >= stretch {
			run -= sums[t-stretch]
		}
		if t >= stretch-1 && run > most {
			most, at = run, t-stretch+1
		}
	}
	// 20 times the noise: the highest of some hundred stretches of noise stays
	// well below.
	return at, most > 20*float64(stretch*len(responses))
}

func energyOf(x []float64) float64 {
	e := 0.0
	for _, v := range x {
		e += v * v
	}
	return e
}
