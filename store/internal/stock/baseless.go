package stock

import (
	"context"
	"iter"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/storage"
)

// blotBaseless takes the identities out of frames that stand on slabs which are not there, or on which nobody may rely,
// by any way, so that nobody finds their chunks. It is given all records that have deltas.
func (p *presence) blotBaseless(ctx context.Context, records []*format.SlabRecord) ([]*format.SlabRecord, error) {
	if p.each != nil {
		return records, nil // who only looks relies on nothing
	}
	all := make(map[format.SlabID]*baseless, len(records))
	for _, rec := range records {
		all[rec.Slab] = newBaseless(rec)
	}
	for depth := uint32(1); depth <= format.MaxDepth; depth++ {
		for _, s := range all {
			if ctx.Err() != nil {
				return nil, context.Cause(ctx)
			}
			s.find(depth, func(b format.Base) bool {
				if base := all[b.Slab]; base != nil && base.isBad(b.First) {
					return true
				}
				return !p.mayHold(b.Slab)
			})
		}
	}
	for i, rec := range records {
		records[i] = all[rec.Slab].blot(rec)
	}
	return records, nil
}

// baseless says which frames of a slab stand on what is not there.
type baseless struct {
	frames []format.TableFrame
	first  []uint32 // numbers of the frames' first chunks
	bad    []bool
	any    bool
}

func newBaseless(rec *format.SlabRecord) *baseless {
	s := &baseless{frames: rec.Frames, first: make([]uint32, len(rec.Frames)), bad: make([]bool, len(rec.Frames))}
	n := uint32(0)
	for i := range rec.Frames {
		s.first[i] = n
		n += uint32(len(rec.Frames[i].Chunks))
	}
	return s
}

// find notes frames of a depth that stand on what lacks tells of.
func (s *baseless) find(depth uint32, lacks func(format.Base) bool) {
	for i := range s.frames {
		if f := &s.frames[i]; f.Depth == depth && slices.ContainsFunc(f.Bases, lacks) {
			s.bad[i], s.any = true, true
		}
	}
}

// isBad tells of a chunk.
func (s *baseless) isBad(chunk uint32) bool {
	i := s.frameOf(chunk)
	return i >= 0 && s.bad[i]
}

// frameOf gives the frame that a chunk is in, or -1; of chunks behind all the last one.
func (s *baseless) frameOf(chunk uint32) int {
	i, found := slices.BinarySearch(s.first, chunk)
	if !found {
		i--
	}
	return i
}

// blot gives the record without the identities of frames that were noted.
func (s *baseless) blot(rec *format.SlabRecord) *format.SlabRecord {
	if !s.any {
		return rec
	}
	clean := *rec
	clean.Frames = slices.Clone(rec.Frames)
	for i := range clean.Frames {
		if s.bad[i] {
			clean.Frames[i].IDs = make([]byte, len(clean.Frames[i].IDs))
		}
	}
	return &clean
}

// baselessOf gives slabs that have frames which stand, by any way, on slabs that are not there, or on which nobody may rely. It is
// what blotBaseless does, by slabs in the place of frames. Each slab is gone through once, and so is each that it stands on: forged
// ones stand on each other in rows of any length.
func baselessOf(ctx context.Context, standing iter.Seq2[format.SlabID, []format.SlabID], mayHold func(format.SlabID) bool) (all []format.SlabID, err error) {
	above := make(map[format.SlabID][]format.SlabID) // what stands on a slab
	bad := make(map[format.SlabID]bool)
	for slab, bases := range standing {
		if ctx.Err() != nil {
			return nil, context.Cause(ctx)
		}
		if slices.ContainsFunc(bases, func(b format.SlabID) bool { return !mayHold(b) }) {
			bad[slab] = true
			all = append(all, slab)
			continue
		}
		for _, b := range bases {
			above[b] = append(above[b], slab)
		}
	}
	for i := 0; i < len(all); i++ {
		for _, slab := range above[all[i]] {
			if !bad[slab] {
				bad[slab] = true
				all = append(all, slab)
			}
		}
	}
	return all, nil
}

// mayHold tells whether frames may stand on a slab. Where slabs are relied on without looking, there tells of it later.
func (p *presence) mayHold(id format.SlabID) bool {
	if p.relied != nil {
		return !p.exclude.names(id)
	}
	return p.listed(id)
}

// union gives the slabs that are in either, each once.
func union(a, b []format.SlabID) []format.SlabID {
	if slices.Equal(a, b) {
		return a
	}
	seen := make(map[format.SlabID]bool, len(a))
	for _, id := range a {
		seen[id] = true
	}
	for _, id := range b {
		if !seen[id] {
			seen[id] = true
			a = append(a, id)
		}
	}
	return a
}

// Bases gives, of each slab that tables list, the slabs that its deltas stand on; nothing of a slab that has none.
func (r *Stock) Bases(ctx context.Context) (map[format.SlabID][]format.SlabID, error) {
	all := make(map[format.SlabID][]format.SlabID)
	return all, r.ReadTables(ctx, func(_ storage.Info, records []*format.SlabRecord, _ error) error {
		for _, rec := range records {
			bases, again := all[rec.Slab]
			if !again {
				all[rec.Slab] = rec.BaseSlabs() // also where there are none: it is listed
				continue
			}
			all[rec.Slab] = union(bases, rec.BaseSlabs())
		}
		return nil
	})
}
