//go:build unix

package engine

import (
	"os/exec"
	"syscall"
)

func setApart(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} }
