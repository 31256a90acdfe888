package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"

	"github.com/spf13/cobra"

	"roomsonde/capture/wav/atomicfile"
	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/cmd/roomsonde/internal/report"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv"
	"roomsonde/deconv/difference"
	"roomsonde/deconv/modes"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// reportFlags say what a page holds.
type reportFlags struct {
	survey, to, pictures string
	takes                []string
	changes              int
	keep                 bool
}

func (a *app) reportCommand() *cobra.Command {
	var f reportFlags
	cmd := &cobra.Command{
		Use:   "report [options]",
		Short: "The whole survey as one page that opens anywhere, without a network",
		Long: `report writes the survey as one HTML file: every take with its response, decay and
modes, what each noted change did, the last round, and how each take was made.
The file needs no network and no other file: send it, print it, put it anywhere.

Takes are worked out once and remembered in the survey's folder ` + "`.worked`" + `, which
can be deleted at any time.`,
		Example: `  roomsonde report
  roomsonde report --to room.html --pictures pictures
  roomsonde report --takes 12,15 --to change.html`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error { return a.report(cmd.Context(), f) },
	}
	flags := cmd.Flags()
	addSurvey(flags, &f.survey)
	flags.StringVar(&f.to, "to", "report.html", "HTML `FILE` to write")
	flags.StringVar(&f.pictures, "pictures", "", "write each view as a PNG into `FOLDER` too, for posting")
	flags.StringSliceVar(&f.takes, "takes", nil, "only these `TAKES`, as 12,15 (default: all)")
	flags.IntVar(&f.changes, "changes", 3, "how many of the last noted changes are shown, `N` being 0 to 20")
	flags.BoolVar(&f.keep, "keep-existing", false, "do not replace a file that is there")
	return cmd
}

func (a *app) report(ctx context.Context, f reportFlags) error {
	if ext := strings.ToLower(filepath.Ext(f.to)); ext != ".html" && ext != ".htm" {
		return usage("end the name in .html", "the ending of %s does not say that it is a page", f.to)
	}
	if f.changes < 0 || f.changes > 20 {
		return usage("give 0 to 20", "--changes %d is out of range", f.changes)
	}
	if err := notOfASurvey(f.to); err != nil {
		return err
	}
	if err := notInASurvey(f.pictures); err != nil {
		return err
	}
	s, err := survey.Open(f.survey, false)
	if err != nil {
		return err
	}
	w := &reportWork{app: a, s: s, dir: f.survey}
	page, err := w.page(ctx, f)
	if err != nil {
		return err
	}
	var html bytes.Buffer
	if err := report.Build(ctx, page, &html); err != nil {
		return err
	}
	if err := atomicfile.Write(f.to, atomicfile.Options{KeepExisting: f.keep}, func(out io.Writer) error {
		_, err := out.Write(html.Bytes())
		return err
	}); err != nil {
		return err
	}
	fmt.Fprintf(a.out, "%s of %s written to %s (%.1f MB).\n", plural(len(page.Takes), "take"), s.Dir(), f.to, float64(html.Len())/1e6)
	for _, text := range page.Missing {
		paragraph(a.out, "! ", text)
	}
	if f.pictures == "" {
		return nil
	}
	if err := os.MkdirAll(f.pictures, 0o777); err != nil {
		return &atomicfile.Error{Path: f.pictures, Err: err}
	}
	for _, v := range report.Views(page) {
		path := filepath.Join(f.pictures, v.Name+".png")
		if err := drawTo(path, v.View); err != nil {
			return err
		}
		fmt.Fprintln(a.out, "drawn in "+path)
	}
	return nil
}

// reportWork makes a page's content of a survey.
type reportWork struct {
	*app
	s    *survey.Survey
	dir  string
	keys []string // of all that was asked for
}

// reportFormat grows where what is kept of a take would be told otherwise.
const reportFormat = "2"

// page collects all that a page tells.
func (w *reportWork) page(ctx context.Context, f reportFlags) (report.Survey, error) {
	page := report.Survey{Name: filepath.Base(absolute(w.s.Dir())), MadeAt: w.now(), Engine: "roomsonde " + engineVersion,
		Smoothing: smoothingInWords(drawnSmoothing), Reference: "dB, 0 dB = recorded as loud as played"}
	entries, damaged, err := w.s.List()
	if err != nil {
		return page, err
	}
	for _, d := range damaged {
		page.Missing = append(page.Missing, d.Error()+".")
	}
	wanted := map[string]bool{}
	for _, id := range f.takes {
		if strings.TrimSpace(id) == "" {
			return page, usage("name takes by their numbers, as 10,11", "--takes names a take without a name")
		}
		take, err := w.s.Load(strings.TrimSpace(id))
		if err != nil {
			return page, err
		}
		wanted[take.ID] = true
	}
	var chosen []survey.Entry
	for _, e := range entries {
		switch {
		case e.InProgress: // another program is at it
		case e.Unfinished && len(wanted) == 0:
			page.Missing = append(page.Missing, fmt.Sprintf("%s was never finished.", e.ID))
		case !e.Unfinished && (len(wanted) == 0 || wanted[e.ID]):
			chosen = append(chosen, e)
		}
	}
	if page.Takes, err = w.takes(ctx, chosen, &page.Missing); err != nil {
		return page, err
	}
	if len(page.Takes) == 0 && len(page.Missing) == 0 {
		return page, usage("measure something first: roomsonde measure", "%s holds no take to report on", w.s.Dir())
	}
	if page.Target, err = w.target(page.Takes, &page.Missing); err != nil {
		return page, err
	}
	chosen = w.comparable(chosen, page.Takes, &page.Missing)
	if page.Changes, err = w.changes(ctx, chosen, f, &page.Missing); err != nil {
		return page, err
	}
	if len(wanted) == 0 {
		if page.Groups, err = w.groups(ctx, &page.Missing); err != nil {
			return page, err
		}
		w.s.PruneWorked(w.keys)
	}
	page.Readings = pageReadings(page)
	return page, nil
}

// absolute returns a path from the root on, or as it is.
func absolute(path string) string {
	if abs, err := filepath.Abs(path); err == nil {
		return abs
	}
	return path
}

// takes returns what a page says of takes: kept from before, or worked out now.
func (w *reportWork) takes(ctx context.Context, entries []survey.Entry, missing *[]string) ([]report.Take, error) {
	out, errs := make([]*report.Take, len(entries)), make([]error, len(entries))
	var toDo []int
	for i, e := range entries {
		w.keys = append(w.keys, takeKey(w.s, e.Meta))
		if t, ok := keptTake(w.s, e); ok {
			out[i] = t
		} else {
			toDo = append(toDo, i)
		}
	}
	shown := w.newCounter(len(toDo), "working out")
	defer shown.end()
	var all sync.WaitGroup
	slots := make(chan struct{}, 2) // each take uses more than one processor in parts
	for _, i := range toDo {
		all.Go(func() {
			slots <- struct{}{}
			defer func() { <-slots }()
			defer shown.add()
			if errs[i] = ctx.Err(); errs[i] != nil {
				return
			}
			r, err := w.load(ctx, w.dir, entries[i].ID, microphoneFlags{}, readFlags{})
			if err == nil {
				out[i], err = keepTake(ctx, w.s, r)
			}
			errs[i] = err
		})
	}
	all.Wait()
	var takes []report.Take
	for i, t := range out {
		switch {
		case errors.Is(errs[i], context.Canceled):
			return nil, errs[i]
		case errs[i] != nil:
			*missing = append(*missing, fmt.Sprintf("Take %d could not be worked out: %s.", entries[i].Number, strings.TrimSuffix(inWords(errs[i]), ".")))
		default:
			takes = append(takes, *t)
		}
	}
	return takes, nil
}

// takeKey names all that what is said of a take depends on.
func takeKey(s *survey.Survey, m survey.Meta) string {
	m.Findings = append([]survey.Finding{}, m.Findings...) // none is none
	text, err := json.Marshal(m)
	if err != nil {
		return ""
	}
	set, _ := s.Settings()
	parts := []string{"take", reportFormat, version(), string(text), fmt.Sprint(set.Crossovers[m.Source])}
	// Its files may be changed or put back by others.
	dir := filepath.Join(s.Dir(), m.ID)
	files, err := os.ReadDir(dir)
	if err != nil {
		return ""
	}
	paths := []string{}
	for _, f := range files {
		paths = append(paths, filepath.Join(dir, f.Name()))
	}
	if m.Calibration != nil {
		paths = append(paths, filepath.Join(s.Dir(), filepath.FromSlash(m.Calibration.File)))
	}
	for _, path := range paths {
		if info, err := os.Stat(path); err == nil {
			parts = append(parts, fmt.Sprint(filepath.Base(path), info.Size(), info.ModTime().UnixNano()))
		}
	}
	return strings.Join(parts, "\x00")
}

// keptTake returns what was kept of a take, if it is there and whole.
func keptTake(s *survey.Survey, e survey.Entry) (*report.Take, bool) {
	b, ok := s.Worked(takeKey(s, e.Meta))
	if !ok {
		return nil, false
	}
	var t report.Take
	if unsealed(b, &t) != nil || t.ID != e.ID || t.Number != e.Number {
		return nil, false
	}
	return &t, true
}

// sealed is content with its checksum before it: what was kept is either as it was,
// or not used.
func sealed(v any) ([]byte, error) {
	b, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(b)
	return append([]byte(hex.EncodeToString(sum[:])+"\n"), b...), nil
}

// unsealed reads what sealed wrote.
func unsealed(b []byte, v any) error {
	sum, content, ok := bytes.Cut(b, []byte("\n"))
	if want := sha256.Sum256(content); !ok || string(sum) != hex.EncodeToString(want[:]) {
		return errors.New("it is not as it was written")
	}
	return json.Unmarshal(content, v)
}

// keepTake works out what a page says of a take, and keeps it. What cannot be kept
// is worked out again another time.
func keepTake(ctx context.Context, s *survey.Survey, r *result) (*report.Take, error) {
	t, err := r.reported(ctx)
	if err != nil {
		return nil, err
	}
	if slices.ContainsFunc(r.m.Findings, func(f measurement.Finding) bool { return f.Kind == changedSince }) {
		return t, nil // until it is put right
	}
	if b, err := sealed(t); err == nil {
		s.KeepWorked(takeKey(s, r.meta), b)
	}
	return t, nil
}

// keepForPage keeps what a page says of a take that was just made, so that a
// report need not work it out again.
func (a *app) keepForPage(ctx context.Context, s *survey.Survey, r *result, read readFlags) {
	if read.window == 0 && read.cycles == 0 && read.smoothing == 0 {
		keepTake(ctx, s, r)
	}
}

// reported makes of a result what a page says of it.
func (r *result) reported(ctx context.Context) (*report.Take, error) {
	m := r.m
	t := &report.Take{Number: r.meta.Number, ID: r.meta.ID, Source: r.meta.Source, Seat: r.meta.Seat, Note: typographic(r.meta.Note), MadeAt: r.meta.MadeAt,
		Readings: r.readings(), Hz: m.Hz, DB: m.Smoothed(drawnSmoothing), Readable: r.readableView(),
		Levels: r.thirds(), Octaves: r.decayBands(scale.Octave), Thirds: r.decayBands(scale.Third), Conditions: r.conditions(), Expected: r.expected()}
	if m.NoiseDB != nil {
		t.NoiseHz, t.NoiseDB = m.Hz, m.NoiseDB
	}
	for _, f := range m.Findings {
		t.Findings = append(t.Findings, report.Finding{Kind: f.Kind, Text: f.Text, Fault: f.Fault})
	}
	found, err := modes.Find(ctx, []deconv.ImpulseResponse{m.Impulse}, modes.Options{})
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case err != nil:
		t.ModesReason = strings.TrimSuffix(inWords(err), ".")
		return t, nil
	}
	for _, x := range found.Modes {
		if !m.Readable.Contains(x.Hz) {
			continue
		}
		mode := report.Mode{Hz: x.Hz, HzUncertainty: x.Hz90, Seconds: x.DecayS, SecondsUncertainty: x.DecayS90,
			LevelDB: r.corrected(x.At[0].LevelDB, x.Hz), LevelUncertaintyDB: x.At[0].LevelDB90}
		if x.Kind == modes.Group {
			mode.Doubt = fmt.Sprintf("several modes from %.0f to %.0f Hz that are not told apart", x.FromHz, x.ToHz)
		}
		if mode.Doubt == "" && x.DecayS90 > mostDoubt*x.DecayS {
			mode.Doubt = "its decay is hardly known"
		}
		t.Modes = append(t.Modes, mode)
	}
	if len(t.Modes) == 0 {
		t.ModesReason = "none stands out of the noise in the range that can be read"
	}
	return t, nil
}

// mostDoubt is how much of a mode's decay time may be uncertain (at 90 %) before it
// is doubtful.
const mostDoubt = 0.2

// conditions say how a take was made.
func (r *result) conditions() []report.Condition {
	d := r.meta.Device
	var out []report.Condition
	add := func(name, format string, args ...any) {
		out = append(out, report.Condition{Name: name, Value: typographic(fmt.Sprintf(format, args...))})
	}
	if r.meta.LevelDBFS != 0 {
		add("level of the sweep", "%g dBFS (peak)", r.meta.LevelDBFS)
	}
	add("peak of the recording", "%.0f dBFS", r.m.PeakDBFS)
	if r.m.Noise != nil {
		add("room noise in the recording", "%.0f dBFS (rms)", r.m.Noise.RecordingDBFS)
	}
	if r.mic != nil {
		add("microphone", "%s", r.mic.kept.Name)
	} else {
		add("microphone", "no calibration was used")
	}
	if p, err := sweep.ParseProgram(r.meta.Program); err == nil {
		add("sweep", "%s", sweepInWords(p.Sweep))
		add("program", "%s", programInWords(p, max(1, len(r.m.Passes))))
	}
	if d.Input == d.Output {
		add("device", "%s", d.Input)
	} else {
		add("played by", "%s", d.Output)
		add("recorded by", "%s", d.Input)
	}
	if t := r.m.Timing; t != nil && t.Known {
		add("skew of the clocks", "%.2f ppm", 1e6*t.Skew)
	}
	add("time zero", "%s", zeroInWords(r.m.TimeZero))
	add("worked out by", "roomsonde %s", engineVersion)
	add("folder", "%s", r.meta.ID)
	return out
}

// comparable returns the entries of the takes that a page holds and that changes may
// be told of, and says which of them are left out: those that turned out not to be
// sound when they were worked out, as by a recording that was changed since.
func (w *reportWork) comparable(entries []survey.Entry, takes []report.Take, missing *[]string) []survey.Entry {
	var out []survey.Entry
	for _, e := range entries {
		i := slices.IndexFunc(takes, func(t report.Take) bool { return t.ID == e.ID })
		if i < 0 {
			continue
		}
		if faults := faultsOnPage(takes[i]); len(faults) > 0 && len(e.Faults()) == 0 {
			*missing = append(*missing, fmt.Sprintf("Take %d is marked (%s): no change is told of it.", e.Number, kinds(faults)))
			paragraph(w.talk, "! ", fmt.Sprintf("take %d is marked: %s", e.Number, kinds(faults)))
			continue
		}
		out = append(out, e)
	}
	return out
}

// faultsOnPage are the faults of a take, by their kinds.
func faultsOnPage(t report.Take) []survey.Finding {
	var out []survey.Finding
	for _, f := range t.Findings {
		if f.Fault {
			out = append(out, survey.Finding{Kind: f.Kind})
		}
	}
	return out
}

// target returns the survey's target, tied to the newest sound take that it can be
// tied to; nil where there is none.
func (w *reportWork) target(takes []report.Take, missing *[]string) (*chart.Line, error) {
	t, err := targetOf(w.s)
	if err != nil || t == nil {
		return nil, err
	}
	for _, take := range slices.Backward(takes) {
		if len(faultsOnPage(take)) > 0 || take.Readable.None {
			continue
		}
		var hz, db []float64
		for i, f := range take.Hz {
			if f >= take.Readable.FromHz && f <= take.Readable.ToHz {
				hz, db = append(hz, f), append(db, take.DB[i])
			}
		}
		if offset, err := t.Offset(hz, db); err == nil {
			return &chart.Line{Name: "target", Hz: hz, DB: t.Curve(hz, offset)}, nil
		}
	}
	if len(takes) > 0 {
		*missing = append(*missing, "The target is not drawn: no sound take can be read in the band that it is tied to.")
	}
	return nil, nil
}

// changes compares each of the last takes that say what was changed with the one
// before it, of the same source at the same seat.
func (w *reportWork) changes(ctx context.Context, entries []survey.Entry, f reportFlags, missing *[]string) ([]report.Change, error) {
	type pair struct{ before, after survey.Entry }
	var pairs []pair
	for i, e := range slices.Backward(entries) {
		if len(pairs) == f.changes {
			break
		}
		if e.Note == "" || len(e.Faults()) > 0 {
			continue
		}
		for _, b := range slices.Backward(entries[:i]) {
			if b.Source == e.Source && b.Seat == e.Seat && len(b.Faults()) == 0 {
				pairs = append(pairs, pair{b, e})
				break
			}
		}
	}
	var out []report.Change
	for _, p := range pairs {
		set, _ := w.s.Settings()
		repeats, _ := json.Marshal(set.Repeatability)
		key := strings.Join([]string{"change", takeKey(w.s, p.before.Meta), takeKey(w.s, p.after.Meta), string(repeats)}, "\x00")
		w.keys = append(w.keys, key)
		var change report.Change
		if b, ok := w.s.Worked(key); ok && unsealed(b, &change) == nil {
			out = append(out, change)
			continue
		}
		c, err := w.compared(ctx, p.before.ID, p.after.ID)
		if err != nil {
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
			*missing = append(*missing, fmt.Sprintf("What changed between takes %d and %d could not be worked out: %s.", p.before.Number, p.after.Number, strings.TrimSuffix(inWords(err), ".")))
			continue
		}
		change = c.reported()
		if b, err := sealed(change); err == nil && c.before.m.Sound() && c.after.m.Sound() {
			w.s.KeepWorked(key, b)
		}
		out = append(out, change)
	}
	return out, nil
}

// groups are the seats of the survey's last round.
func (w *reportWork) groups(ctx context.Context, missing *[]string) ([]report.Group, error) {
	last, err := lastRound(w.s)
	if err != nil || last == nil {
		return nil, err
	}
	r := &roundUnderWay{Round: last.Round, s: w.s, of: roundFlags{survey: w.dir}, takes: map[slot]*roundTake{}}
	if r.parts, err = parsePlay(strings.Join(last.Play, ",")); err != nil {
		return nil, nil // of another version, which names sources otherwise
	}
	r.place(last.entries)
	set, _ := w.s.Settings()
	settings, _ := json.Marshal(set)
	parts := []string{"round", string(settings)}
	for _, e := range last.entries {
		parts = append(parts, takeKey(w.s, e.Meta))
	}
	key := strings.Join(parts, "\x00")
	w.keys = append(w.keys, key)
	var groups []report.Group
	if b, ok := w.s.Worked(key); ok && unsealed(b, &groups) == nil {
		return groups, nil
	}
	out, err := w.resultOf(ctx, r)
	if err != nil {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		*missing = append(*missing, fmt.Sprintf("The last round could not be worked out: %s.", strings.TrimSuffix(inWords(err), ".")))
		return nil, nil
	}
	for seat := range r.Seats {
		if g, ok := out.group(seat); ok {
			groups = append(groups, g)
		}
	}
	if b, err := sealed(groups); err == nil {
		w.s.KeepWorked(key, b)
	}
	return groups, nil
}

// group makes of a seat of a round what a page says of it.
func (o *roundResult) group(seat int) (report.Group, bool) {
	v := o.view(seat)
	if len(v.Curves) == 0 {
		return report.Group{}, false
	}
	g := report.Group{Subtitle: v.Subtitle, Curves: v.Curves, Smoothing: v.Smoothing, Spread: v.Spread}
	for i := range o.r.parts {
		if t := o.r.taken(seat, i); t != nil {
			g.Takes, g.ByName = append(g.Takes, t.meta.Number), append(g.ByName, t.meta.Source)
		}
	}
	if seat == 0 {
		g.Sentences = o.readings()
		for i, s := range g.Sentences {
			g.Sentences[i] = forPage(s)
		}
		if len(o.sources) > 0 {
			t := o.table()
			for _, s := range o.sources {
				t.row(s.source, s.departDB, true)
			}
			if o.spread != nil {
				t.row("spread", o.spread, false)
			}
			g.Tables = []report.Table{{Caption: "Level by octave in dB against " + o.against(), Head: t.rows[0], Rows: t.rows[1:]}}
		}
	}
	return g, true
}

// forPage makes a sentence of a command's output one of a page, which is read without
// a command line.
func forPage(s string) string {
	return typographic(optionNamed.ReplaceAllString(s, ""))
}

// optionNamed is a hint at an option, as " (--json lists them)".
var optionNamed = regexp.MustCompile(` \(--[a-z-]+ [^()]*\)`)

// compared holds two takes against each other.
func (w *reportWork) compared(ctx context.Context, before, after string) (*beforeAfter, error) {
	takes, err := w.loadAll(ctx, w.dir, []string{before, after}, microphoneFlags{}, readFlags{})
	if err != nil {
		return nil, err
	}
	repeats, err := rememberedRepeats(w.dir)
	if err != nil {
		return nil, err
	}
	all, err := compareEach(ctx, takes, difference.Options{Repeatability: repeats})
	if err != nil {
		return nil, err
	}
	return all[0], nil
}

// reported makes of a comparison what a page says of it.
func (c *beforeAfter) reported() report.Change {
	v := c.changeView()
	out := report.Change{Before: c.before.meta.Number, After: c.after.meta.Number, What: typographic(c.after.meta.Note), Sentences: c.sentences()[1:], Warnings: c.warnings,
		Hz: v.Hz, BeforeDB: v.Before.DB, AfterDB: v.After.DB, DifferenceDB: v.DifferenceDB, UncertaintyDB: v.UncertaintyDB, Blank: v.Blank,
		Confidence: v.Confidence, Smoothing: v.Smoothing}
	for _, d := range c.decays() {
		out.Decay = append(out.Decay, report.DecayChange{Question: d.question, Quantity: d.quantity, Before: d.before, After: d.after, BandsHz: d.bandsHz, BandLabels: d.labels})
	}
	for _, b := range c.d.Bands {
		out.Bands = append(out.Bands, report.BandChange{Hz: b.NominalHz, BeforeDB: b.BeforeDB, AfterDB: b.AfterDB, DifferenceDB: b.DifferenceDB, UncertaintyDB: b.UncertaintyDB, Changed: b.Changed})
	}
	if more := out.Sentences[min(mostSentences, len(out.Sentences)):]; len(more) > 0 {
		rest := report.Table{Caption: "What else changed", Head: []string{"no.", "change"}, Words: true}
		for i, s := range more {
			rest.Rows = append(rest.Rows, []string{fmt.Sprint(mostSentences + i + 1), s})
		}
		out.Sentences, out.Tables = out.Sentences[:mostSentences], append(out.Tables, rest)
	}
	return out
}

// pageReadings are what matters most in a survey: what its last changes did, and
// how its newest take is.
func pageReadings(page report.Survey) []string {
	var out []string
	for _, c := range page.Changes {
		what := fmt.Sprintf("Take %d against take %d", c.After, c.Before)
		if c.What != "" {
			what += " (" + c.What + ")"
		}
		if len(c.Sentences) == 0 {
			out = append(out, fmt.Sprintf("%s: nothing changed beyond the uncertainty, between %s and %s.", what, chart.Hz(c.Hz[0]), chart.Hz(c.Hz[len(c.Hz)-1])))
			continue
		}
		out = append(out, what+": "+c.Sentences[0])
	}
	for _, g := range page.Groups {
		out = append(out, g.Sentences[:min(3, len(g.Sentences))]...)
	}
	for _, t := range slices.Backward(page.Takes) {
		if faults := faultsOnPage(t); len(faults) > 0 {
			out = append(out, fmt.Sprintf("Take %d (%s, %s) is marked: %s.", t.Number, t.Source, t.Seat, kinds(faults)))
			continue
		}
		for _, s := range t.Readings[min(1, len(t.Readings)):min(3, len(t.Readings))] { // what follows from where to where it can be read
			out = append(out, fmt.Sprintf("Take %d (%s, %s): %s", t.Number, t.Source, t.Seat, s))
		}
		if longest := longestMode(t.Modes); longest != nil {
			out = append(out, fmt.Sprintf("Take %d: the mode at %.1f Hz rings longest, %.2f s (± %.2f s) for 60 dB.", t.Number, longest.Hz, longest.Seconds, longest.SecondsUncertainty))
		}
		break
	}
	return out
}

// longestMode returns the mode that rings longest, of those that are strong and
// well known; nil where there is none.
func longestMode(all []report.Mode) *report.Mode {
	top := math.Inf(-1)
	for _, m := range all {
		if m.Doubt == "" {
			top = math.Max(top, m.LevelDB)
		}
	}
	var best *report.Mode
	for i, m := range all {
		if m.Doubt == "" && m.LevelDB > top-20 && m.SecondsUncertainty < 0.2*m.Seconds && (best == nil || m.Seconds > best.Seconds) {
			best = &all[i]
		}
	}
	return best
}

// counter shows how many of several things are done, where there is a terminal.
type counter struct {
	bar  *bar
	of   int
	mu   sync.Mutex
	done int
}

// takeS is about what working a take out takes, in s: for the time that is left.
const takeS = 0.15

func (a *app) newCounter(of int, what string) *counter {
	c := &counter{of: of}
	if a.live && of > 1 {
		c.bar = a.newBar(float64(of) * takeS)
		c.bar.about(what)
		c.bar.report(fmt.Sprintf("take 1 of %d", of), 0, "")
	}
	return c
}

func (c *counter) add() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.done++
	if c.bar != nil && c.done < c.of {
		c.bar.report(fmt.Sprintf("take %d of %d", c.done+1, c.of), float64(c.done)*takeS, "")
	}
}

func (c *counter) end() {
	if c.bar != nil {
		c.bar.end()
	}
}
