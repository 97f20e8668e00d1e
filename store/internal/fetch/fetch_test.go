package fetch

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/klauspost/compress/zstd"
	"pgregory.net/rapid"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// small is a slab of 23 chunks in frames of 1, 5, 2, 8 and 7 chunks.
func small(t testing.TB) *stored {
	c := noise(1, 23, 60)
	return newStored(t, c[:1], c[1:6], c[6:8], c[8:16], c[16:])
}

// genRuns draws runs over a slab of n chunks.
func genRuns(n int) *rapid.Generator[[]format.Run] {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) format.Run {
		first := rapid.IntRange(0, n-1).Draw(t, "first")
		run := format.Run{First: uint32(first), Count: uint32(rapid.IntRange(1, n-first).Draw(t, "count")), Times: 1}
		if run.Count == 1 {
			run.Times = rapid.Uint32Range(1, 5).Draw(t, "times")
		}
		return run
	}), 0, 12)
}

// Any runs over the frames of a slab give just the chunks that they name.
func TestRuns(t *testing.T) {
	r := small(t)
	s := r.open(t, r.storage)
	rapid.Check(t, func(rt *rapid.T) {
		runs := genRuns(len(r.chunks)).Draw(rt, "runs")
		for i := range runs {
			runs[i].Slab = r.slab
		}
		r.wantRuns(t, s, runs)
		stream := s.Stream(t.Context(), r.recipe(runs))
		defer stream.Close()
		if _, _, err := readAll(stream.Next); err != nil {
			rt.Fatal(err)
		}
	})
}

func TestEveryRun(t *testing.T) {
	r := small(t)
	s := r.open(t, r.storage)
	for first := range r.chunks {
		for count := 1; first+count <= len(r.chunks); count++ {
			r.wantRuns(t, s, []format.Run{r.run(first, count)})
		}
	}
}

// A run's parts, one for each frame that it touches.
func TestCut(t *testing.T) {
	r := small(t)
	s := r.open(t, r.storage)
	tests := []struct {
		run  format.Run
		want string
	}{
		{r.run(0, 1), "0:0-1"},
		{r.run(0, 23), "0:0-1 1:0-5 2:0-2 3:0-8 4:0-7"},
		{r.run(1, 5), "1:0-5"},
		{r.run(2, 3), "1:1-4"},
		{r.run(5, 2), "1:4-5 2:0-1"},
		{r.run(7, 1), "2:1-2"},
		{r.run(15, 2), "3:7-8 4:0-1"},
		{r.run(22, 1), "4:6-7"},
	}
	for _, test := range tests {
		var parts [][]byte
		for p := range s.cut(t.Context(), Inline([]format.Run{test.run})) {
			parts = append(parts, fmt.Appendf(nil, "%d:%d-%d", p.frame, p.from, p.to))
		}
		if got := string(bytes.Join(parts, []byte(" "))); got != test.want {
			t.Errorf("%v: got %s, want %s", test.run, got, test.want)
		}
	}
}

func TestSlabFacts(t *testing.T) {
	r := small(t)
	slab, err := r.open(t, r.storage).Open(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	var first []uint32
	for i := range slab.Frames {
		first = append(first, slab.FirstChunk(i))
	}
	if slab.Chunks() != 24 || !slices.Equal(first, []uint32{0, 1, 6, 8, 16, 23}) || !slab.Frames[5].Padding || slab.Length != int64(len(r.slabBytes(t))) {
		t.Errorf("%d chunks, frames from %v on, %d bytes", slab.Chunks(), first, slab.Length)
	}
}

// A run of chunks that a slab lacks, and of a slab that is not there.
func TestRunsOfNothing(t *testing.T) {
	r := small(t)
	s := r.open(t, r.storage)
	absent := r.run(0, 1)
	absent.Slab[0]++
	for _, bad := range []format.Run{r.run(24, 1), r.run(23, 2), r.run(0, 25), r.run(format.MaxSlabChunks-1, 1), absent} {
		reader := s.Read(t.Context(), Inline([]format.Run{r.run(3, 4), bad, r.run(0, 1)}))
		got, ids, err := readAll(reader.Next)
		reader.Close()
		wantDamage(t, fmt.Sprint(bad), err, bad.Slab)
		r.wantChunks(t, got, ids, r.chunks[3:7])
	}
}

// nest gives runs of a stream of runs, in chunks that end within runs.
func (r *stored) nest(t *testing.T, runs []format.Run) []format.Run {
	t.Helper()
	return r.takeIn(t, slices.Collect(slices.Chunk(appendRuns(nil, runs...), 37)))
}

func manyRuns(r *stored) (runs []format.Run) {
	for i := range 200 {
		runs = append(runs, r.run(i*7%23, 1))
	}
	return runs
}

func TestNestedRecipes(t *testing.T) {
	r := small(t)
	runs := manyRuns(r)
	recipe := r.recipe(runs)
	s := r.open(t, r.storage)
	for level := range format.MaxRecipeLevel + 1 {
		if int(recipe.Level) != level {
			t.Fatalf("level %d", recipe.Level)
		}
		stream := s.Stream(t.Context(), recipe)
		got, ids, err := readAll(stream.Next)
		stream.Close()
		if err != nil {
			t.Fatalf("level %d: %v", level, err)
		}
		r.wantChunks(t, got, ids, r.want(runs))
		recipe.Runs = r.nest(t, recipe.Runs)
		recipe.Level++
	}
}

// A stream of runs that is no such thing, or is cut short, is damaged.
func TestNestedRecipesThatAreWrong(t *testing.T) {
	r := small(t)
	s := r.open(t, r.storage)
	recipe := r.recipe(manyRuns(r))
	nested := r.nest(t, recipe.Runs)
	for what, runs := range map[string][]format.Run{
		"the contents in place of runs": recipe.Runs,
		"no runs":                       nil,
		"runs cut short":                {{Slab: nested[0].Slab, First: 0, Count: nested[0].Count - 1, Times: 1}},
	} {
		bad := *recipe
		bad.Level, bad.Runs = 1, runs
		stream := s.Stream(t.Context(), &bad)
		if _, _, err := readAll(stream.Next); !errors.Is(err, format.ErrDamaged) {
			t.Errorf("%s: got %v", what, err)
		}
		stream.Close()
	}
}

func TestNestedRecipesOfGarbage(t *testing.T) {
	r := small(t)
	recipe := r.recipe(manyRuns(r))
	for what, chunk := range map[string][]byte{
		"a tag":              {0xc1, 0x00},
		"deeply nested":      bytes.Repeat([]byte{0x81}, 40),
		"an array of 2^60":   {0x9b, 0x10, 0, 0, 0, 0, 0, 0, 0},
		"bytes without end":  {0x84, 0x5f, 0x40, 0xff, 0, 0, 0},
		"bytes of 2^64-1":    {0x84, 0x5b, 255, 255, 255, 255, 255, 255, 255, 255},
		"a reserved head":    {0x1c},
		"a break":            {0xff},
		"a map":              {0xa0},
		"a run of no chunks": appendRuns(nil, format.Run{Times: 1}),
	} {
		recipe.Level, recipe.Runs = 1, r.takeIn(t, [][]byte{chunk})
		s := r.open(t, r.storage).Stream(t.Context(), recipe)
		if _, _, err := readAll(s.Next); !errors.Is(err, format.ErrDamaged) {
			t.Errorf("%s: got %v", what, err)
		}
		s.Close()
	}
}

// A slab of runs that is cut short is named, as others are.
func TestNestedSlabIsNamed(t *testing.T) {
	r := small(t)
	recipe := r.recipe(manyRuns(r))
	recipe.Level, recipe.Runs = 1, r.nest(t, recipe.Runs)
	inner := recipe.Runs[0].Slab
	faulty := storagetest.NewFaulty(r.storage)
	faulty.Inject(storagetest.Fault{Method: storagetest.ReadAt, Effect: storagetest.Tear})
	s := r.open(t, faulty).Stream(t.Context(), recipe)
	defer s.Close()
	_, _, err := readAll(s.Next)
	wantDamage(t, "a slab of runs cut short", err, inner)
}

// A stream must have the chunks, the length and the digest that its recipe says.
func TestStreamIsChecked(t *testing.T) {
	r := small(t)
	s := r.open(t, r.storage)
	runs := []format.Run{r.run(2, 9), r.run(0, 1)}
	for what, change := range map[string]func(*format.Recipe){
		"a chunk more":     func(x *format.Recipe) { x.Runs = append(slices.Clone(runs), r.run(1, 1)) },
		"a chunk less":     func(x *format.Recipe) { x.Runs = runs[:1] },
		"another order":    func(x *format.Recipe) { x.Runs = []format.Run{runs[1], runs[0]} },
		"nothing":          func(x *format.Recipe) { x.Runs = nil },
		"number of chunks": func(x *format.Recipe) { x.Chunks++ },
		"length, less":     func(x *format.Recipe) { x.Bytes-- },
		"length, more":     func(x *format.Recipe) { x.Bytes++ },
		"digest":           func(x *format.Recipe) { x.Digest[31] ^= 1 },
		"an endless run":   func(x *format.Recipe) { x.Runs = []format.Run{{Slab: r.slab, First: 2, Count: 1, Times: 1<<32 - 1}} },
	} {
		recipe := r.recipe(runs)
		change(recipe)
		stream := s.Stream(t.Context(), recipe)
		_, _, err := readAll(stream.Next)
		if !errors.Is(err, format.ErrDamaged) {
			t.Errorf("%s: got %v", what, err)
		}
		stream.Close()
	}
}

func TestBytes(t *testing.T) {
	r := small(t)
	s := r.open(t, r.storage)
	reader := s.Read(t.Context(), Inline([]format.Run{r.run(0, 23)}))
	defer reader.Close()
	got, err := io.ReadAll(Bytes(reader.Next))
	if err != nil || !bytes.Equal(got, bytes.Join(r.chunks, nil)) {
		t.Errorf("got %d bytes, %v", len(got), err)
	}
}

// Reading may end at any point, and leaves nothing running.
func TestCloseEarly(t *testing.T) {
	r := small(t)
	s := r.open(t, r.storage)
	recipe := r.recipe(manyRuns(r))
	recipe.Level, recipe.Runs = 1, r.nest(t, recipe.Runs)
	for n := range 100 {
		stream := s.Stream(t.Context(), recipe)
		for range n {
			if _, err := stream.Next(); err != nil {
				t.Fatal(err)
			}
		}
		stream.Close()
		stream.Close()
	}
}

// A reader whose context ends says so, and not that all was read.
func TestCancel(t *testing.T) {
	r := small(t)
	s := r.open(t, r.storage)
	cause := errors.New("the person pressed a key")
	for n := range 60 {
		ctx, cancel := context.WithCancelCause(t.Context())
		reader := s.Read(ctx, Inline(slices.Repeat([]format.Run{r.run(0, 23)}, 50)))
		for range n {
			if _, err := reader.Next(); err != nil {
				t.Fatal(err)
			}
		}
		cancel(cause)
		got, ids, err := readAll(reader.Next)
		reader.Close()
		if !errors.Is(err, cause) && !errors.Is(err, context.Canceled) {
			t.Errorf("after %d chunks: got %v", n, err)
		}
		r.wantChunks(t, got, ids, slices.Repeat(r.chunks, 51)[n:][:len(got)])
	}
}

// A share that hangs: closing the reader's context lets go of it.
func TestCancelWhileReadHangs(t *testing.T) {
	r := small(t)
	for call := range 4 {
		faulty := storagetest.NewFaulty(r.storage)
		faulty.Inject(storagetest.Fault{Method: storagetest.ReadAt, From: call, Effect: storagetest.Hang})
		ctx, cancel := context.WithCancel(t.Context())
		var calls atomic.Int64
		faulty.Before(func(m storagetest.Method, _ string) {
			if m == storagetest.ReadAt && calls.Add(1) > int64(call) {
				cancel()
			}
		})
		s := r.open(t, faulty)
		s.workers = 1
		reader := s.Read(ctx, Inline([]format.Run{r.run(0, 23)}))
		if _, _, err := readAll(reader.Next); !errors.Is(err, context.Canceled) {
			t.Errorf("read %d hangs: got %v", call, err)
		}
		reader.Close()
	}
}

// What the storage says is passed on, and is no damage; a slab that is gone is.
func TestStorageFails(t *testing.T) {
	r := small(t)
	for _, method := range []storagetest.Method{storagetest.Stat, storagetest.ReadAt} {
		for call := range 6 {
			faulty := storagetest.NewFaulty(r.storage)
			faulty.Inject(storagetest.Fault{Method: method, From: call, Once: true})
			s := r.open(t, faulty)
			s.workers = 1
			reader := s.Read(t.Context(), Inline([]format.Run{r.run(0, 23)}))
			got, ids, err := readAll(reader.Next)
			reader.Close()
			if fired := faulty.Calls(method) > call; !fired {
				if err != nil {
					t.Error(err)
				}
				continue
			}
			if !errors.Is(err, storagetest.ErrInjected) || errors.Is(err, format.ErrDamaged) || !errors.As(err, new(*SlabError)) {
				t.Errorf("%s %d: got %v", method, call, err)
			}
			r.wantChunks(t, got, ids, r.chunks[:len(got)])
			r.wantRuns(t, s, []format.Run{r.run(0, 23)}) // the fault is not kept
			before := faulty.Calls(storagetest.Any)
			r.wantRuns(t, s, []format.Run{r.run(0, 23)})
			if n := faulty.Calls(storagetest.Any) - before; n != 0 {
				t.Errorf("%s %d: %d calls for what was read after the fault", method, call, n)
			}
		}
	}
}

// A frame whose first reader was told to stop is read by the second.
func TestFrameSharedWithOneThatStops(t *testing.T) {
	r := small(t)
	faulty := storagetest.NewFaulty(r.storage)
	s := r.open(t, faulty)
	slab, err := s.Open(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	faulty.Reset()
	faulty.Inject(storagetest.Fault{Method: storagetest.ReadAt, From: 0, Once: true, Effect: storagetest.Hang})
	begun := make(chan struct{})
	var once sync.Once
	faulty.Before(func(storagetest.Method, string) { once.Do(func() { close(begun) }) })
	ctx, cancel := context.WithCancel(t.Context())
	first := make(chan error)
	go func() { _, err := s.Frame(ctx, slab, 1); first <- err }()
	<-begun
	second := make(chan error)
	go func() {
		raw, err := s.Frame(t.Context(), slab, 1)
		if err == nil && !bytes.Equal(raw, bytes.Join(r.chunks[1:6], nil)) {
			err = errors.New("wrong bytes")
		}
		second <- err
	}()
	cancel()
	if err := <-first; !errors.Is(err, context.Canceled) {
		t.Errorf("the first one got %v", err)
	}
	if err := <-second; err != nil {
		t.Errorf("the second one got %v", err)
	}
}

// The same, where the first one's error is there already.
func TestFrameAfterOneThatStopped(t *testing.T) {
	r := small(t)
	s := r.open(t, r.storage)
	slab, err := s.Open(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	stopped := &cachedFrame{ready: make(chan struct{}), err: context.Canceled}
	close(stopped.ready)
	s.frames.put(frameKey{r.slab, 1}, stopped, 1)
	raw, err := s.Frame(t.Context(), slab, 1)
	if err != nil || !bytes.Equal(raw, bytes.Join(r.chunks[1:6], nil)) {
		t.Errorf("got %d bytes, %v", len(raw), err)
	}
}

// Readers of the same slabs side by side, some of which stop.
func TestConcurrentReaders(t *testing.T) {
	r := small(t)
	s := r.open(t, r.storage)
	var group sync.WaitGroup
	for g := range 8 {
		group.Go(func() {
			rnd := rand.New(rand.NewPCG(uint64(g), 1))
			for range 30 {
				first := rnd.IntN(23)
				runs := []format.Run{r.run(first, 1+rnd.IntN(23-first)), r.run(0, 23)}
				reader := s.Read(t.Context(), Inline(runs))
				for i, want := range r.want(runs) {
					if g%2 == 0 && rnd.IntN(20) == 0 {
						break
					}
					if c, err := reader.Next(); err != nil || !bytes.Equal(c.Data, want) {
						t.Errorf("chunk %d: %v", i, err)
						break
					}
				}
				reader.Close()
			}
		})
	}
	group.Wait()
}

// The caches stay within their bounds and in step with themselves.
func TestCachesAreBounded(t *testing.T) {
	var frames [][][]byte
	for i := range byte(45) {
		frames = append(frames, [][]byte{bytes.Repeat([]byte{i}, format.FrameTarget)})
	}
	r := newStored(t, frames...)
	s := r.open(t, r.storage)
	for range 2 {
		r.wantRuns(t, s, []format.Run{r.run(0, 45)})
		if s.frames.cost > cacheBytes || s.frames.cost < cacheBytes/2 || s.frames.cost != s.frames.order.Len()*format.FrameTarget {
			t.Errorf("%d bytes in %d frames are kept", s.frames.cost, s.frames.order.Len())
		}
	}
}

// A frame that is asked for again is not read again.
func TestFramesAreKept(t *testing.T) {
	r := small(t)
	faulty := storagetest.NewFaulty(r.storage)
	s := r.open(t, faulty)
	r.wantRuns(t, s, []format.Run{r.run(0, 23)})
	before := faulty.Calls(storagetest.Any)
	for range 10 {
		r.wantRuns(t, s, []format.Run{r.run(0, 23)})
	}
	if n := faulty.Calls(storagetest.Any) - before; n != 0 {
		t.Errorf("%d calls for what was read before", n)
	}
}

func TestLRU(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.IntRange(0, 20).Draw(t, "limit")
		l := newLRU[int, int](limit)
		var model [][3]int // key, value, cost; the one used last in front
		find := func(k int) int { return slices.IndexFunc(model, func(e [3]int) bool { return e[0] == k }) }
		for range rapid.IntRange(0, 50).Draw(t, "steps") {
			k, v := rapid.IntRange(0, 5).Draw(t, "key"), rapid.IntRange(0, 3).Draw(t, "value")
			i := find(k)
			switch rapid.IntRange(0, 2).Draw(t, "what") {
			case 0:
				got, ok := l.get(k)
				if ok != (i >= 0) || ok && got != model[i][1] {
					t.Fatalf("get %d gives %d, %v; the model is %v", k, got, ok, model)
				}
				if ok {
					e := model[i]
					model = slices.Insert(slices.Delete(model, i, i+1), 0, e)
				}
			case 1:
				cost := rapid.IntRange(0, 9).Draw(t, "cost")
				if i >= 0 {
					model = slices.Delete(model, i, i+1)
				}
				model = slices.Insert(model, 0, [3]int{k, v, cost})
				l.put(k, v, cost)
			case 2:
				if i >= 0 && model[i][1] == v {
					model = slices.Delete(model, i, i+1)
				}
				l.remove(k, v)
			}
			total := 0
			for n, e := range model {
				if total += e[2]; total > limit && n > 0 {
					model = model[:n]
					total -= e[2]
					break
				}
			}
			if l.cost != total || len(l.entries) != len(model) || l.order.Len() != len(model) {
				t.Fatalf("cost %d of %d entries; the model is %v", l.cost, len(l.entries), model)
			}
		}
	})
}

func TestIdentify(t *testing.T) {
	r := small(t)
	s := r.open(t, r.storage)
	slab, err := s.Open(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	h := r.keys.NewHasher()
	n, next := 0, 0
	err = s.Identify(t.Context(), slab, func(frame int, ids []crypt.Identity, err error) error {
		if frame != next || err != nil {
			t.Errorf("frame %d where %d is due: %v", frame, next, err)
		}
		next++
		if slab.Frames[frame].Padding {
			return nil
		}
		for _, id := range ids {
			if id != h.Sum(r.chunks[n]) {
				t.Errorf("chunk %d: another identity", n)
			}
			n++
		}
		return nil
	})
	if err != nil || n != 23 || next != 6 {
		t.Errorf("%d chunks of %d frames, %v", n, next, err)
	}
}

func TestIdentifyStops(t *testing.T) {
	r := small(t)
	s := r.open(t, r.storage)
	slab, err := s.Open(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	stop := errors.New("enough")
	calls := 0
	err = s.IdentifyFrames(t.Context(), slab, []int{4, 2, 3}, func(frame int, ids []crypt.Identity, err error) error {
		if calls++; frame != []int{4, 2}[calls-1] || err != nil {
			t.Errorf("call %d is about frame %d, %v", calls, frame, err)
		}
		if calls == 2 {
			return stop
		}
		return nil
	})
	if err != stop || calls != 2 {
		t.Errorf("%d calls, %v", calls, err)
	}
}

// When a reader has been closed, or Identify has returned, nothing of it runs:
// the Slabs may be closed then.
func TestNothingRunsAfterClose(t *testing.T) {
	r := small(t)
	good := r.open(t, r.storage)
	slab, err := good.Open(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	recipe := r.recipe(manyRuns(r))
	recipe.Level, recipe.Runs = 1, r.nest(t, recipe.Runs)
	inner, err := good.Open(t.Context(), recipe.Runs[0].Slab)
	if err != nil {
		t.Fatal(err)
	}
	for range 20 {
		st := &lingering{Storage: r.storage, begun: make(chan struct{}, 100)}
		s := r.open(t, st)
		s.opened.put(r.slab, slab, 1)
		s.opened.put(inner.ID, inner, 1)
		stream := s.Stream(t.Context(), recipe)
		<-st.begun
		stream.Close()
		if n := st.active.Load(); n != 0 {
			t.Errorf("%d frames of runs are being read after Close", n)
		}

		reader := s.Read(t.Context(), Inline([]format.Run{r.run(0, 23)}))
		<-st.begun
		reader.Close()
		if n := st.active.Load(); n != 0 {
			t.Errorf("%d frames are being read after Close", n)
		}

		ctx, cancel := context.WithCancel(t.Context())
		go func() { <-st.begun; cancel() }()
		s.Identify(ctx, slab, func(_ int, _ []crypt.Identity, err error) error { return err })
		if n := st.active.Load(); n != 0 {
			t.Errorf("%d frames are being read after Identify", n)
		}
	}
}

// The same where Identify is told to stop by the one who uses what it gives.
func TestNothingRunsAfterIdentifyStops(t *testing.T) {
	r := small(t)
	slab, err := r.open(t, r.storage).Open(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	stop := errors.New("enough")
	for range 20 {
		st := &lingering{Storage: r.storage, passes: slab.offsets[0], begun: make(chan struct{}, 100)}
		err := r.open(t, st).Identify(t.Context(), slab, func(_ int, _ []crypt.Identity, err error) error {
			<-st.begun
			return errors.Join(err, stop)
		})
		if n := st.active.Load(); n != 0 || !errors.Is(err, stop) {
			t.Errorf("%d frames are being read after Identify, which gives %v", n, err)
		}
	}
}

// What a reader said last it says again, whatever happens to it.
func TestNextKeepsItsError(t *testing.T) {
	r := small(t)
	s := r.open(t, r.storage)
	for what, runs := range map[string][]format.Run{
		"the end":  {r.run(0, 23)},
		"a damage": {r.run(0, 23), r.run(23, 1)},
	} {
		ctx, cancel := context.WithCancel(t.Context())
		reader := s.Read(ctx, Inline(runs))
		var first, err error
		for first == nil {
			_, first = reader.Next()
		}
		cancel()
		for range 20 { // the order of events is left to chance
			if _, err = reader.Next(); err != first {
				t.Errorf("%s: %v, and after the context has ended %v", what, first, err)
			}
		}
		reader.Close()
		if _, err = reader.Next(); err != first {
			t.Errorf("%s: %v, and after Close %v", what, first, err)
		}
	}
}

// One frame that can't be read leaves the others readable, and is named.
func TestIdentifyDamagedFrame(t *testing.T) {
	r := small(t)
	slab, err := r.open(t, r.storage).Open(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	changed := r.slabBytes(t)
	changed[slab.offsets[2]+3] ^= 1
	s := r.open(t, &exchanged{r.storage, names.Slab(r.slab), changed})
	var bad []int
	err = s.Identify(t.Context(), slab, func(frame int, ids []crypt.Identity, err error) error {
		if err != nil {
			bad = append(bad, frame)
			wantDamage(t, "a changed frame", err, r.slab)
			if e, ok := errors.AsType[*SlabError](err); !ok || e.Frame != 2 {
				t.Errorf("frame 2 is not named: %v", err)
			}
		}
		return nil
	})
	if err != nil || !slices.Equal(bad, []int{2}) {
		t.Errorf("bad frames: %v, %v", bad, err)
	}
}

// readable reads each chunk by itself, through st, and gives how many could be
// read. A chunk is right or damaged, and never wrong.
func (r *stored) readable(t *testing.T, what string, st storage.Storage) int {
	t.Helper()
	s, err := New(st, r.id, r.keys)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	good := 0
	for i := range r.chunks {
		reader := s.Read(t.Context(), Inline([]format.Run{r.run(i, 1)}))
		got, _, err := readAll(reader.Next)
		reader.Close()
		switch {
		case err == nil && len(got) == 1 && bytes.Equal(got[0], r.chunks[i]):
			good++
		case err == nil:
			t.Errorf("%s: chunk %d is wrong", what, i)
		case !errors.Is(err, format.ErrDamaged) && !errors.Is(err, format.ErrUnknownVersion) && !errors.Is(err, crypt.ErrUnknownWrapping):
			t.Errorf("%s: chunk %d: %v", what, i, err)
		case !errors.As(err, new(*SlabError)):
			t.Errorf("%s: chunk %d: the slab is not named: %v", what, i, err)
		}
	}
	return good
}

func TestEveryByteChanged(t *testing.T) {
	c := noise(2, 4, 20)
	r := newStored(t, c[:1], c[1:3], c[3:])
	whole := r.slabBytes(t)
	if n := r.readable(t, "intact", r.storage); n != len(c) {
		t.Fatalf("%d chunks of %d", n, len(c))
	}
	trailer := len(whole) - format.TrailerSize
	slab, err := r.open(t, r.storage).Open(t.Context(), r.slab)
	if err != nil || !slab.Frames[3].Padding {
		t.Fatal(err)
	}
	padding := int(slab.offsets[3])
	for i := range whole {
		changed := bytes.Clone(whole)
		changed[i] ^= 1 << (i % 8)
		good := r.readable(t, fmt.Sprint("byte ", i, " changed"), &exchanged{r.storage, names.Slab(r.slab), changed})
		if i >= trailer && good != len(c) {
			t.Errorf("byte %d of the trailer changed: %d chunks are readable, for there is another copy", i-trailer, good)
		}
		if nobodys := i >= padding && i < padding+int(slab.Frames[3].Sealed); i < trailer && (good == len(c)) != nobodys {
			t.Errorf("byte %d changed and not noticed", i)
		}
	}
}

func TestEveryLength(t *testing.T) {
	c := noise(2, 4, 20)
	r := newStored(t, c[:1], c[1:3], c[3:])
	whole := r.slabBytes(t)
	for n := range whole {
		if good := r.readable(t, fmt.Sprint("cut at ", n), &exchanged{r.storage, names.Slab(r.slab), whole[:n]}); good != 0 {
			t.Errorf("cut at %d and not noticed", n)
		}
	}
	longer := append(bytes.Clone(whole), 0)
	if good := r.readable(t, "a byte longer", &exchanged{r.storage, names.Slab(r.slab), longer}); good != 0 {
		t.Error("a byte behind the slab is not noticed")
	}
}

// A slab under another slab's name, and frames at each other's place.
func TestSlabsExchanged(t *testing.T) {
	r := newStored(t, noise(3, 1, 1), noise(4, 1, 1)) // frames of the same length
	other := r.takeIn(t, noise(5, 1, 1), noise(6, 1, 1))
	b := make([]byte, len(r.slabBytes(t)))
	if err := r.storage.ReadAt(t.Context(), names.Slab(other[0].Slab), b, 0); err != nil {
		t.Fatal(err)
	}
	if n := r.readable(t, "another slab", &exchanged{r.storage, names.Slab(r.slab), b}); n != 0 {
		t.Error("another slab is read")
	}
	slab, err := r.open(t, r.storage).Open(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	if slab.Frames[0].Sealed != slab.Frames[1].Sealed {
		t.Fatal("the frames differ in length")
	}
	swapped := r.slabBytes(t)
	one, two, end := slab.offsets[0], slab.offsets[1], slab.offsets[1]+int64(slab.Frames[1].Sealed)
	copy(swapped[one:], append(bytes.Clone(swapped[two:end]), swapped[one:two]...))
	if n := r.readable(t, "frames swapped", &exchanged{r.storage, names.Slab(r.slab), swapped}); n != 0 {
		t.Error("frames at each other's place are read")
	}
}

// forge gives a slab whose parts authenticate, with the given frames' plaintexts,
// table and place of the sections, which need not belong together.
func (r *stored) forge(t *testing.T, packed [][]byte, table format.SlabTable, sections int) storage.Storage {
	t.Helper()
	return &exchanged{r.storage, names.Slab(r.slab), r.sealed(t, r.slab, packed, table, sections)}
}

// sealed gives the bytes of such a slab, of any id.
func (r *stored) sealed(t testing.TB, id format.SlabID, packed [][]byte, table format.SlabTable, sections int) []byte {
	t.Helper()
	name := crypt.ObjectName{Repository: r.id, Kind: format.Slab.String(), Name: id.String()}
	sealer, kind, wrapped, err := r.keys.NewSealer(name)
	if err != nil {
		t.Fatal(err)
	}
	b := format.AppendHeader(nil, format.Header{Kind: format.Slab, Wrapping: kind, Wrapped: wrapped})
	for i, p := range packed {
		b = sealer.Seal(b, p, crypt.Piece{Kind: crypt.PieceFrame, Number: uint64(i)})
	}
	trailer := format.Trailer{Sections: uint64(len(b) + sections)}
	plain := table.Encode()
	b = format.AppendSectionHead(b, format.TableSection, true, len(plain)+crypt.Overhead)
	b = sealer.Seal(b, plain, crypt.Piece{Kind: crypt.PieceSection, Number: uint64(format.TableSection)})
	trailer.Length = uint64(len(b) + format.TrailerSize)
	return format.AppendTrailer(b, trailer, sealer)
}

// A slab that was written wrongly, by somebody who has the key.
func TestForgedSlabs(t *testing.T) {
	r := newStored(t, [][]byte{[]byte("twelve bytes")})
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1))
	if err != nil {
		t.Fatal(err)
	}
	packed := enc.EncodeAll(r.chunks[0], nil)
	sealed := uint32(len(packed) + crypt.Overhead)
	bomb := enc.EncodeAll(make([]byte, 4*format.MaxFrameRaw), nil)
	frames := func(f ...format.Frame) format.SlabTable { return format.SlabTable{Frames: f} }
	good := format.Frame{Kind: format.Zstd, Sealed: sealed, Chunks: []uint32{12}}
	tests := []struct {
		name     string
		packed   []byte
		table    format.SlabTable
		sections int
		want     error
	}{
		{"nothing", packed, frames(good), 0, nil},
		{"unknown kind", packed, frames(format.Frame{Kind: 3, Sealed: sealed, Chunks: []uint32{12}}), 0, format.ErrUnknownPart},
		{"frame shorter", packed, frames(format.Frame{Kind: format.Zstd, Sealed: sealed - 1, Chunks: []uint32{12}}), 0, format.ErrDamaged},
		{"frame longer", packed, frames(format.Frame{Kind: format.Zstd, Sealed: sealed + 1, Chunks: []uint32{12}}), 0, format.ErrDamaged},
		{"frames into the sections", packed, frames(good, good), 0, format.ErrDamaged},
		{"no frames", packed, frames(), 0, format.ErrDamaged},
		{"chunks shorter", packed, frames(format.Frame{Kind: format.Zstd, Sealed: sealed, Chunks: []uint32{11}}), 0, format.ErrDamaged},
		{"chunks longer", packed, frames(format.Frame{Kind: format.Zstd, Sealed: sealed, Chunks: []uint32{12, 1}}), 0, format.ErrDamaged},
		{"sections earlier", packed, frames(good), -1, format.ErrDamaged},
		{"no zstd", make([]byte, len(packed)), frames(good), 0, format.ErrDamaged},
		{"a bomb", bomb, frames(format.Frame{Kind: format.Zstd, Sealed: uint32(len(bomb) + crypt.Overhead), Chunks: []uint32{12}}), 0, format.ErrDamaged},
	}
	for _, test := range tests {
		s := r.open(t, r.forge(t, [][]byte{test.packed}, test.table, test.sections))
		reader := s.Read(t.Context(), Inline([]format.Run{r.run(0, 1)}))
		_, _, err := readAll(reader.Next)
		reader.Close()
		if !errors.Is(err, test.want) || err != nil && !errors.As(err, new(*SlabError)) {
			t.Errorf("%s: got %v, want %v", test.name, err, test.want)
		}
	}
}

func BenchmarkRead(b *testing.B) {
	c := noise(1, 2000, 30000)
	r := newStored(b, c)
	total := len(bytes.Join(c, nil))
	b.SetBytes(int64(total))
	b.ReportAllocs()
	for b.Loop() {
		s, err := New(r.storage, r.id, r.keys)
		if err != nil {
			b.Fatal(err)
		}
		reader := s.Read(b.Context(), Inline([]format.Run{r.run(0, len(c))}))
		n, err := io.Copy(io.Discard, Bytes(reader.Next))
		if err != nil || n != int64(total) {
			b.Fatal(n, err)
		}
		reader.Close()
		s.Close()
	}
}

// A small slab takes one call where its length is known, also if several ask at
// once, and its frames take none. A length that is wrong does no harm.
func TestCallsOfASmallSlab(t *testing.T) {
	r := small(t)
	info, err := r.storage.Stat(t.Context(), names.Slab(r.slab))
	if err != nil {
		t.Fatal(err)
	}
	for name, test := range map[string]struct {
		length int64
		calls  int
	}{
		"known":     {info.Size, 1},
		"too short": {info.Size - 1, 3},
		"too long":  {info.Size + 1, 3},
		"none":      {0, 3},
	} {
		t.Run(name, func(t *testing.T) {
			faulty := storagetest.NewFaulty(r.storage)
			s := r.open(t, faulty)
			s.guess = tailGuess
			s.Expect(func(id format.SlabID) (int64, bool) { return test.length, id == r.slab })
			var g sync.WaitGroup
			for range 4 {
				g.Go(func() {
					if _, err := s.Open(t.Context(), r.slab); err != nil {
						t.Error(err)
					}
				})
			}
			g.Wait()
			r.wantRuns(t, s, []format.Run{r.run(0, 23)})
			if n := faulty.Calls(storagetest.Any); n > test.calls {
				t.Errorf("%d calls, want %d", n, test.calls)
			}
		})
	}
}

// Who asks for a slab beside somebody who is told to stop gets it.
func TestSlabSharedWithOneThatStops(t *testing.T) {
	r := small(t)
	faulty := storagetest.NewFaulty(r.storage)
	faulty.Inject(storagetest.Fault{Method: storagetest.ReadAt, From: 0, Once: true, Effect: storagetest.Hang})
	s := r.open(t, faulty)
	begun := make(chan struct{})
	var once sync.Once
	faulty.Before(func(m storagetest.Method, _ string) {
		if m == storagetest.ReadAt {
			once.Do(func() { close(begun) })
		}
	})
	ctx, cancel := context.WithCancel(t.Context())
	first := make(chan error)
	go func() { _, err := s.Open(ctx, r.slab); first <- err }()
	<-begun
	second := make(chan error)
	go func() { _, err := s.Open(t.Context(), r.slab); second <- err }()
	cancel()
	if err := <-first; !errors.Is(err, context.Canceled) {
		t.Errorf("the first one got %v", err)
	}
	if err := <-second; err != nil {
		t.Errorf("the second one got %v", err)
	}
}
