package store_test

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// edited gives a content of which one byte in so many is another, by the number of the edit.
func edited(b []byte, every int, edit byte) []byte {
	b = bytes.Clone(b)
	for at := int(edit) * 37; at < len(b); at += every {
		b[at] ^= edit
	}
	return b
}

// frames gives the frames of all slabs, by slab.
func (f *fixture) frames() map[string][]format.Frame {
	f.t.Helper()
	return framesIn(f.t, f.mem, f.Repository)
}

func framesIn(t testing.TB, st storage.Storage, r *store.Repository) map[string][]format.Frame {
	t.Helper()
	infos, err := st.List(t.Context(), names.Slabs)
	if err != nil {
		t.Fatal(err)
	}
	all := make(map[string][]format.Frame)
	for _, info := range infos {
		all[info.Name] = store.FramesOf(t, r, info.Name)
	}
	return all
}

// deepest gives the depth of the deepest frame, and how many frames stand on others.
func deepest(all map[string][]format.Frame) (depth, deltas int) {
	for _, frames := range all {
		for _, f := range frames {
			depth = max(depth, int(f.Depth))
			if f.Depth > 0 {
				deltas++
			}
		}
	}
	return depth, deltas
}

// mostTries is how many further repositories are made where one takes more than is expected: cuts differ by key, and of some hundred one
// has a stretch of chunks that find little of what they are like.
const mostTries = 2

func withDeltas(d store.Deltas) store.CreateOptions {
	return store.CreateOptions{ChunkAverage: 8192, Deltas: d}
}

// TestDeltas captures contents that are alike: they are stored as what differs, by the same capture or by the one before,
// come back as they were, and are read by all that reads.
func TestDeltas(t *testing.T) {
	first := random(1, 400_000)
	versions := [][]byte{first, edited(first, 5000, 1), edited(edited(first, 5000, 1), 5000, 2), edited(edited(first, 5000, 1), 4000, 3)}
	for _, test := range []struct {
		deltas store.Deltas
		most   int64 // of what all captures take, of the first version
		depth  int
	}{{store.DeltasOff, 5 * 400_000, 0}, {store.DeltasOwn, 5 * 400_000, 0}, {store.DeltasOn, 520_000, 2}} {
		t.Run(string(test.deltas), func(t *testing.T) {
			var f *fixture
			var captures []*store.Capture
			for tries := mostTries; ; tries-- {
				f, captures = newFixtureOf(t, withDeltas(test.deltas)), nil
				for _, v := range versions {
					captures = append(captures, f.capture(tarOf(t, file{name: "a", content: v})))
				}
				got := f.stored()
				if got > test.most && tries > 0 {
					continue
				}
				if got > test.most {
					t.Errorf("%d bytes are stored, at most %d expected", got, test.most)
				}
				break
			}
			if depth, _ := deepest(f.frames()); depth != test.depth {
				t.Errorf("frames stand on each other %d deep, not %d", depth, test.depth)
			}
			for i, c := range captures {
				if !bytes.Equal(f.restore(c), tarOf(t, file{name: "a", content: versions[i]})) {
					t.Errorf("version %d is another one", i)
				}
				_, content, err := f.OpenMember(t.Context(), &c.Volumes[0], "a")
				if err != nil {
					t.Fatal(err)
				}
				if got, err := io.ReadAll(content); err != nil || !bytes.Equal(got, versions[i]) {
					t.Errorf("member of version %d: %d bytes, %v", i, len(got), err)
				}
				content.Close()
			}
		})
	}
}

// TestOwnDeltas stores a content and another one that is alike in one capture.
func TestOwnDeltas(t *testing.T) {
	for _, d := range []store.Deltas{store.DeltasOff, store.DeltasOwn, store.DeltasOn} {
		f := newFixtureOf(t, withDeltas(d))
		a := random(1, 1_500_000) // longer than a frame that stands alone, which is compressed as a whole
		in := tarOf(t, file{name: "log", content: a}, file{name: "tree", content: edited(a, 5000, 1)})
		c := f.capture(in)
		if !bytes.Equal(f.restore(c), in) {
			t.Errorf("%q: the stream is another one", d)
		}
		if _, n := deepest(f.frames()); n > 0 != (d != store.DeltasOff) || f.stored() > 1_700_000 != (d == store.DeltasOff) {
			t.Errorf("%q: %d frames stand on others, %d bytes are stored", d, n, f.stored())
		}
	}
}

// TestSetDeltas changes it, for captures from then on; parity stays as it is.
func TestSetDeltas(t *testing.T) {
	f := newFixtureOf(t, store.CreateOptions{ChunkAverage: 8192, Parity: 3})
	a := random(1, 300_000)
	f.capture(tarOf(t, file{name: "a", content: a}))
	want := func(want store.Deltas, parity int) {
		t.Helper()
		r, err := store.Open(t.Context(), f.mem, f.key, store.OpenOptions{})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		for _, r := range []*store.Repository{r, f.Repository} {
			if d, err := r.Deltas(t.Context()); err != nil || d != want {
				t.Errorf("deltas %q, %v; want %q", d, err, want)
			}
			if n, err := r.Parity(t.Context()); err != nil || n != parity {
				t.Errorf("parity %d, %v; want %d", n, err, parity)
			}
		}
	}
	want(store.DeltasOff, 3)
	if err := f.SetDeltas(t.Context(), store.DeltasOn, store.MarkOptions{Host: "hazel"}); err != nil {
		t.Fatal(err)
	}
	want(store.DeltasOn, 3)
	f.capture(tarOf(t, file{name: "a", content: edited(a, 5000, 1)}))
	if _, n := deepest(f.frames()); n == 0 {
		t.Error("nothing stands on others since that is set")
	}
	if err := f.SetParity(t.Context(), 0, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	want(store.DeltasOn, 0)
	if err := f.SetDeltas(t.Context(), "otherwise", store.MarkOptions{}); !errors.Is(err, store.ErrBadOptions) {
		t.Errorf("deltas of an unknown kind: %v", err)
	}
	if _, err := store.Create(t.Context(), storage.NewMemory(), crypt.NewKeyFile(), store.CreateOptions{Deltas: store.DeltasOwn, Apart: store.ApartCompressed}); !errors.Is(err, store.ErrBadOptions) {
		t.Errorf("deltas of captures that are apart: %v", err)
	}
}

// chain is a fixture with captures each of which stands on the one before, and shares no chunk with it.
func chain(t *testing.T, n int) (f *fixture, captures []*store.Capture, streams [][]byte) {
	return chainOf(t, n, random(1, 300_000))
}

func chainOf(t *testing.T, n int, content []byte) (f *fixture, captures []*store.Capture, streams [][]byte) {
	f = newFixtureOf(t, withDeltas(store.DeltasOn))
	for i := range n {
		streams = append(streams, tarOf(t, file{name: "a", content: content}))
		c, err := f.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Taken: time.Now().Add(time.Duration(i-n) * time.Minute), Volumes: []store.VolumeInput{stream(streams[i])}})
		if err != nil {
			t.Fatal(err)
		}
		captures = append(captures, c)
		content = edited(content, 3000, byte(i+1))
	}
	return f, captures, streams
}

func (f *fixture) wantStream(c *store.Capture, want []byte) {
	f.t.Helper()
	found, err := f.Find(f.t.Context(), c.ID)
	if err != nil {
		f.t.Fatal(err)
	}
	if !bytes.Equal(f.restore(found), want) {
		f.t.Errorf("capture %s is another one", c.ID)
	}
}

// TestBasesStay reclaims a capture on whose slab others stand, and nothing else needs it: it stays as long as one of these
// does, and goes with the last.
func TestBasesStay(t *testing.T) {
	f, captures, streams := chain(t, 3)
	if depth, _ := deepest(f.frames()); depth != 2 {
		t.Fatalf("frames stand %d deep", depth)
	}
	f.retire(captures[0])
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 1})
	f.wantStream(captures[1], streams[1])
	f.wantStream(captures[2], streams[2])
	f.verify(t.Context())
	f.retire(captures[1])
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 1})
	f.wantStream(captures[2], streams[2])
	f.verify(t.Context())
	f.retire(captures[2])
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, AcceptUnexplained: true})
	if n := len(f.frames()); n > 0 {
		t.Errorf("%d slabs are left of nothing", n)
	}
}

// TestBasesOfLeftovers: an interrupted capture leaves a slab that stands on one which was announced long ago. That stays as
// long as the leftover does: the next capture relies on what it holds.
func TestBasesOfLeftovers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixtureOf(t, withDeltas(store.DeltasOn))
		content := random(1, 300_000)
		first := f.capture(tarOf(t, file{name: "a", content: content}))
		f.retire(first)
		f.reclaim(store.ReclaimOptions{AcceptUnexplained: true}) // announces its slab
		time.Sleep(7*24*time.Hour - time.Hour)
		edit := tarOf(t, file{name: "a", content: edited(content, 3000, 1)})
		again := f.capture(tarOf(t, file{name: "a", content: content})) // so that it is the one before
		f.retire(again)
		if _, err := f.Draft(t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{stream(edit)}}); err != nil {
			t.Fatal(err)
		}
		if _, n := deepest(f.frames()); n == 0 {
			t.Fatal("the leftover stands on nothing")
		}
		time.Sleep(7*24*time.Hour + 2*time.Hour)
		f.reclaim(store.ReclaimOptions{AcceptUnexplained: true})
		all := f.frames()
		for name, frames := range all {
			for _, frame := range frames {
				for _, b := range frame.Bases {
					if all[names.Slab(b.Slab)] == nil {
						t.Fatalf("%s is there, and what it stands on is not", name)
					}
				}
			}
		}
		f.wantStream(f.capture(edit), edit)
		f.Close()
	})
}

// TestBaseIsGone: where a slab is lost on which others stand, a writer relies on none of these frames.
func TestBaseIsGone(t *testing.T) {
	f, captures, streams := chain(t, 2)
	f.harmed = true
	for name, frames := range f.frames() {
		if !slices.ContainsFunc(frames, func(f format.Frame) bool { return f.Depth > 0 }) {
			if err := f.mem.Remove(t.Context(), name); err != nil {
				t.Fatal(err)
			}
		}
	}
	f.reopen()
	f.wantStream(f.capture(streams[1]), streams[1])
	if err := f.Restore(t.Context(), &captures[1].Volumes[0], io.Discard, store.RestoreOptions{}); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("restoring what stood on it: %v", err)
	}
}

// TestBasesGoTogether announces slabs at different times: one on which others stand that are still there is not removed
// before them, as a writer may rely on those.
func TestBasesGoTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f, captures, streams := chain(t, 2)
		f.retire(captures[0])
		time.Sleep(8 * 24 * time.Hour)
		f.reclaim(store.ReclaimOptions{})
		f.retire(captures[1])
		time.Sleep(4 * 24 * time.Hour)
		f.reclaim(store.ReclaimOptions{}) // announces both
		f.wantStream(captures[1], streams[1])
		if err := f.Reinstate(t.Context(), []string{captures[1].ID}, store.MarkOptions{}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(30 * 24 * time.Hour)
		f.reclaim(store.ReclaimOptions{})
		f.wantStream(captures[1], streams[1])
		f.Close()
	})
}

// TestMoveDeltas thins captures out that share much: what rests takes at most a tenth more than a fresh repository of the
// captures that stayed.
func TestMoveDeltas(t *testing.T) {
	oneByOne(t)
	f, fresh := newFixtureOf(t, withDeltas(store.DeltasOn)), newFixtureOf(t, withDeltas(store.DeltasOn))
	files := make([]file, 40)
	for i := range files {
		files[i] = file{name: fmt.Sprintf("a%02d", i), content: random(byte(i), 60_000)}
	}
	var captures []*store.Capture
	var streams [][]byte
	for n := range 12 {
		for i := range files {
			switch {
			case (i+n)%5 == 0:
				files[i].content = edited(files[i].content, 9000, byte(n+1))
			case (i+n)%13 == 0:
				files[i].content = random(byte(100+i+n), 60_000)
			}
		}
		streams = append(streams, tarOf(t, files...))
		captures = append(captures, f.capture(streams[n]))
	}
	var gone []*store.Capture
	for n, c := range captures {
		if n%4 != 3 {
			gone = append(gone, c)
			continue
		}
		fresh.capture(streams[n])
	}
	f.retire(gone...)
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
	for n, c := range captures {
		if n%4 == 3 {
			f.wantStream(c, streams[n])
		}
	}
	if got, want := f.stored(), fresh.stored(); got > want+want/10 {
		t.Errorf("%d bytes after reclaiming, %d of a fresh repository", got, want)
	}
	before := f.stored()
	if again := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace}); again.Moved > 0 || f.stored() > before {
		t.Errorf("reclaiming again moves %d slabs", again.Moved)
	}
}

// TestMovedStays moves chunks whose bases stay: they stand on those again, so that what was moved takes no more than before.
func TestMovedStays(t *testing.T) {
	f := newFixtureOf(t, withDeltas(store.DeltasOn))
	files := make([]file, 20)
	for i := range files {
		files[i] = file{name: fmt.Sprintf("a%02d", i), content: random(byte(i), 60_000)}
	}
	f.capture(tarOf(t, files...))
	for i := range files {
		files[i].content = edited(files[i].content, 9000, 1)
	}
	gone := f.capture(tarOf(t, files...))
	stream := tarOf(t, files[10:]...)
	last := f.capture(stream)
	before := f.stored()
	f.retire(gone)
	out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01})
	if out.Moved == 0 || f.stored() > before {
		t.Errorf("%d slabs moved, and of %d bytes there are %d", out.Moved, before, f.stored())
	}
	f.wantStream(last, stream)
}

// TestDeltaDamage damages a frame on which others stand: verifying names the captures of all of them, in each extent, and repairing heals
// them from the same content that is captured again.
func TestDeltaDamage(t *testing.T) {
	for _, gone := range []bool{false, true} {
		f, captures, streams := chain(t, 2)
		f.harmed = true
		infos, err := f.mem.List(t.Context(), names.Slabs)
		if err != nil {
			t.Fatal(err)
		}
		all := f.frames()
		i := slices.IndexFunc(infos, func(info storage.Info) bool {
			return !slices.ContainsFunc(all[info.Name], func(f format.Frame) bool { return f.Depth > 0 })
		})
		if gone {
			err = f.mem.Remove(t.Context(), infos[i].Name)
		} else {
			err = flip(t.Context(), f.mem, infos[i], 200, 9)
		}
		if err != nil {
			t.Fatal(err)
		}
		f.reopen()
		extents := []store.VerifyOptions{{Full: true}}
		if gone {
			extents = append(extents, store.VerifyOptions{})
		}
		for _, o := range extents {
			report, err := f.Verify(t.Context(), o)
			if err != nil {
				t.Fatal(err)
			}
			if len(report.Damage) != 1 || report.Damage[0].Object != infos[i].Name || report.Damage[0].Standing == 0 {
				t.Fatalf("gone: %v, full: %v: the slab is not named once, with what stands on it: %+v", gone, o.Full, report.Damage)
			}
			for _, c := range captures {
				if d := report.Damage[0]; !slices.Contains(d.Captures, c.ID) || !slices.ContainsFunc(d.Members, func(h store.Harmed) bool { return h.Capture == c.ID }) {
					t.Errorf("gone: %v, full: %v: capture %s is not named: %+v", gone, o.Full, c.ID, report.Damage)
				}
			}
			if again, err := f.Verify(t.Context(), o); err != nil || !reflect.DeepEqual(again, report) {
				t.Errorf("a second look says %+v, %v, and the first %+v", again, err, report)
			}
		}
		// Of a sample, what is read may stand on what was not.
		for range 20 {
			report, err := f.Verify(t.Context(), store.VerifyOptions{Sample: 0.5})
			if err != nil || len(report.Damage) > 1 || len(report.Damage) == 1 && report.Damage[0].Object != infos[i].Name {
				t.Fatalf("gone: %v, a sample: %+v, %v", gone, report, err)
			}
		}
		if out, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil || len(out.Lost) == 0 {
			t.Fatalf("%+v, %v", out, err)
		}
		for _, s := range streams {
			f.capture(s)
		}
		if out, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil || len(out.Lost) > 0 {
			t.Fatalf("%+v, %v", out, err)
		}
		for i, c := range captures {
			f.wantStream(c, streams[i])
		}
		f.verifyHealed()
	}
}

// TestDeltaDamageWithoutTable loses a slab on which others stand, two deep, and the table of the last one: verifying that
// capture alone finds it harmed all the same, as the slabs say themselves what they stand on.
func TestDeltaDamageWithoutTable(t *testing.T) {
	f, captures, _ := chain(t, 3)
	f.harmed = true
	if depth, _ := deepest(f.frames()); depth != 2 {
		t.Fatalf("frames stand %d deep", depth)
	}
	f.retire(captures[:2]...)
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 1}) // moves nothing
	for name, frames := range f.frames() {
		if standing := func(f format.Frame) bool { return f.Depth > 0 }; !slices.ContainsFunc(frames, standing) {
			if err := f.mem.Remove(t.Context(), name); err != nil {
				t.Fatal(err)
			}
		}
	}
	tables, err := f.mem.List(t.Context(), names.Tables)
	if err != nil {
		t.Fatal(err)
	}
	for _, info := range tables {
		if err := f.mem.Remove(t.Context(), info.Name); err != nil {
			t.Fatal(err)
		}
	}
	f.reopen()
	harming := func(full bool) (n int) {
		report, err := f.Verify(t.Context(), store.VerifyOptions{Full: full, Captures: []string{captures[2].ID}})
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range report.Damage {
			if slices.Contains(d.Captures, captures[2].ID) {
				n++
			}
		}
		return n
	}
	if quick, full := harming(false), harming(true); quick == 0 || quick != full {
		t.Errorf("%d places are named, and %d where every frame is opened", quick, full)
	}
}

// verifyHealed reports damage that harms a capture.
func (f *fixture) verifyHealed() {
	f.t.Helper()
	report, err := f.Verify(f.t.Context(), store.VerifyOptions{Full: true})
	if err != nil {
		f.t.Fatal(err)
	}
	for _, d := range report.Damage {
		if len(d.Captures) > 0 {
			f.t.Errorf("%+v", d)
		}
	}
}

// TestReplicateDeltas copies one capture to another place: what it stands on comes with it, and comes back from there
// when it is lost.
func TestReplicateDeltas(t *testing.T) {
	f, captures, streams := chain(t, 3)
	f.harmed = true
	mem, key := storage.NewMemory(), crypt.NewKeyFile()
	to, err := store.CreateReplica(t.Context(), mem, f.Repository, key, store.ReplicaOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer to.Close()
	f.retire(captures[:2]...)
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 1}) // moves nothing
	if captures[2], err = f.Find(t.Context(), captures[2].ID); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Replicate(t.Context(), to, store.ReplicateOptions{Captures: []string{captures[2].ID}}); err != nil {
		t.Fatal(err)
	}
	there := &fixture{t: t, mem: mem, key: key, Repository: to}
	there.wantStream(captures[2], streams[2])
	there.verify(t.Context())
	if n := len(there.frames()); n != 3 {
		t.Errorf("%d slabs came for one capture that stands on two others", n)
	}
	infos, err := f.mem.List(t.Context(), names.Slabs)
	if err != nil {
		t.Fatal(err)
	}
	for _, info := range infos {
		if err := f.mem.Remove(t.Context(), info.Name); err != nil {
			t.Fatal(err)
		}
	}
	f.reopen()
	if out, err := f.Repair(t.Context(), store.RepairOptions{From: to}); err != nil || len(out.PutBack) != 3 {
		t.Fatalf("%+v, %v", out, err)
	}
	f.reopen()
	f.wantStream(captures[2], streams[2])
}

// TestUsageOfDeltas: what a capture stands on counts as what it needs.
func TestUsageOfDeltas(t *testing.T) {
	f, captures, _ := chain(t, 2)
	u, err := f.Usage(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if n := u.Captures[1].Holds; n < 300_000 {
		t.Errorf("the second capture needs %d bytes, without what it stands on", n)
	}
	freed, err := f.FreedBy(t.Context(), []string{captures[0].ID})
	// Nearly all chunks find what they are like, by cuts that differ by key: what a few do not stand on comes free.
	if err != nil || freed.Bytes > 150_000 {
		t.Errorf("without the first capture %+v comes free, %v: the second one stands on it", freed, err)
	}
}

// TestUsageAddsUp: of what captures take, each byte of their frames counts once, as part of what saved something or of what it
// cost. Frames are read from the slabs, which knows nothing of the tables that usage goes by.
func TestUsageAddsUp(t *testing.T) {
	for what, make := range map[string]func() *fixture{
		"versions": func() *fixture { f, _, _ := chain(t, 4); return f },
		"first of them is gone": func() *fixture {
			f, captures, _ := chain(t, 4)
			f.retire(captures[0])
			return f
		},
		"random and small": func() *fixture {
			f := newFixtureOf(t, withDeltas(store.DeltasOn))
			f.capture(tarOf(t, file{name: "a", content: random(1, 300)}))
			return f
		},
		"compressible": func() *fixture {
			f := newFixtureOf(t, withDeltas(store.DeltasOwn))
			f.capture(tarOf(t, file{name: "a", content: bytes.Repeat([]byte("bean seed, "), 30_000)}))
			return f
		},
		"name beside the one it is like": func() *fixture {
			f, _, streams := chain(t, 3)
			if _, err := f.Capture(t.Context(), store.CaptureOptions{Name: "orchard", Volumes: []store.VolumeInput{stream(streams[1])}}); err != nil {
				t.Fatal(err)
			}
			return f
		},
	} {
		f := make()
		u := f.usage()
		var sealed, deltas, lengths int64
		for _, frames := range f.frames() {
			for _, frame := range frames {
				if frame.Padding {
					continue
				}
				sealed += int64(frame.Sealed)
				if frame.Depth > 0 {
					deltas += int64(frame.Sealed)
					lengths += int64(frame.Raw())
				}
			}
		}
		indexes := int64(0)
		infos, err := f.mem.List(t.Context(), names.Captures)
		if err != nil {
			t.Fatal(err)
		}
		for _, info := range infos {
			if _, _, err := names.ParseCapture(info.Name); err == nil {
				indexes += info.Size
			}
		}
		if got := u.Total.Stored + u.Reclaimable; got != sealed+indexes {
			t.Errorf("%s: %d bytes are stored, and the frames and index files have %d", what, got, sealed+indexes)
		}
		// Random content takes its length, and what sealing adds.
		if saved := lengths - deltas; u.Reclaimable == 0 && what == "versions" && (u.Total.Deltas < saved*99/100 || u.Total.Deltas > saved*101/100) {
			t.Errorf("%s: deltas saved %d, and their frames say %d", what, u.Total.Deltas, saved)
		}
		costs := []store.Cost{u.Total}
		for _, n := range u.Names {
			costs = append(costs, n.Cost)
		}
		for _, c := range costs {
			if c.Saved != c.Captured-c.Stored || c.Saved != c.Deduplication+c.Deltas+c.Compression-c.Overhead {
				t.Errorf("%s: the parts do not add up: %+v", what, c)
			}
			if min(c.Deduplication, c.Deltas, c.Compression, c.Overhead) < 0 {
				t.Errorf("%s: a part is below 0: %+v", what, c)
			}
		}
		if u.Total.Deltas > 0 != (what != "random and small" && what != "compressible") {
			t.Errorf("%s: deltas saved %d", what, u.Total.Deltas)
		}
	}
}

// TestUsageOfCompressible: what deltas are said to save of contents that get shorter by compression, too, is what the same
// captures take more without deltas, whatever else lies beside them.
func TestUsageOfCompressible(t *testing.T) {
	usage := func(deltas store.Deltas) *store.Usage {
		f := newFixtureOf(t, withDeltas(deltas))
		defer f.Close()
		captured := func(name string, b []byte, minutes int) {
			taken := time.Now().Add(time.Duration(minutes) * time.Minute)
			if _, err := f.Capture(t.Context(), store.CaptureOptions{Name: name, Taken: taken, Volumes: []store.VolumeInput{stream(b)}}); err != nil {
				t.Fatal(err)
			}
		}
		captured("orchard", tarOf(t, file{name: "b", content: random(2, 1_500_000)}), -5) // takes its length
		content := []byte(hex.EncodeToString(random(1, 200_000)))
		for i := range 4 {
			captured("seedbank", tarOf(t, file{name: "a", content: content}), i-4)
			content = edited(content, 3000, byte(i+1))
		}
		return f.usage()
	}
	on, off := usage(store.DeltasOn), usage(store.DeltasOff)
	want := off.Total.Stored - on.Total.Stored
	if got := on.Total.Deltas; got < want*9/10 || got > want*11/10 {
		t.Errorf("deltas are said to save %d bytes, and without them it takes %d more", got, want)
	}
	if on.Total.Deltas < 200_000 {
		t.Errorf("deltas are said to save %d bytes of 1,200,000 that are alike", on.Total.Deltas)
	}
}

// TestUsageOfMissingBase: what a missing base stands on is not said to come free. Where cuts fall so that the last capture has
// chunks of the missing slab itself, that is damage.
func TestUsageOfMissingBase(t *testing.T) {
	for range 20 {
		f, captures, _ := chain(t, 3)
		f.harmed = true
		f.retire(captures[:2]...)
		for name, frames := range f.frames() {
			if depth, _ := deepest(map[string][]format.Frame{name: frames}); depth == 1 {
				if err := f.mem.Remove(t.Context(), name); err != nil {
					t.Fatal(err)
				}
			}
		}
		f.reopen()
		u, err := f.Usage(t.Context())
		if errors.Is(err, store.ErrDamaged) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		// That is 300,000 bytes; what found nothing it is like, by cuts that differ by key, comes free.
		if u.Reclaimable > 150_000 {
			t.Errorf("%d bytes are said to come free, with the base of all", u.Reclaimable)
		}
		return
	}
	t.Error("each last capture has chunks of the missing slab")
}

// TestDeltasAreRequired: who does not know them must not take a capture that has some for one that has none.
func TestDeltasAreRequired(t *testing.T) {
	f, captures, _ := chain(t, 2)
	for i, want := range []bool{false, true} {
		if got := store.RecordOf(captures[i]).Deltas; got != want {
			t.Errorf("capture %d needs bases: %v", i, got)
		}
	}
	// One that only relies on what is there does, too.
	again := f.capture(f.restore(captures[1]))
	if !store.RecordOf(again).Deltas {
		t.Error("a capture that needs no other slab needs no bases")
	}
}

// TestMissingSlabKeepsBases reclaims while a slab is missing that a capture needs: what it stands on stays until it is back,
// also in a later run, and where no table tells what that is, all does.
func TestMissingSlabKeepsBases(t *testing.T) {
	for _, missing := range []string{"last", "middle", "both", "last and tables"} {
		t.Run(missing, func(t *testing.T) {
			f, captures, streams := chain(t, 3)
			f.harmed = true
			f.retire(captures[:2]...)
			away := make(map[string][]byte)
			take := func(name string) {
				away[name] = f.object(name)
				if err := f.mem.Remove(t.Context(), name); err != nil {
					t.Fatal(err)
				}
			}
			for name, frames := range f.frames() {
				depth, _ := deepest(map[string][]format.Frame{name: frames})
				if depth == 2 && missing != "middle" || depth == 1 && (missing == "middle" || missing == "both") {
					take(name)
				}
			}
			if missing == "last and tables" {
				tables, err := f.mem.List(t.Context(), names.Tables)
				if err != nil {
					t.Fatal(err)
				}
				for _, info := range tables {
					take(info.Name)
				}
			}
			f.reopen()
			for range 2 {
				plan := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01, DryRun: true})
				out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01})
				if out.Slabs > 0 || out.Moved > 0 || plan.Slabs > 0 || plan.Moved > 0 {
					t.Errorf("slabs go on which a missing one stands: planned %+v, done %+v", plan, out)
				}
				for _, notes := range [][]string{plan.Notes, out.Notes} {
					told := len(notes) == 1 && strings.Contains(notes[0], "is missing") && strings.Contains(notes[0], "so none is freed") && away[strings.Fields(notes[0])[0]] != nil
					if told != (missing == "last and tables") {
						t.Errorf("%s is missing: it is said why nothing goes: %v: %q", missing, told, notes)
					}
				}
			}
			if missing != "last and tables" { // what tables say is still known
				f.retire(f.capture(random(200, 50_000)))
				if out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace}); out.Slabs != 1 {
					t.Errorf("%d slabs went that nothing needs, not 1", out.Slabs)
				}
			}
			for name, b := range away {
				if err := f.mem.Put(t.Context(), name, bytes.NewReader(b)); err != nil {
					t.Fatal(err)
				}
			}
			f.reopen()
			f.wantStream(captures[2], streams[2])
			f.retire(captures[2])
			f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, AcceptUnexplained: true})
			if n := len(f.frames()); n > 0 {
				t.Errorf("%d slabs are left of nothing", n)
			}
		})
	}
}

// TestReclaimHealedBase reclaims after a base was healed from another place: what stood on it is moved only where that frees
// something, and a dry run says what is written.
func TestReclaimHealedBase(t *testing.T) {
	f, captures, streams := chainOf(t, 3, random(1, 3_000_000))
	f.harmed = true
	to, err := store.CreateReplica(t.Context(), storage.NewMemory(), f.Repository, crypt.NewKeyFile(), store.ReplicaOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer to.Close()
	if _, err := f.Replicate(t.Context(), to, store.ReplicateOptions{}); err != nil {
		t.Fatal(err)
	}
	for name, frames := range f.frames() {
		if depth, _ := deepest(map[string][]format.Frame{name: frames}); depth == 0 {
			b := f.object(name)
			b[len(b)/3] ^= 1
			f.replace(name, b)
		}
	}
	f.reopen()
	if out, err := f.Repair(t.Context(), store.RepairOptions{From: to}); err != nil || len(out.Lost) > 0 {
		t.Fatalf("%+v, %v", out, err)
	}
	before := f.stored()
	for range 3 {
		plan := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, DryRun: true})
		out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
		if out.Written > 2*plan.Written {
			t.Errorf("%d bytes were written, %d planned", out.Written, plan.Written)
		}
	}
	if after := f.stored(); after > before {
		t.Errorf("%d bytes before reclaiming, %d after", before, after)
	}
	report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil || !report.OK {
		t.Fatalf("%+v, %v", report, err)
	}
	if notes := strings.Join(report.Notes, "\n"); !strings.Contains(notes, "slabs that captures need stand on it") || strings.Contains(notes, "more: reclaiming frees it") {
		t.Errorf("of a harmed base it is noted %q", notes)
	}
	for i, c := range captures {
		f.wantStream(c, streams[i])
	}
	// Asked for, all that is harmed is freed, level by level, and then nothing more moves.
	for range format.MaxDepth + 1 {
		f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01})
	}
	if out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01}); out.Moved+out.Slabs > 0 {
		t.Errorf("asked for again and again: %+v", out)
	}
	if after := f.stored(); after > before {
		t.Errorf("%d bytes before what is harmed was freed, %d after", before, after)
	}
	if report, err = f.Verify(t.Context(), store.VerifyOptions{Full: true}); err != nil || !report.OK || len(report.Notes) > 0 {
		t.Errorf("in the end: %+v, %v", report, err)
	}
	for i, c := range captures {
		f.wantStream(c, streams[i])
	}
}

// TestDeltasOfRenamed: a volume that is named for the version of its tarball is said by what it was under the name before.
func TestDeltasOfRenamed(t *testing.T) {
	a := random(1, 200_000)
	for _, test := range []struct {
		what          string
		before, after []string // names of volumes; the first is that of a
		alike         bool
	}{
		{"the only one", []string{"catalogue-1.2"}, []string{"beds"}, true},
		{"digits", []string{"catalogue-1.2", "seeds"}, []string{"catalogue-1.10", "seeds"}, true},
		{"another name", []string{"catalogue-1.2", "seeds"}, []string{"beds-1.3", "seeds"}, false},
		{"the name of another one", []string{"seeds-1", "catalogue"}, []string{"seeds-2", "seeds-1"}, false},
	} {
		f := newFixtureOf(t, withDeltas(store.DeltasOn))
		capture := func(names []string, content []byte) *store.Capture {
			var volumes []store.VolumeInput
			for i, name := range names {
				b := tarOf(t, file{name: "a", content: content})
				if i > 0 {
					b = tarOf(t, file{name: "b", content: random(7, 500)})
				}
				v := stream(b)
				v.Name = name
				volumes = append(volumes, v)
			}
			c, err := f.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: volumes})
			if err != nil {
				t.Fatal(err)
			}
			return c
		}
		capture(test.before, a)
		if c := capture(test.after, edited(a, 3000, 1)); c.Added < 100_000 != test.alike {
			t.Errorf("%s: %d bytes were added", test.what, c.Added)
		}
	}
}

// standingOn gives how many frames stand on one at the most, by any way.
func (f *fixture) standingOn() (most int) {
	type place struct {
		slab  format.SlabID
		frame int
	}
	slabs, count := make(map[format.SlabID][]format.Frame), make(map[place]map[place]bool)
	for name, frames := range f.frames() {
		id, err := names.ParseSlab(name)
		if err != nil {
			f.t.Fatal(err)
		}
		slabs[id] = frames
	}
	placeOf := func(b format.Base) place {
		n := uint32(0)
		i := slices.IndexFunc(slabs[b.Slab], func(f format.Frame) bool { n += uint32(len(f.Chunks)); return b.First < n })
		return place{b.Slab, i}
	}
	var mark func(by place, bases []format.Base)
	mark = func(by place, bases []format.Base) {
		for _, b := range bases {
			on := placeOf(b)
			if count[on] == nil {
				count[on] = make(map[place]bool)
			}
			count[on][by] = true
			most = max(most, len(count[on]))
			mark(by, slabs[on.slab][on.frame].Bases)
		}
	}
	for id, frames := range slabs {
		for i := range frames {
			mark(place{id, i}, frames[i].Bases)
		}
	}
	return most
}

// TestStandingIsBounded captures versions of one content that are all alike the first ones: in the end they are stored as they
// are once more, so that one damaged frame does not harm all of them; also by a machine that goes by tables of its own mostly.
func TestStandingIsBounded(t *testing.T) {
	oneByOne(t)
	for _, test := range []struct {
		machine     string
		least, most int
	}{{"that knows nothing", 80, 128}, {"that has copies of tables", 48, 128}} {
		t.Run(test.machine, func(t *testing.T) {
			got := 0
			for tries := mostTries; tries >= 0 && got < test.least; tries-- { // by some keys cuts fall so that several are stood on in turn
				synctest.Test(t, func(t *testing.T) {
					f := newFixtureOf(t, withDeltas(store.DeltasOn))
					defer f.Close()
					if test.least == 48 {
						f.reopenWith(store.OpenOptions{Cache: privateDir(t), State: privateDir(t)})
					}
					for i := range 140 {
						f.capture(tarOf(t, file{name: "a", content: edited(random(1, 20_000), 4000, byte(i+1))}))
						time.Sleep(time.Minute)
					}
					if got = f.standingOn(); got > test.most {
						t.Errorf("%d frames stand on one: at most %d may", got, test.most)
					}
					if f.stored() > 1_800_000 { // without deltas it is 2,800,000; by most keys 400,000
						t.Errorf("%d bytes are stored", f.stored())
					}
				})
			}
			if got < test.least {
				t.Errorf("%d frames stand on one, where nearly %d would", got, test.most)
			}
		})
	}
}

// TestBaseIsBack repairs while a base is missing, and again once it is back: captures rely on what stands on it as before.
func TestBaseIsBack(t *testing.T) {
	f, captures, streams := chain(t, 2)
	f.harmed = true
	i := slices.IndexFunc(f.list(names.Slabs), func(info storage.Info) bool {
		return !slices.ContainsFunc(f.frames()[info.Name], func(f format.Frame) bool { return f.Depth > 0 })
	})
	base := f.list(names.Slabs)[i].Name
	away := f.object(base)
	f.remove(base)
	f.reopen()
	if out, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil || len(out.Lost) == 0 || len(f.list("condemned")) != 1 {
		t.Fatalf("%+v, %v", out, err)
	}
	if err := f.mem.Put(t.Context(), base, bytes.NewReader(away)); err != nil {
		t.Fatal(err)
	}
	f.reopen()
	if out, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil || len(out.Lost) > 0 {
		t.Fatalf("%+v, %v", out, err)
	}
	for i, c := range captures {
		f.wantStream(c, streams[i])
		again := f.capture(streams[i])
		if again.Added > 4_000 {
			t.Errorf("%d bytes of what is there were stored once more", again.Added)
		}
	}
	if left := f.list("condemned"); len(left) > 0 {
		t.Errorf("marks are left of what is whole: %v", left)
	}
}
