package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"roomsonde/capture/inspect"
	"roomsonde/capture/wav"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv"
	"roomsonde/deconv/clock"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

func (a *app) recoverCommand() *cobra.Command {
	var (
		take      takeFlags
		play      sweepFlags
		mic       microphoneFlags
		read      readFlags
		sweepFile string
		channel   int
	)
	cmd := &cobra.Command{
		Use:   "recover RECORDING.wav|ID [options]",
		Short: "The same from a recording made elsewhere",
		Long: `recover works out a measurement from a recording that was made with another
program, and keeps it in the survey like any take. The sweep may lie anywhere in
the recording, the player may run on another clock, and the recording may have
another sample rate: the time marks around the sweeps tell.

--sweep names the file that was played: one that sweep wrote, or any other
excitation. Without it the sweep is taken to be the one that the options
describe, as sweep would write it with the same options.

With the ID of an unfinished take in place of a file, recover finishes that take
from the recording that it holds.`,
		Example: `  roomsonde recover phone.wav --sweep sweep.wav --source left --seat main
  roomsonde recover phone.wav --duration 20
  roomsonde recover 7
  roomsonde recover noise-recorded.wav --sweep noise-played.wav`,
		Args: oneArgument("recording"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := play.check(cmd.Flags()); err != nil {
				return err
			}
			if cmd.Flags().Changed("input-channel") && channel < 1 {
				return usage("count from 1, or leave it out", "there is no channel %d", channel)
			}
			described := play.changed(cmd.Flags())
			if dir, id := unfinished(take.survey, args[0]); id != "" {
				for _, name := range []string{"sweep", "input-channel", "source", "seat", "note", described} {
					if name != "" && cmd.Flags().Changed(name) {
						return usage("leave it out: the take knows it", "--%s cannot go with an unfinished take", name)
					}
				}
				return a.finishTake(cmd.Context(), id, dir, mic, read)
			}
			if sweepFile != "" && described != "" {
				return usage("leave it out: the file says what was played", "--%s cannot go with --sweep", described)
			}
			return a.recover(cmd.Context(), args[0], sweepFile, described != "", channel, take, play, mic, read)
		},
	}
	take.add(cmd.Flags())
	cmd.Flags().StringVar(&sweepFile, "sweep", "", "`FILE` that was played: from the sweep command, or any other excitation")
	cmd.Flags().IntVar(&channel, "input-channel", 0, "channel `N` of the recording, counted from 1 (default: the only one, or the first that is not silent)")
	play.add(cmd.Flags())
	for name, text := range map[string]string{
		"from":     "first frequency of the sweep that was played (default: 5 Hz, or as --range says)",
		"to":       "last frequency of the sweep that was played (default: 24 kHz or half the rate, or as --range says)",
		"duration": "duration that was asked of the sweep that was played (default: 10 s)",
		"rate":     "sample rate of the sweep that was played (default: the recording's, or 48000)",
		"level":    "peak level of the sweep that was played (default: -30)",
		"ceiling":  "ceiling of the sweep that was played, where it was raised (default: -12)",
		"range":    "range of the sweep that was played, `NAME` being full, sub or tweeter (default: from --source)",
		"sweeps":   "how many sweeps were played, `N` from 1 to 8",
		"quick":    "one sweep between two time marks was played",
		"marks":    "time marks were played",
		"mark":     "output `CHANNEL` on which the time marks were played, where it was not the sweeps' own",
		"tail":     "silence after the sweep that was played, and how much of the response is kept (default: 2 s)",
	} {
		cmd.Flags().Lookup(name).Usage = text
	}
	mic.add(cmd.Flags())
	read.add(cmd.Flags())
	cmd.Flags().Lookup("source").Usage = "what played, `NAME` being words of your own (default: the recording's name)"
	cmd.Flags().Lookup("seat").Usage = "where the microphone stood, `NAME` being words of your own"
	return cmd
}

// unfinished returns the survey and the ID of the unfinished take that an
// argument means, by its ID or by the recording in it; "" where it means a file.
func unfinished(dir, arg string) (of, id string) {
	info, err := os.Stat(arg)
	isFile := err == nil && !info.IsDir()
	if isFile {
		if filepath.Base(arg) != survey.RecordingName {
			return "", ""
		}
		folder, err := filepath.Abs(filepath.Dir(arg))
		if err != nil {
			return "", ""
		}
		dir, arg = filepath.Dir(folder), filepath.Base(folder)
	}
	s, err := survey.Open(dir, false)
	if err != nil {
		return "", ""
	}
	e, err := s.Resolve(arg)
	if err != nil || !e.Unfinished || isFile && filepath.Base(e.Dir) != arg {
		return "", ""
	}
	return dir, e.ID
}

// finishTake works an unfinished take out from its recording and finishes it in
// its place.
func (a *app) finishTake(ctx context.Context, id, dir string, micFlags microphoneFlags, read readFlags) error {
	if err := read.check(); err != nil {
		return err
	}
	if err := micFlags.check(); err != nil {
		return err
	}
	s, err := survey.Open(dir, false)
	if err != nil {
		return err
	}
	draft, err := s.Adopt(id)
	if err != nil {
		return err
	}
	defer draft.Close()
	meta := draft.Meta()
	var recordings []*wav.File
	for _, path := range draft.RecordingPaths() {
		f, err := wav.ReadFile(path)
		if err != nil {
			return readError(path, err)
		}
		recordings = append(recordings, f)
	}
	in, err := inputOf(meta, draft.Dir(), recordings)
	if err != nil {
		return err
	}
	mic, err := micFlags.of(s, meta)
	if err != nil {
		return err
	}
	meta.Calibration = nil
	if mic != nil {
		if mic.kept.File == "" {
			if mic.kept, err = s.KeepMicrophone(mic.Name, mic.content); err != nil {
				return err
			}
		}
		meta.Calibration = &mic.kept
	}
	meta.Findings = slices.DeleteFunc(meta.Findings, func(f survey.Finding) bool { return f.Kind == notWorkedOut })
	if err := read.makeFolder(); err != nil {
		return err
	}
	if err := read.settle(s, meta.Source, true); err != nil {
		return err
	}
	m, err := measurement.Work(ctx, in, read.options(mic))
	if err != nil {
		if errors.Is(err, context.Canceled) {
			return &keptError{err, draft.Dir(), finishCommand(draft)}
		}
		return fmt.Errorf("take %s: %w", meta.ID, err)
	}
	return a.complete(ctx, s, draft, meta, m, mic, read)
}

func (a *app) recover(ctx context.Context, path, sweepFile string, described bool, channel int, take takeFlags, play sweepFlags, micFlags microphoneFlags, read readFlags) error {
	if err := read.check(); err != nil {
		return err
	}
	if err := micFlags.check(); err != nil {
		return err
	}
	if err := take.check(); err != nil {
		return err
	}
	r, err := readChannel(path, channel)
	if err != nil {
		return err
	}
	rate := r.rate
	in := measurement.Input{SampleRate: rate, AnyRate: true}
	if sweepFile == "" && !described {
		// A recording of ours may say itself what was played.
		if in.Program, err = programOf(path, r.comment); err != nil {
			return err
		}
	}
	switch {
	case in.Program != nil:
	case sweepFile != "":
		if in.Program, in.Excitation, err = readExcitation(sweepFile, path, rate); err != nil {
			return err
		}
	default:
		if in.Program, err = programDescribed(ctx, play, take.source, r.samples, rate); err != nil {
			return err
		}
	}
	if p := in.Program; p != nil && !(rate >= leastRecorded*p.Sweep.SampleRate && rate <= mostRecorded*p.Sweep.SampleRate) {
		return &fileError{path, &hintedError{fmt.Sprintf("its sample rate of %g Hz is too far from the sweep's %g Hz", rate, p.Sweep.SampleRate), "record at 44100 or 48000 Hz; to raise the rate afterwards brings nothing back"}}
	}
	if take.source == "" {
		take.source = strings.TrimSuffix(filepath.Base(path), filepath.Ext(path))
	}
	s, err := survey.Open(take.survey, true)
	if err != nil {
		return err
	}
	if err := s.ReadOnly(); err != nil {
		return err
	}
	mic, micWhy, err := micFlags.pick(s, nil)
	if err != nil {
		return err
	}
	meta := survey.Meta{Source: take.source, Seat: take.seat, Note: take.note, MadeAt: a.now(), SampleRateHz: rate,
		Engine: survey.Engine{Version: engineVersion, Go: runtime.Version()},
		Device: survey.Device{Input: "file " + filepath.Base(path), System: fileSystem, RateHz: rate}}
	meta.Recording.Remarks = r.remarks
	if in.Program != nil && in.Program.Sweep.SampleRate != rate {
		meta.Recording.Remarks = append(meta.Recording.Remarks, fmt.Sprintf("The recording has a sample rate of %g Hz, the sweep %g Hz: the recording was brought to the sweep's.", rate, in.Program.Sweep.SampleRate))
	}
	if in.Program != nil {
		meta.LevelDBFS = in.Program.Sweep.LevelDBFS
		if meta.Program, err = json.Marshal(in.Program); err != nil {
			return err
		}
	}
	if mic != nil {
		meta.Calibration = &mic.kept
	}
	a.announceMicrophone(mic, micWhy)
	channels := [][]float32{r.samples}
	if in.Program == nil {
		// Without the excitation nothing could be worked out again: it is kept
		// as the recording's second channel, both equally long.
		r.samples, in.Excitation = paired(r.samples, in.Excitation)
		longest := max(len(r.samples), len(in.Excitation))
		channels = [][]float32{padded(r.samples, longest), padded(in.Excitation, longest)}
		meta.Recording.Remarks = append(meta.Recording.Remarks, "Channel 2 of the recording holds the excitation that was played.")
	}
	in.Passes = []measurement.Pass{{Recording: r.samples, Others: r.others}}
	if err := read.settle(s, meta.Source, true); err != nil {
		return err
	}
	// The file is the user's and stays where it is, so it is worked out first: a
	// recording without a sweep in it makes no take.
	m, err := measurement.Work(ctx, in, read.options(mic))
	var rates *deconv.RateError
	if errors.As(err, &rates) {
		played := sweepFile
		if played == "" {
			played = "the sweep described"
		}
		return &ratesError{path, played, *rates}
	}
	if err != nil {
		a.tellNothing(err)
		return &otherProgramError{error: err, named: sweepFile != "", recordedS: float64(len(r.samples)) / rate, playedS: playedS(in)}
	}
	for i, f := range m.Findings {
		if f.Kind == measurement.StartMissing || f.Kind == measurement.EndMissing {
			m.Findings[i].Text += " Or this is not the sweep that was played: see --sweep and --duration."
		}
	}
	if err := read.makeFolder(); err != nil {
		return err
	}
	draft, err := s.Begin(meta)
	if err != nil {
		return err
	}
	defer draft.Close()
	if err := draft.KeepRecording(rate, channels); err != nil {
		return err
	}
	return a.complete(ctx, s, draft, meta, m, mic, read)
}

// tellNothing prints what was found in a recording that gave no result.
func (a *app) tellNothing(err error) {
	var nothing *measurement.NothingError
	if !errors.As(err, &nothing) {
		return
	}
	var short *deconv.TooShortError
	var missed *deconv.NotFoundError
	for _, f := range nothing.Findings {
		if f.Kind == string(inspect.Silence) {
			if errors.As(err, &short) {
				continue // too little of it was recorded to be found
			}
			if errors.As(err, &missed) && !missed.Silent {
				f.Kind = noSweep
			}
		}
		paragraph(a.talk, "! ", headed(f))
	}
}

// noSweep heads the finding of a recording that holds something else than what was
// played.
const noSweep = "no sweep"

// programOf returns the program that a recording's comment describes, or the
// take.json that lies beside it; nil where there is neither.
func programOf(path, comment string) (*sweep.Program, error) {
	if p, ours, err := sweep.FromComment(comment); ours {
		if err != nil {
			return nil, &fileError{path, err}
		}
		return p, nil
	}
	if filepath.Base(path) != survey.RecordingName {
		return nil, nil
	}
	beside := filepath.Join(filepath.Dir(path), survey.MetaName)
	if info, err := os.Stat(beside); err != nil || !info.Mode().IsRegular() || info.Size() > mostDescription {
		return nil, nil // a file that happens to be called so
	}
	text, err := os.ReadFile(beside)
	if err != nil {
		return nil, nil
	}
	var meta survey.Meta
	if json.Unmarshal(text, &meta) != nil || len(meta.Program) == 0 {
		return nil, nil
	}
	p, err := sweep.ParseProgram(meta.Program)
	if err != nil {
		return nil, &fileError{beside, err}
	}
	return p, nil
}

// mostDescription is more than any take.json holds, in bytes.
const mostDescription = 8 << 20

// fileSystem is the "sound system" of takes that came from a file.
const fileSystem = "file"

// paired returns a recording and its excitation without the zeros that keeping
// them side by side puts behind the shorter one. It does the same to the two as
// they were read and as they are kept, so that both give the same numbers.
func paired(recording, excitation []float32) (rec, x []float32) {
	x = withoutEnd(excitation)
	if len(recording) <= len(x) {
		recording = withoutEnd(recording)
	}
	return recording, x
}

// withoutEnd returns x without the zeros at its end.
func withoutEnd(x []float32) []float32 {
	n := len(x)
	for n > 0 && x[n-1] == 0 {
		n--
	}
	return x[:n]
}

func padded(x []float32, n int) []float32 {
	if len(x) == n {
		return x
	}
	out := make([]float32, n)
	copy(out, x)
	return out
}

// otherProgramError is a recording in which nothing of what was supposed to have
// been played was found.
type otherProgramError struct {
	error
	named bool // what was played was a file
	// How long the recording is, and what was played, in s.
	recordedS, playedS float64
}

// Error adds where the recording is too short to hold what was played.
func (e *otherProgramError) Error() string {
	var missed *deconv.NotFoundError
	text := e.error.Error()
	switch {
	case e.recordedS >= e.playedS || errors.As(e.error, &missed) && missed.Silent:
		return text
	case missed != nil:
		text += fmt.Sprintf("; the recording lasts only %.1f s", e.recordedS)
	}
	return text + fmt.Sprintf("; what was played takes %.1f s", e.playedS)
}

// playedS is how long what was played takes, in s, without the silences around it.
func playedS(in measurement.Input) float64 {
	p := in.Program
	if p == nil {
		return float64(len(in.Excitation)) / in.SampleRate
	}
	return float64(p.Frames)/p.Sweep.SampleRate - p.Options.LeadS - p.Options.TailS
}

// silentSweepError is a file that was named as what was played, and holds no sound.
type silentSweepError struct{ path string }

func (e *silentSweepError) Error() string {
	return e.path + ": the file that was named as played is silent"
}

// Hint says what to do about it.
func (e *silentSweepError) Hint() string { return "name the file that was played: --sweep FILE" }

func (e *otherProgramError) Unwrap() error { return e.error }

// Hint adds to what the error itself knows how to say what was played.
func (e *otherProgramError) Hint() string {
	hint := innermostHint(e.error)
	var missed *deconv.NotFoundError
	if !e.named && errors.As(e.error, &missed) && !missed.Silent {
		hint += "; say what was played: --sweep FILE, or --duration, --range, --quick as they were given to the sweep command"
	}
	return hint
}

// programDescribed returns the program that the options describe. Where they do not say
// its rate, that is the recording's, or the one that the sweep command writes by
// itself: whichever the recording holds.
func programDescribed(ctx context.Context, play sweepFlags, source string, rec []float32, rate float64) (*sweep.Program, error) {
	if play.rate != 0 {
		p, _, err := play.program(source, "", play.rate)
		return p, err
	}
	p, _, err := play.program(source, "", min(max(rate, sweep.MinRate), sweep.MaxRate))
	if err != nil || rate == fileRate || !(rate >= leastRecorded*fileRate && rate <= mostRecorded*fileRate) {
		return p, err
	}
	usual, _, err := play.program(source, "", fileRate)
	if err != nil {
		return p, nil
	}
	if p.Sweep.SampleRate == rate && holds(ctx, rec, p) {
		return p, nil
	}
	if holds(ctx, clock.Resample(rec, rate/fileRate), usual) {
		return usual, nil
	}
	return p, ctx.Err()
}

// holds reports whether a recording at a program's rate holds that program, as
// far as its time marks tell.
func holds(ctx context.Context, rec []float32, p *sweep.Program) bool {
	t, err := clock.Locate(ctx, rec, p, clock.Options{})
	return err == nil && (!p.Options.Marks || t.Known && len(t.Jumps) == 0)
}

// A recording may have another sample rate than what was played, by this much.
const leastRecorded, mostRecorded = 0.4, 2.5

// recorded is one channel of a WAV file.
type recorded struct {
	samples []float32
	others  [][]float32 // the other channels
	rate    float64
	comment string
	remarks []string
}

// readChannel reads one channel of a WAV file, counted from 1; 0: the one with
// the most energy.
func readChannel(path string, channel int) (*recorded, error) {
	channels, f, err := wav.ReadFileSingle(path)
	if err != nil {
		return nil, readError(path, err)
	}
	if channel < 0 || channel > len(channels) {
		return nil, usage(fmt.Sprintf("use 1 to %d", len(channels)), "%s has %s, so there is no channel %d", path, plural(len(channels), "channel"), channel)
	}
	r := &recorded{rate: float64(f.SampleRate), comment: f.Comment, remarks: f.Remarks}
	if channel == 0 {
		channel = loudest(channels) + 1
		if len(channels) > 1 {
			r.remarks = append(r.remarks, fmt.Sprintf("Of the %d channels of %s, channel %d was taken, the one with the most energy; --input-channel chooses another.", len(channels), filepath.Base(path), channel))
		}
	}
	r.samples = channels[channel-1]
	r.others = slices.Delete(slices.Clone(channels), channel-1, channel)
	return r, nil
}

// loudest returns the index of the channel with the most energy; the first of
// equals.
func loudest(channels [][]float32) int {
	best, most := 0, 0.0
	for i, c := range channels {
		var mean, power float64
		for _, v := range c {
			mean += float64(v)
			power += float64(v) * float64(v)
		}
		if n := float64(len(c)); n > 0 {
			power -= mean * mean / n // an offset is no sound
		}
		if power > most {
			best, most = i, power
		}
	}
	return best
}

// readError puts a path before an error of reading, unless it has it already.
func readError(path string, err error) error {
	if strings.Contains(err.Error(), path) {
		return &fileError{"this file cannot be read", err}
	}
	return &fileError{path, err}
}

// readExcitation reads what was played: the program that the file describes, or
// its samples.
func readExcitation(path, recording string, rate float64) (*sweep.Program, []float32, error) {
	channels, f, err := wav.ReadFileSingle(path)
	if err != nil {
		return nil, nil, readError(path, err)
	}
	p, ours, err := sweep.FromComment(f.Comment)
	if err != nil {
		return nil, nil, &fileError{path, err}
	}
	// The description counts only while the file still is what it describes.
	if ours && float64(f.SampleRate) == p.Sweep.SampleRate && same(p, channels) {
		return p, nil, nil
	}
	if float64(f.SampleRate) != rate {
		return nil, nil, &ratesError{recording, path, deconv.RateError{RecordingHz: rate, ExcitationHz: float64(f.SampleRate)}}
	}
	if !ours {
		if p := recognised(channels, float64(f.SampleRate)); p != nil {
			return p, nil, nil
		}
	}
	x := channels[loudest(channels)]
	if !slices.ContainsFunc(x, func(v float32) bool { return v != x[0] }) {
		return nil, nil, &silentSweepError{path}
	}
	return nil, x, nil
}

// recognised returns the program that a file without a description holds, where
// it is one of those that the sweep command writes by itself, at any level: other
// programs drop the description when they write the file again. Else nil.
func recognised(channels [][]float32, rate float64) *sweep.Program {
	var peak float32
	for _, x := range channels {
		for _, v := range x {
			peak = max(peak, v, -v)
		}
	}
	if peak == 0 || rate < sweep.MinRate || rate > sweep.MaxRate {
		return nil
	}
	level := math.Round(2000*math.Log10(float64(peak))) / 100
	for _, limits := range sweep.Ranges() {
		for _, o := range []sweep.ProgramOptions{
			{Sweeps: defaultSweeps, Marks: true}, {Sweeps: defaultSweeps, Marks: true, MarksApart: true},
			{Sweeps: 1, Marks: true}, {Sweeps: 1, Marks: true, MarksApart: true}, {Sweeps: 1},
		} {
			o.Sweep = sweep.Options{StartHz: limits.StartHz, StopHz: limits.StopHz, SampleRate: rate, LevelDBFS: level, CeilingDBFS: sweep.MaxCeilingDBFS}
			p, err := sweep.NewProgram(o)
			if err != nil || p.Frames != len(channels[0]) {
				continue
			}
			// The peak is known to its dither only, the level of the whole far better.
			gain := scale.AmplitudeDB(fitted(p.Only(sweep.KindSweep), channels))
			o.Sweep.LevelDBFS += math.Round(1000*gain) / 1000
			if p, err = sweep.NewProgram(o); err == nil && same(p, channels) {
				return p
			}
		}
	}
	return nil
}

// fitted returns the gain, 0 or more, that brings the program nearest, in least
// squares, to the channel that holds most of it.
func fitted(program []float32, channels [][]float32) float64 {
	var most, energy float64
	for _, v := range program {
		energy += float64(v) * float64(v)
	}
	for _, x := range channels {
		var cross float64
		for i, v := range program {
			cross += float64(v) * float64(x[i])
		}
		most = max(most, cross)
	}
	return most / energy
}

// same reports whether the channels of a file hold what a program plays, to 16
// bits: all of it on one, or its sweeps on one and its marks on another.
func same(p *sweep.Program, channels [][]float32) bool {
	holds := func(kinds ...sweep.Kind) bool {
		return slices.ContainsFunc(channels, func(x []float32) bool { return alike(p.Only(kinds...), x) })
	}
	if holds(sweep.KindSweep, sweep.KindMark, sweep.KindQuiet) {
		return true
	}
	return p.Options.MarksApart && holds(sweep.KindSweep) && holds(sweep.KindMark, sweep.KindQuiet)
}

// rounding is what 16 bits with dither leave of a sample (one and a half steps),
// and the rounding of the level.
const rounding = 2.0 / 32768

func alike(program, x []float32) bool {
	if len(program) != len(x) {
		return false
	}
	for i, v := range program {
		if d := v - x[i]; d > rounding || d < -rounding {
			return false
		}
	}
	return true
}
