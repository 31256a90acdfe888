package soundcard

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"roomsonde/capture"
)

const (
	tick = 100 * time.Millisecond
	// stalledTicks: after 3 s without a frame the device is taken to be gone.
	stalledTicks = 30
	// startPatience and stopPatience are how long the sound system may take to
	// start and to stop, and cutPatience how long when the streams are cut off.
	// A call that takes longer is left behind: a server that died can hold it for
	// minutes.
	startPatience = 10 * time.Second
	stopPatience  = 3 * time.Second
	cutPatience   = time.Second
	// afterFade is how long is still recorded once the output has faded, so that
	// the end of the fade is heard in the recording; after that it ends.
	afterFade = 3 // ticks
)

// streams is what the control goroutine needs of the streams that feed a pump.
type streams interface {
	start() error
	// stop ends the streams and frees them; gently lets what is already in
	// store be played first.
	stop(gently bool) error
}

// run plays and records until the recording is full, ctx ends or the device
// fails. Whatever happens, it returns what was recorded; the streams are stopped
// or, where they do not let themselves be, left behind to be stopped when they
// do.
func run(ctx context.Context, s streams, p *pump, progress func(capture.Progress)) ([]float32, error) {
	report := func() {
		peak := float64(math.Float32frombits(p.peak.Swap(0)))
		if progress != nil {
			progress(capture.Progress{Frames: int(p.recorded.Load()), Total: len(p.recording), Peak: peak})
		}
	}
	gently := false
	err := attempt(startPatience, s.start, func() { s.stop(false) })
	started := !errors.Is(err, errNoAnswer)
	if err == nil {
		err, gently = watch(ctx, p, report)
	}
	p.done.Store(true)
	p.fade.Store(true) // should it go on or begin after all
	if started {
		// What stop says no longer matters: a recording that is whole is whole,
		// and one that is not has its error already.
		limit := cutPatience
		if gently {
			limit = stopPatience
		}
		attempt(limit, func() error { return s.stop(gently) }, func() {})
	}
	n := int(p.recorded.Load())
	report()
	return p.recording[:n:n], err
}

// watch returns when the take is over: nil when the recording is full. gently
// is false when the streams had better be cut off.
func watch(ctx context.Context, p *pump, report func()) (err error, gently bool) {
	ticker := time.NewTicker(tick)
	defer ticker.Stop()
	var (
		ended               = ctx.Done()
		lastIn, lastOut     int64
		silentIn, silentOut int
		fading              int // ticks since the fade was asked for
	)
	for {
		select {
		case <-ended:
			ended = nil
			err = ctx.Err()
			p.fade.Store(true)
			continue
		case <-ticker.C:
		}
		report()
		if int(p.recorded.Load()) == len(p.recording) {
			// On two clocks the output may not be at its end yet.
			if p.faded.Load() || err == nil && p.taken.Load() >= p.longest() {
				return err, true
			}
			p.fade.Store(true)
		}
		if p.fade.Load() {
			fading++
			if p.faded.Load() && fading > afterFade {
				return err, true
			}
		}
		silentIn, lastIn = silence(silentIn, lastIn, p.delivered.Load())
		silentOut, lastOut = silence(silentOut, lastOut, p.taken.Load())
		if silentIn < stalledTicks && silentOut < stalledTicks {
			continue
		}
		if err == nil {
			err = &Error{Kind: ErrStalled, Detail: fmt.Sprintf("%d of %d frames were recorded and are kept", p.recorded.Load(), len(p.recording))}
		}
		// If it was only the input, the output still plays: let it fade.
		if silentOut < stalledTicks {
			p.fade.Store(true)
			for range afterFade {
				<-ticker.C
			}
		}
		return err, false
	}
}

// silence counts the ticks since frames last grew.
func silence(ticks int, last, now int64) (int, int64) {
	if now != last {
		return 0, now
	}
	return ticks + 1, now
}

var errNoAnswer = errors.New("the sound system does not answer")

// attempt calls f and waits for it, but no longer than d: a call into a server
// that died may never come back. Then it returns errNoAnswer, and late is called
// if f comes back after all.
func attempt(d time.Duration, f func() error, late func()) error {
	done := make(chan error) // unbuffered: taken or late
	givenUp := make(chan struct{})
	go func() {
		err := f()
		select {
		case done <- err:
		case <-givenUp:
			late()
		}
	}()
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case err := <-done:
		return err
	case <-timer.C:
		close(givenUp)
		return errNoAnswer
	}
}

// check refuses a job that a card with so many channels cannot play as it is.
func check(job capture.Job, inputs, outputs int) error {
	wrong := func(format string, args ...any) error {
		return &Error{Kind: ErrJob, Detail: fmt.Sprintf(format, args...)}
	}
	if !(job.SampleRate > 0) || math.IsInf(job.SampleRate, 0) {
		return wrong("sample rate %g Hz", job.SampleRate)
	}
	if job.Frames <= 0 {
		return wrong("%d frames to record", job.Frames)
	}
	if job.Input < 0 || job.Input >= inputs {
		return &Error{
			Kind: ErrChannels, Detail: fmt.Sprintf("input %d of %d", job.Input+1, inputs),
			hint: fmt.Sprintf("choose an input channel from 1 to %d", inputs),
		}
	}
	taken := make(map[int]bool)
	checked := make(map[*float32]int) // tracks often share their samples
	for _, t := range job.Tracks {
		switch {
		case t.Channel < 0 || t.Channel >= outputs:
			return &Error{
				Kind: ErrChannels, Detail: fmt.Sprintf("output %d of %d", t.Channel+1, outputs),
				hint: fmt.Sprintf("choose output channels from 1 to %d", outputs),
			}
		case taken[t.Channel]:
			return wrong("two tracks for output %d", t.Channel+1)
		case len(t.Samples) > job.Frames:
			return wrong("a track of %d frames in a recording of %d", len(t.Samples), job.Frames)
		}
		taken[t.Channel] = true
		if len(t.Samples) == 0 || checked[&t.Samples[0]] >= len(t.Samples) {
			continue
		}
		for i, x := range t.Samples {
			if !(x >= -1 && x <= 1) {
				return wrong("sample %d for output %d is %g, beyond full scale", i, t.Channel+1, x)
			}
		}
		checked[&t.Samples[0]] = len(t.Samples)
	}
	return nil
}
