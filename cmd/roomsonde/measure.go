package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"roomsonde/calibration/target/lowpass"
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
	quick, marks                                   bool
	mark                                           string // the channel of the marks; "": the sweep's own
}

func (f *sweepFlags) add(flags *pflag.FlagSet) {
	flags.Var(frequency(&f.from), "from", "first frequency of the sweep (default: 5 Hz, or as --range says)")
	flags.Var(frequency(&f.to), "to", "last frequency of the sweep (default: 24 kHz or half the rate, or as --range says)")
	flags.Var(seconds(&f.duration).within(sweep.MinSeconds, sweep.MaxSeconds), "duration", "about how long the sweep lasts (default: 10 s)")
	flags.Var(seconds(&f.tail).within(0.1, 30), "tail", "silence after the sweep, and how much of the response is kept; longer than the room rings (default: 2 s)")
	flags.Var(frequency(&f.rate).within(sweep.MinRate, sweep.MaxRate), "rate", "sample rate (default: the device's own)")
	flags.Var(level(&f.level).within(leastLevelDBFS, -0.01), "level", "peak level of the sweep (default: -30)")
	flags.Var(level(&f.ceiling), "ceiling", "highest level allowed; raise it only after a quiet take has shown that there is room (default: -12)")
	flags.StringVar(&f.kind, "range", "", "what the source may be given, `NAME` being full, sub or tweeter (default: from --source and --channel)")
	flags.IntVar(&f.sweeps, "sweeps", defaultSweeps, "how many sweeps are played between time marks and averaged, `N` from 1 to 8; from two on a take can prove that nothing of it was lost")
	flags.BoolVar(&f.quick, "quick", false, "one sweep between two time marks, for hurried moves: lost frames can then pass as clocks that differ")
	flags.BoolVar(&f.marks, "marks", true, "play time marks; without them two clocks are not told apart")
	flags.StringVar(&f.mark, "mark", "", "output `CHANNEL` that plays the time marks for every source of a survey, as FR: one time zero for all, so that delays between sources can be compared")
}

// leastLevelDBFS is below what any converter plays.
const leastLevelDBFS = -100

// defaultSweeps is enough for a take to be checked against itself.
const defaultSweeps = 2

// program lays out the program for a source on channels (their names joined by
// +) at a rate, and says in words what was limited for the source's sake.
func (f *sweepFlags) program(source, channels string, rate float64) (*sweep.Program, string, error) {
	if f.sweeps < 1 {
		return nil, "", usage("ask for 1 to 8", "a program of %d sweeps cannot be had", f.sweeps)
	}
	limits, from := rangeFor(source, channels)
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
	sweeps := f.sweeps
	if f.quick {
		sweeps = 1
	}
	p, err := sweep.NewProgram(sweep.ProgramOptions{Sweep: o, Sweeps: sweeps, Marks: f.marks, MarksApart: f.mark != "", TailS: f.tail})
	return p, said, err
}

// check refuses what contradicts itself.
func (f *sweepFlags) check(flags *pflag.FlagSet) error {
	switch {
	case f.quick && flags.Changed("sweeps"):
		return usage("leave one of them out", "--quick plays one sweep, so --sweeps cannot go with it")
	case f.quick && !f.marks:
		return usage("use --sweeps 1 --marks=false for one sweep and nothing else", "--quick plays time marks, so --marks=false cannot go with it")
	case f.mark != "" && !f.marks:
		return usage("leave one of them out", "--mark says where the time marks play, so --marks=false cannot go with it")
	}
	return nil
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
	crossover                          crossing
	slope                              string
	lowPass, window, cycles, smoothing float64        // lowPass as settle found it
	filter                             lowpass.Filter // at lowPass
	json, thirds                       bool
	drawings, format                   string
}

func (f *readFlags) add(flags *pflag.FlagSet) {
	f.addCrossover(flags)
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
	if err := notInASurvey(f.drawings); err != nil {
		return err
	}
	return f.checkCrossover()
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
	for _, name := range []string{"from", "to", "duration", "tail", "rate", "level", "ceiling", "range", "sweeps", "quick", "marks", "mark"} {
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

// passFlags say how often a take is recorded, and what stops it.
type passFlags struct {
	repeat, retakes int
	limit           float64
}

func (f *passFlags) add(flags *pflag.FlagSet) {
	flags.IntVar(&f.repeat, "repeat", 1, "record the whole program `N` times, 1 to 16, and average: four times gain 6 dB of signal over noise")
	flags.IntVar(&f.retakes, "retakes", 2, "record again up to `N` times where frames were lost")
	flags.Var(level(&f.limit), "limit", "stop with a fade where the input stays above this (default: -1)")
}

func (f *passFlags) check() error {
	if f.repeat < 1 || f.repeat > 16 {
		return usage("use 1 to 16", "a program cannot be recorded %d times", f.repeat)
	}
	if f.retakes < 0 || f.retakes > 16 {
		return usage("use 0 to 16", "a program cannot be recorded again %d times", f.retakes)
	}
	return nil
}

func (a *app) measureCommand() *cobra.Command {
	var (
		take   takeFlags
		device deviceFlags
		play   sweepFlags
		pass   passFlags
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

It plays the sweep twice, between three time marks (short chirps): from these it
tells the player's clock from the recorder's, and whether anything was lost on
the way. Where frames were lost, it records again by itself.

` + cautions,
		Example: `  roomsonde measure --device model --source left+sub
  roomsonde measure --source "left+sub" --seat main --microphone mic.txt
  roomsonde measure --source sub --crossover 80 --note "sub moved to the corner"
  roomsonde measure --source sub --mark FR   # one time zero for all sources
  roomsonde measure --source left --repeat 4   # in a noisy house
  roomsonde measure --input "USB" --output "HDMI" --channel FC --level -24`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := play.check(cmd.Flags()); err != nil {
				return err
			}
			if err := pass.check(); err != nil {
				return err
			}
			return a.measure(cmd.Context(), yes, take, device, play, pass, mic, read)
		},
	}
	take.add(cmd.Flags())
	device.add(cmd.Flags())
	play.add(cmd.Flags())
	cmd.Flags().Lookup("level").Usage = "peak level of the sweep (default: what the level command found, else -30)"
	pass.add(cmd.Flags())
	mic.add(cmd.Flags())
	read.add(cmd.Flags())
	cmd.Flags().BoolVar(&yes, "yes", false, "do not wait for Enter before a survey's first take")
	return cmd
}

// latencyAllowance is for how long recording goes on after a program, in s: more
// than devices and servers are late.
const latencyAllowance = 0.5

// performance is what is played on a card, where, and how often.
type performance struct {
	*card
	program  *sweep.Program
	channels []int // of the sweeps
	mark     int   // the channel of the marks; below 0: the sweeps' own
	input    int
	pass     passFlags
	bar      *bar // shows how far it is; nil: one for each recording
}

// planned is one take before it is made.
type planned struct {
	performance
	take takeFlags // with the source's name
	said announced
}

// before refuses what cannot be played before anything is opened or created, for
// a source on channels (as the user wrote both), and returns the program as far
// as it is known by then: at a device's own rate it may become another.
func (f *sweepFlags) before(source, channels string) (*sweep.Program, error) {
	rate := f.rate
	if rate == 0 { // the device's own, not known yet
		rate = math.Min(math.Max(48000, 2*f.to), sweep.MaxRate)
	}
	p, _, err := f.program(source, channels, rate)
	return p, err
}

// plan works out what is played for a take on an open card at a rate, at the
// level that the take's survey remembers, if any.
func plan(c *card, rate float64, take takeFlags, device deviceFlags, play sweepFlags, pass passFlags) (*planned, error) {
	p := &planned{performance: performance{card: c, input: device.inputChannel - 1, pass: pass}, take: take}
	var err error
	if p.channels, p.said.channels, p.said.channelWhy, err = device.channels(take.source, c.output); err != nil {
		return nil, err
	}
	if p.mark, err = markChannel(play.mark, c.output); err != nil {
		return nil, err
	}
	remembered, err := survey.Open(take.survey, false)
	if err != nil {
		remembered = nil // there is none yet, or what is wrong with it is told later
	}
	p.said.levelWhy = play.remembered(remembered, c, take.source, p.said.channels)
	if p.program, p.said.limited, err = play.program(take.source, p.said.channels, rate); err != nil {
		return nil, err
	}
	p.said.otherLength = play.otherLength(p.program)
	if err := device.within(p.program); err != nil {
		return nil, err
	}
	if take.source == "" {
		p.take.source = device.sourceOn(p.said.channels, c)
	}
	p.take.note = device.withChanges(take.note)
	return p, device.checkInput(c)
}

// openFor opens or creates the survey in dir for takes that a card makes, with
// the microphone that they have, and says how that was chosen.
func openFor(c *card, dir string, flags microphoneFlags) (s *survey.Survey, mic *microphone, micWhy string, err error) {
	if s, err = survey.Open(dir, true); err != nil {
		return nil, nil, "", err
	}
	if err = s.ReadOnly(); err != nil {
		return nil, nil, "", err
	}
	mic, micWhy, err = flags.pick(s, c.mic)
	return s, mic, micWhy, err
}

func (a *app) measure(ctx context.Context, yes bool, take takeFlags, device deviceFlags, play sweepFlags, pass passFlags, micFlags microphoneFlags, read readFlags) error {
	if err := read.check(); err != nil {
		return err
	}
	if err := micFlags.check(); err != nil {
		return err
	}
	if err := take.check(); err != nil {
		return err
	}
	trial, err := play.before(take.source, device.channel)
	if err != nil {
		return err
	}
	if from := trial.Sweep.StartHz; read.crossover.hz != 0 && read.crossover.hz*math.Sqrt2 <= from {
		return usage("sweep from lower, or leave --crossover out", "a source with a low-pass at %g Hz plays nothing of a sweep from %g Hz on", read.crossover.hz, from)
	}
	c, rate, err := device.open(ctx, take.seat, play.rate)
	if err != nil {
		return err
	}
	defer c.close()
	p, err := plan(c, rate, take, device, play, pass)
	if err != nil {
		return err
	}
	s, mic, micWhy, err := openFor(c, take.survey, micFlags)
	if err != nil {
		return err
	}
	if err := read.settle(s, p.take.source, true); err != nil {
		return err
	}
	if err := read.makeFolder(); err != nil {
		return err
	}
	p.said.mic, p.said.micWhy = mic, micWhy
	if err := a.beforeFirst(ctx, s, c, yes, func(first bool) { a.announce(first, p.performance, p.said) }); err != nil {
		return err
	}
	r, err := a.take(ctx, s, p, mic, nil, read)
	if err != nil {
		return err
	}
	err = a.show(r, read)
	a.keepForPage(ctx, s, r, read)
	return err
}

// beforeFirst announces what is about to happen, with the cautions where the
// survey has none of a card's takes, and then lets the user turn the volume down.
func (a *app) beforeFirst(ctx context.Context, s *survey.Survey, c *card, yes bool, announce func(first bool)) error {
	first := firstTake(s, c) && !toldByLevel(s, c)
	announce(first)
	if first && !yes && c.input.System != builtIn {
		return a.waitForEnter(ctx)
	}
	return nil
}

// take makes one take and keeps it in the survey; round is its place in a round,
// nil for none.
func (a *app) take(ctx context.Context, s *survey.Survey, p *planned, mic *microphone, round *survey.Round, read readFlags) (*result, error) {
	rate := p.program.Sweep.SampleRate
	meta := survey.Meta{Source: p.take.source, Seat: p.take.seat, Note: p.take.note, MadeAt: a.now(), SampleRateHz: rate, Round: round,
		LevelDBFS: p.program.Sweep.LevelDBFS, Engine: survey.Engine{Version: engineVersion, Go: runtime.Version()},
		Device: survey.Device{Input: p.card.input.Name, Output: p.output.Name, System: p.card.input.System, InputChannel: p.input, OutputChannels: p.channels, RateHz: rate, Clocks: p.clocks()}}
	if p.mark >= 0 {
		meta.MarkChannel, meta.MarkChannelName = &p.mark, capture.ChannelNameOf(p.mark, p.output)
	}
	var err error
	if meta.Program, err = json.Marshal(p.program); err != nil {
		return nil, err
	}
	if mic != nil {
		meta.Calibration = &mic.kept
	}
	draft, err := s.Begin(meta)
	if err != nil {
		return nil, err
	}
	defer draft.Close()
	in := measurement.Input{SampleRate: rate, Program: p.program, Aligned: true, OneClock: p.clocks() == 1, HistorySkew: lastSkew(s, meta.Device)}
	return a.record(ctx, draft, meta, p.performance, in, mic, read)
}

// record records as many passes as are asked for and needed, keeps each before
// it is looked at, and finishes the take.
func (a *app) record(ctx context.Context, draft *survey.Draft, meta survey.Meta, p performance, in measurement.Input, mic *microphone, read readFlags) (*result, error) {
	options := read.options(mic)
	var examined []*measurement.Examined
	most := p.pass.repeat + p.pass.retakes
	for whole := 0; whole < p.pass.repeat && len(examined) < most; {
		rec, err := a.playRecord(ctx, p)
		if err != nil {
			return nil, a.stopped(draft, meta, p.program, rec, err)
		}
		if err := a.keep(draft, p.program, rec); err != nil {
			if len(examined) > 0 {
				fmt.Fprintf(a.talk, "What was recorded before is kept in %s;\nfinish the take with: %s\n", draft.Dir(), finishCommand(draft))
			}
			return nil, err
		}
		note := &meta.Recording
		if len(examined) > 0 {
			meta.MoreRecordings = append(meta.MoreRecordings, survey.Recording{})
			note = &meta.MoreRecordings[len(examined)-1]
		}
		note.Overflows, note.Underflows, note.StalledS, note.Remarks = rec.Overflows, rec.Underflows, rec.StalledS, rec.Remarks
		pass := measurement.Pass{Recording: rec.Samples, Overflows: rec.Overflows, Underflows: rec.Underflows, StalledS: rec.StalledS}
		for _, other := range rec.Others {
			pass.Others = append(pass.Others, other.Samples)
		}
		e, err := measurement.Examine(ctx, in, pass, options)
		if err != nil {
			if errors.Is(err, context.Canceled) {
				return nil, &keptError{err, draft.Dir(), finishCommand(draft)}
			}
			return nil, a.leave(draft, meta, err)
		}
		pass.Others = nil // they were for the examination only
		in.Passes = append(in.Passes, pass)
		examined = append(examined, e)
		if e.Err != nil {
			break // what is heard nowhere is not heard the next time either
		}
		if !e.Lost() {
			whole++
		} else if len(examined) < most {
			paragraph(a.talk, "again       ", fmt.Sprintf("Recording %d: %s It is kept. Recording again (%d of at most %d).", len(examined), e.LostWhat(), len(examined)+1, most))
		}
		if p.pass.repeat > 1 && whole < p.pass.repeat {
			fmt.Fprintf(a.talk, "%-12s%d of %d\n", "recorded", whole, p.pass.repeat)
		}
	}
	m, err := measurement.Combine(ctx, in, examined, options)
	if err != nil {
		if errors.Is(err, context.Canceled) {
			return nil, &keptError{err, draft.Dir(), finishCommand(draft)}
		}
		return nil, a.leave(draft, meta, err)
	}
	return a.conclude(draft, meta, m, mic, read)
}

// stopped ends a take whose recording came to an end before its time.
func (a *app) stopped(draft *survey.Draft, meta survey.Meta, p *sweep.Program, rec *capture.Recording, err error) error {
	kept := len(draft.RecordingPaths()) > 0 // an earlier pass
	var loud *capture.LoudError
	if errors.Is(err, context.Canceled) && kept {
		return &keptError{err, draft.Dir(), finishCommand(draft)}
	}
	if rec == nil || len(rec.Samples) == 0 || errors.Is(err, context.Canceled) || errors.As(err, &loud) {
		if kept {
			return a.leave(draft, meta, err)
		}
		return err
	}
	// What came before the device went away is not lost.
	if keepErr := a.keep(draft, p, rec); keepErr != nil {
		return errors.Join(err, keepErr)
	}
	return a.leave(draft, meta, err)
}

// markChannel returns the output channel of --mark, counted from 0, or -1 where
// the marks play with the sweeps.
func markChannel(text string, output capture.Device) (int, error) {
	if text == "" {
		return -1, nil
	}
	channels, err := capture.ParseChannelsOf(text, output)
	if err != nil {
		return 0, err
	}
	if len(channels) > 1 {
		return 0, usage("name one, as FR", "--mark %s names %d channels; the marks play on one", text, len(channels))
	}
	if capture.ChannelNameOf(channels[0], output) == "LFE" {
		return 0, usage("name a full-range loudspeaker, as FR", "the time marks are high notes, which a subwoofer does not play")
	}
	return channels[0], nil
}

// leastRemembered is a level in dBFS below all that can be found.
const leastRemembered = -90

// rangeFor returns the range for a source on channels: what its name, or else the
// channel's, says of subwoofers and tweeters.
func rangeFor(source, channels string) (limits sweep.Range, from string) {
	limits, from = sweep.RangeFor(source), "source's name"
	if limits.Name == "full" && strings.EqualFold(strings.TrimSpace(channels), "LFE") {
		limits, from = sweep.RangeFor("LFE"), "channel"
	}
	return limits, from
}

// remembered takes over the level that the survey remembers for these devices
// and this kind of source, where none was given, and says so. A level found for
// a subwoofer is none for a tweeter.
func (f *sweepFlags) remembered(s *survey.Survey, c *card, source, channels string) (why string) {
	if s == nil || f.level != 0 {
		return ""
	}
	settings, err := s.Settings()
	if err != nil {
		return unreadSettings + "; " + hintOf(err)
	}
	if settings.Level == nil {
		return ""
	}
	l := settings.Level
	if l.Input != c.input.Name || l.Output != c.output.Name {
		return ""
	}
	if !(l.DBFS >= leastRemembered && l.DBFS < 0) {
		return fmt.Sprintf("the survey's level of %g dBFS is none, and is not used", l.DBFS)
	}
	found, _ := rangeFor(l.Source, l.Channel)
	if now, _ := rangeFor(source, channels); now.Name != found.Name {
		return fmt.Sprintf("the survey's was found for another kind of source, %s, and is not used", l.Source)
	}
	ceiling := f.ceiling
	if ceiling == 0 {
		ceiling = sweep.DefaultCeilingDBFS
	}
	if l.DBFS > ceiling {
		return fmt.Sprintf("the survey's level of %g dBFS lies above the ceiling, and is not used", l.DBFS)
	}
	f.level = l.DBFS
	return fmt.Sprintf("found with %s on %s; --level chooses another", l.Source, l.Channel)
}

// lastSkew returns the skew that the survey's last take with the same two
// devices found, or nil.
func lastSkew(s *survey.Survey, d survey.Device) *float64 {
	entries, _, err := s.List()
	if err != nil || d.System == builtIn {
		return nil
	}
	for i := len(entries) - 1; i >= 0; i-- {
		e := entries[i]
		if !e.Unfinished && len(e.Faults()) == 0 && e.Clock != nil && e.Device.Input == d.Input && e.Device.Output == d.Output && e.Device.RateHz == d.RateHz {
			skew := e.Clock.SkewPPM * 1e-6
			return &skew
		}
	}
	return nil
}

// keep keeps a recording in its draft, or, where the survey cannot take it, in
// another place that is named: what was recorded is not thrown away.
func (a *app) keep(draft *survey.Draft, p *sweep.Program, rec *capture.Recording) error {
	err := draft.KeepRecording(rec.SampleRate, [][]float32{rec.Samples})
	if err == nil {
		return nil
	}
	for _, folder := range []string{".", os.TempDir()} {
		path := filepath.Join(folder, "rescued-"+draft.ID()+".wav")
		write := func() error {
			return wav.WriteFile(path, int(rec.SampleRate), [][]float32{rec.Samples}, wav.Options{Comment: p.Comment(), KeepExisting: true})
		}
		failed := write()
		for n := 2; n <= mostRescued && errors.Is(failed, fs.ErrExist); n++ { // one of an earlier survey's take
			path = filepath.Join(folder, fmt.Sprintf("rescued-%s-%d.wav", draft.ID(), n))
			failed = write()
		}
		if failed == nil {
			fmt.Fprintf(a.talk, "The recording could not be kept in the survey; it is in %s.\nOnce there is room, work it out with: roomsonde recover %s\n", path, path)
			return err
		}
	}
	return err
}

// mostRescued is how many files of one name may stand beside each other.
const mostRescued = 1000

// complete finishes a take whose recording is kept, and shows it.
func (a *app) complete(ctx context.Context, s *survey.Survey, draft *survey.Draft, meta survey.Meta, m *measurement.Measurement, mic *microphone, read readFlags) error {
	r, err := a.conclude(draft, meta, m, mic, read)
	if err != nil {
		return err
	}
	err = a.show(r, read)
	a.keepForPage(ctx, s, r, read)
	return err
}

// conclude finishes a take whose recording is kept.
func (a *app) conclude(draft *survey.Draft, meta survey.Meta, m *measurement.Measurement, mic *microphone, read readFlags) (*result, error) {
	meta.Findings = append(meta.Findings, kept(m.Findings)...)
	describe(&meta, m)
	finished, err := draft.Finish(m.Impulse, meta)
	if err != nil {
		fmt.Fprintf(a.talk, "The take could not be finished. Its recording is kept in %s;\nfinish it with: %s\n", draft.Dir(), finishCommand(draft))
		return nil, err
	}
	return &result{meta: finished.Meta, dir: finished.Dir, impulse: finished.ImpulsePath(), recordings: finished.RecordingPaths(), m: m, mic: mic, lowPassHz: read.lowPass, filter: read.filter}, nil
}

// kept returns findings as a take keeps them.
func kept(findings []measurement.Finding) []survey.Finding {
	var out []survey.Finding
	for _, f := range findings {
		out = append(out, survey.Finding(f))
	}
	return out
}

// describe writes into a take's description what was found out about its clocks,
// its time zero and its recordings.
func describe(meta *survey.Meta, m *measurement.Measurement) {
	if t := m.Timing; t != nil && t.Known {
		meta.Clock = &survey.Clock{SkewPPM: 1e6 * t.Skew, UncertaintyPPM: 1e6 * t.SkewStdErr, Corrected: m.SkewCorrected != 0}
	}
	meta.TimeZero, meta.ArrivalS = string(m.TimeZero), m.ArrivalS
	for i, note := range m.Passes {
		if i > 0 && i <= len(meta.MoreRecordings) {
			meta.MoreRecordings[i-1].Used, meta.MoreRecordings[i-1].Why = note.Used, note.Why
		} else if i == 0 {
			meta.Recording.Used, meta.Recording.Why = note.Used, note.Why
		}
	}
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
	var nothing *measurement.NothingError
	if errors.As(err, &nothing) {
		meta.Findings = append(meta.Findings, kept(nothing.Findings)...)
	}
	a.tellNothing(err)
	meta.Findings = append(meta.Findings, survey.Finding{Kind: notWorkedOut, Text: inWords(err), Fault: true})
	if updateErr := draft.Update(meta); updateErr != nil {
		err = errors.Join(err, updateErr)
	}
	fmt.Fprintf(a.talk, "The recording is kept in %s;\nonce mended, finish the take with: %s\n", draft.Dir(), finishCommand(draft))
	return err
}

// show prints a result as asked, writes its drawings, and says by its error
// whether the take is marked.
func (a *app) show(r *result, read readFlags) error {
	r.remarks = append(r.remarks, r.m.Remarks...)
	r.remarks = append(r.remarks, r.meta.Recording.Remarks...)
	if r.mic != nil {
		r.remarks = append(r.remarks, r.mic.Remarks...)
	} else {
		r.remarks = append(r.remarks, "The curve contains the microphone's own deviation: no calibration was used.")
	}
	if n := r.m.Noise; n != nil && n.DigitalZero && r.meta.Device.System != modelDevice().System {
		r.remarks = append(r.remarks, "The silence in the recording is digital zero. If an editor or a noise gate put it there, the room's noise during the sweep is not known.")
	}
	if r.lowPassHz > 0 {
		r.remarks = append(r.remarks, fmt.Sprintf("What lies above %s belongs to the loudspeakers, which must play too before it can be judged.", chart.Hz(lowpass.ReadingEndHz(r.lowPassHz))))
	}
	if sweep.RangeFor(r.meta.Source).Name == "sub" && r.lowPassHz == 0 {
		r.remarks = append(r.remarks, "A subwoofer is silent above its crossover, and readings there mean nothing: --crossover with the crossover's frequency ends them where they should.")
	}
	// Drawings first: who reads what is printed may stop reading early.
	paths, drawErr := a.drawn(r, read)
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
	return a.finish(r, read, paths, drawErr)
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

// toldByLevel reports whether a level was found with these devices: then the
// cautions were said.
func toldByLevel(s *survey.Survey, c *card) bool {
	settings, err := s.Settings()
	return err == nil && settings.Level != nil && settings.Level.Input == c.input.Name && settings.Level.Output == c.output.Name
}

// waitForEnter lets a user who sits at a terminal turn the volume down first.
func (a *app) waitForEnter(ctx context.Context) error {
	if !a.attended() {
		return nil
	}
	return a.enter(ctx, "Press Enter to start, Ctrl-C to stop: ")
}

// attended reports whether somebody sits at a terminal.
func (a *app) attended() bool { return a.live && a.in != nil }

// enter asks somebody who sits at a terminal to press Enter, and waits for it.
func (a *app) enter(ctx context.Context, prompt string) error {
	fmt.Fprint(a.talk, prompt)
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

// announced is what is said of a performance beside itself.
type announced struct {
	channels, channelWhy, limited, levelWhy, otherLength, micWhy string
	mic                                                          *microphone
}

// announce says what is about to happen, with the cautions before a first take.
func (a *app) announce(first bool, p performance, n announced) {
	a.announceDevice(first, p.card)
	a.say("channel", n.channels, n.channelWhy)
	if p.mark >= 0 {
		a.say("time marks", "on "+capture.ChannelNameOf(p.mark, p.output), "")
	}
	if n.limited != "" {
		a.say("limited", n.limited, "")
	}
	a.announceMicrophone(n.mic, n.micWhy)
	a.say("sweep", sweepInWords(p.program.Sweep), n.otherLength)
	a.say("program", programInWords(p.program, p.pass.repeat), "")
	a.say("level", fmt.Sprintf("peak %g dBFS", p.program.Sweep.LevelDBFS), n.levelWhy)
	fmt.Fprintln(a.talk)
}

// say prints one line of an announcement: what it is of, what is said, and why.
func (a *app) say(name, text, why string) {
	if why != "" {
		text += " (" + why + ")"
	}
	paragraph(a.talk, fmt.Sprintf("%-12s", name), text)
}

// announceDevice says what plays and records, with the cautions before a first
// take.
func (a *app) announceDevice(first bool, c *card) {
	if first {
		fmt.Fprintln(a.talk, cautions)
		fmt.Fprintln(a.talk)
	}
	if c.input.Name == c.output.Name {
		a.say("device", c.output.Name, "")
	} else {
		a.say("plays", c.output.Name, "")
		a.say("records", c.input.Name, "")
	}
	for _, why := range c.why {
		a.say("", why, "")
	}
}

// sweepInWords says what a sweep is.
func sweepInWords(s *sweep.Sweep) string {
	return fmt.Sprintf("%s to %s in %.1f s, %g Hz", chart.Hz(s.StartHz), chart.Hz(s.StopHz), s.Seconds, s.SampleRate)
}

// programInWords says what a program holds and how long it takes.
func programInWords(p *sweep.Program, repeat int) string {
	text := plural(p.Options.Sweeps, "sweep")
	if n := len(p.Starts(sweep.KindMark)); n > 0 {
		text += " between " + plural(n, "time mark")
	}
	length := float64(p.Frames) / p.Sweep.SampleRate
	if repeat > 1 {
		return fmt.Sprintf("%s, %d times, %.0f s in all", text, repeat, length*float64(repeat))
	}
	return fmt.Sprintf("%s, %.0f s in all", text, length)
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

// playRecord plays a program and records it, showing progress. With an error it
// returns what was recorded until then.
func (a *app) playRecord(ctx context.Context, perf performance) (*capture.Recording, error) {
	p := perf.program
	c := &capture.Guard{Card: perf.Card, LimitDBFS: perf.pass.limit}
	job := capture.Job{SampleRate: p.Sweep.SampleRate, Frames: p.Frames + int(latencyAllowance*p.Sweep.SampleRate), Input: perf.input}
	job.Tracks = tracks(p, perf.channels, perf.mark)
	if !a.live {
		return c.PlayRecord(ctx, job, nil)
	}
	shown := perf.bar
	if shown == nil {
		shown = a.newBar(float64(job.Frames) / job.SampleRate)
		defer shown.end()
	}
	progress, played := shown.recording(p, job)
	defer played()
	said := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(said)
		shown.end()
		// The terminal has put ^C where the bar was.
		fmt.Fprint(a.talk, "\r\x1b[Kfading out …\n")
	})
	rec, err := c.PlayRecord(ctx, job, progress)
	if !stop() {
		<-said
	}
	return rec, err
}

// tracks lays a program out on output channels: sweeps on channels, marks on
// mark, or with the sweeps where that is below 0.
func tracks(p *sweep.Program, channels []int, mark int) []capture.Track {
	var out []capture.Track
	add := func(channel int, samples []float32) {
		out = append(out, capture.Track{Channel: channel, Samples: samples})
	}
	sweeps := p.Samples()
	if mark >= 0 {
		sweeps = p.Only(sweep.KindSweep)
		if !slices.Contains(channels, mark) {
			add(mark, p.Only(sweep.KindMark, sweep.KindQuiet))
		}
	}
	for _, c := range channels {
		if c == mark {
			add(c, p.Samples())
		} else {
			add(c, sweeps)
		}
	}
	return out
}
