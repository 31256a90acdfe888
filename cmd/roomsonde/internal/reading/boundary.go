package reading

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/deconv/reflections"
	"roomsonde/deconv/response"
)

// speedOfSound in m/s at 20 °C (ISO 9613-1:1993).
const speedOfSound = 343.2

// Where a boundary's cancellation is looked for, in Hz: lower, the wall would be
// farther than rooms are wide; higher, too many surfaces are as near.
const (
	boundaryFromHz = 30
	boundaryToHz   = 300
)

// A sound that comes back once, r times as strong as the direct one and T later,
// makes 1 + r·exp(−j2πfT) of it: dips at the odd multiples of 1/2T, all equally
// deep and equally wide. Between the peaks beside them and their bottom lie
// 20 lg((1+r)/(1−r)) dB, and half of that is reached where cos(2πfT) = −r. So the
// depth of a dip tells how strong its reflection is, and that how wide it must be.
// As long as r stays below 1 such a response is of minimum phase.

// returned is how strong the sound that came back is, against the direct one.
func (d Dip) returned() float64 {
	a := math.Pow(10, d.DepthDB/20)
	return (a - 1) / (a + 1)
}

// widthOf is how wide in Hz the dip is, between the points of half its depth in dB,
// if it is the odd multiple n of 1/2T.
func (d Dip) widthOf(n int) float64 {
	return 2 * math.Acos(d.returned()) / math.Pi * d.Hz / float64(n)
}

// A dip is as wide as a reflection makes it when it is not off by more than this:
// room modes beside it make it narrower or wider (our own choice, no source).
const widthFactor = 2

// wideEnough reports whether the odd multiple n of a reflection may be as wide.
func (d Dip) wideEnough(n int) bool {
	ratio := (d.ToHz - d.FromHz) / d.widthOf(n)
	return ratio > 1.0/widthFactor && ratio < widthFactor
}

// What a reflection's delay may differ from what a dip asks for, as a share of it,
// and its level from what the depth asks for, in dB: it is heard at higher
// frequencies than those of the dip, where walls and loudspeakers are others.
const (
	delayShare     = 0.08
	reflectionDown = 6
)

// usualCrossoverHz is where receivers hand over to subwoofers unless told otherwise
// (common practice, no source).
const usualCrossoverHz = 80

// wall is what a measurement says about a dip and a wall.
type wall struct {
	possible bool
	heard    *reflections.Arrival // one that fits, nil where none does
	multiple int                  // of 1/2T that the dip then is: 1, 3 or 5
	searched bool                 // for one
}

// boundary asks whether a surface may make the dip. It is ruled out where the dip
// is far too narrow or too wide for its depth, and where its phase says that more
// comes back than came: no single wall does that. Reflections that fit the dip speak
// for it; where none does, it stays possible, since a wall behind a loudspeaker is
// hardly heard in the band that they are found in.
func (d Dip) boundary(around Around) wall {
	if d.Hz < boundaryFromHz || d.Hz > boundaryToHz || d.m == nil {
		return wall{}
	}
	if r, ok := excess(d.m, d); ok && r > nonMinimum {
		return wall{}
	}
	w := wall{possible: d.wideEnough(1)}
	if around.Several && d.Hz < math.Sqrt2*math.Max(around.CrossoverHz, usualCrossoverHz) {
		return w // a subwoofer plays it, and what is heard above is of a loudspeaker
	}
	// The 5th multiple comes within the time of 5 half periods.
	within := math.Min(0.1, 5/(2*d.Hz)*(1+2*delayShare))
	found, err := reflections.Find(d.m.Impulse, reflections.Options{WithinS: within, Most: 20})
	if err != nil || !found.OK || found.ToHz > d.m.Readable.ToHz {
		return w
	}
	w.searched = true
	needed := 20*math.Log10(d.returned()) - reflectionDown
	for _, n := range []int{1, 3, 5} {
		if !d.wideEnough(n) {
			continue
		}
		asked := float64(n) / (2 * d.Hz)
		for _, a := range found.Arrivals {
			if math.Abs(a.DelayS-asked) <= delayShare*asked && a.LevelDB >= needed && (w.heard == nil || a.LevelDB > w.heard.LevelDB) {
				w.possible, w.heard, w.multiple = true, &a, n
			}
		}
		if w.heard != nil {
			break
		}
	}
	return w
}

// sentence says it, empty where a wall is ruled out.
func (w wall) sentence(d Dip) string {
	quarter := speedOfSound / (4 * d.Hz)
	switch {
	case !w.possible:
		return ""
	case w.heard != nil:
		which := ""
		if w.multiple > 1 {
			which = " as at " + chart.Hz(d.Hz/float64(w.multiple))
		}
		return fmt.Sprintf("A reflection fits it: one of %s dB arrives %.1f ms after the direct sound, having come %.1f m farther, and takes away sound at about %s%s. What throws it back, a wall, the floor or the ceiling, stands %.1f m behind loudspeaker or seat if it is straight behind (%s of the wavelength). Move the loudspeaker nearer to it, or farther away: then the dip moves.",
			minus(w.heard.LevelDB), 1000*w.heard.DelayS, w.heard.DelayS*speedOfSound, chart.Hz(d.Hz), which, w.heard.DelayS*speedOfSound/2, quarters[w.multiple])
	case w.searched:
		return fmt.Sprintf("A surface %.1f m from the loudspeaker (a quarter of the wavelength) could do it, too; but no reflection that fits is heard.", quarter)
	}
	nearer := math.Max(0.1, math.Min(0.2, math.Round(10*quarter/4)/10))
	return fmt.Sprintf("It is as wide as a wall, the floor or the ceiling makes it that throws the sound back against itself: that takes one at %.1f m from the loudspeaker (a quarter of the wavelength). Measure that distance, or move the loudspeaker %.1f m nearer: then the dip moves up to about %s.",
		quarter, nearer, chart.Hz(speedOfSound/(4*(quarter-nearer))))
}

var quarters = map[int]string{1: "a quarter", 3: "three quarters", 5: "five quarters"}

// nonMinimum is the excess above which a dip is taken not to be of minimum phase;
// measured on random rooms, the limit between its two values of about 0 and 1.
const nonMinimum = 0.5

// Of a dip whose bottom lies nearer to the noise than this, in dB, nothing is said
// of its phase.
const leastOverNoiseDB = 20

// Nor where the window is shorter than this over the dip's width.
const leastWindow = 4

// excess returns how far the dip is from minimum phase, without a dimension:
// R = π·B·τ/2, where B is the width between the points 3 dB above its bottom and τ
// the group delay there beyond that of the minimum phase, less its median within an
// octave to either side. A zero outside the unit circle gives 1, one inside it 0.
// (Group delay of a single zero, closed form; minimum phase after S. T. Neely and
// J. B. Allen, J. Acoust. Soc. Am. 66, 1979, from memory.) It is not known where the
// noise is too near, or the response ends too near.
func excess(m *measurement.Measurement, d Dip) (r float64, ok bool) {
	h, step := m.Response.H, m.Response.StepHz
	last := len(h) - 1
	from, to := int(math.Ceil(math.Max(m.Readable.FromHz, m.Response.FromHz)/step)), int(math.Min(m.Readable.ToHz, float64(last)*step)/step)
	bin := func(hz float64) int { return min(max(int(math.Round(hz/step)), from), to) }
	if from < 1 || to-from < 8 || d.Hz < float64(from)*step || d.Hz > float64(to)*step {
		return 0, false
	}
	at := bin(d.FromHz)
	for k := at; k <= bin(d.ToHz); k++ {
		if cmplx.Abs(h[k]) < cmplx.Abs(h[at]) {
			at = k
		}
	}
	bottom := cmplx.Abs(h[at])
	if m.NoiseDB != nil {
		i, _ := slices.BinarySearch(m.Hz, float64(at)*step)
		if i = min(i, len(m.Hz)-1); 20*math.Log10(bottom) < m.NoiseDB[i]+leastOverNoiseDB {
			return 0, false
		}
	}
	low, high := at, at
	for low > from && cmplx.Abs(h[low]) < math.Sqrt2*bottom {
		low--
	}
	for high < to && cmplx.Abs(h[high]) < math.Sqrt2*bottom {
		high++
	}
	// What was not measured is level.
	magnitude := make([]float64, len(h))
	for k := range magnitude {
		magnitude[k] = cmplx.Abs(h[min(max(k, from), to)])
	}
	phase := response.MinimumPhase(magnitude)
	delay := func(k int) float64 { // between the bins k and k+1, s
		a := h[k] * cmplx.Rect(1, -phase[k])
		b := h[k+1] * cmplx.Rect(1, -phase[k+1])
		return -cmplx.Phase(b*cmplx.Conj(a)) / (2 * math.Pi * step)
	}
	first, end := bin(d.Hz/2), min(bin(2*d.Hz), to-1)
	width := float64(high-low) * step
	if low <= from || high >= to || end-first < 8 || m.Window.LengthS*width < leastWindow {
		return 0, false
	}
	var all []float64
	peak := math.Inf(-1)
	for k := first; k < end; k++ {
		v := delay(k)
		all = append(all, v)
		if k >= at-1 && k <= at {
			peak = math.Max(peak, v)
		}
	}
	slices.Sort(all)
	return math.Pi * width * (peak - all[len(all)/2]) / 2, true
}
