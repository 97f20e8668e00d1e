package store

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/remember"
)

// unlinked gives the captures that a later one of the same machine names as the one
// before, or that this machine knows, and that are neither there nor known to be removed
// as they were. Each is given with what tells of it.
func (r *Repository) unlinked(captures []*captured, there map[string]bool, gone departures) map[string]string {
	missing := make(map[string]string)
	for _, known := range r.watch.memory.Captures() {
		if known.Kind != remember.Gone && !there[known.ID] && !gone.covers(known.ID, known.Hash) {
			missing[known.ID] = "this machine saw it"
		}
	}
	for _, c := range captures {
		p := c.Previous
		if p != nil && names.IsID(p.ID) && !there[p.ID] && !gone.covers(p.ID, p.Hash) {
			missing[p.ID] = "capture " + c.ID + " was made after it on the same machine"
		}
	}
	return missing
}

// exchanged gives the captures that are there and are not what they were, by what this
// machine knows or by the capture that was made after them, each with the hashes that they
// had and with what tells of it.
func (r *Repository) exchanged(captures []*captured, gone departures) map[string]*exchange {
	all := make(map[string]*exchange)
	now := make(map[string]crypt.Digest)
	for _, c := range captures {
		now[c.ID] = c.hash()
	}
	note := func(id string, hash crypt.Digest, why string) {
		if is, ok := now[id]; !ok || is == hash || gone.covers(id, hash) {
			return
		}
		if all[id] == nil {
			all[id] = &exchange{why: why}
		}
		if !slices.Contains(all[id].was, hash) {
			all[id].was = append(all[id].was, hash)
		}
	}
	for _, known := range r.watch.memory.Captures() {
		if known.Kind != remember.Gone {
			note(known.ID, known.Hash, "this machine saw another one")
		}
	}
	for _, c := range captures {
		if p := c.Previous; p != nil {
			note(p.ID, p.Hash, "capture "+c.ID+", made after it on the same machine, names another one")
		}
	}
	return all
}

// exchange is what tells that a capture was exchanged.
type exchange struct {
	was []crypt.Digest
	why string
}

// checkHistory holds the captures against the chains that they make, and against what
// this machine knows and was told.
func (v *verifier) checkHistory(context.Context) error {
	exchanged := v.r.exchanged(v.captures, v.gone)
	for _, id := range slices.Sorted(maps.Keys(exchanged)) {
		v.historyDamage(id, fmt.Errorf("%w: the index file was exchanged, as for an older one: %s", ErrDamaged, exchanged[id].why))
	}
	for _, c := range v.captures {
		if p := c.Previous; p != nil && !names.IsID(p.ID) {
			v.historyDamage(c.ID, fmt.Errorf("%w: it names %.40q as the capture before", ErrDamaged, p.ID))
		}
	}
	lapses, learned := v.r.lapses(v.files, v.captures, v.gone)
	v.r.watch.keep(v.r.watch.memory.Note(learned...))
	for _, id := range lapses.Returned {
		v.historyDamage(id, fmt.Errorf("%w: it was removed on purpose, as this machine saw, and is there again: the repository was put back to an earlier state", ErrDamaged))
	}
	return v.checkHead()
}

func (v *verifier) historyDamage(id string, err error) {
	d := newDamage(names.Capture(id, 0), err)
	d.Captures = append(d.Captures, id)
	v.report.Damage = append(v.report.Damage, d)
}
