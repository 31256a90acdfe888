package response

import (
	"math"
	"math/rand/v2"
	"testing"

	"roomsonde/deconv"
)

// Where time zero is does not change what is seen, only what its phase refers to.
func TestTimeZeroApartFromTheOnset(t *testing.T) {
	const rate, tolDB, tolDegrees, tolS = 48000.0, 1e-9, 1e-6, 1e-12
	rnd := rand.New(rand.NewPCG(1, 1))
	base := deconv.ImpulseResponse{SampleRate: rate, Samples: make([]float64, 30000), Zero: 9000}
	for i := 9000; i < 30000; i++ {
		base.Samples[i] = rnd.NormFloat64() * math.Exp(-float64(i-9000)/3000)
	}
	base.Samples[9000] = 10
	for _, w := range []Window{{}, {LengthS: 0.05}, {LengthS: 0.2, Cycles: 10}} {
		want, err := Of(base, w)
		if err != nil {
			t.Fatal(err)
		}
		delay := want.GroupDelay(base)
		for _, early := range []int{1, 480, 8000, -700} {
			moved := base
			moved.Zero, moved.Onset = base.Zero-early, base.Zero
			got, err := Of(moved, w)
			if err != nil {
				t.Fatal(err)
			}
			if got.Window != want.Window || len(got.H) != len(want.H) {
				t.Fatalf("%v, %d early: another window", w, early)
			}
			moves := got.GroupDelay(moved)
			for k := 1; k < len(want.H)-1; k++ {
				hz := float64(k) * want.StepHz
				if d := 20 * math.Log10(math.Hypot(real(got.H[k]), imag(got.H[k]))/math.Hypot(real(want.H[k]), imag(want.H[k]))); !(math.Abs(d) <= tolDB) {
					t.Fatalf("%v, %d early, %.1f Hz: %.3g dB more", w, early, hz, d)
				}
				turn := got.PhaseDegreesAt(k) - want.PhaseDegreesAt(k) + 360*hz*float64(early)/rate
				if d := math.Remainder(turn, 360); !(math.Abs(d) <= tolDegrees) {
					t.Fatalf("%v, %d early, %.1f Hz: phase off by %.3g degrees", w, early, hz, d)
				}
				if d := moves[k] - delay[k] - float64(early)/rate; w.Cycles == 0 && !(math.Abs(d) <= tolS*(1+1e6*math.Abs(delay[k]))) {
					t.Fatalf("%v, %d early, %.1f Hz: group delay off by %.3g s", w, early, hz, d)
				}
			}
		}
	}
	outside := base
	outside.Onset = len(base.Samples)
	if _, err := Of(outside, Window{}); err == nil {
		t.Error("an onset outside is not refused")
	}
}
