package cache

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// ErrShared is returned for a folder that others own or can write: they could put
// anything in the place of a copy. Compare with errors.Is.
var ErrShared = errors.New("others can write it")

// Check tells whether caches may be kept in the folder at path: it must be this user's
// or root's, and nobody else may write it, by its mode. It fails with [ErrShared]. A
// folder that is missing may be made.
func Check(path string) error {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err == nil {
		err = checkShared(info)
	}
	if err != nil {
		return fmt.Errorf("cache folder %s: %w", path, err)
	}
	return nil
}

// checkShared fails for a folder that others own or can write.
func checkShared(info fs.FileInfo) error {
	switch {
	case !info.IsDir():
		return fs.ErrInvalid
	case !hasModes:
		return nil
	case info.Mode().Perm()&0o022 != 0:
		return fmt.Errorf("%w (mode %04o)", ErrShared, info.Mode().Perm())
	case !isOurs(info) && !isRoots(info):
		return fmt.Errorf("%w: it belongs to another user", ErrShared)
	}
	return nil
}

// openCopy opens the regular file of ours that has a name, and nothing else: a pipe
// would be waited for, and a device may do anything.
func openCopy(root *os.Root, name string) (*os.File, fs.FileInfo, error) {
	is, err := root.Lstat(name)
	if err != nil {
		return nil, nil, err
	}
	if !is.Mode().IsRegular() || !isOurs(is) {
		return nil, nil, fs.ErrInvalid
	}
	f, err := root.OpenFile(name, os.O_RDONLY|dontWait, 0)
	if err != nil {
		return nil, nil, err
	}
	info, err := f.Stat()
	if err == nil && !os.SameFile(is, info) {
		err = fs.ErrInvalid
	}
	if err != nil {
		f.Close()
		return nil, nil, err
	}
	return f, info, nil
}
