package mend

import (
	"context"
	"errors"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/check"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/storage"
)

// correctTables writes tables anew that say of frames what they do not hold. What they said
// is kept beside what is true: captures may have relied on it, and are healed by it.
func (p *repairer) correctTables(ctx context.Context) error {
	type wrongTable struct {
		name    string
		records []*format.SlabRecord
	}
	var wrong []wrongTable
	err := p.r.stock.ReadTables(ctx, func(info storage.Info, records []*format.SlabRecord, err error) error {
		if err != nil {
			return nil // RebuildTables sees to it
		}
		corrected, err := p.correctAll(ctx, records)
		if err == nil && corrected != nil {
			wrong = append(wrong, wrongTable{info.Name, corrected})
		}
		return err
	})
	if err != nil {
		return err
	}
	for _, t := range wrong {
		if err := p.lease.Check(ctx); err != nil {
			return err
		}
		if _, err := p.r.stock.WriteTable(ctx, t.records); err != nil {
			return err
		}
		if err := p.r.storage.Remove(ctx, t.name); err != nil && !errors.Is(err, storage.ErrNotFound) {
			return err
		}
		p.out.Tables.Replaced = append(p.out.Tables.Replaced, t.name)
	}
	return nil
}

// correctAll gives the records of a table as they should be, or nil if they are.
func (p *repairer) correctAll(ctx context.Context, records []*format.SlabRecord) ([]*format.SlabRecord, error) {
	var corrected []*format.SlabRecord
	changed := false
	for _, rec := range records {
		right, err := p.correct(ctx, rec)
		if err != nil {
			return nil, err
		}
		changed = changed || right != rec
		if right != nil {
			corrected = append(corrected, right)
		}
	}
	if !changed {
		return nil, nil
	}
	return corrected, nil
}

// correct gives what a record should say: the record itself, another one, or nil, where it
// is about other frames than the slab has and not all of those can be read.
func (p *repairer) correct(ctx context.Context, rec *format.SlabRecord) (*format.SlabRecord, error) {
	s := p.v.Slabs[rec.Slab]
	if length, there := p.v.There.Length(rec.Slab); s == nil || s.IDs == nil || !there || uint64(length) != rec.Length {
		return rec, nil
	}
	slab, err := p.r.slabs.Open(ctx, rec.Slab)
	if err != nil {
		return nil, err // it could be read before
	}
	if !check.SameFrames(rec, slab) {
		if len(s.Bad) > 0 {
			return nil, nil
		}
		return p.r.stock.RecoverSlab(ctx, rec.Slab)
	}
	if len(s.Disputed.Said) == 0 {
		return rec, nil
	}
	right := *rec
	right.Frames = slices.Clone(rec.Frames)
	changed := false
	for i := range right.Frames {
		if _, ok := s.Disputed.Frames[i]; ok && s.Bad[i] == nil {
			changed = correctFrame(s, &right.Frames[i], slab.FirstChunk(i)) || changed
		}
	}
	if !changed {
		return rec, nil
	}
	return &right, nil
}

// correctFrame has a frame of a record say what the frame holds, and what was said of it.
// It tells whether that is new.
func correctFrame(s *check.SlabState, f *format.TableFrame, first uint32) bool {
	var ids, former []byte
	for c := range f.Chunks {
		n := first + uint32(c)
		ids = append(ids, s.IDs[n][:]...)
		said := slices.SortedFunc(slices.Values(s.Disputed.Said[n]), func(a, b crypt.Identity) int { return slices.Compare(a[:], b[:]) })
		for _, id := range said {
			former = format.AppendFormer(former, c, id)
		}
	}
	changed := string(ids) != string(f.IDs) || string(former) != string(f.Former)
	f.IDs, f.Former = ids, former
	return changed
}
