package main

import (
	"context"
	"errors"
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
	"github.com/kistarchive/kist/store/volume"
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

// Ready implements upgrade.Data.
func (d *upgradeData) Ready(ctx context.Context, id string) error {
	_, err := d.app.find(ctx, d.r, id)
	return err
}

// Restore implements upgrade.Data.
func (d *upgradeData) Restore(ctx context.Context, r *upgrade.Record, kept func(place, path string)) error {
	capture, err := d.app.find(ctx, d.r, r.Capture)
	if err != nil {
		return fmt.Errorf("%w: %w", upgrade.ErrUntouched, err)
	}
	p := &puttingBack{
		containerRestore: &containerRestore{restoring: &restoring{app: d.app, r: d.r}},
		kept:             kept, untouched: len(r.Kept) == 0,
	}
	if len(r.Places) > 0 {
		err = p.chooseByOrder(capture, r)
	} else if p.target, err = containers.Find(ctx, d.app.engine(r.Engine), r.Old); err == nil {
		err = p.choose(capture, r)
	}
	if err == nil {
		err = p.exchangeFrom(ctx, 0)
	}
	return p.failed(err)
}

// puttingBack brings a container's volumes to the data of a capture.
type puttingBack struct {
	*containerRestore
	files     []volumePlace // single files on this machine
	kept      func(place, path string)
	untouched bool
}

func (p *puttingBack) failed(err error) error {
	if err != nil && p.untouched {
		err = fmt.Errorf("%w: %w", upgrade.ErrUntouched, err)
	}
	return err
}

// choose finds the places that are not exchanged yet.
func (p *puttingBack) choose(capture *store.Capture, r *upgrade.Record) error {
	for i := range capture.Volumes {
		v := &capture.Volumes[i]
		m := p.target.MountAt(v.MountPath)
		if m == nil {
			return fmt.Errorf("container %s has nothing mounted at %s, where volume %s belongs", p.target.Name, screen.Line(v.MountPath), screen.Line(v.Name))
		}
		if _, done := r.Kept[m.Source]; done {
			continue
		}
		info, err := containers.Look(*m)
		switch {
		case err != nil:
			p.copied = append(p.copied, volumePlace{v, m.Destination})
		case !info.IsDir():
			p.files = append(p.files, volumePlace{v, m.Source})
		default:
			if err := p.chooseFolder(volumePlace{v, m.Source}, r.Began); err != nil {
				return err
			}
		}
	}
	return nil
}

// chooseByOrder finds the folders that are not exchanged yet of a service that is no container.
func (p *puttingBack) chooseByOrder(capture *store.Capture, r *upgrade.Record) error {
	if len(capture.Volumes) != len(r.Places) {
		return fmt.Errorf("capture %s has %d volumes, and the upgrade was of %d folders", capture.ID, len(capture.Volumes), len(r.Places))
	}
	for i, dir := range r.Places {
		if _, done := r.Kept[dir]; done {
			continue
		}
		if err := p.chooseFolder(volumePlace{&capture.Volumes[i], dir}, r.Began); err != nil {
			return err
		}
	}
	return nil
}

// chooseFolder takes a folder, unless a run that was killed had exchanged it.
func (p *puttingBack) chooseFolder(at volumePlace, began time.Time) error {
	if _, err := volume.Recover(at.dir); err != nil {
		return err
	}
	if previous := keptSince(at.dir, began); previous != "" {
		p.untouched = false
		p.kept(at.dir, previous)
		return nil
	}
	p.placed = append(p.placed, at)
	return nil
}

// keptSince gives the first that was kept of a folder since a time, beside it or, of a mount point, in it. Only names as
// a restore gives them count, and only those of a time that has been: anybody may make others, such as .before-migration.
func keptSince(dir string, began time.Time) string {
	found, _ := volume.FindAside(dir)
	for _, x := range found {
		if x.Kind == volume.AsidePrevious && x.Folder && !x.Made.Before(began) && !x.Made.After(time.Now()) {
			return x.Path
		}
	}
	return ""
}

// exchangeFrom builds the data of the places from n on, each beside what is there, and exchanges it once
// that of all is complete.
func (p *puttingBack) exchangeFrom(ctx context.Context, n int) error {
	if n == len(p.placed) {
		return p.exchangeRest(ctx)
	}
	at := p.placed[n]
	p.app.noteRestore(at.dir)
	done, err := volume.ReplaceFolder(ctx, at.dir, func(ctx context.Context, part *volume.Folder) error {
		report, err := p.build(ctx, at.volume, part)
		if err != nil {
			return fmt.Errorf("volume %s: %w", screen.Line(at.volume.Name), err)
		}
		p.app.WarnAll(lossTexts(report.NotRestored))
		return p.exchangeFrom(ctx, n+1)
	}, volume.ReplaceOptions{})
	if done != nil || errors.Is(err, volume.ErrTorn) {
		p.untouched = false
	}
	if done != nil {
		p.app.WarnAll(lossTexts(done.NotRestored))
		p.kept(at.dir, done.Previous)
	}
	return err
}

// exchangeRest brings back what is no folder of this machine.
func (p *puttingBack) exchangeRest(ctx context.Context) error {
	for _, at := range p.files {
		if err := p.exchangeFile(ctx, at); err != nil {
			return fmt.Errorf("volume %s: %w", screen.Line(at.volume.Name), err)
		}
	}
	if len(p.copied) > 0 {
		p.untouched = false
	}
	return p.copyAll(ctx)
}

// exchangeFile brings a single file back that is mounted, and keeps what it was under a dated name.
func (p *puttingBack) exchangeFile(ctx context.Context, at volumePlace) (err error) {
	is, err := os.Stat(at.dir)
	if err != nil {
		return err
	}
	part, err := os.CreateTemp(filepath.Dir(at.dir), "."+filepath.Base(at.dir)+".new-")
	if err != nil {
		return err
	}
	defer os.Remove(part.Name())
	err = p.write(ctx, at.volume, part)
	err = errors.Join(err, part.Chmod(is.Mode().Perm()), likeOwner(part, is), part.Sync(), part.Close())
	if err != nil {
		return err
	}
	before := at.dir + ".before-" + time.Now().UTC().Format("20060102t150405z")
	if err := os.Link(at.dir, before); err != nil {
		return err
	}
	if err := os.Rename(part.Name(), at.dir); err != nil {
		return errors.Join(err, os.Remove(before))
	}
	p.untouched = false
	// What the journal says is done has reached the disk: else, after a power failure, nobody would do it again.
	if err := files.SyncFolder(filepath.Dir(at.dir)); err != nil {
		return err
	}
	p.kept(at.dir, before)
	if err := p.app.book().NoteSingle(before); err != nil {
		p.app.Warn("kist kept will not know of %s: %s", screen.Printable(before), screen.Line(err.Error()))
	}
	return nil
}
