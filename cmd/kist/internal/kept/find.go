package kept

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/store/volume"
)

// Found is something that has a name under which restores set things aside.
type Found struct {
	volume.Aside
	// Noted says that the book has it: a restore of this machine set it aside, or made it.
	Noted bool
}

// Proved tells whether more than the name shows that it was set aside.
func (f *Found) Proved() bool { return f.Noted || f.Marked }

// At tells whether it was set aside for a folder, or lies in that.
func (f Found) At(dir string) bool {
	dir = paths.ResolvePlace(dir)
	return f.Target == dir || strings.HasPrefix(f.Path, strings.TrimSuffix(dir, string(filepath.Separator))+string(filepath.Separator))
}

// Find gives what is set aside at the places in the book, and at further ones, sorted by path. Places
// that can't be looked at are errors beside what was found. What is gone is taken out of the book.
func (b Book) Find(targets ...string) (found []Found, err error) {
	lines, err := b.known()
	if err != nil {
		return nil, err
	}
	var gone emptied
	defer gone.drop()
	var failed []error
	seen := make(map[line]bool) // places
	for _, l := range lines {
		place := line{Target: l.Target, Single: l.Single}
		if seen[place] {
			continue
		}
		seen[place] = true
		some, err := place.find()
		switch {
		case errors.Is(err, volume.ErrForeignLink) && b.Linked != nil:
			b.Linked(cmp.Or(l.Target, l.Single), err)
		case err != nil && !errors.Is(err, fs.ErrNotExist):
			failed = append(failed, err)
		case len(some) == 0:
			b.empty(&gone, lines, place)
		}
		found = append(found, noted(lines, some)...)
	}
	for _, t := range targets {
		some, err := volume.FindAside(t)
		if err != nil {
			failed = append(failed, err)
		}
		found = append(found, noted(lines, some)...)
	}
	if err := b.forget(gone.lines); err != nil {
		failed = append(failed, err)
	}
	slices.SortFunc(found, func(x, y Found) int { return strings.Compare(x.Path, y.Path) })
	found = slices.CompactFunc(found, func(x, y Found) bool { return x.Path == y.Path })
	return found, errors.Join(failed...)
}

// Named gives what has one of the names by its path, be it in the book or not. It fails with fs.ErrNotExist.
func (b Book) Named(path string) (*Found, error) {
	lines, err := b.known()
	if err != nil {
		return nil, err
	}
	one, err := volume.AsideNamed(path)
	if err != nil {
		return nil, err
	}
	return &noted(lines, []volume.Aside{one})[0], nil
}

// Has tells whether the book has what is at a path, in a mount point, and that it is the same.
func (b Book) Has(path string, id volume.Identity) bool {
	lines, err := b.known()
	target := paths.ResolvePlace(filepath.Dir(path))
	return err == nil && slices.ContainsFunc(lines, func(l line) bool {
		return l.Target != "" && l.Identity.Is(id) && paths.ResolvePlace(l.Target) == target
	})
}

// emptied are places where nothing is left, and the lines about them. No restore can begin there until they are
// dropped: it would rely on lines that are about to go.
type emptied struct {
	lines []line
	held  []*files.Held
}

const mostEmptied = 256 // at once: each is a file that is open

func (e *emptied) drop() {
	for _, h := range e.held {
		h.Drop()
	}
}

// empty adds a place, unless a restore is at work there just now, or has begun to be since it was looked at.
func (b Book) empty(to *emptied, lines []line, place line) {
	if len(to.held) == mostEmptied {
		return // another time
	}
	if place.Target != "" {
		held, err := b.hold(place.Target)
		if err != nil {
			return
		}
		to.held = append(to.held, held)
		if some, err := place.find(); len(some) > 0 || err != nil && !errors.Is(err, fs.ErrNotExist) {
			return
		}
	}
	for _, l := range lines {
		if l.Target == place.Target && l.Single == place.Single {
			to.lines = append(to.lines, l)
		}
	}
}

func (l line) find() ([]volume.Aside, error) {
	if l.Target != "" {
		return volume.FindAside(l.Target)
	}
	one, err := volume.AsideAt(l.Single)
	if err != nil {
		return nil, err
	}
	return []volume.Aside{one}, nil
}

// noted tells which things the lines are about: by what they are, and where.
func noted(lines []line, some []volume.Aside) (found []Found) {
	for _, a := range some {
		found = append(found, Found{a, slices.ContainsFunc(lines, func(l line) bool {
			if !l.Identity.Is(a.Identity) {
				return false
			}
			if l.Single != "" {
				return filepath.Base(l.Single) == filepath.Base(a.Path) && paths.ResolvePlace(l.Single) == a.Path
			}
			return l.Target == a.Target || paths.ResolvePlace(l.Target) == a.Target
		})})
	}
	return found
}

// ErrUnproved is returned for what only its name says to have been set aside.
var ErrUnproved = errors.New("only its name says that a restore set it aside")

// ErrMayBeBuilt is returned for an unfinished tree that may be what a restore builds just now.
var ErrMayBeBuilt = errors.New("a restore may be building it")

// Remove removes something that was set aside, for good. byName takes the caller's word for what only a name tells:
// without, it fails with ErrUnproved and ErrMayBeBuilt. It fails with ErrBusy where a restore is at work, with
// volume.ErrTorn for what an exchange that was killed left, and with what else volume.RemoveAside fails with.
func (b Book) Remove(f *Found, byName bool, now time.Time) error {
	switch {
	case f.Kind == volume.AsideTorn || byName:
	case !f.Proved():
		return fmt.Errorf("%s: %w", f.Path, ErrUnproved)
	case MayBeBuilt(f, now):
		return fmt.Errorf("%s: %w", f.Path, ErrMayBeBuilt)
	}
	if f.Target != "" {
		held, err := b.hold(f.Target)
		if err != nil {
			return fmt.Errorf("removing %s: %w", f.Path, err)
		}
		defer held.Drop()
	}
	return volume.RemoveAside(f.Aside)
}

// restTime is how long an unfinished tree must not have changed before it is taken for left behind:
// a restore may be building it. Our choice, as for files that a killed capture left.
const restTime = 24 * time.Hour

// MayBeBuilt tells whether something may be what a restore builds just now. Of those in the book, and of no others, it is
// known whether they are at work.
func MayBeBuilt(f *Found, now time.Time) bool {
	return f.Kind == volume.AsideUnfinished && !f.Noted && now.Sub(f.Made) < restTime
}

// Recover puts in order what a restore into a folder left that was killed: see volume.Recover. It fails with ErrBusy where one
// is at work.
func (b Book) Recover(target string) (*volume.Recovered, error) {
	held, err := b.hold(target)
	if err != nil {
		return nil, err
	}
	defer held.Drop()
	return volume.Recover(target)
}
