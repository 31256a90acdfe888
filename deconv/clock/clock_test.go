package clock

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"roomsonde/deconv/internal/taketest"
	"roomsonde/sweep"
)

func program(t testing.TB, o sweep.ProgramOptions) *sweep.Program {
	t.Helper()
	p, err := sweep.NewProgram(o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func located(t testing.TB, rec []float32, p *sweep.Program, aligned bool) *Timing {
	t.Helper()
	timing, err := Locate(context.Background(), rec, p, Options{Aligned: aligned})
	if err != nil {
		t.Fatal(err)
	}
	return timing
}

// short is a program with all there is, quickly made.
func short(t testing.TB, stopHz float64) *sweep.Program {
	return program(t, sweep.ProgramOptions{Sweep: sweep.Options{StartHz: 10, StopHz: stopHz, Seconds: 3}, Sweeps: 2, Marks: true})
}

// The skew, within the bounds of the issue: sweeps of 10 s, 30 dB signal over
// noise, one sweep or two, in the room, wherever the recording starts.
func TestSkew(t *testing.T) {
	const tolPPM, tolSubPPM, tolCleanPPM = 0.1, 1, 0.05
	for _, stopHz := range []float64{0, 500} {
		for _, sweeps := range []int{1, 2} {
			p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{StopHz: stopHz}, Sweeps: sweeps, Marks: true})
			delay := 200
			y := taketest.Convolve(p.Samples(), taketest.Room(48000, delay, 0.4, 3))
			skews := []float64{-500e-6, 500e-6}
			if sweeps == 1 {
				skews = []float64{100e-6}
			}
			for _, skew := range skews {
				const late = 1234.25
				clean := taketest.Read(y, p.Frames+30000, late, skew, 32)
				for seed := range uint64(3) {
					snr, tol := 30.0, tolPPM
					if stopHz > 0 {
						tol = tolSubPPM
					}
					if seed == 0 {
						snr, tol = 0, tolCleanPPM
					}
					got := located(t, taketest.Noisy(clean, snr, seed), p, seed < 2)
					off := 1e6 * (got.Skew - skew)
					t.Logf("up to %g Hz, %d sweeps, %4g ppm, %2g dB: off by %7.4f ppm, σ %.4f", p.Sweep.StopHz, sweeps, 1e6*skew, snr, off, 1e6*got.SkewStdErr)
					if !got.Known || !got.ByMarks || len(got.Jumps) != 0 || !(math.Abs(off) <= tol) {
						t.Errorf("up to %g Hz, %d sweeps, %g ppm, %g dB: off by %.4f ppm, want within %g: %+v", p.Sweep.StopHz, sweeps, 1e6*skew, snr, off, tol, got)
					}
					// 0.05 of a frame is 1 µs; through a subwoofer the room has its say.
					if o := got.Origin - late - float64(delay)/(1+skew); stopHz == 0 && !(math.Abs(o) <= 0.01) {
						t.Errorf("%g ppm, %g dB: origin off by %.4f frames", 1e6*skew, snr, o)
					}
				}
			}
		}
	}
}

// The standard error that is told is the error that is made: over many takes
// their ratio is near 1.
func TestStandardErrorOfTheSkew(t *testing.T) {
	for _, stopHz := range []float64{0, 500} {
		p := short(t, stopHz)
		y := taketest.Convolve(p.Samples(), taketest.Room(48000, 200, 0.4, 3))
		y = append(y, make([]float64, 20000)...)
		const takes = 24
		var sum, expected float64
		for seed := range uint64(takes) {
			got := located(t, taketest.Noisy(y, 20, seed), p, true)
			sum += got.Skew * got.Skew
			expected += got.SkewStdErr * got.SkewStdErr
		}
		// The rms of 24 values is known to 14 %.
		ratio := math.Sqrt(sum / expected)
		t.Logf("up to %g Hz: error %.4f ppm, told %.4f ppm", p.Sweep.StopHz, 1e6*math.Sqrt(sum/takes), 1e6*math.Sqrt(expected/takes))
		if !(ratio > 0.6 && ratio < 1.5) {
			t.Errorf("up to %g Hz: the error is %.2f times what is told", p.Sweep.StopHz, ratio)
		}
	}
}

// The same way gives the same time: takes of one place differ in Origin by less than
// a microsecond at 30 dB.
func TestOriginRepeats(t *testing.T) {
	const tolFrames = 1e-6 * 48000
	p := short(t, 0)
	for seed := range uint64(2) {
		y := taketest.Convolve(p.Samples(), taketest.Room(48000, 200, 0.5, seed))
		for k := range uint64(3) {
			late := 400 + 217.43*float64(k)
			skew := 3e-6 * float64(k)
			rec := taketest.Noisy(taketest.Read(y, p.Frames+20000, late, skew, 32), 30, k)
			got := located(t, rec, p, true)
			if d := got.Origin - late - 200; !(math.Abs(d) <= tolFrames) {
				t.Errorf("room %d, take %d: origin off by %.4f frames, want within %.4f", seed, k, d, tolFrames)
			}
		}
	}
}

// Lost and repeated frames are found, where and how many.
func TestJumps(t *testing.T) {
	for _, stopHz := range []float64{0, 500} {
		p := short(t, stopHz)
		y := taketest.Convolve(p.Samples(), taketest.Room(48000, 200, 0.4, 3))
		y = append(y, make([]float64, 20000)...)
		starts := p.Starts(sweep.KindSweep)
		for i, frames := range []int{-16, 16, -64, 128, -1024, 4096} {
			which := i % 2
			at := starts[which] + 20000 + 7000*i
			z := append([]float64(nil), y[:at]...)
			z = append(z, y[at-frames:]...)
			skews := []float64{0}
			if i == 2 {
				skews = []float64{0, 20e-6}
			}
			for seed, skew := range skews {
				if skew != 0 {
					z = taketest.Read(z, len(z), 0, skew, 32)
				}
				tol := 0.05
				if stopHz > 0 {
					tol = 0.5
				}
				got := located(t, taketest.Noisy(z, 30, uint64(seed)), p, true)
				if len(got.Jumps) != 1 || !(math.Abs(got.Jumps[0].Frames-float64(frames)/(1+skew)) <= tol) {
					t.Errorf("up to %g Hz, %d frames: found %+v", p.Sweep.StopHz, frames, got.Jumps)
					continue
				}
				// A jump as large as another skew would make is put where the skew
				// comes out smaller.
				j := got.Jumps[0]
				if (at < j.From || at >= j.To) && math.Abs(float64(frames)) > 2*math.Abs(skew)*float64(starts[1]-starts[0]) {
					t.Errorf("up to %g Hz, %d frames at %d: found in %d to %d", p.Sweep.StopHz, frames, at, j.From, j.To)
				}
				if !got.Known || !(math.Abs(got.Skew-skew) < 1e-6) {
					t.Errorf("up to %g Hz, %d frames: skew %.3f ppm, want %.3f", p.Sweep.StopHz, frames, 1e6*got.Skew, 1e6*skew)
				}
				// Where the sweeps begin is right for both.
				for k, s := range got.Starts(p) {
					want := float64(starts[k]+200) / (1 + skew)
					if starts[k] > at {
						want += float64(frames)
					}
					if stopHz == 0 && !(math.Abs(s-want) <= 0.05) {
						t.Errorf("%d frames at %d: sweep %d starts at %.3f, want %.3f", frames, at, k, s, want)
					}
				}
			}
		}
	}
}

// A mark that is not there does not hinder the rest.
func TestMissingMarks(t *testing.T) {
	p := short(t, 0)
	y := taketest.Convolve(p.Samples(), taketest.Room(48000, 200, 0.4, 3))
	y = append(y, make([]float64, 20000)...)
	whole := taketest.Noisy(y, 30, 1)
	marks := p.Starts(sweep.KindMark)
	for i, from := range marks {
		rec := append([]float32(nil), whole...)
		quiet := rec[10000 : 10000+30000]
		copy(rec[from+100:], quiet)
		for _, aligned := range []bool{true, false} {
			got := located(t, rec, p, aligned)
			if got.Marks[i].Found || !got.Known || len(got.Jumps) > 0 || !(math.Abs(got.Skew) < 0.2e-6) || !(math.Abs(got.Origin-200) < 0.05) {
				t.Errorf("mark %d missing: %+v", i, got)
			}
			for k, m := range got.Marks {
				if k != i && !m.Found {
					t.Errorf("mark %d missing: and mark %d", i, k)
				}
			}
		}
	}
	// Cut off.
	got := located(t, whole[:marks[2]+6000], p, true)
	if got.Marks[2].Found || !got.Known || !(math.Abs(got.Skew) < 0.2e-6) {
		t.Errorf("last mark cut off: %+v", got)
	}
	got = located(t, whole[marks[0]+6000:], p, false)
	if got.Marks[0].Found || got.Quiet[0].Found || !got.Known || !(math.Abs(got.Origin-200+float64(marks[0]+6000)) < 0.05) {
		t.Errorf("first mark cut off: %+v", got)
	}
	// One mark: a place, but no skew.
	rec := append([]float32(nil), whole...)
	copy(rec[marks[0]+100:], whole[10000:40000])
	copy(rec[marks[2]+100:], whole[10000:40000])
	got = located(t, rec, p, true)
	if !got.ByMarks || got.Known || !(math.Abs(got.Origin-200) < 0.05) {
		t.Errorf("one mark: %+v", got)
	}
	// None, though the program has some.
	rec = append([]float32(nil), whole...)
	for _, m := range append(p.Starts(sweep.KindQuiet), marks...) {
		copy(rec[m+100:m+30000], rec[10000:])
	}
	for _, aligned := range []bool{true, false} {
		got = located(t, rec, p, aligned)
		if got.ByMarks || got.Known || !(math.Abs(got.Origin-200) < 3) {
			t.Errorf("no marks, aligned %v: %+v", aligned, got)
		}
	}
}

// What disturbs a mark is seen, and the others stand.
func TestDisturbances(t *testing.T) {
	p := short(t, 0)
	y := taketest.Convolve(p.Samples(), taketest.Room(48000, 200, 0.4, 3))
	y = append(y, make([]float64, 20000)...)
	marks := p.Starts(sweep.KindMark)
	rnd := rand.New(rand.NewPCG(1, 2))

	// Sound: all alike, and level.
	got := located(t, taketest.Noisy(y, 40, 1), p, true)
	for i, m := range got.Marks {
		// 40 dB under the take's rms is about 40 under the marks'.
		if !(math.Abs(m.LevelDB) < 0.02) || !(m.LikenessDB < -35) || !(m.OutDB > 25) {
			t.Errorf("a sound take, mark %d: %+v", i, m)
		}
	}
	if q := got.Quiet[0]; !q.Found || !(math.Abs(q.LevelDB) < 0.03) || !(q.LikenessDB < -20) {
		t.Errorf("a sound take, quiet mark: %+v", q)
	}
	// A slam in the gap after a mark, twenty times as loud.
	z := append([]float64(nil), y...)
	for i := range 4000 {
		z[marks[1]+30000+i] += 0.6 * rnd.NormFloat64() * math.Exp(-float64(i)/1000)
	}
	got = located(t, taketest.Noisy(z, 0, 1), p, true)
	if len(got.Jumps) > 0 || !(math.Abs(got.Skew) < 1e-6) {
		t.Errorf("a slam in the gap: %+v", got)
	}
	// 40 frames lost inside a mark: it is no longer like the others.
	z = append(append([]float64(nil), y[:marks[1]+6000]...), y[marks[1]+6040:]...)
	got = located(t, taketest.Noisy(z, 40, 1), p, true)
	if !(got.Marks[1].LikenessDB > -10) || !(got.Marks[0].LikenessDB < got.Marks[1].LikenessDB-3) {
		t.Errorf("frames lost inside a mark: %+v", got.Marks)
	}
	// Softer by 1 dB from the second mark on.
	z = append([]float64(nil), y...)
	for i := marks[1] - 1000; i < len(z); i++ {
		z[i] *= math.Pow(10, -1.0/20)
	}
	got = located(t, taketest.Noisy(z, 40, 1), p, true)
	for i, want := range []float64{0, -1, -1} {
		if !(math.Abs(got.Marks[i].LevelDB-want) < 0.03) {
			t.Errorf("1 dB softer: mark %d at %.3f dB, want %g", i, got.Marks[i].LevelDB, want)
		}
	}
	// A quiet mark made louder by 6 dB.
	z = append([]float64(nil), y...)
	q := p.Starts(sweep.KindQuiet)[0]
	for i := q; i < q+20000; i++ {
		z[i] *= 2
	}
	got = located(t, taketest.Noisy(z, 40, 1), p, true)
	if !(math.Abs(got.Quiet[0].LevelDB-6.02) < 0.05) {
		t.Errorf("quiet mark 6 dB up: %+v", got.Quiet[0])
	}
	// One mark clipped by what lay on it.
	rec := taketest.Noisy(y, 40, 1)
	for i := range 500 {
		rec[marks[2]+3000+i] = 1
	}
	got = located(t, rec, p, true)
	if got.Marks[2].Found || !got.Known || len(got.Jumps) > 0 {
		t.Errorf("one mark clipped: %+v", got)
	}
}

func TestProgramsWithoutMarks(t *testing.T) {
	p := program(t, sweep.ProgramOptions{Sweep: sweep.Options{Seconds: 3}, Sweeps: 2})
	y := taketest.Convolve(p.Samples(), taketest.Room(48000, 700, 0.4, 3))
	for _, aligned := range []bool{true, false} {
		got := located(t, taketest.Noisy(y, 30, 1), p, aligned)
		if got.Known || got.ByMarks || got.Marks != nil || !(math.Abs(got.Origin-700) <= 2) {
			t.Errorf("aligned %v: %+v", aligned, got)
		}
	}
}

func TestNothingToFind(t *testing.T) {
	p := short(t, 0)
	rnd := rand.New(rand.NewPCG(1, 2))
	noise := make([]float32, p.Frames)
	for i := range noise {
		noise[i] = float32(0.01 * rnd.NormFloat64())
	}
	for _, aligned := range []bool{true, false} {
		for name, rec := range map[string][]float32{"noise": noise, "silence": make([]float32, p.Frames), "nothing": nil, "a little": noise[:100]} {
			var nf *NotFoundError
			if got, err := Locate(context.Background(), rec, p, Options{Aligned: aligned}); !errors.As(err, &nf) {
				t.Errorf("%s, aligned %v: %+v, %v", name, aligned, got, err)
			} else if nf.Silent != (name == "silence") {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Locate(ctx, p.Samples(), p, Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// Anywhere in a long recording, by another clock, also across the pieces in which
// it is searched.
func TestLongRecording(t *testing.T) {
	p := short(t, 0)
	for i, skew := range []float64{500e-6, -500e-6} {
		y := taketest.Convolve(p.Samples(), taketest.Room(48000, 200, 0.4, 3))
		take := taketest.Read(y, p.Frames+20000, 0, skew, 32)
		before := []int{longestSearch - p.Frames/2, 2_000_000}[i]
		rec := make([]float64, before+len(take)+longestSearch)
		copy(rec[before:], take)
		got := located(t, taketest.Noisy(rec, 40, 1), p, false)
		if want := float64(before) + 200/(1+skew); !got.Known || !(math.Abs(got.Skew-skew) < 1e-7) || !(math.Abs(got.Origin-want) < 0.02) {
			t.Errorf("%g ppm: %+v, want %.2f", 1e6*skew, got, want)
		}
	}
}

// Two sweeps in one clock or another differ by noise only, and a fault in one of
// them stands out where it is.
func TestDifference(t *testing.T) {
	const tolDB = -85 // re the sweep
	// Up to 20 kHz: a recorder filters what lies near half its rate.
	p := short(t, 20000)
	y := taketest.Convolve(p.Samples(), taketest.Room(48000, 200, 0.4, 3))
	for _, skew := range []float64{0, 61.7e-6} {
		rec := taketest.Noisy(taketest.Read(y, p.Frames+20000, 100.4, skew, 96), 0, 1)
		timing := located(t, rec, p, true)
		d, from := Difference(rec, p, timing, 0, 1)
		if len(d) != p.Sweep.Frames+p.Tail() || math.Abs(float64(from)-timing.Starts(p)[0]) >= 1 {
			t.Errorf("%d frames from %d", len(d), from)
		}
		var left, all float64
		for i, v := range d[:p.Sweep.Frames] {
			left += v * v
			all += float64(rec[from+i]) * float64(rec[from+i])
		}
		db := 10 * math.Log10(left/all)
		t.Logf("%g ppm: %.1f dB", 1e6*skew, db)
		if !(db <= tolDB) {
			t.Errorf("%g ppm: the sweeps differ by %.1f dB, want at most %d", 1e6*skew, db, tolDB)
		}
		second := int(timing.Starts(p)[1])
		rec[second+50000] += 0.01
		d, _ = Difference(rec, p, timing, 0, 1)
		peak := 0
		for i, v := range d {
			if math.Abs(v) > math.Abs(d[peak]) {
				peak = i
			}
		}
		if math.Abs(float64(peak-50000)) > 1 || !(d[peak] > 0.005) {
			t.Errorf("%g ppm: a click of 0.01 at 50000 in the second sweep shows as %g at %d", 1e6*skew, d[peak], peak)
		}
	}
}

func BenchmarkLocate(b *testing.B) {
	p := program(b, sweep.ProgramOptions{Sweeps: 2, Marks: true})
	y := taketest.Convolve(p.Samples(), taketest.Room(48000, 200, 0.4, 3))
	rec := taketest.Noisy(append(y, make([]float64, 20000)...), 40, 5)
	for _, aligned := range []bool{true, false} {
		b.Run(map[bool]string{true: "aligned", false: "anywhere"}[aligned], func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Locate(context.Background(), rec, p, Options{aligned}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkDifference(b *testing.B) {
	p := program(b, sweep.ProgramOptions{Sweeps: 2, Marks: true})
	y := taketest.Convolve(p.Samples(), taketest.Room(48000, 200, 0.4, 3))
	rec := taketest.Noisy(append(y, make([]float64, 20000)...), 40, 5)
	timing := located(b, rec, p, true)
	for name, fraction := range map[string]float64{"whole": 0, "fraction": 0.3 / float64(p.Frames)} {
		timing.Skew = fraction
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				Difference(rec, p, timing, 0, 1)
			}
		})
	}
}

// A mark that is left of a room still ringing, far softer than the loudest, is no
// mark; and where a noise at the quiet mark makes all the others so, none of them
// is, and the skew is not known.
func TestSoftMarks(t *testing.T) {
	p := short(t, 0)
	soften := func(from, to int, db float64) []float32 {
		rec := append([]float32(nil), p.Samples()...)
		rec = append(rec, make([]float32, 24000)...)
		gain := float32(math.Pow(10, db/20))
		for i := from; i < min(to, len(rec)); i++ {
			rec[i] *= gain
		}
		return rec
	}
	var quiet, last sweep.Segment
	for _, seg := range p.Segments {
		switch seg.Kind {
		case sweep.KindQuiet:
			quiet = seg
		case sweep.KindMark:
			last = seg
		}
	}
	timing := located(t, soften(last.Start-100, p.Frames, -50), p, true)
	if n := len(timing.Marks); timing.Marks[n-1].Found || !timing.Marks[0].Found || !timing.Known {
		t.Errorf("a mark 50 dB softer: %+v", timing.Marks)
	}
	timing = located(t, soften(quiet.Start+quiet.Frames+100, p.Frames, -60), p, true)
	for i, m := range timing.Marks {
		if m.Found {
			t.Errorf("mark %d, 46 dB softer than the quiet one, was found", i+1)
		}
	}
	if timing.Known || timing.ByMarks {
		t.Errorf("%+v", timing)
	}
}
