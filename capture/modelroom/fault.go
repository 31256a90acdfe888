package modelroom

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"github.com/agnivade/levenshtein"
)

// FaultKind says what goes wrong.
type FaultKind string

// The kinds of fault. "Frames" and "Amount" are the fields of Fault that say
// how much; times are counted in the recording as it is delivered.
const (
	// Buffers.
	Drop   FaultKind = "drop"   // Frames frames are missing from AtS on
	Repeat FaultKind = "repeat" // the Frames frames before AtS are delivered a second time: all that follows comes later
	Hold   FaultKind = "hold"   // the Frames frames before AtS stand in place of the next ones; nothing is shifted
	Zero   FaultKind = "zero"   // Frames frames from AtS on are digital silence; nothing is shifted
	// Level.
	Step       FaultKind = "step"        // a constant of Amount (re full scale) is added from AtS on
	Clip       FaultKind = "clip"        // the converter's output is cut off Amount dB below the highest sample
	Overload   FaultKind = "overload"    // the gain is so high that the highest sample is Amount dB beyond full scale
	AnalogClip FaultKind = "analog-clip" // cut off Amount dB below the highest sample before the converter, whose noise lies on top; with BaseHz behind a high-pass of first order
	Gain       FaultKind = "gain"        // from AtS on Amount dB louder, reached after ForS (0: 5 ms)
	AGC        FaultKind = "agc"         // automatic gain: the level is compressed Amount to 1
	Gate       FaultKind = "gate"        // what is little louder than the noise is turned down by Amount dB
	// Sounds.
	Burst FaultKind = "burst" // noise of Amount dB re the signal for ForS (0: 30 ms) from AtS on
	Hum   FaultKind = "hum"   // mains hum of BaseHz with harmonics, Amount dB re the signal
	Noise FaultKind = "noise" // the background noise is Amount dB louder from AtS on
	// Clocks.
	Skew FaultKind = "skew" // the recorder takes its frame m at player time m·(1+Amount·1e-6)
	Rate FaultKind = "rate" // the recorder runs at Amount times the stated rate
	// Paths.
	Mute    FaultKind = "mute"    // digital silence from AtS on, for ForS (0: to the end)
	Swap    FaultKind = "swap"    // the microphone is on the next input; this one hears its own noise, 20 dB below the room's
	Early   FaultKind = "early"   // what is played comes back inside the machine before the sound does, Amount dB re the signal
	Suspend FaultKind = "suspend" // the machine sleeps Amount seconds at AtS: playing goes on later where it stopped, the room's decay is lost
	// Devices.
	Gone     FaultKind = "gone"     // the device fails at AtS
	Overflow FaultKind = "overflow" // the driver reports Frames lost buffers
)

// Fault is one thing that goes wrong while the room records. What is left to
// chance (the sound of a burst, a phase) follows from Options.Seed.
type Fault struct {
	Kind   FaultKind
	AtS    float64 // when, in s from the start of the recording
	Frames int     // for drop, repeat, hold, zero: how many frames; overflow: how many buffers
	Amount float64 // for the others, in the unit that the kind names
	// ForS is how long it lasts, in s, for gain, burst, hum, noise, step and
	// mute; 0: as the kind says, or to the end.
	ForS float64
	// WobblePPM makes a skew vary by that much, in a period of 3 s.
	WobblePPM float64
	BaseHz    float64 // of hum; 0: 50. Of analog-clip: of the capacitor between; 0: none
	// FirstRuns limits the fault to the first jobs of a Room; 0: all suffer it.
	FirstRuns int
}

// unit of a fault's amount.
type unit struct {
	text     string
	low, top float64
}

// faultForm is how a kind is written, and what it may be.
type faultForm struct {
	kind   FaultKind
	amount unit // "frames" for kinds that count
	takes  string
	about  string
}

const counted = "frames"

var faultForms = []faultForm{
	{Drop, unit{counted, 1, 1e6}, "at", "so many frames go missing"},
	{Repeat, unit{counted, 1, 1e6}, "at", "so many frames come twice, and all that follows late"},
	{Hold, unit{counted, 1, 1e6}, "at", "so many frames are replaced by the ones before"},
	{Zero, unit{counted, 1, 1e6}, "at", "so many frames are digital silence"},
	{Step, unit{"", -1, 1}, "at for", "a constant, full scale being 1, is added"},
	{Clip, unit{"dB", 0, 60}, "", "flat tops so far below the highest sample"},
	{Overload, unit{"dB", -20, 60}, "", "gain so high that the highest sample would be so far beyond full scale"},
	{AnalogClip, unit{"dB", 0, 60}, "base", "flat tops from before the converter, behind a high-pass of the base given"},
	{Gain, unit{"dB", -80, 40}, "at for", "the level changes, within the time given (5 ms)"},
	{AGC, unit{":1", 1, 100}, "", "an automatic gain of such a ratio"},
	{Gate, unit{"dB", 0, 120}, "at", "pauses are turned down so far"},
	{Burst, unit{"dB", -120, 60}, "at for", "a noise so loud re the signal, for 30 ms or the time given"},
	{Hum, unit{"dB", -120, 60}, "at for base", "mains hum so loud re the signal, of 50 Hz or the base given"},
	{Noise, unit{"dB", -120, 80}, "at for", "the background noise changes by so much"},
	{Skew, unit{"ppm", -5000, 5000}, "wobble", "the recorder's clock is slow by so much, or wobbles about that"},
	{Rate, unit{"", 0.25, 4}, "", "the recorder runs at so many times the rate it states"},
	{Mute, unit{}, "at for", "digital silence"},
	{Swap, unit{}, "", "the microphone is on the next input"},
	{Early, unit{"dB", -120, 60}, "", "what is played comes straight back, so loud re the signal"},
	{Suspend, unit{"s", 0, 1e6}, "at", "the machine sleeps so long"},
	{Gone, unit{}, "at", "the device fails"},
	{Overflow, unit{counted, 1, 1e6}, "", "the driver reports so many lost buffers"},
}

func formOf(kind FaultKind) (faultForm, bool) {
	for _, f := range faultForms {
		if f.kind == kind {
			return f, true
		}
	}
	return faultForm{}, false
}

// FaultForms lists how each kind of fault is written, with what it does: two
// columns for a help text.
func FaultForms() [][2]string {
	var list [][2]string
	for _, f := range faultForms {
		text := string(f.kind)
		switch {
		case f.amount.text == counted:
			text += " N"
		case f.amount.text == ":1":
			text += " N:1"
		case f.amount.low != f.amount.top:
			text += " N" + f.amount.text
		}
		for _, w := range strings.Fields(f.takes) {
			text += " [" + w + " N" + wordUnits[w] + "]"
		}
		list = append(list, [2]string{text, f.about})
	}
	return list
}

// wordUnits are the words that follow a kind and its amount, with the units of
// their numbers.
var wordUnits = map[string]string{"at": "s", "for": "s", "base": "Hz", "wobble": "ppm", "first": ""}

// FaultError says what is wrong with a fault.
type FaultError struct {
	Text   string // as it was written
	Fact   string
	Remedy string
}

func (e *FaultError) Error() string { return fmt.Sprintf("the fault %q %s", e.Text, e.Fact) }

// Hint says how to write it.
func (e *FaultError) Hint() string { return e.Remedy }

// ParseFault reads a fault as String writes it:
//
//	KIND [AMOUNT] [at TIME] [for TIME] [base FREQUENCY] [wobble PPM] [first COUNT]
//
// for example "drop 64 at 7.5s", "hum -30dB base 60Hz", "clip 3dB first 1".
// Units may be left out. FaultForms lists the kinds. It fails with
// *FaultError.
func ParseFault(text string) (Fault, error) {
	bad := func(remedy, fact string, args ...any) (Fault, error) {
		return Fault{}, &FaultError{text, fmt.Sprintf(fact, args...), remedy}
	}
	words := strings.Fields(text)
	if len(words) == 0 {
		return bad("one is written like \"drop 64 at 7.5s\"", "is empty")
	}
	f := Fault{Kind: FaultKind(strings.ToLower(words[0]))}
	form, ok := formOf(f.Kind)
	if !ok {
		return bad(likelyKind(words[0]), "is of a kind that the model room does not know")
	}
	usage := ""
	for _, line := range FaultForms() {
		if k, _, _ := strings.Cut(line[0], " "); k == string(f.Kind) {
			usage = "write \"" + line[0] + " [first N]\""
		}
	}
	rest := words[1:]
	if form.amount != (unit{}) {
		if len(rest) == 0 {
			return bad(usage, "does not say how much")
		}
		v, ok := quantity(rest[0], form.amount.text)
		if !ok {
			return bad(usage, "has %q where its amount should be", rest[0])
		}
		if form.amount.text == counted {
			if v != math.Trunc(v) || math.Abs(v) > 1e9 {
				return bad(usage, "needs a whole number, not %q", rest[0])
			}
			f.Frames = int(v)
		} else {
			f.Amount = v
		}
		rest = rest[1:]
	}
	said := map[string]bool{}
	for len(rest) > 0 {
		word := strings.ToLower(rest[0])
		if word != "first" && !slices.Contains(strings.Fields(form.takes), word) {
			return bad(usage, "has %q, which means nothing here", rest[0])
		}
		if said[word] {
			return bad(usage, "says %q twice", word)
		}
		said[word] = true
		if len(rest) == 1 {
			return bad(usage, "ends after %q", word)
		}
		v, ok := quantity(rest[1], wordUnits[word])
		if !ok {
			return bad(usage, "has %q after %q", rest[1], word)
		}
		switch word {
		case "at":
			f.AtS = v
		case "for":
			f.ForS = v
		case "base":
			f.BaseHz = v
		case "wobble":
			f.WobblePPM = v
		case "first":
			if v != math.Trunc(v) || math.Abs(v) > 1e9 {
				return bad(usage, "needs a whole number after %q", word)
			}
			f.FirstRuns = int(v)
			if f.FirstRuns < 1 {
				return bad(usage, "is for the first %d jobs", f.FirstRuns)
			}
		}
		rest = rest[2:]
	}
	if said["base"] && f.BaseHz == 0 {
		return bad(usage, "has a base of 0 Hz")
	}
	if err := f.check(); err != nil {
		err.Text, err.Remedy = text, cmp.Or(err.Remedy, usage)
		return Fault{}, err
	}
	return f, nil
}

// quantity reads a number that may carry a unit.
func quantity(text, unit string) (float64, bool) {
	if unit == counted {
		unit = ""
	}
	if n := len(text) - len(unit); unit != "" && n > 0 && strings.EqualFold(text[n:], unit) {
		text = text[:n]
	}
	for _, c := range text { // no hexadecimal, no "inf"
		if !unicode.IsDigit(c) && !strings.ContainsRune("+-.eE", c) {
			return 0, false
		}
	}
	v, err := strconv.ParseFloat(text, 64)
	return v, err == nil
}

func likelyKind(word string) string {
	names := make([]string, len(faultForms))
	for i, f := range faultForms {
		names[i] = string(f.kind)
	}
	all := "the kinds are " + strings.Join(names, ", ")
	word = strings.ToLower(word)
	best := slices.MinFunc(names, func(a, b string) int {
		return cmp.Compare(levenshtein.ComputeDistance(word, a), levenshtein.ComputeDistance(word, b))
	})
	if levenshtein.ComputeDistance(word, best) <= max(1, len(word)/3) {
		return fmt.Sprintf("did you mean %q? (%s)", best, all)
	}
	return all
}

// String writes the fault as ParseFault reads it.
func (f Fault) String() string {
	text := string(f.Kind)
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	form, known := formOf(f.Kind)
	switch {
	case known && form.amount.text == counted:
		text += " " + strconv.Itoa(f.Frames)
	case !known || form.amount != (unit{}):
		text += " " + number(f.Amount) + form.amount.text
	}
	for _, w := range []struct {
		word  string
		value float64
	}{{"at", f.AtS}, {"for", f.ForS}, {"base", f.BaseHz}, {"wobble", f.WobblePPM}, {"first", float64(f.FirstRuns)}} {
		if w.value != 0 {
			text += " " + w.word + " " + number(w.value) + wordUnits[w.word]
		}
	}
	return text
}

// check returns what is wrong with a fault, or nil.
func (f Fault) check() *FaultError {
	bad := func(fact string, args ...any) *FaultError {
		return &FaultError{Text: f.String(), Fact: fmt.Sprintf(fact, args...)}
	}
	form, ok := formOf(f.Kind)
	if !ok {
		return &FaultError{f.String(), "is of a kind that the model room does not know", likelyKind(string(f.Kind))}
	}
	for _, v := range []float64{f.AtS, f.Amount, f.ForS, f.WobblePPM, f.BaseHz} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return bad("has a number that is not finite")
		}
	}
	amount, name := f.Amount, "an amount"
	if form.amount.text == counted {
		amount, name = float64(f.Frames), "a number of frames"
	}
	if !(amount >= form.amount.low && amount <= form.amount.top) {
		e := bad("has %s of %g", name, amount)
		e.Remedy = fmt.Sprintf("give %g to %g", form.amount.low, form.amount.top)
		return e
	}
	switch {
	case f.AtS < 0 || f.AtS > 1e6:
		return bad("is to happen after %g s", f.AtS)
	case f.ForS < 0 || f.ForS > 1e6:
		return bad("is to last %g s", f.ForS)
	case f.BaseHz < 0 || f.BaseHz > 1000:
		return bad("has a base of %g Hz", f.BaseHz)
	case math.Abs(f.WobblePPM) > 1000:
		return bad("wobbles by %g ppm", f.WobblePPM)
	case f.FirstRuns < 0:
		return bad("is for the first %d jobs", f.FirstRuns)
	}
	return nil
}
