// Package tolerance holds published recommendations of how long a listening room
// may ring, over frequency.
//
// None of the documents could be read when this was written. The values are those
// that public pages and programs quote from them, or are from memory, as each
// comment says. They are made for rooms in which programmes are judged; a living
// room outside them is no fault.
package tolerance

import (
	"fmt"
	"math"

	"roomsonde/sweep/scale"
)

// Curve is a recommended decay time and the limits around it.
type Curve struct {
	// Name is short and goes on a drawing: "EBU Tech 3276 (1998), 60 m³".
	Name string
	// Source says where the values come from, and how far they can be trusted.
	Source  string
	Nominal float64 // recommended decay time (60 dB) in seconds, the mean over 200 Hz to 4 kHz
	// Points are the corners of the limits, rising in frequency; between two they
	// are straight over the logarithm of frequency. Two points of one frequency are
	// a step. Outside the first and the last nothing is recommended.
	Points []Point
}

// Point is a corner of the limits.
type Point struct {
	Hz          float64
	LowS, HighS float64 // shortest and longest decay time, in seconds
}

// Limits returns the shortest and the longest decay time recommended at hz; ok is
// false where the curve says nothing. At a step the wider limits hold.
func (c Curve) Limits(hz float64) (low, high float64, ok bool) {
	if len(c.Points) == 0 || !(hz >= c.Points[0].Hz) || !(hz <= c.Points[len(c.Points)-1].Hz) {
		return 0, 0, false
	}
	low, high = math.Inf(1), math.Inf(-1)
	for i, p := range c.Points {
		if p.Hz == hz {
			low, high, ok = math.Min(low, p.LowS), math.Max(high, p.HighS), true
			continue
		}
		if i > 0 && c.Points[i-1].Hz < hz && hz < p.Hz {
			q := c.Points[i-1]
			at := []float64{q.Hz, p.Hz}
			return scale.Interpolate(at, []float64{q.LowS, p.LowS}, hz), scale.Interpolate(at, []float64{q.HighS, p.HighS}, hz), true
		}
	}
	return low, high, ok
}

// VolumeError says that a room's volume is none that a recommendation covers.
type VolumeError struct{ M3 float64 }

func (e *VolumeError) Error() string {
	return fmt.Sprintf("tolerance: no decay time is recommended for a room of %g m³", e.M3)
}

// Hint says what to do about it.
func (e *VolumeError) Hint() string {
	return "give the room's volume in cubic metres: length times width times height"
}

// Nominal decay times are held within these, in seconds, and the formula's
// reference volume, in cubic metres.
const (
	shortestS, longestS = 0.2, 0.4
	referenceM3         = 100
	mostM3              = 1e5
)

// EBU returns the recommendation of EBU Tech 3276, second edition, 1998, section
// 2.3, for a room of a volume in cubic metres:
//
//	Tm = 0.25 s · (V / 100 m³)^(1/3), held within 0.2 and 0.4 s,
//
// ±0.05 s from 200 Hz to 4 kHz; the upper limit rises below 200 Hz to +0.3 s at
// 63 Hz; ±0.1 s from 4 to 8 kHz. The formula, its ends and the ±0.05 s are quoted
// alike by several public pages and programs (the formula with its ends also by
// one that cites a handbook, chapter 32 of "Audio Metering: Measurements,
// Standards, and Practice"); +0.3 s, ±0.1 s and the lower limit below 200 Hz, here
// −0.05 s, are from memory. ITU-R BS.1116-3 (2015), section 8.2.3.1, has the same
// limits [from memory]. The error is a *VolumeError.
func EBU(volumeM3 float64) (Curve, error) {
	if !(volumeM3 > 0) || volumeM3 > mostM3 {
		return Curve{}, &VolumeError{M3: volumeM3}
	}
	tm := math.Min(math.Max(0.25*math.Cbrt(volumeM3/referenceM3), shortestS), longestS)
	c := ebu(tm)
	c.Name = fmt.Sprintf("EBU Tech 3276 (1998), %.3g m³", volumeM3)
	return c, nil
}

// EBUAnyVolume returns the widest limits of EBU for a room whose volume is not
// known: the lower ones of the shortest and the upper ones of the longest nominal
// decay time.
func EBUAnyVolume() Curve {
	short, long := ebu(shortestS), ebu(longestS)
	c := long
	c.Nominal = (shortestS + longestS) / 2
	for i := range c.Points {
		c.Points[i].LowS = short.Points[i].LowS
	}
	c.Name = "EBU Tech 3276 (1998), any volume"
	return c
}

func ebu(tm float64) Curve {
	return Curve{
		Source:  "EBU Tech 3276, 2nd edition, 1998, section 2.3; quoted at second hand, below 200 Hz and above 4 kHz from memory",
		Nominal: tm,
		Points: []Point{
			{63, tm - 0.05, tm + 0.3},
			{200, tm - 0.05, tm + 0.05},
			{4000, tm - 0.05, tm + 0.05},
			{4000, tm - 0.1, tm + 0.1},
			{8000, tm - 0.1, tm + 0.1},
		},
	}
}
