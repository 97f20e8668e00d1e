package volume

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
)

// exchangeTrees puts the new tree into the place of the old one. Its name tells Recover meanwhile which
// of the two it is: a kill may leave the old tree under it.
func (r *replacement) exchangeTrees() (*Replaced, error) {
	ready := r.entry("new-", r.stamp+"."+strconv.FormatUint(r.id.ino, 10))
	if err := r.relabel(ready); err != nil {
		return nil, err
	}
	if err := r.tellPrevious(); err != nil {
		return nil, err
	}
	if err := r.dressTop(); err != nil {
		return nil, err
	}
	done := &Replaced{How: Renamed}
	var err error
	if r.exists {
		done.Previous = r.name("before-", r.stamp)
		r.previous = r.site.id()
		done.How, err = r.swap(ready, r.entry("before-", r.stamp))
	} else {
		err = r.move(r.home, ready, r.home, r.base)
	}
	if err == nil {
		err = r.flush(r.home)
	}
	if err == nil {
		err = r.isAt(r.base, r.id)
	}
	return done, err
}

// isAt fails where others may move things, unless a name in home is that of the folder which id tells.
func (r *replacement) isAt(name string, id inode) error {
	if !r.watched {
		return nil
	}
	if is, err := idAt(r.home, name); err != nil || is != id {
		return errors.Join(fmt.Errorf("%s: %w", r.pathTo(name), ErrMeddled), err)
	}
	return nil
}

// swap exchanges the old tree with the one at ready, in one step or else in two.
func (r *replacement) swap(ready, previous string) (Way, error) {
	err := r.exchangeBoth(ready)
	if errors.Is(err, errors.ErrUnsupported) {
		if err = r.move(r.home, r.base, r.home, previous); err == nil {
			err = r.isAt(previous, r.previous)
		}
		if err == nil {
			err = r.move(r.home, ready, r.home, r.base)
		}
		return RenamedTwice, err
	}
	if err == nil {
		err = errors.Join(r.isAt(r.base, r.id), r.isAt(ready, r.previous))
	}
	if err == nil {
		err = r.move(r.home, ready, r.home, previous)
	}
	if err == nil {
		err = r.isAt(previous, r.previous)
	}
	return Exchanged, err
}

// exchangeBoth swaps the names of the new tree and the old one.
func (r *replacement) exchangeBoth(ready string) error {
	err := r.exchange(r.home, ready, r.base)
	if err != nil {
		if id, _ := idAt(r.home, r.base); id != r.id || id == (inode{}) {
			return err
		}
	}
	r.made = r.base
	r.undo = append(r.undo, func() error {
		r.made = ready
		return r.exchange(r.home, ready, r.base)
	})
	return nil
}

// move renames, and notes how to undo it.
func (r *replacement) move(from *folder, name string, to *folder, newName string) error {
	if err := r.renamed(from, name, to, newName); err != nil {
		return err
	}
	tree := from == r.home && name == r.made
	if tree {
		r.made = newName
	}
	r.undo = append(r.undo, func() error {
		if tree {
			r.made = name
		}
		return r.renamed(to, newName, from, name)
	})
	return nil
}

// relabel gives the new tree another name, which is no step into its place and needs no way back.
func (r *replacement) relabel(to string) error {
	err := r.renamed(r.home, r.made, r.home, to)
	if err == nil {
		r.made = to
		err = r.isAt(to, r.id)
	}
	return err
}

// renamed renames. A share may do what is asked and report a failure.
func (r *replacement) renamed(from *folder, name string, to *folder, newName string) error {
	id, err := idAt(from, name)
	if err != nil {
		return err
	}
	if err := r.rename(from, name, to, newName); err != nil {
		if is, _ := idAt(to, newName); is != id || id == (inode{}) {
			return err
		}
	}
	return nil
}

// back undoes what was done before err, and removes the new tree.
func (r *replacement) back(err error) error {
	for _, undo := range slices.Backward(r.undo) {
		if failed := undo(); failed != nil {
			return fmt.Errorf("%w: %w, after: %w", ErrTorn, failed, err)
		}
	}
	if len(r.undo) > 0 {
		err = errors.Join(err, r.flush(r.home))
	}
	if r.made != "" {
		err = errors.Join(err, r.removeAll(r.home, r.made, r.id))
	}
	if r.made == "" || !there(r.home, r.made) {
		err = errors.Join(err, r.aside.drop())
	}
	if r.oldLook != nil { // at least the time changed
		_, failed := r.dress(r.live, r.oldLook)
		err = errors.Join(err, failed)
	}
	return err
}
