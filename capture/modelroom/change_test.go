package modelroom

import (
	"errors"
	"math"
	"math/cmplx"
	"strings"
	"testing"
)

func openChanged(t *testing.T, texts ...string) *Room {
	t.Helper()
	var o Options
	for _, text := range texts {
		c, err := ParseChange(text)
		if err != nil {
			t.Fatal(err)
		}
		o.Changes = append(o.Changes, c)
	}
	r, err := Open(o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func truthOf(t *testing.T, r *Room, channel int) Truth {
	t.Helper()
	truth, err := r.Truth(channel, "main", 48000)
	if err != nil {
		t.Fatal(err)
	}
	return truth
}

const lfe = 3

// Each change does what it says to the room's own truth, and the room without
// one stays as it was.
func TestChanges(t *testing.T) {
	const tolDB = 1e-6
	plain := truthOf(t, openChanged(t), lfe)
	sum := func(truth Truth, hz float64) complex128 { return truth.ModalResponse(hz) }
	t.Run("filter", func(t *testing.T) {
		got := truthOf(t, openChanged(t, "filter subs 42 Hz -6 dB Q 5"), lfe)
		// The peak of a peaking filter is its gain; far away it does nothing.
		for hz, want := range map[float64]float64{42: -6, 5: 0} {
			db := 20 * math.Log10(cmplx.Abs(sum(got, hz)/sum(plain, hz)))
			tol := tolDB
			if hz == 5 {
				tol = 0.01
			}
			if !(math.Abs(db-want) <= tol) {
				t.Errorf("%g Hz: %g dB, want %g", hz, db, want)
			}
		}
	})
	t.Run("level and polarity", func(t *testing.T) {
		got := truthOf(t, openChanged(t, "level subs -3dB", "invert subs"), lfe)
		want := sum(plain, 50) * complex(-math.Pow(10, -3.0/20), 0)
		if d := cmplx.Abs(sum(got, 50)/want - 1); !(d < 1e-9) {
			t.Errorf("off by %g", d)
		}
	})
	t.Run("one polarity", func(t *testing.T) {
		got := truthOf(t, openChanged(t, "invert rear sub"), lfe)
		for i, sign := range []float64{1, -1} {
			if d := cmplx.Abs(got.Drive(i, 40)/plain.Drive(i, 40) - complex(sign, 0)); !(d < 1e-9) {
				t.Errorf("sub %d: off by %g", i, d)
			}
		}
	})
	t.Run("delay", func(t *testing.T) {
		got := truthOf(t, openChanged(t, "delay front sub 4 ms"), lfe)
		want := cmplx.Exp(complex(0, -2*math.Pi*50*0.004))
		if d := cmplx.Abs(got.Drive(0, 50)/plain.Drive(0, 50) - want); !(d < 1e-9) {
			t.Errorf("off by %g", d)
		}
		if got.Sources[1].DelayS != plain.Sources[1].DelayS {
			t.Error("the other one was delayed too")
		}
	})
	t.Run("absorption", func(t *testing.T) {
		got := truthOf(t, openChanged(t, "absorption 1.6"), lfe)
		for i, m := range got.Modes {
			if !(math.Abs(m.T60S*1.6/plain.Modes[i].T60S-1) < 1e-9) || m.Hz != plain.Modes[i].Hz {
				t.Fatalf("mode %d: %g s at %g Hz, before %g s at %g Hz", i, m.T60S, m.Hz, plain.Modes[i].T60S, plain.Modes[i].Hz)
			}
		}
	})
	t.Run("move", func(t *testing.T) {
		got := truthOf(t, openChanged(t, "move front sub to 0.5, 0.4, 0.3"), lfe)
		if want := [3]float64{0.5, 0.4, 0.3}; got.Sources[0].Position != want {
			t.Errorf("it stands at %v", got.Sources[0].Position)
		}
		if cmplx.Abs(sum(got, 41.35)/sum(plain, 41.35)-1) < 0.05 {
			t.Error("nothing changed at 41 Hz")
		}
	})
	t.Run("none", func(t *testing.T) {
		if got := truthOf(t, openChanged(t), lfe); got.Sources[0].Position != plain.Sources[0].Position || sum(got, 42) != sum(plain, 42) {
			t.Error("a change stayed")
		}
	})
}

func TestParseChange(t *testing.T) {
	for text, want := range map[string]Change{
		"move front sub to 0.5,0.4,0.3":    {Kind: Move, Name: "front sub", At: [3]float64{0.5, 0.4, 0.3}},
		"Move Rear Sub to 0.5m, 0.4m, 1 m": {Kind: Move, Name: "rear sub", At: [3]float64{0.5, 0.4, 1}},
		"absorption 1.5":                   {Kind: Absorption, Amount: 1.5},
		"filter subs 42Hz -6dB Q12":        {Kind: Filter, Name: "subs", Hz: 42, Amount: -6, Q: 12},
		"filter left 42 −6 0.7":            {Kind: Filter, Name: "left", Hz: 42, Amount: -6, Q: 0.7},
		"level back left 2 dB":             {Kind: Level, Name: "back left", Amount: 2},
		"delay subs 5ms":                   {Kind: Delay, Name: "subs", Amount: 0.005},
		"invert rear sub":                  {Kind: Invert, Name: "rear sub"},
	} {
		got, err := ParseChange(text)
		if err != nil || got != want {
			t.Errorf("%q: %+v, %v", text, got, err)
			continue
		}
		if again, err := ParseChange(got.String()); err != nil || again != got {
			t.Errorf("%q written as %q reads as %+v, %v", text, got, again, err)
		}
	}
	for _, text := range []string{"", "move", "move front sub", "move front sub to 1,2", "move front sub to 9,1,1", "move subs to 1,1,1", "move front sub to 3.74,2.02,1.0",
		"absorption", "absorption 9", "absorption NaN", "filter subs 42 -6", "filter subs 42 -60 3", "level kitchen 3", "invert rear sub now", "paint walls", "delay subs 5s", "level subs Inf"} {
		_, err := ParseChange(text)
		var bad *ChangeError
		if !errors.As(err, &bad) || bad.Hint() == "" || strings.Contains(bad.Fact, "%!") {
			t.Errorf("%q: %v", text, err)
		}
	}
}

func FuzzParseChange(f *testing.F) {
	for _, s := range []string{"move front sub to 0.5,0.4,0.3", "filter subs 42Hz -6dB Q12", "delay subs 5ms", "absorption 1.5", "invert rear sub"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		c, err := ParseChange(text)
		if err != nil {
			return
		}
		if again, err := ParseChange(c.String()); err != nil || again != c {
			t.Errorf("%q reads as %+v, and %q as %+v, %v", text, c, c.String(), again, err)
		}
		if _, err := Open(Options{Changes: []Change{c}}); err != nil {
			t.Errorf("%q: %v", text, err)
		}
	})
}
