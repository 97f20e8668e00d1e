package stock

import (
	"context"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/storage"
)

// When tables are written anew.
const (
	staleShare  = 0.1     // of a table's slabs that are gone, or listed elsewhere
	smallTable  = 1 << 20 // bytes; of such ones, several become one
	smallTables = 16
	tableTarget = 8 << 20 // bytes of records in a table that was merged
)

// tableState is a table object, held against the slabs that there are.
type tableState struct {
	info    storage.Info
	records []*format.SlabRecord // the live ones
	total   int
	damaged bool
}

// MergeTables writes tables anew of which much is about slabs that are gone, and
// small ones as one. Tables serve to find chunks: a writer who misses one meanwhile
// reads a slab, or stores again. The lease is that of the only one who removes objects. It
// gives the bytes that it wrote; keep tells of slabs whose records stay though they are gone, and remove removes an object, or tells that it stays.
func (r *Stock) MergeTables(ctx context.Context, l *lease.Lease, keep func(format.SlabID) bool, remove func(context.Context, storage.Info) (gone bool, err error)) (written int64, err error) {
	states, err := r.tableStates(ctx, keep)
	if err != nil {
		return 0, err
	}
	old := toMerge(states)
	if len(old) == 0 {
		return 0, nil
	}
	if err := l.Check(ctx); err != nil {
		return 0, err
	}
	if written, err = r.writeTables(ctx, old); err != nil {
		return written, err
	}
	for _, t := range old {
		if _, err := remove(ctx, t.info); err != nil {
			return written, err
		}
	}
	return written, nil
}

// tableStates reads all tables. Of slabs that are in several, the last counts, and those
// that say something else: captures may have relied on it.
func (r *Stock) tableStates(ctx context.Context, keep func(format.SlabID) bool) ([]*tableState, error) {
	var states []*tableState
	err := r.ReadTables(ctx, func(info storage.Info, records []*format.SlabRecord, err error) error {
		states = append(states, &tableState{info: info, records: records, total: len(records), damaged: err != nil})
		return nil
	})
	if err != nil {
		return nil, err
	}
	// Slabs after tables: what a writer at work puts meanwhile must not look as if it
	// were gone.
	slabs, err := r.vault.ListSlabs(ctx)
	if err != nil {
		return nil, err
	}
	listed := make(map[format.SlabID]*format.SlabRecord)
	for _, t := range slices.Backward(states) { // where one could not be removed, the one in its place has its records
		t.records = slices.DeleteFunc(t.records, func(rec *format.SlabRecord) bool {
			size, ok := slabs.Length(rec.Slab)
			before := listed[rec.Slab]
			stale := !ok && !keep(rec.Slab) || ok && size != int64(rec.Length)
			if stale || before != nil && SameRecord(before, rec) {
				return true
			}
			if before == nil && !t.damaged {
				listed[rec.Slab] = rec
			}
			return false
		})
	}
	return states, nil
}

// toMerge chooses the tables to write anew. Damaged ones are left to RebuildTables.
func toMerge(states []*tableState) []*tableState {
	var stale, small []*tableState
	for _, t := range states {
		switch {
		case t.damaged:
		case float64(t.total-len(t.records)) > staleShare*float64(t.total):
			stale = append(stale, t)
		case t.info.Size < smallTable:
			small = append(small, t)
		}
	}
	if len(small) >= smallTables {
		return append(stale, small...)
	}
	return stale
}

// writeTables puts the live records of tables.
func (r *Stock) writeTables(ctx context.Context, old []*tableState) (written int64, err error) {
	var records []*format.SlabRecord
	size := int64(0)
	flush := func() error {
		n, err := r.WriteTable(ctx, records)
		written += n
		records, size = nil, 0
		return err
	}
	for _, t := range old {
		records = slices.Concat(records, t.records)
		if size += t.info.Size; size >= tableTarget {
			if err := flush(); err != nil {
				return written, err
			}
		}
	}
	err = flush()
	return written, err
}
