package inspect

import (
	"fmt"
	"math"

	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

const (
	// joltCrest is how far the second difference must stand out of its
	// surroundings, re their rms: noise reaches 6 in a minute of samples.
	joltCrest = 9
	joltSteps = 8 // steps between sample values, at least
	// notchS is how far the same place may be off in the other sweep.
	notchS = 0.001
)

// jolt is a place where the waveform breaks.
type jolt struct {
	at   int
	step bool
	size float64
}

// jolts looks for steps and clicks: single samples that do not follow from the
// ones before.
func (t *take) jolts() {
	var found []jolt
	var last int
	for b := t.from / t.block; b*t.block < t.to; b++ {
		if b >= len(t.blocks) || b == 0 || b+1 >= len(t.blocks) {
			continue
		}
		size := float64(t.blocks[b].d2max)
		if size < joltSteps*t.quantum {
			continue
		}
		n := float64(t.block)
		own := math.Max(0, t.blocks[b].d2sq-2.6*size*size) / n
		around := max(own, t.blocks[b-1].d2sq/n, t.blocks[b+1].d2sq/n)
		if around == 0 || size*size < joltCrest*joltCrest*around {
			continue
		}
		at := int(t.blocks[b].d2at)
		if at < t.from+16 || at > t.to-16 || t.damagedAt(at-2, at+3, 2*t.block) || at-last < t.block {
			continue
		}
		last = at
		if t.twice(at, size) || t.atEdge(at) {
			continue // the loudspeaker's own, or the program's
		}
		j := jolt{at: at, size: size}
		j.step = t.stepAt(at)
		found = append(found, j)
		if len(found) > 1000 {
			break
		}
	}
	for _, kind := range []bool{true, false} {
		var same []jolt
		for _, j := range found {
			if j.step == kind {
				same = append(same, j)
			}
		}
		if len(same) == 0 {
			continue
		}
		first, end := same[0], same[len(same)-1]
		most := 0.0
		during := false
		for _, j := range same {
			most = math.Max(most, j.size)
			i, _ := t.when(j.at)
			during = during || i < 0 || t.Program.Segments[i].Kind != sweep.KindSilence
		}
		_, hz := t.sweepAt(first.at)
		f := Finding{Kind: Burst, Fault: during, FromS: t.seconds(first.at), ToS: t.seconds(end.at + 1), FromHz: hz, ToHz: hz, Amount: scale.AmplitudeDB(most), Unit: "dBFS"}
		what := "A click"
		f.Effect, f.Remedy = "It disturbs the response over the whole range.", "Measure again."
		if kind {
			f.Kind, what = Step, "The waveform jumps"
			f.Fault = true
			f.Effect, f.Remedy = "Samples before and after do not belong together: a buffer was lost, or the input has a bad contact.", again
			for _, j := range same {
				t.spoil(j.at, j.at+1)
			}
		}
		f.What = fmt.Sprintf("%s %s, by %.0f dBFS", what, t.described(first.at), f.Amount)
		if len(same) > 1 {
			f.What += fmt.Sprintf("; %d more, up to %.3f s", len(same)-1, t.seconds(end.at))
		}
		f.What += "."
		t.add(f)
	}
}

// edgeS is how far from the start or the end of a sound a click may be its own.
const edgeS = 0.003

// atEdge reports whether a frame is where a sweep or a mark begins or ends: a sweep
// that ends at half the sample rate ends with a click wherever a low-pass cuts its
// last part off.
func (t *take) atEdge(at int) bool {
	if t.Program == nil || t.Timing == nil {
		return false
	}
	near := int(edgeS * t.rate)
	for _, seg := range t.Program.Segments {
		if seg.Kind == sweep.KindSilence {
			continue
		}
		for _, edge := range []int{seg.Start, seg.Start + seg.Frames} {
			if d := at - t.at(edge); d > -near && d < near {
				return true
			}
		}
	}
	return false
}

// stepAt reports whether the waveform goes on at another level: a straight line
// through what comes before misses what comes after.
func (t *take) stepAt(at int) bool {
	const side = 6
	lo, hi := at-side, at+side+1
	if lo < 0 || hi+1 > len(t.x) {
		return false
	}
	line := func(from int) (mean, slope float64) {
		var sxy, sxx float64
		for i := range side - 1 {
			mean += float64(t.x[from+i]) / (side - 1)
		}
		for i := range side - 1 {
			d := float64(i) - (side-2)/2.0
			sxy += d * float64(t.x[from+i])
			sxx += d * d
		}
		return mean, sxy / sxx
	}
	before, s1 := line(at - side)
	after, s2 := line(at + 2)
	middle := float64(at) + 0.5
	left := before + s1*(middle-(float64(at-side)+(side-2)/2.0))
	right := after + s2*(middle-(float64(at+2)+(side-2)/2.0))
	var jump float64
	for i := at - 1; i < at+2; i++ {
		jump = math.Max(jump, math.Abs(float64(t.x[i+1])-float64(t.x[i])))
	}
	return math.Abs(right-left) > 0.5*jump
}

// twice reports whether the waveform breaks in another sweep at the same place of
// the program.
func (t *take) twice(at int, size float64) bool {
	number, _ := t.sweepAt(at)
	if number < 0 {
		return false
	}
	starts := t.Program.Starts(sweep.KindSweep)
	since := float64(at) - t.place(float64(starts[number]))
	reach := int(notchS * t.rate)
	for i, s := range starts {
		if i == number {
			continue
		}
		middle := int(t.place(float64(s)) + since)
		for k := max(2, middle-reach); k < min(len(t.x), middle+reach); k++ {
			d := float64(t.x[k]) - 2*float64(t.x[k-1]) + float64(t.x[k-2])
			if math.Abs(d) > 0.5*size {
				return true
			}
		}
	}
	return false
}
