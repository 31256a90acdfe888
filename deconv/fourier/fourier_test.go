package fourier

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"
	"testing"

	gonum "gonum.org/v1/gonum/dsp/fourier"
)

// rmsPerOctave bounds the relative rms error of a transform, per doubling of
// the length. It is some four times the unit roundoff 1.1e-16.
const rmsPerOctave = 5e-16

// rmsTol is the bound for length n.
func rmsTol(n int) float64 { return rmsPerOctave * math.Log2(float64(n)+1) }

// gonumTol is wider where gonum's own error is: for a prime factor p above 5 it
// gets its twiddle factors by a recurrence of p steps, and its error, seen
// against the definition, is up to p²·7e-18 for p < 300 (2e-13 at p = 173). The
// lengths without such factors have the strict bound.
func gonumTol(n int) float64 {
	p := float64(largestPrime(n))
	if p <= 5 {
		return rmsTol(n)
	}
	return rmsTol(n) + 5e-17*p*p
}

func largestPrime(n int) int {
	largest := 1
	for f := 2; f*f <= n; f++ {
		for n%f == 0 {
			largest, n = f, n/f
		}
	}
	return max(largest, n)
}

func noise(n int, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, uint64(n)))
	x := make([]float64, n)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	return x
}

// apart returns the rms difference relative to the rms of want.
func apart(got, want []complex128) float64 {
	var d, w float64
	for i := range want {
		e := cmplx.Abs(got[i] - want[i])
		d += e * e
		a := cmplx.Abs(want[i])
		w += a * a
	}
	return math.Sqrt(d / w)
}

func apartReal(got, want []float64) float64 {
	var d, w float64
	for i := range want {
		d += (got[i] - want[i]) * (got[i] - want[i])
		w += want[i] * want[i]
	}
	return math.Sqrt(d / w)
}

// lengths are every short one, and longer ones of each kind: smooth, odd, with
// one or more large primes, on both sides of where the method changes.
func lengths() []int {
	var ls []int
	for n := 1; n <= 300; n++ {
		ls = append(ls, n)
	}
	ls = append(ls, 512, 1000, 1022, 1024, 1026, 1080, 1250, 2048, 2187, 3125, 4096, 6000, 6561, 6750,
		8192, 10000, 16384, 31250, 32400, 39366, 131072, 156250,
		307, 1009, 1021, 2003, 4099, 10007, 32771, 2*16411, 7*4096, 44100)
	rng := rand.New(rand.NewPCG(1, 2))
	for range 20 {
		ls = append(ls, 300+rng.IntN(20000))
	}
	return ls
}

func TestAgreesWithDefinition(t *testing.T) {
	for _, n := range lengths() {
		if n > 300 {
			continue
		}
		x := noise(n, 1)
		want := make([]complex128, n/2+1)
		for k := range want {
			for i, v := range x {
				want[k] += complex(v, 0) * cmplx.Rect(1, -2*math.Pi*float64(i*k%n)/float64(n))
			}
		}
		got := NewReal(n).Coefficients(nil, x)
		// The sum itself errs by about √n roundings.
		if d := apart(got, want); !(d <= rmsTol(n)+1e-16*math.Sqrt(float64(n))) {
			t.Errorf("n = %d: rms error %.2g", n, d)
		}
	}
}

func TestAgreesWithGonum(t *testing.T) {
	for _, n := range lengths() {
		if largestPrime(n) > 5000 {
			continue // gonum takes seconds
		}
		x := noise(n, 2)
		kept := slices.Clone(x)
		want := gonum.NewFFT(n).Coefficients(nil, x)
		p := NewReal(n)
		got := p.Coefficients(nil, x)
		if d := apart(got, want); !(d <= gonumTol(n)) {
			t.Errorf("n = %d: rms error %.2g, want %.2g", n, d, gonumTol(n))
		}
		if !slices.Equal(x, kept) {
			t.Errorf("n = %d: Coefficients changed its input", n)
		}
	}
}

func TestInverse(t *testing.T) {
	for _, n := range lengths() {
		x := noise(n, 3)
		p := NewReal(n)
		coeff := p.Coefficients(nil, x)
		kept := slices.Clone(coeff)
		got := p.Sequence(nil, coeff)
		if d := apartReal(got, x); !(d <= 2*rmsTol(n)) {
			t.Errorf("n = %d: rms error of the way back %.2g", n, d)
		}
		if !slices.Equal(coeff, kept) {
			t.Errorf("n = %d: Sequence changed its input", n)
		}
		// A used plan must answer as a new one does, into memory with anything in it.
		again := make([]complex128, len(coeff))
		for i := range again {
			again[i] = cmplx.NaN()
		}
		if !slices.Equal(p.Coefficients(again, x), kept) {
			t.Errorf("n = %d: a second call differs from the first", n)
		}
	}
}

func TestParseval(t *testing.T) {
	for _, n := range lengths() {
		x := noise(n, 4)
		var inTime, inFreq float64
		for _, v := range x {
			inTime += v * v
		}
		for k, v := range NewReal(n).Coefficients(nil, x) {
			e := real(v)*real(v) + imag(v)*imag(v)
			if k > 0 && 2*k < n {
				e *= 2
			}
			inFreq += e / float64(n)
		}
		if d := math.Abs(inFreq/inTime - 1); !(d <= 4*rmsTol(n)) {
			t.Errorf("n = %d: energy differs by %.2g", n, d)
		}
	}
}

func TestImpulse(t *testing.T) {
	for _, n := range lengths() {
		p := NewReal(n)
		at := n / 3
		x := make([]float64, n)
		x[at] = 1
		for k, got := range p.Coefficients(nil, x) {
			want := cmplx.Rect(1, -2*math.Pi*float64(k*at%n)/float64(n))
			if d := cmplx.Abs(got - want); !(d <= 4*rmsTol(n)) {
				t.Fatalf("n = %d: X[%d] of an impulse at %d is off by %.2g", n, k, at, d)
			}
		}
	}
}

func TestCosine(t *testing.T) {
	for _, n := range lengths() {
		if n < 3 {
			continue
		}
		const phase = 0.7
		bin := (n - 1) / 2
		x := make([]float64, n)
		for i := range x {
			x[i] = math.Cos(2*math.Pi*float64(i*bin%n)/float64(n) + phase)
		}
		for k, got := range NewReal(n).Coefficients(nil, x) {
			want := complex128(0)
			if k == bin {
				want = cmplx.Rect(float64(n)/2, phase)
			}
			if d := cmplx.Abs(got-want) / float64(n); !(d <= 4*rmsTol(n)) {
				t.Fatalf("n = %d: X[%d] of a cosine in bin %d is off by %.2g·n", n, k, bin, d)
			}
		}
	}
}

// The ends of the spectrum have no imaginary part in a real sequence; given one,
// the inverse must not let it leak.
func TestSequenceIgnoresImaginaryEnds(t *testing.T) {
	for _, n := range []int{1, 2, 3, 4, 7, 8, 30, 31, 34, 2000, 40000} {
		p := NewReal(n)
		coeff := p.Coefficients(nil, noise(n, 5))
		want := p.Sequence(nil, coeff)
		coeff[0] += 3i
		if n%2 == 0 {
			coeff[n/2] += 5i
		}
		if got := p.Sequence(nil, coeff); !slices.Equal(got, want) {
			t.Errorf("n = %d: the imaginary ends changed the sequence", n)
		}
	}
}

func TestUnalignedViews(t *testing.T) {
	const n = 1000
	x := noise(n+1, 6)
	p := NewReal(n)
	want := p.Coefficients(nil, slices.Clone(x[1:]))
	if got := p.Coefficients(nil, x[1:]); !slices.Equal(got, want) {
		t.Error("a sequence that starts at an odd index gives another result")
	}
}

func TestLengthsPanic(t *testing.T) {
	p := NewReal(10)
	for name, f := range map[string]func(){
		"NewReal(0)":         func() { NewReal(0) },
		"NewReal(-4)":        func() { NewReal(-4) },
		"FastLen(0)":         func() { FastLen(0) },
		"short sequence":     func() { p.Coefficients(nil, make([]float64, 9)) },
		"short coefficients": func() { p.Coefficients(make([]complex128, 5), make([]float64, 10)) },
		"long coefficients":  func() { p.Sequence(nil, make([]complex128, 7)) },
		"long sequence":      func() { p.Sequence(make([]float64, 11), make([]complex128, 6)) },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s does not panic", name)
				}
			}()
			f()
		}()
	}
}

func TestFastLen(t *testing.T) {
	// The lengths may exceed the smallest fast one by this much.
	const slack = 1.06
	last := 0
	for n := 1; n < 200000; n += 1 + n/200 {
		l := FastLen(n)
		if l < n || l%2 != 0 || largestPrime(l) > 5 {
			t.Fatalf("FastLen(%d) = %d", n, l)
		}
		if l < last {
			t.Errorf("FastLen(%d) = %d, less than for a smaller length", n, l)
		}
		last = l
		least := n + n%2
		for largestPrime(least) > 5 {
			least += 2
		}
		if float64(l) > slack*float64(least) {
			t.Errorf("FastLen(%d) = %d wastes memory: %d is fast too", n, l, least)
		}
	}
}

func TestPool(t *testing.T) {
	p := Get(3000)
	if p.Len() != 3000 {
		t.Fatalf("Get(3000) has length %d", p.Len())
	}
	Put(p)
	if q := Get(3000); q != p {
		t.Error("the pool did not give back the plan")
	}
	if q := Get(3000); q == p {
		t.Error("the pool gave one plan to two callers")
	}
	Put(nil)
	check := func() {
		t.Helper()
		values := 0
		for _, p := range pool.idle {
			values += p.size()
		}
		if values != pool.values {
			t.Fatalf("the pool counts %d values, holds %d", pool.values, values)
		}
		if values > poolValues || len(pool.idle) > poolPlans {
			t.Fatalf("the pool holds %d plans and %d values, more than its bounds", len(pool.idle), values)
		}
	}
	for n := range 2 * poolPlans {
		Put(NewReal(n + 1))
		check()
	}
	big := NewReal(1 << 20)
	for range 2 * poolValues / big.size() {
		Put(NewReal(1 << 20))
		check()
	}
	if Put(NewReal(1 << 23)); Get(1<<20).Len() != 1<<20 {
		t.Error("a plan too large for the pool upset it")
	}
	check()
}

func TestTogether(t *testing.T) {
	sizes := []int{64, 1000, 4099, 20000, 40000}
	want := map[int][]complex128{}
	for _, n := range sizes {
		want[n] = NewReal(n).Coefficients(nil, noise(n, 7))
	}
	var group sync.WaitGroup
	for g := range 8 {
		group.Go(func() {
			for i := range 20 {
				n := sizes[(g+i)%len(sizes)]
				p := Get(n)
				if got := p.Coefficients(nil, noise(n, 7)); !slices.Equal(got, want[n]) {
					t.Errorf("n = %d: differs when several goroutines transform", n)
				}
				Put(p)
			}
		})
	}
	group.Wait()
}

// The number of goroutines must not change a single bit.
func TestSameOnAnyNumberOfCores(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	for _, n := range []int{parallelFrom, 150000, 156250, 177148, 131074} {
		x := noise(n, 12)
		runtime.GOMAXPROCS(1)
		p := NewReal(n)
		want := p.Coefficients(nil, x)
		wantSeq := p.Sequence(nil, want)
		for _, cores := range []int{2, 3, 16} {
			runtime.GOMAXPROCS(cores)
			if !slices.Equal(p.Coefficients(nil, x), want) || !slices.Equal(p.Sequence(nil, want), wantSeq) {
				t.Errorf("n = %d: %d cores give another result than one", n, cores)
			}
		}
	}
}

func TestWarmCallsDoNotAllocate(t *testing.T) {
	for n, most := range map[int]float64{2: 0, 9: 0, 1000: 0, 4099: 0, 16384: 0, 65536: 0, 1 << 17: 12} {
		p := NewReal(n)
		x, c := make([]float64, n), make([]complex128, n/2+1)
		got := testing.AllocsPerRun(5, func() {
			p.Coefficients(c, x)
			p.Sequence(x, c)
		})
		if !(got <= most) {
			t.Errorf("n = %d: %v allocations in a warm forward and inverse transform, want at most %v", n, got, most)
		}
	}
}

// A plan's scratch is the size of its sequence, and at most as much again.
func TestScratchIsSmall(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(32))
	for _, n := range []int{1 << 17, 600000, 1 << 20} {
		p := NewReal(n)
		p.Coefficients(nil, make([]float64, n))
		if p.size() < n/2 || p.size() > n {
			t.Errorf("n = %d: %d complex values of scratch, want %d to %d", n, p.size(), n/2, n)
		}
	}
}

func TestCachesAreBounded(t *testing.T) {
	var c cache[*roots]
	builds := 0
	build := func(n int) *roots {
		builds++
		return &roots{fine: make([]complex128, n)}
	}
	const third = cacheValues / 3
	for _, n := range []int{third, third + 1, third - 1, third, third + 2} {
		if got := c.get(n, build).size(); got != n {
			t.Fatalf("asked for %d, got %d", n, got)
		}
	}
	if builds != 4 {
		t.Errorf("built %d times, want 4: each length once", builds)
	}
	if c.made[third+1] != nil || c.made[third] == nil {
		t.Error("not the longest unused was forgotten")
	}
	values := 0
	for _, e := range c.made {
		values += e.value.size()
	}
	if values != c.values || values > cacheValues {
		t.Errorf("the cache counts %d values, holds %d, may hold %d", c.values, values, cacheValues)
	}
	if c.get(cacheValues+1, build).size() != cacheValues+1 || c.values > cacheValues {
		t.Error("what is too large for the cache must be given out and not kept")
	}
}

var benchSizes = []int{1 << 17, 480000, 600000, 614400, 1 << 20, 1000000, 1 << 22}

func BenchmarkCoefficients(b *testing.B) {
	for _, n := range benchSizes {
		x, dst := noise(n, 8), make([]complex128, n/2+1)
		b.Run(fmt.Sprintf("n=%d/ours", n), func(b *testing.B) {
			p := NewReal(n)
			b.ReportAllocs()
			for b.Loop() {
				p.Coefficients(dst, x)
			}
		})
		b.Run(fmt.Sprintf("n=%d/gonum", n), func(b *testing.B) {
			p := gonum.NewFFT(n)
			b.ReportAllocs()
			for b.Loop() {
				p.Coefficients(dst, x)
			}
		})
	}
}

func BenchmarkSequence(b *testing.B) {
	for _, n := range benchSizes {
		x := noise(n, 9)
		coeff := NewReal(n).Coefficients(nil, x)
		b.Run(fmt.Sprintf("n=%d/ours", n), func(b *testing.B) {
			p := NewReal(n)
			b.ReportAllocs()
			for b.Loop() {
				p.Sequence(x, coeff)
			}
		})
		b.Run(fmt.Sprintf("n=%d/gonum", n), func(b *testing.B) {
			p := gonum.NewFFT(n)
			b.ReportAllocs()
			for b.Loop() {
				p.Sequence(x, coeff)
			}
		})
	}
}
