package soundcard

import (
	"math"
	"sync/atomic"
	"time"

	"roomsonde/capture"
)

// fadeTime is the length of the fade-out on cancel and on error.
const fadeTime = 50 * time.Millisecond

// lost says what the driver reported with a buffer.
type lost uint8

const (
	lostIn  lost = 1 << iota // samples lost or made up on the way in
	lostOut                  // and on the way out
)

// pump is what the audio callbacks do. play and record run on the device's own
// threads: they allocate nothing, take no lock and wait for nothing. Everything
// that the control goroutine shares with them is atomic.
type pump struct {
	tracks    []capture.Track
	input     int       // channel kept
	gain      []float32 // fade-out, one factor a frame
	recording []float32 // filled from the front; frames below recorded are final

	played  int // output frames so far; play only
	fadedBy int // frames of fade done; play only
	heard   int // frames in recording; record only

	playing   atomic.Bool   // the output has begun
	fade      atomic.Bool   // asks play to fade out
	faded     atomic.Bool   // and it has
	done      atomic.Bool   // nothing is to be recorded any more
	delivered atomic.Int64  // input frames delivered, kept or not
	taken     atomic.Int64  // output frames asked for
	recorded  atomic.Int64  // frames in recording
	peak      atomic.Uint32 // bits of the highest |sample| since last asked
	overflow  atomic.Int64
	underflow atomic.Int64
}

func newPump(job capture.Job) *pump {
	n := max(1, int(math.Round(fadeTime.Seconds()*job.SampleRate)))
	p := &pump{
		tracks:    job.Tracks,
		input:     job.Input,
		gain:      make([]float32, n),
		recording: make([]float32, job.Frames),
	}
	for i := range p.gain {
		p.gain[i] = float32(0.5 * (1 + math.Cos(math.Pi*float64(i+1)/float64(n))))
	}
	return p
}

// play fills out, interleaved over so many channels, with the next frames.
func (p *pump) play(out []float32, channels int, l lost) {
	clear(out)
	p.playing.Store(true)
	frames := len(out) / channels
	if l&lostOut != 0 && p.played > 0 {
		p.underflow.Add(1)
	}
	p.taken.Add(int64(frames))
	if p.faded.Load() {
		return
	}
	fading := p.fadedBy > 0 || p.fade.Load()
	for _, t := range p.tracks {
		if p.played >= len(t.Samples) {
			continue
		}
		for i, x := range t.Samples[p.played:min(len(t.Samples), p.played+frames)] {
			if fading {
				if p.fadedBy+i >= len(p.gain) {
					break
				}
				x *= p.gain[p.fadedBy+i]
			}
			out[i*channels+t.Channel] = x
		}
	}
	p.played += frames
	if fading {
		p.fadedBy += frames
		if p.fadedBy >= len(p.gain) {
			p.faded.Store(true)
		}
	}
}

// record keeps one channel of in, interleaved over so many channels, once the
// output has begun.
func (p *pump) record(in []float32, channels int, l lost) {
	frames := len(in) / channels
	p.delivered.Add(int64(frames))
	if !p.playing.Load() || p.done.Load() || p.heard == len(p.recording) {
		return
	}
	if l&lostIn != 0 && p.heard > 0 {
		p.overflow.Add(1)
	}
	frames = min(frames, len(p.recording)-p.heard)
	var peak float32
	for i := range frames {
		x := in[i*channels+p.input]
		p.recording[p.heard+i] = x
		if x > peak {
			peak = x
		} else if -x > peak {
			peak = -x
		}
	}
	p.heard += frames
	// The bits of floats that are not negative sort as the floats do.
	for bits := math.Float32bits(peak); ; {
		old := p.peak.Load()
		if old >= bits || p.peak.CompareAndSwap(old, bits) {
			break
		}
	}
	p.recorded.Store(int64(p.heard))
}

// duplex is record and play on one clock: the first buffer in belongs to the
// first buffer out.
func (p *pump) duplex(in, out []float32, inputs, outputs int, l lost) {
	p.playing.Store(true)
	p.record(in, inputs, l)
	p.play(out, outputs, l)
}

// longest is the number of frames of the longest track.
func (p *pump) longest() int64 {
	n := 0
	for _, t := range p.tracks {
		n = max(n, len(t.Samples))
	}
	return int64(n)
}
