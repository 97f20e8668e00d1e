//go:build linux || darwin

package files

import (
	"math"
	"os"

	"golang.org/x/sys/unix"
)

// Space gives how many bytes this process may still write on the file system of something, and
// which that is. ok is false where nothing tells.
func Space(path string) (free int64, device uint64, ok bool) {
	var is unix.Stat_t
	var of unix.Statfs_t
	if unix.Stat(path, &is) != nil || unix.Statfs(path, &of) != nil || of.Blocks == 0 {
		return 0, 0, false
	}
	blocks := of.Bavail
	if os.Geteuid() == 0 {
		blocks = of.Bfree
	}
	if of.Bsize <= 0 || blocks > math.MaxInt64/uint64(of.Bsize) {
		return 0, 0, false
	}
	return int64(blocks) * int64(of.Bsize), uint64(is.Dev), true
}
