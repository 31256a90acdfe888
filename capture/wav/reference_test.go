package wav

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"roomsonde/sweep/scale/outsidetest"
)

// The outside ring: SciPy 1.10, libsndfile 1.2 (through soundfile), SoX 14.4.2
// and FFmpeg 5.1 as found on the machine. What we write, they must read to the
// bit, and the other way round. Scripts: testdata/reference/wav_*.py.

const scripts = "../../testdata/reference/"

// output runs a program and returns its stdout.
func output(t *testing.T, stdin []byte, name string, args ...string) []byte {
	t.Helper()
	cmd := exec.Command(name, args...)
	var stderr bytes.Buffer
	cmd.Stdin, cmd.Stderr = bytes.NewReader(stdin), &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", filepath.Base(name), strings.Join(args, " "), err, stderr.String())
	}
	return out
}

func floats(t *testing.T, b []byte) []float64 {
	t.Helper()
	x := make([]float64, len(b)/8)
	if err := binary.Read(bytes.NewReader(b), binary.LittleEndian, x); err != nil {
		t.Fatal(err)
	}
	return x
}

func raw(x []float64) []byte {
	var b bytes.Buffer
	binary.Write(&b, binary.LittleEndian, x)
	return b.Bytes()
}

func interleave(channels [][]float64) []float64 {
	var x []float64
	for n := range channels[0] {
		for c := range channels {
			x = append(x, channels[c][n])
		}
	}
	return x
}

// compare fails unless got is want to within tol.
func compare(t *testing.T, what string, got, want []float64, tol float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%s: %d samples, want %d", what, len(got), len(want))
		return
	}
	for i := range want {
		if d := math.Abs(got[i] - want[i]); !(d <= tol) {
			t.Errorf("%s: sample %d is %g, want %g ± %g", what, i, got[i], want[i], tol)
			return
		}
	}
}

// onGrid returns samples that an encoding holds exactly.
func onGrid(e Encoding, channels, frames int) [][]float64 {
	rng := rand.New(rand.NewPCG(uint64(e), uint64(channels)))
	x := make([][]float64, channels)
	for c := range x {
		x[c] = make([]float64, frames)
		for n := range x[c] {
			switch e {
			case Float32:
				x[c][n] = float64(float32(rng.NormFloat64() / 8))
			case Float64:
				x[c][n] = rng.NormFloat64() / 8
			default:
				x[c][n] = math.Max(math.Round(math.Min(rng.NormFloat64()/4, 0.99)/step(e))*step(e), -1)
			}
		}
	}
	return x
}

func TestOthersReadWhatWeWrite(t *testing.T) {
	python, sox, soxi := outsidetest.Python(t), outsidetest.Tool(t, "sox"), outsidetest.Tool(t, "soxi")
	ffmpeg, ffprobe := outsidetest.Tool(t, "ffmpeg"), outsidetest.Tool(t, "ffprobe")
	subtypes := map[Encoding]string{Float32: "FLOAT", Float64: "DOUBLE", PCM24: "PCM_24", PCM16: "PCM_16"}
	codecs := map[Encoding]string{Float32: "pcm_f32le", Float64: "pcm_f64le", PCM24: "pcm_s24le", PCM16: "pcm_s16le"}
	// SoX works on 32-bit integers: half a step of theirs for what it rounds.
	const soxStep = 1.0 / (1 << 31)
	const comment = "sweep of the left one, –12 dBFS"
	type file struct {
		path     string
		e        Encoding
		channels int
		want     []float64
	}
	var files []file
	var paths []string
	dir := t.TempDir()
	for _, e := range all {
		for _, channels := range []int{1, 2, 6} {
			const frames = 1001
			x := onGrid(e, channels, frames)
			f := file{filepath.Join(dir, fmt.Sprintf("%d_%d.wav", e, channels)), e, channels, interleave(x)}
			if err := WriteFile(f.path, 96000, x, Options{Encoding: e, NoDither: true, Comment: comment}); err != nil {
				t.Fatal(err)
			}
			files, paths = append(files, f), append(paths, f.path)
		}
	}
	lines := json.NewDecoder(bytes.NewReader(output(t, nil, python, append([]string{scripts + "wav_read.py"}, paths...)...)))
	for _, f := range files {
		name := fmt.Sprintf("%v, %d channels", f.e, f.channels)
		var seen struct {
			Rate, Channels, Frames int
			Subtype, Comment       string
		}
		if err := lines.Decode(&seen); err != nil {
			t.Fatal(err)
		}
		if seen.Rate != 96000 || seen.Channels != f.channels || seen.Frames != 1001 || seen.Subtype != subtypes[f.e] || seen.Comment != comment {
			t.Errorf("%s: libsndfile sees %+v", name, seen)
		}
		for _, reader := range []string{"scipy", "soundfile"} {
			b, err := os.ReadFile(f.path + "." + reader + ".f64")
			if err != nil {
				t.Fatal(err)
			}
			compare(t, reader+", "+name, floats(t, b), f.want, 0)
		}
		compare(t, "ffmpeg, "+name, floats(t, output(t, nil, ffmpeg, "-v", "error", "-i", f.path, "-f", "f64le", "-")), f.want, 0)
		tol := 0.0
		if layouts[f.e].float {
			tol = soxStep
		}
		compare(t, "sox, "+name, floats(t, output(t, nil, sox, "-D", f.path, "-t", "f64", "-")), f.want, tol)

		info := strings.Fields(string(output(t, nil, soxi, "-r", f.path)) + string(output(t, nil, soxi, "-c", f.path)) + string(output(t, nil, soxi, "-s", f.path)))
		if got, want := fmt.Sprint(info), fmt.Sprint([]any{96000, f.channels, 1001}); got != want {
			t.Errorf("%s: soxi sees rate, channels, frames %s, want %s", name, got, want)
		}
		var probe struct {
			Streams []struct {
				Codec    string `json:"codec_name"`
				Rate     string `json:"sample_rate"`
				Channels int
				Frames   int `json:"duration_ts"`
			}
			Format struct{ Tags struct{ Comment string } }
		}
		if err := json.Unmarshal(output(t, nil, ffprobe, "-v", "error", "-of", "json", "-show_streams", "-show_format", f.path), &probe); err != nil {
			t.Fatal(err)
		}
		if len(probe.Streams) != 1 || probe.Streams[0].Codec != codecs[f.e] || probe.Streams[0].Rate != "96000" ||
			probe.Streams[0].Channels != f.channels || probe.Streams[0].Frames != 1001 || probe.Format.Tags.Comment != comment {
			t.Errorf("%s: ffprobe sees %+v", name, probe)
		}
	}
}

func TestWeReadWhatSciPyAndLibsndfileWrite(t *testing.T) {
	python := outsidetest.Python(t)
	dir := t.TempDir()
	lines := json.NewDecoder(bytes.NewReader(output(t, nil, python, scripts+"wav_write.py", dir)))
	files := 0
	for ; lines.More(); files++ {
		var want struct {
			Name, Comment          string
			Rate, Channels, Frames int
		}
		if err := lines.Decode(&want); err != nil {
			t.Fatal(err)
		}
		f, err := ReadFile(filepath.Join(dir, want.Name))
		if err != nil {
			t.Error(err)
			continue
		}
		if f.SampleRate != want.Rate || len(f.Channels) != want.Channels || f.Frames() != want.Frames || len(f.Remarks) > 0 {
			t.Errorf("%s: got %d Hz, %d channels of %d frames, remarks %q", want.Name, f.SampleRate, len(f.Channels), f.Frames(), f.Remarks)
			continue
		}
		if f.Comment != want.Comment {
			t.Errorf("%s: comment %q, want %q", want.Name, f.Comment, want.Comment)
		}
		b, err := os.ReadFile(filepath.Join(dir, want.Name+".f64"))
		if err != nil {
			t.Fatal(err)
		}
		compare(t, want.Name, interleave(f.Channels), floats(t, b), 0)
	}
	if files < 100 {
		t.Errorf("only %d files were tried", files)
	}
}

func TestWeReadWhatSoXAndFFmpegWrite(t *testing.T) {
	sox, ffmpeg := outsidetest.Tool(t, "sox"), outsidetest.Tool(t, "ffmpeg")
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(5, 5))
	check := func(name string, f *File, err error, channels int, format, remark string, want []float64) {
		t.Helper()
		comment := "by the door"
		if strings.HasPrefix(name, "sox") {
			comment = "" // SoX 14.4.2 reads comments and writes none
		}
		if err != nil {
			t.Errorf("%s: %v", name, err)
			return
		}
		if f.SampleRate != 44100 || len(f.Channels) != channels || f.Format != format || f.Comment != comment {
			t.Errorf("%s: got %d Hz, %d channels, %s, comment %q", name, f.SampleRate, len(f.Channels), f.Format, f.Comment)
		}
		if got := strings.Join(f.Remarks, " "); (remark == "") != (got == "") || !strings.Contains(got, remark) {
			t.Errorf("%s: remarks %q, want %q", name, got, remark)
		}
		compare(t, name, interleave(f.Channels), want, 0)
	}
	for _, v := range []struct {
		bits          int
		soxEncoding   string
		codec, format string
	}{
		{8, "unsigned-integer", "pcm_u8", "8-bit PCM"},
		{16, "signed-integer", "pcm_s16le", "16-bit PCM"},
		{24, "signed-integer", "pcm_s24le", "24-bit PCM"},
		{32, "signed-integer", "pcm_s32le", "32-bit PCM"},
		{32, "floating-point", "pcm_f32le", "32-bit float"},
		{64, "floating-point", "pcm_f64le", "64-bit float"},
	} {
		for _, shape := range [][2]int{{1, 7}, {2, 1000}, {6, 5001}} {
			channels, frames := shape[0], shape[1]
			// On the grid of the format, and for floats on one that a
			// program working in 32-bit integers or floats keeps.
			grid := math.Ldexp(1, min(v.bits, 24)-1)
			if v.codec == "pcm_s32le" {
				grid = math.Ldexp(1, 31)
			}
			want := make([]float64, channels*frames)
			for i := range want {
				want[i] = math.Floor((2*rng.Float64()-1)*grid) / grid
			}
			name := fmt.Sprintf("%s_%d_%d", v.codec, channels, frames)
			in := []string{"-D", "-t", "f64", "-r", "44100", "-c", fmt.Sprint(channels), "-", "-e", v.soxEncoding, "-b", fmt.Sprint(v.bits), "--comment", "by the door"}
			path := filepath.Join(dir, "sox_"+name+".wav")
			output(t, raw(want), sox, append(in, path)...)
			f, err := ReadFile(path)
			check("sox "+name, f, err, channels, v.format, "", want)
			// To a pipe it cannot go back and fill in its lengths.
			f, err = Read(bytes.NewReader(output(t, raw(want), sox, append(in, "-t", "wav", "-")...)))
			if err == nil && v.bits == 8 && channels == 1 && frames%2 == 1 && f.Frames() == frames+1 {
				// SoX pads here, too, and where the length is missing
				// nothing tells the pad byte from a sample.
				f.Channels[0] = f.Channels[0][:frames]
			}
			check("sox to a pipe "+name, f, err, channels, v.format, "does not say how long", want)

			in = []string{"-v", "error", "-f", "f64le", "-ar", "44100", "-ac", fmt.Sprint(channels), "-i", "-", "-c:a", v.codec, "-metadata", "comment=by the door"}
			path = filepath.Join(dir, "ffmpeg_"+name+".wav")
			output(t, raw(want), ffmpeg, append(in, path)...)
			f, err = ReadFile(path)
			check("ffmpeg "+name, f, err, channels, v.format, "", want)
			f, err = Read(bytes.NewReader(output(t, raw(want), ffmpeg, append(in, "-f", "wav", "-")...)))
			check("ffmpeg to a pipe "+name, f, err, channels, v.format, "does not say how long", want)
			path = filepath.Join(dir, "rf64_"+name+".wav")
			output(t, raw(want), ffmpeg, append(in, "-rf64", "always", path)...)
			f, err = ReadFile(path)
			check("ffmpeg RF64 "+name, f, err, channels, v.format, "", want)
		}
	}
	// And what they write that is no WAV for us is named.
	x := raw(make([]float64, 4800))
	for _, v := range []struct{ want, codec, format string }{
		{"IMA ADPCM", "adpcm_ima_wav", "wav"}, {"A-law", "pcm_alaw", "wav"}, {"mu-law", "pcm_mulaw", "wav"}, {"Microsoft ADPCM", "adpcm_ms", "wav"},
		{"64 bits", "pcm_s64le", "wav"},
		{"looks like FLAC", "flac", "flac"}, {"looks like AIFF", "pcm_s16be", "aiff"}, {"looks like AAC", "aac", "adts"},
		{"looks like Matroska", "pcm_s16le", "matroska"}, {"looks like Wave64", "pcm_s16le", "w64"}, {"looks like a Core Audio", "pcm_s16le", "caf"},
		{"looks like an AU", "pcm_s16be", "au"},
	} {
		path := filepath.Join(dir, "other."+v.format)
		output(t, x, ffmpeg, "-y", "-v", "error", "-f", "f64le", "-ar", "44100", "-i", "-", "-c:a", v.codec, "-f", v.format, path)
		if _, err := ReadFile(path); err == nil || !strings.Contains(err.Error(), v.want) {
			t.Errorf("%s in %s: got %v", v.codec, v.format, err)
		}
	}
}

// Open recordings with chunks of several programs, against SciPy and
// libsndfile. Origin and licences: the data folder's README.
func TestOpenRecordings(t *testing.T) {
	python := outsidetest.Python(t)
	dir := t.TempDir()
	for _, name := range []string{
		"living-room/living_room_1.wav", "seminar-room/ir_head_m80.wav", "seminar-room/raw_head_m80.wav",
		"seminar-room/recovered_excitation.wav", "seminar-room/rir_clap.wav",
	} {
		b, err := os.ReadFile(outsidetest.Data(t, name))
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, filepath.Base(name))
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		output(t, nil, python, scripts+"wav_read.py", path)
		f, err := ReadFile(path)
		if err != nil {
			t.Error(err)
			continue
		}
		if len(f.Remarks) > 0 {
			t.Errorf("%s: remarks %q", name, f.Remarks)
		}
		for _, reader := range []string{"scipy", "soundfile"} {
			want, err := os.ReadFile(path + "." + reader + ".f64")
			if err != nil {
				t.Fatal(err)
			}
			compare(t, name+" against "+reader, interleave(f.Channels), floats(t, want), 0)
		}
	}
}
