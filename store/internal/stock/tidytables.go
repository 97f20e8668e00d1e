package stock

import (
	"cmp"
	"context"
	"errors"
	"math/bits"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/storage"
)

// Every capture writes a table. So that there are not ever more to read, captures
// merge them as they come: four of about a length become one with that of a capture, up to smallTable
// bytes, as in a log-structured merge tree (O'Neil et al. 1996). A record is written anew
// at most once for each of the six classes of lengths, and about three tables of
// each are left, whatever the number of captures.
//
// The four are removed by a later capture, when every machine sees the one that
// has their records. So whoever has just listed the tables finds them, and one that
// a writer who was stopped left twice goes the same way. Two who merge the same
// tables only make a copy more, and so that many who begin at the same moment do
// not all do the same, each chooses at random.
const (
	tidyFan    = 4 // tables that become one
	tidyRemove = 2 // tables that a capture removes; it leaves its own, and every third one a merged one
	tidyShare  = 8 // where there are very many: this part of them at once
	tidyTime   = 10 * time.Second
)

// ListedTable is a table and the slabs that it lists, each once, by numbers.
type ListedTable struct {
	info  storage.Info
	slabs []int
}

// TidyTables removes a few tables that are not needed any more, given those that there were, for a writer
// with a lease: at least as many as captures put since it did so last. It fails without harm.
func (r *Stock) TidyTables(ctx context.Context, l *lease.Lease, tables []ListedTable, since int) {
	ctx, cancel := context.WithTimeout(ctx, tidyTime)
	defer cancel()
	// A machine that can't see the longer table yet would miss records of the shorter one.
	for _, t := range some(redundant(tables, l.Now().Add(-lease.SettleTime)), since) {
		if err := r.removeTable(ctx, t); err != nil {
			return
		}
	}
}

// ToJoin gives the records of a few tables, given those that there were, that a writer puts into its own table: so
// that to merge them takes no object of its own: at least as many as captures put since it did so last. Those tables stay, until a later
// capture finds them redundant.
func (r *Stock) ToJoin(ctx context.Context, tables []ListedTable, since int) []*format.SlabRecord {
	ctx, cancel := context.WithTimeout(ctx, tidyTime)
	defer cancel()
	return r.join(ctx, toJoin(tables, since))
}

// farFuture is later than any table is put, in seconds.
const farFuture = 1 << 40

// some gives a few of the tables, at random.
func some(tables []ListedTable, since int) []ListedTable {
	tables = slices.Clone(tables)
	rand.Shuffle(len(tables), func(i, j int) { tables[i], tables[j] = tables[j], tables[i] })
	return tables[:min(len(tables), max(tidyRemove, len(tables)/tidyShare, 2*since))]
}

// neighbours gives a few tables that are neighbours by name, at random among such groups,
// so that two who merge some of the same merge all the same.
func neighbours(tables []ListedTable, since int) []ListedTable {
	if len(tables) < tidyFan {
		return nil
	}
	tables = slices.SortedFunc(slices.Values(tables), func(a, b ListedTable) int { return cmp.Compare(a.info.Name, b.info.Name) })
	n := min(len(tables), max(tidyFan, len(tables)/tidyShare, 2*since))
	first := rand.IntN(len(tables)/n) * n
	return tables[first : first+n]
}

func (r *Stock) removeTable(ctx context.Context, t ListedTable) error {
	err := r.storage.Remove(ctx, t.info.Name)
	if errors.Is(err, storage.ErrNotFound) {
		return nil // by somebody else
	}
	if err == nil {
		r.vault.Copies().Drop(t.info.Name)
	}
	return err
}

// redundant gives tables of whose records each is in some other table, which is
// longer or has a later name, and stays. All of them are older than a time.
//
// The order matters where two look at the same time: of the tables that have a
// record, nobody removes the last.
func redundant(tables []ListedTable, before time.Time) []ListedTable {
	old := slices.DeleteFunc(slices.Clone(tables), func(t ListedTable) bool { return !t.info.Modified.Before(before) })
	slices.SortFunc(old, func(a, b ListedTable) int {
		return cmp.Or(cmp.Compare(a.info.Size, b.info.Size), cmp.Compare(a.info.Name, b.info.Name))
	})
	var times []int
	for _, t := range old {
		for _, s := range t.slabs {
			times = append(times, make([]int, max(0, s+1-len(times)))...)
			times[s]++
		}
	}
	return slices.DeleteFunc(old, func(t ListedTable) bool {
		if len(t.slabs) == 0 || slices.ContainsFunc(t.slabs, func(s int) bool { return times[s] < 2 }) {
			return true
		}
		for _, s := range t.slabs {
			// A table that goes counts no more for those that come after it.
			times[s]--
		}
		return false
	})
}

// toJoin gives tables that become one: some that are about as long as each other, the shortest of which there are enough. Where several captures
// put tables since that was done, there are always enough of the shortest; so of which length they are is drawn, by how many there are.
func toJoin(tables []ListedTable, since int) []ListedTable {
	classes, all := alike(tables), 0
	for _, class := range classes {
		all += len(class)
	}
	drawn := 0
	if since > 1 && all > 0 {
		drawn = rand.IntN(all)
	}
	for _, class := range classes {
		if drawn -= len(class); drawn < 0 {
			return neighbours(class, since)
		}
	}
	return nil
}

// alike gives tables of about a length, for each of which there are enough that some become
// one.
// Those whose records are in others already are left out.
func alike(tables []ListedTable) (enough [][]ListedTable) {
	gone := make(map[string]bool)
	for _, t := range redundant(tables, time.Unix(farFuture, 0)) {
		gone[t.info.Name] = true
	}
	var classes [smallClasses][]ListedTable
	for _, t := range tables {
		if c := tableClass(t.info.Size); c < smallClasses && !gone[t.info.Name] && len(t.slabs) > 0 {
			classes[c] = append(classes[c], t)
		}
	}
	for _, c := range classes {
		if len(c) >= tidyFan {
			enough = append(enough, c)
		}
	}
	return enough
}

// smallClasses is how many classes of lengths small tables have.
const smallClasses = 6

// tableClass counts how often a length is four times that of the smallest tables,
// which have up to 1 KiB.
func tableClass(size int64) int { return max(0, bits.Len64(uint64(size))-9) / 2 }

// join gives the records of tables, or none where one can't be read.
func (r *Stock) join(ctx context.Context, tables []ListedTable) (all []*format.SlabRecord) {
	seen := make(map[listedSlab]int) // places in all
	for _, t := range tables {
		records, err := r.readTable(ctx, t.info)
		if err != nil {
			return nil // somebody else was faster
		}
		for _, rec := range records {
			key := listedSlab{id: rec.Slab, length: rec.Length}
			i, ok := seen[key]
			if !ok {
				seen[key] = len(all)
				all = append(all, rec)
			} else if !SameRecord(all[i], rec) {
				// Either may be what a capture meant: what is said otherwise is kept beside it.
				all[i] = alsoSaid(all[i], rec)
			}
		}
	}
	return all
}
