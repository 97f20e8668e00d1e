package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

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
	points, every := 0, 1
	if testing.Short() {
		every = 3
	}
	for effect, name := range map[storagetest.Effect]string{
		storagetest.Fail: "fails", storagetest.FailAfter: "is done and reported as failed",
	} {
		for _, once := range []bool{true, false} {
			for k := 0; ; k += every {
				what := fmt.Sprintf("call %d %s (once: %v)", k, name, once)
				if !faultAt(t, first, second, storagetest.Fault{From: k, Once: once, Effect: effect}, what) {
					break
				}
				points++
			}
		}
	}
	t.Logf("%d crash points", points)
	if points*every < 20 {
		t.Errorf("only %d crash points: are faults injected?", points)
	}
}

// faultAt tells whether the fault fired.
func faultAt(t *testing.T, first, second []byte, fault storagetest.Fault, what string) bool {
	t.Helper()
	f := newFixture(t)
	committed := f.capture(first)
	c, err, fired := f.captureWith(t.Context(), second, fault)
	if err == nil && c == nil {
		t.Fatalf("%s: neither a capture nor an error", what)
	}
	if err != nil && !errors.Is(err, storagetest.ErrInjected) {
		t.Fatalf("%s: %v", what, err)
	}
	f.reopen()
	f.checkAfterFault(committed, c, first, second, what)
	return fired
}

// captureWith captures with a fault, by a repository that is opened without. It tells
// whether the fault fired.
func (f *fixture) captureWith(ctx context.Context, in []byte, fault storagetest.Fault) (c *store.Capture, err error, fired bool) {
	f.t.Helper()
	faulty := storagetest.NewFaulty(f.mem)
	r, err := store.Open(f.t.Context(), faulty, f.key, store.OpenOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	defer r.Close()
	faulty.Reset()
	faulty.Inject(fault)
	c, err = r.Capture(ctx, store.CaptureOptions{Volumes: []store.VolumeInput{stream(in)}})
	return c, err, faulty.Calls(fault.Method) > fault.From
}

func (f *fixture) reopen() {
	f.t.Helper()
	f.reopenWith(store.OpenOptions{})
}

func (f *fixture) reopenWith(o store.OpenOptions) {
	f.t.Helper()
	f.Repository.Close()
	var err error
	if f.Repository, err = store.Open(f.t.Context(), f.mem, f.key, o); err != nil {
		f.t.Fatal(err)
	}
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

// TestTornObjects has a medium keep the first bytes only of each object that a
// capture writes, or gives a part of each reading and each listing. The capture of
// before is unharmed. What was torn is found by verifying, and the next capture
// does not rely on it.
func TestTornObjects(t *testing.T) {
	first := tarOf(t, file{name: "catalogue", content: random(1, 60_000)})
	second := tarOf(t, file{name: "catalogue", content: random(1, 60_000)}, file{name: "journal", content: random(2, 40_000)})
	keeps := []int{0, 30, 1, 20_000}
	if testing.Short() {
		keeps = keeps[:2]
	}
	for _, method := range []storagetest.Method{storagetest.Put, storagetest.ReadAt, storagetest.List} {
		for _, effect := range []storagetest.Effect{storagetest.Tear, storagetest.TearAndFail} {
			for _, keep := range keeps {
				for k, fired := 0, true; fired; k++ {
					fault := storagetest.Fault{Method: method, From: k, Once: true, Effect: effect, Keep: keep}
					fired = tornAt(t, first, second, fault)
					if t.Failed() {
						t.Fatalf("%s %d torn after %d bytes, effect %d", method, k, keep, effect)
					}
				}
			}
		}
	}
}

func tornAt(t *testing.T, first, second []byte, fault storagetest.Fault) (fired bool) {
	t.Helper()
	f := newFixture(t)
	f.harmed = true
	committed := f.capture(first)
	_, err, fired := f.captureWith(t.Context(), second, fault)
	if err != nil && !errors.Is(err, storagetest.ErrInjected) && !errors.Is(err, store.ErrDamaged) {
		t.Fatal(err)
	}
	f.reopen()
	f.checkTorn(committed, first, second)
	c := f.capture(second)
	if got := f.restore(c); !bytes.Equal(got, second) {
		t.Error("the next capture restores to other bytes")
	}
	return fired
}

// checkTorn tests that each capture restores, or that verifying says that it does not.
func (f *fixture) checkTorn(committed *store.Capture, first, second []byte) {
	f.t.Helper()
	harmed := f.harmedCaptures()
	captures, err := f.Captures(f.t.Context())
	if err != nil && !errors.Is(err, store.ErrDamaged) {
		f.t.Fatal(err)
	}
	if harmed[committed.ID] {
		f.t.Error("the capture of before is harmed")
	}
	there := false
	for _, c := range captures {
		want := second
		if c.ID == committed.ID {
			want, there = first, true
		}
		var out bytes.Buffer
		err := f.Restore(f.t.Context(), &c.Volumes[0], &out, store.RestoreOptions{})
		switch {
		case err == nil && !bytes.Equal(out.Bytes(), want):
			f.t.Errorf("capture %s restores to other bytes", c.ID)
		case (err != nil) != harmed[c.ID]:
			f.t.Errorf("verifying says of capture %s that it is harmed: %v, and restoring: %v", c.ID, harmed[c.ID], err)
		}
	}
	if !there {
		f.t.Error("the capture of before is not listed")
	}
}

func (f *fixture) harmedCaptures() map[string]bool {
	f.t.Helper()
	report, err := f.Verify(f.t.Context(), store.VerifyOptions{Full: true})
	if err != nil {
		f.t.Fatal(err)
	}
	harmed := map[string]bool{}
	for _, d := range report.Damage {
		for _, id := range d.Captures {
			harmed[id] = true
		}
	}
	return harmed
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
		faulty.Before(atCall(k, cancel))
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

// TestHangAtEveryCall has each storage call of a capture hang in turn, alone and with
// all that follow, until the capture's context ends. The clock is the bubble's.
func TestHangAtEveryCall(t *testing.T) {
	in := tarOf(t, file{name: "catalogue", content: random(1, 60_000)})
	next := tarOf(t, file{name: "catalogue", content: random(3, 60_000)})
	for _, once := range []bool{true, false} {
		for k, fired := 0, true; fired; k += stride() {
			synctest.Test(t, func(t *testing.T) {
				f := newFixture(t)
				committed := f.capture(in)
				ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
				defer cancel()
				began := time.Now()
				var c *store.Capture
				var err error
				c, err, fired = f.captureWith(ctx, next, storagetest.Fault{From: k, Once: once, Effect: storagetest.Hang})
				if err != nil && !errors.Is(err, context.DeadlineExceeded) || !fired && err != nil {
					t.Errorf("call %d hangs (once: %v): %v", k, once, err)
				}
				if late := time.Since(began) - time.Minute; late > 23*time.Second {
					t.Errorf("call %d hangs (once: %v): the capture ends %v after its context", k, once, late)
				}
				f.checkAfterFault(committed, c, in, next, fmt.Sprintf("call %d hangs", k))
			})
		}
	}
}

// TestCallsOfCapture bounds the storage calls of a small capture: each takes a share
// some milliseconds. They must not grow with the captures that there are but by
// their tables. Three are looks at final marks before and after the index file is put, and
// at the lease after it.
func TestCallsOfCapture(t *testing.T) {
	f := newFixture(t)
	faulty := storagetest.NewFaulty(f.mem)
	r, err := store.Open(t.Context(), faulty, f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	in := tarOf(t, file{name: "catalogue", content: random(1, 60_000)})
	for i, most := range []int{13, 14, 15} {
		faulty.Reset()
		if _, err := r.Capture(t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{stream(in)}}); err != nil {
			t.Fatal(err)
		}
		calls := faulty.Calls(storagetest.Any)
		t.Logf("capture %d: %d calls, %v at 20 ms each", i, calls, faulty.Latency(20*time.Millisecond))
		if calls > most {
			t.Errorf("capture %d: %d calls, want at most %d", i, calls, most)
		}
	}
}
