package main

import (
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"runtime"
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
		Use:   "recover RECORDING.wav",
		Short: "The same from a recording made elsewhere",
		Long: `recover works out a measurement from a recording that was made with another
program, and keeps it in the survey like any take. The sweep may lie anywhere in
the recording.

--sweep names the file that was played: one that sweep wrote, or any other
excitation. Without it the sweep is taken to be the one that the options
describe, as sweep would write it with the same options.`,
		Example: `  roomsonde recover phone.wav --sweep sweep.wav --source left --seat main
  roomsonde recover phone.wav --duration 20
  roomsonde recover noise-recorded.wav --sweep noise-played.wav`,
		Args: oneArgument("recording"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.recover(cmd.Context(), args[0], sweepFile, channel, take, play, mic, read)
		},
	}
	take.add(cmd.Flags())
	cmd.Flags().StringVar(&sweepFile, "sweep", "", "`FILE` that was played: from the sweep command, or any other excitation")
	cmd.Flags().IntVar(&channel, "input-channel", 0, "channel `N` of the recording, counted from 1 (default: the only one, or the first that is not silent)")
	play.add(cmd.Flags())
	mic.add(cmd.Flags())
	read.add(cmd.Flags())
	return cmd
}

func (a *app) recover(ctx context.Context, path, sweepFile string, channel int, take takeFlags, play sweepFlags, micFlags microphoneFlags, read readFlags) error {
	if err := read.check(); err != nil {
		return err
	}
	if err := micFlags.check(); err != nil {
		return err
	}
	recording, rate, remarks, err := readChannel(path, channel)
	if err != nil {
		return err
	}
	in := measurement.Input{Recording: recording, SampleRate: rate}
	if sweepFile != "" {
		if in.Program, in.Excitation, err = readExcitation(sweepFile, rate); err != nil {
			return err
		}
	} else {
		if play.rate != 0 && play.rate != rate {
			return &fileError{path, &deconv.RateError{RecordingHz: rate, ExcitationHz: play.rate}}
		}
		if rate < sweep.MinRate || rate > sweep.MaxRate {
			return &fileError{path, &hintedError{fmt.Sprintf("its sample rate of %g Hz is outside %d to %d Hz", rate, sweep.MinRate, sweep.MaxRate), "record at 44100 or 48000 Hz; to raise the rate afterwards brings nothing back"}}
		}
		if in.Program, _, err = play.program(take.source, rate); err != nil {
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
		fmt.Fprintf(a.talk, "microphone  %s (%s)\n", mic.Name, micWhy)
	}
	draft, err := s.Begin(meta)
	if err != nil {
		return err
	}
	defer draft.Close()
	channels := [][]float32{recording}
	if in.Program == nil {
		// Without the excitation nothing could be worked out again: it is kept
		// as the recording's second channel, both equally long.
		in.Recording, in.Excitation = paired(in.Recording, in.Excitation)
		longest := max(len(in.Recording), len(in.Excitation))
		channels = [][]float32{padded(in.Recording, longest), padded(in.Excitation, longest)}
		meta.Recording.Remarks = append(meta.Recording.Remarks, "Channel 2 of the recording holds the excitation that was played.")
	}
	if err := draft.KeepRecording(rate, channels); err != nil {
		return err
	}
	return a.finish(ctx, draft, meta, in, mic, read)
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

// readChannel reads one channel of a WAV file, counted from 1; 0: the first that
// is not silent.
func readChannel(path string, channel int) (samples []float32, rate float64, remarks []string, err error) {
	f, err := wav.ReadFile(path)
	if err != nil {
		return nil, 0, nil, readError(path, err)
	}
	if channel < 0 || channel > len(f.Channels) {
		return nil, 0, nil, usage(fmt.Sprintf("use 1 to %d", len(f.Channels)), "%s has %d channels, so there is no channel %d", path, len(f.Channels), channel)
	}
	if channel == 0 {
		channel = 1
		for i, c := range f.Channels {
			if sounds(c) {
				channel = i + 1
				break
			}
		}
		if len(f.Channels) > 1 {
			remarks = append(remarks, fmt.Sprintf("Of the %d channels of %s, channel %d was taken; --input-channel chooses another.", len(f.Channels), filepath.Base(path), channel))
		}
	}
	samples = make([]float32, f.Frames())
	for i, v := range f.Channels[channel-1] {
		samples[i] = float32(v)
	}
	return samples, float64(f.SampleRate), append(f.Remarks, remarks...), nil
}

func sounds(x []float64) bool {
	for _, v := range x {
		if v != 0 {
			return true
		}
	}
	return false
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
func readExcitation(path string, rate float64) (*sweep.Program, []float32, error) {
	f, err := wav.ReadFile(path)
	if err != nil {
		return nil, nil, readError(path, err)
	}
	if float64(f.SampleRate) != rate {
		return nil, nil, &fileError{path, &deconv.RateError{RecordingHz: rate, ExcitationHz: float64(f.SampleRate)}}
	}
	p, ours, err := sweep.FromComment(f.Comment)
	if err != nil {
		return nil, nil, &fileError{path, err}
	}
	channel := 0
	for i, c := range f.Channels {
		if sounds(c) {
			channel = i
			break
		}
	}
	samples := make([]float32, f.Frames())
	for i, v := range f.Channels[channel] {
		samples[i] = float32(v)
	}
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
