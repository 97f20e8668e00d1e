package storage

import (
	"errors"
	"io"
	"io/fs"
	"os"
)

// files is what a Folder asks of the operating system, so that tests can fail each
// call. All names are relative to the repository's folder.
type files interface {
	create(name string) (writeFile, error) // exclusively
	open(name string) (readFile, error)    // regular files only
	lstat(name string) (fs.FileInfo, error)
	list(folder string) ([]fs.FileInfo, error) // unsorted
	rename(from, to string) error
	remove(name string) error
	mkdir(name string) error
	syncFolder(name string) error
	close() error
}

type writeFile interface {
	io.Writer
	Sync() error
	Close() error
}

type readFile interface {
	io.ReaderAt
	Stat() (fs.FileInfo, error)
	Close() error
}

// rootFiles is files on a folder that is held open: if the share goes away, its
// calls fail, and do not fall through to the bare mount point of the same path.
type rootFiles struct{ root *os.Root }

func (r rootFiles) create(name string) (writeFile, error) {
	return r.root.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
}

// open looks before it opens: opening a named pipe would block.
func (r rootFiles) open(name string) (readFile, error) {
	info, err := r.root.Lstat(name)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fs.ErrNotExist
	}
	return r.root.Open(name)
}

func (r rootFiles) lstat(name string) (fs.FileInfo, error) { return r.root.Lstat(name) }

// list asks for names and then for each file, relative to the open folder:
// fs.DirEntry.Info would go by the path on some systems.
func (r rootFiles) list(folder string) ([]fs.FileInfo, error) {
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

func (r rootFiles) rename(from, to string) error { return r.root.Rename(from, to) }
func (r rootFiles) remove(name string) error     { return r.root.Remove(name) }
func (r rootFiles) mkdir(name string) error      { return r.root.Mkdir(name, 0o700) }
func (r rootFiles) syncFolder(name string) error { return syncFolder(r.root, name) }
func (r rootFiles) close() error                 { return r.root.Close() }
