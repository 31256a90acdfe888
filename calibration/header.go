package calibration

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

// What the header says about the sign of the levels.
const (
	signUnknown = iota
	signDeviation
	signCorrection
)

// titles is what the columns' titles say.
type titles struct {
	kilohertz bool
	phase     bool // the third column is a phase
	radians   bool
	sign      int
	remarks   []string
}

var (
	titleFrequency = regexp.MustCompile(`(?i)^\W*(?:fr[eé]q|f\b|k?hz\b)`)
	titleLevel     = regexp.MustCompile(`(?i)\bd(?:b|ezibel)|decibel|level|spl\b|magn|\bmag\b|gain|deviation|response|amplitude|correction|sens|\bval`)
	titlePhase     = regexp.MustCompile(`(?i)phase|\bdeg|°|\brad`)
	incidence      = regexp.MustCompile(`(?i)\b\d+\s*(?:°|deg)`)
	kilohertz      = regexp.MustCompile(`(?i)\bkhz\b`)
	hertz          = regexp.MustCompile(`(?i)\bhz\b`)
	afterNumber    = regexp.MustCompile(`(?i)\d\s*k?hz\b`)
	radian         = regexp.MustCompile(`(?i)\brad`)
	degree         = regexp.MustCompile(`(?i)\bdeg|°`)
	deviation      = regexp.MustCompile(`(?i)response|deviation`)
	correction     = regexp.MustCompile(`(?i)correction|compensation`)
)

// isTitle reports whether a header line names columns: a frequency first, then
// a level, and no frequency with a number ("1 kHz").
func isTitle(text string) bool {
	text = words(text)
	return titleFrequency.MatchString(text) && titleLevel.MatchString(text) && !afterNumber.MatchString(text)
}

// titledColumns returns how many columns the title names: 2, 3, or 0 where there
// is no title or it is not clear.
func titledColumns(header []note) int {
	columns := 0
	for _, h := range header {
		if !isTitle(h.text) {
			continue
		}
		cells := strings.FieldsFunc(h.text, func(r rune) bool { return r == ',' || r == ';' || r == '\t' })
		if len(cells) == 1 {
			cells = strings.Fields(h.text)
		}
		clear := (len(cells) == 2 || len(cells) == 3) && titleFrequency.MatchString(words(cells[0])) && titleLevel.MatchString(words(cells[1]))
		if clear && len(cells) == 3 {
			third := words(cells[2])
			clear = titlePhase.MatchString(third) || titleLevel.MatchString(third)
		}
		if !clear || columns != 0 && columns != len(cells) {
			return 0
		}
		columns = len(cells)
	}
	return columns
}

// words sets the words of "Mag_dB" apart.
func words(title string) string { return strings.ReplaceAll(title, "_", " ") }

// readTitles reads the columns' titles. Without any, frequencies are in Hz and
// a third column is a phase in degrees; a remark then says so.
func readTitles(name string, header []note, columns int) (titles, *SyntaxError) {
	t := titles{phase: columns == 3}
	var inHz, inKHz *note
	titled := false
	for i, h := range header {
		if correction.MatchString(h.text) {
			t.sign = signCorrection
		}
		if !isTitle(h.text) {
			continue
		}
		title := words(h.text)
		if kilohertz.MatchString(title) {
			inKHz = &header[i]
		} else if hertz.MatchString(title) {
			inHz = &header[i]
		}
		if deviation.MatchString(title) && t.sign == signUnknown {
			t.sign = signDeviation
		}
		if columns == 3 {
			titled = true
			t.phase = titlePhase.MatchString(title) && !incidence.MatchString(title)
			t.radians = radian.MatchString(title) && !degree.MatchString(title)
			if !t.phase {
				t.remarks = append(t.remarks, fmt.Sprintf("The third column is not used: its title in line %d, %s, does not call it a phase.", h.line, quote(h.text)))
			}
		}
	}
	if inHz != nil && inKHz != nil {
		return t, &SyntaxError{
			Name: name, Line: inKHz.line, Text: inKHz.text, hint: "delete the wrong one of the two lines",
			Problem: fmt.Sprintf("the frequencies are in kHz here, but in Hz in line %d", inHz.line),
		}
	}
	t.kilohertz = inKHz != nil
	if t.kilohertz {
		t.remarks = append(t.remarks, fmt.Sprintf("The frequencies are in kHz, as line %d says.", inKHz.line))
	}
	if t.phase && t.radians {
		t.remarks = append(t.remarks, "The phase is in radians, as the column's title says; it was turned into degrees.")
	}
	if columns == 3 && !titled {
		t.remarks = append(t.remarks, "The third column has no title; it was taken as the phase in degrees.")
	}
	return t, nil
}

// The parts of a stated sensitivity. Forms as they occur in data sheets and
// files (common practice, no source).
const (
	numberPattern = `(?:\d+(?:[.,]\d+)?|[.,]\d+)`
	perPascal     = `\s*(?:/|per)\s*(?:1\s*)?pa(?:scal)?\b`
	unitPattern   = `db\s*\(?\s*fs\b\)?` +
		`|db\s*v\s*(?:/|per|re\.?)\s*(?:1\s*)?pa(?:scal)?\b` +
		`|db\s*[(\[,]?\s*(?:re|rel|ref|relative)\b[.:]?\s*(?:to\s+)?(?:1(?:[.,]0)?\s*)?v` + perPascal +
		`|db\s*[(\[]?\s*spl\b` +
		`|db\w*` +
		`|m?v` + perPascal
)

var (
	quantity    = regexp.MustCompile(`(?i)([-+]?)(` + numberPattern + `)\s*(` + unitPattern + `)`)
	unitFirst   = regexp.MustCompile(`(?i)\bsens[a-z]*(?:\s+(?:factor|level))?\s*[\[(,:]?\s*(?:in\s+)?(` + unitPattern + `)(?:\s*(?:at|@)\s*` + numberPattern + `\s*db\s*(?:spl)?)?\s*[\])]?\s*[:=]?\s*([-+]?)(` + numberPattern + `)\s*(k?hz\b|%)?`)
	sensWord    = regexp.MustCompile(`(?i)\bsens`)
	otherMatter = regexp.MustCompile(`(?i)toleran|accura|uncertain|noise|\bmax|overload|clip|dynamic range`)
	beforeRef   = regexp.MustCompile(`(?i)(?:\bre|\brel|\bref|relative|\bto|=)[.:]?\s*$`)
	beforeAt    = regexp.MustCompile(`(?i)(?:\bat|@|\bfor)\s*$`)
	pascalRef   = regexp.MustCompile(`(?i)^\s*(?:/|per|re\.?|at|@)\s*(?:1(?:[.,]0)?\s*)?pa(?:scal)?\b`)
	afterRef    = regexp.MustCompile(`(?i)^\s*[(\[,]?\s*(?:(?:re|rel|ref|relative)\b|/|=)`)
	zeroIsVolt  = regexp.MustCompile(`(?i)\b0\s*db\s*=\s*1(?:[.,]0)?\s*v` + perPascal)
	segment     = regexp.MustCompile(`[,;]\s+`)
	tolerance   = regexp.MustCompile(`(?:±|\+\s*/?\s*-)\s*$`)
	looseSign   = regexp.MustCompile(`[-–−]\s+$`)
)

// sensitive reports whether a line states a sensitivity.
func sensitive(text string) bool {
	s, _ := sensitivityIn(text)
	return s != nil
}

// findSensitivity returns the sensitivity that the header states, if it states
// just one, and a remark on every statement that could not be used.
func findSensitivity(header []note) (*Sensitivity, []string) {
	var found *Sensitivity
	var at int
	var remarks []string
	contradiction := false
	for _, h := range header {
		s, doubt := sensitivityIn(h.text)
		switch {
		case doubt != "" && !isTitle(h.text):
			remarks = append(remarks, fmt.Sprintf("The sensitivity in line %d, %s, is not used: %s.", h.line, quote(h.text), doubt))
		case s == nil:
		case found == nil || rank(s.Unit) > rank(found.Unit):
			found, at = s, h.line
			contradiction = false
		case s.Unit == found.Unit && s.Value != found.Value:
			contradiction = true
			remarks = append(remarks, fmt.Sprintf("Lines %d and %d state different sensitivities, %s and %s; none is used.", at, h.line, found, s))
		}
	}
	if contradiction {
		return nil, remarks
	}
	return found, remarks
}

// rank orders units by how much they tell.
func rank(unit string) int {
	switch unit {
	case UnitDB:
		return 0
	case UnitDBFS:
		return 1
	case UnitVoltLevel:
		return 2
	case UnitMillivolt:
		return 3
	}
	return 4
}

// sensitivityIn returns the sensitivity that a line states; or, where it seems
// to state one that is not understood, why; or neither.
func sensitivityIn(text string) (_ *Sensitivity, doubt string) {
	word := sensWord.FindStringIndex(text)
	if word == nil && otherMatter.MatchString(text) {
		return nil, ""
	}
	var millivolt, voltLevel, fullScale, spl, bare []Sensitivity
	var bareAt []int // where each of bare begins
	odd := ""        // a unit that is not known
	for _, q := range quantity.FindAllStringSubmatchIndex(text, -1) {
		start, sign, digits, unit := q[0], text[q[2]:q[3]], text[q[4]:q[5]], strings.ToLower(text[q[6]:q[7]])
		before, after := text[:start], text[q[1]:]
		if n := len(before); n > 0 && (before[n-1] == '.' || before[n-1] == ',' || isWord(before[n-1])) && sign == "" {
			continue // the end of a longer number or of a name
		}
		if tolerance.MatchString(before + sign) {
			continue
		}
		value, ok := plainNumber(sign, digits)
		if !ok {
			odd = "the number may have a thousands separator"
			continue
		}
		if sign == "" && strings.HasSuffix(before, "−") || sign == "" && strings.HasSuffix(before, "–") {
			value = -value
		}
		squeezed := strings.Join(strings.Fields(unit), "")
		decibel := strings.HasPrefix(squeezed, "db")
		if decibel && sign == "" && looseSign.MatchString(before) {
			odd = "its sign is not clear"
			continue
		}
		switch {
		case strings.HasPrefix(squeezed, "mv"), strings.HasPrefix(squeezed, "v"):
			if squeezed[0] == 'v' && value == 1 && beforeRef.MatchString(before) {
				continue // the reference of a level, not a sensitivity
			}
			if squeezed[0] == 'v' {
				value *= 1000
			}
			if value <= 0 {
				odd = "it is not above zero"
				continue
			}
			millivolt = append(millivolt, Sensitivity{Value: value, Unit: UnitMillivolt, Text: text})
		case strings.Contains(squeezed, "fs"):
			s := Sensitivity{Value: value, Unit: UnitDBFS, Text: text}
			if pascalRef.MatchString(after) {
				s.AtSPL = 94 // 1 Pa is 93.98 dB re 20 µPa, in the trade "94 dB"
			}
			fullScale = append(fullScale, s)
		case strings.HasSuffix(squeezed, "spl"):
			spl = append(spl, Sensitivity{Value: value})
		case strings.Contains(squeezed, "pa"):
			voltLevel = append(voltLevel, Sensitivity{Value: value, Unit: UnitVoltLevel, Text: text})
		case squeezed != "db":
			odd = "its unit is not known"
		case beforeAt.MatchString(before):
			spl = append(spl, Sensitivity{Value: value})
		case value == 0 && strings.HasPrefix(strings.TrimSpace(after), "="): // "0 dB = 1 V/Pa"
		case afterRef.MatchString(after):
			odd = "what it refers to is not known"
		default:
			bare = append(bare, Sensitivity{Value: value, Unit: UnitDB, Text: text})
			bareAt = append(bareAt, start)
		}
	}
	if len(millivolt)+len(voltLevel)+len(fullScale)+len(bare) == 0 {
		if u := unitFirst.FindStringSubmatch(text); u != nil && u[4] == "" {
			value, ok := plainNumber(u[2], u[3])
			squeezed := strings.Join(strings.Fields(strings.ToLower(u[1])), "")
			s := Sensitivity{Value: value, Text: text}
			switch {
			case !ok:
			case strings.HasPrefix(squeezed, "mv") && value > 0:
				s.Unit = UnitMillivolt
				return &s, ""
			case strings.HasPrefix(squeezed, "v") && value > 0:
				s.Value, s.Unit = value*1000, UnitMillivolt
				return &s, ""
			case strings.Contains(squeezed, "fs"):
				fullScale = append(fullScale, Sensitivity{Value: value, Unit: UnitDBFS, Text: text})
			case strings.HasSuffix(squeezed, "pa"):
				s.Unit = UnitVoltLevel
				return &s, ""
			case squeezed == "db":
				s.Unit = UnitDB
				return &s, ""
			}
		}
	}
	if zeroIsVolt.MatchString(text) && len(bare) == 1 {
		bare[0].Unit = UnitVoltLevel
		voltLevel, bare = append(voltLevel, bare[0]), nil
	}

	pick := func(of []Sensitivity) (*Sensitivity, string) {
		if len(of) > 1 {
			return nil, "the line states several"
		}
		return &of[0], ""
	}
	switch {
	case len(fullScale) > 0:
		if word == nil && (len(spl) == 0 && fullScale[0].AtSPL == 0) {
			return nil, "" // a level in dBFS of something else
		}
		if len(fullScale) > 1 || len(spl) > 1 {
			return nil, "the line states several levels"
		}
		s := fullScale[0]
		if len(spl) == 1 {
			s.AtSPL = spl[0].Value
		}
		if s.AtSPL > 0 {
			s.Unit = fmt.Sprintf("dBFS at %s dB SPL", number(s.AtSPL))
		}
		return &s, ""
	case len(millivolt) > 0:
		return pick(millivolt)
	case len(voltLevel) > 0:
		return pick(voltLevel)
	case word == nil:
		return nil, ""
	case otherMatter.MatchString(text):
		return nil, ""
	}
	// Of bare dB, those count that follow the word; of several, those in the
	// same part of the line.
	var near []Sensitivity
	for i, s := range bare {
		if bareAt[i] > word[0] {
			near = append(near, s)
		}
	}
	if len(near) > 1 {
		part := text[word[0]:]
		if end := segment.FindStringIndex(part); end != nil {
			part = part[:end[0]]
		}
		near = nil
		for i, s := range bare {
			if bareAt[i] > word[0] && bareAt[i] < word[0]+len(part) {
				near = append(near, s)
			}
		}
		if len(near) == 0 {
			return nil, "the line states several levels"
		}
	}
	switch {
	case len(near) > 0:
		return pick(near)
	case odd != "":
		return nil, odd
	case strings.ContainsAny(text[word[1]:], "0123456789"):
		return nil, "no unit that is known stands with it"
	}
	return nil, ""
}

func isWord(c byte) bool {
	return 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' || '0' <= c && c <= '9' || c == '_'
}

var threeAfterComma = regexp.MustCompile(`^\d{1,3},\d{3}$`)

// plainNumber reads a number of the header with either decimal mark. "1,250"
// is refused: it may be 1250.
func plainNumber(sign, digits string) (float64, bool) {
	if threeAfterComma.MatchString(digits) && digits[0] != '0' {
		return 0, false
	}
	v, err := strconv.ParseFloat(sign+strings.Replace(digits, ",", ".", 1), 64)
	return v, err == nil
}
