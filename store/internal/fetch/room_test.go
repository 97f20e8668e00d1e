package fetch

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"

	"github.com/klauspost/compress/zstd"
	"golang.org/x/sync/errgroup"
	"golang.org/x/sync/semaphore"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/storage"
)

// wide says how a frame is forged: so many bytes of zeros, said by so many bases of a MiB each, which stand on as many where it is
// deeper, and are nobody else's.
type wide struct {
	raw, bases int
	depth      uint32
	literals   bool // both parts are about as long as the frame
}

// forged is a slab of such frames.
type forged struct {
	*deltas
	id     format.SlabID
	frames []func() (format.Frame, []byte)
	chunks uint32
	above  []int // numbers of the frames on which none stands
}

func forge(t *testing.T, frames ...wide) *forged {
	f := &forged{deltas: newDeltas(t), id: format.NewSlabID()}
	for _, w := range frames {
		f.add(w)
		f.above = append(f.above, len(f.frames)-1)
	}
	f.put(f.id, f.frames...)
	return f
}

// add adds a frame behind all that it stands on, and gives its first chunk.
func (f *forged) add(w wide) uint32 {
	var zeros [][]byte
	for left := w.raw; left > 0; left -= format.MaxChunk {
		zeros = append(zeros, make([]byte, min(left, format.MaxChunk)))
	}
	frame := give(f.plain(zeros...))
	if w.depth > 0 {
		var bases []format.Base
		for range w.bases {
			bases = append(bases, format.Base{Slab: f.id, First: f.add(wide{format.MaxBaseRaw, w.bases, w.depth - 1, false}), Count: 1})
		}
		copies, literals := w.parts()
		frame = give(f.said(w.depth, copies, make([]byte, literals), bases, zeros))
	}
	f.frames = append(f.frames, frame)
	f.chunks += uint32(len(zeros))
	return f.chunks - uint32(len(zeros))
}

// parts gives copies out of each base, and how many literals there are.
func (w wide) parts() (copies []byte, literals int) {
	from, copied, length := 0, 0, w.raw/w.bases
	if w.literals {
		length = 1
	}
	step := func(to, n int) {
		copies = binary.AppendUvarint(binary.AppendVarint(append(copies, 0), int64(to-from)), uint64(n))
		from, copied = to+n, copied+n
	}
	for i := range w.bases {
		step(i*format.MaxBaseRaw, length)
	}
	if w.literals {
		step(0, 1)
		for len(copies) < w.raw-3 && copied < w.bases*format.MaxBaseRaw {
			step(from, 1)
		}
	}
	return copies, w.raw - copied
}

// opened gives a reader of the slab with so many workers, through a storage that looks at reads of frames of a depth.
func (f *forged) opened(t *testing.T, workers, until int, depth uint32) (*Slabs, *Slab, *far) {
	t.Helper()
	var slab *Slab
	st := newFar(f.storage, until, func(off int64, _ int) bool {
		for n := range slab.offsets {
			if slab.offsets[n] == off {
				return slab.Frames[n].Depth == depth
			}
		}
		return false
	})
	s := f.open(t, f.storage)
	s.workers, s.room = workers, newRoom(workers)
	slab, err := s.Open(t.Context(), f.id)
	if err != nil {
		t.Fatal(err)
	}
	s.storage, s.ends = st, newLRU[format.SlabID, *end](cacheEnds) // which frames may lie in
	return s, slab, st
}

// TestRoom holds reads back until as many frames as there is room for are put together at once, and more do not come.
func TestRoom(t *testing.T) {
	const workers = 12
	for _, test := range []struct {
		name string
		wide
		atOnce int
	}{
		{"as wide as may be", wide{format.MaxFrameRaw, format.MaxBaseFrames, 1, false}, 1}, // itself, two parts, and bases: 32 MiB
		{"shorter", wide{format.FrameTarget, 1, 1, false}, 15},                             // 4 MiB and some bytes
		{"two deep", wide{format.FrameTarget, 1, 2, false}, 9},                             // 7 MiB
		{"as writers make them", wide{format.DeltaTarget, 2, 1, false}, 99},                // 2.75 MiB
	} {
		var all []wide
		for range workers + waiting + 2 {
			all = append(all, test.wide)
		}
		if test.atOnce == 1 {
			all = all[:4]
		}
		f := forge(t, all...)
		for way, do := range map[string]struct {
			most int // by other rules
			read func(context.Context, *Slabs, *Slab) error
		}{
			"read":       {workers + waiting, f.readAll},
			"identified": {workers, f.identifyAll},
			"one by one": {1, f.readEach},
			"copied":     {1, f.copyAll},
		} {
			want := min(test.atOnce, do.most)
			s, slab, st := f.opened(t, workers, want, 0)
			if err := do.read(inAMinute(t), s, slab); err != nil {
				t.Fatalf("%s, %s: %v; %d at once", test.name, way, err, st.most)
			}
			if st.most != want {
				t.Errorf("%s, %s: %d frames at once, want %d", test.name, way, st.most, want)
			}
			if !s.room.TryAcquire(int64(s.room.size)) {
				t.Errorf("%s, %s: room was not given back", test.name, way)
			}
		}
	}
}

// readAll reads all frames on which none stands.
func (f *forged) readAll(ctx context.Context, s *Slabs, slab *Slab) error {
	var runs []format.Run
	for _, n := range f.above {
		runs = append(runs, format.Run{Slab: f.id, First: slab.first[n], Count: uint32(len(slab.Frames[n].Chunks)), Times: 1})
	}
	return readThrough(s.ReadWith(ctx, Inline(runs), ReadOptions{Lend: true, NoIdentities: true}))
}

// readThrough reads all and closes the reader.
func readThrough(r *Reader) error {
	defer r.Close()
	for {
		if _, err := r.Next(); err == io.EOF {
			return nil
		} else if err != nil {
			return err
		}
	}
}

func (f *forged) readEach(ctx context.Context, s *Slabs, slab *Slab) error {
	for _, n := range f.above {
		if _, err := s.ReadFrame(ctx, slab, n, nil); err != nil {
			return err
		}
	}
	return nil
}

func (f *forged) copyAll(ctx context.Context, s *Slabs, _ *Slab) error {
	c, err := s.Copy(ctx, f.id)
	if err == nil {
		_, err = io.Copy(io.Discard, c)
	}
	return err
}

func (f *forged) identifyAll(ctx context.Context, s *Slabs, slab *Slab) error {
	return s.IdentifyFrames(ctx, slab, f.above, func(_ int, _ []crypt.Identity, err error) error { return err })
}

// weighing measures at each read what is in memory beside the cache and buffers that wait to be used again.
type weighing struct {
	storage.Storage
	of   *Slabs
	most int
}

func (w *weighing) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	w.most = max(w.most, w.now())
	return w.Storage.ReadAt(ctx, name, p, off)
}

func (w *weighing) now() int {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	held := int(m.HeapAlloc)
	b := &w.of.buffers
	for _, l := range []*freeList{&b.sealedFree, &b.rawFree, &b.shortFree} {
		for _, buf := range l.free {
			held -= cap(buf)
		}
	}
	w.of.mu.Lock()
	defer w.of.mu.Unlock()
	for _, e := range w.of.frames.entries {
		if f := e.Value.(*entry[frameKey, *cachedFrame]).value; f.users == 0 {
			held -= cap(f.raw)
		}
	}
	return held
}

// TestNeed measures what is in memory at each read while a frame is put together: no more than need says, and about that.
func TestNeed(t *testing.T) {
	const beside = 1 << 20 // what else is in memory, as the decoder's tables
	for _, w := range []wide{
		{format.MaxFrameRaw, 8, 2, true}, {format.MaxFrameRaw, 8, 1, true}, {format.MaxFrameRaw, 8, 1, false}, {format.FrameTarget, 1, 1, true},
		{format.DeltaTarget, 3, 2, false},
	} {
		f := forge(t, w)
		s, slab, _ := f.opened(t, 1, 0, 0)
		weight := &weighing{Storage: f.storage, of: s}
		s.storage = weight
		n := f.above[0]
		before, need := weight.now(), s.need(slab, n)
		lent, err := s.lend(t.Context(), slab, n, purpose{})
		if err != nil {
			t.Fatal(err)
		}
		s.giveBack(lent)
		if took := weight.most - before; took > need+beside || took < need/2 {
			t.Errorf("%+v: %d bytes were taken, and %d are needed by what tables say", w, took, need)
		}
	}
}

// TestNeedOfUnopened: of a base in a slab that is not open the most is supposed that a base takes, until taking room opens it; where
// that fails, it stays so.
func TestNeedOfUnopened(t *testing.T) {
	d := newDeltas(t)
	low, above, gone := format.NewSlabID(), format.NewSlabID(), format.NewSlabID()
	chunk := make([]byte, 1000)
	on := func(id format.SlabID) []format.Base { return []format.Base{{Slab: id, First: 0, Count: 1}} }
	d.put(low, give(d.plain(chunk)))
	d.put(above, give(d.delta(1, chunk, on(low), chunk)), give(d.delta(2, chunk, on(low), chunk)), give(d.delta(2, chunk, on(gone), chunk)))
	s := d.open(t, d.storage)
	slab, err := s.Open(t.Context(), above)
	if err != nil {
		t.Fatal(err)
	}
	const own, base = 3 * (1000 + slack), format.MaxBaseRaw + slack
	most := []int{own + base + format.MaxFrameSealed, own + base + 10*base + format.MaxFrameSealed, own + base + 10*base + format.MaxFrameSealed}
	for n, want := range most {
		if got := s.need(slab, n); got != want {
			t.Errorf("frame %d: %d bytes, want %d", n, got, want)
		}
	}
	for n := range most {
		done, err := s.take(t.Context(), slab, n, purpose{})
		if err != nil {
			t.Fatal(err)
		}
		done()
	}
	for n, most := range most {
		if got := s.need(slab, n); n < 2 && got > 2*own || n == 2 && got != most {
			t.Errorf("frame %d: %d bytes once its base may be open", n, got)
		}
	}
}

// TestIdentifyKeepsNoLongBuffer: the buffer of a frame that is longer than nearly all are is not kept for the next one, as there is no room
// for it then; that of others is.
func TestIdentifyKeepsNoLongBuffer(t *testing.T) {
	f := forge(t, wide{raw: 2 * format.FrameTarget}, wide{raw: format.FrameTarget})
	s, slab, _ := f.opened(t, 1, 0, 0)
	o := identifier{s: s, slab: slab, hasher: s.keys.NewHasher()}
	for n, most := range []int{0, usualRaw} {
		if _, err := o.identify(t.Context(), n, nil); err != nil {
			t.Fatal(err)
		}
		if got := cap(o.buf); got > most || (got == 0) != (most == 0) {
			t.Errorf("frame %d: %d bytes are kept, want %d at the most", n, got, most)
		}
	}
}

// TestRoomForOne: where there is room for one frame at a time, all are read all the same, by several readers at once, in any order,
// also those that somebody else reads as bases.
func TestRoomForOne(t *testing.T) {
	f := forge(t, wide{1000, 2, 2, false}, wide{1000, 2, 2, true}, wide{1000, 1, 1, false})
	ctx := inAMinute(t)
	for round := range 8 {
		s, slab, _ := f.opened(t, 4, 0, 0)
		s.room = room{semaphore.NewWeighted(1), 1}
		var readers errgroup.Group
		for seed := range uint64(4) {
			readers.Go(func() error {
				var runs []format.Run
				for _, n := range rand.New(rand.NewPCG(uint64(round), seed)).Perm(len(slab.Frames)) {
					runs = append(runs, format.Run{Slab: f.id, First: slab.first[n], Count: 1, Times: 1})
				}
				return readThrough(s.ReadWith(ctx, Inline(runs), ReadOptions{Lend: seed%2 == 0}))
			})
		}
		if err := readers.Wait(); err != nil {
			t.Fatal(err)
		}
	}
}

// TestTakeEnds: who waits for room heeds the context.
func TestTakeEnds(t *testing.T) {
	f := forge(t, wide{1000, 1, 1, false})
	s, slab, _ := f.opened(t, 4, 0, 0)
	s.room = room{semaphore.NewWeighted(1), 1}
	done, err := s.take(t.Context(), slab, 0, purpose{})
	if err != nil {
		t.Fatal(err)
	}
	stop := errors.New("enough")
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(stop)
	for what, read := range map[string]func() error{
		"lent":       func() error { _, err := s.lend(ctx, slab, 1, purpose{}); return err },
		"kept":       func() error { _, err := s.Frame(ctx, slab, 1); return err },
		"alone":      func() error { _, err := s.ReadFrame(ctx, slab, 1, nil); return err },
		"identified": func() error { return f.identifyAll(ctx, s, slab) },
	} {
		if err := read(); err != stop {
			t.Errorf("%s: %v", what, err)
		}
	}
	done()
	if _, err := s.Frame(t.Context(), slab, 1); err != nil {
		t.Errorf("once there is room again: %v", err)
	}
}

// TestLyingLengths: what holds more than its table says takes no memory for that, and is damage.
func TestLyingLengths(t *testing.T) {
	d := newDeltas(t)
	bomb, id := make([]byte, format.MaxFrameRaw), format.NewSlabID()
	packed := d.part(bomb)
	var stream bytes.Buffer
	w, err := zstd.NewWriter(&stream, zstd.WithEncoderConcurrency(1)) // as a stream, it does not say how long it is
	if err != nil {
		t.Fatal(err)
	}
	for range 8 {
		w.Write(bomb[:1<<20])
	}
	w.Close()
	plain := func(packed []byte) func() (format.Frame, []byte) {
		return give(format.Frame{Kind: format.Zstd, Sealed: uint32(len(packed) + crypt.Overhead), Chunks: []uint32{100}}, packed)
	}
	said := func(copies, literals []byte) func() (format.Frame, []byte) {
		return give(format.Frame{
			Kind: format.Delta, Sealed: uint32(len(copies) + len(literals) + crypt.Overhead), Chunks: []uint32{100},
			Standing: format.Standing{Depth: 1, Copies: uint32(len(copies)), Bases: []format.Base{{Slab: id, First: 0, Count: 1}}},
		}, slices.Concat(copies, literals))
	}
	step := d.part([]byte{0, 0, 100})
	d.put(id, give(d.plain(make([]byte, 100))), plain(packed), plain(stream.Bytes()), said(packed, nil), said(step, packed), said(step, stream.Bytes()))
	s := d.open(t, d.storage)
	slab, err := s.Open(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	for n := 1; n < len(slab.Frames); n++ {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := s.Frame(t.Context(), slab, n)
		runtime.ReadMemStats(&after)
		if took := after.TotalAlloc - before.TotalAlloc; !errors.Is(err, format.ErrDamaged) || took > 1<<20 {
			t.Errorf("frame %d: %d bytes of memory for 100, %v", n, took, err)
		}
	}
}

// TestRoomGrows: there is more room where there are many workers, and never less than any frame needs.
func TestRoomGrows(t *testing.T) {
	for workers, want := range map[int]int{1: leastRoom, 12: leastRoom, 13: 13 * workerRoom, 100: 100 * workerRoom} {
		r := newRoom(workers)
		if r.size != want || !r.TryAcquire(int64(want)) || r.TryAcquire(1) {
			t.Errorf("%d workers have %d bytes, want %d", workers, r.size, want)
		}
	}
	if most := buffered(format.MaxFrameRaw) + mostBeside(format.MaxDepth); most > leastRoom {
		t.Errorf("a frame may need %d bytes", most)
	}
}
