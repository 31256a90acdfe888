package wav_test

import (
	"errors"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"roomsonde/capture/wav"
)

// ReadFileSingle gives what ReadFile gives, rounded to float32, in every
// encoding and with one channel or more.
func TestReadFileSingle(t *testing.T) {
	x := make([]float64, 70001) // more than one block, and no whole number of them
	for i := range x {
		x[i] = 0.9 * math.Sin(float64(i)*0.37)
	}
	for _, e := range []wav.Encoding{wav.Float32, wav.Float64, wav.PCM24, wav.PCM16} {
		for _, channels := range [][][]float64{{x}, {x, slices.Repeat([]float64{0.25}, len(x))}} {
			path := filepath.Join(t.TempDir(), "x.wav")
			if err := wav.WriteFile(path, 48000, channels, wav.Options{Encoding: e}); err != nil {
				t.Fatal(err)
			}
			f, err := wav.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			got, file, err := wav.ReadFileSingle(path)
			if err != nil {
				t.Fatal(err)
			}
			if file.SampleRate != 48000 || file.Format != f.Format || len(got) != len(f.Channels) {
				t.Fatalf("%v: %d Hz, %s, %d channels", e, file.SampleRate, file.Format, len(got))
			}
			for c := range got {
				want := make([]float32, len(f.Channels[c]))
				for i, v := range f.Channels[c] {
					want[i] = float32(v)
				}
				if !slices.Equal(got[c], want) {
					t.Errorf("%v, channel %d of %d: not the samples of ReadFile", e, c+1, len(got))
				}
			}
		}
	}
	if _, _, err := wav.ReadFileSingle(t.TempDir()); err == nil {
		t.Error("a folder was read")
	}
}

// What float32 cannot hold is refused by the one reader and read by the other.
func TestTooLargeForFloat32(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.wav")
	if err := wav.WriteFile(path, 48000, [][]float64{{0.1, -1e300}}, wav.Options{Encoding: wav.Float64}); err != nil {
		t.Fatal(err)
	}
	if f, err := wav.ReadFile(path); err != nil || f.Channels[0][1] != -1e300 {
		t.Errorf("as float64: %v, %v", f, err)
	}
	_, _, err := wav.ReadFileSingle(path)
	var format *wav.FormatError
	if !errors.As(err, &format) || !strings.Contains(err.Error(), "frame 1 of channel 1 is infinite, or too large for 32-bit float (-Inf)") || format.Hint() == "" {
		t.Errorf("as float32: %v", err)
	}
}
