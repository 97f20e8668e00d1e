package stock

import (
	"context"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// putSlabOf puts a slab with one chunk, and a table.
func putSlabOf(t *testing.T, r *Stock, content string) (id format.SlabID, table storage.Info) {
	t.Helper()
	cfg := r.tableConfig(known.New())
	cfg.MaxChunk = 1 << 20
	TellTables(&cfg, func(info storage.Info, records []*format.SlabRecord) { id, table = records[0].Slab, info })
	in, err := intake.New(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	buf, err := in.Reserve()
	if err != nil {
		t.Fatal(err)
	}
	in.Put(in.Stream(intake.Contents), copy(buf, content))
	if _, err := in.Close(); err != nil {
		t.Fatal(err)
	}
	return id, table
}

// By the tables that are pinned an index is made of what these list, and of no more, if they list all that is relied on; what else there is
// is known once it is asked for.
func TestPinned(t *testing.T) {
	mem, key, cache := storage.NewMemory(), crypt.NewKeyFile(), t.TempDir()
	os.Chmod(cache, 0o700)
	newStock(t, mem, key)
	requests := storagetest.NewRequests(mem)
	r := openStock(t, requests, key, cache)
	own, table := putSlabOf(t, r, "beans")
	theirs, other := putSlabOf(t, r, "kale")
	if pins := r.Pin("relied/seedbank", []storage.Info{table, {Name: "tables/20260314t0203z-none"}}, nil); pins != nil {
		t.Errorf("pinned: %v, of which one has no copy", pins)
	}
	pins := r.Pin("relied/seedbank", []storage.Info{table}, nil)
	if len(pins) != 1 {
		t.Fatalf("pinned: %v", pins)
	}
	for _, test := range []struct {
		name   string
		relies []format.SlabID
		rest   bool
		has    map[format.SlabID]bool
	}{
		{"what is pinned", []format.SlabID{own}, true, map[format.SlabID]bool{own: true}},
		{"more than that", []format.SlabID{own, theirs}, false, map[format.SlabID]bool{own: true, theirs: true}},
	} {
		t.Run(test.name, func(t *testing.T) {
			relied := &Relied{Slabs: make(map[format.SlabID]bool), Service: "relied/seedbank", Tables: pins}
			for _, id := range test.relies {
				relied.Slabs[id] = true
			}
			requests.Take()
			s, err := r.Load(t.Context(), nil, nil, func(context.Context) (*Relied, error) { return relied, nil })
			if err != nil {
				t.Fatal(err)
			}
			if lists := slices.ContainsFunc(requests.Take(), func(r string) bool { return strings.HasPrefix(r, "list tables") }); lists == test.rest {
				t.Errorf("tables are listed: %v", lists)
			}
			if (s.Rest != nil) != test.rest {
				t.Errorf("there is a rest: %v, want %v", s.Rest != nil, test.rest)
			}
			for id, at := range map[format.SlabID]storage.Info{own: table, theirs: other} {
				if _, ok := s.Index.Find(id, 0); ok != test.has[id] {
					t.Errorf("slab %v is known: %v", id, ok)
				}
				if got := s.TablesOf(map[format.SlabID]bool{id: true})[id]; test.has[id] && (got.Name != at.Name || got.Size != at.Size) {
					t.Errorf("slab %v is listed by %v, want %v", id, got, at)
				}
			}
			if s.Rest == nil {
				return
			}
			rest, err := s.Rest(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if _, ok := rest.Index.Find(theirs, 0); !ok {
				t.Error("what others have is not known")
			}
			// Of what is not relied on each slab is asked for.
			if err := mem.Remove(t.Context(), "slabs/"+theirs.String()[:2]+"/"+theirs.String()); err != nil {
				t.Fatal(err)
			}
			if rest, err = s.Rest(t.Context()); err != nil {
				t.Fatal(err)
			}
			if _, ok := rest.Index.Find(theirs, 0); ok {
				t.Error("a slab that is gone is known")
			}
		})
	}
}

// Both indexes, of what is pinned and of the rest, take no more than one may; of either what is met is found, also where samples are
// kept, and the tables and all copies but the pinned one are gone. What stands on what is counted in one of them.
func TestPinnedSampled(t *testing.T) {
	for _, test := range []struct {
		name         string
		memory       int64
		own, sampled bool // of these samples are kept
	}{
		{"all are known", 10 * littleMemory, false, false},
		{"samples of the rest", 2 * littleMemory, false, true},
		{"samples of both", littleMemory, true, true},
	} {
		t.Run(test.name, func(t *testing.T) {
			mem, key, cache := storage.NewMemory(), crypt.NewKeyFile(), t.TempDir()
			os.Chmod(cache, 0o700)
			newStock(t, mem, key)
			r := openStock(t, mem, key, cache)
			own := []*format.SlabRecord{listed(1), listed(2), listed(3, 1)}
			putListed(t, r, []byte{1, 2, 3, 4, 5, 6}, own)
			tables, err := r.vault.List(t.Context(), names.Tables)
			if err != nil {
				t.Fatal(err)
			}
			putListed(t, r, nil, []*format.SlabRecord{listed(4, 1), listed(5, 3), listed(6)})
			relied := &Relied{Slabs: map[format.SlabID]bool{listedSlabID(1): true, listedSlabID(2): true, listedSlabID(3): true}, Service: "relied/seedbank"}
			if relied.Tables = r.Pin(relied.Service, tables, nil); len(relied.Tables) != 1 {
				t.Fatal("the table is not pinned")
			}
			r.IndexMemory = test.memory
			s, err := r.Load(t.Context(), nil, nil, func(context.Context) (*Relied, error) { return relied, nil })
			if err != nil || s.Rest == nil {
				t.Fatalf("there is no rest, %v", err)
			}
			rest, err := s.Rest(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if s.Index.Sampled() != test.own || rest.Index.Sampled() != test.sampled {
				t.Errorf("samples are kept: %v and %v", s.Index.Sampled(), rest.Index.Sampled())
			}
			if n := s.Index.Memory() + rest.Index.Memory(); n > test.memory {
				t.Errorf("%d bytes are taken, of %d", n, test.memory)
			}
			if !test.own && !test.sampled {
				base := format.Base{Slab: listedSlabID(1), First: 0, Count: 1}
				own, others := s.Crowds.On(base), rest.Crowds.On(base)
				if own != 1 || others != 2 {
					t.Errorf("%d frames of the own tables and %d others stand on the first", own, others)
				}
			}
			for slab := byte(4); slab <= 6; slab++ {
				if n := found(t, rest.Index, slab); n < listedChunks*9/10 {
					t.Errorf("of slab %d %d chunks are found", slab, n)
				}
			}
			for _, table := range tables {
				r.vault.Copies().Drop(table.Name)
				mem.Remove(t.Context(), table.Name)
			}
			for slab := byte(1); slab <= 3; slab++ {
				if n := found(t, s.Index, slab); n < listedChunks*9/10 {
					t.Errorf("of slab %d, which is pinned, %d chunks are found", slab, n)
				}
			}
		})
	}
}
