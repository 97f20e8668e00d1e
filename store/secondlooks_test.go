package store_test

import (
	"context"
	"errors"
	"maps"
	"slices"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// lister is a storage whose listings are as change makes them.
type lister struct {
	*storagetest.Faulty
	change func(folder string, infos []storage.Info) []storage.Info
}

func (l *lister) List(ctx context.Context, folder string) ([]storage.Info, error) {
	infos, err := l.Faulty.List(ctx, folder)
	return l.change(folder, infos), err
}

// listing opens the repository as a machine that sees other listings.
func (f *fixture) listing(change func(folder string, infos []storage.Info) []storage.Info) *store.Repository {
	f.t.Helper()
	r, err := store.Open(f.t.Context(), &lister{storagetest.NewFaulty(f.mem), change}, f.key, store.OpenOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(func() { r.Close() })
	return r
}

// TestLateListingMissesNobody: a capture that is held, and that a listing doesn't have yet, has not
// vanished: its index file is asked for by its name before anybody is alarmed.
func TestLateListingMissesNobody(t *testing.T) {
	f := newFixture(t)
	f.capture(shared)
	c := f.capture(own)
	if err := f.Hold(t.Context(), []string{c.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	late := f.listing(func(folder string, infos []storage.Info) []storage.Info {
		return slices.DeleteFunc(infos, func(i storage.Info) bool { return i.Name == "captures/"+c.ID })
	})
	if report, err := late.Verify(t.Context(), store.VerifyOptions{}); err != nil || !report.OK {
		t.Errorf("a late listing: %+v, %v", report, err)
	}
	// One that was cut short before there was a capture does not count.
	whole := objects(t, f.mem)["captures/"+c.ID]
	f.replace("captures/"+c.ID, nil)
	_, other := f.beside() // that never saw it
	report, err := other.Verify(t.Context(), store.VerifyOptions{})
	if err != nil || !slices.ContainsFunc(report.Damage, func(d store.Damage) bool { return slices.Contains(d.Captures, c.ID) }) {
		t.Errorf("an index file that is cut short: %+v, %v", report, err)
	}
	f.replace("captures/"+c.ID, whole)
}

// TestRetirementExplains: of slabs that are most of what is stored, by what a listing says of their
// lengths, only those of a capture that was retired and may go are freed unasked.
func TestRetirementExplains(t *testing.T) {
	for how, want := range map[string]error{"retired": nil, "lost": store.ErrUnexplained} {
		f := newFixture(t)
		f.harmed = true
		f.capture(own)
		before := under(t, f.mem, "slabs")
		large := f.capture(shared) // the newest: nobody saw it
		slabs := under(t, f.mem, "slabs")
		maps.DeleteFunc(slabs, func(name string, _ []byte) bool { return before[name] != nil })
		if how == "retired" {
			f.retire(large)
		} else {
			f.lose(large)
		}
		r := f.listing(func(folder string, infos []storage.Info) []storage.Info {
			for i := range infos {
				if slabs[infos[i].Name] != nil {
					infos[i].Size += 100 << 20
				}
			}
			return infos
		})
		for _, o := range []store.ReclaimOptions{{Grace: store.NoGrace, DryRun: true}, {Grace: store.NoGrace}} {
			out, err := r.Reclaim(t.Context(), o)
			if !errors.Is(err, want) {
				t.Errorf("%s, grace %v: %+v, %v; want %v", how, o.Grace, out, err, want)
			}
		}
	}
}

// TestRenewedSlotOfAnotherRoot: under the name of the slot that is made anew stands one that the same secret
// opens, but to another root key, as of somebody who knows the secret and was shut out otherwise. It is not
// taken, and the old slot stays.
func TestRenewedSlotOfAnotherRoot(t *testing.T) {
	key := goldenKey(t)
	first := memoryOf(t, goldenCopy(t))
	r, err := store.Open(t.Context(), first, key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	old := r.OpenedSlot()
	renewed, err := r.RenewSlot(t.Context(), key)
	if err != nil {
		t.Fatal(err)
	}
	forgery := slotForgery{version: 2, id: string(renewed.ID()), repository: r.ID(), root: random(7, 32), key: keyBytes(t, key)}
	mem := memoryOf(t, goldenCopy(t))
	put(t, mem, "keyslots/"+string(renewed.ID())+".json", forgery.document(t))
	again, err := store.Open(t.Context(), mem, key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	if _, err := again.RenewSlot(t.Context(), key); !errors.Is(err, crypt.ErrForgedSlot) {
		t.Errorf("a slot of another root key: %v", err)
	}
	if again.OpenedSlot() != old || !slices.Contains(slotNames(t, mem), "keyslots/"+string(old)+".json") {
		t.Error("the old slot is gone")
	}
}

// TestOtherOldSlotIsUnproved: of slots of version 1 only the one that opened the repository counts, as it
// was when it did: another one under its name doesn't.
func TestOtherOldSlotIsUnproved(t *testing.T) {
	key := goldenKey(t)
	mem := memoryOf(t, goldenCopy(t))
	r, err := store.Open(t.Context(), mem, key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	standings := func() (opened store.SlotStanding, others []store.SlotStanding) {
		slots, err := r.Slots(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range slots {
			if s.ID == r.OpenedSlot() {
				opened = s.Standing
			} else {
				others = append(others, s.Standing)
			}
		}
		return opened, others
	}
	if opened, others := standings(); opened != store.SlotProven || !slices.Equal(others, []store.SlotStanding{store.SlotUnproved}) {
		t.Errorf("%s, and the others %v", opened, others)
	}
	name := "keyslots/" + string(r.OpenedSlot()) + ".json"
	if err := mem.Remove(t.Context(), name); err != nil {
		t.Fatal(err)
	}
	forgery := slotForgery{id: string(r.OpenedSlot()), repository: r.ID(), root: random(7, 32), key: random(8, 32)}
	put(t, mem, name, forgery.document(t))
	if opened, _ := standings(); opened != store.SlotUnproved {
		t.Errorf("another slot under its name is %s", opened)
	}
}

// TestUnreadIndexFileStopsReclaiming: while an index file can't be read, what it needs isn't known, and
// nothing is removed.
func TestUnreadIndexFileStopsReclaiming(t *testing.T) {
	f := newFixture(t)
	f.retire(f.capture(own))
	f.spoil(f.capture(shared))
	before := len(under(t, f.mem, "slabs"))
	for _, grace := range []time.Duration{0, store.NoGrace} {
		if out, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: grace, AcceptUnexplained: true}); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("grace %v: %+v, %v", grace, out, err)
		}
	}
	if n := len(under(t, f.mem, "slabs")); n != before || f.count("condemned") > 0 {
		t.Errorf("%d slabs of %d are left, and %d marks", n, before, f.count("condemned"))
	}
}

// TestMarkedCaptureIsMissedByAnybody: a capture that a mark is about is missed by a machine that knows
// nothing of it, and that no other capture tells of it either.
func TestMarkedCaptureIsMissedByAnybody(t *testing.T) {
	f := newFixture(t)
	f.capture(shared)
	c := f.capture(own)
	if err := f.Hold(t.Context(), []string{c.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	f.lose(c)
	f.reopen()
	f.expectRefusal(store.ReclaimOptions{Grace: store.NoGrace, AcceptUnexplained: true}, store.ErrVanished)
}

// TestLateListingFreesNothing: of a capture that is marked, and that a listing doesn't have yet, it isn't known what
// it needs.
func TestLateListingFreesNothing(t *testing.T) {
	f := newFixture(t)
	f.capture(shared)
	c := f.capture(own)
	if err := f.Hold(t.Context(), []string{c.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	before := under(t, f.mem, "slabs")
	late := f.listing(func(folder string, infos []storage.Info) []storage.Info {
		return slices.DeleteFunc(infos, func(i storage.Info) bool { return i.Name == "captures/"+c.ID })
	})
	for _, dry := range []bool{true, false} {
		out, err := late.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, AcceptUnexplained: true, DryRun: dry})
		if !errors.Is(err, store.ErrBusy) {
			t.Errorf("%+v, %v", out, err)
		}
	}
	if now := under(t, f.mem, "slabs"); len(now) != len(before) {
		t.Errorf("%d slabs are left of %d", len(now), len(before))
	}
}
