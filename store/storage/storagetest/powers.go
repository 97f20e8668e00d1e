package storagetest

import (
	"errors"
	"io/fs"
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
