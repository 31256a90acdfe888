package modelroom

import (
	"hash/fnv"
	"math"
	"math/rand/v2"

	"roomsonde/sweep/scale"
)

// Image sources and the noise that follows them (Allen and Berkley 1979;
// fractional delays by a windowed sinc, Peterson, JASA 80 (1986) 1527; both
// from memory).

// sincHalf is half the length in samples of the windowed sinc that puts an
// arrival between two samples.
const sincHalf = 32

// kaiserBeta gives the window side lobes below -100 dB.
const kaiserBeta = 10.0

// besselI0 sums I0(x) = Σ ((x/2)^k/k!)².
func besselI0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1; term > 1e-9; k++ {
		term *= x / 2 / float64(k)
		sum += term * term
	}
	return sum
}

const kaiserSteps = 1 << 13

// kaiserTable holds the Kaiser window from its middle to its end.
var kaiserTable = func() (t [kaiserSteps + 2]float64) {
	for i := range t {
		x := math.Min(1, float64(i)/kaiserSteps)
		t[i] = besselI0(kaiserBeta*math.Sqrt(1-x*x)) / besselI0(kaiserBeta)
	}
	return t
}()

// kaiser returns the window at x in [-1, 1], and 0 outside.
func kaiser(x float64) float64 {
	x = math.Abs(x) * kaiserSteps
	if x >= kaiserSteps {
		return 0
	}
	i := int(x)
	return kaiserTable[i] + (x-float64(i))*(kaiserTable[i+1]-kaiserTable[i])
}

// addPulse adds a band-limited pulse of the given height at the time at, in
// samples, to h. Parts that fall outside h are left out.
func addPulse(h []float64, at, height float64) {
	whole := math.Floor(at)
	frac := at - whole
	first := int(whole) - sincHalf + 1
	// sin(π(k-frac)) only changes sign from one sample to the next.
	sin := math.Sin(math.Pi * frac)
	for j := range 2 * sincHalf {
		i := first + j
		if i < 0 || i >= len(h) {
			continue
		}
		x := float64(j-sincHalf+1) - frac
		tap := 1.0
		if math.Abs(x) > 1e-12 {
			tap = sin / (math.Pi * x)
			// sin(π(n-frac)) = -(-1)^n sin(π frac), n = j-sincHalf+1
			if (j-sincHalf+1)%2 == 0 {
				tap = -tap
			}
		}
		h[i] += height * tap * kaiser(x/sincHalf)
	}
}

// image is one mirrored source.
type image struct {
	seconds float64 // travel time
	height  float64 // 1/distance
	loss    int     // sum of the box's wall figures over all reflections
}

// images returns the source and its mirror images that arrive before latestS.
func (b box) images(source, seat point, latestS float64) []image {
	type mirrored struct {
		offset float64
		loss   int
	}
	reach := latestS * speedOfSound
	var axis [3][]mirrored
	for d := range 3 {
		most := int(math.Ceil(reach/(2*b.size[d]))) + 1
		for m := -most; m <= most; m++ {
			for u := range 2 {
				x := float64(1-2*u)*source[d] + 2*float64(m)*b.size[d]
				near, far := m-u, m
				axis[d] = append(axis[d], mirrored{
					offset: x - seat[d],
					loss:   abs(near)*b.wall[2*d] + abs(far)*b.wall[2*d+1],
				})
			}
		}
	}
	var all []image
	for _, x := range axis[0] {
		for _, y := range axis[1] {
			xy := x.offset*x.offset + y.offset*y.offset
			if xy > reach*reach {
				continue
			}
			for _, z := range axis[2] {
				d := math.Sqrt(xy + z.offset*z.offset)
				if d <= reach {
					all = append(all, image{d / speedOfSound, 1 / d, x.loss + y.loss + z.loss})
				}
			}
		}
	}
	return all
}

func abs(i int) int {
	if i < 0 {
		return -i
	}
	return i
}

// reflectionLog returns, in nepers, what one unit of wall loss takes from a
// reflection at hz, so that the room as a whole decays with T60 = t after
// Eyring: -2 ln β = 24 ln 10 · V/(c S T), shared out over the walls by area.
func (b box) reflectionLog(t float64) float64 {
	var area, weighted float64
	for i, a := range b.areas() {
		area += a
		weighted += a * float64(b.wall[i])
	}
	mean := weighted / area
	return -12 * math.Ln10 * b.volume() / (speedOfSound * area * t) / mean
}

// arrivals returns the sum of all images up to latestS as an impulse response
// on a grid that is at least twice as long, each reflection filtered with a
// minimum-phase version of the walls' reflection factor.
func (s *scene) arrivals(g *grid, source, seat point, latestS float64) []float64 {
	groups := map[int][]float64{}
	for _, im := range s.room.images(source, seat, latestS) {
		h := groups[im.loss]
		if h == nil {
			h = make([]float64, g.n)
			groups[im.loss] = h
		}
		addPulse(h, im.seconds*g.rate, im.height)
	}
	wall := g.minimumPhase(func(hz float64) float64 { return s.room.reflectionLog(s.decay(hz)) })
	power := make([]complex128, len(wall))
	for k := range power {
		power[k] = 1
	}
	sum := make([]complex128, len(wall))
	most := 0
	for loss := range groups {
		most = max(most, loss)
	}
	for loss := 0; loss <= most; loss++ {
		if h := groups[loss]; h != nil {
			g.fft.Coefficients(g.bins, h)
			for k, v := range g.bins {
				sum[k] += v * power[k]
			}
		}
		for k := range power {
			power[k] *= wall[k]
		}
	}
	return g.impulse(sum)
}

// bandWeight is the share of band i at hz: at every frequency the shares of
// all bands add up to 1, and at a band's middle its own is 1.
func bandWeight(bands []scale.Band, i int, hz float64) float64 {
	mid := bands[i].MidHz
	x := math.Log2(hz/mid) / math.Log2(bands[i].HighHz/bands[i].LowHz)
	switch {
	case hz <= mid && i == 0, hz >= mid && i == len(bands)-1:
		return 1
	case math.Abs(x) >= 1:
		return 0
	}
	c := math.Cos(math.Pi / 2 * x)
	return c * c
}

// The image part hands over to noise between these two times, in s after the
// sound left the source, by a pair of gains whose squares add up to 1.
const (
	fadeFromS  = 0.060
	matchFromS = 0.040 // the noise takes its level from the images from here on
	matchToS   = 0.075
)

// random returns a random source that depends on nothing but the seed and
// what it is for.
func random(seed uint64, purpose string) *rand.Rand {
	hash := fnv.New64a()
	hash.Write([]byte(purpose)) // never fails
	return rand.New(rand.NewPCG(seed, hash.Sum64()))
}

// reverberation returns the room's response from source to seat by images
// and decaying noise, on the main grid's length. Above topHz it may be
// incomplete (for sources that play nothing there); 0 means all.
func (s *scene) reverberation(g, short *grid, source, seat point, r *rand.Rand, topHz float64) []float64 {
	early := s.arrivals(short, source, seat, s.imageS)
	bands := octaves(g.rate)
	used := len(bands)
	if topHz > 0 {
		used = 0
		for _, b := range bands {
			if b.NominalHz <= topHz {
				used++
			}
		}
	}

	// Noise with the level of a diffuse field at t = 0: images arrive at
	// 4πc³t²/V a second with energy 1/(ct)² each.
	last := g.n / 2
	if topHz > 0 {
		last = min(last, int(2*topHz/g.hz(1)))
	}
	sigma := math.Sqrt(impulseS * 4 * math.Pi * speedOfSound / s.room.volume() / 2)
	noise := make([]complex128, last+1)
	for k := 1; k <= last; k++ {
		noise[k] = complex(sigma*r.NormFloat64(), sigma*r.NormFloat64())
	}

	from, to := int(matchFromS*g.rate), int(matchToS*g.rate)
	segment := make([]float64, short.n)
	copy(segment[from:to], early[from:to])
	short.fft.Coefficients(short.bins, segment)

	h := make([]float64, g.n)
	for i := range used {
		for k := range g.bins {
			g.bins[k] = 0
			if k > 0 && k <= last {
				if w := bandWeight(bands, i, g.hz(k)); w > 0 {
					g.bins[k] = noise[k] * complex(w, 0)
				}
			}
		}
		g.bins[g.n/2] = complex(real(g.bins[g.n/2]), 0)
		g.fft.Sequence(g.time, g.bins)

		// Amplitude e^(-6.908 t/T), from a fresh exponential now and then.
		step := -3 * math.Ln10 / (s.decay(bands[i].MidHz) * g.rate)
		ratio := math.Exp(step)
		gain := 0.0
		var late float64
		for n := range g.time {
			if n%64 == 0 {
				gain = math.Exp(step*float64(n)) / float64(g.n)
			}
			g.time[n] *= gain
			gain *= ratio
			if n >= from && n < to {
				late += g.time[n] * g.time[n]
			}
		}
		var image float64
		for k, v := range short.bins {
			if w := bandWeight(bands, i, short.hz(k)); k > 0 && w > 0 {
				image += 2 * w * w * (real(v)*real(v) + imag(v)*imag(v)) / float64(short.n)
			}
		}
		// In the lowest bands a few dozen ms hold too few periods to tell a
		// level: never more than 6 dB from the diffuse field's.
		level := math.Sqrt(min(4, max(0.25, image/late)))
		for n, v := range g.time {
			h[n] += level * v
		}
	}

	fadeFrom, fadeTo := int(fadeFromS*g.rate), int(s.imageS*g.rate)
	for n := range h {
		switch {
		case n < fadeFrom:
			h[n] = early[n]
		case n < fadeTo:
			sin, cos := math.Sincos(math.Pi / 2 * float64(n-fadeFrom) / float64(fadeTo-fadeFrom))
			h[n] = cos*early[n] + sin*h[n]
		}
	}
	return h
}

// fastLength returns the smallest even length >= n without a prime factor
// above 5; transforms of such lengths are quick.
func fastLength(n int) int {
	for n += n % 2; ; n += 2 {
		m := n
		for _, p := range []int{2, 3, 5} {
			for m%p == 0 {
				m /= p
			}
		}
		if m == 1 {
			return n
		}
	}
}
