package difference

import (
	"testing"

	"roomsonde/capture/modelroom"
	"roomsonde/sweep"
)

// Two takes of 10 s at 48 kHz, seen through 1.5 s.
func BenchmarkCompare(b *testing.B) {
	s := measureWith(b, modelroom.Options{}, sweep.Options{}, channelFL, 0)
	rec := s.play(b, s.program.Samples())
	before, after := s.take(b, rec, true), s.take(b, noisy(rec, 40, 1), true)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Compare(before, after, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
