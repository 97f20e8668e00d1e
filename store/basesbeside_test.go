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
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// The tests of this file have somebody reclaim between the steps of others, where slabs stand on slabs that no recipe names.

// alikeWhole gives a content and another one that is alike, of which no chunk is the same.
func alikeWhole() (content, edit []byte) {
	content = random(1, 300_000)
	edit = edited(content, 1500, 1)
	edit[len(edit)-1] ^= 1 // which may lie in a chunk of its own
	return content, edit
}

// TestBaseOfALapsedLease: a writer whose slab stands on one that went, while it was taken for dead, does not commit. Its own
// slab is there: it was put afterwards.
func TestBaseOfALapsedLease(t *testing.T) {
	for _, folder := range []string{names.Slabs, names.Captures} {
		t.Run(folder, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFixtureOf(t, withDeltas(store.DeltasOn))
				defer f.Close()
				content, edit := alikeWhole()
				f.retire(f.capture(content))
				s, r := f.sleeper()
				at(s.Faulty, storagetest.Put, folder+"/", "", func() {
					s.sleepWhile(func() { f.reclaim(store.ReclaimOptions{Grace: store.NoGrace}) })
				})
				if c, err := captureWith(t.Context(), r, edit); !errors.Is(err, store.ErrOvertaken) {
					t.Errorf("committed what stands on a slab that went: %v, %v", c, err)
				}
				if all, err := f.AllCaptures(t.Context()); err != nil || len(all) > 0 {
					t.Errorf("%d captures, %v", len(all), err)
				}
			})
		})
	}
}

// TestBaseWentUnderAMove: the share's clock jumps while somebody moves what stands on another slab, and that one goes, as he is
// taken for dead. He takes back what he put, though the slab that he put himself is there: it came afterwards.
func TestBaseWentUnderAMove(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixtureOf(t, withDeltas(store.DeltasOn))
		defer f.Close()
		content, edit := alikeWhole()
		first := f.capture(content)
		f.retire(f.capture(append(bytes.Clone(edit), random(2, 300_000)...)))
		last := f.capture(edit)
		went := false
		r := f.jumping(storagetest.Put, "slabs/", 1, func(other *store.Repository) error {
			went = true
			if err := other.Retire(t.Context(), []string{first.ID, last.ID}, store.MarkOptions{}); err != nil {
				return err
			}
			_, err := other.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace})
			return err
		})
		defer r.Close()
		out, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01})
		if !went || !errors.Is(err, store.ErrOvertaken) {
			t.Errorf("moved what stands on a slab that went: %+v, %v", out, err)
		}
		f.reopen()
		if all, err := f.AllCaptures(t.Context()); err != nil || len(all) > 0 {
			t.Errorf("%d captures, %v", len(all), err)
		}
	})
}

// TestGoneUnderALostLease: what is gone while somebody reclaims or repairs is damage, unless others took him for dead, who may have
// removed it.
func TestGoneUnderALostLease(t *testing.T) {
	gone := fmt.Errorf("slabs/9f: %w", storage.ErrNotFound)
	for name, do := range map[string]func(context.Context, *store.Repository) error{
		"reclaim": func(ctx context.Context, r *store.Repository) error {
			_, err := r.Reclaim(ctx, store.ReclaimOptions{})
			return err
		},
		"repair": func(ctx context.Context, r *store.Repository) error {
			_, err := r.Repair(ctx, store.RepairOptions{})
			return err
		},
	} {
		for _, taken := range []bool{true, false} {
			synctest.Test(t, func(t *testing.T) {
				f := newFixture(t)
				defer f.Close()
				f.capture(random(1, 10_000))
				watched, r := f.beside()
				at(watched, storagetest.List, "condemned", "", func() {
					infos, err := f.mem.List(t.Context(), "leases")
					if err != nil || len(infos) == 0 {
						t.Error(infos, err)
					}
					for _, info := range infos {
						if taken {
							f.remove(info.Name)
						}
					}
					watched.Inject(storagetest.Fault{Method: storagetest.List, From: watched.Calls(storagetest.List), Effect: storagetest.Fail, Err: gone})
				})
				if err := do(t.Context(), r); !errors.Is(err, store.ErrOvertaken) && taken || !errors.Is(err, storage.ErrNotFound) && !taken {
					t.Errorf("%s, taken for dead: %v: %v", name, taken, err)
				}
			})
		}
	}
}

// TestMissingHoldsToTheEnd: a slab is missing that only a capture needs which expires while what goes is being removed. It
// stays listed in that run, and so must stay what the missing slab stands on.
func TestMissingHoldsToTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixtureOf(t, withDeltas(store.DeltasOn))
		defer f.Close()
		content, edit := alikeWhole()
		first, second := f.capture(content), f.capture(edit)
		f.retire(first, second)
		// Somebody who does not see that both slabs are named finally captures the second content again.
		late, r := f.blind()
		goOn, waits, done := make(chan struct{}), make(chan struct{}), make(chan struct{})
		at(late.Faulty, storagetest.Put, "captures/", "", func() { close(waits); <-goOn })
		var id string
		watched, reclaiming := f.beside()
		at(watched, storagetest.Put, "condemned/", ".final", func() {
			go func() {
				defer close(done)
				c, err := captureWith(t.Context(), r, edit)
				if err != nil {
					t.Error(err)
					return
				}
				id = c.ID
			}()
			<-waits
		})
		out, err := reclaiming.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace})
		if err != nil || out.Slabs != 0 || len(out.Waiting) != 1 {
			t.Fatalf("%+v, %v", out, err)
		}
		close(goOn)
		<-done
		top, b := "", []byte(nil)
		for name, frames := range f.frames() {
			if depth, _ := deepest(map[string][]format.Frame{name: frames}); depth > 0 {
				top, b = name, f.object(name)
				f.remove(name)
			}
		}
		if err := f.Retire(t.Context(), []string{id}, store.MarkOptions{}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(f.Grace() - 30*time.Second) // it expires while other machines are waited for
		f.reopen()
		f.reclaim(store.ReclaimOptions{})
		if err := f.mem.Put(t.Context(), top, bytes.NewReader(b)); err != nil {
			t.Fatal(err)
		}
		if err := f.Reinstate(t.Context(), []string{id}, store.MarkOptions{}); err != nil {
			t.Fatal(err)
		}
		f.reopen()
		c, err := f.Find(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(f.restore(c), edit) {
			t.Error("it is another one")
		}
	})
}
