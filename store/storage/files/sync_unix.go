//go:build unix

package files

import (
	"errors"
	"os"
	"syscall"
)

// syncFolder flushes a folder's entries. Some shares cannot, and say so: their
// servers keep entries as they see fit, and there is no more to be had.
func syncFolder(folder *os.File) error {
	err := folder.Sync()
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOTSUP) || errors.Is(err, syscall.EOPNOTSUPP) {
		return nil
	}
	return err
}
