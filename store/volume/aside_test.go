package volume

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestFindAside: what calls set aside is found by its kind, what only looks like it is left, and what
// is removed is gone.
func TestFindAside(t *testing.T) {
	at := func() time.Time { return time.Date(2026, 3, 14, 2, 3, 5, 0, time.UTC) }
	dir := t.TempDir()
	target := dir + "/srv"
	fill := func(_ context.Context, f *Folder) error { return os.WriteFile(f.Path()+"/a", []byte("bean"), 0o600) }
	for range 2 {
		if _, err := ReplaceFolder(t.Context(), target, fill, ReplaceOptions{Now: at}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := BuildBeside(t.Context(), target, fill, at); err != nil {
		t.Fatal(err)
	}
	placed, err := Place(t.Context(), target, fill, PlaceOptions{Now: at})
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"srv.new-abcdef", "srv.new-20260314t020305z.12", "srv/.part-abcdef", "srv.new", "srv.before-yesterday", "other.new-abcdef", "srv/.new-abcdef"} {
		if err := os.Mkdir(filepath.Join(dir, name), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	found, err := FindAside(target)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, a := range found {
		got = append(got, strings.TrimPrefix(a.Path, dir+"/")+" "+string(a.Kind))
		if !a.Folder || a.Kind != AsideUnfinished && !a.Made.Equal(at()) {
			t.Errorf("%+v", a)
		}
	}
	want := []string{
		"srv.before-20260314t020305z previous", "srv.new-20260314t020305z.12 unfinished", "srv.new-abcdef unfinished",
		"srv.rescued-20260314t020305z-2 rescued", "srv/.part-abcdef unfinished",
	}
	if !slices.Equal(got, want) {
		t.Errorf("found %q\nwant  %q", got, want)
	}
	single, err := AsideAt(filepath.Join(target, placed.Kept[0]))
	if err != nil || single.Folder || !single.Made.Equal(at()) {
		t.Errorf("%+v, %v", single, err)
	}
	if _, err := AsideAt(target + "/a"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("what is in use: %v", err)
	}
	// Another has the name by now.
	moved := found[0]
	if err := errors.Join(os.Rename(moved.Path, dir+"/away"), os.Mkdir(moved.Path, 0o755)); err != nil {
		t.Fatal(err)
	}
	if err := RemoveAside(moved); !errors.Is(err, ErrMeddled) {
		t.Errorf("another folder: %v", err)
	}
	keep := single.Path + ".away"
	if err := errors.Join(os.Rename(single.Path, keep), os.WriteFile(single.Path, nil, 0o600)); err != nil {
		t.Fatal(err)
	}
	if err := RemoveAside(single); !errors.Is(err, ErrMeddled) {
		t.Errorf("another file: %v", err)
	}
	if err := errors.Join(os.Rename(keep, single.Path)); err != nil {
		t.Fatal(err)
	}
	for _, a := range append(found[1:], single) {
		if err := errors.Join(RemoveAside(a), RemoveAside(a)); err != nil {
			t.Error(err)
		}
		if _, err := os.Lstat(a.Path); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s: %v", a.Path, err)
		}
	}
	if b, err := os.ReadFile(target + "/a"); err != nil || string(b) != "bean" {
		t.Errorf("what is in use: %q, %v", b, err)
	}
}

// FuzzMarker: whatever stands in a marker, it tells inode numbers or nothing.
func FuzzMarker(f *testing.F) {
	for _, s := range []string{"", markerStart, markerStart + "12\n13\n", markerStart + "0\n", markerStart + "x\n", "kist set aside 2\n12\n", markerStart + "12"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		told, err := parseMarker(b)
		if err != nil && told != nil || slices.Contains(told, 0) || err == nil && !strings.HasPrefix(string(b), markerStart) {
			t.Errorf("%v, %v", told, err)
		}
	})
}
