package chart

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/plot/vg"

	"roomsonde/sweep/scale"
)

// The data of these samples are invented, like those of the others.

// ringingSamples are the drawings of decay over frequency and time, and of what
// arrives.
func ringingSamples() map[string]View {
	return map[string]View{
		"waterfall":      sampleWaterfall(),
		"waterfall-full": fullWaterfall(),
		"energy":         sampleEnergy(),
		"energy-bass":    bassEnergy(),
		"ringing":        sampleRinging(),
		"ringing-modes":  modesOnly(),
		"arrivals":       sampleArrivals(),
	}
}

// sampleModeList are frequency, decay time and level of some modes.
var sampleModeList = [][3]float64{{24, 0.9, 4}, {33.5, 1.3, 12}, {41, 0.7, 6}, {52.5, 0.6, 3}, {68, 0.9, 9}, {83, 0.5, 4}, {110, 0.45, 5}, {147, 0.6, 3}, {210, 0.4, 2}}

// levelsAfter returns a level over frequency so many seconds on, in dB.
func levelsAfter(hz []float64, t float64, blind float64) []float64 {
	out := make([]float64, len(hz))
	for i, f := range hz {
		p := math.Pow(10, (-6-60*t/0.35+2*math.Sin(9*math.Log(f)))/10)
		for _, m := range sampleModeList {
			d := (f - m[0]) / (1.1/m[1] + 1.4)
			p += math.Pow(10, (m[2]-60*t/m[1])/10) / (1 + d*d*d*d)
		}
		fall := -200.0
		if t < blind {
			fall = 20 * math.Log10(math.Pow(math.Cos(math.Pi/2*t/blind), 2)+1e-10)
		}
		out[i] = 10 * math.Log10(p+math.Pow(10, fall/10))
	}
	return out
}

func waterfallOf(hz []float64, blind, step float64, slices int, floor float64) Waterfall {
	v := Waterfall{Subtitle: sampleLine, Hz: hz, BlindS: blind * 0.94, Reference: "dB, 0 dB = played full scale"}
	for k := range slices {
		v.TimesS = append(v.TimesS, float64(k)*step)
		v.DB = append(v.DB, levelsAfter(hz, float64(k)*step, blind))
	}
	for _, f := range hz {
		v.FloorDB = append(v.FloorDB, floor-4*math.Log2(f/40))
	}
	return v
}

func sampleWaterfall() Waterfall {
	v := waterfallOf(logGrid(20, 300, 500), 0.1, 0.01, 61, -18)
	v.Note = "window 0.5 s, rise 100 ms"
	v.Marks = []Mark{{33.5, "33.5 Hz: 1.30 s"}, {68, "68 Hz: 0.90 s"}, {24, "24 Hz: 0.90 s"}}
	return v
}

func fullWaterfall() Waterfall {
	v := waterfallOf(logGrid(20, 20000, 240), 0.02, 0.008, 51, -20)
	v.Note = "window 0.2 s, rise 20 ms"
	return v
}

func energyOf(hz, edges []float64) Energy {
	v := Energy{Subtitle: sampleLine, Note: "bands of 1/6 octave", Hz: hz, EdgesS: edges, BlindPeriods: 6.03, Reference: "dB, 0 dB = played full scale"}
	for _, f := range hz {
		var row []float64
		for k := range len(edges) - 1 {
			t := (edges[k] + edges[k+1]) / 2
			p := math.Pow(10, -6*t/0.4-1.4) * (0.3 + math.Pow(math.Sin(f*t*1.7+3*math.Log(f)), 2))
			for _, r := range [][2]float64{{0, 1}, {0.0023, 0.08}, {0.0041, 0.12}, {0.0077, 0.05}, {0.0119, 0.03}} {
				d := (t - r[0]) * f / 2.3
				p += r[1] * math.Exp(-d*d)
			}
			for _, m := range sampleModeList {
				d := math.Log2(f/m[0]) * 9
				p += math.Pow(10, (m[2]-60*t/m[1])/10) * math.Exp(-d*d)
			}
			row = append(row, 10*math.Log10(p))
		}
		v.DB = append(v.DB, row)
		v.FloorDB = append(v.FloorDB, -30-3*math.Log2(f/40)*0.6)
		v.UntilS = append(v.UntilS, 1.2-9/f)
	}
	return v
}

func sampleEnergy() Energy { return energyOf(logGrid(20, 20000, 120), logGrid(0.001, 1, 181)) }

func bassEnergy() Energy {
	edges := make([]float64, 121)
	for i := range edges {
		edges[i] = -0.05 + 0.65*float64(i)/120
	}
	v := energyOf(logGrid(20, 300, 90), edges)
	v.Linear = true
	return v
}

// sampleLimits are made up, of the shape that recommendations have.
func sampleLimits() []Limit {
	return []Limit{{63, 0.2, 0.55}, {200, 0.2, 0.3}, {4000, 0.2, 0.3}, {4000, 0.15, 0.35}, {8000, 0.15, 0.35}}
}

func sampleRinging() Ringing {
	v := Ringing{Subtitle: sampleLine, Quantity: "T20 in one-third-octave bands", Limits: sampleLimits(), LimitName: "a recommendation, 100 m³", LimitNote: "The recommendation is made for rooms in which programmes are judged."}
	rng := rand.New(rand.NewPCG(5, 6))
	for i, b := range scale.Bands(scale.Third, 100, 10000) {
		t := 0.27 + 0.4*math.Exp(-math.Log2(b.MidHz/80)/1.2) + 0.03*rng.NormFloat64()
		v.Bands = append(v.Bands, RingBand{MidHz: b.MidHz, Width: b.Width, Seconds: t, Doubtful: i == 1 || i == 4})
	}
	for i, m := range sampleModeList {
		v.Modes = append(v.Modes, RingMode{Hz: m[0], Seconds: m[1], PlusOrMinusS: 0.02 + 0.015*float64(i%4)})
	}
	return v
}

func modesOnly() Ringing {
	v := sampleRinging()
	v.Bands, v.Title = nil, "How long does the bass ring?"
	v.Modes[3].PlusOrMinusS = 0
	return v
}

func sampleArrivals() Arrivals {
	v := Arrivals{Subtitle: sampleLine, Note: "1 to 8 kHz", UpToDB: -10, UpToS: 0.015, UpToName: "a recommendation: −10 dB until 15 ms"}
	marks := []Arrival{{0.0023, 0.79, -9.5, "floor"}, {0.0041, 1.41, -7.6, ""}, {0.0077, 2.64, -12, ""}, {0.0119, 4.08, -15.6, ""}, {0.0126, 4.32, -17.2, ""}, {0.021, 7.2, -21, ""}}
	v.Marks = marks
	rng := rand.New(rand.NewPCG(15, 16))
	for i := -100; i < 1400; i++ {
		t := float64(i) / 48000
		p := 1e-5
		if t > 0 {
			p += 0.003 * math.Exp(-t/0.02) * (0.2 + rng.Float64())
		}
		for _, m := range append(marks, Arrival{}) {
			d := (t - m.DelayS) / 0.00012
			p += math.Pow(10, m.DB/10) * math.Exp(-d*d)
		}
		v.Seconds = append(v.Seconds, t)
		v.DB = append(v.DB, 10*math.Log10(p))
	}
	return v
}

func lengthOf(v float64) vg.Length { return vg.Length(v) }
