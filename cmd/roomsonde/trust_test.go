package main

import (
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"roomsonde/sweep/scale/outsidetest"
)

// trusted is what the JSON of a take says of whether it can be trusted.
type trusted struct {
	ID       string
	Level    float64 `json:"level_dbfs"`
	Findings []struct {
		Kind, Text string
		Fault      bool
		FromS      float64 `json:"from_s"`
		Amount     float64
	}
	Clock *struct {
		SkewPPM        float64 `json:"skew_ppm"`
		UncertaintyPPM float64 `json:"uncertainty_ppm"`
		Corrected      bool
	}
	TimeZero struct {
		From     string
		ArrivalS float64 `json:"arrival_s"`
	} `json:"time_zero"`
	Recordings []struct {
		File, Why string
		Used      bool
	}
	GainDB   float64 `json:"averaging_gain_db"`
	Response struct {
		Hz    []float64 `json:"frequency_hz"`
		DB    []float64 `json:"magnitude_db"`
		Noise []float64 `json:"noise_db"`
	}
	Remarks []string
}

func (r *trusted) faults() (kinds []string) {
	for _, f := range r.Findings {
		if f.Fault {
			kinds = append(kinds, f.Kind)
		}
	}
	return kinds
}

// at returns the magnitude at the point nearest to a frequency.
func (r *trusted) at(hz float64) float64 {
	best := 0
	for i, f := range r.Response.Hz {
		if math.Abs(f-hz) < math.Abs(r.Response.Hz[best]-hz) {
			best = i
		}
	}
	return r.Response.DB[best]
}

// trust runs a command and reads its JSON.
func trust(t *testing.T, code int, args ...string) *trusted {
	t.Helper()
	r := &trusted{}
	decode(t, []byte(command(t, code, append(args, "--json")...)), r)
	return r
}

var model = []string{"measure", "--device", "model", "--duration", "3", "--survey"}

// Each fault that the model room can suffer is named, and marks the take; without
// one nothing is found.
func TestFaultsAreNamed(t *testing.T) {
	survey := filepath.Join(t.TempDir(), "survey")
	for _, c := range []struct{ fault, kind string }{
		{"drop 16 at 5s", "lost frames"},
		{"repeat 64 at 12s", "extra frames"},
		{"hold 32 at 13s", "repeated block"},
		{"zero 16 at 6s", "zero-filled"},
		{"clip 1dB", "clipping"},
		{"analog-clip 2dB", "clipping"},
		{"agc 3:1", "compression"},
		{"burst 0dB at 6s", "burst"},
	} {
		r := trust(t, exitMarked, append(model, survey, "--retakes", "0", "--fault", c.fault)...)
		if !slices.Contains(r.faults(), c.kind) {
			t.Errorf("%s: %v, want %s", c.fault, r.faults(), c.kind)
		}
	}
	for _, options := range [][]string{{}, {"--quick"}, {"--source", "sub"}, {"--mark", "FR", "--channel", "FC"}, {"--seed", "7", "--rate", "96000"}} {
		if r := trust(t, exitDone, append(append(model, survey), options...)...); len(r.Findings) > 0 {
			t.Errorf("%v: %+v in a sound take", options, r.Findings)
		}
	}
	r := trust(t, exitDone, append(model, survey, "--quick")...)
	if !slices.ContainsFunc(r.Remarks, func(s string) bool { return strings.Contains(s, "lost frames") }) {
		t.Errorf("the quick form does not say what it cannot tell: %q", r.Remarks)
	}
}

// What lost frames is kept, left out, and taken again; what comes out is what
// the whole recording says, now and when it is worked out anew.
func TestTakenAgain(t *testing.T) {
	survey := filepath.Join(t.TempDir(), "survey")
	r := trust(t, exitDone, append(model, survey, "--fault", "drop 64 at 5s first 1")...)
	if len(r.Recordings) != 2 || r.Recordings[0].Used || !r.Recordings[1].Used || !strings.Contains(r.Recordings[0].Why, "64 frames were lost") {
		t.Fatalf("%+v", r.Recordings)
	}
	if len(r.faults()) > 0 {
		t.Errorf("findings %+v", r.Findings)
	}
	again := trust(t, exitDone, "show", "1", "--survey", survey)
	if d := again.at(1000) - r.at(1000); d != 0 || !slices.Equal(again.Response.DB, r.Response.DB) {
		t.Errorf("show says otherwise: %g dB", d)
	}
	// Never whole: the take is kept with all its recordings, and marked.
	r = trust(t, exitMarked, append(model, survey, "--fault", "drop 64 at 5s", "--retakes", "1")...)
	if len(r.Recordings) != 2 || !slices.Contains(r.faults(), "lost frames") {
		t.Errorf("%+v, %v", r.Recordings, r.faults())
	}
}

// Four recordings averaged: 6 dB more signal over noise, and one with a fault is
// none of them.
func TestRepeatGains(t *testing.T) {
	survey := filepath.Join(t.TempDir(), "survey")
	one := trust(t, exitDone, append(model, survey)...)
	four := trust(t, exitDone, append(model, survey, "--repeat", "4", "--fault", "hold 48 at 6s first 1")...)
	used := 0
	for _, rec := range four.Recordings {
		if rec.Used {
			used++
		}
	}
	if used != 4 || len(four.Recordings) != 5 {
		t.Errorf("%d of %d recordings used", used, len(four.Recordings))
	}
	const want, tol = 6.02, 0.5
	if !(math.Abs(four.GainDB-want) <= tol) {
		t.Errorf("gain stated: %.2f dB", four.GainDB)
	}
	var sum float64
	n := 0
	for i, hz := range one.Response.Hz {
		if hz > 200 && hz < 15000 {
			sum += one.Response.Noise[i] - four.Response.Noise[i]
			n++
		}
	}
	if gain := sum / float64(n); !(math.Abs(gain-want) <= tol) {
		t.Errorf("noise is %.2f dB lower", gain)
	}
}

// recorded by SoX: a program played fast, or slow, found in a long recording at
// another sample rate, in noise.
func TestRecoverAcrossClocks(t *testing.T) {
	const tolPPM, tolDB = 0.1, 0.1
	sox := outsidetest.Tool(t, "sox")
	folder := t.TempDir()
	file := func(name string) string { return filepath.Join(folder, name) }
	survey := file("survey")
	command(t, exitDone, "sweep", "--wav", file("disc.wav"), "--duration", "4")
	straight := trust(t, exitDone, "recover", file("disc.wav"), "--survey", survey)
	if straight.Clock == nil || !(math.Abs(straight.Clock.SkewPPM) < 0.001) || straight.Clock.Corrected {
		t.Errorf("the file itself: %+v", straight.Clock)
	}
	for _, c := range []struct {
		rate  string
		speed string
		ppm   float64 // δ: the program comes back shorter by it
	}{{"48000", "1.0001", 100}, {"48000", "0.9995", -500}, {"44100", "1.00005", 50}} {
		// SoX's speed takes the samples for those of another rate and brings them
		// back (rate -v); pad and noise are SoX's too.
		outside(t, nil, sox, file("disc.wav"), "-e", "float", "-b", "32", file("fast.wav"), "speed", c.speed, "rate", "-v", c.rate, "pad", "7.123", "3")
		outside(t, nil, sox, "-R", "-n", "-r", c.rate, "-c", "1", "-e", "float", "-b", "32", file("noise.wav"), "synth", "32", "pinknoise", "gain", "-62")
		outside(t, nil, sox, "-m", "-v", "1", file("fast.wav"), "-v", "1", file("noise.wav"), "-e", "float", "-b", "32", file("phone.wav"))
		r := trust(t, exitDone, "recover", file("phone.wav"), "--sweep", file("disc.wav"), "--survey", survey)
		if r.Clock == nil || !(math.Abs(r.Clock.SkewPPM-c.ppm) <= tolPPM) || !r.Clock.Corrected {
			t.Errorf("speed %s at %s Hz: %+v, want %g ppm", c.speed, c.rate, r.Clock, c.ppm)
		}
		// Smoothed by eye: means over a few points, since there is noise.
		for _, hz := range []float64{30, 1000, 10000, 19000} {
			if d := r.at(hz) - straight.at(hz); !(math.Abs(d) <= tolDB) {
				t.Errorf("speed %s at %s Hz: %.3f dB off at %g Hz", c.speed, c.rate, d, hz)
			}
		}
	}
	// A file of 44.1 kHz that was taken for one of 48 kHz.
	outside(t, nil, sox, file("disc.wav"), "-e", "float", "-b", "32", file("slow.wav"), "speed", "0.91875", "rate", "-v", "48000")
	outside(t, nil, sox, "-R", "-n", "-r", "48000", "-c", "1", "-e", "float", "-b", "32", file("noise.wav"), "synth", "20", "pinknoise", "gain", "-70")
	outside(t, nil, sox, "-m", "-v", "1", file("slow.wav"), "-v", "1", file("noise.wav"), "-e", "float", "-b", "32", file("wrong.wav"))
	r := trust(t, exitMarked, "recover", file("wrong.wav"), "--sweep", file("disc.wav"), "--survey", survey)
	if !slices.Equal(r.faults(), []string{"wrong speed"}) {
		t.Errorf("a wrong sample rate is called %v", r.faults())
	}
	if d := r.at(1000) - straight.at(1000); !(math.Abs(d) <= tolDB) {
		t.Errorf("put right, it is %.3f dB off at 1 kHz", d)
	}
	// Without marks nothing is guessed, and that is said.
	command(t, exitDone, "sweep", "--wav", file("plain.wav"), "--duration", "3", "--sweeps", "1", "--marks=false")
	r = trust(t, exitDone, "recover", file("plain.wav"), "--survey", survey)
	if r.Clock != nil || !slices.ContainsFunc(r.Remarks, func(s string) bool {
		return strings.Contains(s, "phase") && strings.Contains(s, "long window")
	}) {
		t.Errorf("clock %+v, remarks %q", r.Clock, r.Remarks)
	}
}

// With marks on a channel of their own, all sources of a seat have one time
// zero: the model room's truth says when each direct sound comes.
func TestCommonTimeZero(t *testing.T) {
	survey := filepath.Join(t.TempDir(), "survey")
	arrivals := map[string]float64{}
	for _, channel := range []string{"FL", "FR", "FC"} {
		r := trust(t, exitDone, append(model, survey, "--channel", channel, "--mark", "FR")...)
		if r.TimeZero.From != "mark" {
			t.Fatalf("%s: time zero from %q", channel, r.TimeZero.From)
		}
		arrivals[channel] = r.TimeZero.ArrivalS
	}
	// The same again comes out the same, and the mark's own channel near zero.
	again := trust(t, exitDone, append(model, survey, "--channel", "FC", "--mark", "FR", "--seed", "5")...)
	if d := again.TimeZero.ArrivalS - arrivals["FC"]; !(math.Abs(d) <= 2e-6) {
		t.Errorf("another noise moves the arrival by %.2f µs", 1e6*d)
	}
	if !(math.Abs(arrivals["FR"]) < 100e-6) {
		t.Errorf("the mark's own channel arrives %.1f µs after it", 1e6*arrivals["FR"])
	}
	if r := trust(t, exitDone, append(model, survey, "--channel", "FC")...); r.TimeZero.From != "first arrival" || r.TimeZero.ArrivalS != 0 && math.Abs(r.TimeZero.ArrivalS) > 1.0/48000 {
		t.Errorf("without marks of its own: %+v", r.TimeZero)
	}
}

// The level that was found is used, and one found for a subwoofer is not used
// for a loudspeaker; an input that is too loud ends the sweep.
func TestLevelIsRemembered(t *testing.T) {
	survey := filepath.Join(t.TempDir(), "survey")
	var found struct {
		LevelDBFS float64 `json:"level_dbfs"`
	}
	decode(t, []byte(command(t, exitDone, "level", "--device", "model", "--source", "left+sub", "--ceiling", "-36", "--survey", survey, "--json")), &found)
	r := trust(t, exitDone, append(model, survey)...)
	if r.Level != found.LevelDBFS || r.Level > -36 {
		t.Errorf("measured at %g dBFS, found %g dBFS", r.Level, found.LevelDBFS)
	}
	if r := trust(t, exitDone, append(model, survey, "--source", "sub")...); r.Level != -30 {
		t.Errorf("a subwoofer was measured at %g dBFS", r.Level)
	}
	if r := trust(t, exitDone, append(model, survey, "--level", "-33")...); r.Level != -33 {
		t.Errorf("asked for -33 dBFS, got %g", r.Level)
	}
	command(t, exitStopped, append(model, survey, "--limit", "-45")...)
}
