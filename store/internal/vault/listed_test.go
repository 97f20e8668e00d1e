package vault

import (
	"context"
	"os"
	"strings"
	"testing"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// namer is a storage in memory that tells names alone, as a share does.
type namer struct{ *storage.Memory }

func (n namer) Names(ctx context.Context, folder string) (all []string, err error) {
	infos, err := n.List(ctx, folder)
	for _, info := range infos {
		all = append(all, info.Name)
	}
	return all, err
}

// An object that was seen too short to be one is asked for again: a share whose server was away may show one so that is whole later. Of
// others that is known.
func TestShortIsAskedForAgain(t *testing.T) {
	mem, cache := storage.NewMemory(), t.TempDir()
	os.Chmod(cache, 0o700)
	v, err := Create(t.Context(), namer{mem}, crypt.NewKeyFile(), Settings{Average: chunk.DefaultAverage}, crypt.SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	v.Keep(cache, 0, false)
	const torn, whole, later = "captures/20260314t0203z-k7f3", "captures/20260314t0203z-k7f4", 2000
	sizes := map[string]int{torn: 3, whole: 1000}
	for range 2 {
		for name, size := range sizes {
			mem.Remove(t.Context(), name)
			if err := mem.Put(t.Context(), name, strings.NewReader(strings.Repeat("x", size))); err != nil {
				t.Fatal(err)
			}
		}
		infos, err := v.List(t.Context(), names.Captures)
		if err != nil || len(infos) != 2 || infos[0].Size != int64(sizes[torn]) || infos[1].Size != 1000 {
			t.Errorf("listed %v, %v", infos, err)
		}
		sizes = map[string]int{torn: later, whole: later} // the latter is not asked for
	}
}
