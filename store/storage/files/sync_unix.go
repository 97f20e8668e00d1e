//go:build unix

package files

import (
	"errors"
	"os"
	"syscall"
)

// syncFolder flushes a folder's entries. Some shares cannot, and say so: their
// servers keep entries as they see fit, and there is no more to be had.
func syncFolder(parent *os.Root, name string) error {
	folder, err := parent.Open(name)
	if err != nil {
		return err
	}
	defer folder.Close()
	err = folder.Sync()
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOTSUP) || errors.Is(err, syscall.EOPNOTSUPP) {
		return nil
	}
	return err
}
