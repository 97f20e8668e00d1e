package give

import (
	"errors"
	"io/fs"
	"strings"
)

// ReadDir gives all that a folder holds, in the order of names.
func (f *VolumeFS) ReadDir(name string) ([]fs.DirEntry, error) { return f.ReadDirBehind(name, "", -1) }

// ReadDirBehind gives at most n entries of a folder, those behind a name; all where n is not above 0.
func (f *VolumeFS) ReadDirBehind(name, after string, n int) ([]fs.DirEntry, error) {
	entries, err := f.readDirBehind(name, after, n)
	if err != nil {
		return entries, &fs.PathError{Op: "readdir", Path: name, Err: err}
	}
	return entries, nil
}

func (f *VolumeFS) readDirBehind(name, after string, n int) ([]fs.DirEntry, error) {
	if strings.Contains(after, "/") {
		return nil, fs.ErrInvalid
	}
	at, err := f.resolve(name, true)
	if err != nil {
		return nil, err
	}
	if !at.mode().IsDir() {
		return nil, errNoFolder
	}
	return f.entries(at.path, after, n)
}

// mostPassed is how many members below one of a folder are passed over one by one.
const mostPassed = 16

// entries gives what a folder holds.
func (f *VolumeFS) entries(dir, after string, n int) ([]fs.DirEntry, error) {
	prefix, from := "", ""
	if dir != "" {
		prefix = dir + "/"
		from = prefix
	}
	if after != "" {
		from = behind(prefix + after)
	}
	w := &folderWalk{fs: f, prefix: prefix, most: n, entries: []fs.DirEntry{}}
	for {
		next, err := w.goOn(from)
		if err != nil || next == "" {
			return w.entries, err
		}
		from = next
	}
}

// behind gives a path that is behind all that is below another one, and before what follows that.
func behind(path string) string { return path + "\x00" }

// folderWalk gathers what a folder holds.
type folderWalk struct {
	fs      *VolumeFS
	prefix  string // of all that is in the folder
	most    int    // entries; below 1: all
	entries []fs.DirEntry
	child   string // path of the last entry
}

// goOn goes through the members from a path on. Where it gives another path, it is
// to be called again from there.
func (w *folderWalk) goOn(from string) (next string, err error) {
	passed := 0
	for m, err := range w.fs.tree.from(from) {
		if err != nil {
			return "", err
		}
		name, inside := strings.CutPrefix(m.path, w.prefix)
		if !inside {
			return "", nil
		}
		name, _, _ = strings.Cut(name, "/")
		child := w.prefix + name
		if name == "" || name == ".." || child == w.child { // the root itself, what is outside, or what is below the last
			if passed++; passed > mostPassed {
				return behind(child), nil
			}
			continue
		}
		if w.most > 0 && len(w.entries) == w.most {
			return "", nil
		}
		passed, w.child = 0, child
		if w.entries, err = w.append(name, m); err != nil {
			return "", err
		}
	}
	return "", nil
}

// append appends an entry, of a member or of what is above it.
func (w *folderWalk) append(name string, m *treeMember) ([]fs.DirEntry, error) {
	if m.path != w.child {
		m = &treeMember{path: w.child}
	}
	n, err := w.fs.linked(w.child, m)
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrInvalid) {
		return append(w.entries, &brokenLink{name, err}), nil
	}
	if err != nil {
		return w.entries, err
	}
	return append(w.entries, newInfo(name, n)), nil
}

// brokenLink is a hard link to what is not there.
type brokenLink struct {
	name string
	err  error
}

func (b *brokenLink) Name() string               { return b.name }
func (b *brokenLink) IsDir() bool                { return false }
func (b *brokenLink) Type() fs.FileMode          { return fs.ModeIrregular }
func (b *brokenLink) Info() (fs.FileInfo, error) { return nil, b.err }
func (b *brokenLink) String() string             { return fs.FormatDirEntry(b) }
