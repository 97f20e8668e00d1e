package volume

import (
	"io/fs"

	"golang.org/x/sys/unix"
)

func (d *folder) mknod(name string, _ fs.FileMode, _, _ int64) error {
	return fail("mknod", d.join(name), errNoNode)
}

func (d *folder) chmodNode(name string, perm int64) error {
	return fail("chmod", d.join(name), unix.Fchmodat(d.fd, name, uint32(perm), unix.AT_SYMLINK_NOFOLLOW))
}

// nextData says that there is data everywhere: holes are read as zeros.
func (f *file) nextData(off, size int64) (start, end int64) { return off, size }

// flush flushes one file or folder through the drive's cache (fcntl(2), F_FULLFSYNC).
func (h *handle) flush() error {
	_, err := unix.FcntlInt(uintptr(h.fd), unix.F_FULLFSYNC, 0)
	return fail("fsync", h.path, err)
}

// flushAll does nothing more: each file and folder was flushed.
func (d *folder) flushAll() error { return nil }
