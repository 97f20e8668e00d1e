//go:build linux || darwin

package files

import (
	"math"

	"golang.org/x/sys/unix"
)

// Available gives how many bytes a user without privileges may still write on the file system of something. ok is
// false where nothing tells.
func Available(path string) (free int64, ok bool) {
	var of unix.Statfs_t
	if unix.Statfs(path, &of) != nil || of.Blocks == 0 || of.Bsize <= 0 {
		return 0, false
	}
	blocks := uint64(of.Bavail)
	if int64(blocks) < 0 { // the reserve is in use
		blocks = 0
	}
	if blocks > math.MaxInt64/uint64(of.Bsize) {
		return 0, false
	}
	return int64(blocks) * int64(of.Bsize), true
}
