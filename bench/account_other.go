//go:build !unix

package main

import (
	"errors"
	"syscall"
)

// account is a user that programs are run as: always ourselves.
type account struct {
	uid, gid int
	process  *syscall.SysProcAttr
}

func findAccount(string) (account, error) { return account{}, errors.ErrUnsupported }
