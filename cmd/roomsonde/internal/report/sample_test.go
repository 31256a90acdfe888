package report

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/sweep/scale"
)

// The survey of these tests is invented: a room as it might be.

func logGrid(from, to float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = from * math.Pow(to/from, float64(i)/float64(n-1))
	}
	return out
}

func roomLike(hz []float64, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 7))
	modes := []struct{ f, q, db float64 }{{24, 9, 6}, {37, 12, 10}, {49, 10, -14}, {63, 11, 7}, {78, 14, -9}, {96, 10, 5}, {122, 9, -11}, {160, 8, 4}, {215, 7, -6}, {300, 5, 3}}
	for i := range modes {
		modes[i].f *= 1 + 0.04*(rng.Float64()-0.5)
		modes[i].db *= 0.7 + 0.6*rng.Float64()
	}
	out := make([]float64, len(hz))
	phase := 6 * rng.Float64()
	for i, f := range hz {
		v := -28.0
		for _, m := range modes {
			d := m.q * math.Log2(f/m.f)
			v += m.db / (1 + d*d)
		}
		v += 1.5*math.Sin(phase+f*0.006)/(1+f/6000) + 0.6*rng.NormFloat64()/(1+f/500)
		v -= 0.9 * math.Max(0, math.Log2(f/1000))
		v -= 10*math.Log10(1+math.Pow(18/f, 8)) + 10*math.Log10(1+math.Pow(f/19000, 10))
		out[i] = v
	}
	return out
}

func ptr(v float64) *float64 { return &v }

// sample is a survey of n takes of five sources at three seats.
func sample(n int) Survey {
	sources := []string{"left + subs", "centre + subs", "right + subs", "surround left", "sub 1"}
	seats := []string{"sofa, middle", "sofa, left end", "armchair"}
	start := time.Date(2031, 3, 14, 15, 4, 0, 0, time.UTC)
	s := Survey{
		Name: "Garden room", MadeAt: start.Add(5 * time.Hour), Engine: "roomsonde 0.4 (test)",
		Readings: []string{
			"At 37 Hz the bass rings for 1.31 ± 0.05 s, three times as long as at 100 Hz: a room mode.",
			"Between 45 and 52 Hz the level falls 14 dB below the target at the sofa, middle; at the armchair it does not, so it is this seat's place in a room mode, and no filter should fill it.",
			"From 200 Hz to 8 kHz the five loudspeakers are alike within 2.1 dB.",
		},
		Smoothing: "1/24 octave", Reference: "dB, 0 dB = played full scale",
	}
	target := chart.Line{Name: "target: flat, +6 dB below 120 Hz"}
	for _, f := range logGrid(20, 20000, 200) {
		target.Hz, target.DB = append(target.Hz, f), append(target.DB, -29+6/(1+math.Pow(f/120, 4)))
	}
	s.Target = &target
	for k := range n {
		t := Take{
			Number: k + 1, Source: sources[k%5], Seat: seats[k/5%3], MadeAt: start.Add(time.Duration(k) * 3 * time.Minute),
			Readings: []string{
				"Readable from 22 Hz (less than 10 dB above the noise below this) to 18.6 kHz (end of the microphone's calibration).",
				"Highest in the bass at 37 Hz: 9.4 dB above the mean from 200 Hz to 2 kHz.",
			},
			Readable: chart.Readable{FromHz: 22, ToHz: 18600, FromReason: "less than 10 dB above the noise", ToReason: "end of the microphone's calibration"},
			Conditions: []Condition{
				{"Level", "−24 dBFS, peak of the sweep"}, {"Sweep", "5 Hz to 24 kHz in 10 s, once"}, {"Device", "USB microphone in, HDMI out, 48 kHz"},
				{"Microphone", "calibration.txt, 20 Hz to 20 kHz, without phase"}, {"Clock", "+12.3 ± 0.4 ppm, corrected"}, {"Engine", "roomsonde 0.4"},
			},
		}
		t.ID = fmt.Sprintf("%04d-take", t.Number)
		top, points := 24000.0, 980
		if t.Source == "sub 1" {
			top, points = 500, 640
			t.Readable.ToHz, t.Readable.ToReason = 113, "half an octave above the crossover at 80 Hz"
		}
		t.Hz = logGrid(5, top, points)
		t.DB = roomLike(t.Hz, uint64(k+1))
		if t.Source == "sub 1" {
			e := chart.Line{Name: "4th-order low-pass at 80 Hz, expected", Hz: logGrid(20, 500, 100)}
			for _, f := range e.Hz {
				e.DB = append(e.DB, -24-20*math.Log10(1+math.Pow(f/80, 4)))
			}
			t.Expected = &e
			for i, f := range t.Hz {
				t.DB[i] -= 20 * math.Log10(1+math.Pow(f/80, 4))
			}
		}
		t.Levels = thirds(t)
		rng := rand.New(rand.NewPCG(uint64(k), 3))
		for i, b := range scale.Bands(scale.Octave, 31.5, 8000) {
			base := 0.3 + 0.5*math.Exp(-float64(i)/2) + 0.03*rng.NormFloat64()
			band := chart.DecayBand{Label: fmt.Sprintf("%g", b.NominalHz), MidHz: b.MidHz, Width: b.Width, EDT: ptr(base * 0.9), T20: ptr(base), T30: ptr(base * 1.05), T30Doubtful: i == 1}
			if i == 0 || t.Source == "sub 1" && i > 1 {
				band.EDT, band.T20, band.T30, band.Reason = nil, nil, nil, "the decay stands only 22 dB out of the noise"
			}
			t.Octaves = append(t.Octaves, band)
			t.DecayUncertainty = append(t.DecayUncertainty, 0.02+0.04/float64(i+1))
		}
		for i, f := range []float64{24.3, 37.1, 49, 63.5, 96} {
			m := Mode{Hz: f * (1 + 0.004*rng.NormFloat64()), HzUncertainty: 0.2, Seconds: 1.3/(1+0.4*float64(i)) + 0.05*rng.NormFloat64(), SecondsUncertainty: 0.05, LevelDB: 9 - float64(i), LevelUncertaintyDB: 0.6}
			if i == 2 {
				m.Doubt = "too weak beside its neighbours"
			}
			t.Modes = append(t.Modes, m)
		}
		switch k {
		case 1:
			t.Note = `<script>alert(1)</script> "quoted" & <img src=x onerror=alert(2)>, toe-in changed`
		case 2:
			t.Findings = []Finding{{"clipping", "The recording clips at 12.31 s, 14 samples. Lower the microphone's gain by 6 dB and measure again.", true}, {"hum", "A hum of 50 Hz stands 12 dB out of the noise.", false}}
		case 4:
			t.Note = "sub 1 half a metre to the left"
		}
		s.Takes = append(s.Takes, t)
	}
	if n >= 6 {
		s.Groups = []Group{sampleGroup(s)}
		s.Changes = []Change{sampleChange(s)}
	}
	s.Missing = []string{"take 77: its recording cannot be read (unexpected end of the file)."}
	return s
}

// thirds are the means of power of a take's curve over thirds of octaves.
func thirds(t Take) (out []Third) {
	for _, b := range scale.Bands(scale.Third, 20, math.Min(20000, t.Hz[len(t.Hz)-1])) {
		var sum, n float64
		for i, f := range t.Hz {
			if f >= b.LowHz && f < b.HighHz {
				sum += math.Pow(10, t.DB[i]/10)
				n++
			}
		}
		out = append(out, Third{Hz: b.NominalHz, DB: 10 * math.Log10(sum/n), Readable: b.MidHz >= t.Readable.FromHz && b.MidHz <= t.Readable.ToHz})
	}
	return out
}

func sampleGroup(s Survey) Group {
	g := Group{Subtitle: "Four loudspeakers at the sofa, middle", Takes: []int{1, 2, 3, 4}, Sentences: []string{
		"The right loudspeaker stands out: 3.2 dB below the others around 700 Hz.",
		"Between 200 Hz and 8 kHz they lie within 2.1 dB of each other.",
	}, Tables: []Table{{Caption: "Departure from the target, by octaves", Head: []string{"octave", "left", "centre", "right", "surround left"}, Rows: [][]string{{"63 Hz", "+2.1 dB", "+1.4 dB", "−0.3 dB", "+0.9 dB"}, {"125 Hz", "−1.1 dB", "−1.9 dB", "−2.2 dB", "−0.4 dB"}}}}}
	spread := chart.Span{Name: "from the lowest to the highest", Hz: logGrid(22, 18000, 300)}
	for _, f := range spread.Hz {
		lo, hi := math.Inf(1), math.Inf(-1)
		for _, t := range s.Takes[:4] {
			v := scale.Interpolate(t.Hz, t.DB, f)
			lo, hi = math.Min(lo, v), math.Max(hi, v)
		}
		spread.LowDB, spread.HighDB = append(spread.LowDB, lo), append(spread.HighDB, hi)
	}
	g.Spread = &spread
	return g
}

func sampleChange(s Survey) Change {
	c := Change{Before: 1, After: 6, What: "sub 1 half a metre to the left", Confidence: "19 times in 20", Hz: logGrid(20, 20000, 480),
		Sentences: []string{
			"The peak at 37.1 Hz is 6.8 ± 0.9 dB lower: 2.6 dB high, before 9.4 dB.",
			"At 37 Hz the bass now dies away in 0.92 ± 0.06 s, before in 1.31 ± 0.05 s.",
		},
		Warnings: []string{"the two takes were made at different levels, −24 and −22 dBFS."},
		Tables:   []Table{{Caption: "How the levels were matched", Head: []string{"band", "before", "after"}, Rows: [][]string{{"500 Hz to 2 kHz", "−28.1 dB", "−28.0 dB"}}}},
	}
	t := s.Takes[0]
	for i, f := range c.Hz {
		bump := func(at, q, db float64) float64 { x := q * math.Log2(f/at); return db / (1 + x*x) }
		d := bump(37, 12, -7) + bump(63, 9, 4.5) + 0.4*math.Sin(19*math.Log(f))
		b := scale.Interpolate(t.Hz, t.DB, f)
		c.BeforeDB, c.AfterDB = append(c.BeforeDB, b), append(c.AfterDB, b+d)
		c.DifferenceDB, c.UncertaintyDB = append(c.DifferenceDB, d), append(c.UncertaintyDB, 0.9+2.5/(1+math.Pow(f/24, 6)))
		c.Blank = append(c.Blank, i < 8)
	}
	for i, l := range t.Levels {
		d := 2 - 0.4*float64(i)
		c.Bands = append(c.Bands, BandChange{Hz: l.Hz, BeforeDB: l.DB, AfterDB: l.DB + d, DifferenceDB: d, UncertaintyDB: 0.9, Changed: math.Abs(d) > 0.9})
	}
	bands := DecayChange{Quantity: "T30, else T20, in octave bands"}
	for i, b := range t.Octaves {
		bands.BandsHz, bands.BandLabels = append(bands.BandsHz, b.MidHz), append(bands.BandLabels, b.Label)
		if b.T30 != nil {
			bands.Before = append(bands.Before, chart.DecayPoint{Hz: b.MidHz, Seconds: *b.T30, Uncertainty: 0.04, Doubtful: b.T30Doubtful})
			bands.After = append(bands.After, chart.DecayPoint{Hz: b.MidHz, Seconds: *b.T30 * (0.7 + 0.03*float64(i)), Uncertainty: 0.04})
		}
	}
	c.Decay = []DecayChange{bands}
	return c
}
