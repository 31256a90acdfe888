// Package scale is the one home of the scales that measurements are read on:
// decibels, octave and one-third-octave bands, and frequency axes that are
// linear in the logarithm of frequency. It knows nobody, and everybody may
// know it.
package scale

import (
	"fmt"
	"math"
	"sort"
)

// FloorDB is what AmplitudeDB and PowerDB return for zero (and for anything
// smaller than it stands for), so that drawings, tables and JSON never meet
// an infinity. Double-precision work on full-scale audio has nothing below it.
const FloorDB = -400

// AmplitudeDB returns 20·lg|a|, and FloorDB where that would be lower.
// NaN stays NaN.
func AmplitudeDB(a float64) float64 { return floor(20 * math.Log10(math.Abs(a))) }

// PowerDB returns 10·lg p for a power p >= 0, and FloorDB where that would be
// lower. Powers that rounding has pushed below zero count as zero.
func PowerDB(p float64) float64 {
	if p < 0 {
		p = 0
	}
	return floor(10 * math.Log10(p))
}

func floor(db float64) float64 {
	if db < FloorDB {
		return FloorDB
	}
	return db
}

// Amplitude returns 10^(db/20).
func Amplitude(db float64) float64 { return math.Pow(10, db/20) }

// Power returns 10^(db/10).
func Power(db float64) float64 { return math.Pow(10, db/10) }

// Width is the width of a band as the number of bands in an octave.
type Width int

// The two widths that room acoustics reports in.
const (
	Octave Width = 1
	Third  Width = 3
)

// String returns "octave" or "third", the words used in JSON and CSV.
func (w Width) String() string {
	switch w {
	case Octave:
		return "octave"
	case Third:
		return "third"
	}
	return fmt.Sprintf("1/%d octave", int(w))
}

// octaveRatio is G = 10^(3/10), the base-ten octave of IEC 61260-1:2014, 5.2.
var octaveRatio = math.Pow(10, 0.3)

// Band is one octave or one-third-octave band of IEC 61260-1:2014.
type Band struct {
	Width     Width
	NominalHz float64 // the label: 31.5, 63, 125 ... (ISO 266)
	MidHz     float64 // exact mid-band frequency, 1000·G^(x/b)
	LowHz     float64 // MidHz·G^(-1/2b)
	HighHz    float64 // MidHz·G^(+1/2b)
}

// BandwidthHz returns HighHz − LowHz.
func (b Band) BandwidthHz() float64 { return b.HighHz - b.LowHz }

// nominalThirds are the labels of ten one-third-octave bands from 1 kHz on;
// the other decades repeat them (ISO 266, common practice for the band names).
var nominalThirds = [10]float64{1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000}

// Bands returns the bands of width w (Octave or Third) whose nominal
// frequency lies in [fromHz, toHz], lowest first. It panics on other widths.
func Bands(w Width, fromHz, toHz float64) []Band {
	if w != Octave && w != Third {
		panic("scale: width must be Octave or Third")
	}
	var bands []Band
	step := 3 / int(w) // in one-third octaves
	for k := -30; k <= 30; k++ {
		if k%step != 0 {
			continue
		}
		decade, i := k/10, k%10
		if i < 0 {
			decade, i = decade-1, i+10
		}
		nominal := nominalThirds[i] * math.Pow10(decade)
		// The labels of the lowest decades carry the rounding of Pow10.
		nominal = math.Round(nominal*1e6) / 1e6
		if nominal < fromHz || nominal > toHz {
			continue
		}
		mid := 1000 * math.Pow(10, float64(k)/10)
		half := math.Pow(octaveRatio, 1/(2*float64(w)))
		bands = append(bands, Band{Width: w, NominalHz: nominal, MidHz: mid, LowHz: mid / half, HighHz: mid * half})
	}
	return bands
}

// Interpolate returns the value at frequency hz of a curve given at the
// rising frequencies at[] (> 0), linear in lg f between two points and held at
// the ends. It panics when the slices are empty or differ in length.
func Interpolate(at, values []float64, hz float64) float64 {
	n := len(at)
	if n == 0 || n != len(values) {
		panic("scale: Interpolate needs equally many frequencies and values")
	}
	switch {
	case hz <= at[0]:
		return values[0]
	case hz >= at[n-1]:
		return values[n-1]
	}
	i := sort.SearchFloat64s(at, hz)
	if at[i] == hz {
		return values[i]
	}
	t := math.Log(hz/at[i-1]) / math.Log(at[i]/at[i-1])
	return values[i-1] + t*(values[i]-values[i-1])
}
