package ledger

import (
	"fmt"
	"os"
	"path"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// What bundles say of index files that are not there, or are others, is not taken; CheckBundle tells of the latter.
func TestBundlesDecideNothing(t *testing.T) {
	r, mem := newLedger(t)
	cache := t.TempDir()
	os.Chmod(cache, 0o700)
	record, captures := &format.BundleRecord{}, []*Capture{}
	for i := range bundleUse + 2 {
		c, err := r.WriteIndexFile(t.Context(), &format.IndexFile{Taken: time.Date(2026, 3, 14, 2, i, 0, 0, time.UTC), Name: fmt.Sprint("seedbank-", i)})
		if err != nil {
			t.Fatal(err)
		}
		raw := make([]byte, c.Info.Size)
		if err := mem.ReadAt(t.Context(), c.Info.Name, raw, 0); err != nil {
			t.Fatal(err)
		}
		captures = append(captures, c)
		record.Names, record.Objects = append(record.Names, path.Base(c.Info.Name)), append(record.Objects, raw)
	}
	gone, other := captures[0], captures[1]
	if err := r.CheckBundle(&Bundle{Record: record}, captures); err != nil {
		t.Error(err)
	}
	record.Objects[1] = record.Objects[2]
	if err := r.CheckBundle(&Bundle{Record: record}, captures); err == nil {
		t.Error("a bundle that has another index file under a name is good")
	}
	if _, err := r.WriteBundle(t.Context(), record); err != nil {
		t.Fatal(err)
	}
	if err := mem.Remove(t.Context(), gone.Info.Name); err != nil {
		t.Fatal(err)
	}
	var fresh []string
	for _, c := range captures[1:] {
		fresh = append(fresh, c.Info.Name)
	}
	r.vault.Keep(cache, 0, false)
	told := r.unbundle(t.Context(), fresh)
	if len(told) != len(fresh)-1 {
		t.Errorf("bundles tell of %d index files, want %d", len(told), len(fresh)-1)
	}
	for what, c := range map[string]*Capture{"is gone": gone, "is another one": other} {
		if _, ok := told[c.Info.Name]; ok || r.vault.HasCopy(c.Info) {
			t.Errorf("%s, which %s, is taken from a bundle", names.Shortened([]string{c.Info.Name}, names.Most), what)
		}
	}
}
