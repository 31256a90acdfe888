package fourier

import (
	"fmt"
	"math"
)

// fastSlack is how far above n FastLen looks. Among the measured lengths behind
// passCost its choice took 0.93 of the time of the smallest fast length on
// average, 0.73 at best and never more, and was within 2.5 % of the best choice.
const fastSlack = 0.05

// FastLen returns an even length of at least n that is transformed fast: without
// prime factors above 5, and of those at most 5 % longer than n (or the
// smallest, if none is) the one that is expected to take the least time. Hence a
// fast length need not be its own FastLen: that of 480000 is 491520, which is
// transformed in 0.8 times the time. FastLen panics if n < 1.
func FastLen(n int) int {
	if n < 1 {
		panic(fmt.Sprintf("fourier: length %d, want 1 or more", n))
	}
	best, bestCost := 0, math.Inf(1)
	least := math.MaxInt
	limit := n + int(fastSlack*float64(n))
	// The smallest fast length is below 2n, or 2 for n = 1.
	for c := 1; c < 2*n; c *= 5 {
		for b := c; b < 2*n; b *= 3 {
			l := 2 * b
			for l < n {
				l *= 2
			}
			least = min(least, l)
			if l > limit {
				continue
			}
			if cost := lengthCost(l); cost < bestCost || cost == bestCost && l < best {
				best, bestCost = l, cost
			}
		}
	}
	if best == 0 {
		return least
	}
	return best
}

// lengthCost estimates the time of a real transform of an even smooth length, in
// units of a radix-4 pass over one value. The fit behind passCost has a negative
// constant: passes are cheaper where the transforms are shorter.
func lengthCost(n int) float64 {
	const constant = -2
	return float64(n/2) * (stageCost(radices(n/2)) + constant)
}
