package stock

import (
	"context"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/lease"
)

// loading makes an index of what is there.
type loading struct {
	r     *Stock
	p     *presence
	v     *Inventory
	group []byte
	*Loaded
	again *again

	// What comes behind all others, as long as the index keeps all.
	last     []held // is announced
	standing []held // stands on slabs that may be listed later
	chunks   int    // of both
}

// held is a record that is not added yet.
type held struct {
	rec *format.SlabRecord
	at  told
}

// stockOf is Load for what is there.
func (r *Stock) stockOf(ctx context.Context, p *presence, l *lease.Lease, group []byte) (*Loaded, error) {
	s := &loading{r: r, p: p, v: newInventory(p.slabs), group: group, Loaded: &Loaded{Index: known.New()}, again: &again{ctx: ctx, r: r}}
	s.v.absent = p.absent
	if p.relied != nil {
		s.v.supposed = p.supposed
	}
	if p.memory > 0 {
		s.Index.Bound(p.memory, s.again.read)
	}
	r.slabs.Expect(p.slabs.Length)
	if err := r.takeInto(ctx, s.v, true, s.take); err != nil {
		return nil, err
	}
	p.cut = s.v.cut()
	s.Tables = s.v.tables
	unlisted, err := r.forsaken(ctx, s.v.Unlisted(), p.slabs, l)
	if err != nil {
		return nil, err
	}
	if s.Adopted, err = r.recover(ctx, unlisted, nil, p.each != nil); err != nil {
		return nil, err
	}
	if err := s.takeStanding(); err != nil {
		return nil, err
	}
	if err := s.addHeld(s.last); err != nil {
		return nil, err
	}
	if s.Index.Sampled() {
		s.Index.Forget(s.baseless()...)
	}
	if l != nil {
		s.forget(s.v.contradicted)
	}
	if p.relied != nil {
		r.slabs.Expect(p.length)
		s.Index.Ask(p.there)
	}
	return s.Loaded, nil
}

// take takes a record of a table.
func (s *loading) take(rec *format.SlabRecord) error {
	if !ofGroup(rec, s.group) {
		return nil
	}
	rec, at := s.p.exclude.harmed.Blot(rec), s.again.told(s.v)
	if rec.HasDeltas() {
		s.p.note(rec)
	}
	switch {
	case s.Index.Sampled():
	case rec.HasDeltas():
		s.standing = append(s.standing, held{rec, at})
		return s.holdNoMore(rec)
	case s.isLast(rec):
		s.last = append(s.last, held{rec, at})
		return s.holdNoMore(rec)
	}
	return s.add(rec, at)
}

func (s *loading) isLast(rec *format.SlabRecord) bool { return s.p.exclude.Last[rec.Slab] }

// holdNoMore adds what is held where there is more than an index may keep: what comes first does not matter then, and
// what stands on nothing is forgotten by slabs.
func (s *loading) holdNoMore(rec *format.SlabRecord) error {
	for i := range rec.Frames {
		s.chunks += len(rec.Frames[i].Chunks)
	}
	if s.Index.Fits(s.Index.Len() + s.chunks) {
		return nil
	}
	all := slices.Concat(s.standing, s.last)
	s.standing, s.last, s.chunks = nil, nil, 0
	return s.addHeld(all)
}

// takeStanding adds what stands on others, once it is known what is there, and what was adopted. What stands on what is counted
// where the index keeps all: above that, of what was there, only what was adopted counts.
func (s *loading) takeStanding() error {
	for _, rec := range s.Adopted {
		if rec.HasDeltas() {
			s.p.note(rec)
		}
		s.standing = append(s.standing, held{rec: rec})
	}
	records := make([]*format.SlabRecord, len(s.standing))
	for i, h := range s.standing {
		records[i] = h.rec
	}
	if s.p.each == nil { // else nothing is written by it
		s.Crowds = countCrowds(records)
	}
	for i, rec := range s.p.blotBaseless(records) {
		h := held{rec, s.standing[i].at}
		if s.isLast(rec) {
			s.last = append(s.last, h)
		} else if err := s.add(rec, h.at); err != nil {
			return err
		}
	}
	s.standing = nil
	return nil
}

func (s *loading) addHeld(all []held) error {
	for _, h := range all {
		if err := s.add(h.rec, h.at); err != nil {
			return err
		}
	}
	return nil
}

// add adds a record to the index.
func (s *loading) add(rec *format.SlabRecord, at told) error {
	if !ofGroup(rec, s.group) {
		return nil
	}
	s.p.tell(rec)
	s.again.added(rec, at)
	return s.Index.AddSlab(rec.Slab, rec.Frames)
}

// baseless gives slabs that have frames which stand, by any way, on slabs that are not there, or on which nobody may
// rely. It is what blotBaseless does, by slabs in the place of frames.
func (s *loading) baseless() (all []format.SlabID) {
	bad := make(map[format.SlabID]bool)
	for more := true; more; {
		more = false
		for slab, bases := range s.Index.Standing() {
			if !bad[slab] && slices.ContainsFunc(bases, func(b format.SlabID) bool { return bad[b] || !s.p.mayHold(b) }) {
				bad[slab], more = true, true
				all = append(all, slab)
			}
		}
	}
	return all
}
