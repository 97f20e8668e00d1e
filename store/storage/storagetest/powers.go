package storagetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
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

// testReadFront tests storage.FrontReader, where the storage is one: it gives what ReadAt and Stat give.
func testReadFront(t *testing.T, s storage.Storage) {
	reader, ok := s.(storage.FrontReader)
	if !ok {
		t.Skip("not a storage.FrontReader")
	}
	const name, room = "captures/c", 100
	for _, size := range []int{0, 1, room - 1, room, room + 1, 3 << 20} {
		name := fmt.Sprint(name, size)
		mustPut(t, s, name, pattern(size))
		want, err := s.Stat(t.Context(), name)
		if err != nil {
			t.Fatal(err)
		}
		for _, room := range []int{0, 1, room} {
			p := make([]byte, room)
			got, err := reader.ReadFront(t.Context(), name, p)
			if errors.Is(err, errors.ErrUnsupported) {
				t.Skip(err)
			}
			read := min(size, room)
			if err != nil || got.Name != name || got.Size != want.Size || !got.Modified.Equal(want.Modified) || !bytes.Equal(p[:read], pattern(size)[:read]) {
				t.Errorf("%d bytes of %d: %v, %v; want %v and its first bytes", room, size, got, err, want)
			}
		}
	}
	for _, room := range []int{0, 1} {
		_, err := reader.ReadFront(t.Context(), "captures/none", make([]byte, room))
		wantError(t, err, storage.ErrNotFound, "captures/none")
		_, err = reader.ReadFront(t.Context(), "../x", make([]byte, room))
		wantError(t, err, storage.ErrBadName, "../x")
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := reader.ReadFront(ctx, name+"1", make([]byte, 1)); !errors.Is(err, context.Canceled) {
		t.Errorf("when the context has ended: got %v, want context.Canceled", err)
	}
}

// testDrop tests storage.Dropper, where the storage is one.
func testDrop(t *testing.T, s storage.Storage) {
	dropper, ok := s.(storage.Dropper)
	if !ok {
		t.Skip("not a storage.Dropper")
	}
	for _, name := range []string{"captures/x", "captures/x-kept", "slabs/ab/x"} {
		mustPut(t, s, name, pattern(10))
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	err := dropper.Drop(ctx, "captures/x")
	if errors.Is(err, errors.ErrUnsupported) {
		t.Skip(err)
	}
	if !errors.Is(err, context.Canceled) {
		t.Errorf("when the context has ended: got %v, want context.Canceled", err)
	}
	wantObject(t, s, "captures/x", pattern(10))
	for _, name := range []string{"captures/x", "slabs/ab/x", "captures/x", "captures/none", "slabs/ab"} { // also what is gone by then
		if err := dropper.Drop(t.Context(), name); err != nil {
			t.Errorf("drop %s: %v", name, err)
		}
		wantAbsent(t, s, name)
	}
	wantNames(t, s, "", "captures/x-kept")
	wantError(t, dropper.Drop(t.Context(), "../x"), storage.ErrBadName, "../x")
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
