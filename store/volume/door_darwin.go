package volume

import (
	"errors"
	"io/fs"
	"os"

	"golang.org/x/sys/unix"
)

// openSearch opens a folder only to go through it (O_SEARCH of sys/fcntl.h, from memory).
const openSearch = 0x40000000

// pass opens a folder in d to go through it, which needs no right to list it.
func (d *folder) pass(name string) (*folder, error) {
	c, err := d.child(name)
	if !errors.Is(err, fs.ErrPermission) {
		return c, err
	}
	h, err := d.openat(name, openSearch|unix.O_DIRECTORY, 0)
	if err != nil {
		return nil, err
	}
	return &folder{h}, nil
}

func (d *folder) isProc() bool { return false }

func (w *way) jump(name string) error { return fail("open", w.name(name), unix.ELOOP) }

func (d *folder) mountID() uint64 { return 0 }

// born tells when what has a name was made, in nanoseconds since 1970 (stat(2), st_birthtimespec).
func (d *folder) born(name string) int64 {
	var st unix.Stat_t
	if unix.Fstatat(d.fd, name, &st, unix.AT_SYMLINK_NOFOLLOW) != nil {
		return 0
	}
	return max(0, st.Btim.Nano())
}

func (d *folder) isMountRoot() bool { return d.otherDevice() }

func linkFail(op, from, to string, err error) error {
	if err == nil {
		return nil
	}
	return &os.LinkError{Op: op, Old: from, New: to, Err: err}
}

func (d *folder) openToFlush(name string) (*file, error) {
	f, _, err := d.open(name)
	return f, err
}
