package cache

import (
	"cmp"
	"io/fs"
	"path"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/storage"
)

// asideAge is when a file written aside was left by a process that is gone.
const asideAge = 24 * time.Hour

// youth is how long a copy stays that the repository does not list: another process
// may have put the object since it was listed.
const youth = time.Hour

// found is a copy that there is.
type found struct {
	name string
	size int64
	used time.Time
}

// makeRoom sees that size more bytes can be kept.
func (f *Folder) makeRoom(size int64) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if size > f.most || f.full {
		return false
	}
	enough := f.most
	if !f.counted && !f.tidy {
		enough /= tidyOneIn
	} else if !f.counted {
		enough = 0
	}
	if f.total+size <= enough {
		return true
	}
	return f.trim(size)
}

// trim counts what there is and removes what was used longest ago, a tenth more
// than it must, so that it is not called each time. What was used since this process
// began stays: a capture reads all tables in turn, and if they don't all fit,
// throwing out those that the next capture reads first would leave it none.
func (f *Folder) trim(size int64) bool {
	all := f.scan()
	f.counted, f.total = true, 0
	for _, c := range all {
		f.total += c.size
	}
	if f.total+size <= f.most {
		return true
	}
	slices.SortFunc(all, func(a, b found) int { return a.used.Compare(b.used) })
	for _, c := range all {
		if f.total+size <= f.most-f.most/10 || !c.used.Before(f.began) {
			break
		}
		if !f.used[c.name] && f.root.Remove(c.name) == nil {
			f.total -= c.size
		}
	}
	f.full = f.total+size > f.most
	return !f.full
}

// scan gives all copies, and removes what was written aside long ago.
func (f *Folder) scan() []found {
	var all []found
	fs.WalkDir(f.root.FS(), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return nil // what can't be read is not counted
		}
		info, err := d.Info()
		switch {
		case err != nil:
		case isAside(path.Base(name)):
			if time.Since(info.ModTime()) > asideAge {
				f.root.Remove(name)
			}
		default:
			all = append(all, found{name, info.Size(), info.ModTime()})
		}
		return nil
	})
	return all
}

// Retain removes copies of objects in a folder of the repository that are not among
// those listed, which are sorted by name.
func (f *Folder) Retain(folder string, listed []storage.Info) {
	if f == nil || !f.tidy {
		return
	}
	if info, err := f.root.Lstat(folder); err != nil || !info.IsDir() {
		return // a pipe would be waited for
	}
	entries, err := fs.ReadDir(f.root.FS(), folder)
	if err != nil || len(entries) == 0 {
		return
	}
	for _, e := range entries {
		name := path.Join(folder, e.Name())
		_, there := slices.BinarySearchFunc(listed, name, func(i storage.Info, name string) int { return cmp.Compare(i.Name, name) })
		if there || isAside(e.Name()) {
			continue
		}
		if info, err := e.Info(); err == nil && time.Since(info.ModTime()) > youth {
			f.Drop(name)
		}
	}
}
