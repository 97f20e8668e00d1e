package store_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// What is missing, taken or closed is so for whoever knows package io/fs only.
func TestKindsOfErrors(t *testing.T) {
	f := newFixture(t)
	c := f.capture(tarOf(t, file{name: "catalogue", content: []byte("bean")}))
	ctx := t.Context()
	_, noVolume := c.Volume("absent")
	_, noObject := f.mem.Stat(ctx, "captures/absent")
	dir := filepath.Join(t.TempDir(), "repo")
	folder, err := storage.CreateFolder(dir, store.Folders()...)
	if err != nil {
		t.Fatal(err)
	}
	defer folder.Close()
	_, noFile := folder.Stat(ctx, "captures/absent")
	for what, err := range map[string]error{
		"no capture": second(f.Find(ctx, "absent")), "no volume": noVolume, "no member": third(f.OpenMember(ctx, &c.Volumes[0], "absent")),
		"no object in memory": noObject, "no object in a folder": noFile, "no key slot": f.RemoveSlot(ctx, "k7f3"),
	} {
		if !errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrExist) {
			t.Errorf("%s: %v", what, err)
		}
		if !errors.Is(err, store.ErrNotFound) && !errors.Is(err, storage.ErrNotFound) {
			t.Errorf("%s is not found: %v", what, err)
		}
	}
	for _, st := range []storage.Storage{f.mem, folder} {
		name := "captures/20260314t0203z-k7f3"
		if err := st.Put(ctx, name, strings.NewReader("bean")); err != nil {
			t.Fatal(err)
		}
		if err := st.Put(ctx, name, strings.NewReader("bean")); !errors.Is(err, fs.ErrExist) || !errors.Is(err, storage.ErrExists) {
			t.Errorf("a name that is taken: %v", err)
		}
		if err := st.Remove(ctx, name); err != nil {
			t.Fatal(err)
		}
	}
	// One is not the other, though both are missing.
	if errors.Is(store.ErrNotFound, storage.ErrNotFound) || errors.Is(storage.ErrNotFound, store.ErrNotFound) || errors.Is(fs.ErrNotExist, store.ErrNotFound) {
		t.Error("what the repository lacks and what its storage lacks are taken for each other")
	}
}

// DamagedObjects finds the objects, however errors are wrapped and joined.
func TestDamagedObjects(t *testing.T) {
	object := func(name string, err error) error { return &store.ObjectError{Object: name, Err: err} }
	damaged := fmt.Errorf("%w: cut short", store.ErrDamaged)
	for name, test := range map[string]struct {
		err  error
		want []string
	}{
		"nil":         {nil, nil},
		"not damaged": {object("captures/a", os.ErrPermission), nil},
		"wrapped":     {fmt.Errorf("looking: %w", object("captures/a", damaged)), []string{"captures/a"}},
		"joined, twice, unsorted": {
			fmt.Errorf("%w and %w", errors.Join(object("tables/b", damaged), object("captures/a", damaged)), object("tables/b", damaged)),
			[]string{"captures/a", "tables/b"},
		},
		"one within another": {object("captures/b", object("captures/a", damaged)), []string{"captures/a", "captures/b"}},
		"without an object":  {damaged, nil},
	} {
		if got := store.DamagedObjects(test.err); !slices.Equal(got, test.want) {
			t.Errorf("%s: %q, want %q", name, got, test.want)
		}
	}

	f := newFixture(t)
	f.harmed = true
	c := f.capture(tarOf(t, file{name: "catalogue", content: random(1, 300_000)}))
	var lost []string
	for name := range objects(t, f.mem) {
		if strings.HasPrefix(name, "slabs/") {
			lost = append(lost, name)
			if err := f.mem.Remove(t.Context(), name); err != nil {
				t.Fatal(err)
			}
		}
	}
	f.reopen()
	err := f.Restore(t.Context(), &c.Volumes[0], new(strings.Builder), store.RestoreOptions{})
	got := store.DamagedObjects(err)
	if len(got) == 0 || slices.ContainsFunc(got, func(o string) bool { return !slices.Contains(lost, o) }) {
		t.Errorf("of %q are lost: %q (%v)", lost, got, err)
	}
}

// What opening finds damaged has its name in code as well.
func TestDamagedManifest(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	f.replace("kist.json", objects(t, f.mem)["kist.json"][:40])
	_, err := store.Open(t.Context(), f.mem, f.key, store.OpenOptions{})
	if got := store.DamagedObjects(err); !errors.Is(err, store.ErrDamaged) || !slices.Equal(got, []string{"kist.json"}) {
		t.Errorf("%q: %v", got, err)
	}
}

// ErrBusy says who, and ErrVanished which captures.
func TestTypedErrors(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	gone := f.capture(tarOf(t, file{name: "a", content: random(1, 30_000)}))
	f.capture(tarOf(t, file{name: "b", content: random(2, 30_000)}))
	if err := f.mem.Remove(t.Context(), "captures/"+gone.ID); err != nil {
		t.Fatal(err)
	}
	_, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: time.Hour})
	var vanished *store.VanishedError
	if !errors.As(err, &vanished) || !errors.Is(err, store.ErrVanished) || !slices.Equal(vanished.Captures, []string{gone.ID}) || !strings.Contains(err.Error(), "captures/"+gone.ID) {
		t.Errorf("a capture vanished: %v", err)
	}

	inside := false
	_, err = f.Repair(t.Context(), store.RepairOptions{Host: "hazel", Progress: func(store.Progress) {
		if inside {
			return
		}
		inside = true
		other, err := store.Open(context.WithoutCancel(t.Context()), f.mem, f.key, store.OpenOptions{})
		if err != nil {
			t.Error(err)
			return
		}
		defer other.Close()
		_, err = other.Reclaim(t.Context(), store.ReclaimOptions{})
		var busy *store.BusyError
		if !errors.As(err, &busy) || !errors.Is(err, store.ErrBusy) || busy.Writer.Host != "hazel" || busy.Writer.Work != "repair" || !strings.Contains(err.Error(), "hazel") {
			t.Errorf("reclaiming beside a repair: %v", err)
		}
	}})
	if err != nil || !inside {
		t.Errorf("repairing: %v (reclaimed meanwhile: %t)", err, inside)
	}
}
