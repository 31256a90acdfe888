package fourier

import (
	"sync"
	"sync/atomic"
)

// work is something done in numbered blocks that do not touch one another. Lane
// numbers the goroutine, from 0, so that each can have scratch of its own.
type work interface{ do(lane, block int) }

// team runs work on several goroutines, the caller's among them. Blocks are
// handed out one by one, because a core may be busy with something else.
type team struct {
	next  atomic.Int64
	group sync.WaitGroup
}

func (t *team) run(lanes, blocks int, w work) {
	if lanes = min(lanes, blocks); lanes <= 1 {
		for b := range blocks {
			w.do(0, b)
		}
		return
	}
	t.next.Store(0)
	for lane := 1; lane < lanes; lane++ {
		t.group.Go(func() { t.help(lane, blocks, w) })
	}
	t.help(0, blocks, w)
	t.group.Wait()
}

func (t *team) help(lane, blocks int, w work) {
	for {
		b := int(t.next.Add(1)) - 1
		if b >= blocks {
			return
		}
		w.do(lane, b)
	}
}
