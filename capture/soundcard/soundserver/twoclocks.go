//go:build unix

package soundserver

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"testing"

	"roomsonde/sweep/scale/outsidetest"
)

// TwoClocks starts two devices of one channel each, Server.Device that plays and
// Server.Input that records, at the rate given in Hz. What is played goes through
// SoX, which first adds the effects given (a reverberation, say) and then plays
// it faster by ppm parts in a million, and comes back at the other device. So the
// recorder takes its sample m at player time m·(1+ppm/1e6), exactly: the skew is
// not left to two crystals.
//
// Both devices belong to one PulseAudio server. The sink takes what is played by
// the system's clock and the source delivers whatever the pipe brings, neither
// resamples. The server may still lose buffers on the way to the pipe and from
// it; Wire tells.
func TwoClocks(t testing.TB, rate int, ppm float64, effects ...string) (*Server, *Wire) {
	t.Helper()
	var (
		sox    = outsidetest.Tool(t, "sox")
		folder = shortFolder(t)
		from   = filepath.Join(folder, "from")
		to     = filepath.Join(folder, "to")
	)
	spec := fmt.Sprintf("rate=%d channels=1 format=float32le", rate)
	s := startPulse(t,
		"module-pipe-sink sink_name=player file="+from+" use_system_clock_for_timing=yes "+spec,
		"module-pipe-source source_name=recorder file="+to+" "+spec)
	s.Device, s.Input = "player", "recorder"
	addToALSA(t, fmt.Sprintf("pcm.player { type pulse server '%s' device player }\npcm.recorder { type pulse server '%s' device recorder }\n", s.address, s.address), s)

	format := []string{"-t", "raw", "-e", "float", "-b", "32", "-c", "1", "-r", fmt.Sprint(rate)}
	args := slices.Concat([]string{"-V1", "--buffer", "1024"}, format, []string{"-"}, format, []string{"-"}, effects)
	if ppm != 0 {
		// A speed of 1+δ, then back to the same rate: the best quality that SoX
		// has, flat to within a hair of half the rate.
		args = append(args, "speed", fmt.Sprintf("%.10f", 1+ppm/1e6), "rate", "-v", "-s", fmt.Sprint(rate))
	}
	s.main.waitUntil(t, "the server has made its pipes", func() bool {
		_, errFrom := os.Stat(from)
		_, errTo := os.Stat(to)
		return errFrom == nil && errTo == nil
	})
	w := &Wire{}
	w.run(t, exec.Command(sox, args...), from, to)
	s.waitUntilListed(t)
	return s, w
}

// Wire is what went over the way between the two devices of TwoClocks.
type Wire struct {
	mu         sync.Mutex
	sent, back []float32
}

// Sent returns what the player put out until now, Back what the recorder was
// given.
func (w *Wire) Sent() []float32 { return w.copyOf(&w.sent) }

// Back returns what the recorder was given until now.
func (w *Wire) Back() []float32 { return w.copyOf(&w.back) }

func (w *Wire) copyOf(x *[]float32) []float32 {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Clone(*x)
}

// run leads the pipe from through the program into the pipe to, until the test
// ends.
func (w *Wire) run(t testing.TB, cmd *exec.Cmd, from, to string) {
	t.Helper()
	// Opened for both directions, so that neither opening waits for the server
	// and the end of a stream is not the end of the pipe.
	in, err := os.OpenFile(from, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	out, err := os.OpenFile(to, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var both sync.WaitGroup
	both.Go(func() {
		defer stdin.Close()
		w.pass(stdin, in, &w.sent)
	})
	both.Go(func() { w.pass(out, stdout, &w.back) })
	t.Cleanup(func() {
		in.Close()
		out.Close()
		cmd.Process.Kill() // lets go of whoever still writes to it
		both.Wait()
		cmd.Wait()
	})
}

// pass copies samples and keeps them.
func (w *Wire) pass(to io.Writer, from io.Reader, kept *[]float32) {
	buffer, have := make([]byte, 4096), 0
	for {
		n, err := from.Read(buffer[have:])
		have += n
		whole := have / 4 * 4
		if whole > 0 {
			w.mu.Lock()
			for i := 0; i < whole; i += 4 {
				*kept = append(*kept, math.Float32frombits(binary.LittleEndian.Uint32(buffer[i:])))
			}
			w.mu.Unlock()
			if _, err := to.Write(buffer[:whole]); err != nil {
				return
			}
		}
		have = copy(buffer, buffer[whole:have])
		if err != nil {
			return
		}
	}
}
