package notes

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/store/storage/cache"
)

// Folder is where notes are kept. Its methods may be called by several processes at once.
type Folder struct {
	Path string
	Kind string // of notes, as errors name them: "notes about rehearsals"

	Sync func(folder string) error // flushes the entries of a folder; nil: as the system does it
}

// ErrTaken is returned where there is a note of a name already. Compare with errors.Is.
var ErrTaken = errors.New("there is such a note already")

// Check makes sure that nobody else can put notes into the folder, where it is there: they name programs to run, and
// folders to replace or remove.
func (d Folder) Check() error {
	if err := cache.Check(d.Path); errors.Is(err, cache.ErrShared) {
		return fmt.Errorf("%s in %s are not used: others can write there, or own it (see XDG_STATE_HOME)", d.Kind, d.Path)
	} else if err != nil {
		return err
	}
	return nil
}

// Put makes a note, and the folder where it is not there. The note is locked and whole before it has its name, and on disk
// with it on return. Where that fails there is none. It fails with ErrTaken.
func (d Folder) Put(name string, text []byte) (_ *File, err error) {
	if err := os.MkdirAll(d.Path, 0o700); err != nil {
		return nil, fmt.Errorf("the folder for %s: %w", d.Kind, err)
	}
	if err := d.Check(); err != nil {
		return nil, err
	}
	f, err := os.CreateTemp(d.Path, ".new-")
	if err != nil {
		return nil, err
	}
	defer func() {
		os.Remove(f.Name())
		if err != nil {
			f.Close()
		}
	}()
	n := &File{f: f, path: filepath.Join(d.Path, name)}
	locked, err := files.TryLock(f)
	if err == nil && !locked {
		err = errors.New("it is locked by another")
	}
	if err == nil {
		err = n.Add(text)
	}
	if err == nil {
		err = os.Link(f.Name(), n.path)
	}
	if errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("%w: %s", ErrTaken, n.path)
	}
	if err != nil {
		return nil, err
	}
	if err := d.Flush(); err != nil {
		return nil, errors.Join(err, os.Remove(n.path))
	}
	return n, nil
}

// Flush flushes the entries of the folder.
func (d Folder) Flush() error {
	if d.Sync != nil {
		return d.Sync(d.Path)
	}
	return files.SyncFolder(d.Path)
}

// Take opens a note and locks it. It gives nil where there is none, or another run is at work by it.
func Take(path string) (*File, error) {
	f, err := files.OpenLocked(path, os.O_RDWR|os.O_APPEND)
	if f == nil {
		return nil, err
	}
	return &File{f, path}, nil
}

// Read gives the last bytes of a note, so many at most, whoever is at work by it. It fails with fs.ErrNotExist where there
// is none.
func Read(path string, most int64) ([]byte, error) {
	f, err := files.OpenOwn(path, os.O_RDONLY)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return (&File{f, path}).Text(most)
}

// AtWork tells whether a run is at work by a note; where that can't be told, it is.
func AtWork(path string) bool {
	n, err := Take(path)
	if n != nil {
		n.Release()
	}
	return n == nil || err != nil
}

// File is a note that this run has: nobody else takes it until Release, or the end of the process. It is for one
// goroutine at a time.
type File struct {
	f    *os.File
	path string
}

// Path is where it is.
func (n *File) Path() string { return n.path }

// Text gives its last bytes, so many at most.
func (n *File) Text(most int64) ([]byte, error) {
	info, err := n.f.Stat()
	if err != nil {
		return nil, err
	}
	return io.ReadAll(io.NewSectionReader(n.f, max(0, info.Size()-most), most))
}

// Add adds to it, and flushes that.
func (n *File) Add(text []byte) error {
	_, err := n.f.Write(text)
	return errors.Join(err, n.f.Sync())
}

// Stamp gives it a time, which Stamped tells: by it alone a note can say something where nothing can be written. It is
// not flushed.
func (n *File) Stamp(at time.Time) error { return os.Chtimes(n.path, at, at) }

// Stamped tells its time.
func (n *File) Stamped() (time.Time, error) {
	info, err := n.f.Stat()
	if err != nil {
		return time.Time{}, err
	}
	return info.ModTime(), nil
}

// Rename has it stay under another name of its folder, in the place of what has that.
func (n *File) Rename(name string) error {
	to := filepath.Join(filepath.Dir(n.path), name)
	if err := os.Rename(n.path, to); err != nil {
		return err
	}
	n.path = to
	return files.SyncFolder(filepath.Dir(to))
}

// Remove takes its name away: what it is about has come to its end. Release comes after it.
func (n *File) Remove() error {
	err := os.Remove(n.path)
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	return errors.Join(err, files.SyncFolder(filepath.Dir(n.path)))
}

// Release lets it go: if it is there yet, it is left to the next run.
func (n *File) Release() error { return n.f.Close() }
