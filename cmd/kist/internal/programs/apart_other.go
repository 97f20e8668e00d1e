//go:build !unix

package programs

import "os/exec"

// setApart changes nothing: when its context ends, only the command itself is ended.
func setApart(*exec.Cmd) {}

func tell(cmd *exec.Cmd, _ bool) { cmd.Process.Kill() }

func goesOn(*exec.Cmd) bool { return false }
