//go:build unix

package files

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// TryLock locks a file of this machine until it is closed or the process ends; false says
// that another has it.
func TryLock(f *os.File) (bool, error) {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return false, nil
	}
	return err == nil, err
}
