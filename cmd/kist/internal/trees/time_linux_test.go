package trees

import (
	"time"

	"golang.org/x/sys/unix"
)

// setTime sets the time of an entry, and not of what it links to.
func setTime(path string, to time.Time) error {
	ts := unix.NsecToTimespec(to.UnixNano())
	return unix.UtimesNanoAt(unix.AT_FDCWD, path, []unix.Timespec{ts, ts}, unix.AT_SYMLINK_NOFOLLOW)
}
