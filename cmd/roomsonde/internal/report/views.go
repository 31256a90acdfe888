package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"roomsonde/cmd/roomsonde/internal/chart"
)

// Named is a view of a survey by itself, for a picture to post.
type Named struct {
	Name     string // for a file, without extension: "response", "change-12-15"
	Question string
	View     chart.View
}

// mostShown is how many takes are drawn when a page opens, and in a picture of
// all takes: more are a tangle.
const mostShown = 6

// Views lists the views that the page of a survey has, each ready to be rendered
// as a PNG. Where the page lets its reader choose among takes, they hold those
// that are drawn at first.
func Views(s Survey) []Named {
	b := newBuilder(s)
	var all []Named
	put := func(name string, v chart.View, question string) {
		all = append(all, Named{name, question, v})
	}
	var shown []int // by index among the drawn
	for i := range b.drawn {
		if !b.hidden[i] {
			shown = append(shown, i)
		}
	}
	if len(shown) > 0 {
		v := b.responses(shown)
		put("response", v, v.Title)
		if v, ok := b.decays(shown); ok {
			put("decay", v, v.Title)
		}
		if v, ok := b.modes(shown); ok {
			put("modes", v, v.Title)
		}
	}
	for i, g := range s.Groups {
		if v, _, ok := b.group(g); ok {
			put(fmt.Sprintf("alike-%d", i+1), v, v.Title)
		}
	}
	for _, c := range s.Changes {
		if v, ok := b.change(c); ok {
			put(fmt.Sprintf("change-%d-%d", c.Before, c.After), v, v.Title)
		}
		for k, d := range c.Decay {
			if v, ok := b.decayChange(c, d); ok {
				put(fmt.Sprintf("change-%d-%d-decay-%d", c.Before, c.After, k+1), v, v.Title)
			}
		}
	}
	for _, p := range s.Pictures {
		put(p.Name, p.View, p.Question)
	}
	for _, t := range s.Takes {
		for _, p := range t.Pictures {
			put(p.Name, p.View, p.Question)
		}
	}
	return all
}

// builder holds what the views of a survey have in common.
type builder struct {
	s      Survey
	drawn  []int               // indexes into s.Takes of those that have a curve
	names  []string            // of each take of s.Takes, short and unlike the others
	hidden []bool              // of each of drawn, whether it is off at first
	curves map[int]chart.Curve // by index into s.Takes
}

func newBuilder(s Survey) *builder {
	b := &builder{s: s, curves: map[int]chart.Curve{}}
	b.name()
	for i, t := range s.Takes {
		hz, db := finite(t.Hz, t.DB)
		if len(hz) == 0 {
			continue
		}
		b.drawn = append(b.drawn, i)
		b.curves[i] = chart.Curve{Name: b.names[i], Hz: hz, DB: db, Readable: sensible(t.Readable)}
	}
	b.choose()
	return b
}

// sensible returns a readable band that can be drawn. Of one that is none, nothing
// is readable.
func sensible(r chart.Readable) chart.Readable {
	bad := func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) || x < 0 }
	if bad(r.FromHz) || bad(r.ToHz) || r.ToHz > 0 && r.FromHz > r.ToHz {
		return chart.Readable{None: true, FromReason: "where it can be read is not known"}
	}
	return r
}

// finite leaves out the points that have no level, and those of a broken grid.
func finite(hz, db []float64) (fs, vs []float64) {
	last := 0.0
	for i := range min(len(hz), len(db)) {
		if hz[i] > last && !math.IsInf(hz[i], 0) && !math.IsNaN(db[i]) && !math.IsInf(db[i], 0) {
			fs, vs = append(fs, hz[i]), append(vs, db[i])
			last = hz[i]
		}
	}
	return fs, vs
}

// name gives each take a short name, unlike the others: its source; its seat too
// where there are several; its number instead where these two are not enough.
func (b *builder) name() {
	takes := b.s.Takes
	b.names = make([]string, len(takes))
	source := func(t Take) string { return orElse(t.Source, "unnamed source") }
	seated := func(t Take) string {
		if t.Seat == "" {
			return source(t)
		}
		return source(t) + " · " + t.Seat
	}
	sources, seats, places := map[string]int{}, map[string]bool{}, map[string]int{}
	for _, t := range takes {
		sources[source(t)]++
		seats[t.Seat] = true
		places[seated(t)]++
	}
	for i, t := range takes {
		switch {
		case sources[source(t)] == 1 && len(seats) == 1:
			b.names[i] = source(t)
		case places[seated(t)] == 1:
			b.names[i] = seated(t)
		default:
			b.names[i] = fmt.Sprintf("%s · take %d", source(t), t.Number)
		}
	}
}

func orElse(s, other string) string {
	if strings.TrimSpace(s) == "" {
		return other
	}
	return s
}

// choose decides what is off at first.
func (b *builder) choose() {
	b.hidden = make([]bool, len(b.drawn))
	if len(b.drawn) == 0 || len(b.drawn) <= mostShown && b.s.Shown == nil {
		return
	}
	on := map[int]bool{}
	if b.s.Shown != nil {
		for i, at := range b.drawn {
			on[i] = slices.Contains(b.s.Shown, b.s.Takes[at].Number)
		}
	} else {
		seen := map[string]bool{}
		for i := len(b.drawn) - 1; i >= 0 && len(seen) < mostShown; i-- {
			t := b.s.Takes[b.drawn[i]]
			if t.sound() && !seen[t.Source] {
				seen[t.Source], on[i] = true, true
			}
		}
	}
	any := false
	for i := range b.hidden {
		b.hidden[i] = !on[i]
		any = any || on[i]
	}
	if !any { // all are marked, or what was asked for is not there
		b.hidden[len(b.hidden)-1] = false
	}
	// Those that are seen at first have the colours that differ most.
	var order []int
	for _, off := range []bool{false, true} {
		for i, h := range b.hidden {
			if h == off {
				order = append(order, i)
			}
		}
	}
	drawn, hidden := slices.Clone(b.drawn), slices.Clone(b.hidden)
	for to, from := range order {
		b.drawn[to], b.hidden[to] = drawn[from], hidden[from]
	}
}

func (t Take) sound() bool {
	return !slices.ContainsFunc(t.Findings, func(f Finding) bool { return f.Fault })
}

// find returns the index of a take by its number.
func (b *builder) find(number int) (int, bool) {
	i := slices.IndexFunc(b.s.Takes, func(t Take) bool { return t.Number == number })
	return i, i >= 0
}

// responses draws the responses of some of the drawn takes.
func (b *builder) responses(of []int) chart.Several {
	v := chart.Several{Title: "How even is it?", Subtitle: b.s.Name, Target: b.s.Target, Limits: b.s.Limits, Smoothing: b.s.Smoothing, Reference: b.s.Reference}
	for _, i := range of {
		t := b.s.Takes[b.drawn[i]]
		v.Curves = append(v.Curves, b.curves[b.drawn[i]])
		if e := t.Expected; e != nil {
			if hz, db := finite(e.Hz, e.DB); len(hz) > 0 {
				v.Expected = append(v.Expected, chart.Line{Name: e.Name, Hz: hz, DB: db, Of: len(v.Curves)})
			}
		}
	}
	if len(v.Curves) == 1 {
		t := b.s.Takes[b.drawn[of[0]]]
		v.NoiseHz, v.NoiseDB = finite(t.NoiseHz, t.NoiseDB)
	}
	return v
}

// bands returns the octaves that any take has, by frequency.
func (b *builder) bands() (hz []float64, labels []string) {
	for _, t := range b.s.Takes {
		for _, band := range t.Octaves {
			if band.MidHz > 0 && !math.IsInf(band.MidHz, 0) && !slices.ContainsFunc(hz, func(f float64) bool { return same(f, band.MidHz) }) {
				at, _ := slices.BinarySearch(hz, band.MidHz)
				label := band.Label
				if label == "" {
					label = strconv.FormatFloat(band.MidHz, 'g', 3, 64)
				}
				hz, labels = slices.Insert(hz, at, band.MidHz), slices.Insert(labels, at, label)
			}
		}
	}
	return hz, labels
}

// same tells that two frequencies are of one band.
func same(a, b float64) bool { return math.Abs(math.Log(a/b)) < 1e-3 }

// time is the decay time that a band is drawn with, as it is told: T20, else T30.
func timeOf(b chart.DecayBand) (s float64, doubtful, ok bool) {
	t, d := b.T20, b.T20Doubtful
	if t == nil {
		t, d = b.T30, b.T30Doubtful
	}
	if t == nil || math.IsNaN(*t) || math.IsInf(*t, 0) || *t < 0 {
		return 0, false, false
	}
	return *t, d, true
}

// decays draws the decay of the octave bands of some of the drawn takes; ok is
// false where no take has one.
func (b *builder) decays(of []int) (v chart.DecayTimes, ok bool) {
	v = chart.DecayTimes{Title: "How long does it ring?", Subtitle: b.s.Name, Quantity: "T20, else T30, in octave bands"}
	v.BandsHz, v.BandLabels = b.bands()
	for _, i := range of {
		t := b.s.Takes[b.drawn[i]]
		l := chart.DecayLine{Name: b.names[b.drawn[i]]}
		for k, band := range t.Octaves {
			s, doubtful, has := timeOf(band)
			if !has {
				continue
			}
			p := chart.DecayPoint{Hz: band.MidHz, Seconds: s, Doubtful: doubtful}
			if k < len(t.DecayUncertainty) {
				p.Uncertainty = t.DecayUncertainty[k]
			}
			l.Points = append(l.Points, p)
		}
		l.Points = points(l.Points)
		ok = ok || len(l.Points) > 0
		v.Lines = append(v.Lines, l)
	}
	return v, ok
}

// atLeastZero makes what is not a figure 0, which is not known.
func atLeastZero(v float64) float64 {
	if v > 0 && !math.IsInf(v, 0) {
		return v
	}
	return 0
}

// mostDrawn is by how much of itself a mode's time may be off to be worth a place in
// the drawing. Tables have all.
const mostDrawn = 0.5

// modes draws the room modes of some of the drawn takes.
func (b *builder) modes(of []int) (v chart.DecayTimes, ok bool) {
	v = chart.DecayTimes{Title: "How long does the bass ring?", Subtitle: b.s.Name, Quantity: "room modes, one mark each"}
	for _, i := range of {
		l := chart.DecayLine{Name: b.names[b.drawn[i]]}
		for _, m := range b.s.Takes[b.drawn[i]].Modes {
			if m.SecondsUncertainty > mostDrawn*m.Seconds {
				continue
			}
			l.Points = append(l.Points, chart.DecayPoint{Hz: m.Hz, Seconds: m.Seconds, Uncertainty: m.SecondsUncertainty, Doubtful: m.Doubt != ""})
		}
		l.Points = points(l.Points)
		ok = ok || len(l.Points) > 0
		v.Lines = append(v.Lines, l)
	}
	return v, ok
}

// group draws a group; takes are the indexes of its curves into s.Takes.
func (b *builder) group(g Group) (v chart.Several, takes []int, ok bool) {
	v = chart.Several{Title: orElse(g.Question, "How alike are they?"), Subtitle: orElse(g.Subtitle, b.s.Name), Target: b.s.Target, Spread: g.Spread, Smoothing: orElse(g.Smoothing, b.s.Smoothing), Reference: b.s.Reference}
	// What all have in common is not in their names.
	sources, seats := map[string]bool{}, map[string]bool{}
	for _, number := range g.Takes {
		if i, found := b.find(number); found {
			sources[b.s.Takes[i].Source], seats[b.s.Takes[i].Seat] = true, true
		}
	}
	for k, number := range g.Takes {
		i, found := b.find(number)
		if !found || len(v.Curves) == mostGrouped {
			continue
		}
		c := b.curves[i]
		if g.Curves != nil {
			c = chart.Curve{Name: b.names[i]}
			if k < len(g.Curves) {
				c.Hz, c.DB = finite(g.Curves[k].Hz, g.Curves[k].DB)
				c.Readable = sensible(g.Curves[k].Readable)
			}
		}
		if len(c.Hz) == 0 {
			continue
		}
		t := b.s.Takes[i]
		switch {
		case k < len(g.ByName) && g.ByName[k] != "":
			c.Name = g.ByName[k]
		case len(sources) == len(g.Takes) && t.Source != "":
			c.Name = t.Source
		case len(seats) == len(g.Takes) && t.Seat != "":
			c.Name = t.Seat
		}
		v.Curves, takes = append(v.Curves, c), append(takes, i)
	}
	if g.Average != nil {
		v.Expected = append(v.Expected, *g.Average)
	}
	return v, takes, len(v.Curves) > 0
}

// mostGrouped is what chart.Several takes.
const mostGrouped = 14

// change draws a change; ok is false where there is nothing to draw.
func (b *builder) change(c Change) (v chart.Change, ok bool) {
	c = c.clean()
	v = chart.Change{
		Title: orElse(c.Question, "What did the change do?"), Subtitle: b.between(c),
		Hz: c.Hz, DifferenceDB: c.DifferenceDB, UncertaintyDB: c.UncertaintyDB, Blank: c.Blank, Confidence: c.Confidence,
		Smoothing: orElse(c.Smoothing, b.s.Smoothing), Reference: b.s.Reference,
		Before: chart.Curve{Name: fmt.Sprintf("before: take %d", c.Before)}, After: chart.Curve{Name: fmt.Sprintf("after: take %d", c.After)},
	}
	v.Before.Hz, v.Before.DB = c.Hz, c.BeforeDB
	v.After.Hz, v.After.DB = c.Hz, c.AfterDB
	for _, of := range []struct {
		number int
		curve  *chart.Curve
	}{{c.Before, &v.Before}, {c.After, &v.After}} {
		if i, found := b.find(of.number); found {
			of.curve.Readable = sensible(b.s.Takes[i].Readable)
		}
	}
	return v, len(c.Hz) > 1
}

// clean returns a change whose curves can be drawn: points without both levels are
// left out, and where the difference or its uncertainty is no number, nothing is
// known. Lists of different lengths are as long as the shortest.
func (c Change) clean() Change {
	n := min(len(c.Hz), len(c.BeforeDB), len(c.AfterDB), len(c.DifferenceDB), len(c.UncertaintyDB))
	bad := func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) }
	out := c
	out.Hz, out.BeforeDB, out.AfterDB, out.DifferenceDB, out.UncertaintyDB, out.Blank = nil, nil, nil, nil, nil, nil
	last := 0.0
	for i := range n {
		hz, before, after, d, u := c.Hz[i], c.BeforeDB[i], c.AfterDB[i], c.DifferenceDB[i], c.UncertaintyDB[i]
		if !(hz > last) || bad(hz) || bad(before) || bad(after) {
			continue
		}
		last = hz
		blank := i < len(c.Blank) && c.Blank[i]
		if bad(d) || bad(u) || u < 0 {
			blank, d, u = true, 0, 0
		}
		out.Hz, out.BeforeDB, out.AfterDB = append(out.Hz, hz), append(out.BeforeDB, before), append(out.AfterDB, after)
		out.DifferenceDB, out.UncertaintyDB, out.Blank = append(out.DifferenceDB, d), append(out.UncertaintyDB, u), append(out.Blank, blank)
	}
	return out
}

// points returns the times that can be drawn, by frequency.
func points(all []chart.DecayPoint) (out []chart.DecayPoint) {
	for _, p := range all {
		if p.Hz > 0 && p.Seconds > 0 && !math.IsInf(p.Hz, 0) && !math.IsInf(p.Seconds, 0) {
			p.Uncertainty = atLeastZero(p.Uncertainty)
			out = append(out, p)
		}
	}
	slices.SortStableFunc(out, func(a, b chart.DecayPoint) int { return cmp.Compare(a.Hz, b.Hz) })
	return out
}

// between says what a change lies between.
func (b *builder) between(c Change) string {
	var parts []string
	if i, found := b.find(c.After); found {
		t := b.s.Takes[i]
		parts = append(parts, orElse(t.Source, "unnamed source"))
		if t.Seat != "" {
			parts = append(parts, "seat: "+t.Seat)
		}
	}
	parts = append(parts, fmt.Sprintf("takes %d and %d", c.Before, c.After))
	if c.What != "" {
		parts = append(parts, "“"+c.What+"”")
	}
	return strings.Join(parts, " · ")
}

func (b *builder) decayChange(c Change, d DecayChange) (v chart.DecayTimes, ok bool) {
	after, before := points(d.After), points(d.Before)
	return chart.DecayTimes{
		Title: orElse(d.Question, "What did the change do to the decay?"), Subtitle: b.between(c), Quantity: d.Quantity, Before: true,
		Lines:   []chart.DecayLine{{Name: fmt.Sprintf("after: take %d", c.After), Points: after}, {Name: fmt.Sprintf("before: take %d", c.Before), Points: before}},
		BandsHz: d.BandsHz, BandLabels: d.BandLabels,
	}, len(after)+len(before) > 0
}

// level writes a level as tables do, with a sign that is one.
func level(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	s := strconv.FormatFloat(v, 'f', 1, 64)
	if s == "-0.0" {
		s = "0.0"
	}
	return strings.Replace(s, "-", "−", 1)
}
