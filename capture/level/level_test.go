package level

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"roomsonde/capture"
	"roomsonde/capture/modelroom"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// wire is a card whose path is a plain gain and a delay, with white noise.
type wire struct {
	gainDB    func(job int, playedDBFS float64) float64 // nil: 0
	noiseDBFS float64
	delayS    float64
	filter    func(x []float32, rate float64) []float64 // nil: none
	silent    bool                                      // delivers zeros
	burstAt   int                                       // job with a burst in it; 0: none
	short     bool

	jobs    int
	highest float64 // dBFS played so far, 200 added
	levels  []float64
}

func (w *wire) Device() capture.Device {
	return capture.Device{Name: "wire", Inputs: 1, Outputs: 2, Rate: 48000}
}

func (w *wire) PlayRecord(ctx context.Context, job capture.Job, progress func(capture.Progress)) (*capture.Recording, error) {
	index := w.jobs // 0: silence
	w.jobs++
	rec := &capture.Recording{SampleRate: job.SampleRate}
	peak := 0.0
	for _, v := range job.Tracks[0].Samples {
		peak = math.Max(peak, math.Abs(float64(v)))
	}
	played := scale.AmplitudeDB(peak)
	if index > 0 {
		w.highest = math.Max(w.highest, 200+played)
		w.levels = append(w.levels, played)
	}
	gain := 1.0
	if w.gainDB != nil {
		gain = scale.Amplitude(w.gainDB(index, played))
	}
	var source []float64
	if w.filter != nil {
		source = w.filter(job.Tracks[0].Samples, job.SampleRate)
	} else {
		for _, v := range job.Tracks[0].Samples {
			source = append(source, float64(v))
		}
	}
	r := rand.New(rand.NewPCG(7, uint64(index)))
	delay := int(w.delayS * job.SampleRate)
	noise := scale.Amplitude(w.noiseDBFS)
	block := int(job.SampleRate / 10)
	high := 0.0
	for i := range job.Frames {
		v := noise * r.NormFloat64()
		if n := i - delay; n >= 0 && n < len(source) {
			v += gain * source[n]
		}
		if w.burstAt > 0 && index == w.burstAt && i > job.Frames/2 && i < job.Frames/2+2400 {
			v += 0.05 * r.NormFloat64()
		}
		if w.silent {
			v = 0
		}
		v = math.Max(-1, math.Min(1, v))
		rec.Samples = append(rec.Samples, float32(v))
		high = math.Max(high, math.Abs(v))
		if (i+1)%block == 0 || i+1 == job.Frames {
			if progress != nil {
				progress(capture.Progress{Frames: i + 1, Total: job.Frames, Peak: high})
			}
			high = 0
			if err := ctx.Err(); err != nil {
				return rec, err
			}
		}
	}
	if w.short {
		rec.Samples = rec.Samples[:len(rec.Samples)/2]
	}
	return rec, nil
}

func always(db float64) func(int, float64) float64 { return func(int, float64) float64 { return db } }

const (
	gainTolDB  = 1.0 // an octave's gain on a path of plain gain, from some 20 dB of S/N
	noiseTolDB = 1.0 // an octave's noise, heard in 2.75 s, from 125 Hz on
)

// TestEnough holds that the search stops at the goal, that S/N, gain and noise are
// what they were made to be, and that no step is louder than the one before by
// more than StepDB.
func TestEnough(t *testing.T) {
	w := &wire{gainDB: always(-10), noiseDBFS: -70, delayS: 0.21}
	r, err := Find(t.Context(), w, Options{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if r.Reason != ReasonEnough || r.Why == "" {
		t.Errorf("reason %q (%s), want %q", r.Reason, r.Why, ReasonEnough)
	}
	p, err := sweep.NewProgram(sweep.ProgramOptions{Sweeps: 2, Marks: true})
	if err != nil {
		t.Fatal(err)
	}
	// White noise has most in the highest octave: 8 kHz, of 5.6 to 11.2 kHz.
	top := scale.Bands(scale.Octave, 8000, 8000)[0]
	noise := -70 + 10*math.Log10(top.BandwidthHz()/24000)
	_, response := gains(p)
	least := DefaultResponseDB - response + noise + 10 + 3.01 // level for which that octave has the goal
	if !(r.LevelDBFS >= least-gainTolDB && r.LevelDBFS <= least+1+gainTolDB) {
		t.Errorf("level %.1f dBFS, want %.1f or up to 1 dB more", r.LevelDBFS, least)
	}
	for _, o := range r.Octaves {
		if o.State != Enough {
			t.Errorf("%g Hz: %s, want %s", o.Band.NominalHz, o.State, Enough)
		}
		if !(math.Abs(o.GainDB+10) <= gainTolDB) {
			t.Errorf("%g Hz: gain %.2f dB, want -10 dB", o.Band.NominalHz, o.GainDB)
		}
		want := -70 + 10*math.Log10(o.Band.BandwidthHz()/24000)
		if o.Band.NominalHz >= 125 && !(math.Abs(o.NoiseDB-want) <= noiseTolDB) {
			t.Errorf("%g Hz: noise %.2f dBFS, want %.2f dBFS", o.Band.NominalHz, o.NoiseDB, want)
		}
		if d := r.LevelDBFS - 3.01 + o.GainDB - o.NoiseDB - o.SNRDB; !(math.Abs(d) <= 0.1) {
			t.Errorf("%g Hz: S/N %.2f dB does not follow from level, gain and noise (%.2f dB)", o.Band.NominalHz, o.SNRDB, d)
		}
	}
	if want := r.LevelDBFS - 10 + peakMargin; !(math.Abs(r.PeakDBFS-want) <= 1.5) {
		t.Errorf("expected peak %.1f dBFS, want about %.1f dBFS", r.PeakDBFS, want)
	}
	for i := 1; i < len(r.Steps); i++ {
		if up := r.Steps[i].LevelDBFS - r.Steps[i-1].LevelDBFS; !(up > 0 && up <= StepDB+1e-9) {
			t.Errorf("step %d is %g dB louder than the one before", i+1, up)
		}
	}
	if first := r.Steps[0].LevelDBFS; first != DefaultStartDBFS {
		t.Errorf("the first step is at %g dBFS, want %d", first, DefaultStartDBFS)
	}
	if r.SPL != nil {
		t.Errorf("SPL %+v without a sensitivity", r.SPL)
	}
	if len(r.Warnings) != 0 {
		t.Errorf("warnings: %q", r.Warnings)
	}
}

// TestLongerSweepNeedsLess holds the law of the package comment: four times as
// long a sweep, or four times as many, and the level is 6 dB lower.
func TestLongerSweepNeedsLess(t *testing.T) {
	level := func(o sweep.ProgramOptions) float64 {
		p, err := sweep.NewProgram(o)
		if err != nil {
			t.Fatal(err)
		}
		r, err := Find(t.Context(), &wire{noiseDBFS: -60}, Options{Program: p}, nil)
		if err != nil {
			t.Fatal(err)
		}
		return r.LevelDBFS
	}
	once := level(sweep.ProgramOptions{Sweeps: 1})
	four := level(sweep.ProgramOptions{Sweeps: 4})
	long := level(sweep.ProgramOptions{Sweeps: 1, Sweep: sweep.Options{Seconds: 41}})
	const tol = 1.01 // levels come in whole decibels
	if d := once - four; !(math.Abs(d-6.02) <= tol) {
		t.Errorf("four sweeps need %.1f dB less than one, want 6 dB", d)
	}
	if d := once - long; !(math.Abs(d-6.02) <= tol) {
		t.Errorf("a sweep four times as long needs %.1f dB less, want 6 dB", d)
	}
}

// TestLimits holds every end of the search but the goal, and that nothing is ever
// played above it.
func TestLimits(t *testing.T) {
	for _, c := range []struct {
		name   string
		card   wire
		o      Options
		reason Reason
		check  func(r Result) string
	}{
		{"ceiling", wire{gainDB: always(-40), noiseDBFS: -60}, Options{}, ReasonCeiling, func(r Result) string {
			if r.LevelDBFS != sweep.DefaultCeilingDBFS || len(r.Warnings) == 0 {
				return fmt.Sprintf("level %g dBFS, warnings %q", r.LevelDBFS, r.Warnings)
			}
			return ""
		}},
		{"ceiling of half decibels", wire{gainDB: always(-40), noiseDBFS: -60}, Options{CeilingDBFS: -20.5}, ReasonCeiling, func(r Result) string {
			if r.LevelDBFS != -20.5 {
				return fmt.Sprintf("level %g dBFS, want -20.5", r.LevelDBFS)
			}
			return ""
		}},
		{"input", wire{gainDB: always(20), noiseDBFS: -30}, Options{}, ReasonInput, func(r Result) string {
			if !(r.PeakDBFS <= DefaultPeakDBFS+1) || r.LevelDBFS > -29 {
				return fmt.Sprintf("level %g dBFS, peak %g dBFS", r.LevelDBFS, r.PeakDBFS)
			}
			return ""
		}},
		{"sound pressure", wire{gainDB: always(-20), noiseDBFS: -60}, Options{Sensitivity: &Sensitivity{OffsetDB: 125}, LimitSPL: 80}, ReasonSPL, func(r Result) string {
			// 80 dB SPL are -45 dBFS, which 20 dB of loss makes of -25 dBFS.
			if r.SPL == nil || !(math.Abs(r.SPL.LevelDB-80) <= 1.2) || !(math.Abs(r.LevelDBFS+25) <= 1.2) {
				return fmt.Sprintf("level %g dBFS, SPL %+v", r.LevelDBFS, r.SPL)
			}
			return ""
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := Find(t.Context(), &c.card, c.o, nil)
			if err != nil {
				t.Fatal(err)
			}
			if r.Reason != c.reason {
				t.Errorf("reason %q (%s), want %q", r.Reason, r.Why, c.reason)
			}
			if bad := c.check(r); bad != "" {
				t.Error(bad)
			}
			for _, played := range c.card.levels {
				if played > r.LevelDBFS+0.1 {
					t.Errorf("%.1f dBFS was played, which is above the level found, %.1f dBFS", played, r.LevelDBFS)
				}
			}
		})
	}
}

// TestNothingHeard holds that a muted source is not stepped up to the ceiling.
func TestNothingHeard(t *testing.T) {
	for _, c := range []struct {
		name string
		card wire
		zero bool
	}{
		{"muted", wire{gainDB: always(-200), noiseDBFS: -60}, false},
		{"digital silence", wire{silent: true}, true},
		{"muted, and a burst on the way", wire{gainDB: always(-200), noiseDBFS: -60, burstAt: 4}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := Find(t.Context(), &c.card, Options{}, nil)
			var silent *SilentError
			if !errors.As(err, &silent) {
				t.Fatalf("%v, want a *SilentError", err)
			}
			if silent.Zero != c.zero || silent.Hint() == "" || r.LevelDBFS != 0 || r.Reason != ReasonFailed {
				t.Errorf("%+v (hint %q), result at %g dBFS", silent, silent.Hint(), r.LevelDBFS)
			}
			if c.card.highest-200 > SilentDBFS+0.1 {
				t.Errorf("%g dBFS was played into the dark, want at most %d", c.card.highest-200, SilentDBFS)
			}
			if len(r.Steps) == 0 {
				t.Error("the steps are lost")
			}
		})
	}
}

// TestPathThatChanges holds that nothing is stepped on whose gain does not stand.
func TestPathThatChanges(t *testing.T) {
	t.Run("turned up", func(t *testing.T) {
		for _, rise := range []float64{12, 25} {
			w := &wire{noiseDBFS: -50, gainDB: func(job int, _ float64) float64 {
				if job >= 4 {
					return -20 + rise
				}
				return -20
			}}
			r, err := Find(t.Context(), w, Options{}, nil)
			var jump *JumpError
			if !errors.As(err, &jump) {
				t.Errorf("%g dB: %v (%s at %g dBFS), want a *JumpError", rise, err, r.Reason, r.LevelDBFS)
			}
		}
	})
	t.Run("turned up when heard", func(t *testing.T) {
		w := &wire{noiseDBFS: -70, gainDB: func(job int, _ float64) float64 {
			if job >= 3 {
				return 5
			}
			return 0
		}}
		_, err := Find(t.Context(), w, Options{GoalDB: 70}, nil)
		var jump *JumpError
		if !errors.As(err, &jump) || !(math.Abs(jump.RiseDB-5) <= gainTolDB) {
			t.Errorf("%v, want a *JumpError of 5 dB", err)
		}
	})
	t.Run("automatic gain", func(t *testing.T) {
		w := &wire{noiseDBFS: -80, gainDB: func(_ int, played float64) float64 { return math.Min(0, -40-played) }}
		r, err := Find(t.Context(), w, Options{GoalDB: 70}, nil)
		if err != nil || r.Reason != ReasonStuck || len(r.Warnings) == 0 || r.LevelDBFS > -36 {
			t.Errorf("%v: %q at %g dBFS, warnings %q; want %q", err, r.Reason, r.LevelDBFS, r.Warnings, ReasonStuck)
		}
	})
	t.Run("a door that falls shut is no change", func(t *testing.T) {
		want, err := Find(t.Context(), &wire{gainDB: always(-10), noiseDBFS: -70}, Options{}, nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, at := range []int{1, 3, 4} {
			door := &wire{gainDB: always(-10), noiseDBFS: -70, burstAt: at}
			got, err := Find(t.Context(), door, Options{}, nil)
			if err != nil || math.Abs(got.LevelDBFS-want.LevelDBFS) > 2 {
				t.Errorf("burst in step %d: %v, %g dBFS (%s), want %g dBFS", at, err, got.LevelDBFS, got.Reason, want.LevelDBFS)
			}
		}
	})
}

// TestHiddenNoise holds that a silence which a gate has emptied is not taken for a
// room without noise, and that a loud room is told.
func TestHiddenNoise(t *testing.T) {
	gate := &gated{wire{gainDB: always(-10), noiseDBFS: -70}}
	r, err := Find(t.Context(), gate, Options{}, nil)
	if err != nil || r.LevelDBFS < -45 || len(r.Warnings) != 1 || !strings.Contains(r.Warnings[0], "gate") {
		t.Errorf("gate: %v, %g dBFS, warnings %q", err, r.LevelDBFS, r.Warnings)
	}
	r, err = Find(t.Context(), &wire{noiseDBFS: -35}, Options{}, nil)
	if err != nil || !strings.Contains(strings.Join(r.Warnings, " "), "Noise of") {
		t.Errorf("noise of -35 dBFS: %v, warnings %q", err, r.Warnings)
	}
}

// gated is a wire that delivers zeros where nothing is played.
type gated struct{ wire }

func (g *gated) PlayRecord(ctx context.Context, job capture.Job, progress func(capture.Progress)) (*capture.Recording, error) {
	g.silent = g.jobs == 0
	return g.wire.PlayRecord(ctx, job, progress)
}

// TestTooLoud holds that an input at full scale ends the search at once.
func TestTooLoud(t *testing.T) {
	w := &wire{gainDB: always(70), noiseDBFS: -60}
	r, err := Find(t.Context(), w, Options{}, nil)
	var loud *capture.LoudError
	if !errors.As(err, &loud) || errors.Is(err, context.Canceled) {
		t.Fatalf("%v, want a *capture.LoudError", err)
	}
	if w.highest-200 > DefaultStartDBFS+0.1 || r.LevelDBFS != 0 {
		t.Errorf("played up to %g dBFS, result %g dBFS", w.highest-200, r.LevelDBFS)
	}
}

// TestWeakOctaves holds that octaves which a source does not play raise nothing:
// the same level as through a wire, to which the noise is fitted.
func TestWeakOctaves(t *testing.T) {
	const crossHz = 500.0
	low := func(x []float32, rate float64) []float64 { // fourth order, twice a second-order low-pass
		y := make([]float64, len(x))
		for i, v := range x {
			y[i] = float64(v)
		}
		k := math.Exp(-2 * math.Pi * crossHz / rate)
		for range 4 {
			state := 0.0
			for i, v := range y {
				state = k*state + (1-k)*v
				y[i] = state
			}
		}
		return y
	}
	w := &wire{noiseDBFS: -60, filter: low}
	r, err := Find(t.Context(), w, Options{CeilingDBFS: -6}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if r.Reason != ReasonEnough || r.LevelDBFS > -15 {
		t.Errorf("%q at %g dBFS: %s", r.Reason, r.LevelDBFS, r.Why)
	}
	for _, o := range r.Octaves {
		if o.Band.NominalHz >= 4000 && o.State != Weak && o.State != Limit && o.State != Enough {
			t.Errorf("%g Hz: %s", o.Band.NominalHz, o.State)
		}
		if o.Band.NominalHz == 8000 && (o.Heard || o.State != Weak && o.State != Limit) {
			t.Errorf("8 kHz: %s, heard %v", o.State, o.Heard)
		}
	}
}

// TestBrokenRecordings holds that what cannot be worked with is refused.
func TestBrokenRecordings(t *testing.T) {
	var broken *RecordingError
	if _, err := Find(t.Context(), &wire{short: true, noiseDBFS: -60}, Options{}, nil); !errors.As(err, &broken) || broken.Hint() == "" {
		t.Errorf("half a recording: %v, want a *RecordingError", err)
	}
	if _, err := Find(t.Context(), &wire{noiseDBFS: math.NaN()}, Options{}, nil); err == nil {
		t.Error("NaN: no error")
	}
}

// TestOptionsRefused holds what cannot be asked for.
func TestOptionsRefused(t *testing.T) {
	for _, o := range []Options{
		{StartDBFS: -30}, {StartDBFS: -100}, {CeilingDBFS: -1}, {CeilingDBFS: -70}, {GoalDB: 5}, {GoalDB: 200}, {ResponseDB: 1},
		{PeakDBFS: -0.5}, {LimitSPL: math.NaN()}, {StartDBFS: math.Inf(-1)},
	} {
		w := &wire{}
		_, err := Find(t.Context(), w, o, nil)
		var bad *sweep.OptionError
		if !errors.As(err, &bad) || bad.Hint() == "" {
			t.Errorf("%+v: %v, want a *sweep.OptionError", o, err)
		}
		if w.jobs > 0 {
			t.Errorf("%+v: something was played", o)
		}
	}
}

// TestCancel holds that a search ends with its context, without a level.
func TestCancel(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	r, err := Find(ctx, &wire{noiseDBFS: -60}, Options{}, func(s Step) {
		if s.Number == 3 && !s.Done {
			cancel()
		}
	})
	if !errors.Is(err, context.Canceled) || r.LevelDBFS != 0 || len(r.Steps) != 2 {
		t.Errorf("%v, level %g dBFS, %d steps; want canceled and 2 steps", err, r.LevelDBFS, len(r.Steps))
	}
}

// TestProgress holds that steps are reported in order, each ending in Done once.
func TestProgress(t *testing.T) {
	var done []int
	live := 0
	r, err := Find(t.Context(), &wire{noiseDBFS: -60}, Options{}, func(s Step) {
		if s.Done {
			done = append(done, s.Number)
		} else {
			live++
			if s.Total <= 0 || s.Frames > s.Total {
				t.Errorf("%d of %d frames", s.Frames, s.Total)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(done) != len(r.Steps)+1 || done[0] != 0 || live < 10*len(done) {
		t.Errorf("done %v, %d live reports, %d steps", done, live, len(r.Steps))
	}
}

// TestModelRoom finds levels in the built-in room for all kinds of sources, and
// holds what is foretold against a measurement at that level.
func TestModelRoom(t *testing.T) {
	for _, c := range []struct {
		source   string
		channels []int
	}{{"left+sub", []int{0}}, {"sub", []int{3}}, {"tweeter", []int{2}}} {
		t.Run(c.source, func(t *testing.T) {
			limits := sweep.RangeFor(c.source)
			program := func(level float64) *sweep.Program {
				p, err := sweep.NewProgram(sweep.ProgramOptions{Sweeps: 1, Sweep: sweep.Options{StartHz: math.Max(20, limits.StartHz), StopHz: limits.StopHz, LevelDBFS: level}})
				if err != nil {
					t.Fatal(err)
				}
				return p
			}
			room, err := modelroom.Open(modelroom.Options{Seed: 3})
			if err != nil {
				t.Fatal(err)
			}
			r, err := Find(t.Context(), room, Options{Program: program(0), Channels: c.channels}, nil)
			if err != nil {
				t.Fatal(err)
			}
			if r.Reason != ReasonEnough || r.LevelDBFS > -20 || r.LevelDBFS < -55 {
				t.Errorf("%q at %g dBFS (%s)", r.Reason, r.LevelDBFS, r.Why)
			}
			p := program(r.LevelDBFS)
			rec, err := room.PlayRecord(t.Context(), capture.Job{SampleRate: 48000, Frames: p.Frames, Tracks: []capture.Track{{Channel: c.channels[0], Samples: p.Samples()}}}, nil)
			if err != nil {
				t.Fatal(err)
			}
			peak := 0.0
			for _, v := range rec.Samples {
				peak = math.Max(peak, math.Abs(float64(v)))
			}
			// Foretold is at least what comes, and not much more.
			if d := r.PeakDBFS - scale.AmplitudeDB(peak); !(d >= -0.5 && d <= 3) {
				t.Errorf("a peak of %.1f dBFS was expected, and %.1f dBFS came", r.PeakDBFS, scale.AmplitudeDB(peak))
			}
			var states []string
			for _, o := range r.Octaves {
				states = append(states, fmt.Sprintf("%g Hz %s %.0f dB", o.Band.NominalHz, o.State, o.ResponseDB))
			}
			t.Logf("%g dBFS, %s: %s", r.LevelDBFS, r.Why, strings.Join(states, ", "))
		})
	}
}
