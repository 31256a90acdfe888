//go:build unix

package soundserver

import (
	"syscall"
	"time"
)

// Pause holds the server for so long, as a machine that has other things to do
// does, and lets it go on.
func (s *Server) Pause(d time.Duration) {
	s.main.cmd.Process.Signal(syscall.SIGSTOP)
	time.Sleep(d)
	s.main.cmd.Process.Signal(syscall.SIGCONT)
}
