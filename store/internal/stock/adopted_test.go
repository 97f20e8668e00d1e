package stock

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// TestAdoptedBaseless: a slab that no table lists is listed by who adopts it, but what stands there on what must not be relied on
// is stored once more.
func TestAdoptedBaseless(t *testing.T) {
	r := newStock(t, storage.NewMemory(), crypt.NewKeyFile())
	base, above := putUnlisted(t, r)
	look := []int{vault.FolderOfSlab(above)}
	both := vault.FolderOfSlab(base) == look[0] // drawn by chance
	for name, test := range map[string]struct {
		going  map[format.SlabID]bool
		relied *Relied
		want   bool
	}{
		"all stays":                                 {nil, nil, true},
		"the base goes":                             {map[format.SlabID]bool{base: true}, nil, false},
		"the base goes, and slabs are relied":       {map[format.SlabID]bool{base: true}, &Relied{Look: look}, false},
		"it is not known whether the base is there": {nil, &Relied{Look: look}, both},
	} {
		t.Run(name, func(t *testing.T) {
			p, err := r.present(t.Context(), &Exclusion{Slabs: test.going}, test.relied)
			if err != nil {
				t.Fatal(err)
			}
			loaded, err := r.stockOf(t.Context(), p, nil, nil)
			if err != nil {
				t.Fatal(err)
			}
			var rec *format.SlabRecord
			for _, adopted := range loaded.Adopted {
				if adopted.Slab == above {
					rec = adopted
				}
			}
			if rec == nil || !rec.HasDeltas() {
				t.Fatalf("adopted are %v", loaded.Adopted)
			}
			id := rec.Frames[0].ID(0)
			if id == (crypt.Identity{}) {
				t.Error("the table would list it without identities")
			}
			if _, ok := loaded.Index.Lookup(id); ok != test.want {
				t.Errorf("its content is relied on: %v", ok)
			}
		})
	}
}

// putUnlisted puts two slabs that no table lists, one of which stands on the other.
func putUnlisted(t *testing.T, r *Stock) (base, above format.SlabID) {
	t.Helper()
	v := r.Vault()
	in, err := intake.New(t.Context(), intake.Config{
		Storage: r.storage, Repository: v.ID(), Keys: v.Keys(), Index: known.New(), MaxChunk: format.MaxChunk,
		Deltas: intake.DeltasOwn, Workers: 1, TableName: func() string { return "20260314t0203z-k7f3" },
	})
	if err != nil {
		t.Fatal(err)
	}
	content := make([]byte, 60_000)
	rand.NewChaCha8([32]byte{1}).Read(content)
	s := in.Stream(intake.Contents)
	for range 2 {
		buf, err := in.Reserve()
		if err != nil {
			t.Fatal(err)
		}
		in.Put(s, copy(buf, content))
		if err := in.EndSlab(); err != nil {
			t.Fatal(err)
		}
		content = bytes.Clone(content)
		content[100] ^= 1
	}
	if _, err := in.Close(); err != nil {
		t.Fatal(err)
	}
	if err := r.storage.Remove(t.Context(), names.Table("20260314t0203z-k7f3")); err != nil {
		t.Fatal(err)
	}
	err = s.Runs(func(run format.Run) error {
		if base == (format.SlabID{}) {
			base = run.Slab
		}
		above = run.Slab
		return nil
	})
	if err != nil || base == above {
		t.Fatalf("slabs %v and %v, %v", base, above, err)
	}
	return base, above
}
