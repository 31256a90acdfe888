package main

import (
	"io"
	"math"
	"os"
	"path/filepath"
	"roomsonde/capture/wav/atomicfile"
	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/deconv/decay"
	"roomsonde/deconv/response"
	"roomsonde/sweep/scale"
	"strings"
)

// drawnSmoothing is what drawings of the response are smoothed by unless asked
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
