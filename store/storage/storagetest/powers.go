package storagetest

import (
	"errors"
	"io/fs"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/storage"
)

// testAnchored tests storage.Anchored, where the storage is one.
func testAnchored(t *testing.T, s storage.Storage) {
	anchored, ok := s.(storage.Anchored)
	if !ok {
		t.Skip("not a storage.Anchored")
	}
	err := anchored.SetAnchor("kist.json")
	if errors.Is(err, errors.ErrUnsupported) {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	wantError(t, anchored.SetAnchor("../x"), storage.ErrBadName, "../x")
	wantError(t, s.Put(t.Context(), "captures/early", strings.NewReader("x")), storage.ErrGone, "captures/early")
	wantNames(t, s, "")
	mustPut(t, s, "kist.json", []byte("{}"))
	if err := anchored.SetAnchor("kist.json"); err != nil {
		t.Error(err)
	}
	mustPut(t, s, "captures/then", []byte("x"))
	wantNames(t, s, "", "captures/then", "kist.json")
}

// testNames tests storage.Namer, where the storage is one: it tells the names that List tells.
func testNames(t *testing.T, s storage.Storage) {
	namer, ok := s.(storage.Namer)
	if !ok {
		t.Skip("not a storage.Namer")
	}
	for _, name := range []string{"captures/c", "kist.json", "slabs/a-b", "slabs/a.b", "slabs/a/b", "slabs/a/c/d", "slabs/a0"} {
		mustPut(t, s, name, pattern(10))
	}
	for _, folder := range []string{"", "captures", "slabs", "slabs/a", "slabs/none", "leases"} {
		names, err := namer.Names(t.Context(), folder)
		if errors.Is(err, errors.ErrUnsupported) {
			t.Skip(err)
		}
		infos, listing := s.List(t.Context(), folder)
		if err != nil || listing != nil {
			t.Fatal(err, listing)
		}
		if !slices.EqualFunc(names, infos, func(name string, info storage.Info) bool { return name == info.Name }) {
			t.Errorf("below %q there is %v, listed as %v", folder, names, infos)
		}
	}
	_, err := namer.Names(t.Context(), "../x")
	wantError(t, err, storage.ErrBadName, "../x")
}

// testListAfter tests storage.AfterLister, where the storage is one: it gives the end of what List gives.
func testListAfter(t *testing.T, s storage.Storage) {
	lister, ok := s.(storage.AfterLister)
	if !ok {
		t.Skip("not a storage.AfterLister")
	}
	for _, name := range []string{"captures/a", "captures/a.1", "captures/b-c", "captures/b/c", "captures/b0", "slabs/a"} {
		mustPut(t, s, name, pattern(10))
	}
	for _, after := range []string{"", "captures/0", "captures/a", "captures/a.0", "captures/a.1", "captures/b", "captures/b0", "captures/z", "b", "z"} {
		got, err := lister.ListAfter(t.Context(), "captures", after)
		if errors.Is(err, errors.ErrUnsupported) {
			t.Skip(err)
		}
		infos, listing := s.List(t.Context(), "captures")
		if err != nil || listing != nil {
			t.Fatal(err, listing)
		}
		want := slices.DeleteFunc(infos, func(info storage.Info) bool { return info.Name <= after })
		if !slices.Equal(got, want) {
			t.Errorf("behind %q there is %v, want %v", after, got, want)
		}
	}
	_, err := lister.ListAfter(t.Context(), "../x", "")
	wantError(t, err, storage.ErrBadName, "../x")
	_, err = lister.ListAfter(t.Context(), "captures", "../x")
	wantError(t, err, storage.ErrBadName, "../x")
}

// testSweeper tests storage.Sweeper, where the storage is one: objects stay.
func testSweeper(t *testing.T, s storage.Storage) {
	sweeper, ok := s.(storage.Sweeper)
	if !ok {
		t.Skip("not a storage.Sweeper")
	}
	mustPut(t, s, "captures/one", pattern(10))
	mustMark(t, s, "leases/one", nil)
	removed, err := sweeper.RemoveAside(t.Context(), 0)
	if errors.Is(err, errors.ErrUnsupported) {
		t.Skip(err)
	}
	if err != nil || len(removed) > 0 {
		t.Errorf("removed %v, %v", removed, err)
	}
	if removed, err := sweeper.RemoveAside(t.Context(), -time.Hour); !errors.Is(err, fs.ErrInvalid) || len(removed) > 0 {
		t.Errorf("an age below zero: %v, %v; want fs.ErrInvalid", removed, err)
	}
	wantNames(t, s, "", "captures/one", "leases/one")
}
