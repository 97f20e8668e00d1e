package stock

import (
	"encoding/binary"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// rivalRecord says of a slab that its two chunks have identities of those first bytes.
func rivalRecord(slab byte, length uint64, ids [2]byte, former []byte) *format.SlabRecord {
	f := format.TableFrame{Kind: format.Zstd, Sealed: 9, Chunks: []uint32{5, 6}, IDs: make([]byte, 32), Former: former}
	f.IDs[0], f.IDs[16] = ids[0], ids[1]
	return &format.SlabRecord{Slab: format.SlabID{slab}, Length: length, Frames: []format.TableFrame{f}}
}

func TestAlsoSaid(t *testing.T) {
	former := func(pairs ...[2]int) (b []byte) {
		for _, p := range pairs {
			b = format.AppendFormer(b, p[0], crypt.Identity{byte(p[1])})
		}
		return b
	}
	for name, c := range map[string]struct{ first, other, want *format.SlabRecord }{
		"the same":              {rivalRecord(1, 9, [2]byte{1, 2}, nil), rivalRecord(1, 9, [2]byte{1, 2}, nil), rivalRecord(1, 9, [2]byte{1, 2}, nil)},
		"another":               {rivalRecord(1, 9, [2]byte{1, 2}, nil), rivalRecord(1, 9, [2]byte{1, 3}, nil), rivalRecord(1, 9, [2]byte{1, 2}, former([2]int{1, 3}))},
		"both":                  {rivalRecord(1, 9, [2]byte{1, 2}, nil), rivalRecord(1, 9, [2]byte{4, 3}, nil), rivalRecord(1, 9, [2]byte{1, 2}, former([2]int{0, 4}, [2]int{1, 3}))},
		"formerly":              {rivalRecord(1, 9, [2]byte{1, 2}, former([2]int{1, 5})), rivalRecord(1, 9, [2]byte{1, 3}, former([2]int{0, 6}, [2]int{1, 5})), rivalRecord(1, 9, [2]byte{1, 2}, former([2]int{0, 6}, [2]int{1, 3}, [2]int{1, 5}))},
		"formerly what is true": {rivalRecord(1, 9, [2]byte{1, 2}, nil), rivalRecord(1, 9, [2]byte{1, 2}, former([2]int{1, 2})), rivalRecord(1, 9, [2]byte{1, 2}, nil)},
	} {
		t.Run(name, func(t *testing.T) {
			before := string(c.first.Encode())
			if got := alsoSaid(c.first, c.other); string(got.Encode()) != string(c.want.Encode()) {
				t.Errorf("got %+v, want %+v", got, c.want)
			}
			if string(c.first.Encode()) != before {
				t.Error("the record itself was changed")
			}
		})
	}
}

// A copy of a table says what was said formerly, too; tables that become one lose nothing
// that was said, and none goes for stale that says something else.
func TestRivalTables(t *testing.T) {
	ctx := t.Context()
	mem, key := storage.NewMemory(), crypt.NewKeyFile()
	newStock(t, mem, key)
	r := openStock(t, mem, key, t.TempDir())
	former := format.AppendFormer(nil, 0, crypt.Identity{7})
	for _, rec := range []*format.SlabRecord{rivalRecord(1, 9, [2]byte{1, 2}, nil), rivalRecord(1, 9, [2]byte{1, 3}, nil), rivalRecord(1, 9, [2]byte{1, 2}, former), rivalRecord(2, 9, [2]byte{8, 9}, nil)} {
		if _, err := r.WriteTable(ctx, []*format.SlabRecord{rec}); err != nil {
			t.Fatal(err)
		}
	}
	tells, err := r.SaidOf(ctx, map[format.SlabID]bool{{1}: true})
	if err != nil {
		t.Fatal(err)
	}
	check := func(said map[format.SlabID]*Said, what string) {
		t.Helper()
		s := said[format.SlabID{1}]
		var all []byte
		for n := range uint32(2) {
			all = append(all, s.IDs[n][0])
			for _, id := range s.Others[n] {
				all = append(all, id[0])
			}
		}
		if slices.Sort(all); !slices.Equal(all, []byte{1, 2, 3, 7}) {
			t.Errorf("%s say %v", what, all)
		}
	}
	check(tells, "tables")
	infos, err := mem.List(ctx, names.Tables)
	if err != nil || len(infos) != 4 {
		t.Fatalf("%d tables, %v", len(infos), err)
	}
	var tables []ListedTable
	for _, info := range infos {
		tables = append(tables, ListedTable{info: info})
	}
	r.WriteTable(ctx, r.join(ctx, tables))
	for _, info := range infos {
		if err := r.removeTable(ctx, ListedTable{info: info}); err != nil {
			t.Fatal(err)
		}
	}
	if tells, err = r.SaidOf(ctx, map[format.SlabID]bool{{1}: true}); err != nil {
		t.Fatal(err)
	}
	check(tells, "tables that became one")
}

// Of tables that contradict each other none is stale.
func TestRivalStates(t *testing.T) {
	ctx := t.Context()
	mem := storage.NewMemory()
	r := newStock(t, mem, crypt.NewKeyFile())
	if err := mem.Put(ctx, names.Slab(format.SlabID{1}), strings.NewReader("123456789")); err != nil {
		t.Fatal(err)
	}
	for _, second := range []byte{2, 3, 2} {
		if _, err := r.WriteTable(ctx, []*format.SlabRecord{rivalRecord(1, 9, [2]byte{1, second}, nil)}); err != nil {
			t.Fatal(err)
		}
	}
	states, err := r.tableStates(ctx, func(format.SlabID) bool { return false })
	if err != nil {
		t.Fatal(err)
	}
	said := make(map[byte]int)
	for _, state := range states {
		for _, rec := range state.records {
			said[rec.Frames[0].IDs[16]]++
		}
	}
	// The names are random, and with them which comes first.
	if said[2] < 1 || said[3] != 1 {
		t.Errorf("of tables that say 2, 3 and 2, those are left that say %v", said)
	}
}

// TestSaidIsBounded has a table say a great many things of one chunk: only a few are looked at.
func TestSaidIsBounded(t *testing.T) {
	s := &Said{IDs: make([]crypt.Identity, 1)}
	for i := range uint32(1000) {
		id := crypt.Identity{0xff}
		binary.LittleEndian.PutUint32(id[1:], i)
		s.also(0, id)
	}
	if n := len(s.Others[0]); n != MostSaid {
		t.Errorf("said keeps %d identities", n)
	}
}
