//go:build unix

package kept

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/kistarchive/kist/store/volume"
)

// setAside restores into a folder that holds something, and gives what that was set aside as.
func setAside(t *testing.T, b Book, target string) string {
	t.Helper()
	fill := func(_ context.Context, f *volume.Folder) error { return os.WriteFile(f.Path()+"/a", nil, 0o600) }
	if err := errors.Join(os.Mkdir(target, 0o700), os.WriteFile(target+"/a", nil, 0o600), b.Note(target)); err != nil {
		t.Fatal(err)
	}
	done, err := volume.ReplaceFolder(t.Context(), target, fill, volume.ReplaceOptions{})
	if err != nil {
		t.Fatal(err)
	}
	return done.Previous
}

// TestUnsure: the book forgets no place that can't be looked at just now, and each that is gone.
func TestUnsure(t *testing.T) {
	dir := t.TempDir()
	b := Book{Folder: filepath.Join(dir, "state")}
	share := filepath.Join(dir, "share")
	if err := errors.Join(b.Note(filepath.Join(share, "srv")), b.NoteSingle(filepath.Join(share, "single")), os.WriteFile(share, nil, 0o600)); err != nil {
		t.Fatal(err)
	}
	if found, err := b.Find(); err == nil {
		t.Errorf("%v in what is no folder now", found)
	}
	if lines, _, err := b.read(); err != nil || len(lines) != 2 {
		t.Errorf("the book has %v, %v", lines, err)
	}
	if err := os.Remove(share); err != nil {
		t.Fatal(err)
	}
	if found, err := b.Find(); err != nil || len(found) > 0 {
		t.Errorf("%v, %v", found, err)
	}
	if lines, _, err := b.read(); err != nil || len(lines) > 0 {
		t.Errorf("gone: the book has %v, %v", lines, err)
	}
}

// TestFilledMeanwhile: a place where something was set aside since it was looked at is not forgotten.
func TestFilledMeanwhile(t *testing.T) {
	dir := t.TempDir()
	b := Book{Folder: filepath.Join(dir, "state")}
	target := filepath.Join(dir, "srv")
	setAside(t, b, target)
	lines, _, err := b.read()
	if err != nil {
		t.Fatal(err)
	}
	var gone emptied
	defer gone.drop()
	b.empty(&gone, lines, line{Target: target})
	if len(gone.lines) > 0 {
		t.Errorf("%v is forgotten", gone.lines)
	}
}

// TestNotedElsewhere: what was set aside is known however the way to it was spelled, and not at another folder's name.
func TestNotedElsewhere(t *testing.T) {
	dir := t.TempDir()
	b := Book{Folder: filepath.Join(dir, "state")}
	real, link := filepath.Join(dir, "real"), filepath.Join(dir, "link")
	if err := errors.Join(os.Mkdir(real, 0o700), os.Symlink("real", link)); err != nil {
		t.Fatal(err)
	}
	aside := filepath.Join(real, filepath.Base(setAside(t, b, filepath.Join(link, "srv"))))
	found, err := b.Find(filepath.Join(real, "srv"))
	if err != nil || len(found) != 1 || !found[0].Noted {
		t.Fatalf("%+v, %v", found, err)
	}
	other := filepath.Join(real, "other"+filepath.Base(aside)[len("srv"):])
	if err := errors.Join(os.Mkdir(filepath.Join(real, "other"), 0o700), os.Rename(aside, other)); err != nil {
		t.Fatal(err)
	}
	if found, err := b.Named(other); err != nil || found.Noted {
		t.Errorf("%+v, %v", found, err)
	}
}

// TestSharedFolder: nothing is noted, and nothing locked, where others can write, also before there is a book.
func TestSharedFolder(t *testing.T) {
	b := Book{Folder: filepath.Join(t.TempDir(), "kist")}
	if err := errors.Join(os.Mkdir(b.Folder, 0o700), os.Chmod(b.Folder, 0o777)); err != nil {
		t.Fatal(err)
	}
	if err := b.Note("/srv/seedbank"); err == nil {
		t.Error("it was written")
	}
	if held, err := b.hold("/srv/seedbank"); err == nil {
		t.Errorf("%v is locked", held)
	}
	if left, _ := os.ReadDir(b.Folder); len(left) > 0 {
		t.Errorf("%v", left)
	}
}

// TestNotBegun: a restore that can't be noted keeps nobody else from the place.
func TestNotBegun(t *testing.T) {
	b := Book{Folder: filepath.Join(t.TempDir(), "kist")}
	if err := os.MkdirAll(b.path(), 0o700); err != nil { // a folder in the book's place
		t.Fatal(err)
	}
	for range 2 {
		if work, err := b.Begin("/srv/seedbank"); err == nil || errors.Is(err, ErrBusy) {
			t.Errorf("%v, %v", work, err)
		}
	}
}
