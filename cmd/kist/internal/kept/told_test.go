package kept

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/volume"
)

// TestMayBeBuilt: an unfinished tree that the book does not know may be what a restore builds just now, by whatever else it
// is proved, for a day.
func TestMayBeBuilt(t *testing.T) {
	now := time.Date(2026, 3, 14, 2, 3, 5, 0, time.UTC)
	for _, c := range []struct {
		kind  volume.AsideKind
		noted bool
		age   time.Duration
		want  bool
	}{
		{volume.AsideUnfinished, false, 0, true},
		{volume.AsideUnfinished, false, 24*time.Hour - 1, true},
		{volume.AsideUnfinished, false, 24 * time.Hour, false},
		{volume.AsideUnfinished, true, 0, false}, // then it is known whether a restore is at work
		{volume.AsidePrevious, false, 0, false},
		{volume.AsideTorn, false, 0, false},
	} {
		path := filepath.Join(t.TempDir(), "srv.new-abcdef")
		if err := os.Mkdir(path, 0o700); err != nil {
			t.Fatal(err)
		}
		f := &Found{Aside: volume.Aside{Kind: c.kind, Path: path, Marked: true, Made: now.Add(-c.age)}, Noted: c.noted}
		if got := MayBeBuilt(f, now); got != c.want {
			t.Errorf("%+v: %t", c, got)
		}
		if err := (Book{}).Remove(f, false, now); errors.Is(err, ErrMayBeBuilt) != c.want {
			t.Errorf("%+v: removing it: %v", c, err)
		}
		if _, err := os.Lstat(path); err != nil && c.want {
			t.Errorf("%+v: it is gone", c)
		}
	}
}

// TestHas: the book has what it noted at a place, by what that is: not another thing that came there, nor the same
// elsewhere.
func TestHas(t *testing.T) {
	dir := t.TempDir()
	b := Book{Folder: filepath.Join(dir, "state")}
	mount, other := filepath.Join(dir, "srv"), filepath.Join(dir, "other")
	if err := errors.Join(os.Mkdir(mount, 0o700), os.Mkdir(other, 0o700)); err != nil {
		t.Fatal(err)
	}
	is, err := volume.IdentityOf(mount)
	if err != nil {
		t.Skip(err)
	}
	another, err := volume.IdentityOf(other)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Note(mount); err != nil {
		t.Fatal(err)
	}
	if !b.Has(filepath.Join(mount, ".before-x"), is) {
		t.Error("what was noted")
	}
	if b.Has(filepath.Join(mount, ".before-x"), another) {
		t.Error("another thing at the place")
	}
	if b.Has(filepath.Join(mount, ".before-x"), volume.Identity{}) {
		t.Error("what nothing is known of")
	}
	if b.Has(filepath.Join(other, ".before-x"), is) {
		t.Error("the same at another place")
	}
}
