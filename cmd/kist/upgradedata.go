package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/store"
)

// upgradeData is what package upgrade captures and restores by.
type upgradeData struct {
	app   *app
	r     *repository // that has the capture, or gets it: that of the spool, if there is one
	home  *repository // that the spool is of; nil: r is it, or it is away
	s     *capturing  // nil where it goes back only
	draft *store.Draft

	spooled      bool // r is that of the spool
	acceptDamage bool // capture though the repository is damaged
}

var _ upgrade.Data = (*upgradeData)(nil)

// Close implements upgrade.Data.
func (d *upgradeData) Close() error {
	err := d.r.Close()
	if d.home != nil {
		err = errors.Join(err, d.home.Close())
	}
	return err
}

// Draft implements upgrade.Data.
func (d *upgradeData) Draft(ctx context.Context) (err error) {
	if err := d.checkRoom(ctx); err != nil {
		return err
	}
	if err := d.s.findBefore(ctx, cmp.Or(d.home, d.r)); err != nil {
		return err
	}
	if d.home != nil {
		if err := d.s.checkRoom(ctx, nil); err != nil {
			return err
		}
	}
	if err := d.s.checkFolders(); err != nil {
		return err
	}
	for _, from := range d.s.sources {
		if from.Kind == sources.File {
			if err := checkSingleFile(from.Path, cmp.Or(from.MountPath, from.Path)); err != nil {
				return err
			}
		}
	}
	if d.draft, err = d.s.draft(ctx, d.r); d.s.madeRoom(ctx, err) {
		d.draft, err = d.s.draft(ctx, d.r)
	}
	if err != nil {
		return d.s.withRoom(err)
	}
	return d.proveEarly(ctx)
}

// proveEarly sees, while the service runs, that what the capture will consist of can be read: most of it was taken over from
// earlier captures, and nobody opened it since.
func (d *upgradeData) proveEarly(ctx context.Context) error {
	l, err := d.r.List(ctx)
	if err == nil && l.Damage != nil && !d.spooled { // what else waits in the spool is not gone back to
		err = l.Damage
	}
	if err == nil && d.draft != nil {
		progress, end := d.app.progress("proving")
		err = d.r.ProveDraft(ctx, d.draft, progress)
		end()
	}
	if err == nil || !errors.Is(err, store.ErrDamaged) {
		return err
	}
	if d.acceptDamage {
		d.app.Warn("%s: going back may fail.", screen.Text(err.Error()))
		return nil
	}
	return fmt.Errorf("the repository is damaged, and going back might fail: %w\nkist repair, then kist capture --reread, may mend it; --accept-damage upgrades all the same", err)
}

// proveRest sees that what was not read early can be read.
func (d *upgradeData) proveRest(ctx context.Context, c *store.Capture) error {
	for i, from := range d.s.sources {
		if from.Kind == sources.Folder || d.acceptDamage {
			continue
		}
		if err := d.r.Restore(ctx, &c.Volumes[i], io.Discard, store.RestoreOptions{}); err != nil {
			return fmt.Errorf("capture %s can't be read, and so can't be gone back to: volume %s: %w", c.ID, screen.Line(c.Volumes[i].Name), err)
		}
	}
	return nil
}

// leastRoom is what must be free in the repository for what changes until the service is
// stopped: common practice, no source.
const leastRoom = 64 << 20

// checkRoom sees that there is room in the repository, and for the data once more beside each
// volume: going back builds it there before it touches what is there.
func (d *upgradeData) checkRoom(ctx context.Context) error {
	root, err := d.app.repositoryPlace()
	if err != nil {
		return err
	}
	if free, known := d.roomAt(ctx, root); known && free < leastRoom {
		return fmt.Errorf("the repository %s has %s free: too little to capture into. Free some, or kist reclaim", screen.Line(root.String()), screen.Size(uint64(free)))
	}
	needs := make(map[uint64]uint64) // by file system
	for _, s := range d.s.sources {
		size, err := lengthBelow(ctx, s.Path)
		if err != nil {
			return err
		}
		free, device, known := files.Space(s.Path)
		needs[device] += size
		if known && uint64(free) < needs[device] {
			return fmt.Errorf("%s: going back would build %s beside what is there, and %s are free. Free some first", screen.Line(s.Path), screen.Size(needs[device]), screen.Size(uint64(free)))
		}
	}
	return nil
}

// roomAt gives how much is free in the repository, which may lie on a share.
func (d *upgradeData) roomAt(ctx context.Context, root where.Place) (free int64, known bool) {
	if root.InBucket() {
		return 0, false
	}
	r := cmp.Or(d.home, d.r)
	if r == nil || r.waited == nil {
		free, _, known = files.Space(root.Path())
		return free, known
	}
	type room struct {
		free  int64
		known bool
	}
	got, err := ask(ctx, r.waited, "statfs", func() (got room) {
		got.free, _, got.known = files.Space(root.Path())
		return got
	})
	return got.free, got.known && err == nil
}

// lengthBelow adds up what lies below a path, as far as it is there: a service that runs makes and removes files.
func lengthBelow(ctx context.Context, path string) (size uint64, err error) {
	err = filepath.WalkDir(path, func(_ string, e os.DirEntry, err error) error {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if err != nil {
			return nil // what can't be looked at, the capture names
		}
		if info, err := e.Info(); err == nil && info.Mode().IsRegular() {
			size += uint64(info.Size())
		}
		return nil
	})
	return size, err
}

// Capture implements upgrade.Data.
func (d *upgradeData) Capture(ctx context.Context) (id string, err error) {
	began := time.Now()
	d.s.options.After = d.draft
	d.s.reading = func(bool) {
		d.s.options.Labels[containers.LabelStopped] = strconv.FormatFloat(time.Since(began).Seconds(), 'f', 1, 64)
	}
	taken, err := d.s.take(ctx, d.r, "capturing")
	if err != nil {
		return "", err
	}
	taken.waits = d.home != nil
	d.app.summarize(taken)
	if n := taken.changed(); n > 0 {
		return taken.ID, fmt.Errorf("%s while being read, though the service was stopped: capture %s may be of no single moment",
			screen.Count(n, "file changed", "files changed"), taken.ID)
	}
	return taken.ID, d.proveRest(ctx, taken.Capture)
}

// Hold implements upgrade.Data. Nothing takes away what waits in the spool, and a hold there would be sent with it.
func (d *upgradeData) Hold(ctx context.Context, r *upgrade.Record) error {
	if d.spooled {
		return nil
	}
	return d.r.Hold(ctx, []string{r.Capture}, markOptions(r.HoldReason()))
}

// Release implements upgrade.Data.
func (d *upgradeData) Release(ctx context.Context, r *upgrade.Record) error {
	if d.spooled {
		return nil
	}
	return d.r.ReleaseFor(ctx, []string{r.Capture}, r.HoldReason())
}

// Find implements upgrade.Data.
func (d *upgradeData) Find(ctx context.Context, id string) error {
	_, err := d.find(ctx, id)
	return err
}

// find gives a capture by its whole id. No other is meant.
func (d *upgradeData) find(ctx context.Context, id string) (*store.Capture, error) {
	l, err := d.app.listing(ctx, d.r)
	if err != nil {
		return nil, err
	}
	c, err := l.Choose(id, store.ChooseOptions{})
	if err != nil && !errors.Is(err, store.ErrNotFound) || err == nil && c.ID == id {
		return c, err
	}
	root, _ := d.app.repositoryPlace()
	return nil, missing(fmt.Errorf("capture %s is not in the repository %s any more, if it ever was in this one: this way back is gone", screen.Line(id), screen.Line(root.String())))
}
