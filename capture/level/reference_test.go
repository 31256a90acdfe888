package level

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"roomsonde/capture"
	"roomsonde/capture/modelroom"
	"roomsonde/sweep"
	"roomsonde/sweep/scale/outsidetest"
)

// snrTolDB is for noise that is heard for 3 s in a band of 22 Hz (a standard error
// of 0.5 dB), and for the probe's lowest octave, which begins at 24 Hz.
const snrTolDB = 1.5

// TestSNRAgainstSciPy holds the S/N that a search foretells against what SciPy's
// Butterworth octave bands find in the recording of the real sweep at that level
// (testdata/reference/octaves.py).
func TestSNRAgainstSciPy(t *testing.T) {
	python := outsidetest.Python(t)
	room, err := modelroom.Open(modelroom.Options{Seed: 11})
	if err != nil {
		t.Fatal(err)
	}
	program := func(levelDBFS float64) *sweep.Program {
		p, err := sweep.NewProgram(sweep.ProgramOptions{Sweeps: 1, Sweep: sweep.Options{LevelDBFS: levelDBFS}})
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	r, err := Find(t.Context(), room, Options{Program: program(0)}, nil)
	if err != nil {
		t.Fatal(err)
	}
	p := program(r.LevelDBFS)
	record := func(samples []float32, frames int) string {
		job := capture.Job{SampleRate: 48000, Frames: frames, Tracks: []capture.Track{{Samples: samples}}}
		rec, err := room.PlayRecord(t.Context(), job, nil)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := binary.Write(&b, binary.LittleEndian, rec.Samples); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(t.TempDir(), "samples.f32")
		if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	args := []string{filepath.Join("testdata", "reference", "octaves.py"), "48000", fmt.Sprint(p.Sweep.RateS),
		record(p.Samples(), p.Frames), record(nil, 30*48000)}
	for _, o := range r.Octaves {
		args = append(args, fmt.Sprint(o.Band.MidHz))
	}
	out, err := exec.CommandContext(t.Context(), python, args...).Output()
	if err != nil {
		t.Fatal(err)
	}
	var want []float64
	if err := json.Unmarshal(out, &want); err != nil {
		t.Fatal(err)
	}
	if len(want) != len(r.Octaves) || len(want) < 9 {
		t.Fatalf("%d octaves, SciPy has %d", len(r.Octaves), len(want))
	}
	for i, o := range r.Octaves {
		if !(math.Abs(o.SNRDB-want[i]) <= snrTolDB) {
			t.Errorf("%g Hz: S/N %.2f dB foretold, SciPy finds %.2f dB", o.Band.NominalHz, o.SNRDB, want[i])
		}
		t.Logf("%g Hz: %.2f dB, SciPy %.2f dB", o.Band.NominalHz, o.SNRDB, want[i])
	}
}
