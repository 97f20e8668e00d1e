package main

import "golang.org/x/sys/unix"

// isMountPoint tells whether something is mounted at a path (statx(2), STATX_ATTR_MOUNT_ROOT,
// of Linux 5.8 or newer; on older ones nothing is).
func isMountPoint(path string) bool {
	var found unix.Statx_t
	err := unix.Statx(unix.AT_FDCWD, path, 0, 0, &found)
	return err == nil && found.Attributes&unix.STATX_ATTR_MOUNT_ROOT != 0
}
