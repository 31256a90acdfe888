package modelroom

import (
	"bytes"
	"fmt"
	"math"
	"strconv"

	"roomsonde/sweep/scale"
)

// MicrophoneDB returns the built-in microphone's deviation from flat at hz in
// dB, exactly: it droops below 20 Hz, lifts around 11 kHz as a capsule facing
// the sound does, and falls off beyond. Its phase is minimum phase.
func (r *Room) MicrophoneDB(hz float64) float64 { return microphoneDB(hz) }

func microphoneDB(hz float64) float64 {
	f2 := hz * hz
	droop := 10 * math.Log10((f2+1.6*1.6)/(f2+9.5*9.5))
	fall := -10 * math.Log10(1+math.Pow(hz/21000, 4))
	return droop + fall + bump(hz, 11000, 0.75, 3.2) + bump(hz, 2700, 0.9, -0.6) + bump(hz, 150, 1.2, 0.3)
}

// bump is a bell of db decibels at mid, width octaves to either side.
func bump(hz, mid, width, db float64) float64 {
	if hz <= 0 {
		return 0
	}
	x := math.Log2(hz/mid) / width
	return db * math.Exp(-x*x/2)
}

// loudspeakerTop is the loudspeakers' slight roll-off at the top, in nepers:
// the magnitude of a second-order Butterworth low-pass.
func loudspeakerTop(hz float64) float64 {
	return -0.5 * math.Log1p(math.Pow(hz/26000, 4))
}

// microphoneLog is the microphone's magnitude in nepers.
func microphoneLog(hz float64) float64 { return microphoneDB(hz) * math.Ln10 / 20 }

// Where the calibration file begins and ends, in Hz.
const (
	calibrationFrom = 10
	calibrationTo   = 22000
)

// CalibrationFile returns the microphone's calibration file: comment lines,
// then one line per frequency with Hz and dB, 24 to the octave from 10 Hz to
// 22 kHz. Every level is MicrophoneDB at the frequency as printed, rounded to
// four decimals.
func (r *Room) CalibrationFile() []byte {
	var b bytes.Buffer
	b.WriteString("# Microphone of the built-in model room, facing the sound (0 degrees)\n")
	b.WriteString("# An invented microphone: for the model room only\n")
	b.WriteString("# frequency (Hz)\tdeviation (dB)\n")
	steps := int(math.Floor(24 * math.Log2(calibrationTo/calibrationFrom)))
	line := func(hz float64) {
		text := strconv.FormatFloat(hz, 'f', 4, 64)
		printed, err := strconv.ParseFloat(text, 64)
		if err != nil {
			panic(err) // FormatFloat prints what ParseFloat reads
		}
		fmt.Fprintf(&b, "%s\t%.4f\n", text, microphoneDB(printed))
	}
	for k := 0; k <= steps; k++ {
		line(calibrationFrom * math.Exp2(float64(k)/24))
	}
	line(calibrationTo)
	return b.Bytes()
}

// octaves are the bands that the late decay is given in.
func octaves(rate float64) []scale.Band {
	var bands []scale.Band
	for _, b := range scale.Bands(scale.Octave, 125, 16000) {
		if b.LowHz < rate/2 {
			bands = append(bands, b)
		}
	}
	return bands
}
