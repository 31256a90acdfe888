package sweep

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Kind says what a segment of a program holds.
type Kind string

// The kinds of segment.
const (
	KindSilence Kind = "silence"
	KindMark    Kind = "mark"       // a time mark: a short chirp that tells two clocks apart
	KindQuiet   Kind = "quiet mark" // the same chirp QuietDB softer: it shows whether what comes back grows with what is played
	KindSweep   Kind = "sweep"      // the sweep itself
)

// Segment is a stretch of a program. The segments of a program follow each
// other without a gap and fill it.
type Segment struct {
	Kind   Kind `json:"kind"`
	Start  int  `json:"start_frame"`
	Frames int  `json:"frames"`
}

// ProgramOptions describes what is played. The zero value is one default
// sweep with silence before and after it.
type ProgramOptions struct {
	Sweep  Options
	Sweeps int  // how many times the sweep is played, 1 to 8; 0: 1
	Marks  bool // a quiet mark, then a time mark before each sweep and one after the last
	// MarksApart tells that the marks play on a full-range channel of their
	// own: their band does not follow the sweep's.
	MarksApart bool
	LeadS      float64 // silence before anything sounds, in which the room's noise is heard; 0: 1.5 s
	TailS      float64 // silence after each sweep, for the room to die away; 0: 2 s
}

// Program is what a measurement plays. Make one with NewProgram, or from its
// JSON with ParseProgram.
type Program struct {
	Sweep    *Sweep
	Options  ProgramOptions // as resolved
	Segments []Segment
	Frames   int
	Mark     Mark // zero without marks
}

// Mark describes a time mark: an exponential chirp with tapered ends, long
// enough to stand out of noise and wide enough to be placed to a fraction of a
// sample.
type Mark struct {
	FromHz, ToHz float64
	Seconds      float64
}

// QuietDB is how much softer the quiet mark is than the time marks.
const QuietDB = 14

const (
	markTaper = 0.2 // of a mark's length, in all
	markGapS  = 1.2 // silence after a mark
	quietGapS = 0.8 // silence after the quiet mark
)

// markFor returns the mark for a source that is swept from fromHz to toHz: it
// must not be given what the sweep spares it.
func markFor(fromHz, toHz float64) Mark {
	for _, m := range []Mark{{500, 12000, 0.25}, {40, 150, 1}} {
		m.FromHz, m.ToHz = math.Max(m.FromHz, fromHz), math.Min(m.ToHz, toHz)
		if m.ToHz >= 2*m.FromHz {
			return m
		}
	}
	return Mark{fromHz, toHz, 1}
}

// NewProgram lays out a program.
func NewProgram(o ProgramOptions) (*Program, error) {
	s, err := New(o.Sweep)
	if err != nil {
		return nil, err
	}
	return layOut(s, o)
}

// layOut puts the segments of a program around its sweep.
func layOut(s *Sweep, o ProgramOptions) (*Program, error) {
	o.Sweep = s.Options
	if o.Sweeps == 0 {
		o.Sweeps = 1
	}
	if o.Sweeps < 1 || o.Sweeps > 8 {
		return nil, &OptionError{Option: "sweeps", Problem: fmt.Sprintf("a program of %d sweeps cannot be had", o.Sweeps), Remedy: "ask for 1 to 8"}
	}
	if o.LeadS == 0 {
		o.LeadS = 1.5
	}
	if o.TailS == 0 {
		o.TailS = 2
	}
	if !(o.LeadS >= 0.1 && o.LeadS <= 30) || !(o.TailS >= 0.1 && o.TailS <= 30) {
		return nil, &OptionError{Option: "duration", Problem: fmt.Sprintf("silences of %g and %g s are outside 0.1 to 30 s", o.LeadS, o.TailS), Remedy: "leave them at their defaults"}
	}
	p := &Program{Sweep: s, Options: o}
	frames := func(seconds float64) int { return int(math.Round(seconds * s.SampleRate)) }
	add := func(kind Kind, n int) {
		p.Segments = append(p.Segments, Segment{Kind: kind, Start: p.Frames, Frames: n})
		p.Frames += n
	}
	if o.Marks {
		p.Mark = markFor(s.StartHz, s.StopHz)
		if o.MarksApart {
			p.Mark = markFor(0, s.SampleRate/2)
		}
	}
	mark := func() {
		if o.Marks {
			add(KindMark, frames(p.Mark.Seconds))
			add(KindSilence, frames(markGapS))
		}
	}
	add(KindSilence, frames(o.LeadS))
	if o.Marks {
		add(KindQuiet, frames(p.Mark.Seconds))
		add(KindSilence, frames(quietGapS))
	}
	for range o.Sweeps {
		mark()
		add(KindSweep, s.Frames)
		add(KindSilence, frames(o.TailS))
	}
	mark()
	return p, nil
}

// Starts returns the frames at which segments of one kind start.
func (p *Program) Starts(kind Kind) []int {
	var starts []int
	for _, seg := range p.Segments {
		if seg.Kind == kind {
			starts = append(starts, seg.Start)
		}
	}
	return starts
}

// Lead returns the frames of silence before the first sound.
func (p *Program) Lead() int { return p.Segments[0].Frames }

// Tail returns the frames of silence after a sweep.
func (p *Program) Tail() int {
	return int(math.Round(p.Options.TailS * p.Sweep.SampleRate))
}

// Samples returns the whole program, Frames long, full scale ±1.
func (p *Program) Samples() []float32 {
	return p.Only(KindSweep, KindMark, KindQuiet)
}

// Only returns the program with segments of the given kinds and silence in
// place of the others, Frames long: what one of several channels plays.
func (p *Program) Only(kinds ...Kind) []float32 {
	out := make([]float32, p.Frames)
	var sweep, mark []float32
	for _, seg := range p.Segments {
		if !slices.Contains(kinds, seg.Kind) {
			continue
		}
		switch seg.Kind {
		case KindSweep:
			if sweep == nil {
				sweep = p.Sweep.Samples()
			}
			copy(out[seg.Start:], sweep)
		case KindMark, KindQuiet:
			if mark == nil {
				mark = p.MarkSamples()
			}
			gain := float32(1)
			if seg.Kind == KindQuiet {
				gain = float32(math.Pow(10, -QuietDB/20.0))
			}
			for i, v := range mark {
				out[seg.Start+i] = gain * v
			}
		}
	}
	return out
}

// MarkSamples returns one time mark, as p.Mark describes it: an exponential
// chirp at the sweep's level, its ends tapered. It is nil in a program without
// marks.
func (p *Program) MarkSamples() []float32 {
	if !p.Options.Marks {
		return nil
	}
	rate, m := p.Sweep.SampleRate, p.Mark
	n := int(math.Round(m.Seconds * rate))
	out := make([]float32, n)
	l := m.Seconds / math.Log(m.ToHz/m.FromHz)
	taper := markTaper / 2 * float64(n)
	amplitude := p.Sweep.Amplitude()
	for i := range out {
		t := float64(i) / rate
		edge := math.Min(float64(i)+0.5, float64(n-i)-0.5)
		envelope := 1.0
		if edge < taper {
			envelope = 0.5 - 0.5*math.Cos(math.Pi*edge/taper)
		}
		out[i] = float32(amplitude * envelope * math.Sin(2*math.Pi*m.FromHz*l*(math.Exp(t/l)-1)))
	}
	return out
}

// description is a program as it is written down: in take.json and in the
// comment of a WAV file. Version grows when the same numbers would give other
// samples.
type description struct {
	Version   int       `json:"version"`
	StartHz   float64   `json:"start_hz"`
	StopHz    float64   `json:"stop_hz"`
	SampleHz  float64   `json:"sample_rate_hz"`
	Seconds   float64   `json:"duration_s"`
	LevelDBFS float64   `json:"level_dbfs"`
	RateS     float64   `json:"sweep_rate_s"`
	Sweeps    int       `json:"sweeps"`
	Marks     bool      `json:"marks"`
	Apart     bool      `json:"marks_apart,omitempty"`
	LeadS     float64   `json:"lead_s"`
	TailS     float64   `json:"tail_s"`
	Segments  []Segment `json:"segments"`
}

// Version 1 had other marks, and no program with marks was made with it.
const version = 2

// MarshalJSON writes what ParseProgram needs to make the same program again,
// and its segments for whoever wants to read them.
func (p *Program) MarshalJSON() ([]byte, error) {
	s := p.Sweep
	return json.Marshal(description{version, s.StartHz, s.StopHz, s.SampleRate, s.Seconds, s.LevelDBFS, s.RateS,
		p.Options.Sweeps, p.Options.Marks, p.Options.MarksApart, p.Options.LeadS, p.Options.TailS, p.Segments})
}

// ParseProgram makes the program that MarshalJSON described. The level is
// taken as it was played, whatever today's ceiling.
func ParseProgram(text []byte) (*Program, error) {
	var d description
	if err := json.Unmarshal(text, &d); err != nil {
		return nil, fmt.Errorf("sweep: the program's description is damaged: %w", err)
	}
	if d.Version != version && (d.Version != 1 || d.Marks) {
		return nil, fmt.Errorf("sweep: the program's description has version %d, and this build knows version %d", d.Version, version)
	}
	// Every field is written out, so a zero is damage, not a default.
	if d.StartHz <= 0 || d.StopHz <= 0 || d.SampleHz <= 0 || d.Seconds <= 0 || d.LevelDBFS >= 0 || d.Sweeps < 1 || d.LeadS <= 0 || d.TailS <= 0 {
		return nil, fmt.Errorf("sweep: the program's description is incomplete")
	}
	// The duration written down is the rounded one, which may lie a little
	// outside what can be asked for: the sweep is made from its own L.
	asked := Options{StartHz: d.StartHz, StopHz: d.StopHz, SampleRate: d.SampleHz, LevelDBFS: d.LevelDBFS, CeilingDBFS: MaxCeilingDBFS}
	resolved, err := asked.resolved()
	if err != nil {
		return nil, err
	}
	s, err := fromCycles(resolved, math.Round(d.RateS*d.StartHz))
	if err != nil {
		return nil, err
	}
	p, err := layOut(s, ProgramOptions{Sweeps: d.Sweeps, Marks: d.Marks, MarksApart: d.Apart, LeadS: d.LeadS, TailS: d.TailS})
	if err != nil {
		return nil, err
	}
	if math.Abs(s.Seconds-d.Seconds) > 1e-6 || (len(d.Segments) > 0 && d.Segments[len(d.Segments)-1] != p.Segments[len(p.Segments)-1]) {
		return nil, fmt.Errorf("sweep: the program's description contradicts itself")
	}
	return p, nil
}

// commentTag starts the comment that a program's WAV file carries.
const commentTag = "roomsonde program "

// Comment returns the text that a WAV file of this program carries, so that
// the file alone says what it is.
func (p *Program) Comment() string {
	text, err := p.MarshalJSON()
	if err != nil {
		panic(err) // numbers and strings only: cannot fail
	}
	return commentTag + string(text)
}

// FromComment makes the program that a WAV file's comment describes. It
// reports false when the comment is somebody else's.
func FromComment(comment string) (*Program, bool, error) {
	text, ours := strings.CutPrefix(comment, commentTag)
	if !ours {
		return nil, false, nil
	}
	p, err := ParseProgram([]byte(text))
	return p, true, err
}

// Range is a stretch of frequency that suits one kind of source.
type Range struct {
	Name            string
	StartHz, StopHz float64
	Why             string // in a plain sentence
}

// Ranges returns the limits per kind of source: what must not be asked of a
// subwoofer or a tweeter is left out of its sweep. Common practice, no source.
func Ranges() []Range {
	return []Range{
		{"full", 0, 0, "the whole range of hearing and a little beyond"},
		{"sub", 0, 500, "a subwoofer plays no more than this, so its sweep stops at 500 Hz"},
		{"tweeter", 1000, 0, "a tweeter alone must not be given bass, so its sweep starts at 1 kHz"},
	}
}

// RangeFor returns the range for a source by its name: a name that speaks of
// subwoofers only gets "sub", one that speaks of a tweeter gets "tweeter", all
// others get "full".
func RangeFor(source string) Range {
	ranges := Ranges()
	words := strings.FieldsFunc(strings.ToLower(source), func(r rune) bool { return (r < 'a' || r > 'z') && r != '+' })
	name := strings.Join(words, " ")
	isSub := func(part string) bool {
		for _, w := range []string{"sub", "subs", "subwoofer", "subwoofers", "lfe"} {
			for _, have := range strings.Fields(part) {
				if have == w {
					return true
				}
			}
		}
		return false
	}
	if strings.Contains(name, "tweeter") {
		return ranges[2]
	}
	all := name != ""
	for _, part := range strings.Split(name, "+") {
		if !isSub(part) {
			all = false
		}
	}
	if all {
		return ranges[1]
	}
	return ranges[0]
}
