package reclaim

import (
	"fmt"

	"github.com/kistarchive/kist/store/internal/ledger"
)

// noteAhead says which grace times begin late, as the clock of whoever put the mark is far
// ahead.
func (v *survey) noteAhead() (notes []string) {
	for _, c := range v.captures {
		if c.Retired != nil && v.grace > 0 && c.Retired.At.Sub(v.now) > ledger.FarAhead {
			notes = append(notes, fmt.Sprintf("capture %s was retired by a machine whose clock is far ahead: its grace time begins at %s; taking that back and retiring it again begins it anew", c.ID, ledger.UTC(c.Retired.At)))
		}
	}
	for _, b := range v.going.Announced {
		if v.grace > 0 && b.At().Sub(v.now) > ledger.FarAhead {
			notes = append(notes, fmt.Sprintf("%s was put by a machine whose clock is far ahead: what it announces has its grace time from %s on", b.Info.Name, ledger.UTC(b.At())))
		}
	}
	return notes
}
