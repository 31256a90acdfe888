package wav

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"runtime/metrics"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"pgregory.net/rapid"
)

func encode[S Sample](t testing.TB, rate int, channels [][]S, o Options) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, rate, channels, o); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func decode(t testing.TB, b []byte) *File {
	t.Helper()
	f, err := Read(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

var all = []Encoding{Float32, Float64, PCM24, PCM16}

// step returns the size of one step of an encoding.
func step(e Encoding) float64 { return math.Ldexp(1, 1-layouts[e].bits) }

// Whatever is written comes back: floats to the bit, integers within their
// dither of one step and rounding of half a step, and exactly when undithered
// on the steps.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		e := rapid.SampledFrom(all).Draw(r, "encoding")
		channels := rapid.IntRange(1, 9).Draw(r, "channels")
		frames := rapid.IntRange(1, 300).Draw(r, "frames")
		rate := rapid.IntRange(1, maxRate).Draw(r, "rate")
		o := Options{
			Encoding: e, Seed: rapid.Uint64().Draw(r, "seed"), NoDither: rapid.Bool().Draw(r, "no dither"),
			Comment: strings.TrimSpace(strings.ReplaceAll(rapid.String().Draw(r, "comment"), "\x00", "")),
		}
		want := make([][]float64, channels)
		for c := range want {
			want[c] = make([]float64, frames)
			for n := range want[c] {
				switch e {
				case Float32:
					want[c][n] = float64(rapid.Float32Range(-math.MaxFloat32, math.MaxFloat32).Draw(r, "x"))
				case Float64:
					want[c][n] = rapid.Float64Range(-math.MaxFloat64, math.MaxFloat64).Draw(r, "x")
				default:
					full := int(1 / step(e))
					want[c][n] = float64(rapid.IntRange(-full, full-1).Draw(r, "x")) * step(e)
				}
			}
		}
		var b bytes.Buffer
		if err := Write(&b, rate, want, o); err != nil {
			r.Fatal(err)
		}
		got, err := Read(&b)
		if err != nil {
			r.Fatal(err)
		}
		if got.SampleRate != rate || got.Format != e.String() || got.Comment != o.Comment || len(got.Remarks) != 0 {
			r.Fatalf("got %d Hz, %q, comment %q, remarks %q; want %d Hz, %q, comment %q",
				got.SampleRate, got.Format, got.Comment, got.Remarks, rate, e, o.Comment)
		}
		if len(got.Channels) != channels || got.Frames() != frames {
			r.Fatalf("got %d channels of %d frames, want %d of %d", len(got.Channels), got.Frames(), channels, frames)
		}
		tol := 0.0
		if !layouts[e].float && !o.NoDither {
			tol = 1.5 * step(e)
		}
		for c := range want {
			for n := range want[c] {
				if d := math.Abs(got.Channels[c][n] - want[c][n]); !(d <= tol) {
					r.Fatalf("%v, channel %d, frame %d: got %g, want %g", e, c, n, got.Channels[c][n], want[c][n])
				}
			}
		}
	})
}

// The file is the same however its bytes arrive.
func TestReadInSmallPieces(t *testing.T) {
	b := encode(t, 48000, [][]float64{{0.1, -0.2, 0.3}, {0.4, 0.5, -0.6}}, Options{Encoding: PCM24, Comment: "pieces"})
	want := fmt.Sprint(decode(t, b))
	for _, r := range []io.Reader{iotest.OneByteReader(bytes.NewReader(b)), iotest.DataErrReader(bytes.NewReader(b))} {
		got, err := Read(r)
		if err != nil {
			t.Fatal(err)
		}
		if fmt.Sprint(got) != want {
			t.Errorf("got %v, want %v", got, want)
		}
	}
}

// A disk that fails is not a file that is at fault.
func TestReadPassesOnDeviceErrors(t *testing.T) {
	b := encode(t, 48000, [][]float32{make([]float32, 1000)}, Options{})
	cause := errors.New("the disk went away")
	for _, at := range []int{0, 30, 200, len(b) - 1} {
		_, err := Read(io.MultiReader(bytes.NewReader(b[:at]), iotest.ErrReader(cause)))
		if !errors.Is(err, cause) {
			t.Errorf("failing at byte %d: got %v", at, err)
		}
	}
}

// TPDF dither of ±1 step makes the error's mean zero and its variance 1/4
// step² (1/12 of the rounding, 1/6 of the dither) whatever the signal.
// Source: Lipshitz, Wannamaker, Vanderkooy, "Quantization and dither: a
// theoretical survey", JAES 40(5), 1992 (from memory).
func TestDither(t *testing.T) {
	const frames = 200_000
	// Five standard deviations of the estimates: sqrt(1/4/frames), and for the
	// variance sqrt((kurtosis-1)/frames)/4 with a kurtosis below 3.
	const tolMean, tolVariance = 5 * 0.5 / 447, 5 * 0.25 * 1.42 / 447
	for _, e := range []Encoding{PCM24, PCM16} {
		for _, level := range []float64{0, 0.25, 0.5, 0.77} { // of a step
			x := make([]float64, frames)
			for n := range x {
				x[n] = level * step(e)
			}
			y := decode(t, encode(t, 48000, [][]float64{x, x}, Options{Encoding: e, Seed: 7}))
			var sum, squares, cross float64
			for n := range x {
				d := (y.Channels[0][n] - x[n]) / step(e)
				sum += d
				squares += d * d
				cross += d * (y.Channels[1][n] - x[n]) / step(e)
			}
			if mean := sum / frames; !(math.Abs(mean) <= tolMean) {
				t.Errorf("%v, level %g: mean error %g steps, want 0 ± %g", e, level, mean, tolMean)
			}
			if v := squares / frames; !(math.Abs(v-0.25) <= tolVariance) {
				t.Errorf("%v, level %g: error variance %g steps², want 0.25 ± %g", e, level, v, tolVariance)
			}
			if r := cross / squares; !(math.Abs(r) <= 5.0/447) {
				t.Errorf("%v, level %g: the channels' errors correlate by %g", e, level, r)
			}
		}
	}
	same := [][]float64{{0.1, 0.2, 0.3, 0.4}}
	a, b := encode(t, 48000, same, Options{Encoding: PCM24, Seed: 1}), encode(t, 48000, same, Options{Encoding: PCM24, Seed: 1})
	if !bytes.Equal(a, b) {
		t.Error("the same seed gave two files")
	}
	many := [][]float64{make([]float64, 100)}
	if bytes.Equal(encode(t, 48000, many, Options{Encoding: PCM24, Seed: 1}), encode(t, 48000, many, Options{Encoding: PCM24, Seed: 2})) {
		t.Error("two seeds gave the same file")
	}
}

func TestScaleAndOverload(t *testing.T) {
	x := [][]float64{{0, 0.5}, {-2, 0.1}}
	for _, e := range []Encoding{PCM24, PCM16} {
		var b bytes.Buffer
		err := Write(&b, 48000, x, Options{Encoding: e})
		var over *OverloadError
		if !errors.As(err, &over) {
			t.Fatalf("%v: got %v, want an *OverloadError", e, err)
		}
		if over.Channel != 1 || over.Frame != 0 || !(math.Abs(over.PeakDBFS-6.0206) < 1e-4) {
			t.Errorf("%v: got %+v", e, over)
		}
		if !strings.Contains(over.Hint(), "-6.03 dB") {
			t.Errorf("hint %q does not name a scale that fits", over.Hint())
		}
		if b.Len() != 0 {
			t.Errorf("%v: %d bytes were written in spite of the error", e, b.Len())
		}
		f := decode(t, encode(t, 48000, x, Options{Encoding: e, Scale: 0.5, NoDither: true}))
		if got := f.Channels[1][0]; got != -1 {
			t.Errorf("%v: scaled by half, -2 came back as %g", e, got)
		}
		// Full scale itself is no overload; it is one step short.
		f = decode(t, encode(t, 48000, [][]float64{{1, -1}}, Options{Encoding: e, NoDither: true}))
		if f.Channels[0][0] != 1-step(e) || f.Channels[0][1] != -1 {
			t.Errorf("%v: ±1 came back as %g, %g", e, f.Channels[0][0], f.Channels[0][1])
		}
	}
	if f := decode(t, encode(t, 48000, x, Options{})); f.Channels[1][0] != -2 {
		t.Error("float samples beyond full scale must stay as they are")
	}
}

func TestWriteRefuses(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	var sample *SampleError
	var argument *ArgumentError
	for _, c := range []struct {
		name     string
		rate     int
		channels [][]float64
		o        Options
		as       any
	}{
		{"NaN", 48000, [][]float64{{0, nan}}, Options{}, &sample},
		{"infinity", 48000, [][]float64{{0, 0}, {0, inf}}, Options{Encoding: PCM24}, &sample},
		{"beyond float32", 48000, [][]float64{{0, 1e39}}, Options{}, &sample},
		{"beyond float64 after scaling", 48000, [][]float64{{0, 1e300}}, Options{Encoding: Float64, Scale: 1e10}, &sample},
		{"no channels", 48000, nil, Options{}, &argument},
		{"no frames", 48000, [][]float64{{}}, Options{}, &argument},
		{"unequal", 48000, [][]float64{{1, 2}, {1}}, Options{}, &argument},
		{"rate 0", 0, [][]float64{{1}}, Options{}, &argument},
		{"rate", maxRate + 1, [][]float64{{1}}, Options{}, &argument},
		{"encoding", 48000, [][]float64{{1}}, Options{Encoding: 99}, &argument},
		{"scale", 48000, [][]float64{{1}}, Options{Scale: nan}, &argument},
		{"comment", 48000, [][]float64{{1}}, Options{Comment: "a\x00b"}, &argument},
		{"comment not UTF-8", 48000, [][]float64{{1}}, Options{Comment: "\xff"}, &argument},
		{"too many channels", 48000, make([][]float64, 70000), Options{}, &argument},
	} {
		if c.name == "too many channels" {
			for i := range c.channels {
				c.channels[i] = []float64{0}
			}
		}
		var b bytes.Buffer
		if err := Write(&b, c.rate, c.channels, c.o); !errors.As(err, c.as) || b.Len() != 0 {
			t.Errorf("%s: got %v and %d bytes", c.name, err, b.Len())
		}
	}
	errors.As(Write(io.Discard, 48000, [][]float64{{0, 0, nan}}, Options{}), &sample)
	if sample.Frame != 2 || sample.Channel != 0 {
		t.Errorf("NaN in frame 2 is reported as %v", sample)
	}
}

// A writer that fails, at any byte, is reported.
func TestWritePassesOnErrors(t *testing.T) {
	x := [][]float64{make([]float64, 40000)}
	total := len(encode(t, 48000, x, Options{}))
	for _, room := range []int{0, 10, 60, 70000, total - 1} {
		err := Write(&limited{room: room}, 48000, x, Options{})
		if !errors.Is(err, errFull) {
			t.Errorf("room for %d bytes of %d: got %v", room, total, err)
		}
	}
	if err := Write(&limited{room: total}, 48000, x, Options{}); err != nil {
		t.Error(err)
	}
}

var errFull = errors.New("no room")

type limited struct{ room int }

func (l *limited) Write(p []byte) (int, error) {
	if n := l.room; len(p) > n {
		l.room = 0
		return n, errFull
	}
	l.room -= len(p)
	return len(p), nil
}

// build puts a file together by hand.
type chunk struct {
	id   string
	size int64 // -1: as long as the body
	body []byte
}

func build(magic string, riff uint32, chunks ...chunk) []byte {
	le := binary.LittleEndian
	b := le.AppendUint32([]byte(magic), riff)
	b = append(b, "WAVE"...)
	for _, c := range chunks {
		size := c.size
		if size == -1 {
			size = int64(len(c.body))
		}
		b = append(b, c.id...)
		b = le.AppendUint32(b, uint32(size))
		b = append(b, c.body...)
		if size == int64(len(c.body)) && size%2 == 1 {
			b = append(b, 0)
		}
	}
	return b
}

func format(tag, channels uint16, rate uint32, frame, bits uint16, more ...byte) chunk {
	le := binary.LittleEndian
	b := le.AppendUint16(nil, tag)
	b = le.AppendUint16(b, channels)
	b = le.AppendUint32(b, rate)
	b = le.AppendUint32(b, rate*uint32(frame))
	b = le.AppendUint16(b, frame)
	b = le.AppendUint16(b, bits)
	return chunk{"fmt ", -1, append(b, more...)}
}

func extensible(tag uint16, tail [14]byte) []byte {
	b := []byte{22, 0, 24, 0, 0, 0, 0, 0, byte(tag), byte(tag >> 8)}
	return append(b, tail[:]...)
}

var (
	mono16 = format(1, 1, 48000, 2, 16)
	three  = []byte{0, 0x40, 0, 0xC0, 0xFF, 0x7F} // 0.5, -0.5, 1 - 2^-15
	list   = chunk{"LIST", -1, append([]byte("INFOISFT\x03\x00\x00\x00abc\x00ICMT\x06\x00\x00\x00hello\x00"), 0, 0)}
)

func TestReadVariants(t *testing.T) {
	want := []float64{0.5, -0.5, 1 - 1.0/(1<<15)}
	ds64 := func(riff, data uint64) chunk {
		b := binary.LittleEndian.AppendUint64(nil, riff)
		b = binary.LittleEndian.AppendUint64(b, data)
		return chunk{"ds64", -1, append(b, make([]byte, 12)...)}
	}
	streamed := "The header does not say how long"
	for _, c := range []struct {
		name, comment, remark string
		b                     []byte
	}{
		{"plain", "", "", build("RIFF", 42, mono16, chunk{"data", -1, three})},
		{"list before", "hello", "", build("RIFF", 0, mono16, list, chunk{"data", -1, three})},
		{"list after", "hello", "", build("RIFF", 0, mono16, chunk{"data", -1, three}, list)},
		{"unknown odd chunks", "hello", "", build("RIFF", 0, chunk{"JUNK", -1, make([]byte, 7)}, mono16, chunk{"PEAK", -1, make([]byte, 3)}, chunk{"data", -1, three}, chunk{"id3 ", -1, []byte("x")}, list)},
		{"padding forgotten", "", "", build("RIFF", 0, mono16, chunk{"odd ", 3, []byte("abc")}, chunk{"data", -1, three})},
		{"length 0, RIFF 0", "", streamed, build("RIFF", 0, mono16, chunk{"data", 0, three})},
		{"length 0, RIFF header only", "", streamed, build("RIFF", 36, mono16, chunk{"data", 0, three})},
		{"length unknown", "", streamed, build("RIFF", unknownLen, mono16, chunk{"data", unknownLen, three})},
		{"length nearly 2 GiB", "", streamed, build("RIFF", 0x7ffff024, mono16, chunk{"data", 0x7ffff000, three})},
		{"cut short", "", "promises 500 frames, 3 are there", build("RIFF", 1036, mono16, chunk{"data", 1000, three})},
		{"cut within a frame", "", "promises 500 frames, 3 are there", build("RIFF", 1036, mono16, chunk{"data", 1000, append(three[:6:6], 9)})},
		{"last frame not whole", "", "last frame is not whole", build("RIFF", 43, mono16, chunk{"data", 7, append(three[:6:6], 9)})},
		{"length is no multiple", "", "last frame is not whole", build("RIFF", 43, mono16, chunk{"data", -1, append(three[:6:6], 9)}, chunk{"id3 ", -1, nil})},
		{"chunk after the samples cut", "", `within its "id3 " chunk`, build("RIFF", 0, mono16, chunk{"data", -1, three}, chunk{"id3 ", 100, []byte("x")})},
		{"more data than promised", "", "12 bytes follow that belong to no chunk", build("RIFF", 0, mono16, chunk{"data", 6, append(three[:6:6], make([]byte, 12)...)})},
		{"extensible", "", "", build("RIFF", 0, format(0xFFFE, 1, 48000, 2, 16, extensible(1, guidTail)...), chunk{"data", -1, three})},
		{"RF64", "", "", build("RF64", unknownLen, ds64(1000, 6), mono16, chunk{"data", unknownLen, three}, list)[:86]},
		{"RF64 with a list after", "hello", "", build("RF64", unknownLen, ds64(1000, 6), mono16, chunk{"data", unknownLen, three}, list)},
		{"RF64 streamed", "", streamed, build("RF64", unknownLen, ds64(0, 0), mono16, chunk{"data", unknownLen, three})},
		{"two formats", "", "", build("RIFF", 0, mono16, format(1, 2, 8000, 4, 16), chunk{"data", -1, three})},
	} {
		// With and without a source that knows its length.
		for _, r := range []io.Reader{bytes.NewReader(c.b), io.MultiReader(bytes.NewReader(c.b))} {
			f, err := Read(r)
			if err != nil {
				t.Errorf("%s: %v", c.name, err)
				continue
			}
			if fmt.Sprint(f.Channels) != fmt.Sprint([][]float64{want}) || f.SampleRate != 48000 || f.Comment != c.comment {
				t.Errorf("%s: got %+v", c.name, f)
			}
			remarks := strings.Join(f.Remarks, " ")
			if _, sized := r.(*bytes.Reader); sized && (c.remark == "") != (remarks == "") || sized && !strings.Contains(remarks, c.remark) {
				t.Errorf("%s: remarks %q, want %q", c.name, remarks, c.remark)
			}
		}
	}
}

func TestReadRefuses(t *testing.T) {
	ends := []struct{ name, problem, hint, content string }{
		{"empty", "empty (0 bytes)", "again", ""},
		{"cut header", "cut off in its header", "again", "RIFF\x00\x00"},
		{"FLAC", "looks like FLAC", "ffmpeg", "fLaC\x00\x00\x00\x22"},
		{"MP3 with tag", "looks like MP3", "ffmpeg", "ID3\x04\x00\x00\x00\x00\x00\x00\x00\x00"},
		{"MP3", "looks like MP3", "ffmpeg", "\xff\xfb\x90\x64\x00\x00\x00\x00\x00\x00\x00\x00"},
		{"AAC", "looks like AAC", "ffmpeg", "\xff\xf1\x50\x80\x00\x00\x00\x00\x00\x00\x00\x00"},
		{"M4A", "MP4 or M4A", "ffmpeg", "\x00\x00\x00\x20ftypM4A \x00\x00\x00\x00"},
		{"Ogg", "looks like Ogg", "ffmpeg", "OggS\x00\x02\x00\x00\x00\x00\x00\x00"},
		{"AIFF", "looks like AIFF", "ffmpeg", "FORM\x00\x00\x00\x00AIFFCOMM"},
		{"RIFX", "RIFX", "ffmpeg", "RIFX\x00\x00\x00\x00WAVEfmt "},
		{"AVI", `type "AVI "`, "sound", "RIFF\x00\x00\x00\x00AVI LIST"},
		{"text", "looks like text", "WAV", "20.0 1.5\n25.0 1.2\n31.5 0,9 – größer\n"},
		{"HDF5", "SOFA", "WAV", "\x89HDF\r\n\x1a\n\x00\x00\x00\x00"},
		{"binary", "something else", "WAV", "\x00\x01\x02\x03\x04\x05\x06\x07\x08\x09\x0a\x0b\x0c"},
		{"nothing after the header", "ends after 12 bytes", "again", "RIFF\x00\x00\x00\x00WAVE"},
		{"no samples", "before any samples", "again", string(build("RIFF", 0, mono16, list))},
		{"zero samples", "holds no samples", "again", string(build("RIFF", 36, mono16, chunk{"data", 0, nil}))},
		{"zero samples, list after", "holds no samples", "again", string(build("RIFF", 100, mono16, chunk{"data", 0, nil}, list))},
		{"samples cut off", "holds no samples", "again", string(build("RIFF", 100, mono16, chunk{"data", 100, nil}))},
		{"samples first", "samples come before", "again", string(build("RIFF", 100, chunk{"data", -1, three}, mono16))},
		{"short format", "14 bytes", "again", string(build("RIFF", 0, chunk{"fmt ", 14, make([]byte, 14)}, chunk{"data", -1, three}))},
		{"cut format", "within its header", "again", string(build("RIFF", 0, mono16)[:30])},
		{"ADPCM", "IMA ADPCM (format tag 0x0011)", "ffmpeg", string(build("RIFF", 0, format(0x11, 1, 48000, 1024, 4), chunk{"data", -1, three}))},
		{"A-law", "A-law", "ffmpeg", string(build("RIFF", 0, format(6, 1, 8000, 1, 8), chunk{"data", -1, three}))},
		{"unknown tag", "format tag 0x1234", "ffmpeg", string(build("RIFF", 0, format(0x1234, 1, 8000, 1, 8), chunk{"data", -1, three}))},
		{"unknown GUID", "sub-format", "ffmpeg", string(build("RIFF", 0, format(0xFFFE, 1, 48000, 2, 16, extensible(1, [14]byte{1})...), chunk{"data", -1, three}))},
		{"short extensible", "40 are needed", "again", string(build("RIFF", 0, format(0xFFFE, 1, 48000, 2, 16), chunk{"data", -1, three}))},
		{"64-bit integers", "64 bits", "ffmpeg", string(build("RIFF", 0, format(1, 1, 48000, 8, 64), chunk{"data", -1, three}))},
		{"16-bit float", "16 bits", "ffmpeg", string(build("RIFF", 0, format(3, 1, 48000, 2, 16), chunk{"data", -1, three}))},
		{"no channels", "0 channels", "again", string(build("RIFF", 0, format(1, 0, 48000, 0, 16), chunk{"data", -1, three}))},
		{"rate 0", "0 Hz", "again", string(build("RIFF", 0, format(1, 1, 0, 2, 16), chunk{"data", -1, three}))},
		{"rate", "4294967295 Hz", "again", string(build("RIFF", 0, format(1, 1, math.MaxUint32, 2, 16), chunk{"data", -1, three}))},
		{"frame", "contradicts itself", "again", string(build("RIFF", 0, format(1, 2, 48000, 2, 16), chunk{"data", -1, three}))},
		{"damaged header", "header is damaged", "again", string(build("RIFF", 0, mono16, chunk{"\x00\x01\x02\x03", -1, three}))},
		{"NaN", "frame 1 of channel 2 is not a number", "record again", string(build("RIFF", 0, format(3, 2, 48000, 8, 32), chunk{"data", -1, append(make([]byte, 12), 0, 0, 0xC0, 0x7F)}))},
		{"infinity", "frame 0 of channel 1 is not a number", "record again", string(build("RIFF", 0, format(3, 1, 48000, 8, 64), chunk{"data", -1, []byte{0, 0, 0, 0, 0, 0, 0xF0, 0xFF}}))},
	}
	for _, c := range ends {
		_, err := Read(strings.NewReader(c.content))
		var f *FormatError
		if !errors.As(err, &f) || !strings.Contains(err.Error(), c.problem) || !strings.Contains(f.Hint(), c.hint) {
			t.Errorf("%s: got %v", c.name, err)
		}
	}
	dir := t.TempDir()
	path := filepath.Join(dir, "not.wav")
	if err := os.WriteFile(path, []byte("hello"), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadFile(path); err == nil || !strings.HasPrefix(err.Error(), path+": not a WAV file") {
		t.Errorf("the file is not named: %v", err)
	}
	var f *FormatError
	if _, err := ReadFile(dir); !errors.As(err, &f) {
		t.Errorf("a folder: got %v", err)
	}
	if _, err := ReadFile(path + "x"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a missing file: got %v", err)
	}
}

// allocated returns the bytes that f allocates.
func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// A header's word is not enough to take memory for.
func TestFalseLengthsTakeNoMemory(t *testing.T) {
	const bound = 4 << 20
	for name, b := range map[string][]byte{
		"data":     build("RIFF", 0xFFFFFFF0, mono16, chunk{"data", 0xFFFFFF00, three}),
		"list":     build("RIFF", 0xFFFFFFF0, mono16, chunk{"LIST", 0xFFFFFF00, []byte("INFO")}),
		"format":   build("RIFF", 0xFFFFFFF0, chunk{"fmt ", 0xFFFFFF00, make([]byte, 16)}),
		"channels": build("RIFF", 0xFFFFFFF0, format(1, 65535, 48000, 65535, 8), chunk{"data", 0xFFFFFF00, three}),
	} {
		for _, r := range []io.Reader{bytes.NewReader(b), io.MultiReader(bytes.NewReader(b))} {
			if n := allocated(func() { Read(r) }); n > bound {
				t.Errorf("%s: %d bytes were allocated for a file of %d", name, n, len(b))
			}
		}
	}
}

// Reading a float32 file takes twice its size and some buffers; writing takes
// only buffers.
func TestMemory(t *testing.T) {
	const frames, buffers = 1 << 20, 1 << 20
	x := [][]float32{make([]float32, frames)}
	path := filepath.Join(t.TempDir(), "long.wav")
	if n := allocated(func() {
		if err := WriteFile(path, 96000, x, Options{}); err != nil {
			t.Fatal(err)
		}
	}); n > buffers {
		t.Errorf("writing took %d bytes", n)
	}
	if n := allocated(func() {
		if _, err := ReadFile(path); err != nil {
			t.Fatal(err)
		}
	}); n > 2*4*frames+buffers {
		t.Errorf("reading a file of %d bytes took %d bytes", 4*frames, n)
	}
}

func TestWriteFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	if err := WriteFile(path, 48000, [][]float32{{1, 2}}, Options{}); err != nil {
		t.Fatal(err)
	}
	// A failure leaves the old file.
	var sample *SampleError
	if err := WriteFile(path, 48000, [][]float64{{math.NaN()}}, Options{}); !errors.As(err, &sample) {
		t.Errorf("got %v", err)
	}
	if err := WriteFile(path, 48000, [][]float32{{3}}, Options{KeepExisting: true}); !errors.Is(err, os.ErrExist) {
		t.Errorf("got %v", err)
	}
	f, err := ReadFile(path)
	if err != nil || f.Frames() != 2 {
		t.Errorf("the old file is gone: %v, %v", f, err)
	}
	entries, err := os.ReadDir(filepath.Dir(path))
	if err != nil || len(entries) != 1 {
		t.Errorf("left in the folder: %v, %v", entries, err)
	}
}

// FuzzRead holds the reader to: no panic, no endless loop, equally long
// finite channels, and whatever was read can be written and read again.
func FuzzRead(f *testing.F) {
	for _, e := range all {
		f.Add(encode(f, 48000, [][]float64{{0.1, -0.2, 0.3}}, Options{Encoding: e, Comment: "seed"}))
		f.Add(encode(f, 48000, [][]float64{{0.1}, {0.2}, {0.3}}, Options{Encoding: e}))
	}
	f.Add(build("RIFF", 0, mono16, chunk{"data", 0, three}))
	f.Add(build("RF64", unknownLen, chunk{"ds64", -1, make([]byte, 28)}, mono16, chunk{"data", unknownLen, three}))
	f.Add(build("RIFF", 0, mono16, list, chunk{"data", -1, three}, list))
	f.Add([]byte("FORM\x00\x00\x00\x00AIFF"))
	// Too large for float32, then no number: the two paths blame other frames.
	wrong := encode(f, 48000, [][]float64{{1e300, 0}}, Options{Encoding: Float64})
	binary.LittleEndian.PutUint64(wrong[len(wrong)-8:], math.Float64bits(math.NaN()))
	f.Add(wrong)
	f.Fuzz(func(t *testing.T, b []byte) {
		before := memoryTaken()
		w, err := Read(bytes.NewReader(b))
		// The other path: samples as float32.
		d, single := readAll(bytes.NewReader(b), "", true)
		// Whatever lengths a header claims, memory is taken for what is there.
		if took := memoryTaken() - before; took > 8<<20+64*uint64(len(b)) {
			t.Fatalf("%d bytes of memory for a file of %d bytes", took, len(b))
		}
		sameSingle(t, w, err, d, single)
		s, serr := Read(io.MultiReader(bytes.NewReader(b)))
		if (err == nil) != (serr == nil) {
			t.Fatalf("sized: %v, streamed: %v", err, serr)
		}
		if err != nil {
			var f *FormatError
			if !errors.As(err, &f) || f.Hint() == "" {
				t.Fatalf("%v has no remedy", err)
			}
			return
		}
		if fmt.Sprint(w.Channels) != fmt.Sprint(s.Channels) {
			t.Fatal("read differently from a stream")
		}
		if len(w.Channels) == 0 || w.Frames() == 0 || w.SampleRate <= 0 {
			t.Fatalf("nothing was read: %+v", w)
		}
		var again bytes.Buffer
		if err := Write(&again, w.SampleRate, w.Channels, Options{Encoding: Float64, Comment: w.Comment}); err != nil {
			var argument *ArgumentError
			if errors.As(err, &argument) && len(w.Channels)*8 > math.MaxUint16 {
				return
			}
			t.Fatal(err)
		}
		v, err := Read(&again)
		if err != nil {
			t.Fatal(err)
		}
		for c := range w.Channels {
			for n := range w.Channels[c] {
				if w.Channels[c][n] != v.Channels[c][n] {
					t.Fatalf("channel %d, frame %d: %g, then %g", c, n, w.Channels[c][n], v.Channels[c][n])
				}
			}
		}
	})
}

// memoryTaken returns how much memory was taken so far, in bytes.
func memoryTaken() uint64 {
	s := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(s)
	return s[0].Value.Uint64()
}

// sameSingle holds the reader's two paths to each other.
func sameSingle(t *testing.T, w *File, err error, d *reader, single error) {
	t.Helper()
	if err != nil {
		// Which frame is to blame may differ: a number may be too large for float32.
		if single == nil || single.Error() != err.Error() && !strings.Contains(single.Error(), "too large for 32-bit float") {
			t.Fatalf("as float64: %v, as float32: %v", err, single)
		}
		return
	}
	if single != nil {
		for _, x := range w.Channels {
			for _, v := range x {
				if math.IsInf(float64(float32(v)), 0) {
					return // too large for the one, and not for the other
				}
			}
		}
		t.Fatalf("read as float64, but as float32: %v", single)
	}
	if len(d.single) != len(w.Channels) || d.file.SampleRate != w.SampleRate || d.file.Comment != w.Comment || !slices.Equal(d.file.Remarks, w.Remarks) {
		t.Fatalf("as float64: %d channels, %d Hz, %q, %q; as float32: %d, %d, %q, %q", len(w.Channels), w.SampleRate, w.Comment, w.Remarks,
			len(d.single), d.file.SampleRate, d.file.Comment, d.file.Remarks)
	}
	for c, x := range w.Channels {
		if len(d.single[c]) != len(x) {
			t.Fatalf("channel %d has %d frames, then %d", c, len(x), len(d.single[c]))
		}
		for n, v := range x {
			if d.single[c][n] != float32(v) {
				t.Fatalf("channel %d, frame %d: %g, then %g", c, n, v, d.single[c][n])
			}
		}
	}
}

func BenchmarkRead(b *testing.B) {
	for _, seconds := range []int{1, 60} {
		data := encode(b, 96000, [][]float32{make([]float32, 96000*seconds)}, Options{})
		b.Run(fmt.Sprintf("%ds", seconds), func(b *testing.B) {
			b.ReportAllocs()
			b.SetBytes(int64(len(data)))
			for b.Loop() {
				if _, err := Read(bytes.NewReader(data)); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkWrite(b *testing.B) {
	x := [][]float32{make([]float32, 96000*10)}
	for _, e := range all {
		b.Run(e.String(), func(b *testing.B) {
			b.ReportAllocs()
			b.SetBytes(int64(4 * len(x[0])))
			for b.Loop() {
				if err := Write(io.Discard, 96000, x, Options{Encoding: e}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
