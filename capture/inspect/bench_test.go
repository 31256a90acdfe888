package inspect

import (
	"context"
	"math/rand/v2"
	"testing"

	"roomsonde/deconv/clock"
	"roomsonde/sweep"
)

// BenchmarkTake inspects the default program's recording, 31 s at 48 kHz, as a
// converter of 24 bits with some noise delivers it.
func BenchmarkTake(b *testing.B) {
	p, err := sweep.NewProgram(sweep.ProgramOptions{Sweeps: 2, Marks: true})
	if err != nil {
		b.Fatal(err)
	}
	r := rand.New(rand.NewPCG(1, 2))
	rec := make([]float32, p.Frames+4800)
	for i := range rec {
		rec[i] = float32(1e-4 * r.NormFloat64())
	}
	for i, v := range p.Samples() {
		rec[i+1440] += 0.7 * v
	}
	for i := 1600; i < len(rec); i++ { // some answer of a room
		rec[i] += 0.2*rec[i-100] - 0.1*rec[i-151]
	}
	for i, v := range rec {
		rec[i] = float32(int32(v*0x1p23)) * 0x1p-23
	}
	timing, err := clock.Locate(context.Background(), rec, p, clock.Options{Aligned: true})
	if err != nil {
		b.Fatal(err)
	}
	in := Input{Recording: rec, SampleRate: 48000, Program: p, Timing: timing, Aligned: true}
	b.ReportAllocs()
	for b.Loop() {
		report, err := Take(context.Background(), in)
		if err != nil || report.Faulty() {
			b.Fatal(err, report.Findings)
		}
	}
}
