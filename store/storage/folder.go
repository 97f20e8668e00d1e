package storage

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"
)

// Folder is a [Storage] and a [Clock] in a folder of a local disk or a mounted share.
// Each object is one file of the same name.
//
// The folder is held open, and everything goes relative to it, so that nothing is
// written to a bare mount point after a share went away. Folder makes the lower
// folders of object names as they are needed, but never the top ones, which
// CreateFolder made: if one is missing, methods return ErrGone.
//
// Files are made for their owner alone (mode 0600) where the medium keeps modes;
// nothing relies on it. Links, special files and files whose names are not those
// of objects are taken for absent.
type Folder struct {
	path    string
	files   files
	anchor  string
	handles handles
	blocks  sync.Pool // of *[]byte, blockSize bytes each

	mu      sync.Mutex
	settled map[string]bool // folders known to be there and flushed
}

// OpenFolder opens a folder that CreateFolder made. The caller calls Close.
func OpenFolder(path string) (*Folder, error) {
	root, err := os.OpenRoot(path)
	if err != nil {
		return nil, operation{op: "open", folder: path}.fail("", err)
	}
	return newFolder(path, rootFiles{root}), nil
}

func newFolder(path string, files files) *Folder {
	f := &Folder{path: path, files: files, settled: map[string]bool{}}
	f.handles.open, f.handles.keep = files.open, maxHandles
	f.blocks.New = func() any { b := make([]byte, blockSize); return &b }
	return f
}

// CreateFolder makes a folder ready for objects named kind/…, for each of kinds, and
// opens it. The folder itself is made if it is missing; its parent must be there.
// ErrNotEmpty: it holds anything but what an interrupted CreateFolder left, or what
// a new file system brings along (lost+found). When it returns nil, all has been
// flushed.
func CreateFolder(path string, kinds ...string) (*Folder, error) {
	o := operation{op: "create", folder: path}
	if err := os.Mkdir(path, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return nil, o.fail("make folder", err)
	}
	f, err := OpenFolder(path)
	if err != nil {
		return nil, err
	}
	err = f.furnish(o, kinds)
	if err == nil {
		err = o.fail("sync parent folder", syncParent(path))
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// furnish makes the top folders.
func (f *Folder) furnish(o operation, kinds []string) error {
	for _, kind := range kinds {
		if err := CheckName(kind); err != nil || strings.Contains(kind, "/") {
			return o.fail("", fmt.Errorf("%w: top folder %q", ErrBadName, kind))
		}
	}
	if err := f.checkEmpty(o, kinds); err != nil {
		return err
	}
	for _, kind := range kinds {
		if err := f.files.mkdir(kind); err != nil && !errors.Is(err, fs.ErrExist) {
			return o.fail("make folder "+kind, err)
		}
	}
	return o.fail("sync folder", f.files.syncFolder("."))
}

// checkEmpty allows the folders of kinds if they are empty themselves.
func (f *Folder) checkEmpty(o operation, kinds []string) error {
	entries, err := f.files.list(".")
	if err != nil {
		return o.fail("list", err)
	}
	for _, entry := range entries {
		switch name := entry.Name(); {
		case name == "lost+found":
		case !entry.IsDir() || !slices.Contains(kinds, name):
			return o.fail("", fmt.Errorf("%w (it holds %q)", ErrNotEmpty, name))
		default:
			below, err := f.files.list(name)
			if err != nil {
				return o.fail("list", err)
			}
			if len(below) > 0 {
				return o.fail("", fmt.Errorf("%w (it holds %q)", ErrNotEmpty, name+"/"+below[0].Name()))
			}
		}
	}
	return nil
}

func syncParent(path string) error {
	absolute, err := filepath.Abs(path)
	if err != nil {
		return err
	}
	root, err := os.OpenRoot(filepath.Dir(absolute))
	if errors.Is(err, fs.ErrPermission) {
		return nil // the folder was there before: its parent need not be readable
	}
	if err != nil {
		return err
	}
	defer root.Close()
	return syncFolder(root, ".")
}

// Path gives the folder's path as it was opened.
func (f *Folder) Path() string { return f.path }

// Close lets the folder go. Calls under way may fail; no call may follow.
func (f *Folder) Close() error {
	f.handles.closeAll()
	return operation{op: "close", folder: f.path}.fail("", f.files.close())
}

// SetAnchor names an object that proves that the repository is there. Put then looks
// for it before it moves any other object into place. SetAnchor must not run
// beside other methods.
func (f *Folder) SetAnchor(name string) error {
	if err := CheckName(name); err != nil {
		return f.operation("anchor", name).fail("", err)
	}
	f.anchor = name
	return nil
}

// CheckAnchor returns ErrGone if the anchor, once set, is not there. It costs one
// call.
func (f *Folder) CheckAnchor(ctx context.Context) error {
	o := f.operation("find", f.anchor)
	_, err := await(ctx, func() (struct{}, error) { return struct{}{}, f.findAnchor(o) })
	return o.fail("wait", err)
}

func (f *Folder) findAnchor(o operation) error {
	if f.anchor == "" {
		return nil
	}
	info, err := f.files.lstat(f.anchor)
	if errors.Is(err, fs.ErrNotExist) || err == nil && !info.Mode().IsRegular() {
		err = fmt.Errorf("%s: %w", f.anchor, ErrGone)
	}
	return o.fail("stat", err)
}

// Stat implements [Storage].
func (f *Folder) Stat(ctx context.Context, name string) (Info, error) {
	o := f.operation("stat", name)
	if err := CheckName(name); err != nil {
		return Info{}, o.fail("", err)
	}
	info, err := await(ctx, func() (Info, error) { return f.stat(o) })
	return info, o.fail("wait", err)
}

func (f *Folder) stat(o operation) (Info, error) {
	info, err := f.files.lstat(o.name)
	if err == nil && !info.Mode().IsRegular() {
		err = fs.ErrNotExist
	}
	if err != nil {
		return Info{}, f.missing(o, "stat", err)
	}
	return Info{Name: o.name, Size: info.Size(), Modified: info.ModTime()}, nil
}

// missing dresses an error; if it says that something does not exist, it tells an
// absent object from an absent share.
func (f *Folder) missing(o operation, call string, err error) error {
	if !errors.Is(err, fs.ErrNotExist) {
		return o.fail(call, err)
	}
	if top, _, below := strings.Cut(o.name, "/"); below {
		if err := f.findTop(o, top); err != nil {
			return err
		}
	}
	return o.fail("", ErrNotFound)
}

// findTop returns ErrGone if a top folder is missing.
func (f *Folder) findTop(o operation, top string) error {
	info, err := f.files.lstat(top)
	if errors.Is(err, fs.ErrNotExist) || err == nil && !info.IsDir() {
		err = fmt.Errorf("folder %s: %w", top, ErrGone)
	}
	return o.fail("stat", err)
}

// Remove implements [Storage].
func (f *Folder) Remove(ctx context.Context, name string) error {
	o := f.operation("remove", name)
	if err := CheckName(name); err != nil {
		return o.fail("", err)
	}
	_, err := await(ctx, func() (struct{}, error) { return struct{}{}, f.remove(o) })
	return o.fail("wait", err)
}

func (f *Folder) remove(o operation) error {
	if _, err := f.stat(o); err != nil {
		return err
	}
	f.handles.drop(o.name)
	if err := f.files.remove(o.name); err != nil {
		return f.missing(o, "remove", err)
	}
	return o.fail("sync folder", f.files.syncFolder(path.Dir(o.name)))
}

func (f *Folder) operation(op, name string) operation {
	return operation{op: op, name: name, folder: f.path}
}
