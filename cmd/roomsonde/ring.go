package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"roomsonde/capture/wav/atomicfile"
	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/reading"
	"roomsonde/deconv"
	"roomsonde/deconv/decay/tolerance"
	"roomsonde/deconv/modes"
	"roomsonde/deconv/response"
	"roomsonde/deconv/waterfall"
	"roomsonde/sweep/scale"
)

// ringFlags say what is asked of the modes.
type ringFlags struct {
	survey    string
	room      string
	to        float64
	waterfall bool
	full      bool
	mic       microphoneFlags
	read      readFlags
}

func (a *app) ringCommand() *cobra.Command {
	f := ringFlags{to: 200}
	cmd := &cobra.Command{
		Use:   "ring ID [ID ...] [options]",
		Short: "The bass modes: frequency, time to fall by 60 dB, strength, and how sure",
		Long: `ring finds the room's modes in the bass, below 200 Hz: at which frequencies it
rings, how long each takes to fall by 60 dB, how strong it is, and how sure that
is. What stands behind ± holds in nine of ten cases.

Modes belong to the room, their strength to the seat and the source. So several
takes of one room, of other seats or other loudspeakers, tell them better than
one: name them all. What is said of levels is then of the first.

--waterfall draws how the bass dies away, and --full the whole range.`,
		Example: `  roomsonde ring latest
  roomsonde ring 4 5 6                    # three seats of one room
  roomsonde ring 4 --room 5.72x4.15x2.55  # length, width and height in m
  roomsonde ring 4 --waterfall --drawings pictures`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return usage("see roomsonde ring --help", "ring takes one take or more, but got none")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error { return a.ring(cmd.Context(), f, args) },
	}
	flags := cmd.Flags()
	addSurvey(flags, &f.survey)
	flags.StringVar(&f.room, "room", "", "the room's `SIZE` in m, as 5.1x3.9x2.4: name each mode by its order")
	to := frequency(&f.to)
	to.set = true
	flags.Var(to, "to", "highest frequency of modes, up to 300 Hz")
	flags.BoolVar(&f.waterfall, "waterfall", false, "draw how the bass dies away over frequency and time (into --drawings, or here)")
	flags.BoolVar(&f.full, "full", false, "draw it for the full range too")
	f.mic.add(flags)
	flags.Lookup("microphone").Usage = "another calibration `FILE` than the take's own; \"none\" for none"
	flags.BoolVar(&f.read.json, "json", false, "print one JSON object instead of text")
	flags.StringVar(&f.read.drawings, "drawings", "", "write drawings into `FOLDER`")
	flags.StringVar(&f.read.format, "format", "png", "`FORMAT` of drawings: png or svg")
	return cmd
}

// ringing is what is said of the modes of one or several takes.
type ringing struct {
	takes  []*result
	found  *modes.Result
	levels []float64 // dB, of the first take, with the microphone's deviation taken off
	named  []modes.Named
	room   *modes.Dimensions
}

func (a *app) ring(ctx context.Context, f ringFlags, ids []string) error {
	if err := f.read.check(); err != nil {
		return err
	}
	if err := f.mic.check(); err != nil {
		return err
	}
	if f.to < 40 || f.to > 300 {
		return usage("give 40 to 300 Hz: above, modes lie too close together to be told apart", "--to %g Hz is no upper end for modes", f.to)
	}
	r := &ringing{}
	if f.room != "" {
		room, err := dimensions(f.room)
		if err != nil {
			return err
		}
		r.room = &room
	}
	var err error
	if r.takes, err = a.loadAll(ctx, f.survey, ids, f.mic, f.read); err != nil {
		return err
	}
	if err := r.find(ctx, f.to); err != nil {
		return err
	}
	if (f.waterfall || f.full) && f.read.drawings == "" {
		f.read.drawings = "."
	}
	paths, drawErr := a.drawRinging(ctx, r, f)
	if f.read.json {
		if err := r.printJSON(a.out); err != nil {
			return err
		}
	} else {
		r.printText(a.out)
	}
	for _, t := range r.takes[1:] {
		if !t.m.Sound() && drawErr == nil {
			drawErr = errMarked
		}
	}
	return a.finish(r.takes[0], f.read, paths, drawErr)
}

// dimensions reads a room's size, as 5.1x3.9x2.4.
func dimensions(text string) (modes.Dimensions, error) {
	parts := strings.FieldsFunc(strings.ToLower(text), func(c rune) bool { return strings.ContainsRune("x×*, m", c) })
	var d modes.Dimensions
	if len(parts) != 3 {
		return d, usage("give length, width and height in metres, as 5.1x3.9x2.4", "--room %q does not hold three lengths", text)
	}
	for i, at := range []*float64{&d.LengthM, &d.WidthM, &d.HeightM} {
		v, err := strconv.ParseFloat(parts[i], 64)
		if err != nil {
			return d, usage("give length, width and height in metres, as 5.1x3.9x2.4", "--room: %q is no length", parts[i])
		}
		*at = v
	}
	if err := d.Check(); err != nil {
		return d, usage(hintOf(err), "--room: %s", strings.TrimPrefix(err.Error(), "modes: "))
	}
	return d, nil
}

// find looks for the modes of all takes together.
func (r *ringing) find(ctx context.Context, toHz float64) error {
	var irs []deconv.ImpulseResponse
	for _, t := range r.takes {
		irs = append(irs, t.m.Impulse)
	}
	for i, t := range r.takes {
		for _, other := range r.takes[:i] {
			if other.meta.ID == t.meta.ID {
				return usage("name each take once", "take %d is named twice: the same noise would count as more knowledge", t.meta.Number)
			}
		}
	}
	for _, t := range r.takes[1:] {
		if t.m.Impulse.SampleRate != irs[0].SampleRate {
			return usage("name takes of one sample rate", "takes %d and %d have different sample rates, %g and %g Hz", r.takes[0].meta.Number, t.meta.Number, irs[0].SampleRate, t.m.Impulse.SampleRate)
		}
	}
	first := r.takes[0]
	if x := first.m.Readable; !x.OK || x.FromHz >= toHz || x.ToHz <= leastRingHz {
		return &noBassError{first.meta.Number, x, toHz}
	}
	var err error
	if r.found, err = modes.Find(ctx, irs, modes.Options{HighHz: toHz}); err != nil {
		return err
	}
	// What was not played, or cannot be read, has no modes to tell of.
	beyond := func(m modes.Mode) bool { return !first.m.Readable.Contains(m.Hz) }
	r.found.Modes = slices.DeleteFunc(r.found.Modes, beyond)
	r.found.Other = slices.DeleteFunc(r.found.Other, beyond)
	// One whose decay may as well be nothing, or twice as long, is not told as one.
	r.found.Modes = slices.DeleteFunc(r.found.Modes, func(m modes.Mode) bool {
		if m.DecayS90 < hardlyKnown*m.DecayS {
			return false
		}
		m.Kind = modes.Unsure
		r.found.Other = append(r.found.Other, m)
		return true
	})
	slices.SortStableFunc(r.found.Other, func(a, b modes.Mode) int { return cmp.Compare(a.Hz, b.Hz) })
	for _, m := range r.found.Modes {
		r.levels = append(r.levels, first.corrected(m.At[0].LevelDB, m.Hz))
	}
	if r.room != nil {
		r.named = modes.Name(r.found.Modes, *r.room)
	}
	return nil
}

// hardlyKnown is how much of a decay time may be uncertain before it is no figure.
const hardlyKnown = 0.75

// leastRingHz is the lowest frequency that modes are looked for at.
const leastRingHz = 20

// noBassError says that a take tells nothing of the range of modes.
type noBassError struct {
	take     int
	readable response.Readable
	toHz     float64
}

func (e *noBassError) Error() string {
	if !e.readable.OK {
		return fmt.Sprintf("take %d cannot be read anywhere: %s", e.take, e.readable.FromReason)
	}
	return fmt.Sprintf("take %d can be read from %s to %s only, and modes are looked for from %d Hz to %s", e.take, chart.Hz(e.readable.FromHz), chart.Hz(e.readable.ToHz), leastRingHz, chart.Hz(e.toHz))
}

// Hint says what to do about it.
func (e *noBassError) Hint() string {
	return "measure a source that plays the bass, with a sweep that begins at 20 Hz or lower"
}

// corrected takes the microphone's deviation at a frequency off a level.
func (r *result) corrected(db, hz float64) float64 {
	if r.mic == nil {
		return db
	}
	return db - r.mic.DeviationDB(hz)
}

func (r *ringing) readings() []string {
	out := reading.Ringing(r.takes[0].m, r.found, r.levels)
	if len(r.found.Modes) == 0 {
		return out
	}
	e := r.found.Explained
	s := fmt.Sprintf("Together they explain %.0f %% of the energy between %s and %s", 100*max(0, e.Modes.Share), chart.Hz(e.FromHz), chart.Hz(e.ToHz))
	var rest []string
	for _, x := range e.Modes.Rest {
		rest = append(rest, fmt.Sprintf("%s to %s (%.0f %% of what is there)", chart.Hz(x.FromHz), chart.Hz(x.ToHz), 100*x.Left))
	}
	const most = 3
	if len(rest) > most {
		rest = append(rest[:most], fmt.Sprintf("%d more ranges", len(rest)-most))
	}
	if e.Modes.Share < 0.95 && len(rest) > 0 {
		s += "; not " + strings.Join(rest, ", ")
	}
	return append(out, s+".")
}

func (r *ringing) printText(w io.Writer) {
	first := r.takes[0]
	first.printHead(w)
	for _, t := range r.takes[1:] {
		paragraph(w, "with ", t.title())
		if note := t.meta.Note; note != first.meta.Note {
			paragraph(w, "! ", fmt.Sprintf("Between takes %d and %d something was changed (%s): where it changed the room or filters a mode, they do not tell one room's modes.", first.meta.Number, t.meta.Number, cmp.Or(note, first.meta.Note)))
		}
		if !t.m.Sound() {
			paragraph(w, "! ", fmt.Sprintf("Take %d is marked: %s.", t.meta.Number, faultsOf(t)))
		}
	}
	for _, s := range r.readings() {
		paragraph(w, "", s)
	}
	if len(r.found.Modes) == 0 {
		return
	}
	fmt.Fprintln(w, "\nWhich modes ring?  (± holds in 9 of 10 cases)")
	fmt.Fprintln(w, "            Hz        60 dB in s       level dB  lowered by 6 dB")
	for i, m := range r.found.Modes {
		line := "  " + flushRight(hertz(m), 14) + "  " + flushRight(fmt.Sprintf("%.2f ± %.2f", m.DecayS, math.Max(0.01, m.DecayS90)), 14) +
			"  " + flushRight(minus(fmt.Sprintf("%.1f ± %.1f", r.levels[i], math.Max(0.1, m.At[0].LevelDB90))), 13)
		switch f := m.Cut(reading.CutDB); {
		case m.Kind == modes.Group:
			line += fmt.Sprintf("  several modes, %.0f to %.0f Hz", m.FromHz, m.ToHz)
		case r.levels[i] < slices.Max(r.levels)-weakDB:
			line += "  too weak to matter"
		case f.Meets:
			line += fmt.Sprintf("  %.2f s at Q %.1f", f.DecayS, f.Q)
		default:
			line += "  not sure enough"
		}
		fmt.Fprintln(w, strings.TrimRight(line, " "))
	}
	if len(r.found.Other) > 0 {
		var other []string
		for _, m := range r.found.Other {
			other = append(other, fmt.Sprintf("%.1f Hz (%s)", m.Hz, otherWords[m.Kind]))
		}
		paragraph(w, "  ", "Left out: "+strings.Join(other, ", ")+".")
	}
	if r.room != nil {
		r.printOrders(w)
	}
}

// printOrders sets each mode against the rigid room's.
func (r *ringing) printOrders(w io.Writer) {
	fmt.Fprintf(w, "\nWhich waves are they?  (rigid walls, %g × %g × %g m; off: found less formula, Hz)\n", r.room.LengthM, r.room.WidthM, r.room.HeightM)
	fmt.Fprintln(w, "        Hz  mode                formula    off     ±")
	for i, m := range r.found.Modes {
		lead := "  " + flushRight(fmt.Sprintf("%.1f", m.Hz), 8) + "  "
		n := r.named[i]
		switch {
		case n.Match != nil:
			fmt.Fprintf(w, "%s%-18s  %7.1f  %s  %4.1f%s\n", lead, n.Match, n.Match.Hz, minus(fmt.Sprintf("%+5.1f", math.Round(10*n.OffHz)/10+0)), n.ErrorHz, orElse(n.Rivals))
		case len(n.Rivals) > 0:
			var names []string
			for _, x := range n.Rivals {
				names = append(names, x.String())
			}
			paragraph(w, lead, "several: "+strings.Join(names, ", "))
		default:
			fmt.Fprintln(w, lead+"no match")
		}
	}
	paragraph(w, "  ", "Orders count half waves along length, width and height. Walls that give way, doors and furniture shift modes; which is which can only be guessed where two lie within ±.")
}

// orElse names what a mode may be just as well.
func orElse(rivals []modes.RigidMode) string {
	if len(rivals) == 0 {
		return ""
	}
	s := "  or " + rivals[0].String()
	if n := len(rivals) - 1; n > 0 {
		s += fmt.Sprintf(" (or %d more)", n)
	}
	return s
}

// weakDB is how far below the strongest mode another one hardly matters.
const weakDB = 25

// hertz is a mode's frequency with what it may be off.
func hertz(m modes.Mode) string {
	if m.Hz90 < 0.1 {
		return fmt.Sprintf("%.2f ± %.2f", m.Hz, math.Max(0.01, m.Hz90))
	}
	return fmt.Sprintf("%.1f ± %.1f", m.Hz, m.Hz90)
}

// otherWords say why something is no mode.
var otherWords = map[modes.Kind]string{
	modes.Short:  "decays too fast for a mode: mostly the loudspeaker's own lower end",
	modes.Steady: "hardly decays: hum or another tone",
	modes.Unsure: "too uncertain",
}

// The JSON of ring. Fields are added, never renamed.
type jsonRinging struct {
	jsonTake
	With      []string      `json:"with"` // IDs of the takes that were used along with the first
	Modes     []jsonMode    `json:"modes"`
	Other     []jsonMode    `json:"other"` // what is no mode of the room
	Explained jsonExplained `json:"explained"`
	// Confidence is that with which the uncertainties hold.
	Confidence float64 `json:"confidence"`
}

// jsonMode holds, with each figure, half of the interval that it lies in.
type jsonMode struct {
	Kind          string    `json:"kind"` // "mode", "group"; of others "short", "steady", "unsure"
	Hz            float64   `json:"frequency_hz"`
	HzOff         float64   `json:"frequency_uncertainty_hz"`
	DecayS        float64   `json:"decay_s"`
	DecayOff      float64   `json:"decay_uncertainty_s"`
	LevelDB       float64   `json:"level_db"`
	LevelOff      float64   `json:"level_uncertainty_db"`
	PhaseDeg      float64   `json:"phase_deg"` // at the first arrival
	FromHz        float64   `json:"from_hz"`
	ToHz          float64   `json:"to_hz"`
	LevelsDB      []float64 `json:"levels_db"` // in each take, the first first
	Room          *jsonWave `json:"room"`      // null without --room, or without a match
	LoweredQ      *float64  `json:"lowered_6_db_q"`
	LoweredDecayS *float64  `json:"lowered_6_db_decay_s"`
}

type jsonWave struct {
	Order [3]int  `json:"order"`
	Shape string  `json:"shape"`
	Hz    float64 `json:"frequency_hz"`
	OffHz float64 `json:"off_hz"`
	Error float64 `json:"error_hz"`
	// Rivals are other orders that it may be just as well.
	Rivals [][3]int `json:"rivals"`
}

type jsonExplained struct {
	Share  float64    `json:"share"`
	FromHz float64    `json:"from_hz"`
	ToHz   float64    `json:"to_hz"`
	Rest   []jsonRest `json:"rest"`
}

type jsonRest struct {
	FromHz float64 `json:"from_hz"`
	ToHz   float64 `json:"to_hz"`
	Left   float64 `json:"left_share"`
}

func (r *ringing) jsonMode(m modes.Mode) jsonMode {
	j := jsonMode{Kind: string(m.Kind), Hz: m.Hz, HzOff: m.Hz90, DecayS: m.DecayS, DecayOff: m.DecayS90, FromHz: m.FromHz, ToHz: m.ToHz,
		LevelDB: r.takes[0].corrected(m.At[0].LevelDB, m.Hz), LevelOff: m.At[0].LevelDB90, PhaseDeg: degrees(m.At[0].PhaseRad)}
	for i, s := range m.At {
		j.LevelsDB = append(j.LevelsDB, r.takes[i].corrected(s.LevelDB, m.Hz))
	}
	if f := m.Cut(reading.CutDB); m.Kind == modes.Single && f.Meets {
		j.LoweredQ, j.LoweredDecayS = &f.Q, &f.DecayS
	}
	return j
}

func (r *ringing) printJSON(w io.Writer) error {
	j := jsonRinging{jsonTake: r.takes[0].jsonTake(r.readings()...), With: []string{}, Modes: []jsonMode{}, Other: []jsonMode{}, Confidence: 0.9}
	for _, t := range r.takes[1:] {
		j.With = append(j.With, t.meta.ID)
	}
	for i, m := range r.found.Modes {
		x := r.jsonMode(m)
		if r.named != nil && r.named[i].Match != nil {
			n := r.named[i]
			x.Room = &jsonWave{n.Match.Order, string(n.Match.Shape), n.Match.Hz, n.OffHz, n.ErrorHz, [][3]int{}}
			for _, rival := range n.Rivals {
				x.Room.Rivals = append(x.Room.Rivals, rival.Order)
			}
		}
		j.Modes = append(j.Modes, x)
	}
	for _, m := range r.found.Other {
		j.Other = append(j.Other, r.jsonMode(m))
	}
	e := r.found.Explained
	j.Explained = jsonExplained{e.Modes.Share, e.FromHz, e.ToHz, []jsonRest{}}
	for _, x := range e.Modes.Rest {
		j.Explained.Rest = append(j.Explained.Rest, jsonRest{x.FromHz, x.ToHz, x.Left})
	}
	return printJSON(w, j)
}

// drawRinging draws the modes' decay, and the waterfalls that were asked for.
func (a *app) drawRinging(ctx context.Context, r *ringing, f ringFlags) ([]string, error) {
	if f.read.drawings == "" {
		return nil, nil
	}
	first := r.takes[0]
	var views []named
	if v := r.ringingView(); len(v.Modes)+len(v.Bands) > 0 {
		views = append(views, named{"ringing", v})
	}
	if f.waterfall {
		view, err := r.waterfallView(ctx, waterfall.Options{})
		if err != nil {
			return nil, err
		}
		views = append(views, named{"waterfall", view})
	}
	if f.full {
		view, err := r.waterfallView(ctx, waterfall.Options{ToHz: math.Min(20000, 0.42*first.m.Impulse.SampleRate)})
		if err != nil {
			return nil, err
		}
		energy, err := r.energyView(ctx)
		if err != nil {
			return nil, err
		}
		views = append(views, named{"waterfall-full", view}, named{"energy", energy})
	}
	return first.drawNamed(f.read.drawings, chart.Format(f.read.format), views)
}

// named is a drawing with what its file is called after the take's ID.
type named struct {
	name string
	view chart.View
}

// drawNamed writes drawings into a folder and returns their paths.
func (r *result) drawNamed(folder string, format chart.Format, views []named) ([]string, error) {
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return nil, &atomicfile.Error{Path: folder, Err: err}
	}
	var paths []string
	for _, v := range views {
		path := filepath.Join(folder, r.meta.ID+"-"+v.name+"."+string(format))
		if err := drawTo(path, v.view); err != nil {
			return paths, err
		}
		paths = append(paths, path)
	}
	return paths, nil
}

// mostMarks is how many modes a drawing names, the strongest first.
const mostMarks = 6

// strongest returns the indices of the modes that a drawing names.
func (r *ringing) strongest() []int {
	var order []int
	for i, m := range r.found.Modes {
		if m.Kind == modes.Single && m.DecayS90 < mostDoubt*m.DecayS {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(r.levels[b], r.levels[a]) })
	return order[:min(mostMarks, len(order))]
}

func (r *ringing) ringingView() chart.Ringing {
	v := chart.Ringing{Subtitle: r.takes[0].title(), Named: mostMarks}
	for _, m := range r.found.Modes {
		if m.Kind == modes.Single && m.DecayS90 < 2*mostDoubt*m.DecayS {
			v.Modes = append(v.Modes, chart.RingMode{Hz: m.Hz, Seconds: m.DecayS, PlusOrMinusS: m.DecayS90})
		}
	}
	for _, b := range r.takes[0].m.Decay {
		if b.Width == scale.Third && b.T20.OK {
			v.Bands = append(v.Bands, chart.RingBand{MidHz: b.MidHz, Width: b.Width, Seconds: b.T20.Seconds, Doubtful: b.T20.Reason != ""})
		}
	}
	v.Quantity = "T20"
	limits := tolerance.EBUAnyVolume()
	if r.room != nil {
		if of, err := tolerance.EBU(r.room.LengthM * r.room.WidthM * r.room.HeightM); err == nil {
			limits = of
		}
	}
	v.LimitName, v.LimitNote = limits.Name, limits.Source
	for _, p := range limits.Points {
		v.Limits = append(v.Limits, chart.Limit(p))
	}
	return v
}

func (r *ringing) waterfallView(ctx context.Context, o waterfall.Options) (chart.View, error) {
	first := r.takes[0]
	w, err := waterfall.Of(ctx, first.m.Impulse, first.m.Noise, o)
	if err != nil {
		return nil, err
	}
	if first.mic != nil {
		w = w.Correct(first.mic.DeviationDB)
	}
	v := chart.Waterfall{Subtitle: first.title(), Note: noiseNote(w.Source), Hz: w.Hz, TimesS: w.TimesS, DB: w.DB, FloorDB: w.FloorDB, BlindS: w.BlindS(40),
		FromHz: w.Options.FromHz, ToHz: w.Options.ToHz, Reference: "dB"}
	if o.Bass() {
		for _, i := range r.strongest() {
			m := r.found.Modes[i]
			v.Marks = append(v.Marks, chart.Mark{Hz: m.Hz, Text: fmt.Sprintf("%.1f Hz: %.2f s", m.Hz, m.DecayS)})
		}
	}
	return v, nil
}

func (r *ringing) energyView(ctx context.Context) (chart.View, error) {
	first := r.takes[0]
	e, err := waterfall.EnergyOf(ctx, first.m.Impulse, first.m.Noise, waterfall.EnergyOptions{})
	if err != nil {
		return nil, err
	}
	if first.mic != nil {
		e = e.Correct(first.mic.DeviationDB)
	}
	return chart.Energy{Subtitle: first.title(), Note: noiseNote(e.Source), Hz: e.Hz, EdgesS: e.EdgesS, DB: e.DB, FloorDB: e.FloorDB, UntilS: e.UntilS,
		BlindPeriods: e.BlindPeriods(30), Reference: "dB"}, nil
}

// noiseNote says what is left out of a picture.
func noiseNote(s waterfall.Source) string {
	switch s {
	case waterfall.Silence:
		return "what the room's noise hides is left out"
	case waterfall.Tail:
		return "what the end of the response hides is left out; the room's noise is not known"
	}
	return ""
}

func degrees(rad float64) float64 { return rad * 180 / math.Pi }
