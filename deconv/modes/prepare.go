package modes

import (
	"math"

	"roomsonde/deconv"
	"roomsonde/deconv/internal/fraction"
)

// rateShare is the decimated rate as a multiple of the highest frequency.
const rateShare = 2.6

// stopDB is how far the decimation filter holds down what would fold below the
// highest frequency.
const stopDB = 80

// decimator is a linear-phase low-pass (Kaiser's window and formula: J. F.
// Kaiser, 1974; from memory), of which only every factor-th output is computed.
type decimator struct {
	factor int
	half   int       // taps on either side of the middle one
	taps   []float64 // 2·half+1
	rate   float64   // of the output, Hz
	inRate float64
}

func newDecimator(inRate, highHz float64) decimator {
	factor := max(1, int(inRate/(rateShare*highHz)))
	d := decimator{factor: factor, rate: inRate / float64(factor), inRate: inRate}
	if factor == 1 {
		d.taps = []float64{1}
		return d
	}
	stop := d.rate - highHz // folds onto highHz
	width := stop - highHz
	beta := 0.1102 * (stopDB - 8.7)
	d.half = int(math.Ceil((stopDB - 7.95) / (2.285 * 2 * math.Pi * width / inRate) / 2))
	d.taps = make([]float64, 2*d.half+1)
	cut := d.rate / 2 / inRate
	sum := 0.0
	for i := range d.taps {
		m := float64(i - d.half)
		r := m / float64(d.half+1)
		w := fraction.Kaiser(r, beta)
		s := 2 * cut
		if m != 0 {
			s = math.Sin(2*math.Pi*cut*m) / (math.Pi * m)
		}
		d.taps[i] = s * w
		sum += d.taps[i]
	}
	for i := range d.taps {
		d.taps[i] /= sum
	}
	return d
}

// gain returns the filter's real response at a complex frequency: s is −δ + jω
// in 1/s, and a damped sinusoid e^{st} comes out gain(s) times as large.
func (d decimator) gain(s complex128) complex128 {
	sum := complex(d.taps[d.half], 0)
	for k := 1; k <= d.half; k++ {
		x := s * complex(float64(k)/d.inRate, 0)
		sum += complex(d.taps[d.half+k], 0) * (expC(x) + expC(-x))
	}
	return sum
}

// apply returns count outputs; the first has its middle at frame from of x, and
// beyond the ends of x there is nothing.
func (d decimator) apply(x []float64, from, count int) []float64 {
	out := make([]float64, count)
	for i := range out {
		lo := from + i*d.factor - d.half
		a, b := 0, len(d.taps)
		if lo < 0 {
			a = -lo
		}
		if lo+b > len(x) {
			b = len(x) - lo
		}
		if b <= a {
			continue
		}
		s := 0.0
		seg := x[lo+a : lo+b]
		for k, c := range d.taps[a:b] {
			s += c * seg[k]
		}
		out[i] = s
	}
	return out
}

func expC(s complex128) complex128 {
	sin, cos := math.Sincos(imag(s))
	e := math.Exp(real(s))
	return complex(e*cos, e*sin)
}

// prepared holds all responses at the decimated rate.
type prepared struct {
	dec    decimator
	y      [][]float64 // one per response, all of the same length
	startS float64     // time of y[·][0] after each response's first arrival
	level  []float64   // per response, by which y was divided
	white  []float64   // the whitening filter that the fit's data went through
}

// gain returns what became of a damped sinusoid's amplitude on its way to the
// fit: s in 1/s.
func (p *prepared) gain(s complex128) complex128 {
	return p.dec.gain(s) * p.whiteGain(s)
}

func (p *prepared) whiteGain(s complex128) complex128 {
	z := expC(s / complex(p.dec.rate, 0))
	sum, power := 0i, complex(1, 0)
	for _, c := range p.white {
		sum += complex(c, 0) * power
		power *= z
	}
	return sum
}

// normalise divides all responses by their common rms value, and reports whether
// there is any.
func (p *prepared) normalise() bool {
	level := rms(p.y)
	p.level = make([]float64, len(p.y))
	for r := range p.y {
		p.level[r] = 1
		if level > 0 {
			p.divide(r, level)
		}
	}
	return level > 0
}

// divide divides response r by a level.
func (p *prepared) divide(r int, level float64) {
	p.level[r] *= level
	for i := range p.y[r] {
		p.y[r][i] /= level
	}
}

func rms(y [][]float64) float64 {
	sum, count := 0.0, 0
	for _, x := range y {
		for _, v := range x {
			sum += v * v
		}
		count += len(x)
	}
	return math.Sqrt(sum / float64(max(count, 1)))
}

func prepare(irs []deconv.ImpulseResponse, o Options) (*prepared, error) {
	rate := irs[0].SampleRate
	d := newDecimator(rate, o.HighHz)
	start := d.half + int(math.Ceil(o.SkipS*rate))
	p := &prepared{dec: d, startS: float64(start) / rate, white: []float64{1}}
	frames := int(o.LengthS * rate)
	for _, ir := range irs {
		// The filter must not reach past the end either.
		frames = min(frames, len(ir.Samples)-ir.FirstArrival()-start-d.half)
	}
	count := 1 + frames/d.factor
	if frames < int(shortestS*rate) {
		return nil, &TooShortError{HaveS: float64(max(0, frames+start+d.half)) / rate, NeedS: shortestS + float64(start+d.half)/rate}
	}
	for _, ir := range irs {
		p.y = append(p.y, d.apply(ir.Samples, ir.FirstArrival()+start, count))
	}
	return p, nil
}
