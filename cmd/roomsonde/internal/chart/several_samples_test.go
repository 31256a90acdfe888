package chart

import "math"

// alike are five loudspeakers with their subwoofers, and a subwoofer alone.
func alike() Several {
	hz := logGrid(5, 24000, 1200)
	low := logGrid(5, 500, 700)
	s := Several{
		Title: "How alike are they?", Subtitle: "seat: sofa, middle · 14 March 2031",
		Readable:  Readable{FromHz: 22, ToHz: 18600, FromReason: "less than 10 dB above the noise", ToReason: "end of the microphone's calibration"},
		Smoothing: "1/24 octave", Reference: "dB, 0 dB = played full scale",
	}
	for i, n := range []string{"left + subs", "centre + subs", "right + subs", "surround left", "surround right"} {
		s.Curves = append(s.Curves, Curve{Name: n, Hz: hz, DB: roomLike(hz, uint64(20+i), -28-float64(i%3))})
	}
	db := roomLike(low, 9, -24)
	for i, f := range low {
		db[i] -= 10 * math.Log10(1+math.Pow(f/80, 8))
	}
	s.Curves = append(s.Curves, Curve{Name: "sub 1", Hz: low, DB: db, Readable: Readable{FromHz: 14, ToHz: 113, FromReason: "sweep not yet at full level", ToReason: "half an octave above the crossover at 80 Hz"}})
	target := Line{Name: "target: flat, +6 dB below 120 Hz", Hz: hz}
	fall := Line{Name: "4th-order low-pass at 80 Hz, expected", Hz: low, Of: 6}
	for _, f := range hz {
		target.DB = append(target.DB, -27+6/(1+math.Pow(f/120, 4)))
	}
	for _, f := range low {
		fall.DB = append(fall.DB, -22-20*math.Log10(1+math.Pow(f/80, 4)))
	}
	s.Target, s.Expected = &target, []Line{fall}
	limits := Span{Name: "limits: invented for this test, ±4 dB"}
	for i, f := range hz {
		if f >= 50 && f <= 16000 {
			limits.Hz, limits.LowDB, limits.HighDB = append(limits.Hz, f), append(limits.LowDB, target.DB[i]-4), append(limits.HighDB, target.DB[i]+4)
		}
	}
	s.Limits = &limits
	return s
}

// spread are the same with the range from the lowest to the highest shaded.
func spreadAlike() Several {
	s := alike()
	s.Curves = s.Curves[:5]
	s.Limits, s.Expected, s.Target = nil, nil, nil
	spread := Span{Name: "from the lowest to the highest", Hz: s.Curves[0].Hz}
	for i := range spread.Hz {
		lo, hi := math.Inf(1), math.Inf(-1)
		for _, c := range s.Curves {
			lo, hi = math.Min(lo, c.DB[i]), math.Max(hi, c.DB[i])
		}
		spread.LowDB, spread.HighDB = append(spread.LowDB, lo), append(spread.HighDB, hi)
	}
	s.Spread = &spread
	return s
}

// sampleChange is a subwoofer moved: two room modes changed, the rest did not.
func sampleChange() Change {
	hz := logGrid(15, 20000, 900)
	before := roomLike(hz, 1, -28)
	c := Change{
		Subtitle: "left + subs · seat: sofa, middle · takes 12 and 15 · “sub 1 half a metre to the left”",
		Before:   Curve{Name: "before: take 12", Hz: hz, DB: before, Readable: Readable{FromHz: 22, ToHz: 18600, FromReason: "less than 10 dB above the noise"}},
		After:    Curve{Name: "after: take 15", Hz: hz, Readable: Readable{FromHz: 24, ToHz: 18600, FromReason: "less than 10 dB above the noise"}},
		Hz:       hz, Smoothing: "1/12 octave", Reference: "dB, 0 dB = played full scale", Confidence: "19 times in 20",
		FromHz: 15,
	}
	for i, f := range hz {
		bump := func(at, q, db float64) float64 { x := q * math.Log2(f/at); return db / (1 + x*x) }
		d := bump(37, 12, -7) + bump(63, 9, 4.5) + bump(49, 14, 3) + 0.4*math.Sin(19*math.Log(f))
		c.After.DB = append(c.After.DB, before[i]+d)
		c.DifferenceDB = append(c.DifferenceDB, d)
		c.UncertaintyDB = append(c.UncertaintyDB, 0.9+2.5/(1+math.Pow(f/24, 6)))
		c.Blank = append(c.Blank, f < 24 || f > 18600)
	}
	return c
}

func sampleDecayChange() DecayTimes {
	d := DecayTimes{Title: "What did the change do to the decay?", Subtitle: "left + subs · seat: sofa, middle · takes 12 and 15",
		Quantity: "T30, else T20, in octave bands", Before: true, Lines: []DecayLine{{Name: "after: take 15"}, {Name: "before: take 12"}}}
	for i, b := range octaveDecay().Bands {
		d.BandsHz, d.BandLabels = append(d.BandsHz, b.MidHz), append(d.BandLabels, b.Label)
		if i == 0 {
			continue
		}
		d.Lines[1].Points = append(d.Lines[1].Points, DecayPoint{Hz: b.MidHz, Seconds: *b.T30, Uncertainty: 0.02 + 0.1/float64(i+1), Doubtful: i == 1})
		if i != 5 {
			d.Lines[0].Points = append(d.Lines[0].Points, DecayPoint{Hz: b.MidHz, Seconds: *b.T30 * (0.7 + 0.04*float64(i)), Uncertainty: 0.02 + 0.1/float64(i+1)})
		}
	}
	return d
}

func sampleModes() DecayTimes {
	return DecayTimes{Title: "How long does the bass ring?", Subtitle: sampleLine, Quantity: "room modes", Lines: []DecayLine{
		{Name: "left + subs", Points: []DecayPoint{{24.3, 0.92, 0.08, false}, {37.1, 1.31, 0.05, false}, {49, 0.6, 0.2, true}, {63.5, 0.71, 0.04, false}, {96, 0.55, 0.05, false}, {122, 0.41, 0.06, false}}},
		{Name: "right + subs", Points: []DecayPoint{{24.2, 0.9, 0.1, false}, {37.3, 1.22, 0.06, false}, {63.2, 0.77, 0.05, false}, {78, 0.5, 0.05, false}, {97, 0.5, 0.05, false}}},
	}}
}

func severalSamples() map[string]View {
	return map[string]View{
		"alike": alike(), "spread": spreadAlike(), "change": sampleChange(),
		"decay-change": sampleDecayChange(), "modes": sampleModes(),
	}
}
