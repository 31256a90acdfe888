package soundcard

import (
	"context"
	"errors"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"roomsonde/capture"
)

// fakeStreams feed a pump from goroutines, with buffers of 480 frames at 48 kHz
// (10 ms each). Input and output may stop by themselves after some buffers.
type fakeStreams struct {
	p               *pump
	inputs, outputs int // buffers until that side falls silent; 0: never
	startErr        error
	startTakes      time.Duration
	stopTakes       time.Duration
	loss            lost
	quit, halted    chan struct{}

	played        []float32
	stopped       atomic.Int32
	ended, gently bool
}

func (f *fakeStreams) start() error {
	time.Sleep(f.startTakes)
	if f.startErr != nil {
		return f.startErr
	}
	quit, halted := make(chan struct{}), make(chan struct{})
	f.quit, f.halted = quit, halted
	go func() {
		defer close(halted)
		in, out := make([]float32, 480), make([]float32, 480)
		for i := range in {
			in[i] = 0.25
		}
		for n := 1; ; n++ {
			select {
			case <-quit:
				return
			case <-time.After(10 * time.Millisecond):
			}
			if f.outputs == 0 || n <= f.outputs {
				f.p.play(out, 1, f.loss)
				f.played = append(f.played, out...)
			}
			if f.inputs == 0 || n <= f.inputs {
				f.p.record(in, 1, f.loss)
			}
		}
	}()
	return nil
}

func (f *fakeStreams) stop(gently bool) error {
	f.gently = gently
	f.stopped.Add(1)
	if f.quit != nil {
		close(f.quit)
		<-f.halted
		f.quit = nil
	}
	time.Sleep(f.stopTakes)
	f.ended = true
	return nil
}

const second = 48000

func steady(frames int) capture.Job {
	x := make([]float32, frames)
	for i := range x {
		x[i] = 0.5
	}
	return capture.Job{SampleRate: 48000, Frames: frames, Tracks: []capture.Track{{Samples: x}}}
}

func TestRunRecordsAllAndReports(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPump(steady(10*second + 77))
		f := &fakeStreams{p: p, loss: lostIn | lostOut}
		var reports []capture.Progress
		samples, err := run(t.Context(), f, p, func(r capture.Progress) { reports = append(reports, r) })
		if err != nil || len(samples) != 10*second+77 {
			t.Fatalf("%d frames, error %v", len(samples), err)
		}
		if n := len(reports); n < 90 || n > 110 {
			t.Errorf("%d reports in ten seconds, want some ten a second", n)
		}
		last := reports[len(reports)-1]
		if last.Frames != len(samples) || last.Total != len(samples) {
			t.Errorf("last report = %+v, want all %d frames", last, len(samples))
		}
		if reports[1].Peak != 0.25 {
			t.Errorf("peak = %g, want 0.25", reports[1].Peak)
		}
		if !f.gently || f.stopped.Load() != 1 {
			t.Errorf("stopped %d times, gently %v; want once, gently", f.stopped.Load(), f.gently)
		}
		if p.overflow.Load() < 900 || p.underflow.Load() < 900 {
			t.Errorf("overflows %d, underflows %d: the driver's flags were not counted", p.overflow.Load(), p.underflow.Load())
		}
	})
}

func TestCancelKeepsWhatThereIs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		p := newPump(steady(60 * second))
		f := &fakeStreams{p: p}
		samples, err := run(ctx, f, p, func(r capture.Progress) {
			if r.Frames >= second {
				cancel()
			}
		})
		cancel()
		if !errors.Is(err, context.Canceled) {
			t.Errorf("error = %v, want context.Canceled", err)
		}
		if len(samples) < second || len(samples) > 2*second {
			t.Errorf("%d frames kept", len(samples))
		}
		if last := f.played[len(f.played)-1]; last != 0 {
			t.Errorf("the output ended at %g, want silence", last)
		}
		for i := 1; i < len(f.played); i++ {
			if step := math.Abs(float64(f.played[i] - f.played[i-1])); i > 1 && step > 0.001 {
				t.Fatalf("the output jumps by %g at frame %d", step, i)
			}
		}
	})
}

func TestDeadlineIsPassedOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		p := newPump(steady(60 * second))
		if _, err := run(ctx, &fakeStreams{p: p}, p, nil); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("error = %v, want context.DeadlineExceeded", err)
		}
	})
}

func TestStall(t *testing.T) {
	for _, c := range []struct {
		name            string
		inputs, outputs int
		kept            int
		faded           bool
	}{
		{"both", 200, 200, 2 * second, false},
		{"input", 200, 0, 2 * second, true},
		{"output", 0, 200, 5 * second, false},
		{"never began", -1, -1, 0, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := newPump(steady(60 * second))
				f := &fakeStreams{p: p, inputs: c.inputs, outputs: c.outputs}
				began := time.Now()
				samples, err := run(t.Context(), f, p, nil)
				if !errors.Is(err, ErrStalled) {
					t.Fatalf("error = %v, want ErrStalled", err)
				}
				if d := len(samples) - c.kept; d < -second/5 || d > second/5 {
					t.Errorf("%d frames kept, want about %d", len(samples), c.kept)
				}
				if took := time.Since(began); took > 7*time.Second {
					t.Errorf("noticed after %v", took)
				}
				if c.faded && f.played[len(f.played)-1] != 0 {
					t.Error("the output that still played was not faded out")
				}
				if f.gently {
					t.Error("a stalled stream was asked to play out")
				}
			})
		})
	}
}

func TestCancelDuringStallEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		defer cancel()
		p := newPump(steady(60 * second))
		f := &fakeStreams{p: p, inputs: 200, outputs: 200}
		samples, err := run(ctx, f, p, nil)
		if !errors.Is(err, context.DeadlineExceeded) || len(samples) != 2*second {
			t.Errorf("%d frames, error %v", len(samples), err)
		}
	})
}

func TestStartFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPump(steady(second))
		f := &fakeStreams{p: p, startErr: errors.New("no")}
		samples, err := run(t.Context(), f, p, nil)
		if err != f.startErr || len(samples) != 0 || !f.ended {
			t.Errorf("%d frames, error %v, freed %v", len(samples), err, f.ended)
		}
	})
}

// TestStartThatComesBackLate: nobody waits for it, nothing is heard of it, and
// the streams are freed all the same.
func TestStartThatComesBackLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPump(steady(second))
		f := &fakeStreams{p: p, startTakes: 10 * time.Minute}
		began := time.Now()
		samples, err := run(t.Context(), f, p, nil)
		if !errors.Is(err, errNoAnswer) || len(samples) != 0 {
			t.Errorf("%d frames, error %v", len(samples), err)
		}
		if took := time.Since(began); took != startPatience {
			t.Errorf("waited %v, want %v", took, startPatience)
		}
		if f.stopped.Load() != 0 {
			t.Error("stopped while still starting")
		}
		time.Sleep(11 * time.Minute)
		synctest.Wait()
		if f.stopped.Load() != 1 || !f.ended {
			t.Error("not freed when it came back")
		}
	})
}

func TestStopThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPump(steady(second))
		f := &fakeStreams{p: p, stopTakes: 10 * time.Minute}
		began := time.Now()
		samples, err := run(t.Context(), f, p, nil)
		if err != nil || len(samples) != second {
			t.Errorf("%d frames, error %v: a whole recording is no error", len(samples), err)
		}
		if took := time.Since(began); took > 5*time.Second {
			t.Errorf("took %v", took)
		}
		time.Sleep(11 * time.Minute) // let it come back before the bubble ends
	})
}

func TestCheck(t *testing.T) {
	ok := make([]float32, 10)
	with := func(x float32) []float32 {
		s := make([]float32, 10)
		s[7] = x
		return s
	}
	base := func() capture.Job {
		return capture.Job{SampleRate: 48000, Frames: 10, Tracks: []capture.Track{{Samples: ok}, {Channel: 1, Samples: ok}}}
	}
	for _, c := range []struct {
		name string
		edit func(*capture.Job)
		want error
		text string
	}{
		{"good", func(*capture.Job) {}, nil, ""},
		{"no tracks", func(j *capture.Job) { j.Tracks = nil }, nil, ""},
		{"full scale", func(j *capture.Job) { j.Tracks[0].Samples = with(-1) }, nil, ""},
		{"beyond", func(j *capture.Job) { j.Tracks[0].Samples = with(1.0001) }, ErrJob, "beyond full scale"},
		{"longer share", func(j *capture.Job) {
			s := with(7)
			j.Tracks[0].Samples, j.Tracks[1].Samples = s[:5], s
		}, ErrJob, "sample 7"},
		{"not a number", func(j *capture.Job) { j.Tracks[1].Samples = with(float32(math.NaN())) }, ErrJob, "output 2"},
		{"rate", func(j *capture.Job) { j.SampleRate = math.NaN() }, ErrJob, "sample rate"},
		{"frames", func(j *capture.Job) { j.Frames = 0 }, ErrJob, "0 frames"},
		{"short", func(j *capture.Job) { j.Frames = 9 }, ErrJob, "a track of 10"},
		{"twice", func(j *capture.Job) { j.Tracks[1].Channel = 0 }, ErrJob, "two tracks"},
		{"output", func(j *capture.Job) { j.Tracks[1].Channel = 2 }, ErrChannels, "output 3 of 2"},
		{"input", func(j *capture.Job) { j.Input = 1 }, ErrChannels, "input 2 of 1"},
		{"negative", func(j *capture.Job) { j.Input = -1 }, ErrChannels, "input 0"},
	} {
		j := base()
		c.edit(&j)
		err := check(j, 1, 2)
		if !errors.Is(err, c.want) || (err == nil) != (c.want == nil) {
			t.Errorf("%s: error = %v, want %v", c.name, err, c.want)
			continue
		}
		if err != nil && !strings.Contains(err.Error(), c.text) {
			t.Errorf("%s: error %q does not say %q", c.name, err, c.text)
		}
		if e, ok := errors.AsType[*Error](err); ok && e.Hint() == "" {
			t.Errorf("%s: no hint", c.name)
		}
	}
}
