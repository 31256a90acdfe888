package inspect

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"roomsonde/sweep"
)

// Kind is the kind of a finding. It is written to JSON as it stands.
type Kind string

// The kinds of finding, in the order in which they are reported.
const (
	Silence      Kind = "silence"       // nothing, or nothing but noise
	WrongChannel Kind = "wrong channel" // the program is in another input
	WrongSpeed   Kind = "wrong speed"   // player and recorder run at different sample rates
	EarlySound   Kind = "early sound"   // a copy that did not come through the air
	OutOfRange   Kind = "out of range"  // samples that no converter delivers
	Clipping     Kind = "clipping"
	CutOff       Kind = "cut off" // the recording starts too late or ends too early
	LostFrames   Kind = "lost frames"
	ExtraFrames  Kind = "extra frames" // repeated or put in
	ZeroFilled   Kind = "zero-filled"  // or filled with one value
	Repeated     Kind = "repeated block"
	MarkDamaged  Kind = "damaged mark"
	DriverReport Kind = "driver report"
	Step         Kind = "step"
	Burst        Kind = "burst"
	LevelChange  Kind = "level change"
	Compression  Kind = "compression" // what comes back does not grow with what is played
	NoiseGate    Kind = "noise gate"
	NoiseChange  Kind = "noise change"
	LowSignal    Kind = "low signal"
	Hum          Kind = "hum"
	Offset       Kind = "offset"      // a constant on all samples
	OtherSound   Kind = "other sound" // as loud as the program, outside it
	Clocks       Kind = "clocks"
	QuickForm    Kind = "quick form"
)

var kinds = []Kind{Silence, WrongChannel, WrongSpeed, EarlySound, OutOfRange, Clipping, CutOff, LostFrames, ExtraFrames, ZeroFilled, Repeated,
	MarkDamaged, DriverReport, Step, Burst, LevelChange, Compression, NoiseGate, NoiseChange, LowSignal, Hum, Offset, OtherSound, Clocks, QuickForm}

func order(k Kind) int { return slices.Index(kinds, k) }

// Finding is one thing that Take found. What, Effect and Remedy are sentences.
type Finding struct {
	Kind   Kind    `json:"kind"`
	Fault  bool    `json:"fault"` // the result is wrong or doubtful; false: a note
	What   string  `json:"what"`
	Effect string  `json:"effect"`
	Remedy string  `json:"remedy"`
	FromS  float64 `json:"from_s"` // in the recording; both 0 where time has no meaning
	ToS    float64 `json:"to_s"`
	FromHz float64 `json:"from_hz"` // both 0 where frequency has no meaning
	ToHz   float64 `json:"to_hz"`
	Amount float64 `json:"amount"` // the number in What that says how much
	Unit   string  `json:"unit"`   // of Amount: "frames", "dB", "dBFS", "ppm", "ms", ""
}

// Text returns the three sentences as one paragraph.
func (f Finding) Text() string {
	var parts []string
	for _, s := range []string{f.What, f.Effect, f.Remedy} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	return strings.Join(parts, " ")
}

// hertz writes a frequency with three digits.
func hertz(hz float64) string {
	if hz >= 999.5 {
		return digits(hz/1000) + " kHz"
	}
	return digits(hz) + " Hz"
}

// digits writes a number with three significant digits and no exponent.
func digits(v float64) string {
	if v == 0 {
		return "0"
	}
	decimals := max(0, 2-int(math.Floor(math.Log10(math.Abs(v))+1e-9)))
	s := fmt.Sprintf("%.*f", decimals, v)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// count writes a number with its noun.
func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// list joins words.
func list(words []string) string {
	switch len(words) {
	case 0:
		return ""
	case 1:
		return words[0]
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// described says in words when a frame was recorded, and what was played.
func (t *take) described(frame int) string {
	when := fmt.Sprintf("at %.3f s", t.seconds(frame))
	i, _ := t.when(frame)
	if i < 0 {
		return when
	}
	seg := t.Program.Segments[i]
	number, hz := t.sweepAt(frame)
	switch {
	case number >= 0 && t.Program.Options.Sweeps > 1:
		return fmt.Sprintf("%s, in sweep %d at %s", when, number+1, hertz(hz))
	case number >= 0:
		return fmt.Sprintf("%s, in the sweep at %s", when, hertz(hz))
	case seg.Kind == sweep.KindSilence:
		return when + ", in a pause"
	}
	return when + ", in a time mark"
}

// again is what to do when frames were lost.
const again = "Close other programs that use sound, choose a larger buffer or the device itself instead of a sound server, and measure again."

// compared writes a level as the sweep's or another one has it: "6 dB above".
func compared(db float64) string {
	switch db = math.Round(db); {
	case db > 0:
		return fmt.Sprintf("%.0f dB above", db)
	case db < 0:
		return fmt.Sprintf("%.0f dB below", -db)
	}
	return "as loud as"
}
