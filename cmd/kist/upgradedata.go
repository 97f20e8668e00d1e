package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
	"github.com/kistarchive/kist/store"
)

// upgradeData is what package upgrade captures and restores by.
type upgradeData struct {
	app   *app
	r     *repository
	s     *capturing // nil where it goes back only
	draft *store.Draft
}

var _ upgrade.Data = (*upgradeData)(nil)

// Close implements upgrade.Data.
func (d *upgradeData) Close() error { return d.r.Close() }

// Draft implements upgrade.Data.
func (d *upgradeData) Draft(ctx context.Context) (err error) {
	if err := d.checkRoom(ctx); err != nil {
		return err
	}
	if err := d.s.findBefore(ctx, d.r); err != nil {
		return err
	}
	if err := d.s.checkFolders(); err != nil {
		return err
	}
	d.draft, err = d.s.draft(ctx, d.r)
	return err
}

// leastRoom is what must be free in the repository for what changes until the service is
// stopped: common practice, no source.
const leastRoom = 64 << 20

// checkRoom sees that there is room in the repository, and for the data once more beside each
// volume: going back builds it there before it touches what is there.
func (d *upgradeData) checkRoom(ctx context.Context) error {
	root, err := d.app.repositoryPath()
	if err != nil {
		return err
	}
	if free, _, known := files.Space(root); known && free < leastRoom {
		return fmt.Errorf("the repository %s has %s free: too little to capture into. Free some, or kist reclaim", screen.Line(root), screen.Size(uint64(free)))
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
	d.s.reading = func() {
		d.s.options.Labels[containers.LabelStopped] = strconv.FormatFloat(time.Since(began).Seconds(), 'f', 1, 64)
	}
	taken, err := d.s.take(ctx, d.r, "capturing")
	if err != nil {
		return "", err
	}
	d.app.summarize(taken)
	if n := taken.changed(); n > 0 {
		return taken.ID, fmt.Errorf("%s while being read, though the service was stopped: capture %s may be of no single moment",
			screen.Count(n, "file changed", "files changed"), taken.ID)
	}
	return taken.ID, nil
}

// Hold implements upgrade.Data.
func (d *upgradeData) Hold(ctx context.Context, id string) error {
	return d.r.Hold(ctx, []string{id}, markOptions("an upgrade is at work"))
}

// Release implements upgrade.Data.
func (d *upgradeData) Release(ctx context.Context, id string) error {
	return d.r.Release(ctx, []string{id})
}

// Find implements upgrade.Data.
func (d *upgradeData) Find(ctx context.Context, id string) error {
	_, err := d.app.find(ctx, d.r, id)
	return err
}

