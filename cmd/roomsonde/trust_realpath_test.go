//go:build cgo && unix

package main

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"gonum.org/v1/gonum/dsp/fourier"

	"roomsonde/capture"
	"roomsonde/capture/inspect"
	"roomsonde/capture/soundcard"
	"roomsonde/capture/soundcard/soundserver"
	"roomsonde/capture/wav"
	"roomsonde/deconv"
	"roomsonde/deconv/clock"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
	"roomsonde/sweep/scale/outsidetest"
)

// What a take says of itself, against the truth, on paths on which buffers
// vanish without a flag.

const (
	sinks       = 4  // servers at work at the same time
	fewestTakes = 20 // in all
	fewestKind  = 4  // takes that are whole, and that are not
	mostRounds  = 12
)

// shortProgram proves itself as the default does, in less time.
func shortProgram(t *testing.T) *sweep.Program {
	t.Helper()
	p, err := sweep.NewProgram(sweep.ProgramOptions{Sweeps: 2, Marks: true, Sweep: sweep.Options{SampleRate: 48000, Seconds: 2}, LeadS: 0.5, TailS: 1})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// passage is a stretch of a recording in which what was played arrived frame by
// frame.
type passage struct{ from, to, played int }

// playedTruth is what was played, in which stretches can be found again.
type playedTruth struct {
	played []float32
	places map[excerpt][]int // by the samples that begin there
}

// excerpt is as many samples as are enough to know a place by.
type excerpt [16]float32

// excerptOf returns the samples that x begins with, and whether they sound.
func excerptOf(x []float32) (e excerpt, sounds bool) {
	zeros := 0
	for i := range e {
		if e[i] = x[i]; x[i] == 0 {
			zeros++
		}
	}
	return e, zeros < len(e)/2
}

func truthOf(played []float32) playedTruth {
	places := make(map[excerpt][]int, len(played))
	for i := 0; i+len(excerpt{}) <= len(played); i++ {
		if e, sounds := excerptOf(played[i:]); sounds {
			places[e] = append(places[e], i)
		}
	}
	return playedTruth{played, places}
}

// passages finds, from the samples alone, which stretches of what was played
// make up a recording. The path must be transparent bit by bit.
func (truth playedTruth) passages(recorded []float32) []passage {
	played := truth.played
	var found []passage
	for i := 0; i+len(excerpt{}) <= len(recorded); {
		e, sounds := excerptOf(recorded[i:])
		places := truth.places[e]
		if !sounds || len(places) == 0 {
			i++
			continue
		}
		// A program plays the same more than once: go on where it left off.
		next := 0
		if len(found) > 0 {
			last := found[len(found)-1]
			next = last.played + i - last.from
		}
		best := places[0]
		for _, p := range places {
			if max(p-next, next-p) < max(best-next, next-best) {
				best = p
			}
		}
		p := passage{from: i, played: best}
		for i < len(recorded) && best < len(played) && recorded[i] == played[best] {
			i, best = i+1, best+1
		}
		p.to = i
		found = append(found, p)
	}
	return found
}

// faults returns what a recording lost of what was played, in words; none where
// it is whole. What happened before the first sound and after the last cannot be
// told, and does no harm.
func (truth playedTruth) faults(recorded []float32) []string {
	played := truth.played
	sounding := func(i int) bool { return played[i] != 0 }
	first, last := 0, len(played)-1
	for first < last && !sounding(first) {
		first++
	}
	for last > first && !sounding(last) {
		last--
	}
	found := truth.passages(recorded)
	if len(found) == 0 {
		return []string{"nothing of it arrived"}
	}
	var faults []string
	shift := found[0].from - found[0].played
	for i := max(0, -shift); i < first && i+shift < len(recorded); i++ {
		if i+shift >= 0 && recorded[i+shift] != 0 {
			faults = append(faults, "something sounds before the program")
			break
		}
	}
	// Now frame by frame, along the passages.
	for i, p := range found {
		if i == 0 {
			if p.played > first {
				faults = append(faults, fmt.Sprintf("the first %d frames are missing", p.played-first))
			}
			continue
		}
		before := found[i-1]
		gap, moved := p.from-before.to, (p.from-p.played)-(before.from-before.played)
		if moved == 0 {
			same := true
			for n := before.to; n < p.from && same; n++ {
				same = recorded[n] == played[n-p.from+p.played]
			}
			if same {
				continue
			}
		}
		faults = append(faults, fmt.Sprintf("at %.3f s %d frames are not the program's, and what follows is %+d frames late", float64(before.to)/48000, gap, moved))
	}
	end := found[len(found)-1]
	if slices.ContainsFunc(recorded[end.to:], func(v float32) bool { return v != 0 }) {
		faults = append(faults, "something sounds after the program")
	}
	if end.played+end.to-end.from <= last {
		faults = append(faults, fmt.Sprintf("the last %d frames are missing", last+1-(end.played+end.to-end.from)))
	}
	return faults
}

// early returns by how many frames the program arrived before it was played: the
// recording lost that many, and what the device was late by, before the first
// sound.
func (truth playedTruth) early(recorded []float32) int {
	found := truth.passages(recorded)
	if len(found) == 0 {
		return 0
	}
	return max(0, found[0].played-found[0].from)
}

// TestTruthSeesFaults: the truth of these tests is itself held to what was done
// to a recording.
func TestTruthSeesFaults(t *testing.T) {
	program := shortProgram(t)
	x := program.Samples()
	truth := truthOf(x)
	late := func(y []float32) []float32 {
		return slices.Concat(make([]float32, 5000), y, make([]float32, 3000))
	}
	if got := truth.faults(late(x)); len(got) != 0 {
		t.Errorf("a whole recording: %q", got)
	}
	if got := truth.faults(x[1000:]); len(got) != 0 || truth.early(x[1000:]) != 1000 {
		t.Errorf("a recording that is early by 1000 frames: %q, early by %d", got, truth.early(x[1000:]))
	}
	if got := truth.early(late(x)); got != 0 {
		t.Errorf("a recording that is late: early by %d", got)
	}
	if got := truth.faults(make([]float32, len(x))); len(got) == 0 {
		t.Error("a silent recording is whole")
	}
	for _, at := range []int{24000 + 6000, 50000, 74400 + 100, 100000, 144000 + 3000, 144000 + 60000, 240000, 300000, 342973 + 70000, 472346 + 11000} {
		for _, n := range []int{1, 16, 480} {
			for name, y := range map[string][]float32{
				"lost":     slices.Concat(x[:at], x[at+n:]),
				"repeated": slices.Concat(x[:at], x[at-n:]),
				"put in":   slices.Concat(x[:at], make([]float32, n), x[at:]),
				"zeroed":   slices.Concat(x[:at], make([]float32, n), x[at+n:]),
			} {
				silent := !slices.ContainsFunc(x[at:at+n], func(v float32) bool { return v != 0 })
				if got := truth.faults(late(y)); len(got) == 0 != (silent && name == "zeroed") {
					t.Errorf("%d frames %s at %d: %q", n, name, at, got)
				}
			}
		}
	}
}

// verdict is what a recording says of itself: the faults that it is marked for.
func verdict(t *testing.T, r *capture.Recording, p *sweep.Program) []string {
	t.Helper()
	timing, err := clock.Locate(t.Context(), r.Samples, p, clock.Options{Aligned: true})
	if err != nil {
		return []string{err.Error()}
	}
	report, err := inspect.Take(t.Context(), inspect.Input{Recording: r.Samples, SampleRate: r.SampleRate, Program: p, Timing: timing,
		Overflows: r.Overflows, Underflows: r.Underflows, Aligned: true})
	if err != nil {
		t.Fatal(err)
	}
	var faults []string
	for _, f := range report.Findings {
		if f.Fault {
			faults = append(faults, f.What)
		}
	}
	return faults
}

// TestLostBuffersOnRealPath measures on PulseAudio's null sinks. Now and then a
// server is held for a moment, as a busy machine does by itself. What was
// recorded is compared with what was played, bit by bit: every take that differs
// must be marked, and none that does not.
func TestLostBuffersOnRealPath(t *testing.T) {
	servers := soundserver.NullSinks(t, sinks, 48000)
	program := shortProgram(t)
	x := program.Samples()
	truth := truthOf(x)
	devices, err := soundcard.Devices(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var cards []*soundcard.Card
	for _, s := range servers {
		d, err := capture.FindDevice(devices, s.Device, capture.DuplexRole)
		if err != nil {
			t.Fatal(err)
		}
		c, err := soundcard.Open(soundcard.Options{Input: d, Output: d, SampleRate: 48000})
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		cards = append(cards, c)
	}
	job := capture.Job{SampleRate: 48000, Frames: len(x) + 48000/2, Tracks: []capture.Track{{Channel: 0, Samples: x}, {Channel: 1, Samples: x}}}
	chance := rand.New(rand.NewPCG(3, 20))
	whole, faulty := 0, 0
	for round := 0; whole+faulty < fewestTakes || whole < fewestKind || faulty < fewestKind; round++ {
		if round == mostRounds {
			t.Fatalf("in %d rounds only %d whole takes and %d faulty ones", round, whole, faulty)
		}
		var (
			group      sync.WaitGroup
			recordings = make([]*capture.Recording, sinks)
			errs       = make([]error, sinks)
		)
		for i, c := range cards {
			// Half of the takes are left alone; the others are disturbed once,
			// somewhere in the program, briefly or a little less so.
			held := time.Duration(30+chance.IntN(300)) * time.Millisecond
			moment := 0.1 + 0.8*chance.Float64()
			disturb := (i+round)%2 == 0
			group.Go(func() {
				once := false
				recordings[i], errs[i] = c.PlayRecord(t.Context(), job, func(p capture.Progress) {
					if disturb && !once && float64(p.Frames) > moment*float64(p.Total) {
						once = true
						servers[i].Pause(held)
					}
				})
			})
		}
		group.Wait()
		for i, r := range recordings {
			take := fmt.Sprintf("round %d, sink %d", round+1, i+1)
			if errs[i] != nil {
				// A failure that is told is no silent one.
				t.Logf("%s: %v", take, errs[i])
				continue
			}
			happened, said := truth.faults(r.Samples), verdict(t, r, program)
			if early := truth.early(r.Samples); early > 0 && len(happened) == 0 {
				// Lost before the first sound: harmless, and yet no false alarm.
				t.Logf("%s: %d frames early; said: %s", take, early, strings.Join(said, " "))
				continue
			}
			if len(happened) == 0 {
				whole++
			} else {
				faulty++
			}
			t.Logf("%s: overflows %d, underflows %d, stalled %.2f s\n  truth: %s\n  said:  %s", take, r.Overflows, r.Underflows, r.StalledS, strings.Join(happened, "; "), strings.Join(said, " "))
			if (len(happened) == 0) != (len(said) == 0) {
				path := keep(t, take, r, program)
				t.Errorf("%s: truth %q, and it says %q; kept as %s", take, happened, said, path)
			}
		}
	}
	t.Logf("%d takes whole, %d faulty", whole, faulty)
}

// keep writes a recording to a place where it outlives the test.
func keep(t *testing.T, name string, r *capture.Recording, p *sweep.Program) string {
	t.Helper()
	folder := filepath.Join(os.TempDir(), "roomsonde-takes")
	if err := os.MkdirAll(folder, 0o777); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(folder, strings.NewReplacer(" ", "-", ",", "").Replace(t.Name()+" "+name)+".wav")
	samples := make([]float64, len(r.Samples))
	for i, v := range r.Samples {
		samples[i] = float64(v)
	}
	if err := wav.WriteFile(path, int(r.SampleRate), [][]float64{samples}, wav.Options{Comment: p.Comment()}); err != nil {
		t.Fatal(err)
	}
	return path
}

// The clocks' bounds.
const (
	skewPPM    = 0.1   // of the measured skew
	skewDB     = 0.1   // of the response at 20 kHz, after correction, re the response without skew
	skewErrDB  = -60.0 // of the difference between the impulses, re the impulse without skew
	delayS     = 2e-6  // of the delay between two sources
	mostTries  = 5     // takes, should the server lose a buffer
	reverbRoom = "reverb 40 50 60"
)

// recovered is what a recording gives.
type recovered struct {
	timing *clock.Timing
	result *deconv.Result
}

func recoverFrom(t *testing.T, samples []float32, p *sweep.Program) recovered {
	t.Helper()
	timing, err := clock.Locate(t.Context(), samples, p, clock.Options{Aligned: true})
	if err != nil {
		t.Fatal(err)
	}
	r, err := deconv.Recover(t.Context(), samples, p, deconv.Options{Aligned: true, Timing: timing})
	if err != nil {
		t.Fatal(err)
	}
	return recovered{timing, r}
}

// lagAndRest compares two impulse responses from 20 Hz to 20 kHz, after the
// delay between them is taken out, which it returns in frames: the energy of
// what is left re want's in dB, and the difference of the levels at 20 kHz (mean
// over a twelfth of an octave) in dB.
func lagAndRest(t *testing.T, got, want deconv.ImpulseResponse) (delay, errorDB, topDB float64) {
	t.Helper()
	const before, frames = 4800, 1 << 16
	rate := want.SampleRate
	cut := func(ir deconv.ImpulseResponse) []complex128 {
		x := make([]float64, frames)
		for i := range x {
			if n := ir.FirstArrival() - before + i; n >= 0 && n < len(ir.Samples) {
				x[i] = ir.Samples[n]
			}
		}
		return fourier.NewFFT(frames).Coefficients(nil, x)
	}
	a, b := cut(got), cut(want)
	lo, hi := int(20/rate*frames), int(20000/rate*frames)
	// The delay that leaves the least: from the phase of the cross-spectrum,
	// weighted by its energy. The cuts lie within a frame of each other.
	for range 4 {
		var up, down float64
		for k := lo; k <= hi; k++ {
			c := a[k] * cmplx.Conj(b[k]) * cmplx.Rect(1, 2*math.Pi*float64(k)/frames*delay)
			w := 2 * math.Pi * float64(k) / frames
			up -= cmplx.Abs(c) * w * cmplx.Phase(c)
			down += cmplx.Abs(c) * w * w
		}
		delay += up / down
	}
	var left, all, topA, topB float64
	for k := lo; k <= hi; k++ {
		turned := a[k] * cmplx.Rect(1, 2*math.Pi*float64(k)/frames*delay)
		d := turned - b[k]
		left += real(d)*real(d) + imag(d)*imag(d)
		all += real(b[k])*real(b[k]) + imag(b[k])*imag(b[k])
		if f := float64(k) / frames * rate; f >= 20000*math.Pow(2, -1.0/12) {
			topA += real(a[k])*real(a[k]) + imag(a[k])*imag(a[k])
			topB += real(b[k])*real(b[k]) + imag(b[k])*imag(b[k])
		}
	}
	return delay + float64(got.FirstArrival()-want.FirstArrival()), scale.PowerDB(left / all), scale.PowerDB(topA / topB)
}

// throughSoX passes samples through SoX.
func throughSoX(t *testing.T, samples []float32, rate int, effects ...string) []float32 {
	t.Helper()
	raw := make([]byte, 4*len(samples))
	for i, v := range samples {
		binary.LittleEndian.PutUint32(raw[4*i:], math.Float32bits(v))
	}
	format := []string{"-t", "raw", "-e", "float", "-b", "32", "-c", "1", "-r", fmt.Sprint(rate)}
	raw = outside(t, raw, outsidetest.Tool(t, "sox"), slices.Concat([]string{"-V1"}, format, []string{"-"}, format, []string{"-"}, effects)...)
	out := make([]float32, len(raw)/4)
	for i := range out {
		out[i] = math.Float32frombits(binary.LittleEndian.Uint32(raw[4*i:]))
	}
	return out
}

// TestTwoClocksOnRealPath measures a room (SoX's reverberation) with a player and a
// recorder whose clocks differ by a known skew, once through PortAudio and two
// devices, once as files; both must give the skew, and the response that one
// clock gives.
func TestTwoClocksOnRealPath(t *testing.T) {
	const rate = 48000
	program, err := sweep.NewProgram(sweep.ProgramOptions{Sweeps: 2, Marks: true, Sweep: sweep.Options{SampleRate: rate, Seconds: 3, StopHz: 22000}, LeadS: 0.5})
	if err != nil {
		t.Fatal(err)
	}
	x := program.Samples()
	truth := truthOf(x)
	room := strings.Fields(reverbRoom)
	reference := recoverFrom(t, throughSoX(t, append(slices.Clone(x), make([]float32, rate/2)...), rate, room...), program)
	if d := math.Abs(reference.timing.Skew) * 1e6; !(d <= 0.01) {
		t.Errorf("skew of one clock = %.4f ppm, want 0", d)
	}
	for _, ppm := range []float64{50, -200} {
		hold := func(t *testing.T, r recovered) {
			t.Helper()
			skew := 1e6 * r.timing.Skew
			_, errorDB, topDB := lagAndRest(t, r.result.Impulse, reference.result.Impulse)
			t.Logf("%+g ppm: measured %+.4f ppm (standard error %.4f), impulse within %.1f dB, %+.4f dB at 20 kHz", ppm, skew, 1e6*r.timing.SkewStdErr, errorDB, topDB)
			if !(math.Abs(skew-ppm) <= skewPPM) {
				t.Errorf("skew = %.4f ppm, want %g ± %g", skew, ppm, skewPPM)
			}
			if !(math.Abs(topDB) <= skewDB) || !(errorDB <= skewErrDB) {
				t.Errorf("after correction the impulse is off by %.1f dB and the level at 20 kHz by %.3f dB", errorDB, topDB)
			}
		}
		t.Run(fmt.Sprintf("%+g ppm, as a file", ppm), func(t *testing.T) {
			hold(t, recoverFrom(t, throughSoX(t, append(slices.Clone(x), make([]float32, rate/2)...), rate,
				append(slices.Clone(room), "speed", fmt.Sprintf("%.10f", 1+ppm/1e6), "rate", "-v", "-s", fmt.Sprint(rate))...), program))
		})
		t.Run(fmt.Sprintf("%+g ppm, through two devices", ppm), func(t *testing.T) {
			s, wire := soundserver.TwoClocks(t, rate, ppm, room...)
			devices, err := soundcard.Devices(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			out, err := capture.FindDevice(devices, s.Device, capture.OutputRole)
			if err != nil {
				t.Fatal(err)
			}
			in, err := capture.FindDevice(devices, s.Input, capture.InputRole)
			if err != nil {
				t.Fatal(err)
			}
			c, err := soundcard.Open(soundcard.Options{Input: in, Output: out, SampleRate: rate, Latency: 400 * time.Millisecond})
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close()
			// A route to a sound server is opened with two channels, and the sink
			// has one: the mean of both.
			job := capture.Job{SampleRate: rate, Frames: len(x) + rate, Tracks: []capture.Track{{Channel: 0, Samples: x}, {Channel: 1, Samples: x}}}
			for try := 1; ; try++ {
				sent, back := len(wire.Sent()), len(wire.Back())
				r, err := c.PlayRecord(t.Context(), job, nil)
				if err != nil {
					t.Fatal(err)
				}
				lost := truth.faults(wire.Sent()[sent:])
				if got := truthOf(wire.Back()[back:]).passages(r.Samples); len(got) != 1 {
					lost = append(lost, fmt.Sprintf("recorded in %d pieces", len(got)))
				}
				if len(lost) == 0 {
					hold(t, recoverFrom(t, r.Samples, program))
					return
				}
				if said := verdict(t, r, program); len(said) == 0 {
					t.Errorf("the server lost something (%s), and the take is not marked; kept as %s", strings.Join(lost, "; "), keep(t, fmt.Sprint(try), r, program))
				}
				if try == mostTries {
					t.Fatalf("no take of %d came through whole; the last: %s", try, strings.Join(lost, "; "))
				}
				t.Logf("take %d: %s: the server lost something; once more", try, strings.Join(lost, "; "))
			}
		})
	}
}

// TestDelayOnRealPath measures two sources whose sound comes through
// different impulse responses, the marks by way of a third, and noise by way of a
// fourth; every take starts at its own moment. The delay between the sources
// must be that between the impulse responses.
func TestDelayOnRealPath(t *testing.T) {
	const (
		rate    = 48000
		apart   = 137.37 // frames by which the second source is later
		noiseDB = -30    // of the noise re the recorded sweep, rms
	)
	folder := t.TempDir()
	var impulses []string
	for _, name := range []string{"first", "second", "marks", "noise"} {
		impulses = append(impulses, filepath.Join(folder, name+".wav"))
	}
	outside(t, nil, outsidetest.Python(t), "-c", `
import sys, numpy as np, soundfile
rng = np.random.default_rng(8)
n, rate, apart = 2400, 48000, float(sys.argv[5])
def room(direct, seed_gain):
    h = seed_gain * rng.standard_normal(n) * 10 ** (-3 * np.arange(n) / n)
    h[:direct + 100] = 0
    h[direct] = 0.4
    h[-600:] *= np.linspace(1, 0, 600)
    h[-200:] = 0
    f = np.fft.rfftfreq(2 * n)
    H = np.fft.rfft(h, 2 * n)
    H *= 0.5 + 0.5 * np.cos(np.pi * np.clip((f * rate - 20000) / 3500, 0, 1))  # so that it can be shifted by parts of a frame
    return H, f
first, f = room(300, 0.01)
second = first * np.exp(-2j * np.pi * f * apart)
marks, _ = room(500, 0.01)
for path, H in zip(sys.argv[1:4], (first, second, marks)):
    soundfile.write(path, np.fft.irfft(H)[:n].astype("<f4"), rate, subtype="FLOAT")
wire = np.zeros(64); wire[0] = 1
soundfile.write(sys.argv[4], wire.astype("<f4"), rate, subtype="FLOAT")
`, impulses[0], impulses[1], impulses[2], impulses[3], fmt.Sprint(apart))
	s := soundserver.RoomOf(t, rate, impulses...)
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
	defer c.Close()
	program, err := sweep.NewProgram(sweep.ProgramOptions{Sweeps: 2, Marks: true, MarksApart: true, Sweep: sweep.Options{SampleRate: rate, Seconds: 3}, LeadS: 0.5})
	if err != nil {
		t.Fatal(err)
	}
	sweeps, marks := program.Only(sweep.KindSweep), program.Only(sweep.KindMark, sweep.KindQuiet)
	// A sweep's rms is 3 dB below its peak, and the direct sound comes at 0.4.
	level := scale.Amplitude(program.Sweep.LevelDBFS-3+noiseDB) * 0.4
	chance := rand.New(rand.NewPCG(30, 5))
	take := func(t *testing.T, source int) recovered {
		t.Helper()
		for try := 1; ; try++ {
			noise := make([]float32, len(sweeps))
			for i := range noise {
				noise[i] = float32(level * chance.NormFloat64())
			}
			r, err := c.PlayRecord(t.Context(), capture.Job{SampleRate: rate, Frames: len(sweeps) + rate/2, Tracks: []capture.Track{
				{Channel: source, Samples: sweeps}, {Channel: 2, Samples: marks}, {Channel: 3, Samples: noise}}}, nil)
			if err != nil {
				t.Fatal(err)
			}
			said := verdict(t, r, program)
			if len(said) == 0 {
				return recoverFrom(t, r.Samples, program)
			}
			if try == mostTries {
				t.Fatalf("source %d: %d takes were marked; the last: %s", source+1, try, strings.Join(said, " "))
			}
			t.Logf("source %d, take %d: %s Once more.", source+1, try, strings.Join(said, " "))
		}
	}
	first, second := take(t, 0), take(t, 1)
	for i, r := range []recovered{first, second} {
		if r.result.TimeZero != deconv.MarkArrival {
			t.Fatalf("source %d: time zero is the %s, want the mark", i+1, r.result.TimeZero)
		}
	}
	want := apart / rate
	got := second.result.ArrivalS - first.result.ArrivalS
	// And from the whole of the responses, not the first arrivals only.
	shift, _, _ := lagAndRest(t, second.result.Impulse, first.result.Impulse)
	whole := (shift - float64(second.result.Impulse.Zero-first.result.Impulse.Zero)) / rate
	t.Logf("delay between the sources: %.3f µs by the first arrivals, %.3f µs by the whole responses; played %.3f µs", 1e6*got, 1e6*whole, 1e6*want)
	if !(math.Abs(got-want) <= delayS) || !(math.Abs(whole-want) <= delayS) {
		t.Errorf("off by %.3f and %.3f µs, want at most %g", 1e6*(got-want), 1e6*(whole-want), 1e6*delayS)
	}
	// The marks' way is 200 frames longer than the first source's.
	if d := first.result.ArrivalS - (300-500.0)/rate; !(math.Abs(d) <= delayS) {
		t.Errorf("the first source arrives %.3f µs after the marks, want %.3f", 1e6*first.result.ArrivalS, 1e6*(300-500.0)/rate)
	}
}
