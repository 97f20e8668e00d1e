package store_test

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// locking is a storage that refuses to remove some objects.
type locking struct {
	*storage.Memory
	locked func(storage.Info) bool
}

func (l *locking) Remove(ctx context.Context, name string) error {
	if info, err := l.Stat(ctx, name); err == nil && l.locked != nil && l.locked(info) {
		return &storage.Error{Op: "remove", Name: name, Err: fs.ErrPermission}
	}
	return l.Memory.Remove(ctx, name)
}

// locks gives objects that are locked: all of some folders, or each for some days that only its name and a seed tell.
func locks() map[string]func(storage.Info) bool {
	all := map[string]func(storage.Info) bool{"all": func(storage.Info) bool { return true }}
	for _, folder := range []string{"slabs", "captures", "tables", "leases", "condemned", "retired", "bundles"} {
		all[folder] = func(info storage.Info) bool { return strings.HasPrefix(info.Name, folder+"/") }
	}
	all["later generations"] = func(info storage.Info) bool {
		return strings.HasPrefix(info.Name, "captures/") && strings.Contains(info.Name, ".")
	}
	all["first generations"] = func(info storage.Info) bool {
		return strings.HasPrefix(info.Name, "captures/") && !strings.Contains(info.Name, ".")
	}
	for seed := range 3 {
		all[fmt.Sprint("some days, ", seed)] = func(info storage.Info) bool {
			days := crc32.ChecksumIEEE(fmt.Append(nil, seed, info.Name)) % 40
			return time.Since(info.Modified) < time.Duration(days)*24*time.Hour
		}
	}
	return all
}

// changing is a small tree, of which much is alike from version to version, and some files stay or come back.
func changing(t *testing.T, version int) []byte {
	var files []file
	for i := range 8 {
		content := random(byte(i), 30_000)
		if i < 5 {
			copy(content[1000*i:], random(byte(100+(version+i)%7), 3000))
		}
		files = append(files, file{name: string(rune('a' + i)), content: content})
	}
	return tarOf(t, files...)
}

// TestReclaimLocked: whatever can't be removed for a time, nothing is harmed, the rest is freed, what is captured meanwhile is whole,
// and once it can be, all is freed as if nothing had been locked.
func TestReclaimLocked(t *testing.T) {
	for name, locked := range locks() {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { reclaimLocked(t, name, locked) })
		})
	}
}

func reclaimLocked(t *testing.T, name string, locked func(storage.Info) bool) {
	f := newFixtureOf(t, store.CreateOptions{Deltas: store.DeltasOn, ChunkAverage: 8192, Grace: 24 * time.Hour})
	defer f.Close()
	medium := f.lock()
	streams := make(map[string][]byte)
	var captures []*store.Capture
	capture := func() {
		in := changing(t, len(captures))
		c := f.capture(in)
		captures, streams[c.ID] = append(captures, c), in
	}
	check := func() {
		t.Helper()
		f.verify(t.Context())
		all, err := f.Captures(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range all {
			if !bytes.Equal(f.restore(c), streams[c.ID]) {
				t.Errorf("%s restores to something else", c.ID)
			}
		}
	}
	for range 4 {
		capture()
		time.Sleep(24 * time.Hour)
	}
	medium.locked = locked
	objects := 0
	for day := range 12 {
		capture()
		if day%3 != 0 {
			f.retire(captures[day])
		}
		out, err := f.Reclaim(t.Context(), store.ReclaimOptions{})
		if err != nil && (!errors.Is(err, fs.ErrPermission) || out.RefusedBytes == 0 || out.Freed > 0) {
			t.Fatalf("day %d: %v, %+v", day, err, out)
		}
		check()
		infos, _ := f.mem.List(t.Context(), "tables")
		bundles, _ := f.mem.List(t.Context(), "bundles")
		objects = len(infos) + len(bundles)
		time.Sleep(24 * time.Hour)
	}
	for range 10 { // nothing piles up while nothing comes
		f.Reclaim(t.Context(), store.ReclaimOptions{})
		time.Sleep(time.Hour)
	}
	infos, _ := f.mem.List(t.Context(), "tables")
	bundles, _ := f.mem.List(t.Context(), "bundles")
	if n := len(infos) + len(bundles); n > objects+4 { // one for each of what the first of them freed
		t.Errorf("%d tables and bundles, and %d before further runs", n, objects)
	}
	check()
	// What goes stays named, so that nobody relies on it; and so it does beside a dead lease, whose writer has to find one of both.
	if stays := name == "slabs" || name == "captures" || name == "leases"; stays && !f.anyFinal() {
		t.Error("nothing is named finally any more")
	}

	medium.locked = nil
	for range 4 {
		time.Sleep(25 * time.Hour)
		if out := f.reclaim(store.ReclaimOptions{}); out.Refused > 0 {
			t.Errorf("refused: %+v", out)
		}
	}
	check()
	f.expectNoMarks("leases", "retired")
	if f.anyFinal() {
		t.Error("something is still named finally")
	}
	all, err := f.Captures(t.Context())
	if err != nil || len(all) != 8 {
		t.Errorf("%d captures, %v; want 8", len(all), err)
	}
	for i, c := range captures {
		_, err := f.Find(t.Context(), c.ID)
		if goes := i < 12 && i%3 != 0; goes != errors.Is(err, store.ErrNotFound) || !goes && err != nil {
			t.Errorf("capture %d: %v", i, err)
		}
	}
}

// TestToDeltasUnremovable: where nothing can be removed, nothing is put that would only come on top, neither what is
// stored anew nor rests that are moved, and it fails after the waits that one removal takes (FORMAT.md, section 10), and says before them
// that it may. Where something can be removed, storing anew goes on, and waits no more for what stays.
func TestToDeltasUnremovable(t *testing.T) {
	all := func(storage.Info) bool { return true }
	slabs := func(info storage.Info) bool { return strings.HasPrefix(info.Name, "slabs/") }
	for name, test := range map[string]struct {
		locked func(storage.Info) bool
		retire bool
		grace  time.Duration
		fails  bool
		anew   int // slabs; below 0: all
		waits  time.Duration
	}{
		"nothing":                   {all, true, 0, true, 0, 3 * time.Minute},
		"nothing, at once":          {all, true, store.NoGrace, true, 0, 0},
		"nothing of what was there": {all, false, store.NoGrace, true, 0, 0},
		"no slabs":                  {slabs, true, 0, false, -1, 3 * time.Minute},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFixtureOf(t, store.CreateOptions{Deltas: store.DeltasOff, ChunkAverage: 8192, Grace: 24 * time.Hour})
				defer f.Close()
				for i := range 3 {
					f.capture(changing(t, i))
				}
				rests, goes := f.capture(slices.Concat(changing(t, 3), random(51, 100_000))), f.capture(random(50, 300_000))
				f.capture(changing(t, 3))
				f.setDeltas(store.DeltasOn)
				if test.retire {
					f.retire(goes, rests)
					f.reclaim(store.ReclaimOptions{}) // announces
				}
				time.Sleep(25 * time.Hour)
				f.lock().locked = test.locked
				o := store.ReclaimOptions{Grace: test.grace, ToDeltas: &store.ToDeltasOptions{Batch: 1}}
				var waited time.Duration
				o.Waiting = func(d time.Duration) { waited += d }
				told := 0
				o.CantRemove = func() {
					if told++; waited > 0 {
						t.Error("it waits before it tells")
					}
				}
				out, err := f.Reclaim(t.Context(), o)
				if want := test.fails && test.waits > 0; want != (told > 0) || told > 1 {
					t.Errorf("told %d times that nothing can be removed; wanted: %v", told, want)
				}
				if test.fails != errors.Is(err, fs.ErrPermission) {
					t.Errorf("%v; refused: %v wanted", err, test.fails)
				}
				anew := cmp.Or(out.ToDeltas, &store.ToDeltas{})
				switch {
				case test.anew < 0 && (anew.Slabs < 4 || anew.Left > 0):
					t.Errorf("%+v was stored anew, want all", anew)
				case test.anew >= 0 && (anew.Slabs != test.anew || out.Moved != test.anew):
					t.Errorf("%d slabs were stored anew, and of %d the rest moved; want %d and 0", anew.Slabs, out.Moved-anew.Slabs, test.anew)
				}
				if waited > test.waits+5*time.Second {
					t.Errorf("it waited %v, want %v", waited, test.waits)
				}
			})
		})
	}
}

// TestNothingAnewUnremovable: who may remove nothing fails at storing anew only where something is to be.
func TestNothingAnewUnremovable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixtureOf(t, withDeltas(store.DeltasOff))
		defer f.Close()
		f.capture(changing(t, 0))
		f.setDeltas(store.DeltasOn)
		medium := f.lock()
		for _, anew := range []bool{true, false} {
			if !anew {
				medium.locked = nil
				f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, ToDeltas: &store.ToDeltasOptions{}})
			}
			medium.locked = func(storage.Info) bool { return true }
			begun := false
			out, err := f.Reclaim(t.Context(), store.ReclaimOptions{ToDeltas: &store.ToDeltasOptions{Begin: func(int, int64) { begun = true }}})
			if anew != errors.Is(err, fs.ErrPermission) || !anew && err != nil || out.ToDeltas.Slabs > 0 || anew != (out.ToDeltas.Left > 0) || begun {
				t.Errorf("something is to be stored anew: %v; %+v, %v; begun: %v", anew, out.ToDeltas, err, begun)
			}
			time.Sleep(time.Hour) // what stays of its lease is dead then
		}
	})
}

// TestRestsUnremovable: where nothing of what is to go can be removed, no rests are moved, run after run; and who can't remove the leases
// of those before waits for nothing more.
func TestRestsUnremovable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixtureOf(t, store.CreateOptions{Deltas: store.DeltasOff, ChunkAverage: 8192, Grace: 24 * time.Hour})
		defer f.Close()
		stays := file{name: "a", content: random(1, 100_000)}
		rests := f.capture(tarOf(t, stays, file{name: "b", content: random(2, 300_000)}))
		goes := f.capture(random(3, 300_000))
		f.capture(tarOf(t, stays))
		f.retire(rests, goes)
		f.reclaim(store.ReclaimOptions{}) // announces
		time.Sleep(25 * time.Hour)
		medium := f.lock()
		medium.locked = func(info storage.Info) bool { return strings.HasPrefix(info.Name, "slabs/") }
		if out := f.reclaim(store.ReclaimOptions{MinDead: 1}); len(out.Captures) != 2 || out.Slabs > 0 {
			t.Fatalf("%+v", out)
		}
		medium.locked = func(storage.Info) bool { return true }
		for range 3 {
			time.Sleep(time.Hour)
			var waited time.Duration
			out, err := f.Reclaim(t.Context(), store.ReclaimOptions{Waiting: func(d time.Duration) { waited += d }})
			if !errors.Is(err, fs.ErrPermission) || out.Moved > 0 || out.Written > 0 || waited > time.Minute {
				t.Errorf("%+v, %v; waited %v", out, err, waited)
			}
		}
		medium.locked = nil
		time.Sleep(time.Hour)
		if out := f.reclaim(store.ReclaimOptions{}); out.Slabs == 0 || out.Moved == 0 {
			t.Errorf("once it can: %+v", out)
		}
	})
}

// TestRestsBesideLocked: one slab that can't be removed keeps no others from being moved, though nothing else is to go at first.
func TestRestsBesideLocked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixtureOf(t, store.CreateOptions{Deltas: store.DeltasOff, ChunkAverage: 8192, Grace: 24 * time.Hour})
		defer f.Close()
		stays := file{name: "a", content: random(1, 100_000)}
		goes := f.capture(random(3, 300_000))
		there, err := f.mem.List(t.Context(), "slabs")
		if err != nil {
			t.Fatal(err)
		}
		rests := f.capture(tarOf(t, stays, file{name: "b", content: random(2, 300_000)}))
		f.capture(tarOf(t, stays))
		f.retire(rests, goes)
		f.reclaim(store.ReclaimOptions{MinDead: 1})
		time.Sleep(25 * time.Hour)
		f.lock().locked = func(info storage.Info) bool {
			return slices.ContainsFunc(there, func(i storage.Info) bool { return i.Name == info.Name })
		}
		f.reclaim(store.ReclaimOptions{MinDead: 1})
		moved, freed := 0, int64(0)
		for range 3 {
			time.Sleep(48 * time.Hour)
			out, err := f.Reclaim(t.Context(), store.ReclaimOptions{})
			if out == nil {
				t.Fatal(err)
			}
			moved, freed = moved+out.Moved, freed+out.Freed
		}
		if moved == 0 || freed < 250_000 {
			t.Errorf("%d slabs were moved, %d bytes came free", moved, freed)
		}
	})
}

// TestLeaseThatStays: who could not remove its lease, though it is done, holds up others until that lapses, which they are told, and no longer.
func TestLeaseThatStays(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixtureOf(t, store.CreateOptions{Deltas: store.DeltasOff, ChunkAverage: 8192, Grace: 24 * time.Hour})
		defer f.Close()
		medium := f.lock()
		medium.locked = func(storage.Info) bool { return true }
		if out := f.reclaim(store.ReclaimOptions{}); len(out.Notes) != 1 || !strings.Contains(out.Notes[0], "others wait for it") {
			t.Errorf("%+v", out)
		}
		medium.locked = nil
		reclaim := func() error {
			_, err := f.Reclaim(t.Context(), store.ReclaimOptions{})
			return err
		}
		busy, ok := errors.AsType[*store.BusyError](reclaim())
		if !ok {
			t.Fatal("a lease that stays is not seen")
		}
		lapses := busy.Writer.Lapses()
		if in := time.Until(lapses); in < 29*time.Minute || in > 31*time.Minute { // FORMAT.md, section 10
			t.Errorf("it lapses in %v", in)
		}
		time.Sleep(time.Until(lapses) - time.Minute)
		if err := reclaim(); !errors.Is(err, store.ErrBusy) {
			t.Errorf("a minute before: %v", err)
		}
		time.Sleep(time.Until(lapses) + 10*time.Second)
		if out := f.reclaim(store.ReclaimOptions{}); len(out.Notes) > 0 {
			t.Errorf("after it: %+v", out)
		}
	})
}

// anyFinal tells whether something is named finally.
func (f *fixture) anyFinal() bool {
	infos, err := f.mem.List(f.t.Context(), "condemned")
	if err != nil {
		f.t.Fatal(err)
	}
	return slices.ContainsFunc(infos, func(info storage.Info) bool { return strings.HasSuffix(info.Name, ".final") })
}

// lock opens the repository anew, over a storage that refuses to remove some objects once they are named.
func (f *fixture) lock() *locking {
	f.t.Helper()
	if err := f.Repository.Close(); err != nil {
		f.t.Fatal(err)
	}
	medium := &locking{Memory: f.mem}
	var err error
	if f.Repository, err = store.Open(f.t.Context(), medium, f.key, store.OpenOptions{}); err != nil {
		f.t.Fatal(err)
	}
	return medium
}

// TestBasesUnderLock: what stands on others goes first, so that where it can't, they stay.
func TestBasesUnderLock(t *testing.T) {
	f, captures, _ := chain(t, 4)
	f.capture(random(9, 100_000))
	before := f.frames()
	under := make(map[string]bool) // slabs on which others stand
	for _, frames := range before {
		for _, frame := range frames {
			for _, b := range frame.Bases {
				under[names.Slab(b.Slab)] = true
			}
		}
	}
	f.retire(captures...)
	medium := f.lock()
	medium.locked = func(info storage.Info) bool {
		frames := before[info.Name]
		return !under[info.Name] && slices.ContainsFunc(frames, func(frame format.Frame) bool { return frame.Depth > 0 })
	}
	out, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, AcceptUnexplained: true})
	if err != nil || out.Refused == 0 || len(out.Captures) != 4 {
		t.Fatalf("%+v, %v", out, err)
	}
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
	if len(all) < 3 {
		t.Errorf("%d slabs are there: the test sees nothing", len(all))
	}
	goes := medium.locked
	medium.locked = nil
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, AcceptUnexplained: true})
	for name := range f.frames() { // the last capture's, and perhaps one of a chunk of its lists, that was moved
		if under[name] || goes(storage.Info{Name: name}) {
			t.Errorf("%s is left", name)
		}
	}
}

// TestSupersededUnderLock: an index file in whose place another one came, and that can't be removed, stays whole: it counts again if
// the other one is lost.
func TestSupersededUnderLock(t *testing.T) {
	f := newFixtureOf(t, withDeltas(store.DeltasOff))
	f.harmed = true
	stays := file{name: "a", content: random(1, 100_000)}
	goes := f.capture(tarOf(t, stays, file{name: "b", content: random(2, 300_000)}))
	in := tarOf(t, stays)
	c := f.capture(in)
	medium := f.lock()
	first := names.Capture(c.ID, 0)
	medium.locked = func(info storage.Info) bool { return info.Name == first }
	f.retire(goes)
	out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
	if out.Moved == 0 || out.Refused == 0 {
		t.Fatalf("%+v", out)
	}
	if err := f.mem.Remove(t.Context(), names.Capture(c.ID, 1)); err != nil {
		t.Fatal(err)
	}
	f.wantStream(c, in)
}

// TestBundlesUnderLock: bundles that can't be removed are not put anew with each run.
func TestBundlesUnderLock(t *testing.T) {
	f := newFixtureOf(t, withDeltas(store.DeltasOff))
	f.Repository.Close()
	var err error
	if f.Repository, err = store.Open(t.Context(), f.mem, f.key, store.OpenOptions{Cache: t.TempDir()}); err != nil { // which puts bundles
		t.Fatal(err)
	}
	var captures []*store.Capture
	for i := range 70 {
		captures = append(captures, f.capture(random(byte(i), 100)))
	}
	medium := f.lock()
	medium.locked = func(info storage.Info) bool { return strings.HasPrefix(info.Name, names.Bundles+"/") }
	f.retire(captures[:3]...)
	count := func() int {
		infos, err := f.mem.List(t.Context(), names.Bundles)
		if err != nil || len(infos) == 0 {
			t.Fatalf("%v, %v", infos, err)
		}
		return len(infos)
	}
	before := count()
	for range 3 {
		if out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace}); out.Refused == 0 {
			t.Fatalf("%+v", out)
		}
	}
	if n := count(); n != before {
		t.Errorf("%d bundles, %d before", n, before)
	}
	medium.locked = nil
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
	if n := count(); n != 1 {
		t.Errorf("%d bundles, want 1", n)
	}
}

// TestIndexFilesGoInOrder: of the index files of a capture the one that counts goes last, so that none before it ever counts again.
func TestIndexFilesGoInOrder(t *testing.T) {
	f := newFixtureOf(t, store.CreateOptions{})
	defer f.Close()
	medium := f.lock()
	c := f.capture(tarOf(t, file{name: "catalogue", content: bean}))
	for _, note := range []string{"one", "two"} {
		if _, err := f.Amend(t.Context(), c.ID, store.AmendOptions{Note: &note}); err != nil {
			t.Fatal(err)
		}
	}
	var gone []string
	medium.locked = func(info storage.Info) bool {
		if strings.HasPrefix(info.Name, "captures/"+c.ID) {
			gone = append(gone, info.Name)
		}
		return false
	}
	f.retire(c)
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, AcceptUnexplained: true})
	if len(gone) < 2 || !slices.IsSortedFunc(gone, func(a, b string) int { return cmp.Or(len(a)-len(b), strings.Compare(a, b)) }) {
		t.Errorf("they went in this order: %q", gone)
	}
}
