package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"github.com/vbauerster/cupwriter"
	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"

	"roomsonde/capture"
	"roomsonde/capture/wav"
	"roomsonde/capture/wav/atomicfile"
	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv/response"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// sweepFlags describe what is played.
type sweepFlags struct {
	from, to, duration, rate, level, ceiling, tail float64
	kind                                           string
	sweeps                                         int
}

func (f *sweepFlags) add(flags *pflag.FlagSet) {
	flags.Var(frequency(&f.from), "from", "first frequency of the sweep (default: 5 Hz, or as --range says)")
	flags.Var(frequency(&f.to), "to", "last frequency of the sweep (default: 24 kHz or half the rate, or as --range says)")
	flags.Var(seconds(&f.duration), "duration", "about how long the sweep lasts (default: 10 s)")
	flags.Var(seconds(&f.tail), "tail", "silence after the sweep, and how much of the response is kept; longer than the room rings (default: 2 s)")
	flags.Var(frequency(&f.rate), "rate", "sample rate (default: the device's own)")
	flags.Var(level(&f.level), "level", "peak level of the sweep (default: -30)")
	flags.Var(level(&f.ceiling), "ceiling", "highest level allowed; raise it only after a quiet take has shown that there is room (default: -12)")
	flags.StringVar(&f.kind, "range", "", "what the source may be given, `NAME` being full, sub or tweeter (default: from --source and --channel)")
	flags.IntVar(&f.sweeps, "sweeps", 1, "how many sweeps are played and averaged, `N` from 1 to 8")
}

// program lays out the program for a source on channels (their names joined by
// +) at a rate, and says in words what was limited for the source's sake.
func (f *sweepFlags) program(source, channels string, rate float64) (*sweep.Program, string, error) {
	if f.sweeps < 1 {
		return nil, "", usage("ask for 1 to 8", "a program of %d sweeps cannot be had", f.sweeps)
	}
	limits, from := sweep.RangeFor(source), "source's name"
	if limits.Name == "full" && strings.EqualFold(strings.TrimSpace(channels), "LFE") {
		limits, from = sweep.RangeFor("LFE"), "channel"
	}
	said := ""
	if f.kind != "" {
		found := false
		var names []string
		for _, r := range sweep.Ranges() {
			names = append(names, r.Name)
			if r.Name == f.kind {
				limits, found = r, true
			}
		}
		if !found {
			return nil, "", usage("use "+strings.Join(names, ", "), "there is no range %q", f.kind)
		}
	} else if limits.Name != "full" {
		said = limits.Why + " (from the " + from + "; --range full lifts the limit)"
	}
	o := sweep.Options{StartHz: limits.StartHz, StopHz: limits.StopHz, SampleRate: rate, Seconds: f.duration, LevelDBFS: f.level, CeilingDBFS: f.ceiling}
	if f.from != 0 {
		o.StartHz = f.from
	}
	if f.to != 0 {
		o.StopHz = f.to
	}
	if f.level == 0 && f.ceiling != 0 && f.ceiling > sweep.DefaultCeilingDBFS {
		said = strings.TrimPrefix(said+"; the ceiling is raised, the level is not: --level sets it", "; ")
	}
	p, err := sweep.NewProgram(sweep.ProgramOptions{Sweep: o, Sweeps: f.sweeps, TailS: f.tail})
	return p, said, err
}

// otherLength says where a sweep lasts much longer or shorter than asked for: it
// must begin with whole cycles of its first frequency.
func (f *sweepFlags) otherLength(p *sweep.Program) string {
	asked := f.duration
	if asked == 0 || math.Abs(p.Sweep.Seconds/asked-1) <= 0.2 {
		return ""
	}
	return fmt.Sprintf("not %g s: a sweep comes in steps of %.1f s from %s on; a higher --from makes them finer", asked, p.Sweep.Seconds/math.Round(p.Sweep.StartHz*p.Sweep.RateS), chart.Hz(p.Sweep.StartHz))
}

// readFlags say how a recording is read and shown.
type readFlags struct {
	lowPass, window, cycles, smoothing float64
	json, thirds                       bool
	drawings, format                   string
}

func (f *readFlags) add(flags *pflag.FlagSet) {
	flags.Var(frequency(&f.lowPass), "low-pass", "crossover frequency that the source passes: it is read up to half an octave above")
	flags.Var(seconds(&f.window), "window", "length of the response that is looked at, in s or ms (default: all that is kept)")
	flags.Var(cycles(&f.cycles), "cycles", "let the window shrink with frequency to so many cycles")
	flags.Var(smoothing{&f.smoothing}, "smoothing", "smooth the response over a part of an octave, as 1/12 (default: none; drawings 1/24)")
	flags.BoolVar(&f.thirds, "thirds", false, "list the decay in one-third-octave bands")
	flags.BoolVar(&f.json, "json", false, "print one JSON object instead of text")
	flags.StringVar(&f.drawings, "drawings", "", "write drawings into `FOLDER`")
	flags.StringVar(&f.format, "format", "png", "`FORMAT` of drawings: png or svg")
}

// check looks at what can be wrong before anything is played.
func (f *readFlags) check() error {
	if _, err := chart.FormatOf("x." + f.format); err != nil {
		return usage("use png or svg", "there is no drawing format %q", f.format)
	}
	return nil
}

// makeFolder makes the folder for drawings, once all else is known to be good
// and before anything is played.
func (f *readFlags) makeFolder() error {
	if f.drawings == "" {
		return nil
	}
	if err := os.MkdirAll(f.drawings, 0o777); err != nil {
		return &atomicfile.Error{Path: f.drawings, Err: err}
	}
	return nil
}

// changed returns the name of the first option given that describes a sweep.
func (f *sweepFlags) changed(flags *pflag.FlagSet) string {
	for _, name := range []string{"from", "to", "duration", "tail", "rate", "level", "ceiling", "range", "sweeps"} {
		if flags.Changed(name) {
			return name
		}
	}
	return ""
}

// check refuses what would spoil listings.
func (f *takeFlags) check() error {
	for name, text := range map[string]string{"source": f.source, "seat": f.seat, "note": f.note} {
		if strings.ContainsFunc(text, unicode.IsControl) || !utf8.ValidString(text) {
			return usage("write it in one line of plain text", "--%s holds control characters", name)
		}
		if most := 500; utf8.RuneCountInString(text) > most {
			return usage("shorten it", "--%s is longer than %d characters", name, most)
		}
	}
	return nil
}

func (f *readFlags) options(mic *microphone) measurement.Options {
	o := measurement.Options{LowPassHz: f.lowPass, Smoothing: f.smoothing, Window: response.Window{LengthS: f.window, Cycles: f.cycles}}
	if mic != nil {
		o.Microphone, o.Phase = mic.Microphone, mic.phase
	}
	return o
}

// takeFlags say what a take is of.
type takeFlags struct{ source, seat, note, survey string }

func (f *takeFlags) add(flags *pflag.FlagSet) {
	addSurvey(flags, &f.survey)
	flags.StringVar(&f.source, "source", "", "what plays, `NAME` being words of your own, as \"left+sub\" (default: the channels)")
	flags.StringVar(&f.seat, "seat", "main", "where the microphone stands, `NAME` being words of your own; the built-in room has the seats "+modelSeats())
	flags.StringVar(&f.note, "note", "", "`TEXT` on what was changed since the last take")
}

const defaultSurvey = "survey"

func addSurvey(flags *pflag.FlagSet, dir *string) {
	flags.StringVar(dir, "survey", defaultSurvey, "`FOLDER` in which the takes of a room are kept")
}

func (a *app) measureCommand() *cobra.Command {
	var (
		take   takeFlags
		device deviceFlags
		play   sweepFlags
		mic    microphoneFlags
		read   readFlags
		yes    bool
	)
	cmd := &cobra.Command{
		Use:   "measure [options]",
		Short: "Play a sweep, record it, keep it, and say what the room made of it",
		Long: `measure plays a sweep on one source, records it at one seat, keeps the recording
in the survey, and works out from it the response, the decay per band and the
distortion.

` + cautions,
		Example: `  roomsonde measure --device model --source left+sub
  roomsonde measure --source "left+sub" --seat main --microphone mic.txt
  roomsonde measure --source sub --low-pass 80 --note "sub moved to the corner"
  roomsonde measure --input "USB" --output "HDMI" --channel FC --level -24`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.measure(cmd.Context(), yes, take, device, play, mic, read)
		},
	}
	take.add(cmd.Flags())
	device.add(cmd.Flags())
	play.add(cmd.Flags())
	mic.add(cmd.Flags())
	read.add(cmd.Flags())
	cmd.Flags().BoolVar(&yes, "yes", false, "do not wait for Enter before a survey's first take")
	return cmd
}

// latencyAllowance is for how long recording goes on after a program, in s: more
// than devices and servers are late.
const latencyAllowance = 0.5

func (a *app) measure(ctx context.Context, yes bool, take takeFlags, device deviceFlags, play sweepFlags, micFlags microphoneFlags, read readFlags) error {
	if err := read.check(); err != nil {
		return err
	}
	if err := micFlags.check(); err != nil {
		return err
	}
	if err := take.check(); err != nil {
		return err
	}
	// What cannot be played is refused before anything is opened or created.
	checked := play.rate
	if checked == 0 { // the device's own, not known yet
		checked = math.Min(math.Max(48000, 2*play.to), sweep.MaxRate)
	}
	trial, _, err := play.program(take.source, device.channel, checked)
	if err != nil {
		return err
	}
	if from := trial.Sweep.StartHz; read.lowPass != 0 && read.lowPass*math.Sqrt2 <= from {
		return usage("sweep from lower, or leave --low-pass out", "a source with a low-pass at %g Hz plays nothing of a sweep from %g Hz on", read.lowPass, from)
	}
	c, rate, err := device.open(ctx, take.seat, play.rate)
	if err != nil {
		return err
	}
	defer c.close()
	channels, channelNames, channelWhy, err := device.channels(take.source, c.output)
	if err != nil {
		return err
	}
	program, limited, err := play.program(take.source, channelNames, rate)
	if err != nil {
		return err
	}
	if take.source == "" {
		take.source = channelNames
		if device.channel == "" && c.output.Name == modelName {
			take.source = "left+sub" // as the room's receiver splits it
		}
	}
	if device.inputChannel > c.input.Inputs {
		return usage("use --input-channel 1", "%s has %d input channels, so there is no channel %d", c.input.Name, c.input.Inputs, device.inputChannel)
	}
	s, err := survey.Open(take.survey, true)
	if err != nil {
		return err
	}
	if err := s.ReadOnly(); err != nil {
		return err
	}
	mic, micWhy, err := micFlags.pick(s, c.mic)
	if err != nil {
		return err
	}
	meta := survey.Meta{Source: take.source, Seat: take.seat, Note: take.note, MadeAt: a.now(), SampleRateHz: rate,
		LevelDBFS: program.Sweep.LevelDBFS, Engine: survey.Engine{Version: engineVersion, Go: runtime.Version()},
		Device: survey.Device{Input: c.input.Name, Output: c.output.Name, System: c.input.System, InputChannel: device.inputChannel - 1, OutputChannels: channels, RateHz: rate}}
	if meta.Program, err = json.Marshal(program); err != nil {
		return err
	}
	if mic != nil {
		meta.Calibration = &mic.kept
	}
	if err := read.makeFolder(); err != nil {
		return err
	}
	first := firstTake(s, c)
	a.announce(first, c, program, channelNames, channelWhy, limited, play.otherLength(program), mic, micWhy)
	if first && !yes && c.input.System != builtIn {
		if err := a.waitForEnter(ctx); err != nil {
			return err
		}
	}
	draft, err := s.Begin(meta)
	if err != nil {
		return err
	}
	defer draft.Close()
	rec, err := a.playRecord(ctx, c, program, channels, device.inputChannel-1)
	if rec != nil {
		meta.Recording.Overflows, meta.Recording.Underflows, meta.Recording.Remarks = rec.Overflows, rec.Underflows, rec.Remarks
	}
	if err != nil {
		if rec == nil || len(rec.Samples) == 0 || errors.Is(err, context.Canceled) {
			return err
		}
		// What came before the device went away is not lost.
		if keepErr := a.keep(draft, program, rec); keepErr != nil {
			return errors.Join(err, keepErr)
		}
		return a.leave(draft, meta, err)
	}
	if err := a.keep(draft, program, rec); err != nil {
		return err
	}
	in := measurement.Input{Recording: rec.Samples, SampleRate: rate, Program: program, Aligned: true, Overflows: rec.Overflows, Underflows: rec.Underflows}
	return a.finish(ctx, draft, meta, in, mic, read)
}

// keep keeps a recording in its draft, or, where the survey cannot take it, in
// another place that is named: what was recorded is not thrown away.
func (a *app) keep(draft *survey.Draft, p *sweep.Program, rec *capture.Recording) error {
	err := draft.KeepRecording(rec.SampleRate, [][]float32{rec.Samples})
	if err == nil {
		return nil
	}
	name := "rescued-" + draft.ID() + ".wav"
	for _, folder := range []string{".", os.TempDir()} {
		path := filepath.Join(folder, name)
		if wav.WriteFile(path, int(rec.SampleRate), [][]float32{rec.Samples}, wav.Options{Comment: p.Comment(), KeepExisting: true}) == nil {
			fmt.Fprintf(a.talk, "The recording could not be kept in the survey; it is in %s.\nOnce there is room, work it out with: roomsonde recover %s\n", path, path)
			return err
		}
	}
	return err
}

// finish works a kept recording out, finishes the take, and shows it.
func (a *app) finish(ctx context.Context, draft *survey.Draft, meta survey.Meta, in measurement.Input, mic *microphone, read readFlags) error {
	m, err := measurement.Work(ctx, in, read.options(mic))
	if err != nil {
		if errors.Is(err, context.Canceled) {
			return &keptError{err, draft.Dir()}
		}
		return a.leave(draft, meta, err)
	}
	return a.complete(draft, meta, m, mic, read)
}

// complete finishes a take whose recording is kept, and shows it.
func (a *app) complete(draft *survey.Draft, meta survey.Meta, m *measurement.Measurement, mic *microphone, read readFlags) error {
	for _, f := range m.Findings {
		meta.Findings = append(meta.Findings, survey.Finding(f))
	}
	kept, err := draft.Finish(m.Impulse, meta)
	if err != nil {
		fmt.Fprintf(a.talk, "The take could not be finished. Its recording is kept in %s;\nfinish it with: %s\n", draft.Dir(), finishCommand(draft))
		return err
	}
	r := &result{meta: kept.Meta, dir: kept.Dir, impulse: kept.ImpulsePath(), recording: kept.RecordingPath(), m: m, mic: mic, lowPassHz: read.lowPass}
	return a.show(r, read)
}

// finishCommand is what finishes a take whose recording is kept.
func finishCommand(draft *survey.Draft) string {
	command := "roomsonde recover " + draft.ID()
	if dir := filepath.Dir(draft.Dir()); dir != defaultSurvey {
		command += " --survey " + strconv.Quote(dir)
	}
	return command
}

// notWorkedOut is the finding of a take that was left unfinished.
const notWorkedOut = "not worked out"

// leave leaves a take unfinished: its recording stays, with the word on why.
func (a *app) leave(draft *survey.Draft, meta survey.Meta, err error) error {
	meta.Findings = append(meta.Findings, survey.Finding{Kind: notWorkedOut, Text: inWords(err)})
	if updateErr := draft.Update(meta); updateErr != nil {
		err = errors.Join(err, updateErr)
	}
	fmt.Fprintf(a.talk, "The recording is kept in %s;\nonce mended, finish the take with: %s\n", draft.Dir(), finishCommand(draft))
	return err
}

// show prints a result as asked, writes its drawings, and says by its error
// whether the take is marked.
func (a *app) show(r *result, read readFlags) error {
	r.remarks = append(r.remarks, r.meta.Recording.Remarks...)
	if r.mic != nil {
		r.remarks = append(r.remarks, r.mic.Remarks...)
	} else {
		r.remarks = append(r.remarks, "The curve contains the microphone's own deviation: no calibration was used.")
	}
	if n := r.m.Noise; n != nil && n.DigitalZero && r.meta.Device.System != modelDevice().System {
		r.remarks = append(r.remarks, "The silence in the recording is digital zero. If an editor or a noise gate put it there, the room's noise during the sweep is not known.")
	}
	if sweep.RangeFor(r.meta.Source).Name == "sub" && read.lowPass == 0 {
		r.remarks = append(r.remarks, "A subwoofer is silent above its crossover, and readings there mean nothing: --low-pass with the crossover's frequency ends them where they should.")
	}
	// Drawings first: who reads what is printed may stop reading early.
	var paths []string
	var drawErr error
	if read.drawings != "" {
		paths, drawErr = r.draw(read.drawings, chart.Format(read.format))
	}
	if read.json {
		if err := r.printJSON(a.out); err != nil {
			return err
		}
	} else {
		width := scale.Octave
		if read.thirds {
			width = scale.Third
		}
		r.printText(a.out, width)
	}
	for _, path := range paths {
		where := a.out
		if read.json {
			where = a.talk
		}
		fmt.Fprintln(where, "drawn in "+path)
	}
	if drawErr != nil {
		return drawErr
	}
	if len(r.m.Findings) > 0 {
		return errMarked
	}
	return nil
}

// firstTake reports whether a survey holds no take made with this kind of card:
// what was measured in the built-in room warned nobody's tweeters.
func firstTake(s *survey.Survey, c *card) bool {
	entries, _, err := s.List()
	if err != nil {
		return true
	}
	for _, e := range entries {
		if c.input.System == builtIn || e.Device.System != builtIn && e.Device.System != fileSystem {
			return false
		}
	}
	return true
}

// waitForEnter lets a user who sits at a terminal turn the volume down first.
func (a *app) waitForEnter(ctx context.Context) error {
	if !a.live || a.in == nil {
		return nil
	}
	fmt.Fprint(a.talk, "Press Enter to start, Ctrl-C to stop: ")
	read := make(chan error, 1)
	go func() {
		// Byte by byte, so that nothing behind the line is lost.
		for b := make([]byte, 1); ; {
			if _, err := a.in.Read(b); err != nil || b[0] == '\n' {
				read <- err
				return
			}
		}
	}()
	select {
	case <-ctx.Done():
		fmt.Fprintln(a.talk)
		return ctx.Err()
	case err := <-read:
		if err != nil { // the input was closed, which is no Enter
			fmt.Fprintln(a.talk)
			return context.Canceled
		}
		return nil
	}
}

// announce says what is about to happen, with the cautions before a first take.
func (a *app) announce(first bool, c *card, p *sweep.Program, channels, channelWhy, limited, otherLength string, mic *microphone, micWhy string) {
	say := func(name, text, why string) {
		if why != "" {
			text += " (" + why + ")"
		}
		paragraph(a.talk, fmt.Sprintf("%-12s", name), text)
	}
	if first {
		fmt.Fprintln(a.talk, cautions)
		fmt.Fprintln(a.talk)
	}
	if c.input.Name == c.output.Name {
		say("device", c.input.Name, "")
	} else {
		say("plays", c.output.Name, "")
		say("records", c.input.Name, "")
	}
	for _, why := range c.why {
		say("", why, "")
	}
	say("channel", channels, channelWhy)
	if limited != "" {
		say("limited", limited, "")
	}
	a.announceMicrophone(mic, micWhy)
	say("sweep", fmt.Sprintf("%s to %s in %.1f s, peak %g dBFS, %g Hz", chart.Hz(p.Sweep.StartHz), chart.Hz(p.Sweep.StopHz), p.Sweep.Seconds, p.Sweep.LevelDBFS, p.Sweep.SampleRate), otherLength)
	fmt.Fprintln(a.talk)
}

func (a *app) announceMicrophone(mic *microphone, why string) {
	text := "none"
	if mic != nil {
		text = mic.Name
		if why != "" {
			text += " (" + why + ")"
		}
	} else if why != "" {
		text += ": " + why
	}
	paragraph(a.talk, fmt.Sprintf("%-12s", "microphone"), text)
}

// playRecord plays a program on the channels and records it, showing progress.
// With an error it returns what was recorded until then.
func (a *app) playRecord(ctx context.Context, c *card, p *sweep.Program, channels []int, input int) (*capture.Recording, error) {
	samples := p.Samples()
	job := capture.Job{SampleRate: p.Sweep.SampleRate, Frames: p.Frames + int(latencyAllowance*p.Sweep.SampleRate), Input: input}
	for _, ch := range channels {
		job.Tracks = append(job.Tracks, capture.Track{Channel: ch, Samples: samples})
	}
	if !a.live {
		return c.PlayRecord(ctx, job, nil)
	}
	progress, clear := a.bar(p, job)
	defer clear()
	said := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(said)
		clear()
		// The terminal has put ^C where the bar was.
		fmt.Fprint(a.talk, "\r\x1b[Kfading out …\n")
	})
	rec, err := c.PlayRecord(ctx, job, progress)
	if !stop() {
		<-said
	}
	return rec, err
}

// bar makes the progress bar: what is happening, how long it still takes, and
// the input's level. clear ends it; a bar that did not get to its end goes.
func (a *app) bar(p *sweep.Program, job capture.Job) (update func(capture.Progress), clear func()) {
	console := cupwriter.New(fromLineStart{a.talk}, true)
	if f, ok := a.talk.(*os.File); ok {
		console.SetTermFd(int(f.Fd()))
	}
	pool := mpb.New(mpb.WithConsoleWriter(console), mpb.WithWidth(40), mpb.WithRefreshRate(100*time.Millisecond))
	// The bar is drawn by a goroutine of its own.
	var last atomic.Pointer[capture.Progress]
	last.Store(&capture.Progress{})
	bar := pool.New(int64(job.Frames), mpb.BarStyle().Lbound("").Filler("━").Tip("━").Padding("·").Rbound(""),
		mpb.BarFillerClearOnComplete(),
		mpb.PrependDecorators(decor.Any(func(decor.Statistics) string {
			return fmt.Sprintf("%-12s", stage(p, last.Load().Frames))
		})),
		mpb.AppendDecorators(decor.Any(func(decor.Statistics) string {
			now := last.Load()
			return fmt.Sprintf(" %4.1f s left  input %s", float64(job.Frames-now.Frames)/job.SampleRate, dBFS(now.Peak))
		})))
	return func(now capture.Progress) {
			last.Store(&now)
			bar.SetCurrent(int64(now.Frames))
		}, sync.OnceFunc(func() {
			if last.Load().Frames < job.Frames {
				bar.Abort(true)
			}
			pool.Wait()
		})
}

// fromLineStart begins each write at the start of the line: a terminal that
// echoes ^C has moved on from there.
type fromLineStart struct{ io.Writer }

func (w fromLineStart) Write(p []byte) (int, error) {
	if _, err := w.Writer.Write(append([]byte{'\r'}, p...)); err != nil {
		return 0, err
	}
	return len(p), nil
}

// stage names what a program is at.
func stage(p *sweep.Program, frame int) string {
	for i, seg := range p.Segments {
		if frame < seg.Start+seg.Frames {
			switch {
			case seg.Kind == sweep.KindSweep:
				return "sweep"
			case seg.Kind == sweep.KindMark:
				return "time mark"
			case i == 0:
				return "room noise"
			}
			break
		}
	}
	return "decay"
}
