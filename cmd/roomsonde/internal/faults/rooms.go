package main

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"sync"

	"roomsonde/capture/modelroom"
	"roomsonde/capture/wav"
	"roomsonde/deconv/fourier"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// random returns a generator for one purpose: the same purpose gives the same
// numbers, whatever else was drawn.
func random(seed uint64, purpose string) *rand.Rand {
	hash := fnv.New64a()
	hash.Write([]byte(purpose)) // never fails
	return rand.New(rand.NewPCG(seed, hash.Sum64()))
}

func between(r *rand.Rand, low, high float64) float64 { return low + (high-low)*r.Float64() }

func pick[T any](r *rand.Rand, of ...T) T { return of[r.IntN(len(of))] }

// class says what a room's source and its marks can play.
type class int

const (
	fullRange class = iota
	subOnly         // 20 to 90 Hz, its marks through it
	subApart        // the same, its marks through a full-range loudspeaker
	classCount
)

func (c class) String() string {
	return [...]string{"full range", "sub only", "sub, marks apart"}[c]
}

// place is a room with a loudspeaker, a microphone, a path between them and a
// pair of clocks: what takes have in common.
type place struct {
	name       string
	class      class
	program    *sweep.Program
	rate       float64
	decayS     float64
	latency    float64 // frames
	distortion float64 // second harmonic re the signal at full level
	skewPPM    float64
	signal     []float64 // what is heard of the program, without noise, on the recorder's clock; peak 1
	rms        float64   // of signal
	frames     int       // of a recording
	from       *measured // nil: made up

	playedOnce sync.Once
	played     []float64 // the program, on the recorder's clock
}

// measured is a room's response as somebody measured it.
type measured struct {
	name     string
	rate     float64
	response []float64
}

// readResponses reads responses from WAV files, one from every channel.
func readResponses(paths []string) ([]measured, error) {
	var list []measured
	for _, path := range paths {
		f, err := wav.ReadFile(path)
		if err != nil {
			return nil, err
		}
		for i, x := range f.Channels {
			if f.SampleRate < sweep.MinRate || f.SampleRate > 96000 {
				return nil, fmt.Errorf("%s: its rate of %d Hz is none that is measured at", path, f.SampleRate)
			}
			name := fmt.Sprintf("%s, channel %d", filepath.Base(path), i+1)
			list = append(list, measured{name, float64(f.SampleRate), x})
		}
	}
	return list, nil
}

// tailS is how much longer than its program a recording is, in s.
const tailS = 0.5

// newPlace makes room number of a set. Rooms of different sets have nothing in
// common. Where there are measured responses, rooms and loudspeakers are theirs
// in turns (a subwoofer's is band-limited as one), and only the rest is made up.
func newPlace(set string, seed uint64, number int, from ...measured) (*place, error) {
	name := fmt.Sprintf("%s room %d", set, number)
	r := random(seed, name)
	p := &place{name: name, rate: pick(r, 44100.0, 48000, 48000)}
	if len(from) > 0 {
		p.from = &from[number%len(from)]
		p.rate = p.from.rate
		p.name += " (" + p.from.name + ")"
	}
	o := sweep.ProgramOptions{Sweeps: 2, Marks: true}
	o.Sweep.SampleRate = p.rate
	switch number % 6 { // 4 full, 1 sub, 1 sub with marks apart: 2 to 1
	case 2:
		p.class = subOnly
	case 5:
		p.class = subApart
		o.MarksApart = true
	}
	// Most sweeps are short, for takes are many; every class has its share of
	// long ones.
	o.Sweep.Seconds = [...]float64{3, 10, 4, 3, 5}[number/6%5]
	if p.class != fullRange {
		o.Sweep.StopHz = 500
	}
	var err error
	if p.program, err = sweep.NewProgram(o); err != nil {
		return nil, err
	}
	p.decayS = 0.25 * math.Pow(1.2/0.25, r.Float64())
	p.latency = between(r, 0.005, 0.080) * p.rate
	p.distortion = pick(r, 0.0, 0.01, 0.05)
	p.skewPPM = between(r, -100, 100)
	if r.IntN(8) == 0 {
		p.skewPPM = math.Copysign(between(r, 100, 500), p.skewPPM)
	}
	p.frames = p.program.Frames + int(tailS*p.rate)

	// What is played, through loudspeaker and room.
	n := fourier.FastLen(p.frames + int(1.6*p.rate))
	main := speaker{class: p.class}
	played := p.program.Samples()
	var sum []float64
	if p.class == subApart {
		sum = p.heard(r, n, main, p.program.Only(sweep.KindSweep))
		marks := p.heard(r, n, speaker{class: fullRange}, p.program.Only(sweep.KindMark, sweep.KindQuiet))
		// The two are as loud as each other, within some decibels.
		gain := modelroom.SignalRMS(sum, p.rate) / modelroom.SignalRMS(marks, p.rate) * scale.Amplitude(between(r, -6, 6))
		for i, v := range marks {
			sum[i] += gain * v
		}
	} else {
		sum = p.heard(r, n, main, played)
	}
	p.signal, err = p.clocked(sum)
	if err != nil {
		return nil, err
	}
	var peak float64
	for _, v := range p.signal {
		peak = math.Max(peak, math.Abs(v))
	}
	for i := range p.signal {
		p.signal[i] /= peak
	}
	p.rms = modelroom.SignalRMS(p.signal, p.rate)
	return p, nil
}

// clocked brings what is heard to the recorder's clock.
func (p *place) clocked(x []float64) ([]float64, error) {
	rec, _, err := modelroom.Spoil(modelroom.Heard{SampleRate: p.rate, Frames: p.frames + spare, Signal: x},
		[]modelroom.Fault{{Kind: modelroom.Skew, Amount: p.skewPPM}})
	if err != nil {
		return nil, err
	}
	out := make([]float64, len(rec.Samples))
	for i, v := range rec.Samples {
		out[i] = float64(v)
	}
	return out, nil
}

// spare is what dropped frames are made up from.
const spare = 4096

// playedHere returns the program as a loop inside the machine would bring it
// back.
func (p *place) playedHere() []float64 {
	p.playedOnce.Do(func() {
		x := p.program.Samples()
		wide := make([]float64, len(x)+spare)
		for i, v := range x {
			wide[i] = float64(v)
		}
		p.played, _ = p.clocked(wide) // the same fault was fine before
	})
	return p.played
}

// speaker is a loudspeaker with what drives it.
type speaker struct{ class class }

// heard returns n frames (or more) of what a loudspeaker and the room make of
// x: distortion, then a response that is made up as rooms' are. Modes with
// decay times of their own rule the bass, above them a direct sound with the
// loudspeaker's own ringing, some reflections, and noise that grows out of them
// and decays faster the higher it is.
func (p *place) heard(r *rand.Rand, n int, l speaker, x []float32) []float64 {
	plan := fourier.Get(n)
	defer fourier.Put(plan)
	y := make([]float64, n)
	for i, v := range x {
		y[i] = float64(v)
	}
	if p.distortion > 0 {
		p.distort(y, p.program.Sweep.Amplitude())
	}
	var h []float64
	low := func(float64) complex128 { return 1 }
	if p.from != nil {
		h = make([]float64, n)
		copy(h, p.from.response)
		if l.class != fullRange {
			low = l.filter(r)
		}
	} else {
		h = p.impulse(r, n, l)
		low = l.filter(r)
	}
	a := plan.Coefficients(nil, y)
	b := plan.Coefficients(nil, h)
	for k := range a {
		hz := float64(k) * p.rate / float64(n)
		turn := cmplx.Exp(complex(0, -2*math.Pi*hz/p.rate*p.latency))
		a[k] *= b[k] * low(hz) * turn
	}
	a[n/2] = complex(real(a[n/2]), 0)
	return plan.Sequence(y, a)
}

// distort adds a second harmonic of p.distortion at amplitude full and half as
// much of a third, at twice the rate, so that little folds back.
func (p *place) distort(y []float64, full float64) {
	n := len(y)
	one := fourier.Get(n)
	spectrum := one.Coefficients(nil, y)
	wide := make([]complex128, n+1)
	for k, v := range spectrum[:n/2] {
		wide[k] = 2 * v
	}
	two := fourier.Get(2 * n)
	z := two.Sequence(nil, wide)
	a2, a3 := 2*p.distortion/full, 2*p.distortion/(full*full)
	for i, v := range z {
		z[i] = v + a2*v*v + a3*v*v*v
	}
	two.Coefficients(wide, z)
	fourier.Put(two)
	for k := range spectrum {
		spectrum[k] = wide[k] / 2
	}
	spectrum[0] = 0
	one.Sequence(y, spectrum)
	fourier.Put(one)
}

// impulse returns the room's response, time zero at index 0.
func (p *place) impulse(r *rand.Rand, n int, l speaker) []float64 {
	h := make([]float64, n)
	h[0] = 1
	// The loudspeaker itself: its edges, its cone, its drivers' ringing.
	ringing := scale.Amplitude(between(r, -30, -15))
	for i, d := 1, math.Exp(-1/(between(r, 0.0002, 0.0008)*p.rate)); i < int(0.004*p.rate); i++ {
		h[i] += ringing * math.Pow(d, float64(i)) * r.NormFloat64()
	}
	length := min(n, int(1.3*p.decayS*p.rate))
	for range 5 + r.IntN(8) { // reflections: the floor's within a few ms
		at := int(0.0008*math.Pow(30, r.Float64())*p.rate) + 1
		h[at] += pick(r, -1.0, 1, 1) * between(r, 0.1, 0.6) * math.Exp(-6.9*float64(at)/p.rate/p.decayS)
	}
	// Reverberation: two parts, the upper one shorter.
	reverb := scale.Amplitude(between(r, -8, 6)) // energy re the direct sound
	part := func(decayS float64, keep float64) []float64 {
		out := make([]float64, length)
		fall := math.Exp(-6.908 / (decayS * p.rate))
		level, state, energy := 1.0, 0.0, 0.0
		rise := between(r, 0.004, 0.020) * p.rate // reflections grow dense
		for i := int(0.001 * p.rate); i < length; i++ {
			v := level * r.NormFloat64()
			if x := float64(i) / rise; x < 1 {
				v *= x * x
			}
			if keep > 0 {
				state += (1 - keep) * (v - state)
				v = state
			} else {
				state, v = v, v-state
			}
			out[i] = v
			energy += v * v
			level *= fall
		}
		for i := range out {
			out[i] /= math.Sqrt(energy)
		}
		return out
	}
	lower, upper := part(p.decayS, math.Exp(-2*math.Pi*1500/p.rate)), part(0.6*p.decayS, 0)
	for i := range lower {
		h[i] += reverb * (0.8*lower[i] + 0.6*upper[i])
	}
	// Modes, from the room's size: the lowest at c/2L of the longest side.
	lowest := between(r, 22, 45)
	modes := 6 + r.IntN(6)
	for m := range modes {
		hz := lowest * math.Pow(180/lowest, (float64(m)+0.6*r.Float64())/float64(modes))
		decay := p.decayS * between(r, 0.7, 1.5)
		// A mode's sine has its peak gain at hz: decay·rate/(2·6.9)·a; about 1.
		a := pick(r, -1.0, 1) * between(r, 0.3, 1.5) * 2 * 6.908 / (decay * p.rate)
		step := cmplx.Exp(complex(-6.908/(decay*p.rate), 2*math.Pi*hz/p.rate))
		z := complex(a, 0)
		for i := range min(n, int(1.3*decay*p.rate)) {
			h[i] += imag(z)
			z *= step
		}
	}
	return h
}

// filter returns a loudspeaker's response over frequency.
func (l speaker) filter(r *rand.Rand) func(hz float64) complex128 {
	const i = 1i
	butterworth2 := func(s complex128) complex128 { return 1 / (1 + complex(math.Sqrt2, 0)*s + s*s) }
	if l.class != fullRange {
		low, cross := between(r, 17, 25), between(r, 70, 100)
		return func(hz float64) complex128 {
			if hz == 0 {
				return 0
			}
			b := butterworth2(i * complex(hz/cross, 0)) // twice: Linkwitz-Riley
			c := butterworth2(-i * complex(low/hz, 0))
			return b * b * c * c
		}
	}
	low, order := between(r, 28, 80), 1+r.IntN(2)
	top := between(r, 16000, 24000)
	tilt := between(r, -1.5, 0.5) / 20 // dB per octave, as exponent of 10
	return func(hz float64) complex128 {
		if hz == 0 {
			return 0
		}
		v := complex(math.Pow(10, tilt*math.Log2(math.Max(hz, 20)/1000)), 0)
		for range order {
			v *= butterworth2(-i * complex(low/hz, 0))
		}
		return v * butterworth2(i*complex(hz/top, 0))
	}
}

// colours of the background noise.
var colours = []string{"white", "pink", "brown"}

// bankFrames is the length of a bank of noise: takes hear different stretches
// of it.
const bankFrames = 1 << 22

// banks holds noise of RMS value 1 by colour: a power spectrum as f^0, 1/f and
// 1/f², the latter two flat below 5 Hz.
var banks [3]struct {
	once sync.Once
	x    []float32
}

func bank(colour int) []float32 {
	b := &banks[colour]
	b.once.Do(func() {
		r := random(1, "noise "+colours[colour])
		spectrum := make([]complex128, bankFrames/2+1)
		const corner = 5.0 / 48000 * bankFrames
		for k := 1; k < len(spectrum)-1; k++ {
			level := math.Pow(math.Max(float64(k), corner), -float64(colour)/2)
			spectrum[k] = complex(level*r.NormFloat64(), level*r.NormFloat64())
		}
		plan := fourier.Get(bankFrames)
		x := plan.Sequence(nil, spectrum)
		fourier.Put(plan)
		var sum float64
		for _, v := range x {
			sum += v * v
		}
		scaleBy := 1 / math.Sqrt(sum/bankFrames)
		b.x = make([]float32, bankFrames)
		for i, v := range x {
			b.x[i] = float32(scaleBy * v)
		}
	})
	return b.x
}

// noiseOf returns frames of noise of an RMS value: another stretch, direction
// and sign for every r.
func noiseOf(r *rand.Rand, colour, frames int, rms float64) []float64 {
	x := bank(colour)
	at := r.IntN(len(x))
	gain := rms * pick(r, -1.0, 1)
	out := make([]float64, frames)
	for i := range out {
		out[i] = gain * float64(x[(at+i)&(bankFrames-1)])
	}
	if r.IntN(2) == 0 {
		slices.Reverse(out)
	}
	return out
}
