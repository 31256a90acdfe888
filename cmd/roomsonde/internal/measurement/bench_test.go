package measurement_test

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"runtime"
	"testing"

	"roomsonde/calibration"
	"roomsonde/capture"
	"roomsonde/capture/modelroom"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/sweep"
)

// recorded returns a recording of the model room, with noise, and its
// microphone.
func recorded(b *testing.B, o sweep.ProgramOptions) (measurement.Input, *calibration.Microphone) {
	b.Helper()
	o.Sweep.LevelDBFS = sweep.DefaultCeilingDBFS
	program, err := sweep.NewProgram(o)
	if err != nil {
		b.Fatal(err)
	}
	room, err := modelroom.Open(modelroom.Options{Seed: 2})
	if err != nil {
		b.Fatal(err)
	}
	microphone, err := calibration.Parse(bytes.NewReader(room.CalibrationFile()), "microphone.txt")
	if err != nil {
		b.Fatal(err)
	}
	rate := program.Sweep.SampleRate
	recording, err := room.PlayRecord(context.Background(), capture.Job{
		SampleRate: rate,
		Tracks:     []capture.Track{{Channel: 0, Samples: program.Samples()}},
		Frames:     program.Frames + int(math.Ceil(room.Device().LatencyS*rate)),
	}, nil)
	if err != nil {
		b.Fatal(err)
	}
	return measurement.Input{Passes: []measurement.Pass{{Recording: recording.Samples}}, SampleRate: rate, Program: program, Aligned: true}, microphone
}

// BenchmarkWork is everything from the recording in memory to the measurement.
// x-realtime is how much faster that is than the sweep; system-MiB what the
// process had asked the system for by the end (the peak of the program as a
// whole is TestPeakMemory's).
func BenchmarkWork(b *testing.B) {
	for _, o := range []sweep.ProgramOptions{
		{Sweep: sweep.Options{SampleRate: 48000, Seconds: 10}, Sweeps: 1},
		{Sweep: sweep.Options{SampleRate: 48000, Seconds: 10}, Sweeps: 1, Marks: true},
		{Sweep: sweep.Options{SampleRate: 48000, Seconds: 10}, Sweeps: 2, Marks: true},
		{Sweep: sweep.Options{SampleRate: 96000, Seconds: 60}, Sweeps: 2, Marks: true},
	} {
		b.Run(fmt.Sprintf("%dx%gs-%gkHz-marks=%v", o.Sweeps, o.Sweep.Seconds, o.Sweep.SampleRate/1000, o.Marks), func(b *testing.B) {
			in, microphone := recorded(b, o)
			b.ReportAllocs()
			for b.Loop() {
				m, err := measurement.Work(context.Background(), in, measurement.Options{Microphone: microphone, Smoothing: 24})
				if err != nil {
					b.Fatal(err)
				}
				if !m.Readable.OK || len(m.Decay) == 0 {
					b.Fatalf("nothing was measured: %+v", m.Readable)
				}
			}
			perTake := b.Elapsed().Seconds() / float64(b.N)
			b.ReportMetric(in.Program.Sweep.Seconds/perTake, "x-realtime")
			var memory runtime.MemStats
			runtime.ReadMemStats(&memory)
			b.ReportMetric(float64(memory.Sys)/(1<<20), "system-MiB")
		})
	}
}
