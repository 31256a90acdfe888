package exposure

import (
	"math"
	"testing"
)

// tolerance is for rounding only.
const tolerance = 1e-12

// TestThreeDecibelsHalve holds the exchange rate of every recommendation, and
// that doses of all it allows are 1.
func TestThreeDecibelsHalve(t *testing.T) {
	for _, r := range []Recommendation{NIOSH, WHOAdults, WHOSensitive} {
		for l := r.LevelDB; l < 130; l += 0.7 {
			got, want := r.Hours(l+3), r.Hours(l)/2
			if !(math.Abs(got/want-1) <= tolerance) {
				t.Errorf("%s at %g dB: %g h, want %g h", r.Source, l+3, got, want)
			}
			if dose := r.Dose(l, r.Hours(l)); !(math.Abs(dose-1) <= tolerance) {
				t.Errorf("%s at %g dB: all that is allowed is a dose of %g, want 1", r.Source, l, dose)
			}
		}
		if got, want := r.Hours(20), r.Period.Hours(); got != want {
			t.Errorf("%s at 20 dB: %g h, want all %g h", r.Source, got, want)
		}
		if !r.Unlimited(20) || r.Unlimited(r.LevelDB) {
			t.Errorf("%s: unlimited at 20 dB %v, at %g dB %v, want true and false", r.Source, r.Unlimited(20), r.LevelDB, r.Unlimited(r.LevelDB))
		}
	}
}

// TestNonsense holds that what is no level allows nothing, and that the loudest
// and the softest do not overflow.
func TestNonsense(t *testing.T) {
	if got := NIOSH.Hours(math.NaN()); got != 0 {
		t.Errorf("NaN: %g h, want 0", got)
	}
	if got := NIOSH.Hours(math.Inf(1)); got != 0 {
		t.Errorf("+Inf: %g h, want 0", got)
	}
	if got := NIOSH.Hours(math.Inf(-1)); got != 24 {
		t.Errorf("-Inf: %g h, want 24", got)
	}
}
