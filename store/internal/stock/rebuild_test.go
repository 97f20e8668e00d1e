package stock

import (
	"bytes"
	"os"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/storage"
)

// A table of a format that this release does not know stays where tables are made anew, as a newer one may need it; one that is
// damaged goes, once its slabs are listed by another.
func TestRebuildLeavesWhatIsNewer(t *testing.T) {
	const version = 6 // where a header has it: FORMAT.md, section 6
	mem, key, cache := storage.NewMemory(), crypt.NewKeyFile(), t.TempDir()
	os.Chmod(cache, 0o700)
	newStock(t, mem, key)
	_, table := putSlabOf(t, openStock(t, mem, key, cache), "beans")
	raw := make([]byte, table.Size)
	if err := mem.ReadAt(t.Context(), table.Name, raw, 0); err != nil {
		t.Fatal(err)
	}
	newer, damaged := "tables/20260314t0203z-k7f3", "tables/20260314t0203z-k7f4"
	for name, at := range map[string]int{newer: version, damaged: len(raw) - 1} {
		b := bytes.Clone(raw)
		b[at]++
		if err := mem.Put(t.Context(), name, bytes.NewReader(b)); err != nil {
			t.Fatal(err)
		}
	}
	report, err := openStock(t, mem, key, "").Rebuild(t.Context())
	if err != nil || len(report.Replaced) != 1 || report.Replaced[0] != damaged {
		t.Errorf("%+v, %v; want %s replaced alone", report, err, damaged)
	}
	if _, err := mem.Stat(t.Context(), newer); err != nil {
		t.Error(err)
	}
}
