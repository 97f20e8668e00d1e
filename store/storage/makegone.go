package storage

import (
	"errors"
	"io/fs"
	"slices"
)

// SetOptional implements [Lenient]. Put and Mark make those folders as soon as the
// anchor shows that the repository is there; without an anchor they are missed as all
// others.
func (f *Folder) SetOptional(folders ...string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.optional = folders
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
