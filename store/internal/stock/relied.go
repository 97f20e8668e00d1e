package stock

import (
	"context"
	"maps"
	"slices"
	"sync"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// To list all slabs takes some hundred calls over a share, for each of their folders. A writer need
// not: what a capture that is there needs is there, as whoever reclaims removes index files before
// slabs (FORMAT.md, section 10, point 4). The folders take turns in being looked into, so that a slab
// that was lost or cut short is found after some captures.

// Relied is what a writer relies on without listing all slabs.
type Relied struct {
	Slabs map[format.SlabID]bool // that a capture needs which is there
	Look  []int                  // the folders that are looked into this time
	All   bool                   // all slabs are listed: none is relied on unseen

	// Tables are those that list these slabs, as Pin gave them for Service. With them no other tables are listed or read
	// before Loaded.Rest. None: all are read.
	Service string
	Tables  []storage.Info
}

// lacks gives slabs that seem to be gone or cut short, of those that are needed, those that are named beside them and what these
// stand on, as far as they were looked for; and those that could not be read. None of them is one that nobody may rely on.
func (p *presence) lacks(named, unread []format.SlabID) (all []format.SlabID) {
	if p.exclude.asksTimes() {
		return nil
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, id := range unread {
		if !p.exclude.names(id) {
			all = append(all, id)
		}
	}
	seen := make(map[format.SlabID]bool)
	for next := slices.AppendSeq(slices.Clone(named), maps.Keys(p.needed)); len(next) > 0; {
		id := next[len(next)-1]
		next = next[:len(next)-1]
		if seen[id] {
			continue
		}
		seen[id] = true
		next = append(next, p.bases[id]...)
		if p.seemsGone(id) && !p.exclude.names(id) {
			all = append(all, id)
		}
	}
	return all
}

// seemsGone needs p.mu to be held. It tells nothing of a slab that was not looked for.
func (p *presence) seemsGone(id format.SlabID) bool {
	if p.relied == nil || p.looked[vault.FolderOfSlab(id)] {
		return !p.listed(id)
	}
	denied := func(id format.SlabID) bool { said, asked := p.said[id]; return asked && !said }
	return denied(id) && !slices.ContainsFunc(p.bases[id], denied) // else it is what it stands on
}

// presence tells which slabs are there.
type presence struct {
	stock   *Stock
	ctx     context.Context
	exclude *Exclusion
	relied  *Relied                  // nil: slabs are all that there are
	looked  map[int]bool             // numbers of the folders that slabs are of
	lengths map[format.SlabID]uint64 // of the slabs of other folders, as tables say

	memory int64 // bytes that the index may take; 0: whatever it takes

	each func(*format.SlabRecord) // see Measure; nil: nobody is told

	needed map[format.SlabID]bool // by a capture which is there; nil: it is for nobody who tells of what is gone

	bases map[format.SlabID][]format.SlabID // of slabs that have deltas
	cut   map[format.SlabID]uint64          // of those that were listed and are of another length than tables say: that length

	mu     sync.Mutex
	slabs  vault.SlabList
	said   map[format.SlabID]bool   // of those that were asked about
	asked  int                      // for how many the storage was asked
	whole  bool                     // slabs are all that there are, by now
	absent func(*format.SlabRecord) // is told of slabs that are missing; nil: nobody
}

// askedFor is how many slabs are asked for one by one before all are listed.
const askedFor = 48

func newPresence(ctx context.Context, r *Stock, exclude *Exclusion, relied *Relied) *presence {
	return &presence{
		stock: r, ctx: ctx, exclude: exclude, relied: relied, looked: make(map[int]bool),
		lengths: make(map[format.SlabID]uint64), bases: make(map[format.SlabID][]format.SlabID), said: make(map[format.SlabID]bool),
	}
}

// again gives the same, of which nothing was asked.
func (p *presence) again(ctx context.Context) *presence {
	fresh := newPresence(ctx, p.stock, p.exclude, p.relied)
	fresh.looked, fresh.slabs, fresh.memory, fresh.needed = p.looked, p.slabs, p.memory, p.needed
	return fresh
}

// present lists slabs: all, or some of them where others are relied on.
func (r *Stock) present(ctx context.Context, exclude *Exclusion, relied *Relied) (*presence, error) {
	p := newPresence(ctx, r, exclude, relied)
	var err error
	if relied == nil {
		p.slabs, err = r.vault.ListSlabs(ctx)
	} else {
		for _, n := range relied.Look {
			p.looked[n] = true
		}
		p.slabs, err = r.vault.LookInto(ctx, relied.Look)
	}
	p.slabs = exclude.From(p.slabs)
	return p, err
}

// tell tells of a slab that is about to be added to an index.
func (p *presence) tell(rec *format.SlabRecord) {
	if p.each != nil {
		p.each(rec)
	}
}

// supposed tells whether a slab that was not looked for may be taken for there by the word of a
// table, until it is asked for.
func (p *presence) supposed(rec *format.SlabRecord) bool {
	if p.relied == nil || p.looked[vault.FolderOfSlab(rec.Slab)] || p.exclude.names(rec.Slab) {
		return false
	}
	if _, ok := p.lengths[rec.Slab]; !ok {
		p.lengths[rec.Slab] = rec.Length
	}
	return true
}

// length gives the length of a slab, in bytes.
func (p *presence) length(id format.SlabID) (int64, bool) {
	if n, ok := p.lengths[id]; ok {
		return int64(n), true
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.slabs.Length(id)
}

// note notes on which slabs one stands.
func (p *presence) note(rec *format.SlabRecord) {
	if p.relied != nil || p.needed != nil {
		p.bases[rec.Slab] = rec.BaseSlabs()
	}
}

// there tells whether a slab that a table lists is there, as it is said to be, and what it stands on.
func (p *presence) there(id format.SlabID) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.isThere(id)
}

// isThere needs p.mu to be held. What a capture needs that is there may be taken for there, but where it was looked for;
// and what was lost may be what that stands on.
func (p *presence) isThere(id format.SlabID) bool {
	said, ok := p.said[id]
	if ok {
		return said
	}
	p.said[id] = false // one that stands on itself by some way is not there
	if p.looked[vault.FolderOfSlab(id)] {
		said = p.listed(id)
	} else {
		said = p.relied.Slabs[id] || p.ask(id)
	}
	said = said && !slices.ContainsFunc(p.bases[id], func(base format.SlabID) bool { return !p.isThere(base) })
	p.said[id] = said
	return said
}

// listed tells whether a slab whose folder was listed is there, of the length that tables say, if any lists it.
func (p *presence) listed(id format.SlabID) bool {
	_, ok := p.slabs.Find(id)
	_, cut := p.cut[id]
	return ok && !cut
}

// lengthSaid gives the length that tables say of a slab, in bytes, where it is not there as they say, or was not looked for.
func (p *presence) lengthSaid(id format.SlabID) (n uint64, ok bool) {
	if n, ok = p.cut[id]; !ok {
		n, ok = p.lengths[id]
	}
	return n, ok
}

// ask needs p.mu to be held. What can't be reached is not relied on.
func (p *presence) ask(id format.SlabID) bool {
	if p.asked++; !p.whole && p.asked > askedFor {
		all, err := p.stock.vault.ListSlabs(p.ctx)
		if err != nil {
			return false
		}
		p.slabs, p.whole = p.exclude.From(all), true
	}
	if p.whole {
		n, ok := p.slabs.Length(id)
		return ok && uint64(n) == p.lengths[id]
	}
	info, err := p.stock.storage.Stat(p.ctx, names.Slab(id))
	return err == nil && uint64(info.Size) == p.lengths[id]
}
