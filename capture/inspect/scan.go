package inspect

import (
	"math"
	"runtime"
	"slices"
	"sync"
)

// block is what a few milliseconds of the recording hold.
type block struct {
	min, max float32
	sum, sq  float64
	// of the second difference x[i−1] − 2x[i] + x[i+1]
	d2max float32
	d2at  int32
	d2sq  float64
}

// run is a row of equal samples.
type run struct {
	at, n int
	value float32
	// How far the samples next to it lie from it.
	left, right float32
}

// repeat is a stretch that is equal to what came lag frames earlier.
type repeat struct {
	at, n, lag int
	told       bool // reported as frames that were put in
}

const (
	blockS   = 0.005
	leastRun = 8
	leastLag = 8
	longestS = 1.0 // of a repeat's lag

	window    = 4
	tableBits = 15
	placeBits = 18
	hashA     = 0x9E3779B97F4A7C15 // odd, its bits mixed: 2^64 over the golden ratio
	hashB     = 0xC2B2AE3D27D4EB4F // odd, its bits mixed
)

// scan reads all samples once, on all processors.
func (t *take) scan() {
	t.block = max(32, int(math.Round(blockS*t.rate)))
	n := len(t.x)
	t.quantum = quantumOf(t.x)
	t.blocks = make([]block, (n+t.block-1)/t.block)
	workers := max(1, min(runtime.GOMAXPROCS(0), len(t.blocks)/64))
	parts := make([]part, workers)
	share := func(do func(w, lo, hi int)) {
		var all sync.WaitGroup
		for w := range workers {
			all.Go(func() { do(w, len(t.blocks)*w/workers, len(t.blocks)*(w+1)/workers) })
		}
		all.Wait()
	}
	share(func(w, lo, hi int) {
		t.measure(lo, hi)
		parts[w].runs = runsIn(t.x, lo*t.block, min(n, hi*t.block), float32(1.5*t.quantum))
	})
	// A repeat is judged by blocks all around it.
	share(func(w, lo, hi int) {
		parts[w].copies = t.repeatsIn(max(lo*t.block, t.from), min(hi*t.block, t.to))
	})
	for _, p := range parts {
		t.runs = append(t.runs, p.runs...)
		t.copies = append(t.copies, p.copies...)
	}
	for _, b := range t.blocks {
		t.peak = math.Max(t.peak, math.Max(float64(b.max), -float64(b.min)))
	}
}

type part struct {
	runs   []run
	copies []repeat
}

// quantumOf returns the smallest step between neighbouring samples, from some
// thousands of them all over the recording: the converter's step in a recording
// of few bits, next to nothing in one of many.
func quantumOf(x []float32) float64 {
	const samples, row = 128, 64
	least := math.Inf(1)
	for k := range samples {
		from := int(int64(len(x)-row) * int64(k) / samples)
		if len(x) < row {
			from = 0
		}
		for i := from + 1; i < min(len(x), from+row); i++ {
			if d := math.Abs(float64(x[i]) - float64(x[i-1])); d > 0 && d < least {
				least = d
			}
		}
	}
	if math.IsInf(least, 1) {
		return 0
	}
	return least
}

// measure fills in the blocks lo to hi.
func (t *take) measure(lo, hi int) {
	for b := lo; b < hi; b++ {
		start, end := b*t.block, min((b+1)*t.block, len(t.x))
		x := t.x[start:end]
		low, high := x[0], x[0]
		var sum, sq, d2sq, d2max float32
		var d2at int
		// The neighbours on either side belong to the first and last difference.
		p1, p2 := x[0], x[0]
		if start >= 2 {
			p2, p1 = t.x[start-2], t.x[start-1]
		}
		var sums, sqs, d2sqs float64
		for i, v := range x {
			low, high = min(low, v), max(high, v)
			sum += v
			sq += v * v
			d := v - p1 - (p1 - p2)
			d *= d
			d2sq += d
			if d > d2max {
				d2max, d2at = d, i
			}
			p2, p1 = p1, v
			if i&63 == 63 { // float32 holds short sums well enough
				sums, sqs, d2sqs = sums+float64(sum), sqs+float64(sq), d2sqs+float64(d2sq)
				sum, sq, d2sq = 0, 0, 0
			}
		}
		t.blocks[b] = block{min: low, max: high, sum: sums + float64(sum), sq: sqs + float64(sq),
			d2max: float32(math.Sqrt(float64(d2max))), d2at: int32(start + d2at - 1), d2sq: d2sqs + float64(d2sq)}
	}
}

// runsIn returns the rows of equal samples that start in lo <= i < hi and whose
// neighbours lie further off than a smooth curve's would, or that are zeros.
func runsIn(x []float32, lo, hi int, step float32) []run {
	var runs []run
	i := lo
	if i > 0 {
		for i < hi && x[i] == x[i-1] {
			i++ // it started before
		}
	}
	// Rows of leastRun cover a place that is a multiple of leastRun−1.
	for i < hi {
		k := i + leastRun - 1
		if k >= len(x) {
			break
		}
		if x[k] != x[k-1] {
			i = k
			continue
		}
		// Back to where the row starts.
		s := k - 1
		for s > i && x[s-1] == x[s] {
			s--
		}
		e := k + 1
		for e < len(x) && x[e] == x[s] {
			e++
		}
		if e-s < leastRun {
			i = e
			continue
		}
		if s >= hi {
			break
		}
		r := run{at: s, n: e - s, value: x[s]}
		if s > 0 {
			r.left = x[s-1] - x[s]
		}
		if e < len(x) {
			r.right = x[e] - x[s]
		}
		if r.value == 0 || max(r.left, -r.left) > step || max(r.right, -r.right) > step {
			runs = append(runs, r)
		}
		i = e
	}
	return runs
}

// repeatsIn returns the stretches of lo <= i < hi that are equal to what came up
// to a second earlier, as far as the samples hold enough information for that
// not to be chance.
//
// Where windows of four samples were met last is kept in a flat table by hash:
// each place has some bits of the hash, so that most of the others need no look
// at the samples, and the frame modulo 2^placeBits. A window that is overwritten
// is missed; a block has several.
func (t *take) repeatsIn(lo, hi int) []repeat {
	x := t.x
	longest := min(int(longestS*t.rate), 1<<placeBits-1)
	start := max(t.from, lo-longest)
	hi = min(hi, len(x)-window)
	if hi-start < 2*window {
		return nil
	}
	var table [1 << tableBits]uint32
	var found []repeat
	bits := func(i int) uint64 { return uint64(math.Float32bits(x[i])) }
	// pair i is samples i and i+1
	pair0, pair1 := bits(start)|bits(start+1)<<32, bits(start+1)|bits(start+2)<<32
	pair2 := bits(start+2) | bits(start+3)<<32
	const place = 1<<placeBits - 1
	var doneEnd, doneLag, work int
	furthest := int(2 * longestRepeatS * t.rate)
	const mostWork = 8 // comparisons a frame
	for i, v := range x[start+window : hi+window] {
		i += start
		hash := pair0*hashA + pair2*hashB
		hash ^= hash >> 29
		hash *= hashA
		slot := &table[hash>>(64-tableBits)]
		entry := uint32(hash)&^place | uint32(i)&place
		old := *slot
		*slot = entry
		pair0, pair1, pair2 = pair1, pair2, pair2>>32|uint64(math.Float32bits(v))<<32
		if (old^entry)&^place != 0 {
			continue
		}
		lag := (i - int(old)) & place
		if lag < leastLag || lag > longest || i-lag < start || i < lo || lag == doneLag && i < doneEnd {
			continue
		}
		if x[i] != x[i-lag] || x[i+3] != x[i+3-lag] {
			continue
		}
		from, to := i, i
		for from-lag > t.from && i-from < furthest && x[from-1] == x[from-1-lag] {
			from--
		}
		for to < len(x) && to-i < furthest && x[to] == x[to-lag] {
			to++
		}
		doneEnd, doneLag = to, lag
		if work += to - from; work > mostWork*(hi-start) {
			break // nothing but repeats: it is made that way
		}
		if t.enough(from, to-from, lag) {
			found = append(found, repeat{at: from, n: to - from, lag: lag})
		}
	}
	return found
}

// A stretch that repeats an earlier one must be this long, and hold as much
// information that a second one like it is not chance: some 2^36 pairs of
// stretches are compared, and fourteen bits more.
const (
	leastRepeat = 12
	needBits    = 50
	// A block that comes twice in a row is as long as it is late: that makes 2^15
	// times fewer pairs.
	needNextBits = 36
	// Where a frame holds less, the estimate means nothing.
	leastBits = 0.25
)

// enough reports whether n frames at a place hold enough information: the least
// that the frames before, in and after the stretch let expect.
func (t *take) enough(at, n, lag int) bool {
	if n < leastRepeat {
		return false
	}
	const reach = 256
	need := needBits / float64(n)
	if n >= lag && n <= lag+2 {
		need = needNextBits / float64(n)
	}
	need = math.Max(need, leastBits)
	// No prediction leaves less than the best: the second difference, which is
	// one, is known.
	if b := t.blocks[at/t.block]; t.quantum > 0 {
		variance := b.d2sq / float64(t.block) / (t.quantum * t.quantum)
		if 0.5*math.Log2(2*math.Pi*math.E*math.Max(variance, 1e-9)) < need {
			return false
		}
	}
	return t.bits(at-8, at+min(n, reach)+8) >= need && t.bits(at-reach, at) >= need && t.bits(at+n, at+n+reach) >= need
}

// bits returns how many bits a frame of a stretch holds that the frames before
// it do not tell: those of Gaussian noise of the power that a linear prediction
// leaves over, counted in steps of the sample values, rounding left out. Tones
// and slow curves tell themselves; noise does not.
func (t *take) bits(lo, hi int) float64 {
	lo, hi = max(lo, 0), min(hi, len(t.x))
	if hi-lo < 16 {
		return 0
	}
	top := 0.0
	for _, v := range t.x[lo:hi] {
		top = math.Max(top, math.Abs(float64(v)))
	}
	quantum := math.Max(t.quantum, top*0x1p-24)
	if quantum == 0 {
		return 0
	}
	variance := unpredicted(t.x[lo:hi])/(quantum*quantum) - 2.0/12
	if variance <= 0 {
		return 0
	}
	return math.Max(0, 0.5*math.Log2(2*math.Pi*math.E*variance))
}

// predictors is the order of the prediction.
const predictors = 8

// unpredicted returns the mean square of what a linear prediction leaves of x
// (J. P. Burg's method, 1967; from memory).
func unpredicted(x []float32) float64 {
	n := len(x)
	buffer := make([]float64, 2*n)
	forward, backward := buffer[:n], buffer[n:]
	var mean, power float64
	for _, v := range x {
		mean += float64(v)
	}
	mean /= float64(n)
	for i, v := range x {
		d := float64(v) - mean
		forward[i], backward[i] = d, d
		power += d * d
	}
	power /= float64(n)
	orders := min(predictors, n/8)
	for order := 1; order <= orders; order++ {
		var cross, sum float64
		for i := order; i < n; i++ {
			f, b := forward[i], backward[i-1]
			cross += f * b
			sum += f*f + b*b
		}
		if sum == 0 {
			return 0
		}
		k := -2 * cross / sum
		for i := n - 1; i >= order; i-- {
			f, b := forward[i], backward[i-1]
			forward[i], backward[i] = f+k*b, b+k*f
		}
		power *= 1 - k*k
	}
	// As many values fewer as were fitted.
	return power * float64(n) / float64(n-2*orders)
}

// needRunBits is what speaks against a row of equal samples being chance, in
// bits: there are some 2^21 places for it, and fifteen more.
const needRunBits = 36

// natural reports whether a row of equal samples is no wonder: samples around it
// often equal their neighbours, and it begins and ends without a jump.
func (t *take) natural(r run) bool {
	const reach, close = 256, 32
	look := func(lo, hi int) (equal, jump float64) {
		count, pairs := 1.0, 2.0
		for i := max(1, lo); i < min(hi, len(t.x)); i++ {
			pairs++
			if t.x[i] == t.x[i-1] {
				count++
			}
			d := float64(t.x[i]) - float64(t.x[i-1])
			jump += d * d
		}
		return count / pairs, jump / pairs
	}
	e1, j1 := look(r.at-reach, r.at)
	e2, j2 := look(r.at+r.n+1, r.at+r.n+reach)
	// A beat may be at rest for a moment.
	e3, _ := look(r.at-close, r.at)
	e4, _ := look(r.at+r.n+1, r.at+r.n+close)
	bits := float64(r.n-1) * math.Log2(1/max(e1, e2, e3, e4))
	variance := max(j1, j2) + t.quantum*t.quantum/2
	for _, edge := range []float32{r.left, r.right} {
		if variance > 0 { // of a Gaussian jump
			bits += math.Min(30, float64(edge)*float64(edge)/variance/2*math.Log2E)
		}
	}
	return bits < needRunBits
}

// merge joins repeats that belong together: two processors may have found one.
func merge(copies []repeat) []repeat {
	slices.SortFunc(copies, func(a, b repeat) int { return a.at - b.at })
	var out []repeat
	for _, c := range copies {
		if n := len(out); n > 0 && c.at <= out[n-1].at+out[n-1].n {
			last := &out[n-1]
			if c.lag == last.lag || c.at+c.n <= last.at+last.n {
				last.n = max(last.n, c.at+c.n-last.at)
				continue
			}
		}
		out = append(out, c)
	}
	return out
}
