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
		// Nothing is known of its phase, and of what comes back from walls.
		if strings.Contains(all, "wavelength") {
			t.Errorf("%s: speaks of a wall: %q", name, all)
		}
	}
}

// echo is a path with a second, later one of r times its strength.
func echo(r, delayS float64) func([]float32) []float64 {
	n := int(math.Round(48000 * delayS))
	return func(x []float32) []float64 {
		out := make([]float64, len(x))
		for i, v := range x {
			out[i] += 0.3 * float64(v)
			if i+n < len(x) {
				out[i+n] += 0.3 * r * float64(v)
			}
		}
		return out
	}
}

// A wall is a reason only where depth, width and phase of the dip are those of a
// sound that comes back once; where one is heard that fits, it is named. Depth and
// width of such a dip are known in closed form: 20 lg((1+r)/(1−r)) dB, and half of
// that at cos(2πfT) = −r.
func TestWallOnlyWherePossible(t *testing.T) {
	const f0 = 120.0 // c/4f = 0.715 m, 1/2T with T = 4.17 ms
	for name, c := range map[string]struct {
		system func([]float32) []float64
		around Around
		near   float64 // the dip that is asked about, Hz
		says   []string
	}{
		"comes back":        {echo(0.6, 1/(2*f0)), Around{}, f0, []string{"A reflection fits it: one of −4 dB arrives 4.2 ms after", " 1.4 m farther", " 0.7 m behind", "a quarter of the wavelength"}},
		"its third":         {echo(0.6, 1/(2*85.0)), Around{}, 255, []string{"one of −4 dB arrives 5.9 ms after", " as at 8", "three quarters of the wavelength"}},
		"stronger":          {echo(1.4, 1/(2*f0)), Around{}, f0, nil},
		"of another source": {echo(0.6, 1/(2*90.0)), Around{Several: true}, 90, []string{" 1.0 m from the loudspeaker (a quarter of the wavelength)", "0.2 m nearer"}},
		// A filter's dip has no reflection: one of 9 dB is as wide as a wall's at
		// Q 1.5, since 2·acos(0.476)/π = 0.68 = 1/1.46.
		"wide filter":   {resonance(f0, -9, 1.5), Around{}, f0, []string{" 0.7 m from the loudspeaker", "no reflection that fits is heard"}},
		"narrow filter": {resonance(f0, -12, 8), Around{}, f0, nil},
	} {
		t.Run(name, func(t *testing.T) {
			m := measured(t, 1e-6, measurement.Options{}, c.system)
			for _, d := range Dips(m) {
				if math.Abs(d.Hz/c.near-1) > 0.05 {
					continue
				}
				all := strings.Join(WhyDip(d, c.around), "\n")
				for _, s := range c.says {
					if !strings.Contains(all, s) {
						t.Errorf("%q is not said: %q", s, all)
					}
				}
				if c.says == nil && strings.Contains(all, "wavelength") {
					t.Errorf("a wall is named: %q", all)
				}
				return
			}
			t.Fatalf("no dip at %g Hz: %+v", c.near, Dips(m))
		})
	}
}

// The excess is 0 for a zero inside the unit circle and 1 for one outside: a
// reflection weaker and one stronger than the direct sound.
func TestExcess(t *testing.T) {
	const tol = 0.15
	for _, r := range []float64{0.5, 0.9, 1.1, 1.3} {
		m := measured(t, 1e-6, measurement.Options{}, echo(r, 1/(2*60.0)))
		want := 0.0
		if r > 1 {
			want = 1
		}
		dips := Dips(m)
		if len(dips) < 2 {
			t.Fatalf("%g: dips %+v", r, dips)
		}
		for _, d := range dips {
			if got, ok := excess(m, d); !ok || !(math.Abs(got-want) <= tol) {
				t.Errorf("%g: %.2f (known: %t) at %.0f Hz, want %g", r, got, ok, d.Hz, want)
			}
		}
		if noisy := measured(t, 3e-3, measurement.Options{}, echo(r, 1/(2*60.0))); len(Dips(noisy)) > 0 {
			for _, d := range Dips(noisy) {
				if got, ok := excess(noisy, d); ok && math.Abs(got-want) > 0.5 {
					t.Errorf("%g in noise: %.2f at %.0f Hz, want %g or nothing", r, got, d.Hz, want)
				}
			}
		}
	}
}
