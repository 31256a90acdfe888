package main

import (
	"fmt"
	"io"
	"math"
	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/deconv/decay"
	"roomsonde/deconv/response"
	"roomsonde/sweep/scale"
	"strings"
	"text/tabwriter"
)

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
