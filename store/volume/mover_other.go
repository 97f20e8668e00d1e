//go:build !linux

package volume

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
)

func (disk) rename(from, to string) error { return renameFree(from, to) }

func (disk) exchange(a, b string) error {
	return &os.LinkError{Op: "exchange", Old: a, New: b, Err: errors.ErrUnsupported}
}

// flush does nothing on Windows, which can't flush a folder.
func (disk) flush(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	return flushPath(dir, os.O_RDONLY)
}

// flushTree flushes one file and folder after the other. A file that its mode keeps from being opened
// is for build to flush.
func (m disk) flushTree(dir string) error {
	flag := os.O_RDONLY
	if runtime.GOOS == "windows" { // flushes for those only who may write
		flag = os.O_RDWR
	}
	return filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir():
			return m.flush(path)
		case d.Type().IsRegular():
			return ignoreForbidden(flushPath(path, flag))
		}
		return nil
	})
}

func flushPath(path string, flag int) error {
	f, err := os.OpenFile(path, flag, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	return ignoreUnsupported(f.Sync())
}

func ignoreForbidden(err error) error {
	if errors.Is(err, fs.ErrPermission) {
		return nil
	}
	return err
}
