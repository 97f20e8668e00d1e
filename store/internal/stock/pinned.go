package stock

import (
	"context"
	"errors"
	"io"
	"path"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/storage"
)

// To list all tables and to read those of others takes the longer the more others write. A writer of what did not change
// need not: it relies on slabs that its last capture needs, and of the tables that listed these, copies are pinned on
// this machine. What a table says of a slab stays true when the table goes, as both never change. So the tables of others
// are listed and read only once much is to be stored that these lack.

// pinName is where a copy of a table is pinned for a service.
func pinName(service, table string) string { return path.Join(service+"-tables", path.Base(table)) }

// Pin keeps copies of tables for a service until it pins others, and drops what was pinned before and is not among these. It
// gives none where one can't be kept.
func (r *Stock) Pin(service string, tables, before []storage.Info) []storage.Info {
	pinned := true
	for _, t := range tables {
		pinned = pinned && r.pin(service, t)
	}
	for _, t := range before {
		if !pinned || !slices.ContainsFunc(tables, func(i storage.Info) bool { return i.Name == t.Name }) {
			r.vault.Copies().Drop(pinName(service, t.Name))
		}
	}
	if !pinned {
		return nil
	}
	return tables
}

func (r *Stock) pin(service string, table storage.Info) bool {
	copies := r.vault.Copies()
	if file := copies.Reader(pinName(service, table.Name), -1); file != nil {
		file.Close()
		return true
	}
	file := copies.Reader(table.Name, -1)
	if file == nil {
		return false
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		return false
	}
	w := copies.Writer(pinName(service, table.Name), info.Size())
	if _, err := io.Copy(w, file); err != nil {
		w.Discard()
		return false
	}
	w.Keep()
	return w != nil
}

var errNotPinned = errors.New("a copy of a table is not there")

// ownOf is stockOf by the tables that are pinned, or nil where it takes more to know what the writer relies on.
func (r *Stock) ownOf(ctx context.Context, p *presence, l *lease.Lease, group []byte) *Loaded {
	if p.relied == nil || len(p.relied.Tables) == 0 {
		return nil
	}
	own, lacking := p.again(ctx), len(p.relied.Slabs)
	listed := make(map[format.SlabID]bool)
	s, err := r.index(ctx, own, l, group, func(_ context.Context, use func(storage.Info, []*format.SlabRecord, error) error) error {
		for _, t := range p.relied.Tables {
			records := r.readCopyAs(pinName(p.relied.Service, t.Name), t)
			if records == nil {
				return errNotPinned
			}
			for _, rec := range records {
				if p.relied.Slabs[rec.Slab] && !listed[rec.Slab] {
					listed[rec.Slab] = true
					lacking--
				}
			}
			if err := use(t, records, nil); err != nil {
				return err
			}
		}
		return nil
	}, false)
	if err != nil || lacking > 0 {
		return nil
	}
	r.slabs.Expect(own.length)
	s.Rest = func(ctx context.Context) (*Loaded, error) {
		return r.index(ctx, p.again(ctx), l, group, r.ReadTables, false)
	}
	return s
}

// whereabouts says which table lists each slab, the last of several.
type whereabouts struct {
	slabs  []format.SlabID
	tables []int // for each slab the place in list, or -1
	list   []ListedTable
}

func (v *Inventory) whereabouts() whereabouts {
	w := whereabouts{slabs: make([]format.SlabID, len(v.listed)), tables: make([]int, len(v.listed)), list: v.tables}
	for i, s := range v.slabs {
		w.slabs[i] = s.ID
	}
	for key, n := range v.others {
		w.slabs[n] = key.id
	}
	for n := range w.tables {
		w.tables[n] = -1
	}
	for i, t := range v.tables {
		for _, n := range t.slabs {
			w.tables[n] = i
		}
	}
	return w
}

// TablesOf says, of some slabs, which table lists each, as far as one does.
func (s *Loaded) TablesOf(wanted map[format.SlabID]bool) map[format.SlabID]storage.Info {
	tables := make(map[format.SlabID]storage.Info, len(wanted))
	for n, id := range s.listed.slabs {
		if t := s.listed.tables[n]; t >= 0 && wanted[id] {
			tables[id] = s.listed.list[t].info
		}
	}
	return tables
}
