package reflections

import (
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"strings"
	"testing"

	"roomsonde/capture/modelroom"
	"roomsonde/deconv"
	"roomsonde/sweep/scale"
	"roomsonde/sweep/scale/outsidetest"
)

// The envelope against scipy.signal.hilbert, of the response of the open living
// room (Open AIR Library, University of York, public domain) filtered by
// numpy.fft with the band as its comment describes it.
func TestEnvelopeAgainstSciPy(t *testing.T) {
	const tolDB = 0.005 // the script takes the whole response, Find a faded part of it
	const script = `
import json, sys
import numpy as np, soundfile
from scipy.signal import hilbert
path, low, high = sys.argv[1], float(sys.argv[2]), float(sys.argv[3])
x, rate = soundfile.read(path, always_2d=True)
x = x[:, 0]
n = 1 << 17
f = np.fft.rfftfreq(n, 1 / rate)
f[0] = 1e-9
def rising(edge):
    return 0.5 - 0.5 * np.cos(np.pi * np.clip(np.log2(f / edge) / 0.5 + 0.5, 0, 1))
y = np.fft.irfft(np.fft.rfft(x, n) * rising(low) * (1 - rising(high)))
e = np.abs(hilbert(y))[: len(x)]
json.dump({"rate": rate, "x": list(x), "e": list(e)}, sys.stdout)
`
	for _, c := range [][2]string{{"1000", "8000"}, {"500", "4000"}} {
		cmd := exec.Command(outsidetest.Python(t), "-c", script, outsidetest.Data(t, "living-room/living_room_1.wav"), c[0], c[1])
		cmd.Stderr = os.Stderr
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		var want struct {
			Rate float64
			X, E []float64
		}
		if err := json.Unmarshal(out, &want); err != nil {
			t.Fatal(err)
		}
		ir := deconv.ImpulseResponse{SampleRate: want.Rate, Samples: want.X}
		for i, v := range want.X {
			if math.Abs(v) > math.Abs(want.X[ir.Zero]) {
				ir.Zero = i
			}
		}
		var o Options
		if err := json.Unmarshal([]byte(`{"FromHz":`+c[0]+`,"ToHz":`+c[1]+`}`), &o); err != nil {
			t.Fatal(err)
		}
		r := find(t, ir, o)
		if !r.OK || len(r.LevelDB) < 2000 {
			t.Fatalf("%d points, %q", len(r.LevelDB), r.Reason)
		}
		first := int(math.Round((r.TimeS[0]+r.DirectS)*want.Rate)) + ir.Zero
		// The peak between the samples is ours; the curves may differ by a constant
		// that small.
		var sum, worst float64
		for i, db := range r.LevelDB {
			sum += db - scale.AmplitudeDB(want.E[first+i])
		}
		offset := sum / float64(len(r.LevelDB))
		top := 0.0
		for i := -66; i <= 66; i++ { // 1.5 ms
			top = math.Max(top, want.E[max(0, ir.Zero+i)])
		}
		if d := offset + scale.AmplitudeDB(top); !(d <= tolDB && d >= -0.2) {
			t.Errorf("%v: the reference is %.4f dB off SciPy's highest sample", c, d)
		}
		for i, db := range r.LevelDB {
			if w := scale.AmplitudeDB(want.E[first+i]) + offset; w > -50 {
				worst = math.Max(worst, math.Abs(db-w))
			}
		}
		t.Logf("%v Hz: worst difference above -50 dB: %.5f dB; %d arrivals %+v", c, worst, len(r.Arrivals), r.Arrivals)
		if !(worst <= tolDB) {
			t.Errorf("%v: envelope differs by %.4f dB", c, worst)
		}
	}
}

// The model room's image sources (J. B. Allen, D. A. Berkley, JASA 65, 1979;
// from memory): the mirror images of each loudspeaker, worked out here from the
// room's measures and the positions alone.
func TestImageSources(t *testing.T) {
	const (
		c    = 343.2
		tolS = 3e-5 // walls are minimum-phase and delay by a sample or so
	)
	size := [3]float64{5.72, 4.15, 2.55}
	seat := [3]float64{3.74, 2.02, 1.06}
	room, err := modelroom.Open(modelroom.Options{})
	if err != nil {
		t.Fatal(err)
	}
	isolated, named := 0, 0
	for channel, name := range room.Channels() {
		if name == "LFE" {
			continue
		}
		truth, err := room.Truth(channel, "main", 48000)
		if err != nil {
			t.Fatal(err)
		}
		source := truth.Sources[0]
		if got := distance(source.Position, seat); !(math.Abs(got-source.DistanceM) <= 1e-9) {
			t.Fatalf("%s: the seat is %.3f m away, the room says %.3f", source.Name, got, source.DistanceM)
		}
		var delays, loud []float64 // of all images up to order 6, s after the direct sound; 1/distance re it
		first := map[int]bool{}
		for x := -6; x <= 6; x++ {
			for y := -6; y <= 6; y++ {
				for z := -6; z <= 6; z++ {
					order := abs(x) + abs(y) + abs(z)
					if order == 0 || order > 6 {
						continue
					}
					p := [3]float64{mirror(source.Position[0], size[0], x), mirror(source.Position[1], size[1], y), mirror(source.Position[2], size[2], z)}
					d := distance(p, seat)
					if order == 1 {
						first[len(delays)] = true
					}
					delays = append(delays, (d-source.DistanceM)/c)
					loud = append(loud, source.DistanceM/d)
				}
			}
		}
		ir := deconv.ImpulseResponse{SampleRate: truth.SampleRate, Samples: truth.ImpulseFlat, Zero: int(math.Round((source.DistanceM/c + source.DelayS) * truth.SampleRate))}
		r := find(t, ir, Options{WithinS: 0.025, Most: 100})
		if !r.OK {
			t.Fatalf("%s: %s", name, r.Reason)
		}
		for _, a := range r.Arrivals {
			near := math.Inf(1)
			for _, d := range delays {
				near = math.Min(near, math.Abs(a.DelayS-d))
			}
			// Where two images overlap, the peak lies between them.
			if named++; !(near <= tolS+r.ResolutionS/2) {
				t.Errorf("%s: an arrival after %.3f ms, %.1f dB, and no image within %.3f ms", name, 1000*a.DelayS, a.LevelDB, 1000*near)
			}
		}
		// Every image of first order is found that has nothing within two widths of
		// it, and does not lie in a crowd of others.
		for i := range delays {
			if !first[i] || delays[i] > r.SearchedS {
				continue
			}
			alone := delays[i] > 4*r.ResolutionS
			crowd := 0.0 // how much of the 6 ms around it other images fill
			for k, d := range delays {
				away := math.Abs(d - delays[i])
				alone = alone && (k == i || away > 2*r.ResolutionS)
				if k != i && away < aroundS {
					crowd += 2 * r.ResolutionS
				}
			}
			alone = alone && crowd < aroundS // less than half
			if !alone {
				continue
			}
			isolated++
			found := false
			for _, a := range r.Arrivals {
				if math.Abs(a.DelayS-delays[i]) <= tolS {
					found = true
					// The wall takes from it what the room's decay wants; it cannot add.
					if most := scale.AmplitudeDB(loud[i]); !(a.LevelDB <= most+0.5 && a.LevelDB >= most-10) {
						t.Errorf("%s: the image after %.3f ms has %.1f dB, want at most %.1f", name, 1000*delays[i], a.LevelDB, most)
					}
				}
			}
			if !found {
				t.Errorf("%s: the image after %.3f ms is missing in %s", name, 1000*delays[i], list(r.Arrivals))
			}
		}
	}
	t.Logf("%d arrivals named, %d lone images of first order", named, isolated)
	if isolated < 10 || named < 30 {
		t.Errorf("only %d lone images and %d arrivals to compare", isolated, named)
	}
}

func mirror(x, size float64, n int) float64 {
	if n%2 == 0 {
		return float64(n)*size + x
	}
	return float64(n+1)*size - x
}

func distance(a, b [3]float64) float64 {
	return math.Sqrt((a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2]))
}

func abs(i int) int {
	if i < 0 {
		return -i
	}
	return i
}

func list(arrivals []Arrival) string {
	b, _ := json.Marshal(arrivals)
	return strings.ReplaceAll(string(b), "},", "}, ")
}
