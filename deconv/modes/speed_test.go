package modes

import (
	"context"
	"math/rand/v2"
	"slices"
	"testing"

	"roomsonde/deconv"
)

// BenchmarkFind works on 2 s of response at 48 kHz: of the model room's left
// loudspeaker and of its subwoofers, with and without white noise at −80 dB re
// the largest sample. Without, the fit goes on down to its floor.
func BenchmarkFind(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	for _, c := range []struct {
		name    string
		channel int
		noise   float64
	}{{"left", 0, 1e-4}, {"left, no noise", 0, 0}, {"subwoofers", lfe, 1e-4}, {"subwoofers, no noise", lfe, 0}} {
		ir, _ := modelImpulse(b, c.channel, "main")
		ir.Samples = slices.Clone(ir.Samples)
		for n, top := 0, largest(ir.Samples); n < len(ir.Samples); n++ {
			ir.Samples[n] += c.noise * top * rng.NormFloat64()
		}
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				if _, err := Find(context.Background(), []deconv.ImpulseResponse{ir}, Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkFollow: a source before and after a filter at one of its modes, one seat.
func BenchmarkFollow(b *testing.B) {
	before, _ := modelImpulse(b, lfe, "main")
	after := before
	after.Samples = peaking(before.Samples, 48000, Mode{Kind: Single, Hz: 60, DecayS: 0.757}.Cut(6))
	for b.Loop() {
		if _, err := Follow(b.Context(), []deconv.ImpulseResponse{before}, []deconv.ImpulseResponse{after}, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
