package inspect

import (
	"fmt"
	"math"
	"slices"

	"roomsonde/sweep/scale"
)

// clipWidths are how far below the highest sample, as a part of it, a sample
// counts as at the top: from exactly equal to what a converter's noise adds to
// a flat top.
var clipWidths = []float64{2e-6, 1e-4, 5e-4, 1e-3, 2e-3, 4e-3}

const (
	clipLeast = 8 // samples at the top, at least
	// clipRatio: within w of the top of a smooth curve lie √(2w)/π of a period's
	// samples, and from there to 4w as many again; of a curve that is flat to the
	// fourth order, 2.4 times fewer. At a flat top there are hardly any.
	clipRatio = 4
	// Of many samples less needs to be asked.
	clipMany, clipManyRatio = 20, 3
	noiselessDBFS           = -120
	fullScale               = 32767.0 / 32768
)

// side is one side's top and the samples near it.
type side struct {
	sign  float32
	top   float64
	depth []float64 // how far below the top
	at    []int32
}

// clipping looks for flat tops.
func (t *take) clipping() {
	sides := [2]side{{sign: 1}, {sign: -1}}
	deepest := 4 * clipWidths[len(clipWidths)-1]
	for s := range sides {
		l := &sides[s]
		edge := func(b block) float64 {
			if l.sign > 0 {
				return float64(b.max)
			}
			return -float64(b.min)
		}
		for _, b := range t.blocks {
			l.top = math.Max(l.top, edge(b))
		}
		if l.top <= 0 {
			continue
		}
		least := l.top*(1-deepest) - 4*t.quantum
		for i, b := range t.blocks {
			if edge(b) < least {
				continue
			}
			lo, hi := i*t.block, min((i+1)*t.block, len(t.x))
			limit := float32(least)
			for j, v := range t.x[lo:hi] {
				if v *= l.sign; v >= limit {
					l.depth = append(l.depth, l.top-float64(v))
					l.at = append(l.at, int32(lo+j))
				}
			}
		}
	}
	// Without noise a mark is the same each time, and so is its highest sample.
	copies := 1
	if t.Timing != nil && t.report.NoiseS > 0 && t.report.NoiseDBFS < noiselessDBFS {
		copies = max(1, len(t.Timing.Marks), len(t.report.Whole))
	}
	for _, w := range clipWidths {
		var tops, nexts [2]int
		var limits [2]float64
		for s, l := range sides {
			if l.top <= 0 {
				continue
			}
			width := w * l.top
			if t.quantum > 0 {
				width = math.Ceil(width/t.quantum) * t.quantum
			}
			limits[s] = width - t.quantum/2
			for _, d := range l.depth {
				if d < limits[s] {
					tops[s]++
				} else if d < 4*width-t.quantum/2 {
					nexts[s]++
				}
			}
		}
		flat := func(top, next int) bool {
			return top >= copies*min(clipLeast+clipRatio*next/copies, clipMany+clipManyRatio*next/copies)
		}
		var hit [2]bool
		for s := range sides {
			// At full scale there is a reason to expect it.
			full := sides[s].top >= fullScale*0.99999 && sides[s].top <= 1 && tops[s] >= 3*copies+clipRatio*nexts[s]
			hit[s] = flat(tops[s], nexts[s]) || full
		}
		if !hit[0] && !hit[1] && flat(tops[0]+tops[1], nexts[0]+nexts[1]) {
			hit = [2]bool{tops[0] > 0, tops[1] > 0}
		}
		if hit[0] || hit[1] {
			t.clippedAt(sides, limits, hit)
			return
		}
	}
	t.leaning()
}

const (
	leanTop    = 0.7  // of the highest sample: there tops are looked at
	leanBlocks = 400  // of 5 ms, the loudest
	leanStep   = 0.25 // Hz
	leanHalf   = 64   // steps either way
	leanLeast  = 16   // samples
	leanRatio  = 4    // re those that lean the other way
	leanNext   = 3    // re those that lean more, or less
)

// leanWidths are the widths of a heap, in steps, to either side: what noise makes of
// the slope.
var leanWidths = []int{0, 1, 3, 7}

// leaning looks for flat tops from before a high-pass of first order, as the capacitor
// at an input is one: there they decay towards zero, all by the same rate,
// dy/dt = −2πf·y, f being the corner. Tops of a sound lean to either side alike.
func (t *take) leaning() {
	// What is clipped is what is loudest.
	var edges []float32
	for _, b := range t.blocks {
		if edge := max(b.max, -b.min); edge >= float32(leanTop*t.peak) {
			edges = append(edges, edge)
		}
	}
	slices.Sort(edges)
	if len(edges) == 0 {
		return
	}
	least := edges[max(0, len(edges)-leanBlocks)]
	// Long steps tell a slope more exactly, short ones the tops of high notes.
	for _, reach := range []int{2, 1} {
		if t.leaningBy(reach, least) {
			return
		}
	}
}

// leaningBy takes the slope between samples so far before and after, in blocks whose
// highest sample is at least so high.
func (t *take) leaningBy(reach int, least float32) bool {
	var heap [2*leanHalf + 1]int
	limit := float32(leanTop * t.peak)
	toSteps := float32(-t.rate / (2 * math.Pi * float64(2*reach) * leanStep))
	stepOf := func(n int, y float32) (step int, ok bool) {
		lean := (t.x[n+reach]-t.x[n-reach])*toSteps/y + leanHalf + 0.5
		if !(lean >= 0 && lean < 2*leanHalf+1) {
			return 0, false
		}
		return int(lean) - leanHalf, true
	}
	each := func(do func(lo, hi int)) {
		for i, b := range t.blocks {
			if b.max >= least || -b.min >= least {
				do(max(reach, i*t.block), min((i+1)*t.block, len(t.x)-reach))
			}
		}
	}
	each(func(lo, hi int) {
		for n := lo; n < hi; n++ {
			if y := t.x[n]; y >= limit || -y >= limit {
				if step, ok := stepOf(n, y); ok {
					heap[step+leanHalf]++
				}
			}
		}
	})
	sum := func(from, to int) (n int) {
		for k := max(0, from+leanHalf); k <= min(2*leanHalf, to+leanHalf); k++ {
			n += heap[k]
		}
		return n
	}
	best, middle, width := 0, 0, 0
	for _, w := range leanWidths {
		for k := w + 1; k+w <= leanHalf; k++ {
			n := sum(k-w, k+w)
			if n < leanLeast || n <= best {
				continue
			}
			// As many steps on either side, some way off.
			beside := (sum(k-4*w-3, k-2*w-2) + sum(k+2*w+2, k+4*w+3)) / 2 * (2*w + 1) / (2*w + 2)
			if n >= leanLeast+max(leanRatio*sum(-k-w, -k+w), leanNext*beside) {
				best, middle, width = n, k, w
			}
		}
		if best > 0 {
			break
		}
	}
	if best == 0 {
		return false
	}
	var at []int
	each(func(lo, hi int) {
		for n := lo; n < hi; n++ {
			if y := t.x[n]; y >= limit || -y >= limit {
				if step, ok := stepOf(n, y); ok && step >= middle-width && step <= middle+width {
					at = append(at, n)
				}
			}
		}
	})
	t.clippedTops(at, t.peak, float64(middle)*leanStep)
	return true
}

// clippedAt reports the samples within limits of the tops that were hit.
func (t *take) clippedAt(sides [2]side, limits [2]float64, hit [2]bool) {
	var at []int
	var top float64
	for s, l := range sides {
		if !hit[s] {
			continue
		}
		top = math.Max(top, l.top)
		for i, d := range l.depth {
			if d < limits[s] {
				at = append(at, int(l.at[i]))
			}
		}
	}
	slices.Sort(at)
	t.clippedTops(at, top, 0)
}

// clippedTops reports samples at flat tops, the highest at top, from before a
// high-pass (0: none).
func (t *take) clippedTops(at []int, top, highPassHz float64) {
	lowHz, highHz := math.Inf(1), 0.0
	// Samples of the same stretch belong together.
	gap := int(0.1 * t.rate)
	for i := 0; i < len(at); {
		j := i
		for j+1 < len(at) && at[j+1]-at[j] <= gap {
			j++
		}
		t.damaged = append(t.damaged, span{at[i], at[j] + 1})
		t.spoil(at[i], at[j]+1)
		for _, frame := range []int{at[i], at[j]} {
			if number, hz := t.sweepAt(frame); number >= 0 {
				lowHz, highHz = math.Min(lowHz, hz), math.Max(highHz, hz)
			}
		}
		i = j + 1
	}
	where := fmt.Sprintf("between %.3f and %.3f s", t.seconds(at[0]), t.seconds(at[len(at)-1]+1))
	if highHz == 0 {
		lowHz = 0
	} else {
		where += fmt.Sprintf(", as the sweep passed %s to %s", hertz(lowHz), hertz(highHz))
	}
	db := scale.AmplitudeDB(top)
	f := Finding{Kind: Clipping, Fault: true, FromS: t.seconds(at[0]), ToS: t.seconds(at[len(at)-1] + 1), FromHz: lowHz, ToHz: highHz, Amount: db, Unit: "dBFS",
		Effect: "The level is too low there, and distortion appears that neither loudspeaker nor room has."}
	if highPassHz > 0 {
		f.What = fmt.Sprintf("The sound was clipped before it reached the input, where a high-pass of about %s Hz makes that hard to see: %s %s.", digits(highPassHz), count(len(at), "sample"), where)
		f.Remedy = "The microphone or its own amplifier is overloaded: lower the output level by 6 dB, or the microphone's own gain, and measure again. Lowering the level behind it does not help."
	} else if top >= fullScale*0.999 {
		f.What = fmt.Sprintf("The recording is clipped at full scale: %s %s.", count(len(at), "sample"), where)
		f.Remedy = "Lower the input gain, or the output level, by 6 dB and measure again."
	} else {
		f.What = fmt.Sprintf("The recording is clipped below full scale, at %.1f dBFS: %s %s.", db, count(len(at), "sample"), where)
		f.Remedy = "Something in front of the converter is overloaded: lower the output level by 6 dB, or the microphone's own gain, and measure again. Lowering the level behind the converter does not help."
	}
	t.add(f)
}
