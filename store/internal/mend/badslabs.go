package mend

import (
	"context"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/storage"
)

// badSlab is a slab of which not all can be read.
type badSlab struct {
	frames []uint32         // that can't be read; none: the slab as a whole
	bad    []bool           // by chunk; nil: all
	ids    []crypt.Identity // of the chunks, as a table says; nil where none does, zero where it is not known
	lens   []uint32         // of the chunks, likewise
	group  []byte
	said   map[uint32][]crypt.Identity // what tables said of chunks that are others
}

// lost tells whether a chunk can't be read.
func (b *badSlab) lost(chunk uint32) bool {
	return b != nil && (b.bad == nil || int(chunk) >= len(b.bad) || b.bad[chunk])
}

// disputes tells whether a table said that a chunk is another one.
func (b *badSlab) disputes(chunk uint32) bool { return b != nil && len(b.said[chunk]) > 0 }

// findBad notes which chunks can't be read, and what they were.
func (p *repairer) findBad(ctx context.Context) error {
	p.bad = make(map[format.SlabID]*badSlab)
	for id, s := range p.v.Slabs {
		if len(s.Bad) == 0 && !s.Worn && len(s.Disputed.Said) == 0 {
			continue
		}
		b := &badSlab{said: s.Disputed.Said}
		// Frame -1 stands for the slab as a whole: then all of its chunks are lost.
		if s.Bad[-1] == nil {
			slab, err := p.r.slabs.Open(ctx, id)
			if err != nil {
				return err
			}
			b.bad = make([]bool, slab.Chunks())
			for frame := range s.Bad {
				b.frames = append(b.frames, uint32(frame))
				for n := range slab.Frames[frame].Chunks {
					b.bad[int(slab.FirstChunk(frame))+n] = true
				}
			}
			for frame := range s.Disputed.Frames {
				if s.Bad[frame] == nil {
					b.frames = append(b.frames, uint32(frame))
				}
			}
			if s.Worn {
				// No frame has this number: it stands for the trailer.
				b.frames = append(b.frames, uint32(len(slab.Frames)))
			}
			slices.Sort(b.frames)
		}
		p.bad[id] = b
	}
	return p.nameChunks(ctx)
}

// nameChunks learns from the tables which chunks bad slabs held, those that are
// missing included.
func (p *repairer) nameChunks(ctx context.Context) error {
	if len(p.bad) == 0 {
		return nil
	}
	return p.r.stock.ReadTables(ctx, func(_ storage.Info, records []*format.SlabRecord, _ error) error {
		for _, rec := range records {
			if b := p.bad[rec.Slab]; b != nil && b.ids == nil {
				b.name(rec)
			}
		}
		return nil
	})
}

// name notes what a record says of the chunks.
func (b *badSlab) name(rec *format.SlabRecord) {
	b.ids, b.group = stock.IdentitiesOf(rec), rec.Group
	for i := range rec.Frames {
		b.lens = append(b.lens, rec.Frames[i].Chunks...)
	}
}

// meant gives the identities that a chunk may have had: none is zero.
func (b *badSlab) meant(chunk uint32) []crypt.Identity {
	if said := b.said[chunk]; len(said) > 0 {
		return said
	}
	if int(chunk) >= len(b.ids) || b.ids[chunk] == (crypt.Identity{}) {
		return nil
	}
	return b.ids[chunk : chunk+1]
}
