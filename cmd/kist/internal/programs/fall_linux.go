package programs

import (
	"os/exec"
	"syscall"
)

// fallWithUs lets a command be told to end when the thread that starts it ends (prctl(2),
// PR_SET_PDEATHSIG).
func fallWithUs(cmd *exec.Cmd) { cmd.SysProcAttr.Pdeathsig = syscall.SIGTERM }
