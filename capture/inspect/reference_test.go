package inspect

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"roomsonde/capture/wav"
	"roomsonde/deconv/clock"
	"roomsonde/sweep"
	"roomsonde/sweep/scale/outsidetest"
)

// Recordings of real rooms that others made and published give no false fault:
// data sets "seminar-room" (University of Rostock, CC0) and "living-room" (Open
// AIR Library, public domain).
func TestOpenRecordings(t *testing.T) {
	for _, name := range []string{"seminar-room/raw_head_m80.wav", "seminar-room/rir_clap.wav", "living-room/living_room_1.wav"} {
		channels, file, err := wav.ReadFileSingle(outsidetest.Data(t, name))
		if err != nil {
			t.Fatal(err)
		}
		for c, x := range channels {
			r, err := Take(context.Background(), Input{Recording: x, SampleRate: float64(file.SampleRate)})
			if err != nil {
				t.Fatal(err)
			}
			checkFindings(t, r, len(x), float64(file.SampleRate))
			for _, f := range r.Findings {
				if f.Fault {
					t.Errorf("%s, channel %d: %s", name, c+1, f.Text())
				}
			}
		}
	}
}

// Faults that SciPy and SoX put into a recording are named. The room is real: the
// response of the data set "seminar-room" (University of Rostock, CC0), in which
// testdata/reference/inject.py plays the program.
func TestFaultsFromOutside(t *testing.T) {
	python, sox := outsidetest.Python(t), outsidetest.Tool(t, "sox")
	response := outsidetest.Data(t, "seminar-room/ir_head_m80.wav")
	p, err := sweep.NewProgram(sweep.ProgramOptions{Sweeps: 2, Marks: true, Sweep: sweep.Options{SampleRate: 44100, Seconds: 5}})
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	in := func(name string) string { return filepath.Join(folder, name+".wav") }
	if err := wav.WriteFile(in("program"), 44100, [][]float32{p.Samples()}, wav.Options{}); err != nil {
		t.Fatal(err)
	}
	run := func(name string, args ...string) {
		t.Helper()
		if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
			t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
		}
	}
	frame := p.Starts(sweep.KindSweep)[0] + int(2.9*44100)
	run(python, "testdata/reference/inject.py", in("program"), response, folder, fmt.Sprint(float64(frame)/44100))

	samples := func(n int) string { return strconv.Itoa(n) + "s" }
	piece := func(name string, args ...string) {
		run(sox, append([]string{"-D", in("good"), in(name)}, args...)...)
	}
	piece("head", "trim", "0", samples(frame))
	piece("tail", "trim", samples(frame))
	piece("rest", "trim", samples(frame+64))
	run(sox, "-D", "-n", "-r", "44100", "-b", "24", in("nothing"), "trim", "0", samples(64))
	run(sox, "-D", in("head"), in("rest"), in("lost"))
	run(sox, "-D", in("head"), in("nothing"), in("rest"), in("zeros"))
	run(sox, "-D", in("head"), in("nothing"), in("tail"), in("inserted"))
	piece("clipped", "gain", "-n", "1.5")
	piece("fast", "speed", "1.08843537", "rate", "44100")
	run(sox, "-D", "-v", "1.1", in("tail"), in("tail-louder"))
	run(sox, "-D", in("head"), in("tail-louder"), in("louder"))
	piece("muted", "vol", "0")

	tests := []struct {
		name string
		want []Kind // one of them must be a fault; nil: none may
		note Kind
	}{
		{"good", nil, ""},
		{"hum", nil, Hum},
		{"burst", []Kind{Burst}, ""},
		{"step", []Kind{Step}, ""},
		{"hold", []Kind{Repeated}, ""},
		{"repeat", []Kind{ExtraFrames}, ""},
		{"overloaded", []Kind{Clipping}, ""},
		{"levelled", []Kind{Compression}, ""},
		{"lost", []Kind{LostFrames}, ""},
		{"zeros", []Kind{ZeroFilled}, ""},
		{"inserted", []Kind{ExtraFrames}, ""},
		{"clipped", []Kind{Clipping}, ""},
		{"fast", []Kind{WrongSpeed}, ""},
		{"louder", []Kind{LevelChange}, ""},
		{"muted", []Kind{Silence}, ""},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			channels, file, err := wav.ReadFileSingle(in(test.name))
			if err != nil {
				t.Fatal(err)
			}
			timing, err := clock.Locate(context.Background(), channels[0], p, clock.Options{Aligned: true})
			var lost *clock.NotFoundError
			if err != nil && !errors.As(err, &lost) {
				t.Fatal(err)
			}
			r, err := Take(context.Background(), Input{Recording: channels[0], SampleRate: float64(file.SampleRate), Program: p, Timing: timing, Aligned: true})
			if err != nil {
				t.Fatal(err)
			}
			checkFindings(t, r, len(channels[0]), 44100)
			got := faults(r)
			if test.want == nil && len(got) > 0 || test.want != nil && !slices.ContainsFunc(test.want, func(k Kind) bool { return slices.Contains(got, k) }) {
				t.Errorf("got faults %v, want one of %v", got, test.want)
			}
			if test.note != "" && !has(r, test.note, false) {
				t.Errorf("no note of %s", test.note)
			}
			for _, f := range r.Findings {
				t.Log(f.Text())
			}
		})
	}
}
