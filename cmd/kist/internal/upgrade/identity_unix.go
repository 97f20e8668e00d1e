//go:build unix

package upgrade

import (
	"errors"
	"io/fs"
	"os"
	"strings"
	"syscall"
)

// identity gives what a file system knows something by.
func identity(info fs.FileInfo) (device, inode uint64, err error) {
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return 0, 0, errors.ErrUnsupported
	}
	return uint64(s.Dev), s.Ino, nil
}

// bootID tells one run of the system from the next, "" where nothing tells (proc_sys_kernel(5), random/boot_id).
func bootID() string {
	b, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}
