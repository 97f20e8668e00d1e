//go:build unix

package remember

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// checkOwner makes sure that others can't write to a file or folder.
func checkOwner(path string, info fs.FileInfo) error {
	if info.Mode().Perm()&0o022 != 0 {
		return fmt.Errorf("%s: others may write there (mode %04o): chmod go-w %s", path, info.Mode().Perm(), path)
	}
	if s, ok := info.Sys().(*syscall.Stat_t); ok && s.Uid != 0 && int(s.Uid) != os.Geteuid() {
		return fmt.Errorf("%s: it belongs to user %d", path, s.Uid)
	}
	return nil
}

// tryLock locks a file of this machine until it is closed or the process ends.
func tryLock(f *os.File) (bool, error) {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return false, nil
	}
	// A file system without locks: processes at the same time are rare, and what is lost then
	// is learned again.
	return true, nil
}
