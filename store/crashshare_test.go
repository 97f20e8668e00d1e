package store_test

import (
	"context"
	"errors"
	"slices"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// newPreparedSite gives a repository with a capture of the first stream.
func newPreparedSite(t *testing.T) *site {
	t.Helper()
	s := newSite(t)
	for _, prepare := range prepared {
		if err := prepare(s, t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

// reuses tests that the second stream can be captured now, by the repository as it was
// open all the time, and that its contents are not stored again if a slab of
// them did arrive.
func (s *site) reuses(what string) {
	s.t.Helper()
	slabs, err := s.folder.List(s.t.Context(), "slabs")
	if err != nil {
		s.t.Fatalf("%s: %v", what, err)
	}
	before := s.disk.Changes()
	if err := takeStream("second")(s, s.t.Context()); err != nil {
		s.t.Fatalf("%s: the next capture: %v", what, err)
	}
	after, err := s.folder.List(s.t.Context(), "slabs")
	if err != nil {
		s.t.Fatal(err)
	}
	if grown := total(after) - total(slabs); len(slabs) > 1 && grown > 20_000 {
		s.t.Errorf("%s: the next capture wrote %d bytes of slabs though its contents had arrived", what, grown)
	}
	if s.disk.Changes() == before {
		s.t.Errorf("%s: nothing was written", what)
	}
	s.check()
}

func total(infos []storage.Info) (n int64) {
	for _, info := range infos {
		n += info.Size
	}
	return n
}

// stride is how far apart the calls are at which a test has something go wrong.
func stride() int {
	if testing.Short() {
		return 3
	}
	return 1
}

// atCall is for Before: do runs right before the call that k others come before.
func atCall(k int, do func()) func(storagetest.Method, string) {
	var calls atomic.Int64
	return func(storagetest.Method, string) {
		if calls.Add(1) == int64(k+1) {
			do()
		}
	}
}

// TestShareAway takes the share away at every file-system call of a capture, and
// brings it back after the capture has failed.
func TestShareAway(t *testing.T) {
	base := newPreparedSite(t)
	for k, gone := 0, true; gone; k += stride() {
		s := base.fork(t)
		gone = false
		s.disk.Before(atCall(k, func() {
			gone = true
			s.disk.Away(syscall.ENOTCONN)
		}))
		err := takeStream("second")(s, t.Context())
		s.disk.Before(nil)
		if err != nil && !errors.Is(err, syscall.ENOTCONN) || !gone && err != nil {
			t.Fatalf("share gone at call %d (%v): %v", k, gone, err)
		}
		s.disk.Back()
		s.check()
		s.reuses("share back")
		s.close()
		if t.Failed() || k > 1000 {
			t.Fatalf("share gone at call %d", k)
		}
	}
}

// TestShareAwayForAMinute does so with a share that comes back meanwhile, and whose client says so as CIFS does: the capture is made.
func TestShareAwayForAMinute(t *testing.T) {
	base := newPreparedSite(t)
	base.disk.Forsake()
	for k, gone := 0, true; gone; k += 2 * stride() {
		synctest.Test(t, func(t *testing.T) {
			s := base.fork(t)
			gone = false
			s.disk.Before(atCall(k, func() {
				gone = true
				s.disk.Away(syscall.EHOSTDOWN)
				time.AfterFunc(time.Minute, s.disk.Back)
			}))
			if err := takeStream("second")(s, t.Context()); err != nil {
				t.Errorf("share away from call %d on: %v", k, err)
			}
			s.disk.Before(nil)
			s.disk.Back()
			s.check()
			s.close()
		})
		if t.Failed() || k > 1000 {
			t.Fatalf("share away from call %d on", k)
		}
	}
}

// TestShareHangs has the share not answer from a call of a capture on, for every call.
// The capture ends soon after its context; what it was doing is done once the share is
// back, and does no harm.
func TestShareHangs(t *testing.T) {
	for k, hung := 0, true; hung; k += stride() {
		synctest.Test(t, func(t *testing.T) { hung = hangAt(t, k) })
		if t.Failed() || k > 1000 {
			t.Fatalf("share hangs at call %d", k)
		}
	}
}

func hangAt(t *testing.T, k int) (hung bool) {
	s := newPreparedSite(t)
	s.disk.Before(atCall(k, func() {
		hung = true
		s.disk.Away(nil)
	}))
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	began := time.Now()
	err := takeStream("second")(s, ctx)
	s.disk.Before(nil)
	if err != nil && !errors.Is(err, context.DeadlineExceeded) || !hung && err != nil {
		t.Fatalf("%v", err)
	}
	// A second for the call under way, 11 for trying to save a table of what arrived,
	// and 11 for trying to remove the lease.
	if late := time.Since(began) - time.Minute; late > 23*time.Second {
		t.Errorf("returned %v after its context ended", late)
	}
	s.disk.Back()
	synctest.Wait()
	s.check()
	s.reuses("share back")
	return hung
}

// TestFullDisk has a capture meet the full disk after any number of bytes. What was
// captured before stays restorable, and there is room again as soon as somebody
// makes some.
func TestFullDisk(t *testing.T) {
	base := newPreparedSite(t)
	full := 0
	for room := int64(0); ; room += 2777 {
		s := base.fork(t)
		s.disk.Space(room)
		err := takeStream("second")(s, t.Context())
		if err != nil && !errors.Is(err, syscall.ENOSPC) {
			t.Fatalf("%d bytes of room: %v", room, err)
		}
		s.check() // on the full disk
		s.disk.Space(-1)
		s.reuses("room again")
		s.close()
		if t.Failed() {
			t.Fatalf("%d bytes of room", room)
		}
		if err == nil {
			break
		}
		full++
	}
	if full < 15 {
		t.Errorf("only %d captures met a full disk", full)
	}
}

// TestReadOnlyDisk captures onto a disk that the system has made read-only.
func TestReadOnlyDisk(t *testing.T) {
	s := newPreparedSite(t)
	s.disk.Inject(
		storagetest.Fault{Method: storagetest.Create, Err: syscall.EROFS},
		storagetest.Fault{Method: storagetest.Mkdir, Err: syscall.EROFS},
		storagetest.Fault{Method: storagetest.Remove, Err: syscall.EROFS},
	)
	if err := takeStream("second")(s, t.Context()); !errors.Is(err, syscall.EROFS) {
		t.Errorf("got %v", err)
	}
	s.check()
	s.disk.Reset()
	s.reuses("writable again")
}

// TestLostAnswers has every call of a capture be done and reported as failed, by
// itself.
func TestLostAnswers(t *testing.T) {
	base := newPreparedSite(t)
	for k, fired := 0, true; fired; k++ {
		s := base.fork(t)
		s.disk.Reset()
		s.disk.Inject(storagetest.Fault{From: k, Once: true, Effect: storagetest.FailAfter, Err: syscall.EIO})
		err := takeStream("second")(s, t.Context())
		if err != nil && !errors.Is(err, syscall.EIO) {
			t.Fatalf("call %d: %v", k, err)
		}
		fired = s.disk.Calls(storagetest.Any) > k
		s.disk.Reset()
		s.check()
		s.reuses("answers again")
		s.close()
		if t.Failed() {
			t.Fatalf("call %d", k)
		}
	}
}

// TestLateListings captures where listings show the state of some changes ago. What
// does not show yet is stored again at worst.
func TestLateListings(t *testing.T) {
	base := newPreparedSite(t)
	stride := 1
	if testing.Short() {
		stride = 5
	}
	for lag := 0; lag < 60; lag += stride {
		s := base.fork(t)
		s.disk.Lag(lag)
		for _, take := range []step{takeStream("second"), takeStream("second"), takeStream("third")} {
			if err := take(s, t.Context()); err != nil {
				t.Fatalf("%d changes late: %v", lag, err)
			}
		}
		s.disk.Lag(0)
		s.check()
		s.close()
		if t.Failed() {
			t.Fatalf("%d changes late", lag)
		}
	}
}

// TestLyingDisk captures to a disk whose flushes do nothing, and then the power
// fails. That can't be known before; verifying must find it, and what was
// captured before must stay.
func TestLyingDisk(t *testing.T) {
	base := newPreparedSite(t)
	base.disk.Restart() // what is there is flushed for sure
	found := 0
	lies := []storagetest.Fault{
		{Method: storagetest.SyncFolder, Effect: storagetest.Tear},
		{Method: storagetest.Sync, Effect: storagetest.Tear},
	}
	for seed := range uint64(10 * states(t)) {
		s := base.on(t, base.disk.Fork())
		first := newestID(s)
		s.disk.Inject(lies[:1+seed%2]...) // folders only, or contents, too
		if err := takeStream("second")(s, t.Context()); err != nil {
			t.Fatal(err)
		}
		left := s.survivor(seed)
		found += left.checkLies(first)
		left.close()
		s.close()
		if t.Failed() {
			t.Fatalf("seed %d", seed)
		}
	}
	t.Logf("%d faults found", found)
	if found == 0 {
		t.Error("no damage was found: did the disk lie?")
	}
}

func newestID(s *site) string {
	s.t.Helper()
	captures, err := s.Captures(s.t.Context())
	if err != nil || len(captures) == 0 {
		s.t.Fatalf("%d captures, %v", len(captures), err)
	}
	return captures[len(captures)-1].ID
}

// checkLies tests that what can be restored is right, that verifying names each capture
// that can't, and that the capture of before can. It gives how many faults were
// found.
func (s *site) checkLies(before string) int {
	s.t.Helper()
	ctx := s.t.Context()
	report, err := s.Verify(ctx, store.VerifyOptions{Full: true})
	if err != nil {
		s.t.Fatal(err)
	}
	harmed := map[string]bool{}
	for _, d := range report.Damage {
		for _, id := range d.Captures {
			harmed[id] = true
		}
	}
	if harmed[before] {
		s.t.Errorf("a capture of before is harmed: %+v", report.Damage)
	}
	captures, err := s.Captures(ctx)
	if err != nil && !errors.Is(err, store.ErrDamaged) {
		s.t.Fatal(err)
	}
	there := false
	for _, c := range captures {
		there = there || c.ID == before
		if !harmed[c.ID] {
			s.checkCapture(ctx, c)
		}
	}
	if !there {
		s.t.Errorf("capture %s of before is not listed: %v", before, err)
	}
	// What is spoiled in its place, as in a folder that was there before, is relied on until it is repaired.
	slabs, err := s.folder.List(ctx, names.Slabs)
	if err != nil {
		s.t.Fatal(err)
	}
	if slices.ContainsFunc(slabs, func(slab storage.Info) bool {
		return slices.ContainsFunc(report.Damage, func(d store.Damage) bool { return d.Object == slab.Name })
	}) {
		if _, err := s.Repair(ctx, store.RepairOptions{}); err != nil {
			s.t.Fatal(err)
		}
	}
	if err := takeStream("second")(s, ctx); err != nil {
		s.t.Fatal(err)
	}
	// One that the disk spoiled may be of the same minute: of those that can be read.
	captures, err = s.Captures(ctx)
	if err != nil && !errors.Is(err, store.ErrDamaged) {
		s.t.Fatal(err)
	}
	c, err := store.Select(captures, "latest")
	if err != nil {
		s.t.Fatal(err)
	}
	s.checkCapture(ctx, c)
	return len(report.Damage)
}
