// Package reading turns numbers into plain sentences, each with its figure and
// its limit.
package reading

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/deconv"
	"roomsonde/deconv/decay"
	"roomsonde/sweep/scale"
)

// BassSmoothing is the smoothing that readings of the bass are taken from, as
// the number of parts of an octave: fine enough for a room mode.
const BassSmoothing = 12

// Readable says from where to where a measurement may be read, and why no
// further. It is empty when a finding says already that nothing may be read.
func Readable(m *measurement.Measurement) string {
	r := m.Readable
	if !r.OK {
		if found(m, measurement.Unreadable) {
			return ""
		}
		return "Nothing of this can be read: " + r.FromReason + "."
	}
	s := fmt.Sprintf("Readable from %s (%s) to %s (%s)", chart.Hz(r.FromHz), r.FromReason, chart.Hz(r.ToHz), r.ToReason)
	if m.Noise == nil {
		s += ", noise left aside"
	}
	s += "."
	for i, g := range r.Gaps {
		if i == 3 {
			s += fmt.Sprintf(" And %d more.", len(r.Gaps)-3)
			break
		}
		s += fmt.Sprintf(" Not between %s and %s: the noise is too near in this dip.", chart.Hz(g.FromHz), chart.Hz(g.ToHz))
	}
	// A finding names the figure for the whole range.
	if r.FromNoise && r.FromHz > bassFromHz && !found(m, measurement.HardlyReadable) {
		if db, atLeast := r.LouderDB(20, r.FromHz); db > 0 {
			would := fmt.Sprintf("about %.0f dB louder would show it", math.Ceil(db))
			if atLeast {
				would = fmt.Sprintf("to show it takes at least %.0f dB louder", math.Ceil(db))
			}
			s += fmt.Sprintf(" The noise hides the bass below %s: %s (or a room as much quieter).", chart.Hz(r.FromHz), would)
		}
	}
	return s
}

// Where the bass is missed, in Hz.
const bassFromHz = 30

func found(m *measurement.Measurement, kind string) bool {
	return slices.ContainsFunc(m.Findings, func(f measurement.Finding) bool { return f.Kind == kind })
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
	high, low, first, last := -1, -1, -1, -1
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
		if first < 0 {
			first = i
		}
		last = i
	}
	if high < 0 {
		return ""
	}
	mean := sum / weight
	at := func(i int) string {
		switch i {
		case first:
			return "the edge, " + chart.Hz(from)
		case last:
			return "the edge, " + chart.Hz(to)
		}
		return chart.Hz(m.Hz[i])
	}
	return fmt.Sprintf("Smoothed over 1/%d octave, the level between %s and %s spans %.0f dB: from %s at %s to %s at %s, against its mean there.",
		BassSmoothing, chart.Hz(from), chart.Hz(to), levels[high]-levels[low],
		Signed(levels[high]-mean), at(high), Signed(levels[low]-mean), at(low))
}

// Signed writes a difference in dB with its sign.
func Signed(db float64) string {
	db = math.Round(10*db)/10 + 0 // no −0.0
	if db == 0 {
		return "0.0 dB"
	}
	return strings.Replace(fmt.Sprintf("%+.1f dB", db), "-", "−", 1)
}

// Decay says how long the bass and the middle ring, from octave bands, by T20,
// or by T30 or EDT where that was refused. It marks what is doubtful.
func Decay(m *measurement.Measurement) string {
	var bass, middle, doubtful []string
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
			if v.Reason != "" {
				name += ", doubtful"
			}
			bass = append(bass, fmt.Sprintf("%.2f s at %s (%s)", v.Seconds, chart.Hz(b.NominalHz), name))
		case b.NominalHz >= 500 && b.NominalHz <= 2000:
			middle = append(middle, chart.Hz(b.NominalHz))
			middleSum += v.Seconds
			if v.Reason != "" {
				doubtful = append(doubtful, chart.Hz(b.NominalHz))
			}
		}
	}
	var parts []string
	if len(bass) > 0 {
		parts = append(parts, "the bass takes "+strings.Join(bass, ", "))
	}
	if len(middle) > 0 {
		of := "mean of " + list(middle)
		if len(middle) == 3 {
			of = "mean of " + middle[0] + " to " + middle[2]
		} else if len(middle) == 1 {
			of = "at " + middle[0]
		}
		switch {
		case len(doubtful) == len(middle):
			of += ", doubtful"
		case len(doubtful) > 0:
			of += "; doubtful at " + list(doubtful)
		}
		takes := ""
		if len(parts) == 0 {
			takes = "takes "
		}
		parts = append(parts, fmt.Sprintf("the middle %s%.2f s (%s)", takes, middleSum/float64(len(middle)), of))
	}
	if len(parts) == 0 {
		return "How long it rings cannot be told in any octave of bass or middle: see the reasons."
	}
	s := "To die away by 60 dB, " + strings.Join(parts, ", ") + "."
	if m.Window.LengthS < shortWindowS {
		s += " Decay times always use all that is kept."
	}
	return s
}

// A window shorter than this, in s, leaves out what rings.
const shortWindowS = 0.3

// list joins words as a sentence does.
func list(words []string) string {
	if n := len(words); n > 1 {
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
	return strings.Join(words, "")
}

// best returns the value of a band that readings go by, and its name, "" where
// all are refused.
func best(b decay.Band) (decay.Value, string) {
	switch {
	case b.T20.OK:
		return b.T20, "T20"
	case b.T30.OK:
		return b.T30, "T30"
	case b.EDT.OK:
		return b.EDT, "EDT"
	}
	return decay.Value{}, ""
}

// Distortion says how clean it is at some telling frequencies: the total of the
// harmonics that stand out of the noise, and which they are, or what all of them
// stay under. It is empty when nothing is known.
func Distortion(m *measurement.Measurement) string {
	d := m.Distortion
	if d == nil {
		return ""
	}
	var told, bounds []string
	for _, hz := range []float64{50, 100, 1000} {
		if hz < d.FromHz || hz > d.ToHz || !m.Readable.Contains(hz) {
			continue
		}
		orders, hidden, toldDB, mostDB := d.At(hz)
		switch {
		case len(orders) > 0:
			s := fmt.Sprintf("%s at %s (%s)", percent(toldDB), chart.Hz(hz), inWords(orders))
			if percent(mostDB) != percent(toldDB) { // what is hidden could be seen in the figure
				s = "at least " + s
			}
			told = append(told, s)
		case len(hidden) > 0 && mostDB < 0: // a bound of more than 100 % is none
			s := fmt.Sprintf("%s at %s", percent(mostDB), chart.Hz(hz))
			if len(hidden) < allOrders {
				s += " (" + inWords(hidden) + ")"
			}
			bounds = append(bounds, s)
		}
	}
	var parts []string
	if len(told) > 0 {
		parts = append(parts, strings.Join(told, ", "))
	}
	if len(bounds) > 0 {
		parts = append(parts, "hidden by the noise, so under "+strings.Join(bounds, ", "))
	}
	if len(parts) == 0 {
		return ""
	}
	return "Total harmonic distortion: " + strings.Join(parts, "; ") + "."
}

// allOrders is how many orders are worked out where the range has room for them.
const allOrders = 4

// inWords names orders: "order 2", "orders 2 and 3", "orders 2 to 5".
func inWords(orders []int) string {
	n := len(orders)
	if n > 2 && orders[n-1]-orders[0] == n-1 {
		return fmt.Sprintf("orders %d to %d", orders[0], orders[n-1])
	}
	var words []string
	for _, o := range orders {
		words = append(words, strconv.Itoa(o))
	}
	if n == 1 {
		return "order " + words[0]
	}
	return "orders " + list(words)
}

// percent writes a ratio in dB with two significant digits.
func percent(db float64) string {
	p := 100 * scale.Amplitude(db)
	digits := 0
	if p > 0 && p < 9.95 {
		digits = 1 - int(math.Floor(math.Log10(p)))
		// What rounds up to the next decade has a digit less behind the point.
		if p >= 9.95*math.Pow10(1-digits) {
			digits--
		}
	}
	return strconv.FormatFloat(p, 'f', min(digits, 9), 64) + " %"
}

// Noise says how loud the room's noise is in the recording and how far the
// response stands out of it, in the middle and in the bass.
func Noise(m *measurement.Measurement) string {
	if m.Noise == nil {
		return fmt.Sprintf("The recording peaks at %s dBFS; how loud the room's noise is, is not known: the recording holds no silence that it could be heard in. So neither the readable range nor distortion is held against it.", minus(m.PeakDBFS))
	}
	s := fmt.Sprintf("The recording peaks at %s dBFS, and the room's noise lies at %s dBFS", minus(m.PeakDBFS), minus(m.Noise.RecordingDBFS))
	var parts []string
	levels := m.Smoothed(6)
	for _, hz := range []float64{40, 1000, 10000} {
		for i, f := range m.Hz {
			if f >= hz && f < hz*1.05 && m.FromHz < hz && m.Readable.Contains(hz) {
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
	return fmt.Sprintf("The sweep was about %s dB SPL loud at the microphone (mean of %s to %s), if the input's gain is where the sensitivity was stated for.",
		minus(mean+levelDBFS+offset), chart.Hz(from), chart.Hz(to))
}

// Clock says how far the two clocks are apart, where that was measured and is
// worth a word.
func Clock(m *measurement.Measurement) string {
	t := m.Timing
	if t == nil || !t.Known || m.SkewCorrected == 0 {
		return ""
	}
	how := "slower"
	if t.Skew < 0 {
		how = "faster"
	}
	within := 2e6 * t.SkewStdErr
	known := fmt.Sprintf("± %.2f ppm", within)
	if within < 0.005 {
		known = "to better than 0.01 ppm"
	}
	return fmt.Sprintf("The recorder's clock runs %.2f ppm %s than the player's (%s); the recording was brought to the player's.", 1e6*math.Abs(t.Skew), how, known)
}

// TimeZero says when the first sound arrived, where time zero is one that other
// takes share.
func TimeZero(m *measurement.Measurement) string {
	if m.TimeZero != deconv.MarkArrival {
		return ""
	}
	return fmt.Sprintf("The first sound arrives %s ms after time zero, which the time marks set for every source at this seat: the difference between two sources is their delay.", strings.Replace(fmt.Sprintf("%.3f", 1000*m.ArrivalS), "-", "−", 1))
}
