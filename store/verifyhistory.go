package store

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"github.com/kistarchive/kist/store/internal/names"
)

// checkHistory holds the captures against the chains that they make, and against what
// this machine knows and was told.
func (v *verifier) checkHistory(context.Context) error {
	exchanged := v.r.ledger.Exchanged(v.captures, v.gone)
	for _, id := range slices.Sorted(maps.Keys(exchanged)) {
		v.historyDamage(id, fmt.Errorf("%w: the index file was exchanged, as for an older one: %s", ErrDamaged, exchanged[id].Why))
	}
	for _, c := range v.captures {
		if p := c.Previous; p != nil && !names.IsID(p.ID) {
			v.historyDamage(c.ID, fmt.Errorf("%w: it names %.40q as the capture before", ErrDamaged, p.ID))
		}
	}
	lapses, learned := v.r.ledger.Lapses(v.files, v.captures, v.gone)
	v.r.ledger.Learn(learned...)
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
