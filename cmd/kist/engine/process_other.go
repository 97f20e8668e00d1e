//go:build !unix

package engine

import "os/exec"

func setApart(*exec.Cmd) {}
