package modes

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Dimensions are those of a rectangular room, with how well they are known.
type Dimensions struct {
	LengthM, WidthM, HeightM float64
	// ToleranceM is half the range in which each of them may be wrong, and in
	// which walls are uneven; 0: 0.05 m.
	ToleranceM float64
	// TemperatureC is the air's; 0: 20 °C, and TemperatureRangeC how far it may
	// be off; 0: 5 °C.
	TemperatureC, TemperatureRangeC float64
}

func (d Dimensions) filled() Dimensions {
	if d.ToleranceM == 0 {
		d.ToleranceM = 0.05
	}
	if d.TemperatureC == 0 {
		d.TemperatureC = 20
	}
	if d.TemperatureRangeC == 0 {
		d.TemperatureRangeC = 5
	}
	return d
}

// DimensionsError says that a room cannot be.
type DimensionsError struct{ Fact string }

func (e *DimensionsError) Error() string { return "modes: " + e.Fact }

// Hint says what to do about it.
func (e *DimensionsError) Hint() string {
	return "give the room's length, width and height in metres, such as 5.1, 3.9 and 2.4"
}

// Check reports whether the dimensions are those of a room (0.5 to 100 m) and
// the rest makes sense: *DimensionsError.
func (d Dimensions) Check() error {
	for _, v := range []float64{d.LengthM, d.WidthM, d.HeightM} {
		if !(v >= 0.5 && v <= 100) {
			return &DimensionsError{fmt.Sprintf("a room cannot measure %g m; 0.5 to 100 m can be worked with", v)}
		}
		if !(d.ToleranceM >= 0 && d.ToleranceM < v/2) {
			return &DimensionsError{fmt.Sprintf("a tolerance of %g m does not go with %g m", d.ToleranceM, v)}
		}
	}
	if !(d.TemperatureC > -50 && d.TemperatureC < 60) || !(d.TemperatureRangeC >= 0 && d.TemperatureRangeC < 60) {
		return &DimensionsError{fmt.Sprintf("the air cannot be at %g °C, to %g °C", d.TemperatureC, d.TemperatureRangeC)}
	}
	return nil
}

// SpeedOfSound returns that in air in m/s: 343.2·√(T/293.15 K), ISO 9613-1:1993.
func SpeedOfSound(celsius float64) float64 {
	return 343.2 * math.Sqrt((celsius+273.15)/293.15)
}

// Shape says between how many pairs of walls a mode's waves run.
type Shape string

// The shapes of a rectangular room's modes.
const (
	Axial      Shape = "axial"      // one pair
	Tangential Shape = "tangential" // two
	Oblique    Shape = "oblique"    // all three
)

// RigidMode is a mode of a rectangular room with rigid walls.
type RigidMode struct {
	Order [3]int // half waves along length, width, height
	Shape Shape
	Hz    float64 // c/2·√((n_x/L_x)² + (n_y/L_y)² + (n_z/L_z)²)
	// Hz90 is what the tolerance of dimensions and temperature makes of it, as half
	// a 90 % interval where these are such themselves.
	Hz90 float64
}

// Rigid returns the modes of a rectangular room with rigid walls up to a
// frequency in Hz, rising (H. Kuttruff, Room Acoustics, section 3.2; from
// memory). Dimensions that fail Check have none.
func Rigid(room Dimensions, upTo float64) []RigidMode {
	if room.Check() != nil || !(upTo > 0) {
		return nil
	}
	room = room.filled()
	c := SpeedOfSound(room.TemperatureC)
	size := [3]float64{room.LengthM, room.WidthM, room.HeightM}
	var most [3]int
	for i, l := range size {
		// The tiny share keeps a mode that lies exactly at upTo.
		most[i] = int(2 * upTo * l / c * (1 + 1e-12))
	}
	var out []RigidMode
	for x := range most[0] + 1 {
		for y := range most[1] + 1 {
			for z := range most[2] + 1 {
				order := [3]int{x, y, z}
				sum, fromSize, along := 0.0, 0.0, 0
				for i, n := range order {
					k := float64(n) / size[i]
					sum += k * k
					fromSize += math.Pow(k*k*room.ToleranceM/size[i], 2)
					if n > 0 {
						along++
					}
				}
				hz := c / 2 * math.Sqrt(sum)
				if along == 0 || hz > upTo*(1+1e-12) {
					continue
				}
				warm := room.TemperatureRangeC / (room.TemperatureC + 273.15) / 2
				out = append(out, RigidMode{
					Order: order, Hz: hz,
					Shape: [...]Shape{Axial, Tangential, Oblique}[along-1],
					Hz90:  hz * math.Hypot(math.Sqrt(fromSize)/sum, warm),
				})
			}
		}
	}
	slices.SortFunc(out, func(a, b RigidMode) int {
		return cmp.Or(cmp.Compare(a.Hz, b.Hz), slices.Compare(a.Order[:], b.Order[:]))
	})
	return out
}

// String names the mode by its shape and order: "axial 1-0-0".
func (m RigidMode) String() string {
	return fmt.Sprintf("%s %d-%d-%d", m.Shape, m.Order[0], m.Order[1], m.Order[2])
}

// Named is a mode that was found, with the one of the rigid room that it is
// taken for.
type Named struct {
	Mode Mode
	// Match is the rigid room's mode; nil: none is within ErrorHz that is not
	// given to another.
	Match *RigidMode
	// OffHz and OffPercent are the mode's frequency less that of Match.
	OffHz, OffPercent float64
	// ErrorHz is how far off it may be: the formula's own error and the mode's,
	// together as half a 90 % interval. The formula's is of the dimensions and
	// the speed of sound, and of walls that are not rigid: a wall that takes
	// energy also shifts the frequency, by about as much as it widens the peak
	// where the two parts of its admittance are alike, half a bandwidth.
	ErrorHz float64
	// Rivals are the rigid room's other modes within ErrorHz, which it may be just as
	// well; and for a group, all that lie in its range.
	Rivals []RigidMode
}

// Name sets modes as Find returns them, rising in frequency, against a
// rectangular room with rigid walls. No mode of that room is given twice, and
// their order is kept; of all such ways it is the one that names most, and then
// the one with the least sum of squared distances in units of ErrorHz. Groups get
// no match, but the modes within their range as Rivals.
func Name(modes []Mode, room Dimensions) []Named {
	out := make([]Named, len(modes))
	top := 0.0
	for i, m := range modes {
		out[i].Mode = m
		top = math.Max(top, m.ToHz)
	}
	rigid := Rigid(room, 1.2*top+10)
	errorOf := func(m Mode, r RigidMode) float64 {
		return math.Sqrt(r.Hz90*r.Hz90 + m.Hz90*m.Hz90 + m.BandwidthHz()*m.BandwidthHz()/4)
	}
	var single []int
	for i, m := range modes {
		if m.Kind == Group {
			for _, r := range rigid {
				if r.Hz >= m.FromHz-r.Hz90 && r.Hz <= m.ToHz+r.Hz90 {
					out[i].Rivals = append(out[i].Rivals, r)
				}
			}
			continue
		}
		single = append(single, i)
	}
	// cost[i][j]: of the first i modes with the first j of the room.
	const skip = 100.0 // dearer than any match
	cost := make([][]float64, len(single)+1)
	for i := range cost {
		cost[i] = make([]float64, len(rigid)+1)
		for j := range cost[i] {
			if i > 0 {
				cost[i][j] = cost[i-1][j] + skip
			}
			if j > 0 {
				cost[i][j] = math.Min(cost[i][j], cost[i][j-1])
			}
			if i > 0 && j > 0 {
				m, r := modes[single[i-1]], rigid[j-1]
				if off := (m.Hz - r.Hz) / errorOf(m, r); math.Abs(off) <= 1 {
					cost[i][j] = math.Min(cost[i][j], cost[i-1][j-1]+off*off)
				}
			}
		}
	}
	for i, j := len(single), len(rigid); i > 0; {
		switch {
		case j > 0 && cost[i][j] == cost[i][j-1]:
			j--
		case cost[i][j] == cost[i-1][j]+skip:
			i--
		default:
			i, j = i-1, j-1
			n := &out[single[i]]
			n.Match = &rigid[j]
		}
	}
	for _, i := range single {
		n := &out[i]
		if n.Match != nil {
			n.OffHz = n.Mode.Hz - n.Match.Hz
			n.OffPercent = 100 * n.OffHz / n.Match.Hz
			n.ErrorHz = errorOf(n.Mode, *n.Match)
		}
		for j := range rigid {
			if n.Match != &rigid[j] && math.Abs(n.Mode.Hz-rigid[j].Hz) <= errorOf(n.Mode, rigid[j]) {
				n.Rivals = append(n.Rivals, rigid[j])
			}
		}
	}
	return out
}
