package intake

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"io"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// crowded is a storage that holds slabs back, complete, until so many are being put at once, and counts them.
type crowded struct {
	storage.Storage
	until   int
	reached chan struct{}

	mu        sync.Mutex
	now, most int
	begun     int
}

func newCrowded(inner storage.Storage, until int) *crowded {
	return &crowded{Storage: inner, until: until, reached: make(chan struct{})}
}

func (c *crowded) Put(ctx context.Context, name string, content io.Reader) error {
	if !strings.HasPrefix(name, names.Slabs) {
		return c.Storage.Put(ctx, name, content)
	}
	c.mu.Lock()
	c.begun++
	c.now++
	c.most = max(c.most, c.now)
	if c.begun == c.until {
		close(c.reached)
	}
	c.mu.Unlock()
	slab, err := io.ReadAll(content)
	if err != nil {
		return err
	}
	select {
	case <-c.reached:
	case <-ctx.Done():
		return context.Cause(ctx)
	}
	err = c.Storage.Put(ctx, name, bytes.NewReader(slab))
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now--
	return err
}

// smallSlabs has room for three of the chunks of putEach.
const smallSlabs = 4 * testMaxChunk

// putEach puts chunks, each of which becomes a frame of its own.
func putEach(in *Intake, s *Stream, chunks ...[]byte) error {
	for _, c := range chunks {
		if err := putAll(in, s, c); err != nil {
			return err
		}
		if err := in.Settle(); err != nil {
			return err
		}
	}
	return nil
}

// TestPutsAtOnce: as many slabs are put at once as may be, and no more.
func TestPutsAtOnce(t *testing.T) {
	for _, puts := range []int{0, 1, 2, 3, 5} {
		r := newRepo(t)
		want := cmp.Or(puts, 2)
		c := newCrowded(r.storage, want)
		r.storage, r.puts, r.slabTarget = c, puts, smallSlabs
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute) // where too few are put it would wait for ever
		in := r.start(t, ctx, known.New())
		s := in.Stream(Contents)
		chunks := noise(9, 40, testMaxChunk)
		err := putEach(in, s, chunks...)
		if err == nil {
			_, err = in.Close()
		}
		cancel()
		if err != nil {
			t.Fatalf("%d puts: %v; %d slabs were put at once", puts, err, c.most)
		}
		if c.most != want || c.begun < 2*want {
			t.Errorf("%d puts: of %d slabs %d were put at once", puts, c.begun, c.most)
		}
		r.wantWhole(t)
		r.wantIdentities(t, s, chunks)
	}
}

// TestPutOfManyFails: whichever of the puts under way fails, the session does, tables list what arrived and nothing else, and the
// next session stores the rest.
func TestPutOfManyFails(t *testing.T) {
	chunks := noise(9, 20, testMaxChunk)
	for k, fired := 0, true; fired; k++ {
		r := newRepo(t)
		faulty := storagetest.NewFaulty(r.storage)
		faulty.Inject(storagetest.Fault{Method: storagetest.Put, From: k, Once: true})
		r.storage, r.puts, r.slabTarget = faulty, 4, smallSlabs
		in := r.start(t, t.Context(), known.New())
		err := putEach(in, in.Stream(Contents), chunks...)
		if err == nil {
			_, err = in.Close()
		}
		if fired = err != nil; !fired {
			if k < 6 {
				t.Errorf("%d puts in all", k)
			}
			r.wantWhole(t)
			break
		}
		if !errors.Is(err, storagetest.ErrInjected) {
			t.Errorf("put %d: %v", k, err)
		}
		if err := in.Abandon(t.Context()); err != nil {
			t.Errorf("put %d: abandoned: %v", k, err)
		}
		r.wantWhole(t)
		arrived := r.distinct(t)
		in = r.start(t, t.Context(), r.known(t))
		s := in.Stream(Contents)
		mustPut(t, in, s, chunks...)
		mustClose(t, in)
		if got := int(s.Fresh()) / testMaxChunk; got != len(chunks)-arrived {
			t.Errorf("put %d: %d chunks are stored by the next session, and %d of %d had arrived", k, got, arrived, len(chunks))
		}
		r.wantIdentities(t, s, chunks)
	}
}

// failsLate is a storage in which the first slab fails once all others have been put that are put beside it.
type failsLate struct {
	storage.Storage
	beside int

	mu    sync.Mutex
	begun int
	done  chan struct{} // holds one for each slab that was put
}

func (f *failsLate) Put(ctx context.Context, name string, content io.Reader) error {
	if !strings.HasPrefix(name, names.Slabs) {
		return f.Storage.Put(ctx, name, content)
	}
	f.mu.Lock()
	first := f.begun == 0
	f.begun++
	f.mu.Unlock()
	if !first {
		err := f.Storage.Put(ctx, name, content)
		f.done <- struct{}{}
		return err
	}
	if _, err := io.Copy(io.Discard, content); err != nil {
		return err
	}
	for range f.beside {
		select {
		case <-f.done:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	return storagetest.ErrInjected
}

// TestStandsOnLost: of slabs that arrived beside one that did not, tables list those alone that do not stand on it, by any way.
func TestStandsOnLost(t *testing.T) {
	r := newRepo(t)
	f := &failsLate{Storage: r.storage, beside: 2, done: make(chan struct{}, 10)}
	r.storage, r.puts, r.deltas, r.maxChunk, r.slabTarget = f, 3, DeltasOwn, format.MaxChunk, 400_000
	in := r.start(t, t.Context(), known.New())
	s := in.Stream(Contents)
	lost, last := long(1, 12), long(3, 12) // some 360,000 bytes each
	mustPut(t, in, s, lost...)
	for _, beside := range [][][]byte{long(2, 6), alikeOf(lost, 1), last} { // the first two of these make one slab
		if err := in.Settle(); err != nil {
			t.Fatal(err)
		}
		mustPut(t, in, s, beside...)
	}
	if _, err := in.Close(); !errors.Is(err, storagetest.ErrInjected) {
		t.Fatalf("Close gives %v", err)
	}
	if err := in.Abandon(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n := len(r.listed(t, names.Slabs)); n != 2 {
		t.Errorf("%d slabs are there", n)
	}
	if !in.AnyDeltas() {
		t.Error("nothing stands on anything")
	}
	if n := r.distinct(t); n != len(last) {
		t.Errorf("%d chunks are listed, and the slab that stands on nothing has %d", n, len(last))
	}
}
