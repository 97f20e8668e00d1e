package stock

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"os"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// listedChunks is how many chunks each slab of listed has: some pieces of a table's copy hold several.
const listedChunks = 1500

func listedSlabID(slab byte) format.SlabID { return format.SlabID{slab, 1} }

func listedID(slab byte, chunk int) (id crypt.Identity) {
	binary.LittleEndian.PutUint32(id[:], uint32(chunk)*2654435761) // Knuth's multiplicative hash: they are to differ everywhere
	binary.LittleEndian.PutUint32(id[4:], (uint32(chunk)+uint32(slab)<<16)*2654435761)
	binary.LittleEndian.PutUint64(id[8:], uint64(slab)<<32+uint64(chunk)+1)
	return id
}

// listed gives what a table says of a slab that has some frames, the first of which may stand on other slabs.
func listed(slab byte, on ...byte) *format.SlabRecord {
	rec := &format.SlabRecord{Slab: listedSlabID(slab), Length: 100}
	for first := 0; first < listedChunks; first += 100 {
		f := format.TableFrame{Kind: format.Zstd, Sealed: 100}
		for c := first; c < first+100; c++ {
			id := listedID(slab, c)
			f.Chunks, f.IDs = append(f.Chunks, uint32(c+1)), append(f.IDs, id[:]...)
		}
		if first == 0 && len(on) > 0 {
			f.Kind, f.Depth, f.Copies = format.Delta, 1, 1
			for _, base := range on {
				f.Bases = append(f.Bases, format.Base{Slab: listedSlabID(base), First: 0, Count: 1})
			}
		}
		rec.Frames = append(rec.Frames, f)
	}
	return rec
}

// putListed puts slabs that are there by name and length alone, and tables.
func putListed(t *testing.T, r *Stock, slabs []byte, tables ...[]*format.SlabRecord) {
	t.Helper()
	for _, slab := range slabs {
		if err := r.storage.Put(t.Context(), names.Slab(listedSlabID(slab)), bytes.NewReader(make([]byte, 100))); err != nil {
			t.Fatal(err)
		}
	}
	for _, records := range tables {
		if _, err := r.WriteTable(t.Context(), records); err != nil {
			t.Fatal(err)
		}
	}
}

// loadListed loads the index as a writer does.
func loadListed(t *testing.T, r *Stock, memory int64) *known.Index {
	t.Helper()
	r.IndexMemory = memory
	loaded, err := r.Load(t.Context(), nil, nil, func(context.Context) (*Relied, error) { return nil, nil })
	if err != nil {
		t.Fatal(err)
	}
	return loaded.Index
}

// found tells of how many chunks of a slab the place is found that they have.
func found(t *testing.T, x *known.Index, slab byte) (n int) {
	t.Helper()
	for c := range listedChunks {
		r, ok := x.Lookup(listedID(slab, c))
		if !ok {
			continue
		}
		n++
		if at, chunk := x.Locate(r); at != listedSlabID(slab) || int(chunk) != c || x.Length(r) != c+1 {
			t.Fatalf("chunk %d of slab %d is chunk %d of %v, of %d bytes", c, slab, chunk, at, x.Length(r))
		}
	}
	return n
}

// littleMemory is that of 3,700 chunks, and of 500 that are loaded, or of a slab: of listed slabs three are too many.
const littleMemory = 100_000

// Where samples are kept, a slab that stands by any way on one that is not there is not relied on, in whichever order they
// are listed, and all others are; also where what stands on others was held before there were too many.
func TestSampledBaseless(t *testing.T) {
	for name, tables := range map[string][][]*format.SlabRecord{
		"bases first": {{listed(1), listed(2, 1)}, {listed(3, 2)}, {listed(4, 9)}, {listed(5, 4, 1)}},
		"bases last":  {{listed(5, 4, 1), listed(4, 9)}, {listed(3, 2), listed(2, 1)}, {listed(1)}},
	} {
		r := newStock(t, storage.NewMemory(), crypt.NewKeyFile())
		putListed(t, r, []byte{1, 2, 3, 4, 5}, tables...)
		x := loadListed(t, r, littleMemory)
		if !x.Sampled() {
			t.Fatalf("%s: all %d are known", name, x.Len())
		}
		for slab, want := range map[byte]bool{1: true, 2: true, 3: true, 4: false, 5: false} {
			_, byPlace := x.Find(listedSlabID(slab), listedChunks-1)
			if n := found(t, x, slab); n > 0 != want || want && n < listedChunks*9/10 || byPlace != want {
				t.Errorf("%s: of slab %d %d chunks are found, by place %v", name, slab, n, byPlace)
			}
		}
	}
}

// What a sample leads to is read again from the copy of a table, from the table, or record by record from one that is
// long; and where that is gone and the slab says nothing, it is not told.
func TestReadAgain(t *testing.T) {
	key, mem := crypt.NewKeyFile(), storage.NewMemory()
	putListed(t, newStock(t, mem, key), []byte{1, 2, 3, 4, 5, 6}, []*format.SlabRecord{listed(1), listed(2), listed(3), listed(4)}, []*format.SlabRecord{listed(5), listed(6)})
	cache := t.TempDir()
	os.Chmod(cache, 0o700) // TempDir may be a folder that a group can write
	for name, r := range map[string]*Stock{"copies": openStock(t, mem, key, cache), "tables": openStock(t, mem, key, ""), "long tables": openStock(t, mem, key, "")} {
		if name == "long tables" {
			r.longest = 1000
		}
		if name == "copies" {
			loadListed(t, r, littleMemory) // makes them
		}
		x := loadListed(t, r, littleMemory)
		for slab := byte(1); slab <= 6; slab++ {
			if n := found(t, x, slab); n < listedChunks*9/10 {
				t.Errorf("%s: of slab %d %d chunks are found", name, slab, n)
			}
		}
		if name != "copies" {
			continue
		}
		for _, folder := range []string{names.Tables, names.Slabs} {
			infos, err := mem.List(t.Context(), folder)
			if err != nil {
				t.Fatal(err)
			}
			saved := objectsOf(t, mem, infos)
			for _, info := range infos {
				mem.Remove(t.Context(), info.Name)
			}
			if n := found(t, x, 3); n < listedChunks*9/10 {
				t.Errorf("without %s, by copies: of slab 3 %d chunks are found", folder, n)
			}
			for object, b := range saved {
				if err := mem.Put(t.Context(), object, bytes.NewReader(b)); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	r := openStock(t, mem, key, "")
	x := loadListed(t, r, littleMemory)
	infos, err := mem.List(t.Context(), names.Tables)
	if err != nil {
		t.Fatal(err)
	}
	for _, info := range infos {
		mem.Remove(t.Context(), info.Name)
	}
	for slab := byte(1); slab <= 6; slab++ {
		if n := found(t, x, slab); n != 0 {
			t.Errorf("without tables %d chunks of slab %d are found", n, slab)
		}
	}
	if _, err := x.Identity(0); err == nil {
		t.Error("what can't be read again is told")
	}
}

func objectsOf(t *testing.T, mem *storage.Memory, infos []storage.Info) map[string][]byte {
	t.Helper()
	all := make(map[string][]byte)
	for _, info := range infos {
		b := make([]byte, info.Size)
		if err := mem.ReadAt(t.Context(), info.Name, b, 0); err != nil {
			t.Fatal(err)
		}
		all[info.Name] = b
	}
	return all
}

// Tables are read together up to some MiB of them, one at the least.
func TestSomeTables(t *testing.T) {
	for want, sizes := range map[int][]int64{0: nil, 1: {tablesAtOnce + 1, 1}, 2: {tablesAtOnce / 2, tablesAtOnce / 2, 1}, 3: {1, 1, 1}} {
		var tables []storage.Info
		for _, n := range sizes {
			tables = append(tables, storage.Info{Name: fmt.Sprint(n), Size: n})
		}
		if got := someTables(tables); got != want {
			t.Errorf("of %v the first %d", sizes, got)
		}
	}
}
