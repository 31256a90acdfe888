package waterfall

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"roomsonde/deconv"
	"roomsonde/sweep/scale"
	"roomsonde/sweep/scale/outsidetest"
)

// The project's own bound for the agreement with SciPy, above the floor.
const tolSciPyDB = 0.1

const script = "../../testdata/reference/waterfall_scipy.py"

func writeFloats(t *testing.T, name string, x []float64) string {
	t.Helper()
	b := make([]byte, 0, 8*len(x))
	for _, v := range x {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
	}
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// scipy runs the script and returns the levels that it works out, in rows.
func scipy(t *testing.T, columns int, args ...string) [][]float64 {
	t.Helper()
	python := outsidetest.Python(t)
	if _, err := os.Stat(script); err != nil { // also tells the test cache about it
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), "out.f64")
	cmd := exec.Command(python, append(append([]string{script}, args...), out)...)
	if said, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("waterfall_scipy.py: %v\n%s", err, said)
	}
	b, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	var rows [][]float64
	for i := 0; i < len(b)/8; i++ {
		if i%columns == 0 {
			rows = append(rows, nil)
		}
		rows[len(rows)-1] = append(rows[len(rows)-1], scale.PowerDB(math.Float64frombits(binary.LittleEndian.Uint64(b[8*i:]))))
	}
	return rows
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', 17, 64) }

// livingRoom and seminarRoom are measured responses from the open data (the README
// in their folder says from where).
func livingRoom(t *testing.T) deconv.ImpulseResponse {
	return measured(t, "living-room/living_room_1.wav")
}
func seminarRoom(t *testing.T) deconv.ImpulseResponse {
	return measured(t, "seminar-room/rir_clap.wav")
}

func measured(t *testing.T, name string) deconv.ImpulseResponse {
	t.Helper()
	python := outsidetest.Python(t)
	path := outsidetest.Data(t, name)
	raw := filepath.Join(t.TempDir(), "room.f64")
	out, err := exec.Command(python, "-c", `import sys,soundfile,numpy
x,r=soundfile.read(sys.argv[1],always_2d=True)
x=x[:,0]; x.astype("<f8").tofile(sys.argv[2])
print(r, int(numpy.argmax(abs(x)>=0.1*abs(x).max())))`, path, raw).Output()
	if err != nil {
		t.Fatal(err)
	}
	var rate float64
	var onset int
	if _, err := fmt.Sscan(string(out), &rate, &onset); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(raw)
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float64, len(b)/8)
	for i := range x {
		x[i] = math.Float64frombits(binary.LittleEndian.Uint64(b[8*i:]))
	}
	return deconv.ImpulseResponse{SampleRate: rate, Samples: x, Zero: onset}
}

// agree compares levels above the floor, and wants so many of them.
func agree(t *testing.T, got, want [][]float64, masked func(i, k int) bool, least int) {
	t.Helper()
	compared, wrong, worst := 0, 0, 0.0
	for i := range want {
		for k := range want[i] {
			if masked(i, k) {
				continue
			}
			compared++
			d := math.Abs(got[i][k] - want[i][k])
			worst = math.Max(worst, d)
			if !(d <= tolSciPyDB) {
				if wrong++; wrong <= 5 {
					t.Errorf("row %d, column %d: %.3f dB, SciPy %.3f dB", i, k, got[i][k], want[i][k])
				}
			}
		}
	}
	if wrong > 0 {
		t.Errorf("%d of %d values differ by more than %g dB", wrong, compared, tolSciPyDB)
	}
	if compared < least {
		t.Errorf("only %d values compared, want %d", compared, least)
	}
	t.Logf("%d values, largest difference %.5f dB", compared, worst)
}

func slicesBySciPy(t *testing.T, ir deconv.ImpulseResponse, w *Waterfall) [][]float64 {
	t.Helper()
	return scipy(t, len(w.Hz), "slices", writeFloats(t, "raw.f64", ir.Samples), number(ir.SampleRate), number(float64(ir.Zero)+*w.Options.OnsetS*ir.SampleRate),
		number(w.Options.RiseS), number(w.Options.WindowS), writeFloats(t, "times.f64", w.TimesS), writeFloats(t, "hz.f64", w.Hz), strconv.Itoa(w.Options.PerOctave))
}

// The waterfall against a direct computation at the full rate (NumPy, SciPy).
func TestWaterfallAgainstSciPy(t *testing.T) {
	const noise = 2e-5
	late := -0.0123456 // an onset between samples
	for _, c := range []struct {
		name  string
		ir    func(t *testing.T) deconv.ImpulseResponse
		noise *deconv.Noise
		o     Options
		least int
	}{
		{"bass", func(*testing.T) deconv.ImpulseResponse { return room(2, noise) }, white(noise), Options{}, 50_000},
		{"bass, other windows", func(*testing.T) deconv.ImpulseResponse { return room(2, noise) }, white(noise), Options{FromHz: 15, ToHz: 150, WindowS: 0.8, RiseS: 0.05, StepS: 0.0377, OnsetS: &late}, 8_000},
		{"full range", func(*testing.T) deconv.ImpulseResponse { return room(2, noise) }, white(noise), Options{ToHz: 20000}, 8_000},
		{"measured, bass", livingRoom, nil, Options{WindowS: 0.3, SpanS: 0.4}, 10_000},
		{"measured, a second room", seminarRoom, nil, Options{WindowS: 0.3, SpanS: 0.4}, 5_000},
		{"measured, full range", livingRoom, nil, Options{ToHz: 20000, SpanS: 0.3}, 5_000},
	} {
		t.Run(c.name, func(t *testing.T) {
			ir := c.ir(t)
			w := mustWaterfall(t, ir, c.noise, c.o)
			agree(t, w.DB, slicesBySciPy(t, ir, w), w.Masked, c.least)
		})
	}
}

// The picture of constant relative bandwidth against complex bands at the full
// rate (NumPy, SciPy).
func TestEnergyAgainstSciPy(t *testing.T) {
	const noise = 2e-5
	for _, c := range []struct {
		name  string
		ir    func(t *testing.T) deconv.ImpulseResponse
		noise *deconv.Noise
		o     EnergyOptions
		least int
	}{
		{"full range", func(*testing.T) deconv.ImpulseResponse { return room(2, noise) }, white(noise), EnergyOptions{PerOctave: 4}, 10_000},
		{"bass, linear", func(*testing.T) deconv.ImpulseResponse { return room(2, noise) }, white(noise), EnergyOptions{ToHz: 300, Linear: true, FromS: -0.05, ToS: 0.6, Bandwidth: 1.0 / 12, PerOctave: 6}, 5_000},
		{"measured", livingRoom, nil, EnergyOptions{PerOctave: 4}, 5_000},
	} {
		t.Run(c.name, func(t *testing.T) {
			ir := c.ir(t)
			e := mustEnergy(t, ir, c.noise, c.o)
			want := scipy(t, len(e.TimesS), "energy", writeFloats(t, "raw.f64", ir.Samples), number(ir.SampleRate), number(float64(ir.Zero)+*e.Options.OnsetS*ir.SampleRate),
				number(e.Options.Bandwidth), writeFloats(t, "edges.f64", e.EdgesS), writeFloats(t, "hz.f64", e.Hz))
			agree(t, e.DB, want, e.Masked, c.least)
		})
	}
}
