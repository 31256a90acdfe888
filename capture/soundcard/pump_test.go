package soundcard

import (
	"math"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"roomsonde/capture"
)

func TestCallbackAllocatesNothing(t *testing.T) {
	track := make([]float32, 1<<20)
	p := newPump(capture.Job{
		SampleRate: 48000, Frames: 1 << 20, Input: 1,
		Tracks: []capture.Track{{Channel: 0, Samples: track}, {Channel: 5, Samples: track}},
	})
	p.keepOthers(2)
	in, out := make([]float32, 2*512), make([]float32, 6*512)
	for name, f := range map[string]func(){
		"duplex": func() { p.duplex(in, out, 2, 6, lostIn|lostOut) },
		"play":   func() { p.play(out, 6, lostOut) },
		"record": func() { p.record(in, 2, lostIn) },
		"fade":   func() { p.fade.Store(true); p.duplex(in, out, 2, 6, 0) },
	} {
		if got := testing.AllocsPerRun(100, f); got != 0 {
			t.Errorf("%s: %g allocations a call, want 0", name, got)
		}
	}
	if len(p.others) != 1 || p.recorded.Load() == 0 || p.overflow.Load() == 0 || p.underflow.Load() == 0 {
		t.Error("the callback did not do its work")
	}
}

// TestPumpIsTransparent sends distinct values through buffers of uneven size and
// finds each where it belongs, unscaled, and silence everywhere else.
func TestPumpIsTransparent(t *testing.T) {
	const frames, ins, outs = 1000, 3, 4
	value := func(c, n int) float32 { return float32(c+1)/10 + float32(n)/1e5 }
	a, b := make([]float32, 700), make([]float32, frames)
	for n := range a {
		a[n] = value(1, n)
	}
	for n := range b {
		b[n] = value(3, n)
	}
	p := newPump(capture.Job{
		SampleRate: 1000, Frames: frames, Input: 2,
		Tracks: []capture.Track{{Channel: 1, Samples: a}, {Channel: 3, Samples: b}},
	})
	p.keepOthers(ins)
	at := 0
	for _, size := range []int{1, 7, 64, 500, 3, 425, 256} {
		in, out := make([]float32, ins*size), make([]float32, outs*size)
		for i := range out {
			out[i] = 9 // buffers come as they were left
		}
		for i := range size {
			for c := range ins {
				in[i*ins+c] = -value(c, at+i)
			}
		}
		p.duplex(in, out, ins, outs, 0)
		for i := range size {
			for c := range outs {
				want := float32(0)
				if c == 1 && at+i < len(a) || c == 3 && at+i < len(b) {
					want = value(c, at+i)
				}
				if got := out[i*outs+c]; got != want {
					t.Fatalf("out[%d] channel %d = %g, want %g", at+i, c, got, want)
				}
			}
		}
		at += size
	}
	if got := p.recorded.Load(); got != frames {
		t.Fatalf("recorded %d frames, want %d", got, frames)
	}
	for n, got := range p.recording {
		if want := -value(2, n); got != want {
			t.Fatalf("recording[%d] = %g, want %g", n, got, want)
		}
	}
	others := p.othersUpTo(frames - 3)
	if len(others) != 2 || others[0].Index != 0 || others[1].Index != 1 {
		t.Fatalf("%d other channels, want channels 0 and 1", len(others))
	}
	for _, o := range others {
		if len(o.Samples) != frames-3 {
			t.Fatalf("channel %d has %d frames, want %d", o.Index, len(o.Samples), frames-3)
		}
		for n, got := range o.Samples {
			if want := -value(o.Index, n); got != want {
				t.Fatalf("channel %d, frame %d = %g, want %g", o.Index, n, got, want)
			}
		}
	}
	if got, want := math.Float32frombits(p.peak.Load()), value(2, frames-1); got != want {
		t.Errorf("peak = %g, want %g", got, want)
	}
}

// TestFadeIsHalfACosine asks for the fade between two buffers.
func TestFadeIsHalfACosine(t *testing.T) {
	const (
		rate = 1000
		n    = 50 // 50 ms
		tol  = 1e-7
	)
	track := make([]float32, 400)
	for i := range track {
		track[i] = 0.5
	}
	for _, size := range []int{1, 7, 50, 64, 200} {
		p := newPump(capture.Job{SampleRate: rate, Frames: 400, Tracks: []capture.Track{{Samples: track}}})
		var got []float32
		for len(got) < 400 {
			if len(got) >= 100 {
				p.fade.Store(true)
			}
			out := make([]float32, size)
			p.play(out, 1, 0)
			got = append(got, out...)
		}
		begin := (100 + size - 1) / size * size
		for i, v := range got[:400] {
			want := 0.5
			switch k := i - begin; {
			case k >= n:
				want = 0
			case k >= 0:
				want = 0.25 * (1 + math.Cos(math.Pi*float64(k+1)/n))
			}
			if d := math.Abs(float64(v) - want); !(d <= tol) {
				t.Fatalf("buffers of %d: frame %d = %g, want %g", size, i, v, want)
			}
		}
		if !p.faded.Load() {
			t.Errorf("buffers of %d: not reported as faded", size)
		}
	}
}

// TestInputWaitsForOutput: with two streams nothing is kept before the output
// begins, so that the recording is never early.
func TestInputWaitsForOutput(t *testing.T) {
	p := newPump(capture.Job{SampleRate: 1000, Frames: 10})
	p.record([]float32{0.1, 0.2}, 1, lostIn)
	p.play(make([]float32, 4), 1, lostOut)
	p.record([]float32{0.3, 0.4}, 1, lostIn)
	if got := p.recording[:p.recorded.Load()]; len(got) != 2 || got[0] != 0.3 {
		t.Errorf("recording = %v, want it to begin with 0.3", got)
	}
	if p.overflow.Load() != 0 || p.underflow.Load() != 0 {
		t.Error("what was lost before the first frame was counted")
	}
	if got := p.delivered.Load(); got != 4 {
		t.Errorf("delivered = %d, want 4", got)
	}
}

// TestOthersAreBounded: of a large interface eight channels are kept in all.
func TestOthersAreBounded(t *testing.T) {
	p := newPump(capture.Job{SampleRate: 1000, Frames: 10, Input: 3})
	p.keepOthers(32)
	var got []int
	for _, o := range p.others {
		got = append(got, o.Index)
	}
	if want := []int{0, 1, 2, 4, 5, 6, 7}; !slices.Equal(got, want) {
		t.Errorf("other channels = %v, want %v", got, want)
	}
}

// TestStalledTime feeds a pump ten seconds in buffers of 10 ms by a clock of its
// own, which jumps, or on which buffers come late and catch up.
func TestStalledTime(t *testing.T) {
	const tol = 1e-9 // s
	for _, c := range []struct {
		name string
		late func(ms int) int // by how many ms a buffer that ends at ms comes late
		want float64
	}{
		{"even", func(int) int { return 0 }, 0},
		{"suspended for an hour", func(ms int) int { return 3600_000 * step(ms > 5000) }, 3600},
		{"suspended in the last buffer", func(ms int) int { return 60_000 * step(ms == 10_000) }, 60},
		{"twice", func(ms int) int { return 2000*step(ms > 3000) + 500*step(ms > 7000) }, 2.5},
		{"busy for a while, nothing lost", func(ms int) int { return max(0, 400-max(ms-5000, 5000-ms)) }, 0},
		{"a store emptied at the beginning", func(ms int) int { return max(-200, -ms/4) }, 0},
		{"a slow start", func(ms int) int { return max(0, 300-ms) }, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := newPump(capture.Job{SampleRate: 48000, Frames: 10 * 48000})
			var now time.Duration
			p.elapsed = func() time.Duration { return now }
			in, out := make([]float32, 480), make([]float32, 480)
			for ms := 10; ms <= 10_000; ms += 10 {
				now = time.Duration(ms+c.late(ms)) * time.Millisecond
				p.duplex(in, out, 1, 1, 0)
			}
			if got := p.stalledS(); !(math.Abs(got-c.want) <= tol) {
				t.Errorf("stalled for %g s, want %g", got, c.want)
			}
		})
	}
}

func step(on bool) int {
	if on {
		return 1
	}
	return 0
}

// TestStopwatchRuns: it goes forward, and no slower than Go's own clock.
func TestStopwatchRuns(t *testing.T) {
	elapsed, start := stopwatch(), time.Now()
	for range 1000 {
		least := time.Since(start) // the stopwatch started first
		if got := elapsed(); got < least {
			t.Fatalf("stopwatch at %v after %v", got, least)
		}
	}
}

// TestHeldOutputIsSilent: while it is held nothing is played or kept, and then
// both begin with their first frames.
func TestHeldOutputIsSilent(t *testing.T) {
	p := newPump(capture.Job{SampleRate: 1000, Frames: 4, Tracks: []capture.Track{{Samples: []float32{0.1, 0.2, 0.3}}}})
	p.hold.Store(true)
	out := []float32{9, 9}
	p.play(out, 1, lostOut)
	p.record([]float32{0.5, 0.5}, 1, lostIn)
	if out[0] != 0 || out[1] != 0 || p.recorded.Load() != 0 || p.taken.Load() != 0 || p.idled.Load() != 2 {
		t.Fatalf("held: played %v, recorded %d, taken %d, idled %d", out, p.recorded.Load(), p.taken.Load(), p.idled.Load())
	}
	p.hold.Store(false)
	p.play(out, 1, lostOut)
	p.record([]float32{0.6, 0.7}, 1, lostIn)
	if out[0] != 0.1 || out[1] != 0.2 || p.recorded.Load() != 2 || p.recording[0] != 0.6 {
		t.Errorf("let go: played %v, recorded %v", out, p.recording[:p.recorded.Load()])
	}
	if p.underflow.Load() != 0 || p.overflow.Load() != 0 {
		t.Error("what was lost before the first frame was counted")
	}
}

// TestFlowIsAwaited: until both sides have moved, but not for ever.
func TestFlowIsAwaited(t *testing.T) {
	for name, c := range map[string]struct {
		in, out bool
		want    time.Duration
	}{
		"both run":   {true, true, 250 * time.Millisecond},
		"input dead": {false, true, flowPatience},
		"both dead":  {false, false, flowPatience},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := newPump(capture.Job{SampleRate: 48000, Frames: 10})
				p.hold.Store(true)
				quit := make(chan struct{})
				go func() {
					in, out := make([]float32, 480), make([]float32, 480)
					for {
						select {
						case <-quit:
							return
						case <-time.After(10 * time.Millisecond):
						}
						if c.in {
							p.record(in, 1, 0)
						}
						if c.out {
							p.play(out, 1, 0)
						}
					}
				}()
				began := time.Now()
				p.awaitFlow()
				close(quit)
				if took := time.Since(began); took < c.want || took > c.want+50*time.Millisecond {
					t.Errorf("waited %v, want %v", took, c.want)
				}
			})
		})
	}
}

// TestPeakPassesOverNaN: a driver's nonsense must not hide the level.
func TestPeakPassesOverNaN(t *testing.T) {
	p := newPump(capture.Job{SampleRate: 1000, Frames: 10})
	nan := float32(math.NaN())
	p.duplex([]float32{nan, -0.5, 0.25, nan}, make([]float32, 4), 1, 1, 0)
	if got := math.Float32frombits(p.peak.Load()); got != 0.5 {
		t.Errorf("peak = %g, want 0.5", got)
	}
}

func TestNothingIsRecordedWhenDone(t *testing.T) {
	p := newPump(capture.Job{SampleRate: 1000, Frames: 10})
	p.done.Store(true)
	p.duplex([]float32{1, 1}, make([]float32, 2), 1, 1, 0)
	if p.recorded.Load() != 0 {
		t.Error("recorded after the end")
	}
}

func BenchmarkCallback(b *testing.B) {
	track := make([]float32, 480000)
	in, out := make([]float32, 2*512), make([]float32, 8*512)
	p := newPump(capture.Job{SampleRate: 48000, Frames: 480000, Tracks: []capture.Track{{Samples: track}, {Channel: 3, Samples: track}}})
	b.ReportAllocs()
	for b.Loop() {
		p.played, p.heard = 0, 0
		p.duplex(in, out, 2, 8, 0)
	}
}
