package store_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// textTree gives states of a tree of texts, as releases of a program are: of each state most files are as in the one before, some
// have lines changed, a few come and go. Words repeat as they do in a language.
func textTree(states, files int) (streams func(t *testing.T, n int) []byte) {
	r := rand.New(rand.NewPCG(16, 1))
	words := make([]string, 800)
	for i := range words {
		words[i] = fmt.Sprintf("%c%x", 'a'+rune(i%26), r.Uint32()>>(8*(i%3)))
	}
	line := func() string {
		var b strings.Builder
		for range 3 + r.IntN(9) {
			// The square makes some words frequent.
			b.WriteString(words[int(float64(len(words))*r.Float64()*r.Float64())])
			b.WriteByte(' ')
		}
		return b.String()
	}
	type text []string
	tree := make([]text, files)
	for i := range tree {
		for range 40 + r.IntN(500) {
			tree[i] = append(tree[i], line())
		}
	}
	all := make([][]file, states)
	for n := range all {
		for i := range tree {
			if n > 0 && r.IntN(4) == 0 {
				edited := append(text(nil), tree[i]...)
				for range 1 + len(edited)/60 {
					edited[r.IntN(len(edited))] = line()
				}
				tree[i] = edited
			}
			all[n] = append(all[n], file{name: fmt.Sprintf("src/%02d/f%03d", i%7, i), content: []byte(strings.Join(tree[i], "\n"))})
		}
	}
	return func(t *testing.T, n int) []byte { return tarOf(t, all[n]...) }
}

// aged gives a fixture with captures that were made without deltas, and their streams.
func aged(t *testing.T, states, files int) (f *fixture, captures []*store.Capture, streams [][]byte) {
	f = newFixtureOf(t, withDeltas(store.DeltasOff))
	stream := textTree(states, files)
	for n := range states {
		streams = append(streams, stream(t, n))
		captures = append(captures, f.capture(streams[n]))
	}
	return f, captures, streams
}

func (f *fixture) setDeltas(d store.Deltas) {
	f.t.Helper()
	if err := f.SetDeltas(f.t.Context(), d, store.MarkOptions{}); err != nil {
		f.t.Fatal(err)
	}
}

// wantAll wants captures to be what they were: by their streams, by hash, and in full.
func (f *fixture) wantAll(captures []*store.Capture, streams [][]byte) {
	f.t.Helper()
	for n, c := range captures {
		found, err := f.Find(f.t.Context(), c.ID)
		if err != nil {
			f.t.Fatal(err)
		}
		if store.HashOf(found) != store.HashOf(c) {
			f.t.Errorf("the hash of capture %d is another one", n)
		}
		if sha256.Sum256(f.restore(found)) != sha256.Sum256(streams[n]) {
			f.t.Errorf("capture %d restores to something else", n)
		}
	}
	f.verify(f.t.Context())
}

// TestToDeltas stores what is there anew: it takes at most a tenth more than a repository that had deltas from the first capture
// on, all captures are what they were, and a second run finds nothing to do.
func TestToDeltas(t *testing.T) {
	oneByOne(t)
	for _, d := range []store.Deltas{store.DeltasOn, store.DeltasOwn} {
		for name, batch := range map[string]int64{"at once": 0, "in batches": 100_000} {
			t.Run(string(d)+" "+name, func(t *testing.T) {
				f, captures, streams := aged(t, 6, 70)
				before := f.stored()
				fresh := f.emptyTwin()
				defer fresh.Close()
				fresh.setDeltas(d)
				for n := range streams {
					fresh.capture(streams[n])
				}
				f.setDeltas(d)
				begun, first := 0, 0 // how often, and what was said to be stored anew
				o := store.ReclaimOptions{Grace: store.NoGrace, ToDeltas: &store.ToDeltasOptions{Batch: batch, Begin: func(slabs int, _ int64) { begun, first = begun+1, slabs }}}
				o.DryRun = true
				plan := f.reclaim(o)
				o.DryRun = false
				if plan.ToDeltas == nil || plan.ToDeltas.Left == 0 || f.stored() < before || plan.ToDeltas.LeftBytes > before {
					t.Errorf("planned: %+v", plan.ToDeltas)
				}
				out := f.reclaim(o)
				if a := out.ToDeltas; a == nil || a.Slabs == 0 || a.Slabs != plan.ToDeltas.Left || a.Left != 0 || a.Bytes != plan.ToDeltas.LeftBytes {
					t.Errorf("%+v was stored anew, %+v planned", a, plan.ToDeltas)
				}
				f.wantAll(captures, streams)
				got, want := f.stored(), fresh.stored()
				t.Logf("%d bytes before, %d after, %d of a fresh repository: %.3f", before, got, want, float64(got)/float64(want))
				if got > want+want/10 {
					t.Errorf("%d bytes are stored, %d in a fresh repository", got, want)
				}
				again := f.reclaim(o)
				if begun != 1 || first != plan.ToDeltas.Left {
					t.Errorf("said %d times that it begins, with %d slabs; want once, with %d", begun, first, plan.ToDeltas.Left)
				}
				if again.ToDeltas.Slabs != 0 || again.ToDeltas.Left != 0 || again.Moved != 0 || f.stored() > got {
					t.Errorf("again: %+v", again)
				}
			})
		}
	}
}

// TestToDeltasOfOwn: what has deltas of its own capture alone is stored anew once, too, whatever is set then, also where a part of
// it was moved before.
func TestToDeltasOfOwn(t *testing.T) {
	for name, test := range map[string]struct {
		set   store.Deltas
		moved bool
	}{"on": {store.DeltasOn, false}, "own": {store.DeltasOwn, false}, "moved before": {store.DeltasOn, true}} {
		t.Run(name, func(t *testing.T) {
			f := newFixtureOf(t, withDeltas(store.DeltasOwn))
			var captures []*store.Capture
			var streams [][]byte
			content := random(1, 300_000)
			for n := range 4 {
				streams = append(streams, tarOf(t, file{name: "a", content: content}, file{name: "b", content: edited(content, 4000, 9)}))
				captures = append(captures, f.capture(streams[n]))
				content = edited(content, 3000, byte(n+1))
			}
			if _, n := deepest(f.frames()); n == 0 {
				t.Fatal("no frame stands on another one")
			}
			if test.moved {
				gone := f.capture(append(random(7, 300_000), edited(content, 5000, 3)...))
				f.retire(gone, captures[0])
				captures, streams = captures[1:], streams[1:]
				f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01})
			}
			before := f.stored()
			f.setDeltas(test.set)
			o := store.ReclaimOptions{Grace: store.NoGrace, ToDeltas: &store.ToDeltasOptions{}}
			out := f.reclaim(o)
			if out.ToDeltas.Slabs == 0 || out.ToDeltas.Left > 0 {
				t.Errorf("stored anew: %+v", out.ToDeltas)
			}
			f.wantAll(captures, streams)
			// A content that differs every 3,000 bytes is alike in nearly all chunks, or in most: where cuts fall differs by key. So it takes
			// a third of what it did as a rule, and all of it where nothing stands on anything else than before.
			if got := f.stored(); got > before*3/4 {
				t.Errorf("it takes %d bytes, %d before", got, before)
			}
			if again := f.reclaim(o); again.ToDeltas.Slabs > 0 || again.ToDeltas.Left > 0 || again.Moved > 0 {
				t.Errorf("a second run stores %+v anew", again.ToDeltas)
			}
		})
	}
}

// TestToDeltasRefused: where there are none, nothing can be stored with them.
func TestToDeltasRefused(t *testing.T) {
	for name, test := range map[string]struct {
		o    store.CreateOptions
		want error
	}{
		"off":   {store.CreateOptions{ChunkAverage: 8192}, store.ErrNoDeltas},
		"apart": {store.CreateOptions{ChunkAverage: 8192, Apart: store.ApartCompressed}, store.ErrBadOptions},
	} {
		f := newFixtureOf(t, test.o)
		f.capture(tarOf(t, file{name: "a", content: random(1, 100_000)}))
		for _, dry := range []bool{false, true} {
			_, err := f.Reclaim(t.Context(), store.ReclaimOptions{ToDeltas: &store.ToDeltasOptions{}, DryRun: dry})
			if !errors.Is(err, test.want) {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
	f := newFixtureOf(t, withDeltas(store.DeltasOn))
	for _, o := range []store.ToDeltasOptions{{For: -1}, {Batch: -1}, {Room: -1}} {
		if _, err := f.Reclaim(t.Context(), store.ReclaimOptions{ToDeltas: &o}); !errors.Is(err, store.ErrBadOptions) {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

// TestToDeltasInTurns lets each run have no time: it stores one batch, and the next run goes on behind it. What gains nothing
// is stored anew once.
func TestToDeltasInTurns(t *testing.T) {
	f, captures, streams := aged(t, 4, 20)
	noise := tarOf(t, file{name: "noise", content: random(7, 200_000)})
	captures, streams = append(captures, f.capture(noise)), append(streams, noise)
	f.setDeltas(store.DeltasOn)
	o := store.ReclaimOptions{Grace: store.NoGrace, ToDeltas: &store.ToDeltasOptions{For: time.Nanosecond, Batch: 1}}
	left := 1 << 30
	for runs := 1; left > 0; runs++ {
		a := f.reclaim(o).ToDeltas
		if a.Slabs != 1 || a.Left >= left || runs > 5 {
			t.Fatalf("run %d: %+v, %d were left before", runs, a, left)
		}
		left = a.Left
	}
	f.wantAll(captures, streams)
	before := f.frames()
	if a := f.reclaim(o).ToDeltas; a.Slabs != 0 || a.Left != 0 || !maps.EqualFunc(before, f.frames(), func(_, _ []format.Frame) bool { return true }) {
		t.Errorf("again: %+v", a)
	}
	f.capture(tarOf(t, file{name: "noise", content: random(8, 200_000)}))
	if a := f.reclaim(o).ToDeltas; a.Slabs != 0 || a.Left != 0 {
		t.Errorf("what is captured with deltas is stored anew: %+v", a)
	}
}

// TestToDeltasRoom: it takes no more than there is room for.
func TestToDeltasRoom(t *testing.T) {
	f, captures, streams := aged(t, 3, 20)
	f.setDeltas(store.DeltasOn)
	stored := f.stored()
	o := store.ReclaimOptions{ToDeltas: &store.ToDeltasOptions{Batch: 1, Room: 1}}
	a := f.reclaim(o).ToDeltas
	if a.Slabs != 0 || !a.NoRoom || a.Left != 3 || f.stored() > stored {
		t.Errorf("without room: %+v, %d bytes after %d", a, f.stored(), stored)
	}
	// What it says to need suffices, and 32 bytes less do not.
	for less := range int64(2) {
		plan := store.ReclaimOptions{DryRun: true, ToDeltas: &store.ToDeltasOptions{Batch: 1, Room: a.Needs - 32*less}}
		if got := f.reclaim(plan).ToDeltas; got.NoRoom != (less > 0) || less > 0 && got.Needs != a.Needs {
			t.Errorf("with a room of %d: %+v", plan.ToDeltas.Room, got)
		}
	}
	// For the first slab, and no other one: each is held to 9/8 of what it was, and a quarter is left free.
	slabs, err := f.mem.List(t.Context(), "slabs")
	if err != nil {
		t.Fatal(err)
	}
	var longest int64
	for _, s := range slabs {
		longest = max(longest, s.Size)
	}
	o.ToDeltas.Room = longest*9/8*4/3 + 16
	a = f.reclaim(o).ToDeltas
	if a.Slabs == 0 || !a.NoRoom || a.Left == 0 || a.Written > longest*9/8 {
		t.Errorf("with room for one of %d bytes: %+v", longest, a)
	}
	o.ToDeltas.Room = 0
	if a = f.reclaim(o).ToDeltas; a.NoRoom || a.Left != 0 {
		t.Errorf("with any room: %+v", a)
	}
	f.wantAll(captures, streams)
}

// TestToDeltasInFreedRoom: with little room, a run that frees what slabs were that an earlier one stored anew goes on in that room, as its
// plan says; one that comes before tells again what it needs.
func TestToDeltasInFreedRoom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixtureOf(t, withDeltas(store.DeltasOff))
		defer f.Close()
		var captures []*store.Capture
		var streams [][]byte
		for n := range 3 { // slabs of the same length, of which none gains
			streams = append(streams, random(byte(n), 200_000))
			captures = append(captures, f.capture(streams[n]))
		}
		f.setDeltas(store.DeltasOn)
		o := store.ReclaimOptions{ToDeltas: &store.ToDeltasOptions{Batch: 1}}
		run := func(room int64, slabs, left int, noRoom bool) (needs int64) {
			t.Helper()
			o.ToDeltas.Room = room
			a := f.reclaim(o).ToDeltas
			if a.Slabs != slabs || a.Left != left || a.NoRoom != noRoom {
				t.Errorf("with a room of %d: %+v; want %d, and %d left", room, a, slabs, left)
			}
			return a.Needs
		}
		needs := run(1, 0, 3, true)
		needs = run(needs, 1, 2, true)
		run(needs*3/4, 0, 2, true)
		time.Sleep(f.Grace() + time.Hour)
		o.DryRun = true
		run(needs*3/4, 0, 2, false)
		o.DryRun = false
		run(needs*3/4, 1, 1, true)
		f.wantAll(captures, streams)
	})
}

// TestToDeltasWithLater stores slabs anew on which others stand: these come along, no frame is deeper than may be, and
// what is stored comes to that of a fresh repository.
func TestToDeltasWithLater(t *testing.T) {
	oneByOne(t)
	f := newFixtureOf(t, withDeltas(store.DeltasOff))
	fresh := f.emptyTwin()
	defer fresh.Close()
	fresh.setDeltas(store.DeltasOn)
	state := textTree(7, 60)
	var captures []*store.Capture
	var streams [][]byte
	for n := range 7 {
		if n == 3 {
			f.setDeltas(store.DeltasOn)
		}
		streams = append(streams, state(t, n))
		captures = append(captures, f.capture(streams[n]))
		fresh.capture(streams[n])
	}
	old := f.frames()
	if _, n := deepest(old); n == 0 {
		t.Fatal("nothing stands on others before")
	}
	for range 2 {
		f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, ToDeltas: &store.ToDeltasOptions{Batch: 100_000}})
	}
	f.wantAll(captures, streams)
	for name, frames := range f.frames() {
		if _, n := deepest(map[string][]format.Frame{name: frames}); n == 0 && old[name] != nil {
			t.Errorf("%s is as it was", name)
		}
	}
	if got, want := f.stored(), fresh.stored(); got > want+want/10 {
		t.Errorf("%d bytes are stored, %d in a fresh repository", got, want)
	}
}

// copyOf gives a fixture over a copy of a storage, opened by way of a faulty one.
func copyOf(t *testing.T, key *crypt.KeyFile, all map[string][]byte) (*fixture, *storagetest.Faulty) {
	t.Helper()
	f := &fixture{t: t, mem: storage.NewMemory(), key: key}
	for _, name := range slices.Sorted(maps.Keys(all)) {
		if err := f.mem.Put(t.Context(), name, bytes.NewReader(all[name])); err != nil {
			t.Fatal(err)
		}
	}
	faulty := storagetest.NewFaulty(f.mem)
	var err error
	if f.Repository, err = store.Open(t.Context(), faulty, key, store.OpenOptions{}); err != nil {
		t.Fatal(err)
	}
	return f, faulty
}

// TestToDeltasFaults: at whatever call of the storage it is cut off, or a call fails, all captures are what they were, and
// the next run does the rest. Every fourth call is tried, or with KIST_TEST_ROUNDS each.
func TestToDeltasFaults(t *testing.T) {
	oneByOne(t)
	synctest.Test(t, func(t *testing.T) { // what a lease outlives is waited for
		old, captures, streams := aged(t, 3, 6)
		old.setDeltas(store.DeltasOn)
		all := objects(t, old.mem)
		old.Close()
		o := store.ReclaimOptions{Grace: store.NoGrace, ToDeltas: &store.ToDeltasOptions{Batch: 1}}
		every := 4
		if os.Getenv("KIST_TEST_ROUNDS") != "" {
			every = 1
		}
		fired := 0
		for call, more := 0, true; more; call += every {
			fault := storagetest.Fault{From: call, Once: fired%3 == 0, Effect: []storagetest.Effect{storagetest.Fail, storagetest.FailAfter}[fired%2]}
			f, faulty := copyOf(t, old.key, all)
			faulty.Reset()
			faulty.Inject(fault)
			_, err := f.Reclaim(t.Context(), o)
			if more = faulty.Calls(storagetest.Any) > call; more {
				fired++
			}
			if err != nil && !errors.Is(err, storagetest.ErrInjected) {
				t.Errorf("call %d: %v", call, err)
			}
			f.reopen()
			time.Sleep(time.Hour)
			a := f.reclaim(o).ToDeltas
			if a.Left != 0 {
				t.Errorf("call %d: the next run leaves %+v", call, a)
			}
			if _, n := deepest(f.frames()); n == 0 {
				t.Errorf("call %d: nothing stands on others", call)
			}
			f.wantAll(captures, streams)
			f.Repository.Close()
			if t.Failed() {
				break
			}
		}
		t.Logf("%d faults", fired)
		if fired*every < 40 {
			t.Errorf("only %d faults fired", fired)
		}
	})
}

// TestToDeltasBesideCapture stores anew what a capture that is at work relies on: it stays until that is done, and for the
// grace time; the capture is whole before and after.
func TestToDeltasBesideCapture(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f, captures, streams := aged(t, 3, 20)
		f.setDeltas(store.DeltasOn)
		time.Sleep(time.Hour) // what was put before a writer began is nobody's who is at work
		last := append(slices.Clone(streams[2]), "and more"...)
		half, begun, goOn := len(last)/2, make(chan bool), make(chan bool)
		other, err := store.Open(t.Context(), f.mem, f.key, store.OpenOptions{})
		if err != nil {
			t.Fatal(err)
		}
		made := make(chan *store.Capture)
		go func() {
			c, err := other.Capture(context.Background(), store.CaptureOptions{Name: "seedbank", AcceptUnfinished: true, Volumes: []store.VolumeInput{{Name: "data", Open: func(context.Context) (io.ReadCloser, error) {
				wait := func() (int, error) { close(begun); <-goOn; return 0, io.EOF }
				return io.NopCloser(io.MultiReader(bytes.NewReader(last[:half]), readFunc(wait), bytes.NewReader(last[half:]))), nil
			}}}})
			if err != nil {
				t.Error(err)
			}
			made <- c
		}()
		<-begun
		if a := f.reclaim(store.ReclaimOptions{ToDeltas: &store.ToDeltasOptions{}}).ToDeltas; a.Slabs == 0 {
			t.Errorf("%+v", a)
		}
		close(goOn)
		c := <-made
		if c == nil {
			return
		}
		captures, streams = append(captures, c), append(streams, last)
		f.wantAll(captures, streams)
		for range 2 {
			time.Sleep(8 * 24 * time.Hour)
			f.reclaim(store.ReclaimOptions{ToDeltas: &store.ToDeltasOptions{}})
			f.wantAll(captures, streams)
		}
		other.Close()
		f.Close()
	})
}

type readFunc func() (int, error)

func (f readFunc) Read([]byte) (int, error) { return f() }

// TestToDeltasPlaces stores anew in one of two places: copying goes on, with what later captures share, and a run in the other
// place has its captures stand on what came.
func TestToDeltasPlaces(t *testing.T) {
	oneByOne(t)
	f, captures, streams := aged(t, 5, 60)
	mem, key := storage.NewMemory(), crypt.NewKeyFile()
	to, err := store.CreateReplica(t.Context(), mem, f.Repository, key, store.ReplicaOptions{})
	if err != nil {
		t.Fatal(err)
	}
	there := &fixture{t: t, mem: mem, key: key, Repository: to}
	t.Cleanup(func() { there.Close() })
	replicate := func() *store.Replicated {
		t.Helper()
		out, err := f.Replicate(t.Context(), to, store.ReplicateOptions{})
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	replicate()
	f.setDeltas(store.DeltasOn)
	o := store.ReclaimOptions{Grace: store.NoGrace, ToDeltas: &store.ToDeltasOptions{}}
	f.reclaim(o)
	if out := replicate(); len(out.Sent) > 0 {
		t.Errorf("captures that were stored anew are sent again: %v", out.Sent)
	}
	there.wantAll(captures, streams)
	files := streams[4]
	captures, streams = append(captures, f.capture(files)), append(streams, files)
	before := there.stored()
	replicate()
	t.Logf("%d bytes here, %d there before, %d with a capture that changed nothing", f.stored(), before, there.stored())
	there.wantAll(captures, streams)
	there.setDeltas(store.DeltasOn)
	if a := there.reclaim(o).ToDeltas; a.Slabs == 0 || a.Left != 0 {
		t.Errorf("there: %+v", a)
	}
	there.wantAll(captures, streams)
	if here, got := f.stored(), there.stored(); got > here+here/10 {
		t.Errorf("%d bytes there, %d here", got, here)
	}
	replicate()
	f.wantAll(captures, streams)
}
