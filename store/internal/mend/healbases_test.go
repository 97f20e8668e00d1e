package mend

import (
	"testing"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// TestHealedRelyOnBases: what was healed relies on what the slabs stand on that it names, so that index files are taken back where
// that goes. No test of a repository shows it: who keeps to the protocol removes no base of a slab that was there before.
func TestHealedRelyOnBases(t *testing.T) {
	id := crypt.NewRepositoryID()
	keys, err := crypt.NewRootKey().Derive(id)
	if err != nil {
		t.Fatal(err)
	}
	base, top := format.SlabID{1}, format.SlabID{2}
	index := known.New()
	for slab, f := range map[format.SlabID]format.TableFrame{
		base: {Kind: format.Zstd, Sealed: 1, Chunks: []uint32{1}, IDs: make([]byte, len(crypt.Identity{}))},
		top:  {Kind: format.Delta, Sealed: 1, Chunks: []uint32{1}, IDs: make([]byte, len(crypt.Identity{}))},
	} {
		f.IDs[0] = slab[0]
		if slab == top {
			f.Bases = []format.Base{{Slab: base, Count: 1}}
		}
		if err := index.AddSlab(slab, []format.TableFrame{f}); err != nil {
			t.Fatal(err)
		}
	}
	in, err := intake.New(t.Context(), intake.Config{
		Storage: storage.NewMemory(), Repository: id, Keys: keys, Index: index, MaxChunk: format.MaxChunk, Workers: 1, TableName: func() string { return "20260314t0203z-0001" },
	})
	if err != nil {
		t.Fatal(err)
	}
	h := &healer{w: weave.NewWeaver(chunk.Params{}, nil)}
	h.w.Intake = in
	h.w.Use(format.Run{Slab: top, Count: 1, Times: 1})
	if err := h.close(nil); err != nil {
		t.Fatal(err)
	}
	if !h.w.Uses[base] || !h.w.Uses[top] {
		t.Errorf("relied on are %v", h.w.Uses)
	}
}
