//go:build !linux && !darwin

package volume

import (
	"cmp"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// Here the system has no owners by number: links on the way are followed, and what is below an opened
// folder is reached through it alone.

func ours(int) bool { return true }

func othersWrite(*folder) bool { return false }

func ownPrivate(*folder) bool { return true }

func claim(d *folder) error { return d.chmod(0o700) }

func openDoor(path string) (*folder, error) {
	root, err := os.OpenRoot(path)
	if err != nil {
		return nil, err
	}
	return &folder{root, path, root, "."}, nil
}

func openFileDoor(path string) (*os.File, error) { return os.Open(path) }

// openAbove opens the folder above a path.
func openAbove(path string) (above *folder, name, resolved string, err error) {
	path, err = filepath.Abs(path)
	if err != nil {
		return nil, "", "", err
	}
	if info, err := os.Lstat(path); err == nil && info.Mode()&fs.ModeSymlink != 0 {
		if path, err = filepath.EvalSymlinks(path); err != nil {
			return nil, "", "", fmt.Errorf("%w: the link leads nowhere: %w", ErrNotReplaceable, err)
		}
	}
	dir, err := filepath.EvalSymlinks(filepath.Dir(path))
	if err != nil {
		return nil, "", "", err
	}
	if above, err = openDoor(dir); err != nil || filepath.Dir(path) == path {
		return above, "", path, err
	}
	return above, filepath.Base(path), filepath.Join(dir, filepath.Base(path)), nil
}

func (f *file) osFile() *os.File { return f.File }

func (d *folder) mountID() uint64 { return 0 }

func (d *folder) born(string) int64 { return 0 }

func (d *folder) isMountRoot() bool { return false }

func isOtherMount(error) bool { return false }

// renameOver renames below the folder that was opened first, which both have in common.
func (d *folder) renameOver(name string, to *folder, newName string) error {
	local, err := filepath.Localize(newName)
	if err != nil {
		return fail("rename", to.join(newName), err)
	}
	return d.top.Rename(filepath.Join(d.rel, name), filepath.Join(to.rel, local))
}

// unlink removes what is no folder, and reports whether it is one.
func (d *folder) unlink(name string) (isFolder bool, err error) {
	m, err := d.stat(name)
	if err != nil || m.kind == fs.ModeDir {
		return err == nil, ignoreGone(err)
	}
	return false, d.root.Remove(name)
}

// rmdir removes an empty folder.
func (d *folder) rmdir(name string) error { return d.root.Remove(name) }

// fsync does nothing: Windows can't flush a folder.
func (d *folder) fsync() error { return nil }

// openToFlush opens a file so that it can be flushed, which Windows grants to those who may write.
func (d *folder) openToFlush(name string) (*file, error) {
	if m, err := d.stat(name); err != nil || m.kind != 0 {
		return nil, fail("open", d.join(name), cmp.Or(err, errKind))
	}
	f, err := d.root.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		return nil, err
	}
	return &file{f}, nil
}
