//go:build unix

package files

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// checkOwn fails for a file that another user than this one or root owns, or may write.
func checkOwn(f *os.File) error {
	var s unix.Stat_t
	if err := unix.Fstat(int(f.Fd()), &s); err != nil {
		return err
	}
	if uid := os.Geteuid(); s.Uid != 0 && int(s.Uid) != uid || s.Mode&0o022 != 0 {
		return errOthers
	}
	return nil
}

// TryLock locks a file of this machine until it is closed or the process ends; false says
// that another has it.
func TryLock(f *os.File) (bool, error) { return tryFlock(f, unix.LOCK_EX) }

// TryShare is TryLock for a lock that others may have at the same time, who share it.
func TryShare(f *os.File) (bool, error) { return tryFlock(f, unix.LOCK_SH) }

func tryFlock(f *os.File, how int) (bool, error) {
	err := unix.Flock(int(f.Fd()), how|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return false, nil
	}
	return err == nil, err
}
