//go:build unix

package files

import (
	"io/fs"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// openNoFollow opens what has a name itself, and waits for nothing.
func openNoFollow(path string) (*os.File, error) {
	return os.OpenFile(path, os.O_RDONLY|unix.O_NOFOLLOW|unix.O_NONBLOCK, 0)
}

// OpenFolder opens a folder, and does not wait where a pipe took its place.
func OpenFolder(path string) (*os.File, error) {
	return os.OpenFile(path, os.O_RDONLY|unix.O_DIRECTORY|unix.O_NONBLOCK, 0)
}

// isOthers tells whether a file is another user's.
func isOthers(info fs.FileInfo) bool {
	s, ok := info.Sys().(*syscall.Stat_t)
	return ok && int(s.Uid) != os.Geteuid()
}

// isMine tells whether a file is this user's, and has no other name by which it may be somebody's secret.
func isMine(info fs.FileInfo) bool {
	s, ok := info.Sys().(*syscall.Stat_t)
	return ok && int(s.Uid) == os.Geteuid() && s.Nlink == 1
}
