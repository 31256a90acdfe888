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
	rate      float64
	input     int                  // channel kept
	gain      []float32            // fade-out, one factor a frame
	recording []float32            // filled from the front; frames below recorded are final
	others    []capture.Channel    // channels kept along; the same frames are final
	elapsed   func() time.Duration // since some moment, whether the machine was awake or not

	played  int           // output frames so far; play only
	fadedBy int           // frames of fade done; play only
	heard   int           // frames in recording; record only
	ahead   time.Duration // the least by which elapsed exceeded what was recorded; record only

	hold      atomic.Bool   // asks play for silence before the beginning
	idled     atomic.Int64  // frames of it
	playing   atomic.Bool   // the output has begun
	fade      atomic.Bool   // asks play to fade out
	faded     atomic.Bool   // and it has
	done      atomic.Bool   // nothing is to be recorded any more
	stalled   atomic.Int64  // ns by which elapsed grew more than what was recorded
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
		rate:      job.SampleRate,
		input:     job.Input,
		elapsed:   stopwatch(),
		gain:      make([]float32, n),
		recording: make([]float32, job.Frames),
	}
	for i := range p.gain {
		p.gain[i] = float32(0.5 * (1 + math.Cos(math.Pi*float64(i+1)/float64(n))))
	}
	return p
}

// mostChannels is how many input channels are kept in all. It bounds the memory
// of a take on a large interface.
const mostChannels = 8

// keepOthers makes room for the other channels of an input opened with so many.
// It must be called before the stream starts.
func (p *pump) keepOthers(inputs int) {
	for c := 0; c < inputs && len(p.others) < mostChannels-1; c++ {
		if c != p.input {
			p.others = append(p.others, capture.Channel{Index: c, Samples: make([]float32, len(p.recording))})
		}
	}
}

// settling is how long at the beginning of a recording buffers may come
// unevenly. Nothing sounds yet, so nothing is lost by it.
const settling = time.Second

// watchTime compares the time that passed with what was recorded.
func (p *pump) watchTime() {
	recorded := time.Duration(float64(p.heard) / p.rate * float64(time.Second))
	late := p.elapsed() - recorded
	if recorded <= settling || late < p.ahead {
		p.ahead = late
	}
	p.stalled.Store(int64(late - p.ahead))
}

// othersUpTo returns the channels kept along, so many frames of them.
func (p *pump) othersUpTo(frames int) []capture.Channel {
	var others []capture.Channel
	for _, o := range p.others {
		others = append(others, capture.Channel{Index: o.Index, Samples: o.Samples[:frames:frames]})
	}
	return others
}

// stalledS is watchTime's last word, in s.
func (p *pump) stalledS() float64 { return time.Duration(p.stalled.Load()).Seconds() }

const (
	// flowing is how much both sides move before they are taken to run evenly,
	// in s, and flowPatience how long that may take.
	flowing      = 0.25
	flowPatience = 3 * time.Second
)

// awaitFlow waits until both sides, told to hold, run. One that does not is left
// to whoever watches the streams.
func (p *pump) awaitFlow() {
	ticker := time.NewTicker(tick / 10)
	defer ticker.Stop()
	enough := int64(flowing * p.rate)
	in, out := p.delivered.Load(), p.idled.Load()
	for end := time.Now().Add(flowPatience); time.Now().Before(end); <-ticker.C {
		if p.delivered.Load()-in >= enough && p.idled.Load()-out >= enough {
			return
		}
	}
}

// play fills out, interleaved over so many channels, with the next frames.
func (p *pump) play(out []float32, channels int, l lost) {
	clear(out)
	frames := len(out) / channels
	if p.hold.Load() {
		p.idled.Add(int64(frames))
		return
	}
	p.playing.Store(true)
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

// record keeps its channels of in, interleaved over so many channels, once the
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
	for _, o := range p.others {
		for i := range frames {
			o.Samples[p.heard+i] = in[i*channels+o.Index]
		}
	}
	p.heard += frames
	p.watchTime()
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
