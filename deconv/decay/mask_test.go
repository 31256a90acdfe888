package decay

import (
	"context"
	"math"
	"testing"

	"roomsonde/sweep/scale"
)

// Outside: the class 1 limits on relative attenuation of IEC 61260-1:2014,
// table 1, as transcribed in python-acoustics
// (acoustics/standards/iec_61260_1_2014.py) and a second public copy of the table
// that agrees; the standard itself was not read.
var class1 = []struct{ exponent, least, most float64 }{ // Ω = G^exponent, dB
	{0, -0.4, 0.4},
	{1. / 8, -0.4, 0.5},
	{1. / 4, -0.4, 0.7},
	{3. / 8, -0.4, 1.4},
	{1. / 2, -0.4, 5.3}, // just inside the edge; just outside: 1.2 and no upper limit
	{1, 16.6, math.Inf(1)},
	{2, 40.5, math.Inf(1)},
	{3, 60, math.Inf(1)},
	{4, 70, math.Inf(1)},
}

// limits returns the class 1 limits at a frequency, linear in lg Ω between the
// breakpoints (formula 11), which formulas 9 and 10 move for other widths.
func limits(b scale.Band, hz float64) (least, most float64) {
	g := math.Pow(10, 0.3)
	moved := func(exponent float64) float64 {
		octave := math.Pow(g, exponent)
		return 1 + (math.Pow(g, 1/(2*float64(b.Width)))-1)/(math.Sqrt(g)-1)*(octave-1)
	}
	omega := hz / b.MidHz
	if omega < 1 {
		omega = 1 / omega
	}
	for i := 1; i < len(class1); i++ {
		low, high := class1[i-1], class1[i]
		o0, o1 := moved(low.exponent), moved(high.exponent)
		if omega > o1 {
			continue
		}
		if low.exponent == 0.5 {
			low.least, low.most = 1.2, math.Inf(1)
		}
		t := math.Log(omega/o0) / math.Log(o1/o0)
		most := math.Inf(1)
		if !math.IsInf(high.most, 1) {
			most = low.most + t*(high.most-low.most)
		}
		return low.least + t*(high.least-low.least), most
	}
	return class1[len(class1)-1].least, math.Inf(1)
}

// gain returns the power gain of the whole chain for a sine of hz: halving or
// doubling with what it folds over, and the band filter.
func gain(b scale.Band, rate, hz float64) float64 {
	steps := stepsFor(b.HighHz, rate)
	f := bandFilterFor(b, rateAt(rate, steps))
	power := func(hz, rate float64) float64 {
		h := f.response(2 * math.Pi * hz / rate)
		return real(h)*real(h) + imag(h)*imag(h)
	}
	if steps < 0 {
		direct, image := doubler.response(hz/(2*rate)), doubler.response((rate-hz)/(2*rate))
		return direct*direct*power(hz, 2*rate) + image*image*power(rate-hz, 2*rate)
	}
	amplitude := 1.0
	for range steps {
		amplitude *= halver.response(hz / rate)
		rate /= 2
		if hz > rate/2 {
			hz = math.Abs(hz - rate*math.Round(hz/rate))
		}
	}
	return amplitude * amplitude * power(hz, rate)
}

func TestClass1(t *testing.T) {
	worst, worstAt := math.Inf(1), ""
	for _, rate := range []float64{44100, 48000, 88200, 96000, 192000} {
		for _, w := range []scale.Width{scale.Octave, scale.Third} {
			for _, b := range scale.Bands(w, 31.5, 8000) {
				reference := scale.PowerDB(gain(b, rate, b.MidHz))
				if math.Abs(reference) > 0.05 {
					t.Errorf("%g Hz: %v band %g Hz has a gain of %.3f dB at mid-band", rate, w, b.NominalHz, reference)
				}
				check := func(hz float64) {
					least, most := limits(b, hz)
					a := reference - scale.PowerDB(gain(b, rate, hz))
					if !(a >= least && a <= most) {
						t.Errorf("%g Hz: %v band %g Hz attenuates %g Hz by %.2f dB; class 1 wants %.2f to %.2f",
							rate, w, b.NominalHz, hz, a, least, most)
					}
					if m := min(a-least, most-a); m < worst {
						worst, worstAt = m, b.Width.String()
					}
				}
				const steps = 800
				for i := range steps { // from 1 Hz to half the rate
					check(math.Pow(rate/2, float64(i+1)/steps))
				}
				for i := range 100 { // and closely through the pass band
					check(b.LowHz * math.Pow(b.HighHz/b.LowHz, float64(i)/99))
				}
			}
		}
	}
	t.Logf("least margin: %.2f dB (%s)", worst, worstAt)
}

// The formula above must be what the code does: sines go through it.
func TestChainIsWhatTheMaskTestSays(t *testing.T) {
	const tolDB = 0.05
	for _, c := range []struct {
		rate, nominal float64
		width         scale.Width
	}{{44100, 8000, scale.Octave}, {48000, 8000, scale.Octave}, {48000, 31.5, scale.Octave}, {96000, 250, scale.Third}, {192000, 8000, scale.Third}, {44100, 1000, scale.Octave}} {
		b := scale.Bands(c.width, c.nominal, c.nominal)[0]
		steps := stepsFor(b.HighHz, c.rate)
		f := bandFilterFor(b, rateAt(c.rate, steps))
		n := int(c.rate * max(1, 250/b.MidHz)) // enough periods
		settle := int(12 / b.BandwidthHz() * rateAt(c.rate, steps))
		for _, hz := range []float64{b.MidHz / 4, b.MidHz / 2, b.LowHz, b.MidHz, b.HighHz, 1.5 * b.MidHz, 2 * b.MidHz, 2.6 * b.MidHz, 0.45 * c.rate} {
			if hz > 0.47*c.rate {
				continue
			}
			x := make([]float64, n)
			for i := range x {
				x[i] = math.Sqrt2 * math.Sin(2*math.Pi*hz*float64(i)/c.rate)
			}
			y := newLadder(x, steps < 0, max(0, steps)).at(steps)
			sum := make([]float64, len(y))
			f.integrate(sum, y, state{}, 0)
			from, to := settle, len(y)-len(y)/50-64
			got := scale.PowerDB((sum[to] - sum[from]) / float64(to-from))
			want := scale.PowerDB(gain(b, c.rate, hz))
			if want < -90 { // the sine's own start and rounding are heard there
				if got > -85 {
					t.Errorf("%g Hz, band %g: %g Hz comes through at %.1f dB, want %.1f", c.rate, c.nominal, hz, got, want)
				}
				continue
			}
			if d := math.Abs(got - want); !(d <= tolDB) {
				t.Errorf("%g Hz, band %g: %g Hz comes through at %.3f dB, want %.3f", c.rate, c.nominal, hz, got, want)
			}
		}
	}
}

// Halving is to fold nothing into a band above −100 dB and to leave the band flat.
func TestHalfBands(t *testing.T) {
	for i := range 1001 {
		share := float64(i) / 1000
		in := halver.response(share * highestShare / 2)
		folded := halver.response(0.5 - share*highestShare/2)
		if !(math.Abs(in-1) < 1e-5) || !(math.Abs(folded) < 1e-5) {
			t.Fatalf("halver: %g at %g, %g folded onto it", in, share*highestShare/2, folded)
		}
		in = doubler.response(share * usableShare / 2)
		if !(math.Abs(in-1) < 1e-5) {
			t.Fatalf("doubler: %g at %g", in, share*usableShare/2)
		}
	}
}

// A band reaching up to 0.4 of a low rate works like any other.
func TestDoubledRate(t *testing.T) {
	b := scale.Bands(scale.Octave, 4000, 4000)[0]
	ir := ringing(16000, 1, 0.3, 160, b)
	got, err := Analyse(context.Background(), ir, Options{FromHz: 4000, ToHz: 4000, Widths: []scale.Width{scale.Octave}})
	if err != nil {
		t.Fatal(err)
	}
	if d := math.Abs(got[0].T30.Seconds - 0.3); !(d <= 0.001) {
		t.Errorf("T30 = %g (%s), want 0.3", got[0].T30.Seconds, got[0].Reason)
	}
}
