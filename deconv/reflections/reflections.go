// Package reflections finds the strongest arrivals after the direct sound in an
// impulse response, and gives the energy-time curve in which they show: the
// squared envelope of the response in a band, in dB re the direct sound's peak.
//
// The envelope is the magnitude of the analytic signal (D. Gabor, J. IEE 93,
// 1946; from memory), whose imaginary part is the Hilbert transform of the real
// one. The band's edges are raised cosines half an octave wide, without phase, so
// that a pulse stays where it is and its side lobes die away within a millisecond
// or so in the usual band.
//
// A peak is named as an arrival where it
//
//   - stands 6 dB above the side lobes that the direct sound and all stronger
//     arrivals have in this band, and above what rings before the direct sound,
//     which tells of the steep end of a response,
//   - stands 11 dB above the middle of what is heard around it within 3 ms, which a
//     few places in a second of mere reverberation do,
//   - stands 12 dB above the steady noise, and
//   - lies no further below the direct sound than asked for.
//
// What rings in the loudspeaker itself is part of the direct sound, and within
// some tenths of a millisecond of it cannot be told from a reflection.
package reflections

import (
	"fmt"
	"math"
	"slices"

	"roomsonde/deconv"
	"roomsonde/deconv/fourier"
	"roomsonde/sweep/scale"
)

// Options says what is looked for. The zero value asks for the ten strongest
// arrivals within 50 ms and 30 dB of the direct sound, from 1 to 8 kHz.
type Options struct {
	// FromHz and ToHz bound the band, at half the amplitude; 0: 1 kHz and 8 kHz,
	// the range in which EBU Tech 3276 judges early reflections (from memory). They
	// must be an octave apart. ToHz is brought down to 0.42 times the sampling rate.
	FromHz, ToHz float64
	WithinS      float64 // after the direct sound; 0: 0.050
	CurveS       float64 // how much of the energy-time curve is returned; 0: WithinS
	WithinDB     float64 // below the direct sound; 0: 30
	Most         int     // arrivals; 0: 10
	SpeedMPS     float64 // of sound, for the path differences; 0: 343.2 m/s (ISO 9613-1, 20 °C)
}

// Arrival is one reflection.
type Arrival struct {
	DelayS  float64 // after the direct sound
	PathM   float64 // how much longer its path is than the direct sound's
	LevelDB float64 // re the direct sound
}

// Result is what was found. Times are seconds after the direct sound's peak,
// levels dB re that peak.
type Result struct {
	Arrivals []Arrival // by delay
	// TimeS and LevelDB are the energy-time curve, one point a sample, from 5 ms
	// before the direct sound or from where the response begins.
	TimeS, LevelDB []float64
	FromHz, ToHz   float64 // the band that was used
	SpeedMPS       float64 // the speed of sound that was used
	DirectS        float64 // of the direct sound's peak, after the response's Zero
	// ResolutionS is the width of a pulse in this band, at half its height: what is
	// nearer together shows as one.
	ResolutionS float64
	NoiseDB     float64 // mean power of the steady noise in this band; scale.FloorDB: none
	// SearchedS and DownToDB are how far arrivals were looked for: as asked for, or
	// as far as the response and the noise allow.
	SearchedS, DownToDB float64
	// Reason says why nothing is given, or what stood against looking further, in
	// a clause without a full stop; "" when there is nothing to say. OK is false
	// where nothing is given.
	Reason string
	OK     bool
}

// InputError says what is wrong with the response or the options.
type InputError struct{ What, Do string }

func (e *InputError) Error() string { return "reflections: " + e.What }

// Hint says what to do about it.
func (e *InputError) Hint() string { return e.Do }

const (
	edgeOctaves = 0.5   // width of the band's edges
	highest     = 0.42  // ToHz re the sampling rate: the edge must end below half of it
	beforeS     = 0.005 // of the curve before the direct sound
	fadeS       = 0.010 // at the ends of what is transformed
	marginS     = 0.030 // and how far beyond the curve that reaches
	directS     = 0.0015
	sideLobeDB  = 6.0
	aroundDB    = 11.0
	aroundS     = 0.003
	noiseDB     = 12.0
	directDB    = 20.0 // the direct sound over the noise, at least
	longestS    = 2.0
	shortestS   = 0.002
)

func (o Options) resolve(rate float64) (Options, error) {
	set := func(v *float64, to float64) {
		if *v == 0 {
			*v = to
		}
	}
	set(&o.FromHz, 1000)
	set(&o.ToHz, 8000)
	set(&o.WithinS, 0.050)
	set(&o.CurveS, o.WithinS)
	set(&o.WithinDB, 30)
	set(&o.SpeedMPS, 343.2)
	if o.Most == 0 {
		o.Most = 10
	}
	asked := o.ToHz
	o.ToHz = math.Min(o.ToHz, highest*rate)
	switch {
	case !(o.FromHz > 0 && asked >= 2*o.FromHz && asked < math.Inf(1)):
		return o, &InputError{fmt.Sprintf("a band from %g to %g Hz", o.FromHz, asked), "give a band of at least an octave"}
	case !(o.ToHz >= 2*o.FromHz):
		return o, &InputError{fmt.Sprintf("a band from %g to %g Hz at a sampling rate of %g Hz", o.FromHz, asked, rate),
			fmt.Sprintf("give a lower end of at most %.0f Hz", highest*rate/2)}
	case !(o.WithinS >= shortestS && o.WithinS <= longestS && o.CurveS >= shortestS && o.CurveS <= longestS):
		return o, &InputError{fmt.Sprintf("a search over %g s and a curve of %g s", o.WithinS, o.CurveS),
			fmt.Sprintf("give times from %g to %g s", shortestS, longestS)}
	case !(o.WithinDB > 0 && o.WithinDB <= 100):
		return o, &InputError{fmt.Sprintf("arrivals down to %g dB below the direct sound", o.WithinDB), "give more than 0 and at most 100 dB"}
	case !(o.SpeedMPS >= 250 && o.SpeedMPS <= 450):
		return o, &InputError{fmt.Sprintf("a speed of sound of %g m/s", o.SpeedMPS), "give it in metres a second; in air at 20 °C it is 343.2"}
	case o.Most < 0:
		return o, &InputError{fmt.Sprintf("%d arrivals", o.Most), "ask for at least one"}
	}
	return o, nil
}

func check(ir deconv.ImpulseResponse) error {
	if !(ir.SampleRate >= 1000 && ir.SampleRate <= 1e6) {
		return &InputError{fmt.Sprintf("a sampling rate of %g Hz", ir.SampleRate), "give the rate of the recording in hertz, 1000 to 1000000"}
	}
	if len(ir.Samples) == 0 {
		return &InputError{"the impulse response has no samples", "measure again, or check the file"}
	}
	if !ir.Inside() {
		return &InputError{fmt.Sprintf("time zero is sample %d and the first arrival sample %d of %d", ir.Zero, ir.FirstArrival(), len(ir.Samples)),
			"set it to the sample of the direct sound"}
	}
	for i, v := range ir.Samples {
		if v-v != 0 { // NaN or infinite
			return &InputError{fmt.Sprintf("sample %d of the impulse response is %g", i, v), "the file is damaged or the recovery failed; recover it again"}
		}
	}
	return nil
}

// Find returns the energy-time curve and the arrivals after the direct sound,
// which is looked for within 1.5 ms of the response's first arrival. The response
// is not changed. Its errors are *InputErrors, for a response or options that
// make no sense; a response in which no direct sound stands out says so in the
// Result.
func Find(ir deconv.ImpulseResponse, o Options) (Result, error) {
	if err := check(ir); err != nil {
		return Result{}, err
	}
	o, err := o.resolve(ir.SampleRate)
	if err != nil {
		return Result{}, err
	}
	rate := ir.SampleRate
	r := Result{FromHz: o.FromHz, ToHz: o.ToHz, SpeedMPS: o.SpeedMPS, NoiseDB: scale.FloorDB, SearchedS: o.WithinS, DownToDB: -o.WithinDB}
	arrival := ir.FirstArrival()
	samples := func(s float64) int { return int(math.Round(s * rate)) }

	// The stretch that is needed, faded at its ends where it is cut.
	reach := samples(math.Max(o.WithinS, o.CurveS) + marginS)
	start, end := max(0, arrival-samples(beforeS+marginS)), min(len(ir.Samples), arrival+reach)
	fade := samples(fadeS)
	n := fourier.FastLen(end - start + samples(2*marginS))
	x := make([]float64, n)
	copy(x, ir.Samples[start:end])
	for i := range min(fade, (end-start)/2) {
		g := 0.5 - 0.5*math.Cos(math.Pi*(float64(i)+0.5)/float64(fade))
		if start > 0 && start+fade < arrival {
			x[i] *= g
		}
		if end < len(ir.Samples) {
			x[end-start-1-i] *= g
		}
	}
	b := newBand(n, rate, o.FromHz, o.ToHz)
	defer b.close()
	env := b.envelope(x)
	pulse := b.pulse()
	r.ResolutionS = width(pulse) / rate

	// The direct sound.
	at := arrival - start
	d := max(0, at-samples(directS))
	for i := d; i <= min(at+samples(directS), end-start-1); i++ {
		if env[i] > env[d] {
			d = i
		}
	}
	if !(env[d] > 0) {
		r.Reason = "the response is silent in this band where the direct sound should be"
		return r, nil
	}
	direct, height := vertex(env[:end-start], d)
	r.DirectS = (float64(start-ir.Zero) + direct) / rate

	last := end - start - 1
	if last == d {
		r.Reason = "the response ends with the direct sound"
		return r, nil
	}
	if noise, ok := b.noise(ir.Samples, arrival+reach); ok {
		r.NoiseDB = scale.PowerDB(noise / (height * height))
		if r.NoiseDB > -directDB {
			r.Reason = fmt.Sprintf("the direct sound stands only %.0f dB out of the noise, %.0f dB are needed", math.Floor(-r.NoiseDB), directDB)
			return r, nil
		}
		if least := r.NoiseDB + noiseDB; least > r.DownToDB {
			r.DownToDB = least
			r.Reason = fmt.Sprintf("the noise hides arrivals further than %.0f dB below the direct sound", math.Floor(-least))
		}
	}
	if have := (float64(last) - direct) / rate; have < o.WithinS {
		r.SearchedS = have
		r.Reason = fmt.Sprintf("the response ends %.0f ms after the direct sound", 1000*have)
	}
	r.OK = true
	for i := max(0, d-samples(beforeS)); i <= min(last, d+samples(o.CurveS)); i++ {
		r.TimeS = append(r.TimeS, (float64(i)-direct)/rate)
		r.LevelDB = append(r.LevelDB, scale.AmplitudeDB(env[i]/height))
	}
	// The response may end within the band, as steeply as it likes. Then it rings
	// before the direct sound as after it.
	for lag, worst := min(len(pulse)-1, d, samples(beforeS)), 0.0; lag > 0; lag-- {
		worst = math.Max(worst, env[d-lag]/height)
		pulse[lag] = math.Max(pulse[lag], worst)
	}
	found := pick(env[:end-start], pulse, direct, height, direct+r.SearchedS*rate, height*scale.Amplitude(r.DownToDB), rate)
	if len(found) > o.Most { // they come strongest first
		found = found[:o.Most]
	}
	for _, f := range found {
		delay := (f.at - direct) / rate
		r.Arrivals = append(r.Arrivals, Arrival{delay, delay * o.SpeedMPS, scale.AmplitudeDB(f.height / height)})
	}
	slices.SortFunc(r.Arrivals, func(a, b Arrival) int {
		if a.DelayS < b.DelayS {
			return -1
		}
		return 1
	})
	return r, nil
}

// peak is a maximum of an envelope: its place in samples and its height.
type peak struct{ at, height float64 }

// pick returns the arrivals in an envelope, strongest first.
func pick(env, pulse []float64, direct, height, until, least, rate float64) []peak {
	var candidates []peak
	for i := int(direct) + 1; i+1 < len(env) && float64(i) <= until; i++ {
		if env[i] < least || env[i] < env[i-1] || env[i] <= env[i+1] {
			continue
		}
		if at, h := vertex(env, i); at > direct+0.5 {
			candidates = append(candidates, peak{at, h})
		}
	}
	slices.SortStableFunc(candidates, func(a, b peak) int {
		if a.height > b.height {
			return -1
		}
		return 1
	})
	lobe := int(math.Ceil(width(pulse)))
	margin := scale.Amplitude(sideLobeDB)
	stands := scale.Amplitude(aroundDB)
	strong := []peak{{direct, height}}
	var found []peak
	for _, c := range candidates {
		mask := 0.0
		for _, s := range strong {
			if d := int(math.Abs(c.at - s.at)); d < len(pulse) {
				mask += s.height * pulse[d]
			}
		}
		if c.height < margin*mask {
			continue
		}
		// A candidate that is no side lobe has side lobes of its own, named or not.
		strong = append(strong, c)
		if c.height >= stands*around(env, int(math.Round(c.at)), lobe, int(aroundS*rate)) {
			found = append(found, c)
		}
	}
	return found
}

// around returns the median of the envelope within reach of i, but for what is
// nearer than a lobe.
func around(env []float64, i, lobe, reach int) float64 {
	var v []float64
	for k := max(0, i-reach); k <= min(len(env)-1, i+reach); k++ {
		if k < i-lobe || k > i+lobe {
			v = append(v, env[k])
		}
	}
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[len(v)/2]
}

// vertex returns place and height of the parabola through the logarithm of three
// values of v around its maximum at i.
func vertex(v []float64, i int) (at, height float64) {
	if i == 0 || i == len(v)-1 || !(v[i-1] > 0 && v[i+1] > 0) {
		return float64(i), v[i]
	}
	l, m, r := math.Log(v[i-1]), math.Log(v[i]), math.Log(v[i+1])
	bend := l - 2*m + r
	if !(bend < 0) {
		return float64(i), v[i]
	}
	t := math.Max(-1, math.Min(1, 0.5*(l-r)/bend))
	return float64(i) + t, math.Exp(m - 0.25*(l-r)*t)
}

// width returns how wide a pulse is at half its height, in samples; pulse begins
// at its middle.
func width(pulse []float64) float64 {
	for i, v := range pulse {
		if v < 0.5*pulse[0] {
			return 2 * (float64(i) - (0.5*pulse[0]-v)/(pulse[i-1]-v))
		}
	}
	return 2 * float64(len(pulse))
}

// band makes envelopes of sequences of n values in a band.
type band struct {
	n    int
	rate float64
	gain []float64 // of each bin
	plan *fourier.Real
}

func newBand(n int, rate, fromHz, toHz float64) *band {
	b := &band{n: n, rate: rate, gain: make([]float64, n/2+1), plan: fourier.Get(n)}
	// rising is 0 half an edge below hz, 1/2 there and 1 half an edge above.
	rising := func(f, hz float64) float64 {
		t := math.Log2(f/hz)/edgeOctaves + 0.5
		return 0.5 - 0.5*math.Cos(math.Pi*math.Max(0, math.Min(1, t)))
	}
	for k := 1; k < len(b.gain); k++ {
		f := float64(k) * rate / float64(n)
		b.gain[k] = rising(f, fromHz) * (1 - rising(f, toHz))
	}
	return b
}

func (b *band) close() { fourier.Put(b.plan) }

// envelope returns the magnitude of the analytic signal of x in the band.
func (b *band) envelope(x []float64) []float64 {
	c := b.plan.Coefficients(nil, x)
	for k, g := range b.gain {
		c[k] *= complex(g, 0)
	}
	return b.magnitude(c)
}

func (b *band) magnitude(c []complex128) []float64 {
	re := b.plan.Sequence(nil, c)
	for k, v := range c { // times −j: the Hilbert transform
		c[k] = complex(imag(v), -real(v))
	}
	im := b.plan.Sequence(nil, c)
	for i, v := range im {
		re[i] = math.Hypot(re[i], v)
	}
	return re
}

// pulse returns the envelope of a pulse in the band, from its middle on and with
// the height 1. Between the lobes of its envelope it takes the higher one that
// follows, so that it never rises.
func (b *band) pulse() []float64 {
	c := make([]complex128, len(b.gain))
	for k, g := range b.gain {
		c[k] = complex(g, 0)
	}
	p := b.magnitude(c)[:b.n/2]
	for i := len(p) - 2; i >= 0; i-- {
		p[i] = math.Max(p[i], p[i+1])
	}
	top := p[0]
	for i := range p {
		p[i] /= top
	}
	return p
}

// noise returns the mean square of the envelope of the steady noise in the band,
// from the last tenth of a response if that lies after the sample from; false
// where there is too little, or digital silence.
func (b *band) noise(x []float64, from int) (float64, bool) {
	end := len(x)
	for end > 0 && x[end-1] == 0 {
		end--
	}
	from = max(from, end-end/10)
	if end-from < int(0.02*b.rate) {
		return 0, false
	}
	from = max(from, end-b.n) // one transform of it is enough
	y := make([]float64, b.n)
	m := end - from
	energy := 0.0
	for i := range m { // a Hann window keeps strong low notes out of the band
		w := 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(m))
		y[i] = w * x[from+i]
		energy += w * w
	}
	sum := 0.0
	for _, v := range b.envelope(y) {
		sum += v * v
	}
	return sum / energy, sum > 0
}
