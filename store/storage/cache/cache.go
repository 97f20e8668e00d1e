// Package cache keeps copies of objects of a repository, mostly small ones, in a folder of this
// machine, so that over a slow share only what is new is read.
//
// An object is never changed and its name never used again, so a copy is right for
// as long as the repository lists the object. What exists is never decided here:
// callers list the repository itself. Copies are as sealed as the objects are, and
// whoever opens one finds out whether it is whole.
//
// A cache never makes anything fail: what can't be kept is not, and what can't be
// read is as if it were not there. It may be removed at any moment, and used by
// several processes at once.
package cache

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	mathrand "math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/kistarchive/kist/store/storage"
)

// DefaultSize is how many bytes of copies a cache holds where nothing else is said.
const DefaultSize = 1 << 30

// tidyOneIn is of how many processes one looks through the whole cache, beside those
// that add much: that takes as long as there are copies.
const tidyOneIn = 16

// Folder is a cache. A nil one keeps nothing. It is safe for concurrent use.
type Folder struct {
	root  *os.Root
	most  int64
	began time.Time
	tidy  bool // it is for this process to see what there is

	mu      sync.Mutex
	made    map[string]bool // folders that are there
	used    map[string]bool // copies that this process read
	counted bool            // total is known
	total   int64           // bytes of all copies, as far as this process knows; until counted, of those it added
	full    bool            // all that is left was used since this process began
}

// Open opens the cache in the folder at path, which is made for its owner alone if
// it is missing. It holds most bytes, or a little more while several processes
// use it; 0 means [DefaultSize]. It fails with [ErrShared] where others can write that
// folder or the one that it is in.
func Open(dir string, most int64) (*Folder, error) {
	if most == 0 {
		most = DefaultSize
	}
	if most < 0 {
		return nil, fmt.Errorf("a cache of %d bytes: %w", most, fs.ErrInvalid)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("opening the cache: %w", err)
	}
	if err := Check(filepath.Dir(dir)); err != nil {
		return nil, fmt.Errorf("opening the cache: %w", err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, fmt.Errorf("opening the cache: %w", err)
	}
	info, err := root.Stat(".")
	if err == nil {
		err = checkShared(info)
	}
	if err != nil {
		root.Close()
		return nil, fmt.Errorf("opening the cache %s: %w", dir, err)
	}
	return &Folder{
		root: root, most: most, began: time.Now(), made: make(map[string]bool), used: make(map[string]bool), tidy: mathrand.IntN(tidyOneIn) == 0,
	}, nil
}

// Close lets the folder go. Readers and writers are done by then.
func (f *Folder) Close() error {
	if f == nil {
		return nil
	}
	return f.root.Close()
}

// Reader opens the copy of an object, if it has that length, in bytes, or whatever it
// has if that is below zero. The caller closes it. It gives nil where there is none; a
// copy of another length is removed, and so is what is no regular file of this user's.
func (f *Folder) Reader(name string, size int64) *os.File {
	if f == nil || storage.CheckName(name) != nil {
		return nil
	}
	file, info, err := openCopy(f.root, name)
	if errors.Is(err, fs.ErrInvalid) {
		f.Drop(name)
	}
	if err != nil {
		return nil
	}
	if size >= 0 && info.Size() != size {
		file.Close()
		f.Drop(name)
		return nil
	}
	f.use(name, info.ModTime())
	return file
}

// usedAgain is how exactly the time of a copy tells when it was last used.
const usedAgain = time.Hour

// use notes that a copy is used. Its time is that of its last use, about.
func (f *Folder) use(name string, last time.Time) {
	f.mu.Lock()
	f.used[name] = true
	f.mu.Unlock()
	if now := time.Now(); now.Sub(last) > usedAgain {
		f.root.Chtimes(name, now, now) // without, it is only the sooner to go
	}
}

// Drop removes the copy of an object.
func (f *Folder) Drop(name string) {
	if f == nil || storage.CheckName(name) != nil {
		return
	}
	info, err := f.root.Lstat(name)
	if err != nil || f.root.Remove(name) != nil {
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.counted {
		f.total -= info.Size()
	}
	f.full = false
}

// Add keeps a copy of an object.
func (f *Folder) Add(name string, content []byte) {
	w := f.Writer(name, int64(len(content)))
	w.Write(content)
	w.Keep()
}

// Writer takes in the copy of an object of size bytes. Either Keep or Discard ends
// it. It is nil, and does nothing, where there is no room.
func (f *Folder) Writer(name string, size int64) *Writer {
	w := f.UpTo(name, size)
	if w != nil {
		w.exact = true
	}
	return w
}

// UpTo is Writer for an object of at most size bytes, whose length is not known yet.
func (f *Folder) UpTo(name string, size int64) *Writer {
	if f == nil || storage.CheckName(name) != nil || !f.makeRoom(size) || !f.makeFolder(path.Dir(name)) {
		return nil
	}
	aside := path.Join(path.Dir(name), asidePrefix+randomHex()+asideSuffix)
	file, err := f.root.OpenFile(aside, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		f.forget(path.Dir(name))
		return nil
	}
	return &Writer{f: f, file: file, name: name, aside: aside, size: size}
}

// Files that are written aside have names that no object has.
const (
	asidePrefix = "_"
	asideSuffix = ".part"
)

func isAside(name string) bool {
	return strings.HasPrefix(name, asidePrefix) && strings.HasSuffix(name, asideSuffix)
}

func randomHex() string {
	var b [8]byte
	rand.Read(b[:]) // never fails: crypto/rand ends the process instead
	return hex.EncodeToString(b[:])
}

func (f *Folder) makeFolder(folder string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if !f.made[folder] {
		f.made[folder] = f.root.MkdirAll(folder, 0o700) == nil
	}
	return f.made[folder]
}

// forget has a folder made again: somebody may have removed it.
func (f *Folder) forget(folder string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	delete(f.made, folder)
}

// Writer writes a copy. Its methods work on nil.
type Writer struct {
	f     *Folder
	file  *os.File
	name  string
	aside string
	size  int64
	exact bool // no copy is shorter
	wrote int64
	err   error
}

// Write never fails: a copy that can't be written is not kept.
func (w *Writer) Write(p []byte) (int, error) {
	if w != nil && w.err == nil && w.wrote <= w.size {
		_, w.err = w.file.Write(p)
		w.wrote += int64(len(p))
	}
	return len(p), nil
}

// Keep moves the copy into place if it has the length that was said. It gives how many bytes are kept.
func (w *Writer) Keep() int64 {
	if w == nil {
		return 0
	}
	fits := w.wrote == w.size || !w.exact && w.wrote < w.size
	// Nothing is flushed: a copy that a power failure harms does not open.
	if err := errors.Join(w.err, w.file.Close()); err != nil || !fits || w.f.root.Rename(w.aside, w.name) != nil {
		w.f.root.Remove(w.aside)
		return 0
	}
	w.f.mu.Lock()
	defer w.f.mu.Unlock()
	w.f.total += w.wrote
	return w.wrote
}

// Discard throws the copy away.
func (w *Writer) Discard() {
	if w == nil {
		return
	}
	w.file.Close()
	w.f.root.Remove(w.aside)
}
