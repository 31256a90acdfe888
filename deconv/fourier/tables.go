package fourier

import (
	"math"
	"math/bits"
	"sync"
)

// root returns e^(−j2πk/n), 0 <= k < n. The angle is brought into the first
// eighth of the circle before it is rounded, so that the roots have the exact
// symmetries of the circle.
func root(k, n int) complex128 {
	k8 := 8 * k
	octant := k8 / n
	rest := k8 - octant*n // k/n = (octant + rest/n)/8
	if octant%2 == 1 {
		rest = n - rest
	}
	s, c := math.Sincos(math.Pi / 4 * (float64(rest) / float64(n)))
	switch octant {
	case 0:
		return complex(c, -s)
	case 1:
		return complex(s, -c)
	case 2:
		return complex(-s, -c)
	case 3:
		return complex(-c, -s)
	case 4:
		return complex(-c, s)
	case 5:
		return complex(-s, c)
	case 6:
		return complex(s, c)
	}
	return complex(c, s)
}

// roots holds the powers of w = e^(−j2π/n) as products: w^k is
// coarse[k>>shift]·fine[k&(1<<shift−1)]. It takes the memory of about 2√n roots
// instead of n.
type roots struct {
	shift  uint
	coarse []complex128
	fine   []complex128
}

func newRoots(n int) *roots {
	r := &roots{shift: uint(bits.Len(uint(n)) / 2)}
	r.fine = make([]complex128, 1<<r.shift)
	for k := range r.fine {
		r.fine[k] = root(k%n, n)
	}
	r.coarse = make([]complex128, (n-1)>>r.shift+1)
	for k := range r.coarse {
		r.coarse[k] = root(k<<r.shift, n)
	}
	return r
}

func (r *roots) at(k int) complex128 {
	return r.coarse[k>>r.shift] * r.fine[k&(1<<r.shift-1)]
}

func (r *roots) size() int { return len(r.coarse) + len(r.fine) }

// cache keeps what is made per length and never changed. Beyond its bound of
// memory it forgets the longest unused.
type cache[T interface{ size() int }] struct {
	mu     sync.Mutex
	made   map[int]*cached[T]
	values int // the sum of all size()
	clock  int
}

type cached[T any] struct {
	value T
	used  int // the clock when it was last asked for
}

// cacheValues bounds each cache, in complex values (16 bytes). The tables of a
// fast length take some tens of √n; those of a length with a large prime
// factor, several n.
const cacheValues = 2 << 20

func (c *cache[T]) get(n int, build func(n int) T) T {
	if e := c.find(n); e != nil {
		return e.value
	}
	// Not under the lock, for it may take long and need another length. Two who
	// ask for the same at once may both build it; one is dropped.
	v := build(n)
	c.mu.Lock()
	defer c.mu.Unlock()
	if e := c.made[n]; e != nil {
		return e.value
	}
	if c.made == nil {
		c.made = make(map[int]*cached[T])
	}
	c.clock++
	c.made[n] = &cached[T]{value: v, used: c.clock}
	c.values += v.size()
	for c.values > cacheValues {
		oldest := n
		for k, e := range c.made {
			if e.used < c.made[oldest].used {
				oldest = k
			}
		}
		c.values -= c.made[oldest].value.size()
		delete(c.made, oldest)
	}
	return v
}

func (c *cache[T]) find(n int) *cached[T] {
	c.mu.Lock()
	defer c.mu.Unlock()
	e := c.made[n]
	if e != nil {
		c.clock++
		e.used = c.clock
	}
	return e
}

var (
	engines  cache[*engine]
	allRoots cache[*roots]
)

// engineFor returns the shared engine of complex transforms of length m.
func engineFor(m int) *engine {
	if smooth(m) {
		return engines.get(m, newEngine)
	}
	return engines.get(m, newChirpEngine)
}

// rootsFor returns the shared powers of e^(−j2π/n).
func rootsFor(n int) *roots { return allRoots.get(n, newRoots) }
