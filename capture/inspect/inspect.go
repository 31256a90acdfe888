// Package inspect reads from a recording itself whether it can be trusted: no
// driver's flag is believed, since sound servers lose buffers without raising
// one.
//
// Take runs all detectors over one recording of a program and says what it
// found as findings: what, where in time and frequency, what it does to the
// result and what to do about it. A Fault is a finding that makes the result
// wrong or doubtful; the others are notes.
//
// # How faults are told from sound
//
// The time marks count frames (package clock). Exact zeros, and samples that
// come twice, are found in the samples themselves, where the recording holds
// enough information for that not to be chance. Clipping is told by how many
// samples crowd at the top: near the top of any smooth curve the number of
// samples within w of it grows as √w at most, at a flat top they are all there.
// What happened once and not twice stands out of the difference between two
// sweeps. The quiet mark tells whether what comes back grows with what is
// played.
package inspect

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"sync"

	"roomsonde/deconv/clock"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// Input is what Take looks at.
type Input struct {
	Recording  []float32 // one input channel as it was delivered, full scale ±1
	SampleRate float64   // Hz
	// Program is what was played; nil for any other excitation: then only the
	// detectors run that need none.
	Program *sweep.Program
	// Timing says where Program lies in Recording; nil where it was not found.
	Timing *clock.Timing
	// Overflows and Underflows are what the driver reported.
	Overflows, Underflows int
	Others                [][]float32 // the other input channels, recorded at the same time
	// Aligned tells that frame 0 was recorded when frame 0 was played, but for
	// the device's latency.
	Aligned bool
	// HistorySkew is the skew that this pair of devices showed before; nil where
	// that is not known.
	HistorySkew *float64
}

// Report is what Take found.
type Report struct {
	Findings []Finding
	// Whole says of every sweep of the program whether it holds all its frames as
	// they arrived: false where frames were lost, repeated or zeroed, where it
	// was clipped or stepped. Such a sweep must not be averaged with others.
	Whole []bool
	// Bursts are stretches of sweeps that hold a noise that the other sweep
	// does not.
	Bursts   []Stretch
	PeakDBFS float64 // the highest |sample| of the recording
	// NoiseS is how many seconds of silence were heard before anything sounded, or at
	// the end of a pause where the recording starts too late for that; 0: the noise is
	// unknown. NoiseDBFS is its rms, scale.FloorDB where it is
	// digital silence.
	NoiseS, NoiseDBFS float64
	SNR               []Octave // octaves that the sweep covers, lowest first; nil where the noise is unknown
	Hum               []Tone   // the mains' lines in the silence, lowest first; nil where none stand out
}

// Stretch is a part of a sweep.
type Stretch struct {
	Sweep        int // of the program, from 0
	From, Frames int // of the sweep's segment, in frames of the program
}

// Octave is an octave band's signal and noise.
type Octave struct {
	Hz         float64 // nominal mid-band frequency
	SignalDBFS float64 // rms as the sweep passes the band, of what lies in it
	NoiseDBFS  float64 // rms of the silence, of what lies in it
	SNRDB      float64 // between the two; some hundreds where the silence is digital
}

// Tone is a line in the spectrum of the silence.
type Tone struct {
	Hz        float64
	LevelDBFS float64 // rms
	OverDB    float64 // how far it stands over its neighbourhood
}

// Faulty reports whether any finding is a fault.
func (r *Report) Faulty() bool {
	return slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Fault })
}

// Take inspects one recording. It does not change what it is given. The errors
// are ctx's, and one for an input that makes no sense.
func Take(ctx context.Context, in Input) (*Report, error) {
	if !(in.SampleRate > 0) || math.IsInf(in.SampleRate, 0) {
		return nil, fmt.Errorf("inspect: a sample rate of %g Hz makes no sense", in.SampleRate)
	}
	if in.Program != nil && in.Program.Sweep.SampleRate != in.SampleRate {
		return nil, fmt.Errorf("inspect: the recording has %g Hz and the program %g Hz", in.SampleRate, in.Program.Sweep.SampleRate)
	}
	in.Timing = withoutGhosts(in.Timing)
	t := newTake(in)
	if len(in.Recording) == 0 {
		t.add(Finding{Kind: Silence, Fault: true, What: "The recording is empty.",
			Effect: "There is nothing to work out a result from.", Remedy: "Check that the microphone is connected and measure again."})
		return t.report, nil
	}
	var side sync.WaitGroup // for what needs the silence only
	t.scan()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if t.unusable() {
		return t.report, nil
	}
	t.levelsOut()
	if t.silent() {
		return t.report, nil
	}
	if in.Program != nil && in.Timing == nil {
		t.astray(ctx)
	}
	if in.Program != nil && in.Timing != nil && t.doubtful() && t.wrongSpeed(ctx) {
		t.clipping()
		t.driver()
		t.finish()
		return t.report, ctx.Err()
	}
	side.Go(t.echo)
	t.hearSilence()
	timed := in.Program != nil && in.Timing != nil
	if timed {
		t.laySweeps()
		t.gate()
	}
	side.Go(t.octaves)
	side.Go(t.noisesInPauses)
	side.Go(t.noiseAfter)
	t.clipping()
	t.holes()
	t.repeats()
	t.compareSweeps()
	side.Wait()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if timed {
		t.cutOff()
		t.frames()
		t.levels()
		t.noiseDuring()
		t.clocks()
		t.otherSound()
	} else {
		t.repeated()
	}
	t.driver()
	t.jolts()
	t.finish()
	return t.report, ctx.Err()
}

// take is the work on one recording.
type take struct {
	Input
	x      []float32
	rate   float64
	report *Report
	adding sync.Mutex // guards report.Findings

	// Where faults count: from the first mark, which is the quiet one, to the end of
	// the last; the sweeps where there are no marks.
	from, to int

	// of scan
	block   int // frames of a block: 5 ms
	blocks  []block
	runs    []run
	copies  []repeat
	quantum float64 // the step between sample values, as far as it can be seen
	peak    float64

	// of hearSilence
	lead    silence
	noise   spectrum
	noisier bool // after the sweeps: it is reported
	digital bool // the silence holds (almost) nothing but zeros
	// The ends of the pauses, and the quietest of them; nil without any.
	ends     []pause
	quietest *pause
	// What two sweeps, or marks, laid on top of each other are reckoned to leave of
	// noise each; the second low-passed.
	heard, heardLow level
	during          float64 // noise while the sweeps sound; 0: not known
	shut            bool    // a noise gate is reported
	onlyPauses      bool    // all holes lie in pauses

	damaged []span // frames that holes, repeats and clipping account for
	pairs   []pair
	odd     []int // time marks that are damaged
	changes []gainChange
}

// doubtful reports whether what was found of the program need not be it.
func (t *take) doubtful() bool {
	missing := 0
	for _, m := range t.Timing.Marks {
		if !m.Found {
			missing++
		}
	}
	return missing > 0 && (!t.Timing.Known || 2*missing >= len(t.Timing.Marks))
}

// ghostDB is a level re the first mark that no change on the way explains.
const ghostDB = -30

// withoutGhosts returns a timing without marks that were found in what is no mark: at
// the end of a recording that stops before the mark comes, something else may do.
func withoutGhosts(t *clock.Timing) *clock.Timing {
	ghost := func(m clock.Mark) bool { return m.Found && m.LevelDB < ghostDB }
	if t == nil || !slices.ContainsFunc(t.Marks, ghost) {
		return t
	}
	c := *t
	c.Marks, c.Jumps = slices.Clone(t.Marks), slices.Clone(t.Jumps)
	for i, m := range c.Marks {
		if !ghost(m) {
			continue
		}
		c.Jumps = slices.DeleteFunc(c.Jumps, func(j clock.Jump) bool {
			return j.To == m.Segment.Start || j.From == m.Segment.Start+m.Segment.Frames
		})
		c.Marks[i] = clock.Mark{Segment: m.Segment, OutDB: m.OutDB}
	}
	return &c
}

// span is a stretch of the recording, from <= frame < to.
type span struct{ from, to int }

// marginS is how far beside the marks faults are looked for.
const marginS = 0.05

func newTake(in Input) *take {
	t := &take{Input: in, x: in.Recording, rate: in.SampleRate, report: &Report{PeakDBFS: scale.FloorDB, NoiseDBFS: scale.FloorDB}}
	t.from, t.to = 0, len(t.x)
	p := in.Program
	if p == nil {
		return t
	}
	t.report.Whole = make([]bool, p.Options.Sweeps)
	for i := range t.report.Whole {
		t.report.Whole[i] = in.Timing != nil
	}
	if in.Timing == nil {
		return t
	}
	first, last := p.Segments[0], p.Segments[len(p.Segments)-1]
	for _, seg := range p.Segments {
		if seg.Kind != sweep.KindSilence {
			first = seg
			break
		}
	}
	for _, seg := range slices.Backward(p.Segments) {
		if seg.Kind == sweep.KindMark {
			last = seg
			break
		}
		if seg.Kind == sweep.KindSweep { // and its tail
			break
		}
	}
	t.from = max(0, min(len(t.x), t.at(first.Start)))
	t.to = max(t.from, min(len(t.x), t.at(last.Start+last.Frames)))
	// Frames that were put in at a mark's very start move its place.
	t.from, t.to = max(0, t.from-int(marginS*t.rate)), min(len(t.x), t.to+int(marginS*t.rate))
	return t
}

// at returns the frame of the recording where a frame of the program arrived.
func (t *take) at(program int) int {
	return int(math.Round(t.place(float64(program))))
}

// place is at, with a fraction. The nearest mark before it says where it is.
func (t *take) place(program float64) float64 {
	best := -1
	for i, m := range t.Timing.Marks {
		if m.Found && (best < 0 || float64(m.Segment.Start) <= program) {
			best = i
		}
	}
	if best < 0 {
		return t.Timing.FrameOf(program)
	}
	m := t.Timing.Marks[best]
	return m.At + (program-float64(m.Segment.Start))/(1+t.Timing.Skew)
}

// when returns what the program played when a frame of the recording arrived:
// the segment's index, or −1 outside the program, and the frames since the
// segment's start.
func (t *take) when(frame int) (segment int, since float64) {
	if t.Program == nil || t.Timing == nil {
		return -1, 0
	}
	for i, seg := range t.Program.Segments {
		start := t.place(float64(seg.Start))
		end := t.place(float64(seg.Start + seg.Frames))
		if float64(frame) >= start && float64(frame) < end {
			return i, (float64(frame) - start) * (1 + t.Timing.Skew)
		}
	}
	return -1, 0
}

// sweepAt returns the number of the sweep that sounded at a frame of the
// recording, and its frequency there; −1 and 0 where none did.
func (t *take) sweepAt(frame int) (number int, hz float64) {
	i, since := t.when(frame)
	if i < 0 || t.Program.Segments[i].Kind != sweep.KindSweep {
		return -1, 0
	}
	for _, seg := range t.Program.Segments[:i] {
		if seg.Kind == sweep.KindSweep {
			number++
		}
	}
	return number, t.Program.Sweep.FrequencyAt(since / t.rate)
}

// spoil takes a stretch of the recording out of what can be used.
func (t *take) spoil(from, to int) {
	if t.Program == nil || t.Timing == nil {
		return
	}
	for i, start := range t.Program.Starts(sweep.KindSweep) {
		// The room's answer belongs to the sweep.
		end := start + t.Program.Sweep.Frames + t.Program.Tail()
		if to > t.at(start) && from < t.at(end) {
			t.report.Whole[i] = false
		}
	}
}

func (t *take) seconds(frame int) float64 { return float64(frame) / t.rate }

// add adds a finding. Detectors that run side by side may call it.
func (t *take) add(f Finding) {
	t.adding.Lock()
	t.report.Findings = append(t.report.Findings, f)
	t.adding.Unlock()
}

// damagedAt reports whether something that is already accounted for lies within
// near frames of a stretch.
func (t *take) damagedAt(from, to, near int) bool {
	return slices.ContainsFunc(t.damaged, func(s span) bool { return s.from-near < to && s.to+near > from })
}

// power returns the mean square of x about its mean.
func power(x []float32) float64 {
	if len(x) == 0 {
		return 0
	}
	var sum, sq float64
	for _, v := range x {
		sum += float64(v)
		sq += float64(v) * float64(v)
	}
	n := float64(len(x))
	return math.Max(0, sq/n-sum/n*sum/n)
}

// finish orders the findings, faults first.
func (t *take) finish() {
	t.report.PeakDBFS = scale.AmplitudeDB(t.peak)
	if slices.ContainsFunc(t.report.Findings, func(f Finding) bool { return f.Kind == NoiseGate }) {
		// As it opens and shuts it makes noises of its own, and zeros in the pauses.
		t.report.Findings = slices.DeleteFunc(t.report.Findings, func(f Finding) bool {
			return f.Kind == Burst || f.Kind == ZeroFilled && t.onlyPauses
		})
	}
	slices.SortStableFunc(t.report.Findings, func(a, b Finding) int {
		if a.Fault != b.Fault {
			if a.Fault {
				return -1
			}
			return 1
		}
		return cmp.Or(order(a.Kind)-order(b.Kind), cmp.Compare(a.FromS, b.FromS), cmp.Compare(a.What, b.What))
	})
}
