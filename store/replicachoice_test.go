package store

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// onlySlab gives the name of the biggest slab, and its content.
func (s *site) onlySlab() (name string, content []byte) {
	s.t.Helper()
	for object, b := range s.allObjects() {
		if strings.HasPrefix(object, names.Slabs) && len(b) > len(content) {
			name, content = object, b
		}
	}
	return name, content
}

// What is damaged in the place that is written is named, with what needs it, and nothing comes that relies on it.
func TestReplicateDamageThere(t *testing.T) {
	for name, one := range map[string]struct {
		first  bool // whether the first capture was copied before
		harm   func(a, b *site, id, slab string, content []byte)
		object func(id, slab string) string
	}{
		"a listed slab is cut short": {true, func(_, b *site, _, slab string, _ []byte) { b.cut(slab, 100) }, func(_, slab string) string { return slab }},
		"and somebody is at work there, who may list it yet": {true, func(_, b *site, _, slab string, _ []byte) {
			l, err := b.open("").leases.Take(b.t.Context(), format.WorkCapture, "hazel", "mill")
			if err != nil {
				b.t.Fatal(err)
			}
			b.t.Cleanup(func() { l.End(context.Background()) })
			b.cut(slab, 100)
		}, func(_, slab string) string { return slab }},
		"a slab that no table lists is harmed": {false, func(_, b *site, _, slab string, content []byte) {
			if err := b.mem.Put(b.t.Context(), slab, bytes.NewReader(content)); err != nil {
				b.t.Fatal(err)
			}
			b.flip(slab, len(content)/2)
		}, func(_, slab string) string { return slab }},
		"an index file can't be read": {true, func(_, b *site, id, _ string, _ []byte) { b.flip(names.Capture(id, 0), 200) }, func(id, _ string) string { return names.Capture(id, 0) }},
	} {
		t.Run(name, func(t *testing.T) {
			a := newSite(t)
			b := a.replica()
			here, there := a.open(""), b.open("")
			first := here.put("seedbank", text(1, 100_000))
			slab, content := a.onlySlab()
			if one.first {
				here.replicate(there)
			}
			one.harm(a, b, first.ID, slab, content)
			second := here.put("mill", text(1, 100_000)+"more")
			out := here.replicate(there)
			object := one.object(first.ID, slab)
			if out.Complete() || len(out.Damage) != 1 || !out.Damage[0].There || out.Damage[0].Object != object {
				t.Errorf("%+v", out)
			}
			relies := object == slab
			if slices.Contains(out.Sent, first.ID) || slices.Contains(out.Sent, second.ID) == relies {
				t.Errorf("sent %v", out.Sent)
			}
		})
	}
}

// Where somebody else puts something of another length under the name of a slab meanwhile, it is not relied on.
func TestReplicateBesideTorn(t *testing.T) {
	a := newSite(t)
	b := a.replica()
	here := a.open("")
	c := here.put("seedbank", text(1, 100_000))
	slab, content := a.onlySlab()
	watched := storagetest.NewFaulty(b.mem)
	once := false
	watched.Before(func(m storagetest.Method, name string) {
		if m == storagetest.Put && name == slab && !once {
			once = true
			if err := b.mem.Put(t.Context(), slab, bytes.NewReader(content[:1000])); err != nil {
				t.Error(err)
			}
		}
	})
	there := b.openOver(t, watched)
	defer there.Close()
	out, err := here.Replicate(t.Context(), there, ReplicateOptions{})
	if err != nil || len(out.Sent) > 0 || len(out.Damage) != 1 || !out.Damage[0].There || out.Damage[0].Object != slab || !slices.Equal(out.Damage[0].Captures, []string{c.ID}) {
		t.Errorf("%+v, %v", out, err)
	}
}

// A slab that a final mark which can't be read may name is not relied on: what needs it comes later.
func TestReplicateUnreadableFinal(t *testing.T) {
	inCopying(t, func(c *copying) {
		mark := c.unreadableFinal()
		if out, err := c.run(); err != nil || !slices.Contains(out.Later, c.capture.ID) || len(out.Sent) > 0 {
			c.t.Errorf("%+v, %v", out, err)
		}
		c.b.remove(mark)
		if out, err := c.run(); err != nil || !slices.Equal(out.Sent, []string{c.capture.ID}) {
			c.t.Errorf("%+v, %v", out, err)
		}
	})
}

// departed says in a place that a capture went on purpose as it was.
func (m *machine) departed(c *Capture) {
	m.t.Helper()
	record := &format.BatchRecord{}
	ledger.Depart(record, c.ID, c.captured.Hash())
	if _, err := m.ledger.PutBatch(m.t.Context(), names.Gone, record); err != nil {
		m.t.Fatal(err)
	}
}

// A capture that repairing changed in one place stays as it is in both, and is no difference.
func TestReplicateRepaired(t *testing.T) {
	a := newSite(t)
	b := a.replica()
	here, there := a.open(""), b.open("")
	c := here.put("seedbank", "one")
	repaired := *c.captured.IndexFile
	repaired.Note = "without what was lost"
	if _, err := there.ledger.WriteGeneration(t.Context(), &repaired, 1); err != nil {
		t.Fatal(err)
	}
	there.departed(c)
	for _, out := range []*Replicated{here.replicate(there), there.replicate(here)} {
		if !out.Complete() || len(out.Left) != 1 || out.Left[0].ID != c.ID || !strings.Contains(out.Left[0].Why, "repairing") || len(out.Sent) > 0 {
			t.Errorf("%+v", out)
		}
	}
}

// A capture that is just being removed where it is read is left out, though it is named.
func TestReplicateWhatGoes(t *testing.T) {
	a := newSite(t)
	b := a.replica()
	here, there := a.open(""), b.open("")
	c := here.put("seedbank", "one")
	here.put("mill", "two")
	if err := here.Retire(t.Context(), []string{c.ID}, MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	stops := storagetest.NewFaulty(a.mem)
	stops.Before(func(m storagetest.Method, name string) {
		if m == storagetest.Remove && strings.HasPrefix(name, names.Captures) {
			stops.Inject(storagetest.Fault{})
		}
	})
	r := a.openOver(t, stops)
	if _, err := r.Reclaim(t.Context(), ReclaimOptions{Grace: NoGrace}); !errors.Is(err, storagetest.ErrInjected) {
		t.Fatal(err)
	}
	r.Close()
	if out := here.replicate(there, c.ID); len(out.Sent) > 0 || len(out.Left) != 1 || !strings.Contains(out.Left[0].Why, "removed") {
		t.Errorf("%+v", out)
	}
}
