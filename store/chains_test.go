package store

import (
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/internal/names"
)

// TestChains asks a machine that knows nothing: what a capture names as the one before must
// be there as it was, or have been removed on purpose.
func TestChains(t *testing.T) {
	for name, c := range map[string]struct {
		change func(s *site, m *machine, c *Capture)
		harmed bool
	}{
		"nothing":  {func(*site, *machine, *Capture) {}, false},
		"removed":  {func(_ *site, m *machine, c *Capture) { m.retireNow(c.ID) }, false},
		"vanished": {func(s *site, _ *machine, c *Capture) { s.remove(names.Capture(c.ID, 0)) }, true},
		"exchanged": {func(_ *site, m *machine, c *Capture) {
			changed := *c.captured.IndexFile
			changed.Note = "forged"
			if _, err := m.ledger.WriteGeneration(t.Context(), &changed, 1); err != nil {
				t.Fatal(err)
			}
		}, true},
	} {
		t.Run(name, func(t *testing.T) {
			s := newSite(t)
			m := s.open(t.TempDir())
			before := m.put("a", "1")
			// The later one did not see it: only its chain names it.
			record := *m.put("b", "2").captured.IndexFile
			record.Seen = nil
			if _, err := m.ledger.WriteGeneration(t.Context(), &record, 1); err != nil {
				t.Fatal(err)
			}
			c.change(s, m, before)
			got := s.open("").harmed(VerifyOptions{})
			if c.harmed != slices.Equal(got, []string{before.ID}) || !c.harmed && len(got) > 0 {
				t.Errorf("harmed: %v", got)
			}
		})
	}
}
