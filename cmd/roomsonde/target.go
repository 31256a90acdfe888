package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"roomsonde/calibration/target"
	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/reading"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/sweep/scale"
)

// targetFlags describe the curve aimed at.
type targetFlags struct {
	rise, tilt        decibels
	from, span, pivot float64
	points, level     string
}

func (a *app) targetCommand() *cobra.Command {
	var (
		dir     string
		mic     microphoneFlags
		read    = readFlags{format: string(chart.PNG)}
		against string
	)
	cmd := &cobra.Command{
		Use:   "target [ID ...] [options]",
		Short: "The curve aimed at, and how far takes depart from it",
		Long: `target says what the survey aims at, and with takes named, how far each departs
from it, in thirds of an octave. The curve is tied to what was measured by its
mean power in a band (200 Hz to 2 kHz unless set).

How a curve should look is a matter of taste and room: none is recommended here.
--against lays a published tolerance over it instead.`,
		Example: `  roomsonde target set --rise 6 --from 120
  roomsonde target
  roomsonde target 12 15
  roomsonde target 12 --against list`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := read.check(); err != nil {
				return err
			}
			if err := mic.check(); err != nil {
				return err
			}
			return a.departures(cmd.Context(), dir, args, against, mic, read)
		},
	}
	flags := cmd.Flags()
	addSurvey(flags, &dir)
	flags.StringVar(&against, "against", "", "hold takes against a published tolerance, `NAME` being what \"--against list\" lists")
	mic.add(flags)
	flags.Lookup("microphone").Usage = "another calibration `FILE` than the takes' own; \"none\" for none"
	flags.BoolVar(&read.json, "json", false, "print one JSON object instead of text")
	cmd.AddCommand(a.targetSetCommand(), a.targetClearCommand())
	return cmd
}

func (a *app) targetSetCommand() *cobra.Command {
	var dir string
	var f targetFlags
	cmd := &cobra.Command{
		Use:   "set [options]",
		Short: "Set the curve that the survey aims at",
		Long: `set sets the curve aimed at: flat, with a rise towards the bass, a tilt, points
from a file, or a sum of these. It is remembered in the survey.`,
		Example: `  roomsonde target set --rise 6 --from 120    # 6 dB more bass, from 120 Hz down
  roomsonde target set --tilt -1               # 1 dB less to the octave
  roomsonde target set --points curve.txt
  roomsonde target set                         # flat`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			for _, part := range [][2]string{{"from", "rise"}, {"span", "rise"}, {"pivot", "tilt"}} {
				if flags := cmd.Flags(); flags.Changed(part[0]) && !flags.Changed(part[1]) {
					return usage(fmt.Sprintf("give --%s too, or leave --%s out", part[1], part[0]), "--%s says nothing without --%s", part[0], part[1])
				}
			}
			return a.setTarget(dir, f)
		},
	}
	flags := cmd.Flags()
	addSurvey(flags, &dir)
	flags.Var(&f.rise, "rise", "rise towards the bass, in dB (default: 0)")
	flags.Var(frequency(&f.from), "from", "where the rise begins, seen from above (default: 120 Hz)")
	flags.Float64Var(&f.span, "span", 0, "over how many `OCTAVES` it is reached (default: 2)")
	flags.Var(&f.tilt, "tilt", "tilt in dB per octave; negative falls towards the treble (default: 0)")
	flags.Var(frequency(&f.pivot), "pivot", "where the tilt is 0 dB (default: 1 kHz)")
	flags.StringVar(&f.points, "points", "", "text `FILE` with a row for each point: Hz and dB")
	flags.StringVar(&f.level, "level-band", "", "`BAND` in which the curve is tied to the measured level, as 200-2000 (the default)")
	cmd.DisableFlagsInUseLine = true
	return cmd
}

func (a *app) targetClearCommand() *cobra.Command {
	var dir string
	cmd := &cobra.Command{
		Use:   "clear",
		Short: "Aim at nothing",
		Args:  noArguments,
		RunE: func(*cobra.Command, []string) error {
			s, err := survey.Open(dir, false)
			if err != nil {
				return err
			}
			if err := s.ChangeSettings(func(set *survey.Settings) { set.Target = nil }); err != nil {
				return err
			}
			fmt.Fprintf(a.out, "%s aims at nothing now.\n", s.Dir())
			return nil
		},
	}
	addSurvey(cmd.Flags(), &dir)
	cmd.DisableFlagsInUseLine = true
	return cmd
}

// decibels is a level difference: "6", "6 dB" and "−1.5dB" are understood.
type decibels float64

func (d *decibels) Type() string { return "DB" }
func (d *decibels) String() string {
	if d == nil || *d == 0 {
		return ""
	}
	return fmt.Sprintf("%g", float64(*d))
}

func (d *decibels) Set(text string) error {
	var v float64
	q := quantity{value: &v, kind: "DB", units: map[string]float64{"": 1, "db": 1}, least: -60, most: 60}
	if err := q.Set(text); err != nil {
		return fmt.Errorf("%q is no level of -60 to 60 dB", text)
	}
	*d = decibels(v)
	return nil
}

func (a *app) setTarget(dir string, f targetFlags) error {
	t := target.Target{RiseDB: float64(f.rise), FromHz: f.from, SpanOctaves: f.span, TiltDBPerOctave: float64(f.tilt), PivotHz: f.pivot}
	var err error
	if t.LevelFromHz, t.LevelToHz, err = band(f.level); err != nil {
		return err
	}
	if t.LevelToHz > 0 && (t.LevelFromHz < 20 || t.LevelToHz > 20000) {
		return usage("give a band between 20 Hz and 20 kHz in which your loudspeakers play", "--level-band %s is none that is measured", f.level)
	}
	var remarks []string
	if f.points != "" {
		file, err := os.Open(f.points)
		if err != nil {
			return &fileError{f.points, err}
		}
		if info, err := file.Stat(); err == nil && info.IsDir() {
			return &fileError{f.points, errFolder}
		}
		defer file.Close()
		if t.Points, remarks, err = target.ParsePoints(file, f.points); err != nil {
			return err
		}
		t.PointsName = file.Name()
	}
	if err := t.Check(); err != nil {
		return usage(hintOf(err), "%s", err)
	}
	s, err := survey.Open(dir, true)
	if err != nil {
		return err
	}
	text, err := json.Marshal(t)
	if err != nil {
		return err
	}
	if err := s.ChangeSettings(func(set *survey.Settings) { set.Target = text }); err != nil {
		return err
	}
	tied := t.Resolved()
	paragraph(a.out, "", fmt.Sprintf("%s aims at: %s. It is tied to the level measured between %s and %s.", s.Dir(), t, chart.Hz(tied.LevelFromHz), chart.Hz(tied.LevelToHz)))
	for _, r := range remarks {
		paragraph(a.out, "note: ", r)
	}
	return nil
}

// targetOf returns the curve that a survey aims at; nil for none.
func targetOf(s *survey.Survey) (*target.Target, error) {
	set, err := s.Settings()
	if err != nil || set.Target == nil {
		return nil, err
	}
	var t target.Target
	err = json.Unmarshal(set.Target, &t)
	if err == nil {
		err = t.Check()
	}
	if err != nil {
		return nil, usage("roomsonde target set makes a new one", "the target of %s cannot be used: %s", s.Dir(), err)
	}
	return &t, nil
}

// departure is how far a take lies from a curve.
type departure struct {
	of     *result
	offset float64
	bands  []target.Departure // of the target
	judged []target.Judged    // of a recommendation
	mean   float64
}

func (a *app) departures(ctx context.Context, dir string, ids []string, against string, mic microphoneFlags, read readFlags) error {
	if against == "list" {
		for _, r := range target.Recommendations() {
			paragraph(a.out, "", r.Source+". Its figures are known "+r.Support+". Call it with --against \""+r.Name+"\".")
		}
		return nil
	}
	var limits *target.Recommendation
	if against != "" {
		r, err := target.RecommendationNamed(against)
		if err != nil {
			return usage(hintOf(err), "%s", strings.TrimPrefix(err.Error(), "target: "))
		}
		limits = &r
	}
	s, err := survey.Open(dir, false)
	if err != nil {
		return err
	}
	aim, err := targetOf(s)
	if err != nil {
		return err
	}
	if aim == nil && limits == nil {
		if len(ids) > 0 {
			return usage("set one, as in: roomsonde target set --rise 6 --from 120", "%s aims at nothing yet", s.Dir())
		}
		fmt.Fprintf(a.out, "%s aims at nothing yet. Set a curve, as in: roomsonde target set --rise 6 --from 120\n", s.Dir())
		return nil
	}
	takes, err := a.loadAll(ctx, dir, ids, mic, read)
	if err != nil {
		return err
	}
	var list []departure
	for _, r := range takes {
		d := departure{of: r}
		if limits != nil {
			err = d.judge(*limits)
		} else {
			err = d.depart(*aim)
		}
		if err != nil {
			return fmt.Errorf("take %d: %w", r.meta.Number, err)
		}
		list = append(list, d)
	}
	marked := func() error {
		for _, r := range takes {
			if !r.m.Sound() {
				return errMarked
			}
		}
		return nil
	}
	if read.json {
		if err := printDeparturesJSON(a.out, aim, limits, list); err != nil {
			return err
		}
		return marked()
	}
	if limits != nil {
		paragraph(a.out, "", fmt.Sprintf("Held against %s. Its figures are known %s. It is made for studios and listening rooms, about the mean level; few living rooms keep it.", limits.Source, limits.Support))
	} else {
		paragraph(a.out, "", fmt.Sprintf("%s aims at: %s.", s.Dir(), aim))
	}
	for _, d := range list {
		d.printText(a.out)
	}
	return marked()
}

// readableCurve is the response, smoothed, as far as it may be read.
func (r *result) readableCurve() (hz, db []float64) {
	levels := r.m.Smoothed(48)
	for i, f := range r.m.Hz {
		if f >= r.m.Readable.FromHz && f <= r.m.Readable.ToHz {
			hz, db = append(hz, f), append(db, levels[i])
		}
	}
	return hz, db
}

func (d *departure) depart(t target.Target) (err error) {
	hz, db := d.of.readableCurve()
	if d.offset, err = t.Offset(hz, db); err != nil {
		return err
	}
	d.bands, err = t.Departures(hz, db, d.offset, scale.Third, d.of.m.Readable.FromHz, d.of.m.Readable.ToHz)
	return err
}

func (d *departure) judge(r target.Recommendation) (err error) {
	hz, db := d.of.readableCurve()
	d.mean, d.judged, err = r.Judge(hz, db)
	return err
}

func (d *departure) printText(w io.Writer) {
	fmt.Fprintln(w, "\n"+d.of.title())
	for _, f := range d.of.m.Findings {
		if f.Fault {
			paragraph(w, "! ", headed(f))
		}
	}
	if d.judged != nil {
		var beyond []string
		for _, b := range d.judged {
			if b.BeyondDB != 0 {
				beyond = append(beyond, fmt.Sprintf("%s (%s)", chart.Hz(b.NominalHz), reading.Signed(b.BeyondDB)))
			}
		}
		if len(beyond) == 0 {
			paragraph(w, "", fmt.Sprintf("All %d bands lie within the limits.", len(d.judged)))
		} else {
			paragraph(w, "", fmt.Sprintf("%d of %d bands lie beyond the limits: %s.", len(beyond), len(d.judged), strings.Join(beyond, ", ")))
		}
		fmt.Fprintln(w, "  band        dB   limits")
		for _, b := range d.judged {
			mark := ""
			if b.BeyondDB != 0 {
				mark = "  *"
			}
			fmt.Fprintln(w, minus(fmt.Sprintf("  %8s %+6.1f   %+.1f to %+.1f%s", chart.Hz(b.NominalHz), b.DB, b.LowerDB, b.UpperDB, mark)))
		}
		return
	}
	most := -1
	for i, b := range d.bands {
		if most < 0 || math.Abs(b.DB) > math.Abs(d.bands[most].DB) {
			most = i
		}
	}
	if most < 0 {
		paragraph(w, "", "No band can be read.")
		return
	}
	paragraph(w, "", fmt.Sprintf("It departs most at %s: %s against the target.", chart.Hz(d.bands[most].NominalHz), reading.Signed(d.bands[most].DB)))
	var hz, db []float64
	for _, b := range d.bands {
		hz, db = append(hz, b.NominalHz), append(db, b.DB)
	}
	fmt.Fprintln(w, "\nHow near is it to the target?  (dB, measured less target, 1/3 octave)")
	printRows(w, hz, func(i int) string { return signedCell(db[i]) })
}

// printRows writes figures under their frequencies, eight to a line.
func printRows(w io.Writer, hz []float64, cell func(i int) string) {
	const columns = 8
	for from := 0; from < len(hz); from += columns {
		var head, line strings.Builder
		for i := from; i < min(from+columns, len(hz)); i++ {
			head.WriteString(flushRight(short(hz[i]), 8))
			line.WriteString(flushRight(minus(cell(i)), 8))
		}
		fmt.Fprintf(w, "  Hz %s\n  dB %s\n", head.String(), line.String())
	}
}

// The JSON of target. Fields are added, never renamed.
type jsonAim struct {
	Target  *target.Target   `json:"target"`  // null for none
	Against *string          `json:"against"` // the published tolerance; null for none
	Source  string           `json:"source,omitempty"`
	Takes   []jsonDepartures `json:"takes"`
}

type jsonDepartures struct {
	jsonTake
	OffsetDB float64         `json:"offset_db"` // of the target's curve to the measured level
	Bands    []jsonDeparture `json:"bands"`
}

type jsonDeparture struct {
	BandHz     float64  `json:"band_hz"`
	MeasuredDB float64  `json:"measured_db"`
	TargetDB   *float64 `json:"target_db,omitempty"`
	DB         float64  `json:"departure_db"`
	LowerDB    *float64 `json:"lower_db,omitempty"`
	UpperDB    *float64 `json:"upper_db,omitempty"`
	BeyondDB   *float64 `json:"beyond_db,omitempty"`
}

func printDeparturesJSON(w io.Writer, aim *target.Target, limits *target.Recommendation, list []departure) error {
	j := jsonAim{Target: aim, Takes: []jsonDepartures{}}
	if limits != nil {
		j.Against, j.Source = &limits.Name, limits.Source
	}
	for _, d := range list {
		x := jsonDepartures{jsonTake: d.of.jsonTake(), OffsetDB: d.offset, Bands: []jsonDeparture{}}
		for _, b := range d.bands {
			x.Bands = append(x.Bands, jsonDeparture{BandHz: b.NominalHz, MeasuredDB: b.MeasuredDB, TargetDB: &b.TargetDB, DB: b.DB})
		}
		for _, b := range d.judged {
			x.Bands = append(x.Bands, jsonDeparture{BandHz: b.NominalHz, MeasuredDB: b.DB + d.mean, DB: b.DB, LowerDB: &b.LowerDB, UpperDB: &b.UpperDB, BeyondDB: &b.BeyondDB})
		}
		j.Takes = append(j.Takes, x)
	}
	return printJSON(w, j)
}
