//go:build unix

package cache

import (
	"io/fs"
	"os"
	"syscall"
)

const (
	hasModes = true
	// dontWait is for a pipe that came into the place of a file just now.
	dontWait = syscall.O_NONBLOCK
)

func isOurs(info fs.FileInfo) bool  { return ownerOf(info) == int64(os.Geteuid()) }
func isRoots(info fs.FileInfo) bool { return ownerOf(info) == 0 }

// ownerOf gives the user id of a file's owner, -1 where it is not known.
func ownerOf(info fs.FileInfo) int64 {
	if s, ok := info.Sys().(*syscall.Stat_t); ok {
		return int64(s.Uid)
	}
	return -1
}
