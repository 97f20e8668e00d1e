package volume

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
)

// A mover makes the changes by which a tree is replaced. None happens by halves, except removeAll's.
type mover interface {
	// mkdir makes a folder with the owner and mode of like, if there is such a folder.
	mkdir(path, like string) error
	// rename fails with fs.ErrExist where to exists.
	rename(from, to string) error
	// exchange fails with errors.ErrUnsupported where it can't be done in one step.
	exchange(a, b string) error
	// flush returns when the names in a folder are on disk, where the system can flush a folder.
	flush(dir string) error
	// flushTree returns when all below a folder is on disk.
	flushTree(dir string) error
	// removeEmpty removes an empty folder.
	removeEmpty(dir string) error
	// removeAll removes a tree, folders that forbid it included.
	removeAll(dir string) error
	// dress gives a folder a look, and notes what it could not be given.
	dress(dir string, l *look) ([]Note, error)
}

// disk is the mover of the operating system.
type disk struct{}

func (disk) mkdir(path, like string) error {
	if err := os.Mkdir(path, 0o700); err != nil {
		return err
	}
	if err := liken(path, like); err != nil {
		return errors.Join(err, os.Remove(path))
	}
	return nil
}

// liken gives a folder that shall be written to the owner and mode of another, if there is one.
func liken(path, like string) error {
	d, err := openFolder(path)
	if err != nil {
		return err
	}
	defer d.close()
	for _, acl := range []string{attrACLAccess, attrACLDefault} { // which the folder above hands down
		if err := ignoreUnsupported(d.removeAttribute(acl)); err != nil {
			return err
		}
	}
	m, err := statPath(like)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if d.chown(m.uid, m.gid) != nil {
		m.perm &^= modeSetUID | modeSetGID
	}
	return d.chmod(m.perm | 0o700)
}

// renameFree renames where the system has no call that fails if to exists.
func renameFree(from, to string) error {
	if _, err := os.Lstat(to); err == nil {
		return &os.LinkError{Op: "rename", Old: from, New: to, Err: fs.ErrExist}
	}
	return os.Rename(from, to)
}

func (disk) removeEmpty(dir string) error { return os.Remove(dir) }

// removeAll tries the quick way first.
func (disk) removeAll(dir string) error {
	err := os.RemoveAll(dir)
	if !errors.Is(err, fs.ErrPermission) {
		return err
	}
	if err := unlock(dir); err != nil {
		return err
	}
	return os.RemoveAll(dir)
}

// unlock makes all folders of a tree writable for their owner.
func unlock(dir string) error {
	if err := os.Chmod(dir, 0o700); err != nil {
		return err
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	return fs.WalkDir(root.FS(), ".", func(path string, d fs.DirEntry, err error) error {
		if d != nil && d.IsDir() && err == nil { // before it is listed
			return root.Chmod(path, 0o700)
		}
		return err
	})
}

// identify tells which file a path names. The result is zero where the system has no inodes.
func identify(path string) (inode, error) {
	m, err := statPath(path)
	if err != nil {
		return inode{}, err
	}
	return inode{m.dev, m.ino}, nil
}

// statPath looks at what path names, and follows no link in the last part.
func statPath(path string) (*meta, error) {
	d, err := openFolder(filepath.Dir(path))
	if err != nil {
		return nil, err
	}
	defer d.close()
	return d.stat(filepath.Base(path))
}

// look is what a folder has besides its entries.
type look struct {
	meta  *meta
	attrs map[string]string
}

// lookAt reads the look of a folder.
func lookAt(dir string) (*look, error) {
	d, err := openFolder(dir)
	if err != nil {
		return nil, err
	}
	defer d.close()
	l := &look{}
	if l.meta, err = d.stat("."); err != nil {
		return nil, err
	}
	l.attrs, err = d.attributes()
	return l, err
}

func (disk) dress(dir string, l *look) ([]Note, error) {
	d, err := openFolder(dir)
	if err != nil {
		return nil, err
	}
	defer d.close()
	var notes []Note
	lose := func(what string, err error) {
		if err != nil {
			notes = append(notes, Note{".", fmt.Sprintf("%s: %v", what, err), 1})
		}
	}
	perm := l.meta.perm
	if err := d.chown(l.meta.uid, l.meta.gid); err != nil {
		lose("its owner", err)
		perm &^= modeSetUID | modeSetGID
	}
	dressAttributes(d, l.attrs, lose)
	lose("its mode", d.chmod(perm))
	lose("its time", d.chtimes(".", l.meta.mtime))
	return notes, nil
}

// dressAttributes gives d these attributes and no others.
func dressAttributes(d *folder, attrs map[string]string, lose func(string, error)) {
	old, err := d.attributes()
	lose("its attributes", err)
	for _, name := range slices.Sorted(maps.Keys(old)) {
		if _, ok := attrs[name]; !ok {
			lose(fmt.Sprintf("that the attribute %q is no more", name), d.removeAttribute(name))
		}
	}
	for _, name := range slices.Sorted(maps.Keys(attrs)) {
		if value, ok := old[name]; !ok || value != attrs[name] {
			lose(fmt.Sprintf("its attribute %q", name), d.setAttribute(name, attrs[name]))
		}
	}
}
