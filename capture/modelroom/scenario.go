package modelroom

import (
	"math"

	"roomsonde/sweep/scale"
)

// speedOfSound is c in m/s at 20 °C (ISO 9613-1:1993).
const speedOfSound = 343.2

// point is a place in the room in metres: from the front wall, from the left
// wall, above the floor.
type point [3]float64

func (p point) distance(q point) float64 {
	return math.Sqrt((p[0]-q[0])*(p[0]-q[0]) + (p[1]-q[1])*(p[1]-q[1]) + (p[2]-q[2])*(p[2]-q[2]))
}

// box is a rectangular room: its lengths, and how strongly each wall absorbs
// compared with the others (small whole numbers; a wall of 2 takes from a
// reflection as many decibels as two walls of 1). The walls are in the order
// x = 0, x = L, y = 0, y = W, z = 0, z = H.
type box struct {
	size point
	wall [6]int
}

func (b box) volume() float64 { return b.size[0] * b.size[1] * b.size[2] }

func (b box) areas() [6]float64 {
	yz, xz, xy := b.size[1]*b.size[2], b.size[0]*b.size[2], b.size[0]*b.size[1]
	return [6]float64{yz, yz, xz, xz, xy, xy}
}

// emitter is a loudspeaker or a subwoofer with what drives it.
type emitter struct {
	name     string
	at       point
	gain     float64 // pressure at 1 m in the free field for full scale
	delayS   float64 // of its own electronics, on top of the card's latency
	highPass lowEnd
	sub      bool
	filters  []Change // put in front of it
}

// lowEnd is where a cabinet stops: a Butterworth high-pass of second (closed)
// or fourth order (vented).
type lowEnd struct {
	order int
	hz    float64
}

// scene is everything that makes up the model room.
type scene struct {
	room      box
	seatNames []string
	seats     map[string]point
	channels  []string
	speakers  map[string]emitter // by channel name; LFE has none
	subs      []emitter
	crossHz   float64 // receiver's crossover
	lfeHz     float64 // receiver's low-pass on LFE
	handHz    float64 // from modes to images
	// Modes are summed up to modeTopHz, with less and less weight from handHz
	// on.
	modeTopHz float64
	leakHz    float64 // the room as a whole, through its doors
	imageS    float64 // images are summed up to here
	decayHz   []float64
	decayS    []float64
	// orderFactor scales a mode's decay time by how many of its indices are
	// not zero: axial modes touch two walls and ring longer.
	orderFactor [4]float64
}

// The front loudspeakers are the unit of gain. The subwoofers are set some
// decibels louder at the main seat than those are above the crossover, as many
// owners like it.
const (
	subFrontGain = 0.80
	subRearGain  = 0.75
	subDelayS    = 0.0035
)

// recordGain is microphone sensitivity and preamplifier in one: with it a
// programme at -30 dBFS comes back at about -30 dBFS peak.
const recordGain = 0.32

// cinema is the scenario told in the package comment.
var cinema = scene{
	room: box{
		size: point{5.72, 4.15, 2.55},
		wall: [6]int{2, 3, 1, 2, 3, 1},
	},
	seatNames: []string{"main", "left end", "right end"},
	seats: map[string]point{
		"main":      {3.74, 2.02, 1.06},
		"left end":  {3.74, 1.21, 1.06},
		"right end": {3.74, 2.86, 1.06},
	},
	channels: []string{"FL", "FR", "FC", "LFE", "BL", "BR", "SL", "SR"},
	speakers: map[string]emitter{
		"FL": {name: "left", at: point{0.52, 0.88, 0.96}, gain: 1, highPass: lowEnd{4, 42}},
		"FR": {name: "right", at: point{0.52, 3.21, 0.96}, gain: 1, highPass: lowEnd{4, 42}},
		"FC": {name: "centre", at: point{0.41, 2.07, 0.71}, gain: 1, highPass: lowEnd{4, 55}},
		"BL": {name: "back left", at: point{5.41, 1.08, 1.86}, gain: 0.75, highPass: lowEnd{4, 70}},
		"BR": {name: "back right", at: point{5.41, 3.07, 1.86}, gain: 0.75, highPass: lowEnd{4, 70}},
		"SL": {name: "side left", at: point{3.18, 0.19, 1.83}, gain: 0.7, highPass: lowEnd{4, 70}},
		"SR": {name: "side right", at: point{3.18, 3.96, 1.83}, gain: 0.7, highPass: lowEnd{4, 70}},
	},
	subs: []emitter{
		{name: "front sub", at: point{0.44, 2.64, 0.27}, gain: subFrontGain, delayS: subDelayS, highPass: lowEnd{4, 18}, sub: true},
		{name: "rear sub", at: point{5.26, 3.62, 0.22}, gain: subRearGain, delayS: subDelayS, highPass: lowEnd{2, 24}, sub: true},
	},
	crossHz:   80,
	lfeHz:     120,
	handHz:    300,
	modeTopHz: 900,
	leakHz:    4,
	imageS:    0.080,
	decayHz:   []float64{31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000},
	decayS:    []float64{0.80, 0.68, 0.50, 0.40, 0.36, 0.35, 0.34, 0.32, 0.28, 0.22},

	orderFactor: [4]float64{1, 1.10, 1.00, 0.90},
}

// decay returns the decay time T60 in s that the room is given at hz.
func (s *scene) decay(hz float64) float64 {
	return scale.Interpolate(s.decayHz, s.decayS, hz)
}

// impulseS is the length of an impulse response in s: more than twice the
// longest decay time (0.88 s), so that even that mode ends 136 dB down. It is
// the same at every rate, and with it the frequencies that spectra are worked
// out at.
const impulseS = 2.0

// feeds returns what one output channel drives: emitters, and whether each is
// fed through the receiver's high-pass or low-pass.
func (s *scene) feeds(channel int) []feed {
	name := s.channels[channel]
	if name == "LFE" {
		feeds := make([]feed, len(s.subs))
		for i, sub := range s.subs {
			feeds[i] = feed{emitter: sub, cut: lowPass, cutHz: s.lfeHz}
		}
		return feeds
	}
	feeds := []feed{{emitter: s.speakers[name], cut: highPass, cutHz: s.crossHz}}
	for _, sub := range s.subs {
		feeds = append(feeds, feed{emitter: sub, cut: lowPass, cutHz: s.crossHz})
	}
	return feeds
}

type feed struct {
	emitter
	cut   passKind
	cutHz float64
}
