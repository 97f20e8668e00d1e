//go:build linux || darwin

package volume

import (
	"io"
	"io/fs"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// Calls go straight to the system: os.File would register each file with the poller, and os.Root
// would follow symbolic links that stay inside. Every name below is a single path component and
// O_NOFOLLOW is always set, so that nothing outside the folder can be reached.

// handle is an open file or folder.
type handle struct {
	fd   int
	path string // for errors only
}

// folder is an open folder.
type folder struct{ handle }

// file is an open regular file.
type file struct{ handle }

// again repeats a call that a signal interrupted.
func again[T any](call func() (T, error)) (T, error) {
	for {
		v, err := call()
		if err != unix.EINTR {
			return v, err
		}
	}
}

func fail(op, path string, err error) error {
	if err == nil {
		return nil
	}
	return &fs.PathError{Op: op, Path: path, Err: err}
}

func (d *folder) join(name string) string { return d.path + "/" + name }

func (d *folder) openat(name string, flags int, perm uint32) (handle, error) {
	fd, err := again(func() (int, error) {
		return unix.Openat(d.fd, name, flags|unix.O_NOFOLLOW|unix.O_CLOEXEC, perm)
	})
	switch err {
	case nil:
		return handle{fd, d.join(name)}, nil
	case unix.ELOOP, unix.ENOTDIR, unix.ENXIO:
		return handle{}, fail("open", d.join(name), errKind)
	}
	return handle{}, fail("open", d.join(name), err)
}

// child opens a folder in d, or fails with errKind where name is anything else.
func (d *folder) child(name string) (*folder, error) {
	h, err := d.openat(name, unix.O_RDONLY|unix.O_DIRECTORY, 0)
	if err != nil {
		return nil, err
	}
	return &folder{h}, nil
}

// open opens a regular file in d and describes it, or fails with errKind. A pipe that took the
// file's name meanwhile does not block it.
func (d *folder) open(name string) (*file, *meta, error) {
	h, err := d.openat(name, unix.O_RDONLY|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, nil, err
	}
	m, err := h.stat()
	if err == nil && m.kind != 0 {
		err = fail("open", h.path, errKind)
	}
	if err != nil {
		h.close()
		return nil, nil, err
	}
	return &file{h}, m, nil
}

// create makes a new file with a mode, less what the umask takes away; it fails if the name exists.
func (d *folder) create(name string, perm uint32) (*file, error) {
	h, err := d.openat(name, unix.O_WRONLY|unix.O_CREAT|unix.O_EXCL, perm)
	if err != nil {
		return nil, err
	}
	return &file{h}, nil
}

// reader gives an os.File for listing. It has its own descriptor.
func (d *folder) reader() (*os.File, error) {
	fd, err := again(func() (int, error) {
		return unix.Openat(d.fd, ".", unix.O_RDONLY|unix.O_DIRECTORY|unix.O_CLOEXEC, 0)
	})
	if err != nil {
		return nil, fail("open", d.path, err)
	}
	return os.NewFile(uintptr(fd), d.path), nil
}

func (d *folder) stat(name string) (*meta, error) {
	var st unix.Stat_t
	_, err := again(func() (int, error) {
		return 0, unix.Fstatat(d.fd, name, &st, unix.AT_SYMLINK_NOFOLLOW)
	})
	if err != nil {
		return nil, fail("stat", d.join(name), err)
	}
	return newMeta(&st), nil
}

func (d *folder) mkdir(name string, perm uint32) error {
	return fail("mkdir", d.join(name), unix.Mkdirat(d.fd, name, perm))
}

func (d *folder) symlink(target, name string) error {
	return fail("symlink", d.join(name), unix.Symlinkat(target, d.fd, name))
}

// link gives the file from/old the further name name in d. A symbolic link is linked, not followed.
func (d *folder) link(from *folder, old, name string) error {
	return fail("link", d.join(name), unix.Linkat(from.fd, old, d.fd, name, 0))
}

// remove removes a file or an empty folder.
func (d *folder) remove(name string) error {
	err := unix.Unlinkat(d.fd, name, 0)
	if err == unix.EISDIR || err == unix.EPERM {
		err = unix.Unlinkat(d.fd, name, unix.AT_REMOVEDIR)
	}
	return fail("remove", d.join(name), err)
}

// readlink returns where the symbolic link name points.
func (d *folder) readlink(name string) (string, error) {
	for size := 256; ; size *= 4 {
		buf := make([]byte, size)
		n, err := again(func() (int, error) { return unix.Readlinkat(d.fd, name, buf) })
		if err == unix.EINVAL {
			err = errKind
		}
		if err != nil {
			return "", fail("readlink", d.join(name), err)
		}
		if n < size {
			return string(buf[:n]), nil
		}
	}
}

// chownName, chtimes and chmodNode change what stands under a name, which may be a link, a pipe or a
// device. The name "." is d itself.

func (d *folder) chownName(name string, uid, gid int) error {
	return fail("chown", d.join(name), unix.Fchownat(d.fd, name, uid, gid, unix.AT_SYMLINK_NOFOLLOW))
}

func (d *folder) chtimes(name string, t time.Time) error {
	ts, err := unix.TimeToTimespec(t)
	if err == nil {
		err = unix.UtimesNanoAt(d.fd, name, []unix.Timespec{ts, ts}, unix.AT_SYMLINK_NOFOLLOW)
	}
	return fail("chtimes", d.join(name), err)
}

func (h *handle) stat() (*meta, error) {
	var st unix.Stat_t
	if _, err := again(func() (int, error) { return 0, unix.Fstat(h.fd, &st) }); err != nil {
		return nil, fail("stat", h.path, err)
	}
	return newMeta(&st), nil
}

// has reports whether h has an owner and a mode.
func (h *handle) has(uid, gid int, perm int64) bool {
	var st unix.Stat_t
	_, err := again(func() (int, error) { return 0, unix.Fstat(h.fd, &st) })
	return err == nil && int(st.Uid) == uid && int(st.Gid) == gid && int64(st.Mode&modeBits) == perm
}

func (h *handle) chown(uid, gid int) error {
	return fail("chown", h.path, unix.Fchown(h.fd, uid, gid))
}

func (h *handle) chmod(perm int64) error {
	return fail("chmod", h.path, unix.Fchmod(h.fd, uint32(perm)))
}

func (h *handle) close() error { return fail("close", h.path, unix.Close(h.fd)) }

// readAt reads up to len(p) bytes at off; 0 and no error at the end.
func (f *file) readAt(p []byte, off int64) (int, error) {
	n, err := again(func() (int, error) { return unix.Pread(f.fd, p, off) })
	if err != nil {
		return 0, fail("read", f.path, err)
	}
	return n, nil
}

func (f *file) writeAt(p []byte, off int64) error {
	for len(p) > 0 {
		n, err := again(func() (int, error) { return unix.Pwrite(f.fd, p, off) })
		if err == nil && n == 0 {
			err = io.ErrShortWrite
		}
		if err != nil {
			return fail("write", f.path, err)
		}
		p, off = p[n:], off+int64(n)
	}
	return nil
}

func (f *file) truncate(size int64) error {
	_, err := again(func() (int, error) { return 0, unix.Ftruncate(f.fd, size) })
	return fail("truncate", f.path, err)
}

// kinds maps the type bits of st_mode to those of io/fs.
var kinds = [16]fs.FileMode{
	unix.S_IFREG >> 12:  0,
	unix.S_IFDIR >> 12:  fs.ModeDir,
	unix.S_IFLNK >> 12:  fs.ModeSymlink,
	unix.S_IFIFO >> 12:  fs.ModeNamedPipe,
	unix.S_IFSOCK >> 12: fs.ModeSocket,
	unix.S_IFCHR >> 12:  fs.ModeDevice | fs.ModeCharDevice,
	unix.S_IFBLK >> 12:  fs.ModeDevice,
}

func newMeta(st *unix.Stat_t) *meta {
	return &meta{
		kind:      kinds[st.Mode>>12&15],
		perm:      int64(st.Mode & modeBits),
		uid:       int(st.Uid),
		gid:       int(st.Gid),
		size:      st.Size,
		allocated: st.Blocks * 512,
		dev:       uint64(st.Dev),
		ino:       st.Ino,
		links:     uint64(st.Nlink),
		major:     int64(unix.Major(uint64(st.Rdev))),
		minor:     int64(unix.Minor(uint64(st.Rdev))),
		mtime:     time.Unix(st.Mtim.Unix()),
		ctime:     time.Unix(st.Ctim.Unix()),
	}
}
