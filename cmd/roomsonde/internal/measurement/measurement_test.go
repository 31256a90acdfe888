package measurement_test

import (
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/sweep"
)

// wire measures a wire under white noise of the given rms; the sweep is played
// louder by db.
func wire(t *testing.T, o sweep.Options, db, noise float64, how measurement.Options) *measurement.Measurement {
	t.Helper()
	p, err := sweep.NewProgram(sweep.ProgramOptions{Sweep: o})
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(8, 9))
	rec := make([]float32, p.Frames+24000)
	gain := float32(math.Pow(10, db/20))
	for i, v := range p.Samples() {
		rec[i+2000] = gain * v
	}
	for i := range rec {
		rec[i] += float32(noise * rnd.NormFloat64())
	}
	m, err := measurement.Work(t.Context(), measurement.Input{Passes: []measurement.Pass{{Recording: rec}}, SampleRate: p.Sweep.SampleRate, Program: p, Aligned: true}, how)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// A take of which noise hides more than half is marked, with what would mend it;
// and that mends it. One that other limits narrow is not.
func TestHardlyReadable(t *testing.T) {
	o := sweep.Options{Seconds: 4}
	const noise = 0.012
	m := wire(t, o, 0, noise, measurement.Options{})
	if !m.Readable.OK || len(m.Findings) != 1 || m.Findings[0].Kind != measurement.HardlyReadable {
		t.Fatalf("readable %g to %g Hz, findings %+v", m.Readable.FromHz, m.Readable.ToHz, m.Findings)
	}
	text := m.Findings[0].Text
	figures := regexp.MustCompile(`^The room's noise hides ([0-9.]+) of the 10\.0 octaves that could be read between 20 Hz and 20 kHz\. To show nearly all takes a sweep (?:about|at least) ([0-9]+) dB louder `).FindStringSubmatch(text)
	if figures == nil {
		t.Fatalf("%q", text)
	}
	if hidden, _ := strconv.ParseFloat(figures[1], 64); !(hidden > 5 && hidden < 9.7) {
		t.Errorf("%q", text)
	}
	louder, _ := strconv.ParseFloat(figures[2], 64)
	if again := wire(t, o, louder, noise, measurement.Options{}); len(again.Findings) != 0 || math.Log2(again.Readable.ToHz/again.Readable.FromHz) < 8.5 {
		t.Errorf("%q, but %g dB louder it is readable from %g to %g Hz, findings %+v", text, louder, again.Readable.FromHz, again.Readable.ToHz, again.Findings)
	}

	if m := wire(t, o, 0, 1e-5, measurement.Options{LowPassHz: 80}); len(m.Findings) != 0 {
		t.Errorf("a low-pass, no noise to speak of: %+v", m.Findings)
	}
	m = wire(t, o, 0, 0.3, measurement.Options{})
	if len(m.Findings) != 1 || m.Findings[0].Kind != measurement.Unreadable || !strings.Contains(m.Findings[0].Text, "noise") || !strings.Contains(m.Findings[0].Text, " dB louder (") {
		t.Errorf("nothing but noise: %+v", m.Findings)
	}
}

// The magnitudes at the ends of the swept range hold nothing from beyond them.
func TestMagnitudeStaysInRange(t *testing.T) {
	const tolDB = 0.1
	m := wire(t, sweep.Options{StartHz: 40, StopHz: 80, Seconds: 4}, 0, 1e-6, measurement.Options{Smoothing: 3})
	_, full, _, _ := m.Full()
	for name, levels := range map[string][]float64{"curve": m.MagnitudeDB, "smoothed": m.Smoothed(1), "every bin": full} {
		for i, db := range levels {
			if !(math.Abs(db) <= tolDB) {
				t.Errorf("%s, point %d of %d: %.2f dB, want 0", name, i, len(levels), db)
			}
		}
	}
}
