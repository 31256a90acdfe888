package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"github.com/vbauerster/cupwriter"
	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"

	"roomsonde/capture"
	"roomsonde/sweep"
)

// bar is the progress bar of one recording, or of many: what is happening, how
// long all of it still takes, and the input's level. It is a terminal's line that
// stays below whatever is written through it meanwhile.
type bar struct {
	talk io.Writer

	mu    sync.Mutex
	pool  *mpb.Progress // nil: not shown
	line  *mpb.Bar
	over  bool    // it is not shown again
	title string  // before what is happening
	total float64 // s
	done  float64 // s, of what came before that which is happening

	now atomic.Pointer[barText] // the bar is drawn by a goroutine of its own
}

// barText is what a bar shows.
type barText struct {
	what  string
	leftS float64
	input string // the input's level, "" where nothing is recorded
}

// newBar makes a bar for so many seconds; it shows with its first report.
func (a *app) newBar(seconds float64) *bar { return &bar{talk: a.talk, total: seconds} }

// about sets what the bar's next reports are about.
func (b *bar) about(title string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.title = title
}

// plan sets how long all that is still to come takes, in s.
func (b *bar) plan(left float64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.total = b.done + left
}

// recording returns what follows a recording of a program, and what counts it as
// done.
func (b *bar) recording(p *sweep.Program, job capture.Job) (update func(capture.Progress), played func()) {
	update = func(now capture.Progress) {
		b.report(stage(p, now.Frames), float64(now.Frames)/job.SampleRate, "input "+dBFS(now.Peak))
	}
	b.report(stage(p, 0), 0, "")
	return update, func() { b.passed(float64(job.Frames) / job.SampleRate) }
}

// report shows what is happening, s seconds after it began.
func (b *bar) report(what string, s float64, input string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.over {
		return
	}
	if b.title != "" {
		what = b.title + "  " + what
	}
	at := b.done + s
	b.now.Store(&barText{what, math.Max(0, b.total-at), input})
	if b.pool == nil {
		b.open()
	}
	// One step is never reached: the bar ends when it is told to.
	b.line.SetTotal(milliseconds(math.Max(b.total, at))+1, false)
	b.line.SetCurrent(milliseconds(at))
}

func milliseconds(s float64) int64 { return int64(math.Round(1000 * s)) }

// passed counts s seconds as done.
func (b *bar) passed(s float64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.done += s
}

// open begins to draw.
func (b *bar) open() {
	console := cupwriter.New(fromLineStart{b.talk}, true)
	if f, ok := b.talk.(*os.File); ok {
		console.SetTermFd(int(f.Fd()))
	}
	b.pool = mpb.New(mpb.WithConsoleWriter(console), mpb.WithWidth(40), mpb.WithRefreshRate(100*time.Millisecond))
	b.line = b.pool.New(milliseconds(b.total)+1, mpb.BarStyle().Lbound("").Filler("━").Tip("━").Padding("·").Rbound(""),
		mpb.PrependDecorators(decor.Any(func(decor.Statistics) string { return fmt.Sprintf("%-12s", b.now.Load().what) })),
		mpb.AppendDecorators(decor.Any(func(decor.Statistics) string {
			now := b.now.Load()
			text := " " + leftInWords(now.leftS)
			if now.input != "" {
				text += "  " + now.input
			}
			return text
		})))
}

// leftInWords says how long something still takes.
func leftInWords(s float64) string {
	if s < 99.95 {
		return fmt.Sprintf("%4.1f s left", s)
	}
	whole := int(math.Round(s))
	return fmt.Sprintf("%d:%02d min left", whole/60, whole%60)
}

// Write takes the bar away, writes text, and leaves it to the next report to show
// the bar again below: what mpb is given to write above its bars is lost where the
// terminal goes away.
func (b *bar) Write(text []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.close()
	return b.talk.Write(text)
}

// close takes the bar away; b.mu is held.
func (b *bar) close() {
	if b.pool != nil {
		b.line.Abort(true)
		b.pool.Wait()
		b.pool, b.line = nil, nil
	}
}

// hide takes the bar away until the next report.
func (b *bar) hide() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.close()
}

// end takes the bar away for good.
func (b *bar) end() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.close()
	b.over = true
}

// fromLineStart begins each write at the start of the line: a terminal that
// echoes ^C has moved on from there.
type fromLineStart struct{ io.Writer }

func (w fromLineStart) Write(p []byte) (int, error) {
	if _, err := w.Writer.Write(append([]byte{'\r'}, p...)); err != nil {
		return 0, err
	}
	return len(p), nil
}

// stage names what a program is at.
func stage(p *sweep.Program, frame int) string {
	for i, seg := range p.Segments {
		if frame < seg.Start+seg.Frames {
			switch {
			case seg.Kind == sweep.KindSweep:
				return "sweep"
			case seg.Kind == sweep.KindMark:
				return "time mark"
			case seg.Kind == sweep.KindQuiet:
				return "quiet mark"
			case i == 0:
				return "room noise"
			}
			break
		}
	}
	return "decay"
}
