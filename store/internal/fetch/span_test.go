package fetch

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"runtime"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// far is a storage that looks at reads, and may hold them back until so many are under way at once, or refuse them.
type far struct {
	storage.Storage
	counts func(off int64, n int) bool  // which reads are looked at
	until  int                          // 0: none is held back
	refuse func(off int64, n int) error // nil: none is refused

	mu               sync.Mutex
	now, most, calls int
	reached          chan struct{}
}

func newFar(inner storage.Storage, until int, counts func(off int64, n int) bool) *far {
	return &far{Storage: inner, until: until, counts: counts, reached: make(chan struct{})}
}

func (f *far) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	if f.refuse != nil {
		if err := f.refuse(off, len(p)); err != nil {
			return err
		}
	}
	if f.counts != nil && f.counts(off, len(p)) {
		f.mu.Lock()
		f.calls++
		f.now++
		f.most = max(f.most, f.now)
		reached := f.calls == f.until
		f.mu.Unlock()
		if reached {
			for range 1000 { // more than there may be would come
				runtime.Gosched()
			}
			close(f.reached)
		}
		defer func() {
			f.mu.Lock()
			f.now--
			f.mu.Unlock()
		}()
		if f.until > 0 {
			select {
			case <-f.reached:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
	}
	return f.Storage.ReadAt(ctx, name, p, off)
}

// ofFrames tells of reads that are for frames.
func ofFrames(_ int64, n int) bool { return n > format.MaxHeader }

// ofLater tells of those that are for frames behind the first five of full length: by then all that may be is read ahead.
func ofLater(off int64, n int) bool { return ofFrames(off, n) && off > 5*format.FrameTarget }

// fullFrames is a slab of so many frames of 1 MiB that do not compress.
func fullFrames(t testing.TB, n int) *stored {
	frames, random := make([][][]byte, n), rand.NewChaCha8([32]byte{9})
	for i := range frames {
		chunk := make([]byte, format.FrameTarget)
		random.Read(chunk)
		frames[i] = [][]byte{chunk}
	}
	return newStored(t, frames...)
}

// inAMinute gives a context for what would wait for ever if it failed.
func inAMinute(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// TestSpanIsBounded: what is read with one call takes no more than its memory, also where frames are sealed that hold little.
func TestSpanIsBounded(t *testing.T) {
	for _, test := range []struct {
		sealed uint32 // of each frame
		frames int
	}{{1, 20}, {spanBytes / 4, 4}, {spanBytes/4 + 1, 3}, {spanBytes, 1}, {spanBytes + 1, 1}} {
		slab := &Slab{Frames: make([]format.Frame, 20)}
		for i := range slab.Frames {
			slab.Frames[i] = format.Frame{Sealed: test.sealed, Chunks: []uint32{10}}
		}
		s, sp := &Slabs{reads: 1}, newSpan(slab, 0)
		frames := 1
		for frames < len(slab.Frames) && s.extend(sp, slab, frames) {
			frames++
		}
		if frames != test.frames || sp.sealed != frames*int(test.sealed) {
			t.Errorf("frames of %d bytes: %d in %d bytes, not %d", test.sealed, frames, sp.sealed, test.frames)
		}
	}
}

// TestReadAheadRuns: however frames are read, the same runs give the same chunks.
func TestReadAheadRuns(t *testing.T) {
	r := small(t)
	rapid.Check(t, func(rt *rapid.T) {
		s := r.open(t, r.storage) // which has no frame yet
		s.ReadAhead(3)
		runs := genRuns(len(r.chunks)).Draw(rt, "runs")
		for i := range runs {
			runs[i].Slab = r.slab
		}
		r.wantRuns(t, s, runs)
	})
}

// TestReadsAtOnce: as many reads come to be under way as may be, and no more, each of two frames of full length; so it is where slabs
// are verified, with the frame of padding. What is near is read frame by frame.
func TestReadsAtOnce(t *testing.T) {
	r := fullFrames(t, 14)
	runs := []format.Run{r.run(0, 14)}
	ways := map[string]struct {
		calls, near int
		do          func(context.Context, *Slabs) error
	}{
		"read": {5, 9, func(ctx context.Context, s *Slabs) error {
			reader := s.ReadWith(ctx, Inline(runs), ReadOptions{Lend: true})
			defer reader.Close()
			for i := 0; ; i++ {
				c, err := reader.Next()
				if err == io.EOF && i == len(r.chunks) {
					return nil
				}
				if err != nil || !bytes.Equal(c.Data, r.chunks[i]) {
					return errors.Join(errors.New("another chunk"), err)
				}
			}
		}},
		"verified": {5, 10, func(ctx context.Context, s *Slabs) error {
			slab, err := s.Open(ctx, r.slab)
			if err != nil {
				return err
			}
			h := r.keys.NewHasher()
			return s.Identify(ctx, slab, func(frame int, ids []crypt.Identity, err error) error {
				if err == nil && frame < len(r.chunks) && ids[0] != h.Sum(r.chunks[frame]) {
					err = errors.New("another chunk")
				}
				return err
			})
		}},
	}
	for name, way := range ways {
		for _, reads := range []int{1, 3, 5} {
			f := newFar(r.storage, reads, ofLater)
			s := r.open(t, f)
			s.workers = 1
			s.ReadAhead(reads)
			if err := way.do(inAMinute(t), s); err != nil {
				t.Fatalf("%s, %d: %v; %d reads were under way at once", name, reads, err, f.most)
			}
			if f.most != reads || f.calls != way.calls {
				t.Errorf("%s, %d: %d calls, %d of them at once", name, reads, f.calls, f.most)
			}
		}
		f := newFar(r.storage, 0, ofLater)
		if err := way.do(t.Context(), r.open(t, f)); err != nil || f.calls != way.near {
			t.Errorf("%s, near: %d calls, %v", name, f.calls, err)
		}
	}
}

// TestOpensAhead: slabs of what comes next are opened beside each other, no more than reads may be under way.
func TestOpensAhead(t *testing.T) {
	r := small(t)
	var runs []format.Run
	for i := range 9 {
		runs = append(runs, r.takeIn(t, noise(byte(10+i), 1, 40))...)
	}
	f := newFar(r.storage, 3, func(off int64, n int) bool { return off == 0 })
	s := r.open(t, f)
	s.ReadAhead(3)
	reader := s.Read(inAMinute(t), Inline(runs))
	defer reader.Close()
	if got, _, err := readAll(reader.Next); err != nil || len(got) != 9 {
		t.Fatalf("%d chunks, %v; %d slabs were opened at once", len(got), err, f.most)
	}
	// The one that is read next may be opened beside them.
	if f.most < 3 || f.most > 4 || f.calls != 9 {
		t.Errorf("%d slabs were opened, %d at once", f.calls, f.most)
	}
}

// TestSpanFails: where several frames can't be read with one call, each is read by itself, and an error names the first that can't be.
func TestSpanFails(t *testing.T) {
	r := small(t)
	slab, err := r.open(t, r.storage).Open(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	longest := 0
	for i := range slab.Frames {
		longest = max(longest, int(slab.Frames[i].Sealed))
	}
	cut := slab.offsets[3] + 9
	cases := map[string]struct {
		refuse func(off int64, n int) error
		chunks int // that are read
	}{
		"long reads": {func(_ int64, n int) error {
			if n > max(longest, format.MaxHeader) {
				return io.ErrUnexpectedEOF
			}
			return nil
		}, 23},
		"beyond a byte": {func(off int64, n int) error {
			if (off >= slab.start || n > format.MaxHeader) && off <= slab.offsets[3] && off+int64(n) > cut {
				return io.ErrUnexpectedEOF
			}
			return nil
		}, 8},
	}
	for name, c := range cases {
		f := newFar(r.storage, 0, nil)
		f.refuse = c.refuse
		s := r.open(t, f)
		s.ReadAhead(2)
		reader := s.Read(t.Context(), Inline([]format.Run{r.run(0, 23)}))
		got, ids, err := readAll(reader.Next)
		reader.Close()
		r.wantChunks(t, got, ids, r.chunks[:c.chunks])
		var at *SlabError
		if c.chunks < 23 && (!errors.As(err, &at) || at.Frame != 3 || !errors.Is(err, format.ErrDamaged)) {
			t.Errorf("%s: %v", name, err)
		}
		copy, err := s.Copy(t.Context(), r.slab)
		if err != nil {
			t.Fatal(err)
		}
		whole, err := copied(t, copy)
		want := r.slabBytes(t)
		if c.chunks < 23 {
			want = want[:slab.offsets[3]]
		}
		if !bytes.Equal(whole, want) || errors.As(err, &at) != (c.chunks < 23) {
			t.Errorf("%s: copied %d bytes of %d, %v", name, len(whole), len(want), err)
		}
	}
}

// TestCopyAhead: a slab is copied with a call for each 4 MiB, to the byte, and changed bytes fail as they do where it is near.
func TestCopyAhead(t *testing.T) {
	r := fullFrames(t, 9)
	slab := r.slabBytes(t)
	f := newFar(r.storage, 0, ofFrames)
	s := r.open(t, f)
	s.ReadAhead(2)
	c, err := s.Copy(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	got, err := copied(t, c)
	if err != nil || !bytes.Equal(got, slab) || f.calls != 3 {
		t.Errorf("%d bytes of %d with %d calls, %v", len(got), len(slab), f.calls, err)
	}
	bad := bytes.Clone(slab)
	bad[len(bad)/2] ^= 1
	var said [2]string
	for i, reads := range []int{0, 2} {
		s := r.open(t, &exchanged{r.storage, names.Slab(r.slab), bad})
		s.ReadAhead(reads)
		c, err := s.Copy(t.Context(), r.slab)
		if err != nil {
			t.Fatal(err)
		}
		_, err = copied(t, c)
		wantDamage(t, "changed", err, r.slab)
		said[i] = err.Error()
	}
	if said[0] != said[1] {
		t.Errorf("%s where it is near, and %s", said[0], said[1])
	}
}

// TestCloseWhileAhead: who closes a reader that reads ahead, or whose context ends, leaves nothing running.
func TestCloseWhileAhead(t *testing.T) {
	r := fullFrames(t, 8)
	for _, ends := range []bool{false, true} {
		ctx, cancel := context.WithCancel(t.Context())
		s := r.open(t, newFar(r.storage, 100, func(off int64, n int) bool { return ofFrames(off, n) && off > 1<<21 }))
		s.ReadAhead(3)
		reader := s.Read(ctx, Inline([]format.Run{r.run(0, 8)}))
		if _, err := reader.Next(); err != nil {
			t.Fatal(err)
		}
		if ends {
			cancel()
			if _, _, err := readAll(reader.Next); !errors.Is(err, context.Canceled) {
				t.Errorf("got %v", err)
			}
		}
		reader.Close()
		cancel()
	}
}

// TestLittleIsRead: whoever reads little has little read ahead, wherever it is.
func TestLittleIsRead(t *testing.T) {
	r := fullFrames(t, 30)
	f := newFar(r.storage, 0, ofFrames)
	s := r.open(t, f)
	s.workers = 1
	s.ReadAhead(16)
	reader := s.Read(t.Context(), Inline([]format.Run{r.run(0, 30)}))
	if _, err := reader.Next(); err != nil {
		t.Fatal(err)
	}
	reader.Close()
	if f.calls > 4 {
		t.Errorf("%d calls", f.calls)
	}
}
