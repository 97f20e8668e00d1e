package mend

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// place is where a chunk lies.
type place struct {
	slab  format.SlabID
	chunk uint32
}

// mostPlaces is how many places of one chunk are tried in the other place.
const mostPlaces = 4

// supply takes chunks that are harmed here from the other place, and puts them into new slabs, where healing finds
// them. Each is held against its identity.
func (p *repairer) supply(ctx context.Context) error {
	if p.from == nil || len(p.bad) == 0 {
		return nil
	}
	if err := p.nameByOther(ctx); err != nil {
		return err
	}
	before, err := p.r.vault.ListSlabs(ctx)
	if err != nil {
		return err
	}
	for _, captures := range p.r.byGroup(p.v.Captures) {
		if err := p.supplyGroup(ctx, captures[0].Name); err != nil {
			return err
		}
	}
	return p.learnSlabs(ctx, before)
}

// nameByOther learns which chunks slabs held of which no table here tells: by the same slab of the other place.
func (p *repairer) nameByOther(ctx context.Context) error {
	for id, b := range p.bad {
		if b.ids != nil || !p.from.has(id) {
			continue
		}
		slab, err := p.from.Vault().Slabs().Open(ctx, id)
		if err != nil {
			if err := p.unreadThere(ctx, id, err); err != nil {
				return err
			}
			continue
		}
		rec := &format.SlabRecord{Slab: id, Group: slab.Group}
		err = p.from.Vault().Slabs().Identify(ctx, slab, func(frame int, ids []crypt.Identity, err error) error {
			f := format.TableFrame{Chunks: slab.Frames[frame].Chunks}
			if err != nil { // those stay unnamed
				ids = make([]crypt.Identity, len(f.Chunks))
				if err := p.unreadThere(ctx, id, err); err != nil {
					return err
				}
			}
			for _, one := range ids {
				f.IDs = append(f.IDs, one[:]...)
			}
			rec.Frames = append(rec.Frames, f)
			return nil
		})
		if err != nil {
			return err
		}
		b.name(rec)
	}
	return nil
}

// unreadThere notes damage in the other place, and gives any other error back.
func (p *repairer) unreadThere(_ context.Context, id format.SlabID, err error) error {
	if !vault.IsDamage(err) {
		return err
	}
	p.damagedSlab(id, err)
	return nil
}

func (p *repairer) supplyGroup(ctx context.Context, name string) error {
	h, err := p.newHealer(ctx, name)
	if err != nil {
		return err
	}
	wanted := p.wanted(h, p.r.stock.ApartFor(name).Group)
	places, err := p.placesOf(ctx, wanted)
	if err == nil {
		err = p.take(ctx, h, places)
	}
	if err != nil {
		h.w.Intake.Abandon(context.WithoutCancel(ctx))
		return err
	}
	_, err = h.w.Intake.Close()
	return err
}

// wanted gives the chunks that are harmed and whole nowhere here, each with where it lay.
func (p *repairer) wanted(h *healer, group []byte) map[crypt.Identity][]place {
	all := make(map[crypt.Identity][]place)
	for id, b := range p.bad {
		if group != nil && !bytes.Equal(group, b.group) {
			continue
		}
		for n := range uint32(max(len(b.bad), len(b.ids))) {
			if !b.lost(n) && !b.disputes(n) {
				continue
			}
			for _, meant := range b.meant(n) {
				if _, ok := h.index.Lookup(meant); ok || len(all[meant]) > 0 {
					continue
				}
				all[meant] = nil
				if p.from.has(id) { // mostly it lies there as it did here
					all[meant] = []place{{id, n}}
				}
			}
		}
	}
	return all
}

// placesOf adds where else tables of the other place say that chunks are.
func (p *repairer) placesOf(ctx context.Context, wanted map[crypt.Identity][]place) (map[crypt.Identity][]place, error) {
	if len(wanted) == 0 {
		return wanted, nil
	}
	return wanted, p.from.ReadTables(ctx, func(_ storage.Info, records []*format.SlabRecord, _ error) error {
		for _, rec := range records {
			if !p.from.has(rec.Slab) {
				continue
			}
			n := uint32(0)
			for i := range rec.Frames {
				for c := range rec.Frames[i].Chunks {
					at := place{rec.Slab, n}
					n++
					known, ok := wanted[rec.Frames[i].ID(c)]
					if ok && len(known) < mostPlaces && !slices.Contains(known, at) {
						wanted[rec.Frames[i].ID(c)] = append(known, at)
					}
				}
			}
		}
		return nil
	})
}

// take takes chunks in, in the order in which they lie, so that each frame is read once.
func (p *repairer) take(ctx context.Context, h *healer, places map[crypt.Identity][]place) error {
	type chunk struct {
		id crypt.Identity
		at []place
	}
	var all []chunk
	for id, at := range places {
		if len(at) > 0 {
			all = append(all, chunk{id, at})
		}
	}
	slices.SortFunc(all, func(a, b chunk) int {
		if c := bytes.Compare(a.at[0].slab[:], b.at[0].slab[:]); c != 0 {
			return c
		}
		return int(a.at[0].chunk) - int(b.at[0].chunk)
	})
	to := h.w.NewStrands()
	for _, c := range all {
		if err := p.takeChunk(ctx, h, c.id, c.at, to.Contents); err != nil {
			return err
		}
	}
	return nil
}

// takeChunk takes a chunk in from the first of some places where it is whole.
func (p *repairer) takeChunk(ctx context.Context, h *healer, id crypt.Identity, places []place, to *intake.Stream) error {
	for _, at := range places {
		data, err := p.readThere(ctx, id, at)
		if err != nil {
			if err := p.unreadThere(ctx, at.slab, err); err != nil {
				return err
			}
			continue
		}
		buf, err := h.w.Intake.Reserve()
		if err != nil {
			return err
		}
		if len(data) > len(buf) {
			continue // longer than any chunk of this repository
		}
		h.w.Intake.Put(to, copy(buf, data))
		p.out.Taken++
		p.progress = true
		return nil
	}
	return nil
}

// readThere reads a chunk in the other place, and holds it against its identity.
func (p *repairer) readThere(ctx context.Context, id crypt.Identity, at place) ([]byte, error) {
	r := p.from.Vault().Slabs().Read(ctx, fetch.Inline([]format.Run{{Slab: at.slab, First: at.chunk, Count: 1, Times: 1}}))
	defer r.Close()
	c, err := r.Next()
	if errors.Is(err, io.EOF) {
		err = fmt.Errorf("%w: a chunk is missing", format.ErrDamaged)
	}
	if err == nil && c.ID != id {
		err = fmt.Errorf("%w: chunk %d is not what was captured", format.ErrDamaged, at.chunk)
	}
	return c.Data, err
}

// learnSlabs reads the slabs that were put, so that what is healed is held against what they hold.
func (p *repairer) learnSlabs(ctx context.Context, before vault.SlabList) error {
	now, err := p.r.vault.ListSlabs(ctx)
	if err != nil {
		return err
	}
	for _, s := range now {
		if _, ok := before.Find(s.ID); ok {
			continue
		}
		rec, err := p.r.stock.RecoverSlab(ctx, s.ID)
		if vault.IsDamage(err) || errors.Is(err, storage.ErrNotFound) {
			continue
		}
		if err != nil {
			return err
		}
		p.v.Learn(rec)
	}
	return nil
}
