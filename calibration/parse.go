package calibration

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Limits of what is taken for a calibration file.
const (
	maxBytes = 8 << 20
	maxRow   = 1024 // characters in one row of numbers
	maxDB    = 30   // no measurement microphone deviates further; absolute levels do
	maxHz    = 1e6
	minHz    = 1e-3
	// No microphone's file ends this low, in Hz, but one in kHz may end here.
	kilohertzEnd = 100
	maxDegrees   = 1e6

	// Rows for one frequency may contradict each other this far; beyond, the
	// file is refused. Both limits are our own.
	repeatDB      = 1.0
	repeatDegrees = 10.0

	// A third of an octave in nominal frequencies reaches from 1.25 to 1.6:
	// log2(1.6/1.25) = 0.356 octaves. Wider spacing is remarked on.
	spacingOctaves = 0.36

	// The range that a full microphone file covers, and the slack for rounded ends.
	fullFromHz, fullToHz, endSlack = 20, 20000, 0.001
)

// Parse reads a calibration file from r. name stands for it in messages.
//
// Two or three columns are read: frequency in Hz (in kHz where the column's
// title says so), deviation in dB, phase in degrees (or radians, likewise).
// The columns are separated by tabs, spaces, commas or semicolons; the decimal
// mark is a point or a comma. Lines that begin with # * ; // % or a quotation
// mark are text, and so is everything before the first row that is not a row.
//
// A file that cannot be read, can be read in two ways, or ends so low that it
// must be in kHz without saying so (at 100 Hz or below), is refused with a
// *SyntaxError; an error of r is returned as it came, wrapped. No more than 8 MiB
// and one byte are read from r, which need not end.
func Parse(r io.Reader, name string) (*Microphone, error) {
	raw, err := io.ReadAll(io.LimitReader(r, maxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("calibration: %s: %w", name, err)
	}
	m, bad := parse(raw, name)
	if bad != nil {
		return nil, bad // not returned as it is: a nil *SyntaxError is not a nil error
	}
	return m, nil
}

func parse(raw []byte, name string) (*Microphone, *SyntaxError) {
	if len(raw) > maxBytes {
		return nil, &SyntaxError{Name: name, Problem: "the file is larger than 8 MiB", hint: "a calibration file has some hundred rows; see that this is the right file"}
	}
	text, encoding, bad := decode(name, raw)
	if bad != nil {
		return nil, bad
	}
	if strings.TrimSpace(text) == "" {
		return nil, &SyntaxError{Name: name, Problem: "the file is empty", hint: "fetch the file again from where the microphone's maker offers it"}
	}
	c, bad := classify(name, split(text))
	if bad != nil {
		return nil, bad
	}
	if len(c.rows) == 0 {
		e := &SyntaxError{Name: name, Problem: "there are no rows of numbers"}
		if len(c.header) > 0 {
			e.Problem += "; the text begins with"
			e.Line, e.Text = c.header[0].line, c.header[0].text
		}
		return nil, e
	}
	rows, separator, bad := unquote(name, c.rows)
	if bad != nil {
		return nil, bad
	}
	got, bad := read(name, rows, separator, titledColumns(c.header))
	if bad != nil {
		return nil, bad
	}

	m := &Microphone{
		Name: name, Encoding: encoding,
		Rows: len(rows), Columns: got.columns, Separator: got.separator, Decimal: got.decimal,
	}
	for _, h := range c.header {
		if h.text != "" {
			m.Header = append(m.Header, h.text)
		}
	}
	m.Remarks = shortened(c.remarks)
	titles, bad := readTitles(name, c.header, got.columns)
	if bad != nil {
		return nil, bad
	}
	if !titles.kilohertz {
		if bad := doubtfulThousands(name, rows, got); bad != nil {
			return nil, bad
		}
	}
	if got.remark != "" {
		m.Remarks = append(m.Remarks, got.remark)
	}
	m.Remarks = append(m.Remarks, titles.remarks...)
	if bad := m.fill(rows, got, titles); bad != nil {
		return nil, bad
	}
	if _, to := m.Range(); to <= kilohertzEnd && !titles.kilohertz {
		return nil, &SyntaxError{
			Name: name, Problem: fmt.Sprintf("the highest frequency is only %s", frequency(to)),
			hint: "is the first column in kHz? then its title should say so: put a title line kHz,dB above",
		}
	}
	var doubts []string
	m.Sensitivity, doubts = findSensitivity(c.header)
	m.Remarks = append(m.Remarks, shortened(doubts)...)
	m.Remarks = append(m.Remarks, m.coverage(titles)...)
	return m, nil
}

// shortened keeps the first remarks of one kind and counts the others.
func shortened(remarks []string) []string {
	const most = 5
	if len(remarks) <= most {
		return remarks
	}
	return append(remarks[:most:most], fmt.Sprintf("There are %d more lines of this kind.", len(remarks)-most))
}

// A note is one line of the file that is not data.
type note struct {
	line int
	text string // without comment marks and quotes
}

// content is the file's lines sorted by what they are.
type content struct {
	header  []note
	rows    []row
	remarks []string
}

var (
	nonNumber = regexp.MustCompile(`(?i)^[-+]?(?:nan|inf|infinity|1[.,]?#[a-z]+)$`)
	date      = regexp.MustCompile(`^\d{1,4}[-./]\d{1,2}[-./]\d{1,4}$`)
)

// Characters in which numbers are written otherwise. The dash U+2013 stands
// for a minus in files that passed a word processor.
var plain = strings.NewReplacer("\u2212", "-", "\u2013", "-", "\u00a0", " ", "\u2007", " ", "\u2009", " ", "\u202f", " ", "\v", " ", "\f", " ")

var hardBlank = regexp.MustCompile(`\d[\x{00a0}\x{2007}\x{2009}\x{202f}]\d{3}(?:\D|$)`)

// classify tells rows of numbers from text. Before the first row a line that is
// not one is the header; after it, only marked lines may be text. What looks
// like a damaged row is an error, not a header.
func classify(name string, lines []string) (content, *SyntaxError) {
	var c content
	for i, full := range lines {
		line, full := i+1, strings.TrimSpace(full)
		if full == "" {
			continue
		}
		text, marked := uncomment(full)
		if marked {
			c.header = append(c.header, note{line: line, text: text})
			continue
		}
		data := cutRemark(full)
		if !ascii(data) || strings.ContainsAny(data, "\v\f") {
			data = plain.Replace(data)
		}
		data = strings.TrimSpace(data)
		fields := fieldsOf(data)
		for _, f := range fields {
			if len(fields) <= 4 && notANumber(f) && rowLike(fields) {
				return c, &SyntaxError{Name: name, Line: line, Text: full, Problem: fmt.Sprintf("%q is not a number that can be used", f), hint: "delete the row: the curve is interpolated across it"}
			}
		}
		quoted := strings.HasPrefix(data, `"`)
		switch {
		case rowLike(fields) && !(quoted && wholeQuoted(data)) && !(len(c.rows) == 0 && date.MatchString(data)):
			if !ascii(full) && hardBlank.MatchString(full) {
				return c, &SyntaxError{Name: name, Line: line, Text: full, Problem: "a blank stands as thousands separator, which is not read", hint: "write 1000.5, not 1 000.5"}
			}
			if len(data) > maxRow {
				return c, &SyntaxError{Name: name, Line: line, Text: full, Problem: "the row is too long", hint: "see that the rows end with line breaks"}
			}
			c.rows = append(c.rows, row{line: line, text: data, full: full})
		case quoted:
			c.header = append(c.header, note{line: line, text: strings.TrimSpace(strings.ReplaceAll(full, `"`, ""))})
		case len(c.rows) > 0:
			return c, &SyntaxError{Name: name, Line: line, Text: full, Problem: "this is neither a row of numbers nor marked as text", hint: "begin the line with # if it is a remark; delete it if it is damaged"}
		case damaged(fields):
			return c, &SyntaxError{Name: name, Line: line, Text: full, Problem: "this row cannot be read as numbers", hint: "begin the line with # if it is a remark; correct or delete it otherwise"}
		default:
			c.header = append(c.header, note{line: line, text: full})
			if len(fields) > 0 && len(fields) <= 3 && isNumber(fields[0], '.') && !sensitive(full) {
				c.remarks = append(c.remarks, fmt.Sprintf("Line %d, %s, begins with a number but was taken as text.", line, quote(full)))
			}
		}
	}
	return c, nil
}

// uncomment strips the comment mark of a line, and its quotes.
func uncomment(s string) (text string, marked bool) {
	switch {
	case strings.HasPrefix(s, "//"):
		text = strings.TrimLeft(s, "/")
	case strings.ContainsRune("#*;%", rune(s[0])):
		text = strings.TrimLeft(s, "#*;%")
	default:
		return s, false
	}
	return strings.TrimSpace(strings.Trim(strings.TrimSpace(text), `"`)), true
}

// cutRemark cuts a remark that follows a row after a blank.
func cutRemark(s string) string {
	for _, mark := range []string{"#", "//", "%"} {
		if i := strings.Index(s, mark); i > 0 && isBlank(s[i-1]) {
			s = s[:i]
		}
	}
	return s
}

func fieldsOf(s string) []string {
	return strings.FieldsFunc(s, func(r rune) bool { return r == ',' || r == ';' || r == ' ' || r == '\t' || r == '"' })
}

// rowLike reports whether a line is meant as a row: only digits, signs, marks
// and the words for what is not a number, the first being no word.
func rowLike(fields []string) bool {
	digit := false
	for _, f := range fields {
		if notANumber(f) {
			digit = true
			continue
		}
		if !digitOrMark(f) {
			return false
		}
		digit = digit || strings.ContainsAny(f, "0123456789")
	}
	return digit
}

// notANumber reports whether a field is a program's word for no number.
func notANumber(f string) bool {
	return strings.ContainsAny(f, "nNiI#") && nonNumber.MatchString(f)
}

func digitOrMark(f string) bool {
	if f[0] == 'e' || f[0] == 'E' {
		return false
	}
	for _, r := range f {
		if (r < '0' || r > '9') && !strings.ContainsRune("+-.eE'’_", r) {
			return false
		}
	}
	return true
}

func ascii(s string) bool {
	for i := range len(s) {
		if s[i] >= 0x80 {
			return false
		}
	}
	return true
}

// damaged reports whether a line is a row gone wrong ("20 -1.2x"): a number
// first and then only what begins like one.
func damaged(fields []string) bool {
	if len(fields) < 2 || len(fields) > 4 || !isNumber(fields[0], '.') {
		return false
	}
	for _, f := range fields[1:] {
		if !strings.ContainsRune("0123456789+-.", rune(f[0])) {
			return false
		}
	}
	return true
}

// wholeQuoted reports whether the line is one quoted cell: a header.
func wholeQuoted(s string) bool {
	return len(s) >= 2 && strings.Count(s, `"`) == 2 && s[0] == '"' && s[len(s)-1] == '"'
}

// unquote takes the quotes off cells such as "20,5","-1,2". Outside quotes a
// comma then separates; it is replaced by a semicolon in every row, and
// separator says what it was.
func unquote(name string, rows []row) (_ []row, separator string, _ *SyntaxError) {
	comma, quotes := false, false
	for _, r := range rows {
		if !strings.Contains(r.text, `"`) {
			continue
		}
		quotes = true
		if strings.Count(r.text, `"`)%2 != 0 {
			return nil, "", &SyntaxError{Name: name, Line: r.line, Text: r.full, Problem: "a quotation mark is not closed", hint: "complete the quotes or delete them all"}
		}
		comma = comma || outside(r.text, ',')
	}
	if !quotes {
		return rows, "", nil
	}
	for i, r := range rows {
		var b strings.Builder
		inside := false
		for _, c := range r.text {
			switch {
			case c == '"':
				inside = !inside
				continue
			case !inside && comma && c == ',':
				c = ';'
			case inside && c == ';':
				return nil, "", &SyntaxError{Name: name, Line: r.line, Text: r.full, Problem: "there is a semicolon inside quotation marks", hint: "quote each number by itself, or none"}
			}
			b.WriteRune(c)
		}
		rows[i].text = strings.TrimSpace(b.String())
	}
	if comma {
		separator = "commas"
	}
	return rows, separator, nil
}

// outside reports whether c occurs in s outside quotation marks.
func outside(s string, c byte) bool {
	inside := false
	for i := range len(s) {
		if s[i] == '"' {
			inside = !inside
		} else if s[i] == c && !inside {
			return true
		}
	}
	return false
}

var (
	thousandShape = regexp.MustCompile(`^[-+]?[1-9]\d{0,2}[.,]\d{3}$`)
	blankThousand = regexp.MustCompile(`^[1-9]\d{0,2}[ \t]+0\d\d(?:[.,]\d*)?[ \t]`)
)

// doubtfulThousands refuses files whose every frequency with a mark looks like
// 1,000 while no level has a mark at all: that may be one hertz or a thousand.
func doubtfulThousands(name string, rows []row, got reading) *SyntaxError {
	const problem, hint = "it cannot be told whether this is a thousands separator, which is not read", "write frequencies without separators and levels with decimals: 1000 -1.0"
	white := strings.Contains(got.separator, "tabs") || got.separator == "spaces"
	if white && got.columns == 3 {
		for _, r := range rows {
			if blankThousand.MatchString(r.text) {
				return &SyntaxError{Name: name, Line: r.line, Text: r.full, Problem: problem, hint: hint}
			}
		}
	}
	if got.decimal == "none" || got.separator == "commas" && got.decimal == "comma" {
		return nil
	}
	first := -1
	for i, r := range rows {
		text := r.text
		end := strings.IndexAny(text, " \t;")
		if got.separator == "commas" {
			end = strings.IndexAny(text, ",;")
		}
		if end < 0 {
			return nil
		}
		f, rest := text[:end], text[end+1:]
		if strings.Contains(rest, ".") || got.decimal == "comma" && strings.Contains(rest, ",") {
			return nil
		}
		if strings.ContainsAny(f, ".,") {
			if !thousandShape.MatchString(f) {
				return nil
			}
			if first < 0 {
				first = i
			}
		}
	}
	if first < 0 {
		return nil
	}
	return &SyntaxError{Name: name, Line: rows[first].line, Text: rows[first].full, Problem: problem, hint: hint}
}

// A point is one row as numbers.
type point struct {
	hz, db, degrees float64
	line            int
}

// fill checks the numbers, sorts and merges them, and keeps them in m.
func (m *Microphone) fill(rows []row, got reading, titles titles) *SyntaxError {
	refuse := func(r row, hint, problem string, args ...any) *SyntaxError {
		return &SyntaxError{Name: m.Name, Line: r.line, Text: r.full, Problem: fmt.Sprintf(problem, args...), hint: hint}
	}
	unitHint := "see that the first column is the frequency in Hz"
	if titles.kilohertz {
		unitHint = "see that the first column is the frequency in kHz, as its title says"
	}
	phase := got.columns == 3 && titles.phase
	points := make([]point, 0, len(rows))
	var zero []int
	for i, r := range rows {
		v := got.row(i)
		p := point{hz: v[0], db: v[1], line: r.line}
		if titles.kilohertz {
			p.hz = math.Round(p.hz*1e12) / 1e9 // 0.0315 kHz is 31.5 Hz, without the rounding of binary fractions
		}
		switch {
		case p.hz < 0:
			return refuse(r, "see that the first column is the frequency", "the frequency is negative")
		case v[0] == 0:
			zero = append(zero, r.line)
			continue
		case p.hz > maxHz:
			return refuse(r, unitHint, "the frequency is above %s", frequency(maxHz))
		case p.hz < minHz:
			return refuse(r, unitHint, "the frequency is below %s", frequency(minHz))
		case math.Abs(p.db) > maxDB:
			return refuse(r, "the second column must be the deviation around 0 dB; where it is a sound pressure level or a sensitivity, subtract its value at 1 kHz", "the level is beyond ±%d dB", maxDB)
		}
		if phase {
			p.degrees = v[2]
			if titles.radians {
				p.degrees *= 180 / math.Pi
			}
			if math.Abs(p.degrees) > maxDegrees {
				return refuse(r, "see that the third column is the phase in degrees", "the phase is beyond ±%s degrees", number(maxDegrees))
			}
		}
		points = append(points, p)
	}
	if len(zero) > 0 {
		m.Remarks = append(m.Remarks, fmt.Sprintf("0 Hz has no place on a logarithmic axis: %s dropped.", lineList(zero)))
	}
	byHz := func(a, b point) int { return cmp.Compare(a.hz, b.hz) }
	if !slices.IsSortedFunc(points, byHz) {
		slices.SortStableFunc(points, byHz)
		m.Remarks = append(m.Remarks, "The rows were not in order of rising frequency and have been sorted.")
	}
	points, bad := m.merge(points)
	if bad != nil {
		return bad
	}
	if len(points) < 2 {
		r := rows[len(rows)-1]
		return refuse(r, "fetch the whole file again from where the microphone's maker offers it", "a curve needs at least two frequencies above 0 Hz")
	}
	for _, p := range points {
		m.Hz = append(m.Hz, p.hz)
		m.DB = append(m.DB, p.db)
		if phase {
			m.Degrees = append(m.Degrees, p.degrees)
		}
	}
	unwrap(m.Degrees)
	return nil
}

// merge makes one point of the points of one frequency.
func (m *Microphone) merge(points []point) ([]point, *SyntaxError) {
	var out []point
	same, widest := 0, 0.0
	var contradicting []int
	for i := 0; i < len(points); {
		j := i + 1
		lo, hi := points[i], points[i] // lowest and highest level
		db, turn, far := points[i].db, 0.0, points[i]
		farthest := 0.0
		for ; j < len(points) && points[j].hz == points[i].hz; j++ {
			p := points[j]
			if p.db < lo.db {
				lo = p
			}
			if p.db > hi.db {
				hi = p
			}
			db += p.db
			d := math.Remainder(p.degrees-points[i].degrees, 360)
			turn += d
			if math.Abs(d) > farthest {
				far, farthest = p, math.Abs(d)
			}
		}
		p, n := points[i], float64(j-i)
		spread := hi.db - lo.db
		at := func(a, b point) []int { return []int{min(a.line, b.line), max(a.line, b.line)} }
		switch {
		case spread > repeatDB:
			return nil, &SyntaxError{
				Name: m.Name, Line: max(lo.line, hi.line), hint: "delete the row that is wrong",
				Problem: fmt.Sprintf("%s contradict each other at %s by %.2f dB", lineList(at(lo, hi)), frequency(p.hz), spread),
			}
		case farthest > repeatDegrees:
			return nil, &SyntaxError{
				Name: m.Name, Line: max(p.line, far.line), hint: "delete the row that is wrong",
				Problem: fmt.Sprintf("%s contradict each other at %s by %.1f degrees", lineList(at(p, far)), frequency(p.hz), farthest),
			}
		case spread > 0 || farthest > 0:
			for _, q := range points[i:j] {
				contradicting = append(contradicting, q.line)
			}
			widest = max(widest, spread)
			p.db, p.degrees = db/n, p.degrees+turn/n
		case j-i > 1:
			same += j - i - 1
		}
		out = append(out, p)
		i = j
	}
	if same > 0 {
		m.Remarks = append(m.Remarks, fmt.Sprintf("Rows that repeat another one were merged with it: %d.", same))
	}
	if len(contradicting) > 0 {
		slices.Sort(contradicting)
		m.Remarks = append(m.Remarks, fmt.Sprintf("%s give different values for the same frequency (by up to %.2f dB); their mean is used.", upper(lineList(contradicting)), widest))
	}
	return out, nil
}

// lineList writes "line 3", "lines 3 and 7", and no more than six numbers.
func lineList(lines []int) string {
	const most = 6
	words := make([]string, 0, most+1)
	for i, l := range lines {
		if i == most {
			words = append(words, fmt.Sprintf("%d more", len(lines)-most))
			break
		}
		words = append(words, strconv.Itoa(l))
	}
	if len(lines) == 1 {
		return "line " + words[0]
	}
	return "lines " + together(words)
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// unwrap removes jumps of a whole turn, in place: a step of more than half a
// turn is taken as the smaller step the other way round. A phase that already
// spans more than a turn is continuous as its maker wrote it, and is left.
func unwrap(degrees []float64) {
	if len(degrees) == 0 || slices.Max(degrees)-slices.Min(degrees) > 360 {
		return
	}
	turns := 0.0
	last := degrees[0]
	for i, d := range degrees {
		if step := d - last; math.Abs(step) > 180 {
			turns -= 360 * math.Round(step/360)
		}
		last = d
		degrees[i] = d + turns
	}
}

// coverage remarks on sign, range and spacing.
func (m *Microphone) coverage(titles titles) []string {
	var remarks []string
	switch titles.sign {
	case signCorrection:
		remarks = append(remarks, "The header speaks of a correction; the levels were nevertheless taken as the microphone's own deviation and will be subtracted. If the maker wants them added, turn their signs.")
	case signUnknown:
		remarks = append(remarks, "The file does not say which sign it uses; its levels were taken as the microphone's own deviation and will be subtracted.")
	}
	from, to := m.Range()
	if from > fullFromHz*(1+endSlack) || to < fullToHz*(1-endSlack) {
		remarks = append(remarks, fmt.Sprintf("The file covers only %s to %s of 20 Hz to 20 kHz; outside, its end values are held and a response counts as uncorrected.", frequency(from), frequency(to)))
	}
	gaps, widest, at := 0, 0.0, 0
	for i := 1; i < len(m.Hz); i++ {
		if m.Hz[i] <= fullFromHz || m.Hz[i-1] >= fullToHz {
			continue
		}
		if octaves := math.Log2(m.Hz[i] / m.Hz[i-1]); octaves > spacingOctaves {
			gaps++
			if octaves > widest {
				widest, at = octaves, i
			}
		}
	}
	if gaps > 0 {
		remarks = append(remarks, fmt.Sprintf("Rows lie further apart than a third of an octave in %s, most between %s and %s (%.2f octaves); what the microphone does in between is not in the file.",
			places(gaps), frequency(m.Hz[at-1]), frequency(m.Hz[at]), widest))
	}
	return remarks
}

func places(n int) string {
	if n == 1 {
		return "1 place"
	}
	return strconv.Itoa(n) + " places"
}
