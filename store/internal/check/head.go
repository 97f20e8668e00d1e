package check

import (
	"fmt"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
)

// checkHead proves that the captures that are there come from those that a head names.
func (v *verifier) checkHead() error {
	heads, err := ledger.ParseHeads(v.o.Head)
	if err != nil {
		return err
	}
	now := make(map[string]crypt.Digest)
	later := make(map[string]crypt.Digest) // by what the capture after it says
	for _, c := range v.Captures {
		now[c.ID] = c.Hash()
		if p := c.Previous; p != nil {
			later[p.ID] = p.Hash
		}
	}
	for _, h := range heads {
		hash, there := now[h.ID]
		after, chained := later[h.ID]
		switch {
		case there && h.Fits(hash), slices.ContainsFunc(v.Gone[h.ID], h.Fits), !there && slices.ContainsFunc(v.Elsewhere[h.ID], h.Fits):
		case !there && v.Gone.Covers(h.ID, crypt.Digest{}) && (!chained || h.Fits(after)):
			if !chained {
				v.report.Notes = append(v.report.Notes, fmt.Sprintf("capture %s of the head was removed on purpose, and nothing tells any more whether it was the one named", h.ID))
			}
		case there || chained && !h.Fits(after):
			v.historyDamage(h.ID, fmt.Errorf("%w: it is not the capture that the head names: it was exchanged, or the head is not as it was noted", format.ErrDamaged))
		default:
			v.historyDamage(h.ID, fmt.Errorf("%w: the head names it, and it is not there and was not removed by reclaiming: the repository was put back to an earlier state, or it vanished", format.ErrDamaged))
		}
	}
	return nil
}
