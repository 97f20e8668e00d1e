package store

import (
	"context"
	"errors"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// batch is a mark in condemned/.
type batch struct {
	id     string
	stage  names.Stage
	info   storage.Info
	record *format.BatchRecord // nil where it can't be read
}

// batches are the marks of what is to go.
type batches struct {
	announced, final, gone []batch
	damage                 []*ObjectError
}

// readBatches reads all marks of what is to go.
func (r *Repository) readBatches(ctx context.Context) (*batches, error) {
	return r.readBatchesOf(ctx, names.Announced, names.Final, names.Gone)
}

// readBatchesOf reads the marks of some stages.
func (r *Repository) readBatchesOf(ctx context.Context, stages ...names.Stage) (*batches, error) {
	infos, err := r.listMarks(ctx, names.Condemned)
	if err != nil {
		return nil, err
	}
	infos = slices.DeleteFunc(infos, func(i storage.Info) bool {
		_, stage, err := names.ParseBatch(i.Name)
		return err != nil || !slices.Contains(stages, stage)
	})
	all := &batches{}
	return all, inOrder(ctx, infos, readers,
		func(ctx context.Context, info storage.Info) (*format.BatchRecord, error) {
			return readMark[format.BatchRecord](ctx, r, format.Batch, info)
		}, all.add)
}

func (b *batches) add(info storage.Info, record *format.BatchRecord, err error) error {
	var object *ObjectError
	switch {
	case errors.Is(err, storage.ErrNotFound): // removed since it was listed
		return nil
	case isDamage(err) && errors.As(err, &object):
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

// exclusion says which slabs nobody may rely on any more.
type exclusion struct {
	slabs  map[format.SlabID]bool
	before time.Time              // and all that are not younger than this, as the mark that names them can't be read
	last   map[format.SlabID]bool // announced: to be relied on only where there is no other
}

func (b *batches) exclusion() *exclusion {
	e := &exclusion{slabs: make(map[format.SlabID]bool), last: make(map[format.SlabID]bool)}
	for _, f := range b.final {
		if f.record == nil && f.info.Modified.After(e.before) {
			e.before = f.info.Modified
		}
		if f.record != nil {
			for _, id := range f.record.Slabs {
				e.slabs[id] = true
			}
		}
	}
	for _, a := range b.announced {
		if a.record != nil {
			for _, id := range a.record.Slabs {
				e.last[id] = true
			}
		}
	}
	return e
}

// covers tells whether a slab may not be relied on.
func (e *exclusion) covers(id format.SlabID, info storage.Info) bool {
	return e.slabs[id] || !e.before.IsZero() && !info.Modified.After(e.before.Add(clockSlack))
}

// from gives the slabs, of those that there are, that may be relied on.
func (e *exclusion) from(slabs []storage.Info) []storage.Info {
	return slices.DeleteFunc(slices.Clone(slabs), func(info storage.Info) bool {
		id, err := names.ParseSlab(info.Name)
		return err == nil && e.covers(id, info)
	})
}
