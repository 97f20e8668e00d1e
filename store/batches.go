package store

import (
	"context"
	"errors"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// batch is a mark in condemned/.
type batch struct {
	id     string
	stage  names.Stage
	info   storage.Info
	record *format.BatchRecord // nil where it can't be read
}

// at gives when the mark was put: the later of the medium's time and the sealed one, as
// of a retirement.
func (b *batch) at() time.Time {
	if b.record == nil {
		return b.info.Modified
	}
	return later(b.info.Modified, b.record.Made)
}

// batches are the marks of what is to go.
type batches struct {
	announced, final, gone, harm []batch
	damage                       []*ObjectError
}

// readBatches reads all marks of what is to go.
func (r *Repository) readBatches(ctx context.Context) (*batches, error) {
	return r.readBatchesOf(ctx, names.Announced, names.Final, names.Gone, names.Harmed)
}

// readBatchesOf reads the marks of some stages.
func (r *Repository) readBatchesOf(ctx context.Context, stages ...names.Stage) (*batches, error) {
	infos, err := r.vault.ListMarks(ctx, names.Condemned)
	if err != nil {
		return nil, err
	}
	infos = slices.DeleteFunc(infos, func(i storage.Info) bool {
		_, stage, err := names.ParseBatch(i.Name)
		return err != nil || !slices.Contains(stages, stage)
	})
	all := &batches{}
	return all, vault.InOrder(ctx, infos, vault.Readers,
		func(ctx context.Context, info storage.Info) (*format.BatchRecord, error) {
			return vault.ReadMark[format.BatchRecord](ctx, r.vault, format.Batch, info)
		}, all.add)
}

func (b *batches) add(info storage.Info, record *format.BatchRecord, err error) error {
	var object *ObjectError
	switch {
	case errors.Is(err, storage.ErrNotFound): // removed since it was listed
		return nil
	case vault.IsDamage(err) && errors.As(err, &object):
		b.damage = append(b.damage, object)
	case err != nil:
		return err
	}
	id, stage, _ := names.ParseBatch(info.Name)
	one := batch{id, stage, info, record}
	switch stage {
	case names.Announced:
		b.announced = append(b.announced, one)
	case names.Final:
		b.final = append(b.final, one)
	case names.Gone:
		b.gone = append(b.gone, one)
	case names.Harmed:
		b.harm = append(b.harm, one)
	}
	return nil
}

// removes tells whether a capture is being removed. A mark that can't be read
// may name any.
func (b *batches) removes(capture string) bool {
	return slices.ContainsFunc(b.final, func(f batch) bool {
		return f.record == nil || slices.Contains(f.record.Captures, capture)
	})
}

// harmedPlaces names frames that can't be read, by slab; no frames stand for the slab
// as a whole.
type harmedPlaces map[format.SlabID][]uint32

func (b *batches) harmed() harmedPlaces {
	places := make(harmedPlaces)
	for _, m := range b.harm {
		if m.record == nil {
			continue
		}
		for _, h := range m.record.Harmed {
			before, ok := places[h.Slab]
			switch {
			case len(h.Frames) == 0:
				places[h.Slab] = nil
			case !ok || len(before) > 0:
				places[h.Slab] = slices.Concat(before, h.Frames)
			}
		}
	}
	return places
}

// covers tells whether frames are known to be harmed; none stand for the slab as a
// whole.
func (p harmedPlaces) covers(id format.SlabID, frames []uint32) bool {
	known, ok := p[id]
	if !ok || len(known) == 0 {
		return ok
	}
	return len(frames) > 0 && !slices.ContainsFunc(frames, func(f uint32) bool { return !slices.Contains(known, f) })
}

// blot takes the identities out of frames that can't be read, so that nobody finds
// their chunks.
func (p harmedPlaces) blot(rec *format.SlabRecord) *format.SlabRecord {
	frames, ok := p[rec.Slab]
	if !ok {
		return rec
	}
	clean := *rec
	clean.Frames = slices.Clone(rec.Frames)
	for _, f := range frames {
		if int(f) < len(clean.Frames) {
			clean.Frames[f].IDs = make([]byte, len(clean.Frames[f].IDs))
		}
	}
	return &clean
}
