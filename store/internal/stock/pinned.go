package stock

import (
	"context"
	"errors"
	"io"
	"maps"
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

// leftForRest is the part of what an index may take that is left for what others wrote, at the least.
const leftForRest = 4

var errNotPinned = errors.New("a copy of a table is not there")

// ownOf is stockOf by the tables that are pinned, or nil where it takes more to know what the writer relies on. Of the memory that
// an index may take, what it does not need is left for the rest.
func (r *Stock) ownOf(ctx context.Context, p *presence, l *lease.Lease, group []byte) *Loaded {
	if p.relied == nil || len(p.relied.Tables) == 0 {
		return nil
	}
	own := p.again(ctx)
	own.memory -= own.memory / leftForRest
	s, lacking := r.newLoading(ctx, own, l, group), maps.Clone(p.relied.Slabs)
	s.read = r.readPinned(p.relied, lacking)
	s.again.copyOf = func(t storage.Info) string { return pinName(p.relied.Service, t.Name) }
	if err := s.load(ctx); err != nil || len(lacking) > 0 {
		return nil
	}
	r.slabs.Expect(own.length)
	left := p.memory - s.Index.Memory()
	s.Rest = func(ctx context.Context) (*Loaded, error) {
		all := p.again(ctx)
		all.memory = left
		rest := r.newLoading(ctx, all, l, group)
		if s.Crowds != nil {
			rest.counted = s.Index.HasDeltas
		}
		if err := rest.load(ctx); err != nil {
			return nil, err
		}
		return rest.Loaded, nil
	}
	return s.Loaded
}

// readPinned reads the tables that are pinned, and takes the slabs that they list out of lacking.
func (r *Stock) readPinned(relied *Relied, lacking map[format.SlabID]bool) readsTables {
	return func(_ context.Context, _ func(storage.Info, *format.SlabRecord) error, use func(storage.Info, []*format.SlabRecord, error) error) error {
		for _, t := range relied.Tables {
			records := r.readCopyAs(pinName(relied.Service, t.Name), t)
			if records == nil {
				return errNotPinned
			}
			for _, rec := range records {
				delete(lacking, rec.Slab)
			}
			if err := use(t, records, nil); err != nil {
				return err
			}
		}
		return nil
	}
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
