package storage

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"
	"sync"

	"github.com/kistarchive/kist/store/storage/files"
)

// Folder is a [Storage] in a folder of a local disk or a mounted share, with the powers of
// [Clock], [Anchored], [Lenient], [Sweeper] and [Namer]. Each object is one file of the same name.
//
// The folder is held open, and everything goes relative to it, so that nothing is
// written to a bare mount point after a share went away. Folder makes the lower
// folders of object names as they are needed, but never the top ones, which
// [CreateFolder] made: if one is missing, methods return [ErrGone], but for those that
// SetOptional names.
//
// Files are made for their owner alone (mode 0600) where the medium keeps modes;
// nothing relies on it. Links, special files and files whose names are not those
// of objects are taken for absent.
type Folder struct {
	path    string
	files   files.System
	handles handles
	blocks  sync.Pool // of *[]byte, blockSize bytes each

	forsaking sync.Once
	forsakes  bool // the medium may give up what was not flushed: see keep

	mu       sync.Mutex
	anchor   string
	optional []string        // top folders that may be missing
	settled  map[string]bool // folders known to be there and flushed
}

var _ interface {
	Storage
	Clock
	Anchored
	Lenient
	Sweeper
	Namer
} = (*Folder)(nil)

// OpenFolder opens a folder that [CreateFolder] made. The caller calls Close.
func OpenFolder(dir string) (*Folder, error) { return OpenFolderAt(files.OS(dir)) }

// OpenFolderAt is [OpenFolder] for any file system: that of storagetest.Disk is a
// simulated disk.
func OpenFolderAt(place files.Place) (*Folder, error) {
	system, err := place.Open()
	if err != nil {
		return nil, operation{op: "open", folder: place.Path()}.fail("", err)
	}
	return newFolder(place.Path(), system), nil
}

func newFolder(dir string, system files.System) *Folder {
	f := &Folder{path: dir, files: system, settled: map[string]bool{}}
	f.handles.open, f.handles.keep = system.Open, maxHandles
	f.blocks.New = func() any { b := make([]byte, blockSize); return &b }
	return f
}

// CreateFolder makes a folder ready for objects named kind/…, for each of kinds, and
// opens it. The folder itself is made if it is missing; its parent must be there.
// [ErrNotEmpty]: it holds anything but what an interrupted CreateFolder left, or what
// a new file system brings along (lost+found). When it returns nil, all has been
// flushed.
func CreateFolder(dir string, kinds ...string) (*Folder, error) {
	return CreateFolderAt(files.OS(dir), kinds...)
}

// CreateFolderAt is [CreateFolder] for any file system, as [OpenFolderAt] is [OpenFolder].
func CreateFolderAt(place files.Place, kinds ...string) (*Folder, error) {
	o := operation{op: "create", folder: place.Path()}
	if err := place.Make(); err != nil && !errors.Is(err, fs.ErrExist) {
		return nil, o.fail("make folder", err)
	}
	f, err := OpenFolderAt(place)
	if err != nil {
		return nil, err
	}
	err = f.furnish(o, kinds)
	if err == nil {
		err = o.fail("sync parent folder", place.Flush())
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
		if err := f.files.Mkdir(kind); err != nil && !errors.Is(err, fs.ErrExist) {
			return o.fail("make folder "+kind, err)
		}
	}
	return o.fail("sync folder", f.files.SyncFolder("."))
}

// checkEmpty allows the folders of kinds if they are empty themselves.
func (f *Folder) checkEmpty(o operation, kinds []string) error {
	entries, err := f.files.List(".")
	if err != nil {
		return o.fail("list", err)
	}
	for _, entry := range entries {
		switch name := entry.Name(); {
		case name == "lost+found":
		case !entry.IsDir() || !slices.Contains(kinds, name):
			return o.fail("", fmt.Errorf("%w (it holds %q)", ErrNotEmpty, name))
		default:
			below, err := f.files.List(name)
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

// Path gives the folder's path as it was opened.
func (f *Folder) Path() string { return f.path }

// Close lets the folder go. Calls under way may fail; no call may follow.
func (f *Folder) Close() error {
	f.handles.closeAll()
	return operation{op: "close", folder: f.path}.fail("", f.files.Close())
}

// SetAnchor implements [Anchored]. Put looks for the anchor before it moves any other
// object into place.
func (f *Folder) SetAnchor(name string) error {
	if err := CheckName(name); err != nil {
		return f.operation("anchor", name).fail("", err)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.anchor = name
	return nil
}

// CheckAnchor returns [ErrGone] if the anchor, once set, is not there. It costs one
// call.
func (f *Folder) CheckAnchor(ctx context.Context) error {
	o := f.operation("find", f.anchored())
	_, err := await(ctx, func() (struct{}, error) { return struct{}{}, patientlyDo(ctx, func() error { return f.findAnchor(o) }) })
	return o.fail("wait", err)
}

func (f *Folder) anchored() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.anchor
}

func (f *Folder) findAnchor(o operation) error {
	anchor := f.anchored()
	if anchor == "" {
		return nil
	}
	info, err := f.files.Stat(anchor)
	if errors.Is(err, fs.ErrNotExist) || err == nil && !info.Mode().IsRegular() {
		err = fmt.Errorf("%s: %w", anchor, ErrGone)
	}
	return o.fail("stat", err)
}

// Stat implements [Storage].
func (f *Folder) Stat(ctx context.Context, name string) (Info, error) {
	o := f.operation("stat", name)
	if err := CheckName(name); err != nil {
		return Info{}, o.fail("", err)
	}
	info, err := await(ctx, func() (Info, error) { return patiently(ctx, func() (Info, error) { return f.stat(o) }) })
	return info, o.fail("wait", err)
}

func (f *Folder) stat(o operation) (Info, error) {
	info, err := f.files.Stat(o.name)
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
	info, err := f.files.Stat(top)
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
	_, err := await(ctx, func() (struct{}, error) { return struct{}{}, f.removeUntilDone(ctx, o) })
	return o.fail("wait", err)
}

// removeUntilDone removes an object. What fails may have been done.
func (f *Folder) removeUntilDone(ctx context.Context, o operation) error {
	tried := false
	return patientlyDo(ctx, func() error {
		err := f.remove(o)
		if tried && errors.Is(err, ErrNotFound) {
			return o.fail("sync folder", f.files.SyncFolder(path.Dir(o.name)))
		}
		tried = true
		return err
	})
}

func (f *Folder) remove(o operation) error {
	if _, err := f.stat(o); err != nil {
		return err
	}
	f.handles.drop(o.name)
	if err := f.files.Remove(o.name); err != nil {
		return f.missing(o, "remove", err)
	}
	return o.fail("sync folder", f.files.SyncFolder(path.Dir(o.name)))
}

func (f *Folder) operation(op, name string) operation {
	return operation{op: op, name: name, folder: f.path}
}
