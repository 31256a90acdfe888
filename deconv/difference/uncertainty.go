package difference

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"roomsonde/sweep/scale"
)

// neper is 20/ln 10 dB: a relative error of an amplitude times neper is one in dB.
const neper = 20 / math.Ln10

// Levels that are less sure than this are not compared at all, in dB.
const mostUncertainDB = 20

// unsteady is by how much of itself the noise in the sweep may differ from that
// in the silence, as standard deviation (0.4 dB; our own).
const unsteady = 0.1

// level is one take's level at one point with what it may be off.
type level struct {
	power   float64 // signal alone
	spread  float64 // relative standard error of the amplitude, from noise
	bias    float64 // standard error in dB, from what the noise's power may be off
	freedom float64 // degrees of freedom of the noise's power; 0: no noise
	ok      bool    // whether there is signal over the noise
}

func (l level) db() float64 { return scale.PowerDB(l.power) }

// standardDB is the standard error in dB for small errors.
func (l level) standardDB() float64 { return math.Hypot(neper*l.spread, l.bias) }

// expandedDB is by how much at k standard deviations the level may be too high
// as it stands, which is more than it may be too low.
func (l level) expandedDB(q *quantiles) float64 {
	k := q.at(l.freedom)
	if !l.ok || k*l.spread > 0.9 {
		return mostUncertainDB
	}
	return math.Min(mostUncertainDB, math.Hypot(neper*-math.Log1p(-k*l.spread), k*l.bias))
}

// levels reads a take at the frequencies hz, over 1/fraction octave.
func (t Take) levels(hz []float64, fraction float64) []level {
	r := t.Response
	power := r.Smooth(hz, fraction)
	noise := r.NoisePower(t.Noise, hz)
	var tonal []bool
	if noise != nil {
		tonal = tones(t.Noise.Density)
	}
	out := make([]level, len(hz))
	for i, p := range power {
		if noise == nil {
			out[i] = level{power: p, ok: p > 0}
			continue
		}
		freedom := scale.Interpolate(t.Noise.Hz, t.Noise.Freedom, hz[i])
		out[i] = levelOf(p, noise[i], r.Independent(hz[i], fraction), freedom)
		if at := nearestTone(t.Noise.Hz, tonal, hz[i]); at >= 0 && out[i].ok {
			// All of the tone may lie within this mean, or beside it.
			n := noise[i] * math.Max(1, t.Noise.Density[at]/scale.Interpolate(t.Noise.Hz, t.Noise.Density, hz[i])*math.Max(1, fraction/noiseFraction))
			out[i].disturb(n, r.Independent(hz[i], fraction))
		}
	}
	return out
}

// levelOf takes the noise off a power that was read as a mean over so many
// independent values, the noise's own power being known with so many degrees of
// freedom.
func levelOf(power, noise, independent, freedom float64) level {
	if !(power > noise) {
		return level{}
	}
	if noise <= 0 {
		return level{power: power, ok: true}
	}
	x := noise / (power - noise) / 2
	return level{
		power:   power - noise,
		spread:  math.Sqrt(x * (1 + x) / independent),
		bias:    neper * x * math.Sqrt(2/math.Max(1, freedom)+unsteady*unsteady),
		freedom: math.Max(1, freedom),
		ok:      true,
	}
}

// disturb counts noise in the form of a tone, of a power as of a mean over so many
// values: its spread, and that it may not be there at all.
func (l *level) disturb(noise, independent float64) {
	x := noise / l.power / 2
	l.spread = math.Max(l.spread, math.Sqrt(x*(1+x)/independent))
	l.bias = math.Max(l.bias, neper*x)
}

// noiseFraction is the width of the bands in which deconv.Noise knows the noise, in
// parts of an octave.
const noiseFraction = 6

// tones tells in which bands the noise stands so far above what is around it, by
// 5 dB and more, that it is likely to be a tone, such as hum.
func tones(density []float64) []bool {
	const reach, times = 3, 3.0
	out := make([]bool, len(density))
	var around []float64
	for i, d := range density {
		around = around[:0]
		for j := max(0, i-reach); j <= min(len(density)-1, i+reach); j++ {
			if j != i {
				around = append(around, density[j])
			}
		}
		out[i] = len(around) > 0 && d > times*median(around, -1)
	}
	return out
}

// nearestTone returns the band with a tone that lies next to hz, −1 where there is
// none.
func nearestTone(bands []float64, tonal []bool, hz float64) int {
	i, _ := slices.BinarySearch(bands, hz)
	best := -1
	for j := max(0, i-1); j <= min(len(bands)-1, i); j++ {
		if tonal[j] && (best < 0 || math.Abs(math.Log(bands[j]/hz)) < math.Abs(math.Log(bands[best]/hz))) {
			best = j
		}
	}
	return best
}

// quantiles are of Student's t, two-sided, for one risk: a level's spread was
// itself worked out from a noise power of few degrees of freedom.
type quantiles struct {
	each  float64 // risk of one value
	known map[float64]float64
}

// quantilesOf are for n values of which none shall be beyond with the given risk
// (Šidák).
func quantilesOf(n int, risk float64) *quantiles {
	return &quantiles{-math.Expm1(math.Log1p(-risk) / float64(max(1, n))), map[float64]float64{}}
}

// normal is the quantile where the spread is known.
func (q *quantiles) normal() float64 { return distuv.UnitNormal.Quantile(1 - q.each/2) }

// at is the quantile for so many degrees of freedom, or somewhat fewer: a
// quantile takes some time. 0: the normal one.
func (q *quantiles) at(freedom float64) float64 {
	const many, steps = 1000, 5 // to the e-fold
	switch {
	case freedom <= 0 || freedom > many:
		freedom = 0
	case freedom < 10:
		freedom = math.Floor(freedom)
	default:
		freedom = 10 * math.Exp(math.Floor(math.Log(freedom/10)*steps)/steps)
	}
	k, ok := q.known[freedom]
	if !ok {
		if freedom == 0 {
			k = q.normal()
		} else {
			k = distuv.StudentsT{Sigma: 1, Nu: freedom}.Quantile(1 - q.each/2)
		}
		q.known[freedom] = k
	}
	return k
}

// apart returns the uncertainty of the difference of two levels, each of which
// repeats within repeat dB; shared is a further standard error, in dB.
func apart(a, b level, repeat, shared float64, q *quantiles) float64 {
	k := q.normal()
	return math.Min(mostUncertainDB, math.Sqrt(square(a.expandedDB(q))+square(b.expandedDB(q))+k*k*(2*repeat*repeat+shared*shared)))
}

func square(x float64) float64 { return x * x }

// grid returns 1000 Hz·2^(i/perOctave) from fromHz to toHz.
func grid(fromHz, toHz float64, perOctave int) []float64 {
	n := float64(perOctave)
	first := int(math.Ceil(math.Log2(fromHz/1000)*n - 1e-9))
	last := int(math.Floor(math.Log2(toHz/1000)*n + 1e-9))
	hz := make([]float64, 0, max(0, last-first+1))
	for i := first; i <= last; i++ {
		hz = append(hz, 1000*math.Exp2(float64(i)/n))
	}
	return hz
}
