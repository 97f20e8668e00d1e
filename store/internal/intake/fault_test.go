package intake

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
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

// Storage that fails at its k-th Put, for k = 0, 1, 2 … until no fault fires:
// the session ends with that error, leaves no goroutine, and Abandon lists
// what arrived, so that the next session stores only the rest.
func TestPutFails(t *testing.T) {
	chunks := noise(9, 20, testMaxChunk)
	effects := map[string]storagetest.Effect{"fail": storagetest.Fail, "answer lost": storagetest.FailAfter}
	for name, effect := range effects {
		t.Run(name, func(t *testing.T) {
			for k, fired := 0, true; fired; k++ {
				fired = putFails(t, chunks, storagetest.Fault{Method: storagetest.Put, From: k, Once: true, Effect: effect})
				if !fired && k != 2 {
					t.Errorf("%d puts in a session of a slab and a table", k)
				}
			}
		})
	}
}

// The same with two slabs: the first one fails while more is put, or the second
// one when the first has arrived.
func TestPutOfTwoSlabsFails(t *testing.T) {
	if testing.Short() {
		t.Skip("takes in two slabs several times")
	}
	chunks := twoSlabs()
	for k := range 2 {
		if !putFails(t, chunks, storagetest.Fault{Method: storagetest.Put, From: k, Once: true}) {
			t.Errorf("put %d: no fault fired", k)
		}
	}
}

// putFails runs a session with a fault and another one without. It tells
// whether the fault fired.
func putFails(t *testing.T, chunks [][]byte, fault storagetest.Fault) bool {
	t.Helper()
	r := newRepo(t)
	faulty := storagetest.NewFaulty(r.storage)
	faulty.Inject(fault)
	r.storage = faulty
	in := r.start(t, t.Context(), known.New())
	s := in.Stream(Contents)
	err := putAll(in, s, chunks...)
	if err == nil {
		_, err = in.Close()
	}
	if err == nil {
		r.wantWhole(t)
		return false
	}
	if !errors.Is(err, storagetest.ErrInjected) || !strings.Contains(err.Error(), "writing ") {
		t.Errorf("put %d: got error %v", fault.From, err)
	}
	if err := in.Abandon(t.Context()); err != nil {
		t.Errorf("put %d: abandoned: %v", fault.From, err)
	}

	arrived := r.distinct(t)
	if arrived == 0 && fault.From > 0 {
		t.Errorf("put %d: nothing is known of the slab before", fault.From)
	}
	in = r.start(t, t.Context(), r.known(t))
	s = in.Stream(Contents)
	mustPut(t, in, s, chunks...)
	mustClose(t, in)
	if got, want := int(s.Fresh())/testMaxChunk, len(chunks)-arrived; got != want {
		t.Errorf("put %d: %d chunks are stored by the next session, want %d", fault.From, got, want)
	}
	if fault.Effect == storagetest.Fail {
		r.wantWhole(t) // a lost answer leaves a slab that no table lists
	}
	r.wantIdentities(t, s, chunks)
	return true
}

// A storage that never works: Abandon fails as well, and soon.
func TestPutFailsForGood(t *testing.T) {
	r := newRepo(t)
	faulty := storagetest.NewFaulty(r.storage)
	faulty.Inject(storagetest.Fault{Method: storagetest.Put})
	r.storage = faulty
	r.adopted = []*format.SlabRecord{{Slab: format.SlabID{5}, Length: 500}}
	in := r.start(t, t.Context(), known.New())
	s := in.Stream(Contents)
	mustPut(t, in, s, noise(1, 10, 1000)...)
	if _, err := in.Close(); !errors.Is(err, storagetest.ErrInjected) {
		t.Errorf("Close gives %v", err)
	}
	if err := in.Abandon(t.Context()); !errors.Is(err, storagetest.ErrInjected) {
		t.Errorf("Abandon gives %v", err)
	}
	if all := r.listed(t, ""); len(all) != 0 {
		t.Errorf("stored: %q", all)
	}
}

// A table that could not be written is written by Abandon, under another name.
func TestTableFailsOnce(t *testing.T) {
	r := newRepo(t)
	faulty := storagetest.NewFaulty(r.storage)
	faulty.Inject(storagetest.Fault{Method: storagetest.Put, From: 1, Once: true})
	r.storage = faulty
	var tables []string
	faulty.Before(func(m storagetest.Method, name string) {
		if m == storagetest.Put && strings.HasPrefix(name, names.Tables) {
			tables = append(tables, name)
		}
	})
	in := r.start(t, t.Context(), known.New())
	mustPut(t, in, in.Stream(Contents), noise(1, 10, 1000)...)
	if _, err := in.Close(); !errors.Is(err, storagetest.ErrInjected) {
		t.Fatalf("Close gives %v", err)
	}
	if err := in.Abandon(t.Context()); err != nil {
		t.Fatal(err)
	}
	if len(tables) != 2 || tables[0] == tables[1] {
		t.Errorf("tables: %q", tables)
	}
	r.wantWhole(t)
}

// A context that ends while chunks are put: the session says so after a bounded
// number of further chunks, and leaves nothing running.
func TestCancelAtRandomMoments(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	const count = 120
	chunks := noise(5, count, testMaxChunk)
	for range 15 {
		stopAt := rnd.IntN(count)
		r := newRepo(t)
		r.workers = 1 + rnd.IntN(2) // so that what is under way is less than all
		ctx, cancel := context.WithCancel(t.Context())
		in := r.start(t, ctx, known.New())
		s := in.Stream(Contents)
		mustPut(t, in, s, chunks[:stopAt]...)
		cancel()
		err := putAll(in, s, chunks[stopAt:]...)
		if err == nil {
			_, err = in.Close()
		}
		if !errors.Is(err, context.Canceled) {
			t.Errorf("after %d chunks: got %v", stopAt, err)
		}
		if err := in.Abandon(t.Context()); err != nil {
			t.Errorf("after %d chunks: abandoned: %v", stopAt, err)
		}
	}
}

// A cause given with the cancellation is what is reported.
func TestCancelWithCause(t *testing.T) {
	r := newRepo(t)
	cause := errors.New("the person pressed a key")
	ctx, cancel := context.WithCancelCause(t.Context())
	in := r.start(t, ctx, known.New())
	mustPut(t, in, in.Stream(Contents), []byte("x"))
	cancel(cause)
	if _, err := in.Close(); !errors.Is(err, cause) {
		t.Errorf("Close gives %v", err)
	}
	in.Abandon(t.Context())
}

// A share that does not answer: ending the context ends the session.
func TestCancelWhilePutHangs(t *testing.T) {
	if testing.Short() {
		t.Skip("takes in a slab")
	}
	for _, before := range []int{0, len(twoSlabs())} {
		r := newRepo(t)
		faulty := storagetest.NewFaulty(r.storage)
		faulty.Inject(storagetest.Fault{Method: storagetest.Put, Effect: storagetest.Hang})
		r.storage = faulty
		ctx, cancel := context.WithCancel(t.Context())
		var once sync.Once
		faulty.Before(func(storagetest.Method, string) { once.Do(cancel) })
		in := r.start(t, ctx, known.New())
		s := in.Stream(Contents)
		err := putAll(in, s, append(twoSlabs()[:before], []byte("more"))...)
		if err == nil {
			_, err = in.Close()
		}
		if !errors.Is(err, context.Canceled) {
			t.Errorf("got %v", err)
		}
		short, stop := context.WithTimeout(t.Context(), time.Millisecond)
		if err := in.Abandon(short); err != nil {
			t.Errorf("nothing arrived, and Abandon gives %v", err)
		}
		stop()
	}
}

// Abandon ends a session at any point, also one in which nothing failed.
func TestAbandon(t *testing.T) {
	for n := range 40 {
		r := newRepo(t)
		in := r.start(t, t.Context(), known.New())
		s := in.Stream(Contents)
		mustPut(t, in, s, noise(6, n, 1+n*1500)...)
		if n%3 == 0 {
			if err := in.Settle(); err != nil {
				t.Fatal(err)
			}
		}
		if err := in.Abandon(t.Context()); err != nil {
			t.Errorf("after %d chunks: %v", n, err)
		}
		r.wantWhole(t)
	}
}

// late stores slabs only when it is told to stop, and then with success.
type late struct {
	storage.Storage
	begun chan struct{}
}

func (l *late) Put(ctx context.Context, name string, content io.Reader) error {
	if strings.HasPrefix(name, names.Slabs) {
		slab, err := io.ReadAll(content)
		if err != nil {
			return err
		}
		close(l.begun)
		<-ctx.Done()
		content = bytes.NewReader(slab)
	}
	return l.Storage.Put(context.WithoutCancel(ctx), name, content)
}

// A slab that is on its way when the session is abandoned, and arrives, is listed.
func TestAbandonWhileASlabArrives(t *testing.T) {
	if testing.Short() {
		t.Skip("takes in a slab")
	}
	r := newRepo(t)
	l := &late{r.storage, make(chan struct{})}
	r.storage = l
	in := r.start(t, t.Context(), known.New())
	s := in.Stream(Contents)
	for _, c := range twoSlabs() {
		mustPut(t, in, s, c)
		if err := in.Settle(); err != nil {
			t.Fatal(err)
		}
		if len(in.writer.sent) > 0 { // at rest after Settle
			break
		}
	}
	<-l.begun
	if err := in.Abandon(t.Context()); err != nil {
		t.Fatal(err)
	}
	r.wantWhole(t)
	if r.distinct(t) == 0 {
		t.Error("the slab is in no table")
	}
}

// A session that has ended refuses to go on. After a failure it may say that again.
func TestUseAfterTheEnd(t *testing.T) {
	ends := map[string]func(*testing.T, *Intake){
		"close":   func(t *testing.T, in *Intake) { mustClose(t, in) },
		"abandon": func(t *testing.T, in *Intake) { in.Abandon(t.Context()) },
		"failure": func(t *testing.T, in *Intake) {
			in.cancel()
			if err := in.Settle(); err == nil {
				t.Error("Settle fails to fail")
			}
		},
	}
	uses := map[string]func(*Intake) error{
		"close":  func(in *Intake) error { _, err := in.Close(); return err },
		"settle": func(in *Intake) error { return in.Settle() },
		"known":  func(in *Intake) error { return in.PutKnown(in.Stream(Contents), 0, 1) },
		"append": func(in *Intake) error { return in.Append(in.Stream(Contents), in.Draft(Contents)) },
		"put": func(in *Intake) error {
			return putAll(in, in.Stream(Contents), noise(1, 100, testMaxChunk)...)
		},
	}
	for end, do := range ends {
		for use, again := range uses {
			t.Run(end+", then "+use, func(t *testing.T) {
				for range 20 { // the order of events is left to chance
					r := newRepo(t)
					in := r.start(t, t.Context(), known.New())
					mustPut(t, in, in.Stream(Contents), []byte("x"))
					do(t, in)
					err := again(in)
					if !errors.Is(err, ErrEnded) && !(end == "failure" && errors.Is(err, context.Canceled)) {
						t.Fatalf("got %v", err)
					}
					in.Abandon(t.Context())
				}
			})
		}
	}
}

// WriteTable's error names the table that it tried last.
func TestWriteTableFails(t *testing.T) {
	r := newRepo(t)
	r.storage = failing{r.storage}
	cfg := Config{Storage: r.storage, Repository: r.id, Keys: r.keys, TableName: r.tableName}
	_, err := WriteTable(t.Context(), cfg, [][]byte{(&format.SlabRecord{}).Encode()})
	if !errors.Is(err, storage.ErrExists) || !strings.Contains(err.Error(), fmt.Sprintf("tables/20260314t0203z-%04d", drawnNames)) {
		t.Errorf("got %v", err)
	}
}

// failing finds every name taken.
type failing struct{ storage.Storage }

func (failing) Put(_ context.Context, name string, content io.Reader) error {
	return &storage.Error{Op: "put", Name: name, Err: storage.ErrExists}
}

// A level that the compressor does not know is refused.
func TestUnknownLevel(t *testing.T) {
	r := newRepo(t)
	_, err := New(t.Context(), Config{Storage: r.storage, Repository: r.id, Keys: r.keys, Index: known.New(), MaxChunk: 10, Level: 99, TableName: r.tableName})
	if err == nil {
		t.Error("level 99 is accepted")
	}
}

// What a slab holds does not depend on what the buffer held before.
func TestBufferIsUsedAgain(t *testing.T) {
	if testing.Short() {
		t.Skip("takes in three slabs")
	}
	r := newRepo(t)
	in := r.start(t, t.Context(), known.New())
	s := in.Stream(Contents)
	chunks := append(twoSlabs(), noise(11, format.SlabTarget/testMaxChunk, testMaxChunk)...)
	mustPut(t, in, s, chunks...)
	if w := mustClose(t, in); w.Slabs != 3 {
		t.Errorf("written: %+v", w)
	}
	r.wantWhole(t)
	r.wantIdentities(t, s, chunks)
}
