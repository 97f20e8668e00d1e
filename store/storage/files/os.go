package files

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// OS is a path of the operating system.
type OS string

// Path implements [Place].
func (p OS) Path() string { return string(p) }

// Make implements [Place].
func (p OS) Make() error { return os.Mkdir(string(p), 0o700) }

// Open implements [Place].
func (p OS) Open() (System, error) {
	r, err := os.OpenRoot(string(p))
	if err != nil {
		return nil, err
	}
	at, err := r.Open(".")
	if err != nil {
		r.Close()
		return nil, err
	}
	return root{r, at}, nil
}

// Flush implements [Place].
func (p OS) Flush() error {
	absolute, err := filepath.Abs(string(p))
	if err != nil {
		return err
	}
	parent, err := os.OpenRoot(filepath.Dir(absolute))
	if errors.Is(err, fs.ErrPermission) {
		return nil // the folder was there before: its parent need not be readable
	}
	if err != nil {
		return err
	}
	defer parent.Close()
	folder, err := parent.Open(".")
	if err != nil {
		return err
	}
	defer folder.Close()
	return syncFolder(folder)
}

// root is a System on a folder that is held open: if the share goes away, its calls
// fail, and do not fall through to the bare mount point of the same path.
type root struct {
	root *os.Root
	at   *os.File // the folder itself
}

var _ interface {
	System
	Namer
} = root{}

// openRegular looks before it opens: opening a named pipe would block.
func (r root) openRegular(name string) (ReadFile, error) {
	info, err := r.root.Lstat(name)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fs.ErrNotExist
	}
	return r.root.Open(name)
}

func (r root) createFile(name string) (*os.File, error) {
	return r.root.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
}

func (r root) SyncFolder(name string) error {
	folder, err := r.openFolder(name)
	if err != nil {
		return err
	}
	defer folder.Close()
	return syncFolder(folder)
}

func (r root) Close() error { return errors.Join(r.at.Close(), r.root.Close()) }
