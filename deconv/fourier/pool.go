package fourier

import (
	"slices"
	"sync"
)

// The pool's bounds: plans, and complex values (16 bytes) of their scratch. It
// holds five plans of 2^20 points or one of 2^22.
const (
	poolPlans  = 64
	poolValues = 3 << 20
)

var pool struct {
	sync.Mutex
	idle   []*Real // longest unused first
	values int
}

// Get returns a plan for n values, from the pool if one of that length waits
// there. It panics if n < 1. It may be called from several goroutines at once;
// the plan belongs to the caller until it is Put back.
func Get(n int) *Real {
	pool.Lock()
	for i := len(pool.idle) - 1; i >= 0; i-- {
		if p := pool.idle[i]; p.n == n {
			pool.idle = slices.Delete(pool.idle, i, i+1)
			pool.values -= p.size()
			pool.Unlock()
			return p
		}
	}
	pool.Unlock()
	return NewReal(n)
}

// Put gives a plan back to the pool, for a later Get of the same length. The
// caller must not use it any more. Plans beyond the pool's bound of memory are
// dropped, the longest unused first. Put of nil does nothing.
func Put(p *Real) {
	if p == nil || p.size() > poolValues {
		return
	}
	pool.Lock()
	defer pool.Unlock()
	pool.idle = append(pool.idle, p)
	pool.values += p.size()
	drop := 0
	for pool.values > poolValues || len(pool.idle)-drop > poolPlans {
		pool.values -= pool.idle[drop].size()
		drop++
	}
	pool.idle = slices.Delete(pool.idle, 0, drop)
}

// size returns the memory of the plan's own scratch, in complex values.
func (p *Real) size() int { return len(p.wide) + p.work.size() }
