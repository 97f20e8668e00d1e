package store_test

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// An operation that is ended at any of its calls gives the cause, and context.Canceled.
func TestCause(t *testing.T) {
	f := newFixture(t)
	in := tarOf(t, file{name: "catalogue", content: random(1, 300_000)}, file{name: "sowing", content: random(2, 200_000)})
	c := f.capture(in)
	other := f.capture(tarOf(t, file{name: "catalogue", content: random(3, 300_000)}))
	gone := f.capture(tarOf(t, file{name: "old", content: random(4, 300_000)}))
	f.retire(gone)
	cause := errors.New("the share is to be unmounted")
	for name, do := range map[string]func(context.Context, *store.Repository) error{
		"capture": func(ctx context.Context, r *store.Repository) error {
			return second(r.Capture(ctx, store.CaptureOptions{Volumes: []store.VolumeInput{stream(in)}}))
		},
		"restore": func(ctx context.Context, r *store.Repository) error {
			return r.Restore(ctx, &c.Volumes[0], io.Discard, store.RestoreOptions{})
		},
		"restore of members": func(ctx context.Context, r *store.Repository) error {
			return second(r.RestoreMembers(ctx, &c.Volumes[0], func(string) bool { return true }, io.Discard, store.RestoreOptions{}))
		},
		"reading a member": func(ctx context.Context, r *store.Repository) error {
			_, content, err := r.OpenMember(ctx, &c.Volumes[0], "sowing")
			if err != nil {
				return err
			}
			defer content.Close()
			_, err = io.Copy(io.Discard, content)
			return err
		},
		"verify": func(ctx context.Context, r *store.Repository) error {
			return second(r.Verify(ctx, store.VerifyOptions{Full: true}))
		},
		"reclaim": func(ctx context.Context, r *store.Repository) error {
			return second(r.Reclaim(ctx, store.ReclaimOptions{DryRun: true}))
		},
		"repair": func(ctx context.Context, r *store.Repository) error {
			return second(r.Repair(ctx, store.RepairOptions{}))
		},
		"rebuild": func(ctx context.Context, r *store.Repository) error { return second(r.RebuildTables(ctx)) },
		"usage":   func(ctx context.Context, r *store.Repository) error { return second(r.Usage(ctx)) },
		"compare": func(ctx context.Context, r *store.Repository) error {
			return last2(r.Compare(ctx, c, other, store.CompareOptions{}))
		},
		"members":  func(ctx context.Context, r *store.Repository) error { return last2(r.Members(ctx, &c.Volumes[0])) },
		"captures": func(ctx context.Context, r *store.Repository) error { return second(r.Captures(ctx)) },
		"hold": func(ctx context.Context, r *store.Repository) error {
			return r.Hold(ctx, []string{c.ID}, store.MarkOptions{})
		},
	} {
		t.Run(name, func(t *testing.T) {
			failed := 0
			for at := range 30 {
				reached, err := f.endedAt(at, cause, do)
				if !reached {
					break
				}
				if err == nil {
					continue // all was done, or is only tidied up
				}
				failed++
				if !errors.Is(err, cause) || !errors.Is(err, context.Canceled) {
					t.Errorf("ended at call %d: %v (cause: %t, cancelled: %t)", at, err, errors.Is(err, cause), errors.Is(err, context.Canceled))
				}
			}
			if failed == 0 {
				t.Error("nothing was ended")
			}
		})
	}
}

// endedAt does something whose context is ended at a call of the storage.
func (f *fixture) endedAt(at int, cause error, do func(context.Context, *store.Repository) error) (reached bool, err error) {
	f.t.Helper()
	faulty := storagetest.NewFaulty(f.mem)
	r, err := store.Open(f.t.Context(), faulty, f.key, store.OpenOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	defer r.Close()
	ctx, cancel := context.WithCancelCause(f.t.Context())
	defer cancel(nil)
	faulty.Before(atCall(at, func() { reached = true; cancel(cause) }))
	err = do(ctx, r)
	for name := range objects(f.t, f.mem) { // what a lease that was only just put leaves dies by itself, later
		if strings.HasPrefix(name, "leases/") {
			f.mem.Remove(f.t.Context(), name)
		}
	}
	return reached, err
}
