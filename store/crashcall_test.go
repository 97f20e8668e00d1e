package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"

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
	if err == nil && fault.Effect != storagetest.FailAfter && fired && !fault.Once {
		t.Fatalf("%s: no error", what)
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
