package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/cmd/roomsonde/internal/reading"
	"roomsonde/cmd/roomsonde/internal/report"
	"roomsonde/deconv/decay"
	"roomsonde/sweep/scale"
)

// title names the take in a line.
func (r *result) title() string {
	parts := []string{}
	for _, s := range []string{r.meta.Source, r.meta.Seat} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	if r.meta.Seat != "" {
		parts[len(parts)-1] = "seat: " + r.meta.Seat
	}
	parts = append(parts, "take "+r.meta.ID, r.meta.MadeAt.Format("2 January 2006, 15:04"))
	return strings.Join(parts, " · ")
}

// place names the source and the seat.
func (r *result) place() string {
	if r.meta.Seat == "" {
		return r.meta.Source
	}
	return r.meta.Source + " at " + r.meta.Seat
}

// printText writes the result for reading.
func (r *result) printText(w io.Writer, width scale.Width) {
	r.printHead(w)
	said := r.readings()
	for i, s := range said {
		if r.why == nil && i == mostReadings && len(said) > mostReadings+1 {
			paragraph(w, "", fmt.Sprintf("There is more to say: roomsonde show %d --why.", r.meta.Number))
			break
		}
		paragraph(w, "", s)
	}
	fmt.Fprintln(w)
	if r.why != nil {
		r.why.print(w)
	}
	r.printResponse(w)
	fmt.Fprintln(w)
	r.printDecay(w, width)
	for _, s := range r.remarks {
		paragraph(w, "note: ", s)
	}
	fmt.Fprintln(w)
	fmt.Fprintln(w, "kept in "+r.dir)
}

// mostReadings is how many readings stand on a screen; all are there with --why.
const mostReadings = 5

// printHead writes which take this is, and what is wrong with it.
func (r *result) printHead(w io.Writer) {
	fmt.Fprintln(w, r.title())
	if r.meta.Note != "" {
		fmt.Fprintln(w, "note: "+r.meta.Note)
	}
	fmt.Fprintln(w)
	if r.m.Sound() {
		paragraph(w, "", "No fault was found in the take.")
	}
	for _, f := range r.m.Findings {
		lead := "- "
		if f.Fault {
			lead = "! "
		}
		paragraph(w, lead, headed(f))
	}
}

// headed is a finding with its kind before it.
func headed(f measurement.Finding) string {
	return strings.ToUpper(f.Kind[:1]) + f.Kind[1:] + ". " + f.Text
}

// paragraph writes a sentence broken into lines of at most 80 characters, the
// lines after the first indented as far as the first one's lead.
func paragraph(w io.Writer, lead, text string) {
	text = typographic(text)
	line := lead
	empty := true
	for _, word := range strings.Fields(text) {
		if !empty && len([]rune(line))+1+len([]rune(word)) > 80 {
			fmt.Fprintln(w, line)
			line, empty = strings.Repeat(" ", len([]rune(lead))), true
		}
		if !empty {
			line += " "
		}
		line += word
		empty = false
	}
	fmt.Fprintln(w, line)
}

// printResponse writes the response in thirds of octaves.
func (r *result) printResponse(w io.Writer) {
	fmt.Fprintln(w, "How even is it?  (dB, mean over 1/3 octave; in brackets: not readable)")
	bands := r.thirds()
	const columns = 8
	for from := 0; from < len(bands); from += columns {
		var head, line strings.Builder
		for i := from; i < min(from+columns, len(bands)); i++ {
			level := strings.Replace(fmt.Sprintf("%.1f ", bands[i].DB), "-", "−", 1)
			if !bands[i].Readable {
				level = "(" + strings.TrimSpace(level) + ")"
			}
			fmt.Fprintf(&head, "%7s ", short(bands[i].Hz))
			fmt.Fprintf(&line, "%8s", level)
		}
		fmt.Fprintf(w, "  Hz %s\n  dB %s\n", strings.TrimRight(head.String(), " "), strings.TrimRight(line.String(), " "))
	}
}

// thirds are the levels of the response in thirds of octaves, from 20 Hz to 20 kHz:
// means of power.
func (r *result) thirds() (out []report.Third) {
	bands := scale.Bands(scale.Third, math.Max(20, r.m.FromHz*0.99), math.Min(20000, r.m.ToHz*1.01))
	var hz []float64
	for _, b := range bands {
		hz = append(hz, b.MidHz)
	}
	for i, power := range r.m.Response.Smooth(hz, 3) {
		out = append(out, report.Third{Hz: bands[i].NominalHz, DB: scale.PowerDB(power), Readable: r.m.Readable.Contains(hz[i])})
	}
	return out
}

// short writes a band's label as tables do: 31.5, 800, 1.25k.
func short(hz float64) string {
	return strings.NewReplacer(" Hz", "", " kHz", "k").Replace(chart.Hz(hz))
}

// printDecay writes the decay per band: the times, and notes on what is refused
// or doubtful, one for each kind of reason.
func (r *result) printDecay(w io.Writer, width scale.Width) {
	names := map[scale.Width]string{scale.Octave: "octaves", scale.Third: "1/3 octaves"}
	fmt.Fprintf(w, "How long does it ring?  (s for 60 dB, %s; –: refused, ?: doubtful)\n", names[width])
	var bands []decay.Band
	for _, b := range r.m.Decay {
		if b.Width == width {
			bands = append(bands, b)
		}
	}
	var notes decayNotes
	type row struct{ band, edt, t20, t30, notes string }
	rows := []row{{edt: "EDT", t20: "T20", t30: "T30"}}
	refusedFrom := -1 // the first of a run of bands that are refused as a whole, for one kind of reason
	for i, b := range bands {
		marks := notes.add(b, i)
		label := chart.Hz(b.NominalHz)
		if !refusedWhole(b) {
			refusedFrom = -1
		} else if last := rows[len(rows)-1]; refusedFrom >= 0 && last.notes == marks {
			rows[len(rows)-1].band = chart.Hz(bands[refusedFrom].NominalHz) + "–" + label
			continue
		} else {
			refusedFrom = i
		}
		rows = append(rows, row{label, decayTime(b.EDT), decayTime(b.T20), decayTime(b.T30), marks})
	}
	wide := func(of func(row) string) int {
		most := 0
		for _, r := range rows {
			most = max(most, utf8.RuneCountInString(of(r)))
		}
		return most
	}
	band, mark := wide(func(r row) string { return r.band }), wide(func(r row) string { return r.notes })
	line := func(r row) string {
		return fmt.Sprintf("  %*s  %-5s %-5s %-5s %-*s", band, r.band, r.edt, r.t20, r.t30, mark, r.notes)
	}
	head := rows[0]
	rows = rows[1:]
	// Long tables stand in two columns, where there is room for them.
	height := len(rows)
	if height > 12 && 2*utf8.RuneCountInString(line(head)) <= 80 {
		height = (len(rows) + 1) / 2
	}
	heading := line(head)
	if height < len(rows) {
		heading += line(head)
	}
	fmt.Fprintln(w, strings.TrimRight(heading, " "))
	for i := range height {
		text := line(rows[i])
		if i+height < len(rows) {
			text += line(rows[i+height])
		}
		fmt.Fprintln(w, strings.TrimRight(text, " "))
	}
	for _, n := range notes {
		paragraph(w, fmt.Sprintf("  %-2s ", n.letter), n.text(bands))
	}
}

// refusedWhole reports whether a band's times are all refused for one reason.
func refusedWhole(b decay.Band) bool {
	return !b.EDT.OK && !b.T20.OK && !b.T30.OK && b.EDT.Reason == b.T20.Reason && b.T20.Reason == b.T30.Reason
}

// decayNote is what is said of all bands that share a kind of reason: reasons
// that differ only in their numbers are one kind.
type decayNote struct {
	letter  string
	kind    string
	reasons []string
	bands   []int  // by index, rising
	state   string // "refused", "doubtful", or "" for the whole band
}

type decayNotes []*decayNote

// add notes the reasons of the band with an index, and returns the letters that
// stand for them.
func (notes *decayNotes) add(b decay.Band, index int) (marks string) {
	values := []told{{b.EDT.OK, b.EDT.Reason}, {b.T20.OK, b.T20.Reason}, {b.T30.OK, b.T30.Reason}}
	whole := refusedWhole(b)
	if whole {
		values = values[:1]
	}
	return notes.addAll(values, whole, index)
}

// told is a number that is given or not, with the reason for what is wrong with
// it.
type told struct {
	ok     bool
	reason string
}

// addAll notes the reasons of several numbers of the band with an index; whole
// tells that the one reason holds for all of them.
func (notes *decayNotes) addAll(values []told, whole bool, index int) (marks string) {
	var letters []string
	for _, v := range values {
		if v.reason == "" {
			continue
		}
		reason, state := typographic(v.reason), "refused"
		if v.ok {
			state = "doubtful"
		} else if whole {
			state = ""
		}
		kind := state + numeral.ReplaceAllStringFunc(reason, func(s string) string {
			if !isNumber(s) {
				return s
			}
			return "#"
		})
		at := slices.IndexFunc(*notes, func(n *decayNote) bool { return n.kind == kind })
		if at < 0 {
			at = len(*notes)
			*notes = append(*notes, &decayNote{letter: letter(at), kind: kind, state: state})
		}
		n := (*notes)[at]
		n.reasons = append(n.reasons, reason)
		if !slices.Contains(n.bands, index) {
			n.bands = append(n.bands, index)
		}
		if !slices.Contains(letters, n.letter) {
			letters = append(letters, n.letter)
		}
	}
	slices.Sort(letters)
	return strings.Join(letters, " ")
}

// letter names a note: a to z, then aa, ab and on.
func letter(i int) string {
	s := string(rune('a' + i%26))
	if i >= 26 {
		return letter(i/26-1) + s
	}
	return s
}

// text is the note's sentence: which bands, and why.
func (n *decayNote) text(bands []decay.Band) string {
	var where []string
	for i := 0; i < len(n.bands); {
		j := i
		for j+1 < len(n.bands) && n.bands[j+1] == n.bands[j]+1 {
			j++
		}
		s := chart.Hz(bands[n.bands[i]].NominalHz)
		if j == i+1 {
			s += ", " + chart.Hz(bands[n.bands[j]].NominalHz)
		} else if j > i {
			s += " to " + chart.Hz(bands[n.bands[j]].NominalHz)
		}
		where = append(where, s)
		i = j + 1
	}
	head := strings.Join(where, ", ")
	if len(where) > 2 { // the table says which
		head = chart.Hz(bands[n.bands[0]].NominalHz) + " to " + chart.Hz(bands[n.bands[len(n.bands)-1]].NominalHz) + " where marked"
	}
	if n.state != "" {
		head += ", " + n.state
	}
	return head + ": " + reading.Plainly(merged(n.reasons)) + "."
}

// numeral is a number in a sentence, or a word that ends in digits, as T30.
var numeral = regexp.MustCompile(`[A-Za-z]*[-−]?\d+(?:\.\d+)?`)

func isNumber(s string) bool {
	first, _ := utf8.DecodeRuneInString(s)
	return !unicode.IsLetter(first)
}

// merged makes one sentence of sentences that differ only in their numbers:
// where these differ, two are joined by "or", more become a range.
func merged(reasons []string) string {
	var numbers [][]string // by place, each text once
	for _, reason := range reasons {
		place := 0
		for _, s := range numeral.FindAllString(reason, -1) {
			if !isNumber(s) {
				continue
			}
			if place == len(numbers) {
				numbers = append(numbers, nil)
			}
			if !slices.Contains(numbers[place], s) {
				numbers[place] = append(numbers[place], s)
			}
			place++
		}
	}
	place := 0
	return numeral.ReplaceAllStringFunc(reasons[0], func(s string) string {
		if !isNumber(s) {
			return s
		}
		all := numbers[place]
		place++
		slices.SortFunc(all, func(a, b string) int { return cmp.Compare(math.Abs(number(a)), math.Abs(number(b))) })
		switch len(all) {
		case 1:
			return all[0]
		case 2:
			return all[0] + " or " + all[1]
		}
		return all[0] + " to " + all[len(all)-1]
	})
}

func number(s string) float64 {
	v, _ := strconv.ParseFloat(strings.Replace(s, "−", "-", 1), 64)
	return v
}

func decayTime(v decay.Value) string {
	switch {
	case !v.OK:
		return "   –"
	case v.Reason != "":
		return fmt.Sprintf("%.2f?", v.Seconds)
	}
	return fmt.Sprintf("%.2f", v.Seconds)
}
