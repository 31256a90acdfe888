package response

import (
	"math"

	"roomsonde/deconv"
	"roomsonde/deconv/fourier"
	"roomsonde/sweep/scale"
)

// Distortion is what a system adds to a tone, against the tone's frequency.
// Only points that stand at least 6 dB out of the noise are in the lists.
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
}

// Curve is a level in dB at rising frequencies in Hz.
type Curve struct{ Hz, DB []float64 }

// Smoothing and grid of distortion curves; and the level under which rounding,
// not the system, writes the figures.
const (
	distortionFraction = 12
	distortionGrid     = 24
	numericFloorDB     = -140
	leastRun           = 4 // points: a sixth of an octave; noise alone stands out now and then, but not for so long
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
	fundamental := newSmoother(linear.Power(), linear.StepHz)
	nyquist := linear.SampleRate / 2
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
			Energy: func(float64) float64 { return p.WindowEnergy }, gain: linear.gain}
		power := Smooth(own.Power(), own.StepHz, products, distortionFraction)
		for i, f := range products {
			power[i] *= linear.gainAt(f)
		}
		floor := own.NoisePower(res.Noise, products)
		at1 := fundamental.smooth(at, distortionFraction)
		atN := fundamental.smooth(products, distortionFraction)
		o := OrderDistortion{Order: p.Order}
		told := make([]bool, len(at))
		for i, f := range at {
			limit := math.Max(floor[i], at1[i]*scale.Power(numericFloorDB))
			o.Floor.Hz = append(o.Floor.Hz, f)
			o.Floor.DB = append(o.Floor.DB, scale.PowerDB(limit/at1[i]))
			told[i] = power[i] >= limit*4 && at1[i] > 0 && atN[i] > 0
		}
		dropShortRuns(told, leastRun)
		for i, f := range at {
			if !told[i] {
				continue
			}
			net := power[i] - floor[i]
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

// dropShortRuns clears every run of true shorter than least.
func dropShortRuns(told []bool, least int) {
	for i := 0; i < len(told); {
		end := i
		for end < len(told) && told[end] {
			end++
		}
		if end-i < least {
			clear(told[i:end])
		}
		i = max(end, i+1)
	}
}
