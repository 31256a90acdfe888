package deconv

import (
	"errors"
	"math"
	"testing"

	"roomsonde/deconv/internal/taketest"
	"roomsonde/sweep"
)

// severalTakes makes takes of one room: each with its own latency, a fraction of a
// frame, and its own noise.
func severalTakes(t *testing.T, apart bool, snr float64, count int) (takes []*Result, h []float64) {
	t.Helper()
	p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 3}, Sweeps: 1, Marks: true, MarksApart: apart})
	h = taketest.Room(48000, 500, 0.3, 3)
	y := taketest.Convolve(p.Samples(), h)
	if apart {
		y = taketest.Convolve(p.Only(sweep.KindSweep), h)
		for i, v := range taketest.Convolve(p.Only(sweep.KindMark, sweep.KindQuiet), []float64{0, 0, 0, 0, 0, 0, 0.8}) {
			y[i] += v
		}
	}
	for k := range count {
		rec := taketest.Noisy(taketest.Read(y, p.Frames+20000, 1000+313.29*float64(k), 0, 64), snr, uint64(k))
		takes = append(takes, timed(t, rec, p, Options{Aligned: true}))
	}
	return takes, h
}

// Four takes averaged have 6 dB more signal over noise, measured against the
// truth; and the report says so.
func TestAverageOfFour(t *testing.T) {
	const tolDB = 0.5
	for _, apart := range []bool{false, true} {
		takes, h := severalTakes(t, apart, 35, 4)
		at := func(r *Result) int { // the frame of h at time zero
			if r.TimeZero == MarkArrival {
				return 6
			}
			return 500
		}
		mean, report, err := Average(takes)
		if err != nil {
			t.Fatal(err)
		}
		var single float64
		for _, r := range takes[:1] { // on whole frames of the truth
			e, _ := compare(r.Impulse, h, at(r), 20, 20000)
			single += e
		}
		e, _ := compare(mean.Impulse, h, at(mean), 20, 20000)
		t.Logf("apart %v: single %.2f dB, mean %.2f dB; report %+v", apart, single, e, report)
		if gain := single - e; !(math.Abs(gain-6.02) <= tolDB) {
			t.Errorf("apart %v: %.2f dB gained, want 6 ± %g", apart, gain, tolDB)
		}
		for i, used := range report.Used {
			if !used {
				t.Errorf("take %d was left out", i)
			}
		}
		if !(math.Abs(report.PredictedDB-6.02) < 0.01) || !report.Measured || !(math.Abs(report.MeasuredDB-6.02) <= 1.5) {
			t.Errorf("report: %+v", report)
		}
		if apart && mean.Impulse.Zero != takes[0].Impulse.Zero {
			t.Errorf("time zero moved")
		}
		// The noise that is left is the noise that is predicted.
		for i, d := range mean.Noise.Density {
			if want := (takes[0].Noise.Density[i] + takes[1].Noise.Density[i] + takes[2].Noise.Density[i] + takes[3].Noise.Density[i]) / 16; !(math.Abs(d/want-1) < 1e-9) {
				t.Fatalf("noise density %g, want %g", d, want)
			}
		}
	}
}

// A take that differs is left out, be it the first or another.
func TestAverageLeavesTheOddOneOut(t *testing.T) {
	takes, h := severalTakes(t, false, 40, 4)
	other := *takes[2]
	other.Impulse.Samples = append([]float64(nil), other.Impulse.Samples...)
	for i := other.Impulse.Onset + 4000; i < len(other.Impulse.Samples); i++ { // a chair was moved
		other.Impulse.Samples[i] *= -1
	}
	for _, odd := range []int{0, 1, 3} {
		var all []*Result
		for i := range takes {
			if i == odd {
				all = append(all, &other)
			} else {
				all = append(all, takes[i])
			}
		}
		mean, report, err := Average(all)
		if err != nil {
			t.Fatal(err)
		}
		for i, used := range report.Used {
			if used != (i != odd) {
				t.Errorf("take %d is the odd one, and the report says %+v", odd, report)
				break
			}
		}
		if e, _ := compare(mean.Impulse, h, 500, 20, 20000); odd != 0 && !(e < -40) {
			t.Errorf("error of the mean %.1f dB", e)
		}
	}
	// Of two none can be told to be the wrong one.
	if _, report, err := Average([]*Result{takes[0], &other}); err != nil || !report.Used[0] || !report.Used[1] {
		t.Errorf("of two: %+v, %v", report, err)
	}
	one, report, err := Average(takes[:1])
	if err != nil || one != takes[0] || report.Measured {
		t.Errorf("of one: %+v, %v", report, err)
	}
	var mismatch *MismatchError
	strange := *takes[1]
	strange.Impulse.SampleRate = 44100
	if _, _, err := Average([]*Result{takes[0], &strange}); !errors.As(err, &mismatch) || mismatch.Take != 1 || mismatch.Hint() == "" {
		t.Errorf("another rate: %v", err)
	}
	if _, _, err := Average(nil); !errors.As(err, &mismatch) {
		t.Errorf("no takes: %v", err)
	}
}
