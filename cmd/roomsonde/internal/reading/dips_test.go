package reading

import (
	"math"
	"strings"
	"testing"

	"roomsonde/cmd/roomsonde/internal/measurement"
)

// A filter that cuts 15 dB at 70 Hz makes one dip, of known place, depth and
// width (a peaking filter has half its gain in dB at √(1 + 1/4Q²) ± 1/2Q times its
// frequency; Audio EQ Cookbook, W3C Note).
func TestDips(t *testing.T) {
	const tolHz, tolDB, tolWidth = 1.0, 0.2, 0.1
	const hz, q = 70.0, 3.0
	// Its power at x times its frequency, as the analogue filter has it; as a mean
	// over a twelfth of an octave at the bottom, against an octave away.
	power := func(x float64) float64 {
		a := math.Pow(10, -15.0/40)
		r := (1 - x*x) * (1 - x*x)
		return (r + math.Pow(x*a/q, 2)) / (r + math.Pow(x/(a*q), 2))
	}
	var bottom float64
	for i := range 100 {
		bottom += power(math.Exp2((float64(i)-49.5)/1200)) / 100
	}
	depth := 10 * math.Log10(power(2)/bottom)
	m := measured(t, 1e-6, measurement.Options{}, resonance(hz, -15, q))
	dips := Dips(m)
	if len(dips) != 1 {
		t.Fatalf("dips %+v", dips)
	}
	d := dips[0]
	if !(math.Abs(d.Hz-hz) <= tolHz) || !(math.Abs(d.DepthDB-depth) <= tolDB) {
		t.Errorf("%.2f dB at %.1f Hz, want %.2f dB at %g Hz", d.DepthDB, d.Hz, depth, hz)
	}
	if want := hz / q; !(math.Abs((d.ToHz-d.FromHz)/want-1) <= tolWidth) {
		t.Errorf("%.1f Hz wide, want %.1f", d.ToHz-d.FromHz, want)
	}
	if s := DeepestDip(dips); !strings.Contains(s, "14 dB below") || !strings.Contains(s, "70") {
		t.Error(s)
	}
	if dips := Dips(measured(t, 1e-6, measurement.Options{}, resonance(hz, 15, q))); len(dips) != 0 || DeepestDip(dips) != "" {
		t.Errorf("of a peak: %+v", dips)
	}
}

func TestWhyDip(t *testing.T) {
	d := Dip{Hz: 71.5, DepthDB: 15, FromHz: 66, ToHz: 77}
	// A curve with a dip of some depth at 71.5 Hz.
	curve := func(seat string, take int, depth float64) Elsewhere {
		e := Elsewhere{Seat: seat, Take: take, FromHz: 20, ToHz: 2000}
		for hz := 20.0; hz < 2000; hz *= 1.01 {
			e.Hz = append(e.Hz, hz)
			e.DB = append(e.DB, -depth*math.Exp(-math.Pow(math.Log2(hz/71.5)/0.1, 2)))
		}
		return e
	}
	here := curve("main", 1, 15)
	for name, c := range map[string]struct {
		around Around
		first  string   // what the best supported reason says
		also   []string // what another one says
		not    string
	}{
		"another seat has none": {Around{Here: here, Elsewhere: []Elsewhere{curve("left", 2, 1)}}, "not there at left (take 2: ", []string{"null of a room mode"}, "Several"},
		"another seat has it":   {Around{Here: here, Elsewhere: []Elsewhere{curve("left", 2, 14)}}, "there at left (take 2: ", nil, ""},
		"seats differ":          {Around{Here: here, Elsewhere: []Elsewhere{curve("left", 2, 14), curve("right", 3, 0.5)}}, "there at left (take 2: 14", nil, ""},
		"between two modes":     {Around{Here: here, ModesHz: []float64{30, 67.3, 73.2, 90}}, "modes at 67.3 and 73.2 Hz", nil, "(take "},
		"crossover":             {Around{Here: here, Several: true, CrossoverHz: 80}, "crossover at 80 Hz", []string{"Measure each alone"}, ""},
		"far from it":           {Around{Here: here, Several: true, CrossoverHz: 200}, "Several sources", nil, "crossover"},
	} {
		got := WhyDip(d, c.around)
		if len(got) == 0 || !strings.Contains(got[0], c.first) {
			t.Errorf("%s: first %q", name, got)
			continue
		}
		all := strings.Join(got, "\n")
		for _, s := range c.also {
			if !strings.Contains(all, s) {
				t.Errorf("%s: %q is not said: %q", name, s, all)
			}
		}
		if c.not != "" && strings.Contains(all, c.not) {
			t.Errorf("%s: says %q: %q", name, c.not, all)
		}
		// c/4f = 343.2/(4·71.5) = 1.2 m; 0.2 m nearer 343.2/(4·1.0) = 85.8 Hz.
		if last := got[len(got)-1]; !strings.Contains(last, " 1.2 m from the loudspeaker") || !strings.Contains(last, "0.2 m nearer") || !strings.Contains(last, "85.8 Hz") {
			t.Errorf("%s: %q", name, last)
		}
	}
}
