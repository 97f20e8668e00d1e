package store_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strconv"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sync/errgroup"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// scenarios are the operations that the power fails in. What prepare does is done
// before, act is interrupted at each step, and after, which is a further capture where
// none is given, must work on whatever is left.
var scenarios = []scenario{
	{name: "setup", act: (*site).setup, after: (*site).setupAgain},
	{name: "first capture", prepare: []step{(*site).setup}, act: takeStream("first")},
	{name: "second capture", prepare: prepared, act: takeStream("second")},
	{name: "unchanged capture", prepare: prepared, act: takeStream("first")},
	{name: "capture in several writes", prepare: prepared, act: takeStream("long")},
	{name: "two captures at once", prepare: prepared, act: atOnce(takeStream("second"), takeStream("third"))},
	{name: "first capture of a folder", prepare: prepared, act: (*site).takeFolder, after: (*site).takeFolder},
	{name: "capture of a changed folder", prepare: []step{(*site).setup, (*site).takeFolder, (*site).changeFolder}, act: (*site).takeFolder, after: (*site).takeFolder},
	{name: "capture after a draft", prepare: prepared, act: (*site).takeDrafted},
	{name: "adding a key slot", prepare: prepared, act: (*site).addSlot},
	{name: "removing a key slot", prepare: append(prepared, (*site).addSlot), act: (*site).removeSlot},
	{name: "making a key slot anew", prepare: append(prepared, (*site).addOldSlot), act: (*site).renewSlot},
	{name: "holding", prepare: prepared, act: (*site).hold},
	{name: "noting a rehearsal", prepare: append(prepared, (*site).noteRehearsal), act: (*site).noteRehearsal},
	{name: "keeping a verification", prepare: append(prepared, (*site).keepVerification), act: (*site).keepVerification},
	{name: "releasing", prepare: append(prepared, (*site).hold), act: (*site).release},
	{name: "retiring", prepare: prepared, act: (*site).retire},
	{name: "reinstating", prepare: append(prepared, (*site).retire), act: (*site).reinstate},
	{name: "amending", prepare: prepared, act: (*site).amend},
	{name: "reclaiming", prepare: append(prepared, takeStream("second"), (*site).retire), act: (*site).reclaim, after: (*site).reclaimLater},
	{name: "reclaiming whole slabs", prepare: append(prepared, takeStream("second"), (*site).retireNewest), act: (*site).reclaim, after: (*site).reclaimLater},
	{name: "setup with parity", act: (*site).setupParity, after: (*site).setupAgain},
	{name: "capture with parity", prepare: withParity, act: takeStream("second")},
	{name: "changing parity", prepare: withParity, act: (*site).changeParity},
	{name: "adding a key slot with parity", prepare: withParity, act: (*site).addSlot},
	{name: "removing a key slot with parity", prepare: append(withParity, (*site).addSlot), act: (*site).removeSlot},
	{name: "reclaiming with parity", prepare: append(withParity, takeStream("second"), (*site).retire), act: (*site).reclaim, after: (*site).reclaimLater},
	{name: "putting an index file back", prepare: append(withParity, takeStream("second"), (*site).loseIndexFile), act: (*site).mend, after: (*site).findAgain},
	{name: "repairing by parity", prepare: append(withParity, takeStream("second"), (*site).harmMendably), act: (*site).mend, after: (*site).mendLater},
	{name: "capture with deltas", prepare: standing, act: takeStream("edited")},
	{name: "reclaiming what others stand on", prepare: append(standing, takeStream("edited"), (*site).retire), act: (*site).reclaim, after: (*site).reclaimLater},
	{name: "storing anew with deltas", prepare: append(prepared, takeStream("edited"), (*site).deltasOn), act: (*site).toDeltas, after: (*site).toDeltasLater},
	{name: "rebuilding tables", prepare: append(prepared, takeStream("second"), (*site).harmTables), act: (*site).rebuildTables, after: (*site).rebuildTables},
}

// standing is prepared, with deltas.
var standing = []step{(*site).setupDeltas, takeStream("first")}

func (s *site) setupDeltas(ctx context.Context) (err error) {
	if s.folder, err = s.disk.Create(store.Folders()...); err != nil {
		return err
	}
	s.Repository, err = store.Create(ctx, s.folder, s.key, store.CreateOptions{Deltas: store.DeltasOn})
	return err
}

type scenario struct {
	name    string
	prepare []step
	act     step
	after   step
}

// prepared makes a repository with a capture.
var prepared = []step{(*site).setup, takeStream("first")}

// TestCrash has the power fail at every call of every scenario that changes something
// on the disk, and after the last one, and looks at several of the states that the
// disk may be left in: 3 of them, one with -short and at every third call, and as many as KIST_TEST_ROUNDS says.
// In each the repository opens and verifies in full, every capture that was
// reported restores to the byte, one that was not is complete or absent, and work
// goes on.
func TestCrash(t *testing.T) {
	for _, s := range scenarios {
		t.Run(s.name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, s.run) // reclaiming waits by the clock
		})
	}
}

func (s scenario) run(t *testing.T) {
	before := newSite(t)
	for _, prepare := range s.prepare {
		if err := prepare(before, t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	after := s.after
	if after == nil {
		after = takeStream("last")
	}
	points, every := 0, 1
	if testing.Short() {
		every = 3
	}
	for k, crashed := 0, true; crashed; k += every {
		var n int
		n, crashed = crashAt(t, before, s.act, after, k)
		points += n
	}
	t.Logf("%d crash points", points)
	if points*every < 3*states(t) { // even a removal is two calls
		t.Error("does the power fail?")
	}
}

// crashAt lets the power fail at a change, or after the last one, and gives how many
// states were looked at, and whether it failed.
func crashAt(t *testing.T, before *site, act, after step, k int) (points int, crashed bool) {
	t.Helper()
	s := before.fork(t)
	s.disk.CrashAt(k)
	err := act(s, t.Context())
	crashed = s.disk.Crashed()
	// What is still to do when all has been reported, as removing a lease, may fail.
	if err != nil && !errors.Is(err, storagetest.ErrCrashed) {
		t.Fatalf("power failed at change %d: %v: %v", k, crashed, err)
	}
	for i := range states(t) {
		seed := stateSeed(k, i)
		left := s.survivor(seed)
		left.check()
		if err := after(left, t.Context()); err != nil {
			t.Errorf("afterwards: %v", err)
		}
		left.check()
		left.close()
		if t.Failed() {
			t.Fatalf("power failed at change %d, seed %d", k, seed)
		}
	}
	return states(t), crashed
}

// stateSeed gives the seed of the i-th state after a crash at change k. Of the first
// three, in turn, one loses all it can, one chooses, and one loses nothing; all others
// choose.
func stateSeed(k, i int) uint64 {
	switch turn := (k + i) % 3; {
	case i < 3 && turn == 0:
		return 0
	case i < 3 && turn == 2:
		return 1
	}
	return uint64(k)<<16 + uint64(i) + 2
}

// states is how many states of the disk are looked at after each crash.
func states(t testing.TB) int {
	text := os.Getenv("KIST_TEST_ROUNDS")
	switch {
	case text == "" && testing.Short():
		return 1
	case text == "":
		return 3
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		t.Fatalf("KIST_TEST_ROUNDS=%s", text)
	}
	return n
}

// step is something that is done at a site.
type step func(*site, context.Context) error

func atOnce(steps ...step) step {
	return func(s *site, ctx context.Context) error {
		var g errgroup.Group
		for _, do := range steps {
			g.Go(func() error { return do(s, ctx) })
		}
		return g.Wait()
	}
}

func (s *site) setup(ctx context.Context) (err error) {
	if s.folder, err = s.disk.Create(store.Folders()...); err != nil {
		return err
	}
	s.Repository, err = store.Create(ctx, s.folder, s.key, store.CreateOptions{})
	return err
}

// setupAgain works on what an interrupted setup left, unless the folder tells that
// there is something in it already.
func (s *site) setupAgain(ctx context.Context) error {
	if s.Repository != nil {
		return takeStream("last")(s, ctx)
	}
	return nil
}

// takeStream captures the stream of that name.
func takeStream(name string) step {
	return func(s *site, ctx context.Context) error {
		in := s.streams[name]
		s.begin(in)
		c, err := s.Capture(ctx, store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{stream(in)}})
		return s.took(c, in, err)
	}
}

func (s *site) takeFolder(ctx context.Context) error {
	in := s.folderStream(ctx)
	s.begin(in)
	c, err := s.Capture(ctx, s.folderOptions())
	return s.took(c, in, err)
}

func (s *site) takeDrafted(ctx context.Context) (err error) {
	in := s.folderStream(ctx)
	o := s.folderOptions()
	if o.After, err = s.Draft(ctx, o); err != nil {
		return err
	}
	s.begin(in)
	c, err := s.Capture(ctx, o)
	return s.took(c, in, err)
}

func (s *site) addSlot(ctx context.Context) error {
	s.spare = perhaps
	slot, err := s.AddSlot(ctx, s.spareKey, crypt.SlotOptions{})
	if err == nil {
		s.spare, s.spareID = opens, slot.ID()
	}
	return err
}

func (s *site) removeSlot(ctx context.Context) error {
	s.spare = perhaps
	err := s.RemoveSlot(ctx, s.spareID)
	if err == nil {
		s.spare = opensNot
	}
	return err
}

func (s *site) rebuildTables(ctx context.Context) error {
	if _, err := s.RebuildTables(ctx); err != nil {
		return err
	}
	s.harmed = false
	report, err := s.Verify(ctx, store.VerifyOptions{})
	if err == nil && len(report.Notes) > 0 {
		err = fmt.Errorf("tables were rebuilt, and verifying notes %q", report.Notes)
	}
	return err
}

// oldest gives the ids of the first capture.
func (s *site) oldest() []string { return s.first[:1] }

func (s *site) hold(ctx context.Context) error {
	return s.Hold(ctx, s.oldest(), store.MarkOptions{})
}

// noteRehearsal notes one in the place of the one before.
func (s *site) noteRehearsal(ctx context.Context) error {
	return s.NoteRehearsal(ctx, s.oldest()[0], store.Rehearsal{Outcome: store.RehearsedUp})
}

// keepVerification keeps one in the place of the one before.
func (s *site) keepVerification(ctx context.Context) error {
	_, err := s.Verify(ctx, store.VerifyOptions{Keep: true})
	return err
}

func (s *site) release(ctx context.Context) error { return s.Release(ctx, s.oldest()) }

// retire lets the oldest capture go.
func (s *site) retire(ctx context.Context) error {
	s.leaving[s.oldest()[0]] = true
	return s.Retire(ctx, s.oldest(), store.MarkOptions{})
}

// retireNewest lets the newest capture go, whose slabs nothing else needs.
func (s *site) retireNewest(ctx context.Context) error {
	newest := s.first[len(s.first)-1:]
	s.leaving[newest[0]] = true
	return s.Retire(ctx, newest, store.MarkOptions{})
}

func (s *site) reinstate(ctx context.Context) error {
	err := s.Reinstate(ctx, s.oldest(), store.MarkOptions{})
	if err == nil {
		delete(s.leaving, s.oldest()[0])
	}
	return err
}

func (s *site) amend(ctx context.Context) error {
	note := "amended"
	_, err := s.Amend(ctx, s.oldest()[0], store.AmendOptions{Note: &note})
	return err
}

func (s *site) reclaim(ctx context.Context) error {
	_, err := s.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01})
	return err
}

// reclaimLater reclaims when a lease that a crash left is dead. The clock is the
// bubble's.
func (s *site) reclaimLater(ctx context.Context) error {
	time.Sleep(time.Hour)
	return s.reclaim(ctx)
}

func (s *site) deltasOn(ctx context.Context) error {
	return s.SetDeltas(ctx, store.DeltasOn, store.MarkOptions{})
}

// toDeltas stores anew what was captured without deltas.
func (s *site) toDeltas(ctx context.Context) error {
	_, err := s.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace, ToDeltas: &store.ToDeltasOptions{}})
	return err
}

// toDeltasLater does it when a lease that a crash left is dead, and wants all of it done.
func (s *site) toDeltasLater(ctx context.Context) error {
	time.Sleep(time.Hour)
	if err := s.toDeltas(ctx); err != nil {
		return err
	}
	if _, n := deepest(framesIn(s.t, s.folder, s.Repository)); n == 0 {
		s.t.Error("nothing stands on others afterwards")
	}
	return nil
}
