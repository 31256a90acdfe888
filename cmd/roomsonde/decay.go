package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"regexp"
	"strings"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"roomsonde/capture/wav/atomicfile"
	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/export"
	"roomsonde/cmd/roomsonde/internal/reading"
	"roomsonde/deconv/decay"
	"roomsonde/deconv/reflections"
	"roomsonde/sweep/scale"
)

func (a *app) decayCommand() *cobra.Command {
	var (
		dir  string
		csv  string
		mic  microphoneFlags
		read readFlags
	)
	cmd := &cobra.Command{
		Use:   "decay ID [options]",
		Short: "How long each band rings, how clear it is, and what was refused and why",
		Long: `decay says how a take dies away: per band the decay times EDT, T20 and T30, the
clarity C50 and C80 (early to late sound, in dB), the definition D50 (the early
share of all sound) and the centre time, as ISO 3382-1 defines them; and the
strongest reflections after the direct sound. What the noise, the band's filter
or the bend of the decay does not allow is refused, with the reason.

Below about 200 Hz a room's decay is that of a few modes: "roomsonde ring" tells
them apart.`,
		Example: `  roomsonde decay latest
  roomsonde decay 7 --thirds --csv decay.csv
  roomsonde decay 7 --json`,
		Args: oneArgument("take"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := read.check(); err != nil {
				return err
			}
			if err := mic.check(); err != nil {
				return err
			}
			if err := targets(map[string]string{"csv": csv}); err != nil {
				return err
			}
			r, err := a.load(cmd.Context(), dir, args[0], mic, read)
			if err != nil {
				return err
			}
			return a.showDecay(cmd.Context(), r, read, csv)
		},
	}
	f := cmd.Flags()
	addSurvey(f, &dir)
	mic.add(f)
	f.Lookup("microphone").Usage = "another calibration `FILE` than the take's own, for the range that it covers; \"none\" for none"
	read.addCrossover(f)
	f.BoolVar(&read.thirds, "thirds", false, "list one-third-octave bands instead of octaves")
	f.BoolVar(&read.json, "json", false, "print one JSON object instead of text")
	f.StringVar(&csv, "csv", "", "write all bands into a CSV `FILE`")
	f.StringVar(&read.drawings, "drawings", "", "write drawings into `FOLDER`")
	f.StringVar(&read.format, "format", "png", "`FORMAT` of drawings: png or svg")
	return cmd
}

// dying is how a take dies away, as a whole and after its first sound.
type dying struct {
	*result
	whole       *decay.Band // nil where nothing is left between the ends of the range
	reflections reflections.Result
}

func (r *result) dying(ctx context.Context) (*dying, error) {
	d := &dying{result: r}
	if r.m.DecayFromHz < r.m.DecayToHz {
		whole, err := decay.AnalyseBroadband(ctx, r.m.Impulse, decay.Options{ReadableFromHz: r.m.DecayFromHz, ReadableToHz: r.m.DecayToHz})
		if err != nil {
			return nil, err
		}
		d.whole = &whole
	}
	o := reflections.Options{}
	if top := r.m.DecayToHz; top < 8000 {
		// Lower sources show less of the order in which sound arrives.
		o.FromHz, o.ToHz = math.Min(1000, top/4), top
		if o.ToHz < 4*leastReflectionHz {
			d.reflections.Reason = fmt.Sprintf("the source plays nothing above %s, and lower sound is too long for that", chart.Hz(top))
			return d, nil
		}
	}
	var err error
	d.reflections, err = reflections.Find(r.m.Impulse, o)
	return d, err
}

// leastReflectionHz is the lowest lower end of a band in which single reflections
// can be told apart.
const leastReflectionHz = 250

// showDecay prints and draws how a take dies away.
func (a *app) showDecay(ctx context.Context, r *result, read readFlags, csv string) error {
	d, err := r.dying(ctx)
	if err != nil {
		return err
	}
	if csv != "" {
		if err := atomicfile.Write(csv, atomicfile.Options{}, func(w io.Writer) error { return export.DecayCSV(w, r.decays()) }); err != nil {
			return err
		}
	}
	paths, drawErr := a.drawn(r, read, "decay-octaves", "decay-thirds")
	if read.drawings != "" && drawErr == nil && d.reflections.OK {
		var more []string
		more, drawErr = r.drawNamed(read.drawings, chart.Format(read.format), []named{{"arrivals", d.arrivalsView()}})
		paths = append(paths, more...)
	}
	if read.json {
		if err := d.printJSON(a.out); err != nil {
			return err
		}
	} else {
		width := scale.Octave
		if read.thirds {
			width = scale.Third
		}
		r.printHead(a.out)
		paragraph(a.out, "", reading.Decay(r.m))
		if d.whole != nil && d.whole.T20.OK {
			paragraph(a.out, "", fmt.Sprintf("All together, from %s to %s, falls by 60 dB in %s s (T20%s).", chart.Hz(d.whole.LowHz), chart.Hz(d.whole.HighHz), strings.TrimSuffix(decayTime(d.whole.T20), "?"), ifDoubtful(d.whole.T20)))
		}
		fmt.Fprintln(a.out)
		r.printDecay(a.out, width)
		fmt.Fprintln(a.out)
		r.printClarity(a.out, width)
		fmt.Fprintln(a.out)
		d.printReflections(a.out)
	}
	return a.finish(r, read, paths, drawErr, csv)
}

func ifDoubtful(v decay.Value) string {
	if doubtful(v) {
		return ", doubtful"
	}
	return ""
}

// printReflections writes the strongest arrivals after the direct sound.
func (d *dying) printReflections(w io.Writer) {
	x := d.reflections
	if !x.OK {
		paragraph(w, "", "Which reflections are strong cannot be told: "+x.Reason+".")
		return
	}
	fmt.Fprintf(w, "Which reflections are strong?  (%s to %s, against the direct sound)\n", chart.Hz(x.FromHz), chart.Hz(x.ToHz))
	if len(x.Arrivals) == 0 {
		paragraph(w, "  ", fmt.Sprintf("None within %.0f ms stands out, down to %s.", 1000*x.SearchedS, reading.Signed(x.DownToDB)))
	} else {
		fmt.Fprintln(w, "     after   detour    level")
		for _, r := range x.Arrivals {
			fmt.Fprintln(w, minus(fmt.Sprintf("  %5.1f ms  %5.2f m  %4.0f dB", 1000*r.DelayS, r.PathM, r.LevelDB)))
		}
	}
	if x.Reason != "" {
		paragraph(w, "  ", "Looked for no further, because "+x.Reason+".")
	}
}

func (d *dying) arrivalsView() chart.View {
	x := d.reflections
	v := chart.Arrivals{Subtitle: d.title(), Note: fmt.Sprintf("%s to %s", chart.Hz(x.FromHz), chart.Hz(x.ToHz)), Seconds: x.TimeS, DB: x.LevelDB}
	for _, r := range x.Arrivals {
		v.Marks = append(v.Marks, chart.Arrival{DelayS: r.DelayS, PathM: r.PathM, DB: r.LevelDB})
	}
	return v
}

// printClarity writes clarity, definition and centre time per band.
func (r *result) printClarity(w io.Writer, width scale.Width) {
	fmt.Fprintln(w, "How clear is it?  (–: refused, ?: doubtful)")
	var bands []decay.Band
	for _, b := range r.m.Decay {
		if b.Width == width {
			bands = append(bands, b)
		}
	}
	var notes decayNotes
	fmt.Fprintf(w, "  %8s  %6s  %6s  %5s  %8s  %9s\n", "band", "C50 dB", "C80 dB", "D50", "centre ms", "range dB")
	for i, b := range bands {
		var values []told
		cells := make([]string, 0, 4)
		for _, v := range []struct {
			ratio  decay.Ratio
			format string
			times  float64
		}{{b.C50DB, "%.1f", 1}, {b.C80DB, "%.1f", 1}, {b.D50, "%.2f", 1}, {b.CentreTimeS, "%.0f", 1000}} {
			values = append(values, told{v.ratio.OK, v.ratio.Reason})
			cell := "–"
			if v.ratio.OK {
				cell = minus(fmt.Sprintf(v.format, v.times*v.ratio.Value))
				if v.ratio.Reason != "" {
					cell += "?"
				}
			}
			cells = append(cells, cell)
		}
		whole := !b.C50DB.OK && !b.C80DB.OK && !b.D50.OK && !b.CentreTimeS.OK &&
			b.C50DB.Reason == b.C80DB.Reason && b.C80DB.Reason == b.D50.Reason && b.D50.Reason == b.CentreTimeS.Reason
		if whole {
			values = values[:1]
		}
		marks := notes.addAll(values, whole, i)
		fmt.Fprintln(w, strings.TrimRight(fmt.Sprintf("  %8s  %s  %s  %s  %s  %s  %s", chart.Hz(b.NominalHz),
			flushRight(cells[0], 6), flushRight(cells[1], 6), flushRight(cells[2], 5), flushRight(cells[3], 9),
			flushRight(minus(fmt.Sprintf("%.0f", b.RangeDB)), 8), marks), " "))
	}
	for _, n := range notes {
		paragraph(w, fmt.Sprintf("  %-2s ", n.letter), n.text(bands))
	}
}

// minus gives figures that stand in a table minus signs; there are no hyphens in
// the text.
func minus(figures string) string {
	return strings.ReplaceAll(negativeZero.ReplaceAllString(figures, " $1$2"), "-", "−")
}

// negativeZero is what rounds to nothing from below.
var negativeZero = regexp.MustCompile(`-(0\.?0*)([^0-9.]|$)`)

// flushRight sets text flush right in so many columns.
func flushRight(s string, width int) string {
	return strings.Repeat(" ", max(0, width-utf8.RuneCountInString(s))) + s
}

// jsonDecays is what decay --json prints. Fields are added, never renamed.
type jsonDecays struct {
	jsonTake
	Decay       []jsonDecay     `json:"decay"`     // as measure --json has it
	Broadband   *jsonBroadband  `json:"broadband"` // all of the range at once; null where nothing is left of it
	Reflections jsonReflections `json:"reflections"`
}

type jsonBroadband struct {
	FromHz float64 `json:"from_hz"`
	ToHz   float64 `json:"to_hz"`
	jsonDecay
}

type jsonReflections struct {
	FromHz   float64          `json:"from_hz"`
	ToHz     float64          `json:"to_hz"`
	Arrivals []jsonReflection `json:"arrivals"`
	WithinMS float64          `json:"searched_ms"`
	DownToDB float64          `json:"down_to_db"`
	Reason   string           `json:"reason"`
}

// jsonReflection is one arrival, against the direct sound.
type jsonReflection struct {
	DelayMS float64 `json:"delay_ms"`
	PathM   float64 `json:"path_m"` // how much longer its way is
	LevelDB float64 `json:"level_db"`
}

// jsonTake says which take something is of.
type jsonTake struct {
	ID       string        `json:"id"`
	Number   int           `json:"number"`
	Source   string        `json:"source"`
	Seat     string        `json:"seat"`
	Note     string        `json:"note,omitempty"`
	Readings []string      `json:"readings"`
	Findings []jsonFinding `json:"findings"`
}

func (r *result) jsonTake(readings ...string) jsonTake {
	j := jsonTake{ID: r.meta.ID, Number: r.meta.Number, Source: r.meta.Source, Seat: r.meta.Seat, Note: r.meta.Note, Readings: []string{}, Findings: []jsonFinding{}}
	for _, s := range readings {
		if s != "" {
			j.Readings = append(j.Readings, s)
		}
	}
	for _, f := range r.m.Findings {
		j.Findings = append(j.Findings, jsonFinding(f))
	}
	return j
}

func (d *dying) printJSON(w io.Writer) error {
	x := d.reflections
	j := jsonDecays{jsonTake: d.jsonTake(reading.Decay(d.m)), Decay: d.jsonDecay(),
		Reflections: jsonReflections{x.FromHz, x.ToHz, []jsonReflection{}, 1000 * x.SearchedS, x.DownToDB, x.Reason}}
	for _, r := range x.Arrivals {
		j.Reflections.Arrivals = append(j.Reflections.Arrivals, jsonReflection{1000 * r.DelayS, r.PathM, r.LevelDB})
	}
	if b := d.whole; b != nil {
		j.Broadband = &jsonBroadband{b.LowHz, b.HighHz, jsonDecayOf(*b)}
		j.Broadband.Width = "broadband"
	}
	return printJSON(w, j)
}
