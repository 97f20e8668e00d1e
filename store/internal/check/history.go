package check

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// checkHistory holds the captures against the chains that they make, and against what
// this machine knows and was told.
func (v *verifier) checkHistory(context.Context) error {
	exchanged := v.r.ledger.Exchanged(v.Captures, v.Gone)
	for _, id := range slices.Sorted(maps.Keys(exchanged)) {
		v.historyDamage(id, fmt.Errorf("%w: the index file was exchanged, as for an older one: %s", format.ErrDamaged, exchanged[id].Why))
	}
	for _, c := range v.Captures {
		if p := c.Previous; p != nil && !names.IsID(p.ID) {
			v.historyDamage(c.ID, fmt.Errorf("%w: it names %.40q as the capture before", format.ErrDamaged, p.ID))
		}
	}
	lapses, learned := v.r.ledger.Lapses(v.Files, v.Captures, v.Gone, v.Elsewhere)
	v.r.ledger.Learn(learned...)
	for _, id := range lapses.Returned {
		v.historyDamage(id, fmt.Errorf("%w: it was removed on purpose, as this machine saw, and is there again: the repository was put back to an earlier state", format.ErrDamaged))
	}
	return v.checkHead()
}

func (v *verifier) historyDamage(id string, err error) {
	d := newDamage(names.Capture(id, 0), err)
	d.Captures = append(d.Captures, id)
	v.report.Damage = append(v.report.Damage, d)
}
