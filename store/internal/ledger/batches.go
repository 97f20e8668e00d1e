package ledger

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

// Batch is a mark in condemned/.
type Batch struct {
	id     string
	stage  names.Stage
	Info   storage.Info
	Record *format.BatchRecord // nil where it can't be read
}

// At gives when the mark was put: the later of the medium's time and the sealed one, as
// of a retirement.
func (b *Batch) At() time.Time {
	if b.Record == nil {
		return b.Info.Modified
	}
	return Later(b.Info.Modified, b.Record.Made)
}

// Batches are the marks of what is to go.
type Batches struct {
	Announced, Final, Gone, Harm []Batch
	Damage                       []*vault.ObjectError
}

// ReadBatches reads all marks of what is to go.
func (r *Ledger) ReadBatches(ctx context.Context) (*Batches, error) {
	return r.ReadStages(ctx, names.Announced, names.Final, names.Gone, names.Harmed)
}

// ReadStages reads the marks of some stages.
func (r *Ledger) ReadStages(ctx context.Context, stages ...names.Stage) (*Batches, error) {
	infos, err := r.vault.ListMarks(ctx, names.Condemned)
	if err != nil {
		return nil, err
	}
	infos = slices.DeleteFunc(infos, func(i storage.Info) bool {
		_, stage, err := names.ParseBatch(i.Name)
		return err != nil || !slices.Contains(stages, stage)
	})
	all := &Batches{}
	return all, vault.InOrder(ctx, infos, vault.Askers,
		func(ctx context.Context, info storage.Info) (*format.BatchRecord, error) {
			return vault.ReadMark[format.BatchRecord](ctx, r.vault, format.Batch, info)
		}, all.add)
}

func (b *Batches) add(info storage.Info, record *format.BatchRecord, err error) error {
	var object *vault.ObjectError
	switch {
	case errors.Is(err, storage.ErrNotFound): // removed since it was listed
		return nil
	case vault.IsDamage(err) && errors.As(err, &object):
		b.Damage = append(b.Damage, object)
	case err != nil:
		return err
	}
	id, stage, _ := names.ParseBatch(info.Name)
	one := Batch{id, stage, info, record}
	switch stage {
	case names.Announced:
		b.Announced = append(b.Announced, one)
	case names.Final:
		b.Final = append(b.Final, one)
	case names.Gone:
		b.Gone = append(b.Gone, one)
	case names.Harmed:
		b.Harm = append(b.Harm, one)
	}
	return nil
}

// Removes tells whether a capture is being removed. A mark that can't be read
// may name any.
func (b *Batches) Removes(capture string) bool {
	return slices.ContainsFunc(b.Final, func(f Batch) bool {
		return f.Record == nil || slices.Contains(f.Record.Captures, capture)
	})
}

// HarmedPlaces names frames that can't be read, by slab; no frames stand for the slab
// as a whole.
type HarmedPlaces map[format.SlabID][]uint32

// Harmed gives what the marks of harmed frames name; marks that can't be read name nothing.
func (b *Batches) Harmed() HarmedPlaces {
	places := make(HarmedPlaces)
	for _, m := range b.Harm {
		if m.Record == nil {
			continue
		}
		for _, h := range m.Record.Harmed {
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

// Covers tells whether frames are known to be harmed; none stand for the slab as a
// whole.
func (p HarmedPlaces) Covers(id format.SlabID, frames []uint32) bool {
	known, ok := p[id]
	if !ok || len(known) == 0 {
		return ok
	}
	return len(frames) > 0 && !slices.ContainsFunc(frames, func(f uint32) bool { return !slices.Contains(known, f) })
}

// Names tells of one frame.
func (p HarmedPlaces) Names(id format.SlabID, frame uint32) bool {
	frames, ok := p[id]
	return ok && (len(frames) == 0 || slices.Contains(frames, frame))
}

// Blot takes the identities out of frames that can't be read, so that nobody finds
// their chunks.
func (p HarmedPlaces) Blot(rec *format.SlabRecord) *format.SlabRecord {
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

// Threatens tells whether one of the final marks is a threat.
func (b *Batches) Threatens(threat func(*Batch) bool) bool {
	return slices.ContainsFunc(b.Final, func(f Batch) bool { return threat(&f) })
}

// Finals gives the names of the final marks, and of those that can't be read.
func (b *Batches) Finals() (all map[string]bool, unread []string) {
	all = make(map[string]bool)
	for _, f := range b.Final {
		all[f.Info.Name] = true
		if f.Record == nil {
			unread = append(unread, f.Info.Name)
		}
	}
	return all, unread
}

// PutBatch puts a mark under a new batch.
func (r *Ledger) PutBatch(ctx context.Context, stage names.Stage, record *format.BatchRecord) (name string, err error) {
	now := time.Now().UTC()
	record.Made = now.Truncate(time.Millisecond)
	err = vault.Draw(func() error {
		name = names.Batch(names.NewID(now), stage)
		return vault.PutMark(ctx, r.vault, format.Batch, name, record)
	})
	return name, err
}
