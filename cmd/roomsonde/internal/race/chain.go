package main

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"time"

	"roomsonde/calibration"
	"roomsonde/capture"
	"roomsonde/capture/modelroom"
	"roomsonde/capture/wav"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/deconv"
	"roomsonde/deconv/decay"
	"roomsonde/deconv/response"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// The stages of the chain, in its order.
var stages = []string{"read", "deconvolution", "response", "decay", "store"}

const (
	read = iota
	deconvolution
	respond
	decaying
	store
	stageCount
)

// smoothing of the response in the race, 1/octave; and its grid, which is that
// of measurement.Work.
const (
	smoothing = 24
	perOctave = 96
)

// input is what both sides start from: a recording of the built-in room.
type input struct {
	program    *sweep.Program
	microphone *calibration.Microphone
	recording  string // path of the WAV
	latency    int    // frames, for the record
}

// newInput records the model room and writes the recording into folder. The
// same call gives the same recording.
func newInput(ctx context.Context, folder string) (*input, error) {
	// Louder than the default, so that most bands have a decay to evaluate and
	// no side can save work by refusing them.
	program, err := sweep.NewProgram(sweep.ProgramOptions{Sweep: sweep.Options{LevelDBFS: sweep.DefaultCeilingDBFS}})
	if err != nil {
		return nil, err
	}
	room, err := modelroom.Open(modelroom.Options{Seed: 2})
	if err != nil {
		return nil, err
	}
	microphone, err := calibration.Parse(bytes.NewReader(room.CalibrationFile()), "microphone.txt")
	if err != nil {
		return nil, err
	}
	rate := program.Sweep.SampleRate
	latency := int(math.Ceil(room.Device().LatencyS * rate))
	recording, err := room.PlayRecord(ctx, capture.Job{
		SampleRate: rate,
		Tracks:     []capture.Track{{Channel: 0, Samples: program.Samples()}},
		Frames:     program.Frames + latency,
	}, nil)
	if err != nil {
		return nil, err
	}
	in := &input{program: program, microphone: microphone, recording: folder + "/recording.wav", latency: latency}
	return in, writeWAV(in.recording, rate, recording.Samples)
}

// writeWAV writes without waiting for the disk, as SciPy does: how long a disk
// takes to confirm is no part of the race.
func writeWAV[S wav.Sample](path string, rate float64, x []S) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := wav.Write(f, int(rate), [][]S{x}, wav.Options{}); err != nil {
		return err
	}
	return f.Close()
}

// readRecording reads the recording as a card would have delivered it.
func (in *input) readRecording() ([]float32, error) {
	channels, _, err := wav.ReadFileSingle(in.recording)
	if err != nil {
		return nil, err
	}
	return channels[0], nil
}

// options are those of measurement.Work in the race.
func (in *input) options() measurement.Options {
	return measurement.Options{Microphone: in.microphone, Smoothing: smoothing}
}

// ours is what our side worked out.
type ours struct {
	hz, db, noiseDB, degrees, errorDB []float64
	transform                         int // length of the response's transform
	readable                          response.Readable
	bands                             []decay.Band
	distortion                        *response.Distortion
	impulse                           deconv.ImpulseResponse
}

// runStages runs the chain stage by stage, one after the other, by the same
// calls as measurement.Work, and says how long each took.
func (in *input) runStages(ctx context.Context, out string) (*ours, [stageCount]time.Duration, error) {
	var took [stageCount]time.Duration
	o := &ours{}
	var rec []float32
	var res *deconv.Result
	mic := in.microphone
	steps := [stageCount]func() error{
		read: func() (err error) {
			rec, err = in.readRecording()
			return err
		},
		deconvolution: func() (err error) {
			res, err = deconv.Recover(ctx, rec, in.program, deconv.Options{Aligned: true})
			return err
		},
		respond: func() error {
			r, err := response.Of(res.Impulse, response.Window{})
			if err != nil {
				return err
			}
			r = r.Correct(mic.DeviationDB, nil, response.NoPhase)
			r.FromHz, r.ToHz = res.FromHz, res.ToHz
			o.transform = int(math.Round(r.SampleRate / r.StepHz))
			var bins []int
			bins, o.hz = response.Grid(r.StepHz, res.FromHz, res.ToHz, perOctave)
			smoothed := r.Smooth(o.hz, smoothing)
			noise := r.NoisePower(res.Noise, o.hz)
			for i := range o.hz {
				o.db = append(o.db, scale.PowerDB(smoothed[i]))
				o.degrees = append(o.degrees, r.PhaseDegreesAt(bins[i]))
				o.noiseDB = append(o.noiseDB, scale.PowerDB(noise[i]))
				o.errorDB = append(o.errorDB, response.UncertaintyDB(smoothed[i], noise[i], r.Independent(o.hz[i], smoothing)))
			}
			limits := response.Limits{FromHz: res.FromHz, ToHz: res.ToHz, Noise: res.Noise}
			limits.MicFromHz, limits.MicToHz = mic.Range()
			o.readable = r.ReadableBand(limits)
			o.distortion = response.DistortionOf(res, r)
			return nil
		},
		decaying: func() (err error) {
			from, to := mic.Range()
			o.bands, err = decay.Analyse(ctx, res.Impulse, decay.Options{ReadableFromHz: max(from, res.FromHz), ReadableToHz: min(to, res.ToHz)})
			return err
		},
		store: func() error { return writeWAV(out, res.Impulse.SampleRate, res.Impulse.Samples) },
	}
	for i, step := range steps {
		start := time.Now()
		err := step()
		took[i] = time.Since(start)
		if err != nil {
			return nil, took, fmt.Errorf("%s: %w", stages[i], err)
		}
	}
	o.impulse = res.Impulse
	return o, took, nil
}

// runWhole runs the chain as the program does: the recording read,
// measurement.Work, the impulse response stored.
func (in *input) runWhole(ctx context.Context, out string) (*measurement.Measurement, time.Duration, error) {
	start := time.Now()
	rec, err := in.readRecording()
	if err != nil {
		return nil, 0, err
	}
	m, err := measurement.Work(ctx, measurement.Input{
		Passes: []measurement.Pass{{Recording: rec}}, SampleRate: in.program.Sweep.SampleRate, Program: in.program, Aligned: true,
	}, in.options())
	if err != nil {
		return nil, 0, err
	}
	err = writeWAV(out, m.Impulse.SampleRate, m.Impulse.Samples)
	return m, time.Since(start), err
}
