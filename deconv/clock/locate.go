package clock

import (
	"context"
	"math"
	"slices"
	"sync"
	"sync/atomic"

	"roomsonde/deconv/fourier"
	"roomsonde/deconv/internal/fraction"
	"roomsonde/sweep"
)

// The search for a mark.
const (
	earlyS = 0.05 // by how much a recording that started with the program may be early
	lateS  = 1.0  // and late
	strayS = 0.5  // how far from where the others put it a mark is looked for: so much may be lost at once
	// markNeedDB is how far a mark must stand out of the matched filter's output.
	// Noise alone reaches some 13 dB in the 50,000 frames that are searched.
	markNeedDB = 16
	// From markDoubtDB on a mark counts that is like another one: in a small room
	// the bass rings on, and its own answer is most of that output. Two stretches of noise
	// in the band of a mark correlate by some 0.3 at most.
	markDoubtDB = 14
	alikeFrom   = 0.7
)

// Locate finds program p in a recording at its sample rate, all its marks, and
// the skew between the clocks. rec is not changed. A mark that is not there
// does not hinder the rest; without any mark, or in a program that has none,
// Known is false and Origin comes from the first sweep. Errors: *NotFoundError
// where there is neither mark nor sweep, ctx's error.
//
// What it cannot tell: with two marks, whether frames were lost between them
// (up to 1000 ppm that is taken for skew).
func Locate(ctx context.Context, rec []float32, p *sweep.Program, o Options) (*Timing, error) {
	t := &Timing{}
	for _, seg := range p.Segments {
		switch seg.Kind {
		case sweep.KindMark:
			t.Marks = append(t.Marks, Mark{Segment: seg})
		case sweep.KindQuiet:
			t.Quiet = append(t.Quiet, Mark{Segment: seg})
		}
	}
	rate := p.Sweep.SampleRate
	frames := func(s float64) int { return int(math.Round(s * rate)) }
	if len(t.Marks) > 0 && o.Aligned {
		m := newMarks(rec, p, t)
		if m.search(0, -frames(earlyS), frames(lateS)) {
			m.compare()
			return t, ctx.Err()
		}
	}
	// Where the sweeps are says where the marks are.
	starts := p.Starts(sweep.KindSweep)
	part, from := rec, 0
	if o.Aligned {
		lo, hi := max(0, starts[0]-frames(earlyS)), starts[len(starts)-1]+p.Sweep.Frames+frames(lateS)
		part, from = rec[min(lo, len(rec)):min(hi, len(rec))], lo
	}
	if len(part) < p.Sweep.Frames/4 {
		return nil, &NotFoundError{PeakDB: math.Inf(-1), NeedDB: NeedDB}
	}
	first, err := Find(ctx, part, p.Sweep.Samples(), starts, starts[len(starts)-1]-starts[0]+p.Sweep.Frames)
	if err != nil {
		return nil, err
	}
	t.Origin = float64(from + first - starts[0])
	if len(t.Marks) > 0 && !o.Aligned {
		m := newMarks(rec, p, t)
		if m.search(from+first-starts[0], -frames(strayS/2), frames(strayS/2)) {
			m.compare()
		}
	}
	return t, ctx.Err()
}

// marks is the work on the marks of one recording.
type marks struct {
	rec       []float32
	rate      float64
	fromHz    float64
	toHz      float64
	sound     []float32 // the mark as it was played
	timing    *Timing
	all       []*Mark // the quiet ones first
	pre, post int     // frames around a mark that are compared
	edge      int     // of them, how many are faded at either end
	n         int     // length of the comparison's transforms
	low, high int     // bins low <= k < high of them hold the band
	cut       []int   // where the piece of each mark starts
	spectra   [][]complex128
	silences  []float64 // the noise's power in the band, as before each mark
}

func newMarks(rec []float32, p *sweep.Program, t *Timing) *marks {
	m := &marks{rec: rec, rate: p.Sweep.SampleRate, fromHz: p.Mark.FromHz, toHz: p.Mark.ToHz, sound: markOf(p), timing: t}
	for i := range t.Quiet {
		m.all = append(m.all, &t.Quiet[i])
	}
	for i := range t.Marks {
		m.all = append(m.all, &t.Marks[i])
	}
	// The room's answer belongs to the mark. Low marks need more room.
	scale := math.Max(1, math.Min(2.5, 500/m.fromHz))
	m.pre, m.post = int(0.04*scale*m.rate), int(0.2*scale*m.rate)
	m.edge = int(0.02 * scale * m.rate)
	m.n = fourier.FastLen(m.pre + len(m.sound) + m.post)
	m.low = max(1, int(math.Ceil(m.fromHz*float64(m.n)/m.rate)))
	m.high = min(m.n/2, int(m.toHz*float64(m.n)/m.rate)+1)
	return m
}

// A known mark is kept for the next take: it takes a third of Locate's time.
type knownMark struct {
	mark            sweep.Mark
	rate, levelDBFS float64
	sound           []float32
	n               int
	template        []complex128 // at length n; nil: not made yet
}

var lastMark atomic.Pointer[knownMark]

// markOf returns what a mark of p sounds like.
func markOf(p *sweep.Program) []float32 {
	k := lastMark.Load()
	if k == nil || k.mark != p.Mark || k.rate != p.Sweep.SampleRate || k.levelDBFS != p.Sweep.LevelDBFS {
		k = &knownMark{mark: p.Mark, rate: p.Sweep.SampleRate, levelDBFS: p.Sweep.LevelDBFS, sound: p.MarkSamples()}
		lastMark.Store(k)
	}
	return k.sound
}

// template returns templateOf the mark at length n.
func (m *marks) template(n int) []complex128 {
	k := lastMark.Load()
	ours := k != nil && len(k.sound) == len(m.sound) && &k.sound[0] == &m.sound[0]
	if ours && k.n == n {
		return k.template
	}
	template := templateOf(m.sound, n)
	if ours {
		next := *k
		next.n, next.template = n, template
		lastMark.Store(&next)
	}
	return template
}

// matched is one mark's matched filter output: its absolute value, step frames
// apart, from a frame of the recording on; and the largest values of blocks of it.
type matched struct {
	from, step int
	c          []float64
	blocks     []float64
	power      float64 // Σ c²
}

// search finds the marks coarsely: frame 0 of the program lies at base, plus a
// latency from lo up to hi. It sets cut, and Found and OutDB of each; false
// where no time mark is found.
func (m *marks) search(base, lo, hi int) bool {
	stray := int(strayS * m.rate)
	lo, hi = lo-stray/2, hi+stray/2
	n := fourier.FastLen(hi - lo + len(m.sound))
	step := 1
	for n%(2*step) == 0 && float64(n)/m.rate*m.toHz*4 < float64(n/(2*step)) {
		step *= 2
	}
	template := m.template(n)
	bottom, top := int(m.fromHz*float64(n)/m.rate), int(m.toHz*float64(n)/m.rate)+1
	width := (hi - lo) / step
	block := max(1, int(0.001*m.rate)/step) // a millisecond
	out := make([]matched, len(m.all))
	m.each(func(i int) {
		w := borrow(n)
		defer w.giveBack()
		from := base + m.all[i].Segment.Start + lo
		read(w.x, m.rec, from)
		clear(w.x[hi-lo+len(m.sound):])
		plan := fourier.Get(n)
		plan.Coefficients(w.spectrum, w.x)
		fourier.Put(plan)
		band := w.spectrum[:n/step/2+1]
		clear(band[:min(bottom, len(band))])
		for k := bottom; k < min(top, len(band)); k++ {
			band[k] *= template[k]
		}
		clear(band[min(top, len(band)):])
		plan = fourier.Get(n / step)
		plan.Sequence(w.x[:n/step], band)
		fourier.Put(plan)
		o := matched{from: from, step: step, c: make([]float64, width), blocks: make([]float64, (width+block-1)/block)}
		for b := range o.blocks {
			var largest float64
			for j := b * block; j < min((b+1)*block, width); j++ {
				v := math.Abs(w.x[j])
				o.c[j] = v
				o.power += v * v
				if v > largest {
					largest = v
				}
			}
			o.blocks[b] = largest
		}
		out[i] = o
	})
	// All together, in blocks of a millisecond: each by itself might take a cough
	// for a mark.
	score := make([]float64, (width+block-1)/block)
	largest := make([]float64, len(score))
	first := m.all[0].Segment.Start
	for i := range out {
		if out[i].power == 0 {
			continue
		}
		clear(largest)
		addLargest(largest, out[i].blocks, 0, int(most*float64(m.all[i].Segment.Start-first))/(step*block)+1)
		g := 1 / math.Sqrt(out[i].power/float64(width))
		for j, v := range largest {
			score[j] += g * v
		}
	}
	best := 0
	for j, v := range score {
		if v > score[best] {
			best = j
		}
	}
	best = best*block + block/2
	// Each mark near there.
	m.cut = make([]int, len(m.all))
	loudness := make([]float64, len(m.all))
	var doubtful []int
	for i, o := range out {
		mark := m.all[i]
		near := int(most*float64(mark.Segment.Start-first)+0.005*m.rate)/step + 1
		peak := strongest(o.c, best-2*near, best+2*near)
		if far := strongest(o.c, best-stray/step, best+stray/step); o.c[far] > 2*o.c[peak] {
			peak = far
		}
		// The rest: all but the mark and the room's answer to it.
		var sum float64
		count := 0
		before, after := int(0.02*m.rate)/step, int(0.3*m.rate)/step
		for j := max(0, best-stray/step); j <= min(best+stray/step, width-1); j++ {
			v := o.c[j]
			if j < peak-before || j > peak+after {
				sum += v * v
				count++
			}
		}
		if o.c[peak] > 0 && count > 0 {
			mark.OutDB = 20 * math.Log10(o.c[peak]/math.Max(math.Sqrt(sum/float64(count)), 1e-15*o.c[peak]))
		}
		loudness[i] = o.c[peak]
		m.cut[i] = o.from + peak*step - m.pre
		start := m.cut[i] + m.pre
		slack := int(0.002 * m.rate)
		inside := start >= -slack && start+len(m.sound) <= len(m.rec)+slack
		mark.Found = mark.OutDB >= markNeedDB && inside
		if !mark.Found && mark.OutDB >= markDoubtDB && inside {
			doubtful = append(doubtful, i)
		}
	}
	for _, i := range doubtful {
		for j, other := range m.all {
			if j != i && other.OutDB >= markDoubtDB && m.alike(i, j) {
				m.all[i].Found = true
				break
			}
		}
	}
	m.dropClipped()
	m.dropSoft(loudness)
	return slices.ContainsFunc(m.all, func(mark *Mark) bool { return mark.Found && mark.Segment.Kind == sweep.KindMark })
}

// softestDB is how far a mark may lie below the loudest: the quiet one is 14 dB
// softer, and gain control may take some.
const softestDB = -30

// dropSoft takes a mark that is far softer than the loudest for not found: what
// is left of one that was cut off, in a room that still rings.
func (m *marks) dropSoft(loudness []float64) {
	var loudest float64
	for i, mark := range m.all {
		if mark.Found {
			loudest = math.Max(loudest, loudness[i])
		}
	}
	for i, mark := range m.all {
		if loudness[i] < math.Pow(10, softestDB/20.0)*loudest {
			mark.Found = false
		}
	}
}

// alike reports whether what was recorded at two marks is the same sound.
func (m *marks) alike(i, j int) bool {
	a, b := m.piece(nil, m.cut[i]), m.piece(nil, m.cut[j])
	if lag := m.coarseLag(a, b); lag != 0 {
		a = m.piece(a[:0], m.cut[i]+lag)
	}
	var along complex128
	var first, second float64
	for k, v := range a {
		along += v * complex(real(b[k]), -imag(b[k]))
		first += power(v)
		second += power(b[k])
	}
	return real(along) >= alikeFrom*math.Sqrt(first*second)
}

func strongest(c []float64, lo, hi int) int {
	lo, hi = max(lo, 0), min(hi, len(c)-1)
	best := min(lo, len(c)-1)
	for j := lo; j <= hi; j++ {
		if c[j] > c[best] {
			best = j
		}
	}
	return best
}

// dropClipped takes a mark that was clipped for not found where the others were
// not: something lay on it.
func (m *marks) dropClipped() {
	clipped := make([]bool, len(m.all))
	whole := 0
	for i, mark := range m.all {
		if !mark.Found || mark.Segment.Kind != sweep.KindMark {
			continue
		}
		row := 0
		for j := max(0, m.cut[i]+m.pre); j < min(len(m.rec), m.cut[i]+m.pre+len(m.sound)); j++ {
			if v := m.rec[j]; v < 0.9999 && v > -0.9999 {
				row = 0
			} else if row++; row >= 3 {
				clipped[i] = true
				break
			}
		}
		if !clipped[i] {
			whole++
		}
	}
	for i, mark := range m.all {
		if clipped[i] && whole >= 2 {
			mark.Found = false
		}
	}
}

// each calls do for every mark, a few at a time.
func (m *marks) each(do func(i int)) {
	var all sync.WaitGroup
	half := (len(m.all) + 1) / 2
	all.Go(func() {
		for i := range half {
			do(i)
		}
	})
	for i := half; i < len(m.all); i++ {
		do(i)
	}
	all.Wait()
}

// work is room for one transform.
type work struct {
	x        []float64
	spectrum []complex128 // len(x)/2+1
}

var idle sync.Pool // of *work

// borrow returns room for a transform of n values, with anything in it.
func borrow(n int) *work {
	w, ok := idle.Get().(*work)
	if !ok || cap(w.x) < n {
		w = &work{make([]float64, n), make([]complex128, n/2+1)}
	}
	w.x, w.spectrum = w.x[:n], w.spectrum[:n/2+1]
	return w
}

func (w *work) giveBack() { idle.Put(w) }

// piece puts the band of the spectrum of what was recorded from a frame on into
// dst (high−low).
func (m *marks) piece(dst []complex128, from int) []complex128 {
	w := borrow(m.n)
	defer w.giveBack()
	long := m.pre + len(m.sound) + m.post
	read(w.x, m.rec, from)
	clear(w.x[long:])
	for i := range m.edge {
		g := 0.5 - 0.5*math.Cos(math.Pi*(float64(i)+0.5)/float64(m.edge))
		w.x[i] *= g
		w.x[long-1-i] *= g
	}
	plan := fourier.Get(m.n)
	defer fourier.Put(plan)
	return append(dst, plan.Coefficients(w.spectrum, w.x)[m.low:m.high]...)
}

// compare finds the places of the marks that were found, against each other and
// against what was played, and with them the rest of the timing.
func (m *marks) compare() {
	m.spectra = make([][]complex128, len(m.all))
	m.silences = make([]float64, len(m.all))
	ref := -1
	for i, mark := range m.all {
		if mark.Found && mark.Segment.Kind == sweep.KindMark {
			ref = i
			break
		}
	}
	long := m.pre + len(m.sound) + m.post
	m.each(func(i int) {
		if !m.all[i].Found {
			return
		}
		m.spectra[i] = m.piece(nil, m.cut[i])
		// What the same stretch of time holds when nothing is played.
		if from := m.cut[i] - long; from >= 0 {
			for _, v := range m.piece(nil, from) {
				m.silences[i] += power(v)
			}
		}
	})
	// The coarse places may be off by a few frames, or by an echo: cut again
	// where the recorded marks lie on top of each other.
	m.each(func(i int) {
		if !m.all[i].Found || i == ref {
			return
		}
		if lag := m.coarseLag(m.spectra[i], m.spectra[ref]); lag != 0 {
			m.cut[i] += lag
			m.spectra[i] = m.piece(m.spectra[i][:0], m.cut[i])
		}
	})
	// Where each lies after mark ref, in frames less cut[i] − cut[ref]: the mean over
	// all pairs, which is the least-squares solution.
	var found []int
	for i, mark := range m.all {
		if mark.Found && mark.Segment.Kind == sweep.KindMark {
			found = append(found, i)
		}
	}
	lag := make([]float64, len(m.all))
	for a, i := range found {
		for _, j := range found[a+1:] {
			d := m.lag(m.spectra[j], m.spectra[i]) // j's after i's
			lag[j] += d / float64(len(found))
			lag[i] -= d / float64(len(found))
		}
	}
	// From now on all spectra lie on top of each other.
	mean := make([]complex128, m.high-m.low)
	for _, i := range found {
		m.shift(m.spectra[i], lag[i])
		for k, v := range m.spectra[i] {
			mean[k] += v / complex(float64(len(found)), 0)
		}
	}
	for i, mark := range m.all {
		if mark.Found && mark.Segment.Kind == sweep.KindQuiet {
			lag[i] = m.lag(m.spectra[i], mean)
			m.shift(m.spectra[i], lag[i])
		}
	}
	for i, mark := range m.all {
		if mark.Found {
			mark.At = float64(m.cut[i]+m.pre) + lag[i]
			m.residual(mark, i, found)
		}
	}
	m.levels(found)
	m.timing.line()
	// And now where it all lies.
	absolute := m.arrival(mean)
	for _, mark := range m.all {
		if mark.Found {
			mark.At += absolute
		}
	}
	m.timing.Origin += absolute
	m.timing.ByMarks = true
}

func power(v complex128) float64 { return real(v)*real(v) + imag(v)*imag(v) }

// omega is the angular frequency of the first bin of the band, and the step
// between bins, in radians per frame.
func (m *marks) omega() (first, step float64) {
	step = 2 * math.Pi / float64(m.n)
	return step * float64(m.low), step
}

// coarseLag returns by how many whole frames a lies after b.
func (m *marks) coarseLag(a, b []complex128) int {
	w := borrow(m.n)
	defer w.giveBack()
	clear(w.spectrum)
	for k := range a {
		w.spectrum[m.low+k] = a[k] * complex(real(b[k]), -imag(b[k]))
	}
	plan := fourier.Get(m.n)
	defer fourier.Put(plan)
	c := plan.Sequence(w.x, w.spectrum)
	best := 0
	for i, v := range c {
		if v > c[best] {
			best = i
		}
	}
	if best > m.n/2 {
		best -= m.n
	}
	return best
}

// lag returns by how many frames a lies after b, where that is less than about a
// frame: the peak of their correlation Re Σ a·b*·e^(jωτ), by Newton's method.
// That is where a correlation with any amount of zero padding has it.
func (m *marks) lag(a, b []complex128) float64 {
	cross := make([]complex128, len(a))
	for k := range a {
		cross[k] = a[k] * complex(real(b[k]), -imag(b[k]))
	}
	first, step := m.omega()
	return fraction.Peak(cross, first, step, 0)
}

// shift moves a spectrum by that many frames to earlier times.
func (m *marks) shift(c []complex128, frames float64) {
	first, step := m.omega()
	fraction.Turn(c, first*frames, step*frames)
}

// residual fills in what tells how well mark i matches the others.
func (m *marks) residual(mark *Mark, i int, found []int) {
	y := m.spectra[i]
	others := make([]complex128, len(y))
	count := 0.0
	for _, j := range found {
		if j != i {
			count++
			for k, v := range m.spectra[j] {
				others[k] += v
			}
		}
	}
	first, step := m.omega()
	// Zero padding, and the edges, make neighbouring bins depend on each other.
	alike := float64(m.n) / float64(m.pre+len(m.sound)+m.post-m.edge)
	if count == 0 {
		// Alone: the noise before it says how well it can be placed.
		var bend, total float64
		for k, v := range y {
			w := first + float64(k)*step
			bend += w * w * power(v)
			total += power(v)
		}
		if bend > 0 {
			mark.StdErr = math.Sqrt(0.5 * alike * m.silences[i] / float64(len(y)) / bend)
		}
		return
	}
	var along, size float64
	for k, v := range others {
		others[k] = v / complex(count, 0)
		along += real(y[k])*real(others[k]) + imag(y[k])*imag(others[k])
		size += power(others[k])
	}
	if !(size > 0) || !(along > 0) {
		return
	}
	g := complex(along/size, 0)
	var differs, all, numerator, bend float64
	for k, v := range others {
		d := power(y[k] - g*v)
		differs += d
		all += power(y[k])
		w := first + float64(k)*step
		s := power(g * v)
		numerator += w * w * s * d
		bend += w * w * s
	}
	mark.LikenessDB = 10 * math.Log10(math.Max(differs/all, 1e-30))
	// An error of τ is Σ ω·Im(noise·signal*) / Σ ω²·|signal|²; the noise is this
	// mark's and, less, the others'.
	own := count / (count + 1)
	if mark.Segment.Kind == sweep.KindQuiet {
		own = 1
	}
	mark.StdErr = math.Sqrt(0.5*alike*own*numerator) / bend
}

// levels fills in the levels re the first mark found.
func (m *marks) levels(found []int) {
	if len(found) == 0 {
		return
	}
	ref := found[0]
	dot := func(a, b []complex128) (sum float64) {
		for k := range a {
			sum += real(a[k])*real(b[k]) + imag(a[k])*imag(b[k])
		}
		return sum
	}
	clean := func(i int) float64 { // power without the noise's
		p := dot(m.spectra[i], m.spectra[i])
		return math.Max(p-m.silences[i], 0.01*p)
	}
	for i, mark := range m.all {
		if !mark.Found || i == ref {
			continue
		}
		// By way of those that hold the noise of neither.
		var a, b float64
		for _, j := range found {
			if j != i && j != ref {
				a += dot(m.spectra[i], m.spectra[j])
				b += dot(m.spectra[ref], m.spectra[j])
			}
		}
		ratio := a / b
		if b == 0 {
			if mark.Segment.Kind == sweep.KindQuiet {
				ratio = dot(m.spectra[i], m.spectra[ref]) / clean(ref)
			} else {
				ratio = math.Sqrt(clean(i) / clean(ref))
			}
		}
		if !(ratio > 1e-6) {
			ratio = 1e-6
		}
		mark.LevelDB = 20 * math.Log10(ratio)
		if mark.Segment.Kind == sweep.KindQuiet {
			mark.LevelDB += sweep.QuietDB
		}
	}
}

// arrival returns by how many frames the mark in the given spectrum lies behind
// where it was cut: the strongest peak of its band-limited impulse response.
func (m *marks) arrival(mean []complex128) float64 {
	// The recorder's clock makes the mark longer or shorter.
	sound := m.sound
	if m.timing.Skew != 0 {
		sound = Resample(sound, 1+m.timing.Skew)
	}
	x := make([]float64, m.n)
	for i, v := range sound[:min(len(sound), m.n-m.pre)] {
		x[m.pre+i] = float64(v)
	}
	plan := fourier.Get(m.n)
	played := plan.Coefficients(nil, x)[m.low:m.high]
	fourier.Put(plan)
	// M·X*/(|X|²+ε), and smooth ends of the band.
	var top float64
	for _, v := range played {
		top = math.Max(top, power(v))
	}
	h := make([]complex128, len(mean))
	for k, v := range mean {
		t := (float64(k) + 0.5) / float64(len(mean))
		ends := math.Min(1, 5*math.Min(t, 1-t))
		g := (0.5 - 0.5*math.Cos(math.Pi*ends)) / (power(played[k]) + 1e-3*top)
		h[k] = v * complex(g*real(played[k]), -g*imag(played[k]))
	}
	full := make([]complex128, m.n/2+1)
	copy(full[m.low:], h)
	plan = fourier.Get(m.n)
	c := plan.Sequence(nil, full)
	fourier.Put(plan)
	best := 0
	for i, v := range c {
		if math.Abs(v) > math.Abs(c[best]) {
			best = i
		}
	}
	if c[best] < 0 {
		for k := range h {
			h[k] = -h[k]
		}
	}
	start := float64(best)
	if best > m.n/2 {
		start -= float64(m.n)
	}
	first, step := m.omega()
	return fraction.Peak(h, first, step, start)
}
