package volume

import (
	"io/fs"
	"strconv"

	"golang.org/x/sys/unix"
)

// procPath is a path to an open file, for calls that take no descriptor.
func procPath(fd int) string { return "/proc/self/fd/" + strconv.Itoa(fd) }

// nodePath is a path to name in d that can't be led astray by what happens above d.
func (d *folder) nodePath(name string) string { return procPath(d.fd) + "/" + name }

// mknod makes a pipe or device that only its owner may use.
func (d *folder) mknod(name string, kind fs.FileMode, major, minor int64) error {
	mode := uint32(0o600)
	switch {
	case kind&fs.ModeNamedPipe != 0:
		mode |= unix.S_IFIFO
	case kind&fs.ModeCharDevice != 0:
		mode |= unix.S_IFCHR
	default:
		mode |= unix.S_IFBLK
	}
	dev := unix.Mkdev(uint32(major), uint32(minor))
	return fail("mknod", d.join(name), unix.Mknodat(d.fd, name, mode, int(dev)))
}

// chmodNode changes a pipe's or device's mode. Systems before Linux 6.6 can only do that through
// a descriptor that opens nothing.
func (d *folder) chmodNode(name string, perm int64) error {
	err := unix.Fchmodat(d.fd, name, uint32(perm), unix.AT_SYMLINK_NOFOLLOW)
	if err != unix.EOPNOTSUPP {
		return fail("chmod", d.join(name), err)
	}
	h, err := d.openat(name, unix.O_PATH, 0)
	if err != nil {
		return err
	}
	defer h.close()
	m, err := h.stat()
	if err == nil && m.kind&fs.ModeSymlink != 0 {
		err = errKind
	}
	if err != nil {
		return fail("chmod", h.path, err)
	}
	return fail("chmod", h.path, unix.Chmod(procPath(h.fd), uint32(perm)))
}

// nextData returns where the next data at or after off starts and ends, both at most size. A file
// system that can't tell has data everywhere.
func (f *file) nextData(off, size int64) (start, end int64) {
	start, err := unix.Seek(f.fd, off, unix.SEEK_DATA)
	if err == unix.ENXIO {
		return size, size
	}
	if err != nil {
		return off, size
	}
	end, err = unix.Seek(f.fd, start, unix.SEEK_HOLE)
	if err != nil {
		end = size
	}
	return min(start, size), min(end, size)
}

// flush does nothing: flushAll does it for all files together.
func (h *handle) flush() error { return nil }

// flushAll flushes the whole file system that d is on. Since Linux 5.8 it also reports failed writes.
func (d *folder) flushAll() error {
	return fail("syncfs", d.path, unix.Syncfs(d.fd))
}
