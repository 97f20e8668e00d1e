package volume

import (
	"fmt"
	"path/filepath"
	"regexp"
	"slices"
)

// A mount point is replaced entry by entry, with its own folders as the record of how far that came:
//
//	.new-XXXXXX    the new tree is being built
//	.out-STAMP     it is complete; old entries are moving to .before-STAMP
//	.in-STAMP      all have; the entries of this folder are moving to their places
//
// The rename from the second name to the third decides: before it a killed call is undone, and after it
// completed.

// kept matches the names of what earlier calls kept.
var kept = regexp.MustCompile(`^\.before-` + stampPattern + `$`)

// moveEntries puts the new tree into the place of a mount point's entries.
func (r *replacement) moveEntries() (*Replaced, error) {
	var err error
	if r.newLook, err = lookAt(r.made); err != nil {
		return nil, err
	}
	before, err := r.moveOut()
	if err != nil {
		return nil, err
	}
	in, err := r.moveIn()
	if err != nil {
		return nil, err
	}
	done := &Replaced{Previous: before, How: EntryByEntry}
	done.NotRestored, err = finish(r, r.path, in, r.newLook)
	return done, err
}

// moveOut moves the old entries away.
func (r *replacement) moveOut() (string, error) {
	out, before := r.name("out-", r.stamp), r.name("before-", r.stamp)
	if err := r.relabel(out); err != nil {
		return "", err
	}
	old, err := r.leaving(out)
	if err != nil {
		return "", err
	}
	if err := r.mkdir(before, r.path); err != nil {
		return "", err
	}
	r.undo = append(r.undo, func() error { return r.removeEmpty(before) })
	if err := r.flush(r.path); err != nil {
		return "", err
	}
	for _, name := range old {
		if err := r.move(filepath.Join(r.path, name), filepath.Join(before, name)); err != nil {
			return "", err
		}
	}
	return before, r.flushBoth(before)
}

// leaving lists the old entries that make room: all but the new tree at out and what earlier calls
// kept, as long as nothing in the new tree has the name.
func (r *replacement) leaving(out string) ([]string, error) {
	names, err := namesIn(r.path)
	return slices.DeleteFunc(names, func(name string) bool {
		return name == filepath.Base(out) || kept.MatchString(name) && !exists(filepath.Join(out, name))
	}), err
}

// moveIn moves the new entries into place.
func (r *replacement) moveIn() (string, error) {
	in := r.name("in-", r.stamp)
	if err := r.move(r.made, in); err != nil {
		return "", err
	}
	if err := r.flush(r.path); err != nil {
		return "", err
	}
	names, err := namesIn(in)
	if err != nil {
		return "", err
	}
	for _, name := range names {
		if err := r.move(filepath.Join(in, name), filepath.Join(r.path, name)); err != nil {
			return "", err
		}
	}
	return in, r.flushBoth(in)
}

func (r *replacement) flushBoth(dir string) error {
	if err := r.flush(dir); err != nil {
		return err
	}
	return r.flush(r.path)
}

// finish gives the mount's root its look: before the folder that has it is removed, so that a kill
// can't lose it, and once more since removing changes the time.
func finish(m mover, root, in string, l *look) ([]Note, error) {
	notes, err := m.dress(root, l)
	if err != nil {
		return nil, err
	}
	if err := m.flush(root); err != nil {
		return nil, err
	}
	if err := m.removeEmpty(in); err != nil && exists(in) {
		return nil, err
	}
	return append(notes, dressAgain(m, root, l)...), nil // from here on there is no way back
}

// dressAgain gives a folder its look once more, and notes only that this failed as a whole.
func dressAgain(m mover, dir string, l *look) []Note {
	if _, err := m.dress(dir, l); err != nil {
		return []Note{{".", fmt.Sprintf("its time: %v", err), 1}}
	}
	return nil
}
