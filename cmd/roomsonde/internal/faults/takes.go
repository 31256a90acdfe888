package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"

	"roomsonde/capture"
	"roomsonde/capture/modelroom"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// trial is a kind of fault as the campaign injects it.
type trial struct {
	name string
	// severities that are tried, in unit, from slight to grave.
	severities []float64
	unit       string
	// least is the severity from which on a share of need must be found; 0:
	// nothing is asked for.
	least, need float64
	// snrDB: asked for only where the signal stands so far over the noise.
	snrDB float64
	// make returns what happens at a severity.
	make func(s stage, severity float64) []modelroom.Fault
}

// stage is where a fault is put on.
type stage struct {
	r     *rand.Rand
	place *place
	gain  float64 // of the place's signal in this take
}

// anywhere returns a moment between the start of the first mark, which is the
// quiet one, and the end of the last: there the program is to be whole.
func (s stage) anywhere() float64 {
	starts := s.place.program.Starts(sweep.KindMark)
	from := float64(s.place.program.Lead())
	to := float64(starts[len(starts)-1]) + s.place.program.Mark.Seconds*s.place.rate
	return (s.place.latency + between(s.r, from, to)) / s.place.rate
}

// sweeping returns a moment while a sweep sounds: what stands at least 20 dB
// below the loudest block does not count.
func (s stage) sweeping() float64 {
	p := s.place
	starts := p.program.Starts(sweep.KindSweep)
	block := int(0.02 * p.rate)
	loud := p.rms * p.rms * 0.01
	for range 1000 {
		at := p.latency + float64(starts[s.r.IntN(len(starts))]) + s.r.Float64()*float64(p.program.Sweep.Frames)
		var sum float64
		from := int(at)
		for _, v := range p.signal[from : from+block] {
			sum += v * v
		}
		if sum/float64(block) >= loud {
			return at / p.rate
		}
	}
	return s.anywhere()
}

func one(f modelroom.Fault) []modelroom.Fault { return []modelroom.Fault{f} }

var buffers = []float64{4, 8, 12, 16, 24, 32, 64, 128, 256, 512, 1024}

// count makes a trial of a kind that loses or repeats frames.
func count(kind modelroom.FaultKind) trial {
	return trial{string(kind), buffers, "frames", 16, 0.999, 0, func(s stage, n float64) []modelroom.Fault {
		return one(modelroom.Fault{Kind: kind, Frames: int(n), AtS: s.anywhere()})
	}}
}

var clips = []float64{0.1, 0.3, 0.5, 1, 1.5, 2, 3, 6}

// whole makes a trial of a kind that lasts from start to end, amount being the
// severity.
func whole(kind modelroom.FaultKind, unit string, least, need float64, severities ...float64) trial {
	return trial{string(kind), severities, unit, least, need, 0, func(s stage, v float64) []modelroom.Fault {
		return one(modelroom.Fault{Kind: kind, Amount: v})
	}}
}

// trials are all that is tried. The bounds are the project's own.
var trials = []trial{
	count(modelroom.Drop),
	count(modelroom.Repeat),
	count(modelroom.Hold),
	count(modelroom.Zero),
	// What a sound server's full buffer leaves: silence, and fewer frames in
	// all than there were.
	{"gap", buffers, "frames", 16, 0.999, 0, func(s stage, n float64) []modelroom.Fault {
		at := s.anywhere()
		list := one(modelroom.Fault{Kind: modelroom.Zero, Frames: int(n), AtS: at})
		if lost := s.r.IntN(int(n) + 1); lost > 0 {
			list = append(list, modelroom.Fault{Kind: modelroom.Drop, Frames: lost, AtS: at + n/s.place.rate})
		}
		return list
	}},
	whole(modelroom.Clip, "dB", 1, 0.99, clips...),
	whole(modelroom.AnalogClip, "dB", 1, 0.99, clips...),
	whole(modelroom.Overload, "dB", 1, 0.99, clips...),
	// A microphone's own amplifier clips, and the converter comes behind a capacitor.
	{"coupled clip", clips, "dB", 0, 0, 0, func(s stage, v float64) []modelroom.Fault {
		return one(modelroom.Fault{Kind: modelroom.AnalogClip, Amount: v, BaseHz: between(s.r, 1, 10)})
	}},
	{"step", []float64{-40, -30, -20, -10, 0}, "dB re signal", 0, 0, 0, func(s stage, v float64) []modelroom.Fault {
		return one(modelroom.Fault{Kind: modelroom.Step, Amount: pick(s.r, -1.0, 1) * s.gain * s.place.rms * scale.Amplitude(v), AtS: s.anywhere()})
	}},
	{"gain", []float64{0.1, 0.2, 0.3, 0.5, 1, 2, 3, 6}, "dB", 0, 0, 0, func(s stage, v float64) []modelroom.Fault {
		return one(modelroom.Fault{Kind: modelroom.Gain, Amount: pick(s.r, -1.0, 1) * v, AtS: s.anywhere(), ForS: pick(s.r, 0.005, 0.05, 0.5, 2)})
	}},
	whole(modelroom.AGC, ": 1", 3, 0.99, 1.03, 1.05, 1.1, 1.2, 1.5, 2, 3),
	whole(modelroom.Gate, "dB", 0, 0, 3, 6, 10, 20, 40),
	{"gate coming in", []float64{3, 6, 10, 20, 40}, "dB", 0, 0, 0, func(s stage, v float64) []modelroom.Fault {
		return one(modelroom.Fault{Kind: modelroom.Gate, Amount: v, AtS: between(s.r, 1, 1.4)}) // in the lead
	}},
	{"burst", []float64{-40, -30, -20, -10, 0}, "dB re signal", -20, 0.99, 37, func(s stage, v float64) []modelroom.Fault {
		return one(modelroom.Fault{Kind: modelroom.Burst, Amount: v, AtS: s.sweeping()})
	}},
	{"hum", []float64{-60, -50, -40, -30, -20, -10}, "dB re signal", 0, 0, 0, func(s stage, v float64) []modelroom.Fault {
		return one(modelroom.Fault{Kind: modelroom.Hum, Amount: v, BaseHz: pick(s.r, 50.0, 60)})
	}},
	{"noise", []float64{1, 3, 6, 10, 15, 20}, "dB", 0, 0, 0, func(s stage, v float64) []modelroom.Fault {
		return one(modelroom.Fault{Kind: modelroom.Noise, Amount: v, AtS: s.anywhere()})
	}},
	{"rate", []float64{1}, "", 1, 0.99, 0, func(s stage, v float64) []modelroom.Fault {
		return one(modelroom.Fault{Kind: modelroom.Rate, Amount: pick(s.r, 44.1/48, 48/44.1, 2, 0.5, 2.0/3, 1.5)})
	}},
	{"mute", []float64{1}, "", 1, 0.99, 0, func(s stage, v float64) []modelroom.Fault {
		return one(modelroom.Fault{Kind: modelroom.Mute})
	}},
	{"mute part", []float64{0.1, 0.3, 1, 3}, "s", 0.1, 0.99, 0, func(s stage, v float64) []modelroom.Fault {
		return one(modelroom.Fault{Kind: modelroom.Mute, AtS: s.anywhere(), ForS: v})
	}},
	{"swap", []float64{1}, "", 1, 0.99, 0, func(s stage, v float64) []modelroom.Fault {
		return one(modelroom.Fault{Kind: modelroom.Swap})
	}},
	whole(modelroom.Early, "dB re signal", 0, 0, -50, -40, -30, -20, -10, 0, 10, 20),
	{"overflow", []float64{1, 3}, "buffers", 1, 0.99, 0, func(s stage, v float64) []modelroom.Fault {
		return one(modelroom.Fault{Kind: modelroom.Overflow, Frames: int(v)})
	}},
}

const sound = "sound" // the name of takes that nothing happens to

// ticket names a take: its kind, its number and the number of its room,
// "drop/17@3". With the set and the campaign's seed it says all that the take
// is.
type ticket struct {
	kind         string
	number, room int
}

func (t ticket) String() string {
	return strings.ReplaceAll(t.kind, " ", "_") + "/" + strconv.Itoa(t.number) + "@" + strconv.Itoa(t.room)
}

// parseTicket reads what String wrote.
func parseTicket(text string) (ticket, error) {
	kind, digits, _ := strings.Cut(text, "/")
	number, room, _ := strings.Cut(digits, "@")
	t := ticket{kind: strings.ReplaceAll(kind, "_", " ")}
	var err, err2 error
	t.number, err = strconv.Atoi(number)
	t.room, err2 = strconv.Atoi(room)
	_, known := trialOf(t.kind)
	if err != nil || err2 != nil || t.number < 0 || t.room < 0 || !known && t.kind != sound {
		return t, fmt.Errorf("there is no take %q: write it as the list of misses does, for example drop/17@3", text)
	}
	return t, nil
}

func trialOf(kind string) (trial, bool) {
	for _, t := range trials {
		if t.name == kind {
			return t, true
		}
	}
	return trial{}, false
}

// take is one recording with what is known about it.
type take struct {
	ticket   ticket
	place    *place
	r        *rand.Rand
	severity float64
	snrDB    float64
	colour   string
	bits     int
	peakDBFS float64
	gain     float64           // of the place's signal
	faults   []modelroom.Fault // nil: sound
	injected []modelroom.Injected
	rec      *capture.Recording
}

func (t *take) String() string {
	what := "sound"
	if len(t.faults) > 0 {
		texts := make([]string, len(t.faults))
		for i, f := range t.faults {
			texts[i] = f.String()
		}
		what = strings.Join(texts, " and ")
	}
	return fmt.Sprintf("%s: %s; %s, %s, %g Hz, sweeps of %.1f s, T60 %.2f s, distortion %g %%, skew %+.1f ppm, S/N %.1f dB (%s), %d bit, peak %.1f dBFS",
		t.ticket, what, t.place.name, t.place.class, t.place.rate, t.place.program.Sweep.Seconds, t.place.decayS,
		100*t.place.distortion, t.place.skewPPM, t.snrDB, t.colour, t.bits, t.peakDBFS)
}

// draw says what a take will be like. What else is left to chance comes from
// its r.
func draw(seed uint64, id ticket, p *place) *take {
	r := random(seed, p.name+" "+id.String())
	return &take{ticket: id, place: p, r: r, snrDB: between(r, 20, 40), bits: pick(r, 16, 24, 0), peakDBFS: between(r, -24, -4)}
}

// newTake records a take in a place.
func newTake(seed uint64, id ticket, p *place) (*take, error) {
	t := draw(seed, id, p)
	r := t.r
	colour := r.IntN(len(colours))
	t.colour = colours[colour]
	frames := p.frames
	kind, known := trialOf(id.kind)
	if !known && id.kind != sound {
		return nil, fmt.Errorf("there is no kind %q", id.kind)
	}
	if id.kind == string(modelroom.Rate) {
		frames = 2 * p.frames // a recorder at twice the rate is at it as long
	}
	noise := noiseOf(r, colour, frames+spare, p.rms*scale.Amplitude(-t.snrDB))
	// Level: the highest sample, noise included, is at peakDBFS.
	var peak float64
	for i, v := range p.signal[:p.frames] {
		peak = math.Max(peak, math.Abs(v+noise[i]))
	}
	gain := scale.Amplitude(t.peakDBFS) / peak
	t.gain = gain
	signal := make([]float64, len(p.signal))
	for i, v := range p.signal {
		signal[i] = gain * v
	}
	// The converter's own: half a step or so of 16 bits, less of others.
	converter := scale.Amplitude(between(r, -112, -95))
	if t.bits == 16 {
		converter = between(r, 0.3, 1) / (1 << 15)
	}
	own := noiseOf(r, 0, len(noise), converter)
	for i := range noise {
		noise[i] = gain*noise[i] + own[i]
	}
	h := modelroom.Heard{
		SampleRate: p.rate, Frames: frames, Latency: int(p.latency),
		Signal: signal, Noise: noise, Bits: t.bits, Seed: r.Uint64(),
	}
	if id.kind != sound {
		t.severity = kind.severities[id.number%len(kind.severities)]
		t.faults = kind.make(stage{r, p, gain}, t.severity)
		if t.faults[0].Kind == modelroom.Early {
			h.Played = p.playedHere()
		}
	}
	var err error
	t.rec, t.injected, err = modelroom.Spoil(h, t.faults)
	return t, err
}
