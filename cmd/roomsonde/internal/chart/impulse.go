package chart

import (
	"fmt"
	"io"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"roomsonde/sweep/scale"
)

// Impulse answers "What arrives when?": above, the impulse response around the
// direct sound on a linear scale, where polarity and early reflections show;
// below, its level over time, where decay and noise show.
type Impulse struct {
	Title    string // "": "What arrives when?"
	Subtitle string // source, seat, take, date
	Note     string // how the samples were prepared, at the foot; may be empty

	SampleRate float64   // Hz
	Samples    []float64 // h[n]; not changed
	Zero       int       // index of the first arrival in Samples, where the drawing's time begins

	// NoiseRMS is the noise floor, as the root mean square of h[n] where only
	// noise is left; 0: not drawn.
	NoiseRMS float64
	// Seconds is the length of the lower time axis; 0: 1 s.
	Seconds float64
	// HighestHz is the end of the sweep. Up to 1 kHz the upper panel shows 100 ms
	// at least, because what is so slow says little in 20. 0: not known.
	HighestHz float64
}

const (
	earlyFrom        = -2.0 // ms, upper panel
	lowFrom          = -10.0
	levelSpanDB      = 80
	levelMeanSeconds = 0.010
	// speedOfSound in dry air of 20 degrees Celsius, in m/s (common practice).
	speedOfSound = 343
)

// Render implements View.
func (v Impulse) Render(w io.Writer, f Format, size ...Size) error {
	d, err := v.resolve()
	if err != nil {
		return err
	}
	return render(w, f, size, d.title, d.alt(), d.paint)
}

type impulseDrawing struct {
	title, subtitle string
	foot            []string
	rate            float64
	h               []float64
	zero            int
	noiseDB         float64 // re peak; NaN: none
	peak            float64
	peakAt          float64    // s
	early           [2]float64 // ms
	earlyStep       [2]float64 // minor, major
	late            [2]float64
}

func (v Impulse) resolve() (*impulseDrawing, error) {
	const what = "impulse response"
	switch {
	case len(v.Samples) == 0:
		return nil, &DataError{What: what, Why: "it has no samples"}
	case math.IsNaN(v.SampleRate) || v.SampleRate < 1 || v.SampleRate > 1e7:
		return nil, &DataError{What: what, Why: fmt.Sprintf("its sample rate is %g Hz", v.SampleRate)}
	case v.Zero < 0 || v.Zero >= len(v.Samples):
		return nil, &DataError{What: what, Why: fmt.Sprintf("time zero at sample %d of %d", v.Zero, len(v.Samples))}
	case math.IsNaN(v.NoiseRMS) || math.IsInf(v.NoiseRMS, 0) || v.NoiseRMS < 0:
		return nil, &DataError{What: what, Why: fmt.Sprintf("its noise floor is %g", v.NoiseRMS)}
	case math.IsNaN(v.Seconds) || v.Seconds < 0 || v.Seconds > 3600:
		return nil, &DataError{What: what, Why: fmt.Sprintf("a time axis of %g s", v.Seconds), Do: "take a length between 0.05 and 60 s"}
	}
	d := &impulseDrawing{
		title: orElse(v.Title, "What arrives when?"), subtitle: v.Subtitle,
		rate: v.SampleRate, h: v.Samples, zero: v.Zero, noiseDB: math.NaN(),
	}
	if note := clean(v.Note); note != "" {
		d.foot = []string{note}
	}
	at := 0
	for i, s := range v.Samples {
		if math.IsNaN(s) || math.IsInf(s, 0) {
			return nil, &DataError{What: what, Why: fmt.Sprintf("sample %d is %g", i, s)}
		}
		if a := math.Abs(s); a > d.peak {
			d.peak, at = a, i
		}
	}
	if d.peak == 0 {
		return nil, &DataError{What: what, Why: "every sample is zero", Do: "measure again: nothing was heard"}
	}
	d.peakAt = float64(at-v.Zero) / v.SampleRate
	if v.NoiseRMS > 0 {
		d.noiseDB = scale.AmplitudeDB(v.NoiseRMS / d.peak)
	}

	d.chooseEarly(v.HighestHz > 0 && v.HighestHz <= 1000)
	long := v.Seconds
	if long == 0 {
		long = 1
	}
	have := float64(len(d.h)-d.zero) / d.rate
	if have < long {
		long = math.Max(0.05, math.Ceil(have*20)/20)
	}
	d.late = [2]float64{-0.04 * long, long}
	return d, nil
}

// earlyAxes are the time axes of the upper panel, in ms.
var earlyAxes = []struct {
	to   float64
	step [2]float64 // minor, major
}{{20, [2]float64{1, 5}}, {50, [2]float64{5, 10}}, {100, [2]float64{5, 20}}, {200, [2]float64{10, 50}}}

// chooseEarly chooses the time axis of the upper panel: from just before time
// zero to well after the largest sample, and longer where the sound is low.
// Where the largest sample comes very late or before time zero, that is not the
// arrival of the direct sound, and the axis goes to the sample.
func (d *impulseDrawing) chooseEarly(low bool) {
	ms := d.peakAt * 1000
	for _, a := range earlyAxes {
		if low && a.to < 100 || !low && a.to > 100 {
			continue
		}
		if ms <= 0.6*a.to {
			d.early, d.earlyStep = [2]float64{earlyFrom, a.to}, a.step
			if a.to >= 100 { // a slow rise begins before time zero
				d.early[0] = lowFrom
			}
			break
		}
	}
	if d.early[1] == 0 || ms < d.early[0]+1 {
		first := earlyAxes[0]
		shift := math.Floor(ms) - 2
		d.early, d.earlyStep = [2]float64{shift + earlyFrom, shift + first.to}, first.step
	}
}

func (d *impulseDrawing) alt() string {
	s := fmt.Sprintf("%s. Impulse response. The largest sample comes %s ms after the first arrival.", d.subtitle, signed(d.peakAt*1000, 2, false))
	if !math.IsNaN(d.noiseDB) {
		s += fmt.Sprintf(" The noise floor lies %.0f dB below it.", -d.noiseDB)
	}
	return s
}

func (d *impulseDrawing) paint(c draw.Canvas) {
	c = heading(c, d.title, d.subtitle, d.foot)
	split := c.Min.Y + (c.Max.Y-c.Min.Y)*0.55

	upper := draw.Crop(c, 0, 0, split-c.Min.Y+6, 0)
	upper = caption(upper, "the first sounds: 1 is the largest sample, its sign the polarity",
		fmt.Sprintf("1 ms later = %.0f cm further", speedOfSound/10.0))
	ms := func(v float64) string { return signed(v, 0, false) + " ms" }
	pu := panel(false, d.early, [2]float64{-1.1, 1.1},
		stepTicks(d.early[0], d.early[1], d.earlyStep[0], d.earlyStep[1], ms),
		stepTicks(-1.1, 1.1, 0.25, 0.5, func(v float64) string { return signed(v, 1, false) }))
	pu.Add(grid{}, plotterFunc(d.linear))

	lower := draw.Crop(c, 0, 0, 0, split-c.Max.Y)
	lower = caption(lower, "dB against the largest sample", "area: largest sample · line: mean of the last 10 ms")
	major := niceStep((d.late[1] - d.late[0]) / 7)
	sec := func(v float64) string {
		if d.late[1] <= 0.3 {
			return signed(v*1000, 0, false) + " ms"
		}
		return threeDigits(math.Max(v, 0)) + " s"
	}
	pl := panel(false, d.late, [2]float64{-levelSpanDB, 0},
		stepTicks(d.late[0], d.late[1], major/2, major, sec),
		stepTicks(-levelSpanDB, 0, 10, 20, func(v float64) string { return signed(v, 0, false) }))
	pl.Add(grid{}, plotterFunc(d.level))

	// Both panels start at the same x.
	du, dl := pu.DataCanvas(upper), pl.DataCanvas(lower)
	left, right := max(du.Min.X, dl.Min.X), min(du.Max.X, dl.Max.X)
	pu.Draw(draw.Crop(upper, left-du.Min.X, right-du.Max.X, 0, 0))
	pl.Draw(draw.Crop(lower, left-dl.Min.X, right-dl.Max.X, 0, 0))
}

// niceStep returns the next of 1, 2 or 5 times a power of ten at or above v.
func niceStep(v float64) float64 {
	p := math.Pow10(int(math.Floor(math.Log10(v))))
	for _, m := range []float64{1, 2, 5} {
		if m*p >= v*(1-1e-9) {
			return m * p
		}
	}
	return 10 * p
}

// within returns the range of indices whose times lie between two times.
func (d *impulseDrawing) within(from, to float64) (lo, hi int) {
	lo = int(math.Ceil(from*d.rate)) + d.zero - 1
	hi = int(math.Floor(to*d.rate)) + d.zero + 2
	return min(max(lo, 0), len(d.h)), max(0, min(hi, len(d.h)))
}

func (d *impulseDrawing) linear(c draw.Canvas, p *plot.Plot) {
	_, y := p.Transforms(&c)
	axis := draw.LineStyle{Color: frameGrey, Width: 1}
	c.StrokeLine2(axis, c.Min.X, y(0), c.Max.X, y(0))
	lo, hi := d.within(d.early[0]/1000, d.early[1]/1000)
	xs, ys := make([]float64, 0, hi-lo), make([]float64, 0, hi-lo)
	for i := lo; i < hi; i++ {
		xs = append(xs, float64(i-d.zero)/d.rate*1000)
		ys = append(ys, d.h[i]/d.peak)
	}
	d.zeroLine(c, p)
	strokeTrace(&c, strokeOf(0).line(1.75), makeTrace(&c, p, xs, ys))
	frame(c)
}

func (d *impulseDrawing) zeroLine(c draw.Canvas, p *plot.Plot) {
	x, _ := p.Transforms(&c)
	if at := x(0); c.ContainsX(at) {
		c.StrokeLine2(draw.LineStyle{Color: frameGrey, Width: 1, Dashes: []vg.Length{4, 3}}, at, c.Min.Y, at, c.Max.Y)
	}
}

func (d *impulseDrawing) level(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	at := func(db float64) vg.Length { return y(math.Min(math.Max(db, -levelSpanDB), 0)) }

	// The area: the largest sample in each column of one unit of the layout.
	columns := int(math.Ceil(float64(c.Max.X - c.Min.X)))
	perColumn := (d.late[1] - d.late[0]) / float64(columns)
	area := []vg.Point{{X: x(d.late[0]), Y: c.Min.Y}}
	var curve trace
	// Sums of squares before each index, for the mean.
	sums := make([]float64, len(d.h)+1)
	for i, s := range d.h {
		r := s / d.peak
		sums[i+1] = sums[i] + r*r
	}
	// The mean looks back only, so that nothing seems to come before it came.
	back := int(math.Max(1, math.Round(levelMeanSeconds*d.rate)))
	for k := range columns {
		t0 := d.late[0] + float64(k)*perColumn
		i0 := int(math.Ceil(t0*d.rate)) + d.zero
		i1 := max(i0+1, int(math.Ceil((t0+perColumn)*d.rate))+d.zero)
		top := 0.0
		for i := max(0, i0); i < min(i1, len(d.h)); i++ {
			top = math.Max(top, math.Abs(d.h[i]))
		}
		h := at(scale.AmplitudeDB(top / d.peak))
		area = append(area, vg.Point{X: x(t0), Y: h}, vg.Point{X: x(math.Min(t0+perColumn, d.late[1])), Y: h})
		a, b := max(0, i1-back), min(len(d.h), i1)
		if a < b {
			curve = append(curve, vg.Point{X: x(t0 + perColumn), Y: y(limit(scale.PowerDB((sums[b] - sums[a]) / float64(b-a))))})
		}
	}
	area = append(area, vg.Point{X: c.Max.X, Y: c.Min.Y})
	c.FillPolygon(mix(sky, paper, 0.55), area)
	if len(curve) > 0 {
		strokeTrace(&c, strokeOf(0).line(2), curve)
	}
	d.zeroLine(c, p)
	if d.noiseDB >= -levelSpanDB && d.noiseDB < 0 {
		sty := stroke{vermillion, []vg.Length{9, 3}}
		c.StrokeLine2(sty.line(1.5), c.Min.X, y(d.noiseDB), c.Max.X, y(d.noiseDB))
		ts := textStyle(noteSize, darkText(vermillion), true, draw.XLeft, draw.YCenter)
		label := fmt.Sprintf("noise floor %s dB", signed(d.noiseDB, 0, false))
		const gap = 5
		left := c.Max.X - 10 - ts.Width(label) - gap - keySample
		over := y(d.noiseDB) // what the label must stay clear of
		for _, pt := range area {
			if pt.X > left {
				over = max(over, pt.Y)
			}
		}
		mid := min(over+11, c.Max.Y-10)
		lineSample(sty.line(1.5))(&c, vg.Point{X: left + keySample/2, Y: mid})
		middle(&c, ts, vg.Point{X: left + keySample + gap, Y: mid}, label)
	}
	frame(c)
}
