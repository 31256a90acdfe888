package modes

import (
	"math"
	"testing"

	"roomsonde/capture"
	"roomsonde/capture/modelroom"
	"roomsonde/deconv"
	"roomsonde/sweep"
)

// measured plays a sweep in the model room, at its usual noise, and works out
// the impulse response as a measurement does.
func measured(t testing.TB, seat string, channel int) (deconv.ImpulseResponse, modelroom.Truth) {
	t.Helper()
	program, err := sweep.NewProgram(sweep.ProgramOptions{Sweep: sweep.Options{SampleRate: 48000, Seconds: 5}})
	if err != nil {
		t.Fatal(err)
	}
	room, err := modelroom.Open(modelroom.Options{Seat: seat, Seed: 4})
	if err != nil {
		t.Fatal(err)
	}
	rec, err := room.PlayRecord(t.Context(), capture.Job{
		SampleRate: 48000, Tracks: []capture.Track{{Channel: channel, Samples: program.Samples()}}, Frames: program.Frames + 4800,
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := deconv.Recover(t.Context(), rec.Samples, program, deconv.Options{Aligned: true})
	if err != nil {
		t.Fatal(err)
	}
	truth, err := room.Truth(channel, seat, 48000)
	if err != nil {
		t.Fatal(err)
	}
	return res.Impulse, truth
}

// TestMeasuredModelRoom goes the whole way: sweep, room with its noise, deconvolution, three
// seats, modes. Those below 70 Hz that any seat hears come out within what is
// stated, and within 0.2 Hz and 5 %.
func TestMeasuredModelRoom(t *testing.T) {
	const (
		hz    = 0.2
		share = 0.05
	)
	var irs []deconv.ImpulseResponse
	var truth modelroom.Truth
	for _, seat := range []string{"main", "left end", "right end"} {
		ir, tr := measured(t, seat, lfe)
		irs, truth = append(irs, ir), tr
	}
	for name, list := range map[string][]deconv.ImpulseResponse{"three seats": irs, "the right end": irs[2:]} {
		res := find(t, Options{}, list...)
		explains(t, name, res)
		checked, held := 0, 0
		for _, m := range truth.Modes {
			if m.Hz < 20 || m.Hz > 70 || math.Abs(m.AtSeat) < 0.1 {
				continue
			}
			delta := math.Log(1000) / m.T60S
			want := math.Sqrt(m.Hz*m.Hz - delta*delta/4/math.Pi/math.Pi)
			got := nearest(res.Modes, want)
			checked++
			if math.Abs(got.Hz-want) <= got.Hz90 && math.Abs(got.DecayS-m.T60S) <= got.DecayS90 {
				held++
			}
			t.Logf("%s: %v %.3f ± %.3f Hz (%.3f), %.3f ± %.3f s (%.3f), %.1f ± %.1f dB", name, m.Order, got.Hz, got.Hz90, want, got.DecayS, got.DecayS90, m.T60S, got.At[0].LevelDB, got.At[0].LevelDB90)
			if !(math.Abs(got.Hz-want) <= hz) || !(math.Abs(got.DecayS/m.T60S-1) <= share) {
				t.Errorf("%s: %v: %.3f Hz %.3f s, want %.3f Hz %.3f s", name, m.Order, got.Hz, got.DecayS, want, m.T60S)
			}
		}
		if checked < 3 || held < checked-1 {
			t.Errorf("%s: of %d modes %d are within what is stated", name, checked, held)
		}
	}
}
