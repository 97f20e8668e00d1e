package stock

import (
	"context"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/storage"
)

// again reads again what was added to an index that keeps samples: from the copies of tables on this machine, or the
// tables, or the slabs themselves.
type again struct {
	ctx     context.Context
	r       *Stock
	tables  []storage.Info
	of      []uint32 // of what was added, the numbers of tables, which count from 1
	adopted map[int]*format.SlabRecord
}

// noTable stands for the number of a table where none lists a slab.
const noTable = 0

// table gives the number of a table, which is the last one that there was or comes behind it.
func (a *again) table(info storage.Info) uint32 {
	if n := len(a.tables); n == 0 || a.tables[n-1].Name != info.Name {
		a.tables = append(a.tables, info)
	}
	return uint32(len(a.tables))
}

// added notes where it is said what is added to the index.
func (a *again) added(rec *format.SlabRecord, table uint32) {
	if table == noTable {
		if a.adopted == nil {
			a.adopted = make(map[int]*format.SlabRecord)
		}
		a.adopted[len(a.of)] = rec
	}
	a.of = append(a.of, table)
}

// read is a known.Reload. A table that went since has left its records to another one, and what the slab itself says
// is the same.
func (a *again) read(number int, slab format.SlabID) ([]*format.SlabRecord, error) {
	if rec := a.adopted[number]; rec != nil {
		return []*format.SlabRecord{rec}, nil
	}
	records, err := a.r.readTableFor(a.ctx, a.tables[a.of[number]-1], slab)
	if err == nil || a.ctx.Err() != nil {
		return records, err
	}
	rec, err := a.r.RecoverSlab(a.ctx, slab)
	return []*format.SlabRecord{rec}, err
}

// readTableFor reads a table, or of one that is not to be in memory as a whole the record of a slab and of those behind it.
func (r *Stock) readTableFor(ctx context.Context, info storage.Info, slab format.SlabID) (records []*format.SlabRecord, err error) {
	if info.Size <= longTable {
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
