//go:build unix

package rehearse

import (
	"fmt"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// checkAbove refuses a folder for scratch in which others could put something else in the place of the scratch folder, or of one
// above it: data is restored there, and a container given it. Where the sticky bit is set, as in /tmp, nobody moves
// what is not theirs. A group that has the number of its user counts as that user's own (common practice, no source).
func checkAbove(dir string) error {
	real, err := filepath.EvalSymlinks(dir)
	if err != nil {
		return fmt.Errorf("the folder for scratch: %w", err)
	}
	for at := real; ; at = filepath.Dir(at) {
		var s unix.Stat_t
		if err := unix.Stat(at, &s); err != nil {
			return fmt.Errorf("the folder for scratch: %s: %w", at, err)
		}
		foreign := s.Uid != 0 && int(s.Uid) != os.Geteuid()
		open := s.Mode&0o002 != 0 || s.Mode&0o020 != 0 && s.Gid != s.Uid
		if foreign || open && s.Mode&unix.S_ISVTX == 0 {
			return fmt.Errorf("the folder for scratch: others can change what is in %s, and could put something else in the place of what is restored there. Name one that is yours, and closed to them", at)
		}
		if at == filepath.Dir(at) {
			return nil
		}
	}
}
