package weave

import (
	"maps"
	"slices"
	"testing"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/storage"
)

// TestTakeBases: who names a slab relies on all that it stands on, by any way, and on nothing else.
func TestTakeBases(t *testing.T) {
	id := crypt.NewRepositoryID()
	keys, err := crypt.NewRootKey().Derive(id)
	if err != nil {
		t.Fatal(err)
	}
	x := known.New()
	for n, bases := range [][]byte{1: {}, 2: {1}, 3: {2}, 4: {3, 1}, 5: {4}, 6: {}} {
		f := format.TableFrame{Kind: format.Zstd, Sealed: 1, Chunks: []uint32{1}, IDs: make([]byte, len(crypt.Identity{}))}
		f.IDs[0] = byte(n + 1)
		for _, b := range bases {
			f.Bases = append(f.Bases, format.Base{Slab: format.SlabID{b}, Count: 1})
		}
		if len(bases) > 0 {
			f.Kind = format.Delta
		}
		if err := x.AddSlab(format.SlabID{byte(n)}, []format.TableFrame{f}); err != nil {
			t.Fatal(err)
		}
	}
	for _, test := range []struct {
		named, want []byte
		deltas      bool
	}{
		{nil, nil, false},
		{[]byte{1, 6}, []byte{1, 6}, false},
		{[]byte{2}, []byte{1, 2}, true},
		{[]byte{4}, []byte{1, 2, 3, 4}, true},
		{[]byte{3, 6}, []byte{1, 2, 3, 6}, true},
	} {
		in, err := intake.New(t.Context(), intake.Config{
			Storage: storage.NewMemory(), Repository: id, Keys: keys, Index: x, MaxChunk: format.MaxChunk, Workers: 1, TableName: func() string { return "20260314t0203z-0001" },
		})
		if err != nil {
			t.Fatal(err)
		}
		w := NewWeaver(chunk.Params{}, nil)
		w.Intake = in
		for _, n := range test.named {
			w.Use(format.Run{Slab: format.SlabID{n}, Count: 1, Times: 1})
		}
		if _, err := in.Close(); err != nil {
			t.Fatal(err)
		}
		deltas := w.TakeBases()
		var got []byte
		for _, id := range slices.SortedFunc(maps.Keys(w.Uses), func(a, b format.SlabID) int { return int(a[0]) - int(b[0]) }) {
			got = append(got, id[0])
		}
		if !slices.Equal(got, test.want) || deltas != test.deltas {
			t.Errorf("%v: relied on are %v, not %v; deltas %t", test.named, got, test.want, deltas)
		}
	}
}
