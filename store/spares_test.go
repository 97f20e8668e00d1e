package store_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// wantSpares wants a second copy of each object that FORMAT.md, section 10, says gets one, equal to it.
func wantSpares(t *testing.T, st storage.Storage, after string) {
	t.Helper()
	all := objects(t, st)
	for name, content := range all {
		folder, _, _ := strings.Cut(name, "/")
		if !slices.Contains([]string{"captures", "tables", "keyslots", "kist.json"}, folder) {
			continue
		}
		if spare, there := all["spare/"+strings.ReplaceAll(name, "/", ".")]; !there || !bytes.Equal(spare, content) {
			t.Errorf("after %s: %s has no second copy that equals it (there is one: %t)", after, name, there)
		}
	}
}

// sparesCase is a place with parity, another one that it is copied to, and what was captured.
type sparesCase struct {
	*parityFixture
	place *storage.Memory
	other *store.Repository
}

// further gives the index files of a generation above 0.
func further(t *testing.T, st storage.Storage) (found []string) {
	t.Helper()
	for name := range objects(t, st) {
		if strings.HasPrefix(name, "captures/") && strings.Contains(name, ".") {
			found = append(found, name)
		}
	}
	slices.Sort(found)
	return found
}

// newest gives the capture that was made last, of those that are not retired.
func (c *sparesCase) newest() *store.Capture {
	c.t.Helper()
	all, err := c.Captures(c.t.Context())
	if err != nil || len(all) == 0 {
		c.t.Fatal(all, err)
	}
	return all[len(all)-1]
}

func (c *sparesCase) retireOldest() {
	c.t.Helper()
	all, err := c.Captures(c.t.Context())
	if err == nil {
		delete(c.streams, all[0].ID)
		err = c.Retire(c.t.Context(), []string{all[0].ID}, store.MarkOptions{})
	}
	if err == nil {
		_, err = c.Reclaim(c.t.Context(), store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.0001})
	}
	if err != nil {
		c.t.Fatal(err)
	}
}

// harmAll damages what begins with a folder's name.
func harmAll(t *testing.T, st storage.Storage, folder string, change func([]byte) []byte) {
	t.Helper()
	for name, content := range objects(t, st) {
		if strings.HasPrefix(name, folder) {
			replace(t, st, name, change(bytes.Clone(content)))
		}
	}
}

func cutShort(b []byte) []byte { return b[:len(b)-60] }

// TestEveryWriterSpares runs all that writes small objects, one after the other: with parity on from the beginning, none is ever
// without a second copy.
func TestEveryWriterSpares(t *testing.T) {
	ctx := t.Context()
	c := &sparesCase{parityFixture: newParityFixture(t), place: storage.NewMemory()}
	steps := []struct {
		name string
		run  func() error
	}{
		{"captures", func() error { return nil }},
		{"amending", func() error {
			_, err := c.Amend(ctx, c.newest().ID, store.AmendOptions{Version: text("4.1.0")})
			return err
		}},
		{"a slot that is added", func() error {
			_, err := c.AddSlot(ctx, crypt.NewKeyFile(), crypt.SlotOptions{})
			return err
		}},
		{"reclaiming that moves", func() error {
			c.retireOldest()
			if len(further(t, c.mem)) == 0 {
				t.Error("no index file was put anew: that tests nothing")
			}
			return nil
		}},
		{"sending from a spool", func() error {
			in := tarOf(t, file{name: "labels", content: random(31, 50_000)})
			s := c.newSpool()
			sent := s.send(s.capture(in), c.fixture)
			c.streams[sent.ID] = in
			return nil
		}},
		{"repairing index files", func() error {
			harmAll(t, c.mem, "captures/", cutShort)
			_, err := c.Repair(ctx, store.RepairOptions{})
			return err
		}},
		{"repairing tables", func() error {
			harmAll(t, c.mem, "tables/", cutShort)
			_, err := c.Repair(ctx, store.RepairOptions{})
			return err
		}},
		{"tables that were lost", func() error {
			for name := range objects(t, c.mem) {
				if strings.HasPrefix(name, "tables/") || strings.HasPrefix(name, "spare/tables.") {
					if err := c.mem.Remove(ctx, name); err != nil {
						return err
					}
				}
			}
			_, err := c.Repair(ctx, store.RepairOptions{})
			return err
		}},
		{"copying to another place", func() (err error) {
			c.other, err = store.CreateReplica(ctx, c.place, c.Repository, c.key, store.ReplicaOptions{Parity: 5})
			if err == nil {
				_, err = c.Replicate(ctx, c.other, store.ReplicateOptions{})
			}
			return err
		}},
		{"copying what was removed there", func() error {
			id := c.newest().ID
			err := c.other.Retire(ctx, []string{id}, store.MarkOptions{})
			if err == nil {
				_, err = c.other.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.0001})
			}
			if err == nil {
				_, err = c.Replicate(ctx, c.other, store.ReplicateOptions{Captures: []string{id}})
			}
			return err
		}},
		{"repairing from another place", func() error {
			for _, folder := range []string{"captures/", "spare/captures."} {
				harmAll(t, c.mem, folder, cutShort)
			}
			out, err := c.Repair(ctx, store.RepairOptions{From: c.other})
			if err == nil && len(out.Restored) == 0 {
				t.Errorf("%+v: that tests nothing", out)
			}
			return err
		}},
		{"tables that are merged", func() error {
			for i := range byte(40) {
				c.take(tarOf(t, file{name: "lot", content: random(100+i, 3_000)}))
			}
			before := len(objects(t, c.mem))
			c.retireOldest()
			if len(objects(t, c.mem)) > before-20 {
				t.Error("no tables were merged: that tests nothing")
			}
			return nil
		}},
		{"giving up", func() error {
			c.harmed = true // and whole afterwards, without some members
			for name, content := range objects(t, c.mem) {
				if strings.HasPrefix(name, "slabs/") {
					clear(content[len(content)/4 : len(content)*3/4])
					replace(t, c.mem, name, content)
					break
				}
			}
			_, err := c.Repair(ctx, store.RepairOptions{Drop: true})
			return err
		}},
	}
	for _, step := range steps {
		if err := step.run(); err != nil {
			t.Fatalf("%s: %v", step.name, err)
		}
		wantSpares(t, c.mem, step.name)
		if c.other != nil {
			wantSpares(t, c.place, step.name+" (the other place)")
		}
	}
	if err := c.other.Close(); err != nil {
		t.Error(err)
	}
}

// TestRenewedSlotSpare: a key slot that is made anew has a second copy, and the one before has none any more.
func TestRenewedSlotSpare(t *testing.T) {
	mem, key := memoryOf(t, goldenCopy(t)), goldenKey(t)
	r, err := store.Open(t.Context(), mem, key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := r.SetParity(t.Context(), 3, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	if _, err := r.Repair(t.Context(), store.RepairOptions{}); err != nil {
		t.Fatal(err)
	}
	wantSpares(t, mem, "parity is on, and repairing")
	old := opened(t, r).ID
	renewed, err := r.RenewSlot(t.Context(), key)
	if err != nil || renewed == nil {
		t.Fatal(renewed, err)
	}
	wantSpares(t, mem, "making a slot anew")
	if _, there := objects(t, mem)["spare/keyslots."+string(old)+".json"]; there {
		t.Error("the slot before has a second copy")
	}
}

// TestMissedComesBack removes index files that have second copies: repairing puts back those of captures that are missed, to the
// byte, and none that was removed on purpose.
func TestMissedComesBack(t *testing.T) {
	f := newParityFixture(t)
	ctx := t.Context()
	captures, err := f.Captures(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Hold(ctx, []string{captures[2].ID}, store.MarkOptions{}); err != nil { // else nobody knows of the newest
		t.Fatal(err)
	}
	spare := "spare/captures." + captures[0].ID
	reclaimed := contentOf(t, f.mem, spare)
	delete(f.streams, captures[0].ID)
	f.retire(captures[0])
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
	if err := f.mem.Put(ctx, spare, bytes.NewReader(reclaimed)); err != nil {
		t.Fatal(err)
	}
	whole := map[string][]byte{}
	for name, content := range objects(t, f.mem) {
		if strings.HasPrefix(name, "captures/") {
			whole[name] = content
			if err := f.mem.Remove(ctx, name); err != nil {
				t.Fatal(err)
			}
		}
	}
	f.harmed = true
	// The newest is known by its hold, and names the one before.
	out, err := f.Repair(ctx, store.RepairOptions{})
	if err != nil || !out.Mended() || len(out.Renewed) != len(whole) {
		t.Errorf("%+v, %v", out, err)
	}
	for name, content := range whole {
		if !bytes.Equal(contentOf(t, f.mem, name), content) {
			t.Errorf("%s came back otherwise", name)
		}
	}
	f.wantAll()
	f.harmed = false
}

// TestLeftToPeople: repairing does not touch what opens the repository, and says so; who opens it by a second copy is told.
func TestLeftToPeople(t *testing.T) {
	f := newParityFixture(t)
	ctx := t.Context()
	harmAll(t, f.mem, "keyslots/", func(b []byte) []byte { return b[:len(b)/2] })
	harmAll(t, f.mem, "kist.json", func([]byte) []byte { return []byte("{\x00") })
	f.harmed = true
	before := objects(t, f.mem)
	r := f.wantAll()
	read := r.Mendable()
	if len(read) != 2 || !strings.HasPrefix(read[0].Object, "keyslots/") || read[1].Object != "kist.json" {
		t.Errorf("read by second copies: %+v", read)
	}
	for _, drop := range []bool{false, true} {
		out, err := r.Repair(ctx, store.RepairOptions{Drop: drop})
		if err != nil {
			t.Fatal(err)
		}
		if out.Mended() || len(out.Left) != 2 || len(out.Lost)+len(out.Renewed) > 0 {
			t.Errorf("%+v", out)
		}
		for _, d := range out.Left {
			if !strings.Contains(d.Problem, "second copy") {
				t.Errorf("%+v", d)
			}
		}
	}
	for name, content := range before {
		if !strings.HasPrefix(name, "leases/") && !bytes.Equal(contentOf(t, f.mem, name), content) {
			t.Errorf("%s was changed", name)
		}
	}
}

// TestOvercome: a frame that can't be read, and that a capture needed which was healed, is damage no more once a repair has
// marked it, and what reclaiming says of it is said when it may go.
func TestOvercome(t *testing.T) {
	f := newFixture(t)
	ctx := t.Context()
	in := tarOf(t, file{name: "catalogue", content: random(1, 300_000)})
	f.capture(in)
	infos, err := f.mem.List(ctx, "slabs")
	if err != nil {
		t.Fatal(err)
	}
	largest := slices.MaxFunc(infos, bySize)
	b := contentOf(t, f.mem, largest.Name)
	clear(b[1000:1100])
	replace(t, f.mem, largest.Name, b)
	verify := func() *store.Report {
		t.Helper()
		report, err := f.Verify(ctx, store.VerifyOptions{Full: true})
		if err != nil {
			t.Fatal(err)
		}
		return report
	}
	notes := func(want bool, text string) {
		t.Helper()
		report := verify()
		is := slices.ContainsFunc(report.Notes, func(n string) bool {
			return strings.Contains(n, largest.Name) && strings.Contains(n, text)
		})
		if report.OK != want || is != want {
			t.Errorf("%+v", report)
		}
	}
	f.harmed = true
	notes(false, "")
	if out, err := f.Repair(ctx, store.RepairOptions{}); err != nil || out.Mended() {
		t.Fatal(out, err)
	}
	notes(false, "") // it is marked, and needed
	f.capture(in)
	if out, err := f.Repair(ctx, store.RepairOptions{}); err != nil || !out.Mended() || len(out.Healed) != 1 {
		t.Fatal(out, err)
	}
	notes(true, "reclaiming frees it")
	f.reclaim(store.ReclaimOptions{MinDead: 0.0001})
	notes(true, "reclaiming frees it after 20")
	for _, n := range verify().Notes {
		if strings.HasPrefix(n, "slabs that no capture needs") {
			t.Errorf("told twice: %s", n)
		}
	}
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
	if report := verify(); !report.OK || len(report.Notes) > 0 {
		t.Errorf("%+v", report)
	}
	f.harmed = false
}

// TestUnmarkedIsDamage: what no capture needs is damage as long as no mark keeps captures to come from relying on it.
func TestUnmarkedIsDamage(t *testing.T) {
	f := newFixture(t)
	first := f.capture(random(1, 200_000))
	infos, err := f.mem.List(t.Context(), "slabs")
	if err != nil {
		t.Fatal(err)
	}
	largest := slices.MaxFunc(infos, bySize)
	f.capture(random(2, 1000))
	f.retire(first)
	b := contentOf(t, f.mem, largest.Name)
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
	clear(b[1000:1100])
	if err := f.mem.Put(t.Context(), largest.Name, bytes.NewReader(b)); err != nil {
		t.Fatal(err)
	}
	for _, want := range []bool{false, true} {
		report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
		if err != nil || report.OK != want {
			t.Errorf("%+v, %v", report, err)
		}
		if _, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil {
			t.Fatal(err)
		}
	}
}
