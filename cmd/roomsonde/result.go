package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"roomsonde/capture/wav/atomicfile"
	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/cmd/roomsonde/internal/reading"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv/decay"
	"roomsonde/deconv/response"
	"roomsonde/sweep/scale"
)

// result is a take with everything that was worked out from it: what measure,
// recover and show print, in words or as JSON, and draw.
type result struct {
	meta      survey.Meta
	dir       string // of the take
	impulse   string // path of its WAV
	recording string
	m         *measurement.Measurement
	mic       *microphone
	remarks   []string
	lowPassHz float64
}

// The JSON of a measurement. Fields are added, never renamed.
type jsonResult struct {
	ID        string    `json:"id"`
	Source    string    `json:"source"`
	Seat      string    `json:"seat"`
	Note      string    `json:"note,omitempty"`
	MadeAt    time.Time `json:"made_at"`
	Folder    string    `json:"folder"`
	Recording string    `json:"recording"`
	Impulse   string    `json:"impulse"`
	// Time zero in the impulse file.
	ImpulseZeroFrame int     `json:"impulse_zero_frame"`
	SampleRateHz     float64 `json:"sample_rate_hz"`
	LevelDBFS        float64 `json:"level_dbfs"`
	PeakDBFS         float64 `json:"recording_peak_dbfs"`
	ArrivalS         float64 `json:"arrival_s"`

	Response   jsonResponse    `json:"response"`
	Readable   jsonReadable    `json:"readable"`
	Decay      []jsonDecay     `json:"decay"`
	Distortion *jsonDistortion `json:"distortion"`
	Noise      *jsonNoise      `json:"noise"`
	Microphone *jsonMicrophone `json:"microphone"`
	Readings   []string        `json:"readings"`
	Findings   []jsonFinding   `json:"findings"`
	Remarks    []string        `json:"remarks"`
}

type jsonResponse struct {
	FrequencyHz   []float64 `json:"frequency_hz"`
	MagnitudeDB   []float64 `json:"magnitude_db"`
	PhaseDegrees  []float64 `json:"phase_deg"`
	NoiseDB       []float64 `json:"noise_db"`       // null where unknown
	UncertaintyDB []float64 `json:"uncertainty_db"` // one standard error; null where unknown
	Smoothing     string    `json:"smoothing"`
	Window        string    `json:"window"`
	Reference     string    `json:"reference"`
}

type jsonReadable struct {
	FromHz     *float64  `json:"from_hz"` // null where nothing can be read
	FromReason string    `json:"from_reason"`
	ToHz       *float64  `json:"to_hz"`
	ToReason   string    `json:"to_reason"`
	Gaps       []jsonGap `json:"gaps"`
}

type jsonGap struct {
	FromHz float64 `json:"from_hz"`
	ToHz   float64 `json:"to_hz"`
	Reason string  `json:"reason"`
}

type jsonDecay struct {
	BandHz   float64  `json:"band_hz"`
	Width    string   `json:"width"`
	EDTS     *float64 `json:"edt_s"`
	T20S     *float64 `json:"t20_s"`
	T30S     *float64 `json:"t30_s"`
	C50DB    *float64 `json:"c50_db"`
	C80DB    *float64 `json:"c80_db"`
	D50      *float64 `json:"d50"`
	CentreS  *float64 `json:"centre_time_s"`
	RangeDB  float64  `json:"range_db"`
	Curve    float64  `json:"curvature_percent"`
	Xi       float64  `json:"nonlinearity_permille"`
	ReasonIs string   `json:"reason"`
}

type jsonDistortion struct {
	Orders []jsonOrder `json:"orders"`
	THD    jsonCurve   `json:"thd"`
}

type jsonOrder struct {
	Order int `json:"order"`
	jsonCurve
	InputDB []float64 `json:"input_db"`
	FloorHz []float64 `json:"floor_frequency_hz"`
	FloorDB []float64 `json:"floor_db"`
}

type jsonCurve struct {
	FrequencyHz []float64 `json:"frequency_hz"`
	DB          []float64 `json:"db"`
}

type jsonNoise struct {
	RecordingDBFS float64 `json:"recording_dbfs"`
	Seconds       float64 `json:"seconds"`
}

type jsonMicrophone struct {
	Name   string  `json:"name"`
	SHA256 string  `json:"sha256"`
	FromHz float64 `json:"from_hz"`
	ToHz   float64 `json:"to_hz"`
	Phase  string  `json:"phase"` // "none", "as given", "minimum phase"
}

type jsonFinding struct {
	Kind string `json:"kind"`
	Text string `json:"text"`
}

// printJSON writes the result as one JSON object.
func (r *result) printJSON(w io.Writer) error {
	m := r.m
	absolute := func(path string) string {
		if abs, err := filepath.Abs(path); err == nil {
			return abs
		}
		return path
	}
	j := jsonResult{ID: r.meta.ID, Source: r.meta.Source, Seat: r.meta.Seat, Note: r.meta.Note, MadeAt: r.meta.MadeAt,
		Folder: absolute(r.dir), Recording: absolute(r.recording), Impulse: absolute(r.impulse),
		ImpulseZeroFrame: m.Impulse.Zero, SampleRateHz: m.Impulse.SampleRate, LevelDBFS: r.meta.LevelDBFS, PeakDBFS: m.PeakDBFS,
		ArrivalS: float64(m.ArrivalFrame) / m.Impulse.SampleRate,
		Response: jsonResponse{m.Hz, m.MagnitudeDB, m.PhaseDegrees, m.NoiseDB, m.UncertaintyDB, smoothingInWords(m.Smoothing), m.Window.String(), r.reference()},
		Readable: jsonReadable{FromReason: m.Readable.FromReason, ToReason: m.Readable.ToReason, Gaps: []jsonGap{}},
		Decay:    []jsonDecay{}, Readings: r.readings(), Findings: []jsonFinding{}, Remarks: append([]string{}, r.remarks...)}
	if m.Readable.OK {
		j.Readable.FromHz, j.Readable.ToHz = &m.Readable.FromHz, &m.Readable.ToHz
	}
	for _, g := range m.Readable.Gaps {
		j.Readable.Gaps = append(j.Readable.Gaps, jsonGap(g))
	}
	for _, b := range m.Decay {
		j.Decay = append(j.Decay, jsonDecay{b.NominalHz, b.Width.String(), secondsOf(b.EDT), secondsOf(b.T20), secondsOf(b.T30),
			ratioOf(b.C50DB), ratioOf(b.C80DB), ratioOf(b.D50), ratioOf(b.CentreTimeS), b.RangeDB, b.CurvaturePercent, b.NonlinearityPermille, b.Reason})
	}
	if d := m.Distortion; d != nil {
		j.Distortion = &jsonDistortion{THD: jsonCurve{d.THD.Hz, d.THD.DB}}
		for _, o := range d.Orders {
			j.Distortion.Orders = append(j.Distortion.Orders, jsonOrder{o.Order, jsonCurve{o.Ratio.Hz, o.Ratio.DB}, o.InputDB, o.Floor.Hz, o.Floor.DB})
		}
	}
	if m.Noise != nil {
		j.Noise = &jsonNoise{m.Noise.RecordingDBFS, m.Noise.Seconds}
	}
	if r.mic != nil {
		from, to := r.mic.Range()
		j.Microphone = &jsonMicrophone{r.mic.kept.Name, r.mic.kept.SHA256, from, to, r.mic.phaseInWords()}
	}
	for _, f := range m.Findings {
		j.Findings = append(j.Findings, jsonFinding(f))
	}
	return printJSON(w, j)
}

// printJSON writes v as indented JSON, lists of numbers on one line each.
func printJSON(w io.Writer, v any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return err
	}
	_, err = w.Write(append(text, '\n'))
	return err
}

func secondsOf(v decay.Value) *float64 {
	if !v.OK {
		return nil
	}
	return &v.Seconds
}

func ratioOf(v decay.Ratio) *float64 {
	if !v.OK {
		return nil
	}
	return &v.Value
}

// reference says what 0 dB is.
func (r *result) reference() string {
	if r.mic != nil {
		return "dB, 0 dB = recorded as loud as played, less the microphone's deviation"
	}
	return "dB, 0 dB = recorded as loud as played"
}

// readings are the findings in plain sentences.
func (r *result) readings() []string {
	var out []string
	add := func(s string) {
		if s != "" {
			out = append(out, s)
		}
	}
	add(reading.Readable(r.m))
	add(reading.Evenness(r.m))
	add(reading.Decay(r.m))
	add(reading.Distortion(r.m))
	add(reading.Noise(r.m))
	if r.mic != nil {
		if offset, ok, _ := r.mic.SPLOffset(); ok && r.meta.LevelDBFS != 0 {
			add(reading.SPL(r.m, r.meta.LevelDBFS, offset))
		}
	}
	return out
}

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

// printText writes the result for reading.
func (r *result) printText(w io.Writer, width scale.Width) {
	fmt.Fprintln(w, r.title())
	if r.meta.Note != "" {
		fmt.Fprintln(w, "note: "+r.meta.Note)
	}
	fmt.Fprintln(w)
	if len(r.m.Findings) == 0 {
		paragraph(w, "", "No fault was found in the take.")
	}
	for _, f := range r.m.Findings {
		paragraph(w, "! ", strings.ToUpper(f.Kind[:1])+f.Kind[1:]+". "+f.Text)
	}
	for _, s := range r.readings() {
		paragraph(w, "", s)
	}
	fmt.Fprintln(w)
	r.printResponse(w)
	fmt.Fprintln(w)
	r.printDecay(w, width)
	for _, s := range r.remarks {
		paragraph(w, "note: ", s)
	}
	fmt.Fprintln(w)
	fmt.Fprintln(w, "kept in "+r.dir)
}

// paragraph writes a sentence broken into lines of at most 80 characters, the
// lines after the first indented as far as the first one's lead.
func paragraph(w io.Writer, lead, text string) {
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
	fmt.Fprintln(w, "How even is it?  (mean level in dB over a third of an octave; in brackets: not readable)")
	bands := scale.Bands(scale.Third, math.Max(20, r.m.FromHz*0.99), math.Min(20000, r.m.ToHz*1.01))
	var hz []float64
	for _, b := range bands {
		hz = append(hz, b.MidHz)
	}
	levels := response.Smooth(r.m.Response.Power(), r.m.Response.StepHz, hz, 3)
	const columns = 10
	for from := 0; from < len(bands); from += columns {
		var head, line strings.Builder
		for i := from; i < min(from+columns, len(bands)); i++ {
			level := fmt.Sprintf("%.1f ", scale.PowerDB(levels[i]))
			if !r.m.Readable.Contains(hz[i]) {
				level = "(" + strings.TrimSpace(level) + ")"
			}
			fmt.Fprintf(&head, "%7s ", short(bands[i].NominalHz))
			fmt.Fprintf(&line, "%8s", level)
		}
		fmt.Fprintf(w, "  Hz %s\n  dB %s\n", strings.TrimRight(head.String(), " "), strings.TrimRight(line.String(), " "))
	}
}

// short writes a band's label as tables do: 31.5, 800, 1.25k.
func short(hz float64) string {
	return strings.NewReplacer(" Hz", "", " kHz", "k").Replace(chart.Hz(hz))
}

// printDecay writes the decay per band.
func (r *result) printDecay(w io.Writer, width scale.Width) {
	fmt.Fprintf(w, "How long does it ring?  (seconds to fall by 60 dB, in %s bands; –: refused)\n", map[scale.Width]string{scale.Octave: "octave", scale.Third: "one-third-octave"}[width])
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "\t\tEDT\tT20\tT30\t")
	var reasons []string
	for _, b := range r.m.Decay {
		if b.Width != width {
			continue
		}
		note := ""
		if b.Reason != "" {
			at := -1
			for i, s := range reasons {
				if s == b.Reason {
					at = i
				}
			}
			if at < 0 {
				reasons = append(reasons, b.Reason)
				at = len(reasons) - 1
			}
			note = fmt.Sprintf("  (%c)", 'a'+at%26)
		}
		fmt.Fprintf(t, "\t%s\t%s\t%s\t%s\t%s\n", chart.Hz(b.NominalHz), decayTime(b.EDT), decayTime(b.T20), decayTime(b.T30), note)
	}
	t.Flush()
	for i, s := range reasons {
		paragraph(w, fmt.Sprintf("  (%c) ", 'a'+i%26), s)
	}
}

func decayTime(v decay.Value) string {
	if !v.OK {
		return "–"
	}
	return fmt.Sprintf("%.2f", v.Seconds)
}

// DrawnSmoothing is what drawings of the response are smoothed by unless asked
// otherwise.
const drawnSmoothing = 24

// draw writes the drawings of a result into a folder and returns their paths.
func (r *result) draw(folder string, format chart.Format) ([]string, error) {
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return nil, &atomicfile.Error{Path: folder, Err: err}
	}
	views := map[string]chart.View{}
	order := []string{"response", "decay-octaves", "decay-thirds", "impulse", "distortion"}
	m, subtitle := r.m, r.title()
	readable := chart.Readable{FromHz: m.Readable.FromHz, ToHz: m.Readable.ToHz, FromReason: m.Readable.FromReason, ToReason: m.Readable.ToReason}
	if !m.Readable.OK { // nowhere: all of it is drawn faint
		readable = chart.Readable{FromHz: m.ToHz, ToHz: m.ToHz, FromReason: m.Readable.FromReason}
	}
	fraction := m.Smoothing
	if fraction == 0 {
		fraction = drawnSmoothing
	}
	views["response"] = chart.Response{Subtitle: subtitle, Readable: readable, Smoothing: smoothingInWords(fraction),
		Reference: r.reference(), Curves: []chart.Curve{{Name: "measured", Hz: m.Hz, DB: m.Smoothed(fraction)}},
		NoiseHz: m.Hz[:len(m.NoiseDB)], NoiseDB: m.NoiseDB}
	for name, width := range map[string]scale.Width{"decay-octaves": scale.Octave, "decay-thirds": scale.Third} {
		d := chart.Decay{Subtitle: subtitle}
		for _, b := range m.Decay {
			if b.Width == width {
				d.Bands = append(d.Bands, chart.DecayBand{Label: short(b.NominalHz), MidHz: b.MidHz, Width: width,
					EDT: secondsOf(b.EDT), T20: secondsOf(b.T20), T30: secondsOf(b.T30), Reason: refusals(b)})
			}
		}
		views[name] = d
	}
	views["impulse"] = chart.Impulse{Subtitle: subtitle + " · without what lies below 15 Hz", SampleRate: m.Impulse.SampleRate,
		Samples: response.HighPass(m.Impulse, 15).Samples, Zero: m.Impulse.Zero}
	if d := m.Distortion; d != nil {
		v := chart.Distortion{Subtitle: subtitle, Smoothing: "1/12 octave", FromHz: 20, ToHz: math.Min(10000, math.Max(100, m.ToHz/2)), THD: harmonic(0, d.THD, d.Orders[0].Floor)}
		for _, o := range d.Orders {
			v.Harmonics = append(v.Harmonics, harmonic(o.Order, o.Ratio, o.Floor))
		}
		if len(d.THD.Hz) > 0 {
			views["distortion"] = v
		}
	}
	var paths []string
	for _, name := range order {
		view, ok := views[name]
		if !ok {
			continue
		}
		path := filepath.Join(folder, r.meta.ID+"-"+name+"."+string(format))
		if err := drawTo(path, view); err != nil {
			return paths, err
		}
		paths = append(paths, path)
	}
	return paths, nil
}

// harmonic puts the points of a curve that can be told into their places among
// those that cannot; floor has them all.
func harmonic(order int, told, floor response.Curve) chart.Harmonic {
	h := chart.Harmonic{Order: order, Hz: floor.Hz, DB: make([]float64, len(floor.Hz)), Blank: make([]bool, len(floor.Hz))}
	next := 0
	for i, hz := range floor.Hz {
		if next < len(told.Hz) && told.Hz[next] == hz {
			h.DB[i] = told.DB[next]
			next++
		} else {
			h.DB[i], h.Blank[i] = floor.DB[i], true
		}
	}
	return h
}

// refusals says in few words which of a band's times were refused, and why: what
// is merely doubtful stays out of a drawing.
func refusals(b decay.Band) string {
	var parts []string
	for _, v := range []struct {
		name  string
		value decay.Value
	}{{"EDT", b.EDT}, {"T20", b.T20}, {"T30", b.T30}} {
		if v.value.OK {
			continue
		}
		if n := len(parts); n > 0 && strings.HasSuffix(parts[n-1], ": "+v.value.Reason) {
			parts[n-1] = strings.Replace(parts[n-1], ": ", ", "+v.name+": ", 1)
			continue
		}
		parts = append(parts, "no "+v.name+": "+v.value.Reason)
	}
	return strings.Join(parts, "; ")
}

// drawTo writes one drawing, whole or not at all.
func drawTo(path string, view chart.View) error {
	format, err := chart.FormatOf(path)
	if err != nil {
		return usage(hintOf(err), "%s", err)
	}
	return atomicfile.Write(path, atomicfile.Options{}, func(w io.Writer) error { return view.Render(w, format) })
}
