package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"roomsonde/capture/wav"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv"
	"roomsonde/sweep"
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
the recording.

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
		"rate":     "sample rate of the sweep that was played (default: the recording's)",
		"level":    "peak level of the sweep that was played (default: -30)",
		"ceiling":  "ceiling of the sweep that was played, where it was raised (default: -12)",
		"range":    "range of the sweep that was played, `NAME` being full, sub or tweeter (default: from --source)",
		"sweeps":   "how many sweeps were played, `N` from 1 to 8",
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
	f, err := wav.ReadFile(draft.RecordingPath())
	if err != nil {
		return readError(draft.RecordingPath(), err)
	}
	meta := draft.Meta()
	in, err := inputOf(meta, draft.Dir(), f)
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
	m, err := measurement.Work(ctx, in, read.options(mic))
	if err != nil {
		if errors.Is(err, context.Canceled) {
			return &keptError{err, draft.Dir()}
		}
		return fmt.Errorf("take %s: %w", meta.ID, err)
	}
	return a.complete(draft, meta, m, mic, read)
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
	recording, rate, comment, remarks, err := readChannel(path, channel)
	if err != nil {
		return err
	}
	in := measurement.Input{Recording: recording, SampleRate: rate}
	if sweepFile == "" && !described {
		// A recording of ours may say itself what was played.
		if in.Program, err = programOf(path, comment); err != nil {
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
		if play.rate != 0 && play.rate != rate {
			return &ratesError{path, "the sweep described", deconv.RateError{RecordingHz: rate, ExcitationHz: play.rate}}
		}
		if rate < sweep.MinRate || rate > sweep.MaxRate {
			return &fileError{path, &hintedError{fmt.Sprintf("its sample rate of %g Hz is outside %d to %d Hz", rate, sweep.MinRate, sweep.MaxRate), "record at 44100 or 48000 Hz; to raise the rate afterwards brings nothing back"}}
		}
		if in.Program, _, err = play.program(take.source, "", rate); err != nil {
			return err
		}
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
	meta.Recording.Remarks = remarks
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
	channels := [][]float32{recording}
	if in.Program == nil {
		// Without the excitation nothing could be worked out again: it is kept
		// as the recording's second channel, both equally long.
		in.Recording, in.Excitation = paired(in.Recording, in.Excitation)
		longest := max(len(in.Recording), len(in.Excitation))
		channels = [][]float32{padded(in.Recording, longest), padded(in.Excitation, longest)}
		meta.Recording.Remarks = append(meta.Recording.Remarks, "Channel 2 of the recording holds the excitation that was played.")
	}
	// The file is the user's and stays where it is, so it is worked out first: a
	// recording without a sweep in it makes no take.
	m, err := measurement.Work(ctx, in, read.options(mic))
	var rates *deconv.RateError
	if errors.As(err, &rates) {
		return &ratesError{path, "the sweep that it describes", *rates}
	}
	if err != nil {
		return err
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
	return a.complete(draft, meta, m, mic, read)
}

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
	text, err := os.ReadFile(beside)
	if err != nil {
		return nil, nil // a file that happens to be called so
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

// readChannel reads one channel of a WAV file, counted from 1; 0: the one with
// the most energy. It returns the file's comment too.
func readChannel(path string, channel int) (samples []float32, rate float64, comment string, remarks []string, err error) {
	channels, f, err := wav.ReadFileSingle(path)
	if err != nil {
		return nil, 0, "", nil, readError(path, err)
	}
	if channel < 0 || channel > len(channels) {
		return nil, 0, "", nil, usage(fmt.Sprintf("use 1 to %d", len(channels)), "%s has %s, so there is no channel %d", path, plural(len(channels), "channel"), channel)
	}
	remarks = f.Remarks
	if channel == 0 {
		channel = loudest(channels) + 1
		if len(channels) > 1 {
			remarks = append(remarks, fmt.Sprintf("Of the %d channels of %s, channel %d was taken, the one with the most energy; --input-channel chooses another.", len(channels), filepath.Base(path), channel))
		}
	}
	return channels[channel-1], float64(f.SampleRate), f.Comment, remarks, nil
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
	if float64(f.SampleRate) != rate {
		return nil, nil, &ratesError{recording, path, deconv.RateError{RecordingHz: rate, ExcitationHz: float64(f.SampleRate)}}
	}
	p, ours, err := sweep.FromComment(f.Comment)
	if err != nil {
		return nil, nil, &fileError{path, err}
	}
	samples := channels[loudest(channels)]
	// The description counts only while the file still is what it describes.
	if ours && same(p.Samples(), samples) {
		return p, nil, nil
	}
	return nil, samples, nil
}

// same reports whether x holds what a program's samples are, to 16 bits.
func same(program, x []float32) bool {
	if len(program) != len(x) {
		return false
	}
	for i, v := range program {
		if d := v - x[i]; d > 1.0/32768 || d < -1.0/32768 {
			return false
		}
	}
	return true
}
