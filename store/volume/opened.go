package volume

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

var (
	// ErrForeignLink is wrapped by the LinkError for a link that somebody else may have put on the way.
	ErrForeignLink = errors.New("a symbolic link that others may change is not followed")

	// ErrMeddled is returned when somebody else changed names while they were being changed here.
	// Nothing of the new tree was lost to them, but something is not in the place where it belongs.
	ErrMeddled = errors.New("somebody else moves what is there: stop what is at work in that folder, and run it again")

	// ErrGuarded is returned for a folder in which nobody else may write, but which others may have moved to
	// where it is. It is not filled or removed, since somebody may want just that.
	ErrGuarded = errors.New("they may have moved it there")
)

// A LinkError is returned for a symbolic link on the way to a folder or file that belongs to somebody
// other than root and the caller, or lies in a folder where others may write. It wraps [ErrForeignLink].
type LinkError struct {
	Path  string // of the link, without links above it
	Leads string // where it led when it was read
}

// Error says what to name instead.
func (e *LinkError) Error() string {
	leads := e.Leads
	if !filepath.IsAbs(leads) {
		leads = filepath.Join(filepath.Dir(e.Path), leads)
	}
	return fmt.Sprintf("%s: %v: it leads to %s: name the real folder, if it is the one you mean", e.Path, ErrForeignLink, leads)
}

// Unwrap gives [ErrForeignLink].
func (e *LinkError) Unwrap() error { return ErrForeignLink }

// A Folder is an open folder. What is done by it is done in that folder and no other, whatever its name
// stands for by then. Its methods may be called by several goroutines at a time, but for Close.
type Folder struct {
	d    *folder
	path string

	held   bool         // its own look is for finish to give
	finish func() error // gives the look that a stream had for it; nil: none had
	said   bool         // it has its look already
}

// OpenFolder opens a folder for reading, from the root of all folders down to it, name by name. On the way
// a symbolic link is followed if it belongs to root or the caller and lies in a folder where nobody
// else may write, and is a *LinkError otherwise: so no other user decides which folder is opened, unless
// folders above it are theirs to rename. Links that lead on and on end in an error. On Windows all
// links are followed.
func OpenFolder(path string) (*Folder, error) {
	d, err := openDoor(path)
	if err != nil {
		return nil, err
	}
	return &Folder{d: d, path: path}, nil
}

// OpenFile opens a file for reading, with the care of [OpenFolder].
func OpenFile(path string) (*os.File, error) { return openFileDoor(path) }

// Close closes the folder.
func (f *Folder) Close() error { return f.d.close() }

// Path is how the folder was called when it was opened; for messages only.
func (f *Folder) Path() string { return f.path }

// Empty reports whether nothing is in the folder.
func (f *Folder) Empty() (bool, error) {
	r, err := f.d.reader()
	if err != nil {
		return false, err
	}
	defer r.Close()
	if _, err = r.Readdirnames(1); err == io.EOF {
		return true, nil
	}
	return false, err
}

// Mkdir makes a folder in this one, which only its owner, the caller, may enter, and opens it. The name
// must be a single one; an error wraps fs.ErrExist where it is taken.
func (f *Folder) Mkdir(name string) (*Folder, error) {
	if err := checkSingle(name); err != nil {
		return nil, err
	}
	d, err := makeFolder(f.d, name, nil)
	if err != nil {
		return nil, err
	}
	return &Folder{d: d, path: filepath.Join(f.path, name)}, nil
}

// Create makes a new file in the folder that only its owner, the caller, may read and write. The name must
// be a single one; an error wraps fs.ErrExist where it is taken.
func (f *Folder) Create(name string) (*os.File, error) {
	if err := checkSingle(name); err != nil {
		return nil, err
	}
	created, err := f.d.create(name, 0o600)
	if err != nil {
		return nil, err
	}
	return created.osFile(), nil
}

func checkSingle(name string) error {
	if !filepath.IsLocal(name) || name == "." || filepath.Base(name) != name {
		return fmt.Errorf("%q is no name of a file", name)
	}
	return nil
}

// mark gives a folder that is held a mode by which a build that says nothing of modes is told from one that
// does: with the sticky bit, where that holds.
func (f *Folder) mark() (*meta, error) {
	if err := f.d.chmod(0o1700); err != nil {
		return nil, err
	}
	return f.d.stat(".")
}

// noteLook notes whether a build that went by the folder's path gave it a look.
func (f *Folder) noteLook(asMade *meta) error {
	m, err := f.d.stat(".")
	if err != nil {
		return err
	}
	f.said = m.perm != asMade.perm || m.uid != asMade.uid || m.gid != asMade.gid
	return nil
}
