//go:build cgo

package soundcard

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gordonklaus/portaudio"

	"roomsonde/capture"
)

// library is held by whoever is inside PortAudio to list, open or close:
// PortAudio is not safe for concurrent use. It is a channel so that one can
// give up waiting for it. A call that a dead server holds up keeps it.
var library = make(chan struct{}, 1)

// enter takes the library; leave gives it back.
func enter(ctx context.Context) error {
	if stuck.Load() {
		return &Error{Kind: ErrLibrary, Detail: "it was left waiting for a device that does not answer"}
	}
	select {
	case library <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func leave() { <-library }

// stuck is set while a stream that was left behind keeps the library (PortAudio
// waits ten minutes for a JACK server that died), or for good where it cannot be
// closed.
var stuck atomic.Bool

// within runs f inside the library. When ctx ends first it gives up and leaves
// f behind; f keeps the library until it comes back, and then undo takes back
// what it did.
func within(ctx context.Context, f func() error, undo func()) error {
	if err := enter(ctx); err != nil {
		return err
	}
	done := make(chan error) // unbuffered: an answer is either taken or undone
	go func() {
		defer leave()
		err := quietly(f)
		select {
		case done <- err:
		case <-ctx.Done():
			if err == nil {
				undo()
			}
		}
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// minStreamID is the lowest value that the Go runtime takes for a pointer.
const minStreamID = 4096

// spendLowIDs makes the binding number its streams from 4096 on. It hands the
// number of a stream to C as if it were a pointer; the Go runtime takes a value
// below 4096 where a pointer should be for a corrupted stack and ends the
// program (with -race always, else when the stack happens to be moved at that
// moment). A call without arguments uses up a number and does nothing else.
var spendLowIDs = sync.OnceFunc(func() {
	for range minStreamID {
		portaudio.OpenStream(portaudio.StreamParameters{})
	}
})

// initialize must be called inside the library.
func initialize() error {
	if err := portaudio.Initialize(); err != nil {
		return &Error{Kind: ErrLibrary, cause: err}
	}
	spendLowIDs()
	return nil
}

// listed is a device in both descriptions.
type listed struct {
	capture.Device
	info *portaudio.DeviceInfo
}

// list must be called inside the library, initialized.
func list() ([]listed, error) {
	infos, err := portaudio.Devices()
	if err != nil {
		return nil, &Error{Kind: ErrLibrary, cause: err}
	}
	in, _ := portaudio.DefaultInputDevice()
	out, _ := portaudio.DefaultOutputDevice()
	var devices []listed
	for _, i := range infos {
		devices = append(devices, listed{
			Device: capture.Device{
				Name:     i.Name,
				System:   i.HostApi.Name,
				Inputs:   i.MaxInputChannels,
				Outputs:  i.MaxOutputChannels,
				Rate:     i.DefaultSampleRate,
				Default:  i == in || i == out,
				LatencyS: (i.DefaultHighInputLatency + i.DefaultHighOutputLatency).Seconds(),
			},
			info: i,
		})
	}
	nameApart(devices)
	return devices, nil
}

// nameApart makes names unique: first by the sound system, then by a number.
func nameApart(devices []listed) {
	count := func() map[string]int {
		n := make(map[string]int)
		for _, d := range devices {
			n[d.Name]++
		}
		return n
	}
	for n, i := count(), 0; i < len(devices); i++ {
		if d := &devices[i]; n[d.Name] > 1 {
			d.Name += ", " + d.System
		}
	}
	seen := make(map[string]int)
	for i := range devices {
		d := &devices[i]
		seen[d.Name]++
		if k := seen[d.Name]; k > 1 {
			d.Name = fmt.Sprintf("%s #%d", d.Name, k)
		}
	}
}

// Devices lists the system's inputs and outputs as they are now, or, while a
// Card is open, as they were when it was opened. It waits for the sound systems
// no longer than ctx. The error is ctx's or an *Error.
func Devices(ctx context.Context) ([]capture.Device, error) {
	var devices []capture.Device
	err := within(ctx, func() error {
		if err := initialize(); err != nil {
			return err
		}
		defer portaudio.Terminate()
		all, err := list()
		for _, d := range all {
			devices = append(devices, d.Device)
		}
		return err
	}, func() {})
	if err != nil {
		return nil, err
	}
	return devices, nil
}

// Card is a pair of opened devices, or one that plays and records. It must be
// closed. One PlayRecord at a time.
type Card struct {
	o       Options
	in, out listed
	rate    float64

	mu     sync.Mutex // held during PlayRecord and Close
	closed bool
}

var _ capture.Card = (*Card)(nil)

// openPatience is how long Open waits for the sound systems.
const openPatience = 30 * time.Second

// Open finds the devices again, sees that they can run at the rate asked for,
// and returns them as a Card. No stream runs yet. The error is an *Error.
func Open(o Options) (*Card, error) {
	ctx, cancel := context.WithTimeout(context.Background(), openPatience)
	defer cancel()
	c := &Card{o: o}
	err := within(ctx, func() error {
		if err := initialize(); err != nil {
			return err
		}
		err := c.find()
		if err == nil {
			err = c.chooseRate()
		}
		if err != nil {
			portaudio.Terminate()
		}
		return err
	}, func() { portaudio.Terminate() })
	if errors.Is(err, context.DeadlineExceeded) {
		err = &Error{Kind: ErrLibrary, Detail: errNoAnswer.Error()}
	}
	if err != nil {
		return nil, err
	}
	return c, nil
}

func (c *Card) find() error {
	devices, err := list()
	if err != nil {
		return err
	}
	find := func(wanted capture.Device, fallback func() (*portaudio.DeviceInfo, error), can func(listed) bool, verb string) (listed, error) {
		if wanted.Name == "" {
			info, err := fallback()
			if err != nil {
				return listed{}, &Error{
					Kind: ErrVanished, Detail: err.Error(),
					hint: "plug one in, or see why the system lists none",
				}
			}
			wanted.Name = devices[info.Index].Name
		}
		for _, d := range devices {
			if d.Name != wanted.Name || wanted.System != "" && d.System != wanted.System {
				continue
			}
			if !can(d) {
				return listed{}, &Error{Kind: ErrChannels, Device: d.Name, Detail: "it does not " + verb}
			}
			return d, nil
		}
		return listed{}, &Error{Kind: ErrVanished, Device: wanted.Name}
	}
	c.in, err = find(c.o.Input, portaudio.DefaultInputDevice, func(d listed) bool { return d.Inputs > 0 }, "record")
	if err != nil {
		return err
	}
	c.out, err = find(c.o.Output, portaudio.DefaultOutputDevice, func(d listed) bool { return d.Outputs > 0 }, "play")
	return err
}

// chooseRate settles on a sample rate that works.
func (c *Card) chooseRate() error {
	if c.o.SampleRate > 0 {
		c.rate = c.o.SampleRate
		return c.supports(c.rate)
	}
	var first error
	for _, rate := range append([]float64{c.in.Rate, c.out.Rate, 48000, 44100}, StandardRates...) {
		if rate <= 0 {
			continue
		}
		err := c.supports(rate)
		if err == nil {
			c.rate = rate
			return nil
		}
		if first == nil {
			first = err
		}
	}
	return first
}

// supports reports whether both devices can run at rate, as far as PortAudio
// can tell beforehand; the error names the rates that work.
func (c *Card) supports(rate float64) error {
	err := c.trial(rate)
	if err == nil {
		return nil
	}
	if !errors.Is(err, ErrRate) {
		return err
	}
	var works []string
	for _, r := range StandardRates {
		if r != rate && c.trial(r) == nil {
			works = append(works, fmt.Sprintf("%g", r))
		}
	}
	e := &Error{Kind: ErrRate, Device: c.Device().Name}
	if len(works) == 0 {
		e.Detail = fmt.Sprintf("%g Hz, nor at any other common rate", rate)
		e.hint = "choose another device; input and output must have a rate in common"
		return e
	}
	e.Detail = fmt.Sprintf("%g Hz; these work: %s", rate, strings.Join(works, ", "))
	e.hint = "choose " + works[0] + " Hz"
	if len(works) > 1 {
		e.hint = "choose " + strings.Join(works[:len(works)-1], ", ") + " or " + works[len(works)-1] + " Hz"
	}
	return e
}

func (c *Card) trial(rate float64) error {
	job := capture.Job{SampleRate: rate}
	if c.Clocks() == 1 {
		return c.trialOf(c.parameters(job, true, true), func(in, out []float32) {})
	}
	if err := c.trialOf(c.parameters(job, true, false), func(in []float32) {}); err != nil {
		return err
	}
	return c.trialOf(c.parameters(job, false, true), func(out []float32) {})
}

// trialOf tries each layout until one works.
func (c *Card) trialOf(layouts []portaudio.StreamParameters, callback any) error {
	var first error
	for _, p := range layouts {
		err := portaudio.IsFormatSupported(p, callback)
		if err == nil {
			return nil
		}
		if first == nil {
			first = err
		}
	}
	return c.translate(first)
}

// parameters returns the layouts to try, the best first.
func (c *Card) parameters(job capture.Job, input, output bool) []portaudio.StreamParameters {
	latency := func(proposed time.Duration) time.Duration {
		if c.o.Latency > 0 {
			return c.o.Latency
		}
		return max(minLatency, proposed)
	}
	ins, outs := []int{0}, []int{0}
	if input {
		ins = inputLayouts(job.Input+1, c.in.Inputs, isRoute(c.in.Device))
	}
	if output {
		needed := 1
		for _, t := range job.Tracks {
			needed = max(needed, t.Channel+1)
		}
		outs = outputLayouts(needed, c.out.Outputs)
	}
	var all []portaudio.StreamParameters
	for _, o := range outs {
		for _, i := range ins {
			p := portaudio.StreamParameters{SampleRate: job.SampleRate, FramesPerBuffer: c.o.FramesPerBuffer}
			if input {
				p.Input = portaudio.StreamDeviceParameters{Device: c.in.info, Channels: i, Latency: latency(c.in.info.DefaultHighInputLatency)}
			}
			if output {
				p.Output = portaudio.StreamDeviceParameters{Device: c.out.info, Channels: o, Latency: latency(c.out.info.DefaultHighOutputLatency)}
			}
			all = append(all, p)
		}
	}
	return all
}

// Device describes what was opened. Of two devices the name is both names, the
// channels are those of each in its direction.
func (c *Card) Device() capture.Device {
	if c.same() {
		return c.in.Device
	}
	d := capture.Device{
		Name:     fmt.Sprintf("%s (plays) and %s (records)", c.out.Name, c.in.Name),
		System:   c.in.System,
		Inputs:   c.in.Inputs,
		Outputs:  c.out.Outputs,
		Default:  c.in.Default && c.out.Default,
		LatencyS: c.in.info.DefaultHighInputLatency.Seconds() + c.out.info.DefaultHighOutputLatency.Seconds(),
	}
	if c.out.System != c.in.System {
		d.System = c.out.System + " and " + c.in.System
	}
	if c.in.Rate == c.out.Rate {
		d.Rate = c.in.Rate
	}
	return d
}

// Input describes the device that records.
func (c *Card) Input() capture.Device { return c.in.Device }

// Output describes the device that plays.
func (c *Card) Output() capture.Device { return c.out.Device }

// SampleRate is the rate in Hz that was settled on when the card was opened.
func (c *Card) SampleRate() float64 { return c.rate }

func (c *Card) same() bool { return c.in.info.Index == c.out.info.Index }

func isJACK(d listed) bool { return d.info.HostApi.Type == portaudio.JACK }

// Clocks is 1 where playing and recording are known to share a sample clock,
// else 2. A route to a sound server may lead to one device for playing and to
// another for recording.
func (c *Card) Clocks() int {
	if c.same() && !isRoute(c.in.Device) || isJACK(c.in) && isJACK(c.out) {
		return 1
	}
	return 2
}

// Close lets go of the devices. A second call does nothing; nor does the first
// while a device that died keeps the library, since nothing can be done then
// but to end the program.
func (c *Card) Close() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed {
		return nil
	}
	c.closed = true
	if stuck.Load() {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), stopPatience)
	defer cancel()
	err := within(ctx, portaudio.Terminate, func() {})
	if errors.Is(err, context.DeadlineExceeded) {
		return &Error{Kind: ErrLibrary, Device: c.Device().Name, Detail: errNoAnswer.Error()}
	}
	return err
}

// PlayRecord implements capture.Card. The error is ctx's, or an *Error.
func (c *Card) PlayRecord(ctx context.Context, job capture.Job, progress func(capture.Progress)) (*capture.Recording, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed {
		return nil, &Error{Kind: ErrClosed, Device: c.Device().Name}
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if err := check(job, c.in.Inputs, c.out.Outputs); err != nil {
		return nil, c.named(err)
	}
	p := newPump(job)
	var s *paStreams
	err := within(ctx, func() error {
		var err error
		s, err = c.open(job, p)
		return err
	}, func() { s.close(false) })
	if err != nil {
		return nil, c.named(c.translate(err))
	}
	remarks := c.remarks(job, s)
	samples, err := run(ctx, s, p, progress)
	if s.inside.Load() {
		stuck.Store(true)
		if !s.inside.Load() {
			stuck.Store(false)
		}
	}
	if len(samples) == 0 {
		return nil, c.named(c.translate(err))
	}
	return &capture.Recording{
		Samples:    samples,
		Others:     p.othersUpTo(len(samples)),
		StalledS:   p.stalledS(),
		SampleRate: job.SampleRate,
		Overflows:  int(p.overflow.Load()),
		Underflows: int(p.underflow.Load()),
		Remarks:    remarks,
	}, c.named(c.translate(err))
}

// paStreams are the streams of one take: one in both directions, or one in and
// one out.
type paStreams struct {
	in, out *portaudio.Stream // the same where it is one
	pump    *pump
	jack    bool
	inside  atomic.Bool // a call into the library has not come back
}

// within runs f inside the library, however long it takes.
func (s *paStreams) within(f func() error) error {
	s.inside.Store(true)
	library <- struct{}{}
	defer func() {
		leave()
		s.inside.Store(false)
		stuck.Store(false)
	}()
	return f()
}

func lostOf(flags portaudio.StreamCallbackFlags) (l lost) {
	if flags&(portaudio.InputOverflow|portaudio.InputUnderflow) != 0 {
		l |= lostIn
	}
	if flags&(portaudio.OutputUnderflow|portaudio.OutputOverflow) != 0 {
		l |= lostOut
	}
	return l
}

// open must be called inside the library.
func (c *Card) open(job capture.Job, p *pump) (*paStreams, error) {
	opened := 0 // input channels
	if c.Clocks() == 1 {
		duplex, err := openFirst(c.parameters(job, true, true), func(ins, outs int) any {
			opened = ins
			return func(in, out []float32, _ portaudio.StreamCallbackTimeInfo, flags portaudio.StreamCallbackFlags) {
				p.duplex(in, out, ins, outs, lostOf(flags))
			}
		})
		if err != nil {
			return nil, c.explain(err, job.SampleRate)
		}
		p.keepOthers(opened)
		return &paStreams{in: duplex, out: duplex, pump: p, jack: isJACK(c.in)}, nil
	}
	in, err := openFirst(c.parameters(job, true, false), func(ins, _ int) any {
		opened = ins
		return func(in []float32, _ portaudio.StreamCallbackTimeInfo, flags portaudio.StreamCallbackFlags) {
			p.record(in, ins, lostOf(flags))
		}
	})
	if err != nil {
		return nil, c.explain(err, job.SampleRate)
	}
	out, err := openFirst(c.parameters(job, false, true), func(_, outs int) any {
		return func(out []float32, _ portaudio.StreamCallbackTimeInfo, flags portaudio.StreamCallbackFlags) {
			p.play(out, outs, lostOf(flags))
		}
	})
	if err != nil {
		in.Close()
		return nil, c.explain(err, job.SampleRate)
	}
	p.keepOthers(opened)
	return &paStreams{in: in, out: out, pump: p, jack: isJACK(c.in) || isJACK(c.out)}, nil
}

// explain turns a refused rate into the list of those that work.
func (c *Card) explain(err error, rate float64) error {
	err = c.translate(err)
	if errors.Is(err, ErrRate) {
		if better := c.supports(rate); better != nil {
			return better
		}
	}
	return err
}

// openFirst opens the first layout that works; callback is called for each that
// is tried, last for that one.
func openFirst(layouts []portaudio.StreamParameters, callback func(ins, outs int) any) (*portaudio.Stream, error) {
	var first error
	for _, p := range layouts {
		s, err := portaudio.OpenStream(p, callback(p.Input.Channels, p.Output.Channels))
		if err == nil {
			return s, nil
		}
		if first == nil {
			first = err
		}
	}
	return nil, first
}

// start starts both sides. Two streams first run for a while in silence: sound
// servers lose or hold back something of the beginning of either (PulseAudio
// skips 10 to 200 ms of what a null sink hears when something starts to play
// there), and then the recording would be early.
func (s *paStreams) start() error {
	if s.in == s.out {
		return s.within(s.out.Start)
	}
	s.pump.hold.Store(true)
	defer s.pump.hold.Store(false)
	err := s.within(func() error {
		if err := s.in.Start(); err != nil {
			return err
		}
		return s.out.Start()
	})
	if err == nil {
		s.pump.awaitFlow()
	}
	return err
}

// stop ends and frees the streams. Streams of a JACK server that failed are left
// as they are, and the library with them: when the server does not answer,
// PortAudio (19.6) ends the whole program by an assertion as it closes them, and
// what was recorded would be lost.
func (s *paStreams) stop(gently bool) error {
	if s.jack && !gently {
		stuck.Store(true)
		return nil
	}
	return s.within(func() error { return s.close(gently) })
}

// close must be called inside the library.
func (s *paStreams) close(gently bool) error {
	var errs []error
	if gently {
		errs = append(errs, s.out.Stop()) // plays what is in store
	} else {
		s.out.Abort() // a stream that never started says so; it does not matter
	}
	if s.in != s.out {
		s.in.Abort()
		errs = append(errs, s.in.Close())
	}
	return errors.Join(append(errs, s.out.Close())...)
}

// remarks is what the user should know of the path.
func (c *Card) remarks(job capture.Job, s *paStreams) []string {
	var remarks []string
	switch {
	case c.Clocks() == 1:
	case c.same():
		remarks = append(remarks, fmt.Sprintf(
			"%q may play on one device and record from another: then they have two clocks, which drift apart by some parts in a million.", c.in.Name))
	default:
		remarks = append(remarks, fmt.Sprintf(
			"%q plays and %q records: two devices have two clocks, which drift apart by some parts in a million.",
			c.out.Name, c.in.Name))
	}
	for _, d := range []listed{c.in, c.out} {
		if remark := resampling(d.Device, job.SampleRate); remark != "" && !slices.Contains(remarks, remark) {
			remarks = append(remarks, remark)
		}
	}
	for _, one := range []struct {
		stream *portaudio.Stream
		device string
	}{{s.in, c.in.Name}, {s.out, c.out.Name}} {
		info := one.stream.Info()
		if info == nil || math.Abs(info.SampleRate-job.SampleRate) <= 1e-6*job.SampleRate {
			continue
		}
		remark := fmt.Sprintf("%q says that it runs at %.6g Hz instead of %g Hz.", one.device, info.SampleRate, job.SampleRate)
		if !slices.Contains(remarks, remark) {
			remarks = append(remarks, remark)
		}
	}
	return remarks
}

// named adds the devices' names to an error that has none.
func (c *Card) named(err error) error {
	if e, ok := errors.AsType[*Error](err); ok && e.Device == "" {
		e.Device = c.Device().Name
	}
	return err
}

// translate turns PortAudio's errors into this package's.
func (c *Card) translate(err error) error {
	if err == nil || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	if _, ok := errors.AsType[*Error](err); ok {
		return err
	}
	if errors.Is(err, errNoAnswer) {
		return &Error{Kind: ErrLibrary, Detail: err.Error()}
	}
	kind := ErrLibrary
	if host, ok := errors.AsType[portaudio.UnanticipatedHostError](err); ok {
		text := strings.ToLower(host.Text)
		switch {
		case (text == "" || text == "unknown error") && (isJACK(c.in) || isJACK(c.out)):
			// A client of the server that ended has no ports; JACK says no more.
			return &Error{Kind: ErrVanished, Detail: "JACK knows no ports of it"}
		case strings.Contains(text, "busy"):
			kind = ErrBusy
		case strings.Contains(text, "no such"):
			kind = ErrVanished
		}
		return &Error{Kind: kind, Detail: host.Text}
	}
	if code, ok := errors.AsType[portaudio.Error](err); ok {
		switch code {
		case portaudio.DeviceUnavailable:
			kind = ErrBusy
		case portaudio.InvalidDevice, portaudio.NoDefaultInputDevice, portaudio.NoDefaultOutputDevice:
			kind = ErrVanished
		case portaudio.InvalidSampleRate:
			kind = ErrRate
		case portaudio.InvalidChannelCount:
			kind = ErrChannels
		}
		return &Error{Kind: kind, Detail: code.Error()}
	}
	return &Error{Kind: kind, cause: err}
}
