package report

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/sweep/scale"
)

//go:embed page.html page.css page.js
var files embed.FS

var page = template.Must(template.New("page.html").Funcs(template.FuncMap{"units": units}).ParseFS(files, "page.html"))

var unit = regexp.MustCompile(`(\d) (dB|dBFS|Hz|kHz|s|ms|ppm|%)(\s|[.,;:)]|$)`)

// units keeps figures and their units on one line.
func units(s string) string { return unit.ReplaceAllString(s, "$1\u00a0$2$3") }

var css, script = must(files.ReadFile("page.css")), must(files.ReadFile("page.js"))

func must(b []byte, err error) string {
	if err != nil {
		panic(err) // the file is part of the program
	}
	return string(b)
}

// The two layouts of every drawing, in units of the page: one for windows of 800
// pixels and more and for paper, one for narrower ones. At these widths, letters
// are no smaller than 12 pixels.
var (
	wide   = chart.PageOptions{Width: 800, Height: 440}
	narrow = chart.PageOptions{Width: 366, Height: 330, NoEnds: true}
)

// Build writes the page of a survey. It writes nothing unless all of it could be
// made. Errors are those of ctx, of w, *chart.DataError for what cannot be drawn,
// and ErrEmpty.
func Build(ctx context.Context, s Survey, w io.Writer) error {
	if len(s.Takes) == 0 && len(s.Missing) == 0 {
		return ErrEmpty
	}
	b := newBuilder(s)
	p := &pageOf{builder: b, values: map[string]*plotValues{}}
	c, err := p.content(ctx)
	if err != nil {
		return err
	}
	var out bytes.Buffer
	if err := page.Execute(&out, c); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	_, err = w.Write(out.Bytes())
	return err
}

// EmptyError says that there is nothing to report.
type emptyError struct{}

func (emptyError) Error() string { return "report: the survey holds no take" }

// Hint says what to do next.
func (emptyError) Hint() string { return "measure first, then make the report" }

// ErrEmpty is what Build says of a survey without takes. It has a Hint method.
var ErrEmpty error = emptyError{}

// content is what the template shows.
type content struct {
	Survey             Survey
	Title, About, Made string
	Policy             string
	Style              template.CSS
	Script, Values     template.JS
	Lead, More, Marked []string
	MoreHead           string
	Links              []link
	Sources            []source
	Shown, Curves      int
	Long               bool // the list of takes may not fit its box
	Overlays           []view
	Groups, Changes    []view
	Pictures           []picture
	Takes              []take
}

type link struct{ ID, Text string }

type source struct {
	Name  string
	All   bool
	Takes []choice
}

// choice is a checkbox.
type choice struct {
	Index  int // of the take in Survey.Takes, or of the curve in its drawing
	Name   string
	Shown  bool
	Sample template.HTML
}

type view struct {
	ID, Class, Question, Subtitle string
	Sentences, Warnings           []string
	Plots                         []plot
	Tables                        []Table
}

type plot struct {
	ID, Question           string
	Wide, Narrow           template.HTML
	WidePanel, NarrowPanel string
	First                  bool // of the page
	Notes                  []string
	Choices                []choice
	Table                  *Table
}

type picture struct {
	ID, Question, Alt string
	Source            template.URL
}

type take struct {
	Take
	Name, When, Badge string
	Findings          []finding
	Sound, Only       bool
	Index             int
	Tables            []Table
	Pictures          []picture
}

type finding struct {
	Finding
	Head string
}

// plotValues is what the page's script reads off a drawing.
type plotValues struct {
	Set    string        `json:"set"`
	Label  string        `json:"label"`
	Modes  bool          `json:"modes,omitempty"`
	Stops  []stop        `json:"stops,omitempty"`
	Curves []curveValues `json:"curves"`
}

type stop struct {
	Hz   float64 `json:"hz"`
	Name string  `json:"name"`
}

// curveValues are the values of one curve: levels in tenths of a dB on a grid of
// 24 points an octave, 10 Hz·2^(i/24) from i = First on, or times at stops.
type curveValues struct {
	Name   string    `json:"name"`
	Take   *int      `json:"take,omitempty"` // index of its checkbox; nil: always on
	First  int       `json:"first,omitempty"`
	V      []*int    `json:"v,omitempty"`
	U      []*int    `json:"u,omitempty"`
	From   float64   `json:"from,omitempty"`
	To     float64   `json:"to,omitempty"`
	None   bool      `json:"none,omitempty"`
	Plus   bool      `json:"plus,omitempty"`
	Points []*[3]any `json:"points,omitempty"`
}

type pageOf struct {
	*builder
	values  map[string]*plotValues
	palette chart.Palette
	any     bool // a drawing was made
}

func (p *pageOf) content(ctx context.Context) (*content, error) {
	s := p.s
	c := &content{Survey: s, Title: orElse(s.Name, "A survey")}
	c.About, c.Made = p.about(), p.made()
	const seen = 5
	c.Lead = s.Readings[:min(seen, len(s.Readings))]
	c.More = s.Readings[len(c.Lead):]
	c.MoreHead = count(len(c.More), "more reading")
	c.Marked = p.marked()

	if len(p.drawn) > 0 {
		if err := p.overlays(ctx, c); err != nil {
			return nil, err
		}
	}
	heads := p.groupHeads()
	for i, g := range p.shared(s.Groups) {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		v, err := p.groupView(i, g)
		if err != nil {
			return nil, err
		}
		v.Question = heads[i]
		c.Groups = append(c.Groups, v)
		c.Links = append(c.Links, link{v.ID, v.Question})
	}
	for i, ch := range s.Changes {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		v, err := p.changeView(i, ch)
		if err != nil {
			return nil, err
		}
		c.Changes = append(c.Changes, v)
		c.Links = append(c.Links, link{v.ID, fmt.Sprintf("%s Takes %d and %d", v.Question, ch.Before, ch.After)})
	}
	var err error
	if c.Pictures, err = pictures(ctx, "picture", s.Pictures); err != nil {
		return nil, err
	}
	for _, pic := range c.Pictures {
		c.Links = append(c.Links, link{pic.ID, pic.Question})
	}
	c.Links = append(c.Links, link{"takes", "How was it measured?"})
	for i, t := range s.Takes {
		v, err := p.takeView(ctx, i, t)
		if err != nil {
			return nil, err
		}
		c.Takes = append(c.Takes, v)
	}

	c.Style = template.CSS(p.style())
	c.Script = template.JS(script)
	values, err := json.Marshal(p.values)
	if err != nil {
		return nil, fmt.Errorf("report: %w", err)
	}
	c.Values = template.JS(values)
	c.Policy = fmt.Sprintf("default-src 'none'; style-src 'sha256-%s'; script-src 'sha256-%s'; img-src data:; base-uri 'none'; form-action 'none'", sum(string(c.Style)), sum(string(c.Script)))
	return c, nil
}

func sum(s string) string {
	h := sha256.Sum256([]byte(s))
	return base64.StdEncoding.EncodeToString(h[:])
}

// style returns the page's rules with the colours of its drawings.
func (p *pageOf) style() string {
	const light, dark = "--soft:#555b62;--rule:#d9d9d6;--edge:#767676;--link:#0b5c94;--warn:#a33b00;--focus:#0b5c94;",
		"--soft:#b4b9c0;--rule:#3c4048;--edge:#8b9098;--link:#7cc4f2;--warn:#ffa46b;--focus:#7cc4f2;"
	return fmt.Sprintf(":root{color-scheme:light dark;--paper:%s;--ink:%s;%s%s}\n@media screen and (prefers-color-scheme:dark){:root{--paper:%s;--ink:%s;%s%s}}\n@media print{:root{color-scheme:light}}\n%s\n%s\n%s",
		chart.LightPaper, chart.LightInk, light, p.palette.Light(), chart.DarkPaper, chart.DarkInk, dark, p.palette.Dark(),
		chart.PageStyle, p.palette.Classes(), css)
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

const dateTime, dateOnly = "2 January 2006, 15:04", "2 January 2006"

// about says how much was measured, and when.
func (p *pageOf) about() string {
	var first, last time.Time
	sources, seats := map[string]bool{}, map[string]bool{}
	for _, t := range p.s.Takes {
		if t.Source != "" {
			sources[t.Source] = true
		}
		if t.Seat != "" {
			seats[t.Seat] = true
		}
		if t.MadeAt.IsZero() {
			continue
		}
		if first.IsZero() || t.MadeAt.Before(first) {
			first = t.MadeAt
		}
		if t.MadeAt.After(last) {
			last = t.MadeAt
		}
	}
	parts := count(len(p.s.Takes), "take")
	if len(sources) > 0 {
		parts += " of " + count(len(sources), "source")
	}
	if len(seats) > 0 {
		parts += " at " + count(len(seats), "seat")
	}
	switch {
	case first.IsZero():
	case first.Format(dateOnly) == last.Format(dateOnly):
		parts += ", measured on " + first.Format(dateOnly)
	default:
		parts += ", measured from " + first.Format(dateOnly) + " to " + last.Format(dateOnly)
	}
	return parts + "."
}

func (p *pageOf) made() string {
	s := "This page was made"
	if !p.s.MadeAt.IsZero() {
		s += " on " + p.s.MadeAt.Format(dateTime)
	}
	return s + " by " + orElse(p.s.Engine, "roomsonde") + "."
}

// marked says in short which takes are faulty.
func (p *pageOf) marked() (all []string) {
	var which []string
	for _, t := range p.s.Takes {
		if t.sound() {
			continue
		}
		var kinds []string
		for _, f := range t.Findings {
			if f.Fault && !slices.Contains(kinds, f.Kind) {
				kinds = append(kinds, f.Kind)
			}
		}
		which = append(which, fmt.Sprintf("take %d (%s)", t.Number, strings.Join(kinds, ", ")))
	}
	if len(which) == 0 {
		return nil
	}
	const most = 8
	if more := len(which) - most; more > 0 {
		which = append(which[:most], fmt.Sprintf("%d more", more))
	}
	return []string{fmt.Sprintf("not to be relied on: %s.", strings.Join(which, ", "))}
}

// both draws a view in the two layouts.
func (p *pageOf) both(pl *plot, v chart.Paged, hidden []bool, tall float64) error {
	pl.First, p.any = !p.any, true
	var from, to float64 // of the wide layout's axis
	for _, o := range []chart.PageOptions{wide, narrow} {
		o.Name, o.Hidden = pl.ID+"-w", hidden
		if o.NoEnds {
			o.Name = pl.ID + "-n"
		}
		o.Height *= tall
		if d, ok := v.(chart.DecayTimes); ok && o.NoEnds {
			v = fewer(d, from, to)
		}
		pg, err := v.Page(o)
		if err != nil {
			return fmt.Errorf("report: %w", err)
		}
		p.palette.Add(pg)
		from, to = pg.FromHz, pg.ToHz
		panel := fmt.Sprintf("%.1f %.1f %.1f %.1f %.1f %.1f %.6g %.6g", pg.Left, pg.Top, pg.Right, pg.Floor, pg.Width, pg.Height, pg.FromHz, pg.ToHz)
		if o.NoEnds {
			pl.Narrow, pl.NarrowPanel = template.HTML(pg.SVG), panel
		} else {
			pl.Wide, pl.WidePanel = template.HTML(pg.SVG), panel
		}
	}
	return nil
}

// longList is from how many takes on the list of them scrolls in a narrow window.
const longList = 12

// mostNarrow is how many modes of a take a narrow drawing of many takes has.
const mostNarrow = 8

// fewer returns the modes of more than two takes as a narrow layout has room for: of
// each take those that are sure, and of these the longest. Bands, and modes of
// fewer takes, stay as they are; so does the axis, from and to.
func fewer(d chart.DecayTimes, from, to float64) chart.DecayTimes {
	if len(d.BandsHz) > 0 || len(d.Lines) <= 2 {
		return d
	}
	lines := slices.Clone(d.Lines)
	kept := 0
	for i := range lines {
		pts := slices.DeleteFunc(slices.Clone(lines[i].Points), func(q chart.DecayPoint) bool { return q.Doubtful })
		slices.SortStableFunc(pts, func(a, b chart.DecayPoint) int { return cmp.Compare(b.Seconds, a.Seconds) })
		pts = pts[:min(len(pts), mostNarrow)]
		slices.SortStableFunc(pts, func(a, b chart.DecayPoint) int { return cmp.Compare(a.Hz, b.Hz) })
		lines[i].Points = pts
		kept += len(pts)
	}
	if kept == 0 { // there is nothing sure
		return d
	}
	d.Lines, d.FromHz, d.ToHz = lines, from, to
	return d
}

func (p *pageOf) overlays(ctx context.Context, c *content) error {
	all := make([]int, len(p.drawn))
	for i := range all {
		all[i] = i
	}
	c.Curves, c.Long = len(p.drawn), len(p.drawn) > longList
	for _, h := range p.hidden {
		if !h {
			c.Shown++
		}
	}
	if len(p.drawn) > 1 {
		c.Sources = p.sources()
	}
	set := ""
	if len(p.drawn) > 1 {
		set = "takes"
	}
	add := func(id string, v chart.Paged, question, label string, vals *plotValues, table *Table, notes ...string) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		pl := plot{ID: id, Table: table, Notes: notes}
		if err := p.both(&pl, v, p.hidden, 1); err != nil {
			return err
		}
		vals.Set, vals.Label = set, label
		p.values[id] = vals
		c.Overlays = append(c.Overlays, view{ID: id + "-view", Question: question, Plots: []plot{pl}})
		c.Links = append(c.Links, link{id + "-view", question})
		return nil
	}

	v := p.responses(all)
	vals := &plotValues{}
	for k, i := range p.drawn {
		vals.Curves = append(vals.Curves, levels(v.Curves[k], p.names[i], &p.drawn[k]))
	}
	if t := p.s.Target; t != nil {
		vals.Curves = append(vals.Curves, levels(chart.Curve{Hz: t.Hz, DB: t.DB}, t.Name, nil))
	}
	if err := add("level", v, v.Title, "level", vals, p.levelTable(), p.faint()...); err != nil {
		return err
	}
	if v, ok := p.decays(all); ok {
		if err := add("decay", v, v.Title, "decay time", p.stops(v.Lines, v.BandsHz, v.BandLabels), p.decayTable(v), "Hollow marks are doubtful; a band without a mark has no time that can be told. The reasons stand with each take below."); err != nil {
			return err
		}
	}
	if v, ok := p.modes(all); ok {
		note := "Hollow marks are doubtful. Bars are what a time may be off; of more than two takes, doubtful marks have none. What may be off by more than half of itself stands in the table only."
		if len(v.Lines) > 2 {
			note += fmt.Sprintf(" In a narrow window so do all that are doubtful, and all but the %d longest modes of each take.", mostNarrow)
		}
		if err := add("modes", v, v.Title, "room modes", p.stops(v.Lines, nil, nil), p.modeTable(), note); err != nil {
			return err
		}
	}
	return nil
}

// faint says where curves are faint, for those that are drawn at first.
func (p *pageOf) faint() (notes []string) {
	if len(p.drawn) == 1 {
		r := p.curves[p.drawn[0]].Readable
		switch {
		case r.None:
			return []string{"Nothing of this can be read: " + r.FromReason + "."}
		case r.FromHz > 0 || r.ToHz > 0:
			return []string{"Faint, and not readable, " + ends(r) + "."}
		}
		return nil
	}
	return []string{"Faint parts are not readable; why, and where each curve ends, stands with each take below."}
}

// ends says where a readable band ends.
func ends(r chart.Readable) string {
	var parts []string
	put := func(side string, hz float64, reason string) {
		if hz > 0 {
			s := side + " " + chart.Hz(hz)
			if reason != "" {
				s += " (" + reason + ")"
			}
			parts = append(parts, s)
		}
	}
	put("below", r.FromHz, r.FromReason)
	put("above", r.ToHz, r.ToReason)
	return strings.Join(parts, " and ")
}

// sources lists the checkboxes of all takes, by source, in the order in which the
// sources come up.
func (p *pageOf) sources() (all []source) {
	for i, t := range p.s.Takes {
		k := slices.Index(p.drawn, i)
		if k < 0 {
			continue
		}
		name := orElse(t.Source, "unnamed source")
		at := slices.IndexFunc(all, func(s source) bool { return s.Name == name })
		if at < 0 {
			at = len(all)
			all = append(all, source{Name: name, All: true})
		}
		label := fmt.Sprintf("take %d", t.Number)
		if t.Seat != "" {
			label += " · " + t.Seat
		}
		if t.Note != "" {
			label += " · " + short(t.Note, 40)
		}
		if !t.sound() {
			label += " · fault"
		}
		all[at].All = all[at].All && !p.hidden[k]
		all[at].Takes = append(all[at].Takes, choice{Index: i, Name: label, Shown: !p.hidden[k], Sample: template.HTML(p.palette.Sample(k))})
	}
	return all
}

// short cuts a text at a word.
func short(s string, most int) string {
	r := []rune(strings.Join(strings.Fields(s), " "))
	if len(r) <= most {
		return string(r)
	}
	cut := string(r[:most])
	if i := strings.LastIndex(cut, " "); i > most/2 {
		cut = cut[:i]
	}
	return cut + "…"
}

const gridPerOctave = 24

func gridHz(i int) float64 { return 10 * math.Exp2(float64(i)/gridPerOctave) }

// levels puts a curve onto the grid of the values.
func levels(c chart.Curve, name string, take *int) curveValues {
	out := curveValues{Name: name, Take: take, From: round3(c.Readable.FromHz), To: round3(c.Readable.ToHz), None: c.Readable.None}
	out.First, out.V = onGrid(c.Hz, c.DB, nil)
	return out
}

func onGrid(hz, db []float64, blank []bool) (first int, v []*int) {
	if blank == nil {
		hz, db = finite(hz, db)
	}
	if len(hz) == 0 || !(hz[0] > 0) || len(hz) != len(db) {
		return 0, nil
	}
	first = int(math.Ceil(gridPerOctave*math.Log2(hz[0]/10) - 1e-9))
	last := int(math.Floor(gridPerOctave*math.Log2(hz[len(hz)-1]/10) + 1e-9))
	for i := first; i <= last; i++ {
		f := gridHz(i)
		if blank != nil {
			k, _ := slices.BinarySearch(hz, f)
			if k < len(blank) && blank[k] || k > 0 && blank[k-1] {
				v = append(v, nil)
				continue
			}
		}
		x := int(math.Round(10 * scale.Interpolate(hz, db, f)))
		v = append(v, &x)
	}
	return first, v
}

// round3 keeps figures short.
func round3(v float64) float64 {
	r, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 4, 64), 64)
	return r
}

// stops are the bands, or, where there are none, the modes, each with the time of
// every take. Modes of several takes within stopOctaves of each other are one.
func (p *pageOf) stops(lines []chart.DecayLine, bandsHz []float64, labels []string) *plotValues {
	vals := &plotValues{Modes: len(bandsHz) == 0}
	near := func(a, b float64) bool { return same(a, b) }
	if vals.Modes {
		const stopOctaves = 1.0 / 36
		near = func(a, b float64) bool { return math.Abs(math.Log2(a/b)) <= stopOctaves }
		var all []float64
		for _, l := range lines {
			for _, q := range l.Points {
				all = append(all, q.Hz)
			}
		}
		slices.Sort(all)
		for i := 0; i < len(all); {
			j := i
			for j < len(all) && math.Log2(all[j]/all[i]) <= stopOctaves {
				j++
			}
			middle := all[(i+j)/2]
			name := chart.Hz(middle)
			if a, b := chart.Hz(all[i]), chart.Hz(all[j-1]); a != b {
				name = a + " to " + b
			}
			bandsHz, labels = append(bandsHz, middle), append(labels, name)
			i = j
		}
	}
	for i, hz := range bandsHz {
		vals.Stops = append(vals.Stops, stop{round3(hz), labelHz(labels[i])})
	}
	for k, l := range lines {
		c := curveValues{Name: l.Name, Points: make([]*[3]any, len(bandsHz))}
		if k < len(p.drawn) {
			c.Take = &p.drawn[k]
		}
		for _, q := range l.Points {
			for i, hz := range bandsHz {
				if c.Points[i] == nil && near(q.Hz, hz) {
					d := 0
					if q.Doubtful {
						d = 1
					}
					c.Points[i] = &[3]any{round3(q.Seconds), round3(q.Uncertainty), d}
					break
				}
			}
		}
		vals.Curves = append(vals.Curves, c)
	}
	return vals
}

// levelTable has the levels of all takes in thirds of octaves; nil where no take has
// them.
func (p *pageOf) levelTable() *Table {
	var bands []float64
	for _, i := range p.drawn {
		for _, l := range p.s.Takes[i].Levels {
			if at, found := slices.BinarySearch(bands, l.Hz); !found && l.Hz > 0 {
				bands = slices.Insert(bands, at, l.Hz)
			}
		}
	}
	if len(bands) == 0 {
		return nil
	}
	t := &Table{Caption: "Level in dB of each take, mean over each third of an octave (the curve as drawn goes up and down within it); in brackets: not readable; –: not measured.", Head: []string{"take"}}
	for _, hz := range bands {
		t.Head = append(t.Head, chart.Hz(hz))
	}
	for i, take := range p.s.Takes {
		if _, drawn := p.curves[i]; !drawn {
			continue
		}
		row := []string{p.rowName(i)}
		for _, hz := range bands {
			v := "–"
			for _, l := range take.Levels {
				if l.Hz == hz {
					if v = level(l.DB); !l.Readable && v != "–" {
						v = "(" + v + ")"
					}
				}
			}
			row = append(row, v)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// rowName is a take's name with its number.
func (p *pageOf) rowName(i int) string {
	n := fmt.Sprintf(" · take %d", p.s.Takes[i].Number)
	return strings.TrimSuffix(p.names[i], n) + n
}

func (p *pageOf) decayTable(v chart.DecayTimes) *Table {
	t := &Table{Caption: "Decay time in s for 60 dB, T20 or else T30, in octave bands; ?: doubtful; –: refused.", Head: []string{"take"}}
	for _, l := range v.BandLabels {
		t.Head = append(t.Head, labelHz(l))
	}
	for i := range p.s.Takes {
		k := slices.Index(p.drawn, i)
		if k < 0 {
			continue
		}
		l, row := v.Lines[k], []string{p.rowName(i)}
		for _, hz := range v.BandsHz {
			cell := "–"
			for _, q := range l.Points {
				if same(q.Hz, hz) {
					cell = seconds(q.Seconds, q.Uncertainty)
					if q.Doubtful {
						cell += "?"
					}
				}
			}
			row = append(row, cell)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// labelHz writes a band's label with its unit: "31.5" is 31.5 Hz, "2k" 2 kHz.
func labelHz(l string) string {
	number, kilo := strings.CutSuffix(strings.TrimSuffix(l, " Hz"), "k")
	v, err := strconv.ParseFloat(number, 64)
	if err != nil {
		return l
	}
	if kilo {
		v *= 1000
	}
	return chart.Hz(v)
}

func seconds(s, u float64) string {
	out := strconv.FormatFloat(s, 'f', 2, 64)
	if u > 0 {
		out += " ± " + strconv.FormatFloat(u, 'f', 2, 64)
	}
	return out
}

// modeTable has all modes of all takes, by frequency.
func (p *pageOf) modeTable() *Table {
	t := &Table{Caption: "Room modes of each take: frequency, time for a decay of 60 dB, level.", Head: modeHead("take"), Words: true}
	for i, take := range p.s.Takes {
		for _, m := range take.Modes {
			t.Rows = append(t.Rows, append([]string{p.rowName(i)}, modeCells(m)...))
		}
	}
	return t
}

func modeHead(first ...string) []string {
	return append(first, "frequency, Hz", "decay time, s", "level, dB", "doubt")
}

func modeCells(m Mode) []string {
	off := func(v, u float64, digits int) string {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return "–"
		}
		s := strings.Replace(strconv.FormatFloat(v, 'f', digits, 64), "-", "−", 1)
		if u = atLeastZero(u); u > 0 {
			s += " ± " + strconv.FormatFloat(u, 'f', digits, 64)
		}
		return s
	}
	l := "–"
	if !m.NoLevel {
		l = off(m.LevelDB, m.LevelUncertaintyDB, 1)
	}
	return []string{off(m.Hz, m.HzUncertainty, 1), off(m.Seconds, m.SecondsUncertainty, 2), l, orElse(m.Doubt, "none")}
}

// seatOf returns the seat at which all takes of a group were made, or "".
func (p *pageOf) seatOf(g Group) string {
	seat := ""
	for _, number := range g.Takes {
		if i, found := p.find(number); found {
			if at := p.s.Takes[i].Seat; seat == "" || at == seat {
				seat = at
			} else {
				return ""
			}
		}
	}
	return seat
}

// groupHeads returns the questions of the groups, each unlike the others: with its
// seat, and with its takes where that is not enough.
func (p *pageOf) groupHeads() []string {
	heads := make([]string, len(p.s.Groups))
	for i, g := range p.s.Groups {
		heads[i] = orElse(g.Question, "How alike are they?")
	}
	for _, more := range []func(g Group) string{
		func(g Group) string {
			if seat := p.seatOf(g); seat != "" {
				return " Seat: " + seat
			}
			return ""
		},
		func(g Group) string {
			if len(g.Takes) == 0 {
				return ""
			}
			return fmt.Sprintf(" Takes %d to %d", slices.Min(g.Takes), slices.Max(g.Takes))
		},
	} {
		times := map[string]int{}
		for _, h := range heads {
			times[h]++
		}
		for i, g := range p.s.Groups {
			if times[heads[i]] > 1 {
				heads[i] += more(g)
			}
		}
	}
	return heads
}

// shared returns the groups with each sentence that is of one seat alone with the
// group of that seat: a round tells all it has to say with its first seat. Only to
// groups without sentences of their own are any given.
func (p *pageOf) shared(groups []Group) []Group {
	out := slices.Clone(groups)
	for i := range out {
		if len(groups[i].Sentences) == 0 {
			continue
		}
		// The groups of the other seats, those with the longest names first: one name
		// may begin as another.
		var others []int
		for k := i + 1; k < len(out) && len(groups[k].Sentences) == 0; k++ {
			if seat := p.seatOf(out[k]); seat != "" && seat != p.seatOf(out[i]) {
				others = append(others, k)
			}
		}
		own := append(slices.Clone(others), i)
		slices.SortStableFunc(own, func(a, b int) int { return len(p.seatOf(out[b])) - len(p.seatOf(out[a])) })
		out[i].Sentences = nil
		for _, s := range groups[i].Sentences {
			to := i
			for _, k := range own {
				if seat := p.seatOf(out[k]); seat != "" && saysSeat(s, seat) {
					to = k
					break
				}
			}
			out[to].Sentences = append(out[to].Sentences, s)
		}
	}
	return out
}

// saysSeat reports whether a sentence says that it is of a seat.
func saysSeat(s, seat string) bool {
	_, after, found := strings.Cut(s, " at the seat "+seat)
	next, _ := utf8.DecodeRuneInString(after)
	return found && !unicode.IsLetter(next) && !unicode.IsDigit(next)
}

func (p *pageOf) groupView(n int, g Group) (view, error) {
	id := fmt.Sprintf("alike-%d", n+1)
	out := view{ID: id + "-view", Class: "group", Question: orElse(g.Question, "How alike are they?"), Subtitle: g.Subtitle, Sentences: g.Sentences, Tables: g.Tables}
	v, takes, ok := p.group(g)
	if !ok {
		return out, nil
	}
	pl := plot{ID: id}
	if left := len(g.Takes) - len(takes); left > 0 {
		out.Warnings = append(out.Warnings, fmt.Sprintf("%s of this group %s not drawn here: without a curve, or beyond the %d that can be told apart.", count(left, "take"), isAre(left), mostGrouped))
	}
	if err := p.both(&pl, v, nil, 1); err != nil {
		return out, err
	}
	vals := &plotValues{Label: "level"}
	if len(takes) > 1 {
		vals.Set = id
	}
	for k := range takes {
		var at *int
		if vals.Set != "" {
			at = &k
			pl.Choices = append(pl.Choices, choice{Index: k, Name: v.Curves[k].Name, Sample: template.HTML(p.palette.Sample(k))})
		}
		vals.Curves = append(vals.Curves, levels(v.Curves[k], v.Curves[k].Name, at))
	}
	for _, l := range []*chart.Line{g.Average, p.s.Target} {
		if l != nil {
			vals.Curves = append(vals.Curves, levels(chart.Curve{Hz: l.Hz, DB: l.DB}, l.Name, nil))
		}
	}
	if g.Spread != nil && len(g.Spread.LowDB) == len(g.Spread.HighDB) {
		d := make([]float64, len(g.Spread.LowDB))
		for i := range d {
			d[i] = g.Spread.HighDB[i] - g.Spread.LowDB[i]
		}
		vals.Curves = append(vals.Curves, levels(chart.Curve{Hz: g.Spread.Hz, DB: d}, "spread, highest less lowest", nil))
	}
	p.values[id] = vals
	out.Plots = []plot{pl}
	return out, nil
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

func (p *pageOf) changeView(n int, c Change) (view, error) {
	id := fmt.Sprintf("change-%d", n+1)
	out := view{ID: id + "-view", Class: "change", Question: orElse(c.Question, "What did the change do?"), Subtitle: p.between(c), Sentences: c.Sentences, Warnings: c.Warnings, Tables: c.Tables}
	if len(out.Sentences) == 0 {
		out.Sentences = []string{"Nothing changed beyond what the two takes may be off."}
	}
	if v, ok := p.change(c); ok {
		c := c.clean()
		pl := plot{ID: id, Notes: []string{"Below: after less before. Grey is what it may be off by chance; only what leaves the grey is a change, and the bar at the foot marks it."}}
		if err := p.both(&pl, v, nil, 1.3); err != nil {
			return out, err
		}
		vals := &plotValues{Label: "level before and after", Curves: []curveValues{levels(v.After, v.After.Name, nil), levels(v.Before, v.Before.Name, nil)}}
		d := curveValues{Name: "after less before", Plus: true}
		d.First, d.V = onGrid(c.Hz, c.DifferenceDB, c.Blank)
		_, d.U = onGrid(c.Hz, c.UncertaintyDB, nil)
		vals.Curves = append(vals.Curves, d)
		p.values[id] = vals
		pl.Table = changeTable(c)
		out.Plots = append(out.Plots, pl)
	}
	for k, d := range c.Decay {
		v, ok := p.decayChange(c, d)
		if !ok {
			continue
		}
		pl := plot{ID: fmt.Sprintf("%s-decay-%d", id, k+1), Question: v.Title}
		if err := p.both(&pl, v, nil, 1); err != nil {
			return out, err
		}
		vals := p.stops(v.Lines, v.BandsHz, v.BandLabels)
		for i := range vals.Curves {
			vals.Curves[i].Take = nil
		}
		vals.Label = "decay time before and after"
		p.values[pl.ID] = vals
		pl.Table = decayChangeTable(d, vals)
		out.Plots = append(out.Plots, pl)
	}
	return out, nil
}

// changeTable has the levels before and after in thirds of octaves; nil where they are
// not known.
func changeTable(c Change) *Table {
	if len(c.Bands) == 0 {
		return nil
	}
	t := &Table{Caption: "Level before and after, and after less before with what it may be off: means over each third of an octave.", Head: []string{"band", "before, dB", "after, dB", "after less before, dB", "may be off by, dB", "a change?"}, Words: true}
	for _, b := range c.Bands {
		is, sign := "no", ""
		if b.Changed {
			is = "yes"
		}
		if b.DifferenceDB > 0.05 {
			sign = "+"
		}
		t.Rows = append(t.Rows, []string{chart.Hz(b.Hz), level(b.BeforeDB), level(b.AfterDB), sign + level(b.DifferenceDB), level(math.Max(0.1, b.UncertaintyDB)), is})
	}
	return t
}

func decayChangeTable(d DecayChange, vals *plotValues) *Table {
	t := &Table{Caption: "Decay time in s for 60 dB, before and after: " + d.Quantity + "; ?: doubtful; –: none.", Head: []string{"frequency", "before, s", "after, s"}}
	for i, s := range vals.Stops {
		row := []string{s.Name}
		for _, c := range []curveValues{vals.Curves[1], vals.Curves[0]} {
			cell := "–"
			if q := c.Points[i]; q != nil {
				cell = seconds(q[0].(float64), q[1].(float64))
				if q[2] == 1 {
					cell += "?"
				}
			}
			row = append(row, cell)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func (p *pageOf) takeView(ctx context.Context, i int, t Take) (v take, err error) {
	if err := ctx.Err(); err != nil {
		return v, err
	}
	v = take{Take: t, Index: i, Sound: t.sound()}
	parts := []string{}
	if t.Source != "" {
		parts = append(parts, t.Source)
	}
	if t.Seat != "" {
		parts = append(parts, "seat: "+t.Seat)
	}
	v.Name = strings.Join(parts, " · ")
	if !t.MadeAt.IsZero() {
		v.When = t.MadeAt.Format(dateTime)
	}
	faults := 0
	for _, f := range t.Findings {
		if f.Fault {
			faults++
		}
		head := []rune(f.Kind)
		if len(head) > 0 {
			head = append([]rune(strings.ToUpper(string(head[0]))), head[1:]...)
		}
		v.Findings = append(v.Findings, finding{f, string(head)})
	}
	if faults > 0 {
		v.Badge = "not to be relied on: " + count(faults, "fault")
	}
	_, drawn := p.curves[i]
	v.Only = drawn && len(p.drawn) > 1
	if r := sensible(t.Readable); drawn && !r.None && (r.FromHz > 0 || r.ToHz > 0) {
		v.Conditions = append([]Condition{{"Not readable", ends(r)}}, v.Conditions...)
	}
	for _, d := range []struct {
		bands []chart.DecayBand
		of    string
	}{{t.Octaves, "octave bands"}, {t.Thirds, "third-octave bands"}} {
		if len(d.bands) > 0 {
			v.Tables = append(v.Tables, decayTable(d.bands, d.of))
		}
	}
	if len(t.Modes) > 0 {
		m := Table{Caption: "Room modes.", Head: modeHead(), Words: true}
		for _, mode := range t.Modes {
			m.Rows = append(m.Rows, modeCells(mode))
		}
		v.Tables = append(v.Tables, m)
	}
	v.Pictures, err = pictures(ctx, fmt.Sprintf("take-%d-picture", t.Number), t.Pictures)
	return v, err
}

func decayTable(bands []chart.DecayBand, of string) Table {
	t := Table{Caption: "Decay times in s for 60 dB, in " + of + "; ?: doubtful; –: refused.", Head: []string{"band", "EDT, s", "T20, s", "T30, s", "why refused"}, Words: true}
	cell := func(v *float64, doubtful bool) string {
		switch {
		case v == nil, math.IsNaN(*v), math.IsInf(*v, 0):
			return "–"
		case doubtful:
			return seconds(*v, 0) + "?"
		}
		return seconds(*v, 0)
	}
	for _, b := range bands {
		t.Rows = append(t.Rows, []string{labelHz(orElse(b.Label, chart.Hz(b.MidHz))), cell(b.EDT, b.EDTDoubtful), cell(b.T20, b.T20Doubtful), cell(b.T30, b.T30Doubtful), b.Reason})
	}
	return t
}

// A picture of more than this is put in as PNG, which is then smaller.
const largestSVG = 300_000

func pictures(ctx context.Context, id string, all []Picture) (out []picture, err error) {
	for i, p := range all {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		var b bytes.Buffer
		kind := "svg+xml"
		if err := p.View.Render(&b, chart.SVG); err != nil {
			return nil, fmt.Errorf("report: %s: %w", p.Name, err)
		}
		if b.Len() > largestSVG {
			var png bytes.Buffer
			if err := p.View.Render(&png, chart.PNG); err != nil {
				return nil, fmt.Errorf("report: %s: %w", p.Name, err)
			}
			if png.Len() < b.Len() {
				b, kind = png, "png"
			}
		}
		out = append(out, picture{ID: fmt.Sprintf("%s-%d", id, i+1), Question: p.Question, Alt: orElse(p.Alt, p.Question),
			Source: template.URL("data:image/" + kind + ";base64," + base64.StdEncoding.EncodeToString(b.Bytes()))})
	}
	return out, nil
}
