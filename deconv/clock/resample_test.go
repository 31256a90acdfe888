package clock

import (
	"context"
	"math"
	"testing"

	"roomsonde/deconv/internal/taketest"
	"roomsonde/sweep"
)

// A tone read at other places is the tone at those places.
func TestResampleTones(t *testing.T) {
	const tolDB = -95 // float32 itself has −140 or so
	for _, ratio := range []float64{44100.0 / 48000, 48000.0 / 44100, 2, 0.5, 0.4, 2.5, 1 + 100e-6, 1 - 500e-6, 1.001} {
		nyquist := 0.5 * math.Min(1, 1/ratio) // cycles a frame of the input
		for _, part := range []float64{0, 0.01, 0.3, 0.7, 0.85} {
			w := 2 * math.Pi * nyquist * part
			x := make([]float32, 20000)
			for i := range x {
				x[i] = float32(0.5 * math.Cos(w*float64(i)+0.3))
			}
			got := Resample(x, ratio)
			if want := int(float64(len(x)-1)/ratio) + 1; len(got) != want {
				t.Errorf("ratio %g: %d frames, want %d", ratio, len(got), want)
			}
			var left, all float64
			for i := 200; i < len(got)-200; i++ {
				want := 0.5 * math.Cos(w*float64(i)*ratio+0.3)
				left += (float64(got[i]) - want) * (float64(got[i]) - want)
				all += want * want
			}
			if db := 10 * math.Log10(left/all); !(db <= tolDB) {
				t.Errorf("ratio %g, tone at %g of the band: error %.1f dB", ratio, part, db)
			}
		}
		if ratio > 1.01 { // what does not fit is gone
			w := 2 * math.Pi * math.Min(0.49, nyquist*1.15)
			x := make([]float32, 20000)
			for i := range x {
				x[i] = float32(math.Cos(w * float64(i)))
			}
			var left float64
			got := Resample(x, ratio)
			for _, v := range got[200 : len(got)-200] {
				left += float64(v) * float64(v) / float64(len(got)-400)
			}
			if db := 10 * math.Log10(2*left); w > 2*math.Pi*nyquist*1.1 && !(db <= -90) {
				t.Errorf("ratio %g: a tone beyond the band is left at %.1f dB", ratio, db)
			}
		}
	}
}

func TestResampleEdges(t *testing.T) {
	if got := Resample(nil, 0.9); got != nil {
		t.Errorf("nothing: %v", got)
	}
	x := []float32{1, 2, 3}
	got := Resample(x, 1)
	if len(got) != 3 || got[0] != 1 || got[2] != 3 || &got[0] == &x[0] {
		t.Errorf("ratio 1: %v", got)
	}
	for _, ratio := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("ratio %g: no panic", ratio)
				}
			}()
			Resample(x, ratio)
		}()
	}
}

// The usual mix-ups of sample rates are told, with marks and without, and a take of
// the right rate, or of something else, is left alone.
func TestSpeed(t *testing.T) {
	for name, o := range map[string]sweep.ProgramOptions{
		"marks":    {Marks: true},
		"no marks": {},
		"sub":      {Marks: true, Sweep: sweep.Options{StopHz: 500}},
	} {
		o.Sweep.StartHz, o.Sweep.Seconds = 10, 3
		if o.Sweep.StopHz == 0 {
			o.Sweep.StopHz = 20000
		}
		p := program(t, o)
		y := taketest.Convolve(p.Samples(), taketest.Room(48000, 200, 0.4, 3))
		ratios := []float64{1, 44100.0 / 48000}
		if name == "marks" {
			ratios = []float64{48000.0 / 44100, 0.5, 2}
		}
		for _, ratio := range ratios {
			rec := taketest.Noisy(taketest.Read(y, int(ratio*float64(p.Frames))+20000, 5000, 1/ratio-1, 32), 20, 2)
			got, err := Speed(context.Background(), rec, p)
			if err != nil || got != ratio {
				t.Errorf("%s at %.4f: %.4f, %v", name, ratio, got, err)
				continue
			}
			// Which may have lost its treble, and yet:
			timing := located(t, Resample(rec, got), p, false)
			if !(math.Abs(timing.Origin-(5000/ratio+200)) < 2) && o.Sweep.StopHz > 500 || timing.Known != o.Marks || !(math.Abs(timing.Skew) < 1e-6) {
				t.Errorf("%s at %.4f: %+v", name, ratio, timing)
			}
		}
		other := program(t, sweep.ProgramOptions{Sweep: sweep.Options{StartHz: 24, StopHz: 12345, Seconds: 2}})
		for what, rec := range map[string][]float32{"another sweep": other.Samples(), "silence": make([]float32, 200000), "nothing": nil} {
			if got, err := Speed(context.Background(), rec, p); err != nil || got != 1 {
				t.Errorf("%s, %s: %g, %v", name, what, got, err)
			}
		}
	}
}
