package modes

import (
	"errors"
	"math"
	"testing"
)

const tolExact = 1e-9

func TestRigidSmallest(t *testing.T) {
	// By hand: c/2L for each direction at 343.2 m/s.
	room := Dimensions{LengthM: 5.72, WidthM: 4.15, HeightM: 2.55}
	list := Rigid(room, 70)
	want := []struct {
		name string
		hz   float64
	}{
		{"axial 1-0-0", 30},
		{"axial 0-1-0", 343.2 / 8.3},
		{"tangential 1-1-0", math.Hypot(30, 343.2/8.3)},
		{"axial 2-0-0", 60},
		{"axial 0-0-1", 343.2 / 5.1},
	}
	if len(list) != len(want) {
		t.Fatalf("got %v", list)
	}
	for i, w := range want {
		if got := list[i]; got.String() != w.name || !(math.Abs(got.Hz-w.hz) <= tolExact) {
			t.Errorf("%d: got %s %.6f Hz, want %s %.6f Hz", i, got, got.Hz, w.name, w.hz)
		}
	}
	if m := Rigid(room, 90); m[len(m)-1].Order != [3]int{3, 0, 0} || !(math.Abs(m[len(m)-1].Hz-90) <= tolExact) {
		t.Errorf("the mode at the very limit: got %v", m[len(m)-1])
	}
}

// TestRigidCount holds the number of modes against the asymptotic formula
// N = 4π/3·V(f/c)³ + π/4·S(f/c)² + L/8·(f/c) (H. Kuttruff, Room Acoustics, eq.
// 3.20a in the edition known; from memory).
func TestRigidCount(t *testing.T) {
	room := Dimensions{LengthM: 6.1, WidthM: 4.7, HeightM: 2.6}
	l, w, h := room.LengthM, room.WidthM, room.HeightM
	for _, f := range []float64{200, 400, 800} {
		k := f / 343.2
		want := 4*math.Pi/3*l*w*h*k*k*k + math.Pi/4*2*(l*w+l*h+w*h)*k*k + 4*(l+w+h)/8*k
		got := float64(len(Rigid(room, f)))
		const tol = 0.03
		if !(math.Abs(got/want-1) <= tol) {
			t.Errorf("up to %g Hz: %g modes, want about %.1f", f, got, want)
		}
	}
}

func TestRigidError(t *testing.T) {
	// A length known to 1 % makes 1 % of an axial mode's frequency; the air's
	// range of 5 °C at 20 °C half of 5/293.15.
	room := Dimensions{LengthM: 5, WidthM: 4, HeightM: 2.5, ToleranceM: 0.05}
	m := Rigid(room, 40)[0]
	want := m.Hz * math.Hypot(0.01, 5/293.15/2)
	if m.Order != [3]int{1, 0, 0} || !(math.Abs(m.Hz90-want) <= tolExact) {
		t.Errorf("got %v ± %.6f Hz, want ± %.6f Hz", m, m.Hz90, want)
	}
	// 30 °C shifts all frequencies by the square root of the temperatures.
	warm := room
	warm.TemperatureC = 30
	if got, want := Rigid(warm, 50)[0].Hz/m.Hz, math.Sqrt(303.15/293.15); !(math.Abs(got-want) <= tolExact) {
		t.Errorf("30 °C shifts by %.9f, want %.9f", got, want)
	}
}

func TestDimensionsCheck(t *testing.T) {
	for _, bad := range []Dimensions{
		{}, {LengthM: 5, WidthM: 4}, {LengthM: -5, WidthM: 4, HeightM: 3}, {LengthM: math.NaN(), WidthM: 4, HeightM: 3},
		{LengthM: 5, WidthM: 4, HeightM: 3000}, {LengthM: 5, WidthM: 4, HeightM: 3, ToleranceM: 2}, {LengthM: 5, WidthM: 4, HeightM: 3, TemperatureC: 200},
	} {
		var e *DimensionsError
		if err := bad.Check(); !errors.As(err, &e) || e.Hint() == "" {
			t.Errorf("%+v: got %v", bad, err)
		}
		if got := Rigid(bad, 100); got != nil {
			t.Errorf("%+v has modes: %v", bad, got)
		}
	}
	if err := (Dimensions{LengthM: 5.1, WidthM: 3.9, HeightM: 2.4}).Check(); err != nil {
		t.Error(err)
	}
}

func single(hz float64) Mode {
	return Mode{Kind: Single, Hz: hz, Hz90: 0.1, DecayS: 0.8, FromHz: hz, ToHz: hz, Poles: 1}
}

func TestName(t *testing.T) {
	room := Dimensions{LengthM: 5.72, WidthM: 4.15, HeightM: 2.55}
	got := Name([]Mode{single(29.5), single(36), single(41.9), single(59), single(60.4), single(66.8)}, room)
	want := []string{"axial 1-0-0", "", "axial 0-1-0", "", "axial 2-0-0", "axial 0-0-1"}
	for i, n := range got {
		name := ""
		if n.Match != nil {
			name = n.Match.String()
			if !(math.Abs(n.OffHz-(n.Mode.Hz-n.Match.Hz)) <= tolExact) || !(math.Abs(n.OffPercent-100*n.OffHz/n.Match.Hz) <= tolExact) || !(math.Abs(n.OffHz) <= n.ErrorHz) {
				t.Errorf("%d: %+v", i, n)
			}
		}
		if name != want[i] {
			t.Errorf("%.1f Hz is %q, want %q", n.Mode.Hz, name, want[i])
		}
	}
	// 59 Hz is no second 2-0-0, but might have been it.
	if r := got[3].Rivals; len(r) != 1 || r[0].Order != [3]int{2, 0, 0} {
		t.Errorf("rivals of 59 Hz: %v", r)
	}
}

func TestNameGivesNoneTwice(t *testing.T) {
	room := Dimensions{LengthM: 5.72, WidthM: 4.15, HeightM: 2.55}
	var list []Mode
	for hz := 25.0; hz < 150; hz += 0.7 {
		list = append(list, single(hz))
	}
	seen := map[[3]int]bool{}
	last, matched := 0.0, 0
	for _, n := range Name(list, room) {
		if n.Match == nil {
			continue
		}
		matched++
		if seen[n.Match.Order] || n.Match.Hz < last {
			t.Errorf("%v given twice or out of order", n.Match)
		}
		seen[n.Match.Order], last = true, n.Match.Hz
	}
	if all := len(Rigid(room, 149)); matched < all*9/10 {
		t.Errorf("%d of %d modes of the room are named", matched, all)
	}
	if n := Name([]Mode{{Kind: Group, Hz: 73, FromHz: 72, ToHz: 74, DecayS: 0.7, Poles: 2}}, room); n[0].Match != nil || len(n[0].Rivals) != 2 {
		t.Errorf("a group over two modes: %+v", n[0])
	}
	if n := Name(list[:1], Dimensions{}); len(n) != 1 || n[0].Match != nil {
		t.Errorf("no room: %+v", n)
	}
}
