package deconv

import (
	"context"
	"errors"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"roomsonde/sweep"
)

// A recording that started with the program is not taken on trust: what holds no
// sweep is refused, whatever else it holds.
func TestAlignedRecordingMustHoldTheSweep(t *testing.T) {
	for _, o := range []sweep.ProgramOptions{{Sweep: sweep.Options{Seconds: 5}}, {Sweep: sweep.Options{Seconds: 5}, Sweeps: 2}, {Sweep: sweep.Options{StopHz: 500}}, {Sweep: sweep.Options{StartHz: 1000}}} {
		p := program(t, o)
		for seed := range uint64(6) {
			rnd := rand.New(rand.NewPCG(seed, 3))
			noise := make([]float32, p.Frames+24000)
			burst := make([]float32, len(noise))
			brown := make([]float32, len(noise))
			var walk float64
			for i := range noise {
				noise[i] = float32(0.01 * rnd.NormFloat64())
				walk += 0.002*rnd.NormFloat64() - 0.001*walk
				brown[i] = float32(walk)
				burst[i] = float32(1e-4 * rnd.NormFloat64())
				if d := i - 200000; d >= 0 && d < 20000 {
					burst[i] += float32(0.3 * rnd.NormFloat64() * math.Exp(-float64(d)/3000))
				}
			}
			for name, rec := range map[string][]float32{"noise": noise, "a burst": burst, "brown noise": brown} {
				_, err := Recover(context.Background(), rec, p, Options{Aligned: true})
				var nf *NotFoundError
				if !errors.As(err, &nf) {
					t.Errorf("%g to %g Hz, %s, seed %d: got %v, want a NotFoundError", p.Sweep.StartHz, p.Sweep.StopHz, name, seed, err)
				}
			}
		}
	}
}

// Any latency of the devices is taken off, also one longer than the silence
// after the sweep, whether one sweep is played or two.
func TestLatencies(t *testing.T) {
	for _, sweeps := range []int{1, 2} {
		p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 4, StartHz: 10}, Sweeps: sweeps})
		for _, latency := range []int{0, 40, 20000, 90000, 110000, 130000} {
			h := room(48000, latency, 0.5, 0.3, 2)
			rec := record(p, h, 24000, 1e-6, 1)
			r, err := Recover(context.Background(), rec, p, Options{Aligned: true})
			if err != nil {
				t.Errorf("%d sweeps, latency %d: %v", sweeps, latency, err)
				continue
			}
			at := r.ArrivalFrame - p.Starts(sweep.KindSweep)[0]
			if at != latency {
				t.Errorf("%d sweeps, latency %d: time zero at %d", sweeps, latency, at)
			}
			if wantEnd := p.Starts(sweep.KindSweep)[0]+latency+p.Sweep.Frames > len(rec); sweeps == 1 && r.EndMissing != wantEnd {
				t.Errorf("latency %d: EndMissing = %v, want %v", latency, r.EndMissing, wantEnd)
			}
			if r.EndMissing {
				continue
			}
			if e, _ := compare(r.Impulse, h, at, 40, 20000); !(e <= -70) { // the noise is at −80 or so
				t.Errorf("%d sweeps, latency %d: impulse error %.1f dB", sweeps, latency, e)
			}
		}
	}
}

// What is kept of a noisy take is not mostly what was never measured: outside its
// range the response stays near the level inside it.
func TestNoiseIsNotBlownUpOutsideTheRange(t *testing.T) {
	const mostDB = 6
	for name, o := range map[string]sweep.Options{"tweeter": {StartHz: 1000}, "from 100 Hz": {StartHz: 100}, "sub": {StopHz: 500}, "full": {}} {
		p := program(t, sweep.ProgramOptions{Sweep: o})
		for seed := range uint64(3) {
			rec := record(p, room(48000, 1000, 0.8, 0.4, 8), 24000, 1e-3, seed)
			r, err := Recover(context.Background(), rec, p, Options{Aligned: true})
			if err != nil {
				t.Fatal(err)
			}
			n := 1 << 17
			x := make([]float64, n)
			copy(x, r.Impulse.Samples)
			var inside, outside float64
			var inCount, outCount int
			for k, v := range fourier.NewFFT(n).Coefficients(nil, x) {
				power := cmplx.Abs(v) * cmplx.Abs(v)
				switch f := float64(k) * 48000 / float64(n); {
				case f > 2*p.Sweep.StartHz && f < p.Sweep.StopHz*0.9:
					inside += power
					inCount++
				case f < p.Sweep.StartHz*1.1 || f > p.Sweep.StopHz && f < 1.2*p.Sweep.StopHz:
					outside += power
					outCount++
				}
			}
			d := 10 * math.Log10(outside/float64(outCount)/(inside/float64(inCount)))
			t.Logf("%s, seed %d: %.1f dB outside against inside", name, seed, d)
			if !(d <= mostDB) {
				t.Errorf("%s, seed %d: outside its range the response is %.1f dB above inside, want at most %d", name, seed, d, mostDB)
			}
		}
	}
}

// A wire of limited range: time zero is its peak, not the ringing before it.
func TestTimeZeroOfALimitedRange(t *testing.T) {
	for _, o := range []sweep.Options{{StopHz: 500}, {StartHz: 20, StopHz: 120}, {StartHz: 40, StopHz: 80}, {StartHz: 20, StopHz: 20000}, {StartHz: 2000}} {
		p := program(t, sweep.ProgramOptions{Sweep: o})
		h := make([]float64, 700)
		h[699] = 1
		for _, aligned := range []bool{true, false} {
			r, err := Recover(context.Background(), record(p, h, 24000, 1e-6, 4), p, Options{Aligned: aligned})
			if err != nil {
				t.Fatal(err)
			}
			tol := 0.02 * 48000 / p.Sweep.StopHz // 2 % of the highest frequency's period
			if at := r.ArrivalFrame - p.Starts(sweep.KindSweep)[0]; !(math.Abs(float64(at-699)) <= math.Max(tol, 0)) {
				t.Errorf("%g to %g Hz, aligned %v: time zero at %d, want 699", p.Sweep.StartHz, p.Sweep.StopHz, aligned, at)
			}
		}
	}
}

// Zeros that an editor put around a recording are not the room's silence.
func TestEditedSilence(t *testing.T) {
	p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 4}})
	rec := record(p, room(48000, 100, 0.5, 0.3, 2), 48000, 1e-3, 5)
	padded := make([]float32, 240000, 240000+len(rec)+240000)
	padded = append(append(padded, rec...), make([]float32, 240000)...)
	for name, rec := range map[string][]float32{"as recorded": rec, "padded": padded} {
		r, err := Recover(context.Background(), rec, p, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if r.Noise == nil || r.Noise.DigitalZero || math.Abs(r.Noise.RecordingDBFS+60) > 0.3 {
			t.Errorf("%s: noise %+v, want −60 dBFS", name, r.Noise)
		}
	}
	clean, err := Recover(context.Background(), record(p, []float64{1}, 24000, 0, 0), p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if clean.Noise == nil || !clean.Noise.DigitalZero {
		t.Errorf("digital silence: %+v", clean.Noise)
	}
}

// Repeats that were not recorded whole are left out of the mean.
func TestOnlyWholeRepeatsAreAveraged(t *testing.T) {
	p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 3, StartHz: 10}, Sweeps: 3})
	h := room(48000, 200, 0.5, 0.3, 2)
	rec := record(p, h, 24000, 0, 0)
	cut := rec[:p.Starts(sweep.KindSweep)[2]+50000]
	r, err := Recover(context.Background(), cut, p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if r.Sweeps != 2 {
		t.Errorf("%d repeats averaged, want 2", r.Sweeps)
	}
	if e, m := compare(r.Impulse, h, r.ArrivalFrame-p.Starts(sweep.KindSweep)[0], 20, 20000); !(e <= -90 && m <= 0.01) {
		t.Errorf("impulse error %.1f dB, magnitude %.4f dB", e, m)
	}
}
