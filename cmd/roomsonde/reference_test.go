package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"roomsonde/capture/wav"
	"roomsonde/sweep/scale/outsidetest"
)

// The outside ring of the program as a whole: recordings that NumPy and SciPy
// made are given to the command line, and what comes out is read back and worked
// out again by NumPy, SciPy and libsndfile (Debian 12: NumPy 1.24.2, SciPy
// 1.10.1, soundfile 0.12.1), SoX 14.4.2 and FFmpeg 5.1. The scripts are
// testdata/reference/cli_*.py.

const scripts = "../../testdata/reference/"

// command runs the program in this process and returns stdout.
func command(t *testing.T, want int, args ...string) string {
	t.Helper()
	var out, talk bytes.Buffer
	if code := run(t.Context(), args, &out, &talk); code != want {
		t.Fatalf("roomsonde %s: exit code %d, want %d\n%s", strings.Join(args, " "), code, want, talk.String())
	}
	return out.String()
}

// outside runs a program that is not ours and returns its stdout.
func outside(t *testing.T, stdin []byte, name string, args ...string) []byte {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), name, args...)
	var stderr bytes.Buffer
	cmd.Stdin, cmd.Stderr = bytes.NewReader(stdin), &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", filepath.Base(name), strings.Join(args, " "), err, stderr.String())
	}
	return out
}

func decode(t *testing.T, text []byte, into any) {
	t.Helper()
	if err := json.Unmarshal(text, into); err != nil {
		t.Fatalf("%v in %.200s", err, text)
	}
}

// room is the setup of cli_room.py.
type room struct {
	Seed       int         `json:"seed"`
	Excitation string      `json:"excitation,omitempty"`
	Make       *excitation `json:"make,omitempty"`
	Recording  string      `json:"recording"`
	Subtype    string      `json:"subtype"`
	Channels   int         `json:"channels"`
	Channel    int         `json:"channel"`
	OffsetS    float64     `json:"offset_s"`
	TailS      float64     `json:"tail_s"`
	Gain       float64     `json:"gain"`
	Noise      float64     `json:"noise"`
	ResponseS  float64     `json:"response_s"`
	DecayS     float64     `json:"decay_s"`
	Impulse    string      `json:"impulse"`
}

type excitation struct {
	Kind    string  `json:"kind"`
	Seconds float64 `json:"seconds"`
	Rate    int     `json:"rate"`
	Path    string  `json:"path"`
}

func (r *room) record(t *testing.T, folder string) {
	t.Helper()
	r.Recording, r.Impulse = filepath.Join(folder, "recording.wav"), filepath.Join(folder, "truth.f64")
	if r.Channels == 0 {
		r.Channels = 1
	}
	if r.ResponseS == 0 {
		r.ResponseS, r.DecayS = 0.8, 0.5
	}
	if r.Subtype == "" {
		r.Subtype = "FLOAT"
	}
	if r.Gain == 0 {
		r.Gain = 1
	}
	setup, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	outside(t, setup, outsidetest.Python(t), scripts+"cli_room.py")
}

// comparison is what cli_compare.py finds.
type comparison struct {
	ReadersAgree bool    `json:"readers_agree"`
	Shift        int     `json:"shift"`
	ErrorDB      float64 `json:"error_db"`
	MagnitudeDB  float64 `json:"magnitude_db"`
	MagnitudeHz  float64 `json:"magnitude_hz"`
	ResponseDB   float64 `json:"response_db"`
	ResponseHz   float64 `json:"response_hz"`
	Points       int     `json:"points"`
	WindowedDB   float64 `json:"windowed_db"`
}

// compare gives the JSON of a result and the true response to cli_compare.py.
//
// The response is seen through a window, which mixes what lies next to each
// other; below the sweep's start nothing was measured that could be mixed in
// rightly. So it is held against the truth from two octaves above the start on,
// and over the whole range against NumPy's own windowed transform of the impulse
// response that was kept.
func compare(t *testing.T, resultJSON, truth string, gain, fromHz, toHz float64) comparison {
	t.Helper()
	path := filepath.Join(t.TempDir(), "result.json")
	if err := os.WriteFile(path, []byte(resultJSON), 0o666); err != nil {
		t.Fatal(err)
	}
	var c comparison
	decode(t, outside(t, nil, outsidetest.Python(t), scripts+"cli_compare.py", path, truth, fmt.Sprint(gain), fmt.Sprint(fromHz), fmt.Sprint(toHz), fmt.Sprint(math.Max(20, 4*fromHz))), &c)
	t.Logf("%g to %g Hz: shift %d, difference %.1f dB, magnitude within %.4f dB (at %.1f Hz), response within %.4f dB (at %.1f Hz, %d points), %.5f dB off NumPy's",
		fromHz, toHz, c.Shift, c.ErrorDB, c.MagnitudeDB, c.MagnitudeHz, c.ResponseDB, c.ResponseHz, c.Points, c.WindowedDB)
	if !c.ReadersAgree {
		t.Error("SciPy and libsndfile read different samples from the impulse response")
	}
	return c
}

// hold holds a comparison to bounds. shift is where the true response begins
// re its direct sound, which is at time zero.
func (c comparison) hold(t *testing.T, shift int, errorDB, magnitudeDB float64) {
	t.Helper()
	if c.Shift != shift {
		t.Errorf("the response is shifted by %d frames, want %d: time zero is not the direct sound", c.Shift, shift)
	}
	if !(c.ErrorDB <= errorDB) {
		t.Errorf("difference to what was convolved = %.1f dB, want at most %g dB", c.ErrorDB, errorDB)
	}
	if !(c.MagnitudeDB <= magnitudeDB) {
		t.Errorf("magnitude is off by %.4f dB at %.1f Hz, want at most %g dB", c.MagnitudeDB, c.MagnitudeHz, magnitudeDB)
	}
	if !(c.ResponseDB <= magnitudeDB) {
		t.Errorf("response is off by %.4f dB at %.1f Hz, want at most %g dB", c.ResponseDB, c.ResponseHz, magnitudeDB)
	}
	if !(c.WindowedDB <= windowedDB) {
		t.Errorf("response is off by %.5f dB from NumPy's transform of the same window, want at most %g dB", c.WindowedDB, windowedDB)
	}
	if c.Points < 75 {
		t.Errorf("only %d points were compared", c.Points)
	}
}

// Bounds of the first issue for the real path; a recording in 32-bit floats is
// held to them too.
const (
	floatErrorDB     = -80.0
	floatMagnitudeDB = 0.02
	// The impulse response is kept in 32-bit floats, which is all that the two
	// transforms differ in.
	windowedDB = 0.001
)

func TestRecoverAgainstSciPy(t *testing.T) {
	outsidetest.Python(t)
	for i, c := range []struct {
		name    string
		rate    int
		sweep   []string
		room    room
		errorDB float64
		db      float64
		from    float64
	}{
		{"float 44100", 44100, nil, room{OffsetS: 0.731, TailS: 1}, floatErrorDB, floatMagnitudeDB, 5},
		{"float 48000", 48000, nil, room{OffsetS: 2.0117, TailS: 0.5, Gain: 0.05}, floatErrorDB, floatMagnitudeDB, 5},
		{"float 96000 stereo", 96000, []string{"--duration", "5"}, room{OffsetS: 0, TailS: 1, Channels: 2, Channel: 1}, floatErrorDB, floatMagnitudeDB, 5},
		{"24 bit", 48000, []string{"--level", "-12"}, room{OffsetS: 5.3, TailS: 1, Gain: 0.1, Subtype: "PCM_24", Channels: 6, Channel: 3}, floatErrorDB, floatMagnitudeDB, 5},
		// The rounding of a 16-bit file is white noise at -101 dBFS. It comes to
		// -73 dB of the response as a whole; in the room's deepest notches, some
		// 35 dB below its mean, single frequencies are off by a few tenths.
		{"16 bit", 44100, []string{"--level", "-12", "--from", "20"}, room{OffsetS: 0.4, TailS: 1, Gain: 0.1, Subtype: "PCM_16"}, -70, 0.5, 20},
		{"two sweeps", 48000, []string{"--duration", "3", "--sweeps", "2"}, room{OffsetS: 1.1, TailS: 1}, floatErrorDB, floatMagnitudeDB, 5},
		{"a file of three channels", 48000, []string{"--duration", "3", "--outputs", "3", "--channel", "2"}, room{OffsetS: 0.1, TailS: 0.2}, floatErrorDB, floatMagnitudeDB, 5},
	} {
		t.Run(c.name, func(t *testing.T) {
			folder := t.TempDir()
			played := filepath.Join(folder, "sweep.wav")
			command(t, exitDone, append([]string{"sweep", "--wav", played, "--rate", fmt.Sprint(c.rate)}, c.sweep...)...)
			r := c.room
			r.Seed, r.Excitation = 100+i, played
			r.record(t, folder)
			out := command(t, exitDone, "recover", r.Recording, "--sweep", played, "--survey", filepath.Join(folder, "survey"), "--json")
			object, err := oneObject(out)
			if err == nil {
				err = checkResult(object)
			}
			if err != nil {
				t.Error(err)
			}
			compare(t, out, r.Impulse, r.Gain, c.from, math.Min(24000, float64(c.rate)/2)).hold(t, 0, c.errorDB, c.db)
		})
	}
}

// TestRecoverFromAnyExcitation gives recover excitations that it knows nothing
// of: SciPy's noise, maximum-length sequence (scipy.signal.max_len_seq) and
// linear chirp (scipy.signal.chirp). The range is the one that recover states.
func TestRecoverFromAnyExcitation(t *testing.T) {
	outsidetest.Python(t)
	for i, c := range []struct {
		kind string
		from float64 // the readable band begins no higher; the chirp fades in up to 245 Hz
	}{{"noise", 20}, {"mls", 20}, {"chirp", 245}} {
		kind := c.kind
		t.Run(kind, func(t *testing.T) {
			folder := t.TempDir()
			played := filepath.Join(folder, "played.wav")
			r := room{Seed: 200 + i, Make: &excitation{kind, 4, 48000, played}, OffsetS: 0.777, TailS: 1.5, Gain: 0.3}
			r.record(t, folder)
			out := command(t, exitDone, "recover", r.Recording, "--sweep", played, "--survey", filepath.Join(folder, "survey"), "--json")
			from, to := readable(t, out)
			if from > c.from || to < 20000 {
				t.Errorf("readable from %g to %g Hz, though %s was played", from, to, kind)
			}
			compare(t, out, r.Impulse, r.Gain, 1.01*from, 0.99*to).hold(t, 0, floatErrorDB, floatMagnitudeDB)
			if again := command(t, exitDone, "show", "latest", "--survey", filepath.Join(folder, "survey"), "--json"); again != out {
				t.Error("show prints other JSON than recover did")
			}
		})
	}
}

func readable(t *testing.T, resultJSON string) (from, to float64) {
	t.Helper()
	var r struct {
		Readable struct {
			From *float64 `json:"from_hz"`
			To   *float64 `json:"to_hz"`
		} `json:"readable"`
	}
	decode(t, []byte(resultJSON), &r)
	if r.Readable.From == nil || r.Readable.To == nil {
		t.Fatalf("nothing is readable in %.300s", resultJSON)
	}
	return *r.Readable.From, *r.Readable.To
}

// TestRecoverWithASweepFileOfAnotherProgram: a sweep file that SoX has written
// again has lost its description, and one that SoX has cut no longer is what it
// describes. Both are excitations like any other.
func TestRecoverWithASweepFileOfAnotherProgram(t *testing.T) {
	sox := outsidetest.Tool(t, "sox")
	for i, c := range []struct {
		name  string
		saved func(in, out string) []string
		// What SoX wrote is what is played, rather than the file it read.
		played bool
		toHz   float64
	}{
		{"without its comment", func(in, out string) []string { return []string{in, "--comment", "", out} }, false, 24000},
		{"as 16 bit", func(in, out string) []string {
			return []string{"-R", in, "--comment", "", "-b", "16", "-e", "signed-integer", out}
		}, true, 20000},
		{"cut, with its comment", func(in, out string) []string { return []string{in, out, "trim", "1.5", "2"} }, true, 500},
	} {
		t.Run(c.name, func(t *testing.T) {
			folder := t.TempDir()
			written, saved := filepath.Join(folder, "sweep.wav"), filepath.Join(folder, "saved.wav")
			command(t, exitDone, "sweep", "--wav", written, "--duration", "4", "--level", "-15", "--sweeps", "1", "--marks=false")
			outside(t, nil, sox, c.saved(written, saved)...)
			r := room{Seed: 300 + i, Excitation: written, OffsetS: 1.3, TailS: 1.5, Gain: 0.2}
			if c.played {
				r.Excitation = saved
			}
			r.record(t, folder)
			out := command(t, exitDone, "recover", r.Recording, "--sweep", saved, "--survey", filepath.Join(folder, "survey"), "--json")
			from, to := readable(t, out)
			if from > 5 {
				t.Errorf("readable from %g Hz, and the sweep starts at 5 Hz", from)
			}
			compare(t, out, r.Impulse, r.Gain, 5, math.Min(c.toHz, 0.95*to)).hold(t, 0, floatErrorDB, floatMagnitudeDB)
			var take struct {
				Takes []struct {
					Program json.RawMessage `json:"program"`
				} `json:"takes"`
			}
			decode(t, []byte(command(t, exitDone, "list", "--survey", filepath.Join(folder, "survey"), "--json")), &take)
			if len(take.Takes) != 1 || len(take.Takes[0].Program) != 0 {
				t.Error("the file was taken for what its comment says or said")
			}
		})
	}
}

// A file of the sweep command that SoX has written again in 16 bits, louder and
// without its description, is known again; so is one in stereo with the marks
// apart.
func TestRecoverKnowsItsOwnFiles(t *testing.T) {
	sox := outsidetest.Tool(t, "sox")
	for i, options := range [][]string{{"--rate", "44100"}, {"--mark", "FR", "--range", "sub"}, {"--quick"}} {
		folder := t.TempDir()
		written, saved := filepath.Join(folder, "sweep.wav"), filepath.Join(folder, "saved.wav")
		command(t, exitDone, append([]string{"sweep", "--wav", written}, options...)...)
		outside(t, nil, sox, written, "--comment", "", "-b", "16", "-e", "signed-integer", saved, "gain", "6")
		if channels, f, err := wav.ReadFileSingle(saved); err != nil || strings.Contains(f.Comment, "roomsonde") {
			t.Fatalf("SoX kept the comment %q, or %v", f.Comment, err)
		} else if p := recognised(channels, float64(f.SampleRate)); p == nil || math.Abs(p.Sweep.LevelDBFS+24) > 0.002 {
			t.Errorf("case %d: not known again: %+v", i, p)
		}
	}
}

// TestDecayAgainstSciPy holds the decay that recover prints to what
// decay_scipy.py finds in the same impulse response: T20 and T30 within 2 %, EDT
// within 5 % (the just noticeable difference of ISO 3382-1), wherever a time is
// given.
func TestDecayAgainstSciPy(t *testing.T) {
	const tolT, tolEDT = 0.02, 0.05
	python := outsidetest.Python(t)
	folder := t.TempDir()
	played := filepath.Join(folder, "sweep.wav")
	command(t, exitDone, "sweep", "--wav", played)
	r := room{Seed: 400, Excitation: played, OffsetS: 1, TailS: 1, Gain: 0.3, ResponseS: 2, DecayS: 0.9, Noise: 3e-6}
	r.record(t, folder)
	out := command(t, exitDone, "recover", r.Recording, "--sweep", played, "--survey", filepath.Join(folder, "survey"), "--json")
	var got struct {
		Impulse string `json:"impulse"`
		Zero    int    `json:"impulse_zero_frame"`
		Decay   []struct {
			Band   float64  `json:"band_hz"`
			Width  string   `json:"width"`
			EDT    *float64 `json:"edt_s"`
			T20    *float64 `json:"t20_s"`
			T30    *float64 `json:"t30_s"`
			Reason string   `json:"reason"`
		} `json:"decay"`
	}
	decode(t, []byte(out), &got)
	raw := filepath.Join(folder, "kept.f64")
	outside(t, nil, python, "-c", "import sys, soundfile; soundfile.read(sys.argv[1])[0].astype('<f8').tofile(sys.argv[2])", got.Impulse, raw)
	type line struct {
		S float64 `json:"s"`
	}
	var want struct {
		Bands []struct {
			Mid           float64
			Width         int
			EDT, T20, T30 *line
			Error         string
		}
	}
	decode(t, outside(t, nil, python, scripts+"decay_scipy.py", fmt.Sprintf("raw:%s:48000:%d", raw, got.Zero), filepath.Join(folder, "unused.f64")), &want)
	compared, refused := 0, 0
	for _, g := range got.Decay {
		found := false
		for _, w := range want.Bands {
			if map[int]string{1: "octave", 3: "third"}[w.Width] != g.Width || math.Abs(math.Log2(w.Mid/g.Band)) > 0.05 {
				continue
			}
			found = true
			for _, v := range []struct {
				name string
				got  *float64
				want *line
				tol  float64
			}{{"EDT", g.EDT, w.EDT, tolEDT}, {"T20", g.T20, w.T20, tolT}, {"T30", g.T30, w.T30, tolT}} {
				if v.got == nil {
					refused++
					continue
				}
				if v.want == nil {
					t.Errorf("%g Hz (%s): %s = %.3f s, where SciPy's curve has none (%s)", g.Band, g.Width, v.name, *v.got, w.Error)
					continue
				}
				compared++
				if d := math.Abs(*v.got/v.want.S - 1); !(d <= v.tol) {
					t.Errorf("%g Hz (%s): %s = %.4f s, SciPy %.4f s: %.1f %% off, want at most %g %%; %s", g.Band, g.Width, v.name, *v.got, v.want.S, 100*d, 100*v.tol, g.Reason)
				}
			}
		}
		if !found {
			t.Errorf("SciPy knows no band of %g Hz (%s)", g.Band, g.Width)
		}
	}
	t.Logf("%d times compared, %d refused", compared, refused)
	if compared < 80 {
		t.Errorf("only %d times were compared", compared)
	}
}

// TestMicrophoneAgainstNumPy: with and without a calibration file, the response
// differs by the file's curve as numpy.interp has it over lg f, held at its ends;
// and the readable band ends with the file.
func TestMicrophoneAgainstNumPy(t *testing.T) {
	const tol = 0.001 // dB
	python := outsidetest.Python(t)
	folder := t.TempDir()
	survey := filepath.Join(folder, "survey")
	curve := filepath.Join(folder, "mic.txt")
	outside(t, nil, python, "-c", `
import sys, numpy as np
rng = np.random.default_rng(5)
f = np.unique(np.round(np.geomspace(18.3, 20417, 233), 3))
with open(sys.argv[1], "w") as out:
    print("* a curve made by NumPy; frequency in Hz, deviation in dB", file=out)
    for hz, db in zip(f, np.cumsum(0.3 * rng.standard_normal(len(f)))):
        print("%.3f\t%.4f" % (hz, db), file=out)
`, curve)
	with := command(t, exitDone, "measure", "--device", "model", "--duration", "3", "--survey", survey, "--microphone", curve, "--json")
	without := command(t, exitDone, "show", "1", "--survey", survey, "--microphone", "none", "--json")
	again := command(t, exitDone, "show", "1", "--survey", survey, "--json")
	if again != with {
		t.Error("show prints other JSON than measure did")
	}
	if from, to := readable(t, with); from < 18.3 || math.Abs(to-20417) > 1e-6 {
		t.Errorf("readable from %g to %g Hz, and the file covers 18.3 to 20417 Hz", from, to)
	}
	a, b := filepath.Join(folder, "with.json"), filepath.Join(folder, "without.json")
	for path, text := range map[string]string{a: with, b: without} {
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	var off struct {
		Worst  float64
		Points int
	}
	decode(t, outside(t, nil, python, "-c", `
import json, sys, numpy as np
a, b = (json.load(open(p))["response"] for p in sys.argv[1:3])
hz, db = np.loadtxt(sys.argv[3], comments="*", unpack=True)
f = np.array(a["frequency_hz"])
assert a["frequency_hz"] == b["frequency_hz"]
assert f[0] < hz[0] and f[-1] > hz[-1]
want = -np.interp(np.log(f), np.log(hz), db)
got = np.array(a["magnitude_db"]) - np.array(b["magnitude_db"])
print(json.dumps({"Worst": float(np.abs(got - want).max()), "Points": len(f)}))
`, a, b, curve), &off)
	t.Logf("%d points, at most %.6f dB off", off.Points, off.Worst)
	if !(off.Worst <= tol) || off.Points < 500 {
		t.Errorf("the correction is off by %.5f dB at %d points, want at most %g dB", off.Worst, off.Points, tol)
	}
}

// TestExportsAreReadElsewhere exports a take in every way that there is and has
// SciPy, libsndfile, SoX and FFmpeg read it; a signal convolved by FFmpeg's afir
// with our WAV is held to NumPy. (internal/export has the formats' own tests.)
func TestExportsAreReadElsewhere(t *testing.T) {
	python, sox, ffmpeg := outsidetest.Python(t), outsidetest.Tool(t, "sox"), outsidetest.Tool(t, "ffmpeg")
	const (
		soxDB    = -186 // a step of 32 bits
		exactDB  = -300
		afirDB   = -280 // 64-bit transforms
		steps    = 1.5  // of 24 bits: rounding to half a step, dither of one
		lastSign = 0.5e-3
	)
	folder := t.TempDir()
	in := func(name string) string { return filepath.Join(folder, name) }
	survey := in("survey")
	command(t, exitDone, "measure", "--device", "model", "--survey", survey, "--json")
	shown := command(t, exitDone, "show", "latest", "--survey", survey, "--json")
	export := func(args ...string) string {
		return command(t, exitDone, append([]string{"export", "latest", "--survey", survey}, args...)...)
	}
	export("--impulse", in("float.wav"), "--curve", in("curve.csv"), "--decay", in("decay.csv"), "--all", in("all.json"))
	export("--impulse", in("start.wav"), "--zero", "start", "--curve", in("curve.txt"))
	export("--impulse", in("later.wav"), "--zero", "100ms", "--curve", in("full.csv"), "--grid", "full")
	export("--impulse", in("24.wav"), "--bits", "24")
	said := export("--impulse", in("normal.wav"), "--bits", "24", "--normalise")
	var kept struct{ Impulse string }
	decode(t, []byte(shown), &kept)
	content, err := os.ReadFile(kept.Impulse)
	if err != nil {
		t.Fatal(err)
	}
	for name, content := range map[string][]byte{"kept.wav": content, "shown.json": []byte(shown)} {
		if err := os.WriteFile(in(name), content, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range []string{"kept", "float", "start", "later", "24", "normal"} {
		outside(t, nil, sox, in(name+".wav"), "-t", "f64", "-L", in(name+".sox.f64"))
		outside(t, nil, ffmpeg, "-v", "error", "-i", in(name+".wav"), "-f", "f64le", in(name+".ffmpeg.f64"))
	}
	outside(t, nil, ffmpeg, "-v", "error", "-f", "lavfi", "-i", "anoisesrc=r=48000:d=1:a=0.1:seed=9", "-f", "f64le", in("signal.f64"))
	outside(t, nil, ffmpeg, "-v", "error", "-f", "f64le", "-ar", "48000", "-ac", "1", "-i", in("signal.f64"), "-i", in("float.wav"), "-filter_complex",
		"[1:a]aformat=sample_fmts=dblp[h];[0:a][h]afir=gtype=none:irgain=1:dry=1:wet=1:precision=double", "-f", "f64le", in("signal.afir.f64"))

	type file struct {
		Subtype    string
		Channels   int
		Rate       int
		RatesAgree bool      `json:"rates_agree"`
		ReadersDB  []float64 `json:"readers_db"`
		Frames     int
		Peak       float64
	}
	var all map[string]json.RawMessage
	decode(t, outside(t, nil, python, scripts+"cli_export.py", folder, in("shown.json")), &all)
	for _, name := range []string{"kept", "float", "start", "later", "24", "normal"} {
		var f file
		decode(t, all[name], &f)
		subtype := "FLOAT"
		if name == "24" || name == "normal" {
			subtype = "PCM_24"
		}
		if f.Subtype != subtype || f.Channels != 1 || f.Rate != 48000 || !f.RatesAgree {
			t.Errorf("%s.wav is %d channels of %s at %d Hz, want one of %s at 48000", name, f.Channels, f.Subtype, f.Rate, subtype)
		}
		for i, tool := range []string{"SciPy", "SoX", "FFmpeg"} {
			bound := float64(exactDB)
			if tool == "SoX" {
				bound = soxDB
			}
			if !(f.ReadersDB[i] <= bound) {
				t.Errorf("%s.wav: %s reads what libsndfile does only to %.0f dBFS, want %.0f", name, tool, f.ReadersDB[i], bound)
			}
		}
		if name == "normal" && !(f.Peak > 0.99999 && f.Peak <= 1) {
			t.Errorf("normal.wav peaks at %g", f.Peak)
		}
	}
	isTrue := func(name string) {
		if string(all[name]) != "true" {
			t.Errorf("%s = %s", name, all[name])
		}
	}
	atMost := func(name string, bounds ...float64) {
		t.Helper()
		var got []float64
		if bytes.HasPrefix(all[name], []byte("[")) {
			decode(t, all[name], &got)
		} else {
			got = make([]float64, 1)
			decode(t, all[name], &got[0])
		}
		if len(got) != len(bounds) {
			t.Fatalf("%s = %v", name, got)
		}
		for i := range got {
			if !(got[i] <= bounds[i]) {
				t.Errorf("%s = %v, want at most %v", name, got, bounds)
			}
		}
	}
	isTrue("float_same")
	isTrue("start_same")
	isTrue("later_same")
	isTrue("csv_readable")
	isTrue("decay_same")
	isTrue("all_same")
	atMost("steps_24", steps)
	atMost("normal_steps", steps+0.5) // the scale is estimated from the dithered samples
	atMost("afir_gain_off", 1e-9)
	atMost("afir_db", afirDB)
	atMost("csv_off", 0.5e-6, 0.5e-4, lastSign, 0.5e-4)
	atMost("txt_off", 0.5e-6, 0.5e-4, lastSign)
	atMost("full_off", 0.5e-4)
	atMost("decay_off", 0.5e-4)
	var scale float64
	decode(t, all["normal_scale"], &scale)
	if want := fmt.Sprintf("scaled by %.4g", scale); !strings.Contains(said, want[:len(want)-1]) {
		t.Errorf("export says %q, and SciPy finds a scale of %g", said, scale)
	}
}
