package main

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"roomsonde/capture"
	"roomsonde/capture/modelroom"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// modelTake measures one channel of a model room, as measure does.
func modelTake(t *testing.T, room *modelroom.Room, channel int, rate float64, so sweep.Options, o measurement.Options) (*measurement.Measurement, *sweep.Program) {
	t.Helper()
	so.SampleRate = rate
	p, err := sweep.NewProgram(sweep.ProgramOptions{Sweep: so})
	if err != nil {
		t.Fatal(err)
	}
	job := capture.Job{SampleRate: rate, Frames: p.Frames + int(latencyAllowance*rate), Tracks: []capture.Track{{Channel: channel, Samples: p.Samples()}}}
	rec, err := room.PlayRecord(t.Context(), job, nil)
	if err != nil {
		t.Fatal(err)
	}
	m, err := measurement.Work(t.Context(), measurement.Input{Passes: []measurement.Pass{{Recording: rec.Samples}}, SampleRate: rate, Program: p, Aligned: true}, o)
	if err != nil {
		t.Fatal(err)
	}
	return m, p
}

func openRoom(t *testing.T, o modelroom.Options) *modelroom.Room {
	t.Helper()
	room, err := modelroom.Open(o)
	if err != nil {
		t.Fatal(err)
	}
	return room
}

// inFrameOf puts a truth that starts when the loudspeaker is driven into the
// frame of a measurement that was recorded with a latency. Nothing is searched:
// where the two stand to each other is a whole number of frames, and known.
func inFrameOf(m *measurement.Measurement, p *sweep.Program, latency int, truth []float64) []float64 {
	shift := m.ArrivalFrame - p.Starts(sweep.KindSweep)[0] - latency // of m's time zero after the drive
	out := make([]float64, len(m.Impulse.Samples))
	for i := range out {
		if k := i - m.Impulse.Zero + shift; k >= 0 && k < len(truth) {
			out[i] = truth[k]
		}
	}
	return out
}

// spectra transforms two sequences of one length with gonum.
func spectra(a, b []float64) (x, y []complex128) {
	fft := fourier.NewFFT(len(a))
	return fft.Coefficients(nil, a), fft.Coefficients(nil, b)
}

// TestModelRoomAgainstItsTruth measures the model room without noise and holds
// the impulse response against the room's own, frequency by frequency over the
// whole of the sweep's range. Outside it nothing was measured, so nothing is
// compared there.
//
// The subwoofers get the sweep that measure gives them, which ends at 500 Hz.
func TestModelRoomAgainstItsTruth(t *testing.T) {
	const (
		boundDB   = -90.0 // energy of the difference over the range, re the response's
		magnitude = 0.01  // dB, at each frequency
	)
	for _, c := range []struct {
		name    string
		channel int
		sweep   sweep.Options
	}{
		{"FL", 0, sweep.Options{}},
		{"LFE", 3, sweep.Options{StopHz: sweep.RangeFor("sub").StopHz}},
		{"FC at -12 dBFS from 20 Hz", 2, sweep.Options{StartHz: 20, LevelDBFS: -12}},
	} {
		for _, rate := range []float64{44100, 48000, 96000} {
			t.Run(fmt.Sprintf("%s/%g", c.name, rate), func(t *testing.T) {
				room := openRoom(t, modelroom.Options{NoiseDBFS: math.Inf(-1), Seat: "left end"})
				truth, err := room.Truth(c.channel, "left end", rate)
				if err != nil {
					t.Fatal(err)
				}
				m, p := modelTake(t, room, c.channel, rate, c.sweep, measurement.Options{})
				if len(m.Findings) != 0 {
					t.Errorf("findings %v in a sound take", m.Findings)
				}
				if m.FromHz != p.Sweep.StartHz || m.ToHz != p.Sweep.StopHz {
					t.Errorf("range %g to %g Hz, want the sweep's, %g to %g Hz", m.FromHz, m.ToHz, p.Sweep.StartHz, p.Sweep.StopHz)
				}
				want := inFrameOf(m, p, truth.Latency, truth.Impulse)
				x, y := spectra(m.Impulse.Samples, want)
				step := rate / float64(len(want))
				var difference, energy, worst, at float64
				bins := 0
				for k := int(math.Ceil(m.FromHz / step)); float64(k)*step <= m.ToHz && k < len(x); k++ {
					difference += square(cmplx.Abs(x[k] - y[k]))
					energy += square(cmplx.Abs(y[k]))
					bins++
					if d := math.Abs(scale.AmplitudeDB(cmplx.Abs(x[k]) / cmplx.Abs(y[k]))); !(d <= worst) {
						worst, at = d, float64(k)*step
					}
				}
				db := scale.PowerDB(difference / energy)
				t.Logf("%g to %g Hz, %d frequencies: difference %.1f dB, magnitude within %.5f dB (at %.1f Hz)", m.FromHz, m.ToHz, bins, db, worst, at)
				if !(db <= boundDB) {
					t.Errorf("difference = %.1f dB, want at most %g dB", db, boundDB)
				}
				if bins < 1000 {
					t.Errorf("only %d frequencies were compared", bins)
				}
				if !(worst <= magnitude) {
					t.Errorf("magnitude is off by %.4f dB at %.1f Hz, want at most %g dB", worst, at, magnitude)
				}
			})
		}
	}
}

func square(x float64) float64 { return x * x }

// sixth is the mean power of a response over a sixth of an octave about hz,
// from its spectrum on a grid fine enough to need no fractions of bins.
func sixth(spectrum []complex128, step, hz float64) float64 {
	lo, hi := int(math.Ceil(hz*math.Exp2(-1.0/12)/step)), int(hz*math.Exp2(1.0/12)/step)
	var sum float64
	for _, v := range spectrum[lo:min(hi+1, len(spectrum))] {
		sum += square(real(v)) + square(imag(v))
	}
	return sum / float64(min(hi+1, len(spectrum))-lo)
}

// TestNoiseIsTold lets the recording have 40 dB of sweep over noise and demands
// that the mean over each sixth of an octave is right wherever the readable band
// says that it may be read; and that the band does not stop much too early:
// an octave past its ends, in some take at least, the mean is wrong.
func TestNoiseIsTold(t *testing.T) {
	const (
		rate    = 48000
		overDB  = 40.0
		boundDB = 0.5
		seeds   = 4
	)
	for _, c := range []struct {
		name    string
		channel int
		sweep   sweep.Options
	}{
		{"FL", 0, sweep.Options{}},
		{"FL in 3 s", 0, sweep.Options{Seconds: 3}},
		{"LFE", 3, sweep.Options{StopHz: 500}},
		{"LFE, swept to 24 kHz", 3, sweep.Options{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			quiet := openRoom(t, modelroom.Options{NoiseDBFS: math.Inf(-1)})
			so := c.sweep
			so.SampleRate = rate
			p, err := sweep.NewProgram(sweep.ProgramOptions{Sweep: so})
			if err != nil {
				t.Fatal(err)
			}
			rec, err := quiet.PlayRecord(t.Context(), capture.Job{SampleRate: rate, Frames: p.Frames, Tracks: []capture.Track{{Channel: c.channel, Samples: p.Samples()}}}, nil)
			if err != nil {
				t.Fatal(err)
			}
			var energy float64
			start := p.Starts(sweep.KindSweep)[0]
			for _, v := range rec.Samples[start : start+p.Sweep.Frames] {
				energy += square(float64(v))
			}
			noise := scale.PowerDB(energy/float64(p.Sweep.Frames)) - overDB
			var spectrum []complex128
			outside, worst, at, compared := 0.0, 0.0, 0.0, 0
			for seed := range uint64(seeds) {
				room := openRoom(t, modelroom.Options{NoiseDBFS: noise, Seed: seed})
				truth, err := room.Truth(c.channel, "main", rate)
				if err != nil {
					t.Fatal(err)
				}
				const fine = 16 * rate // 1/16 Hz
				padded := make([]float64, fine)
				copy(padded, truth.Impulse)
				spectrum = fourier.NewFFT(fine).Coefficients(nil, padded)
				m, _ := modelTake(t, room, c.channel, rate, c.sweep, measurement.Options{})
				if !m.Readable.OK {
					t.Fatalf("nothing is readable: %s", m.Readable.FromReason)
				}
				if seed == 0 {
					t.Logf("noise %.1f dBFS; readable from %.1f Hz (%s) to %.1f Hz (%s), %d gaps", noise, m.Readable.FromHz, m.Readable.FromReason, m.Readable.ToHz, m.Readable.ToReason, len(m.Readable.Gaps))
				}
				for i, level := range m.Smoothed(6) {
					hz := m.Hz[i]
					// A mean that reaches past the sweep's range is not one.
					if hz*math.Exp2(-1.0/12) < m.FromHz || hz*math.Exp2(1.0/12) > m.ToHz {
						continue
					}
					d := math.Abs(level - scale.PowerDB(sixth(spectrum, rate/float64(fine), hz)))
					if m.Readable.Contains(hz) {
						compared++
						if !(d <= worst) {
							worst, at = d, hz
						}
						if !(d <= boundDB) {
							t.Errorf("seed %d: off by %.2f dB at %.1f Hz, which is said to be readable", seed, d, hz)
						}
					} else if hz < m.Readable.FromHz && hz > m.Readable.FromHz/2 || hz > m.Readable.ToHz && hz < 2*m.Readable.ToHz {
						outside = math.Max(outside, d)
					}
				}
			}
			t.Logf("%d means in %d takes: within %.2f dB (at %.1f Hz); within an octave past the band's ends up to %.2f dB", compared, seeds, worst, at, outside)
			if compared < 100*seeds {
				t.Errorf("only %d means were readable", compared)
			}
			if !(outside > boundDB) {
				t.Errorf("an octave past the band's ends the means are right to %.2f dB: the band is too narrow", outside)
			}
		})
	}
}
