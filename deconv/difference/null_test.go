package difference

import (
	"fmt"
	"math"
	"testing"

	"roomsonde/capture/modelroom"
	"roomsonde/sweep"
)

// The bound: of a hundred pairs in which nothing changed, at most five may be told
// to have changed, at the confidence of 0.95 for the whole comparison.
const mostFalse = 0.05

// Fifteen takes of the same thing, each with noise of its own, give 105 pairs. (Of
// sixty takes, 1770 pairs each, between 0 and 4.2 % were wrong when this was
// written.)
// What is tested is the uncertainty that follows from noise alone: no
// repeatability is put on top of it, of levels or of decays.
func TestNothingChanged(t *testing.T) {
	const takesEach = 15
	for _, c := range []struct {
		name      string
		sweep     sweep.Options
		channel   int
		lowPassHz float64
	}{
		{"full range", sweep.Options{Seconds: 3}, channelFL, 0},
		{"subwoofers", sweep.Options{Seconds: 3, StopHz: 500}, channelLFE, 120},
	} {
		s := measureWith(t, modelroom.Options{NoiseDBFS: math.Inf(-1)}, c.sweep, c.channel, c.lowPassHz)
		clean := s.play(t, s.program.Samples())
		for _, n := range []struct{ snr, hum, smoothing float64 }{{50, 0, 12}, {35, 0, 12}, {20, 0, 12}, {45, 40, 48}} {
			name := fmt.Sprintf("%s, noise %g dB below", c.name, n.snr)
			if n.hum > 0 {
				name += fmt.Sprintf(", hum %g dB below", n.hum)
			}
			t.Run(name, func(t *testing.T) {
				takes := make([]Take, takesEach)
				each(takesEach, func(i int) {
					seed := uint64(1000*n.snr) + uint64(i)
					rec := noisy(clean, n.snr, seed)
					if n.hum > 0 {
						rec = humming(rec, n.hum, seed)
					}
					takes[i] = s.take(t, rec, true)
				})
				pairs, wrong, points, peaks, decays := 0, 0, 0, 0, 0
				var largest []float64 // of each pair, difference over uncertainty
				for i := range takes {
					for j := range i {
						r, err := Compare(takes[j], takes[i], Options{Repeatability: Repeats(0), DecayRepeatability: -1, Smoothing: n.smoothing})
						if err != nil {
							t.Fatal(err)
						}
						pairs++
						if len(r.Changes) > 0 {
							wrong++
							t.Logf("takes %d and %d: %+v", j, i, r.Changes)
						}
						most := 0.0
						for p := range r.Hz {
							if r.OK[p] {
								points++
								most = math.Max(most, math.Abs(r.DifferenceDB[p])/r.UncertaintyDB[p])
							}
						}
						largest = append(largest, most)
						peaks += len(r.Peaks)
						decays += len(r.Decays)

						if j > 0 {
							continue
						}
						// With what is assumed by default nothing comes near.
						if r, err = Compare(takes[j], takes[i], Options{}); err != nil || len(r.Changes) > 0 {
							t.Errorf("takes %d and %d by default: %v, %v", j, i, r.Changes, err)
						}
					}
				}
				if float64(wrong) > mostFalse*float64(pairs) {
					t.Errorf("changes are told in %d of %d pairs in which nothing changed", wrong, pairs)
				}
				if points < 50*pairs || peaks < pairs || decays < pairs {
					t.Errorf("only %d points, %d peaks and %d decays were looked at in %d pairs", points, peaks, decays, pairs)
				}
				// The uncertainty is not just wide: in the middle of all pairs the largest
				// difference comes up to a good part of it.
				if m := median(largest, -1); !(m > 0.3 && m < 0.9) {
					t.Errorf("the largest difference is %.2f of its uncertainty in the middle of all pairs", m)
				}
				t.Logf("%d of %d pairs, largest difference %.2f of the uncertainty", wrong, pairs, median(largest, -1))
			})
		}
	}
}
