package fourier

import (
	"math"
	"runtime"
)

// Measured on a two-core server processor with 1 MB of second-level cache per
// core; all three are flat near their best.
const (
	// batch is how many short transforms run side by side. With fewer, the
	// columns of the matrix are fetched in pieces too short for memory to be
	// fast (8 took 1.4 times as long at 2^20); with more, the scratch of a
	// goroutine outgrows its cache.
	batch = 16
	// directTo is the longest complex transform that is done in one piece.
	directTo = 2048
	// parallelFrom is the shortest real transform that uses several goroutines.
	// Below it, waking one costs about what it saves.
	parallelFrom = 1 << 17
)

// smooth reports whether m is 2^a·3^b·5^c.
func smooth(m int) bool {
	for _, f := range []int{2, 3, 5} {
		for m%f == 0 {
			m /= f
		}
	}
	return m == 1
}

// stages is a short transform: its radices and the twiddle factors of all but
// the last pass.
type stages struct {
	n     int
	radix []int
	tw    [][]complex128
}

// radices factors a smooth n for the passes.
func radices(n int) []int {
	var r []int
	for _, f := range []int{5, 3, 4, 2} {
		for n%f == 0 {
			r = append(r, f)
			n /= f
		}
	}
	if len(r) == 0 {
		r = append(r, 1)
	}
	return r
}

// passCost is the time of a pass per value, relative to radix 4: a least-squares
// fit to the measured times of all even 5-smooth lengths from 30000 to 40000 and
// from 480000 to 1060000, rounded. Radix 1 copies.
var passCost = [...]float64{1: 0.5, 2: 0.7, 3: 0.9, 4: 1, 5: 1.5}

func stageCost(radix []int) float64 {
	sum := 0.0
	for _, r := range radix {
		sum += passCost[r]
	}
	return sum
}

func newStages(n int) stages {
	st := stages{n: n, radix: radices(n)}
	left := n
	for _, r := range st.radix[:len(st.radix)-1] {
		lp := left / r
		tw := make([]complex128, 0, lp*(r-1))
		for p := range lp {
			for j := 1; j < r; j++ {
				tw = append(tw, root(p*j, left))
			}
		}
		st.tw = append(st.tw, tw)
		left = lp
	}
	return st
}

// run transforms w sequences side by side: value n of sequence b is
// src[n*ss+b], and its coefficient k becomes dst[k*ds+b]. a and b are scratch of
// n·w values each.
func (st *stages) run(dst, src, a, b []complex128, w, ss, ds int) {
	left, s := st.n, w
	last := len(st.radix) - 1
	for i, r := range st.radix[:last] {
		lp := left / r
		pass(r, a, src, lp, s, ss, st.tw[i])
		left = lp
		s *= r
		src, ss = a, s
		a, b = b, a
	}
	r := st.radix[last]
	cnt := st.n / r
	if last > 0 {
		ss = w
	}
	if ss == w && ds == w {
		final(r, dst, src, 1, w*cnt, w*cnt, w*cnt)
		return
	}
	final(r, dst, src, cnt, w, ss, ds)
}

// engine is a complex transform of length m, without scratch. It is not changed
// once made.
//
// A long transform is a matrix of rows×cols, index n = n1·cols + n2. First the
// columns are transformed over n1, and coefficient k1 of column n2 is multiplied
// by w^(k1·n2); then the rows over n2, and coefficient k2 of row k1 is the
// result's number k2·rows + k1.
type engine struct {
	m          int
	rows, cols int // rows = 1: in one piece
	down       stages
	along      stages
	turn       *roots       // e^(−j2πk/m)
	skew       []complex128 // skew[b*rows+k1] = w^(b·k1), b < batch
	chirp      *chirp       // if m is not smooth
}

func newEngine(m int) *engine {
	e := &engine{m: m, rows: 1, cols: m}
	if m > directTo {
		e.rows, e.cols = split(m)
	}
	e.along = newStages(e.cols)
	if e.rows == 1 {
		return e
	}
	e.down = newStages(e.rows)
	e.turn = newRoots(m)
	e.skew = make([]complex128, batch*e.rows)
	for b := range batch {
		for k := range e.rows {
			e.skew[b*e.rows+k] = root(b*k%m, m)
		}
	}
	return e
}

// split cuts m into two factors near its square root that need the least work,
// rows <= cols.
func split(m int) (rows, cols int) {
	best := math.Inf(1)
	for d := 2; d*d <= m; d++ {
		if m%d != 0 {
			continue
		}
		cost := stageCost(radices(d)) + stageCost(radices(m/d)) +
			0.25*math.Abs(math.Log2(float64(d)*float64(d)/float64(m)))
		if cost < best {
			best, rows, cols = cost, d, m/d
		}
	}
	return rows, cols
}

// size returns the memory of the tables, in complex values.
func (e *engine) size() int {
	n := len(e.skew)
	for _, st := range []stages{e.down, e.along} {
		for _, tw := range st.tw {
			n += len(tw)
		}
	}
	if e.turn != nil {
		n += e.turn.size()
	}
	if c := e.chirp; c != nil {
		n += len(c.c) + len(c.kernel) + c.inner.size()
	}
	return n
}

// workspace is the scratch of one plan.
type workspace struct {
	eng   *engine
	turn  []complex128 // the matrix between the two steps
	lanes []lane       // one per goroutine
	team  team

	dst, src []complex128 // during a call

	pad   []complex128 // a chirp engine's: input and output of the one inside
	inner *workspace
}

// lane is the scratch of one goroutine.
type lane struct{ a, b, base []complex128 }

func newWorkspace(e *engine) *workspace {
	w := &workspace{eng: e}
	if c := e.chirp; c != nil {
		w.pad = make([]complex128, 2*c.inner.m)
		w.inner = newWorkspace(c.inner)
		return w
	}
	w.turn = make([]complex128, e.m)
	return w
}

// size returns the memory of the scratch, in complex values.
func (w *workspace) size() int {
	n := len(w.turn) + len(w.pad)
	for _, l := range w.lanes {
		n += len(l.a) + len(l.b) + len(l.base)
	}
	if w.inner != nil {
		n += w.inner.size()
	}
	return n
}

// ready makes the lanes for a transform on up to n goroutines and returns their
// number. More than two lanes take no more memory than turn.
func (w *workspace) ready(n int) int {
	e := w.eng
	k := batch * max(e.rows, e.cols)
	size := 2*k + e.rows
	n = min(n, max(2, e.m/size))
	for len(w.lanes) < n {
		buf := make([]complex128, size)
		w.lanes = append(w.lanes, lane{buf[:k:k], buf[k : 2*k : 2*k], buf[2*k:]})
	}
	return n
}

// source returns where to put the input of a transform to dst that is to be
// overwritten: dst itself or scratch.
func (e *engine) source(dst []complex128, w *workspace) []complex128 {
	if e.chirp == nil && e.rows == 1 && len(e.along.radix)%2 == 1 {
		return w.turn
	}
	return dst
}

// transform computes dst[k] = Σ src[n] e^(−j2πkn/m). src is kept unless it is
// what source returned.
func (e *engine) transform(dst, src []complex128, w *workspace) {
	if e.chirp != nil {
		e.chirp.transform(dst, src, w)
		return
	}
	if e.rows == 1 {
		a, b := w.turn, dst
		if len(e.along.radix)%2 == 1 {
			a, b = dst, w.turn
		}
		e.along.run(dst, src, a, b, 1, 1, 1)
		return
	}
	w.dst, w.src = dst, src
	lanes := 1
	if 2*e.m >= parallelFrom {
		lanes = runtime.GOMAXPROCS(0)
	}
	lanes = w.ready(lanes)
	w.team.run(lanes, blocksOf(e.cols), (*downStep)(w))
	w.team.run(lanes, blocksOf(e.rows), (*alongStep)(w))
	w.dst, w.src = nil, nil
}

// blocksOf returns how many batches make n.
func blocksOf(n int) int { return (n + batch - 1) / batch }

type (
	downStep  workspace
	alongStep workspace
)

// do transforms a block of up to batch columns. The results go to turn,
// which is made of blocks of up to batch rows, each with the values of one n2
// side by side.
func (w *downStep) do(ln, block int) {
	e, l := w.eng, &w.lanes[ln]
	n2 := block * batch
	width := min(batch, e.cols-n2)
	out := l.a
	if len(e.down.radix)%2 == 0 {
		out = l.b
	}
	e.down.run(out, w.src[n2:], l.a, l.b, width, e.cols, width)
	base := l.base
	for k := range base {
		base[k] = e.turn.at(k * n2)
	}
	for k1 := 0; k1 < e.rows; k1 += batch {
		high := min(batch, e.rows-k1)
		from := out[k1*width:][:high*width]
		to := w.turn[k1*e.cols+n2*high:][:high*width]
		bs := base[k1:][:high]
		for b := range width {
			sk := e.skew[b*e.rows+k1:][:len(bs)]
			t := to[b*high:][:len(bs)]
			for i, v := range bs {
				t[i] = from[i*width+b] * (v * sk[i])
			}
		}
	}
}

// do transforms a block of up to batch rows.
func (w *alongStep) do(ln, block int) {
	e, l := w.eng, &w.lanes[ln]
	k1 := block * batch
	high := min(batch, e.rows-k1)
	e.along.run(w.dst[k1:], w.turn[k1*e.cols:], l.a, l.b, high, high, e.rows)
}
