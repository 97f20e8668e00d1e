package store_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
)

// TestLeastSize: contents count, holes do not.
func TestLeastSize(t *testing.T) {
	f := newFixture(t)
	dir := t.TempDir()
	for name, n := range map[string]int{"a": 100_000, "b": 50_000} {
		if err := os.WriteFile(filepath.Join(dir, name), random(byte(n), n), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "alike"), []byte(strings.Repeat("bean", 90_000)), 0o600); err != nil {
		t.Fatal(err)
	}
	sparse, err := os.Create(dir + "/sparse")
	if err != nil {
		t.Fatal(err)
	}
	defer sparse.Close()
	if err := sparse.Truncate(1 << 34); err != nil {
		t.Skip("no file of that length here: ", err)
	}
	if _, err := sparse.WriteAt(random(3, 10_000), 1<<33); err != nil {
		t.Fatal(err)
	}
	c := f.captureFolder(dir, false)
	v := &c.Volumes[0]
	all, err := f.LeastSize(t.Context(), v, nil)
	if err != nil || all < 520_000 || all > 2<<20 {
		t.Errorf("all of it takes %d, %v", all, err)
	}
	some, err := f.LeastSize(t.Context(), v, func(path string) bool { return strings.HasPrefix(path, "b") })
	if err != nil || some != 50_000 {
		t.Errorf("some of it takes %d, %v", some, err)
	}
	if n, err := f.LeastSize(t.Context(), &store.Volume{}, nil); err == nil {
		t.Errorf("of a foreign volume: %d", n)
	}
}
