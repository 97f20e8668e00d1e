//go:build unix

package stopped

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// tryLock locks a file of this machine until it is closed or the process ends.
func tryLock(f *os.File) (bool, error) {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return false, nil
	}
	return err == nil, err
}
