package stock

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"sync/atomic"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Take reads all tables and calls add, in order, for each slab that there
// is. A slab that is missing is passed over, so that nothing new relies on it. Of
// a damaged table it takes what can be read, if partial, or nothing.
func (r *Stock) Take(ctx context.Context, slabs vault.SlabList, partial bool, add func(*format.SlabRecord) error) (*Inventory, error) {
	r.slabs.Expect(slabs.Length)
	v := newInventory(slabs)
	return v, r.takeInto(ctx, v, r.readTables, partial, add)
}

// TakeAll is Take, partial, that also calls absent for each record of a slab that is missing: what that stands on is known
// by it alone. denied is called for what else is said of a slab that there is: it may be that which is so.
func (r *Stock) TakeAll(ctx context.Context, slabs vault.SlabList, add func(*format.SlabRecord) error, absent, denied func(*format.SlabRecord)) error {
	r.slabs.Expect(slabs.Length)
	v := newInventory(slabs)
	v.absent, v.denied = absent, denied
	return r.takeInto(ctx, v, r.readTables, true, add)
}

// readsTables calls use, and part if it is set, as readTables does.
type readsTables func(ctx context.Context, part func(storage.Info, *format.SlabRecord) error, use func(storage.Info, []*format.SlabRecord, error) error) error

// takeInto is Take with an inventory that nothing is in yet, and for some tables.
func (r *Stock) takeInto(ctx context.Context, v *Inventory, read readsTables, partial bool, add func(*format.SlabRecord) error) error {
	var part func(storage.Info, *format.SlabRecord) error
	if partial {
		part = func(info storage.Info, rec *format.SlabRecord) error {
			return v.begin(info).takeRecord(rec, add)
		}
	}
	return read(ctx, part, func(info storage.Info, records []*format.SlabRecord, err error) error {
		if err != nil {
			v.Damage = append(v.Damage, &vault.ObjectError{Object: info.Name, Err: err})
			if !partial {
				return nil
			}
		}
		v.begin(info)
		pieces := format.CopyPieces(records)
		for i, rec := range records {
			v.piece = pieces[i]
			if err := v.takeRecord(rec, add); err != nil {
				return err
			}
		}
		if err == nil {
			v.tables = append(v.tables, ListedTable{info, v.numbers})
		}
		return nil
	})
}

// ReadTables calls use for each table, in the order of listing, with the damage that
// it has. Where tables went since they were listed, those are read, too, that may
// have come in their place.
func (r *Stock) ReadTables(ctx context.Context, use func(storage.Info, []*format.SlabRecord, error) error) error {
	return r.readTables(ctx, nil, use)
}

// readTables is ReadTables that calls part, if it is set, for each record of a table that is not to be in memory as a
// whole, and then use without records.
func (r *Stock) readTables(ctx context.Context, part func(storage.Info, *format.SlabRecord) error, use func(storage.Info, []*format.SlabRecord, error) error) error {
	done := make(map[string]bool)
	for tries := 1; ; tries++ {
		tables, err := r.vault.List(ctx, names.Tables)
		if err != nil {
			return err
		}
		r.vault.Copies().Retain(names.Tables, tables)
		tables = slices.DeleteFunc(tables, func(info storage.Info) bool { return done[info.Name] })
		gone := false
		took := func(info storage.Info, records []*format.SlabRecord, err error) error {
			done[info.Name] = true
			if errors.Is(err, storage.ErrNotFound) {
				gone = true
				return nil
			}
			if err != nil && !vault.IsDamage(err) {
				return err
			}
			return use(info, records, err)
		}
		for n := 0; len(tables) > 0 && err == nil; tables = tables[n:] {
			if n = someTables(tables); part != nil && tables[0].Size > r.longest {
				n = 1
				err = took(tables[0], nil, r.streamTable(ctx, tables[0], func(rec *format.SlabRecord) error { return part(tables[0], rec) }))
			} else {
				err = vault.InOrder(ctx, tables[:n], vault.Askers, r.readTable, took)
			}
		}
		if err != nil || !gone || tries == ledger.Relists {
			return err
		}
	}
}

// Loaded is what a repository holds, by chunks.
type Loaded struct {
	Index   *known.Index
	Adopted []*format.SlabRecord // see Load
	Tables  []ListedTable
	Finals  map[string]bool // names of the final marks that there were
	Unread  []string        // of those, which can't be read
	Crowds  *intake.Crowds  // what stands on what, by the tables that were read; nil: that isn't known
	Looked  int             // how many slabs the folders have that were looked into; 0: all were listed

	// Lacks gives, when all was looked up, slabs that seem to be gone or cut short, of those that the capture needs which is relied
	// on, and of those named that a capture needs which is there; and those unread, whatever is wrong with them. Slabs that
	// nobody may rely on are left out.
	Lacks func(named, unread []format.SlabID) []format.SlabID
	// LengthSaid gives the length that tables say of such a slab, in bytes, if that is known.
	LengthSaid func(format.SlabID) (uint64, bool)

	// Rest gives what else the repository holds; nil: Index has all. See Relied.Tables.
	Rest func(context.Context) (*Loaded, error)

	listed whereabouts
}

// Load gives the index of all chunks that there are, and the records of
// slabs that no table lists: what an interrupted capture left, read again so
// that its chunks are found. For a writer, whose lease is given, it leaves out
// what the writer must not rely on.
// Where captures are apart, it is of one group; nil means all.
//
// relied, if it is set, is called once it is known what the writer must not rely on, and says what it
// relies on without listing all slabs; nil: on nothing. The index is bounded then, and may miss chunks (known.Bound).
func (r *Stock) Load(ctx context.Context, l *lease.Lease, group []byte, relied func(context.Context) (*Relied, error)) (*Loaded, error) {
	exclude, going := &Exclusion{}, &ledger.Batches{}
	if l != nil {
		var err error
		if going, err = r.ledger.ReadStages(ctx, names.Announced, names.Final, names.Harmed); err != nil {
			return nil, err
		}
		exclude = NewExclusion(going)
	}
	var some *Relied
	if relied != nil {
		var err error
		if some, err = relied(ctx); err != nil {
			return nil, err
		}
	}
	var needed map[format.SlabID]bool
	switch {
	case some != nil:
		needed = some.Slabs
	case relied != nil:
		needed = make(map[format.SlabID]bool)
	}
	if exclude.asksTimes() || some != nil && some.All {
		some = nil
	}
	p, err := r.present(ctx, exclude, some)
	if err != nil {
		return nil, err
	}
	p.needed = needed
	if relied != nil {
		p.memory = cmp.Or(r.IndexMemory, known.DefaultMemory)
	}
	s := r.ownOf(ctx, p, l, group)
	if s == nil {
		if s, err = r.stockOf(ctx, p, l, group); err != nil {
			return nil, err
		}
	}
	s.Finals, s.Unread = going.Finals()
	return s, nil
}

// LoadIndex is Load without the tables.
func (r *Stock) LoadIndex(ctx context.Context, l *lease.Lease, group []byte) (*known.Index, []*format.SlabRecord, error) {
	s, err := r.Load(ctx, l, group, nil)
	if err != nil {
		return nil, nil, err
	}
	return s.Index, s.Adopted, nil
}

// Measure is LoadIndex for whoever only looks. each is called with what the tables, or a slab that none
// lists, say of a slab, in the order of the index, and absent with what tables say of one that is missing.
func (r *Stock) Measure(ctx context.Context, each, absent func(*format.SlabRecord)) (*known.Index, error) {
	exclude := NewExclusion(&ledger.Batches{})
	p, err := r.present(ctx, exclude, nil)
	if err != nil {
		return nil, err
	}
	p.each, p.absent = each, absent
	s, err := r.stockOf(ctx, p, nil, nil)
	if err != nil {
		return nil, err
	}
	return s.Index, nil
}

// IndexSlabs is LoadIndex for some slabs.
func (r *Stock) IndexSlabs(ctx context.Context, slabs vault.SlabList, exclude *Exclusion, l *lease.Lease, group []byte) (*known.Index, []*format.SlabRecord, error) {
	s, err := r.stockOf(ctx, &presence{slabs: slabs, exclude: exclude}, l, group)
	if err != nil {
		return nil, nil, err
	}
	return s.Index, s.Adopted, nil
}

// forsaken gives, of slabs that no table lists, those that no writer who is at
// work on another machine may have put: it will list them itself. A writer on
// this machine may have been killed just before this one began.
func (r *Stock) forsaken(ctx context.Context, unlisted []format.SlabID, slabs vault.SlabList, l *lease.Lease) ([]format.SlabID, error) {
	if l == nil || len(unlisted) == 0 {
		return unlisted, nil
	}
	others, err := r.leases.Others(ctx, l)
	others = slices.DeleteFunc(others, func(w lease.Writer) bool { return w.Host == l.Record.Host })
	if err != nil || len(others) == 0 {
		return unlisted, err
	}
	young := slabs.Since(lease.Earliest(others).Add(-lease.ClockSlack))
	return slices.DeleteFunc(unlisted, func(id format.SlabID) bool { return young[id] }), nil
}

// recover reads slabs whole and gives their records. Damaged ones are passed
// over and reported to damaged, if that is set. For who only looks, they are taken with no identities of frames that can't be read.
func (r *Stock) recover(ctx context.Context, slabs []format.SlabID, damaged func(format.SlabID, error), partial bool) ([]*format.SlabRecord, error) {
	var records []*format.SlabRecord
	for _, id := range slabs {
		rec, err := r.recoverSlab(ctx, id, partial)
		switch {
		case err == nil:
			records = append(records, rec)
		case vault.IsDamage(err):
			if damaged != nil {
				damaged(id, err)
			}
		default:
			return records, err
		}
	}
	return records, nil
}

// RecoverSlab makes the record of a slab from its own table and its contents.
func (r *Stock) RecoverSlab(ctx context.Context, id format.SlabID) (*format.SlabRecord, error) {
	return r.recoverSlab(ctx, id, false)
}

func (r *Stock) recoverSlab(ctx context.Context, id format.SlabID, partial bool) (*format.SlabRecord, error) {
	slab, err := r.slabs.Open(ctx, id)
	if err != nil {
		return nil, err
	}
	rec := &format.SlabRecord{Slab: id, Length: uint64(slab.Length), Frames: make([]format.TableFrame, len(slab.Frames)), Group: slab.Group}
	for i, f := range slab.Frames {
		rec.Frames[i] = f.Listed()
	}
	err = r.slabs.Identify(ctx, slab, func(frame int, ids []crypt.Identity, err error) error {
		if partial && vault.IsDamage(err) {
			ids, err = make([]crypt.Identity, len(slab.Frames[frame].Chunks)), nil
		}
		for _, chunk := range ids {
			rec.Frames[frame].IDs = append(rec.Frames[frame].IDs, chunk[:]...)
		}
		return err
	})
	return rec, err
}

// RebuildReport says what Rebuild did.
type RebuildReport struct {
	Slabs    int      // that no table listed and one lists now
	Replaced []string // damaged tables: they were removed, once a new one was there
	Damaged  []error  // slabs that can't be read, and stay without a table
}

// Rebuild writes a table of all slabs that no readable table lists, from the slabs
// themselves, and then removes tables that are damaged.
func (r *Stock) Rebuild(ctx context.Context) (*RebuildReport, error) {
	slabs, err := r.vault.ListSlabs(ctx)
	if err != nil {
		return nil, err
	}
	v, err := r.Take(ctx, slabs, false, func(*format.SlabRecord) error { return nil })
	if err != nil {
		return nil, err
	}
	report := &RebuildReport{Replaced: []string{}}
	records, err := r.recover(ctx, v.Unlisted(), func(_ format.SlabID, err error) {
		report.Damaged = append(report.Damaged, err)
	}, false)
	if err != nil {
		return report, err
	}
	if _, err := r.WriteTable(ctx, records); err != nil {
		return report, err
	}
	report.Slabs = len(records)
	return report, r.removeDamaged(ctx, v, report)
}

// WriteTable puts a table and gives its length.
func (r *Stock) WriteTable(ctx context.Context, records []*format.SlabRecord) (int64, error) {
	if len(records) == 0 {
		return 0, nil
	}
	encoded := make([][]byte, len(records))
	for i, rec := range records {
		encoded[i] = rec.EncodePadded()
	}
	return intake.WriteTable(ctx, r.tableConfig(nil), encoded)
}

// removeDamaged removes tables whose slabs are all listed elsewhere by now. One
// of a format that this release does not know is left.
func (r *Stock) removeDamaged(ctx context.Context, v *Inventory, report *RebuildReport) error {
	for _, d := range v.Damage {
		if !errors.Is(d, format.ErrDamaged) {
			continue
		}
		if err := r.storage.Remove(ctx, d.Object); err != nil && !errors.Is(err, storage.ErrNotFound) {
			return err
		}
		report.Replaced = append(report.Replaced, d.Object)
	}
	return nil
}

// IntakeConfig gives how the repository takes in chunks that an index does not have.
func (r *Stock) IntakeConfig(ctx context.Context, index *known.Index) (cfg intake.Config, err error) {
	cfg = r.tableConfig(index)
	cfg.Puts = r.vault.Puts()
	if cfg.Parity, err = r.vault.Parity(ctx); err != nil {
		return cfg, err
	}
	if cfg.Parity > 0 && cfg.Puts > 2 {
		cfg.Puts-- // the slab that is filled is in memory as a whole once more
	}
	deltas, err := r.vault.Deltas(ctx)
	cfg.Deltas = map[string]intake.Deltas{format.DeltasOwn: intake.DeltasOwn, format.DeltasOn: intake.DeltasOn}[deltas]
	if cfg.Deltas == intake.DeltasOn {
		left := new(atomic.Int64)
		left.Store(r.vault.BasesToKeep())
		cfg.Storage = keeping{Storage: r.storage, r: r, bases: left}
	}
	return cfg, err
}

// tableConfig is IntakeConfig for who puts no slabs.
func (r *Stock) tableConfig(index *known.Index) intake.Config {
	return intake.Config{
		Storage: keeping{Storage: r.storage, r: r}, Repository: r.vault.ID(), Keys: r.vault.Keys(), Index: index, NoRecheck: !r.vault.Recheck(),
		TableName: func() string { return names.NewID(time.Now()) },
	}
}
