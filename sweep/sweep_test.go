package sweep

import (
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func mustNew(t *testing.T, o Options) *Sweep {
	t.Helper()
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestZeroValueIsQuietAndFullRange(t *testing.T) {
	s := mustNew(t, Options{})
	if s.StartHz != 5 || s.StopHz != 24000 || s.SampleRate != 48000 || s.LevelDBFS != -30 {
		t.Fatalf("default sweep = %+v", s.Options)
	}
	var peak float64
	for _, v := range s.Samples() {
		peak = math.Max(peak, math.Abs(float64(v)))
	}
	if want := math.Pow(10, -30.0/20); !(math.Abs(peak-want) <= 1e-6) {
		t.Errorf("peak = %.8f, want %.8f", peak, want)
	}
}

// The frequency that sounds, measured from the samples by counting cycles,
// must be the one that FrequencyAt promises.
func TestFrequencyRunsAsPromised(t *testing.T) {
	s := mustNew(t, Options{StartHz: 20, StopHz: 20000, Seconds: 5})
	x := s.Samples()
	for _, hz := range []float64{50, 200, 1000, 4000} {
		at := int(s.TimeAt(hz) * s.SampleRate)
		half := int(20 / hz * s.SampleRate) // 40 cycles in all
		first, last, crossings := 0.0, 0.0, 0
		for n := at - half; n < at+half; n++ {
			a, b := float64(x[n]), float64(x[n+1])
			if a < 0 && b >= 0 {
				last = float64(n) + a/(a-b)
				if crossings == 0 {
					first = last
				}
				crossings++
			}
		}
		cycles := float64(crossings - 1)
		// Over a stretch of a log sweep the mean frequency belongs to its middle
		// up to the stretch's curvature.
		mid := (first + last) / 2 / s.SampleRate
		d := (last - first) / 2 / s.SampleRate / s.RateS
		want := s.FrequencyAt(mid) * math.Sinh(d) / d
		got := cycles / (last - first) * s.SampleRate
		if !(math.Abs(got/want-1) <= 2e-4) {
			t.Errorf("near %g Hz: counted %.4f Hz, want %.4f", hz, got, want)
		}
	}
}

func TestFades(t *testing.T) {
	for _, o := range []Options{{}, {StartHz: 20, StopHz: 20000}, {StopHz: 500}, {StartHz: 1000, SampleRate: 44100}, {SampleRate: 192000, Seconds: 1}} {
		s := mustNew(t, o)
		x := s.Samples()
		if len(x) != s.Frames {
			t.Fatalf("%+v: %d samples, want %d", o, len(x), s.Frames)
		}
		a := s.Amplitude()
		if v := math.Abs(float64(x[0])); v > 1e-3*a {
			t.Errorf("%+v: starts at %g of its level", o, v/a)
		}
		if f := s.FrequencyAt(float64(s.FadeIn) / s.SampleRate); f > 2*s.StartHz {
			t.Errorf("%+v: the fade-in lasts up to %g Hz, more than an octave", o, f)
		}
		if end := math.Abs(float64(x[s.Frames-1])); s.FadeOut > 0 && end > 0.01*a {
			t.Errorf("%+v: ends at %g of its level", o, end/a)
		}
		if s.FadeOut == 0 && s.StopHz != s.SampleRate/2 {
			t.Errorf("%+v: no fade-out though it ends at %g Hz", o, s.StopHz)
		}
	}
}

func TestRefusals(t *testing.T) {
	for _, c := range []struct {
		o      Options
		option string
	}{
		{Options{StartHz: 200, StopHz: 100}, "range"},
		{Options{StartHz: 100, StopHz: 150}, "range"},
		{Options{StartHz: 0.5}, "start"},
		{Options{StopHz: 30000}, "stop"},
		{Options{SampleRate: 22050}, "rate"},
		{Options{SampleRate: 384000}, "rate"},
		{Options{Seconds: 0.1}, "duration"},
		{Options{Seconds: 1e6}, "duration"},
		{Options{LevelDBFS: -6}, "level"},
		{Options{LevelDBFS: 3}, "level"},
		{Options{LevelDBFS: -3, CeilingDBFS: -3}, "level"}, // starts below 20 Hz
		{Options{LevelDBFS: -200}, "level"},
		{Options{CeilingDBFS: -1}, "ceiling"},
		{Options{StartHz: math.NaN()}, "range"},
		{Options{Seconds: math.Inf(1)}, "range"},
	} {
		_, err := New(c.o)
		var oe *OptionError
		if !errors.As(err, &oe) || oe.Option != c.option || oe.Hint() == "" {
			t.Errorf("%+v: got %v, want a complaint about %q with a hint", c.o, err, c.option)
		}
	}
	if s := mustNew(t, Options{StartHz: 20, LevelDBFS: -3, CeilingDBFS: -3}); s.LevelDBFS != -3 {
		t.Errorf("a raised ceiling gave %g dBFS", s.LevelDBFS)
	}
}

// Whatever can be asked for stays within the level, keeps f1·L whole, comes
// near the duration, and is the same after a round trip through its JSON.
func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.SampledFrom([]float64{44100, 48000, 96000, 192000}).Draw(t, "rate")
		start := rapid.Float64Range(1, 2000).Draw(t, "start")
		o := ProgramOptions{
			Sweep: Options{SampleRate: rate, StartHz: start, StopHz: rapid.Float64Range(2*start, rate/2).Draw(t, "stop"),
				Seconds: rapid.Float64Range(0.5, 2).Draw(t, "seconds"), LevelDBFS: rapid.Float64Range(-90, -12).Draw(t, "level")},
			Sweeps: rapid.IntRange(1, 3).Draw(t, "sweeps"), Marks: rapid.Bool().Draw(t, "marks"), MarksApart: rapid.Bool().Draw(t, "apart")}
		p, err := NewProgram(o)
		if err != nil {
			t.Fatal(err)
		}
		s := p.Sweep
		if c := s.StartHz * s.RateS; math.Abs(c-math.Round(c)) > 1e-9 {
			t.Fatalf("f1·L = %g", c)
		}
		if octaves := math.Log(s.StopHz / s.StartHz); math.Abs(s.Seconds-o.Sweep.Seconds) > 0.5001*octaves/s.StartHz && s.StartHz*s.RateS > 1.5 {
			t.Fatalf("asked for %g s, got %g", o.Sweep.Seconds, s.Seconds)
		}
		next := 0
		for _, seg := range p.Segments {
			if seg.Start != next || seg.Frames <= 0 {
				t.Fatalf("segments do not follow each other: %+v", p.Segments)
			}
			next += seg.Frames
		}
		if next != p.Frames || len(p.Starts(KindSweep)) != o.Sweeps || (len(p.Starts(KindMark)) > 0) != o.Marks {
			t.Fatalf("program of %d frames: %+v", p.Frames, p.Segments)
		}
		x := p.Samples()
		for n, v := range x {
			if math.Abs(float64(v)) > s.Amplitude()*(1+1e-6) || v != v {
				t.Fatalf("sample %d = %g above the level %g", n, v, s.Amplitude())
			}
		}
		again, ours, err := FromComment(p.Comment())
		if err != nil || !ours {
			t.Fatalf("own comment not understood: %v", err)
		}
		if diff := cmp.Diff(p.Segments, again.Segments); diff != "" {
			t.Fatal(diff)
		}
		if !slices.Equal(x, again.Samples()) {
			t.Fatal("other samples after a round trip")
		}
	})
}

func TestDamagedDescriptions(t *testing.T) {
	p, _ := NewProgram(ProgramOptions{})
	good, _ := json.Marshal(p)
	if _, err := ParseProgram(good); err != nil {
		t.Fatal(err)
	}
	for _, change := range [][2]string{
		{`"version":2`, `"version":3`}, {`"start_hz":5`, `"start_hz":0`}, {`"sweeps":1`, `"sweeps":-3`},
		{`"stop_hz":24000`, `"stop_hz":1e9`}, {`"sweep_rate_s":1.2`, `"sweep_rate_s":1e9`}, {`"sweep_rate_s":1.2`, `"sweep_rate_s":-1`},
		{`"lead_s":1.5`, `"lead_s":900`}, {`"duration_s":10`, `"duration_s":20`}, {`{`, ``},
	} {
		text := strings.Replace(string(good), change[0], change[1], 1)
		if text == string(good) {
			t.Fatalf("%q not found in %s", change[0], good)
		}
		if _, err := ParseProgram([]byte(text)); err == nil {
			t.Errorf("%v: accepted", change)
		}
	}
	if _, ours, err := FromComment("recorded on a rainy day"); ours || err != nil {
		t.Errorf("somebody else's comment: ours=%v err=%v", ours, err)
	}
}

// A mark gives no source what its sweep spares it, and is the same chirp
// wherever it stands; the quiet one is QuietDB softer.
func TestMarks(t *testing.T) {
	for _, c := range []struct {
		from, to float64
		apart    bool
		want     Mark
	}{
		{5, 24000, false, Mark{500, 12000, 0.25}},
		{1000, 24000, false, Mark{1000, 12000, 0.25}},
		{5, 500, false, Mark{40, 150, 1}},
		{60, 140, false, Mark{60, 140, 1}},
		{5, 500, true, Mark{500, 12000, 0.25}},
	} {
		p, err := NewProgram(ProgramOptions{Sweep: Options{StartHz: c.from, StopHz: c.to, Seconds: 2}, Marks: true, MarksApart: c.apart, Sweeps: 2})
		if err != nil {
			t.Fatal(err)
		}
		if p.Mark != c.want {
			t.Errorf("%g to %g Hz, apart %v: %+v, want %+v", c.from, c.to, c.apart, p.Mark, c.want)
		}
		if n := len(p.Starts(KindMark)); n != 3 {
			t.Errorf("%d marks around 2 sweeps, want 3", n)
		}
		mark, marks := p.MarkSamples(), p.Only(KindMark, KindQuiet)
		for _, start := range p.Starts(KindMark) {
			if !slices.Equal(mark, marks[start:start+len(mark)]) {
				t.Errorf("the mark at %d is another", start)
			}
		}
		quiet := p.Starts(KindQuiet)[0]
		for i, v := range mark {
			if d := float64(marks[quiet+i]) - float64(v)*math.Pow(10, -QuietDB/20.0); !(math.Abs(d) < 1e-7) {
				t.Fatalf("frame %d of the quiet mark is off by %g", i, d)
			}
		}
		sweeps := p.Only(KindSweep)
		for i, v := range p.Samples() {
			if v != marks[i]+sweeps[i] {
				t.Fatalf("frame %d: marks and sweeps do not add up to the program", i)
			}
		}
	}
}

// A description of before the marks still gives the program that was played.
func TestOlderDescription(t *testing.T) {
	p, _ := NewProgram(ProgramOptions{Sweeps: 2})
	now, _ := json.Marshal(p)
	older, err := ParseProgram([]byte(strings.Replace(string(now), `"version":2`, `"version":1`, 1)))
	if err != nil || !slices.Equal(older.Samples(), p.Samples()) {
		t.Fatalf("other samples, or %v", err)
	}
	p, _ = NewProgram(ProgramOptions{Marks: true})
	now, _ = json.Marshal(p)
	if _, err := ParseProgram([]byte(strings.Replace(string(now), `"version":2`, `"version":1`, 1))); err == nil {
		t.Error("marks of version 1 accepted, which were others")
	}
}

func FuzzParseProgram(f *testing.F) {
	p, _ := NewProgram(ProgramOptions{Marks: true, Sweeps: 2})
	text, _ := json.Marshal(p)
	f.Add(text)
	f.Add([]byte(`{"version":1}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := ParseProgram(text)
		if err == nil && (p.Frames <= 0 || p.Frames > 8*200*MaxRate*2) {
			t.Errorf("accepted a program of %d frames", p.Frames)
		}
	})
}

func TestRangeFor(t *testing.T) {
	for source, want := range map[string]string{
		"left+sub": "full", "sub": "sub", "sub 1": "sub", "Subs": "sub", "sub 1 + sub 2": "sub", "subs+left": "full",
		"LFE": "sub", "left tweeter": "tweeter", "centre": "full", "": "full", "submarine": "full", "left": "full",
	} {
		if got := RangeFor(source).Name; got != want {
			t.Errorf("range for %q = %s, want %s", source, got, want)
		}
	}
}

func BenchmarkSamples(b *testing.B) {
	s, err := New(Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		s.Samples()
	}
}
