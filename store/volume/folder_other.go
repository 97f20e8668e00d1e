//go:build !linux && !darwin

package volume

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// Here each folder is an os.Root, which nothing can lead outside. A link that stays inside is told
// from a folder by looking first.

// folder is an open folder.
type folder struct {
	root *os.Root
	path string   // for errors only
	top  *os.Root // where the caller's folder is, since links are made within one os.Root
	rel  string   // where d is below top
}

// file is an open regular file.
type file struct{ *os.File }

func fail(op, path string, err error) error {
	if err == nil {
		return nil
	}
	return &fs.PathError{Op: op, Path: path, Err: err}
}

func (d *folder) join(name string) string { return filepath.Join(d.path, name) }

// child opens a folder in d, or fails with errKind where name is anything else.
func (d *folder) child(name string) (*folder, error) {
	m, err := d.stat(name)
	if err != nil {
		return nil, err
	}
	if m.kind != fs.ModeDir {
		return nil, fail("open", d.join(name), errKind)
	}
	root, err := d.root.OpenRoot(name)
	if err != nil {
		return nil, err
	}
	return &folder{root, d.join(name), d.top, filepath.Join(d.rel, name)}, nil
}

// open opens a regular file in d and describes it, or fails with errKind.
func (d *folder) open(name string) (*file, *meta, error) {
	m, err := d.stat(name)
	if err != nil {
		return nil, nil, err
	}
	if m.kind != 0 {
		return nil, nil, fail("open", d.join(name), errKind)
	}
	f, err := d.root.Open(name)
	if err != nil {
		return nil, nil, err
	}
	return &file{f}, m, nil
}

// create makes a new file; it fails if the name exists.
func (d *folder) create(name string, perm uint32) (*file, error) {
	local, err := filepath.Localize(name)
	if err != nil {
		return nil, fail("create", d.join(name), err)
	}
	f, err := d.root.OpenFile(local, os.O_WRONLY|os.O_CREATE|os.O_EXCL, fs.FileMode(perm).Perm())
	if err != nil {
		return nil, err
	}
	return &file{f}, nil
}

// reader gives an os.File for listing.
func (d *folder) reader() (*os.File, error) { return d.root.Open(".") }

func (d *folder) stat(name string) (*meta, error) {
	info, err := d.root.Lstat(name)
	if err != nil {
		return nil, err
	}
	return newMeta(info), nil
}

func (d *folder) mkdir(name string, perm uint32) error {
	local, err := filepath.Localize(name)
	if err != nil {
		return fail("mkdir", d.join(name), err)
	}
	return d.root.Mkdir(local, fs.FileMode(perm))
}

func (d *folder) symlink(target, name string) error {
	local, err := filepath.Localize(name)
	if err != nil {
		return fail("symlink", d.join(name), err)
	}
	err = d.root.Symlink(filepath.FromSlash(target), local)
	if err != nil && !errors.Is(err, fs.ErrExist) { // Windows grants links to few users
		err = fmt.Errorf("%w: %w", errNoNode, err)
	}
	return err
}

// link gives the file from/old the further name name in d.
func (d *folder) link(from *folder, old, name string) error {
	local, err := filepath.Localize(name)
	if err != nil {
		return fail("link", d.join(name), err)
	}
	return d.top.Link(filepath.Join(from.rel, old), filepath.Join(d.rel, local))
}

// remove removes a file or an empty folder.
func (d *folder) remove(name string) error { return d.root.Remove(name) }

// readlink returns where the symbolic link name points.
func (d *folder) readlink(name string) (string, error) {
	target, err := d.root.Readlink(name)
	return filepath.ToSlash(target), err
}

func (d *folder) chownName(name string, _, _ int) error {
	return fail("chown", d.join(name), errors.ErrUnsupported)
}

func (d *folder) chown(_, _ int) error { return d.chownName(".", 0, 0) }

func (d *folder) chtimes(name string, t time.Time) error {
	if m, err := d.stat(name); err != nil || m.kind&fs.ModeSymlink != 0 {
		return err // a link's times can't be set here
	}
	return d.root.Chtimes(name, t, t)
}

func (d *folder) chmod(perm int64) error {
	return d.root.Chmod(".", fs.FileMode(perm).Perm())
}

func (d *folder) chmodNode(name string, perm int64) error {
	return d.root.Chmod(name, fs.FileMode(perm).Perm())
}

func (d *folder) mknod(name string, _ fs.FileMode, _, _ int64) error {
	return fail("mknod", d.join(name), errNoNode)
}

func (d *folder) nodeAttributes(string) (map[string]string, error) { return nil, nil }

func (d *folder) setNodeAttribute(name, _, _ string) error {
	return fail("setxattr", d.join(name), errors.ErrUnsupported)
}

func (d *folder) attributes() (map[string]string, error) { return nil, nil }

func (d *folder) setAttribute(_, _ string) error {
	return fail("setxattr", d.path, errors.ErrUnsupported)
}

func (d *folder) removeAttribute(string) error { return nil }

// flush does nothing: folders can't be flushed everywhere.
func (d *folder) flush() error { return nil }

// flushAll does nothing more: each file was flushed.
func (d *folder) flushAll() error { return nil }

func (d *folder) close() error { return d.root.Close() }

func (f *file) stat() (*meta, error) {
	info, err := f.File.Stat()
	if err != nil {
		return nil, err
	}
	return newMeta(info), nil
}

// readAt reads up to len(p) bytes at off; 0 and no error at the end.
func (f *file) readAt(p []byte, off int64) (int, error) {
	n, err := f.File.ReadAt(p, off)
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return n, err
}

func (f *file) writeAt(p []byte, off int64) error {
	_, err := f.File.WriteAt(p, off)
	return err
}

// nextData says that there is data everywhere: holes are read as zeros.
func (f *file) nextData(off, size int64) (start, end int64) { return off, size }

func (f *file) truncate(size int64) error { return f.File.Truncate(size) }

// has can't tell: there are no owners by number.
func (f *file) has(_, _ int, _ int64) bool { return false }

func (f *file) chown(_, _ int) error {
	return fail("chown", f.Name(), errors.ErrUnsupported)
}

func (f *file) chmod(perm int64) error { return f.File.Chmod(fs.FileMode(perm).Perm()) }

func (f *file) attributes() (map[string]string, error) { return nil, nil }

func (f *file) setAttribute(_, _ string) error {
	return fail("setxattr", f.Name(), errors.ErrUnsupported)
}

func (f *file) flush() error { return f.File.Sync() }

func (f *file) close() error { return f.File.Close() }

func newMeta(info fs.FileInfo) *meta {
	return &meta{
		kind:      info.Mode().Type(),
		perm:      int64(info.Mode().Perm()),
		size:      info.Size(),
		allocated: info.Size(),
		links:     1,
		mtime:     info.ModTime(),
	}
}
