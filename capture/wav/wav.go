// Package wav reads and writes WAV files: the recordings, sweeps and impulse
// responses that roomsonde keeps and hands out, and those that come from other
// programs.
//
// Reading takes what programs really write: integers of 8 to 32 bits, floats
// of 32 and 64 bits, plain, extensible and RF64 headers, any number of
// channels, chunks in any order, files cut short and files from programs that
// could not go back to fill in their length. Writing gives 32- and 64-bit
// floats as they are, and 16- or 24-bit integers with dither.
//
// A sample of ±1 is full scale. An n-bit integer v stands for v/2^(n-1).
//
// Sources: Microsoft, "Multimedia Programming Interface and Data
// Specifications 1.0" (1991), "RIFF WAVE" and the later note "Multiple channel
// audio data and WAVE files"; EBU Tech 3306 (2009) for RF64. All three from
// memory, checked against what SoX, FFmpeg, libsndfile and SciPy write and
// read (reference_test.go).
package wav

import (
	"encoding/binary"
	"fmt"
	"math"
)

// File is what a WAV file holds.
type File struct {
	SampleRate int         // Hz
	Channels   [][]float64 // Channels[c][n], equally long, full scale ±1
	Format     string      // how samples were stored, as "24-bit PCM" or "32-bit float"
	Comment    string      // the file's INFO comment, without trailing blanks; "" without one
	// Remarks say what was not as it should be but could be read, in plain
	// sentences: a file cut short, say.
	Remarks []string
}

// Frames returns the length of every channel.
func (f *File) Frames() int {
	if len(f.Channels) == 0 {
		return 0
	}
	return len(f.Channels[0])
}

// FormatError says why a file cannot be read as WAV.
type FormatError struct {
	Name    string // of the file; "" when read from a stream
	Problem string // what is wrong, and where
	Remedy  string // what to do; "" where nothing helps
}

// Error names the file and the problem.
func (e *FormatError) Error() string {
	if e.Name == "" {
		return "WAV data: " + e.Problem
	}
	return e.Name + ": " + e.Problem
}

// Hint says what to do next.
func (e *FormatError) Hint() string { return e.Remedy }

const convert = "convert it with: ffmpeg -i in -c:a pcm_f32le out.wav"

// Format tags of the `fmt ` chunk.
const (
	tagPCM        = 1
	tagFloat      = 3
	tagExtensible = 0xFFFE
)

// guidTail follows the tag in the sub-format GUID of an extensible header.
var guidTail = [14]byte{0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71}

// encodings names format tags that other files have, from the registry in
// Microsoft's mmreg.h (from memory).
var encodings = map[uint16]string{
	2: "Microsoft ADPCM", 6: "A-law", 7: "mu-law", 0x11: "IMA ADPCM",
	0x31: "GSM 6.10", 0x50: "MPEG", 0x55: "MP3", 0x92: "AC-3 over S/PDIF",
	0xFF: "AAC", 0x160: "Windows Media Audio", 0x161: "Windows Media Audio",
	0x162: "Windows Media Audio", 0x163: "Windows Media Audio lossless",
	0x1610: "AAC", 0x2000: "AC-3", 0x2001: "DTS", 0xF1AC: "FLAC",
}

// layout is how one sample is stored.
type layout struct {
	float bool
	bytes int // 1 to 4 for integers, 4 or 8 for floats
	bits  int // as stated by the header
}

func (l layout) String() string {
	if l.float {
		return fmt.Sprintf("%d-bit float", l.bits)
	}
	return fmt.Sprintf("%d-bit PCM", l.bits)
}

// decode reads len(dst) samples that lie stride bytes apart in src.
func (l layout) decode(dst []float64, src []byte, stride int) {
	le := binary.LittleEndian
	switch {
	case l.float && l.bytes == 8:
		for i := range dst {
			dst[i] = math.Float64frombits(le.Uint64(src[i*stride:]))
		}
	case l.float:
		for i := range dst {
			dst[i] = float64(math.Float32frombits(le.Uint32(src[i*stride:])))
		}
	case l.bytes == 1: // the one unsigned format
		for i := range dst {
			dst[i] = float64(int(src[i*stride])-1<<7) / (1 << 7)
		}
	case l.bytes == 2:
		for i := range dst {
			dst[i] = float64(int16(le.Uint16(src[i*stride:]))) / (1 << 15)
		}
	case l.bytes == 3:
		for i := range dst {
			s := src[i*stride : i*stride+3]
			// Placed at the top of 32 bits, so that the sign comes right.
			v := int32(uint32(s[0])<<8 | uint32(s[1])<<16 | uint32(s[2])<<24)
			dst[i] = float64(v) / (1 << 31)
		}
	default:
		for i := range dst {
			dst[i] = float64(int32(le.Uint32(src[i*stride:]))) / (1 << 31)
		}
	}
}
