package store_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestDeepFolder captures a folder that lies deeper than the system takes paths, takes it over, and
// restores it.
func TestDeepFolder(t *testing.T) {
	oneByOne(t)
	const depth = 1100
	dir := filepath.Join(t.TempDir(), "tree")
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	for range depth {
		if err := root.Mkdir("shelf", 0o755); err != nil {
			t.Fatal(err)
		}
		next, err := root.OpenRoot("shelf")
		if err != nil {
			t.Fatal(err)
		}
		root.Close()
		root = next
	}
	if err := root.WriteFile("bottom", random(1, 300_000), 0o600); err != nil {
		t.Fatal(err)
	}
	root.Close()
	f := newFixture(t)
	c := f.captureFolder(dir, false)
	f.checkFolder(c, dir)
	again := f.captureFolder(dir, false)
	f.sameVolume(c, again)
	if again.Volumes[0].Reused != depth+2 {
		t.Errorf("%d members were taken over", again.Volumes[0].Reused)
	}
	into := f.extract(c, nil)
	f.sameVolume(c, f.captureFolder(into, false))
	if _, err := os.Lstat(filepath.Join(into, strings.Repeat("shelf/", 600))); err != nil {
		t.Error(err)
	}
}
