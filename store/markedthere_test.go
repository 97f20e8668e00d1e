package store_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// markedThere gives a repository with a capture of content, and a second place in which a slab of it is damaged in a way, and
// marked, and the capture is healed by the first place.
func markedThere(t *testing.T, deltas store.Deltas, content []byte, spoil func(f *fixture, slab string)) (f, there *fixture, slab string) {
	t.Helper()
	f = newFixtureOf(t, withDeltas(deltas))
	f.harmed = true
	f.capture(content)
	mem, key := storage.NewMemory(), crypt.NewKeyFile()
	to, err := store.CreateReplica(t.Context(), mem, f.Repository, key, store.ReplicaOptions{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { to.Close() })
	there = &fixture{t: t, mem: mem, key: key, Repository: to, harmed: true}
	f.replicate(there)
	biggest := slices.MaxFunc(there.list(names.Slabs), func(a, b storage.Info) int { return int(a.Size - b.Size) })
	spoil(there, biggest.Name)
	if _, err := there.Repair(t.Context(), store.RepairOptions{}); err != nil {
		t.Fatal(err)
	}
	out, err := there.Repair(t.Context(), store.RepairOptions{From: f.Repository})
	if err != nil || len(out.Lost) > 0 {
		t.Fatalf("%+v, %v", out, err)
	}
	there.reopen()
	return f, there, biggest.Name
}

// flipIn flips a bit in the frames of a slab.
func flipIn(f *fixture, slab string) {
	b := slices.Clone(f.object(slab))
	b[len(b)/2] ^= 1
	f.replace(slab, b)
}

// TestMarkedThere: a capture that is copied needs a slab that the second place knows to be harmed. It is put anew there.
func TestMarkedThere(t *testing.T) {
	cut := func(f *fixture, slab string) { b := f.object(slab); f.replace(slab, b[:len(b)-300]) }
	for name, spoil := range map[string]func(*fixture, string){"frame": flipIn, "cut short": cut} {
		for _, deltas := range []store.Deltas{store.DeltasOff, store.DeltasOn} {
			t.Run(name+" deltas "+string(deltas), func(t *testing.T) {
				content := random(1, 400_000)
				f, there, slab := markedThere(t, deltas, content, spoil)
				edit := slices.Concat(content[:300_000], edited(content[300_000:], 1500, 1))
				c := f.capture(edit)
				out := f.replicate(there)
				if !slices.Equal(out.Sent, []string{c.ID}) || len(out.Damage) > 0 {
					t.Fatalf("%+v", out)
				}
				there.reopen()
				copied, err := there.Find(t.Context(), c.ID)
				if err != nil {
					t.Fatal(err)
				}
				there.wantStream(copied, edit)
				if !slices.Equal(there.object(slab), f.object(slab)) {
					t.Error("the slab is another one")
				}
				if report := there.fullReport(); !report.OK {
					t.Errorf("%+v", report.Damage)
				}
				if infos := there.list("spare"); slices.ContainsFunc(infos, func(i storage.Info) bool { return strings.HasPrefix(i.Name, "spare/slabs.") }) {
					t.Errorf("left: %v", infos)
				}
			})
		}
	}
}

// TestMarkedInBoth: what is harmed in both places is not copied, and nothing is put in its place.
func TestMarkedInBoth(t *testing.T) {
	content := random(1, 400_000)
	f, there, slab := markedThere(t, store.DeltasOff, content, flipIn)
	c := f.capture(slices.Concat(content, []byte("lot 2")))
	before := there.object(slab)
	flipIn(f, slab)
	f.reopen()
	out := f.replicate(there)
	if len(out.Sent) > 0 || len(out.Damage) != 1 || out.Damage[0].Object != slab || out.Damage[0].There || !slices.Equal(out.Damage[0].Captures, []string{c.ID}) {
		t.Errorf("%+v", out)
	}
	if !slices.Equal(there.object(slab), before) {
		t.Error("it was put all the same")
	}
}

// TestMarkedWhileRepairing: while somebody repairs the second place, nothing is put anew in it, and the capture waits.
func TestMarkedWhileRepairing(t *testing.T) {
	content := random(1, 400_000)
	f, there, slab := markedThere(t, store.DeltasOff, content, flipIn)
	c := f.capture(slices.Concat(content, []byte("lot 2")))
	before := there.object(slab)
	var out *store.Replicated
	watched, repairing := there.beside()
	at(watched, storagetest.List, names.Slabs, "", func() { out = f.replicate(there) })
	if _, err := repairing.Repair(t.Context(), store.RepairOptions{}); err != nil {
		t.Fatal(err)
	}
	if len(out.Sent) > 0 || len(out.Damage) > 0 || !slices.Equal(out.Later, []string{c.ID}) {
		t.Errorf("%+v", out)
	}
	if !slices.Equal(there.object(slab), before) {
		t.Error("it was put all the same")
	}
}

// TestVerifyOpensMarked: what a mark says is harmed is opened by each verification, as captures may need it again.
func TestVerifyOpensMarked(t *testing.T) {
	content := random(1, 400_000)
	f, there, slab := markedThere(t, store.DeltasOff, content, flipIn)
	bad := there.object(slab)
	c := f.capture(slices.Concat(content, []byte("lot 2")))
	f.replicate(there)
	there.replace(slab, bad) // as a copy by a release that heeds no marks leaves it
	there.reopen()
	report, err := there.Verify(t.Context(), store.VerifyOptions{})
	if err != nil || len(report.Damage) != 1 || report.Damage[0].Object != slab || !slices.Equal(report.Damage[0].Captures, []string{c.ID}) {
		t.Errorf("%+v, %v", report, err)
	}
	against, err := f.VerifyAgainst(t.Context(), there.Repository, store.AgainstOptions{})
	if err != nil || len(against.Unlike) != 1 || against.Unlike[0].Object != slab || against.Unlike[0].There == "" || against.Unlike[0].Here != "" {
		t.Errorf("%+v, %v", against, err)
	}
}
