package modelroom

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"roomsonde/capture"
)

// Options say how the model room behaves. The zero value is the scenario of
// the package comment at seat "main", with its usual noise.
type Options struct {
	// Seed decides the noise and the chance in faults. 0 is a seed like any other.
	Seed uint64
	// RoomSeed decides the fine structure of the late reverberation: another one
	// is another room.
	RoomSeed uint64
	// Seat is where the microphone stands; "": "main".
	Seat string
	// NoiseDBFS is the RMS value of the background noise with the
	// microphone's own, unweighted, in dB re full scale; 0: -72 dBFS.
	// math.Inf(-1): none at all.
	NoiseDBFS float64
	// Latency is the card's own, rounded to whole frames; 0: 30 ms. Below 0:
	// none.
	Latency time.Duration
	// Bits24 rounds what is recorded to 24 bits; otherwise it is float32.
	Bits24 bool
	// Distortion holds a2, a3, ... (at most eight) of the polynomial
	// y = x + a2·x² + a3·x³ + ... that every channel's signal goes through
	// before crossover and loudspeaker. A tone of peak A then has harmonics
	// a2/2·A (second) and a3/4·A² (third) re its own level. nil: no
	// distortion.
	Distortion []float64
	// Changes are done to the room before it is measured, in their order; nil:
	// none.
	Changes []Change
	// Faults are what goes wrong while recording; nil: nothing. What was done
	// to a job is in Truth.Faults afterwards.
	Faults []Fault
	// RealTime makes PlayRecord take as long as the sound lasts.
	RealTime bool
	// Wait is called to let d pass when RealTime is set. It returns early
	// when ctx ends. nil: wait by a timer.
	Wait func(ctx context.Context, d time.Duration)
}

// Defaults of Options.
const (
	defaultSeat      = "main"
	defaultNoiseDBFS = -72.0
	defaultLatency   = 30 * time.Millisecond
	mostLatency      = 10 * time.Second
	mostOrders       = 8
)

// Room is an opened model room. Its methods may be called at the same time
// from several goroutines, except that PlayRecord runs one job at a time.
type Room struct {
	options Options // resolved
	scene   *scene

	playing sync.Mutex
	runs    int // jobs played so far: each hears its own stretch of noise

	mu     sync.Mutex
	plans  map[float64]*plan
	truths map[truthKey]*Truth
	faults []Injected // of the last job
}

type truthKey struct {
	channel int
	seat    string
	rate    float64
}

// Open returns the model room. It fails with *SeatError, *OptionError,
// *ChangeError or *FaultError.
func Open(o Options) (*Room, error) {
	scene, err := cinema.changed(o.Changes)
	if err != nil {
		return nil, err
	}
	o.Changes = slices.Clone(o.Changes)
	r := &Room{scene: scene, plans: map[float64]*plan{}, truths: map[truthKey]*Truth{}}
	if o.Seat == "" {
		o.Seat = defaultSeat
	}
	if err := r.checkSeat(o.Seat); err != nil {
		return nil, err
	}
	switch {
	case o.NoiseDBFS == 0:
		o.NoiseDBFS = defaultNoiseDBFS
	case math.IsNaN(o.NoiseDBFS) || o.NoiseDBFS > 0:
		return nil, &OptionError{"NoiseDBFS", fmt.Sprintf("%g dBFS is not a noise level", o.NoiseDBFS), "give a level below 0 dBFS"}
	}
	switch {
	case o.Latency == 0:
		o.Latency = defaultLatency
	case o.Latency < 0:
		o.Latency = 0
	case o.Latency > mostLatency:
		return nil, &OptionError{"Latency", fmt.Sprintf("%v is too long", o.Latency), fmt.Sprintf("give at most %v", mostLatency)}
	}
	if len(o.Distortion) > mostOrders {
		return nil, &OptionError{"Distortion", fmt.Sprintf("%d orders are too many", len(o.Distortion)), fmt.Sprintf("give at most %d: a2, a3, ...", mostOrders)}
	}
	for _, a := range o.Distortion {
		if !(math.Abs(a) <= 1) {
			return nil, &OptionError{"Distortion", fmt.Sprintf("a coefficient of %g makes no sense", a), "give values between -1 and 1"}
		}
	}
	o.Distortion = slices.Clone(o.Distortion)
	for _, f := range o.Faults {
		if err := f.check(); err != nil {
			return nil, err
		}
	}
	o.Faults = slices.Clone(o.Faults)
	if o.Wait == nil {
		o.Wait = waitByTimer
	}
	r.options = o
	return r, nil
}

func waitByTimer(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}

var _ capture.Card = (*Room)(nil)

// Device describes the room as a card.
func (r *Room) Device() capture.Device {
	inputs := 1
	for _, f := range r.options.Faults {
		if f.Kind == Swap {
			inputs = 2
		}
	}
	return capture.Device{
		Name: "model", System: "built-in", Inputs: inputs, Outputs: len(r.scene.channels),
		Rate: 48000, LatencyS: r.options.Latency.Seconds(),
	}
}

// Channels names the output channels in order: FL FR FC LFE BL BR SL SR.
func (r *Room) Channels() []string { return slices.Clone(r.scene.channels) }

// Seats names the seats, the main one first.
func (r *Room) Seats() []string { return slices.Clone(r.scene.seatNames) }

// Seat is where the microphone stands.
func (r *Room) Seat() string { return r.options.Seat }

// Size returns the room's length, width and height in m.
func (r *Room) Size() [3]float64 { return r.scene.room.size }

// Rates lists the sampling rates in Hz that the room runs at.
func (r *Room) Rates() []float64 { return slices.Clone(rates) }

func (r *Room) checkSeat(seat string) error {
	if _, ok := r.scene.seats[seat]; !ok {
		return &SeatError{Seat: seat, Known: r.Seats()}
	}
	return nil
}

func (r *Room) latencyFrames(rate float64) int {
	return int(math.Round(r.options.Latency.Seconds() * rate))
}

// Truth returns what a perfect measurement of an output channel (counted from
// 0) at a seat would find at a sampling rate in Hz. It fails with
// *ChannelError, *SeatError or *RateError. The slices in it belong to the
// room and must not be changed.
func (r *Room) Truth(channel int, seat string, rate float64) (Truth, error) {
	if channel < 0 || channel >= len(r.scene.channels) {
		return Truth{}, &ChannelError{Channel: channel, Channels: r.Channels()}
	}
	if err := r.checkSeat(seat); err != nil {
		return Truth{}, err
	}
	if err := checkRate(rate); err != nil {
		return Truth{}, err
	}
	t := *r.truth(channel, seat, rate)
	t.Latency = r.latencyFrames(rate)
	r.mu.Lock()
	defer r.mu.Unlock()
	t.Faults = slices.Clone(r.faults)
	return t, nil
}

// truth works a channel out, or returns it when that was done before.
func (r *Room) truth(channel int, seat string, rate float64) *Truth {
	r.mu.Lock()
	defer r.mu.Unlock()
	key := truthKey{channel, seat, rate}
	if t := r.truths[key]; t != nil {
		return t
	}
	p := r.plans[rate]
	if p == nil {
		p = r.scene.plan(rate)
		r.plans[rate] = p
	}
	t := r.scene.truth(p, channel, seat, r.options.RoomSeed)
	r.truths[key] = t
	return t
}

// Blocks in which a job is handed over and progress reported, and the fade
// that ends a job when its context ends.
const (
	blockS = 0.1
	fadeS  = 0.02
)

// PlayRecord plays and records as capture.Card says. It runs faster than the
// sound lasts unless Options.RealTime is set. It fails with *ChannelError,
// *RateError or *JobError before anything is played, and with ctx's error
// when that ends; with *GoneError when a fault says so.
//
// Every job of a Room hears another stretch of noise; the first job of every
// Room opened with the same Options hears the same.
func (r *Room) PlayRecord(ctx context.Context, job capture.Job, progress func(capture.Progress)) (*capture.Recording, error) {
	if err := r.check(job); err != nil {
		return nil, err
	}
	r.playing.Lock()
	defer r.playing.Unlock()
	if progress == nil {
		progress = func(capture.Progress) {}
	}
	if err := ctx.Err(); err != nil {
		progress(capture.Progress{Total: job.Frames})
		return nil, err
	}
	source, err := r.start(job)
	r.runs++
	if err != nil {
		return nil, err
	}

	rate := job.SampleRate
	step := max(1, int(math.Round(blockS*rate)))
	fade := int(math.Round(fadeS * rate))
	recording := source.recording()
	recording.Samples = make([]float32, 0, job.Frames)
	end := source.frames() // moves forward when ctx ends
	stopped := source.failure()
	for done := 0; done < end; {
		n := min(step, end-done)
		if r.options.RealTime {
			r.options.Wait(ctx, time.Duration(float64(n)/rate*float64(time.Second)))
		}
		if err := ctx.Err(); err != nil && !errors.Is(stopped, err) {
			if done == 0 {
				progress(capture.Progress{Total: job.Frames})
				return nil, err
			}
			stopped = err
			end = min(end, done+fade)
			n = end - done
			source.fadeOut(done, fade)
		}
		var peak float64
		for i := done; i < done+n; i++ {
			s := source.sample(i)
			recording.Samples = append(recording.Samples, s)
			peak = max(peak, math.Abs(float64(s)))
		}
		done += n
		progress(capture.Progress{Frames: done, Total: job.Frames, Peak: peak})
	}
	for i, other := range recording.Others {
		recording.Others[i].Samples = other.Samples[:end]
	}
	return recording, stopped
}

// source is where a job's samples come from.
type source interface {
	frames() int                   // that there will be
	sample(i int) float32          // to be called for every frame in turn
	fadeOut(at, frames int)        // ends what is played
	failure() error                // with which the recording ends
	recording() *capture.Recording // without its samples
}

// start prepares a job: a sound one is worked out block by block as it is
// delivered, one that something goes wrong with at once.
func (r *Room) start(job capture.Job) (source, error) {
	var faults []Fault
	for _, f := range r.options.Faults {
		if f.FirstRuns == 0 || r.runs < f.FirstRuns {
			faults = append(faults, f)
		}
	}
	if len(faults) == 0 {
		r.mu.Lock()
		r.faults = nil
		r.mu.Unlock()
		return &soundJob{performance: r.prepare(job, r.runs), bits24: r.options.Bits24}, nil
	}
	s := &spoiledJob{room: r, job: job, run: r.runs, faults: faults}
	if err := s.render(job.Frames, 0); err != nil {
		return nil, err
	}
	return s, nil
}

// soundJob is a job that nothing goes wrong with.
type soundJob struct {
	*performance
	bits24 bool
}

func (s *soundJob) frames() int    { return s.job.Frames }
func (s *soundJob) failure() error { return nil }

func (s *soundJob) recording() *capture.Recording {
	return &capture.Recording{SampleRate: s.job.SampleRate}
}

func (s *soundJob) sample(i int) float32 {
	v := s.frame(i)
	if s.bits24 {
		v = round24(v)
	}
	return float32(min(1, max(-1, v)))
}

// spoiledJob is a job that something goes wrong with.
type spoiledJob struct {
	room   *Room
	job    capture.Job
	run    int // which job of the room, from 0
	faults []Fault
	rec    *capture.Recording
	failed error
}

func (s *spoiledJob) frames() int          { return len(s.rec.Samples) }
func (s *spoiledJob) failure() error       { return s.failed }
func (s *spoiledJob) sample(i int) float32 { return s.rec.Samples[i] }

func (s *spoiledJob) recording() *capture.Recording {
	rec := *s.rec
	rec.Samples = nil
	return &rec
}

// fadeOut works the recording out again from frame at on. What was delivered
// until then stays.
func (s *spoiledJob) fadeOut(at, frames int) {
	before, others := s.rec.Samples, s.rec.Others
	if err := s.render(at, frames); err != nil {
		panic(err) // the same faults were fine before
	}
	copy(s.rec.Samples[:at], before)
	for i := range others {
		copy(s.rec.Others[i].Samples[:at], others[i].Samples)
	}
}

// render works the whole recording out. What is played fades from frame at on
// over so many frames; at is job.Frames where it does not.
func (s *spoiledJob) render(at, fade int) error {
	r := s.room
	long := s.job
	long.Frames = Margin(s.job.Frames, s.faults)
	answer := func(job capture.Job) (signal []float64, noise *background) {
		p := r.prepare(job, s.run)
		noise, p.noise = p.noise, nil
		if at < s.job.Frames {
			p.fadeAt, p.fadeLast = at, at+fade
		}
		signal = make([]float64, job.Frames)
		for i := range signal {
			signal[i] = p.frame(i)
		}
		return signal, noise
	}
	signal, noise := answer(long)
	h := Heard{
		SampleRate: s.job.SampleRate, Frames: s.job.Frames, Latency: r.latencyFrames(s.job.SampleRate),
		Signal: signal, Played: make([]float64, long.Frames), Seed: r.options.Seed, Run: s.run,
	}
	for _, track := range s.job.Tracks {
		for n, v := range track.Samples {
			if n < at+fade {
				h.Played[n] += float64(v)
			}
		}
	}
	if noise != nil {
		h.Noise = make([]float64, long.Frames)
		for i := range h.Noise {
			h.Noise[i] = noise.next()
		}
	}
	if r.options.Bits24 {
		h.Bits = 24
	}
	h.After = func(frame int) []float64 {
		late := long
		late.Tracks = slices.Clone(long.Tracks)
		from := max(0, frame-h.Latency)
		for i, track := range late.Tracks {
			samples := slices.Clone(track.Samples)
			clear(samples[:min(from, len(samples))])
			late.Tracks[i].Samples = samples
		}
		after, _ := answer(late)
		return after
	}
	rec, injected, err := Spoil(h, s.faults)
	var gone *GoneError
	if err != nil && !errors.As(err, &gone) {
		return err
	}
	s.rec, s.failed = rec, err
	r.mu.Lock()
	r.faults = injected
	r.mu.Unlock()
	return nil
}

// round24 rounds to the steps of a 24-bit converter.
func round24(v float64) float64 {
	const steps = 1 << 23
	return min(steps-1, max(-steps, math.Round(v*steps))) / steps
}

func (r *Room) check(job capture.Job) error {
	if err := checkRate(job.SampleRate); err != nil {
		return err
	}
	if job.Input != 0 {
		return &ChannelError{Channel: job.Input, Input: true, Channels: r.Channels()}
	}
	if job.Frames <= 0 {
		return &JobError{fmt.Sprintf("the job is %d frames long", job.Frames), "ask for at least one frame"}
	}
	seen := map[int]bool{}
	for _, track := range job.Tracks {
		if track.Channel < 0 || track.Channel >= len(r.scene.channels) {
			return &ChannelError{Channel: track.Channel, Channels: r.Channels()}
		}
		name := r.scene.channels[track.Channel]
		if seen[track.Channel] {
			return &JobError{fmt.Sprintf("two tracks are for output channel %d (%s)", track.Channel, name), "add them up and give one"}
		}
		seen[track.Channel] = true
		if len(track.Samples) > job.Frames {
			return &JobError{
				fmt.Sprintf("the track for channel %d (%s) has %d frames, and only %d are to be recorded", track.Channel, name, len(track.Samples), job.Frames),
				"record at least as long as the longest track, and the room's decay on top",
			}
		}
		for i, v := range track.Samples {
			if !(math.Abs(float64(v)) <= 1) {
				return &JobError{
					fmt.Sprintf("the track for channel %d (%s) has the sample %g at frame %d, beyond full scale", track.Channel, name, v, i),
					"play at a lower level",
				}
			}
		}
	}
	return nil
}

// performance is one job under way.
type performance struct {
	job     capture.Job
	latency int
	shaper  *shaper
	conv    *convolver
	noise   *background

	block    []float64 // the room's answer, not yet delayed by latency
	from     int       // first frame of block; -1 before the first
	fadeAt   int       // frame where the fade begins; job.Frames without one
	fadeLast int       // first frame that is silent
}

func (r *Room) prepare(job capture.Job, run int) *performance {
	p := &performance{
		job: job, latency: r.latencyFrames(job.SampleRate), from: -1,
		fadeAt: job.Frames, fadeLast: job.Frames,
		shaper: newShaper(r.options.Distortion),
	}
	var impulses [][]float64
	for _, track := range job.Tracks {
		impulses = append(impulses, r.truth(track.Channel, r.options.Seat, job.SampleRate).Impulse)
	}
	p.conv = newConvolver(impulses, job.Frames)
	p.block = make([]float64, p.conv.block)
	rms := math.Pow(10, r.options.NoiseDBFS/20)
	p.noise = newBackground(rms, job.SampleRate, random(r.options.Seed, fmt.Sprintf("noise %d", run)))
	return p
}

// frame returns what is recorded in frame i; to be called for every frame in
// turn.
func (p *performance) frame(i int) float64 {
	var v float64
	if p.noise != nil {
		v = p.noise.next()
	}
	i -= p.latency
	if i < 0 || len(p.job.Tracks) == 0 {
		return v
	}
	if p.from < 0 {
		p.from = 0
		p.run()
	}
	for i >= p.from+p.conv.block {
		p.conv.keep()
		p.from += p.conv.block
		p.run()
	}
	return v + p.block[i-p.from]
}

func (p *performance) run() {
	p.conv.run(p.block, func(channel int, dst []float64) {
		p.played(dst, p.job.Tracks[channel].Samples)
	})
}

// played fills dst with what the loudspeakers get of a track from frame
// p.from on.
func (p *performance) played(dst []float64, x []float32) {
	if p.shaper != nil {
		p.shaper.shape(dst, x, p.from)
	} else {
		for i := range dst {
			if n := p.from + i; n < len(x) {
				dst[i] = float64(x[n])
			}
		}
	}
	for i := max(0, p.fadeAt-p.from); i < len(dst); i++ {
		n := p.from + i
		if n >= p.fadeLast {
			clear(dst[i:])
			break
		}
		x := float64(n-p.fadeAt+1) / float64(p.fadeLast-p.fadeAt+1)
		dst[i] *= 0.5 * (1 + math.Cos(math.Pi*x))
	}
}

// fadeOut fades what is played out from frame at on. The block under way is
// worked out again.
func (p *performance) fadeOut(at, frames int) {
	p.fadeAt, p.fadeLast = at, at+frames
	if p.from >= 0 {
		p.run()
	}
}
