package kept

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/volume"
)

func names(found []volume.Aside) (all []string) {
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
	lines, err := b.read()
	if err != nil || len(lines) != 2 {
		t.Errorf("the book has %v, %v", lines, err)
	}
	// What a kill leaves of a line harms nothing.
	f, err := os.OpenFile(filepath.Join(b.Folder, bookName), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	f.WriteString(`{"target":"/sr` + "\n" + `{"target":"relative"}` + "\n")
	f.Close()
	found, err := b.Find(target)
	if err != nil || len(found) != 3 {
		t.Fatalf("%q, %v", names(found), err)
	}
	for _, a := range found {
		fresh, later := MayBeBuilt(a, time.Now()), MayBeBuilt(a, time.Now().Add(25*time.Hour))
		if fresh != (a.Kind == volume.AsideUnfinished) || later {
			t.Errorf("%s may be built: %t, %t a day later", a.Path, fresh, later)
		}
		if err := volume.RemoveAside(a); err != nil {
			t.Error(err)
		}
	}
	if found, err := b.Find(); err != nil || len(found) > 0 {
		t.Errorf("all is removed: %q, %v", names(found), err)
	}
	if lines, err := b.read(); err != nil || len(lines) > 0 {
		t.Errorf("the book still has %v, %v", lines, err)
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
