package inspect

import (
	"fmt"
	"math"
	"slices"

	"roomsonde/deconv/clock"
	"roomsonde/sweep"
)

// flatTop is how near the highest sample a row of equal ones may be one.
const flatTop = 0.5

// holes looks for stretches that were filled with zeros, or with one value.
func (t *take) holes() {
	var zeros, held []run
	var gated []run
	for _, r := range t.runs {
		if r.at+r.n <= t.from || r.at >= t.to || t.natural(r) {
			continue
		}
		// A recording may begin and end with nothing, but not within the program.
		margin := int(2 * marginS * t.rate) // a mark fades in from nothing
		if t.Timing == nil {
			margin = len(t.x)
		}
		if r.at <= t.block && r.n <= t.from+margin || r.at+r.n >= len(t.x)-t.block && (r.at >= t.to-margin || t.pause(r.at)) {
			continue
		}
		if r.value != 0 {
			// A flat top is clipping's business.
			top := math.Abs(float64(r.value)) > flatTop*t.peak && r.left*r.right > 0 && r.left*r.value < 0
			if top || r.n < 2*leastRun {
				continue
			}
			held = append(held, r)
			continue
		}
		if i, _ := t.when(r.at + r.n/2); i >= 0 && t.Program.Segments[i].Kind == sweep.KindSilence {
			if t.digital {
				continue // as before anything sounds: no wonder
			}
			if float64(r.n) > 0.05*t.rate {
				gated = append(gated, r)
				continue
			}
		}
		zeros = append(zeros, r)
	}
	pauses := map[int]bool{}
	for _, r := range gated {
		if i, _ := t.when(r.at + r.n/2); float64(r.n) > 0.2*t.rate {
			pauses[i] = true
		}
	}
	total := 0
	for _, r := range gated {
		total += r.n
	}
	if len(pauses) < 2 { // once: that is no gate
		zeros = append(zeros, gated...)
		slices.SortFunc(zeros, func(a, b run) int { return a.at - b.at })
		gated = nil
	}
	t.filled(zeros, "zeros")
	t.filled(held, "one and the same value")
	if len(gated) > 0 {
		first, last := gated[0], gated[len(gated)-1]
		t.add(Finding{Kind: NoiseGate, Fault: true, FromS: t.seconds(first.at), ToS: t.seconds(last.at + last.n), Amount: 1000 * t.seconds(total), Unit: "ms",
			What:   fmt.Sprintf("In the pauses the recording holds nothing but zeros for %.0f ms in all, first at %.3f s, though there is noise before the program.", 1000*t.seconds(total), t.seconds(first.at)),
			Effect: gateEffect, Remedy: voiceRemedy})
	}
}

// pause reports whether the program was silent at a frame.
func (t *take) pause(frame int) bool {
	i, _ := t.when(frame + t.block)
	return i >= 0 && t.Program.Segments[i].Kind == sweep.KindSilence
}

const (
	gateEffect  = "Something silences what is quiet: decay times come out too short, and the noise is not known."
	voiceRemedy = "Switch off voice processing, noise suppression and automatic gain in the system's sound settings and at the microphone, and measure again."
)

// filled reports holes.
func (t *take) filled(runs []run, with string) {
	if len(runs) == 0 {
		return
	}
	total := 0
	for _, r := range runs {
		total += r.n
		t.damaged = append(t.damaged, span{r.at, r.at + r.n})
		t.spoil(r.at, r.at+r.n)
	}
	first, last := runs[0], runs[len(runs)-1]
	what := fmt.Sprintf("%s %s filled with %s, %s", count(first.n, "frame"), isAre(first.n), with, t.described(first.at))
	if n := len(runs) - 1; n > 0 {
		what += fmt.Sprintf("; %s more, up to %.3f s", stretches(n), t.seconds(last.at))
	}
	_, hz := t.sweepAt(first.at)
	t.add(Finding{Kind: ZeroFilled, Fault: true, FromS: t.seconds(first.at), ToS: t.seconds(last.at + last.n), FromHz: hz, ToHz: hz, Amount: float64(total), Unit: "frames",
		What: what + ".", Effect: "What was there is lost: a buffer did not arrive in time.", Remedy: again})
}

func stretches(n int) string {
	if n == 1 {
		return "1 such stretch"
	}
	return fmt.Sprintf("%d such stretches", n)
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// longestRepeatS is longer than any buffer.
const longestRepeatS = 0.25

// repeats reports blocks that were repeated in place.
func (t *take) repeats() {
	// What repeats itself for long was played like that.
	copies := slices.DeleteFunc(merge(t.copies), func(c repeat) bool { return float64(c.n) > longestRepeatS*t.rate })
	if len(copies) == 0 {
		return
	}
	total := 0
	for _, c := range copies {
		total += c.n
		t.damaged = append(t.damaged, span{c.at - c.lag, c.at + c.n})
		t.spoil(c.at, c.at+c.n)
	}
	first, last := copies[0], copies[len(copies)-1]
	what := fmt.Sprintf("%s %s what came %.2f ms before, to the last bit, %s", count(first.n, "frame"), repeatVerb(first.n), 1000*t.seconds(first.lag), t.described(first.at))
	if n := len(copies) - 1; n > 0 {
		what += fmt.Sprintf("; %s more, up to %.3f s", stretches(n), t.seconds(last.at))
	}
	_, hz := t.sweepAt(first.at)
	t.add(Finding{Kind: Repeated, Fault: true, FromS: t.seconds(first.at), ToS: t.seconds(last.at + last.n), FromHz: hz, ToHz: hz, Amount: float64(total), Unit: "frames",
		What: what + ".", Effect: "An old buffer was delivered in place of a new one.", Remedy: again})
}

func repeatVerb(n int) string {
	if n == 1 {
		return "repeats"
	}
	return "repeat"
}

// cutOff reports sweeps that the recording does not hold from start to end.
func (t *take) cutOff() {
	var cut []string
	starts := t.Program.Starts(sweep.KindSweep)
	slack := int(0.01 * t.rate)
	for i, s := range starts {
		if t.at(s) < -slack || t.at(s+t.Program.Sweep.Frames) > len(t.x)+slack {
			t.report.Whole[i] = false
			cut = append(cut, fmt.Sprint(i+1))
		}
	}
	if len(cut) == 0 {
		return
	}
	f := Finding{Kind: CutOff, Fault: len(cut) == len(starts), ToS: t.seconds(len(t.x)), Amount: float64(len(cut)), Unit: "sweeps",
		What:   fmt.Sprintf("The recording starts too late or ends too early: %d of %s (number %s) not in it from start to end.", len(cut), count(len(starts), "sweep"), list(cut)),
		Effect: "The others alone make the result.", Remedy: "Record from before the program starts to after it ends."}
	if f.Fault {
		f.Effect = "What is missing of the sweep is missing in the result."
	}
	t.add(f)
}

// mostSkew is how far two clocks may be apart for an interval between marks to be
// taken for a whole one.
const mostSkew = 600e-6

// frames reports what the time marks say: frames lost or put in.
func (t *take) frames() {
	marks := t.Timing.Marks
	for _, j := range t.Timing.Jumps {
		sure := true
		// Of two intervals that disagree either may be the whole one.
		if other, ok := t.otherJump(j); ok {
			sure = false
			// What was put in is mostly a copy, or zeros, and has been found as such.
			if evident := t.evident(j) != t.evident(other); evident && t.evident(other) || !evident && j.Frames > 0 {
				j = other
			}
		}
		from, to := t.at(j.From), t.at(j.To)
		f := Finding{Kind: LostFrames, Fault: true, FromS: t.seconds(from), ToS: t.seconds(to), Amount: math.Abs(j.Frames), Unit: "frames",
			Effect: "All that came later is shifted: a swept response hides this as a harmless-looking delay, and its phase is wrong.", Remedy: again}
		verb, way := "lost", "close together"
		if j.Frames > 0 {
			f.Kind, verb, way = ExtraFrames, "put in", "far apart"
		}
		f.What = fmt.Sprintf("%s frames were %s between %.2f and %.2f s: the marks on either side are that much too %s.", digits(math.Abs(j.Frames)), verb, f.FromS, f.ToS, way)
		if !sure {
			f.What = fmt.Sprintf("%s frames were %s between %.2f and %.2f s, or the opposite happened in the other interval: the marks on either side are that much too %s, compared with the others.", digits(math.Abs(j.Frames)), verb, f.FromS, f.ToS, way)
		}
		for i, start := range t.Program.Starts(sweep.KindSweep) {
			if !sure || start+t.Program.Sweep.Frames > j.From && start < j.To {
				t.report.Whole[i] = false
			}
		}
		t.damaged = append(t.damaged, span{from, to})
		t.add(f)
	}
	t.judgeMarks(marks)
	t.compareMarks()
	t.judgeQuiet()
	switch {
	case len(marks) == 2 && t.Program.Options.Sweeps == 1:
		t.add(Finding{Kind: QuickForm, What: "One sweep between two marks cannot tell lost frames from a clock that runs differently.",
			Effect: "The frames of this recording are not proven complete.", Remedy: "Measure with two sweeps where it matters."})
	case len(marks) == 0:
		t.add(Finding{Kind: QuickForm, What: "There are no time marks.", Effect: "Neither lost frames nor the difference between the clocks can be told.", Remedy: "Measure with marks where it matters."})
	}
}

// otherJump returns what happened if the jump lies in the other of two intervals,
// and whether that is as likely.
func (t *take) otherJump(j clock.Jump) (clock.Jump, bool) {
	marks := t.Timing.Marks
	if len(marks) != 3 || len(t.Timing.Jumps) != 1 || !marks[0].Found || !marks[1].Found || !marks[2].Found {
		return j, false
	}
	interval := func(a, b clock.Mark) (played, recorded float64) {
		return float64(b.Segment.Start - a.Segment.Start), b.At - a.At
	}
	this, other := [2]clock.Mark{marks[0], marks[1]}, [2]clock.Mark{marks[1], marks[2]}
	if j.From > marks[1].Segment.Start {
		this, other = other, this
	}
	played, recorded := interval(this[0], this[1])
	skew := played/recorded - 1
	unlikely := math.Abs(skew) > mostSkew
	if t.HistorySkew != nil {
		unlikely = math.Abs(skew-*t.HistorySkew) > 2*math.Abs(t.Timing.Skew-*t.HistorySkew)
	}
	if unlikely {
		return j, false
	}
	j.From, j.To = other[0].Segment.Start+other[0].Segment.Frames, other[1].Segment.Start
	j.Frames = -j.Frames
	return j, true
}

// evident reports whether a jump that put frames in shows where it did: as a copy
// or as zeros.
func (t *take) evident(j clock.Jump) bool {
	if j.Frames < 0 {
		return false
	}
	from, to := t.at(j.From), t.at(j.To)
	for _, c := range merge(t.copies) {
		if c.at > from && c.at < to && math.Abs(float64(c.n)-j.Frames) < 2+0.5*j.Frames {
			return true
		}
	}
	return t.damagedAt(from, to, 0)
}

// driver reports what the driver itself said.
func (t *take) driver() {
	n := t.Overflows + t.Underflows
	if n == 0 {
		return
	}
	var parts []string
	if t.Overflows > 0 {
		parts = append(parts, count(t.Overflows, "buffer")+" lost on the way in")
	}
	if t.Underflows > 0 {
		parts = append(parts, count(t.Underflows, "buffer")+" missing on the way out")
	}
	f := Finding{Kind: DriverReport, Fault: true, Amount: float64(n), Unit: "buffers", What: "The driver reports " + list(parts) + ".",
		Effect: "Frames are missing from the recording, or from what was played.", Remedy: again}
	if t.proven() {
		f.Fault = false
		f.Effect = "The marks and the two sweeps show that all frames from the first mark to the last are there all the same."
		f.Remedy = ""
	} else {
		for i := range t.report.Whole {
			t.report.Whole[i] = false
		}
	}
	t.add(f)
}

// proven reports whether the recording proves itself whole.
func (t *take) proven() bool {
	if t.Timing == nil || !t.Timing.Known || len(t.Timing.Marks) < 3 || len(t.Timing.Jumps) > 0 || t.report.Faulty() {
		return false
	}
	for _, m := range t.Timing.Marks {
		if !m.Found {
			return false
		}
	}
	return true
}
