package modelroom

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
)

// Change is something that is done to the room before it is measured, so that
// there is a before and an after. Its zero value is no change.
type Change struct {
	Kind ChangeKind
	// Name is the loudspeaker or subwoofer that it is done to, as Truth.Sources
	// names it; for absorption "".
	Name string
	// At is where it is moved: m from the front wall, the left wall, the floor.
	At [3]float64
	// Amount is the factor of the absorption, the level or the filter's gain in
	// dB, the delay in s.
	Amount float64
	Hz, Q  float64 // of a filter: a peaking one, gain and Q as in the Audio EQ Cookbook (W3C Note, 2021)
}

// ChangeKind says what a Change does.
type ChangeKind string

// The kinds of change.
const (
	Move       ChangeKind = "move"       // to another place
	Absorption ChangeKind = "absorption" // all decay times are divided by Amount
	Filter     ChangeKind = "filter"     // a peaking filter in front of it
	Level      ChangeKind = "level"      // louder by Amount
	Delay      ChangeKind = "delay"      // later by Amount
	Invert     ChangeKind = "invert"     // other polarity
)

// What a change may be.
const (
	leastAbsorption, mostAbsorption = 0.5, 4
	mostLevelDB                     = 20
	mostDelayS                      = 0.1
	leastFilterHz, mostFilterHz     = 5, 2000
	leastQ, mostQ                   = 0.2, 60
	wallGapM                        = 0.05 // what stays between a cabinet's middle and a wall
)

// ChangeForms lists how each kind of change is written, with what it does: two
// columns for a help text.
func ChangeForms() [][2]string {
	return [][2]string{
		{"move NAME to X,Y,Z", "the loudspeaker or subwoofer stands elsewhere: m from the front wall, the left wall and the floor"},
		{"absorption N", "the room absorbs more: all decay times are divided by N, 0.5 to 4"},
		{"filter NAME F Hz G dB Q N", "a peaking filter in front of it, as \"filter subs 42 Hz -6 dB Q 12\""},
		{"level NAME G dB", "it plays louder, or softer"},
		{"delay NAME T ms", "it plays later"},
		{"invert NAME", "its polarity is turned round"},
	}
}

// Names lists the loudspeakers and subwoofers by the names that changes use;
// "subs" stands for both subwoofers.
func Names() []string {
	var names []string
	for _, s := range cinema.subs {
		names = append(names, s.name)
	}
	names = append(names, everySub)
	for _, channel := range cinema.channels {
		if e, ok := cinema.speakers[channel]; ok {
			names = append(names, e.name)
		}
	}
	return names
}

const everySub = "subs"

// ChangeError says what is wrong with a change.
type ChangeError struct{ Text, Fact, Remedy string }

func (e *ChangeError) Error() string { return fmt.Sprintf("the change %q %s", e.Text, e.Fact) }

// Hint says how to write it.
func (e *ChangeError) Hint() string { return e.Remedy }

// ParseChange reads a change as String writes it; ChangeForms lists the forms.
// It fails with *ChangeError.
func ParseChange(text string) (Change, error) {
	words := strings.Fields(text)
	bad := func(fact string, args ...any) (Change, error) {
		remedy := "write one of: "
		for i, f := range ChangeForms() {
			if i > 0 {
				remedy += "; "
			}
			remedy += f[0]
			if len(words) > 0 && strings.EqualFold(words[0], strings.Fields(f[0])[0]) {
				remedy = "write " + f[0]
				break
			}
		}
		return Change{}, &ChangeError{text, fmt.Sprintf(fact, args...), remedy}
	}
	if len(words) == 0 {
		return bad("is empty")
	}
	c := Change{Kind: ChangeKind(strings.ToLower(words[0]))}
	rest := strings.TrimSpace(strings.TrimSpace(text)[len(words[0]):])
	if c.Kind != Absorption {
		lower := strings.ToLower(rest)
		for _, name := range Names() {
			if after, ok := strings.CutPrefix(lower, name); ok && (after == "" || after[0] == ' ') && len(name) > len(c.Name) {
				c.Name = name
			}
		}
		if c.Name == "" {
			switch c.Kind {
			case Move, Filter, Level, Delay, Invert:
				return bad("names none of %s", strings.Join(Names(), ", "))
			}
			return bad("is of a kind that the model room does not know")
		}
		rest = strings.TrimSpace(rest[len(c.Name):])
	}
	numbers, ok := numbersIn(rest, c.Kind)
	if !ok {
		return bad("has %q, which cannot be read", rest)
	}
	switch c.Kind {
	case Move:
		copy(c.At[:], numbers)
	case Filter:
		c.Hz, c.Amount, c.Q = numbers[0], numbers[1], numbers[2]
	case Absorption, Level:
		c.Amount = numbers[0]
	case Delay:
		c.Amount = numbers[0] / 1000
	}
	if fact := c.check(&cinema); fact != "" {
		return bad("%s", fact)
	}
	return c, nil
}

// numbersIn reads what follows a kind and a name.
func numbersIn(text string, kind ChangeKind) ([]float64, bool) {
	parts := map[ChangeKind]struct {
		separators string
		units      []string
	}{
		Move:       {",", []string{"m", "m", "m"}},
		Absorption: {"", []string{""}},
		Filter:     {"", []string{"Hz", "dB", ""}},
		Level:      {"", []string{"dB"}},
		Delay:      {"", []string{"ms"}},
		Invert:     {},
	}[kind]
	text = strings.ReplaceAll(text, "−", "-")
	var fields []string
	if kind == Move {
		after, ok := strings.CutPrefix(strings.ToLower(text), "to ")
		if !ok {
			return nil, false
		}
		fields = strings.Split(strings.ReplaceAll(after, " ", ""), parts.separators)
	} else {
		for _, f := range strings.Fields(text) {
			if f = strings.TrimPrefix(strings.ToLower(f), "q"); f != "" {
				fields = append(fields, f)
			}
		}
	}
	// A unit may stand by itself.
	var joined []string
	for _, f := range fields {
		f = strings.TrimSpace(f)
		if n := len(joined); n > 0 && n <= len(parts.units) && parts.units[n-1] != "" && strings.EqualFold(f, parts.units[n-1]) {
			continue
		}
		joined = append(joined, f)
	}
	if len(joined) != len(parts.units) {
		return nil, false
	}
	var out []float64
	for i, f := range joined {
		v, ok := quantity(f, parts.units[i])
		if !ok {
			return nil, false
		}
		out = append(out, v)
	}
	return out, true
}

// String writes a change as ParseChange reads it.
func (c Change) String() string {
	switch c.Kind {
	case Move:
		return fmt.Sprintf("move %s to %g,%g,%g", c.Name, c.At[0], c.At[1], c.At[2])
	case Absorption:
		return fmt.Sprintf("absorption %g", c.Amount)
	case Filter:
		return fmt.Sprintf("filter %s %g Hz %g dB Q %g", c.Name, c.Hz, c.Amount, c.Q)
	case Level:
		return fmt.Sprintf("level %s %g dB", c.Name, c.Amount)
	case Delay:
		return fmt.Sprintf("delay %s %g ms", c.Name, 1000*c.Amount)
	}
	return fmt.Sprintf("%s %s", c.Kind, c.Name)
}

// check says what cannot be about a change in a scene, "" where all is well.
func (c Change) check(s *scene) string {
	within := func(v, least, most float64) bool { return v >= least && v <= most } // false for NaN
	if c.Kind != Absorption && len(s.named(c.Name)) == 0 {
		return fmt.Sprintf("is of %q, which the model room does not have", c.Name)
	}
	switch c.Kind {
	case Move:
		for i, v := range c.At {
			if !within(v, wallGapM, s.room.size[i]-wallGapM) {
				return fmt.Sprintf("leads out of the room, which is %g m long, %g m wide and %g m high", s.room.size[0], s.room.size[1], s.room.size[2])
			}
		}
		for name, seat := range s.seats {
			if point(c.At).distance(seat) < 0.3 {
				return fmt.Sprintf("puts it on the seat %q", name)
			}
		}
		if len(s.named(c.Name)) > 1 {
			return "puts two in one place"
		}
	case Absorption:
		if !within(c.Amount, leastAbsorption, mostAbsorption) {
			return fmt.Sprintf("is not between %g and %g", leastAbsorption, float64(mostAbsorption))
		}
	case Filter:
		if !within(c.Hz, leastFilterHz, mostFilterHz) || !within(c.Q, leastQ, mostQ) || !within(c.Amount, -mostLevelDB, mostLevelDB) {
			return fmt.Sprintf("is outside %d to %d Hz, %d to %d dB, Q %g to %d", leastFilterHz, mostFilterHz, -mostLevelDB, mostLevelDB, leastQ, mostQ)
		}
	case Level:
		if !within(c.Amount, -mostLevelDB, mostLevelDB) {
			return fmt.Sprintf("is outside %d to %d dB", -mostLevelDB, mostLevelDB)
		}
	case Delay:
		if !within(c.Amount, 0, mostDelayS) {
			return fmt.Sprintf("is outside 0 to %g ms", 1000*mostDelayS)
		}
	case Invert:
	default:
		return "is of a kind that the model room does not know"
	}
	return ""
}

// named returns the emitters that a name stands for, by their place in subs or
// their channel.
func (s *scene) named(name string) (at []any) {
	for i, e := range s.subs {
		if e.name == name || name == everySub {
			at = append(at, i)
		}
	}
	for channel, e := range s.speakers {
		if e.name == name {
			at = append(at, channel)
		}
	}
	return at
}

// changed returns the scene after some changes; s itself stays as it is.
func (s *scene) changed(changes []Change) (*scene, error) {
	if len(changes) == 0 {
		return s, nil
	}
	out := *s
	out.subs, out.speakers, out.decayS = slices.Clone(s.subs), maps.Clone(s.speakers), slices.Clone(s.decayS)
	for _, c := range changes {
		if fact := c.check(&out); fact != "" {
			return nil, &ChangeError{c.String(), fact, "see ChangeForms"}
		}
		if c.Kind == Absorption {
			for i := range out.decayS {
				out.decayS[i] /= c.Amount
			}
			continue
		}
		for _, at := range out.named(c.Name) {
			if i, ok := at.(int); ok {
				out.subs[i] = out.subs[i].changed(c)
			} else {
				channel := at.(string)
				out.speakers[channel] = out.speakers[channel].changed(c)
			}
		}
	}
	return &out, nil
}

func (e emitter) changed(c Change) emitter {
	switch c.Kind {
	case Move:
		e.at = c.At
	case Filter:
		e.filters = append(slices.Clone(e.filters), c)
	case Level:
		e.gain *= math.Pow(10, c.Amount/20)
	case Delay:
		e.delayS += c.Amount
	case Invert:
		e.gain = -e.gain
	}
	return e
}

// peaking is the peaking filter of the Audio EQ Cookbook (W3C Note, 2021).
func peaking(hz, db, q, rate float64) biquad {
	a := math.Pow(10, db/40)
	sin, cos := math.Sincos(2 * math.Pi * hz / rate)
	alpha := sin / (2 * q)
	norm := 1 / (1 + alpha/a)
	return biquad{b0: (1 + alpha*a) * norm, b1: -2 * cos * norm, b2: (1 - alpha*a) * norm, a1: -2 * cos * norm, a2: (1 - alpha/a) * norm}
}
