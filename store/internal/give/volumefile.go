package give

import (
	"fmt"
	"io"
	"io/fs"
	"sync"
	"time"
)

// info is what is known of a file: an fs.FileInfo and an fs.DirEntry.
type info struct {
	name string
	n    *node
}

func newInfo(name string, n *node) *info { return &info{name, n} }

func (i *info) Name() string               { return i.name }
func (i *info) Mode() fs.FileMode          { return i.n.mode() }
func (i *info) IsDir() bool                { return i.Mode().IsDir() }
func (i *info) Type() fs.FileMode          { return i.Mode().Type() }
func (i *info) Info() (fs.FileInfo, error) { return i, nil }
func (i *info) String() string             { return fs.FormatFileInfo(i) }

func (i *info) Size() int64 {
	if i.n.Member == nil || i.IsDir() {
		return 0
	}
	return i.n.Size
}

// ModTime gives no time of a folder that is there only since it holds others.
func (i *info) ModTime() time.Time {
	if i.n.Member == nil {
		return time.Time{}
	}
	return i.n.Modified
}

// Sys gives the *tarstream.Member; nil of a folder that is there only since it holds others.
func (i *info) Sys() any {
	if i.n.Member == nil {
		return nil
	}
	return i.n.Member
}

// openFile is the content of a member.
type openFile struct {
	*File
	info *info
}

// Stat implements fs.File.
func (f *openFile) Stat() (fs.FileInfo, error) { return f.info, nil }

// openNode is open and has no content, such as a device.
type openNode struct {
	name string
	info *info
}

func (f *openNode) Stat() (fs.FileInfo, error) { return f.info, nil }
func (f *openNode) Close() error               { return nil }

// Read implements fs.File.
func (f *openNode) Read([]byte) (int, error) {
	return 0, &fs.PathError{Op: "read", Path: f.name, Err: fmt.Errorf("%w: it is a %s", fs.ErrInvalid, f.info.n.Member.Type)}
}

// openFolder is a folder that is read.
type openFolder struct {
	fs   *VolumeFS
	name string
	path string
	info *info

	mu     sync.Mutex
	after  string // the last entry that was given
	ended  bool
	closed bool
}

// Stat implements fs.File.
func (f *openFolder) Stat() (fs.FileInfo, error) { return f.info, nil }

// Read implements fs.File.
func (f *openFolder) Read([]byte) (int, error) {
	return 0, &fs.PathError{Op: "read", Path: f.name, Err: fmt.Errorf("%w: it is a folder", fs.ErrInvalid)}
}

// Close implements fs.File.
func (f *openFolder) Close() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.closed {
		return &fs.PathError{Op: "close", Path: f.name, Err: fs.ErrClosed}
	}
	f.closed = true
	return nil
}

// ReadDir implements fs.ReadDirFile.
func (f *openFolder) ReadDir(n int) ([]fs.DirEntry, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	entries, err := f.readDir(n)
	if err != nil && err != io.EOF {
		err = &fs.PathError{Op: "readdir", Path: f.name, Err: err}
	}
	return entries, err
}

func (f *openFolder) readDir(n int) (entries []fs.DirEntry, err error) {
	if f.closed {
		return nil, fs.ErrClosed
	}
	if !f.ended {
		entries, err = f.fs.entries(f.path, f.after, n)
	}
	if len(entries) > 0 {
		f.after = entries[len(entries)-1].Name()
	}
	if err != nil {
		return entries, err
	}
	f.ended = f.ended || n <= 0 || len(entries) < n
	if n > 0 && len(entries) == 0 {
		return nil, io.EOF
	}
	return entries, nil
}
