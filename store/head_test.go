package store

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
)

// head gives the head of a repository as a text.
func (m *machine) head() string {
	m.t.Helper()
	tokens, err := m.Head(m.t.Context())
	if err != nil {
		m.t.Fatal(err)
	}
	return strings.Join(tokens, " ")
}

// TestHead has a token for the newest capture of each machine.
func TestHead(t *testing.T) {
	s, state := newSite(t), t.TempDir()
	m := s.open(state)
	if got := m.head(); got != "" {
		t.Errorf("of nothing: %q", got)
	}
	token := func(c *Capture) string { return c.ID + ":" + c.captured.Hash().String()[:32] }
	one := m.put("a", "1")
	if got := m.head(); got != token(one) {
		t.Errorf("of one: %q", got)
	}
	m.put("a", "2")
	three := s.open(state).put("b", "3")
	if got := m.head(); got != token(three) {
		t.Errorf("of three: %q, want %q", got, token(three))
	}
	other := s.open(t.TempDir())
	other.put("c", "4")
	five := other.put("c", "5")
	want := []string{token(three), token(five)}
	slices.Sort(want)
	if got := m.head(); got != strings.Join(want, " ") {
		t.Errorf("of two machines: %q, want %q", got, want)
	}
	for range 5 { // machines that keep nothing: one chain by their host
		s.open("").put("d", "6")
	}
	got, _ := m.Head(t.Context())
	if len(got) != 3 {
		t.Errorf("with machines that keep nothing: %q", got)
	}
	all, err := m.AllCaptures(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, named := range all {
		for _, c := range all {
			if named.Name == "d" && c.Name == "d" && slices.Contains(got, token(named)) && named.Written.Before(c.Written) {
				t.Errorf("with machines that keep nothing, %s is named and %s is newer", named.ID, c.ID)
			}
		}
	}
	if harmed := m.harmed(VerifyOptions{Head: []string{m.head()}}); len(harmed) > 0 {
		t.Error(harmed)
	}
}

// TestVerifyHead asks a machine that knows nothing, with a head that was noted before the
// repository was changed.
func TestVerifyHead(t *testing.T) {
	for name, c := range map[string]struct {
		change func(s *site, m *machine, c *Capture)
		harmed bool
	}{
		"nothing":         {func(*site, *machine, *Capture) {}, false},
		"more captures":   {func(_ *site, m *machine, _ *Capture) { m.put("a", "9") }, false},
		"it is reclaimed": {func(_ *site, m *machine, c *Capture) { m.retireNow(c.ID) }, false},
		"it is reclaimed, by an old release": {func(s *site, m *machine, c *Capture) {
			m.retireNow(c.ID)
			oldMarks(s, m)
		}, false},
		"it is reclaimed, by an old release, and one follows": {func(s *site, m *machine, c *Capture) {
			m.put("a", "9")
			m.retireNow(c.ID)
			oldMarks(s, m)
		}, false},
		"it is gone": {func(s *site, _ *machine, c *Capture) { s.remove(names.Capture(c.ID, 0)) }, true},
		"it is another one": {func(s *site, m *machine, c *Capture) {
			changed := *c.captured.IndexFile
			changed.Name = "forged"
			if _, err := m.ledger.WriteGeneration(t.Context(), &changed, 1); err != nil {
				t.Fatal(err)
			}
		}, true},
		"another one with its id was removed": {func(s *site, m *machine, c *Capture) {
			s.remove(names.Capture(c.ID, 0))
			mark := &format.BatchRecord{}
			ledger.Depart(mark, c.ID, crypt.Digest{1})
			if _, err := m.ledger.PutBatch(t.Context(), names.Gone, mark); err != nil {
				t.Fatal(err)
			}
		}, true},
		"it is reclaimed, by an old release, and the one that follows names another": {func(s *site, m *machine, c *Capture) {
			next := *m.put("a", "9").captured.IndexFile
			m.retireNow(c.ID)
			oldMarks(s, m)
			next.Previous = &format.Previous{ID: c.ID, Hash: crypt.Digest{1}}
			if _, err := m.ledger.WriteGeneration(t.Context(), &next, 7); err != nil {
				t.Fatal(err)
			}
		}, true},
	} {
		t.Run(name, func(t *testing.T) {
			s := newSite(t)
			m := s.open(t.TempDir())
			m.put("a", "1")
			newest := m.put("a", "2")
			head := m.head()
			c.change(s, m, newest)
			got := s.open("").harmed(VerifyOptions{Head: []string{head}})
			if c.harmed != slices.Contains(got, newest.ID) || !c.harmed && len(got) > 0 {
				t.Errorf("harmed: %v", got)
			}
			if got := s.open("").harmed(VerifyOptions{}); !c.harmed && len(got) > 0 {
				t.Errorf("without the head: %v", got)
			}
		})
	}
}

// oldMarks puts marks of what is gone as old releases did.
func oldMarks(s *site, m *machine) {
	s.t.Helper()
	all, err := m.ledger.ReadBatchesOf(s.t.Context(), names.Gone)
	if err != nil || len(all.Gone) == 0 {
		s.t.Fatal(all, err)
	}
	for _, g := range all.Gone {
		s.remove(g.Info.Name)
		g.Record.Hashes = nil
		if _, err := m.ledger.PutBatch(s.t.Context(), names.Gone, g.Record); err != nil {
			s.t.Fatal(err)
		}
	}
}

// TestParseHeads reads what people may paste.
func TestParseHeads(t *testing.T) {
	const id, hash = "20260314t0203z-k7f3", "0123456789abcdef0123456789abcdef"
	for text, want := range map[string]int{
		id + ":" + hash: 1,
		" " + id + ":" + hash + ",\n" + id + ":" + hash + "\t": 2,
		"":                                       -1,
		" ,":                                     -1,
		id:                                       -1,
		id + ":":                                 -1,
		id + ":" + hash[:31]:                     -1,
		id + ":" + hash + "0":                    -1,
		id + ":" + hash[:31] + "g":               -1,
		"latest:" + hash:                         -1,
		strings.ToUpper(id + ":" + hash):         -1,
		id + ":" + strings.ToUpper(hash):         -1,
		id + ":" + hash + " " + id + hash:        -1,
		strings.Repeat("\x1b", 200) + ":" + hash: -1,
	} {
		got, err := ledger.ParseHeads([]string{text})
		if (err != nil) != (want < 0) || err == nil && len(got) != want || err != nil && !errors.Is(err, ErrBadOptions) {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	m := newSite(t).open("")
	c := m.put("a", "1")
	if _, err := m.Verify(t.Context(), VerifyOptions{Head: []string{m.head()}, Captures: []string{c.ID}}); !errors.Is(err, ErrBadOptions) {
		t.Errorf("with captures: %v", err)
	}
}
