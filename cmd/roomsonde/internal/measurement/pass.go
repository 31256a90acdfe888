package measurement

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"roomsonde/capture/inspect"
	"roomsonde/deconv"
	"roomsonde/deconv/clock"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// Pass is one recording of what was played.
type Pass struct {
	Recording []float32
	Others    [][]float32 // the device's other inputs, where they were recorded along
	// Overflows and Underflows are the lost buffers that the driver reported.
	Overflows, Underflows int
	// StalledS is by how many seconds the recording took longer by the clock on
	// the wall than it lasts.
	StalledS float64
}

// Examined is what one pass says by itself.
type Examined struct {
	Timing *clock.Timing // nil where the program was not found, or is none of ours
	Report *inspect.Report
	Result *deconv.Result
	Err    error // why there is no Result
	// Speed is the ratio by which the recording was played too slowly (above 1)
	// or too fast, as a wrong sample rate does; it is put right. 1 otherwise.
	Speed float64
}

// Lost reports whether the pass lost, repeated or zeroed frames: what another
// pass can be expected not to have.
func (e *Examined) Lost() bool {
	return e.Report != nil && slices.ContainsFunc(e.Report.Findings, func(f inspect.Finding) bool {
		return f.Fault && dropout(f.Kind)
	})
}

// LostWhat says in a sentence what the pass lost.
func (e *Examined) LostWhat() string {
	for _, f := range e.Report.Findings {
		if f.Fault && dropout(f.Kind) {
			return f.What
		}
	}
	return ""
}

// dropout reports whether a kind of finding means frames that are not as they
// arrived: an accident, which another recording need not have.
func dropout(k inspect.Kind) bool {
	switch k {
	case inspect.LostFrames, inspect.ExtraFrames, inspect.ZeroFilled, inspect.Repeated, inspect.MarkDamaged, inspect.DriverReport:
		return true
	}
	return false
}

// usable reports whether any sweep of the pass may be averaged with others.
func (e *Examined) usable() bool {
	return e.Err == nil && (len(e.Report.Whole) == 0 || slices.Contains(e.Report.Whole, true))
}

// Examine looks one pass over and takes it to an impulse response. Its error is
// ctx's, or that of a recording that is no recording of what was played at all
// (a *deconv.RateError or *deconv.SampleError); what else goes wrong with the
// pass is in Err.
func Examine(ctx context.Context, in Input, pass Pass, o Options) (*Examined, error) {
	e := &Examined{Speed: 1}
	rec := pass.Recording
	how := deconv.Options{Aligned: in.Aligned, KeepS: o.KeepS}
	if err := e.find(ctx, in, &rec, how); err != nil {
		return nil, err
	}

	// While the recording is inspected it is deconvolved as if nothing were wrong
	// with it; only where something is, that is done again.
	how.Aligned, how.Timing = in.Aligned && e.Speed == 1, e.Timing
	var wg sync.WaitGroup
	var inspectErr error
	wg.Go(func() {
		e.Report, inspectErr = look(ctx, in, pass, rec, e)
	})
	if e.Result == nil {
		e.Result, e.Err = deconvolve(ctx, in, rec, how)
	}
	wg.Wait()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if inspectErr != nil {
		return nil, inspectErr
	}
	if p := in.Program; p != nil && p.Options.Sweeps == 1 {
		// What is missing of a single sweep shows in the result, and is told there.
		e.Report.Findings = slices.DeleteFunc(e.Report.Findings, func(f inspect.Finding) bool { return f.Kind == inspect.CutOff })
	}
	if pass.StalledS > mostStallS {
		// First: most of what else was found comes from it.
		e.Report.Findings = slices.Insert(e.Report.Findings, 0, inspect.Finding{Kind: inspect.DriverReport, Fault: true, Amount: pass.StalledS, Unit: "s",
			What:   fmt.Sprintf("Recording took %.1f s longer than it lasts: the machine was suspended, or the device or its sound server stood still.", pass.StalledS),
			Effect: "Parts of the program may be missing.",
			Remedy: "Keep the machine awake and measure again."})
	}
	var rates *deconv.RateError
	var sample *deconv.SampleError
	if errors.As(e.Err, &rates) || errors.As(e.Err, &sample) {
		return nil, e.Err
	}
	if e.Err != nil || in.Program == nil {
		return e, nil
	}
	var again bool
	if in.Program.Options.Sweeps == 1 && e.Timing != nil && e.Timing.Known && slices.ContainsFunc(e.Report.Findings, func(f inspect.Finding) bool {
		return f.Kind == inspect.LostFrames || f.Kind == inspect.ExtraFrames
	}) {
		// Between two marks lost frames look like a skew: it is not to be put right.
		doubted := *e.Timing
		doubted.Known, doubted.Skew, doubted.SkewStdErr = false, 0, 0
		e.Timing, how.Timing = &doubted, &doubted
		again = true
	}
	if slices.Contains(e.Report.Whole, true) {
		for _, whole := range e.Report.Whole {
			how.Skip = append(how.Skip, !whole)
			again = again || !whole
		}
	}
	for _, b := range e.Report.Bursts {
		how.Replace = append(how.Replace, deconv.Stretch(b))
		again = true
	}
	if again {
		if e.Result, e.Err = deconvolve(ctx, in, rec, how); ctx.Err() != nil {
			return nil, ctx.Err()
		}
	}
	if e.Err == nil {
		if top := 0.45 * in.SampleRate; in.SampleRate < in.Program.Sweep.SampleRate && top < e.Result.ToHz {
			e.Result.ToHz = top // above it nothing was recorded
		}
	}
	return e, nil
}

// find finds the program in the recording, which it brings to the program's rate
// and speed. A single sweep without marks is found by its impulse response, which
// then is there already.
func (e *Examined) find(ctx context.Context, in Input, rec *[]float32, how deconv.Options) (err error) {
	p := in.Program
	if p == nil {
		return nil
	}
	if *rec, err = toRate(in, *rec); err != nil {
		return err
	}
	if starts := p.Starts(sweep.KindSweep); in.Aligned && !p.Options.Marks && len(starts) == 1 {
		if result, err := deconv.Recover(ctx, *rec, p, how); err == nil {
			origin := float64(result.ArrivalFrame - starts[0])
			// Anywhere else it may be noise that was taken for the sweep.
			if late := origin / p.Sweep.SampleRate; late >= 0 && late < 1 {
				e.Result, e.Timing = result, &clock.Timing{Origin: origin}
				return nil
			}
		}
	}
	e.Timing, err = clock.Locate(ctx, *rec, p, clock.Options{Aligned: in.Aligned})
	if err := ctx.Err(); err != nil {
		return err
	}
	if astray := err == nil && evenly(e.Timing); err != nil || astray || p.Options.Marks && !e.Timing.Known {
		// A wrong sample rate spoils both marks and sweep.
		speed, speedErr := 1.0, error(nil)
		if astray {
			speed = speedOf(e.Timing)
		} else {
			speed, speedErr = clock.Speed(ctx, *rec, p)
		}
		if speedErr == nil && speed != 1 {
			*rec = clock.Resample(*rec, speed)
			e.Speed = speed
			e.Timing, err = clock.Locate(ctx, *rec, p, clock.Options{})
		}
	}
	if err != nil {
		e.Timing = nil
	}
	return nil
}

// evenly reports whether all stretches between marks are off by the same share:
// then nothing was lost, and one of the two devices runs fast or slow by more than
// a clock does.
func evenly(t *clock.Timing) bool {
	if len(t.Jumps) < 2 || len(t.Jumps) != len(t.Marks)-1 {
		return false
	}
	share := func(j clock.Jump) float64 { return j.Frames / float64(j.To-j.From) }
	first := share(t.Jumps[0])
	for _, j := range t.Jumps[1:] {
		if math.Abs(share(j)-first) > math.Max(0.01*math.Abs(first), 3*j.StdErr/float64(j.To-j.From)) {
			return false
		}
	}
	return true
}

// speedOf returns by how many times its length a program that is evenly off came
// back.
func speedOf(t *clock.Timing) float64 {
	first, last := -1, -1
	for i, m := range t.Marks {
		if m.Found {
			if first < 0 {
				first = i
			}
			last = i
		}
	}
	if last <= first {
		return 1
	}
	a, b := t.Marks[first], t.Marks[last]
	return (b.At - a.At) / float64(b.Segment.Start-a.Segment.Start)
}

// mostStallS is an unevenness of a path that is none of the machine's.
const mostStallS = 1

// mixedUp are sample rates that get mixed up: played at the first, recorded at the
// second.
var mixedUp = [][2]float64{{44100, 48000}, {48000, 44100}, {48000, 96000}, {96000, 48000}, {48000, 32000}, {32000, 48000}, {44100, 96000}, {96000, 44100}}

// wrongSpeed is the finding that a program came back at so many times its length,
// and was brought back.
func wrongSpeed(ratio float64) inspect.Finding {
	how := "short: the player runs fast, or the recorder slow"
	if ratio > 1 {
		how = "long: the player runs slow, or the recorder fast"
	}
	what := fmt.Sprintf("The program comes back %.2g %% too %s, by far more than clocks differ.", 100*math.Abs(ratio-1), how)
	for _, rates := range mixedUp {
		if math.Abs(ratio*rates[0]/rates[1]-1) < 0.002 {
			what = fmt.Sprintf("The program comes back at %.3g times its length: as if a file of one sample rate had been played or recorded at another, %g instead of %g Hz.", ratio, rates[0], rates[1])
		}
	}
	return inspect.Finding{Kind: inspect.WrongSpeed, Fault: true, Amount: ratio, What: what,
		Effect: "It was brought back to its speed, and what follows was worked out from that.",
		Remedy: "Set player, recorder and file to the same sample rate, and measure again."}
}

// look inspects a pass, rec being its recording at the program's rate and speed. Single samples are looked at as they were
// recorded.
func look(ctx context.Context, in Input, pass Pass, rec []float32, e *Examined) (*inspect.Report, error) {
	raw := inspect.Input{Recording: pass.Recording, SampleRate: in.SampleRate, Overflows: pass.Overflows, Underflows: pass.Underflows}
	if in.Program == nil {
		return inspect.Take(ctx, raw)
	}
	timed := inspect.Input{Recording: rec, SampleRate: in.Program.Sweep.SampleRate, Program: in.Program, Timing: e.Timing,
		Aligned: in.Aligned && e.Speed == 1, HistorySkew: in.HistorySkew}
	if in.SampleRate == timed.SampleRate && e.Speed == 1 {
		timed.Overflows, timed.Underflows, timed.Others = raw.Overflows, raw.Underflows, pass.Others
		return inspect.Take(ctx, timed)
	}
	var reports []*inspect.Report
	known := map[inspect.Kind]bool{}
	var findings []inspect.Finding
	if e.Speed != 1 {
		findings = append(findings, wrongSpeed(e.Speed))
	}
	for _, of := range []inspect.Input{raw, timed} {
		report, err := inspect.Take(ctx, of)
		if err != nil {
			return nil, err
		}
		reports = append(reports, report)
		own := map[inspect.Kind]bool{}
		for _, f := range report.Findings {
			single := f.Kind == inspect.Clipping || f.Kind == inspect.ZeroFilled || f.Kind == inspect.Repeated || f.Kind == inspect.DriverReport || f.Kind == inspect.Silence
			if known[f.Kind] || of.Program == nil && !single {
				continue
			}
			findings = append(findings, f)
			own[f.Kind] = true
		}
		for kind := range own {
			known[kind] = true
		}
	}
	reports[1].Findings = findings
	return reports[1], nil
}

// toRate brings a recording to the rate of the program, where that is asked for.
func toRate(in Input, rec []float32) ([]float32, error) {
	played := in.Program.Sweep.SampleRate
	if played == in.SampleRate {
		return rec, nil
	}
	if !in.AnyRate || !in.Program.Options.Marks {
		// Without marks nothing would tell a sweep of another length.
		return nil, &deconv.RateError{RecordingHz: in.SampleRate, ExcitationHz: played}
	}
	return clock.Resample(rec, in.SampleRate/played), nil
}

// deconvolve takes a recording to an impulse response.
func deconvolve(ctx context.Context, in Input, rec []float32, how deconv.Options) (*deconv.Result, error) {
	if in.Program == nil {
		return deconv.Divide(ctx, rec, in.Excitation, in.SampleRate, how)
	}
	res, err := deconv.Recover(ctx, rec, in.Program, how)
	var missed *deconv.NotFoundError
	if errors.As(err, &missed) && missed.Early {
		// Sound that is early was not sent through the room, but it can be worked
		// out like any other; inspection says what it is.
		how.Aligned = false
		return deconv.Recover(ctx, rec, in.Program, how)
	}
	return res, err
}

// combined is what several passes say together.
type combined struct {
	*deconv.Result
	findings []Finding
	remarks  []string
	passes   []PassNote
	gainDB   float64
}

// PassNote says of one pass whether it was used, and why not.
type PassNote struct {
	Used bool
	Why  string
}

// combine averages the passes that are whole. Where none is, the best one is
// taken, and its faults stand.
func combine(in Input, passes []*Examined) (*combined, error) {
	c := &combined{passes: make([]PassNote, len(passes))}
	var used []int
	for i, e := range passes {
		if e.usable() && !e.Lost() {
			used = append(used, i)
		}
	}
	if len(used) == 0 {
		best := slices.IndexFunc(passes, (*Examined).usable)
		if best < 0 {
			best = slices.IndexFunc(passes, func(e *Examined) bool { return e.Err == nil })
		}
		if best < 0 {
			return nil, &NothingError{Err: passes[0].Err, Findings: reasons(passes[0])}
		}
		used = []int{best}
		if len(passes) > 1 {
			c.remarks = append(c.remarks, fmt.Sprintf("None of the %d recordings is whole. What is said here was worked out from recording %d, and is not to be trusted.", len(passes), best+1))
		}
	}
	results := make([]*deconv.Result, len(used))
	for i, at := range used {
		results[i] = passes[at].Result
	}
	c.Result = results[0]
	outlier := map[int]bool{}
	counted, measured := 0, ""
	if len(results) > 1 {
		averaged, report, err := deconv.Average(results)
		if err != nil {
			return nil, err
		}
		c.Result, c.gainDB = averaged, report.PredictedDB
		c.Timing, c.SkewCorrected = results[0].Timing, results[0].SkewCorrected
		if report.Measured {
			measured = fmt.Sprintf(" (measured: %.1f dB)", report.MeasuredDB)
		}
		for i, at := range used {
			outlier[at] = !report.Used[i]
		}
	}

	for i, e := range passes {
		note := &c.passes[i]
		switch {
		case outlier[i]:
			note.Why = "it differs from the others by far more than they do among themselves"
		case slices.Contains(used, i):
			note.Used = true
			counted++
			c.findings = append(c.findings, findingsOf(e, i, len(passes))...)
			c.remarks = append(c.remarks, remarksOf(e)...)
		case e.Err != nil:
			note.Why = e.Err.Error()
		default:
			note.Why = whyNot(e)
		}
		if !note.Used {
			c.remarks = append(c.remarks, fmt.Sprintf("Recording %d of %d was left out: %s.", i+1, len(passes), note.Why))
		}
	}
	if counted > 1 {
		c.remarks = append(c.remarks, fmt.Sprintf("%d recordings were averaged: %.1f dB more signal over noise than one alone, by their number%s.", counted, c.gainDB, measured))
	}
	return c, nil
}

// whyNot returns what a pass is left out for.
func whyNot(e *Examined) string {
	if what := e.LostWhat(); what != "" {
		return lowered(what)
	}
	return "no sweep in it is whole"
}

// findingsOf returns what inspection found in pass i of n.
func findingsOf(e *Examined, i, n int) []Finding {
	var out []Finding
	if e.Report == nil {
		return nil
	}
	for _, f := range e.Report.Findings {
		if ofTheMethod(f) {
			continue
		}
		text := f.Text()
		if n > 1 {
			text = fmt.Sprintf("Recording %d: %s", i+1, text)
		}
		out = append(out, Finding{Kind: string(f.Kind), Text: text, Fault: f.Fault,
			FromS: f.FromS, ToS: f.ToS, FromHz: f.FromHz, ToHz: f.ToHz, Amount: f.Amount, Unit: f.Unit})
	}
	return out
}

// reasons returns what inspection found that can explain why a pass gave no
// result: what it says of frames goes by marks that were hardly found.
func reasons(e *Examined) []Finding {
	return slices.DeleteFunc(findingsOf(e, 0, 1), func(f Finding) bool {
		switch inspect.Kind(f.Kind) {
		case inspect.Silence, inspect.WrongChannel, inspect.WrongSpeed, inspect.EarlySound, inspect.Clipping:
			return false
		}
		return true
	})
}

// ofTheMethod reports whether a finding speaks of how it was measured, and of
// nothing that went wrong.
func ofTheMethod(f inspect.Finding) bool {
	return !f.Fault && (f.Kind == inspect.Clocks || f.Kind == inspect.QuickForm)
}

// remarksOf returns what inspection has to say of how a pass was measured. Clocks
// that are not known are the caller's: it knows whether there are two.
func remarksOf(e *Examined) []string {
	var out []string
	for _, f := range e.Report.Findings {
		if ofTheMethod(f) && (f.Kind != inspect.Clocks || e.Timing != nil && e.Timing.Known) {
			out = append(out, f.Text())
		}
	}
	return out
}

// NothingError says that no pass gave a result, with what inspection found.
type NothingError struct {
	Err      error
	Findings []Finding
}

func (e *NothingError) Error() string { return e.Err.Error() }
func (e *NothingError) Unwrap() error { return e.Err }

// peakDBFS returns the highest peak of several passes.
func peakDBFS(passes []Pass) float64 {
	var low, high float32 // plain comparisons: max, which minds NaN, takes five times as long
	for _, p := range passes {
		for _, v := range p.Recording {
			if v > high {
				high = v
			}
			if v < low {
				low = v
			}
		}
	}
	return scale.AmplitudeDB(float64(max(high, -low)))
}

// lowered returns a sentence as it goes on after a colon.
func lowered(s string) string {
	s = strings.TrimSuffix(s, ".")
	first, size := utf8.DecodeRuneInString(s)
	return string(unicode.ToLower(first)) + s[size:]
}
