package deconv

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"roomsonde/deconv/fourier"
	"roomsonde/deconv/internal/fraction"
	"roomsonde/deconv/internal/parallel"
	"roomsonde/sweep/scale"
)

// AverageReport says what Average did.
type AverageReport struct {
	Used []bool // of the takes, in their order
	// Distance is how far each take is from the middle one, as a multiple of the
	// median of all takes' distances, in the octave in which that is most.
	Distance []float64
	// PredictedDB is the gain in signal over noise against a single take, by the number of takes
	// alone, and MeasuredDB by how much the takes differ: from the noise that a take's
	// own silence predicts to what is left in the mean. MeasuredDB falls short
	// where more than noise differs from take to take. Measured is false, and
	// MeasuredDB 0, with one take, and where a silence tells nothing.
	PredictedDB, MeasuredDB float64
	Measured                bool
}

// MismatchError says that takes cannot be averaged.
type MismatchError struct {
	Take int // counted from 0
	What string
}

func (e *MismatchError) Error() string {
	return fmt.Sprintf("deconv: take %d cannot be averaged with the first: %s", e.Take+1, e.What)
}

// Hint says what to do about it.
func (e *MismatchError) Hint() string {
	return "average takes of one program, one place and one loudspeaker only"
}

// A take is left out when in any octave it lies further from the middle one than
// this many times the takes' median distance; distances below −40 dB of what
// sounds in the octave count as that.
const (
	outlierTimes   = 4
	outlierLeastDB = -40
)

// Average returns the mean of several recordings of one program at one place,
// none of them changed. Takes whose time zero is the mark keep it; others are
// laid on top of each other, to a fraction of a frame, as they were recorded.
// With three takes or more those that differ much from the middle one are left
// out; of two it cannot be told which is the wrong one. Errors: *MismatchError.
func Average(results []*Result) (*Result, AverageReport, error) {
	var report AverageReport
	if len(results) == 0 {
		return nil, report, &MismatchError{0, "there are no takes"}
	}
	first := results[0]
	for i, r := range results {
		switch {
		case r == nil || len(r.Impulse.Samples) == 0 || !r.Impulse.Inside():
			return nil, report, &MismatchError{i, "it holds no impulse response"}
		case r.Impulse.SampleRate != first.Impulse.SampleRate:
			return nil, report, &MismatchError{i, fmt.Sprintf("its sample rate is %g Hz, not %g Hz", r.Impulse.SampleRate, first.Impulse.SampleRate)}
		case r.TimeZero != first.TimeZero:
			return nil, report, &MismatchError{i, fmt.Sprintf("its time zero is the %s, not the %s", r.TimeZero, first.TimeZero)}
		case len(r.Products) != len(first.Products):
			return nil, report, &MismatchError{i, "it was made with another sweep"}
		}
	}
	report.Used = make([]bool, len(results))
	report.Distance = make([]float64, len(results))
	if len(results) == 1 {
		report.Used[0] = true
		return first, report, nil
	}
	aligned, shifts := align(results)
	// Distances to the median of the aligned responses.
	middle := make([]float64, len(aligned[0]))
	parallel.Split(len(middle), func(lo, hi int) {
		column := make([]float64, len(aligned))
		for i := lo; i < hi; i++ {
			for j, a := range aligned {
				column[j] = a[i]
			}
			middle[i] = median(column)
		}
	})
	report.Distance = distances(results, aligned, middle)
	var used []int
	for j, d := range report.Distance {
		if len(results) < 3 || d <= outlierTimes {
			report.Used[j] = true
			used = append(used, j)
		}
	}
	if !report.Used[0] {
		// What everything was laid upon is the wrong one: once more without it.
		var rest []*Result
		for _, j := range used {
			rest = append(rest, results[j])
		}
		out, again, err := Average(rest)
		if err != nil {
			return nil, report, err
		}
		for i, j := range used {
			report.Used[j], report.Distance[j] = again.Used[i], again.Distance[i]
		}
		report.PredictedDB, report.MeasuredDB, report.Measured = again.PredictedDB, again.MeasuredDB, again.Measured
		return out, report, nil
	}

	count := float64(len(used))
	out := *results[used[0]]
	out.Impulse.Samples = make([]float64, len(aligned[0]))
	for _, j := range used {
		for i, v := range aligned[j] {
			out.Impulse.Samples[i] += v / count
		}
	}
	out.Impulse.Zero, out.Impulse.Onset = first.Impulse.Zero, first.Impulse.FirstArrival()
	// Its own first arrival, now that it is known better.
	onset := out.Impulse.Onset
	peak := onset
	for i := max(0, onset-2); i <= min(onset+2, len(out.Impulse.Samples)-1); i++ {
		if math.Abs(out.Impulse.Samples[i]) > math.Abs(out.Impulse.Samples[peak]) {
			peak = i
		}
	}
	out.Impulse.Onset = peak
	if out.TimeZero == FirstArrival {
		out.Impulse.Zero = peak
	}
	out.ArrivalS = (float64(peak-out.Impulse.Zero) + between(out.Impulse.Samples, peak)) / out.Impulse.SampleRate
	out.Sweeps, out.Skipped, out.Timing, out.SkewCorrected = 0, nil, nil, 0
	out.FromHz, out.ToHz, out.TailFrames = 0, math.Inf(1), math.MaxInt
	for _, j := range used {
		r := results[j]
		out.Sweeps += r.Sweeps
		out.FromHz, out.ToHz = math.Max(out.FromHz, r.FromHz), math.Min(out.ToHz, r.ToHz)
		out.TailFrames = min(out.TailFrames, r.TailFrames)
		out.StartMissing = out.StartMissing || r.StartMissing
		out.EndMissing = out.EndMissing || r.EndMissing
	}
	out.Products = averageProducts(results, used, shifts)
	out.Noise = averageNoise(results, used)
	report.PredictedDB = 10 * math.Log10(count)
	report.MeasuredDB, report.Measured = measuredGain(&out, results, used, aligned)
	return &out, report, nil
}

// align returns the impulse responses of takes on the frames of the first one,
// and by how many frames more than that to earlier places belongs what was cut
// out of a take by its first arrival.
func align(results []*Result) (aligned [][]float64, shifts []float64) {
	ref := results[0]
	length := len(ref.Impulse.Samples)
	aligned, shifts = make([][]float64, len(results)), make([]float64, len(results))
	anchor := func(ir ImpulseResponse) int {
		if ref.TimeZero == MarkArrival {
			return ir.Zero
		}
		return ir.FirstArrival()
	}
	moved := func(ir ImpulseResponse, by int) []float64 { // frame i of it is frame i+by of ir
		out := make([]float64, length)
		for i := max(0, -by); i < length && i+by < len(ir.Samples); i++ {
			out[i] = ir.Samples[i+by]
		}
		return out
	}
	n := fourier.FastLen(length + 512)
	plan := fourier.Get(n)
	defer fourier.Put(plan)
	padded := make([]float64, n)
	spectrum := func(x []float64) []complex128 {
		copy(padded, x)
		clear(padded[len(x):])
		return plan.Coefficients(nil, padded)
	}
	aligned[0] = moved(ref.Impulse, 0)
	if ref.TimeZero == MarkArrival {
		for j, r := range results[1:] {
			aligned[j+1] = moved(r.Impulse, r.Impulse.Zero-ref.Impulse.Zero)
			// The products were cut out by the first arrival.
			shifts[j+1] = float64((ref.Impulse.FirstArrival() - ref.Impulse.Zero) - (r.Impulse.FirstArrival() - r.Impulse.Zero))
		}
		return aligned, shifts
	}
	reference := spectrum(aligned[0])
	step := ref.Impulse.SampleRate / float64(n)
	low, high := int(ref.FromHz/step)+1, min(int(ref.ToHz/step), n/2-1)
	for j, r := range results[1:] {
		by := anchor(r.Impulse) - anchor(ref.Impulse)
		own := spectrum(moved(r.Impulse, by))
		cross := make([]complex128, n/2+1)
		for k := max(low, 1); k < high; k++ {
			cross[k] = own[k] * cmplx.Conj(reference[k])
		}
		c := plan.Sequence(nil, cross)
		// The strongest match nearby; a first arrival may have been told from
		// another reflection.
		best, reach := 0, int(0.02*ref.Impulse.SampleRate)
		for i := -reach; i <= reach; i++ {
			if c[((i%n)+n)%n] > c[((best%n)+n)%n] {
				best = i
			}
		}
		if best != 0 {
			by += best
			own = spectrum(moved(r.Impulse, by))
			for k := max(low, 1); k < high; k++ {
				cross[k] = own[k] * cmplx.Conj(reference[k])
			}
		}
		lag := fraction.Peak(cross, 0, 2*math.Pi/float64(n), 0)
		fraction.Advance(own, n, lag)
		aligned[j+1] = plan.Sequence(nil, own)[:length]
		shifts[j+1] = float64(by-(anchor(r.Impulse)-anchor(ref.Impulse))) + lag
	}
	return aligned, shifts
}

// averageProducts returns the means of the distortion products. They were cut
// out where the linear response's first arrival is, so that only what align moved
// beyond that is left to do.
func averageProducts(results []*Result, used []int, shifts []float64) []Product {
	var products []Product
	for i, p := range results[used[0]].Products {
		length := len(p.Impulse.Samples)
		mean := make([]float64, length)
		n := fourier.FastLen(length + 512)
		plan := fourier.Get(n)
		for _, j := range used {
			x := make([]float64, n)
			copy(x, results[j].Products[i].Impulse.Samples)
			if shifts[j] != 0 {
				spectrum := plan.Coefficients(nil, x)
				fraction.Advance(spectrum, n, shifts[j])
				plan.Sequence(x, spectrum)
			}
			for k := range mean {
				mean[k] += x[k] / float64(len(used))
			}
		}
		fourier.Put(plan)
		p.Impulse.Samples = mean
		products = append(products, p)
	}
	return products
}

// averageNoise returns the noise in the mean of takes, or nil where one of them
// does not know its own.
func averageNoise(results []*Result, used []int) *Noise {
	first := results[used[0]].Noise
	for _, j := range used {
		if n := results[j].Noise; n == nil || len(n.Hz) != len(first.Hz) {
			return nil
		}
	}
	out := *first
	out.Seconds, out.DigitalZero = 0, false
	out.Density, out.psd, out.Freedom = make([]float64, len(first.Hz)), make([]float64, len(first.Hz)), make([]float64, len(first.Hz))
	count := float64(len(used))
	var level float64
	for _, j := range used {
		n := results[j].Noise
		out.Seconds += n.Seconds
		out.DigitalZero = out.DigitalZero || n.DigitalZero
		level += scale.Power(n.RecordingDBFS) / count
		for i := range out.Hz {
			out.Density[i] += n.Density[i] / (count * count)
			out.psd[i] += n.psd[i] / (count * count)
			out.Freedom[i] += n.Freedom[i]
		}
	}
	out.RecordingDBFS = scale.PowerDB(level)
	return &out
}

// octaves returns the edges of octaves within a range, as bins.
func octaves(fromHz, toHz, step float64) [][2]int {
	var out [][2]int
	for hz := math.Max(fromHz, 10); 2*hz <= toHz*1.001; hz *= 2 {
		out = append(out, [2]int{int(hz/step) + 1, int(2 * hz / step)})
	}
	return out
}

// distances returns how far each response is from the middle one, as
// AverageReport.Distance says.
func distances(results []*Result, aligned [][]float64, middle []float64) []float64 {
	n := fourier.FastLen(len(middle))
	plan := fourier.Get(n)
	defer fourier.Put(plan)
	step := results[0].Impulse.SampleRate / float64(n)
	bands := octaves(results[0].FromHz, results[0].ToHz, step)
	x := make([]float64, n)
	energies := func(a, b []float64) []float64 { // of a−b
		for i, v := range a {
			x[i] = v
			if b != nil {
				x[i] -= b[i]
			}
		}
		clear(x[len(a):])
		spectrum := plan.Coefficients(nil, x)
		out := make([]float64, len(bands))
		for i, band := range bands {
			for k := band[0]; k < min(band[1], len(spectrum)); k++ {
				out[i] += square(spectrum[k])
			}
		}
		return out
	}
	heard := energies(middle, nil)
	far := make([][]float64, len(aligned))
	for j, a := range aligned {
		far[j] = energies(a, middle)
	}
	most := make([]float64, len(aligned))
	for i := range bands {
		var column []float64
		for j := range far {
			far[j][i] = math.Sqrt(math.Max(far[j][i], scale.Power(outlierLeastDB)*heard[i]))
			column = append(column, far[j][i])
		}
		if typical := median(column); typical > 0 {
			for j := range far {
				most[j] = math.Max(most[j], far[j][i]/typical)
			}
		}
	}
	return most
}

// median sorts x and returns its median.
func median(x []float64) float64 {
	slices.Sort(x)
	k := len(x) / 2
	if len(x)%2 == 0 {
		return (x[k-1] + x[k]) / 2
	}
	return x[k]
}

// measuredGain compares what is left of the differences between takes in their
// mean with what a take's silence predicts for itself: the median over the
// octaves of the range.
func measuredGain(mean *Result, results []*Result, used []int, aligned [][]float64) (gainDB float64, ok bool) {
	noise := mean.Noise
	if len(used) < 2 || noise == nil || noise.DigitalZero || len(noise.Hz) == 0 {
		return 0, false
	}
	length := len(mean.Impulse.Samples)
	n := fourier.FastLen(length)
	plan := fourier.Get(n)
	defer fourier.Put(plan)
	power := make([]float64, n/2+1) // of the noise of one take, by its difference to the mean
	x := make([]float64, n)
	var spectrum []complex128
	for _, j := range used {
		clear(x)
		for i, v := range aligned[j] {
			x[i] = v - mean.Impulse.Samples[i]
		}
		spectrum = plan.Coefficients(spectrum, x)
		for k, v := range spectrum {
			power[k] += square(v) / float64(len(used)-1)
		}
	}
	step := mean.Impulse.SampleRate / float64(n)
	var gains []float64
	for _, band := range octaves(mean.FromHz, mean.ToHz, step) {
		var left, predicted float64
		for k := band[0]; k < min(band[1], len(power)); k++ {
			left += power[k] / float64(len(used))
			var single float64
			for _, j := range used {
				own := results[j].Noise
				single += scale.Interpolate(own.Hz, own.Density, float64(k)*step) / float64(len(used))
			}
			predicted += single * float64(length)
		}
		if left > 0 && predicted > 0 {
			gains = append(gains, scale.PowerDB(predicted/left))
		}
	}
	if len(gains) == 0 {
		return 0, false
	}
	return median(gains), true
}
