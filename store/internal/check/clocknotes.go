package check

import (
	"fmt"
	"maps"
	"slices"

	"github.com/kistarchive/kist/store/internal/ledger"
)

// noteTimes says where the two times of a retirement are far from each other, so that
// the later one counts.
func (v *verifier) noteTimes() {
	for _, id := range slices.Sorted(maps.Keys(v.Stand.Retired)) {
		for _, m := range v.Stand.Retired[id] {
			if d := m.Record.Made.Sub(m.Info.Modified); d > ledger.FarAhead {
				v.report.Notes = append(v.report.Notes, fmt.Sprintf("%s: its file is of %s, and says %s, which counts: the clock of whoever put it was ahead, or the file's time was set back",
					m.Info.Name, ledger.UTC(m.Info.Modified), ledger.UTC(m.Record.Made)))
			}
		}
	}
}
