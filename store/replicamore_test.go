package store

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// readOnly is a storage that nobody may write to.
type readOnly struct{ storage.Storage }

func (readOnly) Put(context.Context, string, io.Reader) error { return fs.ErrPermission }
func (readOnly) Mark(context.Context, string, []byte) error   { return fs.ErrPermission }
func (readOnly) Remove(context.Context, string) error         { return fs.ErrPermission }

// A place that can only be read is copied from. What is reclaimed there meanwhile is found where it is by then.
func TestReplicateFromReadOnly(t *testing.T) {
	a := newSite(t)
	b := a.replica()
	here := a.open("")
	gone := here.put("seedbank", text(1, 400_000)+text(2, 400_000))
	stays := here.put("seedbank", text(1, 400_000)+"stays")
	if err := here.Retire(t.Context(), []string{gone.ID}, MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	watched := storagetest.NewFaulty(readOnly{a.mem})
	from := a.openOver(t, watched)
	defer from.Close()
	there := b.open("")
	var moved atomic.Bool
	watched.Before(func(m storagetest.Method, name string) {
		if m != storagetest.ReadAt || vaultFolder(name) != names.Slabs || !moved.CompareAndSwap(false, true) {
			return
		}
		// right before the first slab is read
		if out, err := here.Reclaim(t.Context(), ReclaimOptions{Grace: NoGrace}); err != nil || out.Moved == 0 || out.Slabs == 0 {
			t.Errorf("%+v, %v", out, err)
		}
	})
	out, err := from.Replicate(t.Context(), there.Repository, ReplicateOptions{})
	if err != nil || !slices.Equal(out.Sent, []string{stays.ID}) || len(out.Notes) != 1 || !out.Complete() || !moved.Load() {
		t.Errorf("%+v, %v", out, err)
	}
	there.wholeInFull()
}

func vaultFolder(name string) string { return name[:min(len(name), len(names.Slabs))] }

// Wherever making a place is cut off, there is no repository, or the place that it was to be.
func TestCreateReplicaFaults(t *testing.T) {
	a := newSite(t)
	of := a.open("")
	for _, effect := range []storagetest.Effect{storagetest.Fail, storagetest.FailAfter} {
		for call := 0; ; call++ {
			mem, key := storage.NewMemory(), crypt.NewKeyFile()
			faulty := storagetest.NewFaulty(mem)
			faulty.Inject(storagetest.Fault{From: call, Effect: effect})
			r, err := CreateReplica(t.Context(), faulty, of.Repository, key, ReplicaOptions{})
			if err == nil {
				r.Close()
			}
			again, opening := Open(t.Context(), mem, key, OpenOptions{})
			switch {
			case errors.Is(opening, ErrNoRepository) && err != nil:
			case opening != nil:
				t.Errorf("call %d: %v, after %v", call, opening, err)
			case again.Place() == "":
				t.Errorf("call %d: it is taken for the first place", call)
			}
			if opening == nil {
				again.Close()
			}
			if faulty.Calls(storagetest.Any) <= call {
				if call < 4 {
					t.Errorf("only %d calls", call)
				}
				break
			}
		}
	}
}

// A mark of a place whose end is harmed still tells it from others; repairing puts it anew.
func TestHarmedPlace(t *testing.T) {
	a := newSite(t)
	b := a.replica()
	place := b.open("").Place()
	name := names.PlaceMark(place)
	b.flip(name, len(b.read(name))-1)
	there := b.open("")
	if there.Place() != place {
		t.Errorf("place %q, and it was %q", there.Place(), place)
	}
	if report, err := there.Verify(t.Context(), VerifyOptions{}); err != nil || len(report.Damage) != 1 || report.Damage[0].Object != name {
		t.Errorf("%+v, %v", report, err)
	}
	if _, err := there.Repair(t.Context(), RepairOptions{}); err != nil {
		t.Error(err)
	}
	if again := b.open(""); again.Place() != place {
		t.Errorf("place %q after repairing", again.Place())
	} else {
		again.wholeInFull()
	}
}

// A slab that is there with another length is named, and nothing relies on it.
func TestReplicateOverTorn(t *testing.T) {
	a := newSite(t)
	b := a.replica()
	here, there := a.open(""), b.open("")
	c := here.put("seedbank", text(1, 100_000))
	infos, err := a.mem.List(t.Context(), names.Slabs)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.mem.Mark(t.Context(), infos[0].Name, nil); err != nil {
		t.Fatal(err)
	}
	out := here.replicate(there)
	if len(out.Sent) != 0 || len(out.Damage) != 1 || !out.Damage[0].There || out.Damage[0].Object != infos[0].Name || !slices.Equal(out.Damage[0].Captures, []string{c.ID}) {
		t.Errorf("%+v", out)
	}
	b.remove(infos[0].Name)
	if out := here.replicate(there); !out.Complete() || len(out.Sent) != 1 {
		t.Errorf("%+v", out)
	}
	there.wholeInFull()
}

// What needs a slab that a final mark names there waits, be the slab there yet or gone, and is not put under its name; it
// comes once that mark is gone.
func TestReplicateGoing(t *testing.T) {
	a := newSite(t)
	b := a.replica()
	here, there := a.open(""), b.open("")
	one := here.put("seedbank", text(1, 200_000))
	here.replicate(there)
	if err := there.Retire(t.Context(), []string{one.ID}, MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	// Somebody reclaims, and is stopped when the first slab is to go, or when it is gone.
	for _, effect := range []storagetest.Effect{storagetest.Fail, storagetest.FailAfter} {
		faulty := storagetest.NewFaulty(b.mem)
		faulty.Before(func(m storagetest.Method, name string) {
			if m == storagetest.Remove && vaultFolder(name) == names.Slabs {
				faulty.Inject(storagetest.Fault{Method: storagetest.Any, From: 0, Effect: effect})
			}
		})
		r := b.openOver(t, faulty)
		if _, err := r.Reclaim(t.Context(), ReclaimOptions{Grace: NoGrace}); !errors.Is(err, storagetest.ErrInjected) {
			t.Fatal(err)
		}
		r.Close()
		leases, err := b.mem.List(t.Context(), names.Leases)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range leases { // as if it were dead by now
			b.remove(l.Name)
		}
		before, err := b.mem.List(t.Context(), names.Slabs)
		if err != nil {
			t.Fatal(err)
		}
		two := here.put("seedbank", text(1, 200_000))
		out := here.replicate(there)
		if !slices.Contains(out.Later, two.ID) || len(out.Sent) > 0 || out.Complete() {
			t.Errorf("%v: %+v", effect, out)
		}
		if after, _ := b.mem.List(t.Context(), names.Slabs); len(after) != len(before) {
			t.Errorf("%v: there were %d slabs and are %d", effect, len(before), len(after))
		}
		there.wholeInFull()
	}
	if _, err := there.Reclaim(t.Context(), ReclaimOptions{Grace: NoGrace, AcceptUnexplained: true}); err != nil {
		t.Fatal(err)
	}
	if out := here.replicate(there); len(out.Sent) != 2 || !out.Complete() {
		t.Errorf("%+v", out)
	}
	there.wholeInFull()
}

// A capture that was removed and comes back has an index file of a name that it never had, and stays: what retired it
// once does so no more, though whoever removed it was stopped before its marks went.
func TestReplicateReturns(t *testing.T) {
	a := newSite(t)
	b := a.replica()
	here, there := a.open(""), b.open("")
	one := here.put("seedbank", "one")
	here.put("seedbank", "two")
	here.replicate(there)
	if err := there.Retire(t.Context(), []string{one.ID}, MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	marks, err := b.mem.List(t.Context(), names.Retired)
	if err != nil || len(marks) != 1 {
		t.Fatalf("%v, %v", marks, err)
	}
	mark := b.read(marks[0].Name)
	if _, err := there.Reclaim(t.Context(), ReclaimOptions{Grace: NoGrace}); err != nil {
		t.Fatal(err)
	}
	if err := b.mem.Put(t.Context(), marks[0].Name, bytes.NewReader(mark)); err != nil {
		t.Fatal(err)
	}
	here.replicate(there, one.ID)
	if name := b.fileOf(one.ID); name == names.Capture(one.ID, 0) || name == names.Capture(one.ID, 1) {
		t.Errorf("it is %s again", name)
	}
	if _, err := there.Reclaim(t.Context(), ReclaimOptions{Grace: NoGrace}); err != nil {
		t.Fatal(err)
	}
	if c, err := there.Find(t.Context(), one.ID); err != nil || c.Retired != nil {
		t.Errorf("%+v, %v", c, err)
	}
	there.wholeInFull()
}

// Whatever clocks say of which capture came first: where a run is cut off between two index files, none is missed there.
func TestReplicateOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // time stands still
		a := newSite(t)
		b := a.replica()
		here := a.open("")
		for range 6 { // each names the one before, and their order by name is any
			here.put("seedbank", "bean")
		}
		for cut := range 7 {
			there := b.copyOf(t, b.allObjects())
			faulty := storagetest.NewFaulty(there.mem)
			left := cut
			faulty.Before(func(m storagetest.Method, name string) {
				if m != storagetest.Put || !strings.HasPrefix(name, names.Captures) {
					return
				}
				if left--; left < 0 {
					faulty.Inject(storagetest.Fault{})
				}
			})
			to := there.openOver(t, faulty)
			out, err := here.Replicate(t.Context(), to, ReplicateOptions{})
			to.Close()
			if (err != nil) != (cut < 6) || out == nil {
				t.Fatalf("cut off after %d: %+v, %v", cut, out, err)
			}
			m := there.open("")
			if len(m.ids()) != cut {
				t.Errorf("cut off after %d: there are %v", cut, m.ids())
			}
			m.wholeInFull()
			here.replicate(m)
			m.wholeInFull()
			if marks, err := there.mem.List(t.Context(), names.Elsewhere); err != nil || len(marks) > 0 {
				t.Errorf("cut off after %d: marks are left: %v, %v", cut, marks, err)
			}
			m.Close()
		}
		here.Close()
	})
}
