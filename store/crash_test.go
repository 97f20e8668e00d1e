package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"testing"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// TestFaultAtEveryCall makes every storage call of a capture go wrong in turn,
// in every way, until no fault fires. Afterwards the capture that was committed
// before is unharmed, nothing half is listed, and the next capture works and
// stores nothing again that had arrived.
func TestFaultAtEveryCall(t *testing.T) {
	first := tarOf(t, file{name: "catalogue", content: random(1, 300_000)})
	second := tarOf(t, file{name: "catalogue", content: random(1, 300_000)}, file{name: "journal", content: random(2, 200_000)})
	points := 0
	for effect, name := range map[storagetest.Effect]string{
		storagetest.Fail: "fails", storagetest.FailAfter: "is done and reported as failed",
	} {
		for _, once := range []bool{true, false} {
			for k := 0; ; k++ {
				what := fmt.Sprintf("call %d %s (once: %v)", k, name, once)
				if !faultAt(t, first, second, storagetest.Fault{From: k, Once: once, Effect: effect}, what) {
					break
				}
				points++
			}
		}
	}
	t.Logf("%d crash points", points)
	if points < 20 {
		t.Errorf("only %d crash points: are faults injected?", points)
	}
}

// faultAt tells whether the fault fired.
func faultAt(t *testing.T, first, second []byte, fault storagetest.Fault, what string) bool {
	t.Helper()
	f := newFixture(t)
	committed := f.capture(first)
	faulty := storagetest.NewFaulty(f.mem)
	r, err := store.Open(t.Context(), faulty, f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	faulty.Reset()
	faulty.Inject(fault)
	c, err := r.Capture(t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{stream(second)}})
	fired := faulty.Calls(storagetest.Any) > fault.From
	if err == nil && c == nil {
		t.Fatalf("%s: neither a capture nor an error", what)
	}
	if err != nil && !errors.Is(err, storagetest.ErrInjected) {
		t.Fatalf("%s: %v", what, err)
	}
	f.Repository.Close()
	f.Repository, err = store.Open(t.Context(), f.mem, f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	f.checkAfterFault(committed, c, first, second, what)
	return fired
}

func (f *fixture) checkAfterFault(committed, reported *store.Capture, first, second []byte, what string) {
	f.t.Helper()
	f.verify(f.t.Context())
	captures, err := f.Captures(f.t.Context())
	if err != nil {
		f.t.Fatalf("%s: %v", what, err)
	}
	found := false
	for _, c := range captures {
		want := second
		if c.ID == committed.ID {
			want = first
		}
		if !bytes.Equal(f.restore(c), want) {
			f.t.Fatalf("%s: %s restored wrong", what, c.ID)
		}
		found = found || reported != nil && c.ID == reported.ID
	}
	if reported != nil && !found {
		f.t.Fatalf("%s: a capture that was reported is not there", what)
	}
	slabs := slabBytes(f.t, f)
	f.capture(second)
	if grown := slabBytes(f.t, f) - slabs; slabs > 500_000 && grown > 40_000 {
		f.t.Errorf("%s: the next capture stored %d bytes again of what had arrived", what, grown)
	}
}

func slabBytes(t testing.TB, f *fixture) (n int64) {
	infos, err := f.mem.List(t.Context(), "slabs")
	if err != nil {
		t.Fatal(err)
	}
	for _, info := range infos {
		n += info.Size
	}
	return n
}

// TestCancel stops a capture at every storage call.
func TestCancel(t *testing.T) {
	f := newFixture(t)
	in := tarOf(t, file{name: "catalogue", content: random(1, 300_000)})
	f.capture(in)
	faulty := storagetest.NewFaulty(f.mem)
	r, err := store.Open(t.Context(), faulty, f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	next := tarOf(t, file{name: "catalogue", content: random(3, 300_000)})
	for k := 0; ; k++ {
		ctx, cancel := context.WithCancel(t.Context())
		faulty.Reset()
		calls := 0
		var mu sync.Mutex
		faulty.Before(func(storagetest.Method, string) {
			mu.Lock()
			defer mu.Unlock()
			if calls++; calls == k+1 {
				cancel()
			}
		})
		_, err := r.Capture(ctx, store.CaptureOptions{Volumes: []store.VolumeInput{stream(next)}})
		cancel()
		if err == nil {
			break
		}
		if !errors.Is(err, context.Canceled) {
			t.Fatalf("call %d: %v", k, err)
		}
		f.verify(t.Context())
	}
}

// TestFailingSource has the input fail after any number of bytes.
func TestFailingSource(t *testing.T) {
	f := newFixture(t)
	in := tarOf(t, file{name: "catalogue", content: random(1, 100_000)})
	broken := errors.New("the disk that is read from")
	for n := 0; n < len(in); n += 9973 {
		_, err := f.Capture(t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{{
			Open: func(context.Context) (io.ReadCloser, error) {
				return io.NopCloser(io.MultiReader(bytes.NewReader(in[:n]), failing{broken})), nil
			},
		}}})
		if !errors.Is(err, broken) {
			t.Fatalf("after %d bytes: %v", n, err)
		}
	}
	f.expectNone()
}

type failing struct{ err error }

func (f failing) Read([]byte) (int, error) { return 0, f.err }

func (f *fixture) expectNone() {
	f.t.Helper()
	if captures, err := f.Captures(f.t.Context()); err != nil || len(captures) > 0 {
		f.t.Errorf("captures: %v, %v", captures, err)
	}
}

// TestUnfinished offers a tar stream cut at every block, and some bytes
// further.
func TestUnfinished(t *testing.T) {
	in := tarOf(t, file{name: "catalogue", content: random(1, 2000)}, file{name: "journal"})
	f := newFixture(t)
	for n := 512; n < len(in); n += 100 {
		_, err := f.Capture(t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{stream(in[:n])}})
		var unfinished *tarstream.UnfinishedError
		if !errors.As(err, &unfinished) || !errors.Is(err, store.ErrUnfinished) || unfinished.Offset > int64(n) {
			t.Fatalf("cut at %d: %v", n, err)
		}
	}
	f.expectNone()
	c, err := f.Capture(t.Context(), store.CaptureOptions{AcceptUnfinished: true, Volumes: []store.VolumeInput{stream(in[:1000])}})
	if err != nil {
		t.Fatal(err)
	}
	if c.Volumes[0].Unfinished == "" || !bytes.Equal(f.restore(c), in[:1000]) {
		t.Errorf("%+v", c)
	}
}

// TestManyWriters captures from several places at the same time.
func TestManyWriters(t *testing.T) {
	f := newFixture(t)
	shared := random(1, 200_000)
	var wg sync.WaitGroup
	var mu sync.Mutex
	streams := make(map[string][]byte)
	for w := range 6 {
		in := tarOf(t, file{name: "catalogue", content: shared}, file{name: "own", content: random(byte(10+w), 50_000)})
		wg.Go(func() {
			r, err := store.Open(t.Context(), f.mem, f.key, store.OpenOptions{})
			if err != nil {
				t.Error(err)
				return
			}
			defer r.Close()
			for range 3 {
				c, err := r.Capture(t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{stream(in)}})
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				streams[c.ID] = in
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	captures, err := f.Captures(t.Context())
	if err != nil || len(captures) != len(streams) || len(streams) != 18 {
		t.Fatalf("%d captures of %d: %v", len(captures), len(streams), err)
	}
	for _, c := range captures {
		if !bytes.Equal(f.restore(c), streams[c.ID]) {
			t.Errorf("%s restored wrong", c.ID)
		}
	}
}
