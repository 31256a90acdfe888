package modelroom

import (
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"roomsonde/capture"
	"roomsonde/sweep/scale"
)

// What String writes, ParseFault reads.
func TestFaultText(t *testing.T) {
	for text, want := range map[string]Fault{
		"drop 64 at 7.5s":                {Kind: Drop, Frames: 64, AtS: 7.5},
		"repeat 16 at 3s first 2":        {Kind: Repeat, Frames: 16, AtS: 3, FirstRuns: 2},
		"clip 3dB":                       {Kind: Clip, Amount: 3},
		"agc 3:1":                        {Kind: AGC, Amount: 3},
		"burst -20dB at 5s for 0.1s":     {Kind: Burst, Amount: -20, AtS: 5, ForS: 0.1},
		"hum -30dB base 60Hz":            {Kind: Hum, Amount: -30, BaseHz: 60},
		"skew 50ppm wobble 5ppm":         {Kind: Skew, Amount: 50, WobblePPM: 5},
		"rate 0.91875":                   {Kind: Rate, Amount: 0.91875},
		"mute":                           {Kind: Mute},
		"suspend 30s at 4s":              {Kind: Suspend, Amount: 30, AtS: 4},
		"step -0.01 at 1s":               {Kind: Step, Amount: -0.01, AtS: 1},
		"gate 20dB at 1s":                {Kind: Gate, Amount: 20, AtS: 1},
		"overflow 2":                     {Kind: Overflow, Frames: 2},
		"gain -1.5dB at 2s for 0.5s":     {Kind: Gain, Amount: -1.5, AtS: 2, ForS: 0.5},
		"noise 6dB at 4s for 1s first 1": {Kind: Noise, Amount: 6, AtS: 4, ForS: 1, FirstRuns: 1},
		"gone at 4s":                     {Kind: Gone, AtS: 4},
		"early -10dB":                    {Kind: Early, Amount: -10},
		"swap":                           {Kind: Swap},
		"hold 32 at 0.25s":               {Kind: Hold, Frames: 32, AtS: 0.25},
		"zero 1 at 0.001s":               {Kind: Zero, Frames: 1, AtS: 0.001},
		"overload 1dB":                   {Kind: Overload, Amount: 1},
		"analog-clip 0.5dB":              {Kind: AnalogClip, Amount: 0.5},
		"analog-clip 1dB base 3Hz":       {Kind: AnalogClip, Amount: 1, BaseHz: 3},
	} {
		got, err := ParseFault(text)
		if err != nil || got != want {
			t.Errorf("ParseFault(%q) = %+v, %v", text, got, err)
		}
		if s := want.String(); s != text {
			t.Errorf("%+v is written %q, want %q", want, s, text)
		}
	}
	// Units are optional, case does not matter.
	for _, text := range []string{"DROP 64 AT 7.5", "drop 64 at 7.5S", " drop  64  at 7.5s "} {
		if got, err := ParseFault(text); err != nil || got != (Fault{Kind: Drop, Frames: 64, AtS: 7.5}) {
			t.Errorf("ParseFault(%q) = %+v, %v", text, got, err)
		}
	}
	if len(FaultForms()) != len(faultForms) {
		t.Error("FaultForms does not list all kinds")
	}
}

func TestFaultErrors(t *testing.T) {
	for text, hint := range map[string]string{
		"":                          "drop 64 at 7.5s",
		"drp 64 at 7s":              `did you mean "drop"?`,
		"thunder":                   "the kinds are drop,",
		"drop":                      "drop N [at Ns]",
		"drop x at 7s":              "drop N [at Ns]",
		"drop 1.5 at 7s":            "drop N [at Ns]",
		"drop 0 at 7s":              "give 1 to",
		"drop 64 at":                "drop N [at Ns]",
		"drop 64 at 7s at 8s":       "drop N [at Ns]",
		"drop 64 at noon":           "drop N [at Ns]",
		"drop 64 at -1s":            "drop N [at Ns]",
		"drop 64 base 50Hz":         "drop N [at Ns]",
		"drop 64 first 0":           "drop N [at Ns]",
		"clip infdB":                "clip NdB",
		"clip 0x10dB":               "clip NdB",
		"clip -3dB":                 "give 0 to",
		"rate 9":                    "give 0.25 to 4",
		"skew 10ppm wobble 2000ppm": "skew Nppm",
		"hum -10dB base 0Hz":        "hum NdB",
	} {
		_, err := ParseFault(text)
		var bad *FaultError
		if !errors.As(err, &bad) || !strings.Contains(bad.Hint(), hint) {
			t.Errorf("ParseFault(%q): %v, hint %q; want a hint with %q", text, err, bad.Hint(), hint)
		}
	}
	for _, f := range []Fault{{}, {Kind: "thunder"}, {Kind: Gain, Amount: math.NaN()}, {Kind: Drop, Frames: 3, AtS: math.Inf(1)}, {Kind: Drop, Frames: 3, FirstRuns: -1}} {
		if _, err := Open(Options{Faults: []Fault{f}}); err == nil {
			t.Errorf("Open with %+v: no error", f)
		}
	}
}

func FuzzParseFault(f *testing.F) {
	for _, form := range FaultForms() {
		f.Add(form[0])
	}
	f.Add("drop 64 at 7.5s first 2")
	f.Add("hum -30dB base 60Hz for 1e3s")
	f.Fuzz(func(t *testing.T, text string) {
		fault, err := ParseFault(text)
		if err != nil {
			var bad *FaultError
			if !errors.As(err, &bad) || bad.Hint() == "" {
				t.Errorf("%q: %v without a hint", text, err)
			}
			return
		}
		again, err := ParseFault(fault.String())
		if err != nil || again != fault {
			t.Errorf("%q is %+v, written %q, which is %+v, %v", text, fault, fault, again, err)
		}
	})
}

// testRate is low, so that these tests are quick.
const testRate = 8000.0

// chirp is what the tests of faults play.
func chirp(seconds float64) []float32 {
	x := make([]float32, int(seconds*testRate))
	for n := range x {
		s := float64(n) / testRate
		x[n] = float32(0.1 * math.Sin(2*math.Pi*(100*s+200*s*s)))
	}
	return x
}

// rooms holds what was worked out before, by seed: rooms that are opened again
// need not do it again.
var rooms = map[uint64]*Room{}

func workedOut(t *testing.T, seed uint64) (map[float64]*plan, map[truthKey]*Truth) {
	if rooms[seed] == nil {
		r := open(t, Options{Seed: seed})
		truth(t, r, chFL, "main", testRate)
		rooms[seed] = r
	}
	return rooms[seed].plans, rooms[seed].truths
}

// spoiled records a chirp of 2 s in 3 s, with faults and without.
func spoiled(t *testing.T, o Options, faults ...string) (sound, got *capture.Recording, injected []Injected) {
	t.Helper()
	job := capture.Job{SampleRate: testRate, Frames: int(3 * testRate), Tracks: []capture.Track{{Channel: chFL, Samples: chirp(2)}}}
	play := func(o Options) (*capture.Recording, *Room) {
		r := open(t, o)
		r.plans, r.truths = workedOut(t, o.Seed)
		rec, err := r.PlayRecord(context.Background(), job, nil)
		if err != nil {
			t.Fatal(err)
		}
		return rec, r
	}
	sound, _ = play(o)
	for _, text := range faults {
		f, err := ParseFault(text)
		if err != nil {
			t.Fatal(err)
		}
		o.Faults = append(o.Faults, f)
	}
	got, room := play(o)
	if len(got.Samples) != job.Frames {
		t.Fatalf("%q: %d frames, want %d", faults, len(got.Samples), job.Frames)
	}
	return sound, got, truth(t, room, chFL, "main", testRate).Faults
}

// differ returns the first frame at which two recordings differ by more than
// rounding, and how many do.
func differ(a, b []float32) (first, count int) {
	const tol = 1e-6
	first = -1
	for n := range a {
		if !(math.Abs(float64(a[n])-float64(b[n])) <= tol) {
			if first < 0 {
				first = n
			}
			count++
		}
	}
	return first, count
}

func TestBufferFaults(t *testing.T) {
	const at, k = 8000, 64
	expect := func(kind string, want func(x []float32) []float32) {
		t.Helper()
		sound, got, injected := spoiled(t, Options{}, kind+" 64 at 1s")
		w := want(sound.Samples)
		if n := min(len(w), len(got.Samples)); true {
			if first, count := differ(got.Samples[:n], w[:n]); count > 0 {
				t.Errorf("%s: %d frames are not as expected, from %d on", kind, count, first)
			}
		}
		if first, _ := differ(got.Samples, sound.Samples); first < at || first > at+2 {
			t.Errorf("%s: first difference at frame %d, want %d", kind, first, at)
		}
		if len(injected) != 1 || injected[0].Frame != at || injected[0].Frames != k {
			t.Errorf("%s: truth says %+v", kind, injected)
		}
	}
	expect("drop", func(x []float32) []float32 { return slices.Concat(x[:at], x[at+k:]) })
	expect("repeat", func(x []float32) []float32 { return slices.Concat(x[:at], x[at-k:]) })
	expect("hold", func(x []float32) []float32 { return slices.Concat(x[:at], x[at-k:at], x[at+k:]) })
	expect("zero", func(x []float32) []float32 { return slices.Concat(x[:at], make([]float32, k), x[at+k:]) })
	// Two of them: each where it says in what is delivered.
	sound, got, injected := spoiled(t, Options{}, "drop 100 at 2s", "repeat 30 at 1s")
	x := slices.Concat(sound.Samples[:8000], sound.Samples[8000-30:])
	x = slices.Concat(x[:16000], x[16100:])
	if first, count := differ(got.Samples[:len(x)], x); count > 0 {
		t.Errorf("two faults: %d frames differ from frame %d on", count, first)
	}
	if len(injected) != 2 || injected[0].Fault.Kind != Repeat || injected[1].Frame != 16000 {
		t.Errorf("two faults: truth says %+v", injected)
	}
}

// What lasts from a moment on leaves what was before as it is.
func TestFaultsLeaveWhatWasBefore(t *testing.T) {
	for _, text := range []string{
		"step 0.01 at 1s", "gain 3dB at 1s", "burst -10dB at 1s", "hum -20dB at 1s", "noise 10dB at 1s",
		"mute at 1s", "suspend 5s at 1s", "gate 20dB at 1s",
	} {
		sound, got, injected := spoiled(t, Options{}, text)
		first, count := differ(got.Samples, sound.Samples)
		if first < 7990 || count == 0 {
			t.Errorf("%s: first difference at frame %d (%d in all), want it at 8000", text, first, count)
		}
		if strings.HasPrefix(text, "gate") { // closes in a pause only
			continue
		}
		if first > 8100 || len(injected) != 1 || injected[0].Frame != 8000 {
			t.Errorf("%s: first difference at frame %d; truth says %+v", text, first, injected)
		}
	}
}

func TestStepGainMuteExactly(t *testing.T) {
	const tol = 1e-6
	sound, got, _ := spoiled(t, Options{}, "step 0.01 at 1s for 0.5s")
	for n, v := range got.Samples {
		want := float64(sound.Samples[n])
		if n >= 8000 && n < 12000 {
			want += 0.01
		}
		if !(math.Abs(float64(v)-want) <= tol) {
			t.Fatalf("step: frame %d is %g, want %g", n, v, want)
		}
	}
	sound, got, _ = spoiled(t, Options{}, "gain -6dB at 1s")
	for n, v := range got.Samples {
		if n >= 8000 && n < 8040 {
			continue // on its way
		}
		want := float64(sound.Samples[n])
		if n >= 8000 {
			want *= scale.Amplitude(-6)
		}
		if !(math.Abs(float64(v)-want) <= tol) {
			t.Fatalf("gain: frame %d is %g, want %g", n, v, want)
		}
	}
	_, got, _ = spoiled(t, Options{}, "mute at 1s for 0.25s")
	if slices.ContainsFunc(got.Samples[8000:10000], func(v float32) bool { return v != 0 }) || got.Samples[10001] == 0 {
		t.Error("mute: not silent when it should be, or for too long")
	}
}

func TestClippingFaults(t *testing.T) {
	const tolDB = 0.001
	peakOf := func(x []float32) (most float64) {
		for _, v := range x {
			most = max(most, math.Abs(float64(v)))
		}
		return most
	}
	sound, got, injected := spoiled(t, Options{}, "clip 2dB")
	if d := scale.AmplitudeDB(peakOf(sound.Samples) / peakOf(got.Samples)); !(math.Abs(d-2) <= tolDB) {
		t.Errorf("clip 2dB took %.4f dB off the peak", d)
	}
	flat := 0
	for n, v := range got.Samples {
		if math.Abs(float64(v)) == peakOf(got.Samples) {
			flat++
		}
		if math.Abs(float64(sound.Samples[n])) < injected[0].Value-1e-6 && v != sound.Samples[n] {
			t.Fatalf("clip: frame %d below the limit changed", n)
		}
	}
	if flat != injected[0].Frames || flat < 10 {
		t.Errorf("clip: %d frames at the limit, truth says %d", flat, injected[0].Frames)
	}
	_, got, _ = spoiled(t, Options{}, "overload 3dB")
	if p := peakOf(got.Samples); p != 1 {
		t.Errorf("overload: peak %g, want 1", p)
	}
	// Before the converter: what was flat carries its noise.
	_, got, injected = spoiled(t, Options{}, "analog-clip 2dB")
	limit := injected[0].Value
	var sum float64
	count := 0
	for n, v := range sound.Samples {
		if math.Abs(float64(v)) > limit+1e-3 {
			d := math.Abs(float64(got.Samples[n])) - limit
			sum += d * d
			count++
		}
	}
	if db := scale.PowerDB(sum / float64(count)); count < 10 || !(math.Abs(db-converterNoiseDBFS) <= 2) {
		t.Errorf("analog-clip: %d flat frames with noise of %.1f dBFS, want %d", count, db, converterNoiseDBFS)
	}
}

// The capacitor at an input is a high-pass of first order, |H| = f/√(f²+fc²), and a
// flat top decays behind it as exp(−2π·fc·t).
func TestCoupling(t *testing.T) {
	const rate, corner, tol = testRate, 4.0, 1e-3
	for _, hz := range []float64{1, 4, 20, 1000} {
		x := make([]float64, 10*rate)
		for n := range x {
			x[n] = math.Sin(2 * math.Pi * hz * float64(n) / rate)
		}
		couple(x, corner/rate)
		var sum float64
		for _, v := range x[5*rate:] { // whole periods
			sum += v * v
		}
		got, want := math.Sqrt(2*sum/(5*rate)), hz/math.Hypot(hz, corner)
		if !(math.Abs(got-want) <= tol) {
			t.Errorf("gain at %g Hz = %.5f, want %.5f", hz, got, want)
		}
	}
	top := slices.Repeat([]float64{1}, rate/50)
	couple(top, corner/rate)
	for n, v := range top {
		if want := math.Exp(-2 * math.Pi * corner * (float64(n) + 0.5) / rate); !(math.Abs(v-want) <= tol) {
			t.Fatalf("a flat top decays to %.5f in %d frames, want %.5f", v, n, want)
		}
	}
	// It comes behind what clips; the converter's noise comes behind it.
	_, flat, _ := spoiled(t, Options{NoiseDBFS: silent}, "analog-clip 6dB")
	_, got, _ := spoiled(t, Options{NoiseDBFS: silent}, "analog-clip 6dB base 4Hz")
	want := make([]float64, len(flat.Samples))
	for n, v := range flat.Samples {
		want[n] = float64(v)
	}
	couple(want, corner/rate)
	var sum float64
	for n, v := range got.Samples {
		d := float64(v) - want[n]
		sum += d * d
	}
	if db := scale.PowerDB(sum / float64(len(want))); !(db <= converterNoiseDBFS-20) { // the same noise in both
		t.Errorf("behind the high-pass there is something else, of %.1f dBFS", db)
	}
}

// Sounds come at the level that was asked for.
func TestSoundFaultLevels(t *testing.T) {
	const tolDB = 0.5 // of a burst of 0.5 s: its edges, and chance
	quiet := Options{NoiseDBFS: silent}
	level := func(a, b []float32, from, to int) float64 {
		d := make([]float32, to-from)
		for i := range d {
			d[i] = a[from+i] - b[from+i]
		}
		return scale.AmplitudeDB(rms(d))
	}
	sound, _, _ := spoiled(t, quiet)
	x := make([]float64, len(sound.Samples))
	for i, v := range sound.Samples {
		x[i] = float64(v)
	}
	signal := scale.AmplitudeDB(SignalRMS(x, testRate))
	for _, c := range []struct {
		text     string
		from, to int
		want     float64
	}{
		{"burst -20dB at 1s for 0.5s", 8000, 12000, -20},
		{"hum -25dB at 1s", 8000, 24000, -25},
		{"early -10dB", 1000, 16000, -10},
	} {
		_, got, _ := spoiled(t, quiet, c.text)
		if d := level(got.Samples, sound.Samples, c.from, c.to) - signal; !(math.Abs(d-c.want) <= tolDB) {
			t.Errorf("%s came at %.2f dB re the signal", c.text, d)
		}
	}
	_, _, injected := spoiled(t, quiet, "hum -25dB base 60Hz")
	if !(math.Abs(injected[0].Hz-60) <= 0.02) {
		t.Errorf("a hum of 60 Hz came at %g Hz", injected[0].Hz)
	}
	// Twice the noise.
	hiss, _, _ := spoiled(t, Options{})
	_, got, _ := spoiled(t, Options{}, "noise 6.0206dB at 0s")
	for n := range got.Samples {
		want := 2*float64(hiss.Samples[n]) - float64(sound.Samples[n])
		if !(math.Abs(float64(got.Samples[n])-want) <= 1e-6) {
			t.Fatalf("noise: frame %d is %g, want %g", n, got.Samples[n], want)
		}
	}
}

// The early sound comes before the room's answer.
func TestEarlyComesEarly(t *testing.T) {
	_, got, injected := spoiled(t, Options{NoiseDBFS: silent, Latency: 100 * time.Millisecond}, "early -10dB")
	first := slices.IndexFunc(got.Samples, func(v float32) bool { return math.Abs(float64(v)) > 1e-5 })
	if first < 400 || first > 405 || injected[0].Frame != 400 {
		t.Errorf("first sound at frame %d, want 400 (the room's own comes after 800); truth says %+v", first, injected)
	}
}

func TestAutomaticLevels(t *testing.T) {
	// Two bursts of tone 14 dB apart, both above the threshold: 3:1 leaves a
	// third of that.
	x := make([]float64, int(2*testRate))
	for n := range x {
		s := float64(n) / testRate
		a := 0.5
		if s >= 1 {
			a *= scale.Amplitude(-14)
		}
		x[n] = a * math.Sin(2*math.Pi*440*s)
	}
	rec, _, err := Spoil(Heard{SampleRate: testRate, Frames: len(x), Signal: x}, []Fault{{Kind: AGC, Amount: 3}})
	if err != nil {
		t.Fatal(err)
	}
	loud, soft := rms(rec.Samples[4000:8000]), rms(rec.Samples[14000:16000])
	if d := scale.AmplitudeDB(loud / soft); !(math.Abs(d-14/3.0) <= 0.1) {
		t.Errorf("3:1 leaves %.2f dB of a step of 14 dB, want %.2f", d, 14/3.0)
	}
	// A gate turns the pause down and leaves the sound.
	sound, got, _ := spoiled(t, Options{NoiseDBFS: -60}, "gate 20dB")
	if d := scale.AmplitudeDB(rms(got.Samples[22000:]) / rms(sound.Samples[22000:])); !(math.Abs(d+20) <= 0.5) {
		t.Errorf("a gate of 20 dB changes the pause by %.2f dB", d)
	}
	if d := scale.AmplitudeDB(rms(got.Samples[8000:12000]) / rms(sound.Samples[8000:12000])); !(math.Abs(d) <= 0.1) {
		t.Errorf("a gate of 20 dB changes the sound by %.2f dB", d)
	}
}

// The next input hears what this one should.
func TestSwap(t *testing.T) {
	sound, got, _ := spoiled(t, Options{}, "swap")
	if len(got.Others) != 1 || got.Others[0].Index != 1 {
		t.Fatalf("others: %+v", got.Others)
	}
	if first, count := differ(got.Others[0].Samples, sound.Samples); count > 0 {
		t.Errorf("the other input differs from the sound take in %d frames, from %d on", count, first)
	}
	if d := scale.AmplitudeDB(rms(got.Samples) / rms(sound.Samples[:240])); !(d < -10 && d > -30) {
		t.Errorf("the idle input is at %.1f dB re the room's noise", d)
	}
	r := open(t, Options{Faults: []Fault{{Kind: Swap}}})
	if r.Device().Inputs != 2 {
		t.Error("a room with a swapped input has but one")
	}
}

// A suspended machine loses what was in the air.
func TestSuspend(t *testing.T) {
	quiet := Options{NoiseDBFS: silent}
	sound, got, injected := spoiled(t, quiet, "suspend 30s at 1s")
	if got.StalledS != 30 || injected[0].Frames != 16000 {
		t.Errorf("stalled for %g s; truth says %+v", got.StalledS, injected)
	}
	// What is missing dies away with the room, and is gone after its 2 s.
	missing := func(from, to int) float64 {
		d := make([]float32, to-from)
		for i := range d {
			d[i] = got.Samples[from+i] - sound.Samples[from+i]
		}
		return scale.AmplitudeDB(rms(d) / rms(sound.Samples[from:to]))
	}
	if early, late := missing(8000, 8200), missing(15000, 16000); !(early > -10 && late < -50) {
		t.Errorf("after the suspension the take differs by %.1f dB, and %.1f dB later on", early, late)
	}
}

// A device that goes leaves what was recorded until then, with its error.
func TestGone(t *testing.T) {
	r := open(t, Options{Faults: []Fault{{Kind: Gone, AtS: 1.5}}})
	job := capture.Job{SampleRate: testRate, Frames: 24000, Tracks: []capture.Track{{Channel: chFL, Samples: chirp(2)}}}
	var last capture.Progress
	rec, err := r.PlayRecord(context.Background(), job, func(p capture.Progress) { last = p })
	var gone *GoneError
	if !errors.As(err, &gone) || gone.AtS != 1.5 || gone.Hint() == "" {
		t.Fatalf("error %v", err)
	}
	want := record(t, open(t, Options{}), testRate, 24000, job.Tracks...)
	if len(rec.Samples) != 12000 || last.Frames != 12000 || last.Total != 24000 {
		t.Fatalf("%d frames recorded, progress %+v", len(rec.Samples), last)
	}
	if first, count := differ(rec.Samples, want[:12000]); count > 0 {
		t.Errorf("%d frames differ, from %d on", count, first)
	}
}

// FirstRuns: the next job of the room is sound, bit for bit.
func TestFirstRuns(t *testing.T) {
	x := chirp(1)
	track := capture.Track{Channel: chFL, Samples: x}
	plain := open(t, Options{})
	faulty := open(t, Options{Faults: []Fault{{Kind: Drop, Frames: 64, AtS: 0.5, FirstRuns: 1}, {Kind: Overflow, Frames: 2, FirstRuns: 1}}})
	for run := range 3 {
		want := record(t, plain, testRate, 12000, track)
		rec, err := faulty.PlayRecord(context.Background(), capture.Job{SampleRate: testRate, Frames: 12000, Tracks: []capture.Track{track}}, nil)
		if err != nil {
			t.Fatal(err)
		}
		injected := truth(t, faulty, chFL, "main", testRate).Faults
		if run == 0 {
			if slices.Equal(rec.Samples, want) || len(injected) != 2 || rec.Overflows != 2 {
				t.Errorf("first run: no fault (%+v, %d overflows)", injected, rec.Overflows)
			}
			continue
		}
		if !slices.Equal(rec.Samples, want) || len(injected) != 0 || rec.Overflows != 0 {
			t.Errorf("run %d suffers a fault of the first", run)
		}
	}
}

// The same seed gives the same recording, another one another.
func TestFaultsAreSeeded(t *testing.T) {
	faults := []string{"burst -10dB at 1s", "hum -20dB", "skew 50ppm wobble 10ppm", "analog-clip 1dB"}
	_, a, ia := spoiled(t, Options{Seed: 5}, faults...)
	_, b, ib := spoiled(t, Options{Seed: 5}, faults...)
	_, c, _ := spoiled(t, Options{Seed: 6}, faults...)
	if !slices.Equal(a.Samples, b.Samples) || !slices.Equal(ia, ib) {
		t.Error("the same seed gives two recordings")
	}
	if slices.Equal(a.Samples, c.Samples) {
		t.Error("two seeds give the same recording")
	}
	if len(ia) != len(faults) {
		t.Errorf("truth knows %d faults of %d", len(ia), len(faults))
	}
}

// When the context ends, a spoiled job fades out as a sound one does.
func TestSpoiledJobStops(t *testing.T) {
	r := open(t, Options{NoiseDBFS: silent, Faults: []Fault{{Kind: Drop, Frames: 10, AtS: 0.2}}})
	ctx, cancel := context.WithCancel(context.Background())
	rec, err := r.PlayRecord(ctx, capture.Job{SampleRate: testRate, Frames: 24000, Tracks: []capture.Track{{Channel: chFL, Samples: chirp(2)}}},
		func(p capture.Progress) {
			if p.Frames >= 8000 {
				cancel()
			}
		})
	if !errors.Is(err, context.Canceled) {
		t.Fatalf("error %v", err)
	}
	if n := len(rec.Samples); n != 8000+int(fadeS*testRate) {
		t.Errorf("%d frames recorded", n)
	}
}

func TestGain24(t *testing.T) {
	_, got, _ := spoiled(t, Options{Bits24: true}, "gain 1dB at 1s")
	for n, v := range got.Samples {
		if s := float64(v) * (1 << 23); s != math.Trunc(s) {
			t.Fatalf("frame %d is not a 24-bit value", n)
		}
	}
}
