package store_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// junk is no object of anybody, and long enough not to pass for a torn one.
var junk = []byte(strings.Repeat("junk ", 100))

// TestJunkFinal has a final mark that can't be read: captures store all again, and say so;
// verifying names it, repairing removes it.
func TestJunkFinal(t *testing.T) {
	f := newFixture(t)
	in := tarOf(t, file{name: "a", content: random(1, 300_000)})
	f.capture(in)
	const name = "condemned/20260314t0203z-k7f3.final"
	putAt(t, f.mem, time.Now(), map[string][]byte{name: junk})
	c := f.capture(in)
	if len(c.Notes) != 1 || !strings.Contains(c.Notes[0], name) || c.Added < 300_000 {
		t.Errorf("a capture that grew by %d notes %q", c.Added, c.Notes)
	}
	report, err := f.Verify(t.Context(), store.VerifyOptions{})
	if err != nil || len(report.Damage) != 1 || report.Damage[0].Object != name {
		t.Errorf("%+v, %v", report, err)
	}
	if out, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil || len(out.Marks) != 1 || out.Marks[0] != name {
		t.Errorf("%+v, %v", out, err)
	}
	if c := f.capture(in); len(c.Notes) > 0 || c.Added > 100_000 {
		t.Errorf("after repairing it grew by %d and notes %q", c.Added, c.Notes)
	}
}

// TestJunkIsNotSeen has files with the names of index files that nobody with the key made:
// a capture does not name them as captures that it saw, so nobody misses them later. One
// that is harmed is one all the same.
func TestJunkIsNotSeen(t *testing.T) {
	f := newFixture(t)
	cached, err := store.Open(t.Context(), f.mem, f.key, store.OpenOptions{Cache: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	defer cached.Close()
	harmed := f.capture(random(1, 30_000))
	whole := objects(t, f.mem)["captures/"+harmed.ID]
	flipped := append([]byte{}, whole...)
	flipped[len(flipped)-5] ^= 1
	replace := func(name string, b []byte) {
		t.Helper()
		if err := f.mem.Remove(t.Context(), name); err != nil {
			t.Fatal(err)
		}
		if b != nil {
			putAt(t, f.mem, time.Now(), map[string][]byte{name: b})
		}
	}
	replace("captures/"+harmed.ID, flipped)
	all := make(map[string][]byte)
	for i := range 30 {
		all[fmt.Sprintf("captures/20260314t0203z-k%03d", i)] = junk
	}
	putAt(t, f.mem, time.Now(), all)
	in := stream(random(2, 40_000))
	if _, err := cached.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{in}}); err != nil {
		t.Fatal(err)
	}
	_, err = f.AllCaptures(t.Context())
	if !errors.Is(err, store.ErrDamaged) || strings.Count(err.Error(), "\n") != 10 || !strings.HasSuffix(err.Error(), "and 21 more index files that can't be read") {
		t.Errorf("not summed up: %v", err)
	}
	for name := range all {
		replace(name, nil)
	}
	replace("captures/"+harmed.ID, nil)
	report, err := f.Verify(t.Context(), store.VerifyOptions{})
	if err != nil || len(report.Damage) != 1 || report.Damage[0].Captures[0] != harmed.ID {
		t.Errorf("%+v, %v", report, err)
	}
	putAt(t, f.mem, time.Now(), map[string][]byte{"captures/" + harmed.ID: whole})
}

// TestStrangersAreSummedUp has very many files that are no objects.
func TestStrangersAreSummedUp(t *testing.T) {
	f := newFixture(t)
	all := make(map[string][]byte)
	for i := range 1000 {
		all[fmt.Sprintf("captures/letter-%d.txt", i)] = junk
	}
	putAt(t, f.mem, time.Now(), all)
	report, err := f.Verify(t.Context(), store.VerifyOptions{})
	if err != nil || !report.OK || len(report.Notes) != 11 || report.Notes[10] != "990 more files are no objects of kist" {
		t.Errorf("%+v, %v", report, err)
	}
}

// TestMissingTable removes the only table: verifying says so, and which slabs it was of.
func TestMissingTable(t *testing.T) {
	f := newFixture(t)
	f.capture(random(1, 30_000))
	for name := range under(t, f.mem, "tables") {
		if err := f.mem.Remove(t.Context(), name); err != nil {
			t.Fatal(err)
		}
	}
	report, err := f.Verify(t.Context(), store.VerifyOptions{})
	if err != nil || !report.OK {
		t.Fatalf("%+v, %v", report, err)
	}
	notes := strings.Join(report.Notes, "\n")
	for name := range under(t, f.mem, "slabs") {
		if !strings.Contains(notes, "a table is missing") || !strings.Contains(notes, name) {
			t.Errorf("not noted: %s in %q", name, notes)
		}
	}
}

// TestMissingMarkFolders has a copy of a repository without the folders that were empty:
// everything works there. Folders of other objects are missed.
func TestMissingMarkFolders(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "repository")
	folder, err := storage.CreateFolder(dir, store.Folders()...)
	if err != nil {
		t.Fatal(err)
	}
	defer folder.Close()
	key := crypt.NewKeyFile()
	made, err := store.Create(t.Context(), folder, key, store.CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	made.Close()
	var ids []string
	for _, op := range []struct {
		name string
		do   func(*store.Repository) error
	}{
		{"capture", func(r *store.Repository) error {
			c, err := r.Capture(t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{stream(random(1, 30_000))}})
			if err == nil {
				ids = []string{c.ID}
			}
			return err
		}},
		{"hold", func(r *store.Repository) error { return r.Hold(t.Context(), ids, store.MarkOptions{}) }},
		{"release", func(r *store.Repository) error { return r.Release(t.Context(), ids) }},
		{"retire", func(r *store.Repository) error { return r.Retire(t.Context(), ids, store.MarkOptions{}) }},
		{"reinstate", func(r *store.Repository) error { return r.Reinstate(t.Context(), ids, store.MarkOptions{}) }},
		{"reclaim", func(r *store.Repository) error {
			_, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace})
			return err
		}},
		{"repair", func(r *store.Repository) error {
			_, err := r.Repair(t.Context(), store.RepairOptions{})
			return err
		}},
	} {
		for _, name := range []string{"holds", "retired", "leases", "condemned"} {
			os.Remove(filepath.Join(dir, name)) // where it is empty
		}
		again, err := storage.OpenFolder(dir)
		if err != nil {
			t.Fatal(err)
		}
		r, err := store.Open(t.Context(), again, key, store.OpenOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if err := op.do(r); err != nil {
			t.Errorf("%s: %v", op.name, err)
		}
		r.Close()
		again.Close()
	}
	// What a vanished share leaves is no repository.
	again, err := storage.OpenFolder(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	r, err := store.Open(t.Context(), again, key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := errors.Join(os.RemoveAll(filepath.Join(dir, "leases")), os.Remove(filepath.Join(dir, "kist.json"))); err != nil {
		t.Fatal(err)
	}
	if err := r.Hold(t.Context(), ids, store.MarkOptions{}); !errors.Is(err, storage.ErrGone) {
		t.Errorf("without kist.json: %v", err)
	}
	if _, err := os.Stat(filepath.Join(dir, "leases")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a folder was made in an empty place: %v", err)
	}
}
