package check

import (
	"encoding/binary"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/stock"
)

// TestDisputedIsBounded has tables say a great many things of one chunk: only a few are looked at.
func TestDisputedIsBounded(t *testing.T) {
	d := &disputed{}
	for i := range uint32(1000) {
		id := crypt.Identity{0xff}
		binary.LittleEndian.PutUint32(id[1:], i)
		d.add(0, 0, id, false)
	}
	if n := len(d.Said[0]); n != stock.MostSaid {
		t.Errorf("disputed keeps %d identities", n)
	}
}
