package measurement_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
)

// The program itself, sweeping the model room for 60 s at 96 kHz, stays below
// 1 GiB at its peak: playing, recording, working out and storing.
func TestPeakMemory(t *testing.T) {
	const most = 1 << 30 // bytes
	folder := t.TempDir()
	program := filepath.Join(folder, "roomsonde")
	build := exec.Command("go", "build", "-o", program, "roomsonde/cmd/roomsonde")
	build.Env = append(os.Environ(), "CGO_ENABLED=0") // the room needs no sound card
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("go build: %v\n%s", err, out)
	}
	run := exec.Command(program, "measure", "--device", "model", "--duration", "60s", "--rate", "96000",
		"--survey", filepath.Join(folder, "survey"))
	run.Env = append(os.Environ(), "XDG_CONFIG_HOME="+folder, "XDG_DATA_HOME="+folder)
	if out, err := run.CombinedOutput(); err != nil {
		t.Fatalf("measure: %v\n%s", err, out)
	}
	peak := run.ProcessState.SysUsage().(*syscall.Rusage).Maxrss << 10 // given in KiB
	t.Logf("peak of resident memory: %d MiB", peak>>20)
	if !(peak > 0 && peak < most) {
		t.Errorf("peak of resident memory %d bytes, want below %d", peak, int64(most))
	}
}
