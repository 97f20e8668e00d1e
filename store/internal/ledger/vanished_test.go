package ledger

import (
	"errors"
	"testing"
	"time"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/remember"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// A capture that is known by its hash is missed, whatever mark names one of its id with another hash as gone.
func TestUnlinked(t *testing.T) {
	is, other := crypt.Digest{1}, crypt.Digest{2}
	for name, test := range map[string]struct {
		there, gone bool
		hash        crypt.Digest // that the mark has
		missed      bool
	}{
		"there":                 {there: true},
		"without a word":        {missed: true},
		"gone":                  {gone: true, hash: is},
		"gone, its hash unsaid": {gone: true},
		"another one is gone":   {gone: true, hash: other, missed: true},
	} {
		departures := Departures{}
		if test.gone {
			departures[one] = []crypt.Digest{test.hash}
		}
		r, _ := newLedger(t)
		after := &Capture{IndexFile: &format.IndexFile{ID: two, Previous: &format.Previous{ID: one, Hash: is}}}
		if got := r.unlinked([]*Capture{after}, map[string]bool{one: test.there}, departures); (got[one] != "") != test.missed {
			t.Errorf("%s: by the one made after it %q is missing", name, got)
		}
		r.Learn(remember.Capture{ID: one, Hash: is, Kind: remember.Made})
		if got := r.unlinked(nil, map[string]bool{one: test.there}, departures); (got[one] != "") != test.missed {
			t.Errorf("%s: by what this machine knows %q is missing", name, got)
		}
	}
}

// A capture whose index file comes in a higher generation, and goes in the lower one, between listing and reading is read all the same.
func TestReadsWhatMovedMeanwhile(t *testing.T) {
	faulty := storagetest.NewFaulty(storage.NewMemory())
	v, err := vault.Create(t.Context(), faulty, crypt.NewKeyFile(), vault.Settings{Average: chunk.DefaultAverage}, crypt.SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	r := New(v, NewWatch())
	c, err := r.WriteIndexFile(t.Context(), &format.IndexFile{Taken: time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC), Name: "seedbank"})
	if err != nil {
		t.Fatal(err)
	}
	moved := false
	faulty.Before(func(m storagetest.Method, name string) {
		if m != storagetest.ReadAt || name != c.Info.Name || moved {
			return
		}
		moved = true
		_, err := r.WriteGeneration(t.Context(), c.IndexFile, 1)
		if err = errors.Join(err, faulty.Remove(t.Context(), c.Info.Name)); err != nil {
			t.Error(err)
		}
	})
	captures, damage, err := r.ReadAll(t.Context())
	if err != nil || len(damage) > 0 || len(captures) != 1 || captures[0].Generation != 1 || !moved {
		t.Errorf("%v, %v, %v; moved %v", captures, damage, err, moved)
	}
}
