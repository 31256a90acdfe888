package deconv

import (
	"context"
	"math"
	"sync"

	"roomsonde/deconv/clock"
	"roomsonde/deconv/fourier"
	"roomsonde/deconv/internal/fraction"
	"roomsonde/deconv/internal/parallel"
	"roomsonde/sweep"
)

// layout says where the sweeps of a program lie in a recording, and how they
// become one.
type layout struct {
	origin  float64   // frame of the recording at which the program's frame 0 lies
	starts  []float64 // of every sweep
	used    []int     // which of them are averaged, rising
	margin  int       // frames before a start that are taken along
	length  int       // frames of one repeat, the margin included
	skew    float64   // to be put right; 0: none
	replace []Stretch
	silence []float32 // of the recording, before anything else: it shows a converter's offset
	common  bool      // the marks were played apart: time zero is theirs
	// fraction is by how much the first sweep used starts after its cut and the
	// margin, in frames: what a shift has not put right yet.
	fraction float64
}

// cut returns the frame of the recording from which a sweep is taken.
func (l *layout) cut(sweep int) int { return int(math.Floor(l.starts[sweep]+tiny)) - l.margin }

// Fractions of a frame below this are left alone: 0.002 of a frame is 0.00002 dB
// at 20 kHz, and most takes of one clock have none at all.
const tiny = 0.002

// Skews below this, or below three standard errors, are left alone: over a sweep
// of 10 s it is a quarter of a frame.
const leastSkew = 0.5e-6

// marginS is what is taken along before a sweep whose start is known from
// elsewhere: sound that comes before it, and the beginnings of low frequencies.
const marginS = 0.1

// place finds the sweeps.
func place(ctx context.Context, rec []float32, p *sweep.Program, o Options) (*layout, error) {
	s := p.Sweep
	l := &layout{length: s.Frames + p.Tail(), replace: o.Replace}
	played := p.Starts(sweep.KindSweep)
	t := o.Timing
	switch {
	case t != nil && t.ByMarks:
		l.origin = t.Origin
		l.margin = int(marginS * s.SampleRate)
		l.starts = t.Starts(p)
		l.common = p.Options.MarksApart
		if t.Known && math.Abs(t.Skew) > math.Max(leastSkew, 3*t.SkewStdErr) {
			l.skew = t.Skew
		}
	case o.Aligned && len(played) == 1:
		// The latency eats into the silence after the sweep. Where nothing else
		// follows, what was recorded past the program's end makes up for it.
		if p.Frames == played[0]+l.length {
			l.length += max(0, len(rec)-p.Frames)
		}
	default:
		l.margin = int(marginS * s.SampleRate)
		if t != nil {
			l.origin = math.Round(t.Origin)
			break
		}
		first, err := clock.Find(ctx, rec, s.Samples(), played, played[len(played)-1]-played[0]+s.Frames)
		if err != nil {
			return nil, err
		}
		l.origin = float64(first - played[0])
	}
	if l.starts == nil {
		for _, start := range played {
			l.starts = append(l.starts, l.origin+float64(start))
		}
	}
	l.length += l.margin
	// Those that were recorded whole, or the first where none was: time zero is
	// counted from it.
	skipped := func(i int) bool { return i < len(o.Skip) && o.Skip[i] }
	first := -1
	for i := range l.starts {
		if skipped(i) {
			continue
		}
		if first < 0 {
			first = i
		}
		if lo := l.cut(i); lo >= 0 && lo+l.length <= len(rec) {
			l.used = append(l.used, i)
		}
	}
	if first < 0 {
		return nil, &NothingLeftError{len(l.starts)}
	}
	if len(l.used) == 0 || l.used[0] != first && !(t != nil && t.ByMarks) {
		l.used = []int{first}
	}
	l.fraction = l.starts[l.used[0]] - float64(l.cut(l.used[0])+l.margin)
	if math.Abs(l.fraction) < tiny && l.skew == 0 {
		l.fraction = 0
	}
	l.silence = rec[:min(max(0, l.cut(0)), len(rec))]
	if p.Options.Marks {
		l.silence = rec[:min(max(0, int(l.origin)+p.Lead()), len(rec))]
	}
	return l, nil
}

// mean returns the spectrum of the mean of the sweeps used, at the length of
// long, which it uses; the result is long.b. A skew is put right.
func (l *layout) mean(long *buffers, rec []float32) []complex128 {
	dc := offset(l.silence)
	if l.skew == 0 {
		l.sum(long, rec, dc, 0)
		return long.b
	}
	// Room enough that the spectrum can be read between its bins, and the sweep
	// in the middle, around frame 0.
	n := fourier.FastLen(int(math.Ceil(padding * float64(l.length))))
	wide := borrow(n)
	defer wide.giveBack()
	l.sum(wide, rec, dc, l.length/2)
	// Frame m of the mean is frame m+cut of the recording; it goes to
	// (m − margin − fraction)·(1+δ) + margin.
	turn := float64(l.length/2) - float64(l.margin) - l.fraction
	l.fraction = 0
	stretch(long.b, len(long.x), wide.b, n, 1+l.skew)
	fraction.Advance(long.b, len(long.x), -(float64(l.margin) + turn*(1+l.skew)))
	return long.b
}

// sum puts the spectrum of the mean of the sweeps used into b.b: of the frames
// from the cut of the first one on, the others moved onto it, around turned
// frames to earlier places.
func (l *layout) sum(b *buffers, rec []float32, dc float64, turned int) {
	n := len(b.x)
	plan := fourier.Get(n)
	defer fourier.Put(plan)
	first := l.starts[l.used[0]]
	cut := l.cut(l.used[0])
	// Whole frames apart: one sum, one transform.
	whole := true
	offsets := make([]int, len(l.used))
	fractions := make([]float64, len(l.used))
	for i, u := range l.used {
		apart := l.starts[u] - first
		offsets[i] = cut + int(math.Round(apart))
		fractions[i] = apart - math.Round(apart)
		if math.Abs(fractions[i]) < tiny {
			fractions[i] = 0
		}
		whole = whole && fractions[i] == 0
	}
	share := 1 / float64(len(l.used))
	if weights := l.weights(); weights != nil {
		total := make([]float64, n)
		part := borrow(n)
		defer part.giveBack()
		for i := range l.used {
			clear(part.x)
			add(part.x[:l.length], rec, offsets[i], 1, dc)
			if fractions[i] != 0 {
				plan.Coefficients(part.a, part.x)
				fraction.Advance(part.a, n, fractions[i])
				plan.Sequence(part.x, part.a)
			}
			w := weights[i]
			for k := range l.length {
				total[k] += w[k] * part.x[k]
			}
		}
		turnInto(b.x, total, turned)
		plan.Coefficients(b.b, b.x)
		return
	}
	if whole {
		clear(b.x)
		// Around: what comes before frame turned stands at the end.
		for i := range l.used {
			add(b.x[:l.length-turned], rec, offsets[i]+turned, share, dc)
			add(b.x[n-turned:], rec, offsets[i], share, dc)
		}
		plan.Coefficients(b.b, b.x)
		return
	}
	for i := range l.used {
		clear(b.x)
		add(b.x[:l.length-turned], rec, offsets[i]+turned, share, dc)
		add(b.x[n-turned:], rec, offsets[i], share, dc)
		if i == 0 {
			plan.Coefficients(b.b, b.x)
			continue
		}
		scratch := borrow(n) // b.a may hold the sweep's own spectrum
		plan.Coefficients(scratch.a, b.x)
		fraction.AddAdvanced(b.b, scratch.a, n, fractions[i])
		scratch.giveBack()
	}
}

// add adds share times the recording from a frame on to dst, its offset taken
// away, and nothing where there is no recording.
func add(dst []float64, rec []float32, from int, share, dc float64) {
	parallel.Split(len(dst), func(lo, hi int) {
		lo, hi = max(lo, -from), min(hi, len(rec)-from)
		if lo >= hi {
			return
		}
		part := rec[from+lo : from+hi]
		for i, v := range part {
			dst[lo+i] += share * (float64(v) - dc)
		}
	})
}

// turnInto copies src, as long as dst, around by that many frames to earlier
// places.
func turnInto(dst, src []float64, frames int) {
	copy(dst, src[frames:])
	copy(dst[len(dst)-frames:], src[:frames])
}

// weights returns for each sweep used what every frame from the cut on counts in
// the mean; nil where all count alike. Where all sweeps are spoiled they all count.
func (l *layout) weights() [][]float64 {
	const fade = 256 // frames
	any := false
	weights := make([][]float64, len(l.used))
	for i, u := range l.used {
		w := make([]float64, l.length)
		for k := range w {
			w[k] = 1
		}
		for _, r := range l.replace {
			if r.Sweep != u || r.Frames <= 0 || len(l.used) < 2 {
				continue
			}
			from, to := r.From+l.margin, r.From+r.Frames+l.margin
			for k := max(0, from-fade); k < min(l.length, to+fade); k++ {
				any = true
				g := 0.0
				if d := max(from-k, k-to+1); d > 0 { // into the fade
					g = 0.5 - 0.5*math.Cos(math.Pi*(float64(d)-0.5)/fade)
				}
				w[k] = min(w[k], g)
			}
		}
		weights[i] = w
	}
	if !any {
		return nil
	}
	for k := range l.length {
		var sum float64
		for _, w := range weights {
			sum += w[k]
		}
		for i, w := range weights {
			if sum > 1e-6 {
				w[k] /= sum
			} else {
				weights[i][k] = 1 / float64(len(weights))
			}
		}
	}
	return weights
}

// padding is the length of a transform that can be read between its bins by
// readTaps of them, over the length of what was transformed.
const (
	padding    = 1.7
	readTaps   = 8    // to either side
	readBeta   = 10.3 // of their Kaiser window: −102 dB with 16 taps across a slope of 0.41/π
	readPhases = 512
)

// stretch reads the spectrum src of a sequence of m values around frame 0, which
// is zero for more than 0.41 of m, as that of the sequence played in scale times
// the time: into dst, the spectrum of n values, S(f) = scale·src(f·scale). What it
// lacks beyond half the rate is 0.
func stretch(dst []complex128, n int, src []complex128, m int, scale float64) {
	table := readKernel()
	last := len(src) - 1 // half the rate; m is even
	perBin := scale * float64(m) / float64(n)
	parallel.Split(len(dst), func(lo, hi int) {
		for k := lo; k < hi; k++ {
			at := float64(k) * perBin
			if at > float64(last) {
				dst[k] = 0
				continue
			}
			whole := math.Floor(at)
			phase := (at - whole) * readPhases
			p := int(phase)
			t := phase - float64(p)
			a, b := &table[p], &table[p+1]
			first := int(whole) - readTaps + 1
			var re, im float64
			if first >= 0 && first+2*readTaps <= len(src) {
				part := src[first:][:2*readTaps]
				for i, v := range part {
					w := a[i] + t*(b[i]-a[i])
					re += w * real(v)
					im += w * imag(v)
				}
			} else {
				for i := range a {
					w := a[i] + t*(b[i]-a[i])
					j, sign := first+i, 1.0
					if j < 0 { // the mirror image
						j, sign = -j, -1
					} else if j > last {
						j, sign = 2*last-j, -1
					}
					re += w * real(src[j])
					im += sign * w * imag(src[j])
				}
			}
			dst[k] = complex(scale*re, scale*im)
		}
	})
}

// readKernel is the kernel of stretch, by phase: row p holds the weights of the
// bins from readTaps−1 before the bin that the place follows.
var readKernel = sync.OnceValue(func() [][2 * readTaps]float64 {
	table := make([][2 * readTaps]float64, readPhases+2)
	for p := range table {
		for i := range table[p] {
			d := float64(i-readTaps+1) - float64(p)/readPhases
			table[p][i] = fraction.Sinc(d) * fraction.Kaiser(d/readTaps, readBeta)
		}
	}
	return table
})

// between returns where the peak of |h| next to frame lag is, in frames after
// it: the circular sequence read between its frames by a windowed sinc.
func between(h []float64, lag int) float64 {
	const taps, steps = 32, 16
	n := len(h)
	at := func(t float64) float64 {
		var sum float64
		for i := -taps; i <= taps; i++ {
			d := float64(i) - t
			sum += h[((lag+i)%n+n)%n] * fraction.Sinc(d) * fraction.Kaiser(d/(taps+1), 10)
		}
		return math.Abs(sum)
	}
	best, top := 0, math.Inf(-1)
	for i := -steps; i <= steps; i++ {
		if v := at(float64(i) / steps); v > top {
			best, top = i, v
		}
	}
	a, c := at(float64(best-1)/steps), at(float64(best+1)/steps)
	t := float64(best)
	if bend := 2*top - a - c; bend > 0 {
		t += math.Max(-0.5, math.Min(0.5, 0.5*(c-a)/bend))
	}
	return t / steps
}
