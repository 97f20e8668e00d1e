package kept

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/volume"
)

func names(found []Found) (all []string) {
	for _, a := range found {
		all = append(all, filepath.Base(a.Path))
	}
	return all
}

// TestBook: what was set aside at noted places is found, each once, and forgotten when it is gone.
func TestBook(t *testing.T) {
	dir := t.TempDir()
	b := Book{Folder: filepath.Join(dir, "state", "kist")}
	target := filepath.Join(dir, "srv")
	fill := func(_ context.Context, f *volume.Folder) error { return os.WriteFile(f.Path()+"/a", nil, 0o600) }
	if found, err := b.Find(); err != nil || len(found) > 0 {
		t.Fatalf("no book: %v, %v", found, err)
	}
	for range 2 {
		if err := b.Note(target); err != nil {
			t.Fatal(err)
		}
		if _, err := volume.ReplaceFolder(t.Context(), target, fill, volume.ReplaceOptions{}); err != nil {
			t.Fatal(err)
		}
	}
	placed, err := volume.Place(t.Context(), target, fill, volume.PlaceOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(b.NoteSingle(filepath.Join(target, placed.Kept[0])), os.Mkdir(target+".new-abcdef", 0o700)); err != nil {
		t.Fatal(err)
	}
	lines, _, err := b.read()
	if err != nil || len(lines) != 3 { // the place, what was there, and the single one
		t.Errorf("the book has %v, %v", lines, err)
	}
	// What a kill leaves of a line harms nothing.
	f, err := os.OpenFile(filepath.Join(b.Folder, bookName), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	f.WriteString(`{"target":"/sr` + "\n" + `{"target":"relative"}` + "\n" + `{"target":"/a","single":"/b"}` + "\n" + strings.Repeat("x", 70_000) + "\n")
	f.WriteString(`{"target":"/behind"}` + "\n")
	f.Close()
	if lines, _, err := b.read(); err != nil || len(lines) != 4 {
		t.Errorf("behind a long line the book has %v, %v", lines, err)
	}
	found, err := b.Find(target)
	if err != nil || len(found) != 3 {
		t.Fatalf("%q, %v", names(found), err)
	}
	now := time.Now()
	for _, x := range found {
		if x.Noted != (x.Kind == volume.AsidePrevious) {
			t.Errorf("%s is noted: %t", x.Path, x.Noted)
		}
		if !x.Noted {
			if err := b.Remove(&x, false, now); !errors.Is(err, ErrUnproved) {
				t.Errorf("removing what only its name tells of: %v", err)
			}
		}
		if err := b.Remove(&x, !x.Noted, now); err != nil {
			t.Error(err)
		}
	}
	if found, err := b.Find(); err != nil || len(found) > 0 {
		t.Errorf("all is removed: %q, %v", names(found), err)
	}
	if lines, _, err := b.read(); err != nil || len(lines) > 0 {
		t.Errorf("the book still has %v, %v", lines, err)
	}
}

// TestExchangedAside: what took the place of what was set aside, under the same name, is not removed.
func TestExchangedAside(t *testing.T) {
	dir := t.TempDir()
	b := Book{Folder: filepath.Join(dir, "state")}
	target := filepath.Join(dir, "srv")
	fill := func(_ context.Context, f *volume.Folder) error { return os.WriteFile(f.Path()+"/a", nil, 0o600) }
	for range 2 {
		work, err := b.Begin(target)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := volume.ReplaceFolder(t.Context(), target, fill, volume.ReplaceOptions{Aside: work.Aside}); err != nil {
			t.Fatal(err)
		}
		if err := work.End(); err != nil {
			t.Fatal(err)
		}
	}
	found, err := b.Find()
	if err != nil || len(found) != 1 || !found[0].Noted {
		t.Fatalf("%+v, %v", found, err)
	}
	// Live data comes to the name, as by somebody who went back by hand and moved things about.
	if err := errors.Join(os.Rename(found[0].Path, dir+"/away"), os.Mkdir(dir+"/live", 0o700), os.Rename(dir+"/live", found[0].Path)); err != nil {
		t.Fatal(err)
	}
	again, err := b.Find()
	if err != nil || len(again) != 1 || again[0].Noted {
		t.Fatalf("%+v, %v", again, err)
	}
	if err := b.Remove(&again[0], false, time.Now()); !errors.Is(err, ErrUnproved) {
		t.Errorf("another folder: %v", err)
	}
	if err := b.Remove(&found[0], false, time.Now()); !errors.Is(err, volume.ErrMeddled) {
		t.Errorf("another folder since it was found: %v", err)
	}
}

// TestAtWork: nothing is removed where a restore is at work, and two are not at work at one place, however that is spelled.
// What one left that was killed is known to be left.
func TestAtWork(t *testing.T) {
	dir := t.TempDir()
	b := Book{Folder: filepath.Join(dir, "state")}
	target, link := filepath.Join(dir, "srv"), filepath.Join(dir, "link")
	if err := errors.Join(os.Mkdir(target, 0o700), os.WriteFile(target+"/a", nil, 0o600), os.Symlink("srv", link)); err != nil {
		t.Skip(err)
	}
	work, err := b.Begin(target)
	if err != nil {
		t.Fatal(err)
	}
	if work.held == nil {
		t.Skip("the system has no such locks")
	}
	func() {
		defer func() { recover() }() // as a kill: nothing is cleaned up
		volume.ReplaceFolder(t.Context(), target, func(_ context.Context, f *volume.Folder) error {
			for _, at := range []string{target, link} {
				if _, err := b.Begin(at); !errors.Is(err, ErrBusy) {
					t.Errorf("a second one at %s: %v", at, err)
				}
				if _, err := b.Recover(at); !errors.Is(err, ErrBusy) {
					t.Errorf("putting %s in order meanwhile: %v", at, err)
				}
			}
			found, err := b.Find()
			if err != nil || len(found) != 1 || !found[0].Noted {
				t.Fatalf("%+v, %v", found, err)
			}
			for _, byName := range []bool{false, true} {
				if err := b.Remove(&found[0], byName, time.Now()); !errors.Is(err, ErrBusy) {
					t.Errorf("what is being built: %v", err)
				}
			}
			panic("killed")
		}, volume.ReplaceOptions{Aside: work.Aside})
	}()
	if _, err := b.Find(); err != nil {
		t.Error(err)
	}
	if err := work.End(); err != nil { // as the system does
		t.Fatal(err)
	}
	found, err := b.Find()
	if err != nil || len(found) != 1 || MayBeBuilt(&found[0], time.Now()) {
		t.Fatalf("after the kill: %+v, %v", found, err)
	}
	if err := b.Remove(&found[0], false, time.Now()); err != nil {
		t.Error(err)
	}
}

// TestPlaceAtWork: a place where a restore has only just begun is not forgotten.
func TestPlaceAtWork(t *testing.T) {
	dir := t.TempDir()
	b := Book{Folder: filepath.Join(dir, "state")}
	work, err := b.Begin(dir + "/srv")
	if err != nil || work.held == nil {
		t.Skip(err)
	}
	for _, want := range []int{1, 0} {
		if found, err := b.Find(); err != nil || len(found) > 0 {
			t.Errorf("%v, %v", found, err)
		}
		if lines, _, err := b.read(); err != nil || len(lines) != want {
			t.Errorf("the book has %v, %v: want %d", lines, err, want)
		}
		work.End()
	}
}

// TestSharedBook: a book that others can write names nothing.
func TestSharedBook(t *testing.T) {
	b := Book{Folder: filepath.Join(t.TempDir(), "kist")}
	if err := b.Note("/srv/seedbank"); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(b.Folder, 0o777); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Find(); err == nil {
		t.Error("it was read")
	}
	if err := b.Note("/srv/other"); err == nil {
		t.Error("it was written")
	}
	if err := (Book{}).Note("/srv/seedbank"); err != nil {
		t.Error(err)
	}
}

// TestBegunMeanwhile: a restore that begins where a Find has just found nothing waits until the lines about the place are out,
// and so notes it anew.
func TestBegunMeanwhile(t *testing.T) {
	dir := t.TempDir()
	b := Book{Folder: filepath.Join(dir, "state")}
	target := filepath.Join(dir, "srv")
	if err := b.Note(target); err != nil {
		t.Fatal(err)
	}
	lines, _, err := b.read()
	if err != nil {
		t.Fatal(err)
	}
	var gone emptied
	b.empty(&gone, lines, line{Target: target})
	if len(gone.lines) != 1 {
		t.Fatalf("%v", gone.lines)
	}
	if gone.held[0] == nil {
		t.Skip("the system has no such locks")
	}
	if _, err := b.Begin(target); !errors.Is(err, ErrBusy) {
		t.Errorf("meanwhile: %v", err)
	}
	if err := b.forget(gone.lines); err != nil {
		t.Fatal(err)
	}
	gone.drop()
	work, err := b.Begin(target)
	if err != nil {
		t.Fatal(err)
	}
	defer work.End()
	if lines, _, err := b.read(); err != nil || len(lines) != 1 {
		t.Errorf("the book has %v, %v", lines, err)
	}
}
