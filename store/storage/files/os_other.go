//go:build !linux

package files

import (
	"io/fs"
	"os"
)

func (r root) Open(name string) (ReadFile, error)       { return r.openRegular(name) }
func (r root) Stat(name string) (fs.FileInfo, error)    { return r.root.Lstat(name) }
func (r root) Create(name string) (WriteFile, error)    { return r.createFile(name) }
func (r root) Rename(from, to string) error             { return r.root.Rename(from, to) }
func (r root) Remove(name string) error                 { return r.root.Remove(name) }
func (r root) Mkdir(name string) error                  { return r.root.Mkdir(name, 0o700) }
func (r root) openFolder(name string) (*os.File, error) { return r.root.Open(name) }

// List asks for names and for each file by turns, relative to the open folder.
func (r root) List(folder string) ([]fs.FileInfo, error) {
	file, err := r.root.Open(folder)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return file.Readdir(-1)
}

// Names implements [Namer].
func (r root) Names(folder string) ([]Entry, error) {
	infos, err := r.List(folder)
	entries := make([]Entry, len(infos))
	for i, info := range infos {
		entries[i] = Entry{info.Name(), info.Mode().Type()}
	}
	return entries, err
}
