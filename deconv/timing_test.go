package deconv

import (
	"context"
	"errors"
	"math"
	"testing"

	"roomsonde/deconv/clock"
	"roomsonde/deconv/internal/taketest"
	"roomsonde/sweep"
)

// timed recovers a take with the timing that clock finds in it.
func timed(t testing.TB, rec []float32, p *sweep.Program, o Options) *Result {
	t.Helper()
	timing, err := clock.Locate(context.Background(), rec, p, clock.Options{Aligned: o.Aligned})
	if err != nil {
		t.Fatal(err)
	}
	o.Timing = timing
	r, err := Recover(context.Background(), rec, p, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// A take by another clock gives the response that one clock would have given.
func TestCorrectsTheSkew(t *testing.T) {
	const tolImpulseDB, tolMagnitudeDB = -80, 0.02
	for _, rate := range []float64{48000, 44100} {
		for _, sweeps := range []int{1, 2} {
			p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{SampleRate: rate, Seconds: 5}, Sweeps: sweeps, Marks: true})
			h := taketest.Room(rate, 700, 0.4, 3)
			y := taketest.Convolve(p.Samples(), h)
			skews := []float64{500e-6, -500e-6}
			if sweeps == 1 {
				skews = []float64{37e-6}
			}
			for _, skew := range skews {
				rec := taketest.Noisy(taketest.Read(y, p.Frames+20000, 777.3, skew, 96), 0, 1)
				r := timed(t, rec, p, Options{Aligned: true})
				e, m := compare(r.Impulse, h, 700, p.Sweep.StartHz, 0.9*rate/2)
				e2, m2 := compare(r.Impulse, h, 700, 15000, 20000)
				t.Logf("%g Hz, %d sweeps, %g ppm: impulse error %.1f dB, magnitude %.5f dB; 15-20 kHz %.1f dB %.5f dB; arrival %d %.4f µs, corrected by %.5f ppm", rate, sweeps, 1e6*skew, e, m, e2, m2, r.ArrivalFrame, 1e6*r.ArrivalS, 1e6*r.SkewCorrected)
				if !(e <= tolImpulseDB) || !(m <= tolMagnitudeDB) {
					t.Errorf("%g Hz, %d sweeps, %g ppm: impulse error %.1f dB, magnitude %.5f dB", rate, sweeps, 1e6*skew, e, m)
				}
			}
		}
	}
}

// Two equal sources, one of them later by a fraction of a frame, differ by that
// much once marks from a third one give both the same time zero: each take with its
// own latency, and with other noise.
func TestDelayBetweenSources(t *testing.T) {
	const tolS = 2e-6
	for _, c := range []struct {
		name string
		o    sweep.Options
	}{{"full", sweep.Options{Seconds: 3, StartHz: 10}}, {"sub", sweep.Options{Seconds: 3, StartHz: 10, StopHz: 500}}} {
		p := program(t, sweep.ProgramOptions{Sweep: c.o, Sweeps: 2, Marks: true, MarksApart: true})
		way := taketest.Room(48000, 300, 0.4, 8)
		marks := taketest.Convolve(p.Only(sweep.KindMark, sweep.KindQuiet), way)
		for _, skew := range []float64{0, 120e-6} {
			takes := uint64(2)
			if skew == 0 {
				takes = 1
			}
			for seed := range takes {
				var arrivals []float64
				const apart = 57.37
				for source, later := range []float64{0, apart} {
					h := taketest.Room(48000, 500, 0.4, 3)
					y := taketest.Convolve(p.Only(sweep.KindSweep), h)
					// The sweep's way is longer by a fraction of a frame.
					y = taketest.Read(y, len(marks), later, 0, 64)
					for i, v := range marks {
						y[i] += v
					}
					late := 1000 + 333.21*float64(source)
					if skew == 0 && seed == 0 {
						late = 1000 + 300*float64(source)
					}
					rec := taketest.Noisy(taketest.Read(y, p.Frames+20000, late, skew, 64), 30, 10*seed+uint64(source))
					r := timed(t, rec, p, Options{Aligned: true})
					if r.TimeZero != MarkArrival {
						t.Fatalf("time zero is the %s", r.TimeZero)
					}
					if want := float64(200+later) / 48000; c.name == "full" && !(math.Abs(r.ArrivalS-want) <= tolS) {
						t.Errorf("the sound arrives %.3f ms after time zero, want %.3f", 1e3*r.ArrivalS, 1e3*want)
					}
					if d := float64(r.Impulse.Onset-r.Impulse.Zero)/48000 - r.ArrivalS; !(math.Abs(d) <= 1.0/48000) {
						t.Errorf("onset and arrival are %g s apart", d)
					}
					arrivals = append(arrivals, r.ArrivalS)
				}
				d := arrivals[1] - arrivals[0] - apart/48000
				t.Logf("%s, %g ppm: off by %.4f µs", c.name, 1e6*skew, 1e6*d)
				if !(math.Abs(d) <= tolS) {
					t.Errorf("%s, %g ppm: the delay is off by %.3f µs, want within %g", c.name, 1e6*skew, 1e6*d, 1e6*tolS)
				}
			}
		}
	}
}

func BenchmarkRecoverTimed(b *testing.B) {
	for _, c := range []struct {
		name       string
		sweeps     int
		late, skew float64
	}{{"1_sweep", 1, 700, 0}, {"2_sweeps", 2, 700, 0}, {"2_sweeps_37ppm", 2, 700.3, 37e-6}} {
		b.Run(c.name, func(b *testing.B) {
			p := program(b, sweep.ProgramOptions{Sweeps: c.sweeps, Marks: true})
			y := taketest.Convolve(p.Samples(), []float64{1, 0.5, 0.25})
			rec := taketest.Noisy(taketest.Read(y, p.Frames+24000, c.late, c.skew, 32), 50, 1)
			timing, err := clock.Locate(context.Background(), rec, p, clock.Options{Aligned: true})
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Recover(context.Background(), rec, p, Options{Aligned: true, Timing: timing}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// A sweep that lost frames is left out, and the other one gives the truth.
func TestSkip(t *testing.T) {
	const tolImpulseDB = -80
	p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 3, StartHz: 10}, Sweeps: 2, Marks: true})
	h := taketest.Room(48000, 500, 0.3, 3)
	y := append(taketest.Convolve(p.Samples(), h), make([]float64, 20000)...)
	starts := p.Starts(sweep.KindSweep)
	for bad := range 2 {
		at := starts[bad] + 60000
		rec := taketest.Noisy(append(append([]float64(nil), y[:at]...), y[at+64:]...), 0, 1)
		r := timed(t, rec, p, Options{Aligned: true, Skip: []bool{bad == 0, bad == 1}})
		if r.Sweeps != 1 || len(r.Skipped) != 1 || r.Skipped[0] != bad {
			t.Errorf("sweep %d is bad: %d used, skipped %v", bad, r.Sweeps, r.Skipped)
		}
		if e, _ := compare(r.Impulse, h, 500, 20, 20000); !(e <= tolImpulseDB) {
			t.Errorf("sweep %d is bad: impulse error %.1f dB, want at most %d", bad, e, tolImpulseDB)
		}
		spoiled := timed(t, rec, p, Options{Aligned: true})
		if e, _ := compare(spoiled.Impulse, h, 500, 20, 20000); !(e > -40) {
			t.Errorf("the fault is too small to test anything: %.1f dB", e)
		}
	}
	var nothing *NothingLeftError
	if _, err := Recover(context.Background(), taketest.Noisy(y, 0, 1), p, Options{Aligned: true, Skip: []bool{true, true}}); !errors.As(err, &nothing) || nothing.Hint() == "" {
		t.Errorf("all left out: %v", err)
	}
}

// What a burst spoiled in one sweep is taken from the other, also between two
// clocks.
func TestReplace(t *testing.T) {
	const tolImpulseDB, tolSkewedDB = -80, -70
	p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 3, StartHz: 10, StopHz: 22000}, Sweeps: 2, Marks: true})
	h := taketest.Room(48000, 500, 0.3, 3)
	y := append(taketest.Convolve(p.Samples(), h), make([]float64, 20000)...)
	for _, skew := range []float64{0, 83e-6} {
		rec := taketest.Noisy(y, 0, 1)
		if skew != 0 {
			rec = taketest.Noisy(taketest.Read(y, len(y), 0.4, skew, 64), 0, 1)
		}
		for bad := range 2 {
			const from, frames = 60000, 3000
			spoiled := append([]float32(nil), rec...)
			start := int(float64(p.Starts(sweep.KindSweep)[bad]+500) / (1 + skew))
			for i := range frames {
				spoiled[start+from+i] += float32(0.5 * math.Sin(float64(i*i)))
			}
			tol := tolImpulseDB
			if skew != 0 {
				tol = tolSkewedDB
			}
			r := timed(t, spoiled, p, Options{Aligned: true, Replace: []Stretch{{bad, from - 10, frames + 20}}})
			if e, _ := compare(r.Impulse, h, 500, 20, 20000); !(e <= float64(tol)) {
				t.Errorf("%g ppm, burst in sweep %d: impulse error %.1f dB, want at most %d", 1e6*skew, bad, e, tol)
			}
			r = timed(t, spoiled, p, Options{Aligned: true})
			if e, _ := compare(r.Impulse, h, 500, 20, 20000); !(e > -40) {
				t.Errorf("the burst is too small to test anything: %.1f dB", e)
			}
		}
	}
}

// A skew that is not there is not corrected, and where nothing is known of the
// clocks nothing is guessed.
func TestLeavesOneClockAlone(t *testing.T) {
	for _, marks := range []bool{true, false} {
		p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 3, StartHz: 10}, Sweeps: 2, Marks: marks})
		h := taketest.Room(48000, 500, 0.3, 3)
		rec := taketest.Noisy(append(taketest.Convolve(p.Samples(), h), make([]float64, 20000)...), 20, 1)
		for _, aligned := range []bool{true, false} {
			r := timed(t, rec, p, Options{Aligned: aligned})
			if r.SkewCorrected != 0 || r.TimeZero != FirstArrival || r.Impulse.Zero != r.Impulse.Onset || r.Timing == nil || r.Timing.Known != marks {
				t.Errorf("marks %v, aligned %v: %+v", marks, aligned, r.Timing)
			}
			if at := r.ArrivalFrame - p.Starts(sweep.KindSweep)[0]; at != 500 {
				t.Errorf("marks %v, aligned %v: arrival at %d", marks, aligned, at)
			}
		}
	}
}

// Time zero lies where the marks say, before the first arrival or after it, inside
// the response; and where it is too far away the first arrival takes its place.
func TestTimeZeroOfTheMarks(t *testing.T) {
	p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 3, StartHz: 10}, Sweeps: 1, Marks: true, MarksApart: true})
	for _, c := range []struct {
		mark, source int
		want         TimeZero
	}{{300, 800, MarkArrival}, {800, 300, MarkArrival}, {4000, 100, MarkArrival}, {200, 40000, MarkArrival}, {200, 60000, FirstArrival}} {
		h := taketest.Room(48000, c.source, 0.3, 3)
		y := taketest.Convolve(p.Only(sweep.KindSweep), h)
		for i, v := range taketest.Convolve(p.Only(sweep.KindMark, sweep.KindQuiet), taketest.Room(48000, c.mark, 0.2, 4)) {
			y[i] += v
		}
		r := timed(t, taketest.Noisy(append(y, make([]float64, 70000)...), 60, 1), p, Options{Aligned: true})
		ir := r.Impulse
		if r.TimeZero != c.want || !ir.Inside() {
			t.Errorf("%+v: time zero is the %s, at %d of %d", c, r.TimeZero, ir.Zero, len(ir.Samples))
			continue
		}
		want := float64(c.source-c.mark) / 48000
		at := c.mark
		if c.want == FirstArrival {
			want, at = 0, c.source
		}
		if !(math.Abs(r.ArrivalS-want) < 1e-6) || math.Abs(float64(ir.Onset-ir.Zero)/48000-want) > 1.0/48000 {
			t.Errorf("%+v: arrival after %.6f s, onset at %d of %d, want %.6f", c, r.ArrivalS, ir.Onset, ir.Zero, want)
		}
		// The tail of the sweep is cut where the next mark begins, as late as it is.
		if e, _ := compare(ir, h, at, 50, 10000); c.source < 10000 && !(e < -60) {
			t.Errorf("%+v: impulse error %.1f dB", c, e)
		}
	}
}
