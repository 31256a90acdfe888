package waterfall

import (
	"context"
	"testing"
)

// The project's bound is 0.2 s for 200 slices of a 2 s response on two cores; it
// is read off the benchmark, not tested.
func BenchmarkWaterfall(b *testing.B) {
	ir := room(2, 2e-5)
	for _, c := range []struct {
		name string
		o    Options
	}{
		{"bass-200", Options{StepS: 0.003, SpanS: 0.597}},
		{"full-200", Options{ToHz: 20000, StepS: 0.002, SpanS: 0.398}},
		{"bass", Options{}},
		{"full", Options{ToHz: 20000}},
	} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				w, err := Of(context.Background(), ir, white(2e-5), c.o)
				if err != nil {
					b.Fatal(err)
				}
				b.ReportMetric(float64(len(w.TimesS)), "slices")
			}
		})
	}
}

func BenchmarkEnergy(b *testing.B) {
	ir := room(2, 2e-5)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := EnergyOf(context.Background(), ir, white(2e-5), EnergyOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
