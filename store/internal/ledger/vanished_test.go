package ledger

import (
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/remember"
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
