package volume

import (
	"context"
	"crypto/rand"
	"fmt"
	"path/filepath"
	"strings"
)

// discard removes the previous tree if it is not wanted, or empty.
func (r *replacement) discard(done *Replaced, unwanted bool) error {
	if done.Previous == "" {
		return nil
	}
	name := filepath.Base(done.Previous)
	if !unwanted {
		if r.removeEmpty(r.home, name) != nil && there(r.home, name) {
			return r.keepMarked(done)
		}
	} else if err := r.removePrevious(done.Previous); err != nil && there(r.home, name) {
		return fmt.Errorf("%w: %w", ErrNotDiscarded, err)
	}
	done.Previous = ""
	if err := r.aside.drop(); err != nil {
		return err
	}
	if r.mounted { // removing changed the root's time
		done.NotRestored = append(done.NotRestored, dressAgain(r, r.live, r.newLook)...)
	}
	return nil
}

// keepMarked leaves nothing but the old tree marked.
func (r *replacement) keepMarked(done *Replaced) error {
	if !r.mounted {
		return nil
	}
	id, err := identityAt(r.home, filepath.Base(done.Previous))
	if err == nil {
		err = r.aside.only(id)
	}
	if err != nil {
		done.NotRestored = append(done.NotRestored, Note{".", fmt.Sprintf("the mark of what is set aside: %v", err), 1})
	}
	return nil
}

// removePrevious removes the old tree unless something was mounted in it meanwhile.
func (r *replacement) removePrevious(previous string) error {
	if err := (&site{path: previous}).findMounts(); err != nil {
		return err
	}
	return r.removeAll(r.home, filepath.Base(previous), r.previous)
}

// replacement is one run of Replace.
type replacement struct {
	mover
	*site
	stamp    string
	made     string  // the name in home of the new tree, until it is in place, or of the folder that has it
	id       inode   // of what has that name
	staged   *folder // what has that name
	top      *Folder // the new tree
	old      *folder // the old entries of a mount point
	previous inode   // of the old tree, once it has its dated name
	aside    *marker // in a mount point; else nil
	undo     []func() error
	told     func(Identity) error // see ReplaceOptions.Aside; nil: nobody asks

	oldLook, newLook *look // of a mount point's root
}

// mark notes a folder of ours, and in a mount point marks it, as set aside.
func (r *replacement) mark(d *folder) error {
	id, err := identityAt(d, ".")
	if err != nil {
		return err
	}
	if err := r.tell(id); err != nil || !r.mounted {
		return err
	}
	if r.aside == nil {
		r.aside = &marker{home: r.home}
	}
	if err := r.aside.note(id); err != nil {
		return fmt.Errorf("marking what is set aside in %s: %w", r.path, err)
	}
	return nil
}

func (r *replacement) tell(id Identity) error {
	if r.told == nil {
		return nil
	}
	return r.told(id)
}

// tellPrevious tells what target holds.
func (r *replacement) tellPrevious() error {
	if r.told == nil || !r.exists {
		return nil
	}
	id, err := identityAt(r.home, r.base)
	if err != nil {
		return err
	}
	return r.tell(id)
}

func (r *replacement) close() {
	r.aside.close()
	if r.top != nil && r.top.d != r.staged {
		r.top.d.close()
	}
	for _, d := range []*folder{r.staged, r.old} {
		if d != nil {
			d.close()
		}
	}
}

func (r *replacement) run(ctx context.Context, build func(ctx context.Context, f *Folder) error) (*Replaced, error) {
	if err := r.build(ctx, build, r.mounted); err != nil {
		return nil, err
	}
	if r.mounted {
		return r.moveEntries()
	}
	return r.exchangeTrees()
}

// build has the new tree built and flushed: where wrapped is true in a folder within the one that is made.
func (r *replacement) build(ctx context.Context, build func(ctx context.Context, f *Folder) error, wrapped bool) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := r.stage(r.entry("new-", strings.ToLower(rand.Text()[:6])), wrapped); err != nil {
		return err
	}
	if err := build(ctx, r.top); err != nil {
		return err
	}
	if err := r.flushTree(r.top.d); err != nil {
		return err
	}
	return ctx.Err()
}

// stage makes the folder for the new tree: wrapped, in a mount point, one that stays the caller's within another, so
// that nobody else can make what Recover goes by.
func (r *replacement) stage(name string, wrapped bool) (err error) {
	if r.staged, err = r.mkdir(r.home, name); err != nil {
		return err
	}
	if r.id, err = r.staged.id(); err != nil {
		return err
	}
	r.made = name
	if err := r.mark(r.staged); err != nil {
		return err
	}
	tree, path := r.staged, r.pathTo(name)
	if wrapped {
		if tree, err = r.mkdir(r.staged, newEntries); err != nil {
			return err
		}
		path = filepath.Join(path, newEntries)
	}
	r.top = &Folder{d: tree, path: path, held: true}
	return nil
}

// dressTop gives the new tree its look, or that of the old one where none is known. From here on it may be
// somebody else's.
func (r *replacement) dressTop() error {
	if r.top.said {
		return nil
	}
	if err := liken(r.top.d, r.meta); err != nil {
		return err
	}
	if r.top.finish != nil {
		if err := r.top.finish(); err != nil {
			return err
		}
	}
	return r.flush(r.top.d)
}
