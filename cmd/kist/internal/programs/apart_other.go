//go:build !unix

package programs

import "os/exec"

// setApart changes nothing: when its context ends, only the command itself is ended.
func setApart(*exec.Cmd) {}
