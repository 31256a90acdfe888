package inspect

import (
	"fmt"
	"math"
	"slices"
	"strings"

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
			if t.digital || t.shut {
				continue // as before anything sounds: no wonder; or the gate's
			}
			if float64(r.n) > 0.05*t.rate {
				gated = append(gated, r)
				continue
			}
		}
		if t.coarse(r) {
			continue
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
	t.onlyPauses = !slices.ContainsFunc(zeros, func(r run) bool { return !t.pause(r.at) || !t.pause(r.at+r.n) })
	t.filled(zeros, "zeros")
	t.filled(held, "one and the same value")
	if len(gated) > 0 {
		first, last := gated[0], gated[len(gated)-1]
		t.add(Finding{Kind: NoiseGate, Fault: true, FromS: t.seconds(first.at), ToS: t.seconds(last.at + last.n), Amount: 1000 * t.seconds(total), Unit: "ms",
			What:   fmt.Sprintf("In the pauses the recording holds nothing but zeros for %.0f ms in all, first at %.3f s, though there is noise before the program.", 1000*t.seconds(total), t.seconds(first.at)),
			Effect: gateEffect, Remedy: voiceRemedy})
	}
}

// coarse reports whether a row of zeros in a recording of few bits is no wonder: what
// is smaller than half a step comes out as zeros, and it begins and ends by one.
func (t *take) coarse(r run) bool {
	const steps = 512 // 8 bits and less
	step := float32(1.5 * t.quantum)
	return t.quantum*steps > t.peak && max(r.left, -r.left) <= step && max(r.right, -r.right) <= step
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
	spans := make([]span, len(runs))
	for i, r := range runs {
		spans[i] = span{r.at, r.at + r.n}
		t.damaged = append(t.damaged, spans[i])
		t.spoil(r.at, r.at+r.n)
	}
	t.stretches(ZeroFilled, spans, func(n int) string { return isAre(n) + " filled with " + with }, "What was there is lost: a buffer did not arrive in time.")
}

// stretches reports stretches of frames that are not as they arrived. of says what
// became of so many frames.
func (t *take) stretches(kind Kind, spans []span, of func(n int) string, effect string) {
	if len(spans) == 0 {
		return
	}
	total := 0
	for _, s := range spans {
		total += s.to - s.from
	}
	first, last := spans[0], spans[len(spans)-1]
	n := first.to - first.from
	what := fmt.Sprintf("%s %s, %s", count(n, "frame"), of(n), t.described(first.from))
	if more := len(spans) - 1; more > 0 {
		such := "1 such stretch"
		if more > 1 {
			such = fmt.Sprintf("%d such stretches", more)
		}
		what += fmt.Sprintf("; %s more, up to %.3f s", such, t.seconds(last.from))
	}
	_, hz := t.sweepAt(first.from)
	t.add(Finding{Kind: kind, Fault: true, FromS: t.seconds(first.from), ToS: t.seconds(last.to), FromHz: hz, ToHz: hz, Amount: float64(total), Unit: "frames",
		What: what + ".", Effect: effect, Remedy: again})
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// longestRepeatS is longer than any buffer.
const longestRepeatS = 0.25

// repeats looks for blocks that were repeated in place.
func (t *take) repeats() {
	t.copies = slices.DeleteFunc(merge(t.copies), func(c repeat) bool {
		// What repeats itself for long was played like that. And flat tops are alike:
		// where it is clipped, only a block that comes twice in a row counts.
		return float64(c.n) > longestRepeatS*t.rate || (c.n < c.lag || c.n > c.lag+2) && t.damagedAt(c.at, c.at+c.n, 0)
	})
	for _, c := range t.copies {
		t.damaged = append(t.damaged, span{c.at - c.lag, c.at + c.n})
		t.spoil(c.at, c.at+c.n)
	}
}

// repeated reports the blocks that were repeated, but for those that explain frames
// that were put in.
func (t *take) repeated() {
	var spans []span
	lag := 0
	for _, c := range t.copies {
		if !c.told {
			if len(spans) == 0 {
				lag = c.lag
			}
			spans = append(spans, span{c.at, c.at + c.n})
		}
	}
	t.stretches(Repeated, spans, func(n int) string {
		return fmt.Sprintf("%s what came %.2f ms before, to the last bit", repeatVerb(n), 1000*t.seconds(lag))
	}, "An old buffer was delivered in place of a new one.")
}

func repeatVerb(n int) string {
	if n == 1 {
		return "repeats"
	}
	return "repeat"
}

// cutOff reports what of the program the recording does not hold from start to end.
func (t *take) cutOff() {
	starts := t.Program.Starts(sweep.KindSweep)
	slack := int(0.01 * t.rate)
	var sweeps, marks []string
	late, early := false, false
	var hardly []int // which lack the end of the room's answer
	for i, s := range starts {
		end := s + t.Program.Sweep.Frames
		before, after := t.at(s) < -slack, t.at(end) > len(t.x)+slack
		short := len(starts) > 1 && len(t.Timing.Marks) > 0 && t.at(end+t.Program.Tail()) > len(t.x)+slack
		switch {
		case before || after:
			t.report.Whole[i] = false
		case short:
			hardly = append(hardly, i)
		default:
			continue
		}
		sweeps = append(sweeps, fmt.Sprint(i+1))
		late, early = late || before, early || after || short
	}
	if len(sweeps) < len(starts) {
		for _, i := range hardly { // better without it, where there is another
			t.report.Whole[i] = false
		}
	}
	outside := func(m clock.Mark) bool {
		before, after := t.outside(m)
		late, early = late || before, early || after
		return before || after
	}
	for i, m := range t.Timing.Marks {
		if outside(m) {
			marks = append(marks, fmt.Sprint(i+1))
		}
	}
	quiet := slices.ContainsFunc(t.Timing.Quiet, outside)
	missing := len(sweeps) + len(marks)
	if missing == 0 && !quiet {
		return
	}
	f := Finding{Kind: CutOff, Fault: missing > 0, ToS: t.seconds(len(t.x)), Amount: float64(max(1, missing)), Unit: "parts",
		Remedy: "Record from before the program starts to after it ends."}
	var parts, how []string
	if len(sweeps) > 0 {
		parts = append(parts, numbered("sweep", sweeps))
	}
	if len(marks) > 0 {
		parts = append(parts, numbered("time mark", marks))
	}
	if missing == 0 {
		parts = append(parts, "the quiet mark")
	}
	if late {
		how = append(how, "starts too late")
	}
	if early {
		how = append(how, "ends too early")
	}
	f.What = fmt.Sprintf("The recording %s: %s %s not in it from start to end.", list(how), list(parts), isAre(max(1, missing)))
	switch {
	case len(sweeps) == len(starts):
		f.Effect = "What is missing of the sweep is missing in the result."
	case len(sweeps) > 0:
		f.Effect = "The result comes from what is left, and nothing proves that whole."
	case len(marks) > 0:
		f.Effect = "Nothing proves the sweeps whole: frames may be lost without a trace, and the clocks of player and recorder are told less surely, or not at all."
		if len(starts) == 1 {
			f.Kind = MarkDamaged // the sweep itself is whole
		}
	default:
		f.Effect = "Whether automatic gain or compression was at work cannot be told."
	}
	t.add(f)
}

// outside reports whether a mark was not found since the recording starts after its
// start, or ends before its end.
func (t *take) outside(m clock.Mark) (late, early bool) {
	if m.Found {
		return false, false
	}
	return t.at(m.Segment.Start) < 0, t.at(m.Segment.Start+m.Segment.Frames) > len(t.x)
}

// numbered names some of several: "sweeps 1 and 2".
func numbered(noun string, numbers []string) string {
	if len(numbers) > 1 {
		noun += "s"
	}
	return noun + " " + list(numbers)
}

// mostSkew is how far two clocks may be apart for an interval between marks to be
// taken for a whole one.
const mostSkew = 600e-6

// frames reports what the time marks say: frames lost or put in.
func (t *take) frames() {
	marks := t.Timing.Marks
	for _, j := range t.Timing.Jumps {
		// Of two intervals that disagree either may be the whole one.
		other, open := t.otherJump(j)
		if open {
			// What was put in is mostly a copy, or zeros, and has been found as such.
			if evident := t.evident(j) != t.evident(other); evident && t.evident(other) || !evident && j.Frames > 0 {
				j, other = other, j
			}
		}
		from, to := t.at(j.From), t.at(j.To)
		f := Finding{Kind: LostFrames, Fault: true, FromS: t.seconds(from), ToS: t.seconds(to), Amount: math.Abs(j.Frames), Unit: "frames",
			Effect: "All that came later is shifted: a swept response hides this as a harmless-looking delay, and its phase is wrong.", Remedy: again}
		if j.Frames > 0 {
			f.Kind = ExtraFrames
		}
		n := digits(math.Abs(j.Frames)) + " frames"
		if math.Abs(math.Abs(j.Frames)-1) < 0.05 {
			n = "1 frame"
		}
		if c := t.putIn(j); c != nil {
			c.told = true
			from, to = c.at-c.lag, c.at+c.n
			f.FromS, f.ToS = t.seconds(c.at), t.seconds(c.at+c.n)
			f.What = fmt.Sprintf("%s %s, %s: %s what came %.2f ms before, to the last bit.", n, lostOrPutIn(j.Frames), t.described(c.at), theyRepeat(c.n), 1000*t.seconds(c.lag))
		} else if open && !t.evident(j) {
			f.What = fmt.Sprintf("%s %s between %.2f and %.2f s, or %s between %.2f and %.2f s: the distances between the time marks differ by so much, and which of them is right cannot be told.",
				n, lostOrPutIn(j.Frames), f.FromS, f.ToS, strings.TrimPrefix(lostOrPutIn(other.Frames), "were "), t.seconds(t.at(other.From)), t.seconds(t.at(other.To)))
		} else {
			f.What = fmt.Sprintf("%s %s between %.2f and %.2f s: the time marks on either side are that much too %s.", n, lostOrPutIn(j.Frames), f.FromS, f.ToS, wayOff(j.Frames))
		}
		for i, start := range t.Program.Starts(sweep.KindSweep) {
			if open || start+t.Program.Sweep.Frames > j.From && start < j.To {
				t.report.Whole[i] = false
			}
		}
		t.damaged = append(t.damaged, span{from, to})
		t.add(f)
	}
	t.repeated()
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

func wayOff(jump float64) string {
	if jump > 0 {
		return "far apart"
	}
	return "close together"
}

func theyRepeat(n int) string {
	if n == 1 {
		return "it repeats"
	}
	return "they repeat"
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

// putIn returns the copy that a jump put in; nil where there is none. It may lie in
// the mark on either side.
func (t *take) putIn(j clock.Jump) *repeat {
	if j.Frames < 0 {
		return nil
	}
	beside := int(t.Program.Mark.Seconds * t.rate)
	from, to := t.at(j.From)-beside, t.at(j.To)+beside
	for i, c := range t.copies {
		if c.at > from && c.at < to && math.Abs(float64(c.n)-j.Frames) < 2+0.5*j.Frames {
			return &t.copies[i]
		}
	}
	return nil
}

// evident reports whether a jump that put frames in shows where it did: as a copy
// or as zeros.
func (t *take) evident(j clock.Jump) bool {
	return j.Frames > 0 && (t.putIn(j) != nil || t.damagedAt(t.at(j.From), t.at(j.To), 0))
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
