package ledger

import (
	"io"
	"strings"
	"testing"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// newLedger gives the ledger of a repository in memory.
func newLedger(t *testing.T) (*Ledger, *storage.Memory) {
	t.Helper()
	mem := storage.NewMemory()
	v, err := vault.Create(t.Context(), mem, crypt.NewKeyFile(), vault.Settings{Average: chunk.DefaultAverage}, crypt.SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(v.Close)
	return New(v, NewWatch()), mem
}

// newJunk is what no mark is.
func newJunk() io.Reader { return strings.NewReader(strings.Repeat("junk", 100)) }
