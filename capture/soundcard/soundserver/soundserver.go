// Package soundserver runs sound servers without hardware, for tests of the real
// path: a JACK server with a dummy driver whose room is a convolver that someone
// else wrote (jconvolver, by Fons Adriaensen), and a PulseAudio server with a
// null sink.
//
// Only tests may import it. It changes environment variables of the test's
// process (t.Setenv), so such a test cannot run in parallel with others.
package soundserver

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/gofrs/flock"

	"roomsonde/capture"
	"roomsonde/capture/soundcard"
	"roomsonde/capture/wav"
	"roomsonde/sweep/scale/outsidetest"
)

// deadline is how long a server may take to be there. It is generous: the
// machine may be busy with other tests.
const deadline = 60 * time.Second

// Server is a sound server at work.
type Server struct {
	// Device is the name of the device to measure on, as soundcard.Devices lists
	// it.
	Device string
	// Input is the device to record from, where it is another one.
	Input string
	// Env is what a program needs in its environment to reach the server, as
	// NAME=value. The test's own process has it already.
	Env []string

	main    *process
	clients []*process
	address string // of a PulseAudio server
}

// Kill ends the server as a crash would.
func (s *Server) Kill() { s.main.end(syscall.SIGKILL) }

// EndRoom ends the convolver in an orderly way; the server stays.
func (s *Server) EndRoom() {
	for _, c := range s.clients {
		c.end(syscall.SIGINT)
	}
}

// KillRoom ends the convolver as a crash would. The server goes on without it,
// or waits for it for up to 20 s.
func (s *Server) KillRoom() {
	for _, c := range s.clients {
		c.end(syscall.SIGKILL)
	}
}

// serverNames is how many JACK servers of these tests may run at a time on one
// machine. JACK keeps a table of at most eight servers of all programs, and a
// server that was killed keeps its line in it until one of the same name starts:
// so names are few and used again.
const serverNames = 5

// startJACK starts a server under a name that is free and returns the name.
func (s *Server) startJACK(t testing.TB, jackd string, rate int) string {
	t.Helper()
	for range 60 {
		for i := range serverNames {
			name := fmt.Sprintf("roomsonde-test-%d", i+1)
			lock := flock.New(filepath.Join(os.TempDir(), name+".lock"))
			if ok, err := lock.TryLock(); err != nil || !ok {
				continue
			}
			t.Cleanup(func() { lock.Unlock() })
			t.Cleanup(func() { sweepUp(name) })
			t.Setenv("JACK_DEFAULT_SERVER", name)
			// Not realtime: that needs rights which a test machine does not give.
			// In synchronous mode the server waits for its clients before it goes
			// on, rather than leave their buffer out; a busy machine then is late
			// instead of wrong.
			s.main = start(t, syscall.SIGTERM, jackd, "-r", "-S", "-t", "20000", "-n", name,
				"-d", "dummy", "-r", fmt.Sprint(rate), "-p", fmt.Sprint(Period))
			err := s.main.until(func() bool {
				devices, err := list()
				return err == nil && has(devices, "system")
			})
			if err == nil {
				s.Env = append(s.Env, "JACK_DEFAULT_SERVER="+name)
				return name
			}
			// One that a killed test left behind keeps its name: leave it that.
			if !strings.Contains(s.main.log.String(), "already active") {
				t.Fatalf("the JACK server is not there: %v", err)
			}
		}
		time.Sleep(time.Second)
	}
	if s.main == nil {
		t.Fatalf("the tests' %d names for JACK servers are all in use", serverNames)
	}
	t.Fatalf("no JACK server can be started; the last try said:\n%s", s.main.log.String())
	return ""
}

// RoomName is the name of the convolver among the devices.
const RoomName = "convolved room"

// Room starts a JACK server at the rate given in Hz and a convolver in it with
// one input and one output, loaded with the first channel of the WAV file
// impulse, which must have that rate. It waits until PortAudio lists it, and
// ends everything when the test ends.
//
// The convolver adds no delay of its own: its partition is one period of the
// server. It sits in a loop with the program, so JACK delays the recording by
// one period, Period.
func Room(t testing.TB, impulse string, rate int) *Server {
	t.Helper()
	return RoomOf(t, rate, impulse)
}

// RoomOf is Room with several loudspeakers and one microphone: what is played on
// the n-th output comes back through the n-th impulse response, and the one
// input hears the sum.
func RoomOf(t testing.TB, rate int, impulses ...string) *Server {
	t.Helper()
	var (
		jackd      = outsidetest.Tool(t, "jackd")
		jconvolver = outsidetest.Tool(t, "jconvolver")
		folder     = t.TempDir()
		s          = &Server{Device: RoomName}
	)
	name := s.startJACK(t, jackd, rate)
	var text string
	longest := Period
	for i, impulse := range impulses {
		// The convolver's configuration separates words by spaces.
		file := filepath.Join(folder, fmt.Sprintf("impulse-%d.wav", i+1))
		if err := copyFile(file, impulse); err != nil {
			t.Fatal(err)
		}
		a, err := wav.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		longest = max(longest, len(a.Channels[0]))
		text += fmt.Sprintf("/input/name %d in%d\n/impulse/read %d 1 1 0 0 0 1 %s\n", i+1, i+1, i+1, file)
	}
	// No longer than it must be: the late parts of a long response are worked out
	// by threads of their own, which a busy machine leaves behind.
	text = fmt.Sprintf("/convolver/new %d 1 %d %d 1.0\n/output/name 1 out\n", len(impulses), Period, longest) + text
	config := filepath.Join(folder, "room.conf")
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	room := start(t, syscall.SIGINT, jconvolver, "-s", name, "-N", RoomName, config)
	s.clients = append(s.clients, room)
	room.waitUntil(t, "the convolver is listed with its inputs and one output", func() bool {
		devices, err := list()
		if err != nil {
			return false
		}
		for _, d := range devices {
			if d.Name == RoomName && d.Inputs == 1 && d.Outputs == len(impulses) {
				return true
			}
		}
		return false
	})
	if log := room.log.String(); strings.Contains(log, "does not match") {
		t.Fatalf("the convolver did not take the impulse response: %s", log)
	}
	return s
}

// Period is the number of frames that the JACK server handles at a time, and by
// which it delays the way through the convolver.
const Period = 1024

// NullSink starts a PulseAudio server with a sink that leads nowhere and whose
// monitor is the default source: what is played is what is recorded. ALSA's
// plugin for PulseAudio lists it as device "pulse".
func NullSink(t testing.TB, rate int) *Server {
	t.Helper()
	s := startPulse(t, nullSink(rate))
	s.Device = "pulse"
	folder := t.TempDir()
	setenv(t, s, "PULSE_STATE_PATH", folder)
	setenv(t, s, "PULSE_COOKIE", filepath.Join(folder, "cookie"))
	setenv(t, s, "PULSE_SERVER", s.address)
	s.waitUntilListed(t)
	return s
}

// NullSinks starts n such servers, all listed at the same time: "null 1",
// "null 2" and so on.
func NullSinks(t testing.TB, n, rate int) []*Server {
	t.Helper()
	var servers []*Server
	var config strings.Builder
	for i := range n {
		s := startPulse(t, nullSink(rate))
		s.Device = fmt.Sprintf("null %d", i+1)
		fmt.Fprintf(&config, "pcm.'%s' { type pulse server '%s' }\n", s.Device, s.address)
		servers = append(servers, s)
	}
	addToALSA(t, config.String(), servers...)
	for _, s := range servers {
		s.waitUntilListed(t)
	}
	return servers
}

func nullSink(rate int) string {
	return fmt.Sprintf("module-null-sink sink_name=nowhere rate=%d channels=2 format=float32le", rate)
}

// startPulse starts a PulseAudio server with these modules, at s.address.
func startPulse(t testing.TB, modules ...string) *Server {
	t.Helper()
	pulseaudio := outsidetest.Tool(t, "pulseaudio")
	folder := shortFolder(t)
	s := &Server{address: "unix:" + filepath.Join(folder, "native")}
	args := []string{"-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no",
		"--high-priority=no", "--realtime=no", "--disallow-exit",
		"-L", "module-native-protocol-unix auth-anonymous=1 socket=" + filepath.Join(folder, "native")}
	for _, m := range modules {
		args = append(args, "-L", m)
	}
	s.main = startWith(t, []string{"PULSE_RUNTIME_PATH=" + folder, "PULSE_STATE_PATH=" + folder, "PULSE_COOKIE=" + filepath.Join(folder, "cookie")},
		syscall.SIGTERM, pulseaudio, args...)
	return s
}

// shortFolder is a folder for sockets: their path is limited to some hundred
// bytes, and temporary folders of tests have long names.
func shortFolder(t testing.TB) string {
	t.Helper()
	folder, err := os.MkdirTemp("", "rs")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(folder) })
	return folder
}

// addToALSA adds devices to ALSA's configuration, for this test.
func addToALSA(t testing.TB, text string, servers ...*Server) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "more.conf")
	// The usual configuration first, as the library itself would read it.
	if err := os.WriteFile(path, []byte("<confdir:alsa.conf>\n"+text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, s := range servers {
		s.Env = append(s.Env, "ALSA_CONFIG_PATH="+path)
	}
	t.Setenv("ALSA_CONFIG_PATH", path)
}

// waitUntilListed waits until PortAudio lists the server's device.
func (s *Server) waitUntilListed(t testing.TB) {
	t.Helper()
	s.main.waitUntil(t, fmt.Sprintf("the device %q is listed", s.Device), func() bool {
		devices, err := list()
		return err == nil && has(devices, s.Device)
	})
}

func list() ([]capture.Device, error) {
	ctx, cancel := context.WithTimeout(context.Background(), deadline)
	defer cancel()
	return soundcard.Devices(ctx)
}

func has(devices []capture.Device, name string) bool {
	for _, d := range devices {
		if d.Name == name {
			return true
		}
	}
	return false
}

func setenv(t testing.TB, s *Server, name, value string) {
	t.Setenv(name, value)
	s.Env = append(s.Env, name+"="+value)
}

func copyFile(to, from string) error {
	data, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	return os.WriteFile(to, data, 0o600)
}

// sweepUp removes what a killed JACK server left behind in shared memory.
func sweepUp(server string) {
	left, _ := filepath.Glob("/dev/shm/jack*" + server + "*")
	for _, f := range left {
		os.RemoveAll(f)
	}
}

// process is a program that runs beside the test.
type process struct {
	cmd    *exec.Cmd
	log    buffer
	exited chan struct{}
}

// start runs a program until the test ends; then it gets the signal, on which it
// cleans up. (The convolver goes by SIGINT only, and while it is not gone JACK
// does not end either.)
func start(t testing.TB, last syscall.Signal, path string, args ...string) *process {
	t.Helper()
	return startWith(t, nil, last, path, args...)
}

// startWith is start with more in the program's environment.
func startWith(t testing.TB, env []string, last syscall.Signal, path string, args ...string) *process {
	t.Helper()
	p := &process{cmd: exec.Command(path, args...), exited: make(chan struct{})}
	p.cmd.Env = append(os.Environ(), env...)
	p.cmd.Stdout, p.cmd.Stderr = &p.log, &p.log
	dieWithParent(p.cmd)
	started := make(chan error)
	go func() {
		// The system ends the program when the thread that started it ends.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := p.cmd.Start()
		started <- err
		if err == nil {
			p.cmd.Wait()
			close(p.exited)
		}
	}()
	if err := <-started; err != nil {
		t.Fatalf("%s does not start: %v", filepath.Base(path), err)
	}
	t.Cleanup(func() { p.end(last) })
	return p
}

// end sends the signal and waits; a process that does not mind it is killed.
func (p *process) end(signal os.Signal) {
	p.cmd.Process.Signal(signal)
	select {
	case <-p.exited:
		return
	case <-time.After(5 * time.Second):
	}
	p.cmd.Process.Kill()
	<-p.exited
}

// until asks again and again whether it is so. The error says what the program
// said.
func (p *process) until(so func() bool) error {
	name := filepath.Base(p.cmd.Path)
	end := time.After(deadline)
	for !so() {
		select {
		case <-p.exited:
			return fmt.Errorf("%s ended. It said:\n%s", name, p.log.String())
		case <-end:
			return fmt.Errorf("waited %v. %s said:\n%s", deadline, name, p.log.String())
		case <-time.After(100 * time.Millisecond):
		}
	}
	return nil
}

// waitUntil ends the test if it does not become so.
func (p *process) waitUntil(t testing.TB, what string, so func() bool) {
	t.Helper()
	if err := p.until(so); err != nil {
		t.Fatalf("waiting until %s: %v", what, err)
	}
}

// buffer is a log that can be read while it is written.
type buffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *buffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *buffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}
