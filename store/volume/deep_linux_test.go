package volume_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/kistarchive/kist/store/volume"
)

// deepTree makes so many folders within one another, with files in some of them that come before the
// folder, and others that come behind it.
func deepTree(t *testing.T, name string, depth int) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "tree")
	must(t, os.Mkdir(dir, 0o755))
	root, err := os.OpenRoot(dir)
	must(t, err)
	for i := range depth {
		must(t, root.Mkdir(name, 0o755))
		if i%7 == 0 {
			must(t, root.WriteFile("a", []byte(fmt.Sprint(i)), 0o600))
		}
		if i%5 == 0 {
			must(t, root.WriteFile("z", bytes.Repeat([]byte{'z'}, i*100), 0o640), root.Symlink("a", "zz"))
		}
		next, err := root.OpenRoot(name)
		must(t, err, root.Close())
		root = next
	}
	must(t, root.WriteFile("bottom", []byte("bean"), 0o600), root.Close())
	return dir
}

// TestDeep reads and restores folders that lie deeper than the system takes paths, or files open.
func TestDeep(t *testing.T) {
	const depth = 1300
	dir := deepTree(t, "lots", depth)
	before, most, entries := openFiles(t), 0, 0
	count := func(string, int64) {
		if entries++; entries%50 == 0 {
			most = max(most, openFiles(t)-before)
		}
	}
	var stream, again bytes.Buffer
	report, err := volume.WriteTar(context.Background(), &stream, dir, volume.ReadOptions{OnEntry: count})
	must(t, err)
	if len(report.Skipped)+len(report.Changed) > 0 || report.Members != 1+depth+1+(depth+6)/7+2*((depth+4)/5) {
		t.Errorf("report %+v", report)
	}
	if most > 700 {
		t.Errorf("%d files were open while reading", most)
	}
	most = 0
	into := filepath.Join(t.TempDir(), "new")
	_, err = volume.Extract(context.Background(), bytes.NewReader(stream.Bytes()), into, volume.ExtractOptions{OnEntry: count})
	must(t, err)
	if most > 700 {
		t.Errorf("%d files were open while restoring", most)
	}
	_, err = volume.WriteTar(context.Background(), &again, into, volume.ReadOptions{})
	must(t, err)
	if !bytes.Equal(stream.Bytes(), again.Bytes()) {
		t.Error("what was restored gives another stream")
	}
	if n := openFiles(t); n > before {
		t.Errorf("%d files stay open", n-before)
	}
}
