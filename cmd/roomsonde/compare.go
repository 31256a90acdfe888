package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"sync"

	"github.com/spf13/cobra"

	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/reading"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv"
	"roomsonde/deconv/difference"
	"roomsonde/deconv/modes"
	"roomsonde/sweep/scale"
)

// compareFlags say how takes are compared.
type compareFlags struct {
	survey  string
	match   string // the band in which levels are matched
	repeats []string
	why     bool
	evenSo  bool
	mic     microphoneFlags
	read    readFlags
}

func (a *app) compareCommand() *cobra.Command {
	var f compareFlags
	cmd := &cobra.Command{
		Use:   "compare BEFORE AFTER [AFTER ...] [options]",
		Short: "What a change did: response, decay and modes, before and after",
		Long: `compare holds two takes of one source at one seat against each other: what rose,
what fell, what now dies away sooner. What it tells stands out of the
uncertainty of both takes; where nothing does, it says so.

How well a measurement repeats is part of that. Measure twice or more without
changing anything, and name these takes with --repeats: the survey remembers it.
Before that, 0.2 dB are assumed.

Several takes after are each held against the one before, and all of it together is
as sure as one comparison. Takes that are marked are compared with --even-so only.`,
		Example: `  roomsonde compare 12 15
  roomsonde compare 12 15 --drawings pictures
  roomsonde compare 12 15 --repeats 10,11,12   # three takes, nothing changed
  roomsonde compare 12 15 --match 500-2000     # the volume was another
  roomsonde compare 12 15 16 17                # three places, each against take 12`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) < 2 {
				return usage("as in: roomsonde compare 12 15", "compare takes two takes or more, before and after, but got %d", len(args))
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error { return a.compare(cmd.Context(), f, args) },
	}
	flags := cmd.Flags()
	addSurvey(flags, &f.survey)
	flags.StringVar(&f.match, "match", "none", "match the levels in a `BAND`, as 500-2000 (Hz); none: compare them as they are")
	flags.StringSliceVar(&f.repeats, "repeats", nil, "`TAKES` between which nothing was changed, as 10,11,12: they show how well levels repeat; none: forget it")
	flags.BoolVar(&f.why, "why", false, "list the figures behind what is said: bands, peaks and dips, decays, modes")
	flags.BoolVar(&f.evenSo, "even-so", false, "compare takes that are marked, too")
	f.mic.add(flags)
	flags.Lookup("microphone").Usage = "another calibration `FILE` for both than the takes' own; \"none\" for none"
	f.read.addCrossover(flags)
	flags.Var(smoothing{&f.read.smoothing}, "smoothing", "smooth both over a part of an octave (default: 1/12)")
	flags.BoolVar(&f.read.json, "json", false, "print one JSON object instead of text")
	flags.StringVar(&f.read.drawings, "drawings", "", "write drawings into `FOLDER`")
	flags.StringVar(&f.read.format, "format", "png", "`FORMAT` of drawings: png or svg")
	return cmd
}

// beforeAfter is two takes with what lies between them.
type beforeAfter struct {
	before, after *result
	d             *difference.Result
	warnings      []string // why they are not quite comparable
	repeats       difference.Repeatability
	remembered    bool // repeats was kept just now
}

func (a *app) compare(ctx context.Context, f compareFlags, ids []string) error {
	if err := f.read.check(); err != nil {
		return err
	}
	if err := f.mic.check(); err != nil {
		return err
	}
	var o difference.Options
	var err error
	if o.MatchFromHz, o.MatchToHz, err = band(f.match); err != nil {
		return err
	}
	o.Smoothing = f.read.smoothing
	// Each take is worked out on its own.
	forget := len(f.repeats) == 1 && f.repeats[0] == "none"
	if forget {
		f.repeats = nil
	}
	if len(f.repeats) > 0 && f.evenSo {
		return usage("leave one of them out", "--repeats asks how well sound takes repeat, and --even-so lets others in")
	}
	takes, err := a.loadAll(ctx, f.survey, append(ids, f.repeats...), f.mic, f.read)
	if err != nil {
		return err
	}
	for i := range ids {
		for j := range i {
			if takes[i].meta.ID == takes[j].meta.ID {
				return usage("name each take once", "%s and %s are the same take", ids[j], ids[i])
			}
		}
	}
	repeated := takes[len(ids):]
	if !f.evenSo {
		for i, r := range takes {
			if !r.m.Sound() {
				what := "compared"
				if i >= len(ids) {
					what = "used"
				}
				return usage("see roomsonde show "+fmt.Sprint(r.meta.Number)+"; --even-so compares it all the same", "take %d is marked (%s), and is not %s in silence", r.meta.Number, faultsOf(r), what)
			}
		}
	}
	if len(f.repeats) > 0 {
		o.Repeatability, err = repeatability(repeated, o)
	} else if !forget {
		o.Repeatability, err = rememberedRepeats(f.survey)
	}
	if err != nil {
		return err
	}
	all, err := compareEach(ctx, takes[:len(ids)], o)
	if err != nil {
		return err
	}
	if len(f.repeats) > 0 || forget {
		kept, err := a.rememberRepeats(f.survey, repeated, o.Repeatability)
		if err != nil {
			return err
		}
		all[0].remembered = kept && !forget
	}
	return a.showComparisons(all, f)
}

// loadAll works several takes out, as many at a time as is good for them.
func (a *app) loadAll(ctx context.Context, dir string, ids []string, mic microphoneFlags, read readFlags) ([]*result, error) {
	for _, id := range ids {
		if strings.TrimSpace(id) == "" {
			return nil, usage("name takes by their numbers, as 10,11", "a take without a name was asked for")
		}
	}
	out, errs := make([]*result, len(ids)), make([]error, len(ids))
	var wg sync.WaitGroup
	slots := make(chan struct{}, 2)
	for i, id := range ids {
		wg.Go(func() {
			slots <- struct{}{}
			defer func() { <-slots }()
			out[i], errs[i] = a.load(ctx, dir, strings.TrimSpace(id), mic, read)
		})
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// band reads a band in Hz, as 500-2000; none is 0 to 0.
func band(text string) (fromHz, toHz float64, err error) {
	if text == "none" || text == "" {
		return 0, 0, nil
	}
	from, to, ok := strings.Cut(strings.NewReplacer("–", "-", " to ", "-").Replace(text), "-")
	low, high := frequency(&fromHz), frequency(&toHz)
	if !ok || low.Set(from) != nil || high.Set(to) != nil || !(fromHz < toHz) {
		return 0, 0, usage("give two frequencies, the lower first, as 500-2000 or 500-2k", "%q is no band of frequencies", text)
	}
	return fromHz, toHz, nil
}

// faultsOf lists the kinds of fault of a take.
func faultsOf(r *result) string {
	var out []survey.Finding
	for _, f := range r.m.Findings {
		if f.Fault {
			out = append(out, survey.Finding{Kind: f.Kind})
		}
	}
	return kinds(out)
}

// compared makes of a take what is compared, but for the modes.
func (r *result) compared() difference.Take {
	return difference.Take{Response: r.m.Response, Noise: r.m.Noise, Readable: r.m.Readable, Decays: difference.OfBands(r.m.Decay)}
}

// modesOf lists the modes of a take that it can be read at; was says what each was
// before, or that it is left out.
func (r *result) modesOf(found []modes.Mode, was func(m *modes.Mode) (int, bool)) []difference.Mode {
	out := []difference.Mode{}
	for i := range found {
		if m := &found[i]; m.Kind == modes.Single && r.m.Readable.Contains(m.Hz) {
			if n, ok := was(m); ok {
				out = append(out, difference.Mode{Hz: m.Hz, StandardHz: m.Hz90 / ninety, T60S: m.DecayS, StandardS: m.DecayS90 / ninety, LevelDB: m.At[0].LevelDB, Was: n})
			}
		}
	}
	return out
}

// compareModes finds what became of the modes: of a before, and of each after with what
// before knows. Where modes cannot be looked for, as in too short a response, they
// are not compared.
func compareModes(ctx context.Context, of []*result, takes []difference.Take) error {
	first := of[0]
	changes, errs := make([]*modes.Change, len(of)), make([]error, len(of))
	var wg sync.WaitGroup
	for i, r := range of[1:] {
		wg.Go(func() {
			changes[i+1], errs[i+1] = modes.Follow(ctx, []deconv.ImpulseResponse{first.m.Impulse}, []deconv.ImpulseResponse{r.m.Impulse}, modes.Options{})
		})
	}
	wg.Wait()
	if ctx.Err() != nil {
		return ctx.Err()
	}
	for i, c := range changes {
		if i == 0 || errs[i] != nil {
			continue
		}
		// Those before, in the order in which they are listed: what is found in them
		// is the same each time.
		index := map[*modes.Mode]int{}
		takes[0].Modes = first.modesOf(c.Before.Modes, func(m *modes.Mode) (int, bool) {
			index[m] = len(index) + 1
			return 0, true
		})
		was := map[*modes.Mode]int{}
		for _, p := range c.Pairs {
			if p.After != nil {
				was[p.After] = difference.NotThere
				if n, ok := index[p.Before]; ok {
					was[p.After] = n
				}
			}
		}
		takes[i].Modes = of[i].modesOf(c.After.Modes, func(m *modes.Mode) (int, bool) {
			n, ok := was[m]
			return n, ok || !c.Together
		})
	}
	return nil
}

// ninety is how many standard deviations hold 90 % of a normal distribution.
const ninety = 1.645

// compareEach holds each of several takes against the first.
func compareEach(ctx context.Context, of []*result, o difference.Options) ([]*beforeAfter, error) {
	var takes []difference.Take
	for _, r := range of {
		t := r.compared()
		if top := sharedTopHz(of[0], r); top > 0 && t.Readable.OK && t.Readable.ToHz > top {
			t.Readable.ToHz, t.Readable.ToReason = top, "the lower of the two sample rates"
			t.Readable.OK = t.Readable.FromHz < top
		}
		takes = append(takes, t)
	}
	if err := compareModes(ctx, of, takes); err != nil {
		return nil, err
	}
	results, err := difference.CompareEach(takes[0], takes[1:], o)
	if err != nil {
		return nil, err
	}
	var out []*beforeAfter
	for i, d := range results {
		c := &beforeAfter{before: of[0], after: of[i+1], d: d, repeats: o.Repeatability}
		c.warn()
		out = append(out, c)
	}
	return out, nil
}

// sharedTopHz is where what two takes of different sample rates have in common ends:
// beyond it a converter of the lower rate may filter already. 0 where the rates are
// one.
func sharedTopHz(a, b *result) float64 {
	if a.meta.SampleRateHz == b.meta.SampleRateHz {
		return 0
	}
	return ofTheRate * math.Min(a.meta.SampleRateHz, b.meta.SampleRateHz)
}

// ofTheRate is the part of a sample rate up to which a recording is read.
const ofTheRate = 0.45

// repeatability says how well levels repeat, by takes between which nothing
// changed.
func repeatability(of []*result, o difference.Options) (difference.Repeatability, error) {
	var takes []difference.Take
	for _, r := range of {
		takes = append(takes, r.compared())
	}
	if len(takes) < 2 {
		return difference.Repeatability{}, usage("name two takes or more, as --repeats 10,11", "one take does not show how well levels repeat")
	}
	first := of[0].meta
	for i, r := range of {
		for _, other := range of[:i] {
			if other.meta.ID == r.meta.ID {
				return difference.Repeatability{}, usage("name each take once", "--repeats names take %d twice", r.meta.Number)
			}
		}
		why := unlike(first, r.meta)
		if r.meta.Note != "" && r.meta.Note != first.Note {
			why = "the note says that something was changed: " + r.meta.Note
		}
		if why != "" {
			return difference.Repeatability{}, usage("name takes between which nothing was changed", "takes %d and %d cannot show how well levels repeat: %s", first.Number, r.meta.Number, why)
		}
	}
	repeats, err := difference.RepeatabilityOf(takes, difference.Options{Smoothing: o.Smoothing})
	for i, db := range repeats.DB {
		if err == nil && db > mostRepeatDB {
			return repeats, usage("name takes between which nothing was changed, the microphone left where it was", "levels differ by %.1f dB at %s between these takes: that is no repeatability", db, chart.Hz(repeats.Hz[i]))
		}
	}
	return repeats, err
}

// mostRepeatDB is more than takes differ between which nothing was changed.
const mostRepeatDB = 6

// unlike says in what two takes differ that should show how well levels repeat; ""
// where they do not.
func unlike(a, b survey.Meta) string {
	switch {
	case a.Source != b.Source:
		return fmt.Sprintf("they are of %s and %s", a.Source, b.Source)
	case a.Seat != b.Seat:
		return fmt.Sprintf("they were taken at %s and %s", a.Seat, b.Seat)
	case !slices.Equal(a.Device.OutputChannels, b.Device.OutputChannels):
		return "they were played on different channels"
	case a.Device.Input != b.Device.Input || a.Device.InputChannel != b.Device.InputChannel:
		return "they were recorded by different inputs"
	case a.SampleRateHz != b.SampleRateHz:
		return fmt.Sprintf("their sample rates are %g and %g Hz", a.SampleRateHz, b.SampleRateHz)
	case a.LevelDBFS != b.LevelDBFS:
		return typographic(fmt.Sprintf("they were played at %g and %g dBFS", a.LevelDBFS, b.LevelDBFS))
	}
	return ""
}

// rememberRepeats keeps in the survey how well levels repeat there. Where it
// cannot be written, as on a read-only disk, it holds for this time, and is not kept.
func (a *app) rememberRepeats(dir string, of []*result, r difference.Repeatability) (kept bool, err error) {
	s, err := survey.Open(dir, false)
	if err != nil {
		return false, err
	}
	var now *survey.Repeatability // none: forgotten
	if len(of) > 0 {
		now = &survey.Repeatability{Hz: r.Hz, DB: r.DB}
	}
	for _, t := range of {
		now.Takes = append(now.Takes, t.meta.ID)
	}
	if err := s.ChangeSettings(func(set *survey.Settings) { set.Repeatability = now }); err != nil {
		fmt.Fprintln(a.talk, "not remembered:", inWords(err))
		return false, nil
	}
	return true, nil
}

// rememberedRepeats returns how well levels repeat in a survey, as far as it
// remembers.
func rememberedRepeats(dir string) (difference.Repeatability, error) {
	s, err := survey.Open(dir, false)
	if err != nil {
		return difference.Repeatability{}, err
	}
	set, err := s.Settings()
	if err != nil || set.Repeatability == nil {
		return difference.Repeatability{}, err
	}
	return difference.Repeatability{Hz: set.Repeatability.Hz, DB: set.Repeatability.DB, Takes: len(set.Repeatability.Takes)}, nil
}

// warn lists what makes the two less than comparable.
func (c *beforeAfter) warn() {
	b, a := c.before.meta, c.after.meta
	say := func(format string, args ...any) { c.warnings = append(c.warnings, fmt.Sprintf(format, args...)) }
	if b.Source != a.Source {
		say("They are of different sources, %s and %s: what differs is the sources, not a change.", b.Source, a.Source)
	}
	if b.Seat != a.Seat {
		say("They were taken at different seats, %s and %s: what differs is the seats, not a change.", b.Seat, a.Seat)
	}
	switch {
	case (c.before.mic == nil) != (c.after.mic == nil):
		say("One was corrected by the microphone's calibration and the other was not.")
	case c.before.mic != nil && c.before.mic.kept.SHA256 != c.after.mic.kept.SHA256:
		say("They were corrected by different calibration files, %s and %s.", c.before.mic.kept.Name, c.after.mic.kept.Name)
	}
	if b.Device.Input != a.Device.Input || b.Device.InputChannel != a.Device.InputChannel {
		say("They were recorded by different inputs, %s and %s: their levels may not compare.", b.Device.Input, a.Device.Input)
	}
	if !slices.Equal(b.Device.OutputChannels, a.Device.OutputChannels) && b.Device.System != fileSystem && a.Device.System != fileSystem {
		say("They were played on different output channels.")
	}
	if b.SampleRateHz != a.SampleRateHz {
		say("Their sample rates are %g and %g Hz: they are compared up to %s at most.", b.SampleRateHz, a.SampleRateHz, chart.Hz(sharedTopHz(c.before, c.after)))
	}
	if c.before.lowPassHz != c.after.lowPassHz {
		say("They are read behind different crossovers.")
	}
	if x, y := c.before.m, c.after.m; x.FromHz > 2*y.FromHz || y.FromHz > 2*x.FromHz || x.ToHz > 1.5*y.ToHz || y.ToHz > 1.5*x.ToHz {
		say("Their sweeps cover different ranges, %s to %s and %s to %s: nothing is said of the rest.", chart.Hz(x.FromHz), chart.Hz(x.ToHz), chart.Hz(y.FromHz), chart.Hz(y.ToHz))
	}
	if b.Device.System == fileSystem || a.Device.System == fileSystem {
		say("A recording made elsewhere does not tell how loud it was played: let the levels be matched (--match), unless player and recorder were set alike.")
	}
	for _, r := range []*result{c.before, c.after} {
		if !r.m.Sound() {
			say("Take %d is marked (%s): do not trust what differs.", r.meta.Number, faultsOf(r))
		}
	}
}

// sentences are what a comparison says, the most important first.
func (c *beforeAfter) sentences() []string {
	return append([]string{reading.Changes(c.d)}, reading.ChangeList(c.d)...)
}

// mostSentences is what fits on a screen.
const mostSentences = 5

func (a *app) showComparisons(all []*beforeAfter, f compareFlags) error {
	var paths []string
	var drawErr error
	for _, c := range all {
		drawn, err := a.drawComparison(c, f)
		paths = append(paths, drawn...)
		if drawErr = err; err != nil {
			break
		}
	}
	where := a.out
	switch {
	case f.read.json:
		where = a.talk
		var v any = all[0].json()
		if len(all) > 1 {
			several := jsonComparisons{}
			for _, c := range all {
				several.Comparisons = append(several.Comparisons, c.json())
			}
			v = several
		}
		if err := printJSON(a.out, v); err != nil {
			return err
		}
	default:
		for i, c := range all {
			if i > 0 {
				fmt.Fprintln(a.out)
			}
			c.printText(a.out, f.why)
		}
	}
	for _, path := range paths {
		fmt.Fprintln(where, "drawn in "+path)
	}
	if drawErr != nil {
		return drawErr
	}
	for _, c := range all {
		if !c.before.m.Sound() || !c.after.m.Sound() {
			return errMarked
		}
	}
	return nil
}

func (c *beforeAfter) printText(w io.Writer, why bool) {
	fmt.Fprintln(w, "before  "+c.before.title())
	fmt.Fprintln(w, "after   "+c.after.title())
	if note := c.after.meta.Note; note != "" {
		paragraph(w, "changed ", note)
	}
	fmt.Fprintln(w)
	for _, s := range c.warnings {
		paragraph(w, "! ", s)
	}
	said := c.sentences()
	paragraph(w, "", said[0])
	for i, s := range said[1:] {
		if i == mostSentences-1 && len(said) > mostSentences+1 && !why {
			paragraph(w, "", fmt.Sprintf("And %d more: --why lists them.", len(said)-1-i))
			break
		}
		paragraph(w, "- ", s)
	}
	fmt.Fprintln(w)
	c.printBands(w)
	if why {
		c.printWhy(w)
	}
	for _, s := range c.remarks() {
		paragraph(w, "note: ", s)
	}
}

// remarks are what else is worth knowing.
func (c *beforeAfter) remarks() []string {
	var out []string
	switch {
	case c.d.RepeatabilityAssumed:
		out = append(out, "To know how well levels repeat here, measure twice without changing anything, and name these takes with --repeats.")
	case c.repeats.Takes > 0:
		out = append(out, fmt.Sprintf("How well levels repeat was taken from %d takes: %.2f dB at 50 Hz, %.2f dB at 1 kHz (one standard deviation).", c.repeats.Takes, c.repeats.At(50), c.repeats.At(1000)))
	}
	if c.remembered {
		out = append(out, "The survey remembers how well levels repeat; --repeats none forgets it.")
	}
	if c.d.OffsetDB != 0 {
		out = append(out, fmt.Sprintf("The take after was raised by %s to match the levels.", reading.Signed(c.d.OffsetDB)))
	}
	return append(out, c.d.Remarks...)
}

// printBands writes the difference in thirds of octaves.
func (c *beforeAfter) printBands(w io.Writer) {
	fmt.Fprintln(w, "What did the change do?  (dB, after less before, 1/3 octave; ±: may be off by)")
	const columns = 8
	for from := 0; from < len(c.d.Bands); from += columns {
		var head, line, off strings.Builder
		for _, b := range c.d.Bands[from:min(from+columns, len(c.d.Bands))] {
			fmt.Fprintf(&head, "%8s", short(b.NominalHz))
			mark := " "
			if b.Changed {
				mark = "*"
			}
			line.WriteString(flushRight(signedCell(b.DifferenceDB)+mark, 8))
			fmt.Fprintf(&off, "%8s", fmt.Sprintf("%.1f ", math.Max(0.1, b.UncertaintyDB)))
		}
		fmt.Fprintf(w, "  Hz %s\n  dB %s\n  ±  %s\n", strings.TrimRight(head.String(), " "), strings.TrimRight(line.String(), " "), strings.TrimRight(off.String(), " "))
	}
	if slices.ContainsFunc(c.d.Bands, func(b difference.BandChange) bool { return b.Changed }) {
		fmt.Fprintln(w, "  *: beyond the uncertainty")
	}
}

// signedCell is a difference with its sign, for a table; one that rounds to nothing
// has none.
func signedCell(db float64) string { return signed(db, 1) }

// signedSeconds is the same of decay times.
func signedSeconds(s float64) string { return signed(s, 2) }

func signed(v float64, digits int) string {
	part := math.Pow10(digits)
	v = math.Round(part*v)/part + 0
	if v == 0 {
		return fmt.Sprintf("%.*f", digits, v)
	}
	return minus(fmt.Sprintf("%+.*f", digits, v))
}

// printWhy writes the figures behind what is said.
func (c *beforeAfter) printWhy(w io.Writer) {
	fmt.Fprintln(w, "\nWhich peaks and dips are there?  (dB over what is beside them; –: none)")
	fmt.Fprintln(w, "      where         before   after  change      ±")
	for _, p := range c.d.Peaks {
		kind, sign := "peak", 1.0
		if p.Dip {
			kind, sign = "dip", -1
		}
		mark := " "
		if p.Changed {
			mark = "*"
		}
		height := func(e *difference.Extremum) string {
			if e == nil {
				return flushRight("–", 6)
			}
			return fmt.Sprintf("%6.1f", sign*e.HeightDB)
		}
		fmt.Fprintln(w, minus(fmt.Sprintf("  %-4s  %8s   %s  %s  %s%s %6.1f", kind, chart.Hz(p.Hz()), height(p.Before), height(p.After), flushRight(signedCell(sign*p.ChangeDB), 6), mark, p.UncertaintyDB)))
	}
	paragraph(w, "  ", "before, after: as in each take by itself. change: over one and the same place beside it; where only that place changed, it does not count (no *).")
	if s := c.deepest(); s != "" {
		paragraph(w, "  ", s)
	}
	if len(c.d.Modes) > 0 {
		fmt.Fprintln(w, "\nHow do the modes ring?  (s for 60 dB; –: not found, ?: doubtful)")
		fmt.Fprintln(w, "      where   before    after  change       ±")
		for _, m := range c.d.Modes {
			cell := func(of *difference.Mode) string {
				if of == nil {
					return "      – "
				}
				return fmt.Sprintf("%7.2f", of.T60S) + doubtMark(doubtfulMode(of))
			}
			line := fmt.Sprintf("  %9s  %s %s", chart.Hz(math.Round(10*m.Hz())/10), cell(m.Before), cell(m.After))
			if m.Before != nil && m.After != nil {
				mark := " "
				if m.Changed {
					mark = "*"
				}
				line += fmt.Sprintf("  %s%s %5.2f", flushRight(signedSeconds(m.DifferenceS), 6), mark, m.UncertaintyS)
			}
			fmt.Fprintln(w, strings.TrimRight(minus(line), " "))
		}
	}
	if len(c.d.Decays) > 0 {
		fmt.Fprintln(w, "\nHow do the bands decay?  (s for 60 dB; ?: doubtful)")
		fmt.Fprintf(w, "  %-36sbefore  after  change\n", "")
		for _, d := range c.d.Decays {
			mark := " "
			if d.Changed {
				mark = "*"
			}
			fmt.Fprintln(w, minus(fmt.Sprintf("  %-36s %5.2f%s %5.2f%s %s%s ± %.2f", reading.BandName(d.Name), d.BeforeS, doubtMark(d.BeforeDoubtful), d.AfterS, doubtMark(d.AfterDoubtful), flushRight(signedSeconds(d.DifferenceS), 6), mark, d.UncertaintyS)))
		}
	}
	fmt.Fprintln(w)
}

// doubtMark marks a time that is doubtful, as the tables of show and decay do.
func doubtMark(doubtful bool) string {
	if doubtful {
		return "?"
	}
	return " "
}

// doubtfulMode reports whether a mode's decay time is hardly known, by the measure of
// the report.
func doubtfulMode(m *difference.Mode) bool { return ninety*m.StandardS > mostDoubt*m.T60S }

// deepest says which dip of the bass is deepest in each of the two takes, as show
// does of one; empty where neither has one.
func (c *beforeAfter) deepest() string {
	words := func(r *result) string {
		dips := reading.Dips(r.m)
		if len(dips) == 0 {
			return ""
		}
		return fmt.Sprintf("at %s, %.0f dB", chart.Hz(dips[0].Hz), dips[0].DepthDB)
	}
	before, after := words(c.before), words(c.after)
	if before == "" && after == "" {
		return ""
	}
	none := func(s string) string {
		if s == "" {
			return "none that counts"
		}
		return s
	}
	how := ""
	if c.d.Smoothing != reading.BassSmoothing { // these always are as show has them
		how = fmt.Sprintf(", smoothed over 1/%d octave", reading.BassSmoothing)
	}
	return fmt.Sprintf("The deepest dip of the bass%s: before %s, after %s.", how, none(before), none(after))
}

// jsonComparisons is what compare --json prints where several takes are held
// against one.
type jsonComparisons struct {
	Comparisons []jsonComparison `json:"comparisons"`
}

// The JSON of a comparison. Fields are added, never renamed.
type jsonComparison struct {
	Before     jsonTake        `json:"before"`
	After      jsonTake        `json:"after"`
	Difference jsonDifference  `json:"difference"`
	Changes    []jsonChange    `json:"changes"`
	Bands      []jsonBandShift `json:"bands"`
	Peaks      []jsonPeak      `json:"peaks"`
	Decay      []jsonShift     `json:"decay"`
	Modes      []jsonModeShift `json:"modes"`
	OffsetDB   float64         `json:"matched_by_db"` // was added to the take after
	Confidence float64         `json:"confidence"`
	Readings   []string        `json:"readings"`
	Warnings   []string        `json:"warnings"`
	Remarks    []string        `json:"remarks"`
}

// jsonDifference is after less before, where both can be read.
type jsonDifference struct {
	FrequencyHz   []float64 `json:"frequency_hz"`
	MagnitudeDB   []float64 `json:"magnitude_db"`
	UncertaintyDB []float64 `json:"uncertainty_db"` // at the confidence, for all points at once
	BeforeDB      []float64 `json:"before_db"`
	AfterDB       []float64 `json:"after_db"`
	Smoothing     string    `json:"smoothing"`
	FromReason    string    `json:"from_reason"`
	ToReason      string    `json:"to_reason"`
}

type jsonChange struct {
	Kind        string  `json:"kind"`
	What        string  `json:"what,omitempty"`
	Text        string  `json:"text"`
	Hz          float64 `json:"frequency_hz,omitempty"`
	FromHz      float64 `json:"from_hz,omitempty"`
	ToHz        float64 `json:"to_hz,omitempty"`
	Before      float64 `json:"before"`
	After       float64 `json:"after"`
	Difference  float64 `json:"difference"`
	Uncertainty float64 `json:"uncertainty"`
	Unit        string  `json:"unit"`
	// Which of two decay times is doubtful.
	BeforeDoubtful bool `json:"before_doubtful,omitempty"`
	AfterDoubtful  bool `json:"after_doubtful,omitempty"`
}

type jsonBandShift struct {
	BandHz        float64 `json:"band_hz"`
	BeforeDB      float64 `json:"before_db"`
	AfterDB       float64 `json:"after_db"`
	DifferenceDB  float64 `json:"difference_db"`
	UncertaintyDB float64 `json:"uncertainty_db"`
	Changed       bool    `json:"changed"`
}

type jsonPeak struct {
	Kind          string  `json:"kind"` // "peak" or "dip"
	What          string  `json:"what"` // "went", "came" or "stayed"
	Hz            float64 `json:"frequency_hz"`
	FromHz        float64 `json:"from_hz"`
	ToHz          float64 `json:"to_hz"`
	BeforeDB      float64 `json:"before_db"` // its height over one place in both takes; of a dip its depth
	AfterDB       float64 `json:"after_db"`
	ChangeDB      float64 `json:"change_db"`
	UncertaintyDB float64 `json:"uncertainty_db"`
	Changed       bool    `json:"changed"`
	// Its height in each take by itself, as dips of show have it; null where it is not found.
	BeforeHeightDB *float64 `json:"before_height_db"`
	AfterHeightDB  *float64 `json:"after_height_db"`
}

type jsonShift struct {
	Name         string  `json:"name"`
	Hz           float64 `json:"frequency_hz"`
	BeforeS      float64 `json:"before_s"`
	AfterS       float64 `json:"after_s"`
	DifferenceS  float64 `json:"difference_s"`
	UncertaintyS float64 `json:"uncertainty_s"`
	Changed      bool    `json:"changed"`
	// Which of the two times is doubtful.
	BeforeDoubtful bool `json:"before_doubtful"`
	AfterDoubtful  bool `json:"after_doubtful"`
}

type jsonModeShift struct {
	BeforeHz     *float64 `json:"before_hz"` // null where it was not found
	AfterHz      *float64 `json:"after_hz"`
	BeforeS      *float64 `json:"before_s"`
	AfterS       *float64 `json:"after_s"`
	DifferenceS  *float64 `json:"difference_s"`
	UncertaintyS *float64 `json:"uncertainty_s"`
	Changed      bool     `json:"changed"`
	// Which of the two decay times is hardly known.
	BeforeDoubtful bool `json:"before_doubtful"`
	AfterDoubtful  bool `json:"after_doubtful"`
}

func (c *beforeAfter) json() jsonComparison {
	d := c.d
	j := jsonComparison{Before: c.before.jsonTake(), After: c.after.jsonTake(),
		Difference: jsonDifference{FromReason: d.FromReason, ToReason: d.ToReason, Smoothing: smoothingInWords(d.Smoothing), FrequencyHz: []float64{}, MagnitudeDB: []float64{}, UncertaintyDB: []float64{}, BeforeDB: []float64{}, AfterDB: []float64{}},
		Changes:    []jsonChange{}, Bands: []jsonBandShift{}, Peaks: []jsonPeak{}, Decay: []jsonShift{}, Modes: []jsonModeShift{},
		OffsetDB: d.OffsetDB, Confidence: d.Confidence, Readings: c.sentences(), Warnings: append([]string{}, c.warnings...), Remarks: append([]string{}, c.remarks()...)}
	for i, ok := range d.OK {
		if ok {
			x := &j.Difference
			x.FrequencyHz, x.MagnitudeDB, x.UncertaintyDB = append(x.FrequencyHz, d.Hz[i]), append(x.MagnitudeDB, d.DifferenceDB[i]), append(x.UncertaintyDB, d.UncertaintyDB[i])
			x.BeforeDB, x.AfterDB = append(x.BeforeDB, d.BeforeDB[i]), append(x.AfterDB, d.AfterDB[i])
		}
	}
	for _, x := range d.Changes {
		j.Changes = append(j.Changes, jsonChange{string(x.Kind), string(x.What), reading.Change(x), x.Hz, x.FromHz, x.ToHz, x.Before, x.After, x.Difference, x.Uncertainty, x.Unit, x.BeforeDoubtful, x.AfterDoubtful})
	}
	for _, b := range d.Bands {
		j.Bands = append(j.Bands, jsonBandShift{b.NominalHz, b.BeforeDB, b.AfterDB, b.DifferenceDB, b.UncertaintyDB, b.Changed})
	}
	for _, p := range d.Peaks {
		kind := "peak"
		if p.Dip {
			kind = "dip"
		}
		e := p.After
		if e == nil {
			e = p.Before
		}
		x := jsonPeak{Kind: kind, What: string(p.What), Hz: p.Hz(), BeforeDB: p.BeforeDB, AfterDB: p.AfterDB, ChangeDB: p.ChangeDB, UncertaintyDB: p.UncertaintyDB, Changed: p.Changed}
		if e != nil {
			x.FromHz, x.ToHz = e.FromHz, e.ToHz
		}
		if p.Before != nil {
			x.BeforeHeightDB = &p.Before.HeightDB
		}
		if p.After != nil {
			x.AfterHeightDB = &p.After.HeightDB
		}
		j.Peaks = append(j.Peaks, x)
	}
	for _, x := range d.Decays {
		j.Decay = append(j.Decay, jsonShift{x.Name, x.Hz, x.BeforeS, x.AfterS, x.DifferenceS, x.UncertaintyS, x.Changed, x.BeforeDoubtful, x.AfterDoubtful})
	}
	for _, m := range d.Modes {
		x := jsonModeShift{Changed: m.Changed || m.Shifted}
		if m.Before != nil {
			x.BeforeHz, x.BeforeS, x.BeforeDoubtful = &m.Before.Hz, &m.Before.T60S, doubtfulMode(m.Before)
		}
		if m.After != nil {
			x.AfterHz, x.AfterS, x.AfterDoubtful = &m.After.Hz, &m.After.T60S, doubtfulMode(m.After)
		}
		if m.Before != nil && m.After != nil {
			x.DifferenceS, x.UncertaintyS = &m.DifferenceS, &m.UncertaintyS
		}
		j.Modes = append(j.Modes, x)
	}
	return j
}

// drawComparison draws the two over each other, with what lies between them, and
// what became of the decay.
func (a *app) drawComparison(c *beforeAfter, f compareFlags) ([]string, error) {
	if f.read.drawings == "" {
		return nil, nil
	}
	views := []named{{"change", c.changeView()}}
	for _, d := range c.decays() {
		views = append(views, named{d.name, d.view()})
	}
	for i := range views {
		views[i].name = fmt.Sprintf("to-%04d-%s", c.after.meta.Number, views[i].name)
	}
	return c.before.drawNamed(f.read.drawings, chart.Format(f.read.format), views)
}

// about names the two takes, and what was changed between them.
func (c *beforeAfter) about() string {
	s := fmt.Sprintf("%s, take %d against take %d", c.before.place(), c.after.meta.Number, c.before.meta.Number)
	if note := c.after.meta.Note; note != "" {
		s += ": " + typographic(note)
	}
	return s
}

func (c *beforeAfter) changeView() chart.Change {
	blank := make([]bool, len(c.d.OK))
	for i, ok := range c.d.OK {
		blank[i] = !ok
	}
	return chart.Change{Subtitle: c.about(),
		Before: chart.Curve{Name: "before", Hz: c.d.Hz, DB: c.d.BeforeDB}, After: chart.Curve{Name: "after", Hz: c.d.Hz, DB: c.d.AfterDB},
		Hz: c.d.Hz, DifferenceDB: c.d.DifferenceDB, UncertaintyDB: c.d.UncertaintyDB, Blank: blank,
		Confidence: reading.Times(c.d.Confidence), Smoothing: smoothingInWords(c.d.Smoothing), Reference: "dB, 0 dB = recorded as loud as played"}
}

// decayChange is decay times before and after, of bands or of modes.
type decayChange struct {
	name, question, subtitle, quantity string
	before, after                      []chart.DecayPoint
	bandsHz                            []float64
	labels                             []string
}

func (d *decayChange) view() chart.DecayTimes {
	return chart.DecayTimes{Title: d.question, Subtitle: d.subtitle, Quantity: d.quantity, Before: true,
		Lines:   []chart.DecayLine{{Name: "after", Points: d.after}, {Name: "before", Points: d.before}},
		BandsHz: d.bandsHz, BandLabels: d.labels}
}

// decays are what became of the octaves and of the modes.
func (c *beforeAfter) decays() []decayChange {
	octaves := decayChange{name: "decay", question: "What did the change do to the decay?", subtitle: c.about(), quantity: "octave bands, T20 where it was not refused"}
	for _, b := range scale.Bands(scale.Octave, 31.5, 8000) {
		octaves.bandsHz, octaves.labels = append(octaves.bandsHz, b.MidHz), append(octaves.labels, short(b.NominalHz))
	}
	for _, x := range c.d.Decays {
		if !strings.Contains(x.Name, " octave ") {
			continue
		}
		off := x.UncertaintyS / math.Sqrt2 // of each of the two
		octaves.before = append(octaves.before, chart.DecayPoint{Hz: x.Hz, Seconds: x.BeforeS, Uncertainty: off, Doubtful: x.BeforeDoubtful})
		octaves.after = append(octaves.after, chart.DecayPoint{Hz: x.Hz, Seconds: x.AfterS, Uncertainty: off, Doubtful: x.AfterDoubtful})
	}
	ringing := decayChange{name: "modes", question: "What did the change do to the room modes?", subtitle: c.about(), quantity: "room modes"}
	worth := func(m *difference.Mode) bool { return m != nil && m.StandardS < mostDrawnError*m.T60S }
	for _, m := range c.d.Modes {
		if !worth(m.Before) && !worth(m.After) {
			continue
		}
		// Both sides of a mode or none: one alone would look like a mode that came or went.
		for _, side := range []struct {
			mode *difference.Mode
			to   *[]chart.DecayPoint
		}{{m.Before, &ringing.before}, {m.After, &ringing.after}} {
			if side.mode != nil {
				*side.to = append(*side.to, chart.DecayPoint{Hz: side.mode.Hz, Seconds: side.mode.T60S, Uncertainty: ninety * side.mode.StandardS, Doubtful: doubtfulMode(side.mode)})
			}
		}
	}
	var out []decayChange
	for _, d := range []decayChange{octaves, ringing} {
		if len(d.before) > 0 && len(d.after) > 0 {
			out = append(out, d)
		}
	}
	return out
}

// mostDrawnError is the relative standard error up to which a mode's decay time is
// worth a place in a drawing, before or after the change.
const mostDrawnError = 0.2
