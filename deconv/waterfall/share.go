package waterfall

import (
	"context"
	"runtime"
	"sync"
	"sync/atomic"
)

// workersFor returns how many goroutines count pieces of work are worth.
func workersFor(count int) int { return max(1, min(runtime.GOMAXPROCS(0), count)) }

// share calls do for every piece 0…count−1, handed out one by one to a number of
// workers, and waits for all of them. It stops early with the error of ctx. (The
// loops of internal/parallel are for many cheap steps; these are few and dear, and
// each worker has buffers of its own.)
func share(ctx context.Context, workers, count int, do func(worker, piece int)) error {
	var next atomic.Int64
	work := func(worker int) {
		for ctx.Err() == nil {
			piece := int(next.Add(1)) - 1
			if piece >= count {
				return
			}
			do(worker, piece)
		}
	}
	var rest sync.WaitGroup
	for w := 1; w < workers; w++ {
		rest.Go(func() { work(w) })
	}
	work(0)
	rest.Wait()
	return ctx.Err()
}
