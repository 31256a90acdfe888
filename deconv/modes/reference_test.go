package modes

import (
	"encoding/binary"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"roomsonde/capture/wav"
	"roomsonde/deconv"
	"roomsonde/sweep/scale/outsidetest"
)

const pencilScript = "../../testdata/reference/modes_pencil.py"

// pencil is what the script finds in a response: a mode each.
func pencil(t *testing.T, ir deconv.ImpulseResponse, topHz float64, order int, seconds float64) []Mode {
	t.Helper()
	python := outsidetest.Python(t)
	if _, err := os.Stat(pencilScript); err != nil { // also tells the test cache about it
		t.Fatal(err)
	}
	raw := filepath.Join(t.TempDir(), "ir.f64")
	b := make([]byte, 0, 8*len(ir.Samples))
	for _, v := range ir.Samples {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
	}
	if err := os.WriteFile(raw, b, 0o600); err != nil {
		t.Fatal(err)
	}
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	cmd := exec.Command(python, pencilScript, raw, number(ir.SampleRate), strconv.Itoa(ir.FirstArrival()), number(topHz), strconv.Itoa(order), number(seconds))
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("modes_pencil.py: %v", err)
	}
	var list [][4]float64
	if err := json.Unmarshal(out, &list); err != nil {
		t.Fatal(err)
	}
	var found []Mode
	for _, l := range list {
		found = append(found, Mode{Kind: Single, Hz: l[0], DecayS: l[1], At: []Strength{{LevelDB: l[2], PhaseRad: l[3]}}})
	}
	return found
}

// nearest returns the mode next to a frequency.
func nearest(list []Mode, hz float64) Mode {
	best := Mode{Hz: math.Inf(1)}
	for _, m := range list {
		if math.Abs(m.Hz-hz) < math.Abs(best.Hz-hz) {
			best = m
		}
	}
	return best
}

// TestAgainstMatrixPencil: the same modes come out of a matrix pencil in
// NumPy, a method and a code of their own, from the same samples at 48 kHz. Noise at −60 dB,
// so that both see the same limits.
func TestAgainstMatrixPencil(t *testing.T) {
	truth, irs := syntheticRoom(77, 8, 6, -60, 500, 1)
	other := pencil(t, irs[0], 150, 40, 1.0)
	const (
		hz    = 0.05
		share = 0.02
		db    = 0.3
		rad   = 0.05
	)
	res := find(t, Options{}, irs[0])
	if len(res.Modes) != len(truth) {
		t.Fatalf("%d modes of %d", len(res.Modes), len(truth))
	}
	for _, m := range res.Modes {
		o := nearest(other, m.Hz)
		if !(math.Abs(o.Hz-m.Hz) <= hz) || !(math.Abs(o.DecayS/m.DecayS-1) <= share) || !(math.Abs(o.At[0].LevelDB-m.At[0].LevelDB) <= db) ||
			!(math.Abs(math.Remainder(o.At[0].PhaseRad-m.At[0].PhaseRad, 2*math.Pi)) <= rad) {
			t.Errorf("%.3f Hz %.4f s %.2f dB %.3f rad; the matrix pencil finds %.3f Hz %.4f s %.2f dB %.3f rad",
				m.Hz, m.DecayS, m.At[0].LevelDB, m.At[0].PhaseRad, o.Hz, o.DecayS, o.At[0].LevelDB, o.At[0].PhaseRad)
		}
	}
}

// TestModelRoom: the modes of the model room below 70 Hz, where they stand
// apart, are those that it was made of; and the sum of all that is found is the response.
func TestModelRoom(t *testing.T) {
	const (
		tol      = 0.02 // Hz
		tolDecay = 0.01
	)
	ir, truth := modelImpulse(t, lfe, "main")
	res := find(t, Options{}, ir)
	checked := 0
	for _, m := range truth.Modes {
		if m.Hz < 20 || m.Hz > 70 || math.Abs(m.AtSeat) < 0.03 {
			continue
		}
		// It rings at the damped frequency.
		delta := math.Log(1000) / m.T60S
		want := math.Sqrt(m.Hz*m.Hz - delta*delta/4/math.Pi/math.Pi)
		got := nearest(res.Modes, want)
		if !(math.Abs(got.Hz-want) <= tol) || !(math.Abs(got.DecayS/m.T60S-1) <= tolDecay) {
			t.Errorf("%v: %.3f Hz %.3f s, want %.3f Hz %.3f s", m.Order, got.Hz, got.DecayS, want, m.T60S)
		}
		checked++
	}
	if checked < 4 {
		t.Errorf("only %d modes were checked", checked)
	}
	explains(t, "model room, subwoofers", res)
	// With the room's dimensions they get their names.
	named := Name(res.Modes, Dimensions{LengthM: 5.72, WidthM: 4.15, HeightM: 2.55})
	for _, m := range truth.Modes {
		if m.Hz < 20 || m.Hz > 70 || math.Abs(m.AtSeat) < 0.03 {
			continue
		}
		ok := false
		for _, n := range named {
			ok = ok || n.Match != nil && n.Match.Order == m.Order && math.Abs(n.OffHz) < 0.1
		}
		if !ok {
			t.Errorf("%v at %.2f Hz gets no name", m.Order, m.Hz)
		}
	}
}

const wantExplained = 0.95

// explains holds a result to what it must explain: 95 % of the energy below the
// last mode, or it has to say what is left out.
func explains(t *testing.T, name string, res *Result) {
	t.Helper()
	e := res.Explained
	t.Logf("%s: %d modes, %d other; %.0f to %.0f Hz: all that was found explains %.2f %%, the modes alone %.2f %%, not in %+v", name, len(res.Modes), len(res.Other), e.FromHz, e.ToHz, 100*e.All.Share, 100*e.Modes.Share, e.Modes.Rest)
	if !(e.All.Share >= wantExplained) {
		t.Errorf("%s: all that was found explains %.1f %%", name, 100*e.All.Share)
	}
	left := 0.0
	for _, r := range e.Modes.Rest {
		left += r.OfAll
	}
	// What the ranges do not name may be 5 % of their energy at most.
	if missing := 1 - e.Modes.Share; missing > 1-wantExplained && !(left >= missing-(1-wantExplained)) {
		t.Errorf("%s: %.1f %% is not explained, and only %.1f %% of it is named", name, 100*missing, 100*left)
	}
}

// openIR reads a response; its first arrival is its largest sample.
func openIR(t testing.TB, name string) []deconv.ImpulseResponse {
	t.Helper()
	channels, file, err := wav.ReadFileSingle(outsidetest.Data(t, name))
	if err != nil {
		t.Fatal(err)
	}
	var out []deconv.ImpulseResponse
	for _, c := range channels {
		ir := deconv.ImpulseResponse{SampleRate: float64(file.SampleRate), Samples: make([]float64, len(c))}
		for n, v := range c {
			ir.Samples[n] = float64(v)
			if math.Abs(float64(v)) > math.Abs(ir.Samples[ir.Zero]) {
				ir.Zero = n
			}
		}
		out = append(out, ir)
	}
	return out
}

// TestOpenRooms: a living room (The Open AIR Library, living room 1, public
// domain) and a seminar room (spatialaudio/communication-acoustics-exercises,
// CC0 1.0), both measured.
func TestOpenRooms(t *testing.T) {
	explains(t, "living room", find(t, Options{}, openIR(t, "living-room/living_room_1.wav")...))
	ears := openIR(t, "seminar-room/ir_head_m80.wav")
	both := find(t, Options{}, ears...)
	explains(t, "seminar room, both ears", both)

	// A mode belongs to the room: each ear alone finds it where the other does, within
	// what they state. Up to 110 Hz, where modes stand apart.
	left, right := find(t, Options{HighHz: 150}, ears[0]), find(t, Options{HighHz: 150}, ears[1])
	explains(t, "seminar room, left ear", left)
	explains(t, "seminar room, right ear", right)
	same, held := 0, 0
	for _, m := range left.Modes {
		o := nearest(right.Modes, m.Hz)
		if m.Kind != Single || o.Kind != Single || m.Hz > 110 || math.Abs(o.Hz-m.Hz) > 1 {
			continue
		}
		same++
		if math.Abs(o.Hz-m.Hz) <= math.Hypot(m.Hz90, o.Hz90) && math.Abs(o.DecayS-m.DecayS) <= math.Hypot(m.DecayS90, o.DecayS90) {
			held++
		}
		t.Logf("%.2f ± %.2f and %.2f ± %.2f Hz, %.2f ± %.2f and %.2f ± %.2f s", m.Hz, m.Hz90, o.Hz, o.Hz90, m.DecayS, m.DecayS90, o.DecayS, o.DecayS90)
	}
	// Both intervals have to hold: 81 % at best where they are independent.
	if same < 8 || !(float64(held) >= 0.7*float64(same)) {
		t.Errorf("of %d modes that both ears found %d agree", same, held)
	}
}
