package wav

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"unicode/utf8"
	"unsafe"

	"roomsonde/capture/wav/atomicfile"
	"roomsonde/sweep/scale"
)

// Encoding is how samples are stored.
type Encoding int

// Encodings that can be written. The zero value is Float32.
const (
	Float32 Encoding = iota
	Float64
	PCM24 // with TPDF dither
	PCM16 // with TPDF dither
)

var layouts = map[Encoding]layout{
	Float32: {float: true, bytes: 4, bits: 32},
	Float64: {float: true, bytes: 8, bits: 64},
	PCM24:   {bytes: 3, bits: 24},
	PCM16:   {bytes: 2, bits: 16},
}

// String returns the words used in File.Format.
func (e Encoding) String() string { return layouts[e].String() }

// Options says how to write. The zero value writes 32-bit floats as they are.
type Options struct {
	Encoding Encoding
	// Scale multiplies every sample. 0: 1. State it to whoever reads the file,
	// in Comment.
	Scale float64
	// Seed starts the generator of the dither, so that the same input gives
	// the same file. Dither is triangular (TPDF), ends at ±1 step, and is
	// independent in every sample and channel.
	Seed uint64
	// NoDither rounds without dither: for samples that lie on the format's
	// steps already.
	NoDither bool
	// Comment is kept in the file as INFO text (UTF-8).
	Comment string
	// KeepExisting makes WriteFile refuse to replace a file.
	KeepExisting bool
}

// Sample is what channels may be made of.
type Sample interface{ ~float32 | ~float64 }

// OverloadError says that samples do not fit into an integer format.
type OverloadError struct {
	PeakDBFS       float64 // of what was to be written, scale included
	Channel, Frame int     // where it is, both from 0
	Encoding       Encoding
}

// Error names the peak and where it is.
func (e *OverloadError) Error() string {
	return fmt.Sprintf("the peak of %+.2f dBFS (channel %d, frame %d) does not fit into %s",
		e.PeakDBFS, e.Channel+1, e.Frame, e.Encoding)
}

// Hint says what to do next.
func (e *OverloadError) Hint() string {
	return fmt.Sprintf("write 32-bit float, or scale by %.2f dB or less", -(math.Ceil(e.PeakDBFS*100) / 100))
}

// SampleError says that a sample cannot be written: it is not a number, or
// too large for the format.
type SampleError struct {
	Channel, Frame int // from 0
	Value          float64
}

// Error names the sample.
func (e *SampleError) Error() string {
	return fmt.Sprintf("sample %g (channel %d, frame %d) cannot be written to a WAV file", e.Value, e.Channel+1, e.Frame)
}

// ArgumentError says what a caller asked for that no WAV file can hold.
type ArgumentError struct{ Problem, Remedy string }

// Error returns the problem.
func (e *ArgumentError) Error() string { return e.Problem }

// Hint says what to do next.
func (e *ArgumentError) Hint() string { return e.Remedy }

// WriteFile writes a WAV file at path, whole or not at all (see
// atomicfile.Write). Its errors are an *atomicfile.Error around one of
// Write's or of the file system's.
func WriteFile[S Sample](path string, sampleRate int, channels [][]S, o Options) error {
	return atomicfile.Write(path, atomicfile.Options{KeepExisting: o.KeepExisting}, func(w io.Writer) error {
		return Write(w, sampleRate, channels, o)
	})
}

// Write writes channels (channels[c][n], equally long, full scale ±1) as a WAV
// file. The channels are not changed. Nothing is written when it fails for
// their sake: *SampleError for what is not a finite number, *OverloadError for
// what is beyond full scale in an integer format, *ArgumentError for channels
// of unequal length, a rate that is no WAV's or more than 4 GiB.
//
// One or two channels get the plain header (tag 1 or 3), more the extensible
// one with channels assigned to no loudspeaker.
func Write[S Sample](w io.Writer, sampleRate int, channels [][]S, o Options) error {
	p, err := newPlan(sampleRate, channels, o)
	if err != nil {
		return err
	}
	size := p.layout.bytes * p.channels
	if p.isSingle() {
		return writeSingle(w, p, channels, o)
	}
	if _, err := w.Write(p.header()); err != nil {
		return err
	}
	block := make([]byte, 0, max(1, blockBytes/size)*size)
	dither := rand.New(rand.NewPCG(o.Seed, 0))
	for n := range p.frames {
		for c := range channels {
			block = p.append(block, float64(channels[c][n])*p.scale, dither)
		}
		if len(block) == cap(block) {
			if _, err := w.Write(block); err != nil {
				return err
			}
			block = block[:0]
		}
	}
	if p.pad() {
		block = append(block, 0)
	}
	_, err = w.Write(block)
	return err
}

// singleBlocks are the blocks that writeSingle fills, kept for the next file.
var singleBlocks = sync.Pool{New: func() any { return new([2 * blockBytes]float32) }}

// writeSingle writes header and samples as float32: the common case, in few
// large blocks. What fits into one block is checked on its way there, before
// anything is written; more is checked first.
func writeSingle[S Sample](w io.Writer, p plan, channels [][]S, o Options) error {
	kept := singleBlocks.Get().(*[2 * blockBytes]float32)
	defer singleBlocks.Put(kept)
	most := max(1, len(kept)/p.channels) // frames in a block
	block := kept[:]
	if most*p.channels > len(block) {
		block = make([]float32, most*p.channels)
	}
	if p.frames > most {
		if err := check(p, channels, o); err != nil {
			return err
		}
	}
	for done := 0; done < p.frames; {
		frames := min(most, p.frames-done)
		part := block[:frames*p.channels]
		finite := true
		for c, x := range channels {
			finite = single(part[c:], x[done:done+frames], p.channels, p.scale) && finite
		}
		if !finite {
			return check(p, channels, o)
		}
		if done == 0 {
			if _, err := w.Write(p.header()); err != nil {
				return err
			}
		}
		if err := writeFloats(w, part); err != nil {
			return err
		}
		done += frames
	}
	return nil
}

// single puts samples, scaled, into every stride-th place of dst, and
// reports whether all are finite: such a number less itself is 0, anything else
// is not a number.
func single[S Sample](dst []float32, samples []S, stride int, scale float64) bool {
	var sum float32 // of zeros, or NaN
	if stride == 1 {
		dst = dst[:len(samples)]
		for i, v := range samples {
			y := float32(float64(v) * scale)
			sum += y - y
			dst[i] = y
		}
		return sum == 0
	}
	for i, v := range samples {
		y := float32(float64(v) * scale)
		sum += y - y
		dst[i*stride] = y
	}
	return sum == 0
}

// writeFloats writes x as WAV files store it: on most machines, as it lies in
// memory.
func writeFloats(w io.Writer, x []float32) error {
	if littleEndian {
		_, err := w.Write(unsafe.Slice((*byte)(unsafe.Pointer(&x[0])), 4*len(x)))
		return err
	}
	return binary.Write(w, binary.LittleEndian, x)
}

// plan is what is to be written, checked.
type plan struct {
	layout           layout
	rate             int
	channels, frames int
	scale            float64
	comment          string
	noDither         bool
}

func newPlan[S Sample](rate int, channels [][]S, o Options) (plan, error) {
	l, ok := layouts[o.Encoding]
	p := plan{layout: l, rate: rate, channels: len(channels), scale: o.Scale, comment: o.Comment, noDither: o.NoDither}
	if p.scale == 0 {
		p.scale = 1
	}
	if len(channels) > 0 {
		p.frames = len(channels[0])
	}
	bad := func(format string, args ...any) (plan, error) {
		return p, &ArgumentError{Problem: fmt.Sprintf(format, args...)}
	}
	switch {
	case !ok:
		return bad("there is no WAV encoding number %d", int(o.Encoding))
	case rate <= 0 || rate > maxRate:
		return bad("%d Hz is no sample rate for a WAV file", rate)
	case p.frames == 0:
		return bad("there are no samples to write")
	case p.channels*l.bytes > math.MaxUint16:
		return bad("%d channels of %s are too many for a WAV file", p.channels, l)
	case math.IsNaN(p.scale) || math.IsInf(p.scale, 0):
		return bad("%g is no scale", p.scale)
	case strings.ContainsRune(o.Comment, 0) || !utf8.ValidString(o.Comment):
		return bad("the comment is not text in UTF-8")
	case len(o.Comment) > maxListLen/2:
		return bad("the comment has %d bytes, at most %d fit", len(o.Comment), maxListLen/2)
	}
	for c, x := range channels {
		if len(x) != p.frames {
			return bad("channel %d has %d frames, channel 1 has %d", c+1, len(x), p.frames)
		}
	}
	if !p.isSingle() { // writeSingle checks while it works
		if err := check(p, channels, o); err != nil {
			return p, err
		}
	}
	if uint64(p.frames)*uint64(p.channels*l.bytes)+uint64(len(o.Comment))+200 > math.MaxUint32 {
		return p, &ArgumentError{
			fmt.Sprintf("%d frames of %d channels are more than the 4 GiB that a WAV file can hold", p.frames, p.channels),
			"write fewer channels, or a shorter part",
		}
	}
	return p, nil
}

// isSingle reports whether samples are stored as float32.
func (p plan) isSingle() bool { return p.layout.float && p.layout.bytes == 4 }

// check looks for samples that the layout cannot hold.
func check[S Sample](p plan, channels [][]S, o Options) error {
	l := p.layout
	peak, at := 0.0, OverloadError{Encoding: o.Encoding}
	for c, x := range channels {
		for n, v := range x {
			a := math.Abs(float64(v) * p.scale)
			if !(a <= math.MaxFloat64) || l.bytes == 4 && !(a <= math.MaxFloat32) {
				return &SampleError{Channel: c, Frame: n, Value: float64(v) * p.scale}
			}
			if a > peak {
				peak, at.Channel, at.Frame = a, c, n
			}
		}
	}
	if !l.float && peak > 1 {
		at.PeakDBFS = scale.AmplitudeDB(peak)
		return &at
	}
	return nil
}

func (p plan) dataBytes() int { return p.frames * p.channels * p.layout.bytes }
func (p plan) pad() bool      { return p.dataBytes()%2 == 1 }

// header returns everything up to the first sample.
func (p plan) header() []byte {
	le := binary.LittleEndian
	tag := uint16(tagPCM)
	if p.layout.float {
		tag = tagFloat
	}
	extensible := p.channels > 2
	frame := p.channels * p.layout.bytes

	var f []byte
	if extensible {
		f = le.AppendUint16(f, tagExtensible)
	} else {
		f = le.AppendUint16(f, tag)
	}
	f = le.AppendUint16(f, uint16(p.channels))
	f = le.AppendUint32(f, uint32(p.rate))
	f = le.AppendUint32(f, uint32(min(uint64(p.rate)*uint64(frame), math.MaxUint32)))
	f = le.AppendUint16(f, uint16(frame))
	f = le.AppendUint16(f, uint16(p.layout.bits))
	switch {
	case extensible:
		f = le.AppendUint16(f, 22)                    // bytes that follow
		f = le.AppendUint16(f, uint16(p.layout.bits)) // all of them valid
		f = le.AppendUint32(f, 0)                     // no loudspeaker positions
		f = le.AppendUint16(f, tag)
		f = append(f, guidTail[:]...)
	case p.layout.float:
		f = le.AppendUint16(f, 0)
	}

	var chunks []byte
	add := func(id string, body []byte) {
		chunks = append(chunks, id...)
		chunks = le.AppendUint32(chunks, uint32(len(body)))
		chunks = append(chunks, body...)
		if len(body)%2 == 1 {
			chunks = append(chunks, 0)
		}
	}
	add("fmt ", f)
	if p.layout.float || extensible {
		add("fact", le.AppendUint32(nil, uint32(p.frames)))
	}
	if p.comment != "" {
		text := append([]byte(p.comment), 0)
		info := le.AppendUint32([]byte("INFOICMT"), uint32(len(text)))
		info = append(info, text...)
		if len(text)%2 == 1 {
			info = append(info, 0)
		}
		add("LIST", info)
	}
	data := p.dataBytes()
	riff := 4 + len(chunks) + 8 + data
	if p.pad() {
		riff++
	}
	h := le.AppendUint32([]byte("RIFF"), uint32(riff))
	h = append(h, "WAVE"...)
	h = append(h, chunks...)
	h = append(h, "data"...)
	return le.AppendUint32(h, uint32(data))
}

// append encodes one sample.
func (p plan) append(b []byte, v float64, dither *rand.Rand) []byte {
	le := binary.LittleEndian
	switch {
	case p.layout.bytes == 8:
		return le.AppendUint64(b, math.Float64bits(v))
	case p.layout.float:
		return le.AppendUint32(b, math.Float32bits(float32(v)))
	}
	full := math.Ldexp(1, p.layout.bits-1)
	v *= full
	if !p.noDither {
		v += dither.Float64() - dither.Float64()
	}
	// Full scale itself is one step too many on the positive side, and dither
	// may reach a step further.
	q := int32(math.Min(math.Max(math.Round(v), -full), full-1))
	if p.layout.bytes == 2 {
		return le.AppendUint16(b, uint16(q))
	}
	return append(b, byte(q), byte(q>>8), byte(q>>16))
}
