//go:build cgo && unix

package soundcard_test

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"gonum.org/v1/gonum/dsp/fourier"

	"roomsonde/capture"
	"roomsonde/capture/soundcard"
	"roomsonde/capture/soundcard/soundserver"
	"roomsonde/capture/wav"
	"roomsonde/sweep/scale"
	"roomsonde/sweep/scale/outsidetest"
)

// The room of these tests is jconvolver (Fons Adriaensen), driven by a JACK
// server through PortAudio; what must come out is the convolution computed with
// gonum in double precision.

const (
	// residualDB is the bound on the difference to the direct convolution,
	// relative to it. The convolver works in single precision, whose steps lie
	// near -144 dB; the sum of a long response loses some of that.
	residualDB = -100.0
	// takes is how often a take in which a buffer was lost is tried again.
	takes = 4
)

func open(t *testing.T, s *soundserver.Server, rate float64) *soundcard.Card {
	t.Helper()
	devices, err := soundcard.Devices(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	d, err := capture.FindDevice(devices, s.Device, capture.DuplexRole)
	if err != nil {
		t.Fatal(err)
	}
	c, err := soundcard.Open(soundcard.Options{Input: d, Output: d, SampleRate: rate})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// burst is noise with a seed, uniform within ±peak, between two short ramps.
func burst(frames int, peak float64) []float32 {
	r := rand.New(rand.NewPCG(7, 11))
	x := make([]float32, frames)
	for i := range x {
		ramp := min(1, float64(i)/500, float64(frames-1-i)/500)
		x[i] = float32(peak * ramp * (2*r.Float64() - 1))
	}
	return x
}

// convolve is the linear convolution of x and h.
func convolve(x, h []float64) []float64 {
	n := len(x) + len(h) - 1
	size := 1
	for size < n {
		size *= 2
	}
	fft := fourier.NewFFT(size)
	a, b := make([]float64, size), make([]float64, size)
	copy(a, x)
	copy(b, h)
	p, q := fft.Coefficients(nil, a), fft.Coefficients(nil, b)
	for i := range p {
		p[i] *= q[i] / complex(float64(size), 0)
	}
	return fft.Sequence(nil, p)[:n]
}

func wide(x []float32) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = float64(v)
	}
	return y
}

func energy(x []float64) (e float64) {
	for _, v := range x {
		e += v * v
	}
	return e
}

// delayOf is the shift of got against want that correlates best, from -most to
// most.
func delayOf(got, want []float64, most int) int {
	reversed := make([]float64, len(want))
	for i, v := range want {
		reversed[len(want)-1-i] = v
	}
	c := convolve(got, reversed)
	best := 0
	for d := -min(most, len(want)-1); d <= most; d++ {
		if k := func(d int) float64 { return c[len(want)-1+d] }; k(d) > k(best) {
			best = d
		}
	}
	return best
}

// compare returns the residual of got against want delayed, in dB relative to
// want, and the frame from which on the two differ (len(got) if they do not).
func compare(got, want []float64, delay int) (db float64, from int) {
	shifted := make([]float64, len(got))
	copy(shifted[delay:], want)
	difference := make([]float64, len(got))
	for i := range got {
		difference[i] = got[i] - shifted[i]
	}
	bound := scale.Power(residualDB) * energy(want) / float64(len(want)) * soundserver.Period
	from = len(got)
	for i := 0; i+soundserver.Period <= len(got); i += soundserver.Period {
		if !(energy(difference[i:i+soundserver.Period]) <= bound) {
			from = i
			break
		}
	}
	return scale.PowerDB(energy(difference) / energy(want)), from
}

func TestRoomThroughPortAudioIsTheConvolution(t *testing.T) {
	path := outsidetest.Data(t, "living-room/living_room_1.wav")
	impulse, err := wav.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	const rate = 44100
	s := soundserver.Room(t, path, rate)
	c := open(t, s, 0)
	if got := c.SampleRate(); got != rate {
		t.Errorf("rate chosen = %g Hz, want the server's %d", got, rate)
	}
	if got := c.Clocks(); got != 1 {
		t.Errorf("clocks = %d, want 1", got)
	}
	const lead = 3000 // silence first, so that an early recording would show
	x := append(make([]float32, lead), burst(2*rate, 0.1)...)
	want := convolve(wide(x), impulse.Channels[0])
	job := capture.Job{SampleRate: rate, Frames: 4 * rate, Tracks: []capture.Track{{Samples: x}}}
	for take := 1; ; take++ {
		r, err := c.PlayRecord(t.Context(), job, nil)
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Samples) != job.Frames || r.SampleRate != rate {
			t.Fatalf("recorded %d frames at %g Hz, want %d at %d", len(r.Samples), r.SampleRate, job.Frames, rate)
		}
		got := wide(r.Samples)
		delay := delayOf(got, want, lead)
		if delay < 0 {
			t.Fatalf("the recording is early by %d frames", -delay)
		}
		db, from := compare(got, want, delay)
		t.Logf("take %d: delay %d frames, residual %.1f dB, overflows %d, underflows %d", take, delay, db, r.Overflows, r.Underflows)
		if db <= residualDB {
			if len(r.Remarks) != 0 {
				t.Errorf("remarks %q on a path without anything to remark", r.Remarks)
			}
			return
		}
		// A lost buffer spoils what comes after it and nothing before; anything
		// else is wrong from the beginning of the burst.
		if from <= lead+delay+2*soundserver.Period || take == takes {
			t.Fatalf("residual = %.1f dB, want at most %g dB; it differs from frame %d on", db, residualDB, from)
		}
		t.Logf("take %d: exact up to frame %d, then a buffer was lost; once more", take, from)
	}
}

// straight is a room that does nothing, as a file.
func straight(t *testing.T, rate int) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "straight.wav")
	if err := wav.WriteFile(path, rate, [][]float64{{1, 0, 0, 0}}, wav.Options{}); err != nil {
		t.Fatal(err)
	}
	return path
}

func tone(frames int, hz, rate, peak float64) []float32 {
	x := make([]float32, frames)
	for i := range x {
		x[i] = float32(peak * math.Sin(2*math.Pi*hz/rate*float64(i)))
	}
	return x
}

// TestCancelFadesOut cancels while a tone plays and finds the whole fade in what
// was recorded: half a cosine of 50 ms, then nothing.
func TestCancelFadesOut(t *testing.T) {
	const (
		rate = 48000
		fade = rate / 20
		tol  = 1e-6 // the convolver's single precision, against a tone of 0.1
	)
	s := soundserver.Room(t, straight(t, rate), rate)
	c := open(t, s, rate)
	x := tone(30*rate, 997, rate, 0.1)
	want := func(i int) float64 {
		if i < soundserver.Period {
			return 0
		}
		return float64(x[i-soundserver.Period])
	}
	for take := 1; ; take++ {
		ctx, cancel := context.WithCancel(t.Context())
		r, err := c.PlayRecord(ctx, capture.Job{
			SampleRate: rate, Frames: len(x), Tracks: []capture.Track{{Samples: x}},
		}, func(p capture.Progress) {
			if p.Frames > rate/2 {
				cancel()
			}
		})
		cancel()
		if !errors.Is(err, context.Canceled) {
			t.Fatalf("error = %v, want context.Canceled", err)
		}
		if r == nil || len(r.Samples) <= rate/2 || len(r.Samples) > 10*rate {
			t.Fatalf("recording = %v, want what was recorded until then and little more", r)
		}
		last := len(r.Samples) - 1
		for last > 0 && math.Abs(float64(r.Samples[last])) <= tol {
			last--
		}
		// The end of the fade is too faint to say where it is: look for the
		// start that fits.
		begin := -1
		for b := max(0, last-fade); b <= last && b+fade <= len(r.Samples); b++ {
			fits := true
			for i := range fade {
				g := 0.5 * (1 + math.Cos(math.Pi*float64(i+1)/fade))
				if !(math.Abs(float64(r.Samples[b+i])-g*want(b+i)) <= tol) {
					fits = false
					break
				}
			}
			if fits {
				begin = b
				break
			}
		}
		whole := begin >= 0
		for i := 0; whole && i < begin; i++ {
			whole = math.Abs(float64(r.Samples[i])-want(i)) <= tol
		}
		if whole {
			t.Logf("take %d: %d frames, the fade begins at %d and ends %d frames before the end", take, len(r.Samples), begin, len(r.Samples)-begin-fade)
			return
		}
		if take == takes {
			t.Fatalf("no fade of %d frames at the end of the %d recorded (last sound at %d)", fade, len(r.Samples), last)
		}
		t.Logf("take %d: tone or fade not whole, a buffer was lost; once more", take)
	}
}

// alone runs the test in a process of its own, since it leaves the process
// without a working PortAudio, and reports whether this is that process.
func alone(t *testing.T) bool {
	t.Helper()
	if os.Getenv("ROOMSONDE_TEST_ALONE") == t.Name() {
		return true
	}
	for _, tool := range []string{"jackd", "jconvolver", "pulseaudio"} {
		outsidetest.Tool(t, tool)
	}
	cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.v", "-test.timeout=5m", "-test.run=^"+strings.ReplaceAll(t.Name(), "/", "$/^")+"$")
	cmd.Env = append(os.Environ(), "ROOMSONDE_TEST_ALONE="+t.Name())
	out, err := cmd.CombinedOutput()
	if err != nil || !strings.Contains(string(out), "--- PASS: "+t.Name()) {
		t.Errorf("%v: %s", err, out)
	}
	return false
}

// TestServerDies kills the JACK server in the middle of a take.
func TestServerDies(t *testing.T) {
	if !alone(t) {
		return
	}
	const rate = 48000
	s := soundserver.Room(t, straight(t, rate), rate)
	c := open(t, s, rate)
	x := tone(60*rate, 997, rate, 0.1)
	killed := false
	r, err := c.PlayRecord(t.Context(), capture.Job{
		SampleRate: rate, Frames: len(x), Tracks: []capture.Track{{Samples: x}},
	}, func(p capture.Progress) {
		if p.Frames > rate/2 && !killed {
			killed = true
			s.Kill()
		}
	})
	if !errors.Is(err, soundcard.ErrStalled) {
		t.Fatalf("error = %v, want ErrStalled", err)
	}
	if r == nil || len(r.Samples) <= rate/2 {
		t.Fatalf("recording = %v, want what was recorded until then", r)
	}
	t.Logf("%d frames kept; %v", len(r.Samples), err)
	if err := c.Close(); err != nil {
		t.Errorf("Close after the server died: %v", err)
	}
	// PortAudio may stay held up for minutes: then the next call says so rather
	// than wait.
	if devices, err := soundcard.Devices(t.Context()); err == nil {
		for _, d := range devices {
			if d.Name == s.Device {
				t.Errorf("%q is still listed", d.Name)
			}
		}
	} else if e, ok := errors.AsType[*soundcard.Error](err); !ok || !errors.Is(err, soundcard.ErrLibrary) || e.Hint() == "" {
		t.Errorf("Devices after the server died: %v, want ErrLibrary with a hint", err)
	}
}

// TestUnpluggedInTheMiddle ends the convolver, which is the device, or the
// PulseAudio server, in the middle of a take: what was recorded comes back, with
// an error that says what to do. (PortAudio would end the whole program here if it
// were told to close the stream of a JACK server that waits for its client.)
func TestUnpluggedInTheMiddle(t *testing.T) {
	const rate = 48000
	// unplug returns what was recorded, and whether the device stalled.
	unplug := func(t *testing.T, s *soundserver.Server, end func()) ([]float32, bool) {
		c := open(t, s, rate)
		x := tone(8*rate, 997, rate, 0.1)
		done := false
		r, err := c.PlayRecord(t.Context(), capture.Job{
			SampleRate: rate, Frames: len(x), Tracks: []capture.Track{{Samples: x}},
		}, func(p capture.Progress) {
			if p.Frames > rate/2 && !done {
				done = true
				end()
			}
		})
		if r == nil || len(r.Samples) <= rate/2 {
			t.Fatalf("recording = %v, error %v, want what was recorded until then", r, err)
		}
		for _, o := range r.Others {
			if len(o.Samples) != len(r.Samples) {
				t.Errorf("channel %d has %d frames, want %d", o.Index, len(o.Samples), len(r.Samples))
			}
		}
		if !slices.ContainsFunc(r.Samples[:rate/2], func(v float32) bool { return v != 0 }) {
			t.Error("what came back is silent")
		}
		t.Logf("%d frames kept; %v", len(r.Samples), err)
		if err := c.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
		if err == nil {
			return r.Samples, false
		}
		e, ok := errors.AsType[*soundcard.Error](err)
		if !ok || !errors.Is(err, soundcard.ErrStalled) {
			t.Fatalf("error = %v, want ErrStalled", err)
		}
		if !strings.Contains(e.Hint(), "plug it in again or start the sound server again") || !strings.Contains(e.Error(), "are kept") {
			t.Errorf("error %q with hint %q does not say what was kept and what to do", e, e.Hint())
		}
		return r.Samples, true
	}
	t.Run("device", func(t *testing.T) {
		if !alone(t) {
			return
		}
		s := soundserver.Room(t, straight(t, rate), rate)
		got, stalled := unplug(t, s, s.KillRoom)
		if stalled {
			return
		}
		// JACK can go on without the device; then there is silence.
		if slices.ContainsFunc(got[len(got)-rate:], func(v float32) bool { return v != 0 }) {
			t.Error("something sounds from a device that is gone")
		}
	})
	t.Run("PulseAudio", func(t *testing.T) {
		if !alone(t) {
			return
		}
		s := soundserver.NullSink(t, rate)
		if _, stalled := unplug(t, s, s.Kill); !stalled {
			t.Error("a server that is gone delivered all frames")
		}
	})
}

// TestServerStandsStill holds the JACK server for a while: the recording goes on
// afterwards, and says that time is missing.
func TestServerStandsStill(t *testing.T) {
	const (
		rate  = 48000
		still = 2 * time.Second
		most  = 30.0 // s; a busy machine may hold it longer
	)
	s := soundserver.Room(t, straight(t, rate), rate)
	c := open(t, s, rate)
	held := false
	r, err := c.PlayRecord(t.Context(), capture.Job{SampleRate: rate, Frames: 4 * rate}, func(p capture.Progress) {
		if p.Frames > 2*rate && !held {
			held = true
			s.Pause(still)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("stalled for %.2f s", r.StalledS)
	if !(r.StalledS >= still.Seconds()-0.2 && r.StalledS <= most) {
		t.Errorf("stalled for %.2f s, want %.2f", r.StalledS, still.Seconds())
	}
}

// TestNullSinkAtAnotherRate asks a server at 48 kHz for 44.1 kHz, which it
// resamples to: every take is delivered. (As one stream in both directions nearly
// every take stood still before its end.)
func TestNullSinkAtAnotherRate(t *testing.T) {
	const rate = 44100
	s := soundserver.NullSink(t, 48000)
	c := open(t, s, rate)
	x := tone(rate, 997, rate, 0.1)
	for take := range 4 {
		r, err := c.PlayRecord(t.Context(), capture.Job{SampleRate: rate, Frames: 2 * rate, Tracks: []capture.Track{{Samples: x}, {Channel: 1, Samples: x}}}, nil)
		if err != nil {
			t.Fatalf("take %d: %v", take+1, err)
		}
		if len(r.Samples) != 2*rate {
			t.Errorf("take %d: %d frames, want %d", take+1, len(r.Samples), 2*rate)
		}
	}
}

// TestDeviceVanishes ends the convolver between opening and measuring.
func TestDeviceVanishes(t *testing.T) {
	const rate = 48000
	s := soundserver.Room(t, straight(t, rate), rate)
	c := open(t, s, rate)
	device := c.Device()
	s.EndRoom()
	r, err := c.PlayRecord(t.Context(), capture.Job{SampleRate: rate, Frames: rate}, nil)
	if err == nil {
		t.Fatalf("recorded %d frames from a device that is gone", len(r.Samples))
	}
	if !errors.Is(err, soundcard.ErrVanished) {
		t.Errorf("error = %v, want ErrVanished", err)
	}
	if h, ok := errors.AsType[*soundcard.Error](err); !ok || h.Hint() == "" {
		t.Errorf("error %v has no hint", err)
	}
	if err := c.Close(); err != nil {
		t.Error(err)
	}
	if _, err := soundcard.Open(soundcard.Options{Input: device, Output: device}); !errors.Is(err, soundcard.ErrVanished) {
		t.Errorf("Open of a device that is gone: %v, want ErrVanished", err)
	}
}

func TestWrongRateNamesThoseThatWork(t *testing.T) {
	s := soundserver.Room(t, straight(t, 48000), 48000)
	c := open(t, s, 48000)
	_, err := soundcard.Open(soundcard.Options{Input: c.Input(), Output: c.Output(), SampleRate: 44100})
	check := func(err error) {
		t.Helper()
		e, ok := errors.AsType[*soundcard.Error](err)
		if !ok || !errors.Is(err, soundcard.ErrRate) {
			t.Fatalf("error = %v, want ErrRate", err)
		}
		if want := "48000"; !strings.Contains(e.Error(), want) || !strings.Contains(e.Hint(), want) {
			t.Errorf("error %q with hint %q does not name %s", e, e.Hint(), want)
		}
	}
	check(err)
	_, err = c.PlayRecord(t.Context(), capture.Job{SampleRate: 44100, Frames: 100}, nil)
	check(err)
}

func TestChannelsOutOfRange(t *testing.T) {
	s := soundserver.Room(t, straight(t, 48000), 48000)
	c := open(t, s, 48000)
	for _, job := range []capture.Job{
		{SampleRate: 48000, Frames: 100, Input: 1},
		{SampleRate: 48000, Frames: 100, Tracks: []capture.Track{{Channel: 1, Samples: make([]float32, 10)}}},
	} {
		r, err := c.PlayRecord(t.Context(), job, nil)
		if !errors.Is(err, soundcard.ErrChannels) || r != nil {
			t.Errorf("%+v: recording %v, error %v, want ErrChannels", job, r, err)
		}
	}
}

// TestOneInputOfSeveral records the second input of JACK's own device, which is
// silent, and plays on its second output.
func TestOneInputOfSeveral(t *testing.T) {
	const rate = 48000
	s := soundserver.Room(t, straight(t, rate), rate)
	s.Device = "system"
	c := open(t, s, rate)
	r, err := c.PlayRecord(t.Context(), capture.Job{
		SampleRate: rate, Frames: rate / 4, Input: 1,
		Tracks: []capture.Track{{Channel: 1, Samples: tone(rate/4, 997, rate, 0.1)}},
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Samples) != rate/4 {
		t.Errorf("recorded %d frames, want %d", len(r.Samples), rate/4)
	}
	if len(r.Others) != 1 || r.Others[0].Index != 0 || len(r.Others[0].Samples) != rate/4 {
		t.Errorf("%d other inputs kept, want the first, as long as the recording", len(r.Others))
	}
}

// TestNullSink records through ALSA's plugin for PulseAudio what is played into
// a null sink. This path is known to lose buffers without a flag, so of the
// pieces played some one has to come back whole, in some one of the takes.
func TestNullSink(t *testing.T) {
	const (
		rate    = 48000
		lead    = rate / 2
		piece   = rate / 4
		boundDB = -70 // ALSA's plugin may go by 16 bits
	)
	s := soundserver.NullSink(t, rate)
	c := open(t, s, rate)
	x := append(make([]float32, lead), burst(2*rate, 0.1)...)
	for take := 1; ; take++ {
		r, err := c.PlayRecord(t.Context(), capture.Job{
			SampleRate: rate, Frames: 5 * rate,
			Tracks: []capture.Track{{Channel: 0, Samples: x}, {Channel: 1, Samples: x}},
		}, nil)
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Remarks) == 0 {
			t.Error("no remark on a path through a sound server")
		}
		got := wide(r.Samples)
		whole, of := 0, 0
		for at := lead; at+piece <= len(x); at += piece {
			want := wide(x[at : at+piece])
			place := delayOf(got, want, len(got)-piece)
			difference := 0.0
			for i, v := range want {
				if n := place + i; n >= 0 {
					difference += (got[n] - v) * (got[n] - v)
				} else {
					difference += v * v
				}
			}
			of++
			if scale.PowerDB(difference/energy(want)) > boundDB {
				continue
			}
			whole++
			if place < at {
				t.Fatalf("the recording is early by %d frames", at-place)
			}
		}
		t.Logf("take %d: %d of %d pieces whole, overflows %d, underflows %d; %q", take, whole, of, r.Overflows, r.Underflows, r.Remarks)
		if whole > 0 {
			return
		}
		if take == takes {
			t.Fatalf("no piece of %d frames came back within %d dB in %d takes", piece, boundDB, takes)
		}
	}
}

// TestTwoClocks plays on one server and records from another.
func TestTwoClocks(t *testing.T) {
	const rate = 48000
	out := soundserver.Room(t, straight(t, rate), rate)
	in := soundserver.NullSink(t, rate)
	devices, err := soundcard.Devices(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	o, err := capture.FindDevice(devices, out.Device, capture.OutputRole)
	if err != nil {
		t.Fatal(err)
	}
	i, err := capture.FindDevice(devices, in.Device, capture.InputRole)
	if err != nil {
		t.Fatal(err)
	}
	c, err := soundcard.Open(soundcard.Options{Input: i, Output: o, SampleRate: rate})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if c.Clocks() != 2 {
		t.Errorf("clocks = %d, want 2", c.Clocks())
	}
	r, err := c.PlayRecord(t.Context(), capture.Job{
		SampleRate: rate, Frames: rate, Tracks: []capture.Track{{Samples: tone(rate/2, 997, rate, 0.1)}},
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Samples) != rate {
		t.Errorf("recorded %d frames, want %d", len(r.Samples), rate)
	}
	if len(r.Remarks) == 0 || !strings.Contains(r.Remarks[0], "two clocks") {
		t.Errorf("remarks %q do not tell of two clocks", r.Remarks)
	}
}

// TestListingIsQuiet lists the devices in a process of its own and looks at what
// that wrote to the standard error, and that it started no JACK server.
func TestListingIsQuiet(t *testing.T) {
	const mine = "written by the program itself"
	switch os.Getenv("ROOMSONDE_TEST_LIST") {
	case "for good":
		if _, err := soundcard.KeepLibrariesQuiet(); err != nil {
			t.Fatal(err)
		}
		fallthrough
	case "by itself":
		if _, err := soundcard.Devices(t.Context()); err != nil {
			t.Fatal(err)
		}
		os.Stderr.WriteString(mine)
		if os.Getenv("ROOMSONDE_TEST_LIST") == "for good" {
			// What a library in C would do.
			syscall.Write(2, []byte("chatter"))
		}
		return
	}
	for _, how := range []string{"by itself", "for good"} {
		t.Run(how, func(t *testing.T) {
			home := t.TempDir()
			trace := filepath.Join(home, "started")
			script := filepath.Join(home, "server")
			if err := os.WriteFile(script, []byte("#!/bin/sh\necho > "+trace+"\n"), 0o700); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(home, ".jackdrc"), []byte(script+" -d dummy\n"), 0o600); err != nil {
				t.Fatal(err)
			}
			cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestListingIsQuiet$")
			cmd.Env = append(os.Environ(), "ROOMSONDE_TEST_LIST="+how, "JACK_DEFAULT_SERVER=none-of-this-name", "HOME="+home)
			var stderr strings.Builder
			cmd.Stderr = &stderr
			if out, err := cmd.Output(); err != nil {
				t.Fatalf("%v: %s", err, out)
			}
			if got := stderr.String(); got != mine {
				t.Errorf("standard error = %q, want %q", got, mine)
			}
			if _, err := os.Stat(trace); err == nil {
				t.Error("listing devices started a JACK server")
			}
		})
	}
}

func TestDevicesGivesUpWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := soundcard.Devices(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("error = %v, want context.Canceled", err)
	}
}
