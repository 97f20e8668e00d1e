package store

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// pair is two places, and what captures of the first restore to.
type pair struct {
	a, b     *site
	contents map[string][]byte
}

// newPair gives two places: some captures are in both, some in the first alone, one was amended, one was removed there.
func newPair(t *testing.T) *pair {
	p := &pair{a: newSite(t), contents: make(map[string][]byte)}
	p.b = p.a.replica()
	here, there := p.a.open(""), p.b.open("")
	put := func(content string) *Capture {
		c := here.put("seedbank", content)
		p.contents[c.ID] = []byte(content)
		return c
	}
	one, two := put(text(1, 100_000)), put(text(1, 100_000)+"two")
	here.replicate(there)
	there.retireNow(two.ID)
	put(text(2, 60_000) + text(1, 100_000))
	put("four")
	note := "the first"
	if _, err := here.Amend(t.Context(), one.ID, AmendOptions{Note: &note}); err != nil {
		t.Fatal(err)
	}
	return p
}

// allObjects gives a copy of all objects of a site.
func (s *site) allObjects() map[string][]byte {
	s.t.Helper()
	infos, err := s.mem.List(s.t.Context(), "")
	if err != nil {
		s.t.Fatal(err)
	}
	all := make(map[string][]byte)
	for _, info := range infos {
		all[info.Name] = s.read(info.Name)
	}
	return all
}

// copyOf gives a site with the same objects.
func (s *site) copyOf(t *testing.T, objects map[string][]byte) *site {
	other := &site{t: t, mem: storage.NewMemory(), key: s.key}
	for _, name := range slices.Sorted(maps.Keys(objects)) {
		if err := other.mem.Put(t.Context(), name, bytes.NewReader(objects[name])); err != nil {
			t.Fatal(err)
		}
	}
	return other
}

// openOver opens the repository by way of a storage around the site's.
func (s *site) openOver(t *testing.T, st storage.Storage) *Repository {
	r, err := Open(t.Context(), st, s.key, OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// check makes sure that what is listed restores, and that nothing is harmed.
func (p *pair) check(t *testing.T, s *site) []string {
	t.Helper()
	m := s.open("")
	m.t = t
	m.wholeInFull()
	captures, err := m.AllCaptures(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, c := range captures {
		ids = append(ids, c.ID)
		if !bytes.Equal(m.restored(c), p.contents[c.ID]) {
			t.Errorf("capture %s restores to something else", c.ID)
		}
	}
	return ids
}

// At whatever call of either storage a run is cut off, or a call fails: what is listed is whole in both places, the next
// run does the rest, and sends no slab twice.
func TestReplicateFaults(t *testing.T) {
	p := newPair(t)
	from, to := p.a.allObjects(), p.b.allObjects()
	for _, side := range []string{"from", "to"} {
		for _, effect := range []storagetest.Effect{storagetest.Fail, storagetest.FailAfter} {
			for _, cut := range []bool{true, false} {
				fired := 0
				for call := 0; ; call++ {
					if testing.Short() && call%4 > 0 {
						continue
					}
					name := fmt.Sprintf("%s, %v, cut off %t, call %d", side, effect, cut, call)
					if !p.fault(t, name, from, to, side, storagetest.Fault{From: call, Effect: effect}, cut) {
						break
					}
					fired++
				}
				if fired < 5 {
					t.Errorf("%s: only %d faults fired", side, fired)
				}
			}
		}
	}
}

// fault runs into one fault, and tells whether it fired.
func (p *pair) fault(t *testing.T, name string, from, to map[string][]byte, side string, f storagetest.Fault, cut bool) bool {
	a, b := p.a.copyOf(t, from), p.b.copyOf(t, to)
	faulty := map[string]*storagetest.Faulty{"from": storagetest.NewFaulty(a.mem), "to": storagetest.NewFaulty(b.mem)}
	here, there := a.openOver(t, faulty["from"]), b.openOver(t, faulty["to"])
	defer here.Close()
	defer there.Close()
	f.Once = !cut
	sent := make(map[string]int)
	var mu sync.Mutex
	count := func(m storagetest.Method, object string) {
		mu.Lock()
		defer mu.Unlock()
		if m == storagetest.Put && strings.HasPrefix(object, names.Slabs) {
			sent[object]++
		}
	}
	faulty[side].Reset()
	faulty[side].Inject(f)
	out, err := here.Replicate(t.Context(), there, ReplicateOptions{})
	fired := faulty[side].Calls(storagetest.Any) > f.From
	if err != nil && !errors.Is(err, storagetest.ErrInjected) {
		t.Errorf("%s: %v", name, err)
	}
	listed := p.check(t, b)
	p.check(t, a)
	if out != nil {
		for _, id := range out.Sent {
			if !slices.Contains(listed, id) {
				t.Errorf("%s: %s was told to be sent", name, id)
			}
		}
	}
	arrived, _ := b.mem.List(t.Context(), names.Slabs)
	again := storagetest.NewFaulty(b.mem)
	again.Before(count)
	next := b.openOver(t, again)
	defer next.Close()
	whole := a.openOver(t, a.mem)
	defer whole.Close()
	if out, err := whole.Replicate(t.Context(), next, ReplicateOptions{}); err != nil || !out.Complete() {
		t.Errorf("%s: the next run: %+v, %v", name, out, err)
	}
	for _, info := range arrived {
		if sent[info.Name] > 0 {
			t.Errorf("%s: %s was sent twice", name, info.Name)
		}
	}
	if got := p.check(t, b); len(got) != 3 {
		t.Errorf("%s: there are %v", name, got)
	}
	captures, err := next.AllCaptures(t.Context())
	if err != nil || !slices.ContainsFunc(captures, func(c *Capture) bool { return c.Note == "the first" }) {
		t.Errorf("%s: what was amended is not: %v", name, err)
	}
	return fired
}

// Index files that are moved while captures are copied, and removed by reclaiming without a grace time, are no damage: the ones in
// their place are read.
func TestReplicateBesideMoving(t *testing.T) {
	synctest.Test(t, replicateBesideMoving)
}

func replicateBesideMoving(t *testing.T) {
	a := newSite(t)
	b := a.replica()
	here := a.open("")
	gone := here.put("seedbank", text(1, 100_000)+text(2, 100_000))
	stays := here.put("seedbank", text(2, 100_000))
	reclaim := func(minDead float64) *Reclaimed {
		t.Helper()
		out, err := here.Reclaim(t.Context(), ReclaimOptions{Grace: NoGrace, MinDead: minDead})
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	if err := here.Retire(t.Context(), []string{gone.ID}, MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	if out := reclaim(0.99); out.Moved > 0 || len(out.Captures) != 1 {
		t.Fatalf("%+v", out)
	}
	time.Sleep(time.Hour) // what is young is not moved beside others
	faulty := storagetest.NewFaulty(b.mem)
	there := b.openOver(t, faulty)
	defer there.Close()
	var once sync.Once
	faulty.Before(func(m storagetest.Method, name string) {
		if m == storagetest.Put && strings.HasPrefix(name, names.Slabs) {
			once.Do(func() {
				if out := reclaim(0.01); out.Moved != 1 {
					t.Errorf("%+v", out)
				}
			})
		}
	})
	out, err := a.open("").Replicate(t.Context(), there, ReplicateOptions{})
	if err != nil || !out.Complete() || !slices.Equal(out.Sent, []string{stays.ID}) {
		t.Errorf("%+v, %v", out, err)
	}
	if _, err := a.mem.Stat(t.Context(), names.Capture(stays.ID, 0)); !errors.Is(err, storage.ErrNotFound) {
		t.Errorf("the index file before: %v", err)
	}
	m := b.open("")
	m.wholeInFull()
	all, err := m.AllCaptures(t.Context())
	if err != nil || len(all) != 1 || string(m.restored(all[0])) != text(2, 100_000) {
		t.Errorf("%d captures, %v", len(all), err)
	}
}
