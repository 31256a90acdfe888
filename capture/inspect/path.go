package inspect

import (
	"context"
	"fmt"
	"math"
	"slices"

	"roomsonde/deconv/clock"
	"roomsonde/deconv/fourier"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// silentDBFS is the peak below which a recording holds nothing: two steps of a
// converter of 24 bits.
const silentDBFS = -132

// silent reports a recording that holds nothing, and returns whether it does.
func (t *take) silent() bool {
	low, high := math.Inf(1), math.Inf(-1)
	for _, b := range t.blocks {
		low, high = math.Min(low, float64(b.min)), math.Max(high, float64(b.max))
	}
	if high-low > scale.Amplitude(silentDBFS) {
		return false
	}
	for i := range t.report.Whole {
		t.report.Whole[i] = false
	}
	t.report.PeakDBFS = scale.AmplitudeDB(t.peak)
	t.add(Finding{Kind: Silence, Fault: true, ToS: t.seconds(len(t.x)), Amount: t.report.PeakDBFS, Unit: "dBFS",
		What:   "The recording is silent: it holds one value throughout.",
		Effect: "There is nothing to work out a result from.",
		Remedy: "Check that the microphone is connected, selected and not muted, and that the system lets this program use it."})
	return true
}

// speedPairs name the sample rates that make a ratio of frames recorded to
// frames played.
var speedPairs = [][2]float64{{44100, 48000}, {48000, 44100}, {96000, 48000}, {48000, 96000}, {32000, 48000}, {48000, 32000}, {96000, 44100}, {44100, 96000}}

// astray finds out why the program was not found.
func (t *take) astray(ctx context.Context) {
	end := t.seconds(len(t.x))
	for i, other := range t.Others {
		timing, err := clock.Locate(ctx, other, t.Program, clock.Options{Aligned: t.Aligned})
		if err != nil || timing == nil {
			continue
		}
		t.add(Finding{Kind: WrongChannel, Fault: true, ToS: end, Amount: float64(i + 1), Unit: "",
			What:   fmt.Sprintf("The program is not in the input that was recorded, but in another one: the %s of the others.", ordinal(i+1)),
			Effect: "The input that was chosen hears something else.",
			Remedy: "Choose that input, or plug the microphone into this one."})
		return
	}
	if ctx.Err() != nil {
		return
	}
	if t.wrongSpeed(ctx) {
		return
	}
	level := scale.PowerDB(power(t.x))
	t.add(Finding{Kind: Silence, Fault: true, ToS: end, Amount: level, Unit: "dBFS",
		What:   fmt.Sprintf("The program is not in the recording, which holds something else at %.0f dBFS.", level),
		Effect: "There is nothing to work out a result from.",
		Remedy: "Check that the microphone is connected, selected and not muted, that the loudspeaker plays, and that the system lets this program use the microphone."})
}

// eventful reports whether the recording is anywhere clearly louder than most of the
// time: steady noise holds no program.
func (t *take) eventful() bool {
	const loudDB = 6
	long := max(1, int(0.1*t.rate)/t.block)
	var powers []float64
	for b := 0; b+long <= len(t.blocks); b += long {
		var sum float64
		for _, v := range t.blocks[b : b+long] {
			sum += v.sq - v.sum*v.sum/float64(t.block) // without what is slower than a block
		}
		powers = append(powers, sum)
	}
	if len(powers) == 0 {
		return false
	}
	slices.Sort(powers)
	return powers[len(powers)-1] > scale.Power(loudDB)*powers[len(powers)/10]
}

// tried returns the usual ratio of sample rates at which all marks are where they
// belong; 1 where there is none. It is surer than clock.Speed in a reverberant
// room, and slower.
func (t *take) tried(ctx context.Context) float64 {
	if len(t.Program.Starts(sweep.KindMark)) < 2 {
		return 1
	}
	for _, pair := range speedPairs {
		ratio := pair[0] / pair[1]
		timing, err := clock.Locate(ctx, clock.Resample(t.x, ratio), t.Program, clock.Options{})
		if err != nil || !timing.Known || len(timing.Jumps) > 0 {
			continue
		}
		all := true
		for _, m := range timing.Marks {
			all = all && m.Found
		}
		if all {
			return ratio
		}
	}
	return 1
}

// wrongSpeed reports a recording at another sample rate than it says.
func (t *take) wrongSpeed(ctx context.Context) bool {
	if !t.eventful() {
		return false
	}
	ratio, err := clock.Speed(ctx, t.x, t.Program)
	if err == nil && ratio == 1 {
		ratio = t.tried(ctx)
	}
	if err != nil || ratio == 1 {
		return false
	}
	{
		pair, least := speedPairs[0], math.Inf(1)
		for _, p := range speedPairs {
			if d := math.Abs(p[0]/p[1]/ratio - 1); d < least {
				pair, least = p, d
			}
		}
		for i := range t.report.Whole {
			t.report.Whole[i] = false
		}
		t.add(Finding{Kind: WrongSpeed, Fault: true, ToS: t.seconds(len(t.x)), Amount: ratio, Unit: "",
			What:   fmt.Sprintf("The program comes back at %s times its length: as if it had been played at %s and recorded at %s.", digits(ratio), hertz(pair[1]), hertz(pair[0])),
			Effect: "All frequencies are wrong by that factor.",
			Remedy: "Set player, recorder and file to the same sample rate."})
		return true
	}
}

func ordinal(n int) string {
	if n < len(ordinals) {
		return ordinals[n]
	}
	return fmt.Sprintf("number %d", n)
}

var ordinals = []string{"", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth"}

const (
	earlyS     = 0.001 // a recording may be this much early: rounding of what the device claims
	binS       = 0.0005
	beforeS    = 0.045 // the second harmonic of a mark lies further before it
	afterS     = 0.120
	apartS     = 0.005
	precursors = -32 // dB
	gapDropDB  = -22
	afterDB    = -36 // a room's answer after a direct sound lies above
)

// echo looks for a copy of what was played that did not come through the air: it
// arrives before it was played, or well before the rest, with nothing in
// between.
func (t *take) echo() {
	if t.Timing == nil || t.Program == nil {
		return
	}
	if t.Aligned && t.Timing.Origin < -earlyS*t.rate {
		t.early(-t.Timing.Origin/t.rate, fmt.Sprintf("The program arrives %.1f ms before it was played.", -1000*t.Timing.Origin/t.rate))
		return
	}
	var mark *clock.Mark
	for i := range t.Timing.Marks {
		if t.Timing.Marks[i].Found {
			mark = &t.Timing.Marks[i]
			break
		}
	}
	if mark == nil || t.Program.Mark.FromHz < 200 {
		return
	}
	bins, zero := t.arrivals(mark)
	if bins == nil {
		return
	}
	least := int(apartS / binS)
	peak := zero
	for i := range bins {
		if bins[i] > bins[peak] {
			peak = i
		}
	}
	quiet := func(lo, hi int, below float64) bool {
		if hi <= lo {
			return false
		}
		for _, v := range bins[lo:hi] {
			if v > below {
				return false
			}
		}
		return true
	}
	// Something before the strongest arrival, and silence between.
	first := -1
	for i := 0; i <= peak-least; i++ {
		if bins[i] > bins[peak]*scale.Power(precursors) && (first < 0 || bins[i] > bins[first]) {
			first = i
		}
	}
	if first >= 0 && quiet(first+3, peak-3, bins[first]*scale.Power(gapDropDB)) && (first < 3 || quiet(0, first-3, bins[first]*scale.Power(gapDropDB))) {
		ms := 1000 * float64(peak-first) * binS
		t.early(ms/1000, fmt.Sprintf("A weaker copy of the program, %.0f dB below, arrives %.1f ms before the sound, with silence in between.", scale.PowerDB(bins[peak]/bins[first]), ms))
		return
	}
	// Or the strongest is that copy, and the sound comes later. A room answers
	// at once: so long a silence after the first arrival is none.
	const long, fades = 16, 4 // bins
	for i := peak + fades; i < len(bins); i++ {
		if bins[i] > bins[peak]*scale.Power(afterDB) {
			if i >= peak+long {
				ms := 1000 * float64(i-peak) * binS
				t.early(ms/1000, fmt.Sprintf("The program arrives twice: %.1f ms after the first time, with silence in between, comes the sound.", ms))
			}
			return
		}
	}
}

func (t *take) early(s float64, what string) {
	t.add(Finding{Kind: EarlySound, Fault: true, Amount: 1000 * s, Unit: "ms", What: what,
		Effect: "A copy comes back inside the machine or over a cable and mixes with what the microphone hears.",
		Remedy: "Switch off the monitoring of the input, choose the microphone and not the computer's own output as input, and measure again."})
}

// arrivals returns the energy of the mark's impulse response in bins of binS, and
// the bin of the arrival that the mark was placed by.
func (t *take) arrivals(mark *clock.Mark) (bins []float64, zero int) {
	sound := t.Program.MarkSamples()
	before, after := int(beforeS*t.rate), int(afterS*t.rate)
	long := before + len(sound) + after
	from := int(math.Round(mark.At)) - before
	if from < 0 || from+long > len(t.x) {
		return nil, 0
	}
	n := fourier.FastLen(long + before)
	plan := fourier.Get(n)
	defer fourier.Put(plan)
	x := make([]float64, n)
	for i, v := range sound {
		x[i] = float64(v)
	}
	played := plan.Coefficients(nil, x)
	clear(x)
	var mean float64
	for _, v := range t.x[from : from+long] {
		mean += float64(v) / float64(long)
	}
	for i, v := range t.x[from : from+long] {
		x[i] = float64(v) - mean
	}
	heard := plan.Coefficients(nil, x)
	top := 0.0
	for _, v := range played {
		top = math.Max(top, real(v)*real(v)+imag(v)*imag(v))
	}
	step := t.rate / float64(n)
	lo, hi := math.Log(t.Program.Mark.FromHz*1.15), math.Log(t.Program.Mark.ToHz/1.15)
	for k, v := range heard {
		u := (math.Log(math.Max(1, float64(k)*step)) - lo) / (hi - lo)
		if u <= 0 || u >= 1 {
			heard[k] = 0
			continue
		}
		p := played[k]
		w := math.Sin(math.Pi * u)
		g := w * w / (real(p)*real(p) + imag(p)*imag(p) + 1e-4*top)
		heard[k] = v * complex(g*real(p), -g*imag(p))
	}
	c := plan.Sequence(x, heard)
	width := binS * t.rate
	count := int((beforeS + afterS) / binS)
	bins = make([]float64, count)
	for i := range bins {
		for j := int(float64(i) * width); j < int(float64(i+1)*width); j++ {
			bins[i] += c[j] * c[j]
		}
	}
	return bins, min(count-1, int(float64(before)/width))
}
