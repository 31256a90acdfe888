//go:build cgo && unix

package main

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"roomsonde/capture/soundcard/soundserver"
	"roomsonde/capture/wav"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/sweep/scale"
	"roomsonde/sweep/scale/outsidetest"
)

const (
	roundLevelDB  = 0.05 // of an octave's level; what is convolved is in 32-bit floats
	roundArrivalS = 2e-6 // of the first arrivals, re the marks
	mostServers   = 4    // should one lose a buffer more often than the round repeats a take
)

// speaker is an impulse response from a loudspeaker to a seat.
type speaker struct {
	direct  int       // the frame of the direct sound
	samples []float32 // short, so that a busy machine keeps up; nothing before direct, and below it by far behind it
}

func speakerAt(r *rand.Rand, direct int, gain float64) speaker {
	const frames, mute, fade = 4800, 100, 600
	h := speaker{direct, make([]float32, frames)}
	for i := direct + mute; i < frames; i++ {
		v := gain * 0.05 * r.NormFloat64() * math.Exp(-3*math.Ln10*float64(i-direct)/4800)
		h.samples[i] = float32(v * math.Min(1, float64(frames-i)/fade))
	}
	h.samples[direct] = float32(gain)
	return h
}

// write keeps it as a WAV file for the convolver, and as raw numbers for NumPy.
func (h speaker) write(t *testing.T, folder, name string, rate int) (impulse, truth string) {
	t.Helper()
	impulse, truth = filepath.Join(folder, name+".wav"), filepath.Join(folder, name+".f64")
	if err := wav.WriteFile(impulse, rate, [][]float32{h.samples}, wav.Options{}); err != nil {
		t.Fatal(err)
	}
	var raw []byte
	for _, v := range h.samples {
		raw = binary.LittleEndian.AppendUint64(raw, math.Float64bits(float64(v)))
	}
	if err := os.WriteFile(truth, raw, 0o666); err != nil {
		t.Fatal(err)
	}
	return impulse, truth
}

// octave is the mean power in dB of the three thirds of an octave, each by the
// bins of gonum's transform.
func (h speaker) octave(b scale.Band, rate float64) float64 {
	const frames = 1 << 18
	x := make([]float64, frames)
	for i, v := range h.samples {
		x[i] = float64(v)
	}
	bins := fourier.NewFFT(frames).Coefficients(nil, x)
	var power float64
	for k := -1; k <= 1; k++ {
		mid := b.MidHz * math.Pow(10, float64(k)/10)
		var third float64
		n := 0
		for i := int(math.Ceil(mid * math.Exp2(-1.0/6) / rate * frames)); float64(i)*rate/frames <= mid*math.Exp2(1.0/6); i++ {
			third += powerOf(bins[i])
			n++
		}
		power += third / float64(n) / 3
	}
	return scale.PowerDB(power)
}

// converse runs the built program to its end, and interrupts it when it says a
// text, unless that is "".
func converse(t *testing.T, s *soundserver.Server, path, text string, args ...string) *program {
	t.Helper()
	// Its exit code says all.
	p, _ := conduct(t, s, 3*patience /* several takes */, path, func(line string, running *os.Process) {
		if text != "" && strings.Contains(line, text) {
			running.Signal(syscall.SIGINT)
		}
	}, args...)
	return p
}

// soundIn counts the places of a survey's round that have a sound take.
func soundIn(t *testing.T, dir string) int {
	t.Helper()
	places := map[string]bool{}
	for _, e := range takesIn(t, dir) {
		if !e.Unfinished && len(e.Faults()) == 0 {
			places[fmt.Sprint(e.Seat, e.Round.Index)] = true
		}
	}
	return len(places)
}

// TestRoundOnRealPath takes two loudspeakers at two seats through PortAudio and a
// JACK server, in rooms that are convolvers which someone else wrote (jconvolver,
// by Fons Adriaensen). It is interrupted where the microphone moves, and once more
// in the middle of a take; the room of the other seat is another convolver in
// another server. What was convolved must come out: of each take against NumPy,
// of what the round makes of them against gonum's transform.
func TestRoundOnRealPath(t *testing.T) {
	const rate = 48000
	outsidetest.Tool(t, "jackd")
	path := build(t)
	folder := t.TempDir()
	chance := rand.New(rand.NewPCG(5, 25))
	seats, sources := []string{"sofa", "armchair"}, []string{"left", "right"}
	marks, _ := speakerAt(chance, 200, 0.3).write(t, folder, "marks", rate)
	var (
		speakers [2][2]speaker
		truths   [2][2]string
		rooms    [2][]string
	)
	for seat, hear := range [][]speaker{
		{speakerAt(chance, 300, 0.40), speakerAt(chance, 337, 0.35)},
		{speakerAt(chance, 411, 0.25), speakerAt(chance, 260, 0.45)},
	} {
		for i, h := range hear {
			impulse, truth := h.write(t, folder, sources[i]+" "+seats[seat], rate)
			speakers[seat][i], truths[seat][i] = h, truth
			rooms[seat] = append(rooms[seat], impulse)
		}
		rooms[seat] = append(rooms[seat], marks)
	}
	var dir string
	// at runs the program in a seat's room until it is content. A machine that is
	// very busy may lose buffers for good, or the whole room: then a server is
	// started again.
	at := func(name string, seat int, text string, content func(t *testing.T, p *program) bool, args func() []string) (p *program) {
		t.Helper()
		for try := 1; try <= mostServers; try++ {
			done := false
			t.Run(fmt.Sprintf("%s, %d", name, try), func(t *testing.T) { // whose server ends with it
				s := soundserver.RoomOf(t, rate, rooms[seat]...)
				p = converse(t, s, path, text, args()...)
				if p.code != exitDone && p.code != exitInterrupted && p.code != exitMarked && p.code != exitDevice {
					t.Fatalf("exit code %d; it said\n%s", p.code, p.stderr.String())
				}
				if done = content(t, p); !done {
					t.Logf("exit code %d; once more with another server. It said\n%s", p.code, p.stderr.String())
				}
			})
			if done || t.Failed() {
				return p
			}
		}
		t.Fatalf("no server of %d held out", mostServers)
		return nil
	}
	kept := func(t *testing.T, p *program, want int) bool {
		t.Helper()
		sound := soundIn(t, dir)
		if p.code == exitInterrupted && !strings.Contains(p.stderr.String(), fmt.Sprintf("roomsonde: interrupted; %d of 4 takes of the round are kept;\ngo on with: roomsonde round --resume --survey ", sound)) {
			t.Fatalf("it does not say that %d of 4 takes are kept:\n%s", sound, p.stderr.String())
		}
		return p.code == exitInterrupted && sound == want
	}

	// The first seat; nobody has moved the microphone when it is interrupted.
	at("first seat", 0, "move the microphone to armchair", func(t *testing.T, p *program) bool { return kept(t, p, 2) }, func() []string {
		dir = filepath.Join(t.TempDir(), "survey")
		return []string{"round", "--device", soundserver.RoomName, "--play", "left=1,right=2", "--mark", "3", "--seats", strings.Join(seats, ","),
			"--range", "full", "--from", "10", "--duration", "0.8", "--tail", "0.5", "--pause", "0.1", "--move-delay", "3600", "--survey", dir, "--json"}
	})
	if t.Failed() {
		return
	}
	before := takesIn(t, dir)

	resume := func() []string {
		return []string{"round", "--resume", "--move-delay", "0.1", "--pause", "0.1", "--survey", dir, "--json"}
	}
	p := at("second seat", 1, "source 2 of 2: right · seat: armchair", func(t *testing.T, p *program) bool { return kept(t, p, 3) }, resume)
	if t.Failed() {
		return
	}
	if strings.Contains(p.stderr.String(), "seat: sofa") {
		t.Errorf("it goes back to the first seat:\n%s", p.stderr.String())
	}
	p = at("to the end", 1, "", func(t *testing.T, p *program) bool { return p.code == exitDone }, resume)
	if t.Failed() {
		return
	}
	if strings.Contains(p.stderr.String(), "source 1 of 2") {
		t.Errorf("what was there is played again:\n%s", p.stderr.String())
	}
	var round played
	decode(t, p.stdout.Bytes(), &round)
	if !round.Complete || len(round.Takes) != 4 || round.Round != before[0].Round.ID {
		t.Fatalf("complete %v, takes %s, round %s", round.Complete, round.ids(), round.Round)
	}

	// Each take against the filter that it went through.
	takes := map[string]survey.Entry{}
	for _, e := range takesIn(t, dir) {
		takes[e.ID] = e
	}
	for i, take := range round.Takes {
		seat, source := i/2, i%2
		if take.State != "sound" || take.ID == nil || take.Source != sources[source] || take.Seat != seats[seat] {
			t.Fatalf("take %d: %+v", i+1, take)
		}
		if seat == 0 && !slices.ContainsFunc(before, func(e survey.Entry) bool { return e.ID == *take.ID }) {
			t.Errorf("%s was made after the interruption", *take.ID)
		}
		h, e := speakers[seat][source], takes[*take.ID]
		if e.TimeZero != "mark" || !(math.Abs(e.ArrivalS-float64(h.direct-200)/rate) <= roundArrivalS) {
			t.Errorf("%s arrives %.2f µs after the %s, want %.2f", e.ID, 1e6*e.ArrivalS, e.TimeZero, 1e6*float64(h.direct-200)/rate)
		}
		shown := command(t, exitDone, "show", *take.ID, "--survey", dir, "--json")
		// The window of the response lies about the first arrival, and NumPy's about
		// the frame that it is told: time zero, which here is another.
		var object map[string]any
		decode(t, []byte(shown), &object)
		object["impulse_zero_frame"] = e.Impulse.ArrivalFrame
		told, err := json.Marshal(object)
		if err != nil {
			t.Fatal(err)
		}
		t.Log(e.ID)
		compare(t, string(told), truths[seat][source], 1, 10, 24000).hold(t, -h.direct, floatErrorDB, floatMagnitudeDB)
	}

	// What the round makes of them.
	if len(round.Sources) != 2 || len(round.SeatToSeat) != 2 {
		t.Fatalf("%d sources, %d of them from seat to seat", len(round.Sources), len(round.SeatToSeat))
	}
	compared, worst := 0, 0.0
	hold := func(what string, got *float64, want float64) {
		t.Helper()
		if got == nil || !(math.Abs(*got-want) <= roundLevelDB) {
			t.Errorf("%s: %s dB, want %.3f", what, value(got), want)
			return
		}
		compared++
		worst = math.Max(worst, math.Abs(*got-want))
	}
	for b, band := range scale.Bands(scale.Octave, 63, 8000) {
		n := slices.Index(round.Bands, band.NominalHz)
		if n < 0 {
			t.Fatalf("the round has no octave at %g Hz", band.NominalHz)
		}
		var mean [2]float64
		for i, name := range sources {
			a, c := speakers[0][i].octave(band, rate), speakers[1][i].octave(band, rate)
			mean[i] = scale.PowerDB((scale.Power(a) + scale.Power(c)) / 2)
			hold(fmt.Sprintf("octave %d, %s", b, name), round.Sources[i].Level[n], mean[i])
			hold(fmt.Sprintf("octave %d, %s from seat to seat", b, name), round.SeatToSeat[i].Range[n], math.Abs(a-c))
		}
		hold(fmt.Sprintf("octave %d, spread", b), round.Spread[n], math.Abs(mean[0]-mean[1]))
	}
	t.Logf("%d figures of the round, off by at most %.4f dB", compared, worst)
}
