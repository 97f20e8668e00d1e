package stock

import (
	"hash/maphash"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Inventory is what the tables say, held against the slabs that there are.
type Inventory struct {
	slabs    vault.SlabList                // that there are
	tables   []ListedTable                 // that could be read to their end
	table    storage.Info                  // that is being taken in
	numbers  []int                         // of the slabs that it lists
	piece    uint32                        // of a copy of it, that the record at hand is in
	Damage   []*vault.ObjectError          // tables that can't
	read     int                           // how many tables were read
	listed   []int                         // by number of a slab: the last table that listed it, counted from 1
	sums     []uint64                      // by number of a slab that there is: of the record that was taken
	others   map[listedSlab]int            // numbers of slabs that there are not, and of records that say something else
	supposed func(*format.SlabRecord) bool // see presence; nil: no slab is
	said     map[format.SlabID]uint64      // sums, of the slabs supposed to be there
	seed     maphash.Seed
	absent   func(*format.SlabRecord) // is told of slabs that there are not; nil: nobody
	denied   func(*format.SlabRecord) // is told what else is said of slabs that there are; nil: nobody

	contradicted []format.SlabID // of which tables say different things
}

// listedSlab tells slabs apart as records do.
type listedSlab struct {
	id     format.SlabID
	length uint64
	sum    uint64 // of a record that says something else of a slab than the first one
}

// Unlisted gives the slabs that no table lists.
func (v *Inventory) Unlisted() []format.SlabID {
	var ids []format.SlabID
	for i, s := range v.slabs {
		if v.listed[i] == 0 {
			ids = append(ids, s.ID)
		}
	}
	return ids
}

// gone gives slabs that tables list and that are not there.
func (v *Inventory) gone() (ids []format.SlabID) {
	for s := range v.others {
		if _, there := v.slabs.Find(s.id); !there {
			ids = append(ids, s.id)
		}
	}
	return ids
}

// cut gives slabs that are there, and of another length than every table says that lists them, with a length that one says.
func (v *Inventory) cut() map[format.SlabID]uint64 {
	ids := make(map[format.SlabID]uint64)
	for s := range v.others {
		if i, there := v.slabs.Find(s.id); there && v.sums[i] == 0 {
			ids[s.id] = s.length
		}
	}
	return ids
}

func newInventory(slabs vault.SlabList) *Inventory {
	return &Inventory{slabs: slabs, listed: make([]int, len(slabs)), sums: make([]uint64, len(slabs)), others: make(map[listedSlab]int), said: make(map[format.SlabID]uint64), seed: maphash.MakeSeed()}
}

// sum tells records of a slab apart that say different things; it is not 0.
func (v *Inventory) sum(rec *format.SlabRecord) uint64 {
	var h maphash.Hash
	h.SetSeed(v.seed)
	for i := range rec.Frames {
		h.Write(rec.Frames[i].IDs)
		h.Write(rec.Frames[i].Former)
		for _, b := range rec.Frames[i].Bases {
			h.Write(b.Slab[:])
			maphash.WriteComparable(&h, uint64(b.First)<<32|uint64(b.Count))
		}
	}
	return h.Sum64() | 1
}

// begin says of which table records are taken from here on.
func (v *Inventory) begin(table storage.Info) *Inventory {
	if v.read == 0 || v.table.Name != table.Name {
		v.read++
		v.table, v.numbers, v.piece = table, nil, 0
	}
	return v
}

// takeRecord calls add for a slab of a table that was not found before, and numbers it, each once.
func (v *Inventory) takeRecord(rec *format.SlabRecord, add func(*format.SlabRecord) error) error {
	i, ok := v.number(rec)
	before := v.listed[i]
	if before == v.read {
		return nil
	}
	v.listed[i] = v.read
	v.numbers = append(v.numbers, i)
	if !ok || before > 0 {
		v.tellOther(rec, before > 0)
		return nil
	}
	return add(rec)
}

// tellOther tells of a record that was not taken; again says that one was that says the same.
func (v *Inventory) tellOther(rec *format.SlabRecord, again bool) {
	_, there := v.slabs.Find(rec.Slab)
	switch {
	case !there && v.absent != nil:
		v.absent(rec)
	case there && !again && v.denied != nil:
		v.denied(rec)
	}
}

// number gives the number of a slab: its place among those that there are, or one behind
// them, of the record. ok tells of a slab that there is, with that length, and of a record
// that says the same of it as the first one.
func (v *Inventory) number(rec *format.SlabRecord) (n int, ok bool) {
	key := listedSlab{id: rec.Slab, length: rec.Length}
	if v.supposed != nil && v.supposed(rec) {
		return v.suppose(rec, key)
	}
	i, ok := v.slabs.Find(rec.Slab)
	if ok && v.slabs[i].Size == int64(rec.Length) {
		sum := v.sum(rec)
		if v.sums[i] == 0 || v.sums[i] == sum {
			v.sums[i] = sum
			return i, true
		}
		key.sum = sum // so that no table goes for being a copy of others that it contradicts
	}
	return v.other(key), false
}

// suppose is number for a slab that is supposed to be there.
func (v *Inventory) suppose(rec *format.SlabRecord, key listedSlab) (n int, ok bool) {
	sum := v.sum(rec) ^ rec.Length<<1 // what says another length says something else, too
	before, known := v.said[rec.Slab]
	if !known {
		v.said[rec.Slab] = sum
	}
	if known && before != sum {
		key.sum = sum
		return v.other(key), false
	}
	return v.other(key), true
}

// other gives the number of a slab or a record that is not among those that there are.
func (v *Inventory) other(key listedSlab) int {
	n, ok := v.others[key]
	if !ok {
		n = len(v.listed)
		v.others[key] = n
		v.listed = append(v.listed, 0)
		if key.sum != 0 && !slices.Contains(v.contradicted, key.id) {
			v.contradicted = append(v.contradicted, key.id)
		}
	}
	return n
}

// forget has a writer rely on no chunk of some slabs: of two tables that say different
// things, either may be wrong.
func (s *Loaded) forget(slabs []format.SlabID) {
	s.Index.Forget(slabs...)
}
