package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// junk puts a file that is no object of kist, as whoever lacks the key can.
func (s *site) junk(names ...string) {
	s.t.Helper()
	for _, name := range names {
		if err := s.mem.Put(s.t.Context(), name, strings.NewReader(strings.Repeat("junk ", 60))); err != nil {
			s.t.Fatal(err)
		}
	}
}

// there gives the names of all objects.
func (s *site) there() map[string]bool {
	s.t.Helper()
	infos, err := s.mem.List(s.t.Context(), "")
	if err != nil {
		s.t.Fatal(err)
	}
	all := make(map[string]bool)
	for _, info := range infos {
		all[info.Name] = true
	}
	return all
}

// note amends a capture and makes sure that it shows.
func (m *machine) note(id, text string) {
	m.t.Helper()
	if _, err := m.Amend(m.t.Context(), id, AmendOptions{Note: &text}); err != nil {
		m.t.Fatal(err)
	}
	if got := m.noteOf(id); got != text {
		m.t.Errorf("the note is %q, not %q", got, text)
	}
}

func (m *machine) noteOf(id string) string {
	m.t.Helper()
	l, err := m.List(m.t.Context())
	if err != nil {
		m.t.Fatal(err)
	}
	for _, c := range l.Captures {
		if c.ID == id {
			return c.Note
		}
	}
	m.t.Errorf("capture %s is not listed", id)
	return ""
}

// Files with the highest numbers that somebody put keep nobody from amending and copying, and no name comes of them that
// is none. They are told, keep reclaiming from removing anything, and go once they are given up.
func TestJunkGenerations(t *testing.T) {
	for _, number := range []string{"1", "7", "999999999", "1000000000", "9223372036854775807", "99999999999999999999"} {
		t.Run(number, func(t *testing.T) {
			ctx, a := t.Context(), newSite(t)
			b := a.replica()
			here, there := a.open(""), b.open("")
			c := here.put("seedbank", text(1, 10_000))
			here.replicate(there)
			here.note(c.ID, "first")
			file := names.Capture(c.ID, 0) + "." + number
			a.junk(slices.DeleteFunc([]string{file}, func(name string) bool { return a.there()[name] })...)
			here.note(c.ID, "second")
			here.note(c.ID, "third")
			here.replicate(there)
			if got := there.noteOf(c.ID); got != "third" {
				t.Errorf("in the other place the note is %q", got)
			}
			for name := range a.there() {
				if _, _, err := names.ParseCapture(name); strings.HasPrefix(name, names.Captures) && name != file && err != nil {
					t.Errorf("%s came of it", name)
				}
			}
			out, err := here.Repair(ctx, RepairOptions{})
			if err != nil {
				t.Fatal(err)
			}
			if number == "999999999" {
				if !slices.Equal(out.Amendments, []string{file}) || out.Mended() {
					t.Errorf("%+v", out)
				}
				if _, err := here.Reclaim(ctx, ReclaimOptions{}); !errors.Is(err, ErrDamaged) {
					t.Errorf("reclaimed: %v", err)
				}
				if s, err := here.Status(ctx, StatusOptions{}); err != nil || !slices.Equal(s.Earlier, []string{c.ID}) || len(s.Wanted) != 1 || s.Wanted[0].Kind != WantRepair {
					t.Errorf("%+v, %v", s, err)
				}
			} else if !out.Mended() {
				t.Errorf("%+v", out)
			}
			if _, err := here.Repair(ctx, RepairOptions{Drop: true}); err != nil {
				t.Fatal(err)
			}
			if got := here.noteOf(c.ID); got != "third" {
				t.Errorf("the note is %q", got)
			}
			if _, err := here.Reclaim(ctx, ReclaimOptions{Grace: NoGrace}); err != nil {
				t.Error(err)
			}
			here.wholeInFull()
		})
	}
}

// taken is a storage in which names that begin so are taken, and not listed.
type taken struct {
	storage.Storage
	prefix string
	puts   int
}

func (s *taken) Put(ctx context.Context, name string, r io.Reader) error {
	if strings.HasPrefix(name, s.prefix) {
		s.puts++
		return fmt.Errorf("putting %s: %w", name, storage.ErrExists)
	}
	return s.Storage.Put(ctx, name, r)
}

// A name that is taken and never listed is not tried for ever.
func TestAmendGivesUp(t *testing.T) {
	s := newSite(t)
	c := s.open("").put("seedbank", text(1, 1000))
	st := &taken{Storage: s.mem, prefix: names.Capture(c.ID, 0) + "."}
	r, err := Open(t.Context(), st, s.key, OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	note := "never"
	if _, err := r.Amend(t.Context(), c.ID, AmendOptions{Note: &note}); !errors.Is(err, ErrBusy) || st.puts == 0 || st.puts > 100 {
		t.Errorf("%d tries: %v", st.puts, err)
	}
}

// What an index file amended that can't be read comes from another place, or from its second copy; where nobody has it, it
// is named, and is given up when that is asked for.
func TestDamagedAmendment(t *testing.T) {
	for what, test := range map[string]struct {
		parity      int
		copied      bool // to the other place
		from        bool // what is repaired from that
		drop        bool
		mended      bool
		note        string
		whichEarned func(*Repaired) []string
	}{
		"from another place":              {copied: true, from: true, mended: true, note: "hello", whichEarned: func(r *Repaired) []string { return r.Restored }},
		"another place that is not asked": {copied: true, whichEarned: func(r *Repaired) []string { return r.Amendments }},
		"another place that lacks it":     {from: true, whichEarned: func(r *Repaired) []string { return r.Amendments }},
		"given up":                        {drop: true, mended: true, whichEarned: func(r *Repaired) []string { return r.Amendments }},
		"from its second copy":            {parity: 3, mended: true, note: "hello", whichEarned: func(r *Repaired) []string { return r.Renewed }},
	} {
		t.Run(what, func(t *testing.T) {
			ctx, a := t.Context(), newSite(t)
			b := a.replica()
			here, there := a.open(""), b.open("")
			if err := here.SetParity(ctx, test.parity, MarkOptions{}); err != nil {
				t.Fatal(err)
			}
			c := here.put("seedbank", text(1, 10_000))
			here.replicate(there)
			here.note(c.ID, "hello")
			if test.copied {
				here.replicate(there)
			}
			file := names.Capture(c.ID, 1)
			a.flip(file, 100)
			o := RepairOptions{Drop: test.drop}
			if test.from {
				o.From = there.Repository
			}
			out, err := here.Repair(ctx, o)
			if err != nil {
				t.Fatal(err)
			}
			if out.Mended() != test.mended || len(test.whichEarned(out)) != 1 {
				t.Errorf("%+v", out)
			}
			if got := here.noteOf(c.ID); got != test.note {
				t.Errorf("the note is %q, not %q", got, test.note)
			}
			if test.mended {
				if a.there()[file] {
					t.Errorf("%s is there yet", file)
				}
				a.open("").wholeInFull()
			}
			if got := string(here.restored(c)); got != text(1, 10_000) {
				t.Error("it does not restore")
			}
		})
	}
}
