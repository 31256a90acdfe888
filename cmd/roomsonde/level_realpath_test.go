//go:build cgo && unix

package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"roomsonde/capture"
	levels "roomsonde/capture/level"
	"roomsonde/capture/soundcard"
	"roomsonde/capture/soundcard/soundserver"
	"roomsonde/capture/wav"
	"roomsonde/sweep/scale"
)

// levelPathTolDB is for what stands outside of the 0.5 s that the search looks at, and
// for octave bands with sharp edges on either side.
const levelPathTolDB = 0.5

// levelAttempts is how often a search is tried in which the server may have lost a
// buffer, as it does on a busy machine.
const levelAttempts = 3

// TestRealPathOfLevel finds a level through PortAudio and a JACK server without hardware,
// in a room that is a convolver which someone else wrote (jconvolver, by Fons
// Adriaensen), loaded with a known impulse response: the gains must be those of
// that response, by gonum's transform. The server delivers digital silence.
func TestRealPathOfLevel(t *testing.T) {
	const rate = 48000
	r := rand.New(rand.NewPCG(1, 2))
	impulse := make([]float32, rate/2)
	for i := range impulse {
		// 20 ms on the way, and a decay of 0.4 s; about 0 dB.
		if after := float64(i-rate/50) / rate; after >= 0 {
			impulse[i] = float32(0.02 * r.NormFloat64() * math.Exp(-3*math.Ln10*after/0.4))
		}
	}
	path := filepath.Join(t.TempDir(), "room.wav")
	if err := wav.WriteFile(path, rate, [][]float32{impulse}, wav.Options{}); err != nil {
		t.Fatal(err)
	}
	s := soundserver.Room(t, path, rate)
	devices, err := soundcard.Devices(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	d, err := capture.FindDevice(devices, s.Device, capture.DuplexRole)
	if err != nil {
		t.Fatal(err)
	}
	card, err := soundcard.Open(soundcard.Options{Input: d, Output: d, SampleRate: rate})
	if err != nil {
		t.Fatal(err)
	}
	defer card.Close()
	wide := make([]float64, rate)
	for i, v := range impulse {
		wide[i] = float64(v)
	}
	h := fourier.NewFFT(rate).Coefficients(nil, wide) // 1 Hz a bin
	for attempt := 1; ; attempt++ {
		problems := compareGains(t, card, h)
		if len(problems) == 0 {
			return
		}
		for _, p := range problems {
			if attempt == levelAttempts {
				t.Error(p)
			} else {
				t.Log(p)
			}
		}
		if attempt == levelAttempts {
			return
		}
	}
}

// compareGains finds a level and says what is not as in the spectrum h, of 1 Hz a bin.
func compareGains(t *testing.T, card capture.Card, h []complex128) (problems []string) {
	result, err := levels.Find(t.Context(), card, levels.Options{}, nil)
	if err != nil {
		return []string{err.Error()}
	}
	if result.Reason != levels.ReasonEnough || len(result.Warnings) != 1 {
		problems = append(problems, fmt.Sprintf("%q at %g dBFS, warnings %q", result.Reason, result.LevelDBFS, result.Warnings))
	}
	for _, o := range result.Octaves {
		power, time := 0.0, 0.0
		for k := int(math.Ceil(o.Band.LowHz)); k < int(o.Band.HighHz); k++ {
			// The sweep takes a time proportional to 1/f.
			power += (real(h[k])*real(h[k]) + imag(h[k])*imag(h[k])) / float64(k)
			time += 1 / float64(k)
		}
		want := scale.PowerDB(power / time)
		tol := levelPathTolDB
		if o.Band.NominalHz < 63 {
			tol = 1.5 // the probe passes 24 to 45 Hz of it, which holds a dozen peaks and dips
		}
		if !(math.Abs(o.GainDB-want) <= tol) {
			problems = append(problems, fmt.Sprintf("%g Hz: gain %.2f dB, want %.2f dB", o.Band.NominalHz, o.GainDB, want))
		}
	}
	return problems
}
