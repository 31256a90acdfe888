package difference

import (
	"math"
	"math/cmplx"
	"slices"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"roomsonde/capture/modelroom"
	"roomsonde/deconv"
	"roomsonde/deconv/decay"
	"roomsonde/deconv/internal/taketest"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// The bounds within which a change of known size is to be found.
const (
	tolChangeDB    = 0.3
	tolDecayChange = 0.05
)

// truePower is the mean power of a transfer function over 1/fraction octave around hz:
// a plain sum over a fine comb of frequencies.
func truePower(h func(hz float64) complex128, hz, fraction float64) float64 {
	half := math.Exp2(1 / (2 * fraction))
	from, to := hz/half, hz*half
	count := max(40, int((to-from)/0.1))
	var sum float64
	for i := range count {
		a := cmplx.Abs(h(from + (to-from)*(float64(i)+0.5)/float64(count)))
		sum += a * a
	}
	return sum / float64(count)
}

// spectrum returns the transfer function of an impulse response, from a transform
// with zeros up to size, the nearest bin's.
func spectrum(h []float64, rate float64, size int) func(hz float64) complex128 {
	x := make([]float64, size)
	copy(x, h)
	bins := fourier.NewFFT(size).Coefficients(nil, x)
	return func(hz float64) complex128 { return bins[min(len(bins)-1, int(math.Round(hz*float64(size)/rate)))] }
}

// holds compares a result with the true difference at all points from fromHz to
// toHz, and returns how many there were.
func holds(t *testing.T, r *Result, before, after func(hz float64) complex128, fromHz, toHz float64) {
	t.Helper()
	points, beyond, worst, at := 0, 0, 0.0, 0.0
	for i, hz := range r.Hz {
		if !r.OK[i] || hz < fromHz || hz > toHz {
			continue
		}
		want := scale.PowerDB(truePower(after, hz, r.Smoothing)) - scale.PowerDB(truePower(before, hz, r.Smoothing))
		d := math.Abs(r.DifferenceDB[i] - want)
		points++
		if d > worst {
			worst, at = d, hz
		}
		if !(d <= tolChangeDB) {
			beyond++
			t.Errorf("difference at %.1f Hz = %.2f dB, want %.2f ± %g dB", hz, r.DifferenceDB[i], want, tolChangeDB)
		}
		if !(d <= r.UncertaintyDB[i]) {
			t.Errorf("difference at %.1f Hz = %.2f dB, want %.2f: beyond its uncertainty of %.2f dB", hz, r.DifferenceDB[i], want, r.UncertaintyDB[i])
		}
		if beyond > 5 {
			t.Fatal("and so on")
		}
	}
	if points < 50 {
		t.Errorf("only %d points were compared", points)
	}
	t.Logf("%d points from %g to %g Hz: at most %.3f dB off, at %.1f Hz", points, fromHz, toHz, worst, at)
}

// record is what a loudspeaker in a room of that impulse response makes of the program,
// with noise 50 dB below.
func (s setup) record(h []float64, seed uint64) []float32 {
	y := taketest.Convolve(s.program.Samples(), h)
	out := make([]float32, s.program.Frames)
	for i := range min(len(out), len(y)) {
		out[i] = float32(y[i])
	}
	return noisy(out, 50, seed)
}

// peaking is a filter of second order that cuts or lifts around hz, from its
// analog form H(s) = (s²+s·A/Q+1)/(s²+s/(A·Q)+1), A² the gain in the middle, by the
// bilinear transform (R. Bristow-Johnson's formulas; from memory).
func peaking(rate, hz, q, db float64) (b, a [3]float64) {
	gain := scale.Amplitude(db / 2)
	sin, cos := math.Sincos(2 * math.Pi * hz / rate)
	alpha := sin / (2 * q)
	b = [3]float64{1 + alpha*gain, -2 * cos, 1 - alpha*gain}
	a = [3]float64{1 + alpha/gain, -2 * cos, 1 - alpha/gain}
	return b, a
}

// A filter set in front of the loudspeaker: what is played passes through it.
func TestFilterIsFound(t *testing.T) {
	s := measureWith(t, modelroom.Options{}, sweep.Options{}, channelFL, 0)
	truth, err := s.room.Truth(channelFL, "main", s.rate)
	if err != nil {
		t.Fatal(err)
	}
	// On the room's highest peak in the bass.
	h := spectrum(truth.Impulse, s.rate, 1<<20)
	peakHz := 30.0
	for hz := 25.0; hz < 100; hz += 0.1 {
		if cmplx.Abs(h(hz)) > cmplx.Abs(h(peakHz)) {
			peakHz = hz
		}
	}
	b, a := peaking(s.rate, peakHz, 4, -7)
	filter := func(hz float64) complex128 {
		z := cmplx.Rect(1, -2*math.Pi*hz/s.rate)
		return (complex(b[0], 0) + complex(b[1], 0)*z + complex(b[2], 0)*z*z) / (complex(a[0], 0) + complex(a[1], 0)*z + complex(a[2], 0)*z*z)
	}
	filtered := make([]float32, s.program.Frames)
	var x1, x2, y1, y2 float64
	for i, v := range s.program.Samples() {
		x := float64(v)
		y := (b[0]*x + b[1]*x1 + b[2]*x2 - a[1]*y1 - a[2]*y2) / a[0]
		x1, x2, y1, y2 = x, x1, y, y1
		filtered[i] = float32(y)
	}
	before := s.take(t, s.play(t, s.program.Samples()), false)
	after := s.take(t, s.play(t, filtered), false)
	r, err := Compare(before, after, Options{})
	if err != nil {
		t.Fatal(err)
	}
	holds(t, r, h, func(hz float64) complex128 { return h(hz) * filter(hz) }, 20, 16000)
	if len(r.Changes) == 0 {
		t.Fatal("no change is told")
	}
	for _, c := range r.Changes {
		if c.Difference >= 0 && c.Kind != DipChange || math.Abs(math.Log2(c.Hz/peakHz)) > 0.5 {
			t.Errorf("at %.1f Hz a filter cuts 7 dB, and this is told: %+v", peakHz, c)
		}
	}
	if c := r.Changes[0]; c.Kind != PeakChange || math.Abs(math.Log2(c.Hz/peakHz)) > 1.0/12 {
		t.Errorf("the clearest change is %+v, want the peak at %.1f Hz", c, peakHz)
	}
	t.Logf("peak at %.1f Hz: %+v", peakHz, r.Changes)

	// With the levels matched where the filter does nothing, the same is found.
	m, err := Compare(before, after, Options{MatchFromHz: 500, MatchToHz: 2000})
	if err != nil || math.Abs(m.OffsetDB) > 0.02 {
		t.Errorf("levels that are the same were matched by %g dB, %v", m.OffsetDB, err)
	}
}

// A subwoofer moved to where the left loudspeaker stands, in the closed form of
// the room's modes.
func TestMovedSubwooferIsFound(t *testing.T) {
	s := measureWith(t, modelroom.Options{}, sweep.Options{Seconds: 5, StopHz: 500}, channelLFE, 80)
	truth, err := s.room.Truth(channelFL, "main", s.rate)
	if err != nil {
		t.Fatal(err)
	}
	left, front := -1, -1
	for i, source := range truth.Sources {
		switch {
		case !source.Subwoofer:
			left = i
		case front < 0:
			front = i
		}
	}
	if left < 0 || front < 0 {
		t.Fatalf("the sources are %+v", truth.Sources)
	}
	at := func(place int) func(hz float64) complex128 {
		return func(hz float64) complex128 {
			if hz <= 0 || hz > 600 {
				return 0
			}
			h := truth.Drive(front, hz) * truth.Room(place, hz)
			if hz > 400 {
				h *= complex(0.5+0.5*math.Cos(math.Pi*(hz-400)/200), 0)
			}
			return h
		}
	}
	impulse := func(h func(hz float64) complex128) []float64 {
		const seconds = 4
		n := seconds * int(s.rate)
		bins := make([]complex128, n/2+1)
		for k := range bins {
			bins[k] = h(float64(k)/seconds) * cmplx.Rect(1/float64(n), -2*math.Pi*float64(k)/float64(n)*0.05*s.rate)
		}
		return fourier.NewFFT(n).Sequence(nil, bins)[:n*3/4]
	}
	here, there := at(front), at(left)
	before := s.take(t, s.record(impulse(here), 1), false)
	after := s.take(t, s.record(impulse(there), 2), false)
	r, err := Compare(before, after, Options{})
	if err != nil {
		t.Fatal(err)
	}
	holds(t, r, here, there, 20, 110)
	if r.ToHz > 80*math.Sqrt2+1 {
		t.Errorf("a subwoofer behind a low-pass at 80 Hz is compared up to %.1f Hz", r.ToHz)
	}
	if len(r.Changes) == 0 {
		t.Fatal("no change is told")
	}
	for _, c := range r.Changes {
		// Each range's mean change, by the closed form.
		if c.Kind != RangeChange {
			continue
		}
		var want, count float64
		for i, hz := range r.Hz {
			if r.OK[i] && hz >= c.FromHz*(1-1e-9) && hz <= c.ToHz*(1+1e-9) {
				want += scale.PowerDB(truePower(there, hz, r.Smoothing)) - scale.PowerDB(truePower(here, hz, r.Smoothing))
				count++
			}
		}
		if d := math.Abs(c.Difference - want/count); !(d <= tolChangeDB) {
			t.Errorf("%+v, want %.2f dB", c, want/count)
		}
	}
	t.Logf("%d changes, the clearest %+v", len(r.Changes), r.Changes[0])
}

// The model room itself, changed: a subwoofer moved, a filter in front of the
// subwoofers, absorption added. It is measured by sweeps, with the room's own noise; what
// should be found is in its truths.
func TestChangedRoom(t *testing.T) {
	for _, c := range []struct {
		change   string
		from, to float64 // where the truth is looked at, Hz
		decays   bool
	}{
		{"move rear sub to 0.4,0.4,0.22", 20, 200, false},
		{"filter subs 60 Hz -6 dB Q 4", 20, 200, false},
		{"level subs 3 dB", 20, 200, false},
		{"absorption 1.4", 20, 200, true},
	} {
		t.Run(c.change, func(t *testing.T) {
			change, err := modelroom.ParseChange(c.change)
			if err != nil {
				t.Fatal(err)
			}
			var takes []Take
			var truths []func(hz float64) complex128
			var trueDecays [][]Decay
			for i, changes := range [][]modelroom.Change{nil, {change}} {
				// Noise 20 dB below the usual leaves the bottoms of dips in sight.
				s := measureWith(t, modelroom.Options{Changes: changes, Seed: uint64(i), NoiseDBFS: -92}, sweep.Options{Seconds: 5}, channelFL, 0)
				takes = append(takes, s.take(t, s.play(t, s.program.Samples()), c.decays))
				truth, err := s.room.Truth(channelFL, "main", s.rate)
				if err != nil {
					t.Fatal(err)
				}
				truths = append(truths, spectrum(truth.Impulse, s.rate, 1<<20))
				if c.decays {
					ir := deconv.ImpulseResponse{SampleRate: s.rate, Samples: truth.Impulse}
					bands, err := decay.Analyse(t.Context(), ir, decay.Options{})
					if err != nil {
						t.Fatal(err)
					}
					trueDecays = append(trueDecays, OfBands(bands))
				}
			}
			r := mustCompare(t, takes[0], takes[1], Options{})
			holds(t, r, truths[0], truths[1], c.from, c.to)
			if len(r.Changes) == 0 {
				t.Error("no change is told")
			}
			for _, got := range r.Changes {
				if !(math.Abs(got.Difference) > got.Uncertainty) {
					t.Errorf("%+v is told, and lies within its uncertainty", got)
				}
			}
			t.Logf("%d changes, the plainest %+v", len(r.Changes), r.Changes[0])
			if !c.decays {
				return
			}
			compared, told := 0, 0
			for _, d := range r.Decays {
				a := slices.IndexFunc(trueDecays[0], func(e Decay) bool { return e.Name == d.Name })
				b := slices.IndexFunc(trueDecays[1], func(e Decay) bool { return e.Name == d.Name })
				if a < 0 || b < 0 {
					continue
				}
				compared++
				want := trueDecays[1][b].Seconds/trueDecays[0][a].Seconds - 1
				if !(math.Abs(d.DifferenceShare-want) <= tolDecayChange) || want*d.DifferenceShare < 0 {
					t.Errorf("%s changed by %.1f %%, want %.1f", d.Name, 100*d.DifferenceShare, 100*want)
				}
				if d.Changed {
					told++
				}
			}
			if compared < 15 || told < compared*3/4 {
				t.Errorf("%d decays compared, %d told", compared, told)
			}
		})
	}
}

// damp returns an impulse response in which everything decays faster by one and the
// same factor, exp(−delta·t): it adds delta/ln 10³ to 1/T of every mode and every
// reverberation.
func damp(h []float64, rate, delta float64) []float64 {
	out := make([]float64, len(h))
	for i, v := range h {
		out[i] = v * math.Exp(-delta*float64(i)/rate)
	}
	return out
}

// A reverberation of noise that decays exponentially, and the same with absorption
// added: the ratio of the decay times is known in closed form.
func TestShorterReverberationIsFound(t *testing.T) {
	const seconds, delta = 0.6, 4
	s := measureWith(t, modelroom.Options{}, sweep.Options{Seconds: 5}, channelFL, 0)
	h := taketest.Room(s.rate, 500, seconds, 7)
	damped := damp(h, s.rate, delta)
	before, after := s.take(t, s.record(h, 1), true), s.take(t, s.record(damped, 2), true)
	r, err := Compare(before, after, Options{})
	if err != nil {
		t.Fatal(err)
	}
	// One band of one noise scatters by more than is asked here; bands together
	// do not. (What a single band is held to is in reference_test.go.)
	var shares []float64
	for _, d := range r.Decays {
		if d.Hz < 400 {
			continue
		}
		shares = append(shares, d.DifferenceShare)
		if !d.Changed {
			t.Errorf("%s: %+v is not told", d.Name, d)
		}
	}
	if len(shares) < 15 {
		t.Fatalf("only %d decays were compared", len(shares))
	}
	want := 1/(1+delta*seconds/decayConstant) - 1
	if got := median(shares, -1); !(math.Abs(got-want) <= tolDecayChange) {
		t.Errorf("the decay changed by %.1f %%, want %.1f ± %g %%", 100*got, 100*want, 100*tolDecayChange)
	}
}

// The same room, sampled at two rates: nothing changed.
func TestTwoRates(t *testing.T) {
	var takes []Take
	for _, rate := range []float64{48000, 44100} {
		s := measureWith(t, modelroom.Options{Seed: 3, NoiseDBFS: math.Inf(-1)}, sweep.Options{Seconds: 5, SampleRate: rate, StopHz: 20000}, channelFL, 0)
		s.limits.ToHz = 250 // above, the model room's walls sound different at each rate
		take := s.take(t, s.play(t, s.program.Samples()), false)
		take.Readable.ToHz = 250
		takes = append(takes, take)
	}
	r, err := Compare(takes[0], takes[1], Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Changes) != 0 || r.ToHz != 250 {
		t.Errorf("up to %g Hz: %+v", r.ToHz, r.Changes)
	}
	for i := range r.Hz {
		if r.Hz[i] > 15 && !(math.Abs(r.DifferenceDB[i]) <= 0.1) {
			t.Errorf("at %.1f Hz the rates differ by %.2f dB", r.Hz[i], r.DifferenceDB[i])
		}
	}
}
