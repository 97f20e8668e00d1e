//go:build linux || darwin

package files

import "golang.org/x/sys/unix"

// Free tells how many bytes this user can write where a folder is; false where that is not known.
func Free(path string) (bytes uint64, known bool) {
	var s unix.Statfs_t
	if unix.Statfs(path, &s) != nil {
		return 0, false
	}
	return s.Bavail * uint64(s.Bsize), true
}

// SameDisk tells whether two folders lie in one file system.
func SameDisk(a, b string) bool {
	var x, y unix.Stat_t
	return unix.Stat(a, &x) == nil && unix.Stat(b, &y) == nil && x.Dev == y.Dev
}
