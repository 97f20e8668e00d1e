package store_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// copies gives the files of a cache.
func copies(t *testing.T, cache string) (all []string) {
	t.Helper()
	err := filepath.WalkDir(cache, func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.IsDir() && (d.Name() == "listed" || d.Name() == "relied") {
			return fs.SkipDir // notes, and no copies
		}
		if err == nil && !d.IsDir() {
			all = append(all, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// With a warm cache no table and no index file is read from the storage, and
// everything else is as without.
func TestWarmCacheReadsNothing(t *testing.T) {
	g, cache := newGrowing(t), t.TempDir()
	in := tarOf(t, file{name: "catalogue", content: random(1, 300_000)})
	for range 5 {
		g.step(cache, stream(in))
	}
	r := g.open(cache)
	g.calls = nil
	got, err := r.Captures(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, call := range g.calls {
		if strings.HasPrefix(call, "read ") {
			t.Errorf("listing with a warm cache: %s", call)
		}
	}
	g.calls = nil
	want, err := g.open("").Captures(t.Context())
	if err != nil || len(got) != 5 || len(want) != 5 {
		t.Fatalf("%d and %d captures, %v", len(got), len(want), err)
	}
	for i := range want {
		if got[i].ID != want[i].ID || got[i].Volumes[0].Digests() != want[i].Volumes[0].Digests() {
			t.Errorf("with a cache: %+v, without: %+v", got[i], want[i])
		}
	}
	if len(g.calls) < 5 {
		t.Errorf("without a cache, calls are %v", g.calls)
	}
	// Nothing of the copies can be read without the key.
	for _, path := range copies(t, cache) {
		b, err := os.ReadFile(path)
		if err != nil || !bytes.HasPrefix(b, []byte("kist")) || bytes.Contains(b, []byte("seedbank")) {
			t.Errorf("%s: %.8q, %v", path, b, err)
		}
	}
}

// Whatever becomes of copies, all is as without them, and whole ones come back.
func TestHarmedCopies(t *testing.T) {
	in := folderInput(tree(t, 20)) // so that slabs are read, too
	for name, harm := range map[string]func(path string, b []byte) error{
		"a flipped bit": func(path string, b []byte) error { b[len(b)/2] ^= 1; return os.WriteFile(path, b, 0o600) },
		"zeros":         func(path string, b []byte) error { return os.WriteFile(path, make([]byte, len(b)), 0o600) },
		"cut short":     func(path string, b []byte) error { return os.WriteFile(path, b[:len(b)/2], 0o600) },
		"longer":        func(path string, b []byte) error { return os.WriteFile(path, append(b, 0), 0o600) },
		"removed":       func(path string, b []byte) error { return os.Remove(path) },
		"a folder":      func(path string, b []byte) error { return errors.Join(os.Remove(path), os.Mkdir(path, 0o700)) },
		"not readable":  func(path string, b []byte) error { return os.Chmod(path, 0) },
		"another object": func(path string, b []byte) error {
			return os.WriteFile(path, bytes.Repeat([]byte("kist"), len(b)/4+1)[:len(b)], 0o600)
		},
	} {
		t.Run(name, func(t *testing.T) {
			g, cache := newGrowing(t), t.TempDir()
			for range 3 {
				g.step(cache, in)
			}
			all := copies(t, cache)
			if len(all) < 7 {
				t.Fatalf("only %v", all)
			}
			for _, path := range all {
				b, err := os.ReadFile(path)
				if err == nil {
					err = harm(path, b)
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			r := g.open(cache)
			captures, err := r.Captures(t.Context())
			if err != nil || len(captures) != 3 {
				t.Fatalf("%d captures, %v", len(captures), err)
			}
			if err := r.Restore(t.Context(), &captures[2].Volumes[0], io.Discard, store.RestoreOptions{}); err != nil {
				t.Errorf("restoring: %v", err)
			}
			if c, _ := g.step(cache, in); c.Added > 16<<10 || c.Volumes[0].Reused < 20 {
				t.Errorf("an unchanged capture adds %d bytes, %d members are taken over", c.Added, c.Volumes[0].Reused)
			}
			g.verify(t.Context())
			if name == "a folder" {
				return // it stays in the way
			}
			g.calls = nil
			if _, err := g.open(cache).Captures(t.Context()); err != nil {
				t.Error(err)
			}
			for _, call := range g.calls {
				if strings.HasPrefix(call, "read captures/") {
					t.Errorf("once more: %s", call)
				}
			}
		})
	}
}

// A cache does not hide damage of the repository, and damage is not kept.
func TestCacheHidesNoDamage(t *testing.T) {
	g, cache := newGrowing(t), t.TempDir()
	g.harmed = true
	in := tarOf(t, file{name: "catalogue", content: random(1, 300_000)})
	for range 2 {
		g.step(cache, stream(in))
	}
	r := g.open(cache)
	// The storage reads objects wrongly from now on, as cut short.
	g.faulty.Inject(storagetest.Fault{Method: storagetest.ReadAt, Effect: storagetest.Tear, Keep: 90})
	report, err := r.Verify(t.Context(), store.VerifyOptions{})
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]bool{}
	for _, d := range report.Damage {
		folder, _, _ := strings.Cut(d.Object, "/")
		found[folder] = true
	}
	if !found["captures"] || !found["tables"] {
		t.Errorf("damage is found in %v", found)
	}
	g.faulty.Reset()

	// What was read as damaged with an empty cache is whole when it reads well.
	empty := t.TempDir()
	again := g.open(empty)
	g.faulty.Inject(storagetest.Fault{Method: storagetest.ReadAt, Effect: storagetest.Tear, Keep: 90})
	if _, err := again.Captures(t.Context()); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("torn index files: %v", err)
	}
	if left := copies(t, empty); len(left) != 0 {
		t.Errorf("of damaged objects %v is kept", left)
	}
	g.faulty.Reset()
	if captures, err := again.Captures(t.Context()); err != nil || len(captures) != 2 {
		t.Errorf("%d captures, %v", len(captures), err)
	}
}

// A cache that can't be had is none.
func TestNoCache(t *testing.T) {
	path := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	g := newGrowing(t)
	in := tarOf(t, file{name: "catalogue", content: random(1, 30_000)})
	g.step(path, stream(in))
	if c, _ := g.step(path, stream(in)); c.Added > 16<<10 {
		t.Errorf("an unchanged capture adds %d bytes", c.Added)
	}
}

// A table that is merged away between listing and reading is no reason to read
// slabs or to store again.
func TestTablesMergedMeanwhile(t *testing.T) {
	g := newGrowing(t)
	in := tarOf(t, file{name: "catalogue", content: random(1, 300_000)})
	for range 4 {
		g.step("", stream(in))
	}
	moved, slabs := false, 0
	g.faulty.Before(func(m storagetest.Method, name string) {
		g.mu.Lock()
		defer g.mu.Unlock()
		if m == storagetest.ReadAt && strings.HasPrefix(name, "slabs/") {
			slabs++
		}
		if m != storagetest.ReadAt || !strings.HasPrefix(name, "tables/") || moved {
			return
		}
		moved = true
		tables, err := g.mem.List(context.Background(), "tables")
		if err != nil {
			t.Error(err)
		}
		// The tables of all slabs are written anew, and the old ones go.
		for _, info := range tables {
			if err := g.mem.Remove(context.Background(), info.Name); err != nil {
				t.Error(err)
			}
		}
		if _, err := g.RebuildTables(context.Background()); err != nil {
			t.Error(err)
		}
	})
	c, err := g.open("").Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{stream(in)}})
	if err != nil || !moved {
		t.Fatalf("moved: %v, %v", moved, err)
	}
	if c.Added > 16<<10 || slabs > 0 {
		t.Errorf("it adds %d bytes, and reads slabs %d times", c.Added, slabs)
	}
}

// What is not encoded in the one way is refused, and no copy of it is kept that would
// be trusted the next time.
func TestOtherEncodingsAreNotKept(t *testing.T) {
	f := newForge(t)
	v := f.volumeOf(members(t, regular("catalogue", 4)), bean)
	longHead := func(b []byte) []byte { // RFC 8949, section 4.2.1: heads are as short as can be
		if b[0]&0xe0 != 0xa0 || b[0]&31 > 23 {
			t.Fatalf("%x is no head of a small map", b[0])
		}
		return append([]byte{0xb8, b[0] & 31}, b[1:]...)
	}
	id, taken := f.captureID(), time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)
	file := &format.IndexFile{ID: id, Written: taken, Taken: taken, Name: "seedbank", Volumes: []format.Volume{v}}
	f.indexFile(id, longHead(format.EncodeIndexFile(file)))
	f.table(longHead(f.records[0].Encode()))
	cache := filepath.Join(t.TempDir(), "cache")
	for range 2 {
		r, err := store.Open(t.Context(), f.mem, f.key, store.OpenOptions{Cache: cache})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		if _, err := r.Find(t.Context(), id); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("the capture: %v", err)
		}
		report, err := r.Verify(t.Context(), store.VerifyOptions{})
		if err != nil {
			t.Fatal(err)
		}
		damaged := ""
		for _, d := range report.Damage {
			damaged += d.Object + " "
		}
		if !strings.Contains(damaged, "tables/") || !strings.Contains(damaged, "captures/"+id) {
			t.Errorf("damage of %q only", damaged)
		}
	}
}
