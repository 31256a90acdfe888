package modes

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"roomsonde/deconv"
)

const (
	// longestS bounds the decay times that the fit may use.
	longestS = 1000.0
	// steadyS is the decay time from which on a line is no room's mode but hum,
	// or another tone that stays.
	steadyS = 10.0
	// shortestS is the least length of response that is worked on.
	shortestS = 0.2
	// half90 is half the width of an interval that holds 90 % of a normal
	// variable, in standard deviations.
	half90 = 1.6449
)

// Options say where modes are looked for. The zero value suits a living room.
type Options struct {
	LowHz, HighHz float64 // the range that is reported; 0: 20 and 200 Hz
	// SkipS is left out after the first arrival, beside what the decimation
	// filter reaches across (some 20 ms); 0: 2 ms.
	SkipS float64
	// LengthS is how much of the response after that is used, if there is as
	// much; 0: 2 s. It should reach into the noise.
	LengthS float64
	// ShortestS is the decay time below which a pole is taken for the
	// source's own or for an artefact; 0: 0.15 s.
	ShortestS float64
}

// Kind says what a mode is.
type Kind string

// The kinds of Mode.
const (
	Single Kind = "mode"   // one mode
	Group  Kind = "group"  // several poles that the data do not tell apart
	Short  Kind = "short"  // decays faster than a room's mode: mostly the source's own lower end
	Steady Kind = "steady" // hardly decays: hum or another tone
	Unsure Kind = "unsure" // something is there, but its decay or frequency is too uncertain to be called a mode
)

// Mode is a damped sinusoid A·e^(−δt)·cos(2πft + φ), t from the first arrival of
// each response, with δ = ln(1000)/DecayS. Fields that end in 90 are half the
// width of the interval that holds the true value in 90 % of cases.
type Mode struct {
	Kind   Kind
	Hz     float64 // f; of a group, where its magnitude is greatest
	Hz90   float64
	DecayS float64 // time to fall by 60 dB; of a group, at the rate of its sum from −5 to −25 dB
	// DecayS90 and Hz90 of a group are no 90 % intervals: they reach over all its members.
	DecayS90 float64
	// At holds the mode's strength in each response, in their order.
	At []Strength
	// FromHz and ToHz are the range of a group's members; of a single mode,
	// both are Hz.
	FromHz, ToHz float64
	// Poles is the number of damped sinusoids: 1, and of a group as many as it
	// took; how many modes there are in truth is not known.
	Poles int
	// Crowded tells that more modes are expected near it than are found: in a
	// room they become more with the square of the frequency, and here that law,
	// read off the lowest ones found, has at least twice as many. What is found is
	// then a sum of modes, and its uncertainty is widened accordingly.
	Crowded bool

	members []member
}

// Strength is how strong a mode is in one response.
type Strength struct {
	// LevelDB is the level of the mode's own peak in the magnitude response,
	// A/2δ times the sampling rate: 0 dB is that of a wire of gain 1, as in the
	// response itself. So it compares with what a drawn response shows.
	LevelDB, LevelDB90 float64
	// Amplitude is A at the first arrival, per sample of the response; PhaseRad
	// is φ there, −π to π.
	Amplitude            float64
	PhaseRad, PhaseRad90 float64 // of a group, of the members' sum at that moment, and π
}

// BandwidthHz returns the width of the mode's peak where its power is half:
// ln(1000)/(π·DecayS) = 2.2/DecayS.
func (m Mode) BandwidthHz() float64 { return sixtyDB / math.Pi / m.DecayS }

// member is a pole in 1/s with its amplitudes at the first arrivals.
type member struct {
	index        int // in the fit
	decay, omega float64
	amp          []complex128
}

// Result is what Find found.
type Result struct {
	// Modes are the room's, rising in frequency: single ones and groups.
	Modes []Mode
	// Other are poles within the range that are not the room's, or not sure to be.
	Other []Mode
	// StartS is the time after the first arrival from which on the responses were
	// used, LengthS for how long, and RateHz at what rate.
	StartS, LengthS, RateHz float64
	// Explained says how much of the responses the modes are.
	Explained Explained
}

// Find finds the modes of one room in one or several of its impulse responses:
// of several seats or sources, all at one sampling rate, none changed. Several
// together tell more than one after the other: frequencies and decay times are
// the room's. Errors: *InputError, *TooShortError, ctx's error.
func Find(ctx context.Context, irs []deconv.ImpulseResponse, o Options) (*Result, error) {
	w, err := look(ctx, irs, o)
	if err != nil {
		return nil, err
	}
	return w.result(), nil
}

// found is a fit with what it came from.
type found struct {
	o Options
	p *prepared
	s *search
	f *fit // nil: silence has no modes
}

func look(ctx context.Context, irs []deconv.ImpulseResponse, o Options) (*found, error) {
	if o.LowHz == 0 {
		o.LowHz = 20
	}
	if o.HighHz == 0 {
		o.HighHz = 200
	}
	if o.SkipS == 0 {
		o.SkipS = 0.002
	}
	if o.LengthS == 0 {
		o.LengthS = 2
	}
	if o.ShortestS == 0 {
		o.ShortestS = 0.15
	}
	if err := check(irs, o); err != nil {
		return nil, err
	}
	p, err := prepare(irs, o)
	if err != nil {
		return nil, err
	}
	w := &found{o: o, p: p}
	// All fits are made at a common level, so that no bound depends on it.
	if p.normalise() {
		w.s, w.f, err = fitWhite(ctx, p, o)
	}
	return w, err
}

// result describes what was found.
func (w *found) result() *Result {
	res := &Result{StartS: w.p.startS, LengthS: float64(len(w.p.y[0])) / w.p.dec.rate, RateHz: w.p.dec.rate}
	if w.f == nil {
		return res
	}
	for _, m := range w.s.describe(w.f, w.p, w.o) {
		if m.Kind == Single || m.Kind == Group {
			res.Modes = append(res.Modes, m)
		} else {
			res.Other = append(res.Other, m)
		}
	}
	res.Explained = explain(w.p, res.Modes, w.f, w.o)
	return res
}

// tiny is the variance, of the data's own 1, below which a residual need not be white.
const tiny = 1e-7

// fitWhite searches in noise that is white and the same in all responses: where
// the residual says otherwise, filter and levels are set right and the search starts again.
func fitWhite(ctx context.Context, p *prepared, o Options) (*search, *fit, error) {
	if end := tails(p.y); rumbles(end, math.Pi*o.LowHz/p.dec.rate) {
		p.white, _ = predictor(end, whitenOrder)
	}
	for again := false; ; again = true {
		y := whiten(p.y, p.white)
		if again || len(p.white) > 1 { // to a variance of 1
			level := rms(y)
			for i := range p.white {
				p.white[i] /= level
			}
			y = whiten(p.y, p.white)
		}
		s := newSearch(y, p.dec.rate)
		f, err := s.run(ctx)
		if err != nil {
			return nil, nil, err
		}
		if again || f.variance() < tiny {
			return s, f, nil
		}
		even := true
		a, gain := predictor(f.rest, whitenOrder)
		if gain > coloured {
			p.white, even = cascade(p.white, a), false
		}
		least, most := math.Inf(1), 0.0
		for _, e := range f.rest {
			v := rms([][]float64{e})
			least, most = math.Min(least, v), math.Max(most, v)
		}
		if most > uneven*least {
			even = false
			for r, e := range f.rest {
				p.divide(r, math.Max(rms([][]float64{e})/most, 1e-3))
			}
		}
		if even {
			return s, f, nil
		}
	}
}

// uneven is the ratio of the responses' noise from which on it matters.
const uneven = 1.5

func check(irs []deconv.ImpulseResponse, o Options) error {
	bad := func(i int, format string, args ...any) error {
		return &InputError{Response: i, Fact: fmt.Sprintf(format, args...)}
	}
	if len(irs) == 0 {
		return bad(-1, "there is no impulse response")
	}
	for _, v := range []float64{o.LowHz, o.HighHz, o.SkipS, o.LengthS, o.ShortestS} {
		if !(v > 0) || math.IsInf(v, 0) {
			return bad(-1, "an option is %g; all must be above 0", v)
		}
	}
	if !(o.LowHz < o.HighHz) {
		return bad(-1, "the range from %g to %g Hz is empty", o.LowHz, o.HighHz)
	}
	rate := irs[0].SampleRate
	for i, ir := range irs {
		if !(ir.SampleRate > 0) || math.IsInf(ir.SampleRate, 0) {
			return bad(i, "its sampling rate is %g Hz", ir.SampleRate)
		}
		if ir.SampleRate != rate {
			return bad(i, "its sampling rate is %g Hz, and that of the first %g Hz", ir.SampleRate, rate)
		}
		if at := ir.FirstArrival(); at < 0 || at >= len(ir.Samples) {
			return bad(i, "its first arrival lies outside of it")
		}
		for n, v := range ir.Samples {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return bad(i, "sample %d is no number", n)
			}
		}
	}
	if rate < rateShare*o.HighHz {
		return bad(0, "its sampling rate is %g Hz; modes up to %g Hz need %g Hz", rate, o.HighHz, rateShare*o.HighHz)
	}
	return nil
}

// InputError says why responses cannot be worked on together.
type InputError struct {
	Response int // counted from 0; −1: all, or the options
	Fact     string
}

func (e *InputError) Error() string {
	if e.Response < 0 {
		return "modes: " + e.Fact
	}
	return fmt.Sprintf("modes: response %d: %s", e.Response+1, e.Fact)
}

// Hint says what to do about it.
func (e *InputError) Hint() string {
	return "give whole impulse responses of one room, all at one sampling rate, and a range of frequencies above 0"
}

// TooShortError says that there is too little of a response after its first
// arrival.
type TooShortError struct{ HaveS, NeedS float64 }

func (e *TooShortError) Error() string {
	return fmt.Sprintf("modes: %.3g s of response after the first arrival, and at least %.3g s are needed", e.HaveS, e.NeedS)
}

// Hint says what to do about it.
func (e *TooShortError) Hint() string {
	return "keep more of the response after the first arrival; 1 s or more is good"
}

// describe turns the fit into modes, rising in frequency.
func (s *search) describe(f *fit, p *prepared, o Options) []Mode {
	if len(f.poles) == 0 {
		return nil
	}
	est := s.estimates(f, p, o.LowHz)
	slices.SortFunc(est, func(a, b estimate) int { return cmp.Compare(a.omega, b.omega) })
	inv := f.gramInverse()
	var out []Mode
	for _, g := range groups(est) {
		m := assemble(g, p, func(hz float64, r int) float64 { return f.sumSpread(g, p, hz, r, inv) })
		if m.Hz < o.LowHz || m.Hz > o.HighHz {
			continue
		}
		switch {
		case m.Kind == Group:
		case m.DecayS < o.ShortestS:
			m.Kind = Short
		case m.DecayS > steadyS:
			m.Kind = Steady
		case !g[0].alone():
			m.Kind = Unsure
		}
		if !worth(g) {
			continue
		}
		out = append(out, m)
	}
	slices.SortFunc(out, func(a, b Mode) int { return cmp.Compare(a.Hz, b.Hz) })
	return out
}
