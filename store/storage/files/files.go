// Package files is what a storage.Folder asks of a file system, for
// storage.OpenFolderAt. The operating system answers it ([OS]), and so does the
// simulated disk of package storagetest.
package files

import (
	"io"
	"io/fs"
)

// A Place is where a folder is, or is to be.
type Place interface {
	// Path names the folder, for people.
	Path() string

	// Make makes the folder. fs.ErrExist: it is there.
	Make() error

	// Open gives what is in the folder. The caller closes it.
	Open() (System, error)

	// Flush flushes the folder's own entry in its parent. When it returns nil, the
	// folder outlives a power failure.
	Flush() error
}

// A System gives access to the files below one folder that is held open. All names
// are relative to it, with slashes. Its methods may be called at once from any
// number of goroutines. Errors wrap what the operating system said.
type System interface {
	// Create makes a file exclusively. fs.ErrExist: the name is taken.
	Create(name string) (WriteFile, error)

	// Open opens a regular file for reading. Anything else does not exist.
	Open(name string) (ReadFile, error)

	// Stat describes a file, and follows no link.
	Stat(name string) (fs.FileInfo, error)

	// List describes what is in a folder, unsorted.
	List(folder string) ([]fs.FileInfo, error)

	// Rename moves a file. What it changed lasts once the folders are flushed.
	Rename(from, to string) error

	// Remove removes a file. That lasts once its folder is flushed.
	Remove(name string) error

	// Mkdir makes a folder. It lasts once the folder above it is flushed.
	Mkdir(name string) error

	// SyncFolder flushes the entries of a folder, but neither their contents nor
	// lower entries.
	SyncFolder(name string) error

	Close() error
}

// A Namer is a [System] that can tell names without asking for what else is known of each
// file: over a share that takes a call for each.
type Namer interface {
	// Names gives what is in a folder, unsorted.
	Names(folder string) ([]Entry, error)
}

// A Forsaking is a [System] that may give up what was written and not flushed, where its server is away for long, and says then that
// the host is down (EHOSTDOWN).
type Forsaking interface {
	Forsakes() bool
}

// Entry is a name in a folder.
type Entry struct {
	Name string
	Type fs.FileMode // the bits of fs.ModeType
}

// A WriteFile is a file that is being written.
type WriteFile interface {
	io.Writer
	Sync() error // flushes the content, but not the file's entry in its folder
	Close() error
}

// A ReadFile is a file that is open for reading.
type ReadFile interface {
	io.ReaderAt
	Stat() (fs.FileInfo, error)
	Close() error
}
