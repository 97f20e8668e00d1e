package volume

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
)

// id tells which folder d is. It is zero where the system has no inodes.
func (d *folder) id() (inode, error) { return idAt(d, ".") }

// idAt tells what a name stands for in a folder.
func idAt(d *folder, name string) (inode, error) {
	m, err := d.stat(name)
	if err != nil {
		return inode{}, err
	}
	return inode{m.dev, m.ino}, nil
}

// makeFolder makes a folder that is the caller's alone, and opens it. Where others may write, one of them
// may put another in its place before it is opened: it is only taken if it is the caller's, closed to
// all others, empty, and was not there before.
func makeFolder(at *folder, name string, made func()) (*folder, error) {
	var before map[inode]bool
	watched := othersWrite(at)
	if watched {
		var err error
		if before, err = foldersIn(at); err != nil {
			return nil, err
		}
	}
	if err := at.mkdir(name, 0o700); err != nil {
		return nil, err
	}
	if made != nil { // of a test
		made()
	}
	d, err := at.child(name)
	if err != nil {
		return nil, errors.Join(err, at.rmdir(name))
	}
	if watched {
		if err := checkMade(d, before); err != nil {
			d.close()
			return nil, fmt.Errorf("making %s: %w", at.join(name), err)
		}
	}
	// The folder above may hand down ACLs.
	err = cmp.Or(ignoreUnsupported(d.removeAttribute(attrACLAccess)), ignoreUnsupported(d.removeAttribute(attrACLDefault)), d.chmod(0o700))
	if err != nil {
		d.close()
		return nil, errors.Join(err, at.rmdir(name))
	}
	return d, nil
}

func checkMade(d *folder, before map[inode]bool) error {
	id, err := d.id()
	if err != nil {
		return err
	}
	if before[id] || !ownPrivate(d) {
		return ErrMeddled
	}
	names, err := namesOf(d)
	if err == nil && len(names) > 0 {
		err = ErrMeddled
	}
	return err
}

// foldersIn tells which folders are in a folder. One that belongs to somebody else can only be moved
// within the folder where it is, by whom that belongs to.
func foldersIn(at *folder) (map[inode]bool, error) {
	names, err := namesOf(at)
	if err != nil {
		return nil, err
	}
	found := make(map[inode]bool)
	for _, name := range names {
		switch m, err := at.stat(name); {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return nil, err
		case m.kind == fs.ModeDir:
			found[inode{m.dev, m.ino}] = true
		}
	}
	return found, nil
}

// guarded reports whether a folder is one in which nobody else may write, but which others may have moved to where it is,
// in the folder above it. It is neither filled nor removed then: somebody may have led us to it.
func guarded(above, d *folder) bool {
	if !othersWrite(above) || othersWrite(d) {
		return false
	}
	m, err := above.stat(".")
	return err != nil || !ours(m.uid) || m.perm&modeSticky == 0 // there nobody moves what is not theirs
}
