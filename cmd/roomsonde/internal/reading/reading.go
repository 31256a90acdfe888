// Package reading turns numbers into plain sentences, each with its figure and
// its limit.
package reading

import (
	"fmt"
	"math"
	"strings"

	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/deconv/decay"
	"roomsonde/sweep/scale"
)

// BassSmoothing is the smoothing that readings of the bass are taken from, as
// the number of parts of an octave: fine enough for a room mode.
const BassSmoothing = 12

// Readable says from where to where a measurement may be read, and why no
// further.
func Readable(m *measurement.Measurement) string {
	r := m.Readable
	if !r.OK {
		return "Nothing of this can be read: " + r.FromReason + "."
	}
	s := fmt.Sprintf("Readable from %s (%s) to %s (%s).", chart.Hz(r.FromHz), r.FromReason, chart.Hz(r.ToHz), r.ToReason)
	for i, g := range r.Gaps {
		if i == 3 {
			s += fmt.Sprintf(" And %d more.", len(r.Gaps)-3)
			break
		}
		s += fmt.Sprintf(" Not between %s and %s: the noise is too near in this dip.", chart.Hz(g.FromHz), chart.Hz(g.ToHz))
	}
	return s
}

// Evenness says how far the bass strays, and where most. It is empty when less
// than an octave of bass can be read.
func Evenness(m *measurement.Measurement) string {
	from, to := math.Max(20, m.Readable.FromHz), math.Min(200, m.Readable.ToHz)
	if !m.Readable.OK || to < 2*from {
		return ""
	}
	levels := m.Smoothed(BassSmoothing)
	// The mean of decibels here, each part of an octave counting alike: how far
	// a curve strays is read off its drawing, which shows decibels.
	var sum, weight float64
	high, low := -1, -1
	for i, hz := range m.Hz {
		if hz < from || hz > to || !m.Readable.Contains(hz) {
			continue
		}
		w := 1 / hz // the grid follows the bins down here, not the octaves
		sum += w * levels[i]
		weight += w
		if high < 0 || levels[i] > levels[high] {
			high = i
		}
		if low < 0 || levels[i] < levels[low] {
			low = i
		}
	}
	if high < 0 {
		return ""
	}
	mean := sum / weight
	return fmt.Sprintf("From %s to %s the level strays by %.0f dB: highest at %s (%s), lowest at %s (%s), about its mean there.",
		chart.Hz(from), chart.Hz(to), levels[high]-levels[low],
		chart.Hz(m.Hz[high]), Signed(levels[high]-mean), chart.Hz(m.Hz[low]), Signed(levels[low]-mean))
}

// Signed writes a difference in dB with its sign.
func Signed(db float64) string {
	s := fmt.Sprintf("%+.1f dB", db)
	return strings.Replace(s, "-", "−", 1)
}

// Decay says how long the bass and the middle ring, from octave bands, by T20,
// or by T30 or EDT where that was refused.
func Decay(m *measurement.Measurement) string {
	var bass, middle []string
	var middleSum float64
	for _, b := range m.Decay {
		if b.Width != scale.Octave {
			continue
		}
		v, name := best(b)
		if name == "" {
			continue
		}
		switch {
		case b.NominalHz <= 125:
			bass = append(bass, fmt.Sprintf("%.2f s at %s (%s)", v, chart.Hz(b.NominalHz), name))
		case b.NominalHz >= 500 && b.NominalHz <= 2000:
			middle = append(middle, chart.Hz(b.NominalHz))
			middleSum += v
		}
	}
	var parts []string
	if len(bass) > 0 {
		parts = append(parts, "the bass takes "+strings.Join(bass, ", "))
	}
	if len(middle) > 0 {
		span := middle[0]
		if len(middle) > 1 {
			span += " to " + middle[len(middle)-1]
		}
		parts = append(parts, fmt.Sprintf("the middle %.2f s (mean of %s)", middleSum/float64(len(middle)), span))
	}
	if len(parts) == 0 {
		return "How long it rings cannot be told in any octave of bass or middle: see the reasons."
	}
	return "To die away by 60 dB, " + strings.Join(parts, ", ") + "."
}

func best(b decay.Band) (float64, string) {
	switch {
	case b.T20.OK:
		return b.T20.Seconds, "T20"
	case b.T30.OK:
		return b.T30.Seconds, "T30"
	case b.EDT.OK:
		return b.EDT.Seconds, "EDT"
	}
	return 0, ""
}

// Distortion says how clean it is at some telling frequencies. It is empty when
// nothing is known.
func Distortion(m *measurement.Measurement) string {
	d := m.Distortion
	if d == nil {
		return ""
	}
	var parts []string
	for _, hz := range []float64{50, 100, 1000} {
		if hz < d.FromHz || hz > d.ToHz || !m.Readable.Contains(hz) {
			continue
		}
		at := nearest(d.THD.Hz, hz)
		if at < 0 {
			floor := math.Inf(-1)
			for _, o := range d.Orders {
				if i := nearest(o.Floor.Hz, hz); i >= 0 {
					floor = math.Max(floor, o.Floor.DB[i]+6)
				}
			}
			parts = append(parts, fmt.Sprintf("under %s at %s (the noise hides less)", percent(floor), chart.Hz(hz)))
			continue
		}
		parts = append(parts, fmt.Sprintf("%s at %s", percent(d.THD.DB[at]), chart.Hz(hz)))
	}
	if len(parts) == 0 {
		return ""
	}
	return "Total harmonic distortion: " + strings.Join(parts, ", ") + "."
}

// nearest returns the index of the frequency within 1/24 octave of hz, or -1.
func nearest(at []float64, hz float64) int {
	best, distance := -1, 1.0/24+1e-6
	for i, f := range at {
		if d := math.Abs(math.Log2(f / hz)); d < distance {
			best, distance = i, d
		}
	}
	return best
}

func percent(db float64) string {
	p := 100 * scale.Amplitude(db)
	switch {
	case p >= 10:
		return fmt.Sprintf("%.0f %%", p)
	case p >= 0.1:
		return fmt.Sprintf("%.2g %%", p)
	}
	return fmt.Sprintf("%.1g %%", p)
}

// Noise says how loud the room's noise is in the recording and how far the
// response stands out of it, in the middle and in the bass.
func Noise(m *measurement.Measurement) string {
	if m.Noise == nil {
		return fmt.Sprintf("The recording peaks at %s dBFS; how loud the room's noise is, is not known: there is no silence to hear it in.", minus(m.PeakDBFS))
	}
	s := fmt.Sprintf("The recording peaks at %s dBFS, and the room's noise lies at %s dBFS", minus(m.PeakDBFS), minus(m.Noise.RecordingDBFS))
	var parts []string
	levels := m.Smoothed(6)
	for _, hz := range []float64{40, 1000, 10000} {
		for i, f := range m.Hz {
			if f >= hz && f < hz*1.05 && m.FromHz < hz {
				parts = append(parts, fmt.Sprintf("%s dB at %s", minus(levels[i]-m.NoiseDB[i]), chart.Hz(hz)))
				break
			}
		}
	}
	if len(parts) > 0 {
		s += "; the response stands " + strings.Join(parts, ", ") + " above it"
	}
	return s + "."
}

func minus(v float64) string {
	return strings.Replace(fmt.Sprintf("%.0f", math.Round(v)+0), "-", "−", 1)
}

// SPL says how loud the sweep was at the microphone, where its sensitivity
// allows; offset is what to add to a level in dBFS. It is empty where the middle
// of the range was not measured.
func SPL(m *measurement.Measurement, levelDBFS, offset float64) string {
	from, to := 500.0, 2000.0
	if m.ToHz < to {
		from, to = math.Max(30, m.FromHz), math.Min(100, m.ToHz)
	}
	mean, ok := m.MeanDB(from, to)
	if !ok {
		return ""
	}
	return fmt.Sprintf("The sweep was about %.0f dB SPL loud at the microphone (mean of %s to %s), if the input's gain is where the sensitivity was stated for.",
		mean+levelDBFS+offset, chart.Hz(from), chart.Hz(to))
}
