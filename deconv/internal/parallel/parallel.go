// Package parallel shares loops out among the processors.
package parallel

import (
	"runtime"
	"sync"
)

// least is the number of cheap steps below which a goroutine costs more than it
// saves.
const least = 1 << 14

// Split calls do for parts of [0, n) that do not overlap and together are all of
// it, at the same time on up to runtime.GOMAXPROCS(0) goroutines, and waits for
// all of them.
func Split(n int, do func(lo, hi int)) {
	workers := max(1, min(runtime.GOMAXPROCS(0), n/least))
	var rest sync.WaitGroup
	for w := 1; w < workers; w++ {
		rest.Go(func() { do(n*w/workers, n*(w+1)/workers) })
	}
	do(0, n/workers)
	rest.Wait()
}
