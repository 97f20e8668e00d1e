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
	return root{r}, nil
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
	return syncFolder(parent, ".")
}

// root is a System on a folder that is held open: if the share goes away, its calls
// fail, and do not fall through to the bare mount point of the same path.
type root struct{ root *os.Root }

func (r root) Create(name string) (WriteFile, error) {
	return r.root.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
}

// Open looks before it opens: opening a named pipe would block.
func (r root) Open(name string) (ReadFile, error) {
	info, err := r.root.Lstat(name)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fs.ErrNotExist
	}
	return r.root.Open(name)
}

func (r root) Stat(name string) (fs.FileInfo, error) { return r.root.Lstat(name) }

// List asks for names and then for each file, relative to the open folder:
// fs.DirEntry.Info would go by the path on some systems.
func (r root) List(folder string) ([]fs.FileInfo, error) {
	at, err := r.root.OpenRoot(folder)
	if err != nil {
		return nil, err
	}
	defer at.Close()
	file, err := at.Open(".")
	if err != nil {
		return nil, err
	}
	defer file.Close()
	names, err := file.Readdirnames(-1)
	if err != nil {
		return nil, err
	}
	infos := make([]fs.FileInfo, 0, len(names))
	for _, name := range names {
		info, err := at.Lstat(name)
		if errors.Is(err, fs.ErrNotExist) {
			continue // removed meanwhile
		}
		if err != nil {
			return nil, err
		}
		infos = append(infos, info)
	}
	return infos, nil
}

func (r root) Rename(from, to string) error { return r.root.Rename(from, to) }
func (r root) Remove(name string) error     { return r.root.Remove(name) }
func (r root) Mkdir(name string) error      { return r.root.Mkdir(name, 0o700) }
func (r root) SyncFolder(name string) error { return syncFolder(r.root, name) }
func (r root) Close() error                 { return r.root.Close() }
