//go:build unix

package main

import (
	"os/user"
	"strconv"
	"syscall"
)

// account is a user that programs are run as.
type account struct {
	uid, gid int
	process  *syscall.SysProcAttr // nil: we ourselves
}

func findAccount(name string) (account, error) {
	u, err := user.Lookup(name)
	if err != nil {
		return account{}, err
	}
	uid, err := strconv.ParseUint(u.Uid, 10, 32)
	if err != nil {
		return account{}, err
	}
	gid, err := strconv.ParseUint(u.Gid, 10, 32)
	if err != nil {
		return account{}, err
	}
	become := &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
	return account{int(uid), int(gid), &syscall.SysProcAttr{Credential: become}}, nil
}
