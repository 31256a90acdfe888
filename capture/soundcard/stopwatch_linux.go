package soundcard

import (
	"time"

	"golang.org/x/sys/unix"
)

// stopwatch returns a function that tells the time since now, including the time
// for which the machine was suspended: Go's own monotonic clock stands still
// then. Linux has a clock for it that nobody sets (clock_gettime(2),
// CLOCK_BOOTTIME). The function allocates nothing.
func stopwatch() func() time.Duration {
	start, boot := time.Now(), sinceBoot()
	return func() time.Duration { return max(time.Since(start), sinceBoot()-boot) }
}

func sinceBoot() time.Duration {
	var now unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &now) != nil {
		return 0
	}
	return time.Duration(now.Nano())
}
