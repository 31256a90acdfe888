package reading

import (
	"testing"

	"roomsonde/deconv/difference"
)

// What is doubtful of two decay times is said with them.
func TestDecayChangeKeepsDoubts(t *testing.T) {
	c := difference.Change{Kind: difference.DecayShift, Name: "63 Hz octave T20", Hz: 63, Before: 0.71, After: 0.52, Difference: -0.19, Uncertainty: 0.07, Unit: "s"}
	const sure = "The octave at 63 Hz (T20) takes 0.52 s to die away by 60 dB, before 0.71 s (−0.19 s ± 0.07 s)"
	for doubts, want := range map[[2]bool]string{
		{false, false}: ".", {true, false}: "; the time before is doubtful.", {false, true}: "; the time now is doubtful.", {true, true}: "; both times are doubtful.",
	} {
		c.BeforeDoubtful, c.AfterDoubtful = doubts[0], doubts[1]
		if got := Change(c); got != sure+want {
			t.Errorf("%v: %q", doubts, got)
		}
	}
	// Of many octaves together it is said of how many.
	r := &difference.Result{}
	for i, hz := range []float64{63, 125, 250} {
		r.Changes = append(r.Changes, difference.Change{Kind: difference.DecayShift, Name: "octave", Hz: hz, Before: 0.8, After: 0.4, Difference: -0.4, Unit: "s", BeforeDoubtful: i > 0})
	}
	if got := ChangeList(r); len(got) != 1 || got[0] != "3 octaves from 63 Hz to 250 Hz die away sooner: by 50 % on average (the times of 2 are doubtful)." {
		t.Errorf("%q", got)
	}
}

// The height of a peak and the depth of a dip are those of each take by itself, as
// a take is read alone; where they do not differ by the change, it is said why.
func TestHeightsAreThoseOfEachTake(t *testing.T) {
	c := difference.Change{Kind: difference.DipChange, What: difference.Stayed, Hz: 62, FromHz: 58, ToHz: 66, Before: 13, After: 16, Difference: 3, Uncertainty: 1.5, Unit: "dB", BeforeHeightDB: 13, AfterHeightDB: 16}
	if got, want := Change(c), "The dip at 62 Hz (8 Hz wide) is 3.0 dB ± 1.5 dB deeper: 16.0 dB deep, before 13.0 dB."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	c.AfterHeightDB = 9
	if got, want := Change(c), "The dip at 62 Hz (8 Hz wide) is 3.0 dB ± 1.5 dB deeper; what is beside it changed, too, so that it is 9.0 dB deep now, before 13.0 dB."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	c.What, c.AfterHeightDB, c.BeforeHeightDB, c.Difference = difference.Went, 0, 7, -13
	if got, want := Change(c), "The dip at 62 Hz (8 Hz wide) is gone: it was 7.0 dB deep. Against what is beside it, the level there rose by 13.0 dB ± 1.5 dB."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	c.Kind, c.What, c.AfterHeightDB, c.Difference = difference.PeakChange, difference.Came, 9, 6
	if got, want := Change(c), "A peak came at 62 Hz (8 Hz wide): 9.0 dB high. Against what is beside it, the level there rose by 6.0 dB ± 1.5 dB."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// How sure it is, is said in times first, as a percentage after.
func TestConfidenceInTimes(t *testing.T) {
	for share, want := range map[float64]string{0.95: "19 times in 20", 0.9: "9 times in 10", 0.99: "99 times in 100", 0.975: "975 times in 1000"} {
		if got := Times(share); got != want {
			t.Errorf("%g is %q, want %q", share, got, want)
		}
	}
	r := &difference.Result{FromHz: 20, ToHz: 20000, Confidence: 0.95}
	const sure = " the uncertainty, between 20 Hz and 20 kHz. Of 20 comparisons in which nothing was changed, 19 say so (95 % confidence)."
	for _, want := range []string{"Nothing changed beyond", "One change stands out of", "2 changes stand out of"} {
		if got := Changes(r); got != want+sure {
			t.Errorf("%q", got)
		}
		r.Changes = append(r.Changes, difference.Change{})
	}
}

func TestPlainly(t *testing.T) {
	for reason, want := range map[string]string{
		"the decay is not quite a straight line (ξ = 12 ‰, above 10 ‰)":             "the decay is not quite a straight line (bend ξ = 12 ‰, above 10 ‰)",
		"the band filter itself rings about as long (B·T = 3.1, below 4)":           "the band filter itself rings about as long (bandwidth times decay time, B·T = 3.1, below 4)",
		"the band filter smears a limit of 50 or 80 ms (B·t = 1.1 or 1.8, below 2)": "the band filter smears a limit of 50 or 80 ms (bandwidth times limit, B·t = 1.1 or 1.8, below 2)",
		"the decay stands only 20 dB out of the noise, 35 dB are needed":            "the decay stands only 20 dB out of the noise, 35 dB are needed",
	} {
		if got := Plainly(reason); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
