package store

import (
	"context"
	"errors"
	"maps"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// RepairOptions say how far repairing may go.
type RepairOptions struct {
	// Drop gives up what can't be mended: members are taken out of their captures,
	// volumes and captures that can't be read at all are removed, and captures that
	// vanished are no longer missed. Look first what that costs, without it.
	Drop bool
	// Host is where it is done, for people.
	Host string
	// Progress, if set, is called now and then, by one goroutine at a time.
	Progress func(Progress)
}

// Repaired says what Repair did, and what it can't mend.
type Repaired struct {
	Tables RebuildReport `json:"tables"`
	// Healed are captures of which harmed chunks were found again elsewhere.
	Healed []string `json:"healed"`
	// Lost are members whose contents can't be read, and volumes (with an empty
	// path) of which nothing can.
	Lost []Harmed `json:"lost"`
	// Unreadable are captures whose index files can't be read.
	Unreadable []string `json:"unreadable"`
	// Vanished are captures that others saw, and that were never removed.
	Vanished []string `json:"vanished"`
	// Exchanged are captures whose index files are not the ones that this machine saw, or
	// that a later capture names. Dropping takes them as they are.
	Exchanged []string `json:"exchanged"`
	// Returned are captures that were removed on purpose, as this machine saw, and are
	// there again. Dropping takes them as they are.
	Returned []string `json:"returned"`
	// Marks are marks that could not be read, and index files that were cut short
	// before there was a capture. They were removed.
	Marks []string `json:"marks"`
	// Dropped tells that what was lost has been given up.
	Dropped bool `json:"dropped"`
}

// Mended tells whether nothing is left that can't be mended.
func (r *Repaired) Mended() bool {
	return r.Dropped || len(r.Lost) == 0 && len(r.Unreadable) == 0 && len(r.Vanished) == 0 && len(r.Exchanged) == 0 && len(r.Returned) == 0
}

// Repair verifies all of the repository and mends what it can. It writes tables anew that
// are lost, or say of a frame what it does not hold. Harmed chunks that are found elsewhere, as when the same content was captured
// again, are taken from there. The places that are harmed are marked, so that
// captures from now on store such content again: capturing what was harmed once
// more, and then repairing once more, heals the older captures. What can't be mended is
// listed, and stays as it is until it is dropped.
//
// Only one may repair or reclaim at a time: ErrBusy. It may be stopped at any
// moment and called again.
func (r *Repository) Repair(ctx context.Context, o RepairOptions) (out *Repaired, err error) {
	defer vault.NoteEnd(ctx, &err)
	defer giveBusy(&err)
	if err := r.open(); err != nil {
		return nil, err
	}
	r, err = r.afresh()
	if err != nil {
		return nil, err
	}
	defer r.slabs.Close()
	l, err := r.leases.Take(ctx, format.WorkRepair, o.Host, "")
	if err != nil {
		return nil, err
	}
	defer l.End(ctx)
	if err := r.leases.Alone(ctx, l); err != nil {
		return nil, err
	}
	p := &repairer{r: r, o: o, lease: l, out: &Repaired{Healed: []string{}, Lost: []Harmed{}, Unreadable: []string{}, Vanished: []string{}, Exchanged: []string{}, Returned: []string{}, Marks: []string{}}}
	err = p.run(ctx)
	return p.out, err
}

// repairer is one run of Repair.
type repairer struct {
	r     *Repository
	o     RepairOptions
	lease *lease.Lease
	out   *Repaired
	v     *verifier
	bad   map[format.SlabID]*badSlab
	uses  map[format.SlabID]bool // by what was healed or dropped

	exchanged map[string]*ledger.Exchange
}

func (p *repairer) run(ctx context.Context) error {
	if err := p.rebuildTables(ctx); err != nil {
		return err
	}
	var err error
	if p.v, err = p.r.verifyOnce(ctx, VerifyOptions{Full: true, Progress: p.o.Progress}); err != nil {
		return err
	}
	for _, step := range []func(context.Context) error{p.findBad, p.markBad, p.correctTables, p.removeBadMarks, p.removeTorn, p.heal, p.findLost, p.findMissing, p.findExchanged} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	if !p.o.Drop {
		return nil
	}
	if err := p.drop(ctx); err != nil {
		return err
	}
	p.out.Dropped = true
	return nil
}

// rebuildTables reads the repository afresh: what it finds may be mended by what follows.
func (p *repairer) rebuildTables(ctx context.Context) error {
	r, err := p.r.afresh()
	if err != nil {
		return err
	}
	defer r.slabs.Close()
	done, err := r.stock.Rebuild(ctx)
	if done != nil {
		p.out.Tables = RebuildReport(*done)
	}
	return err
}

// removeBadMarks removes marks that can't be read. One that holds a capture is
// put anew first.
func (p *repairer) removeBadMarks(ctx context.Context) error {
	there := ledger.CaptureIDs(p.v.files)
	for _, name := range p.v.badMarks {
		if id, err := names.ParseMark(name); err == nil && vault.FolderOf(name) == names.Holds && slices.Contains(there, id) && !p.v.stand.Ended[name] {
			if err := vault.PutMark(ctx, p.r.vault, format.Hold, names.NewHold(id), ledger.NewMarkRecord(p.o.Host, "the mark before could not be read")); err != nil {
				return err
			}
		}
		if err := p.removeBadMark(ctx, name); err != nil {
			return err
		}
		p.out.Marks = append(p.out.Marks, name)
	}
	return nil
}

// removeBadMark removes a mark that can't be read. One that undoes a retirement is put
// again under its name, which is all that counts of it, once the retirement is gone.
func (p *repairer) removeBadMark(ctx context.Context, name string) error {
	mark, _, err := names.ParseEnding(name)
	undoes := err == nil && vault.FolderOf(name) == names.Retired
	if undoes {
		if err := p.removeMark(ctx, mark); err != nil {
			return err
		}
	}
	if err := p.removeMark(ctx, name); err != nil || !undoes {
		return err
	}
	return vault.PutMark(ctx, p.r.vault, format.Retired, name, ledger.NewMarkRecord(p.o.Host, "the mark before could not be read"))
}

func (p *repairer) removeMark(ctx context.Context, name string) error {
	if err := p.r.storage.Remove(ctx, name); err != nil && !errors.Is(err, storage.ErrNotFound) {
		return err
	}
	return nil
}

// removeTorn removes index files of captures that were never committed.
func (p *repairer) removeTorn(ctx context.Context) error {
	for _, info := range p.v.files {
		if _, _, err := names.ParseCapture(info.Name); err != nil || !ledger.IsTorn(info) {
			continue
		}
		if err := p.r.storage.Remove(ctx, info.Name); err != nil && !errors.Is(err, storage.ErrNotFound) {
			return err
		}
		p.out.Marks = append(p.out.Marks, info.Name)
	}
	return nil
}

// findMissing lists captures that can't be read at all, or have vanished.
func (p *repairer) findMissing(ctx context.Context) error {
	readable := make(map[string]bool)
	for _, c := range p.v.captures {
		readable[c.ID] = true
	}
	for _, files := range ledger.Generations(p.v.files) {
		if id, _, _ := names.ParseCapture(files[0].Info.Name); !readable[id] {
			p.out.Unreadable = append(p.out.Unreadable, id)
		}
	}
	missing, err := p.r.ledger.Vanished(ctx, p.v.captures, p.v.files, p.v.gone)
	if err != nil {
		return err
	}
	marked, err := p.r.ledger.Marked(ctx, p.v.stand, p.v.files, p.v.gone)
	maps.Copy(missing, marked)
	p.out.Vanished = slices.AppendSeq(p.out.Vanished, maps.Keys(missing))
	slices.Sort(p.out.Vanished)
	return err
}

// drop gives up what can't be mended.
func (p *repairer) drop(ctx context.Context) error {
	if err := p.dropMembers(ctx); err != nil {
		return err
	}
	if err := p.dropHistory(ctx); err != nil {
		return err
	}
	return p.dropCaptures(ctx, slices.Concat(p.out.Unreadable, p.out.Vanished))
}

// dropCaptures says that captures are no more, and removes their index files.
func (p *repairer) dropCaptures(ctx context.Context, ids []string) error {
	if len(ids) == 0 {
		return nil
	}
	if _, err := p.r.ledger.PutBatch(ctx, names.Gone, p.departing(ids)); err != nil {
		return err
	}
	for _, files := range ledger.Generations(p.v.files) {
		if id, _, _ := names.ParseCapture(files[0].Info.Name); !slices.Contains(ids, id) {
			continue
		}
		for _, f := range slices.Backward(files) {
			if err := p.r.storage.Remove(ctx, f.Info.Name); err != nil && !errors.Is(err, storage.ErrNotFound) {
				return err
			}
		}
	}
	return nil
}

// writeGenerations puts index files in the place of others.
func (p *repairer) writeGenerations(ctx context.Context, records []*format.IndexFile) error {
	if err := p.departChanged(ctx, records); err != nil {
		return err
	}
	highest := ledger.HighestGenerations(p.v.files)
	put := p.lease.Rewriting(p.uses, nil)
	for _, record := range records {
		if err := p.lease.Check(ctx); err != nil {
			return err
		}
		put.Add(names.Capture(record.ID, highest[record.ID]+1))
		if _, err := p.r.ledger.WriteGeneration(ctx, record, highest[record.ID]+1); err != nil {
			return err
		}
	}
	if err := put.Check(ctx); err != nil {
		return err
	}
	var err error
	p.v.files, err = p.r.storage.List(ctx, names.Captures)
	return err
}
