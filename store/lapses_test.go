package store

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// TestLapses changes a repository beside kist in all the ways that a machine can know of,
// and asks that machine in another process: what reads the captures tells of it, and
// Verify finds damage. Nothing of it can be told from the repository alone, but for what
// later captures saw.
func TestLapses(t *testing.T) {
	for name, c := range map[string]struct {
		change func(s *site, state string) LapseError
	}{
		"nothing": {func(s *site, state string) LapseError {
			s.open(state).put("a", "1")
			return LapseError{}
		}},
		"the newest is gone": {func(s *site, state string) LapseError {
			m := s.open(state)
			m.put("a", "1")
			id := m.put("a", "2").ID
			s.remove(names.Capture(id, 0))
			return LapseError{Missing: []string{id}}
		}},
		"the newest of another machine is gone": {func(s *site, state string) LapseError {
			id := s.open(t.TempDir()).put("a", "1").ID
			s.open(state).lapse() // sees it
			s.remove(names.Capture(id, 0))
			return LapseError{Missing: []string{id}}
		}},
		"all is as it was": {func(s *site, state string) LapseError {
			m := s.open(state)
			m.put("a", "1")
			was := s.snapshot()
			ids := []string{m.put("a", "2").ID, m.put("a", "3").ID}
			s.rollBack(was)
			slices.Sort(ids)
			return LapseError{Missing: ids}
		}},
		"all is as it was before reclaiming": {func(s *site, state string) LapseError {
			m := s.open(state)
			id := m.put("a", "1").ID
			m.put("a", "2")
			was := s.snapshot()
			m.retireNow(id)
			m.lapse() // learns that it went
			s.rollBack(was)
			return LapseError{Returned: []string{id}}
		}},
		"another index file": {func(s *site, state string) LapseError {
			m := s.open(state)
			c := m.put("a", "1")
			c.captured.Version = "other"
			if _, err := m.ledger.WriteGeneration(t.Context(), c.captured.IndexFile, 1); err != nil {
				t.Fatal(err)
			}
			return LapseError{Exchanged: []string{c.ID}}
		}},
		"cut short to nothing": {func(s *site, state string) LapseError {
			id := s.open(state).put("a", "1").ID
			s.remove(names.Capture(id, 0))
			if err := s.mem.Mark(t.Context(), names.Capture(id, 0), []byte("kist")); err != nil {
				t.Fatal(err)
			}
			return LapseError{Missing: []string{id}}
		}},
	} {
		t.Run(name, func(t *testing.T) {
			s, state := newSite(t), t.TempDir()
			want := c.change(s, state)
			m := s.open(state)
			got := m.lapse()
			if !slices.Equal(got.Missing, want.Missing) || !slices.Equal(got.Exchanged, want.Exchanged) || !slices.Equal(got.Returned, want.Returned) {
				t.Errorf("told %+v, want %+v", got, want)
			}
			if again := m.lapse(); !again.Empty() {
				t.Errorf("told twice: %+v", again)
			}
			all := want.All()
			if name == "cut short to nothing" {
				if got := m.harmed(VerifyOptions{}); !slices.Contains(got, all[0]) {
					t.Errorf("verified: %v, want %v", got, all)
				}
				return
			}
			if got := m.harmed(VerifyOptions{}); !slices.Equal(got, all) {
				t.Errorf("verified: %v, want %v", got, all)
			}
			if len(want.Exchanged) > 0 {
				return
			}
			m = s.open(state)
			if m.put("b", "9"); want.Empty() != (len(m.warned) == 0) {
				t.Errorf("capturing warned of %v", m.warned)
			}
		})
	}
}

// TestNoLapses removes and changes captures as kist does: no machine warns, nothing is
// damaged.
func TestNoLapses(t *testing.T) {
	s, first, second := newSite(t), t.TempDir(), t.TempDir()
	m := s.open(first)
	var ids []string
	content := string(seeded(1, 200_000))
	for i := range 4 {
		ids = append(ids, m.put("a", content[i*40_000:]).ID)
	}
	check := func(what string) {
		t.Helper()
		for _, state := range []string{first, second, ""} {
			other := s.open(state)
			if l := other.lapse(); !l.Empty() {
				t.Errorf("%s: told %+v", what, l)
			}
			if harmed := other.harmed(VerifyOptions{Full: true}); len(harmed) > 0 {
				t.Errorf("%s: harmed %v", what, harmed)
			}
		}
	}
	check("captured")
	s.open("").retireNow(ids[0]) // another machine, with moving
	if c, err := s.open("").Find(t.Context(), ids[1]); err != nil || c.captured.Generation == 0 {
		t.Fatalf("it was not moved: that tests little (%v)", err)
	}
	check("reclaimed elsewhere")
	m.retireNow(ids[3])
	check("reclaimed the newest")
	s.open(first).put("a", "5")
	check("captured after the newest was reclaimed")
	// Of old releases, marks have no hashes.
	oldMarks(s, m)
	check("marks of old releases")
}

// TestDropAccepts gives up, with Repair, what a machine misses: from then on no machine
// does.
func TestDropAccepts(t *testing.T) {
	s, first, second := newSite(t), t.TempDir(), t.TempDir()
	m := s.open(first)
	kept := m.put("a", "1")
	before := s.snapshot()
	m.retireNow(m.put("a", "2").ID)
	m.lapse()
	lost := m.put("a", "3")
	s.open(second).lapse()
	after := s.snapshot()
	s.rollBack(before)
	for name, b := range after {
		if name != names.Capture(lost.ID, 0) && name[:5] != "conde" {
			before[name] = b
		}
	}
	s.rollBack(before)
	changed := *kept.captured.IndexFile
	changed.Version = "other"
	if _, err := m.ledger.WriteGeneration(t.Context(), &changed, 1); err != nil {
		t.Fatal(err)
	}

	m = s.open(first)
	out, err := m.Repair(t.Context(), RepairOptions{})
	if err != nil || out.Mended() || !slices.Equal(out.Vanished, []string{lost.ID}) && len(out.Vanished) != 2 || !slices.Equal(out.Exchanged, []string{kept.ID}) {
		t.Fatalf("%+v, %v", out, err)
	}
	if out, err = m.Repair(t.Context(), RepairOptions{Drop: true}); err != nil || !out.Dropped {
		t.Fatalf("%+v, %v", out, err)
	}
	for _, state := range []string{first, second, first} {
		m := s.open(state)
		if l := m.lapse(); !l.Empty() {
			t.Errorf("told %+v", l)
		}
		if harmed := m.harmed(VerifyOptions{}); len(harmed) > 0 {
			t.Errorf("harmed: %v", harmed)
		}
	}
	if _, err := s.open(second).Reclaim(t.Context(), ReclaimOptions{Grace: NoGrace}); err != nil {
		t.Error(err)
	}
}

// TestHealedIsNotExchanged loses a slab that a capture can do without in part, so that
// repairing writes its index file anew. That is no exchange.
func TestHealedIsNotExchanged(t *testing.T) {
	s, state := newSite(t), t.TempDir()
	m := s.open(state)
	for _, content := range []string{"1", "2", "3"} {
		m.put("a", content)
	}
	for name := range s.snapshot() {
		if strings.HasPrefix(name, names.Slabs+"/") {
			s.remove(name)
		}
	}
	out, err := s.open(state).Repair(t.Context(), RepairOptions{})
	if err != nil || len(out.Healed) == 0 || len(out.Exchanged) > 0 {
		t.Errorf("%+v, %v", out, err)
	}
	if l := s.open(state).lapse(); !l.Empty() {
		t.Errorf("told %+v", l)
	}
}

// TestReclaimStopsAtLapses removes nothing where a capture that this machine knows is
// missing, as where another capture saw it.
func TestReclaimStopsAtLapses(t *testing.T) {
	s, state := newSite(t), t.TempDir()
	m := s.open(state)
	m.put("a", "1")
	s.remove(names.Capture(m.put("a", "2").ID, 0))
	if _, err := s.open(state).Reclaim(t.Context(), ReclaimOptions{Grace: NoGrace}); !errors.Is(err, ErrVanished) {
		t.Errorf("got %v", err)
	}
	if _, err := s.open("").Reclaim(t.Context(), ReclaimOptions{Grace: NoGrace}); err != nil {
		t.Errorf("on a machine that knows nothing: %v", err)
	}
}

// TestStranger has another repository in the place of one, with its id.
func TestStranger(t *testing.T) {
	s, state := newSite(t), t.TempDir()
	s.open(state).put("a", "1")
	forged := s.forgedTwin()
	if _, err := Open(t.Context(), forged, s.key, OpenOptions{State: state}); !errors.Is(err, ErrStranger) {
		t.Fatalf("opened: %v", err)
	}
	if l := s.open(state).lapse(); !l.Empty() {
		t.Errorf("the right one: %+v", l)
	}
	r, err := Open(t.Context(), forged, s.key, OpenOptions{State: state, AcceptNewRoot: true})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if captures := r.ledger.Watch().Memory.Captures(); len(captures) > 0 {
		t.Errorf("still known: %v", captures)
	}
	if _, err := Open(t.Context(), s.mem, s.key, OpenOptions{State: state}); !errors.Is(err, ErrStranger) {
		t.Errorf("and back: %v", err)
	}
}

// forgedTwin gives an empty repository with the same id and another root key, opened by
// the same secret.
func (s *site) forgedTwin() *storage.Memory {
	s.t.Helper()
	mem := storage.NewMemory()
	document := s.read(names.Manifest)
	var m struct {
		ID      crypt.RepositoryID `json:"id"`
		Made    string             `json:"made"`
		Average int                `json:"chunk_average"`
		Grace   int64              `json:"grace_seconds"`
		Seal    string             `json:"seal"`
	}
	if err := json.Unmarshal(document, &m); err != nil {
		s.t.Fatal(err)
	}
	root := crypt.NewRootKey()
	keys, err := root.Derive(m.ID)
	if err != nil {
		s.t.Fatal(err)
	}
	seal := keys.ManifestMAC(fmt.Appendf(nil, "kist format 1\nid %s\nmade %s\nchunk average %d\ngrace %d\n", m.ID, m.Made, m.Average, m.Grace))
	slot, err := crypt.NewSlot(root, m.ID, s.key, crypt.SlotOptions{})
	if err != nil {
		s.t.Fatal(err)
	}
	opens, err := slot.Marshal()
	if err == nil {
		err = mem.Mark(s.t.Context(), names.KeySlot(string(slot.ID())), opens)
	}
	if err == nil {
		err = mem.Mark(s.t.Context(), names.Manifest, bytes.Replace(document, []byte(m.Seal), hex.AppendEncode(nil, seal[:]), 1))
	}
	if err != nil {
		s.t.Fatal(err)
	}
	return mem
}

// TestForgetful has a state folder that can't be used: it is told once, and all works as
// with none.
func TestForgetful(t *testing.T) {
	for name, make := range map[string]func(t *testing.T) string{
		"others can write": func(t *testing.T) string {
			dir := t.TempDir()
			if err := os.Chmod(dir, 0o777); err != nil {
				t.Fatal(err)
			}
			return dir
		},
		"a file": func(t *testing.T) string {
			oldFile(t, t.TempDir(), "x", "")
			return "/dev/null"
		},
		"below a file": func(*testing.T) string { return "/dev/null/x" },
	} {
		t.Run(name, func(t *testing.T) {
			s := newSite(t)
			m := s.open(make(t))
			if len(m.warned) != 1 || !errors.Is(m.warned[0], ErrForgetful) {
				t.Errorf("warned of %v", m.warned)
			}
			first, second := m.put("a", "1"), m.put("a", "2")
			if p := second.captured.Previous; p == nil || p.ID != first.ID || p.Hash != first.captured.Hash() {
				t.Errorf("the capture before is %v", p)
			}
			if len(m.warned) != 1 {
				t.Errorf("warned of %v", m.warned)
			}
		})
	}
}

// TestLapsesBeside: a capture that this machine made after the captures were listed is not taken for gone, until it is.
func TestLapsesBeside(t *testing.T) {
	s := newSite(t)
	m := s.open(t.TempDir())
	m.put("a", "1")
	files, err := m.ledger.ListCaptures(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	id := m.put("a", "2").ID
	m.ledger.Recall(t.Context(), files, nil)
	if len(m.warned) > 0 {
		t.Errorf("warned of what was made beside: %v", m.warned)
	}
	s.remove(names.Capture(id, 0))
	m.ledger.Recall(t.Context(), files, nil)
	var l *LapseError
	if len(m.warned) != 1 || !errors.As(m.warned[0], &l) || !slices.Equal(l.Missing, []string{id}) {
		t.Errorf("once it is gone: %v", m.warned)
	}
}
