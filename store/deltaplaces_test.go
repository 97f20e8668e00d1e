package store_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// basesLeft gives a repository with one capture, whose slab stands on two that nothing else needs, and an empty second place.
func basesLeft(t *testing.T) (f, there *fixture, c *store.Capture, stream []byte) {
	f, captures, streams := chain(t, 3)
	f.harmed = true
	f.retire(captures[:2]...)
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 1}) // moves nothing
	f.reopen()
	mem, key := storage.NewMemory(), crypt.NewKeyFile()
	to, err := store.CreateReplica(t.Context(), mem, f.Repository, key, store.ReplicaOptions{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { to.Close() })
	return f, &fixture{t: t, mem: mem, key: key, Repository: to, harmed: true}, captures[2], streams[2]
}

func (f *fixture) list(folder string) []storage.Info {
	f.t.Helper()
	infos, err := f.mem.List(f.t.Context(), folder)
	if err != nil {
		f.t.Fatal(err)
	}
	return infos
}

func (f *fixture) remove(name string) {
	f.t.Helper()
	if err := f.mem.Remove(f.t.Context(), name); err != nil {
		f.t.Fatal(err)
	}
}

func (f *fixture) replicate(there *fixture) *store.Replicated {
	f.t.Helper()
	out, err := f.Replicate(f.t.Context(), there.Repository, store.ReplicateOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	return out
}

// TestReplicateDeltasWithoutTables: what a slab stands on comes with it, also where no table tells of that.
func TestReplicateDeltasWithoutTables(t *testing.T) {
	for _, gone := range []bool{false, true} {
		f, there, c, stream := basesLeft(t)
		for _, info := range f.list(names.Tables) {
			if gone {
				f.remove(info.Name)
			} else if err := flip(t.Context(), f.mem, info, int(info.Size)/2, 1); err != nil {
				t.Fatal(err)
			}
		}
		f.reopen()
		if out := f.replicate(there); len(out.Sent) != 1 || out.Slabs != 3 || !out.Complete() {
			t.Errorf("gone %t: %+v", gone, out)
		}
		there.wantStream(c, stream)
		there.verify(t.Context())
	}
}

// TestReplicateDeltasUntold: a capture is not sent where nobody can tell what it stands on.
func TestReplicateDeltasUntold(t *testing.T) {
	f, there, c, _ := basesLeft(t)
	for _, info := range f.list(names.Tables) {
		f.remove(info.Name)
	}
	top, _ := topSlab(f)
	for _, info := range f.list(names.Slabs) {
		if info.Name == top {
			if err := flip(t.Context(), f.mem, info, int(info.Size)-format.TrailerSize, format.TrailerSize); err != nil {
				t.Fatal(err)
			}
		}
	}
	f.reopen()
	out := f.replicate(there)
	if len(out.Sent) > 0 || len(out.Damage) != 1 || out.Damage[0].Object != top || !slices.Equal(out.Damage[0].Captures, []string{c.ID}) {
		t.Errorf("%+v", out)
	}
}

// topSlab gives the slab on which none stands, and the others, on which it stands by some way.
func topSlab(f *fixture) (top string, below []string) {
	f.t.Helper()
	all := f.frames()
	for _, frames := range all {
		for _, frame := range frames {
			for _, b := range frame.Bases {
				below = append(below, names.Slab(b.Slab))
			}
		}
	}
	slices.Sort(below)
	below = slices.Compact(below)
	for name := range all {
		if !slices.Contains(below, name) {
			top = name
		}
	}
	if len(all) != 3 || len(below) != 2 {
		f.t.Fatalf("of %d slabs others stand on %v", len(all), below)
	}
	return top, below
}

// TestLackingBase: what a slab stands on and is gone in one place is named where the places are compared, as verifying
// names it, and is sent again.
func TestLackingBase(t *testing.T) {
	for _, tables := range []string{"as they were", "of the slab on top alone", "none"} {
		f, there, c, stream := basesLeft(t)
		if out := f.replicate(there); !out.Complete() {
			t.Fatalf("%+v", out)
		}
		_, below := topSlab(f)
		for _, base := range below {
			there.remove(base)
			for _, info := range there.list(names.Tables) {
				if tables == "none" {
					there.remove(info.Name)
				}
			}
			if tables == "of the slab on top alone" {
				if out, err := there.Repair(t.Context(), store.RepairOptions{}); err != nil {
					t.Fatalf("%+v, %v", out, err)
				}
			}
			there.reopen()
			for _, full := range []bool{false, true} {
				out, err := f.VerifyAgainst(t.Context(), there.Repository, store.AgainstOptions{Full: full})
				if err != nil || !slices.ContainsFunc(out.Unlike, func(u store.UnlikeInPlaces) bool {
					return u.Object == base && u.Here == "" && strings.Contains(u.There, c.ID)
				}) {
					t.Errorf("tables %s, full %t: %+v, %v", tables, full, out, err)
				}
			}
			plan, err := f.Replicate(t.Context(), there.Repository, store.ReplicateOptions{DryRun: true})
			if err != nil || !slices.Equal(plan.PutBack, []string{base}) {
				t.Errorf("tables %s: planned %+v, %v", tables, plan, err)
			}
			if out := f.replicate(there); !out.Complete() || !slices.Equal(out.PutBack, []string{base}) {
				t.Errorf("tables %s: %+v", tables, out)
			}
			there.wantStream(c, stream)
			if again := f.replicate(there); again.Slabs > 0 {
				t.Errorf("tables %s: it is sent again and again: %+v", tables, again)
			}
		}
		for _, f := range []*fixture{f, there} {
			f.remove(below[0])
			f.reopen()
		}
		if out := f.replicate(there); out.Complete() || len(out.Damage) != 1 || out.Damage[0].Object != below[0] || !out.Damage[0].There {
			t.Errorf("tables %s, gone in both places: %+v", tables, out)
		}
	}
}
