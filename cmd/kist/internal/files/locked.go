package files

import (
	"errors"
	"os"
)

// OpenLocked opens a file by which a later run brings to its end what another began, with
// flags as of os.OpenFile, and locks it. It gives nil where there is none, or another has it.
//
// Such files name programs to run and folders to replace: one that somebody else owns or may
// write is refused, whatever the folder allows.
func OpenLocked(path string, flag int) (_ *os.File, err error) {
	if info, err := os.Lstat(path); err == nil && !info.Mode().IsRegular() {
		return nil, errors.New("it is no regular file") // a link may lead anywhere, a pipe would be waited for
	}
	f, err := os.OpenFile(path, flag, 0)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	ours, err := TryLock(f)
	if err == nil && ours {
		err = checkOwn(f)
	}
	if err != nil || !ours || !hasName(f, path) {
		f.Close()
		return nil, err
	}
	return f, nil
}

// hasName tells whether a file still has its name.
func hasName(f *os.File, path string) bool {
	is, err := f.Stat()
	named, err2 := os.Lstat(path)
	return err == nil && err2 == nil && os.SameFile(is, named)
}

var errOthers = errors.New("others own it or may write it: remove it, or give it back to its user")
