package modelroom

import (
	"math"
	"math/cmplx"
)

// maxSources is how many sources a channel can drive.
const maxSources = 8

// drive is a feed's electrics at one rate.
type drive struct {
	filters cascade
	gain    complex128
	delayS  complex128
}

func (f feed) drive(rate float64) drive {
	filters := linkwitzRiley(f.cut, f.cutHz, rate)
	filters = append(filters, butterworth(highPass, f.highPass.order, f.highPass.hz, rate)...)
	for _, q := range f.filters {
		filters = append(filters, peaking(q.Hz, q.Amount, q.Q, rate))
	}
	return drive{filters, complex(f.gain, 0), complex(f.delayS, 0)}
}

// at returns the transfer function at complex frequency s, zi = e^(-s/rate).
func (d drive) at(s, zi complex128) complex128 {
	h := d.gain * d.filters.at(zi)
	if d.delayS != 0 {
		h *= cmplx.Exp(-s * d.delayS)
	}
	return h
}

// subTopHz: above this a subwoofer is more than 70 dB down behind its
// low-pass, and its reverberation is no longer worked out in full; an octave
// higher it ends.
const subTopHz = 1000

// plan is what all channels and seats share at one rate.
type plan struct {
	rate        float64
	main, short *grid
	microphone  []complex128
	top         []complex128 // loudspeakers' roll-off
	handLow     cascade
	handHigh    cascade
}

func (s *scene) plan(rate float64) *plan {
	p := &plan{
		rate:     rate,
		main:     newGrid(rate, int(math.Round(impulseS*rate))),
		short:    newGrid(rate, fastLength(int(3*s.imageS*rate))),
		handLow:  linkwitzRiley(lowPass, s.handHz, rate),
		handHigh: linkwitzRiley(highPass, s.handHz, rate),
	}
	p.microphone = p.main.minimumPhase(microphoneLog)
	p.top = p.main.minimumPhase(loudspeakerTop)
	return p
}

// truth multiplies one channel at one seat out. seed decides the late
// reverberation.
func (s *scene) truth(p *plan, channel int, seatName string, seed uint64) *Truth {
	seat := s.seats[seatName]
	feeds := s.feeds(channel)
	t := &Truth{SampleRate: p.rate, HandOverHz: s.handHz, feed: feeds, hand: p.handLow}
	var at []point
	for _, f := range feeds {
		at = append(at, f.at)
		t.Sources = append(t.Sources, Source{
			Name: f.name, Position: f.at, DistanceM: seat.distance(f.at),
			DelayS: f.delayS, Subwoofer: f.sub,
		})
	}
	t.Modes = s.modes(at, seat)
	t.sum = newModalSum(s.room, t.Modes, len(at))
	for _, b := range octaves(p.rate) {
		t.Decay = append(t.Decay, BandDecay{b, s.decay(b.MidHz)})
	}

	g := p.main
	total := make([]complex128, g.n/2+1)
	reverb := make([][]complex128, len(feeds))
	drives := make([]drive, len(feeds))
	for i, f := range feeds {
		topHz := 0.0
		if f.sub {
			topHz = subTopHz
		}
		h := s.reverberation(g, p.short, f.at, seat, random(seed, "reverberation "+f.name+" "+seatName), topHz)
		reverb[i] = g.fft.Coefficients(nil, h)
		drives[i] = f.drive(p.rate)
	}
	var room [maxSources]complex128
	for k := range total {
		hz := g.hz(k)
		s0, zi := complex(0, 2*math.Pi*hz), unitInverse(hz, p.rate)
		low := complex(s.modalTaper(hz), 0)
		if low != 0 {
			low *= p.handLow.at(zi)
			t.sum.at(s0, room[:])
		}
		high := p.handHigh.at(zi)
		var h complex128
		for i, f := range feeds {
			v := reverb[i][k] * high
			if f.sub {
				v *= complex(fall(hz, subTopHz, 2*subTopHz), 0)
			}
			if low != 0 {
				v += room[i] * low
			}
			v *= drives[i].at(s0, zi)
			if !f.sub {
				v *= p.top[k]
			}
			h += v
		}
		total[k] = h * recordGain
	}
	total[g.n/2] = complex(real(total[g.n/2]), 0)
	t.ImpulseFlat = g.impulse(total)
	for k := range total {
		total[k] *= p.microphone[k]
	}
	total[g.n/2] = complex(real(total[g.n/2]), 0)
	t.Impulse = g.impulse(total)
	return t
}

// modalTaper ends the modal part above its highest mode, where the hand-over
// has already taken it down by 40 dB and more.
func (s *scene) modalTaper(hz float64) float64 { return fall(hz, s.modeTopHz, s.modeTopHz*4/3) }

// fall is 1 up to from, 0 from to on, and a raised cosine between.
func fall(hz, from, to float64) float64 {
	switch {
	case hz <= from:
		return 1
	case hz >= to:
		return 0
	}
	x := math.Cos(math.Pi / 2 * (hz - from) / (to - from))
	return x * x
}
