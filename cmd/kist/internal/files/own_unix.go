//go:build unix

package files

import (
	"os"

	"golang.org/x/sys/unix"
)

// checkFolder fails with ErrOthers for a folder in which others may exchange what is not theirs. In one with the sticky
// bit they may not.
func checkFolder(path string) error {
	var s unix.Stat_t
	if err := unix.Stat(path, &s); err != nil {
		return err
	}
	if uid := os.Geteuid(); s.Uid != 0 && int(s.Uid) != uid || s.Mode&0o022 != 0 && s.Mode&unix.S_ISVTX == 0 {
		return ErrOthers
	}
	return nil
}
