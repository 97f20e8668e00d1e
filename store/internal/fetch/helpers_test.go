package fetch

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"runtime"
	"sync/atomic"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// stored is a repository that holds one slab of known chunks.
type stored struct {
	storage storage.Storage
	id      crypt.RepositoryID
	keys    *crypt.Keys
	slab    format.SlabID
	chunks  [][]byte // in the order in which they lie in the slab
	parity  int      // percent, of slabs to come
}

// newStored takes in frames of chunks, which must all differ.
func newStored(t testing.TB, frames ...[][]byte) *stored { return newStoredWith(t, 0, frames...) }

// newStoredWith is newStored with so much parity.
func newStoredWith(t testing.TB, parity int, frames ...[][]byte) *stored {
	t.Helper()
	noLeaks(t)
	id := crypt.NewRepositoryID()
	keys, err := crypt.NewRootKey().Derive(id)
	if err != nil {
		t.Fatal(err)
	}
	r := &stored{storage: storage.NewMemory(), id: id, keys: keys, parity: parity}
	runs := r.takeIn(t, frames...)
	r.slab = runs[0].Slab
	for _, chunks := range frames {
		r.chunks = append(r.chunks, chunks...)
	}
	return r
}

// takeIn stores frames of chunks in a slab of their own and gives their runs.
func (r *stored) takeIn(t testing.TB, frames ...[][]byte) (runs []format.Run) {
	t.Helper()
	in, err := intake.New(t.Context(), intake.Config{
		Storage: r.storage, Repository: r.id, Keys: r.keys, Index: known.New(), MaxChunk: format.MaxChunk,
		Level: zstd.SpeedFastest, Workers: 1, Parity: r.parity, TableName: func() string { return format.NewSlabID().String() },
	})
	if err != nil {
		t.Fatal(err)
	}
	s := in.Stream(intake.Contents)
	for _, chunks := range frames {
		for _, c := range chunks {
			buf, err := in.Reserve()
			if err != nil {
				t.Fatal(err)
			}
			in.Put(s, copy(buf, c))
		}
		if err := in.Settle(); err != nil { // closes the frame
			t.Fatal(err)
		}
	}
	if _, err := in.Close(); err != nil {
		t.Fatal(err)
	}
	if err := s.Runs(func(run format.Run) error { runs = append(runs, run); return nil }); err != nil {
		t.Fatal(err)
	}
	return runs
}

// noLeaks fails a test after which more goroutines are left than before.
func noLeaks(t testing.TB) {
	before := runtime.NumGoroutine()
	t.Cleanup(func() {
		for end := time.Now().Add(10 * time.Second); runtime.NumGoroutine() > before; runtime.Gosched() {
			if time.Now().After(end) {
				stacks := make([]byte, 1<<16)
				t.Errorf("%d goroutines before and %d after:\n%s", before, runtime.NumGoroutine(), stacks[:runtime.Stack(stacks, true)])
				return
			}
		}
	})
}

// open gives a reader of its own, through st, that is closed when the test ends.
func (r *stored) open(t testing.TB, st storage.Storage) *Slabs {
	t.Helper()
	s, err := New(st, r.id, r.keys)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	s.guess = int64(format.TrailerSize) // else a small slab is read with one call
	return s
}

func (r *stored) run(first, count int) format.Run {
	return format.Run{Slab: r.slab, First: uint32(first), Count: uint32(count), Times: 1}
}

// want gives the chunks that runs name.
func (r *stored) want(runs []format.Run) (chunks [][]byte) {
	for _, run := range runs {
		for range run.Times {
			chunks = append(chunks, r.chunks[run.First:run.First+run.Count]...)
		}
	}
	return chunks
}

// recipe gives the recipe of a stream of runs, at level 0.
func (r *stored) recipe(runs []format.Run) *format.Recipe {
	out := &format.Recipe{Runs: runs}
	h, digest := r.keys.NewHasher(), crypt.NewDigestHasher()
	for _, c := range r.want(runs) {
		digest.Add(h.Sum(c), len(c))
		out.Chunks++
		out.Bytes += uint64(len(c))
	}
	out.Digest = digest.Sum()
	return out
}

// slabBytes gives the slab as it is stored.
func (r *stored) slabBytes(t testing.TB) []byte {
	t.Helper()
	info, err := r.storage.Stat(t.Context(), names.Slab(r.slab))
	if err != nil {
		t.Fatal(err)
	}
	b := make([]byte, info.Size)
	if err := r.storage.ReadAt(t.Context(), info.Name, b, 0); err != nil {
		t.Fatal(err)
	}
	return b
}

// appendRuns appends the encodings of runs to dst.
func appendRuns(dst []byte, runs ...format.Run) []byte {
	enc := format.NewRunEncoder()
	for _, r := range runs {
		dst = append(dst, enc.Encode(r)...)
	}
	return dst
}

// errForgotten is given for a reader that does not keep its error.
var errForgotten = errors.New("another error the second time")

// readAll reads chunks until an error, which is nil in place of io.EOF, and must
// come again when asked for.
func readAll(next func() (Chunk, error)) (chunks [][]byte, ids []crypt.Identity, err error) {
	for {
		c, err := next()
		if err != nil {
			if _, again := next(); again != err {
				return chunks, ids, fmt.Errorf("%w: %v, then %v", errForgotten, err, again)
			}
		}
		if err == io.EOF {
			return chunks, ids, nil
		}
		if err != nil {
			return chunks, ids, err
		}
		chunks, ids = append(chunks, bytes.Clone(c.Data)), append(ids, c.ID)
	}
}

func (r *stored) wantRuns(t testing.TB, s *Slabs, runs []format.Run) {
	t.Helper()
	reader := s.Read(t.Context(), Inline(runs))
	defer reader.Close()
	got, ids, err := readAll(reader.Next)
	if err != nil {
		t.Fatalf("%v: %v", runs, err)
	}
	r.wantChunks(t, got, ids, r.want(runs))
}

func (r *stored) wantChunks(t testing.TB, got [][]byte, ids []crypt.Identity, want [][]byte) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d chunks, want %d", len(got), len(want))
	}
	h := r.keys.NewHasher()
	for i := range got {
		if !bytes.Equal(got[i], want[i]) || ids[i] != h.Sum(want[i]) {
			t.Fatalf("chunk %d differs", i)
		}
	}
}

// noise gives n chunks of 1 to size bytes that do not compress.
func noise(seed byte, n, size int) [][]byte {
	r := rand.NewChaCha8([32]byte{seed})
	chunks := make([][]byte, n)
	for i := range chunks {
		chunks[i] = make([]byte, 8+int(r.Uint64()%uint64(size)))
		r.Read(chunks[i])
	}
	return chunks
}

// lingering holds up each read until its context ends, and some time more.
type lingering struct {
	storage.Storage
	passes int64         // where reads are let pass, if not 0
	begun  chan struct{} // one for each other read
	active atomic.Int32
}

func (l *lingering) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	if off == l.passes && off != 0 {
		return l.Storage.ReadAt(ctx, name, p, off)
	}
	l.active.Add(1)
	defer l.active.Add(-1)
	l.begun <- struct{}{}
	<-ctx.Done()
	for range 1000 {
		runtime.Gosched()
	}
	return ctx.Err()
}

// exchanged holds other bytes in place of one object.
type exchanged struct {
	storage.Storage
	name string
	with []byte
}

func (e *exchanged) Stat(ctx context.Context, name string) (storage.Info, error) {
	if name != e.name {
		return e.Storage.Stat(ctx, name)
	}
	return storage.Info{Name: name, Size: int64(len(e.with))}, ctx.Err()
}

func (e *exchanged) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	if name != e.name {
		return e.Storage.ReadAt(ctx, name, p, off)
	}
	if off < 0 || off > int64(len(e.with)) || copy(p, e.with[off:]) < len(p) {
		return &storage.Error{Op: "read", Name: name, Err: io.ErrUnexpectedEOF}
	}
	return ctx.Err()
}

// wantDamage tests that an error says damage, and where.
func wantDamage(t testing.TB, what string, err error, slab format.SlabID) {
	t.Helper()
	found, ok := errors.AsType[*SlabError](err)
	if !errors.Is(err, format.ErrDamaged) || !ok || found.Slab != slab {
		t.Errorf("%s: got %v, want damage of slab %v", what, err, slab)
	}
}
