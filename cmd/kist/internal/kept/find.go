package kept

import (
	"errors"
	"io/fs"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/store/volume"
)

// restTime is how long an unfinished tree must not have changed before it is taken for left behind:
// a restore may be building it. Our choice, as for files that a killed capture left.
const restTime = 24 * time.Hour

// Find gives what is set aside at the places in the book, and at further ones, sorted by path. Places
// that can't be looked at are errors beside what was found. What is gone is taken out of the book.
func (b Book) Find(targets ...string) (found []volume.Aside, err error) {
	lines, err := b.read()
	if err != nil {
		return nil, err
	}
	var gone []line
	var failed []error
	add := func(l line) {
		some, err := l.find()
		switch {
		case err != nil && !errors.Is(err, fs.ErrNotExist):
			failed = append(failed, err)
		case len(some) == 0:
			gone = append(gone, l)
		}
		found = append(found, some...)
	}
	for _, l := range lines {
		add(l)
	}
	for _, t := range targets {
		add(line{Target: t})
	}
	if err := b.forget(gone); err != nil {
		failed = append(failed, err)
	}
	slices.SortFunc(found, func(x, y volume.Aside) int { return strings.Compare(x.Path, y.Path) })
	found = slices.CompactFunc(found, func(x, y volume.Aside) bool { return x.Path == y.Path })
	return found, errors.Join(failed...)
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

// MayBeBuilt tells whether something may be what a restore builds just now.
func MayBeBuilt(a volume.Aside, now time.Time) bool {
	return a.Kind == volume.AsideUnfinished && now.Sub(a.Made) < restTime
}
