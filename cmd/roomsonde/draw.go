package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"roomsonde/capture/wav/atomicfile"
	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/deconv/decay"
	"roomsonde/deconv/response"
	"roomsonde/sweep/scale"
)

// drawnSmoothing is what drawings of the response are smoothed by unless asked
// otherwise.
const drawnSmoothing = 24

// draw writes the drawings of a result into a folder, or those with the names
// given, and returns their paths.
func (r *result) draw(folder string, format chart.Format, only ...string) ([]string, error) {
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return nil, &atomicfile.Error{Path: folder, Err: err}
	}
	views := map[string]chart.View{}
	order := []string{"response", "decay-octaves", "decay-thirds", "impulse", "distortion"}
	m, subtitle := r.m, r.title()
	readable := r.readableView()
	fraction := m.Smoothing
	if fraction == 0 {
		fraction = drawnSmoothing
	}
	views["response"] = chart.Response{Subtitle: subtitle, Readable: readable, Smoothing: smoothingInWords(fraction), Window: r.window(),
		Reference: r.reference(), Curves: []chart.Curve{{Name: "measured", Hz: m.Hz, DB: m.Smoothed(fraction)}},
		NoiseHz: m.Hz[:len(m.NoiseDB)], NoiseDB: m.NoiseDB}
	if line := r.expected(); line != nil {
		v := views["response"].(chart.Response)
		views["response"] = chart.Several{Title: "How even is it?", Subtitle: v.Subtitle, Curves: v.Curves, Readable: v.Readable, Expected: []chart.Line{*line},
			NoiseHz: v.NoiseHz, NoiseDB: v.NoiseDB, Smoothing: v.Smoothing, Window: v.Window, Reference: v.Reference}
	}
	for name, width := range map[string]scale.Width{"decay-octaves": scale.Octave, "decay-thirds": scale.Third} {
		d := chart.Decay{Subtitle: subtitle, Command: fmt.Sprintf("roomsonde show %d", r.meta.Number)}
		if width == scale.Third {
			d.Command += " --thirds"
		}
		d.Bands = r.decayBands(width)
		views[name] = d
	}
	views["impulse"] = chart.Impulse{Subtitle: subtitle, Note: "drawn without what lies below 15 Hz", SampleRate: m.Impulse.SampleRate,
		Samples: response.HighPass(m.Impulse, 15).Samples, Zero: m.Impulse.FirstArrival(), HighestHz: m.ToHz}
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
		if !ok || len(only) > 0 && !slices.Contains(only, name) {
			continue
		}
		if name == "response" { // the only one that another window or smoothing changes
			name += r.variant()
		}
		path := filepath.Join(folder, r.meta.ID+"-"+name+"."+string(format))
		if err := drawTo(path, view); err != nil {
			return paths, err
		}
		paths = append(paths, path)
	}
	return paths, nil
}

// readableView is the readable range as drawings have it.
func (r *result) readableView() chart.Readable {
	// What follows the colon of a reason is said in the text; on which side of the
	// end it holds is plain to see.
	brief := func(reason string) string {
		reason, _, _ = strings.Cut(reason, ": ")
		return strings.TrimPrefix(strings.TrimPrefix(reason, "above this "), "below this ")
	}
	x := r.m.Readable
	if !x.OK { // nowhere: all of it is drawn faint
		return chart.Readable{None: true, FromReason: x.FromReason}
	}
	return chart.Readable{FromHz: x.FromHz, ToHz: x.ToHz, FromReason: brief(x.FromReason), ToReason: brief(x.ToReason)}
}

// decayBands is the decay in bands of a width as drawings have it.
func (r *result) decayBands(width scale.Width) (bands []chart.DecayBand) {
	for _, b := range r.m.Decay {
		if b.Width == width {
			bands = append(bands, chart.DecayBand{Label: short(b.NominalHz), MidHz: b.MidHz, Width: width,
				EDT: secondsOf(b.EDT), T20: secondsOf(b.T20), T30: secondsOf(b.T30),
				EDTDoubtful: doubtful(b.EDT), T20Doubtful: doubtful(b.T20), T30Doubtful: doubtful(b.T30), Reason: refusals(b)})
		}
	}
	return bands
}

// drawn draws as read asks for; where it asks for nothing, nothing is drawn.
func (a *app) drawn(r *result, read readFlags, only ...string) ([]string, error) {
	if read.drawings == "" {
		return nil, nil
	}
	return r.draw(read.drawings, chart.Format(read.format), only...)
}

// finish says which files were written, and by its error what went wrong with
// them, or that the take is marked.
func (a *app) finish(r *result, read readFlags, paths []string, drawErr error, files ...string) error {
	where := a.out
	if read.json {
		where = a.talk
	}
	for _, path := range files {
		if path != "" {
			fmt.Fprintln(where, "written to "+path)
		}
	}
	for _, path := range paths {
		fmt.Fprintln(where, "drawn in "+path)
	}
	if drawErr != nil {
		return drawErr
	}
	if !r.m.Sound() {
		return errMarked
	}
	return nil
}

// window names the window of the response, or "" where it takes all that is kept.
func (r *result) window() string {
	if w := r.m.Window; w != (response.Window{}).Resolved(r.m.Impulse) {
		return w.String()
	}
	return ""
}

// variant is what the name of a drawing of the response says of a window and a
// smoothing other than the usual ones, so that none replaces another: as in
// "-5ms-1-12-octave".
func (r *result) variant() string {
	words := ""
	if w := r.window(); w != "" {
		words += "-" + strings.NewReplacer(", at most ", "-", " cycles", "-cycles", " ", "").Replace(w)
	}
	if n := r.m.Smoothing; n != 0 && n != drawnSmoothing {
		words += fmt.Sprintf("-1-%g-octave", n)
	}
	return words
}

// doubtful reports whether a time is given but doubted.
func doubtful(v decay.Value) bool { return v.OK && v.Reason != "" }

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
// is merely doubtful is drawn, hollow. Where all were, one reason is enough: that
// of the EDT, which asks for least.
func refusals(b decay.Band) string {
	if !b.EDT.OK && !b.T20.OK && !b.T30.OK {
		return inBrief(b.EDT.Reason)
	}
	var names, reasons []string
	for _, v := range []struct {
		name  string
		value decay.Value
	}{{"EDT", b.EDT}, {"T20", b.T20}, {"T30", b.T30}} {
		if v.value.OK {
			continue
		}
		reason := inBrief(v.value.Reason)
		if n := len(reasons); n > 0 && reasons[n-1] == reason {
			names[n-1] += ", " + v.name
			continue
		}
		names, reasons = append(names, v.name), append(reasons, reason)
	}
	for i := range names {
		names[i] = "no " + names[i] + ": " + reasons[i]
	}
	return strings.Join(names, "; ")
}

// briefly are reasons for which there is no decay time, as short as a drawing
// wants them; $1 is a number. The text has them in full.
var briefly = []struct {
	long  *regexp.Regexp
	short string
}{
	{regexp.MustCompile(`^the noise takes over after .*by only (\S+) dB.*`), "the decay stands only $1 dB out of the noise"},
	{regexp.MustCompile(`^the decay stands only (\S+) dB out of the noise.*`), "the decay stands only $1 dB out of the noise"},
	{regexp.MustCompile(`^the response ends after .*`), "the response ends too early"},
	{regexp.MustCompile(`^the level falls past .* with the direct sound.*`), "the direct sound takes up too much of the decay"},
	{regexp.MustCompile(`^the direct sound takes up the decay .*`), "the direct sound takes up too much of the decay"},
	{regexp.MustCompile(`^the level does not fall steadily.*`), "the level does not fall steadily"},
	{regexp.MustCompile(`^the band filter itself rings about as long.*`), "the band filter itself rings about as long"},
	{regexp.MustCompile(`^the decay is too far from a straight line.*`), "the decay is too far from a straight line"},
	{regexp.MustCompile(`^(the band (?:ends|begins|starts) at .* Hz, (?:above|below) the .* Hz).*`), "$1 that can be read"},
}

// inBrief shortens a reason; one that is not known here stays as it is.
func inBrief(reason string) string {
	for _, b := range briefly {
		if b.long.MatchString(reason) {
			return b.long.ReplaceAllString(reason, b.short)
		}
	}
	return reason
}

// drawTo writes one drawing, whole or not at all.
func drawTo(path string, view chart.View) error {
	format, err := chart.FormatOf(path)
	if err != nil {
		return usage(hintOf(err), "%s", err)
	}
	return atomicfile.Write(path, atomicfile.Options{}, func(w io.Writer) error { return view.Render(w, format) })
}
