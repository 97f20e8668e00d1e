package volume

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
)

// A mount point is replaced entry by entry, with a folder of ours as the record of how far that came:
//
//	.new-XXXXXX    the new tree is being built in its folder "tree"
//	.out-STAMP     it is complete; old entries are moving to its folder "old"
//	.in-STAMP      all have; the entries of "tree" are moving to their places, then "old" gets its dated name
//
// The rename from the second name to the third decides: before it a killed call is undone, and after it
// completed. It is the caller's and closed to all others throughout, which is how Recover tells it from
// one that whoever may write in the mount point put there.

const (
	newEntries = "tree"
	oldEntries = "old"
)

// keptPattern matches the names of what earlier calls kept or built beside.
var keptPattern = regexp.MustCompile(`^\.(?:before|rescued)-` + stampPattern + `$`)

// moveEntries puts the new tree into the place of a mount point's entries.
func (r *replacement) moveEntries() (_ *Replaced, err error) {
	if err := r.dressTop(); err != nil {
		return nil, err
	}
	if r.newLook, err = lookAt(r.top.d); err != nil {
		return nil, err
	}
	if err := r.moveOut(); err != nil {
		return nil, err
	}
	if err := r.moveIn(); err != nil {
		return nil, err
	}
	done := &Replaced{Previous: r.name("before-", r.stamp), How: EntryByEntry}
	if r.previous, err = r.old.id(); err != nil {
		return nil, err
	}
	done.NotRestored, err = finish(r, r.live, r.newLook, lastSteps{
		wrapped: r.staged, name: r.made, id: r.id,
		keep: func() error {
			before := r.entry("before-", r.stamp)
			if err := r.move(r.staged, oldEntries, r.home, before); err != nil {
				return err
			}
			return errors.Join(r.isAt(before, r.previous), likenKept(r.old, r.oldLook.meta))
		},
	})
	return done, err
}

// likenKept gives the folder of the old entries the owner and mode that the mount's root had. It stays
// such that it can be removed.
func likenKept(old *folder, m *meta) error {
	kept := *m
	kept.perm |= 0o700
	return liken(old, &kept)
}

// moveOut moves the old entries away.
func (r *replacement) moveOut() error {
	out := r.entry("out-", r.stamp)
	if err := r.relabel(out); err != nil {
		return err
	}
	leaving, err := r.leaving(out)
	if err != nil {
		return err
	}
	if r.old, err = r.mkdir(r.staged, oldEntries); err != nil {
		return err
	}
	r.undo = append(r.undo, func() error { return r.removeEmpty(r.staged, oldEntries) })
	if err := r.mark(r.old); err != nil {
		return err
	}
	return r.moveAllOut(leaving, r.old)
}

func (r *replacement) moveAllOut(names []string, old *folder) error {
	if err := r.flushBoth(r.staged); err != nil {
		return err
	}
	for _, name := range names {
		if err := r.move(r.home, name, old, name); err != nil {
			return err
		}
	}
	return r.flushBoth(old)
}

// leaving lists the old entries that make room: all but the new tree at out and what earlier calls
// kept, with the markers of that, as long as nothing in the new tree has the name.
func (r *replacement) leaving(out string) ([]string, error) {
	names, err := namesOf(r.home)
	_, markers := marked(r.home, names)
	return slices.DeleteFunc(names, func(name string) bool {
		return name == out || (keptPattern.MatchString(name) || markers[name]) && !there(r.top.d, name)
	}), err
}

// moveIn moves the new entries into place.
func (r *replacement) moveIn() error {
	if err := r.move(r.home, r.made, r.home, r.entry("in-", r.stamp)); err != nil {
		return err
	}
	if err := r.isAt(r.made, r.id); err != nil {
		return err
	}
	if err := r.flush(r.home); err != nil {
		return err
	}
	names, err := namesOf(r.top.d)
	if err != nil {
		return err
	}
	for _, name := range names {
		if err := r.move(r.top.d, name, r.home, name); err != nil {
			return err
		}
	}
	return r.flushBoth(r.top.d)
}

func (r *replacement) flushBoth(d *folder) error {
	if err := r.flush(d); err != nil {
		return err
	}
	return r.flush(r.home)
}

// lastSteps are what is left to do when all entries are in place.
type lastSteps struct {
	wrapped *folder // the folder of ours
	name    string  // its name in the mount point
	id      inode
	keep    func() error // gives the old entries their dated name
}

// finish gives the mount's root its look: before the folder that has it is removed, so that a kill
// can't lose it, and once more since removing changes the time.
func finish(m mover, root *folder, l *look, e lastSteps) ([]Note, error) {
	notes, err := m.dress(root, l)
	if err != nil {
		return nil, err
	}
	if err := e.keep(); err != nil {
		return nil, err
	}
	if err := m.flush(root); err != nil {
		return nil, err
	}
	if err := m.removeAll(root, e.name, e.id); err != nil && there(root, e.name) {
		if there(e.wrapped, newEntries) {
			return nil, err
		}
		notes = append(notes, Note{e.name, fmt.Sprintf("it is empty and left: %v", err), 1})
	}
	return append(notes, dressAgain(m, root, l)...), nil // from here on there is no way back
}

// dressAgain gives a folder its look once more, and notes only that this failed as a whole.
func dressAgain(m mover, d *folder, l *look) []Note {
	if _, err := m.dress(d, l); err != nil {
		return []Note{{".", fmt.Sprintf("its time: %v", err), 1}}
	}
	return nil
}
