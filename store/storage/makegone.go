package storage

import (
	"errors"
	"io/fs"
	"slices"
	"strings"
	"syscall"
)

// SetOptional implements [Lenient]. Put and Mark make those folders as soon as the
// anchor shows that the repository is there; without an anchor they are missed as all
// others.
func (f *Folder) SetOptional(folders ...string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.optional = folders
}

// withTop makes what has that name, and once more where its top folder was missing and could be made. To ask for that folder first
// would cost a call for each.
func (f *Folder) withTop(o operation, name string, makeIt func() error) error {
	err := makeIt()
	top, _, below := strings.Cut(name, "/")
	if !below || !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, syscall.ENOTDIR) {
		return err
	}
	if err := f.haveTop(o, top); err != nil {
		return err
	}
	return makeIt()
}

// haveTop sees that a top folder is there.
func (f *Folder) haveTop(o operation, top string) error {
	err := f.findTop(o, top)
	if !errors.Is(err, ErrGone) || !f.isOptional(top) {
		return err
	}
	if err := f.findAnchor(o); err != nil {
		return err
	}
	if err := f.files.Mkdir(top); err != nil && !errors.Is(err, fs.ErrExist) {
		return o.fail("make folder", err)
	}
	return o.fail("sync folder", f.files.SyncFolder("."))
}

func (f *Folder) isOptional(top string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.anchor != "" && slices.Contains(f.optional, top)
}
