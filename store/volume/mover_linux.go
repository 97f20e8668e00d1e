package volume

import (
	"errors"

	"golang.org/x/sys/unix"
)

// renameFree renames, and fails with fs.ErrExist where the new name exists.
func (d *folder) renameFree(name string, to *folder, newName string) error {
	err := d.renameat2(name, to, newName, unix.RENAME_NOREPLACE)
	if errors.Is(err, errors.ErrUnsupported) {
		return d.renameChecked(name, to, newName)
	}
	return err
}

// exchange swaps two names in d.
func (d *folder) exchange(a, b string) error { return d.renameat2(a, d, b, unix.RENAME_EXCHANGE) }

// renameat2 says by errors.ErrUnsupported that the system or the file system doesn't have the flag.
func (d *folder) renameat2(name string, to *folder, newName string, flag uint) error {
	_, err := again(func() (int, error) {
		return 0, unix.Renameat2(d.fd, name, to.fd, newName, flag)
	})
	if err == unix.EINVAL {
		err = errors.ErrUnsupported
	}
	return linkFail("rename", d.join(name), to.join(newName), err)
}

// flushTree flushes the whole file system.
func (disk) flushTree(d *folder) error { return d.flushAll() }
