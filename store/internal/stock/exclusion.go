package stock

import (
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Exclusion says which slabs nobody may rely on any more.
type Exclusion struct {
	Slabs  map[format.SlabID]bool
	before time.Time // and all that are not younger than this, as the mark that names them can't be read
	harmed ledger.HarmedPlaces
	Last   map[format.SlabID]bool // announced: to be relied on only where there is no other
}

// NewExclusion gives what the marks of batches exclude.
func NewExclusion(b *ledger.Batches) *Exclusion {
	e := &Exclusion{Slabs: make(map[format.SlabID]bool), Last: make(map[format.SlabID]bool), harmed: b.Harmed()}
	for _, f := range b.Final {
		if f.Record == nil && f.Info.Modified.After(e.before) {
			e.before = f.Info.Modified
		}
		if f.Record != nil {
			for _, id := range f.Record.Slabs {
				e.Slabs[id] = true
			}
		}
	}
	for _, a := range b.Announced {
		if a.Record != nil {
			for _, id := range a.Record.Slabs {
				e.Last[id] = true
			}
		}
	}
	return e
}

// names tells whether a slab is named, by itself, as one that may not be relied on.
func (e *Exclusion) names(id format.SlabID) bool {
	frames, ok := e.harmed[id]
	return ok && len(frames) == 0 || e.Slabs[id]
}

// asksTimes tells whether it takes a slab's time to know whether it may be relied on.
func (e *Exclusion) asksTimes() bool { return !e.before.IsZero() }

// Covers tells whether a slab may not be relied on.
func (e *Exclusion) Covers(id format.SlabID, info storage.Info) bool {
	return e.names(id) || e.Goes(id, info)
}

// Goes tells whether a slab may not be relied on since it is being removed, or may be.
func (e *Exclusion) Goes(id format.SlabID, info storage.Info) bool {
	return e.Slabs[id] || !e.before.IsZero() && !info.Modified.After(e.before.Add(lease.ClockSlack))
}

// From gives the slabs, of those that there are, that may be relied on.
func (e *Exclusion) From(slabs vault.SlabList) vault.SlabList {
	return slabs.Without(func(s vault.SlabObject) bool { return e.Covers(s.ID, s.Info) })
}
