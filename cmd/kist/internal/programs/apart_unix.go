//go:build unix

package programs

import (
	"os/exec"
	"syscall"
)

// setApart puts a command into a process group of its own, so that interrupts of the
// terminal do not reach it, and lets it be told to end with all that it started.
func setApart(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} }

// tell tells a command and all that it started to end; kill leaves them no choice.
func tell(cmd *exec.Cmd, kill bool) {
	signal := syscall.SIGTERM
	if kill {
		signal = syscall.SIGKILL
	}
	syscall.Kill(-cmd.Process.Pid, signal)
}

// goesOn tells whether something of a command's group is there yet.
func goesOn(cmd *exec.Cmd) bool { return syscall.Kill(-cmd.Process.Pid, 0) == nil }
