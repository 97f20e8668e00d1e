package volume

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

func (disk) rename(from, to string) error {
	err := renameat2(from, to, unix.RENAME_NOREPLACE)
	if errors.Is(err, errors.ErrUnsupported) {
		return renameFree(from, to)
	}
	return err
}

func (disk) exchange(a, b string) error { return renameat2(a, b, unix.RENAME_EXCHANGE) }

// renameat2 says by errors.ErrUnsupported that the system or the file system doesn't have the flag.
func renameat2(from, to string, flag uint) error {
	_, err := again(func() (int, error) {
		return 0, unix.Renameat2(unix.AT_FDCWD, from, unix.AT_FDCWD, to, flag)
	})
	if err == unix.EINVAL {
		err = errors.ErrUnsupported
	}
	if err == nil {
		return nil
	}
	return &os.LinkError{Op: "rename", Old: from, New: to, Err: err}
}

func (disk) flush(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer f.Close()
	return ignoreUnsupported(f.Sync())
}

// flushTree flushes the whole file system.
func (disk) flushTree(dir string) error {
	d, err := openFolder(dir)
	if err != nil {
		return err
	}
	defer d.close()
	return d.flushAll()
}
