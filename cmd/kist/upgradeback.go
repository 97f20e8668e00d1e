package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os/exec"
	"path/filepath"
	"slices"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

// Restore implements upgrade.Data.
func (d *upgradeData) Restore(ctx context.Context, r *upgrade.Record, do upgrade.Deeds) error {
	p, err := d.puttingBack(ctx, r)
	if err != nil {
		return fmt.Errorf("%w: %w", upgrade.ErrUntouched, err)
	}
	p.do = do
	if err := p.run(ctx); err != nil {
		return p.failed(err)
	}
	return nil
}

// puttingBack chooses what is to be put back, and sees that there is room for it.
func (d *upgradeData) puttingBack(ctx context.Context, r *upgrade.Record) (*puttingBack, error) {
	capture, err := d.find(ctx, r.Capture)
	if err != nil {
		return nil, err
	}
	p := &puttingBack{
		containerRestore: &containerRestore{restoring: &restoring{app: d.app, r: d.r}},
		exchanges:        make(map[string]upgrade.Exchange), untouched: len(r.Kept) == 0, again: "kist resume", of: r,
	}
	asked := r.Step == upgrade.Looking || r.Step == upgrade.Good
	if asked {
		p.again = "run this again" // nothing is open
	}
	if r.Up != "" {
		err = p.chooseByOrder(capture, r)
	} else if p.target, err = containers.Find(ctx, d.app.engine(r.Engine), r.Old); err == nil {
		err = p.choose(capture, r)
	}
	if err == nil && asked && r.Up == "" { // what commands stop may be containers, and stands later
		err = p.checkBeside(ctx)
	}
	if err == nil {
		err = p.checkRoom(ctx)
	}
	return p, p.explain(err)
}

// checkBeside fails with a besideError where a running container that is neither of the two versions writes to what is exchanged.
func (p *puttingBack) checkBeside(ctx context.Context) error {
	var mounts []engine.Mount
	for _, at := range slices.Concat(p.placed, p.files) {
		mounts = append(mounts, engine.Mount{Type: "bind", Source: at.dir})
	}
	for _, at := range p.copied {
		mounts = append(mounts, *p.target.MountAt(at.dir))
	}
	e := p.app.engine(cmp.Or(p.of.Engine, p.app.getenv("KIST_ENGINE"), engine.Default))
	return checkBeside(ctx, e, mounts, p.of.Old, p.of.New)
}

// besideWait bounds how long the service stays down for a look at others.
const besideWait = 10 * time.Second

// warnBeside says loudly what checkBeside finds: the service is down by now, and stays so for nobody.
func (p *puttingBack) warnBeside(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, besideWait)
	defer cancel()
	err := p.checkBeside(ctx)
	if beside, ok := errors.AsType[*besideError](err); ok {
		p.app.Warn("CONTAINER %s RUNS, AND GOES ON WRITING INTO WHAT IS SET ASIDE of %s, which it has mounted at %s, and not into what the service gets back. Stop it (%s stop %[1]s), look there for what it wrote, and start it again; no kist kept --remove of that before",
			screen.Printable(beside.container), screen.Printable(beside.has.Source), screen.Printable(beside.has.Destination), beside.engine)
	} else if err != nil && !errors.Is(err, exec.ErrNotFound) && !errors.Is(err, fs.ErrNotExist) {
		p.app.Warn("whether another running container writes into what is set aside could not be seen: %s", screen.Text(err.Error()))
	}
}

// checkReadable looks whether the capture of an upgrade can be put back, and builds nothing.
func (d *upgradeData) checkReadable(ctx context.Context, r *upgrade.Record) error {
	p, err := d.puttingBack(ctx, r)
	if err != nil {
		return err
	}
	for _, places := range [][]volumePlace{p.placed, p.files, p.copied} {
		for _, at := range places {
			if err := p.prove(ctx, at.volume); err != nil {
				return p.explain(err)
			}
		}
	}
	return nil
}

// puttingBack brings a service's volumes to the data of a capture.
type puttingBack struct {
	*containerRestore
	files     []volumePlace // single files on this machine
	parts     []*filePart   // what was built for them
	do        upgrade.Deeds
	exchanges map[string]upgrade.Exchange
	untouched bool
	again     string          // what to do once it can be done
	of        *upgrade.Record // that it is done for
}

func (p *puttingBack) failed(err error) error {
	err = p.explain(err)
	if p.untouched {
		err = fmt.Errorf("%w: %w", upgrade.ErrUntouched, err)
	}
	return err
}

// explain says what to do about what is damaged.
func (p *puttingBack) explain(err error) error {
	if err == nil || !errors.Is(err, store.ErrDamaged) {
		return err
	}
	objects := store.DamagedObjects(err)
	if len(objects) == 0 {
		return err
	}
	return fmt.Errorf("%w. Put %s back into the repository from a copy of it, then %s", err, screen.Line(listed(objects)), p.again)
}

// listed names the first of some objects.
func listed(objects []string) string {
	text := objects[0]
	const most = 3
	for i, name := range objects[1:] {
		if i+1 == most {
			return fmt.Sprintf("%s and %d more", text, len(objects)-most)
		}
		text += ", " + name
	}
	return text
}

// choose finds the places that are not exchanged yet.
func (p *puttingBack) choose(capture *store.Capture, r *upgrade.Record) error {
	for i := range capture.Volumes {
		v := &capture.Volumes[i]
		m := p.target.MountAt(v.MountPath)
		if m == nil {
			return fmt.Errorf("container %s has nothing mounted at %s, where volume %s belongs", screen.Line(p.target.Name), screen.Line(v.MountPath), screen.Line(v.Name))
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
			p.placed = append(p.placed, volumePlace{v, m.Source})
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
		if _, done := r.Kept[dir]; !done {
			p.placed = append(p.placed, volumePlace{&capture.Volumes[i], dir})
		}
	}
	return nil
}

// checkRoom sees that all of it has room beside what is there.
func (p *puttingBack) checkRoom(ctx context.Context) error {
	targets := p.targets()
	for _, at := range p.files {
		targets = append(targets, destination{[]*store.Volume{at.volume}, filepath.Dir(at.dir), true})
	}
	needs, err := p.needs(ctx, targets)
	for _, n := range needs {
		if err == nil && n.bytes > n.free {
			err = fmt.Errorf("%s: free some, then %s (kist kept lists what earlier restores set aside)", n, p.again)
		}
	}
	return err
}

// run builds all of it, has the service stopped, and exchanges it.
func (p *puttingBack) run(ctx context.Context) error {
	defer func() {
		for _, part := range p.parts {
			part.drop()
		}
	}()
	for _, at := range p.files {
		if err := p.buildFile(ctx, at); err != nil {
			return fmt.Errorf("volume %s: %w", screen.Line(at.volume.Name), err)
		}
	}
	for _, at := range p.copied {
		if err := p.prove(ctx, at.volume); err != nil {
			return err
		}
	}
	return p.exchangeFrom(ctx, 0)
}

// prove reads all of a volume, and holds it against what was captured.
func (p *puttingBack) prove(ctx context.Context, v *store.Volume) error {
	progress, end := p.app.progress("reading")
	defer end()
	if err := p.r.Restore(ctx, v, io.Discard, store.RestoreOptions{Progress: progress}); err != nil {
		return fmt.Errorf("volume %s: %w", screen.Line(v.Name), err)
	}
	return nil
}

// exchangeFrom builds the data of the places from n on, each beside what is there, and exchanges it once
// that of all is complete.
func (p *puttingBack) exchangeFrom(ctx context.Context, n int) error {
	if n == len(p.placed) {
		return p.exchangeRest(ctx)
	}
	at := p.placed[n]
	aside, end := p.app.noteRestore(at.dir)
	defer end()
	done, err := volume.ReplaceFolder(ctx, at.dir, func(ctx context.Context, part *volume.Folder) error {
		report, err := p.build(ctx, at.volume, part)
		if err != nil {
			return fmt.Errorf("volume %s: %w", screen.Line(at.volume.Name), err)
		}
		p.app.WarnAll(lossTexts(report.NotRestored))
		p.exchanges[at.dir], err = upgrade.NewExchange(at.dir, part.Path())
		if err != nil {
			return err
		}
		return p.exchangeFrom(ctx, n+1)
	}, volume.ReplaceOptions{Aside: aside})
	if done != nil || errors.Is(err, volume.ErrTorn) {
		p.untouched = false
	}
	if done != nil {
		p.app.WarnAll(lossTexts(done.NotRestored))
		p.do.Kept(at.dir, done.Previous)
	}
	return err
}

// exchangeRest has the service stopped, and brings back what is no folder of this machine.
func (p *puttingBack) exchangeRest(ctx context.Context) error {
	if err := p.do.Stop(ctx); err != nil {
		return err
	}
	if err := p.lookAgain(); err != nil {
		return err
	}
	p.warnBeside(ctx)
	p.do.Note(p.exchanges)
	for i, at := range p.files {
		if err := p.exchangeFile(at, p.parts[i]); err != nil {
			return fmt.Errorf("volume %s: %w", screen.Line(at.volume.Name), err)
		}
	}
	if len(p.copied) > 0 {
		p.untouched = false
	}
	return p.copyAll(ctx)
}

// lookAgain looks at what stands at each place once nothing changes it any more.
func (p *puttingBack) lookAgain() error {
	for place, x := range p.exchanges {
		if err := x.LookAgain(place); err != nil {
			return err
		}
		p.exchanges[place] = x
	}
	for _, at := range p.copied {
		p.exchanges[at.dir] = upgrade.Copied
	}
	return nil
}

// filePart is a single file that was built beside the one that it is to take the place of.
type filePart struct {
	site *volume.FileSite
	name string
}

// drop removes what did not come into its place.
func (p *filePart) drop() {
	p.site.Remove(p.name)
	p.site.Close()
}

// buildFile builds a single file beside the one that is mounted.
func (p *puttingBack) buildFile(ctx context.Context, at volumePlace) error {
	site, err := volume.OpenFileSite(at.dir)
	if err != nil {
		return err
	}
	if err := site.Check(); err != nil {
		site.Close()
		return err
	}
	part, err := site.Create()
	if err != nil {
		site.Close()
		return err
	}
	built := &filePart{site, filepath.Base(part.Name())}
	p.parts = append(p.parts, built)
	err = p.write(ctx, at.volume, part)
	err = errors.Join(err, site.Dress(part), part.Sync(), part.Close())
	if err != nil {
		return err
	}
	x, err := upgrade.NewExchange(at.dir, site.Beside(built.name))
	x.Part, x.Kept = site.Beside(built.name), site.Path()+".before-"+time.Now().UTC().Format("20060102t150405z")
	p.exchanges[at.dir] = x
	return err
}

// exchangeFile puts a single file in its place, and keeps what it was under a dated name.
func (p *puttingBack) exchangeFile(at volumePlace, part *filePart) (err error) {
	before := p.exchanges[at.dir].Kept
	if err := part.site.Exchange(part.name, filepath.Base(before)); err != nil {
		return err
	}
	p.untouched = false
	// What the journal says is done has reached the disk: else, after a power failure, nobody would do it again.
	if err := flushSite(part.site); err != nil {
		return err
	}
	p.do.Kept(at.dir, before)
	if err := p.app.book().NoteSingle(before); err != nil {
		p.app.Warn("kist kept will not know of %s: %s", screen.Printable(before), screen.Line(err.Error()))
	}
	return nil
}

// flushSite flushes the names beside a single file; tests look on.
var flushSite = (*volume.FileSite).Flush

// checkSingleFile sees, while the service runs, that going back could exchange a single file that is mounted.
func checkSingleFile(path, mounted string) error {
	site, err := volume.OpenFileSite(path)
	if err == nil {
		err = errors.Join(site.Check(), site.Close())
	}
	if err != nil {
		return fmt.Errorf("going back could not put another file in the place of this one, which is mounted at %s: %w. Mount the folder that it lies in, or leave it out (--exclude-mount %s)",
			screen.Line(mounted), err, screen.ShellQuote(mounted))
	}
	return nil
}
