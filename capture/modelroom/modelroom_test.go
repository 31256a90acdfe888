package modelroom

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"roomsonde/capture"
	"roomsonde/sweep/scale"
)

// channels by name, as the package comment lists them.
const (
	chFL = iota
	chFR
	chFC
	chLFE
	chBL
	chBR
	chSL
	chSR
)

func open(t testing.TB, o Options) *Room {
	t.Helper()
	r, err := Open(o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// defaultRoom is for tests that only ask for truths: what one has had worked
// out, the next finds done.
var defaultRoom = sync.OnceValues(func() (*Room, error) { return Open(Options{}) })

func theRoom(t testing.TB) *Room {
	t.Helper()
	r, err := defaultRoom()
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func truth(t testing.TB, r *Room, channel int, seat string, rate float64) Truth {
	t.Helper()
	tr, err := r.Truth(channel, seat, rate)
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

func record(t testing.TB, r *Room, rate float64, frames int, tracks ...capture.Track) []float32 {
	t.Helper()
	rec, err := r.PlayRecord(context.Background(), capture.Job{SampleRate: rate, Frames: frames, Tracks: tracks}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(rec.Samples) != frames || rec.SampleRate != rate {
		t.Fatalf("recording has %d frames at %g Hz, want %d at %g Hz", len(rec.Samples), rec.SampleRate, frames, rate)
	}
	return rec.Samples
}

var silent = math.Inf(-1)

func rms(x []float32) float64 {
	var sum float64
	for _, v := range x {
		sum += float64(v) * float64(v)
	}
	return math.Sqrt(sum / float64(len(x)))
}

// dft returns Σ x[n]·e^(-jωn).
func dft(x []float64, hz, rate float64) complex128 {
	var re, im float64
	for n, v := range x {
		sin, cos := math.Sincos(2 * math.Pi * hz / rate * float64(n))
		re += v * cos
		im -= v * sin
	}
	return complex(re, im)
}

// A single sample comes back as Truth says: Latency late, as the impulse
// response, to the precision of float32.
func TestImpulseComesBackAsTruth(t *testing.T) {
	const height = 0.5
	const tolDB = -140.0 // of the peak: float32 rounds at -150 dB
	for _, rate := range []float64{8000, 44100, 48000} {
		r := open(t, Options{NoiseDBFS: silent, Seat: "right end"})
		tr := truth(t, r, chSR, "right end", rate)
		if want := int(math.Round(0.03 * rate)); tr.Latency != want {
			t.Errorf("%g Hz: latency %d frames, want %d", rate, tr.Latency, want)
		}
		const at = 1000
		frames := at + 1 + tr.Latency + len(tr.Impulse)
		x := make([]float32, at+1)
		x[at] = height
		got := record(t, r, rate, frames, capture.Track{Channel: chSR, Samples: x})
		var peak, worst float64
		for n, v := range got {
			want := 0.0
			if k := n - at - tr.Latency; k >= 0 && k < len(tr.Impulse) {
				want = height * tr.Impulse[k]
			}
			peak = math.Max(peak, math.Abs(want))
			worst = math.Max(worst, math.Abs(float64(v)-want))
		}
		if d := scale.AmplitudeDB(worst / peak); !(d <= tolDB) {
			t.Errorf("%g Hz: recording differs from truth by %.1f dB re its peak, want <= %.0f dB", rate, d, tolDB)
		}
	}
}

// Block convolution equals the sum that defines it.
func TestConvolverIsExact(t *testing.T) {
	const tolDB = -200.0 // re the output's peak; -140 dB is asked for
	r := rand.New(rand.NewPCG(1, 2))
	noise := func(n int) []float64 {
		x := make([]float64, n)
		for i := range x {
			x[i] = r.NormFloat64()
		}
		return x
	}
	for _, c := range []struct{ h1, h2, frames int }{
		{1, 1, 1}, {1, 7, 50}, {300, 300, 299}, {500, 200, 4001}, {64, 1000, 5000},
	} {
		h := [][]float64{noise(c.h1), noise(c.h2)}
		x := [][]float64{noise(c.frames), noise(c.frames)}
		conv := newConvolver(h, c.frames)
		got := make([]float64, 0, c.frames+conv.block)
		block := make([]float64, conv.block)
		for from := 0; from < c.frames; from += conv.block {
			for range 2 { // a block may be run again
				conv.run(block, func(ch int, dst []float64) { copy(dst, x[ch][from:min(c.frames, from+len(dst))]) })
			}
			conv.keep()
			got = append(got, block...)
		}
		var peak, worst float64
		for n := range c.frames {
			var want float64
			for ch := range h {
				for k := 0; k < len(h[ch]) && k <= n; k++ {
					want += h[ch][k] * x[ch][n-k]
				}
			}
			peak = math.Max(peak, math.Abs(want))
			worst = math.Max(worst, math.Abs(want-got[n]))
		}
		if d := scale.AmplitudeDB(worst / peak); !(d <= tolDB) {
			t.Errorf("%+v: off by %.1f dB, want <= %.0f dB", c, d, tolDB)
		}
	}
}

// The closed form H(f) of the modes is the Fourier transform of the decaying
// sines that they are.
func TestModalSumAgainstSampledSines(t *testing.T) {
	const tolDB = 0.02
	const rate = 24000.0
	r := theRoom(t)
	tr := truth(t, r, chFL, "left end", rate)
	const source = 0
	h := make([]float64, int(1.8*rate))
	for _, m := range tr.Modes {
		w, delta := 2*math.Pi*m.Hz, 3*math.Ln10/m.T60S
		wd := math.Sqrt(w*w - delta*delta)
		size := r.Size()
		factor := 4 * math.Pi * 343.2 * 343.2 / (size[0] * size[1] * size[2])
		for _, n := range m.Order {
			if n > 0 {
				factor *= 2 // 1/Λ
			}
		}
		factor *= m.AtSeat * m.AtSource[source] * m.Weight / wd / rate
		// e^(-δt)·sin(ω_d t) by recursion, until 140 dB down.
		step := cmplx.Exp(complex(-delta, wd) / complex(rate, 0))
		z := complex(1, 0)
		for n := range min(len(h), int(m.T60S*rate*140/60)) {
			h[n] += factor * imag(z)
			z *= step
		}
	}
	worst, at := 0.0, 0.0
	for hz := 22.0; hz <= 200; hz += 1.7 {
		want, got := cmplx.Abs(tr.Room(source, hz)), cmplx.Abs(dft(h, hz, rate))
		if d := math.Abs(scale.AmplitudeDB(got / want)); !(d <= worst) {
			worst, at = d, hz
		}
	}
	t.Logf("largest difference 22-200 Hz: %.6f dB at %.1f Hz", worst, at)
	if !(worst <= tolDB) {
		t.Errorf("sampled modes and closed form differ by %.4f dB at %.1f Hz, want <= %g dB", worst, at, tolDB)
	}
}

// In the deep bass, where the hand-over has taken the image part down by more
// than 70 dB, the finished impulse response is the closed form with everything
// that stands around it. What differs is that rest, so it is held against the
// band's level and not against the bottom of a dip.
func TestImpulseAgainstClosedForm(t *testing.T) {
	const tol = 0.00115 // 0.01 dB
	r := theRoom(t)
	for _, rate := range []float64{16000, 48000} {
		for _, seat := range r.Seats() {
			tr := truth(t, r, chLFE, seat, rate)
			var sum, worst float64
			n := 0
			for hz := 18.3; hz < 36; hz += 0.9 {
				got, want := tr.Response(tr.ImpulseFlat, hz), tr.ModalResponse(hz)
				sum += real(want * cmplx.Conj(want))
				worst = math.Max(worst, cmplx.Abs(got-want))
				n++
			}
			if d := worst / math.Sqrt(sum/float64(n)); !(d <= tol) {
				t.Errorf("%g Hz, %s: %.5f from the closed form, want <= %g", rate, seat, d, tol)
			}
		}
	}
}

// The modal part is put into the response exactly: without the image part,
// the samples' transform is the closed form between the grid's points too.
func TestModalPartBetweenGridPoints(t *testing.T) {
	const tolDB = 0.0005
	r := theRoom(t)
	const rate = 12000.0
	g := newGrid(rate, int(impulseS*rate))
	tr := truth(t, r, chFR, "main", rate)
	spectrum := make([]complex128, g.n/2+1)
	for k := range spectrum {
		if taper := cinema.modalTaper(g.hz(k)); taper > 0 && k > 0 {
			spectrum[k] = tr.ModalResponse(g.hz(k)) * complex(taper, 0)
		}
	}
	h := g.impulse(spectrum)
	for hz := 22.25; hz < 200; hz += 3.5 { // 0.25 Hz off the grid of 0.5 Hz
		got, want := tr.Response(h, hz), tr.ModalResponse(hz)
		if d := math.Abs(scale.AmplitudeDB(cmplx.Abs(got / want))); !(d <= tolDB) {
			t.Errorf("%.2f Hz: %.5f dB, want <= %g dB", hz, d, tolDB)
		}
	}
}

// Around the hand-over, modes and images are two models of one room: over
// many places they must be equally loud.
func TestModesAndImagesAreEquallyLoud(t *testing.T) {
	const tolDB = 1.5
	const rate = 8000.0
	s := &cinema
	g := newGrid(rate, int(impulseS*rate))
	short := newGrid(rate, fastLength(int(3*s.imageS*rate)))
	var modal, images float64
	for name, e := range s.speakers {
		for _, seat := range s.seatNames {
			at := s.seats[seat]
			sum := newModalSum(s.room, s.modes([]point{e.at}, at), 1)
			h := s.reverberation(g, short, e.at, at, random(3, name+seat), 0)
			spectrum := g.fft.Coefficients(nil, h)
			var out [1]complex128
			for k, v := range spectrum {
				if hz := g.hz(k); hz > 200 && hz < 400 {
					sum.at(complex(0, 2*math.Pi*hz), out[:])
					modal += real(out[0] * cmplx.Conj(out[0]))
					images += real(v * cmplx.Conj(v))
				}
			}
		}
	}
	d := scale.PowerDB(modal / images)
	t.Logf("modes over images, 200-400 Hz, mean over 21 pairs of places: %+.2f dB", d)
	if !(math.Abs(d) <= tolDB) {
		t.Errorf("modes are %+.2f dB over images, want within %g dB", d, tolDB)
	}
}

func TestModes(t *testing.T) {
	r := theRoom(t)
	tr := truth(t, r, chLFE, "main", 48000)
	if len(tr.Sources) != 2 || !tr.Sources[0].Subwoofer || !tr.Sources[1].Subwoofer {
		t.Fatalf("LFE drives %+v, want the two subwoofers", tr.Sources)
	}
	size := r.Size()
	last := 0.0
	for i, m := range tr.Modes {
		if m.Order == [3]int{} {
			if i != 0 || !(m.Hz > 0 && m.Hz < 10) {
				t.Errorf("order (0,0,0) is mode %d at %g Hz", i, m.Hz)
			}
			continue
		}
		x, y, z := float64(m.Order[0])/size[0], float64(m.Order[1])/size[1], float64(m.Order[2])/size[2]
		if want := 343.2 / 2 * math.Sqrt(x*x+y*y+z*z); !(math.Abs(m.Hz-want) <= 1e-9) {
			t.Errorf("mode %v at %g Hz, want %g", m.Order, m.Hz, want)
		}
		if m.Hz < last {
			t.Errorf("mode %v at %g Hz comes after %g Hz", m.Order, m.Hz, last)
		}
		last = m.Hz
		switch {
		case m.Hz < 50 && !(m.T60S >= 0.6 && m.T60S <= 0.9):
			t.Errorf("mode %v at %.1f Hz decays in %.3f s, want 0.6 to 0.9 s", m.Order, m.Hz, m.T60S)
		case m.Hz > 300 && !(m.T60S >= 0.3 && m.T60S <= 0.45):
			t.Errorf("mode %v at %.1f Hz decays in %.3f s, want about 0.35 s", m.Order, m.Hz, m.T60S)
		}
		if m.Hz < 200 && !(math.Abs(m.Weight-1) <= 1e-4) {
			t.Errorf("mode %v at %.1f Hz has the weight %g, want 1", m.Order, m.Hz, m.Weight)
		}
	}
	if got := len(modeOrders(point{5, 4, 2.5}, 140.001, 343.2)); got != 26 {
		t.Errorf("%d modes up to 140 Hz in 5 x 4 x 2.5 m, want 26", got)
	}
}

// The impulse response dies away far below 120 dB, and nothing to speak of
// comes before the sound can.
func TestImpulseBeginsAndEnds(t *testing.T) {
	r := theRoom(t)
	for _, rate := range []float64{8000, 48000, 96000} {
		for channel, name := range r.Channels() {
			if rate != 8000 && channel%3 != 0 {
				continue
			}
			tr := truth(t, r, channel, "main", rate)
			first := math.Inf(1)
			for _, s := range tr.Sources {
				first = math.Min(first, s.DistanceM/speedOfSound+s.DelayS)
			}
			// An arrival between two samples rings for sincHalf samples.
			first -= math.Max(0.001, sincHalf/rate)
			var peak, early, late float64
			for n, v := range tr.Impulse {
				at := float64(n) / rate
				peak = math.Max(peak, math.Abs(v))
				if at < first {
					early = math.Max(early, math.Abs(v))
				}
				if at > impulseS-0.1 {
					late = math.Max(late, math.Abs(v))
				}
			}
			if d := scale.AmplitudeDB(late / peak); !(d <= -120) {
				t.Errorf("%s at %g Hz: ends at %.1f dB re the peak, want <= -120 dB", name, rate, d)
			}
			// The modal sum knows nothing above its highest mode, so what comes
			// before the direct sound is not nothing; it must be little.
			if d := scale.AmplitudeDB(early / peak); !(d <= -60) {
				t.Errorf("%s at %g Hz: %.1f dB re the peak before the first arrival, want <= -60 dB", name, rate, d)
			}
		}
	}
}

// The same room at another rate sounds the same: levels in third octaves.
func TestRatesAgree(t *testing.T) {
	const tolDB = 0.1
	r := theRoom(t)
	level := func(rate float64, b scale.Band) float64 {
		tr := truth(t, r, chFC, "main", rate)
		g := newGrid(rate, len(tr.Impulse))
		var sum float64
		for k, v := range g.fft.Coefficients(nil, tr.Impulse) {
			if hz := g.hz(k); hz >= b.LowHz && hz < b.HighHz {
				sum += real(v * cmplx.Conj(v))
			}
		}
		return scale.PowerDB(sum)
	}
	for _, b := range scale.Bands(scale.Third, 20, 12500) {
		want := level(48000, b)
		for _, rate := range []float64{44100, 96000} {
			if d := level(rate, b) - want; !(math.Abs(d) <= tolDB) {
				t.Errorf("%g Hz band: %+.3f dB at %g Hz against 48 kHz, want within %g dB", b.NominalHz, d, rate, tolDB)
			}
		}
	}
}

// schroeder returns T from a straight line through the backward-integrated
// decay between two levels.
func schroeder(h []float64, rate, fromDB, toDB float64) float64 {
	energy := make([]float64, len(h)+1)
	for n := len(h) - 1; n >= 0; n-- {
		energy[n] = energy[n+1] + h[n]*h[n]
	}
	var n, sx, sy, sxx, sxy float64
	for i := range h {
		db := scale.PowerDB(energy[i] / energy[0])
		if db > fromDB {
			continue
		}
		if db < toDB {
			break
		}
		x := float64(i) / rate
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+db, sxx+x*x, sxy+x*db
	}
	return -60 / ((n*sxy - sx*sy) / (n*sxx - sx*sx))
}

func (c cascade) run(x []float64) []float64 {
	y := append([]float64(nil), x...)
	for _, q := range c {
		var s1, s2 float64
		for i, v := range y {
			out := q.b0*v + s1
			s1 = q.b1*v - q.a1*out + s2
			s2 = q.b2*v - q.a2*out
			y[i] = out
		}
	}
	return y
}

// What went in comes out: T30 of the finished response, per octave. It is not
// the same number for three reasons: before 80 ms the images decide, whose
// decay follows the walls and not the given T60; an octave filter (here
// Butterworth, order 4 each side) also sees its neighbours, which decay
// otherwise; and the late part is noise, so that a line through it has a
// spread of its own (ISO 3382-2 Annex A, from memory:
// s(T30) = 0.55·T·sqrt(2.52/(B·T)) for one decay, 8 % at 500 Hz, 2 % at
// 8 kHz). Hence the mean over places.
func TestDecayPerOctave(t *testing.T) {
	const tol = 0.08
	r := theRoom(t)
	const rate = 48000.0
	places := []struct {
		channel int
		seat    string
	}{{chFL, "main"}, {chFR, "left end"}, {chFC, "right end"}, {chBL, "main"}, {chSR, "left end"}, {chSL, "right end"}}
	for _, b := range truth(t, r, chFL, "main", rate).Decay {
		if b.NominalHz < 500 || b.NominalHz > 8000 {
			continue // below, the modes decide; above, the filter meets half the rate
		}
		filter := append(butterworth(highPass, 4, b.LowHz, rate), butterworth(lowPass, 4, b.HighHz, rate)...)
		var t20, t30 float64
		for _, p := range places {
			tr := truth(t, r, p.channel, p.seat, rate)
			// Backwards, so that the filter's own decay does not matter.
			x := append([]float64(nil), tr.ImpulseFlat...)
			reverse(x)
			y := filter.run(x)
			reverse(y)
			t20 += schroeder(y, rate, -5, -25) / float64(len(places))
			t30 += schroeder(y, rate, -5, -35) / float64(len(places))
		}
		t.Logf("%5g Hz: given %.3f s, T20 %.3f s (%+.1f %%), T30 %.3f s (%+.1f %%)", b.NominalHz,
			b.T60S, t20, 100*(t20/b.T60S-1), t30, 100*(t30/b.T60S-1))
		if d := math.Abs(t30/b.T60S - 1); !(d <= tol) {
			t.Errorf("%g Hz: T30 %.3f s, given %.3f s: off by %.1f %%, want <= %.0f %%", b.NominalHz, t30, b.T60S, 100*d, 100*tol)
		}
	}
}

// In the octaves that the modes fill, T20 and T30 lie among the decay times of
// the band's modes: which of them wins depends on the place, and the late part
// belongs to the slowest.
func TestDecayInTheBass(t *testing.T) {
	const slack = 0.05 // the filter lets the neighbours' modes in
	r := theRoom(t)
	const rate = 8000.0
	for _, seat := range r.Seats() {
		tr := truth(t, r, chFL, seat, rate)
		for _, b := range scale.Bands(scale.Octave, 31.5, 125) {
			least, most := math.Inf(1), 0.0
			for _, m := range tr.Modes {
				if m.Hz > b.LowHz/1.12 && m.Hz < b.HighHz*1.12 {
					least, most = math.Min(least, m.T60S), math.Max(most, m.T60S)
				}
			}
			filter := append(butterworth(highPass, 4, b.LowHz, rate), butterworth(lowPass, 4, b.HighHz, rate)...)
			x := append([]float64(nil), tr.ImpulseFlat...)
			reverse(x)
			y := filter.run(x)
			reverse(y)
			t20, t30 := schroeder(y, rate, -5, -25), schroeder(y, rate, -5, -35)
			t.Logf("%s, %g Hz: modes %.2f to %.2f s, T20 %.2f s, T30 %.2f s", seat, b.NominalHz, least, most, t20, t30)
			if !(t30 >= least*(1-slack) && t30 <= most*(1+slack)) {
				t.Errorf("%s, %g Hz: T30 %.3f s, want within the modes' %.3f to %.3f s", seat, b.NominalHz, t30, least, most)
			}
		}
	}
}

func reverse(x []float64) {
	for i, j := 0, len(x)-1; i < j; i, j = i+1, j-1 {
		x[i], x[j] = x[j], x[i]
	}
}

// A steady tone through the polynomial has the harmonics that trigonometry
// gives, each coloured by the room at its own frequency.
func TestDistortionOracle(t *testing.T) {
	const tolDB = 0.01
	const rate, hz, amplitude = 48000.0, 440.0, 0.25
	const a2, a3, a4, a5 = 0.04, -0.03, 0.05, 0.08
	r := open(t, Options{NoiseDBFS: silent, Distortion: []float64{a2, a3, a4, a5}})
	tr := truth(t, r, chFL, "main", rate)
	x := make([]float32, int(3.5*rate))
	for n := range x {
		x[n] = float32(amplitude * math.Sin(2*math.Pi*hz*float64(n)/rate))
	}
	got := record(t, r, rate, len(x), capture.Track{Channel: chFL, Samples: x})
	// The last whole second, 440 periods, long after the room has settled.
	last := make([]float64, int(rate))
	for n := range last {
		last[n] = float64(got[len(got)-len(last)+n])
	}
	const a = amplitude
	want := []float64{
		0, // constant: the loudspeaker does not play it
		a + 3.0/4*a3*a*a*a + 5.0/8*a5*math.Pow(a, 5),
		a2/2*a*a + a4/2*math.Pow(a, 4),
		math.Abs(a3/4*a*a*a + 5.0/16*a5*math.Pow(a, 5)),
		a4 / 8 * math.Pow(a, 4),
		a5 / 16 * math.Pow(a, 5),
	}
	for k := 1; k < len(want); k++ {
		f := hz * float64(k)
		level := 2 * cmplx.Abs(dft(last, f, rate)) / float64(len(last))
		expected := want[k] * cmplx.Abs(tr.Response(tr.Impulse, f))
		if d := scale.AmplitudeDB(level / expected); !(math.Abs(d) <= tolDB) {
			t.Errorf("harmonic %d: %+.4f dB from the polynomial, want within %g dB", k, d, tolDB)
		}
	}
}

// Products above half the rate vanish instead of folding back.
func TestDistortionDoesNotFold(t *testing.T) {
	const rate, hz, amplitude = 48000.0, 15000.0, 0.5
	const tolDB = -100.0 // re the third harmonic that a plain polynomial would fold to 3 kHz
	r := open(t, Options{NoiseDBFS: silent, Distortion: []float64{0, 0.1}})
	x := make([]float32, int(3*rate))
	for n := range x {
		x[n] = float32(amplitude * math.Sin(2*math.Pi*hz*float64(n)/rate))
	}
	shaped := make([]float64, int(rate))
	newShaper([]float64{0, 0.1}).shape(shaped, x, len(x)/3)
	folded := 2 * cmplx.Abs(dft(shaped, 3000, rate)) / rate
	direct := 0.1 / 4 * amplitude * amplitude * amplitude
	if d := scale.AmplitudeDB(folded / direct); !(d <= tolDB) {
		t.Errorf("3 kHz from a 15 kHz tone: %.1f dB re the third harmonic, want <= %.0f dB", d, tolDB)
	}
	// And the whole way through the card, in blocks.
	got := record(t, r, rate, len(x), capture.Track{Channel: chFC, Samples: x})
	last := make([]float64, int(rate))
	for n := range last {
		last[n] = float64(got[len(got)-len(last)+n])
	}
	if d := scale.AmplitudeDB(2 * cmplx.Abs(dft(last, 3000, rate)) / rate); !(d <= -140) {
		t.Errorf("3 kHz from a 15 kHz tone is recorded at %.1f dBFS, want <= -140 dBFS", d)
	}
}

func TestMicrophone(t *testing.T) {
	// The file's four decimals leave 0.00005 dB; the impulse response must do
	// as well.
	const tolDB = 0.00005
	r := theRoom(t)
	lines := strings.Split(strings.TrimSuffix(string(r.CalibrationFile()), "\n"), "\n")
	var from, to, last float64
	rows := 0
	for i, line := range lines {
		if strings.HasPrefix(line, "#") {
			continue
		}
		fields := strings.Fields(line)
		if len(fields) != 2 {
			t.Fatalf("line %d: %q", i+1, line)
		}
		hz, err1 := strconv.ParseFloat(fields[0], 64)
		db, err2 := strconv.ParseFloat(fields[1], 64)
		if err := errors.Join(err1, err2); err != nil {
			t.Fatalf("line %d: %v", i+1, err)
		}
		if d := math.Abs(db - r.MicrophoneDB(hz)); !(d <= 0.00005000001) {
			t.Errorf("line %d: %s Hz is off by %g dB", i+1, fields[0], d)
		}
		if rows == 0 {
			from = hz
		} else if !(hz > last) {
			t.Errorf("line %d: %g Hz after %g Hz", i+1, hz, last)
		}
		last, to = hz, hz
		rows++
	}
	if from != 10 || to != 22000 || rows < 200 || !strings.HasPrefix(lines[0], "#") {
		t.Errorf("%d rows from %g to %g Hz, first line %q", rows, from, to, lines[0])
	}
	var least, most float64
	for hz := 20.0; hz < 20000; hz *= 1.05 {
		least, most = math.Min(least, r.MicrophoneDB(hz)), math.Max(most, r.MicrophoneDB(hz))
	}
	if !(most > 1 && most < 6 && least < -0.5 && least > -6) {
		t.Errorf("the microphone deviates by %.2f to %+.2f dB, want a few dB", least, most)
	}
	for _, rate := range []float64{44100, 48000, 96000} {
		tr := truth(t, r, chFL, "main", rate)
		g := newGrid(rate, len(tr.Impulse))
		with := g.fft.Coefficients(nil, tr.Impulse)
		flat := g.fft.Coefficients(nil, tr.ImpulseFlat)
		for k := range with {
			hz := g.hz(k)
			if hz < 10 || hz > 22000 {
				continue
			}
			got := scale.AmplitudeDB(cmplx.Abs(with[k]) / cmplx.Abs(flat[k]))
			if d := math.Abs(got - r.MicrophoneDB(hz)); !(d <= tolDB) {
				t.Fatalf("%g Hz: microphone at %.1f Hz is %.6f dB, want %.6f", rate, hz, got, r.MicrophoneDB(hz))
			}
		}
	}
}

func TestRunsRepeatFromTheSeed(t *testing.T) {
	const rate = 16000.0
	x := make([]float32, 8000)
	for n := range x {
		x[n] = float32(0.1 * math.Sin(float64(n*n)*1e-4))
	}
	run := func(r *Room) []byte {
		var b bytes.Buffer
		binary.Write(&b, binary.LittleEndian, record(t, r, rate, 20000, capture.Track{Channel: chFL, Samples: x}))
		return b.Bytes()
	}
	a := open(t, Options{Seed: 7})
	first, second := run(a), run(a)
	if bytes.Equal(first, second) {
		t.Error("two takes of one room have the same noise")
	}
	b := open(t, Options{Seed: 7})
	if !bytes.Equal(first, run(b)) || !bytes.Equal(second, run(b)) {
		t.Error("the same seed gave another recording")
	}
	if bytes.Equal(first, run(open(t, Options{Seed: 8}))) {
		t.Error("another seed gave the same recording")
	}
	quiet := run(open(t, Options{Seed: 7, NoiseDBFS: silent}))
	if !bytes.Equal(quiet, run(open(t, Options{Seed: 8, NoiseDBFS: silent}))) {
		t.Error("another seed of the noise gave another room")
	}
	if bytes.Equal(quiet, run(open(t, Options{RoomSeed: 8, NoiseDBFS: silent}))) {
		t.Error("another seed of the room gave the same room")
	}
}

func TestNoiseLevelAndSlope(t *testing.T) {
	const tolDB = 0.4
	for _, want := range []float64{0, -60, -90} {
		r := open(t, Options{NoiseDBFS: want, Seed: 3})
		if want == 0 {
			want = -72
		}
		x := record(t, r, 48000, 20*48000)
		if d := scale.AmplitudeDB(rms(x)) - want; !(math.Abs(d) <= tolDB) {
			t.Errorf("noise is %+.2f dB from %g dBFS, want within %g dB", d, want, tolDB)
		}
		if want != -72 {
			continue
		}
		// Octave levels fall towards the top by 0 to 3 dB an octave from 63 Hz
		// to 1 kHz (density between pink and brown).
		y := make([]float64, len(x))
		for n, v := range x {
			y[n] = float64(v)
		}
		level := func(mid float64) float64 {
			f := append(butterworth(highPass, 4, mid/math.Sqrt2, 48000), butterworth(lowPass, 4, mid*math.Sqrt2, 48000)...)
			var sum float64
			for _, v := range f.run(y) {
				sum += v * v
			}
			return scale.PowerDB(sum)
		}
		if d := level(63) - level(1000); !(d > 0 && d < 12) {
			t.Errorf("octave at 63 Hz is %.1f dB over that at 1 kHz, want 0 to 12", d)
		}
	}
	r := open(t, Options{NoiseDBFS: silent})
	for n, v := range record(t, r, 48000, 1000) {
		if v != 0 {
			t.Fatalf("frame %d is %g without noise and tracks", n, v)
		}
	}
}

// A programme at -30 dBFS comes back at a level that a user would see.
func TestDefaultLevelIsPlausible(t *testing.T) {
	const rate = 8000.0
	peak := scale.Amplitude(-30)
	x := make([]float32, int(5*rate))
	l := 5 / math.Log(200)
	for n := range x {
		x[n] = float32(peak * math.Sin(2*math.Pi*20*l*math.Exp(float64(n)/rate/l)))
	}
	for _, seat := range []string{"main", "left end", "right end"} {
		r := open(t, Options{Seat: seat})
		for channel, name := range r.Channels() {
			var most float64
			for _, v := range record(t, r, rate, len(x)+4000, capture.Track{Channel: channel, Samples: x}) {
				most = math.Max(most, math.Abs(float64(v)))
			}
			if db := scale.AmplitudeDB(most); !(db > -40 && db < -20) {
				t.Errorf("%s at %s peaks at %.1f dBFS, want -40 to -20", name, seat, db)
			}
		}
	}
}

func TestBits24(t *testing.T) {
	r := open(t, Options{Bits24: true})
	for n, v := range record(t, r, 8000, 4000) {
		if s := float64(v) * (1 << 23); s != math.Round(s) {
			t.Fatalf("frame %d is %g steps of 24 bits", n, s)
		}
	}
}

// Tracks on several channels add up.
func TestTracksAddUp(t *testing.T) {
	const rate, frames = 8000.0, 12000
	r := open(t, Options{NoiseDBFS: silent})
	x, y := make([]float32, 3000), make([]float32, 1000)
	for n := range x {
		x[n] = float32(0.3 * math.Sin(float64(n)*0.3))
	}
	for n := range y {
		y[n] = float32(0.2 * math.Cos(float64(n)*0.7))
	}
	a := record(t, r, rate, frames, capture.Track{Channel: chBL, Samples: x})
	b := record(t, r, rate, frames, capture.Track{Channel: chLFE, Samples: y})
	both := record(t, r, rate, frames, capture.Track{Channel: chBL, Samples: x}, capture.Track{Channel: chLFE, Samples: y})
	for n := range both {
		if d := math.Abs(float64(both[n]) - float64(a[n]) - float64(b[n])); !(d <= 1e-7) {
			t.Fatalf("frame %d: sum of two recordings is off by %g", n, d)
		}
	}
}

func TestCancel(t *testing.T) {
	const rate, frames = 16000.0, 160000
	x := make([]float32, frames)
	for n := range x {
		x[n] = float32(0.1 * math.Sin(2*math.Pi*1000/rate*float64(n)))
	}
	job := capture.Job{SampleRate: rate, Frames: frames, Tracks: []capture.Track{{Channel: chFC, Samples: x}}}
	// No latency, so that the recording shows what became of the tone.
	o := Options{NoiseDBFS: silent, Latency: -1}
	whole := record(t, open(t, o), rate, frames, job.Tracks...)

	for _, stopAt := range []int{1600, 64000, 80000, 158400} {
		r := open(t, o)
		ctx, cancel := context.WithCancel(context.Background())
		var last capture.Progress
		rec, err := r.PlayRecord(ctx, job, func(p capture.Progress) {
			last = p
			if p.Frames >= stopAt {
				cancel()
			}
		})
		cancel()
		if !errors.Is(err, context.Canceled) {
			t.Fatalf("error %v, want context.Canceled", err)
		}
		fade := int(fadeS * rate)
		if want := min(frames, stopAt+fade); len(rec.Samples) != want || last.Frames != want || last.Total != frames {
			t.Errorf("stopped at %d: %d frames, last progress %+v, want %d", stopAt, len(rec.Samples), last, want)
		}
		for n := range stopAt {
			if rec.Samples[n] != whole[n] {
				t.Fatalf("stopped at %d: frame %d changed", stopAt, n)
			}
		}
		// What is recorded after the stop is the room's answer to the faded
		// tone, by the sum that defines it.
		tr := truth(t, r, chFC, "main", rate)
		for n := stopAt; n < len(rec.Samples); n += 97 {
			var want float64
			for k, h := range tr.Impulse {
				m := n - k
				if m < 0 {
					break
				}
				v := float64(x[m])
				if m >= stopAt {
					v *= 0.5 * (1 + math.Cos(math.Pi*float64(m-stopAt+1)/float64(fade+1)))
				}
				want += h * v
			}
			if d := math.Abs(float64(rec.Samples[n]) - want); !(d <= 1e-8) {
				t.Fatalf("stopped at %d: frame %d is off by %g", stopAt, n, d)
			}
		}
	}

	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	calls := 0
	rec, err := open(t, o).PlayRecord(ctx, job, func(capture.Progress) { calls++ })
	if rec != nil || !errors.Is(err, context.Canceled) || calls != 1 {
		t.Errorf("cancelled before the start: recording %v, error %v, %d progress calls", rec, err, calls)
	}
}

func TestProgressAndRealTime(t *testing.T) {
	const rate, frames = 44100.0, 44100*2 + 100
	var waited time.Duration
	r := open(t, Options{RealTime: true, Wait: func(_ context.Context, d time.Duration) { waited += d }})
	var reports []capture.Progress
	rec, err := r.PlayRecord(context.Background(), capture.Job{SampleRate: rate, Frames: frames}, func(p capture.Progress) {
		reports = append(reports, p)
	})
	if err != nil {
		t.Fatal(err)
	}
	if want := time.Duration(math.Round(frames / rate * 1e9)); (waited - want).Abs() > time.Microsecond {
		t.Errorf("waited %v, want %v", waited, want)
	}
	if len(reports) != 21 {
		t.Errorf("%d reports in 2 s, want 21", len(reports))
	}
	from := 0
	for _, p := range reports {
		var peak float64
		for _, v := range rec.Samples[from:p.Frames] {
			peak = math.Max(peak, math.Abs(float64(v)))
		}
		if p.Peak != peak || p.Total != frames || p.Frames <= from {
			t.Errorf("report %+v after frame %d, want peak %g of %d", p, from, peak, frames)
		}
		from = p.Frames
	}
	if from != frames {
		t.Errorf("last report at frame %d of %d", from, frames)
	}

	// Cancelled while it waits for its first block: nothing was played.
	ctx, cancel := context.WithCancel(context.Background())
	r = open(t, Options{RealTime: true, Wait: func(context.Context, time.Duration) { cancel() }})
	rec, err = r.PlayRecord(ctx, capture.Job{SampleRate: rate, Frames: frames}, nil)
	if rec != nil || !errors.Is(err, context.Canceled) {
		t.Errorf("recording %v, error %v, want none and context.Canceled", rec, err)
	}
	// The real wait ends with its context.
	waitByTimer(ctx, time.Hour)
}

func TestErrorsSayWhatToDo(t *testing.T) {
	r := open(t, Options{})
	play := func(change func(*capture.Job)) error {
		job := capture.Job{SampleRate: 48000, Frames: 100, Tracks: []capture.Track{{Channel: 0, Samples: make([]float32, 10)}}}
		change(&job)
		rec, err := r.PlayRecord(context.Background(), job, nil)
		if err != nil && rec != nil {
			t.Error("a recording came with the error")
		}
		return err
	}
	sample := func(v float32) func(*capture.Job) {
		return func(j *capture.Job) { j.Tracks[0].Samples[7] = v }
	}
	opened := func(o Options) error { _, err := Open(o); return err }
	truthOf := func(channel int, seat string, rate float64) error {
		_, err := r.Truth(channel, seat, rate)
		return err
	}
	nan := float32(math.NaN())
	for _, c := range []struct {
		err        error
		fact, hint string
	}{
		{opened(Options{Seat: "lft end"}), `no seat "lft end"`, `did you mean "left end"?`},
		{opened(Options{Seat: "Main"}), `no seat "Main"`, `did you mean "main"?`},
		{opened(Options{Seat: "balcony"}), `no seat "balcony"`, `its seats are "main", "left end", "right end"`},
		{opened(Options{NoiseDBFS: 3}), "3 dBFS", "below 0 dBFS"},
		{opened(Options{NoiseDBFS: math.NaN()}), "NaN", "below 0 dBFS"},
		{opened(Options{Latency: time.Minute}), "1m0s", "10s"},
		{opened(Options{Distortion: make([]float64, 9)}), "9 orders", "at most 8"},
		{opened(Options{Distortion: []float64{math.NaN()}}), "NaN", "between -1 and 1"},
		{truthOf(8, "main", 48000), "no output channel 8", "FL, FR, FC, LFE"},
		{truthOf(0, "mian", 48000), `no seat "mian"`, `"main"`},
		{truthOf(0, "main", 47999), "47999 Hz", "44100, 48000"},
		{play(func(j *capture.Job) { j.SampleRate = math.NaN() }), "NaN Hz", "48000"},
		{play(func(j *capture.Job) { j.Tracks[0].Channel = -1 }), "no output channel -1", "SL, SR"},
		{play(func(j *capture.Job) { j.Input = 1 }), "no input channel 1", "input channel 0"},
		{play(func(j *capture.Job) { j.Frames = 9 }), "(FL) has 10 frames, and only 9", "at least as long"},
		{play(func(j *capture.Job) { j.Frames = 0 }), "0 frames", "at least one"},
		{play(func(j *capture.Job) { j.Tracks = append(j.Tracks, j.Tracks[0]) }), "two tracks", "add them up"},
		{play(sample(1.0001)), "1.0001 at frame 7", "lower level"},
		{play(sample(nan)), "NaN at frame 7", "lower level"},
	} {
		if c.err == nil {
			t.Errorf("no error, want %q", c.fact)
			continue
		}
		var hinter interface{ Hint() string }
		if !strings.Contains(c.err.Error(), c.fact) || !errors.As(c.err, &hinter) || !strings.Contains(hinter.Hint(), c.hint) {
			t.Errorf("error %q, want %q with the hint %q", c.err, c.fact, c.hint)
			if hinter != nil {
				t.Logf("hint: %q", hinter.Hint())
			}
		}
	}
	if err := play(sample(-1)); err != nil {
		t.Errorf("full scale is refused: %v", err)
	}
}

func TestDevice(t *testing.T) {
	r := theRoom(t)
	d := r.Device()
	if d.Name != "model" || d.System != "built-in" || d.Inputs != 1 || d.Outputs != 8 || d.Rate != 48000 {
		t.Errorf("device %+v", d)
	}
	if got := strings.Join(r.Channels(), " "); got != "FL FR FC LFE BL BR SL SR" {
		t.Errorf("channels %s", got)
	}
	if r.Seat() != "main" || len(r.Seats()) != 3 || len(r.Rates()) == 0 {
		t.Errorf("seat %q of %q", r.Seat(), r.Seats())
	}
}

// A 13 s programme, room built anew each time.
func BenchmarkPlayRecord(b *testing.B) {
	for _, c := range []struct {
		name       string
		rate       float64
		distortion []float64
	}{
		{"48kHz", 48000, nil}, {"48kHz-distortion", 48000, []float64{0.01, 0.01}},
		{"96kHz", 96000, nil}, {"192kHz", 192000, nil},
	} {
		b.Run(c.name, func(b *testing.B) {
			frames := int(13 * c.rate)
			x := make([]float32, frames)
			for n := range x {
				x[n] = float32(0.03 * math.Sin(1e-6*float64(n)*float64(n)))
			}
			b.ReportAllocs()
			for b.Loop() {
				r := open(b, Options{Distortion: c.distortion})
				record(b, r, c.rate, frames, capture.Track{Channel: chFL, Samples: x})
			}
			b.ReportMetric(13*float64(b.N)/b.Elapsed().Seconds(), "x-realtime")
		})
	}
}

func BenchmarkTruth(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		truth(b, open(b, Options{}), chFL, "main", 48000)
	}
}
