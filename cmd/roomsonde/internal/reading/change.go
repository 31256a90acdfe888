package reading

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/deconv/difference"
	"roomsonde/sweep/scale"
)

// Change says what a comparison found, with its figure and what that may be off.
func Change(c difference.Change) string {
	off := " ± " + amount(c.Uncertainty, c.Unit)
	by := signed(c.Difference, c.Unit) + off
	switch c.Kind {
	case difference.PeakChange, difference.DipChange:
		where := "at " + chart.Hz(c.Hz)
		if c.ToHz > c.FromHz {
			where += fmt.Sprintf(" (%s wide)", chart.Hz(c.ToHz-c.FromHz))
		}
		name, size := "peak", "high"
		if c.Kind == difference.DipChange {
			name, size = "dip", "deep"
		}
		// How high or deep it is, is said as of each take by itself.
		before, after := c.BeforeHeightDB, c.AfterHeightDB
		switch c.What {
		case difference.Went:
			return fmt.Sprintf("The %s %s is gone: it was %.1f dB %s. %s.", name, where, before, size, there(c, off))
		case difference.Came:
			return fmt.Sprintf("A %s came %s: %.1f dB %s. %s.", name, where, after, size, there(c, off))
		}
		more := "higher"
		switch {
		case c.Kind == difference.DipChange && c.Difference > 0:
			more = "deeper"
		case c.Kind == difference.DipChange:
			more = "shallower"
		case c.Difference < 0:
			more = "lower"
		}
		s := fmt.Sprintf("The %s %s is %s %s", name, where, amount(math.Abs(c.Difference), c.Unit)+off, more)
		const rounding = 0.1
		switch {
		case before == 0 || after == 0: // one of them is too low to count
			return s + "."
		case math.Abs(after-before-c.Difference) > rounding:
			return s + fmt.Sprintf("; what is beside it changed, too, so that it is %.1f dB %s now, before %.1f dB.", after, size, before)
		}
		return s + fmt.Sprintf(": %.1f dB %s, before %.1f dB.", after, size, before)
	case difference.RangeChange:
		way := "louder"
		if c.Difference < 0 {
			way = "softer"
		}
		where := "At " + chart.Hz(c.FromHz)
		if to := chart.Hz(c.ToHz); to != chart.Hz(c.FromHz) {
			where = "From " + chart.Hz(c.FromHz) + " to " + to
		}
		s := fmt.Sprintf("%s it is %s %s", where, amount(math.Abs(c.Difference), c.Unit)+off, way)
		if math.Abs(c.LargestDB) > math.Abs(c.Difference)+0.5 {
			s += fmt.Sprintf(", at %s %s", chart.Hz(c.Hz), Signed(c.LargestDB))
		}
		return s + "."
	case difference.LevelChange:
		way := "louder"
		if c.Difference < 0 {
			way = "softer"
		}
		return fmt.Sprintf("All of it is %s %s.", amount(math.Abs(c.Difference), c.Unit)+off, way)
	case difference.TiltChange:
		way := "rises"
		if c.Difference < 0 {
			way = "falls"
		}
		return fmt.Sprintf("The whole curve %s towards the treble by %s more than before.", way, amount(math.Abs(c.Difference), c.Unit)+off)
	case difference.ShelfChange:
		way := "louder"
		if c.Difference < 0 {
			way = "softer"
		}
		return fmt.Sprintf("All below about %s is %s %s, against what is above.", chart.Hz(c.Hz), amount(math.Abs(c.Difference), c.Unit)+off, way)
	case difference.DecayShift:
		return fmt.Sprintf("The %s takes %.2f s to die away by 60 dB, before %.2f s (%s)%s.", BandName(c.Name), c.After, c.Before, by, doubt(c))
	case difference.ModeDecay:
		way := "shorter"
		if c.Difference > 0 {
			way = "longer"
		}
		return fmt.Sprintf("The mode at %s rings %s %s: %.2f s, before %.2f s.", chart.Hz(c.Hz), amount(math.Abs(c.Difference), c.Unit)+off, way, c.After, c.Before)
	case difference.ModeShift:
		return fmt.Sprintf("The mode at %s moved from %.1f to %.1f Hz (%s).", chart.Hz(c.Hz), c.Before, c.After, by)
	}
	return fmt.Sprintf("%s at %s: %s.", c.Kind, chart.Hz(c.Hz), by)
}

// there says what the level did in the place of a peak or dip that went or came.
func there(c difference.Change, off string) string {
	way := "fell"
	if (c.Difference > 0) == (c.Kind == difference.PeakChange) {
		way = "rose"
	}
	return fmt.Sprintf("Against what is beside it, the level there %s by %s", way, amount(math.Abs(c.Difference), c.Unit)+off)
}

// doubt says which of two decay times is doubtful, empty where none is.
func doubt(c difference.Change) string {
	switch {
	case c.BeforeDoubtful && c.AfterDoubtful:
		return "; both times are doubtful"
	case c.BeforeDoubtful:
		return "; the time before is doubtful"
	case c.AfterDoubtful:
		return "; the time now is doubtful"
	}
	return ""
}

// Changes says in two sentences what a comparison comes to, and how sure that is.
func Changes(r *difference.Result) string {
	what := fmt.Sprintf("%d changes stand", len(r.Changes))
	switch len(r.Changes) {
	case 0:
		what = "Nothing changed beyond"
	case 1:
		what = "One change stands"
	}
	if len(r.Changes) > 0 {
		what += " out of"
	}
	hits, of := inTimes(r.Confidence)
	return fmt.Sprintf("%s the uncertainty, between %s and %s. Of %d comparisons in which nothing was changed, %d say so (%g %% confidence).",
		what, chart.Hz(r.FromHz), chart.Hz(r.ToHz), of, hits, math.Round(1000*r.Confidence)/10)
}

// inTimes puts a share into so many times of so many, few where that is exact.
func inTimes(share float64) (hits, of int) {
	for _, of := range []int{10, 20, 50, 100} {
		if x := share * float64(of); math.Abs(x-math.Round(x)) < 1e-9 {
			return int(math.Round(x)), of
		}
	}
	return int(math.Round(1000 * share)), 1000
}

// Times says a confidence plainly: "19 times in 20".
func Times(share float64) string {
	hits, of := inTimes(share)
	return fmt.Sprintf("%d times in %d", hits, of)
}

// ChangeList says a sentence for each change, the clearest first. Where bands die
// away sooner, or later, over a wide range, one sentence speaks for all of them;
// a third of an octave is not told beside the octave that it lies in.
func ChangeList(r *difference.Result) []string {
	var out []string
	told := map[int]bool{}
	octaves, thirds := map[bool][]int{}, map[bool][]int{} // by whether it is longer
	for i, c := range r.Changes {
		if c.Kind != difference.DecayShift {
			continue
		}
		of := octaves
		if strings.Contains(c.Name, " third ") {
			of = thirds
		}
		of[c.Difference > 0] = append(of[c.Difference > 0], i)
	}
	together := map[int]string{} // a sentence in the place of the first of many
	for longer, list := range octaves {
		low, high, share, doubtful := math.Inf(1), 0.0, 0.0, 0
		for _, i := range list {
			c := r.Changes[i]
			if c.BeforeDoubtful || c.AfterDoubtful {
				doubtful++
			}
			low, high = math.Min(low, c.Hz), math.Max(high, c.Hz)
			share += c.Difference / c.Before / float64(len(list))
		}
		for _, i := range thirds[longer] {
			if hz := r.Changes[i].Hz; hz > low/1.42 && hz < high*1.42 {
				told[i] = true
			}
		}
		if len(list) >= 3 {
			way := "sooner"
			if longer {
				way = "later"
			}
			together[list[0]] = fmt.Sprintf("%d octaves from %s to %s die away %s: by %.0f %% on average%s.", len(list), chart.Hz(nominal(low)), chart.Hz(nominal(high)), way, 100*math.Abs(share), inDoubt(doubtful))
			for _, i := range list {
				told[i] = true
			}
		}
	}
	for i, c := range r.Changes {
		if s, ok := together[i]; ok {
			out = append(out, s)
		} else if !told[i] {
			out = append(out, Change(c))
		}
	}
	return out
}

// inDoubt says how many of several changes rest on doubtful times.
func inDoubt(n int) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf(" (the times of %d are doubtful)", n)
}

// Plainly puts what the symbols of standards stand for before them, in a reason
// that is told to people: "(ξ = 12 ‰" becomes "(bend ξ = 12 ‰".
func Plainly(reason string) string { return plainer.Replace(reason) }

var plainer = strings.NewReplacer(
	"(ξ = ", "(bend ξ = ",
	"(B·T = ", "(bandwidth times decay time, B·T = ",
	"(B·t = ", "(bandwidth times limit, B·t = ",
)

// decimals that a unit is told with.
func decimals(unit string) int {
	if unit == "s" || unit == "dB/octave" {
		return 2
	}
	return 1
}

func amount(v float64, unit string) string {
	// What is not nothing is not told as 0.
	n := decimals(unit)
	for n < 3 && v > 0 && math.Round(v*math.Pow10(n)) == 0 {
		n++
	}
	return fmt.Sprintf("%.*f %s", n, v, unit)
}

func signed(v float64, unit string) string {
	s := amount(math.Abs(v), unit)
	if v < 0 {
		return "−" + s
	}
	return "+" + strings.TrimPrefix(s, "+")
}

// BandName puts the name of a decay of package difference into words: "63 Hz
// octave T20" becomes "octave at 63 Hz (T20)".
func BandName(name string) string {
	words := strings.Fields(name)
	if len(words) != 4 {
		return name
	}
	width := words[2]
	if width == "third" {
		width = "third of an octave"
	}
	hz, err := strconv.ParseFloat(words[0], 64)
	if err != nil {
		return name
	}
	return fmt.Sprintf("%s at %s (%s)", width, chart.Hz(hz), words[3])
}

// nominal returns the nominal frequency of the octave at hz.
func nominal(hz float64) float64 {
	for _, b := range scale.Bands(scale.Octave, 16, 16000) {
		if hz > b.LowHz && hz < b.HighHz {
			return b.NominalHz
		}
	}
	return hz
}
