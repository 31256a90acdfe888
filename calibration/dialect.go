package calibration

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// A row is one line of numbers, still as text.
type row struct {
	line int
	text string // without quotes, comments and blanks at the ends
	full string // as it stands in the file, for messages
}

// A reading is what a dialect makes of all rows.
type reading struct {
	separator, decimal string
	columns            int
	values             []float64 // row after row
	remark             string    // what the reader should know about how it was chosen, or ""
}

// A fault is the first row that a dialect cannot read, and how many rows it can.
type fault struct {
	row           row
	problem, hint string
	good          int
}

// read finds the one reading of rows, in which `;` outside quotes stands for
// what separator says when that is not "". named is the number of columns that
// the title names, 0 for no title: it decides between readings. A file is refused
// that has none, or two with different numbers.
func read(name string, rows []row, separator string, named int) (reading, *SyntaxError) {
	var semicolon, comma, point, blank, tab bool
	blankRows, tabRows := 0, 0
	for _, r := range rows {
		semicolon = semicolon || strings.Contains(r.text, ";")
		comma = comma || strings.Contains(r.text, ",")
		point = point || strings.Contains(r.text, ".")
		if strings.ContainsAny(r.text, " \t") {
			blankRows++
		}
		tab = tab || strings.Contains(r.text, "\t")
		blank = blank || strings.Contains(r.text, " ")
		if strings.Contains(r.text, "\t") {
			tabRows++
		}
	}
	white := "spaces"
	if tab && (blank || tabRows < len(rows)) {
		white = "tabs and spaces"
		// Blanks that only pad the columns do not make a second separator.
		if tabRows == len(rows) && !slices.ContainsFunc(rows, blankBetweenFields) {
			white = "tabs"
		}
	} else if tab {
		white = "tabs"
	}

	var dialects []dialect
	switch {
	case semicolon:
		if separator == "" {
			separator = "semicolons"
		}
		dialects = []dialect{{separator, '.', splitAt(';')}, {separator, ',', splitAt(';')}}
	case blankRows == 0 && comma && !point:
		return readCommas(name, rows, named)
	default:
		dialects = []dialect{{white, '.', strings.Fields}, {white, ',', strings.Fields}}
		if comma {
			dialects = append(dialects, dialect{"commas", '.', splitAt(',')}, dialect{"commas", ',', splitAtSpacedComma})
		}
	}

	var readings []reading
	var worst fault
	for i, d := range dialects {
		got, bad := d.read(rows)
		if bad != nil {
			if i == 0 || bad.good > worst.good {
				worst = *bad
			}
			continue
		}
		if !slices.ContainsFunc(readings, func(r reading) bool {
			return r.columns == got.columns && slices.Equal(r.values, got.values)
		}) {
			readings = append(readings, got)
		}
	}
	if slices.ContainsFunc(readings, func(r reading) bool { return r.columns == named }) {
		readings = slices.DeleteFunc(readings, func(r reading) bool { return r.columns != named })
	}
	switch len(readings) {
	case 1:
		return readings[0], nil
	case 0:
		return reading{}, &SyntaxError{Name: name, Line: worst.row.line, Text: worst.row.full, Problem: worst.problem, hint: worst.hint}
	}
	a, b := readings[0], readings[1]
	i := 0
	for i < len(rows)-1 && a.columns == b.columns && slices.Equal(a.row(i), b.row(i)) {
		i++
	}
	return reading{}, ambiguous(name, rows[i], a.row(i), b.row(i), named)
}

func (r reading) row(i int) []float64 { return r.values[i*r.columns : (i+1)*r.columns] }

const separatorHint = "export the file with semicolons or tabs between the columns, or with decimal points"

func ambiguous(name string, r row, a, b []float64, named int) *SyntaxError {
	hint := separatorHint
	if named == 0 {
		hint += ", or put a title line Hz,dB,degrees above (Hz,dB where there are two columns)"
	}
	return &SyntaxError{
		Name: name, Line: r.line, Text: r.full, hint: hint,
		Problem: fmt.Sprintf("it cannot be told which commas separate columns and which mark decimals: this may be %s or %s", listed(a), listed(b)),
	}
}

// listed writes numbers as "20.5 and -1.2".
func listed(values []float64) string {
	words := make([]string, len(values))
	for i, v := range values {
		words[i] = number(v)
	}
	return together(words)
}

func together(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// A dialect is one way to cut a row into numbers.
type dialect struct {
	separator string
	decimal   byte
	split     func(string) []string
}

func splitAt(separator byte) func(string) []string {
	return func(s string) []string {
		fields := strings.Split(s, string(separator))
		for i := range fields {
			fields[i] = strings.TrimSpace(fields[i])
		}
		for len(fields) > 0 && fields[len(fields)-1] == "" { // spreadsheets end rows with separators
			fields = fields[:len(fields)-1]
		}
		return fields
	}
}

// splitAtSpacedComma cuts "20,5, -1,2" at the comma beside a blank.
func splitAtSpacedComma(s string) []string {
	var fields []string
	start := 0
	for i := range len(s) {
		if s[i] == ',' && (i+1 == len(s) || isBlank(s[i+1]) || i > 0 && isBlank(s[i-1])) {
			fields = append(fields, strings.TrimSpace(s[start:i]))
			start = i + 1
		}
	}
	if last := strings.TrimSpace(s[start:]); last != "" {
		fields = append(fields, last)
	}
	return fields
}

func isBlank(c byte) bool { return c == ' ' || c == '\t' }

// blankBetweenFields reports whether a blank alone separates two fields.
func blankBetweenFields(r row) bool {
	for cell := range strings.SplitSeq(r.text, "\t") {
		if strings.Contains(strings.TrimSpace(cell), " ") {
			return true
		}
	}
	return false
}

// read reads all rows, or reports the first that does not fit.
func (d dialect) read(rows []row) (reading, *fault) {
	out := reading{separator: d.separator, decimal: "none", values: make([]float64, 0, 2*len(rows))}
	// The number of columns that most rows have is the file's; a row with
	// another number is the one to name.
	var counts [5]int
	for _, r := range rows {
		counts[min(len(d.split(r.text)), 4)]++
	}
	most := 0
	for n, c := range counts {
		if c > counts[most] {
			most = n
		}
	}
	var bad *fault
	good := 0
	for _, r := range rows {
		fields := d.split(r.text)
		problem, hint := "", ""
		switch n := len(fields); {
		case n == 1 && most == 1:
			problem, hint = "there is only one column, where a frequency and a level are needed", ""
			if isNumber(fields[0], d.decimal) {
				good++
			}
		case most == 4:
			problem, hint = fmt.Sprintf("there are %d columns, where two or three are needed (Hz, dB, degrees)", n), "keep the columns frequency, level and phase, and delete the others"
		case n != most:
			problem, hint = fmt.Sprintf("this row has %s, where others have %d", columns(n), most), "complete the row, delete it, or begin it with # if it is a remark"
		}
		if problem == "" {
			for _, f := range fields {
				v, ok := parseNumber(f, d.decimal)
				if !ok {
					problem, hint = misread(f, d)
					break
				}
				if strings.IndexByte(f, d.decimal) >= 0 {
					out.decimal = decimalName(d.decimal)
				}
				if bad == nil {
					out.values = append(out.values, v)
				}
			}
			if problem == "" {
				good++
			}
		}
		if problem != "" && bad == nil {
			bad = &fault{row: r, problem: problem, hint: hint}
		}
	}
	if bad != nil {
		bad.good = good
		return reading{}, bad
	}
	out.columns = most
	return out, nil
}

func columns(n int) string {
	if n == 1 {
		return "1 column"
	}
	return strconv.Itoa(n) + " columns"
}

func decimalName(mark byte) string {
	if mark == ',' {
		return "comma"
	}
	return "point"
}

var thousands = regexp.MustCompile(`^[-+]?\d{1,3}(?:([.,'’_])\d{3})+(?:[.,]\d+)?$`)

// misread says what is wrong with a field that is no number.
func misread(field string, d dialect) (problem, hint string) {
	if field == "" {
		return "a column is empty", "complete the row or delete it"
	}
	marks := 0
	for _, c := range field {
		if strings.ContainsRune(".,'’_", c) {
			marks++
		}
	}
	if thousands.MatchString(field) && (marks > 1 || strings.ContainsAny(field, "'’_")) {
		return fmt.Sprintf("%q has a thousands separator, which is not read", field), "write 1000.5, not 1,000.5"
	}
	other := byte(',')
	if d.decimal == ',' {
		other = '.'
	}
	if isNumber(field, d.decimal) {
		return fmt.Sprintf("%q is too large a number", field), ""
	}
	if isNumber(field, other) {
		return "decimal points and decimal commas, or thousands separators, occur in one file", "write 1000.5 in all rows: one decimal mark, no thousands separators"
	}
	return fmt.Sprintf("%q is not a number", field), ""
}

// isNumber reports whether s is a decimal number with the given mark:
// [+-] digits [mark digits] [e [+-] digits]. "20." and ".5" are numbers, "20,"
// is not, since there the comma may be a separator.
func isNumber(s string, mark byte) bool {
	i, n := 0, len(s)
	if i < n && (s[i] == '+' || s[i] == '-') {
		i++
	}
	whole := digits(s[i:])
	i += whole
	fraction := 0
	if i < n && s[i] == mark {
		fraction = digits(s[i+1:])
		if fraction == 0 && mark == ',' {
			return false
		}
		i += 1 + fraction
	}
	if whole+fraction == 0 {
		return false
	}
	if i < n && (s[i] == 'e' || s[i] == 'E') {
		i++
		if i < n && (s[i] == '+' || s[i] == '-') {
			i++
		}
		e := digits(s[i:])
		if e == 0 {
			return false
		}
		i += e
	}
	return i == n
}

func digits(s string) int {
	n := 0
	for n < len(s) && '0' <= s[n] && s[n] <= '9' {
		n++
	}
	return n
}

func parseNumber(s string, mark byte) (float64, bool) {
	if !isNumber(s, mark) {
		return 0, false
	}
	if mark == ',' {
		s = strings.Replace(s, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil // an error here is an overflow
}

// readCommas reads rows that have commas and neither points nor blanks:
// "20,-1", "20,5,-1,2". Each number may take one piece or two (whole and
// fraction). The file is read only if a single choice fits all of its rows. Two
// things narrow the choice: the number of columns that the title names, and rows
// of three whole numbers each, which are three columns.
func readCommas(name string, rows []row, named int) (reading, *SyntaxError) {
	least, most, remark := 2, 3, ""
	if (named == 2 || named == 3) && fit(rows, named) {
		least, most = named, named
	} else if named == 0 && threeWhole(rows) {
		least = 3
		remark = "Every row is three whole numbers; they were read as three columns, not as two with decimal commas."
	}
	fits, columnsFound := 0, 0
	var possible [4]bool // by number of columns
	doubtful := 0        // the first row that the number of columns leaves open
	var broken row       // the row that stopped the longer attempt
	for n := least; n <= most; n++ {
		total, open := 1, 0
		for i, r := range rows {
			ways := groupings(splitAt(',')(r.text), n)
			if len(ways) == 0 {
				total = 0
				if r.line > broken.line {
					broken = r
				}
				break
			}
			if len(ways) > 1 && total == 1 {
				total, open = 2, i
			}
		}
		if total > 0 {
			fits += total
			columnsFound, possible[n], doubtful = n, true, open
		}
	}
	switch {
	case fits == 0:
		return reading{}, commaFault(name, rows, broken)
	case fits > 1:
		r := rows[doubtful]
		pieces := splitAt(',')(r.text)
		ways := groupings(pieces, columnsFound)
		if possible[2] && possible[3] { // every row shows it
			ways = [][]float64{groupings(pieces, 2)[0], ways[0]}
		}
		return reading{}, ambiguous(name, r, ways[0], ways[1], named)
	}
	out := reading{separator: "commas", decimal: "none", columns: columnsFound, remark: remark}
	for _, r := range rows {
		pieces := splitAt(',')(r.text)
		if len(pieces) > columnsFound {
			out.decimal = "comma"
		}
		out.values = append(out.values, groupings(pieces, columnsFound)[0]...)
	}
	return out, nil
}

// fit reports whether every row can be read as n numbers.
func fit(rows []row, n int) bool {
	return !slices.ContainsFunc(rows, func(r row) bool { return len(groupings(splitAt(',')(r.text), n)) == 0 })
}

// A whole number as a program writes it. "05" and "-0" are none: they look like
// the parts of a decimal number.
var whole = regexp.MustCompile(`^(?:\+?0|[-+]?[1-9]\d*)$`)

// threeWhole reports whether every row is three whole numbers.
func threeWhole(rows []row) bool {
	for _, r := range rows {
		pieces := splitAt(',')(r.text)
		if len(pieces) != 3 || slices.ContainsFunc(pieces, func(s string) bool { return !whole.MatchString(s) }) {
			return false
		}
	}
	return true
}

// commaFault names what is wrong with rows that no grouping fits.
func commaFault(name string, rows []row, broken row) *SyntaxError {
	d := dialect{"commas", '.', splitAt(',')}
	if _, bad := d.read(rows); bad != nil {
		return &SyntaxError{Name: name, Line: bad.row.line, Text: bad.row.full, Problem: bad.problem, hint: bad.hint}
	}
	return &SyntaxError{Name: name, Line: broken.line, Text: broken.full, hint: separatorHint, Problem: "this row does not have as many columns as the others, however its commas are read"}
}

// groupings returns every way to read pieces as n numbers of one or two pieces.
func groupings(pieces []string, n int) [][]float64 {
	if n == 0 {
		if len(pieces) == 0 {
			return [][]float64{nil}
		}
		return nil
	}
	if len(pieces) < n || len(pieces) > 2*n {
		return nil
	}
	var ways [][]float64
	take := func(text string, mark byte, rest []string) {
		v, ok := parseNumber(text, mark)
		if !ok {
			return
		}
		for _, tail := range groupings(rest, n-1) {
			ways = append(ways, append([]float64{v}, tail...))
		}
	}
	if len(pieces) >= 2 {
		take(pieces[0]+","+pieces[1], ',', pieces[2:])
	}
	take(pieces[0], '.', pieces[1:])
	return ways
}
