package soundserver

import (
	"os/exec"
	"syscall"
)

// dieWithParent sees to it that no server outlives a test that was killed.
func dieWithParent(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
}
