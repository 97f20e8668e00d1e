package ledger

import (
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/remember"
)

// Exchanged gives the captures that are there and are not what they were, by what this
// machine knows or by the capture that was made after them, each with the hashes that they
// had and with what tells of it.
func (r *Ledger) Exchanged(captures []*Capture, gone Departures) map[string]*Exchange {
	all := make(map[string]*Exchange)
	now := make(map[string]*Capture)
	for _, c := range captures {
		now[c.ID] = c
	}
	note := func(id string, hash crypt.Digest, why string) {
		if is, ok := now[id]; !ok || is.Was(hash) || gone.Covers(id, hash) {
			return
		}
		if all[id] == nil {
			all[id] = &Exchange{Why: why}
		}
		if !slices.Contains(all[id].Was, hash) {
			all[id].Was = append(all[id].Was, hash)
		}
	}
	for _, known := range r.watch.Memory.Captures() {
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

// Exchange is what tells that a capture was exchanged.
type Exchange struct {
	Was []crypt.Digest
	Why string
}
