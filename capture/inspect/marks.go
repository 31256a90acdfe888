package inspect

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"roomsonde/deconv/clock"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

const (
	// A mark that differs from the others by as much as this, and by so much more
	// than noise explains, is not one piece.
	unlikeDB     = -10
	unlikeMoreDB = 6
	// The others differ from it, too, but less.
	unlikeWorstDB = 2

	quietUnlikeDB, quietMoreDB = -12, 4

	echoS = 0.06 // of the room's answer, compared with the mark

	levelDB       = 0.3 // between marks, and between sweeps
	compressionDB = 1.0 // of the quiet mark's step; loudspeakers with 5 % of distortion come to 0.7
	compressNote  = 0.5

	mostPPM    = 500
	historyPPM = 5
)

// judgeMarks looks at every mark by itself.
func (t *take) judgeMarks(marks []clock.Mark) {
	var like []float64
	for _, m := range marks {
		if m.Found {
			like = append(like, m.LikenessDB)
		}
	}
	for i, m := range marks {
		if late, early := t.outside(m); late || early {
			continue // cutOff's business
		}
		from := t.at(m.Segment.Start)
		to := t.at(m.Segment.Start + m.Segment.Frames)
		f := Finding{Kind: MarkDamaged, Fault: true, FromS: t.seconds(from), ToS: t.seconds(to), FromHz: t.Program.Mark.FromHz, ToHz: t.Program.Mark.ToHz}
		switch {
		case !m.Found:
			f.What = fmt.Sprintf("Time mark %d of %d, expected at %.2f s, is not there or too damaged to be used.", i+1, len(marks), f.FromS)
			f.Effect = "Whether frames were lost on either side of it cannot be told."
			f.Remedy = "Measure again."
			t.spoilBeside(m.Segment)
		case len(like) > 2 && m.LikenessDB > unlikeDB && t.unlike(m, marks) && !t.damagedAt(from, to, 0):
			f.Amount, f.Unit = m.LikenessDB, "dB"
			f.What = fmt.Sprintf("Time mark %d of %d, at %.2f s, is not like the others (what differs is %s it): frames were lost or repeated inside it, or something sounded over it.", i+1, len(marks), f.FromS, compared(m.LikenessDB))
			f.Effect = "The recording cannot be proven whole."
			f.Remedy = "Measure again."
			t.spoilBeside(m.Segment)
			t.odd = append(t.odd, i)
		default:
			continue
		}
		t.add(f)
	}
}

// judgeQuiet looks for frames that were lost between the quiet mark and the first
// time mark, or within the quiet one: they do no harm, but tell of the path.
func (t *take) judgeQuiet() {
	first := -1
	for i, m := range t.Timing.Marks {
		if m.Found {
			first = i
			break
		}
	}
	if first != 0 || !t.Timing.Known {
		return
	}
	mark := t.Timing.Marks[0]
	for _, q := range t.Timing.Quiet {
		from, to := t.at(q.Segment.Start), t.at(mark.Segment.Start+mark.Segment.Frames)
		if !q.Found || t.damagedAt(from, to, 0) {
			continue
		}
		f := Finding{Fault: true, FromS: t.seconds(int(q.At)), ToS: t.seconds(int(mark.At)), FromHz: t.Program.Mark.FromHz, ToHz: t.Program.Mark.ToHz, Remedy: again,
			Effect: "The sweeps came later and are not hurt, but a path that loses frames once does it again."}
		least := 1.0
		if t.Program.Mark.FromHz < 200 {
			least = 3
		}
		played, recorded := float64(mark.Segment.Start-q.Segment.Start), mark.At-q.At
		jump := recorded - played/(1+t.Timing.Skew)
		if math.Abs(jump) > math.Max(least, 6*math.Hypot(q.StdErr, mark.StdErr)) {
			f.Kind, f.Amount, f.Unit = LostFrames, math.Abs(jump), "frames"
			if jump > 0 {
				f.Kind = ExtraFrames
			}
			f.What = fmt.Sprintf("%s %s between the quiet mark and the first time mark, %.2f to %.2f s.", count(int(math.Round(math.Abs(jump))), "frame"), lostOrPutIn(jump), f.FromS, f.ToS)
			if len(t.Timing.Marks) < 3 || len(t.Timing.Jumps) > 0 {
				// The skew that this was reckoned with is in doubt itself.
				f.What = "The distances between the quiet mark and the time marks contradict each other: frames were lost or put in between them, how many and where cannot be told."
				f.Effect = "Time and phase are wrong, and how far the clocks are apart cannot be told."
			} else if each, ok := t.alike(played/recorded - 1); ok {
				f.What = fmt.Sprintf("The distances between the marks contradict each other: either each sweep has %s %s, all the same number, or %s %s between the quiet mark and the first time mark, or the clocks do not run steadily.",
					count(int(math.Round(math.Abs(each))), "frame"), tooFew(each), count(int(math.Round(math.Abs(jump))), "frame"), lostOrPutIn(jump))
				f.Effect = "Time and phase may be wrong in all sweeps, and how far the clocks are apart with them."
				f.ToS = t.seconds(t.at(t.Timing.Marks[len(t.Timing.Marks)-1].Segment.Start))
				if t.oddSkew(t.Timing.Skew) > t.oddSkew(played/recorded-1) { // likelier
					f.Kind, f.Amount = LostFrames, math.Abs(each)
					if each > 0 {
						f.Kind = ExtraFrames
					}
				}
				for i := range t.report.Whole {
					t.report.Whole[i] = false
				}
			}
			t.add(f)
			continue
		}
		// What noise makes of its likeness, from the first mark's power.
		s := t.part(mark.Segment.Start, mark.Segment.Start+mark.Segment.Frames)
		p := (power(t.x[s.from:s.to]) - math.Pow(10, t.report.NoiseDBFS/10)) * scale.Power(q.LevelDB-sweep.QuietDB)
		if t.noise.step == 0 || p <= 0 {
			continue
		}
		noise := scale.PowerDB((t.noise.band(t.Program.Mark.FromHz, t.Program.Mark.ToHz)*1.5 + t.quantum*t.quantum/4) / p)
		if q.LikenessDB > math.Max(quietUnlikeDB, noise+quietMoreDB) {
			f.Kind, f.Amount, f.Unit = MarkDamaged, q.LikenessDB, "dB"
			f.ToS = t.seconds(int(q.At) + q.Segment.Frames)
			f.What = fmt.Sprintf("The quiet mark at %.2f s is not like the time marks (what differs is %s it): frames were lost or repeated inside it, or something sounded over it.", f.FromS, compared(q.LikenessDB))
			t.add(f)
		}
	}
}

func lostOrPutIn(jump float64) string {
	verb := "were lost"
	if jump > 0 {
		verb = "were put in"
	}
	if math.Round(math.Abs(jump)) == 1 {
		verb = strings.Replace(verb, "were", "was", 1)
	}
	return verb
}

func tooFew(frames float64) string {
	if frames > 0 {
		return "too many"
	}
	return "too few"
}

// oddSkew says how far a skew is from what is expected of this pair of devices.
func (t *take) oddSkew(skew float64) float64 {
	if t.HistorySkew != nil {
		skew -= *t.HistorySkew
	}
	return math.Abs(skew)
}

// alike returns how many frames each interval between time marks has too many
// if the clocks are a skew apart that another interval tells, and whether that may
// be what happened: losses alike between all marks look like a skew.
func (t *take) alike(skew float64) (each float64, ok bool) {
	marks := t.Timing.Marks
	first, last := marks[0], marks[len(marks)-1]
	if !last.Found {
		return 0, false
	}
	played := float64(last.Segment.Start - first.Segment.Start)
	each = (last.At - first.At - played/(1+skew)) / float64(len(marks)-1)
	if t.HistorySkew != nil && t.oddSkew(t.Timing.Skew) < 1e-6*historyPPM+6*t.Timing.SkewStdErr {
		return each, false // the sweeps tell what was always so
	}
	return each, math.Abs(skew) < mostSkew
}

// compareMarks lays the marks on top of each other, as the sweeps: frames that
// were lost within one, at its very ends too, or a noise over it.
func (t *take) compareMarks() {
	var found []int
	for i, m := range t.Timing.Marks {
		if m.Found {
			found = append(found, i)
		}
	}
	if len(found) < 2 {
		return
	}
	m := t.Program.Mark
	l := m.Seconds / math.Log(m.ToHz/m.FromHz)
	hz := func(f int) float64 {
		return math.Min(m.ToHz, m.FromHz*math.Exp((float64(f)+0.5)*float64(t.block)/t.rate/l))
	}
	long := t.Timing.Marks[0].Segment.Frames + int(echoS*t.rate)
	type odd struct {
		most, level float64
		from, to    int
		count       int
	}
	odds := make([]odd, len(t.Timing.Marks))
	note := func(i, j int) {
		a, b := t.Timing.Marks[i], t.Timing.Marks[j]
		p := t.subtract(a.At, b.At, long, hz)
		if p == nil {
			return
		}
		first, last := -1, -1
		var most, level float64
		for f := range p.diff {
			floor := t.floor(p, f)
			expected := max(2*floor.mean, t.least(), (scale.Power(signalDB)+p.missed[f])*p.level(f, 4))
			if p.diff[f] > scale.Power(burstDB)*expected && p.diff[f] > 2*max(t.lead.far*floor.mean, silenceTop*floor.max) && !t.louder(p, f) {
				if first < 0 {
					first = f
				}
				last = f
				if r := p.diff[f]; r > most {
					most, level = r, p.level(f, 1)
				}
			}
		}
		if first < 0 {
			return
		}
		for _, k := range []int{i, j} {
			o := &odds[k]
			if o.count == 0 || most > o.most {
				*o = odd{most: most, level: level, from: first, to: last + 1, count: o.count}
			}
			o.count++
		}
	}
	for a, i := range found {
		for _, j := range found[a+1:] {
			note(i, j)
		}
	}
	worst := 0
	for _, o := range odds {
		worst = max(worst, o.count)
	}
	if worst == 0 {
		return
	}
	// A noise that is over all of them alike is no accident, but there whenever
	// something sounds.
	if all := 0; len(found) >= 3 {
		steady := level{mean: math.Inf(1)}
		for _, o := range odds {
			if o.count == worst && o.most < o.level/4 {
				all++
				steady.max, steady.mean = math.Max(steady.max, o.most), math.Min(steady.mean, o.most)
			}
		}
		if all == len(found) && steady.max < scale.Power(gateDB)*steady.mean {
			if !t.shut && !t.noisier {
				t.shut = true
				db := scale.PowerDB(steady.mean / 2 / math.Max(t.heard.mean, t.least()))
				first, last := t.Timing.Marks[found[0]], t.Timing.Marks[found[len(found)-1]]
				t.add(Finding{Kind: NoiseGate, Fault: true, FromS: t.seconds(int(first.At)), ToS: t.seconds(int(last.At)), Amount: db, Unit: "dB",
					What:   fmt.Sprintf("While the time marks sound there is up to %.0f dB more noise than before them and in the pauses.", db),
					Effect: gateEffect, Remedy: voiceRemedy})
			}
			return
		}
	}
	for i, o := range odds {
		if o.count < worst || slices.Contains(t.odd, i) {
			continue
		}
		mark := t.Timing.Marks[i]
		from := int(mark.At) + o.from*t.block
		to := int(mark.At) + o.to*t.block
		if t.damagedAt(from, to, 4*t.block) {
			continue
		}
		f := Finding{Kind: Burst, Fault: true, FromS: t.seconds(from), ToS: t.seconds(to), FromHz: hz(o.from), ToHz: math.Min(m.ToHz, hz(o.to)),
			Amount: scale.PowerDB(o.most / math.Max(o.level, 1e-30)), Unit: "dB", Remedy: "Measure again."}
		if o.most > o.level/4 {
			f.Kind = MarkDamaged
			f.What = fmt.Sprintf("Time mark %d of %d differs from the others from %.3f s on: frames were lost or repeated inside it.", i+1, len(odds), f.FromS)
			f.Effect = "The recording cannot be proven whole."
			t.spoilBeside(mark.Segment)
		} else {
			f.What = fmt.Sprintf("A noise over time mark %d of %d, at %.3f s: %.0f ms, %s the mark.", i+1, len(odds), f.FromS, 1000*(f.ToS-f.FromS), compared(f.Amount))
			f.Effect = "The clocks and lost frames are told less surely."
		}
		t.damaged = append(t.damaged, span{from, to})
		t.odd = append(t.odd, i)
		t.add(f)
	}
}

// unlike reports whether a mark differs from the others more than they do from
// it and among themselves.
func (t *take) unlike(m clock.Mark, marks []clock.Mark) bool {
	worst := math.Inf(-1)
	for _, o := range marks {
		if o.Found {
			worst = math.Max(worst, o.LikenessDB)
		}
	}
	// What noise alone makes: the silence's part in the mark's band.
	noise := math.Inf(-1)
	if t.noise.step > 0 {
		from := t.part(m.Segment.Start, m.Segment.Start+m.Segment.Frames)
		if p := power(t.x[from.from:from.to]); p > 0 {
			noise = scale.PowerDB(t.noise.band(t.Program.Mark.FromHz, t.Program.Mark.ToHz) * 2 / p)
		}
	}
	return m.LikenessDB > noise+unlikeMoreDB && m.LikenessDB > worst-unlikeWorstDB
}

// spoilBeside takes the sweeps next to a mark out of what can be used.
func (t *take) spoilBeside(mark sweep.Segment) {
	period := 0
	starts := t.Program.Starts(sweep.KindSweep)
	marks := t.Program.Starts(sweep.KindMark)
	if len(marks) > 1 {
		period = marks[1] - marks[0]
	}
	for i, s := range starts {
		if s-mark.Start < period && s-mark.Start > 0 || mark.Start-s < period && mark.Start-s > 0 {
			t.report.Whole[i] = false
		}
	}
}

// levelSlack is the uncertainty of a mark's level: six standard errors, from
// what differs between the marks.
func (t *take) levelSlack(m clock.Mark) float64 {
	if m.LikenessDB >= 0 {
		return 0
	}
	n := (t.Program.Mark.ToHz - t.Program.Mark.FromHz) * t.Program.Mark.Seconds
	return 6 * 20 / math.Ln10 * math.Sqrt(scale.Power(m.LikenessDB)/n)
}

// levels looks for a level that changes on the way.
func (t *take) levels() {
	marks := t.Timing.Marks
	worst, at := 0.0, 0
	for i, m := range marks {
		if i > 0 && m.Found && len(t.odd) == 0 && !t.damagedAt(t.at(m.Segment.Start), t.at(m.Segment.Start+m.Segment.Frames), 0) && math.Abs(m.LevelDB) > levelDB+t.levelSlack(m) && math.Abs(m.LevelDB) > math.Abs(worst) {
			worst, at = m.LevelDB, i
		}
	}
	if worst != 0 {
		from, to := t.at(marks[0].Segment.Start), t.at(marks[at].Segment.Start+marks[at].Segment.Frames)
		t.add(Finding{Kind: LevelChange, Fault: true, FromS: t.seconds(from), ToS: t.seconds(to), Amount: worst, Unit: "dB",
			What:   fmt.Sprintf("Time mark %d came back %s than the first.", at+1, loudness(worst)),
			Effect: "The level changed while it was measured: what was swept later has another level than what was swept before.",
			Remedy: levelRemedy})
	} else if !t.sweepLevels() && len(t.changes) > 0 {
		c := t.changes[0]
		t.add(Finding{Kind: LevelChange, Fault: true, FromS: t.seconds(c.at), ToS: t.seconds(c.at), Amount: c.db, Unit: "dB",
			What: fmt.Sprintf("The level changes by %+.1f dB %s.", c.db, t.described(c.at)), Effect: levelEffect, Remedy: levelRemedy})
	}
	for _, q := range t.Timing.Quiet {
		if !q.Found {
			continue
		}
		slack := t.levelSlack(q)
		if a := math.Abs(q.LevelDB); a > compressNote+slack {
			from := t.at(q.Segment.Start)
			f := Finding{Kind: Compression, Fault: a > compressionDB+slack, FromS: t.seconds(from), ToS: t.seconds(from + q.Segment.Frames), Amount: q.LevelDB, Unit: "dB",
				What:   fmt.Sprintf("A mark that was played %d dB softer than the others came back %.1f dB softer.", sweep.QuietDB, sweep.QuietDB-q.LevelDB),
				Effect: "What comes back does not grow with what is played: automatic gain, compression, a gate or a limiter is at work, and levels and decay are wrong.",
				Remedy: "Switch off automatic gain and voice processing in the system's sound settings and at the microphone, play softer, and measure again."}
			if !f.Fault {
				f.Effect = "A loudspeaker near its limits does that; much more would be automatic gain."
				f.Remedy = "Play softer if it matters."
			}
			t.add(f)
		}
	}
}

// likeness is two stretches' power and mean product.
type likeness struct{ a, b, cross float64 }

// level returns the second's level re the first in dB, and how much of it may
// come from what they have not in common, taken over so many independent values.
func (l likeness) level(values float64) (db, slack float64) {
	if !(l.a > 0 && l.b > 0) {
		return 0, 0
	}
	rest := math.Max(0, 1-l.cross*l.cross/(l.a*l.b))
	return scale.PowerDB(l.b / l.a), 3 * 20 / math.Ln10 * math.Sqrt(rest/values)
}

const (
	levelEffect = "The level changed while it was measured."
	levelRemedy = "Switch automatic gain off, touch no volume control during the measurement, and measure again."
)

// loudness writes a difference in level: "0.52 dB louder".
func loudness(db float64) string {
	if db < 0 {
		return fmt.Sprintf("%.2f dB softer", -db)
	}
	return fmt.Sprintf("%.2f dB louder", db)
}

// sweepLevels compares the levels of the sweeps, all in all and piece by piece, and
// returns whether it has reported a difference.
func (t *take) sweepLevels() bool {
	const pieceS, pieceDB = 0.3, 1.0
	for _, p := range t.pairs {
		long := max(1, int(pieceS*t.rate)/t.block)
		var all, piece likeness
		var worst float64
		count, at := 0, 0
		for f := range p.diff {
			if p.first[f] > 100*t.heard.mean && !p.outlier[f] {
				for _, l := range []*likeness{&all, &piece} {
					l.a, l.b, l.cross = l.a+p.first[f], l.b+p.second[f], l.cross+p.cross[f]
				}
				count++
			}
			if (f+1)%long == 0 {
				if count > long/2 {
					// In the bass there may be but one value in a piece.
					if db, slack := piece.level(1); math.Abs(db) > pieceDB+slack && math.Abs(db) > math.Abs(worst) {
						worst, at = db, f
					}
				}
				piece, count = likeness{}, 0
			}
		}
		db, slack := all.level(10)
		if math.Abs(db) <= levelDB+slack && worst == 0 {
			continue
		}
		from, to := p.from, p.from+int(p.lag)+len(p.diff)*t.block
		f := Finding{Kind: LevelChange, Fault: true, FromS: t.seconds(from), ToS: t.seconds(to), Amount: db, Unit: "dB",
			What:   fmt.Sprintf("Sweep %d came back %s than sweep %d.", p.b+1, loudness(db), p.a+1),
			Effect: levelEffect, Remedy: levelRemedy}
		if math.Abs(db) <= levelDB+slack {
			hz := t.Program.Sweep.FrequencyAt(float64(at*t.block) / t.rate)
			f.Amount, f.FromHz, f.ToHz = worst, hz, hz
			f.What = fmt.Sprintf("Around %s, sweep %d came back %s than sweep %d.", hertz(hz), p.b+1, loudness(worst), p.a+1)
		}
		t.add(f)
		return true
	}
	return false
}

// clocks reports on the two clocks.
func (t *take) clocks() {
	c := t.Timing
	if !c.Known {
		t.add(Finding{Kind: Clocks, What: "How far the clocks of player and recorder are apart is not known.",
			Effect: "Phase and timing must not be used; the level through a long window may.",
			Remedy: "Measure with time marks."})
		return
	}
	ppm := 1e6 * c.Skew
	if math.Abs(ppm) > mostPPM {
		t.add(Finding{Kind: Clocks, Amount: ppm, Unit: "ppm",
			What:   fmt.Sprintf("The recorder's clock and the player's are %+.0f ppm apart, more than two crystals differ.", ppm),
			Effect: "It is corrected, but a path that changes its rate may not hold it steady.",
			Remedy: "See whether a sound server resamples, and use the device itself."})
	}
	if t.HistorySkew != nil {
		change := ppm - 1e6**t.HistorySkew
		if math.Abs(change) > historyPPM+6e6*c.SkewStdErr {
			t.add(Finding{Kind: Clocks, Amount: change, Unit: "ppm",
				What:   fmt.Sprintf("The clocks of this pair of devices are %+.1f ppm apart; so far they were %+.1f ppm apart.", ppm, 1e6**t.HistorySkew),
				Effect: "The path is another one than before: other devices, another sample rate, or a sound server that resamples.",
				Remedy: "Check which devices are in use."})
		}
	}
}
