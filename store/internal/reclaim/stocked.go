package reclaim

import (
	"context"
	"slices"
	"sort"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// stocked is a slab that there is, or one that is absent.
type stocked struct {
	id     format.SlabID
	info   storage.Info
	frames []format.Frame // nil where they can't be known
	group  []byte         // of the captures that it was written for; nil: of any
	first  int            // number of its first chunk among those of all slabs
	chunks int
	begins []int // of each frame, the number of its first chunk in the slab
	// short says that a recipe names chunks behind the last one that the table tells of: what it says is not
	// so, and nothing of the slab is taken for unneeded.
	short bool
	// also is what is said otherwise of its frames: by further tables, and by itself. What any of them stand on by that stays.
	also []format.Frame

	moves bool // with others what is left of which is reckoned: see rest

	below, above []*stocked // on which its frames stand, and whose frames stand on it
}

// frameOf gives the number of the frame that a chunk lies in, of those that there are.
func (s *stocked) frameOf(chunk int) int {
	return sort.Search(len(s.begins), func(i int) bool { return s.begins[i] > chunk }) - 1
}

// standsOnOthers tells whether any of its frames is a delta.
func (s *stocked) standsOnOthers() bool {
	return slices.ContainsFunc(s.frames, func(f format.Frame) bool { return len(f.Bases) > 0 })
}

// readSlabs takes stock of the slabs, by the tables, or by what a slab itself says
// where no table lists it.
func (v *survey) readSlabs(ctx context.Context) (err error) {
	if v.slabs, err = v.r.vault.ListSlabs(ctx); err != nil {
		return err
	}
	for _, object := range v.slabs {
		s := &stocked{id: object.ID, info: object.Info}
		v.stock[s.id] = s
		v.order = append(v.order, s)
	}
	add := func(s *stocked, rec *format.SlabRecord) { s.frames, s.group = framesOf(rec), rec.Group }
	denied := make(map[*stocked]bool)
	err = v.r.stock.TakeAll(ctx, v.slabs, func(rec *format.SlabRecord) error {
		add(v.stock[rec.Slab], rec)
		return nil
	}, func(rec *format.SlabRecord) {
		s := v.missing(rec.Slab)
		if s.frames == nil {
			add(s, rec)
			return
		}
		s.saidAlso(framesOf(rec))
	}, func(rec *format.SlabRecord) {
		s := v.stock[rec.Slab]
		s.saidAlso(framesOf(rec))
		denied[s] = true
	})
	if err != nil {
		return err
	}
	for s := range denied {
		slab, err := v.r.slabs.Open(ctx, s.id)
		if err != nil && !vault.IsDamage(err) {
			return err
		}
		if err == nil {
			s.saidAlso(slab.Frames)
		}
	}
	return v.layOut(ctx)
}

func framesOf(rec *format.SlabRecord) []format.Frame {
	frames := make([]format.Frame, len(rec.Frames))
	for i := range frames {
		frames[i] = rec.Frames[i].Frame()
	}
	return frames
}

// saidAlso notes what is said besides of the frames of a slab that stand on others.
func (s *stocked) saidAlso(frames []format.Frame) {
	if slices.EqualFunc(frames, s.frames, func(a, b format.Frame) bool { return a.SameAs(&b.Standing) }) {
		return
	}
	for i := range frames {
		if len(frames[i].Bases) > 0 {
			s.also = append(s.also, frames[i])
		}
	}
}

// missing gives an absent slab; of one that no table lists, the frames are not known.
func (v *survey) missing(id format.SlabID) *stocked {
	s := v.absent[id]
	if s == nil {
		s = &stocked{id: id}
		v.absent[id] = s
	}
	return s
}

// at gives a slab, be it there or absent.
func (v *survey) at(id format.SlabID) *stocked {
	if s := v.stock[id]; s != nil {
		return s
	}
	return v.missing(id)
}

// layOut numbers all chunks.
func (v *survey) layOut(ctx context.Context) error {
	slices.SortStableFunc(v.order, func(a, b *stocked) int { return a.info.Modified.Compare(b.info.Modified) })
	n := 0
	for _, s := range v.order {
		if s.frames == nil {
			// No table lists it, as where a writer was stopped: it says itself what it holds. Where
			// it does not, its frames stay unknown, and a recipe that names it keeps it as a whole.
			slab, err := v.r.slabs.Open(ctx, s.id)
			if err != nil && !vault.IsDamage(err) {
				return err
			}
			if err == nil {
				s.frames, s.group = slab.Frames, slab.Group
			}
		}
		n = s.number(n)
	}
	for _, s := range v.absent {
		n = s.number(n)
	}
	for _, b := range []*bitset{&v.wanted, &v.needed, &v.asked, &v.direct, &v.listing, &v.instead} {
		*b = make(bitset, n/64+1)
	}
	v.linkBases()
	return nil
}

// number numbers the chunks from n on, and gives the number behind the last one.
func (s *stocked) number(n int) int {
	s.first = n
	for i := range s.frames {
		s.begins = append(s.begins, s.chunks)
		s.chunks += len(s.frames[i].Chunks)
	}
	return n + s.chunks
}
