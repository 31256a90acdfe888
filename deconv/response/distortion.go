package response

import (
	"math"
	"slices"

	"roomsonde/deconv"
	"roomsonde/deconv/fourier"
	"roomsonde/sweep/scale"
)

// Distortion is what a system adds to a tone, against the tone's frequency: its
// harmonics of orders 2 to 5. Only points that stand at least 6 dB out of what the
// noise may be (at 95 %), in a run of such points, are told and in the lists.
type Distortion struct {
	Orders []OrderDistortion
	THD    Curve // √(Σ D_n²) over the orders that can be told at that frequency
	// FromHz and ToHz bound the fundamentals at which order 2 could be told.
	FromHz, ToHz float64
}

// OrderDistortion is the product of one order.
type OrderDistortion struct {
	Order int
	// Ratio is |H_n(n·f)|/|H_1(f)| in dB against f: what a steady tone's
	// spectrum shows at the microphone. In a room it holds the room at n·f
	// against the room at f.
	Ratio Curve
	// InputDB is |H_n(n·f)|/|H_1(n·f)| in dB at the same frequencies: the
	// distortion referred to the input, without the room.
	InputDB []float64
	// Floor is the noise under Ratio, in dB, at all frequencies of the order.
	Floor Curve
	// MostDB bounds the order from above at the frequencies of Floor, as Ratio
	// does where it is told. Elsewhere it is what would have been told, at least
	// 6 dB over Floor, or what was found if that is more.
	MostDB []float64
}

// At returns the orders, rising, that are told within 1/24 octave of hz, those of
// the worked-out ones that the noise hides there, and two levels in dB: what the
// told ones come to together, and what all of them come to at most. The first is
// scale.FloorDB where none is told.
func (d *Distortion) At(hz float64) (told, hidden []int, toldDB, mostDB float64) {
	var sum, most float64
	for _, o := range d.Orders {
		i := nearest(o.Floor.Hz, hz)
		if i < 0 {
			continue
		}
		most += scale.Power(o.MostDB[i])
		if k, ok := slices.BinarySearch(o.Ratio.Hz, o.Floor.Hz[i]); ok {
			told, sum = append(told, o.Order), sum+scale.Power(o.Ratio.DB[k])
		} else {
			hidden = append(hidden, o.Order)
		}
	}
	return told, hidden, scale.PowerDB(sum), scale.PowerDB(most)
}

// nearest returns the index of the frequency within 1/24 octave of hz, or -1.
func nearest(at []float64, hz float64) int {
	best, distance := -1, 1.0/distortionGrid+1e-6
	for i, f := range at {
		if d := math.Abs(math.Log2(f / hz)); d < distance {
			best, distance = i, d
		}
	}
	return best
}

// Curve is a level in dB at rising frequencies in Hz.
type Curve struct{ Hz, DB []float64 }

// Smoothing and grid of distortion curves; and the level under which rounding,
// not the system, writes the figures.
const (
	distortionFraction = 12
	distortionGrid     = 24
	numericFloorDB     = -140
	// Noise alone stands out now and then, but not for long. A run is at least a
	// third of an octave, so four values that smoothing leaves independent of one
	// another, and at least so many steps of the resolution of the window that
	// cut the product out.
	leastRun   = 8 // points
	leastSteps = 4
)

// DistortionOf works out the distortion of a result's products against its
// linear response, both smoothed over 1/12 octave. linear is the response of
// res.Impulse. It returns nil when there are no products. The noise floor is
// known only where res.Noise is; without it nothing can be told apart from
// noise, and the result is nil too.
func DistortionOf(res *deconv.Result, linear *Response) *Distortion {
	if len(res.Products) == 0 || res.Noise == nil {
		return nil
	}
	d := &Distortion{}
	// Nothing outside the range was measured, of the products neither: order n
	// begins at n times the lowest fundamental.
	fundamental := newSmoother(linear.Power(), linear.StepHz, res.FromHz, res.ToHz)
	nyquist := linear.SampleRate / 2
	upper := doubt(res.Noise)
	thd := map[float64]float64{}
	var grid []float64
	for f := math.Max(res.FromHz, 10); f <= math.Min(res.ToHz, nyquist)/2; f *= math.Exp2(1.0 / distortionGrid) {
		grid = append(grid, f)
	}
	if len(grid) == 0 {
		return nil
	}
	d.FromHz, d.ToHz = grid[0], grid[len(grid)-1]
	for _, p := range res.Products {
		order := float64(p.Order)
		var at, products []float64
		for _, f := range grid {
			if f*order <= math.Min(res.ToHz, nyquist) {
				at, products = append(at, f), append(products, f*order)
			}
		}
		if len(at) == 0 {
			continue
		}
		// The product is windowed already.
		n := fourier.FastLen(max(len(p.Impulse.Samples), int(linear.SampleRate/4)))
		x := make([]float64, n)
		copy(x, p.Impulse.Samples)
		plan := fourier.Get(n)
		h := plan.Coefficients(nil, x)
		fourier.Put(plan)
		own := Response{SampleRate: linear.SampleRate, StepHz: linear.SampleRate / float64(n), H: h,
			Energy: func(float64) float64 { return p.WindowEnergy }, gain: linear.gain,
			FromHz: order * res.FromHz, ToHz: math.Min(res.ToHz, nyquist)}
		power := own.Smooth(products, distortionFraction)
		for i, f := range products {
			power[i] *= linear.gainAt(f)
		}
		floor := own.NoisePower(res.Noise, products)
		at1 := fundamental.smooth(at, distortionFraction)
		atN := fundamental.smooth(products, distortionFraction)
		o := OrderDistortion{Order: p.Order}
		told := make([]bool, len(at))
		least := make([]float64, len(at)) // power from which a point is told
		for i, f := range at {
			limit := math.Max(floor[i], at1[i]*scale.Power(numericFloorDB))
			o.Floor.Hz = append(o.Floor.Hz, f)
			o.Floor.DB = append(o.Floor.DB, scale.PowerDB(limit/at1[i]))
			least[i] = 4 * math.Max(limit, floor[i]*scale.Interpolate(res.Noise.Hz, upper, products[i]))
			told[i] = power[i] >= least[i] && at1[i] > 0 && atN[i] > 0
		}
		resolution := linear.SampleRate / p.WindowEnergy
		dropShortRuns(told, func(from, end int) bool {
			return end-from < leastRun || products[end-1]-products[from] < leastSteps*resolution
		})
		for i, f := range at {
			net := power[i] - floor[i]
			if !told[i] {
				o.MostDB = append(o.MostDB, scale.PowerDB(math.Max(power[i], least[i])/at1[i]))
				continue
			}
			o.MostDB = append(o.MostDB, scale.PowerDB(net/at1[i]))
			o.Ratio.Hz = append(o.Ratio.Hz, f)
			o.Ratio.DB = append(o.Ratio.DB, scale.PowerDB(net/at1[i]))
			o.InputDB = append(o.InputDB, scale.PowerDB(net/atN[i]))
			thd[f] += net / at1[i]
		}
		d.Orders = append(d.Orders, o)
	}
	for _, f := range grid {
		if v, ok := thd[f]; ok {
			d.THD.Hz = append(d.THD.Hz, f)
			d.THD.DB = append(d.THD.DB, scale.PowerDB(v))
		}
	}
	return d
}

// dropShortRuns clears every run of true, from up to but not including end, that
// is too short.
func dropShortRuns(told []bool, short func(from, end int) bool) {
	for i := 0; i < len(told); {
		end := i
		for end < len(told) && told[end] {
			end++
		}
		if end > i && short(i, end) {
			clear(told[i:end])
		}
		i = max(end, i+1)
	}
}
