//go:build !linux

package soundcard

import "time"

// stopwatch returns a function that tells the time since now, including the time
// for which the machine was suspended: Go's monotonic clock may stand still
// then, so the wall clock is asked too. Setting the clock forward looks like a
// suspension. The function allocates nothing.
func stopwatch() func() time.Duration {
	start := time.Now()
	wall := start.Round(0) // without the monotonic reading
	return func() time.Duration {
		now := time.Now()
		return max(now.Sub(start), now.Round(0).Sub(wall))
	}
}
