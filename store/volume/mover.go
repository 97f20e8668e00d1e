package volume

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"slices"
)

// A mover makes the changes by which a tree is replaced. Names are those in an open folder. None happens by
// halves, except removeAll's.
type mover interface {
	// mkdir makes a folder that is the caller's alone, and opens it.
	mkdir(at *folder, name string) (*folder, error)
	// rename fails with fs.ErrExist where newName exists.
	rename(from *folder, name string, to *folder, newName string) error
	// exchange fails with errors.ErrUnsupported where it can't be done in one step.
	exchange(at *folder, a, b string) error
	// flush returns when the names in a folder are on disk, where the system can flush a folder.
	flush(d *folder) error
	// flushTree returns when all below a folder is on disk.
	flushTree(d *folder) error
	// removeEmpty removes an empty folder.
	removeEmpty(at *folder, name string) error
	// removeAll removes a tree, folders that forbid it included, if the name in at is that of the
	// folder which id tells.
	removeAll(at *folder, name string, id inode) error
	// dress gives a folder a look, and notes what it could not be given.
	dress(d *folder, l *look) ([]Note, error)
}

// disk is the mover of the operating system.
type disk struct {
	made func() // of a test: called between making a folder and opening it
}

func (m disk) mkdir(at *folder, name string) (*folder, error) { return makeFolder(at, name, m.made) }

func (disk) rename(from *folder, name string, to *folder, newName string) error {
	return from.renameFree(name, to, newName)
}

func (disk) exchange(at *folder, a, b string) error { return at.exchange(a, b) }

func (disk) flush(d *folder) error { return d.fsync() }

func (disk) removeEmpty(at *folder, name string) error { return at.rmdir(name) }

func (disk) removeAll(at *folder, name string, id inode) error { return discardAt(at, name, id) }

// liken gives a folder the owner and mode of another, if there is one.
func liken(d *folder, m *meta) error {
	if m == nil {
		return d.chmod(0o700)
	}
	perm := m.perm
	if d.chown(m.uid, m.gid) != nil {
		perm &^= modeSetUID | modeSetGID
	}
	return d.chmod(perm)
}

// renameChecked renames where the system has no call that fails if newName exists.
func (d *folder) renameChecked(name string, to *folder, newName string) error {
	if there(to, newName) {
		return &os.LinkError{Op: "rename", Old: d.join(name), New: to.join(newName), Err: fs.ErrExist}
	}
	return d.renameOver(name, to, newName)
}

// there reports whether a name is taken, as far as can be told.
func there(d *folder, name string) bool {
	_, err := d.stat(name)
	return err == nil
}

// namesOf lists a folder, sorted.
func namesOf(d *folder) ([]string, error) {
	f, err := d.reader()
	if err != nil {
		return nil, err
	}
	defer f.Close()
	names, err := f.Readdirnames(-1)
	slices.Sort(names)
	return names, err
}

func ignoreForbidden(err error) error {
	if errors.Is(err, fs.ErrPermission) {
		return nil
	}
	return err
}

// look is what a folder has besides its entries.
type look struct {
	meta  *meta
	attrs map[string]string
}

// lookAt reads the look of a folder.
func lookAt(d *folder) (l *look, err error) {
	l = &look{}
	if l.meta, err = d.stat("."); err != nil {
		return nil, err
	}
	l.attrs, err = d.attributes()
	return l, err
}

func (disk) dress(d *folder, l *look) ([]Note, error) {
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
