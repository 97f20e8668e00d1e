package store_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"sync"
	"testing"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store"
)

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
