package inspect

import (
	"fmt"
	"math"
	"slices"

	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

const (
	absurd    = 1e4 // re full scale: no sound, and what is worked out from it is nothing else
	beyond    = 4   // re full scale: it is scaled in some other way
	offsetDB  = -40 // dBFS: a constant that is worth a word
	offsetTop = 0.3 // and one that is a fault
)

// unusable reports samples that are no numbers, or that are larger than any sound,
// and returns whether there are any.
func (t *take) unusable() bool {
	var first, bad, none int
	most := 0.0
	for i, b := range t.blocks {
		if b.sq < absurd*absurd { // false of what is no number
			continue
		}
		for j, v := range t.x[i*t.block : min((i+1)*t.block, len(t.x))] {
			a := math.Abs(float64(v))
			if a < absurd {
				continue
			}
			if bad++; bad == 1 {
				first = i*t.block + j
			}
			if math.IsNaN(a) || math.IsInf(a, 0) {
				none++
			} else {
				most = math.Max(most, a)
			}
		}
	}
	if bad == 0 {
		return false
	}
	for i := range t.report.Whole {
		t.report.Whole[i] = false
	}
	what := fmt.Sprintf("up to %.3g times full scale", most)
	if none == bad {
		what = "no numbers at all"
	} else if none > 0 {
		what += ", or no numbers at all"
	}
	t.peak = most
	t.report.PeakDBFS = scale.AmplitudeDB(most)
	t.add(Finding{Kind: OutOfRange, Fault: true, FromS: t.seconds(first), ToS: t.seconds(len(t.x)), Amount: float64(bad), Unit: "samples",
		What:   fmt.Sprintf("%s %s no sound: %s, the first at %.3f s.", count(bad, "sample"), isAre(bad), what, t.seconds(first)),
		Effect: "The recording is damaged, and so is all that is worked out from it.",
		Remedy: "Record or export it once more, as 16 or 24 bit or as 32-bit float within ±1."})
	return true
}

// levelsOut reports a recording that goes far beyond full scale, and a constant on
// all of it.
func (t *take) levelsOut() {
	if t.peak > beyond {
		db := scale.AmplitudeDB(t.peak)
		t.add(Finding{Kind: OutOfRange, Fault: true, ToS: t.seconds(len(t.x)), Amount: db, Unit: "dBFS",
			What:   fmt.Sprintf("The recording goes up to %.3g times full scale (%+.0f dBFS), which no converter delivers.", t.peak, db),
			Effect: "All levels are wrong by a factor that is not known.",
			Remedy: "Export it without any gain, as 16 or 24 bit or as 32-bit float within ±1."})
	}
	// A constant is there all the time: a step, or slow noise, is not.
	const parts = 8
	var least, sign float64
	for k := range parts {
		lo, hi := len(t.blocks)*k/parts, len(t.blocks)*(k+1)/parts
		var sum float64
		for _, b := range t.blocks[lo:hi] {
			sum += b.sum
		}
		n := min(hi*t.block, len(t.x)) - lo*t.block
		if n <= 0 {
			return
		}
		mean := sum / float64(n)
		if k == 0 {
			least, sign = math.Abs(mean), mean
		}
		if least = math.Min(least, math.Abs(mean)); mean*sign <= 0 {
			return
		}
	}
	if least < scale.Amplitude(offsetDB) {
		return
	}
	f := Finding{Kind: Offset, Fault: least > offsetTop, ToS: t.seconds(len(t.x)), Amount: math.Copysign(100*least, sign), Unit: "%",
		What:   fmt.Sprintf("The recording is off centre by %.0f %% of full scale: the input delivers a constant voltage.", math.Copysign(100*least, sign)),
		Effect: "The result does not hold it, but loud sounds are clipped earlier on that side."}
	if f.Fault {
		f.Effect = "The input hardly has room left for the sound: it may be clipped, or be out of order."
		f.Remedy = "Try another input or cable, and see whether the microphone gets the supply that it needs."
	}
	t.add(f)
}

// otherSound reports what is as loud as the program before it begins or after it
// ends, and as long as a sweep: another measurement, perhaps.
func (t *take) otherSound() {
	if len(t.Timing.Marks) == 0 {
		return
	}
	starts := t.Program.Starts(sweep.KindSweep)
	s := t.part(starts[0], starts[0]+t.Program.Sweep.Frames)
	var powers []float64
	for _, b := range t.blocks[s.from/t.block : s.to/t.block] {
		powers = append(powers, b.sq)
	}
	if len(powers) == 0 {
		return
	}
	slices.Sort(powers)
	loud := powers[len(powers)/2] / 4 // of a sweep, half lies above that and more
	noise := t.heard.mean * float64(t.block)
	if loud < 16*noise {
		return
	}
	after := min(len(t.blocks), t.at(t.Program.Frames)/t.block+1)
	before := max(0, t.at(0)/t.block)
	for _, side := range []struct {
		lo, hi int
		word   string
	}{{after, len(t.blocks), "after the program's end"}, {0, before, "before the program's start"}} {
		count, first := 0, 0
		for i := side.lo; i < side.hi; i++ {
			if t.blocks[i].sq > loud {
				if count++; count == 1 {
					first = i
				}
			}
		}
		if count < len(powers)/3 {
			continue
		}
		at := t.seconds(first * t.block)
		t.add(Finding{Kind: OtherSound, FromS: at, ToS: t.seconds(min(side.hi*t.block, len(t.x))), Amount: t.seconds(count * t.block), Unit: "s",
			What:   fmt.Sprintf("From %.2f s on, %s, there is more that is as loud: %.0f s of it, perhaps another measurement.", at, side.word, t.seconds(count*t.block)),
			Effect: fmt.Sprintf("Only the program that starts at %.2f s was looked at.", t.seconds(max(0, t.at(0)))),
			Remedy: "To have the other one worked out, cut the recording in two."})
	}
}
