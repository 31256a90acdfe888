package soundcard

import (
	"math"
	"testing"

	"roomsonde/capture"
)

func TestCallbackAllocatesNothing(t *testing.T) {
	track := make([]float32, 1<<20)
	p := newPump(capture.Job{
		SampleRate: 48000, Frames: 1 << 20, Input: 1,
		Tracks: []capture.Track{{Channel: 0, Samples: track}, {Channel: 5, Samples: track}},
	})
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
	if p.recorded.Load() == 0 || p.overflow.Load() == 0 || p.underflow.Load() == 0 {
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
