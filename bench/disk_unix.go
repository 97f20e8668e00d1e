//go:build linux || darwin

package main

import "golang.org/x/sys/unix"

// diskFree gives the bytes that the disk of a folder has left, 0 if unknown.
func diskFree(dir string) int64 {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0
	}
	return int64(s.Bavail) * int64(s.Bsize)
}

// settleDisk waits until what was written before is on disk, so that it does not
// slow down what comes after.
func settleDisk() { unix.Sync() }
