package store_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
)

// TestReclaimerKnows puts back all that a reclaim removed, as a copy of before does: the
// machine that removed a capture knows it.
func TestReclaimerKnows(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	gone := f.capture(random(1, 30_000))
	f.capture(random(2, 30_000))
	before := objects(t, f.mem)
	f.retire(gone)
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
	after := objects(t, f.mem)
	for name, b := range before {
		if _, ok := after[name]; !ok {
			if err := f.mem.Put(t.Context(), name, bytes.NewReader(b)); err != nil {
				t.Fatal(err)
			}
		}
	}
	for name := range after {
		if strings.HasSuffix(name, ".gone") {
			if err := f.mem.Remove(t.Context(), name); err != nil {
				t.Fatal(err)
			}
		}
	}
	report, err := f.Verify(t.Context(), store.VerifyOptions{})
	if err != nil || !slices.ContainsFunc(report.Damage, func(d store.Damage) bool { return slices.Contains(d.Captures, gone.ID) }) {
		t.Errorf("%+v, %v", report, err)
	}
}
