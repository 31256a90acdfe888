package wav

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
	"unsafe"
)

const (
	maxRate    = 10_000_000 // Hz; nothing samples sound faster
	maxListLen = 1 << 20    // of an INFO list, bytes; the rest is passed over
	blockBytes = 1 << 16    // read at a time
	headBytes  = 1 << 12    // of headers, likewise

	// unknownLen stands in a length field of a program that could not go back
	// to fill it in, and in RF64 for "see the ds64 chunk".
	unknownLen = 0xFFFFFFFF
	// Some programs write a round number near 2 GiB instead.
	nearlyUnknownLen = 0x7FFF0000
)

// ReadFile reads a WAV file whole. It needs little more memory than eight
// bytes a sample. Errors are a *FormatError when the content is at fault, and
// otherwise what the file system says.
func ReadFile(path string) (*File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return nil, &FormatError{path, "is a folder, not a WAV file", "name a file in it"}
	}
	return read(f, path)
}

// ReadFileSingle reads a WAV file as ReadFile does, but its samples as float32,
// as cards deliver them, rounded where the file holds more: in half the memory,
// and in less time where the file is float32 itself. Channels is nil.
func ReadFileSingle(path string) (channels [][]float32, file *File, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, err
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return nil, nil, &FormatError{path, "is a folder, not a WAV file", "name a file in it"}
	}
	d, err := readAll(f, path, true)
	if err != nil {
		return nil, nil, err
	}
	return d.single, &d.file, nil
}

// Read reads a WAV file whole from a stream, as ReadFile does from a file.
// What follows it in the stream may or may not be consumed.
func Read(r io.Reader) (*File, error) { return read(r, "") }

// remaining returns how many bytes r still has, or -1 where it cannot tell.
func remaining(r io.Reader) int64 {
	switch r := r.(type) {
	case interface{ Len() int }:
		return int64(r.Len())
	case io.Seeker:
		at, err := r.Seek(0, io.SeekCurrent)
		if err != nil {
			return -1
		}
		end, err := r.Seek(0, io.SeekEnd)
		if err != nil {
			return -1
		}
		if _, err := r.Seek(at, io.SeekStart); err != nil || end <= at {
			return -1 // a device, perhaps
		}
		return end - at
	}
	return -1
}

type reader struct {
	r     *bufio.Reader
	name  string
	at    int64 // bytes consumed
	total int64 // bytes in all; -1 unknown
	file  File

	wantSingle bool
	single     [][]float32 // instead of file.Channels, when wanted
	frames     int         // read

	riffLen  uint64 // as the header states it, 0 for unknown
	dataLen  uint64 // from ds64; 0 for none
	frames64 uint64 // from ds64; 0 for none
	layout   layout
	channels int
	frame    int // bytes
}

func (d *reader) fail(remedy, format string, args ...any) error {
	return &FormatError{d.name, fmt.Sprintf(format, args...), remedy}
}

func (d *reader) remark(format string, args ...any) {
	d.file.Remarks = append(d.file.Remarks, fmt.Sprintf(format, args...))
}

const (
	copyAgain   = "copy or record the file again"
	exportAgain = "write the file again, as 32-bit float or 24-bit PCM; or " + convert
)

func read(r io.Reader, name string) (*File, error) {
	d, err := readAll(r, name, false)
	if err != nil {
		return nil, err
	}
	return &d.file, nil
}

func readAll(r io.Reader, name string, single bool) (*reader, error) {
	d := &reader{name: name, total: remaining(r), wantSingle: single}
	d.r = bufio.NewReaderSize(r, headBytes) // blocks pass it by
	if err := d.header(); err != nil {
		return nil, err
	}
	for haveFormat := false; ; {
		id, size, err := d.chunk()
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return nil, d.fail(copyAgain, "the file ends after %d bytes, before any samples", d.at)
		}
		if err != nil {
			return nil, err
		}
		if id == "data" {
			if !haveFormat {
				return nil, d.fail(exportAgain, "the samples come before the chunk that says how they are stored")
			}
			if err := d.data(size); err != nil {
				return nil, err
			}
			return d, nil
		}
		if !plausible(id) {
			return nil, d.fail(copyAgain, "the header is damaged: a chunk should begin at byte %d, and does not", d.at-8)
		}
		if id == "fmt " && !haveFormat {
			err = d.format(size)
			haveFormat = true
		} else {
			err = d.other(id, size)
		}
		if err != nil {
			return nil, err
		}
	}
}

// header reads the first 12 bytes.
func (d *reader) header() error {
	head, err := d.r.Peek(512) // for a look at what it is, when it is no WAV
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if len(head) == 0 {
		return d.fail(copyAgain, "the file is empty (0 bytes)")
	}
	if len(head) < 12 || string(head[8:12]) != "WAVE" ||
		!slices.Contains([]string{"RIFF", "RF64", "BW64"}, string(head[:4])) {
		what, remedy := looksLike(head)
		return d.fail(remedy, "not a WAV file: it looks like %s", what)
	}
	if n := binary.LittleEndian.Uint32(head[4:]); n != unknownLen {
		d.riffLen = uint64(n)
	}
	return d.skip(12)
}

// chunk reads the head of the next chunk.
func (d *reader) chunk() (id string, size uint32, err error) {
	var head [8]byte
	n, err := io.ReadFull(d.r, head[:])
	d.at += int64(n)
	return string(head[:4]), binary.LittleEndian.Uint32(head[4:]), err
}

// plausible reports whether id can be the name of a chunk.
func plausible(id string) bool {
	for i := range len(id) {
		if id[i] < ' ' || id[i] > '~' {
			return false
		}
	}
	return true
}

func (d *reader) skip(n int64) error {
	got, err := io.CopyN(io.Discard, d.r, n)
	d.at += got
	return err
}

// endChunk passes over the pad byte after a chunk of odd length.
func (d *reader) endChunk(size uint32) error {
	if size%2 == 0 {
		return nil
	}
	// Some programs forget it. Then the next chunk's name stands here.
	if next, _ := d.r.Peek(4); len(next) == 4 {
		switch string(next) {
		case "data", "fmt ", "LIST", "fact", "PEAK":
			return nil
		}
	}
	if err := d.skip(1); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	return nil
}

// format reads the `fmt ` chunk.
func (d *reader) format(size uint32) error {
	if size < 16 {
		return d.fail(exportAgain, "the format chunk has %d bytes, at least 16 are needed", size)
	}
	var b [40]byte
	n := int(min(size, uint32(len(b))))
	if got, err := io.ReadFull(d.r, b[:n]); err != nil {
		d.at += int64(got)
		return d.cut(err)
	}
	d.at += int64(n)
	if err := d.skip(int64(size) - int64(n)); err != nil {
		return d.cut(err)
	}
	le := binary.LittleEndian
	tag := le.Uint16(b[0:])
	channels, rate := int(le.Uint16(b[2:])), le.Uint32(b[4:])
	frame, bits := int(le.Uint16(b[12:])), int(le.Uint16(b[14:]))
	if tag == tagExtensible {
		if n < 40 {
			return d.fail(exportAgain, "the extensible format chunk has %d bytes, 40 are needed", size)
		}
		if !bytes.Equal(b[26:40], guidTail[:]) {
			return d.fail(convert, "the samples are stored in an encoding that is not known here (sub-format %x)", b[24:40])
		}
		tag = le.Uint16(b[24:])
	}
	switch {
	case tag == tagPCM && bits >= 1 && bits <= 32:
		d.layout = layout{bytes: (bits + 7) / 8, bits: bits}
	case tag == tagFloat && (bits == 32 || bits == 64):
		d.layout = layout{float: true, bytes: bits / 8, bits: bits}
	case tag == tagPCM:
		return d.fail(convert, "samples of %d bits are not supported; integers have 8 to 32", bits)
	case tag == tagFloat:
		return d.fail(convert, "floating-point samples of %d bits are not supported; they have 32 or 64", bits)
	default:
		name := encodings[tag]
		if name == "" {
			name = "an encoding that is not known here"
		}
		return d.fail(convert, "the samples are stored as %s (format tag 0x%04X), which is not supported", name, tag)
	}
	if channels == 0 {
		return d.fail(exportAgain, "the header states 0 channels")
	}
	if rate == 0 || rate > maxRate {
		return d.fail(exportAgain, "the header states a sample rate of %d Hz", rate)
	}
	if frame != channels*d.layout.bytes {
		return d.fail(exportAgain, "the header contradicts itself: %d bytes a frame for %d channels of %s", frame, channels, d.layout)
	}
	d.channels, d.frame = channels, frame
	d.file.SampleRate, d.file.Format = int(rate), d.layout.String()
	return d.endChunk(size)
}

// cut turns the end of the file within the header into a clear error.
func (d *reader) cut(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return d.fail(copyAgain, "the file ends within its header, before any samples")
	}
	return err
}

// other reads or passes over a chunk that is neither format nor samples.
func (d *reader) other(id string, size uint32) error {
	var err error
	switch {
	case id == "ds64" && size >= 24:
		var b [24]byte
		var n int
		n, err = io.ReadFull(d.r, b[:])
		d.at += int64(n)
		if err == nil {
			d.riffLen, d.dataLen = known(binary.LittleEndian.Uint64(b[0:])), known(binary.LittleEndian.Uint64(b[8:]))
			d.frames64 = known(binary.LittleEndian.Uint64(b[16:]))
			err = d.skip(int64(size) - 24)
		}
	case id == "LIST":
		// Read as it comes, so that a false length takes no memory.
		var list bytes.Buffer
		var n int64
		n, err = io.CopyN(&list, d.r, min(int64(size), maxListLen))
		d.at += n
		if comment := infoComment(list.Bytes()); comment != "" {
			d.file.Comment = comment
		}
		if err == nil {
			err = d.skip(int64(size) - n)
		}
	default:
		err = d.skip(int64(size))
	}
	if err != nil {
		return d.cut(err)
	}
	return d.endChunk(size)
}

// known maps the 64-bit lengths that mean "not known" to 0.
func known(n uint64) uint64 {
	if n == unknownLen || n > 1<<62 {
		return 0
	}
	return n
}

// infoComment returns the ICMT text of a LIST chunk of type INFO.
func infoComment(list []byte) string {
	if len(list) < 4 || string(list[:4]) != "INFO" {
		return ""
	}
	for list = list[4:]; len(list) >= 8; {
		id, n := string(list[:4]), int64(binary.LittleEndian.Uint32(list[4:]))
		list = list[8:]
		text := list[:min(n, int64(len(list)))]
		if id == "ICMT" {
			if end := bytes.IndexByte(text, 0); end >= 0 {
				text = text[:end]
			}
			return strings.TrimRightFunc(decodeText(text), unicode.IsSpace)
		}
		list = list[min(n+n%2, int64(len(list))):]
	}
	return ""
}

// decodeText takes bytes as UTF-8, or as Latin-1 where they are not.
func decodeText(b []byte) string {
	if utf8.Valid(b) {
		return string(b)
	}
	runes := make([]rune, len(b))
	for i, c := range b {
		runes[i] = rune(c)
	}
	return string(runes)
}

// data reads the samples, and what comes after them.
func (d *reader) data(size uint32) error {
	length, open := uint64(size), false
	if size == unknownLen && d.dataLen > 0 {
		length = d.dataLen
		// FFmpeg 5.1 counts the pad byte in; the number of frames tells.
		if whole := d.frames64 * uint64(d.frame); d.frames64 < 1<<40 && whole%2 == 1 && length == whole+1 {
			length, size = whole, 1 // odd, so that the pad byte is passed over
		}
	} else if size == unknownLen || size == 0 && d.unfilled() {
		length, open = 1<<62, true
	}
	if err := d.samples(length); err != nil {
		return err
	}
	frames := d.frames
	read := uint64(frames) * uint64(d.frame)
	more, _ := d.r.Peek(1)
	ended := len(more) == 0
	switch {
	case open, length >= nearlyUnknownLen && length <= unknownLen && ended && length-read >= uint64(d.frame):
		d.remark("The header does not say how long the file is; it was read to its end.")
	case length-read >= uint64(d.frame):
		d.remark("The file is cut short: its header promises %d frames, %d are there.", length/uint64(d.frame), frames)
	case length > read:
		d.remark("The last frame is not whole and was left out.")
	}
	if frames == 0 {
		return d.fail(copyAgain, "the file holds no samples")
	}
	if open || ended {
		return nil
	}
	return d.trailer(size, length-read)
}

// unfilled reports whether a data chunk of stated length 0 is that of a
// program that did not fill in its lengths: then the RIFF length, too, is
// missing or ends where the samples begin.
func (d *reader) unfilled() bool {
	return d.riffLen == 0 || d.riffLen >= nearlyUnknownLen || d.riffLen+8 <= uint64(d.at)
}

// samples reads up to length bytes of whole frames.
func (d *reader) samples(length uint64) (err error) {
	switch {
	case d.wantSingle && d.layout.float && d.frame == 4 && littleEndian:
		d.single, err = d.direct(length)
	case d.wantSingle && d.layout.float && d.layout.bytes == 4:
		d.single, err = collect(d, length, decodeSingle)
	case d.wantSingle:
		double := make([]float64, blockBytes)
		d.single, err = collect(d, length, func(dst []float32, src []byte, stride int) {
			d.layout.decode(double[:len(dst)], src, stride)
			for i, v := range double[:len(dst)] {
				dst[i] = float32(v)
			}
		})
	default:
		d.file.Channels, err = collect(d, length, d.layout.decode)
	}
	return err
}

// littleEndian tells that this machine stores numbers as WAV files do.
var littleEndian = binary.NativeEndian.Uint16([]byte{1, 0}) == 1

// direct reads up to length bytes of mono float32 to where they stay.
func (d *reader) direct(length uint64) ([][]float32, error) {
	var x []float32
	if left := d.total - d.at; d.total >= 0 && left > 0 {
		x = make([]float32, 0, min(length, uint64(left))/4)
	}
	for length >= 4 {
		frames := int(min(4*blockBytes, length) / 4)
		x = slices.Grow(x, frames)[:d.frames+frames]
		n, err := io.ReadFull(d.r, unsafe.Slice((*byte)(unsafe.Pointer(&x[d.frames])), 4*frames))
		d.at += int64(n)
		x = x[:d.frames+n/4]
		if !allFinite32(x[d.frames:]) {
			return nil, finite(d, [][]float32{x}, d.frames)
		}
		d.frames = len(x)
		length -= uint64(n)
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("after frame %d: %w", d.frames, err)
		}
	}
	return [][]float32{x}, nil
}

// decodeSingle reads len(dst) float32 samples that lie stride bytes apart in src.
func decodeSingle(dst []float32, src []byte, stride int) {
	if stride == 4 { // mono: without a multiplication and a check each
		for i := range dst {
			dst[i] = math.Float32frombits(binary.LittleEndian.Uint32(src))
			src = src[4:]
		}
		return
	}
	for i := range dst {
		dst[i] = math.Float32frombits(binary.LittleEndian.Uint32(src[i*stride:]))
	}
}

// collect reads up to length bytes of whole frames, by channel. decode gets
// blocks of at most blockBytes frames.
func collect[S Sample](d *reader, length uint64, decode func(dst []S, src []byte, stride int)) ([][]S, error) {
	channels := make([][]S, d.channels)
	room := int64(0) // frames to make room for at once; never on the header's word alone
	if left := d.total - d.at; d.total >= 0 && left > 0 {
		room = int64(min(length, uint64(left))) / int64(d.frame)
	}
	for c := range channels {
		channels[c] = make([]S, 0, room)
	}
	block := make([]byte, max(1, blockBytes/d.frame)*d.frame)
	for length >= uint64(d.frame) {
		b := block[:min(uint64(len(block)), length/uint64(d.frame)*uint64(d.frame))]
		n, err := io.ReadFull(d.r, b)
		d.at += int64(n)
		frames := n / d.frame
		for c := range channels {
			x := slices.Grow(channels[c], frames)[:d.frames+frames]
			channels[c] = x
			decode(x[d.frames:], b[c*d.layout.bytes:], d.frame)
		}
		if d.layout.float {
			if err := finite(d, channels, d.frames); err != nil {
				return nil, err
			}
		}
		d.frames += frames
		length -= uint64(n)
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("after frame %d: %w", d.frames, err)
		}
	}
	return channels, nil
}

// finite checks the frames from the given one on.
func finite[S Sample](d *reader, channels [][]S, from int) error {
	first, channel := -1, 0
	for c, x := range channels {
		if allFinite(x[from:]) {
			continue
		}
		for n := from; n < len(x) && (first < 0 || n < first); n++ {
			if x[n]-x[n] != 0 {
				first, channel = n, c
			}
		}
	}
	if first < 0 {
		return nil
	}
	is := "not a number"
	if d.wantSingle && d.layout.bytes == 8 && math.IsInf(float64(channels[channel][first]), 0) {
		is = "infinite, or too large for 32-bit float"
	}
	return d.fail("the program or device that wrote the file is at fault: record again",
		"frame %d of channel %d is %s (%g)", first, channel+1, is, channels[channel][first])
}

// allFinite32 is allFinite for float32, by its bits and two at a time: the
// exponent of what is not finite is all ones, and one more carries into the sign.
func allFinite32(x []float32) bool {
	const (
		magnitude = 0x7fffffff_7fffffff
		one       = 0x00800000_00800000
		carry     = 0x80000000_80000000
	)
	if len(x) > 0 && uintptr(unsafe.Pointer(&x[0]))%8 != 0 {
		if x[0]-x[0] != 0 {
			return false
		}
		x = x[1:]
	}
	if n := len(x); n%2 == 1 {
		if x[n-1]-x[n-1] != 0 {
			return false
		}
		x = x[:n-1]
	}
	if len(x) == 0 {
		return true
	}
	pairs := unsafe.Slice((*uint64)(unsafe.Pointer(&x[0])), len(x)/2)
	var a, b, c, d uint64
	for ; len(pairs) >= 4; pairs = pairs[4:] {
		a |= pairs[0]&magnitude + one
		b |= pairs[1]&magnitude + one
		c |= pairs[2]&magnitude + one
		d |= pairs[3]&magnitude + one
	}
	for _, v := range pairs {
		a |= v&magnitude + one
	}
	return (a|b|c|d)&carry == 0
}

// allFinite reports whether no sample is infinite or NaN; four at a time, since
// every sample of every file passes here.
func allFinite[S Sample](x []S) bool {
	var sum S // of zeros, or NaN
	for len(x) >= 4 {
		sum += (x[0] - x[0]) + (x[1] - x[1]) + (x[2] - x[2]) + (x[3] - x[3])
		x = x[4:]
	}
	for _, v := range x {
		sum += v - v
	}
	return sum == 0
}

// trailer reads the chunks after the samples, for a comment among them.
// Whatever is wrong with them, the samples are there.
func (d *reader) trailer(size uint32, rest uint64) error {
	if err := d.skip(int64(rest)); err != nil {
		return nil
	}
	if err := d.endChunk(size); err != nil {
		return nil
	}
	for {
		at := d.at
		id, size, err := d.chunk()
		if err != nil {
			return nil
		}
		if !plausible(id) {
			left := "more data follows"
			if d.total >= 0 {
				left = fmt.Sprintf("%d bytes follow", d.total-at)
			}
			d.remark("After the samples that the header promises, %s that belong to no chunk; the program that wrote the file may not have finished.", left)
			return nil
		}
		if err := d.other(id, size); err != nil {
			d.remark("The file ends within its %q chunk, after the samples; the samples are whole.", id)
			return nil
		}
	}
}

// looksLike guesses what a file is that is not WAV.
func looksLike(head []byte) (what, remedy string) {
	has := func(at int, magic string) bool {
		return len(head) >= at+len(magic) && string(head[at:at+len(magic)]) == magic
	}
	switch {
	case has(0, "fLaC"):
		return "FLAC", convert
	case has(0, "OggS"):
		return "Ogg", convert
	case has(4, "ftyp"):
		return "MP4 or M4A", convert
	case has(0, "FORM") && (has(8, "AIFF") || has(8, "AIFC")):
		return "AIFF", convert
	case has(0, "caff"):
		return "a Core Audio file", convert
	case has(0, ".snd"):
		return "an AU file", convert
	case has(0, "riff\x2e\x91\xcf\x11"):
		return "Wave64", convert
	case has(0, "RIFX"):
		return "WAV with the bytes of its numbers reversed (RIFX)", convert
	case has(0, "wvpk"):
		return "WavPack", convert
	case has(0, "\x30\x26\xb2\x75"):
		return "Windows Media", convert
	case has(0, "\x1a\x45\xdf\xa3"):
		return "Matroska or WebM", convert
	case has(0, "ID3"):
		return "MP3", convert
	case len(head) >= 2 && head[0] == 0xFF && head[1]&0xF6 == 0xF0:
		return "AAC", convert
	case len(head) >= 2 && head[0] == 0xFF && head[1]&0xE0 == 0xE0 && head[1]&0x18 != 0x08 && head[1]&0x06 != 0:
		return "MP3", convert
	case has(0, "RIFF"):
		if len(head) < 12 {
			return "the beginning of a WAV file that is cut off in its header", copyAgain
		}
		return fmt.Sprintf("a RIFF file of type %q", head[8:12]), "name a file that holds sound"
	case has(0, "\x89HDF"):
		return "HDF5 (a SOFA file, perhaps)", "name a WAV file"
	case has(0, "PK\x03\x04"):
		return "a ZIP archive", "unpack it and name the WAV file in it"
	case text(head):
		return "text", "name a WAV file"
	}
	return "something else", "name a WAV file; if it is sound in another format, " + convert
}

func text(b []byte) bool {
	for len(b) > 0 {
		r, n := utf8.DecodeRune(b)
		if r == utf8.RuneError && n == 1 {
			return len(b) < utf8.UTFMax && !utf8.FullRune(b) // cut by the look's length
		}
		if !unicode.IsPrint(r) && !unicode.IsSpace(r) && r != '\ufeff' {
			return false
		}
		b = b[n:]
	}
	return true
}
