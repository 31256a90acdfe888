package modelroom

import (
	"math"
	"sort"
)

// Mode is one standing wave of the room, or, as order (0,0,0), the room's
// pressure as a whole with the leak through its doors.
type Mode struct {
	Hz    float64 // ω_n/2π of the undamped room: c/2·sqrt(Σ(n_i/L_i)²), or the leak's
	T60S  float64 // its decay time in s: amplitude falls as e^(-6.908 t/T60)
	Order [3]int  // half waves along length, width, height
	// AtSeat and AtSource are Π cos(π n_i x_i/L_i) at the seat and at each
	// source (in the order of Truth.Sources): ±1 in a corner, 0 on a node.
	AtSeat   float64
	AtSource []float64
	// Weight is the mode's share in the modal sum: 1, and less towards the
	// highest, so that the sum does not break off.
	Weight float64
}

// delta is the mode's damping δ in 1/s.
func (m Mode) delta() float64 { return 3 * math.Ln10 / m.T60S }

// norm is Λ: the mean of the squared mode shape.
func (m Mode) norm() float64 { return math.Exp2(-float64(nonZero(m.Order))) }

func nonZero(order [3]int) (n int) {
	for _, i := range order {
		if i != 0 {
			n++
		}
	}
	return n
}

// modeHz returns (c/2)·sqrt(Σ(n_i/L_i)²) in Hz.
func modeHz(size point, order [3]int, c float64) float64 {
	var sum float64
	for i, n := range order {
		q := float64(n) / size[i]
		sum += q * q
	}
	return c / 2 * math.Sqrt(sum)
}

// modeOrders lists the standing waves up to topHz, lowest first, without
// (0,0,0).
func modeOrders(size point, topHz, c float64) [][3]int {
	var most [3]int
	for i := range most {
		most[i] = int(topHz * 2 * size[i] / c)
	}
	var orders [][3]int
	for x := 0; x <= most[0]; x++ {
		for y := 0; y <= most[1]; y++ {
			for z := 0; z <= most[2]; z++ {
				o := [3]int{x, y, z}
				if o != [3]int{} && modeHz(size, o, c) <= topHz {
					orders = append(orders, o)
				}
			}
		}
	}
	sort.SliceStable(orders, func(i, j int) bool {
		return modeHz(size, orders[i], c) < modeHz(size, orders[j], c)
	})
	return orders
}

// shape returns Π cos(π n_i x_i/L_i).
func shape(size point, order [3]int, at point) float64 {
	p := 1.0
	for i, n := range order {
		p *= math.Cos(math.Pi * float64(n) * at[i] / size[i])
	}
	return p
}

// modes lists the scene's modes as seen from the sources and the seat. The
// first is the pressure of the room as a whole, order (0,0,0): in a closed box
// it would have 0 Hz and never leave, in a room with doors it has a few Hz.
// Without it the modes would not cancel out before the direct sound.
func (s *scene) modes(sources []point, seat point) []Mode {
	orders := append([][3]int{{}}, modeOrders(s.room.size, s.modeTopHz, speedOfSound)...)
	modes := make([]Mode, len(orders))
	shapes := make([]float64, len(orders)*len(sources))
	for i, o := range orders {
		hz := modeHz(s.room.size, o, speedOfSound)
		if i == 0 {
			hz = s.leakHz
		}
		at := shapes[i*len(sources) : (i+1)*len(sources) : (i+1)*len(sources)]
		for j, p := range sources {
			at[j] = shape(s.room.size, o, p)
		}
		modes[i] = Mode{
			Hz: hz, T60S: s.decay(hz) * s.orderFactor[nonZero(o)], Order: o,
			AtSeat: shape(s.room.size, o, seat), AtSource: at,
			Weight: s.modeWeight(hz),
		}
	}
	return modes
}

// modeWeight falls from 1 to 0 as the integral of a bell does. A sum that broke
// off at modeTopHz instead would ring there, before the direct sound too.
func (s *scene) modeWeight(hz float64) float64 {
	mid, half := (s.modeTopHz+s.handHz)/2, (s.modeTopHz-s.handHz)/2
	return 0.5 * math.Erfc(2.5*(hz-mid)/half)
}

// modalSum evaluates, for every source,
//
//	H(s) = Σ (4πc²/(VΛ)) ψ(source) ψ(seat) · weight / (ω_n² + 2δ_n s + s²)
//
// at complex frequencies s: the sound pressure for a source whose pressure in
// the free field at 1 m is 1 (Kuttruff, Room Acoustics; from memory).
type modalSum struct {
	sources int
	square  []float64 // ω_n²
	twice   []float64 // 2δ_n
	weight  []float64 // [mode][source]
}

func newModalSum(room box, modes []Mode, sources int) *modalSum {
	m := &modalSum{sources: sources}
	for _, mode := range modes {
		w := 2 * math.Pi * mode.Hz
		m.square = append(m.square, w*w)
		m.twice = append(m.twice, 2*mode.delta())
		factor := 4 * math.Pi * speedOfSound * speedOfSound / (room.volume() * mode.norm()) * mode.AtSeat * mode.Weight
		for _, at := range mode.AtSource {
			m.weight = append(m.weight, factor*at)
		}
	}
	return m
}

// at fills dst[source] with H(s).
func (m *modalSum) at(s complex128, dst []complex128) {
	var re, im [8]float64
	n := m.sources
	s2 := s * s
	for i, square := range m.square {
		a := square + real(s2) + m.twice[i]*real(s)
		b := imag(s2) + m.twice[i]*imag(s)
		d := 1 / (a*a + b*b)
		a, b = a*d, b*d
		for j, w := range m.weight[i*n : i*n+n] {
			re[j] += w * a
			im[j] -= w * b
		}
	}
	for j := range n {
		dst[j] = complex(re[j], im[j])
	}
}
