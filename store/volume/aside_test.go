package volume

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
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
	if _, err := BuildBeside(t.Context(), target, fill, ReplaceOptions{Now: at}); err != nil {
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

// TestAsideTold: what may be found aside later is told before it can be, by identities that stay through renames.
func TestAsideTold(t *testing.T) {
	dir := t.TempDir()
	target := dir + "/srv"
	var told []Identity
	note := func(id Identity) error { told = append(told, id); return nil }
	has := func(id Identity) bool { return slices.ContainsFunc(told, id.Is) }
	fill := func(_ context.Context, f *Folder) error { return os.WriteFile(f.Path()+"/a", []byte("bean"), 0o600) }
	var unfinished []Aside
	look := func(ctx context.Context, f *Folder) (err error) {
		unfinished, err = FindAside(target)
		return errors.Join(err, fill(ctx, f))
	}
	for range 2 {
		_, err := ReplaceFolder(t.Context(), target, look, ReplaceOptions{Aside: note})
		ok(t, err)
	}
	_, err := BuildBeside(t.Context(), target, fill, ReplaceOptions{Aside: note})
	ok(t, err)
	_, err = Place(t.Context(), target, func(ctx context.Context, f *Folder) error {
		parts, err := FindAside(target)
		unfinished = append(unfinished, parts[len(parts)-1])
		return errors.Join(err, fill(ctx, f))
	}, PlaceOptions{Aside: note})
	ok(t, err)
	found, err := FindAside(target)
	ok(t, err)
	if len(found) != 2 || len(unfinished) != 2 {
		t.Fatalf("found %v, and meanwhile %v", found, unfinished)
	}
	for _, a := range append(found, unfinished...) {
		if !has(a.Identity) {
			t.Errorf("%s was not told", a.Path)
		}
	}
	other, err := IdentityOf(dir)
	ok(t, err)
	if has(other) {
		t.Error("another folder counts as told")
	}
	refused := errors.New("refused")
	if _, err := ReplaceFolder(t.Context(), target, fill, ReplaceOptions{Aside: func(Identity) error { return refused }}); !errors.Is(err, refused) {
		t.Errorf("what can't be noted: %v", err)
	}
	if again, err := FindAside(target); err != nil || len(again) != 2 {
		t.Errorf("after that: %v, %v", again, err)
	}
}

// TestIdentity: when a thing was made tells it from another that got its inode number, and a device may be numbered anew.
func TestIdentity(t *testing.T) {
	a := Identity{Device: 1, Inode: 2, Born: 3}
	for _, c := range []struct {
		other Identity
		is    bool
	}{
		{a, true},
		{Identity{Device: 9, Inode: 2, Born: 3}, true},
		{Identity{Device: 1, Inode: 2, Born: 4}, false},
		{Identity{Device: 1, Inode: 3, Born: 3}, false},
		{Identity{Device: 1, Inode: 2}, true},
		{Identity{Device: 9, Inode: 2}, false},
	} {
		if a.Is(c.other) != c.is || c.other.Is(a) != c.is {
			t.Errorf("%v is %v: want %t", a, c.other, c.is)
		}
	}
	if (Identity{}).Is(Identity{}) {
		t.Error("what has no inode number is something")
	}
}

// TestTorn: what a killed exchange left beside a target is no previous tree, and is not removed until Recover has put it in order.
func TestTorn(t *testing.T) {
	const stamp = "20260314t020305z"
	for _, c := range []struct {
		name string
		make func(t *testing.T, target string)
		torn int // of what is found
		left string
	}{
		{"exchanged, not renamed", func(t *testing.T, target string) {
			ok(t, os.Mkdir(target, 0o700))
			id, err := IdentityOf(target)
			ok(t, err)
			ok(t, os.Mkdir(target+".new-"+stamp+"."+strconv.FormatUint(id.Inode, 10), 0o700))
		}, 1, "srv.before-" + stamp + " previous"},
		{"renamed once of twice", func(t *testing.T, target string) {
			ok(t, os.Mkdir(target+".before-"+stamp, 0o700), os.Mkdir(target+".new-"+stamp+".7", 0o700))
		}, 2, "srv.new-" + stamp + ".7 unfinished"},
		{"not yet exchanged", func(t *testing.T, target string) {
			ok(t, os.Mkdir(target, 0o700), os.Mkdir(target+".new-"+stamp+".7", 0o700))
		}, 0, "srv.new-" + stamp + ".7 unfinished"},
		{"another's previous tree", func(t *testing.T, target string) {
			ok(t, os.Mkdir(target+".before-20260101t000000z", 0o700))
		}, 0, "srv.before-20260101t000000z previous"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			target := dir + "/srv"
			c.make(t, target)
			found, err := FindAside(target)
			ok(t, err)
			torn := 0
			for _, a := range found {
				if a.Kind != AsideTorn {
					continue
				}
				torn++
				older := a
				older.Kind = AsidePrevious // it became torn since
				for _, a := range []Aside{a, older} {
					if err := RemoveAside(a); !errors.Is(err, ErrTorn) || !exists(a.Path) {
						t.Errorf("removing %s: %v", a.Path, err)
					}
				}
			}
			if torn != c.torn {
				t.Errorf("found %v, want %d torn", found, c.torn)
			}
			_, err = Recover(target)
			ok(t, err)
			if found, err = FindAside(target); err != nil || len(found) != 1 || filepath.Base(found[0].Path)+" "+string(found[0].Kind) != c.left {
				t.Fatalf("after Recover: %v, %v; want %s", found, err, c.left)
			}
			ok(t, RemoveAside(found[0]))
		})
	}
}

// FuzzMarker: whatever stands in a marker, it tells inode numbers or nothing.
func FuzzMarker(f *testing.F) {
	for _, s := range []string{"", markerStart, markerStart + "12\n13\n", markerStart + "0\n", markerStart + "x\n", "kist set aside 3\n12 5\n", markerStart + "12 5", markerStart + "12 5\n13 0\n", markerStart + "12 -5\n", olderMarkerStart + "12\n13\n", olderMarkerStart + "12 5\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		all, err := parseMarker(b)
		older := strings.HasPrefix(string(b), olderMarkerStart)
		if err != nil && all != nil || err == nil && !older && !strings.HasPrefix(string(b), markerStart) {
			t.Errorf("%v, %v", all, err)
		}
		for _, one := range all {
			if one.inode == 0 || one.born < 0 || older && one.born != 0 {
				t.Errorf("%q tells %v", b, one)
			}
		}
	})
}
