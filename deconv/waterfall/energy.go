package waterfall

import (
	"context"
	"fmt"
	"math"

	"roomsonde/deconv"
	"roomsonde/deconv/fourier"
	"roomsonde/sweep/scale"
)

// EnergyOptions choose the picture of constant relative bandwidth. The zero value
// is 20 Hz to 20 kHz over 1 ms to 1 s, both on logarithmic axes. The resolved copy
// stands in the result.
type EnergyOptions struct {
	FromHz, ToHz float64 // 0: 20 Hz, and 20 kHz or 0.42 of the sample rate, above which the band itself is cut off
	PerOctave    int     // frequencies to the octave; 0: 24
	// Bandwidth is the width of each band in octaves, 3 dB below its middle. 0: 1/6.
	// Half of it tells modes apart twice as well, and times half as well.
	Bandwidth float64
	// FromS and ToS are the ends of the time axis in seconds after the first
	// arrival. 0: 1 ms (with Linear 0) and 1 s, or less where the response ends
	// before.
	FromS, ToS float64
	Columns    int  // of time; 0: 360
	Linear     bool // columns of the same length, not of the same ratio
	// MarginDB and OnsetS are as in Options.
	MarginDB float64
	OnsetS   *float64
}

func (o EnergyOptions) resolved(ir deconv.ImpulseResponse) (EnergyOptions, error) {
	pick := func(v *float64, other float64) {
		if *v == 0 {
			*v = other
		}
	}
	pick(&o.FromHz, 20)
	pick(&o.ToHz, math.Min(20000, 0.42*ir.SampleRate))
	pick(&o.Bandwidth, 1.0/6)
	pick(&o.MarginDB, 10)
	if o.PerOctave == 0 {
		o.PerOctave = 24
	}
	if o.Columns == 0 {
		o.Columns = 360
	}
	onset := float64(ir.FirstArrival()-ir.Zero) / ir.SampleRate
	if o.OnsetS != nil {
		onset = *o.OnsetS
	}
	o.OnsetS = &onset
	have := (float64(len(ir.Samples)-ir.Zero))/ir.SampleRate - onset
	pick(&o.ToS, math.Min(1, have))
	if !o.Linear {
		pick(&o.FromS, 0.001)
	}
	switch {
	case !(o.FromHz > 0) || !(o.ToHz > o.FromHz*1.05) || !(o.ToHz < ir.SampleRate/2):
		return o, &OptionError{What: fmt.Sprintf("a picture from %g to %g Hz of a response with a sample rate of %g Hz", o.FromHz, o.ToHz, ir.SampleRate), Do: fmt.Sprintf("name a lower and a higher frequency, below %g Hz", ir.SampleRate/2)}
	case !(o.Bandwidth >= 1.0/48) || !(o.Bandwidth <= 2):
		return o, &OptionError{What: fmt.Sprintf("a bandwidth of %g octaves", o.Bandwidth), Do: "take one between 1/48 and 2 octaves"}
	case o.PerOctave < 1 || o.PerOctave > 192 || o.Columns < 2 || o.Columns > 10000:
		return o, &OptionError{What: fmt.Sprintf("%d frequencies to the octave and %d columns", o.PerOctave, o.Columns)}
	case !o.Linear && !(o.FromS > 0), math.IsNaN(o.FromS), !(o.ToS > o.FromS), math.IsInf(o.FromS, 0), !(o.ToS <= 600):
		return o, &OptionError{What: fmt.Sprintf("a time axis from %g to %g s", o.FromS, o.ToS), Do: "take ends with a longer time between them"}
	case o.ToS > have*(1+1e-9):
		return o, &TooShortError{HaveS: have, NeedS: o.ToS}
	case !(o.MarginDB > 0) || !(o.MarginDB < 200) || math.IsNaN(onset) || math.IsInf(onset, 0):
		return o, &OptionError{What: fmt.Sprintf("a margin of %g dB, an onset at %g s", o.MarginDB, onset)}
	}
	return o, nil
}

// Energy is a response's energy over frequency and time, in bands of constant
// relative width.
type Energy struct {
	Options EnergyOptions // as resolved
	Hz      []float64     // rising
	// EdgesS are the edges of the columns in seconds after the first arrival, one
	// more than there are columns. TimesS are their middles: on logarithmic
	// columns the geometric ones.
	EdgesS, TimesS []float64
	// DB[frequency][column] is the mean energy of a band within a column; a wire
	// reaches 0 dB at its arrival.
	DB [][]float64

	// UntilS is the time at each frequency up to which the levels are the room's:
	// later ones also show the end of the response, which is cut off there.
	UntilS []float64
	// NoiseDB and FloorDB are as in Waterfall.
	NoiseDB, FloorDB []float64
	Source           Source
}

// Masked reports whether a level lies under the floor, or too near to the end of the
// response.
func (e *Energy) Masked(frequency, column int) bool {
	return e.EdgesS[column+1] > e.UntilS[frequency] || e.FloorDB != nil && e.DB[frequency][column] < e.FloorDB[frequency]
}

// BlindPeriods returns within how many periods of a band's middle frequency, on
// both sides of its arrival, an arrival itself is seen until it has fallen by a
// number of dB. That number is the same at all frequencies. Of what is weaker, and
// that near, nothing can be said.
func (e *Energy) BlindPeriods(dB float64) float64 {
	sigma := deviation(1, e.Options.Bandwidth) // of the band at 1 Hz
	// The envelope is e^(−(2πσt)²/2).
	return math.Sqrt(math.Abs(dB)/10*math.Ln10) / (2 * math.Pi * sigma)
}

// Correct is as that of Waterfall.
func (e *Energy) Correct(deviationDB func(hz float64) float64) *Energy {
	c := *e
	by := make([]float64, len(e.Hz))
	c.DB = make([][]float64, len(e.DB))
	for i, hz := range e.Hz {
		by[i] = deviationDB(hz)
		c.DB[i] = make([]float64, len(e.DB[i]))
		for k, v := range e.DB[i] {
			c.DB[i][k] = v - by[i]
		}
	}
	c.NoiseDB, c.FloorDB = minus(e.NoiseDB, by), minus(e.FloorDB, by)
	return &c
}

// deviation returns the standard deviation in Hz of the Gaussian band around hz
// that is so many octaves wide at 3 dB (half the power).
func deviation(hz, octaves float64) float64 {
	width := hz * (math.Exp2(octaves/2) - math.Exp2(-octaves/2))
	return width / (2 * math.Sqrt(math.Ln2))
}

const (
	// endDB is by how much the cut at the end of the response must have fallen.
	endDB = 40
	// bandReach is how far a band reaches, in standard deviations: at 5.3 it lies
	// 122 dB below its middle.
	bandReach = 5.3
	// timeReach is the same in time: at 6 an arrival has fallen by 156 dB.
	timeReach = 6.0
	// bandOversampling is the envelope's rate over the width of its spectrum. Its
	// square, of which integrals are taken, is twice as wide.
	bandOversampling = 3
)

// EnergyOf works out the energy of ir in Gaussian bands of constant relative
// width, of zero phase, over time: the squared envelope of each, as its mean over
// each column (D. Gabor, J. IEE 93(III), 1946, for the Gaussian band as the one
// sharpest in frequency and time together; J. C. Brown, J. Acoust. Soc. Am. 89,
// 1991, for constant Q [both from memory]).
//
// noise is as in Of; so are the errors. ir is not changed.
func EnergyOf(ctx context.Context, ir deconv.ImpulseResponse, noise *deconv.Noise, o EnergyOptions) (*Energy, error) {
	if err := check(ir); err != nil {
		return nil, err
	}
	o, err := o.resolved(ir)
	if err != nil {
		return nil, err
	}
	rate := ir.SampleRate
	onset := onsetFrame(ir, *o.OnsetS)
	e := &Energy{Options: o, Hz: logGrid(o.FromHz, o.ToHz, o.PerOctave)}
	for i := range o.Columns + 1 {
		t := float64(i) / float64(o.Columns)
		if o.Linear {
			t = o.FromS + t*(o.ToS-o.FromS)
		} else {
			t = o.FromS * math.Pow(o.ToS/o.FromS, t)
		}
		e.EdgesS = append(e.EdgesS, t)
	}
	for i := range o.Columns {
		mid := (e.EdgesS[i] + e.EdgesS[i+1]) / 2
		if !o.Linear {
			mid = math.Sqrt(e.EdgesS[i] * e.EdgesS[i+1])
		}
		e.TimesS = append(e.TimesS, mid)
	}

	// What the slowest band sees of the response, and zeros for it to ring out in.
	reach := timeReach / (2 * math.Pi * deviation(o.FromHz, o.Bandwidth)) * rate
	from := max(0, int(math.Floor(onset+math.Min(0, o.FromS)*rate-reach)))
	to := min(len(ir.Samples), int(math.Ceil(onset+o.ToS*rate+reach)))
	if from >= to {
		return nil, &TooShortError{HaveS: float64(len(ir.Samples))/rate - onset/rate, NeedS: o.ToS}
	}
	n := fourier.FastLen(to - from + int(reach) + 2)
	x := make([]float64, n)
	copy(x, ir.Samples[from:to])
	plan := fourier.Get(n)
	spectrum := plan.Coefficients(nil, x)
	fourier.Put(plan)

	e.DB = make([][]float64, len(e.Hz))
	gains := make([]float64, len(e.Hz))
	workers := make([]band, workersFor(len(e.Hz)))
	err = share(ctx, len(workers), len(e.Hz), func(worker, i int) {
		b := &workers[worker]
		// The high bands are the long ones: they go first.
		i = len(e.Hz) - 1 - i
		b.spectrum, b.n, b.rate = spectrum, n, rate
		gains[i] = b.envelope(e.Hz[i], deviation(e.Hz[i], o.Bandwidth))
		out := make([]float64, o.Columns)
		zero := (onset - float64(from)) / rate
		for k := range out {
			out[k] = scale.PowerDB(b.mean(zero+e.EdgesS[k], zero+e.EdgesS[k+1]))
		}
		e.DB[i] = out
	})
	if err != nil {
		return nil, err
	}
	end := (float64(len(ir.Samples)) - onset) / rate
	for _, hz := range e.Hz {
		e.UntilS = append(e.UntilS, end-e.BlindPeriods(endDB)/hz)
	}
	floor := noiseFloor{margin: scale.Power(o.MarginDB)}
	floor.noise, e.Source = heard(ir, noise, int(onset+o.ToS*rate))
	e.NoiseDB, e.FloorDB = floor.levels(e.Hz, func(i int) float64 { return gains[i] })
	return e, nil
}

// band works out the envelope of one band after another.
type band struct {
	spectrum []complex128
	n        int // the transform's length
	rate     float64

	m      int // points of the envelope around the circle of n frames
	re, im []complex128
	x, y   []float64 // the envelope, real and imaginary part
	sum    []float64 // integral of its power up to each point, in steps
}

// envelope works out the squared envelope of the band around hz, so that an
// impulse of 1 reaches 1, and returns by what the density of noise is to be
// multiplied for what the envelope's power then is.
//
// The part of the spectrum that the band lets through is moved down to 0 Hz and
// transformed back at a rate that suffices for it. Real and imaginary part of the
// envelope come from the two halves of that spectrum that belong to real signals.
func (b *band) envelope(hz, sigma float64) (noiseGain float64) {
	step := b.rate / float64(b.n)
	centre := int(math.Round(hz / step))
	lo := max(1, int(math.Ceil((hz-bandReach*sigma)/step)))
	hi := min(len(b.spectrum)-1, int((hz+bandReach*sigma)/step))
	reach := max(centre-lo, hi-centre, 1)
	b.m = fourier.FastLen(max(16, int(math.Ceil(bandOversampling*float64(2*reach+1)))))
	b.re, b.im = sized(b.re, b.m/2+1), sized(b.im, b.m/2+1)
	var sum, squares float64
	weigh := func(k int) complex128 {
		if k < lo || k > hi {
			return 0
		}
		g := math.Exp(-square((float64(k)*step-hz)/sigma) / 2)
		sum += g
		squares += g * g
		return b.spectrum[k] * complex(g, 0)
	}
	for k := range b.re {
		if k > reach {
			b.re[k], b.im[k] = 0, 0
			continue
		}
		up := weigh(centre + k)
		down := up
		if k > 0 {
			down = weigh(centre - k)
		}
		down = complex(real(down), -imag(down))
		b.re[k] = (up + down) / 2
		d := (up - down) / 2
		b.im[k] = complex(imag(d), -real(d)) // over j
	}
	plan := fourier.Get(b.m)
	b.x, b.y = sized(b.x, b.m), sized(b.y, b.m)
	plan.Sequence(b.x, b.re)
	plan.Sequence(b.y, b.im)
	fourier.Put(plan)
	// An impulse of 1 makes Σ of the band's weights at its time.
	scale := float64(b.m) / sum
	b.sum = sized(b.sum, b.m)
	power := func(i int) float64 { return square(b.x[i]) + square(b.y[i]) }
	for i := range b.x {
		b.x[i] *= scale
		b.y[i] *= scale
	}
	// The integral over whole steps, by the cubic through four points.
	b.sum[0] = 0
	p, q, r := power(b.m-1), power(0), power(1)
	for i := 1; i < b.m; i++ {
		next := power((i + 1) % b.m)
		b.sum[i] = b.sum[i-1] + (13*(q+r)-p-next)/24
		p, q, r = q, r, next
	}
	return float64(b.n) * squares / (sum * sum)
}

// mean returns the mean of the envelope's power between two times in seconds.
func (b *band) mean(from, to float64) float64 {
	perSecond := float64(b.m) / (float64(b.n) / b.rate)
	lo, hi := from*perSecond, to*perSecond
	first, last := math.Ceil(lo), math.Floor(hi)
	var sum float64
	if whole := last - first; whole < fewSteps {
		parts := max(1, math.Ceil(hi-lo))
		for i := range int(parts) {
			sum += b.part(lo+(hi-lo)*float64(i)/parts, lo+(hi-lo)*float64(i+1)/parts)
		}
	} else {
		sum = b.part(lo, first) + b.sum[b.at(last)] - b.sum[b.at(first)] + b.part(last, hi)
	}
	return math.Max(0, sum) / (hi - lo)
}

// fewSteps is up to how many steps of the envelope an integral is taken through
// interpolated points, which are the more exact ones at the bottom of a dip.
const fewSteps = 12

func (b *band) at(x float64) int { return min(max(0, int(x)), b.m-1) }

// part returns the integral of the power over at most one step, by Gauss and
// Legendre's rule of three points.
func (b *band) part(lo, hi float64) float64 {
	mid, half := (lo+hi)/2, (hi-lo)/2
	off := half * math.Sqrt(0.6)
	return half * (5*b.powerAt(mid-off) + 8*b.powerAt(mid) + 5*b.powerAt(mid+off)) / 9
}

// powerAt returns the power between points, by Lagrange's polynomial through the
// envelope's six nearest. It is taken of the envelope, which passes near zero where
// its power has a narrow dip.
func (b *band) powerAt(x float64) float64 {
	i := math.Floor(x)
	u := x - i
	// Products of the distances to the points −2 … 3.
	weights := [6]float64{
		-(u + 1) * u * (u - 1) * (u - 2) * (u - 3) / 120,
		(u + 2) * u * (u - 1) * (u - 2) * (u - 3) / 24,
		-(u + 2) * (u + 1) * (u - 1) * (u - 2) * (u - 3) / 12,
		(u + 2) * (u + 1) * u * (u - 2) * (u - 3) / 12,
		-(u + 2) * (u + 1) * u * (u - 1) * (u - 3) / 24,
		(u + 2) * (u + 1) * u * (u - 1) * (u - 2) / 120,
	}
	var re, im float64
	for k, w := range weights {
		at := ((int(i)+k-2)%b.m + b.m) % b.m
		re += w * b.x[at]
		im += w * b.y[at]
	}
	return re*re + im*im
}

// sized returns a slice of n values, s itself where it is long enough.
func sized[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n)
	}
	return s[:n]
}
