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
	l     *lease.Lease // of the writer that it is for; nil: it is for no writer
	group []byte
	v     *Inventory
	read  readsTables // the tables that it is made by
	adopt bool        // whether slabs are read that none of them lists
	*Loaded
	again   *again
	counted func(format.SlabID) bool // slabs of which it is counted already what they stand on; nil: none

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

func (r *Stock) newLoading(ctx context.Context, p *presence, l *lease.Lease, group []byte) *loading {
	s := &loading{
		r: r, p: p, l: l, group: group, v: newInventory(p.slabs), read: r.readTables,
		Loaded: &Loaded{Index: known.New()}, again: &again{ctx: ctx, r: r, copyOf: copyOf},
	}
	s.v.absent = p.absent
	if p.relied != nil {
		s.v.supposed = p.supposed
	}
	if p.memory > 0 {
		s.Index.Bound(p.memory, s.again.read)
	}
	return s
}

// stockOf is Load for what is there.
func (r *Stock) stockOf(ctx context.Context, p *presence, l *lease.Lease, group []byte) (*Loaded, error) {
	r.slabs.Expect(p.slabs.Length)
	s := r.newLoading(ctx, p, l, group)
	s.adopt = true
	if err := s.load(ctx); err != nil {
		return nil, err
	}
	if p.relied != nil {
		r.slabs.Expect(p.length)
	}
	return s.Loaded, nil
}

// load makes the index.
func (s *loading) load(ctx context.Context) error {
	if err := s.r.takeInto(ctx, s.v, s.read, true, s.take); err != nil {
		return err
	}
	s.p.cut = s.v.cut()
	s.Lacks, s.LengthSaid = s.p.lacks, s.p.lengthSaid
	s.Tables, s.listed = s.v.tables, s.v.whereabouts()
	if s.adopt {
		if err := s.findUnlisted(ctx); err != nil {
			return err
		}
	}
	if err := s.takeStanding(ctx); err != nil {
		return err
	}
	if err := s.addHeld(s.last); err != nil {
		return err
	}
	if s.Index.Sampled() {
		baseless, err := baselessOf(ctx, s.Index.Standing(), s.p.mayHold)
		if err != nil {
			return err
		}
		s.Index.Forget(baseless...)
	}
	if s.l != nil {
		s.forget(s.v.contradicted)
	}
	if s.p.relied != nil {
		s.Looked = len(s.p.slabs)
		s.Index.Ask(s.p.there)
	}
	return nil
}

// findUnlisted finds slabs that no table lists.
func (s *loading) findUnlisted(ctx context.Context) error {
	unlisted, err := s.r.forsaken(ctx, s.v.Unlisted(), s.p.slabs, s.l)
	if err != nil {
		return err
	}
	s.Adopted, err = s.r.recover(ctx, unlisted, nil, s.p.each != nil)
	return err
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
		if rec.Frames[i].Padding {
			break // an index keeps none of it
		}
		s.chunks += len(rec.Frames[i].Chunks)
	}
	if s.Index.Fits(s.Index.Len() + s.chunks) {
		return nil
	}
	all := slices.Concat(s.standing, s.last)
	s.standing, s.last, s.chunks = nil, nil, 0
	return s.addHeld(all)
}

// takeStanding adds what stands on others, once it is known what is there, and what was adopted. What stands on what is counted by
// the tables that are read, where the index keeps all: above that only what a capture puts itself counts, and what was noted.
func (s *loading) takeStanding(ctx context.Context) (err error) {
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
	if s.p.each == nil && !s.Index.Sampled() { // else nothing is written by it, or they are not all
		if s.Crowds, err = countCrowds(ctx, records, s.counted); err != nil {
			return err
		}
	}
	if records, err = s.p.blotBaseless(ctx, records); err != nil {
		return err
	}
	for i, rec := range records {
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
