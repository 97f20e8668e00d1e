package stock

import (
	"context"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/storage"
)

// again reads again what was added to an index that keeps samples: from the copies of tables on this machine, or the
// tables, or the slabs themselves.
type again struct {
	ctx     context.Context
	r       *Stock
	copyOf  func(storage.Info) string // names copies of tables
	tables  []storage.Info
	of      []told // of what was added
	adopted map[int]*format.SlabRecord
}

// told is where something is said of a slab: the number of a table, which counts from 1, or 0 where none lists it; and of
// the piece of a copy of that.
type told struct{ table, piece uint32 }

// told gives where the record at hand is, of a table that is the last one that there was or comes behind it.
func (a *again) told(v *Inventory) told {
	if n := len(a.tables); n == 0 || a.tables[n-1].Name != v.table.Name {
		a.tables = append(a.tables, v.table)
	}
	return told{uint32(len(a.tables)), v.piece}
}

// added notes where it is said what is added to the index.
func (a *again) added(rec *format.SlabRecord, at told) {
	if at.table == 0 {
		if a.adopted == nil {
			a.adopted = make(map[int]*format.SlabRecord)
		}
		a.adopted[len(a.of)] = rec
	}
	a.of = append(a.of, at)
}

// read is a known.Reload. A table that went since has left its records to another one, and what the slab itself says
// is the same.
func (a *again) read(number int, slab format.SlabID) ([]*format.SlabRecord, error) {
	at := a.of[number]
	if at.table == 0 {
		return []*format.SlabRecord{a.adopted[number]}, nil
	}
	table := a.tables[at.table-1]
	of := func(rec *format.SlabRecord) bool { return rec.Slab == slab }
	if records := a.r.readCopyPiece(a.copyOf(table), table, at.piece); slices.ContainsFunc(records, of) {
		return records, nil
	}
	records, err := a.r.readTableFor(a.ctx, table, slab)
	if err == nil && slices.ContainsFunc(records, of) || a.ctx.Err() != nil {
		return records, err
	}
	rec, err := a.r.RecoverSlab(a.ctx, slab)
	return []*format.SlabRecord{rec}, err
}

// readTableFor reads a table, or of one that is not to be in memory as a whole the record of a slab and of those behind it.
func (r *Stock) readTableFor(ctx context.Context, info storage.Info, slab format.SlabID) (records []*format.SlabRecord, err error) {
	if info.Size <= r.longest {
		return r.readTable(ctx, info)
	}
	size := 0
	err = r.streamTable(ctx, info, func(rec *format.SlabRecord) error {
		if len(records) == 0 && rec.Slab != slab {
			return nil
		}
		records = append(records, rec)
		for i := range rec.Frames {
			size += len(rec.Frames[i].IDs)
		}
		if size > longRest {
			return errEnough
		}
		return nil
	})
	if err == errEnough || len(records) > 0 {
		err = nil
	}
	return records, err
}
