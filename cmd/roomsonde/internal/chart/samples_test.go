package chart

import (
	"fmt"
	"math"
	"math/rand/v2"

	"roomsonde/sweep/scale"
)

// The data of these tests are invented: a room as it might be, for looking at.

// logGrid returns n frequencies from a to b, evenly spaced in log frequency.
func logGrid(a, b float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = a * math.Pow(b/a, float64(i)/float64(n-1))
	}
	return out
}

// roomLike returns a level that has room modes in the bass, a comb above,
// roll-offs at the ends and a gentle fall towards the top.
func roomLike(hz []float64, seed uint64, level float64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 7))
	type mode struct{ f, q, db float64 }
	modes := []mode{{24, 9, 6}, {37, 12, 10}, {49, 10, -14}, {63, 11, 7}, {78, 14, -9}, {96, 10, 5}, {122, 9, -11}, {160, 8, 4}, {215, 7, -6}, {300, 5, 3}}
	for i := range modes {
		modes[i].f *= 1 + 0.04*(rng.Float64()-0.5)
		modes[i].db *= 0.7 + 0.6*rng.Float64()
	}
	type ripple struct{ tau, amp, phase float64 }
	ripples := make([]ripple, 9)
	for i := range ripples {
		ripples[i] = ripple{0.0008 + 0.004*rng.Float64(), 0.35 + 0.5*rng.Float64(), 6.28 * rng.Float64()}
	}
	out := make([]float64, len(hz))
	for i, f := range hz {
		db := level
		for _, m := range modes {
			d := m.q * math.Log2(f/m.f)
			db += m.db / (1 + d*d)
		}
		for _, r := range ripples {
			db += r.amp * math.Sin(2*math.Pi*f*r.tau+r.phase) * math.Min(1, f/400) / (1 + f/9000)
		}
		db -= 0.9 * math.Max(0, math.Log2(f/1000))
		db -= 10 * math.Log10(1+math.Pow(18/f, 8))
		db -= 10 * math.Log10(1+math.Pow(f/19000, 10))
		out[i] = db
	}
	return out
}

func noiseLike(hz []float64, seed uint64, level float64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 11))
	out := make([]float64, len(hz))
	for i, f := range hz {
		out[i] = level - 4*math.Log2(f/100) + 3*rng.NormFloat64()
		for _, h := range []float64{50, 100, 150} {
			d := 60 * math.Log2(f/h)
			out[i] += 12 / (1 + d*d)
		}
		if f > 1000 {
			out[i] += 3.2 * math.Log2(f/1000)
		}
	}
	return out
}

const sampleLine = "left + subs · seat: sofa, middle · take 0042-k7 · 14 March 2031"

func sampleResponse() Response {
	hz := logGrid(5, 24000, 1200)
	return Response{
		Subtitle: sampleLine,
		Curves:   []Curve{{Hz: hz, DB: roomLike(hz, 1, -28)}},
		Readable: Readable{FromHz: 22, ToHz: 18600, FromReason: "less than 10 dB above the noise", ToReason: "end of the microphone's calibration"},
		NoiseHz:  hz, NoiseDB: noiseLike(hz, 3, -55),
		Smoothing: "1/24 octave", Reference: "dB, 0 dB = played full scale",
	}
}

func sampleCompare() Response {
	hz := logGrid(5, 24000, 1200)
	r := sampleResponse()
	r.Curves = []Curve{
		{Name: "after", Hz: hz, DB: roomLike(hz, 1, -28)},
		{Name: "before", Hz: hz, DB: roomLike(hz, 5, -27)},
	}
	r.NoiseHz, r.NoiseDB = nil, nil
	r.FromHz, r.ToHz = 10, 200
	return r
}

func sampleSub() Response {
	hz := logGrid(5, 500, 700)
	db := roomLike(hz, 9, 78)
	for i, f := range hz {
		db[i] -= 10 * math.Log10(1+math.Pow(f/80, 8))
	}
	return Response{
		Subtitle:  "sub 1 · seat: sofa, middle · take 0043-c2 · 14 March 2031",
		Curves:    []Curve{{Hz: hz, DB: db}},
		Readable:  Readable{FromHz: 14, ToHz: 113, FromReason: "sweep not yet at full level", ToReason: "half an octave above the crossover at 80 Hz"},
		Smoothing: "1/48 octave", Reference: "dB SPL",
	}
}

func fourCurves() Response {
	hz := logGrid(5, 24000, 1200)
	r := sampleResponse()
	r.Curves = nil
	for i, n := range []string{"left + subs", "right + subs", "centre + subs", "mean of the seats"} {
		r.Curves = append(r.Curves, Curve{Name: n, Hz: hz, DB: roomLike(hz, uint64(20+i), -28)})
	}
	return r
}

func seconds(v float64) *float64 { return &v }

func sampleDecay() Decay {
	d := Decay{Subtitle: sampleLine}
	for i, b := range scale.Bands(scale.Third, 31.5, 8000) {
		t := 0.28 + 0.75*math.Exp(-math.Log2(b.MidHz/25)/1.4) + 0.03*math.Sin(float64(i)*1.7)
		band := DecayBand{Label: fmt.Sprintf("%g", b.NominalHz), MidHz: b.MidHz, Width: b.Width}
		switch {
		case i < 2:
			band.Reason = fmt.Sprintf("the band's own filter rings as long as the room (B·T = %d, 4 needed)", 2+i)
		case i == 3 || i == 4:
			band.EDT, band.Reason = seconds(t*1.2), fmt.Sprintf("only %d dB of decay above the noise, 35 needed for T20", 27+i)
		case i == 5 || i == 7 || i == 24:
			band.EDT, band.T20 = seconds(t*0.9), seconds(t)
			band.Reason = fmt.Sprintf("T30: only %d dB of decay above the noise, 45 needed", 36+i/5)
		default:
			band.EDT, band.T20, band.T30 = seconds(t*(0.86+0.1*math.Sin(float64(i)))), seconds(t), seconds(t*1.04)
			band.EDTDoubtful, band.T20Doubtful, band.T30Doubtful = i%4 == 1, i < 10, i < 9 || i == 15
		}
		if i == 8 { // one doubtful time far from all others
			band.EDT, band.EDTDoubtful = seconds(1.5), true
		}
		d.Bands = append(d.Bands, band)
	}
	return d
}

// subDecay has times in the bass only.
func subDecay() Decay {
	d := octaveDecay()
	d.Command = "roomsonde show 43"
	for i := range d.Bands {
		b := &d.Bands[i]
		b.T20Doubtful, b.T30Doubtful = i == 1, i == 1
		switch {
		case i == 0:
			b.EDT, b.Reason = nil, "no EDT: the direct sound takes up too much of the decay"
		case i > 1:
			b.EDT, b.T20, b.T30, b.Reason = nil, nil, nil, fmt.Sprintf("the band ends at %g Hz, above the 113 Hz that can be read", math.Round(b.MidHz*math.Sqrt2))
		}
	}
	return d
}

func octaveDecay() Decay {
	d := Decay{Subtitle: sampleLine}
	for i, b := range scale.Bands(scale.Octave, 31.5, 8000) {
		t := 0.3 + 0.5*math.Exp(-float64(i)/2)
		d.Bands = append(d.Bands, DecayBand{Label: fmt.Sprintf("%g Hz", b.NominalHz), MidHz: b.MidHz, Width: b.Width, EDT: seconds(t * 0.8), T20: seconds(t), T30: seconds(t * 1.1)})
	}
	return d
}

func sampleImpulse() Impulse {
	const rate = 48000.0
	rng := rand.New(rand.NewPCG(4, 4))
	const zero = 9600
	h := make([]float64, zero+2*48000)
	for i := zero; i < len(h); i++ {
		t := float64(i-zero) / rate
		h[i] = 0.02 * rng.NormFloat64() * math.Exp(-6.9*t/0.35) * math.Min(1, t/0.01)
		h[i] += 0.006 * math.Sin(2*math.Pi*38*t) * math.Exp(-6.9*t/0.9) * math.Min(1, t/0.02)
	}
	for _, r := range [][2]float64{{0, 0.3}, {1.9, -0.12}, {3.3, 0.14}, {5.8, 0.09}, {8.1, -0.07}, {11.7, 0.08}, {15.2, 0.05}} {
		at := zero + int(r[0]*rate/1000)
		for k := range 90 {
			t := float64(k) / rate
			h[at+k] += r[1] * math.Exp(-t*9000) * math.Cos(2*math.Pi*5000*t)
			h[at+k] -= r[1] * 0.15 * math.Exp(-t*2500)
		}
	}
	const noise = 0.00012
	for i := range h {
		h[i] += noise * rng.NormFloat64()
	}
	return Impulse{Subtitle: sampleLine, Note: "drawn without what lies below 15 Hz", SampleRate: rate, Samples: h, Zero: zero, NoiseRMS: noise}
}

func sampleMicrophone() Microphone {
	hz := logGrid(20, 20000, 256)
	db := make([]float64, len(hz))
	for i, f := range hz {
		a, b := 2.2*math.Log2(f/9500), 4*math.Log2(f/17000)
		db[i] = 4.1/(1+a*a) - 2/(1+b*b) - 2.2/(1+math.Pow(f/26, 3)) + 0.1*math.Sin(9*math.Log(f))
	}
	return Microphone{Subtitle: "calibration.txt · 256 points, 20 Hz to 20 kHz · −36.2 dBFS at 94 dB SPL", Hz: hz, DB: db}
}

func sampleDistortion() Distortion {
	hz := logGrid(10, 10000, 500)
	d := Distortion{Subtitle: sampleLine + " · −18 dBFS", Smoothing: "1/6 octave", Readable: Readable{FromHz: 22, FromReason: "less than 10 dB above the noise"}}
	sum := make([]float64, len(hz))
	for k := 2; k <= 5; k++ {
		h := Harmonic{Order: k, Hz: hz, DB: make([]float64, len(hz)), Blank: make([]bool, len(hz))}
		for i, f := range hz {
			db := -46 - 6*float64(k-2) + 26/(1+math.Pow(f/(40+5*float64(k)), 1.6)) + 2.5*math.Sin(float64(k)+2.4*math.Log(f)) + 1.5*math.Sin(7*math.Log(f)*float64(k))
			h.DB[i] = db
			h.Blank[i] = f*float64(k) > 20000 || db < -66 && k > 3
			sum[i] += math.Pow(10, db/10)
		}
		d.Harmonics = append(d.Harmonics, h)
	}
	d.THD = Harmonic{Hz: hz, DB: make([]float64, len(hz))}
	for i := range sum {
		d.THD.DB[i] = 10 * math.Log10(sum[i])
	}
	return d
}
