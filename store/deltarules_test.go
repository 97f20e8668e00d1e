package store_test

import (
	"bytes"
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// replica gives an empty second place.
func (f *fixture) replica() *fixture {
	f.t.Helper()
	mem, key := storage.NewMemory(), crypt.NewKeyFile()
	to, err := store.CreateReplica(f.t.Context(), mem, f.Repository, key, store.ReplicaOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(func() { to.Close() })
	return &fixture{t: f.t, mem: mem, key: key, Repository: to}
}

// wantBasesSent wants a capture to say that it needs what slabs stand on, which nothing else needs, so that a copy of it has
// that, too.
func (f *fixture) wantBasesSent(c *store.Capture, stream []byte) {
	f.t.Helper()
	found, err := f.Find(f.t.Context(), c.ID)
	if err != nil {
		f.t.Fatal(err)
	}
	if !store.NeedsBases(found) {
		f.t.Errorf("capture %s does not say that it needs what its slabs stand on", c.ID)
	}
	there := f.replica()
	if out := f.replicate(there); len(out.Sent) != 1 || !out.Complete() {
		f.t.Errorf("%+v", out)
	}
	there.wantStream(c, stream)
	there.verify(f.t.Context())
}

// TestMovedNeedBases: a capture that was moved onto slabs which stand on others says so.
func TestMovedNeedBases(t *testing.T) {
	f := newFixtureOf(t, withDeltas(store.DeltasOff))
	content := random(1, 200_000)
	streams := [][]byte{tarOf(t, file{name: "a", content: content}), tarOf(t, file{name: "a", content: edited(content, 3000, 1)})}
	first, second := f.capture(streams[0]), f.capture(streams[1])
	f.setDeltas(store.DeltasOn)
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, ToDeltas: &store.ToDeltasOptions{Batch: 1}})
	f.retire(first)
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 1}) // moves nothing
	if _, n := deepest(f.frames()); n == 0 || len(f.frames()) < 2 {
		t.Fatalf("of %d slabs %d frames stand on others", len(f.frames()), n)
	}
	f.wantBasesSent(second, streams[1])
}

// TestHealedNeedBases: a capture that is healed by slabs which stand on others says so.
func TestHealedNeedBases(t *testing.T) {
	f := newFixtureOf(t, withDeltas(store.DeltasOff))
	content := random(1, 200_000)
	stream := tarOf(t, file{name: "a", content: content})
	c := f.capture(stream)
	f.remove(f.list(names.Slabs)[0].Name)
	f.setDeltas(store.DeltasOn)
	f.reopen()
	other, again := f.capture(tarOf(t, file{name: "a", content: edited(content, 3000, 1)})), f.capture(stream)
	out, err := f.Repair(t.Context(), store.RepairOptions{})
	if err != nil || !slices.Equal(out.Healed, []string{c.ID}) {
		t.Fatalf("%+v, %v", out, err)
	}
	f.retire(other, again)
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 1})
	if _, n := deepest(f.frames()); n == 0 || len(f.frames()) < 2 {
		t.Fatalf("of %d slabs %d frames stand on others", len(f.frames()), n)
	}
	f.wantBasesSent(c, stream)
}

// TestRestockByTheOtherPlace: what a slab stands on is gone, and that slab can't say what it was: the other place does.
func TestRestockByTheOtherPlace(t *testing.T) {
	f, there, c, stream := basesLeft(t)
	f.replicate(there)
	top, below := topSlab(f)
	there.remove(below[0])
	for _, info := range there.list(names.Slabs) {
		if info.Name == top {
			if err := flip(t.Context(), there.mem, info, int(info.Size)-format.TrailerSize, format.TrailerSize); err != nil {
				t.Fatal(err)
			}
		}
	}
	there.reopen()
	out, err := there.Repair(t.Context(), store.RepairOptions{From: f.Repository})
	if err != nil || !slices.Contains(out.PutBack, below[0]) {
		t.Errorf("%+v, %v", out, err)
	}
	there.wantStream(c, stream)
	there.verify(t.Context())
}

// deepBases forges a capture that names but the last of three slabs, which stand on each other, and maybe one of the
// same contents that does not say so. It gives the lowest slab, and the capture that needs it.
func deepBases(t *testing.T, liar string) (f *forge, lowest format.SlabID, id string) {
	f = newForge(t)
	lowest = f.slab(bean)
	middle := f.forgeSlab(forgedSlab{frames: []forgedFrame{f.deltaOf(bean, 1, format.Base{Slab: lowest, Count: 1})}})
	top := f.forgeSlab(forgedSlab{frames: []forgedFrame{f.deltaOf(bean, 2, format.Base{Slab: middle, Count: 1})}})
	v := f.volumeOf(members(t, regular("catalogue", len(bean))))
	r := f.recipe(top, 0, bean)
	v.Contents = &r
	if liar == "older" {
		f.capture(nil, v)
	}
	f.capture(func(x *format.IndexFile) { x.Deltas, id = true, x.ID }, v)
	if liar == "younger" {
		f.capture(nil, v)
	}
	f.tables()
	return f, lowest, id
}

// TestLackingBelowBases: what lies lowest is missed, and put back, also where another capture names the same
// and says that it needs nothing of that.
func TestLackingBelowBases(t *testing.T) {
	for _, liar := range []string{"none", "older", "younger"} {
		g, lowest, id := deepBases(t, liar)
		here := &fixture{t: t, mem: g.mem, key: g.key, Repository: g.open(), harmed: true}
		there := here.replica()
		if out := here.replicate(there); !out.Complete() {
			t.Fatalf("liar %s: %+v", liar, out)
		}
		if _, ok := objects(t, there.mem)[names.Slab(lowest)]; !ok {
			t.Fatalf("liar %s: what lies lowest was not sent", liar)
		}
		there.remove(names.Slab(lowest))
		there.reopen()
		out, err := here.VerifyAgainst(t.Context(), there.Repository, store.AgainstOptions{})
		if err != nil || !slices.ContainsFunc(out.Unlike, func(u store.UnlikeInPlaces) bool {
			return u.Object == names.Slab(lowest) && u.Here == "" && strings.Contains(u.There, id)
		}) {
			t.Errorf("liar %s: %+v, %v", liar, out, err)
		}
		repaired, err := there.Repair(t.Context(), store.RepairOptions{From: here.Repository})
		if err != nil || !slices.Equal(repaired.PutBack, []string{names.Slab(lowest)}) {
			t.Errorf("liar %s: %+v, %v", liar, repaired, err)
		}
	}
}

// TestToDeltasByLyingTable: where tables say something else of a slab than it holds, nothing is stored anew by that, and it
// stays, with what was said of it.
func TestToDeltasByLyingTable(t *testing.T) {
	for name, lie := range map[string]func(g *forge, at chunkAt){
		"a chunk was another one": func(g *forge, at chunkAt) { g.flip(at) },
		"a frame is missing": func(g *forge, at chunkAt) {
			g.retell(func(rec *format.SlabRecord) bool {
				rec.Frames = rec.Frames[:len(rec.Frames)-1]
				return rec.Slab == at.slab
			})
		},
		"a chunk is longer": func(g *forge, at chunkAt) {
			g.retell(func(rec *format.SlabRecord) bool { rec.Frames[at.frame].Chunks[at.chunk]++; return rec.Slab == at.slab })
		},
	} {
		t.Run(name, func(t *testing.T) {
			f := newFixtureOf(t, withDeltas(store.DeltasOff))
			f.harmed = true
			content := random(1, 200_000)
			c := f.capture(content)
			f.setDeltas(store.DeltasOn)
			g := tamperWith(t, f.mem, f.key)
			var at chunkAt
			for _, a := range g.allChunks() {
				if len(a.content) > 3000 && bytes.Contains(content, a.content) {
					at = a
				}
			}
			lie(g, at)
			f.reopen()
			before := objects(t, f.mem)[names.Slab(at.slab)]
			out, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, ToDeltas: &store.ToDeltasOptions{}})
			if !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), names.Slab(at.slab)) {
				t.Errorf("%+v, %v", out, err)
			}
			if !bytes.Equal(objects(t, f.mem)[names.Slab(at.slab)], before) {
				t.Error("the slab is gone")
			}
			found, err := f.Find(t.Context(), c.ID)
			if err != nil || store.HashOf(found) != store.HashOf(c) || !maps.Equal(found.Labels, c.Labels) {
				t.Errorf("%+v, %v", found, err)
			}
		})
	}
}

// TestToDeltasLeavesDamaged: a slab that can't be opened stays as it is, and the others are stored anew all the same.
func TestToDeltasLeavesDamaged(t *testing.T) {
	f := newFixtureOf(t, withDeltas(store.DeltasOff))
	f.harmed = true
	f.capture(random(1, 100_000))
	bad := f.list(names.Slabs)[0]
	f.capture(random(2, 100_000))
	f.setDeltas(store.DeltasOn)
	if err := flip(t.Context(), f.mem, bad, int(bad.Size)-format.TrailerSize, format.TrailerSize); err != nil {
		t.Fatal(err)
	}
	f.reopen()
	before := objects(t, f.mem)[bad.Name]
	a := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, ToDeltas: &store.ToDeltasOptions{}}).ToDeltas
	if a.Slabs != 1 || a.Left != 0 || !bytes.Equal(objects(t, f.mem)[bad.Name], before) {
		t.Errorf("%+v", a)
	}
}

// TestToDeltasTakesWhatWasThere: what somebody captures without deltas while slabs are stored anew is left to the next run.
func TestToDeltasTakesWhatWasThere(t *testing.T) {
	f := newFixtureOf(t, withDeltas(store.DeltasOff))
	f.capture(random(1, 100_000))
	f.setDeltas(store.DeltasOn)
	watched, r := f.beside()
	at(watched, storagetest.Put, names.Slabs+"/", "", func() {
		f.setDeltas(store.DeltasOff)
		f.capture(random(2, 100_000))
		f.setDeltas(store.DeltasOn)
	})
	o := store.ReclaimOptions{Grace: store.NoGrace, ToDeltas: &store.ToDeltasOptions{Batch: 1}}
	out, err := r.Reclaim(t.Context(), o)
	if err != nil || out.ToDeltas.Slabs == 0 { // the slab counts twice where the other capture has its list of members from it
		t.Fatalf("%+v, %v", out, err)
	}
	if a := f.reclaim(o).ToDeltas; a.Slabs != 1 || a.Left != 0 {
		t.Errorf("the next run: %+v", a)
	}
}
