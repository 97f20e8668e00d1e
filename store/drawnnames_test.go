package store_test

import (
	"context"
	"fmt"
	"io"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// drawn is a storage where the first names that are drawn in a folder are taken already.
type drawn struct {
	storage.Storage
	folder string
	most   int32 // so many
	taken  atomic.Int32
}

func (d *drawn) take(op, name string) error {
	if strings.HasPrefix(name, d.folder+"/") && d.taken.Add(1) <= d.most {
		return &storage.Error{Op: op, Name: name, Err: storage.ErrExists}
	}
	return nil
}

func (d *drawn) Put(ctx context.Context, name string, content io.Reader) error {
	if err := d.take("put", name); err != nil {
		return err
	}
	return d.Storage.Put(ctx, name, content)
}

func (d *drawn) Mark(ctx context.Context, name string, content []byte) error {
	if err := d.take("mark", name); err != nil {
		return err
	}
	return d.Storage.Mark(ctx, name, content)
}

// TestDrawnNames has another machine draw the same four letters in the same minute: whoever comes second draws again. A storage that
// says so of each name, as no chance does, is not asked for ever.
func TestDrawnNames(t *testing.T) {
	for folder, do := range map[string]func(*fixture, *store.Repository, []string) error{
		names.Tables: func(f *fixture, r *store.Repository, _ []string) error {
			_, err := r.Capture(f.t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{stream(random(3, 50_000))}})
			return err
		},
		names.Captures: func(f *fixture, r *store.Repository, _ []string) error {
			_, err := r.Capture(f.t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{stream(random(3, 50_000))}})
			return err
		},
		names.Verified: func(f *fixture, r *store.Repository, _ []string) error {
			report, err := r.Verify(f.t.Context(), store.VerifyOptions{Keep: true})
			if err == nil && len(f.kept()) != 1 {
				err = fmt.Errorf("it is not kept: %q", report.Notes)
			}
			return err
		},
		names.Retired: func(f *fixture, r *store.Repository, ids []string) error {
			return r.Retire(f.t.Context(), ids, store.MarkOptions{})
		},
		names.Condemned: func(f *fixture, r *store.Repository, ids []string) error {
			if err := r.Retire(f.t.Context(), ids, store.MarkOptions{}); err != nil {
				return err
			}
			_, err := r.Reclaim(f.t.Context(), store.ReclaimOptions{AcceptUnexplained: true})
			return err
		},
	} {
		t.Run(folder, func(t *testing.T) {
			f := newFixture(t)
			ids := []string{f.capture(random(1, 50_000)).ID, f.capture(random(2, 50_000)).ID}
			const all = 1000
			for _, most := range []int32{all, 1} {
				d := &drawn{Storage: f.mem, folder: folder, most: most}
				r, err := store.Open(t.Context(), d, f.key, store.OpenOptions{})
				if err != nil {
					t.Fatal(err)
				}
				err = do(f, r, ids)
				r.Close()
				if taken := d.taken.Load(); taken == 0 || taken > all/10 {
					t.Errorf("%d names were drawn", taken)
				}
				if (err == nil) != (most == 1) {
					t.Errorf("where %d names are taken: %v", most, err)
				}
			}
		})
	}
}
