package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"

	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/deconv/decay"
	"roomsonde/deconv/fourier"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// setup is what race.py is told. Frequencies are in Hz, times in seconds or in
// frames.
type setup struct {
	Recording     string      `json:"recording"`
	Impulse       string      `json:"impulse"`
	Rate          float64     `json:"rate"`
	StartHz       float64     `json:"start_hz"`
	StopHz        float64     `json:"stop_hz"`
	RateS         float64     `json:"rate_s"`
	Frames        int         `json:"frames"`
	FadeIn        int         `json:"fade_in"`
	FadeOut       int         `json:"fade_out"`
	Amplitude     float64     `json:"amplitude"`
	SweepStart    int         `json:"sweep_start"`
	Tail          int         `json:"tail"`
	ProgramFrames int         `json:"program_frames"`
	PreS          float64     `json:"pre_s"`
	KeepS         float64     `json:"keep_s"`
	MicHz         []float64   `json:"mic_hz"`
	MicDB         []float64   `json:"mic_db"`
	Smoothing     float64     `json:"smoothing"`
	Bands         []setupBand `json:"bands"`
	FullRate      bool        `json:"full_rate"`
}

type setupBand struct {
	Mid   float64 `json:"mid"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
	Width int     `json:"width"`
}

// sciPy is the other side: a process that answers line by line.
type sciPy struct {
	in    io.WriteCloser
	out   *bufio.Reader
	child *exec.Cmd
}

// startSciPy starts the other side and waits until it has warmed up.
func startSciPy(ctx context.Context, in *input, folder string, fullRate bool, stderr io.Writer) (*sciPy, error) {
	python, err := interpreter(ctx)
	if err != nil {
		return nil, err
	}
	program, err := script(ctx)
	if err != nil {
		return nil, err
	}
	p, s := in.program, in.program.Sweep
	told := setup{
		Recording: in.recording, Impulse: filepath.Join(folder, "theirs.wav"),
		Rate: s.SampleRate, StartHz: s.StartHz, StopHz: s.StopHz, RateS: s.RateS,
		Frames: s.Frames, FadeIn: s.FadeIn, FadeOut: s.FadeOut, Amplitude: s.Amplitude(),
		SweepStart: p.Starts(sweep.KindSweep)[0], Tail: p.Tail(), ProgramFrames: p.Frames,
		// The defaults of deconv.Options for a program.
		PreS: math.Min(0.5, 0.8*s.HarmonicAdvance(2)), KeepS: p.Options.TailS,
		MicHz: in.microphone.Hz, MicDB: in.microphone.DB, Smoothing: smoothing, FullRate: fullRate,
	}
	for _, w := range []scale.Width{scale.Octave, scale.Third} {
		for _, b := range scale.Bands(w, 31.5, 8000) {
			told.Bands = append(told.Bands, setupBand{b.MidHz, b.LowHz, b.HighHz, int(w)})
		}
	}
	text, err := json.Marshal(told)
	if err != nil {
		return nil, err
	}
	name := filepath.Join(folder, "setup.json")
	if err := os.WriteFile(name, text, 0o600); err != nil {
		return nil, err
	}
	c := exec.CommandContext(ctx, python, program, name)
	c.Stderr = stderr
	toChild, err := c.StdinPipe()
	if err != nil {
		return nil, err
	}
	fromChild, err := c.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := c.Start(); err != nil {
		return nil, err
	}
	t := &sciPy{toChild, bufio.NewReaderSize(fromChild, 1<<20), c}
	if line, err := t.out.ReadString('\n'); err != nil || strings.TrimSpace(line) != "ready" {
		t.close()
		return nil, fmt.Errorf("the other side did not start (%q, %v)", line, err)
	}
	return t, nil
}

func (t *sciPy) close() {
	t.in.Close()
	t.child.Wait()
}

func (t *sciPy) ask(question string, answer any) error {
	if _, err := io.WriteString(t.in, question+"\n"); err != nil {
		return fmt.Errorf("the other side has ended: %w", err)
	}
	line, err := t.out.ReadBytes('\n')
	if err != nil {
		return fmt.Errorf("the other side has ended: %w", err)
	}
	return json.Unmarshal(line, answer)
}

// run has the chain run once and returns seconds by stage.
func (t *sciPy) run() (map[string]float64, error) {
	took := map[string]float64{}
	if err := t.ask("run", &took); err != nil {
		return nil, err
	}
	for _, name := range append([]string{"total"}, stages...) {
		if !(took[name] > 0) {
			return nil, fmt.Errorf("the other side gave no time for %q", name)
		}
	}
	return took, nil
}

// theirResults is what the other side worked out.
type theirResults struct {
	DB       []float64    `json:"db"`
	NoiseDB  []float64    `json:"noise_db"`
	Degrees  []float64    `json:"degrees"`
	Impulse  []float64    `json:"impulse"`
	Readable []float64    `json:"readable"`
	Bands    []theirDecay `json:"bands"`
}

type theirDecay struct {
	Mid   float64 `json:"mid"`
	Width int     `json:"width"`
	EDT   *struct {
		S float64 `json:"s"`
	} `json:"edt"`
	T20 *struct {
		S float64 `json:"s"`
	} `json:"t20"`
	T30 *struct {
		S float64 `json:"s"`
	} `json:"t30"`
	C80 *float64 `json:"c80"`
}

// results asks for the results of the last run, the response at our
// frequencies and through a transform as long as ours: smoothing over few bins
// depends on where the bins lie.
func (t *sciPy) results(o *ours) (*theirResults, error) {
	at := make([]string, len(o.hz))
	for i, hz := range o.hz {
		at[i] = strconv.FormatFloat(hz, 'g', -1, 64)
	}
	r := &theirResults{}
	err := t.ask(fmt.Sprintf("results %d %s", o.transform, strings.Join(at, ",")), r)
	if err == nil && (len(r.DB) != len(o.hz) || len(r.Degrees) != len(o.hz) || len(r.NoiseDB) != len(o.hz) || len(r.Impulse) != len(o.impulse.Samples)) {
		err = fmt.Errorf("the other side answered with %d points and %d samples, not %d and %d", len(r.DB), len(r.Impulse), len(o.hz), len(o.impulse.Samples))
	}
	return r, err
}

// sameAs holds the stages' results against the program's own.
func (o *ours) sameAs(m *measurement.Measurement) error {
	for _, c := range []struct {
		what   string
		stages any
		whole  any
	}{
		{"impulse response", o.impulse, m.Impulse},
		{"frequencies", o.hz, m.Hz},
		{"magnitude", o.db, m.MagnitudeDB},
		{"phase", o.degrees, m.PhaseDegrees},
		{"noise", o.noiseDB, m.NoiseDB},
		{"uncertainty", o.errorDB, m.UncertaintyDB},
		{"readable band", o.readable, m.Readable},
		{"decay", o.bands, m.Decay},
		{"distortion", o.distortion, m.Distortion},
	} {
		if !reflect.DeepEqual(c.stages, c.whole) {
			return fmt.Errorf("the %s differs", c.what)
		}
	}
	return nil
}

// agreement is one comparison of the two sides' results.
type agreement struct {
	What, Found string
	OK          bool
}

// Bounds of the comparison: those of the README's table. ISO 3382-1 gives 5 %
// as the just noticeable difference of the EDT.
const (
	responseDB = 0.02
	noiseDB    = 0.1
	phaseDeg   = 0.2
	impulseDB  = -80
	decayShare = 0.02
	edtShare   = 0.05
	bandShare  = 0.03 // of the readable band's ends: they lie on a grid of 1/24 octave
	leastBands = 10
)

// agree compares what both sides found.
func agree(o *ours, t *theirResults) []agreement {
	var all []agreement
	add := func(ok bool, what, format string, args ...any) {
		all = append(all, agreement{what, fmt.Sprintf(format, args...), ok})
	}
	var worst, at, noise, turn float64
	points := 0
	for i, hz := range o.hz {
		if !o.readable.Contains(hz) {
			continue
		}
		points++
		noise = larger(noise, math.Abs(o.noiseDB[i]-t.NoiseDB[i]))
		if d := math.Abs(o.db[i] - t.DB[i]); !(d <= worst) {
			worst, at = d, hz
		}
		turn = larger(turn, math.Abs(math.Remainder(o.degrees[i]-t.Degrees[i], 360)))
	}
	add(points > 0 && worst <= responseDB, "response, dB", "within %.4f dB at %d readable points (worst at %.0f Hz; bound %g)", worst, points, at, responseDB)
	add(turn <= phaseDeg, "phase", "within %.3f degrees there (bound %g)", turn, phaseDeg)
	add(noise <= noiseDB, "noise under it", "within %.3f dB (bound %g)", noise, noiseDB)
	e := impulseError(o, t)
	add(e <= impulseDB, "impulse response", "difference %.0f dB in the readable band (bound %d)", e, impulseDB)
	ok := o.readable.OK && len(t.Readable) == 2 &&
		math.Abs(t.Readable[0]/o.readable.FromHz-1) <= bandShare && math.Abs(t.Readable[1]/o.readable.ToHz-1) <= bandShare
	add(ok, "readable band", "%.1f to %.0f Hz, SciPy's %.1f", o.readable.FromHz, o.readable.ToHz, t.Readable)

	compare := func(name string, bound float64, value func(decay.Band) decay.Value, theirs func(theirDecay) (float64, bool)) {
		var worst, mid float64
		compared, lost := 0, 0
		for _, b := range o.bands {
			v := value(b)
			if !v.OK {
				continue
			}
			found := false
			for _, x := range t.Bands {
				if x.Width != int(b.Width) || math.Abs(x.Mid/b.MidHz-1) > 1e-9 {
					continue
				}
				if s, ok := theirs(x); ok {
					found = true
					compared++
					if d := math.Abs(s/v.Seconds - 1); !(d <= worst) {
						worst, mid = d, b.NominalHz
					}
				}
			}
			if !found {
				lost++
			}
		}
		add(compared >= leastBands && lost == 0 && worst <= bound, name, "within %.2f %% in the %d of %d bands not refused (worst at %g Hz; bound %g %%)",
			100*worst, compared, len(o.bands), mid, 100*bound)
	}
	compare("EDT", edtShare, func(b decay.Band) decay.Value { return b.EDT }, func(x theirDecay) (float64, bool) {
		if x.EDT == nil {
			return 0, false
		}
		return x.EDT.S, true
	})
	compare("T20", decayShare, func(b decay.Band) decay.Value { return b.T20 }, func(x theirDecay) (float64, bool) {
		if x.T20 == nil {
			return 0, false
		}
		return x.T20.S, true
	})
	compare("T30", decayShare, func(b decay.Band) decay.Value { return b.T30 }, func(x theirDecay) (float64, bool) {
		if x.T30 == nil {
			return 0, false
		}
		return x.T30.S, true
	})
	return all
}

// larger is max, but NaN wins, so that it cannot pass a comparison.
func larger(a, b float64) float64 { return math.Max(a, b) }

// impulseError returns the energy of the difference of the two impulse responses
// in the readable band, in dB re that of ours there. Outside the sweep's range
// a response is continued as seems best, and nothing was measured.
func impulseError(o *ours, t *theirResults) float64 {
	n := len(o.impulse.Samples)
	plan := fourier.NewReal(n)
	own := plan.Coefficients(nil, o.impulse.Samples)
	theirs := plan.Coefficients(nil, t.Impulse)
	var off, energy float64
	for k := range own {
		if !o.readable.Contains(float64(k) * o.impulse.SampleRate / float64(n)) {
			continue
		}
		d := own[k] - theirs[k]
		off += real(d)*real(d) + imag(d)*imag(d)
		energy += real(own[k])*real(own[k]) + imag(own[k])*imag(own[k])
	}
	return scale.PowerDB(off / energy)
}
