//go:build unix

package programs

import (
	"os/exec"
	"syscall"
)

// setApart puts a command into a process group of its own, so that interrupts of the
// terminal do not reach it, and lets it be told to end with all that it started.
func setApart(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGTERM) }
}
