package store_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/parity"
	"github.com/kistarchive/kist/store/storage"
)

// parityFixture is a repository with parity and some captures, of which it knows the streams.
type parityFixture struct {
	*fixture
	streams map[string][]byte
}

func newParityFixture(t *testing.T) *parityFixture {
	f := &parityFixture{newFixtureOf(t, store.CreateOptions{Parity: 3}), map[string][]byte{}}
	for i := range 3 {
		f.take(tarOf(t, file{name: "catalogue", content: random(1, 400_000)}, file{name: "journal", content: random(byte(i), 100_000)}))
	}
	return f
}

func (f *parityFixture) take(in []byte) *store.Capture {
	f.t.Helper()
	c, err := f.Capture(f.t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{stream(in)}})
	if err != nil {
		f.t.Fatal(err)
	}
	f.streams[c.ID] = in
	return c
}

// wantAll restores all captures, with a reader of its own, and gives it.
func (f *parityFixture) wantAll() *store.Repository {
	f.t.Helper()
	r, err := store.Open(f.t.Context(), f.mem, f.key, store.OpenOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(func() { r.Close() })
	captures, err := r.Captures(f.t.Context())
	if err != nil || len(captures) != len(f.streams) {
		f.t.Fatalf("%d captures, %v", len(captures), err)
	}
	for _, c := range captures {
		var out bytes.Buffer
		if err := r.Restore(f.t.Context(), &c.Volumes[0], &out, store.RestoreOptions{}); err != nil {
			f.t.Fatalf("%s: %v", c.ID, err)
		}
		if !bytes.Equal(out.Bytes(), f.streams[c.ID]) {
			f.t.Fatalf("%s restores to other bytes", c.ID)
		}
	}
	return r
}

func contentOf(t *testing.T, st storage.Storage, name string) []byte {
	t.Helper()
	info, err := st.Stat(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	b := make([]byte, info.Size)
	if err := st.ReadAt(t.Context(), name, b, 0); err != nil {
		t.Fatal(err)
	}
	return b
}

func replace(t *testing.T, st storage.Storage, name string, b []byte) {
	t.Helper()
	if err := errors.Join(st.Remove(t.Context(), name), st.Put(t.Context(), name, bytes.NewReader(b))); err != nil {
		t.Fatal(err)
	}
}

// objectsOf lists the objects that parity or a second copy tells of, but for those that repairing leaves to people.
func (f *parityFixture) objects() (names []string) {
	f.t.Helper()
	for _, folder := range []string{"slabs", "tables", "captures"} {
		infos, err := f.mem.List(f.t.Context(), folder)
		if err != nil {
			f.t.Fatal(err)
		}
		for _, info := range infos {
			names = append(names, info.Name)
		}
	}
	return names
}

// TestParityHeals damages every object of a repository, one after the other and in several ways: all captures restore, verifying
// calls it mendable and nothing else, and repairing puts slabs and tables anew, to the byte.
func TestParityHeals(t *testing.T) {
	f := newParityFixture(t)
	ctx := t.Context()
	r := rand.New(rand.NewPCG(1, 2))
	ways := map[string]func([]byte) []byte{
		"a run": func(b []byte) []byte {
			run := min(max(len(b)/32, 300), len(b)/2)
			at := r.IntN(len(b) - run)
			for i := range run {
				b[at+i] ^= byte(1 + r.IntN(255))
			}
			return b
		},
		"scattered": func(b []byte) []byte {
			for range 3 {
				b[r.IntN(len(b))] ^= byte(1 + r.IntN(255))
			}
			return b
		},
		"cut short": func(b []byte) []byte { return b[:len(b)-100] },
		"header":    func(b []byte) []byte { clear(b[:200]); return b },
	}
	for _, name := range f.objects() {
		for way, harm := range ways {
			whole := contentOf(t, f.mem, name)
			replace(t, f.mem, name, harm(bytes.Clone(whole)))
			reader := f.wantAll()
			if got := reader.Mendable(); !strings.HasPrefix(name, "tables/") && (len(got) != 1 || got[0].Object != name) && len(got) > 0 {
				t.Errorf("%s, %s: read: %v", name, way, got)
			}
			report, err := f.Verify(ctx, store.VerifyOptions{Full: true})
			if err != nil || report.OK || len(report.Damage) != 1 || report.Damage[0].Object != name || !report.Damage[0].Mendable || len(report.Damage[0].Captures) > 0 {
				t.Fatalf("%s, %s: %+v, %v", name, way, report, err)
			}
			out, err := f.Repair(ctx, store.RepairOptions{})
			if err != nil || !out.Mended() || !slices.Equal(out.Renewed, []string{name}) || len(out.Healed) > 0 {
				t.Fatalf("%s, %s: %+v, %v", name, way, out, err)
			}
			if report, err := f.Verify(ctx, store.VerifyOptions{Full: true}); err != nil || !report.OK || len(report.Notes) > 0 {
				t.Fatalf("%s, %s: repaired: %+v, %v", name, way, report, err)
			}
			if strings.HasPrefix(name, "captures/") {
				break // it has another name by now
			}
			if !bytes.Equal(contentOf(t, f.mem, name), whole) {
				t.Fatalf("%s, %s: other bytes", name, way)
			}
		}
	}
	if got := f.wantAll().Mendable(); len(got) > 0 {
		t.Error(got)
	}
}

// TestBeyondParity damages more than heals: it is named with what it harms, as without parity, and what is restored is
// right or fails.
func TestBeyondParity(t *testing.T) {
	f := newParityFixture(t)
	f.harmed = true
	infos, err := f.mem.List(t.Context(), "slabs")
	if err != nil {
		t.Fatal(err)
	}
	largest := slices.MaxFunc(infos, bySize)
	b := contentOf(t, f.mem, largest.Name)
	clear(b[len(b)/4 : len(b)/2])
	replace(t, f.mem, largest.Name, b)
	report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil || len(report.Damage) == 0 {
		t.Fatal(report, err)
	}
	for _, d := range report.Damage {
		if d.Object != largest.Name || d.Mendable || len(d.Captures) == 0 {
			t.Errorf("%+v", d)
		}
	}
	captures, err := f.Captures(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range captures {
		if err := f.Restore(t.Context(), &c.Volumes[0], io.Discard, store.RestoreOptions{}); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("%s: %v", c.ID, err)
		}
	}
}

// TestForgedParity changes a frame and makes parity that fits it: seals alone prove, so that is damage which nothing heals.
func TestForgedParity(t *testing.T) {
	f := newParityFixture(t)
	f.harmed = true
	infos, err := f.mem.List(t.Context(), "slabs")
	if err != nil {
		t.Fatal(err)
	}
	largest := slices.MaxFunc(infos, bySize)
	b := contentOf(t, f.mem, largest.Name)
	b[200] ^= 1
	section := bytes.Index(b, []byte("kist.par")) - format.SectionHead
	if err := parity.Rewrite(b, len(b)-format.TrailerSize-section); err != nil {
		t.Fatal(err)
	}
	replace(t, f.mem, largest.Name, b)
	report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil || len(report.Damage) == 0 || slices.ContainsFunc(report.Damage, func(d store.Damage) bool { return d.Mendable || d.Object != largest.Name }) {
		t.Errorf("%+v, %v", report, err)
	}
	if out, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil || out.Mended() || len(out.Renewed) > 0 {
		t.Errorf("%+v, %v", out, err)
	}
}

// TestKeySlotSpare damages the only key slot: it opens by its second copy, and verifying says so. A slot that is removed has none.
func TestKeySlotSpare(t *testing.T) {
	f := newParityFixture(t)
	key := crypt.NewKeyFile()
	slot, err := f.AddSlot(t.Context(), key, crypt.SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	spare := "spare/keyslots." + string(slot.ID()) + ".json"
	if !bytes.Equal(contentOf(t, f.mem, spare), contentOf(t, f.mem, "keyslots/"+string(slot.ID())+".json")) {
		t.Error("the second copy differs")
	}
	if err := f.RemoveSlot(t.Context(), slot.ID()); err != nil {
		t.Fatal(err)
	}
	if _, err := f.mem.Stat(t.Context(), spare); !errors.Is(err, storage.ErrNotFound) {
		t.Errorf("a removed slot's second copy: %v", err)
	}
	slots, err := f.mem.List(t.Context(), "keyslots")
	if err != nil || len(slots) != 1 {
		t.Fatal(slots, err)
	}
	whole := contentOf(t, f.mem, slots[0].Name)
	replace(t, f.mem, slots[0].Name, whole[:len(whole)/2])
	f.wantAll()
	report, err := f.Verify(t.Context(), store.VerifyOptions{})
	if err != nil || len(report.Damage) != 1 || !strings.Contains(report.Damage[0].Problem, "spare/keyslots.") {
		t.Errorf("%+v, %v", report, err)
	}
	replace(t, f.mem, slots[0].Name, whole)
}

// TestManifestSpare: a kist.json that can't be read has a second copy that serves.
func TestManifestSpare(t *testing.T) {
	f := newParityFixture(t)
	whole := contentOf(t, f.mem, "kist.json")
	replace(t, f.mem, "kist.json", []byte("{\x00"))
	if got := f.wantAll().Mendable(); len(got) != 1 || got[0].Object != "kist.json" {
		t.Error(got)
	}
	replace(t, f.mem, "kist.json", whole)
}

// TestParityMoves: what moving, copying and sending put has parity, or has the one that it had.
func TestParityMoves(t *testing.T) {
	f := newParityFixture(t)
	ctx := t.Context()
	place := storage.NewMemory()
	other, err := store.CreateReplica(ctx, place, f.Repository, f.key, store.ReplicaOptions{Parity: 5})
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	infos, err := f.mem.List(ctx, "slabs")
	if err != nil {
		t.Fatal(err)
	}
	whole := map[string][]byte{}
	for _, info := range infos {
		whole[info.Name] = contentOf(t, f.mem, info.Name)
		if err := flip(ctx, f.mem, info, 150, 100); err != nil {
			t.Fatal(err)
		}
	}
	done, err := f.Replicate(ctx, other, store.ReplicateOptions{})
	if err != nil || !done.Complete() || len(done.Sent) != 3 {
		t.Fatalf("%+v, %v", done, err)
	}
	for name, b := range whole {
		if !bytes.Equal(contentOf(t, place, name), b) {
			t.Errorf("%s was copied as it is damaged", name)
		}
	}
	if report, err := other.Verify(ctx, store.VerifyOptions{Full: true}); err != nil || !report.OK || len(report.Notes) > 0 {
		t.Errorf("the copy: %+v, %v", report, err)
	}
	if n, err := other.Parity(ctx); n != 5 || err != nil {
		t.Error(n, err)
	}
	// Half of the first slab is not needed any more: the rest moves, out of slabs that are damaged.
	captures, err := f.Captures(ctx)
	if err != nil {
		t.Fatal(err)
	}
	delete(f.streams, captures[0].ID)
	if err := f.Retire(ctx, []string{captures[0].ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01}); err != nil {
		t.Fatal(err)
	}
	f.wantAll()
	if out, err := f.Repair(ctx, store.RepairOptions{}); err != nil || !out.Mended() {
		t.Fatalf("%+v, %v", out, err)
	}
	for _, name := range f.objects() {
		if !strings.HasPrefix(name, "slabs/") {
			continue
		}
		b := contentOf(t, f.mem, name)
		if _, had := whole[name]; !bytes.Contains(b, []byte("kist.par")) {
			t.Errorf("%s (there before: %t) has no parity", name, had)
		}
	}
	spares, err := f.mem.List(ctx, "spare")
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range spares {
		if strings.HasPrefix(s.Name, "spare/captures."+captures[0].ID) {
			t.Errorf("%s is left of a capture that is gone", s.Name)
		}
	}
}

// TestParityOff: without parity nothing of it is written, or asked for.
func TestParityOff(t *testing.T) {
	f := newFixture(t)
	in := tarOf(t, file{name: "catalogue", content: random(1, 100_000)})
	for _, percent := range []int{0, 3, 0} {
		if percent > 0 {
			if err := f.SetParity(t.Context(), percent, store.MarkOptions{}); err != nil {
				t.Fatal(err)
			}
		} else if n, _ := f.Parity(t.Context()); n > 0 {
			if err := f.SetParity(t.Context(), 0, store.MarkOptions{}); err != nil {
				t.Fatal(err)
			}
		}
		before, _ := f.mem.List(t.Context(), "spare")
		if _, err := f.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{stream(in)}}); err != nil {
			t.Fatal(err)
		}
		after, _ := f.mem.List(t.Context(), "spare")
		if added := len(after) - len(before); percent == 0 && added > 0 || percent > 0 && added != 2 {
			t.Errorf("at %d %%: %d second copies more", percent, added)
		}
	}
	if err := f.SetParity(t.Context(), store.MaxParity+1, store.MarkOptions{}); !errors.Is(err, store.ErrBadOptions) {
		t.Error(err)
	}
}

// TestCallsWithParity bounds what parity adds to the calls of an unchanged capture: the second copies of its index file and its
// table.
func TestCallsWithParity(t *testing.T) {
	g, cache := newGrowing(t), t.TempDir()
	if err := g.SetParity(t.Context(), 3, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	v := stream(tarOf(t, file{name: "catalogue", content: random(1, 300_000)}))
	most := 0
	for i := range 25 {
		_, calls := g.step(cache, v)
		spares := 0
		for _, c := range calls {
			if strings.Contains(c, " spare/") {
				spares++
			}
		}
		if i > 1 {
			most = max(most, len(calls))
		}
		if i > 1 && (len(calls) > maxCalls+3 || spares > 3) {
			t.Errorf("capture %d takes %d calls, %d of them for second copies:\n%s", i, len(calls), spares, strings.Join(calls, "\n"))
		}
	}
	t.Logf("at most %d calls", most)
}

// TestSpareIsNoCapture: a second copy of an index file whose first is gone is no capture.
func TestSpareIsNoCapture(t *testing.T) {
	f := newParityFixture(t)
	captures, err := f.Captures(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if err := f.mem.Remove(t.Context(), "captures/"+captures[2].ID); err != nil {
		t.Fatal(err)
	}
	delete(f.streams, captures[2].ID)
	f.wantAll()
	f.harmed = true // it is missed
}

// TestFaultsOfSpares: where second copies can't be put, captures are made all the same; verifying notes what is missing, and
// repairing puts it.
func TestFaultsOfSpares(t *testing.T) {
	f := newParityFixture(t)
	full := &withoutSpares{Storage: f.mem}
	r, err := store.Open(t.Context(), full, f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	in := tarOf(t, file{name: "labels", content: random(9, 5000)})
	c, err := r.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{stream(in)}})
	if err != nil || full.failed.Load() != 2 {
		t.Fatalf("%v, after %d faults", err, full.failed.Load())
	}
	f.streams[c.ID] = in
	f.wantAll()
	report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil || !report.OK || len(report.Notes) != 1 || !strings.Contains(report.Notes[0], "second copies that are missing: 2") {
		t.Errorf("%+v, %v", report, err)
	}
	if _, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil {
		t.Fatal(err)
	}
	if report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true}); err != nil || len(report.Notes) > 0 {
		t.Errorf("%+v, %v", report, err)
	}
}

// withoutSpares has no room for second copies.
type withoutSpares struct {
	storage.Storage
	failed atomic.Int32
}

func (w *withoutSpares) Put(ctx context.Context, name string, content io.Reader) error {
	if strings.HasPrefix(name, "spare/") {
		w.failed.Add(1)
		return errors.New("no room")
	}
	return w.Storage.Put(ctx, name, content)
}
