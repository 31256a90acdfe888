package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"text/tabwriter"

	"gonum.org/v1/gonum/stat/distuv"
)

// share is how many of how many, with its bounds.
type share struct {
	Of, Count int
	// Low and High are the exact 95 % bounds of Clopper and Pearson
	// (Biometrika 26, 1934; formula from memory, held against SciPy in the
	// test).
	Low, High float64
}

func shareOf(count, of int) share {
	s := share{Of: of, Count: count, High: 1}
	if of == 0 {
		return s
	}
	const half = 0.025
	if count > 0 {
		s.Low = distuv.Beta{Alpha: float64(count), Beta: float64(of - count + 1)}.Quantile(half)
	}
	if count < of {
		s.High = distuv.Beta{Alpha: float64(count + 1), Beta: float64(of - count)}.Quantile(1 - half)
	}
	return s
}

func (s share) of() float64 { return float64(s.Count) / float64(s.Of) }

func percent(v float64) string {
	switch {
	case v == 0 || v == 1:
		return fmt.Sprintf("%.0f", 100*v)
	case v > 0.999 || v < 0.001:
		return fmt.Sprintf("%.2f", 100*v)
	}
	return fmt.Sprintf("%.1f", 100*v)
}

func (s share) String() string {
	if s.Of == 0 {
		return "-"
	}
	return fmt.Sprintf("%s%% (%s..%s)", percent(s.of()), percent(s.Low), percent(s.High))
}

func (s share) short() string {
	if s.Of == 0 {
		return "-"
	}
	return percent(s.of())
}

// column splits takes by class and by signal over noise.
type column struct {
	Class class
	Loud  bool // S/N of 30 dB and more
}

const loudDB = 30

func columns() (list []column) {
	for c := range classCount {
		list = append(list, column{c, true}, column{c, false})
	}
	return list
}

func (c column) String() string {
	if c.Loud {
		return c.Class.String() + ", 30-40 dB"
	}
	return c.Class.String() + ", 20-30 dB"
}

// row is a kind of fault at one severity.
type row struct {
	Severity float64
	Found    share
	By       []share // as columns
}

// kindReport is what became of a kind of fault.
type kindReport struct {
	Kind, Unit string
	Found      share    // all severities
	Named      share    // of those found: with a finding that names it
	Smallest   *float64 // from here on >= 99 % are found; nil: nowhere
	BySmallest []*float64
	Rows       []row
	Least      float64 // what is asked for: from this severity on
	Need       float64 // this share
	NeedSNRDB  float64 // where S/N is at least that
	Asked      share   // what there is from Least on
}

// report is what a campaign brought.
type report struct {
	Set          string
	Seed         uint64
	Takes, Sound int
	Rooms        int
	Seconds      float64
	Kinds        []kindReport
	FalseAlarms  share
	FalseBy      []share // as columns
	FalseKinds   map[string]int
	Columns      []string
	Skew, Delay  []clockReport
	Missed       []string
	Wrong        []string `json:",omitempty"`
}

// clockReport is how well a clock was told, in one column.
type clockReport struct {
	Column      string
	Takes       int
	RMS, Worst  float64 // ppm, or µs
	OverStdErr  float64 // RMS of error over stated standard error
	LongSweeps  int     // of these, sweeps of 10 s
	LongRMS     float64
	LongWorst   float64
	Undiscerned int // takes in which no skew was told
}

// What is asked for beside the trials' own bounds: of the clocks, at 30 dB and
// more, with sweeps of 10 s.
const (
	falseAlarmsAllowed = 0.001
	skewAllowedPPM     = 0.1
	skewAllowedSubPPM  = 1 // where the marks go through a subwoofer
	delayAllowedUS     = 2 // between two takes with full-range marks
	longS              = 8 // a sweep of "10 s" is one longer than that
)

func columnOf(t *take) int {
	for i, c := range columns() {
		if c.Class == t.place.class && c.Loud == (t.snrDB >= loudDB) {
			return i
		}
	}
	panic("no column")
}

// asksFor tells whether a take is among those that must be found.
func (k *trial) asksFor(t *take) bool {
	return k.need > 0 && t.severity >= k.least && t.snrDB >= k.snrDB
}

func (v *verdict) marked() bool { return v.Error != "" || len(v.Faults) > 0 }

// named tells whether a finding says what was done.
func (v *verdict) named(kind string) bool {
	return slices.ContainsFunc(v.Faults, func(f string) bool { return slices.Contains(names[kind], f) }) ||
		v.Error != "" && slices.Contains(names[kind], notFound)
}

// found tells whether a take with a fault was dealt with: marked, or, for those
// that only a note is asked of, noted.
func (r *result) found() bool {
	if r.verdict.marked() {
		return true
	}
	return slices.ContainsFunc(r.verdict.Notes, func(n string) bool { return slices.Contains(noted[r.take.ticket.kind], n) })
}

func (r *result) rightlyNamed() bool {
	return r.verdict.named(r.take.ticket.kind) ||
		slices.ContainsFunc(r.verdict.Notes, func(n string) bool { return slices.Contains(noted[r.take.ticket.kind], n) })
}

// counter counts takes and those found, by column too.
type counter struct{ of, found int }

func (c *counter) add(found bool) {
	c.of++
	if found {
		c.found++
	}
}

func (c counter) share() share { return shareOf(c.found, c.of) }

// smallest returns the severity from which on the found share is >= 99 % at
// each severity; nil where there is none.
func smallest(severities []float64, at func(i int) share) *float64 {
	var least *float64
	for i := len(severities) - 1; i >= 0; i-- {
		s := at(i)
		if s.Of == 0 {
			continue
		}
		if s.of() < 0.99 {
			break
		}
		v := severities[i]
		least = &v
	}
	return least
}

func summarise(c campaign, results []result) *report {
	r := &report{Set: c.set, Seed: c.seed, Rooms: c.rooms, FalseKinds: map[string]int{}}
	cols := columns()
	for _, col := range cols {
		r.Columns = append(r.Columns, col.String())
	}
	var alarms counter
	falseBy := make([]counter, len(cols))
	for i := range results {
		res := &results[i]
		if len(res.take.faults) > 0 {
			r.Takes++
			continue
		}
		r.Sound++
		marked := res.verdict.marked()
		alarms.add(marked)
		falseBy[columnOf(res.take)].add(marked)
		for _, kind := range res.verdict.Faults {
			r.FalseKinds[kind]++
		}
		if res.verdict.Error != "" {
			r.FalseKinds[notFound]++
		}
	}
	r.FalseAlarms = alarms.share()
	for _, f := range falseBy {
		r.FalseBy = append(r.FalseBy, f.share())
	}
	if r.Sound > 0 && r.FalseAlarms.of() > falseAlarmsAllowed {
		r.Missed = append(r.Missed, fmt.Sprintf("%d of %d sound takes were marked; at most %g in 1000 may be", r.FalseAlarms.Count, r.FalseAlarms.Of, 1000*falseAlarmsAllowed))
	}
	for _, k := range trials {
		var all, named, asked counter
		rows := make([]counter, len(k.severities))
		by := make([][]counter, len(k.severities))
		for i := range by {
			by[i] = make([]counter, len(cols))
		}
		for i := range results {
			res := &results[i]
			if res.take.ticket.kind != k.name {
				continue
			}
			found := res.found()
			at := slices.Index(k.severities, res.take.severity)
			all.add(found)
			rows[at].add(found)
			by[at][columnOf(res.take)].add(found)
			if found {
				named.add(res.rightlyNamed())
			}
			if k.asksFor(res.take) {
				asked.add(found)
			}
		}
		if all.of == 0 {
			continue
		}
		kr := kindReport{Kind: k.name, Unit: k.unit, Found: all.share(), Named: named.share(), Least: k.least, Need: k.need, NeedSNRDB: k.snrDB, Asked: asked.share()}
		for i, severity := range k.severities {
			w := row{Severity: severity, Found: rows[i].share()}
			for _, b := range by[i] {
				w.By = append(w.By, b.share())
			}
			kr.Rows = append(kr.Rows, w)
		}
		kr.Smallest = smallest(k.severities, func(i int) share { return kr.Rows[i].Found })
		for col := range cols {
			kr.BySmallest = append(kr.BySmallest, smallest(k.severities, func(i int) share { return kr.Rows[i].By[col] }))
		}
		if asked.of > 0 && kr.Asked.of() < k.need {
			r.Missed = append(r.Missed, fmt.Sprintf("%s from %g %s on: %d of %d found, %g %% needed", k.name, k.least, k.unit, asked.found, asked.of, 100*k.need))
		}
		r.Kinds = append(r.Kinds, kr)
	}
	r.clocks(results)
	return r
}

// clocks says how well the skew was told, and the moment at which the program
// began: by how much two sound takes in one room differ.
func (r *report) clocks(results []result) {
	type sums struct {
		of, long, unknown        int
		sum, worst, ratio        float64
		longSum, longWorst       float64
		pairs, longPairs         int
		delay, delayWorst        float64
		longDelay, longDelayMost float64
	}
	cols := columns()
	by := make([]sums, len(cols))
	last := map[[2]int]*result{} // by room and column
	for i := range results {
		res := &results[i]
		t := res.take
		if len(t.faults) > 0 || res.verdict.timing == nil {
			continue
		}
		col := columnOf(t)
		s := &by[col]
		timing := res.verdict.timing
		if !timing.Known {
			s.unknown++
			continue
		}
		long := t.place.program.Sweep.Seconds > longS
		e := math.Abs(timing.Skew*1e6 - t.place.skewPPM)
		s.of++
		s.sum += e * e
		s.worst = math.Max(s.worst, e)
		if timing.SkewStdErr > 0 {
			s.ratio += e * e / (timing.SkewStdErr * timing.SkewStdErr * 1e12)
		}
		if long {
			s.long++
			s.longSum += e * e
			s.longWorst = math.Max(s.longWorst, e)
		}
		key := [2]int{t.ticket.room, col}
		if before := last[key]; before != nil {
			d := math.Abs(timing.Origin-before.verdict.timing.Origin) / t.place.rate * 1e6
			s.pairs++
			s.delay += d * d
			s.delayWorst = math.Max(s.delayWorst, d)
			if long {
				s.longPairs++
				s.longDelay += d * d
				s.longDelayMost = math.Max(s.longDelayMost, d)
			}
		}
		last[key] = res
	}
	for i, s := range by {
		c := cols[i]
		if !c.Loud {
			continue
		}
		allowed := skewAllowedPPM
		if c.Class == subOnly {
			allowed = skewAllowedSubPPM
		}
		if s.longWorst > allowed {
			r.Missed = append(r.Missed, fmt.Sprintf("skew, %s: off by %.3f ppm, %g allowed", c, s.longWorst, allowed))
		}
		if s.unknown > 0 {
			r.Missed = append(r.Missed, fmt.Sprintf("skew, %s: not told in %d sound takes", c, s.unknown))
		}
		if c.Class != subOnly && s.delayWorst > delayAllowedUS {
			r.Missed = append(r.Missed, fmt.Sprintf("time zero, %s: two takes differ by %.3f µs, %d allowed", c, s.delayWorst, delayAllowedUS))
		}
	}
	root := func(sum float64, of int) float64 { return math.Sqrt(sum / float64(max(1, of))) }
	for i, s := range by {
		r.Skew = append(r.Skew, clockReport{cols[i].String(), s.of, root(s.sum, s.of), s.worst, root(s.ratio, s.of), s.long, root(s.longSum, s.long), s.longWorst, s.unknown})
		r.Delay = append(r.Delay, clockReport{Column: cols[i].String(), Takes: s.pairs, RMS: root(s.delay, s.pairs), Worst: s.delayWorst, LongSweeps: s.longPairs, LongRMS: root(s.longDelay, s.longPairs), LongWorst: s.longDelayMost})
	}
}

func number(v *float64) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%g", *v)
}

func (r *report) print(w io.Writer) {
	fmt.Fprintf(w, "%d takes with a fault and %d sound ones in %d rooms (set %q, seed %d), %.0f s.\n", r.Takes, r.Sound, r.Rooms, r.Set, r.Seed, r.Seconds)
	fmt.Fprintf(w, "Shares carry the exact 95 %% bounds of Clopper and Pearson. S/N is the sweeps' RMS value over the noise's.\n\n")
	if r.Sound > 0 {
		fmt.Fprintf(w, "Sound takes that were marked: %d of %d, %s\n", r.FalseAlarms.Count, r.FalseAlarms.Of, r.FalseAlarms)
		for i, f := range r.FalseBy {
			if f.Of > 0 && f.Count > 0 {
				fmt.Fprintf(w, "  %s: %d of %d\n", r.Columns[i], f.Count, f.Of)
			}
		}
		for _, kind := range slices.Sorted(maps.Keys(r.FalseKinds)) {
			fmt.Fprintf(w, "  as %q: %d\n", kind, r.FalseKinds[kind])
		}
	}
	// The columns' heads are short; the text below them says it in full.
	heads := "full 30+\tfull 20+\tsub 30+\tsub 20+\tapart 30+\tapart 20+\t"
	if len(r.Kinds) > 0 {
		fmt.Fprintln(w, "\nFaults: how many were found (of those: named rightly), and from which severity on at least 99 % are")
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
		fmt.Fprintln(t, "fault\tunit\ttakes\tfound\tnamed\tall\t"+heads+"asked for\tthere is\t")
		for _, k := range r.Kinds {
			fmt.Fprintf(t, "%s\t%s\t%d\t%s\t%s\t%s\t", k.Kind, k.Unit, k.Found.Of, k.Found, k.Named.short(), number(k.Smallest))
			for _, s := range k.BySmallest {
				fmt.Fprintf(t, "%s\t", number(s))
			}
			if k.Need > 0 && k.Asked.Of > 0 {
				given := ""
				if k.NeedSNRDB > 0 {
					given = fmt.Sprintf(" at S/N >= %g", k.NeedSNRDB)
				}
				fmt.Fprintf(t, "%g %% from %g%s\t%s, %d of %d\t\n", 100*k.Need, k.Least, given, k.Asked, k.Asked.Count, k.Asked.Of)
			} else {
				fmt.Fprint(t, "-\t-\t\n")
			}
		}
		t.Flush()
		fmt.Fprintln(w, "\nFound, in per cent, by severity")
		t = tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
		fmt.Fprintln(t, "fault\tseverity\t\ttakes\tall\t"+heads)
		for _, k := range r.Kinds {
			for _, row := range k.Rows {
				if row.Found.Of == 0 {
					continue
				}
				fmt.Fprintf(t, "%s\t%g\t%s\t%d\t%s\t", k.Kind, row.Severity, k.Unit, row.Found.Of, row.Found.short())
				for _, s := range row.By {
					fmt.Fprintf(t, "%s\t", s.short())
				}
				fmt.Fprintln(t)
			}
		}
		t.Flush()
		fmt.Fprintln(w, "\nfull: full range; sub: a subwoofer alone, its marks through it; apart: the same with its marks through")
		fmt.Fprintln(w, "a full-range loudspeaker. 30+: 30 to 40 dB signal over noise; 20+: 20 to 30 dB.")
	}
	if r.Sound > 0 {
		clocks := func(title, unit string, list []clockReport, known bool) {
			fmt.Fprintln(w, "\n"+title)
			t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
			fmt.Fprintf(t, "rooms\ttakes\trms %s\tworst\tof 10 s sweeps\trms %s\tworst\t", unit, unit)
			if known {
				fmt.Fprint(t, "error over stated\tnot told\t")
			}
			fmt.Fprintln(t)
			for _, c := range list {
				fmt.Fprintf(t, "%s\t%d\t%.4f\t%.4f\t%d\t%.4f\t%.4f\t", c.Column, c.Takes, c.RMS, c.Worst, c.LongSweeps, c.LongRMS, c.LongWorst)
				if known {
					fmt.Fprintf(t, "%.2f\t%d\t", c.OverStdErr, c.Undiscerned)
				}
				fmt.Fprintln(t)
			}
			t.Flush()
		}
		clocks("Skew of the clocks, told from sound takes: error", "ppm", r.Skew, true)
		clocks("Time zero: difference between two sound takes in one room", "µs", r.Delay, false)
	}
	fmt.Fprintln(w)
	if len(r.Missed) == 0 {
		fmt.Fprintln(w, "Every bound is met.")
		return
	}
	fmt.Fprintln(w, "Missed:")
	for _, m := range r.Missed {
		fmt.Fprintln(w, "  "+m)
	}
}

// wrong lists the takes that were judged wrongly: sound ones that were marked,
// and faults that were not found although they are asked for; then the other
// misses, the gravest first.
func wrong(results []result) []string {
	type entry struct {
		rank int
		text string
	}
	var list []entry
	for i := range results {
		res := &results[i]
		switch {
		case len(res.take.faults) == 0 && res.verdict.marked():
			list = append(list, entry{0, fmt.Sprintf("marked [%s]  %s", res.verdict, res.take)})
		case len(res.take.faults) > 0 && !res.found():
			k, _ := trialOf(res.take.ticket.kind)
			rank := 2
			if k.asksFor(res.take) {
				rank = 1
			}
			list = append(list, entry{rank, fmt.Sprintf("missed [%s]  %s", res.verdict, res.take)})
		case len(res.take.faults) > 0 && !res.rightlyNamed():
			list = append(list, entry{3, fmt.Sprintf("misnamed [%s]  %s", res.verdict, res.take)})
		}
	}
	slices.SortStableFunc(list, func(a, b entry) int { return cmp.Compare(a.rank, b.rank) })
	var texts []string
	for _, e := range list {
		texts = append(texts, e.text)
	}
	return texts
}

func (v verdict) String() string {
	text := strings.Join(v.Faults, ", ")
	if len(v.Notes) > 0 {
		text += " (" + strings.Join(v.Notes, ", ") + ")"
	}
	if v.Error != "" {
		text += v.Error
	}
	return text
}

// show makes one take again and says what is known and found.
func (c *campaign) show(ctx context.Context, id ticket, w io.Writer) error {
	p, err := newPlace(c.set, c.seed, id.room, c.from...)
	if err != nil {
		return err
	}
	res, err := c.judged(ctx, id, p)
	if err != nil {
		return err
	}
	fmt.Fprintln(w, res.take)
	for _, i := range res.take.injected {
		fmt.Fprintf(w, "injected: frame %d, %d frames, value %g\n", i.Frame, i.Frames, i.Value)
	}
	if res.verdict.timing != nil {
		fmt.Fprintf(w, "skew: %.4f ppm told, %.4f ppm true\n", 1e6*res.verdict.timing.Skew, p.skewPPM)
		fmt.Fprintf(w, "timing: %+v\n", *res.verdict.timing)
	}
	for _, f := range res.verdict.detail {
		fmt.Fprintln(w, f)
	}
	fmt.Fprintf(w, "verdict: [%s]\n", res.verdict)
	return nil
}
