package store

import (
	"encoding/binary"
	"testing"

	"github.com/kistarchive/kist/crypt"
)

// TestSaidIsBounded has a table say a great many things of one chunk: only a few are looked at.
func TestSaidIsBounded(t *testing.T) {
	s, d := &said{ids: make([]crypt.Identity, 1)}, &disputed{}
	for i := range uint32(1000) {
		id := crypt.Identity{0xff}
		binary.LittleEndian.PutUint32(id[1:], i)
		s.also(0, id)
		d.add(0, 0, id, false)
	}
	if n := len(s.others[0]); n != mostSaid {
		t.Errorf("said keeps %d identities", n)
	}
	if n := len(d.said[0]); n != mostSaid {
		t.Errorf("disputed keeps %d identities", n)
	}
}
