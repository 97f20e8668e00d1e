package volume

import (
	"os"

	"golang.org/x/sys/unix"
)

// pass opens a folder in d to go through it, which needs no right to list it.
func (d *folder) pass(name string) (*folder, error) {
	h, err := d.openat(name, unix.O_PATH|unix.O_DIRECTORY, 0)
	if err != nil {
		return nil, err
	}
	return &folder{h}, nil
}

// isProc reports whether d is a folder of /proc, in which links may lead where their text doesn't (proc(5)).
func (d *folder) isProc() bool {
	var st unix.Statfs_t
	return unix.Fstatfs(d.fd, &st) == nil && st.Type == unix.PROC_SUPER_MAGIC
}

// jump follows a link of /proc to a folder.
func (w *way) jump(name string) error {
	fd, err := again(func() (int, error) {
		return unix.Openat(w.at.fd, name, unix.O_PATH|unix.O_DIRECTORY|unix.O_CLOEXEC, 0)
	})
	if err != nil {
		return fail("open", w.name(name), err)
	}
	where, err := os.Readlink(procPath(fd))
	if err != nil {
		unix.Close(fd)
		return err
	}
	w.at.close()
	w.at, w.names, w.left = &folder{handle{fd, where}}, elements(where), w.left[1:]
	return nil
}

// mountID tells mounts from each other, of one device too; 0 where the system can't tell (statx(2),
// STATX_MNT_ID, Linux 5.8).
func (d *folder) mountID() uint64 {
	var st unix.Statx_t
	if unix.Statx(d.fd, "", unix.AT_EMPTY_PATH|unix.AT_SYMLINK_NOFOLLOW, unix.STATX_MNT_ID, &st) != nil || st.Mask&unix.STATX_MNT_ID == 0 {
		return 0
	}
	return st.Mnt_id
}

// born tells when what has a name was made, in nanoseconds since 1970; 0 where nothing tells (statx(2), STATX_BTIME).
func (d *folder) born(name string) int64 {
	var st unix.Statx_t
	if unix.Statx(d.fd, name, unix.AT_SYMLINK_NOFOLLOW, unix.STATX_BTIME, &st) != nil || st.Mask&unix.STATX_BTIME == 0 {
		return 0
	}
	return st.Btime.Sec*1e9 + int64(st.Btime.Nsec)
}

// isMountRoot tells whether something is mounted on d (statx(2), STATX_ATTR_MOUNT_ROOT, Linux 5.8; before that a mount
// of the same device does not show).
func (d *folder) isMountRoot() bool {
	var st unix.Statx_t
	err := unix.Statx(d.fd, "", unix.AT_EMPTY_PATH|unix.AT_SYMLINK_NOFOLLOW, unix.STATX_INO, &st)
	if err == nil && st.Attributes_mask&unix.STATX_ATTR_MOUNT_ROOT != 0 {
		return st.Attributes&unix.STATX_ATTR_MOUNT_ROOT != 0
	}
	return d.otherDevice()
}

func linkFail(op, from, to string, err error) error {
	if err == nil {
		return nil
	}
	return &os.LinkError{Op: op, Old: from, New: to, Err: err}
}
