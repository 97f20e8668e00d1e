package mend

import (
	"context"
	"errors"
	"maps"
	"slices"

	"github.com/kistarchive/kist/store/internal/check"
	"github.com/kistarchive/kist/store/internal/stock"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Options say how far repairing may go.
type Options struct {
	Drop  bool   // gives up what can't be mended
	Host  string // for people
	Meter *vault.Meter

	From *stock.Stock // another place of the repository, to take from what is missing here; nil: none
}

// Report says what was mended, and what can't be.
type Report struct {
	Tables     stock.RebuildReport
	Healed     []string // captures of which harmed chunks were found again elsewhere
	Lost       []check.Harmed
	Unreadable []string // captures whose index files can't be read
	Vanished   []string // captures that others saw, and that were never removed
	Exchanged  []string // captures whose index files are not the ones that they were
	Returned   []string // captures that were removed on purpose, and are there again
	Marks      []string // marks and index files that could not be read, and were removed
	Own        []string // marks of which place this is, and of its settings, in whose place nothing whole is
	Amendments []string // index files that can't be read, of captures of which a lower generation can: what they amended is lost
	Dropped    bool     // what was lost has been given up

	Renewed []string       // objects that were damaged or gone, and were put anew as they were
	Left    []check.Damage // of what opens the repository: it is left to people

	PutBack  []string // slabs that were gone, and came from the other place under their names
	Restored []string // captures whose index files came from there
	Taken    int      // chunks that came from there into new slabs
	Offered  []string // captures that have vanished here and are there
	There    []Damage // what is damaged there, and was wanted
	Notes    []string
}

// Repair mends what it can. It wants a repository that is read afresh.
func (r *Mender) Repair(ctx context.Context, o Options) (*Report, error) {
	if o.From != nil && !r.vault.SameRepository(o.From.Vault()) {
		return nil, vault.ErrNotReplica
	}
	l, err := r.leases.Take(ctx, format.WorkRepair, o.Host, "")
	if err != nil {
		return nil, err
	}
	defer l.End(ctx)
	if err := r.leases.Alone(ctx, l); err != nil {
		return nil, err
	}
	p := &repairer{r: r, o: o, lease: l, retried: make(map[string]bool), out: &Report{Healed: []string{}, Lost: []check.Harmed{}, Unreadable: []string{}, Vanished: []string{}, Exchanged: []string{}, Returned: []string{}, Marks: []string{}}}
	err = l.Explain(ctx, p.run(ctx))
	return p.out, err
}

// repairer is one run of Repair.
type repairer struct {
	r     *Mender
	o     Options
	lease *lease.Lease
	out   *Report
	v     *check.Findings
	bad   map[format.SlabID]*badSlab
	uses  map[format.SlabID]bool // by what was healed or dropped

	exchanged map[string]*ledger.Exchange

	from        *other            // nil: none
	adopted     []*ledger.Capture // of there, whose index files can't be read here
	adoptedUses map[format.SlabID]bool
	stubborn    map[string]*ledger.Capture // of there, to be tried in the place of those here
	retried     map[string]bool
	progress    bool // something came from there, or was healed, in this pass
	patient     bool // what nothing is lost without is not left out yet
	waived      bool // but would have been
}

func (p *repairer) run(ctx context.Context) error {
	if p.o.From != nil {
		defer p.closeOther(ctx)
		if err := p.openOther(ctx); err != nil {
			return err
		}
	}
	if err := p.finishRenewing(ctx); err != nil {
		return err
	}
	if err := p.passes(ctx); err != nil {
		return err
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

// mostPasses bounds how often all is looked at: what was healed may name what is gone, level by level.
const mostPasses = format.MaxRecipeLevel + 3

// passes looks and mends, again as long as something came from another place that may help to mend more.
func (p *repairer) passes(ctx context.Context) error {
	p.patient = p.from != nil
	for n := 1; ; n++ {
		p.progress, p.waived = false, false
		if err := p.pass(ctx); err != nil {
			return err
		}
		switch {
		case p.from == nil || n >= mostPasses && !p.patient:
			return nil
		case p.progress && n < mostPasses && (len(p.out.Lost) > 0 || p.waived):
		case p.patient && p.waived:
			p.patient = false // nothing more comes
		default:
			return nil
		}
	}
}

func (p *repairer) pass(ctx context.Context) error {
	if p.from != nil {
		if err := p.restock(ctx); err != nil {
			return err
		}
	}
	for put := true; put; { // what comes back may tell of others that are missed
		var err error
		if put, err = p.putMissed(ctx); err != nil {
			return err
		}
	}
	if err := p.rebuildTables(ctx); err != nil {
		return err
	}
	if err := p.adopt(ctx); err != nil {
		return err
	}
	var err error
	if p.v, err = p.r.verifier.Find(ctx, check.Options{Full: true, Meter: func() *vault.Meter { return p.o.Meter }}); err != nil {
		return err
	}
	p.out.Left = p.v.OfOpening()
	p.out.Lost, p.out.Unreadable, p.out.Vanished, p.out.Exchanged, p.out.Returned = []check.Harmed{}, []string{}, []string{}, []string{}, []string{}
	for _, step := range []func(context.Context) error{p.renew, p.takeAmendments, p.findBad, p.markBad, p.unmark, p.correctTables, p.removeBadMarks, p.mendOwn, p.removeTorn, p.removeSuperseded, p.supply, p.heal, p.findLost, p.findMissing, p.findExchanged, p.findStubborn} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	return nil
}

// rebuildTables reads the repository afresh: what it finds may be mended by what follows.
func (p *repairer) rebuildTables(ctx context.Context) error {
	fresh, err := p.r.stock.Afresh()
	if err != nil {
		return err
	}
	defer fresh.Vault().Slabs().Close()
	done, err := fresh.Rebuild(ctx)
	if done != nil {
		done.Slabs += p.out.Tables.Slabs // of passes before
		done.Replaced = append(append([]string{}, p.out.Tables.Replaced...), done.Replaced...)
		p.out.Tables = *done
	}
	return err
}

// removeBadMarks removes marks that can't be read. One that holds a capture is
// put anew first.
func (p *repairer) removeBadMarks(ctx context.Context) error {
	there := ledger.CaptureIDs(p.v.Files)
	for _, name := range p.v.BadMarks {
		if id, err := names.ParseMark(name); err == nil && vault.FolderOf(name) == names.Holds && slices.Contains(there, id) && !p.v.Stand.Ended[name] {
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
		if m := p.v.Stand.CountsAs(mark); m != nil {
			if err := p.r.ledger.Replace(ctx, p.v.Stand, m); err != nil {
				return err
			}
		}
		if err := p.removeMark(ctx, mark); err != nil {
			return err
		}
	}
	if err := p.removeMark(ctx, name); err != nil {
		return err
	}
	if !undoes {
		return nil
	}
	return vault.PutMark(ctx, p.r.vault, format.Retired, name, ledger.NewMarkRecord(p.o.Host, "the mark before could not be read"))
}

// mendOwn puts anew what the place has about itself. What nothing tells of but a mark that can't be read stays, unless it is given up.
func (p *repairer) mendOwn(ctx context.Context) error {
	if err := p.lease.Check(ctx); err != nil {
		return err
	}
	renewed, removed, left, err := p.r.vault.MendOwn(ctx, p.o.Host, p.o.Drop)
	p.out.Renewed, p.out.Marks, p.out.Own = append(p.out.Renewed, renewed...), append(p.out.Marks, removed...), left
	return err
}

func (p *repairer) removeMark(ctx context.Context, name string) error {
	if err := p.r.storage.Remove(ctx, name); err != nil && !errors.Is(err, storage.ErrNotFound) {
		return err
	}
	return nil
}

// removeTorn removes index files of captures that were never committed.
func (p *repairer) removeTorn(ctx context.Context) error {
	for _, info := range p.v.Files {
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

// removeSuperseded removes index files that can't be read and in whose place others have come: they were of use as long as there
// was hope to read them. One of a later version of the format stays.
func (p *repairer) removeSuperseded(ctx context.Context) error {
	counts := make(map[string]int)
	for _, c := range p.v.Captures {
		counts[c.ID] = c.Generation
	}
	for _, info := range p.v.Files {
		id, generation, err := names.ParseCapture(info.Name)
		if g, ok := counts[id]; err != nil || !ok || generation >= g || !p.v.IsDamaged(info.Name) {
			continue
		}
		if _, err := p.r.ledger.ReadIndexFile(ctx, info); !errors.Is(err, format.ErrDamaged) {
			continue // it was put anew, or this release does not know it
		}
		if err := p.lease.Check(ctx); err != nil {
			return err
		}
		if err := p.removeMark(ctx, names.Spare(info.Name)); err != nil && !errors.Is(err, storage.ErrGone) {
			return err
		}
		if err := p.removeMark(ctx, info.Name); err != nil {
			return err
		}
		p.out.Marks = append(p.out.Marks, info.Name)
	}
	return nil
}

// findMissing lists captures that can't be read at all, or have vanished.
func (p *repairer) findMissing(ctx context.Context) error {
	readable := make(map[string]bool)
	for _, c := range p.v.Captures {
		readable[c.ID] = true
	}
	for _, files := range ledger.Generations(p.v.Files) {
		if id, _, _ := names.ParseCapture(files[0].Info.Name); !readable[id] {
			p.out.Unreadable = append(p.out.Unreadable, id)
		}
	}
	missing, _, err := p.r.ledger.Vanished(ctx, p.v.Captures, p.v.Files, p.v.Gone.With(p.v.Elsewhere))
	if err != nil {
		return err
	}
	marked, _, err := p.r.ledger.Marked(ctx, p.v.Stand, p.v.Files, p.v.Gone)
	maps.Copy(missing, marked)
	p.out.Vanished = slices.AppendSeq(p.out.Vanished, maps.Keys(missing))
	slices.Sort(p.out.Vanished)
	p.out.Offered = p.offer(p.out.Vanished)
	return err
}

// drop gives up what can't be mended.
func (p *repairer) drop(ctx context.Context) error {
	if err := p.dropMembers(ctx); err != nil {
		return err
	}
	if err := p.dropAmendments(ctx); err != nil {
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
	for _, files := range ledger.Generations(p.v.Files) {
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
	taken, counts := ledger.TakenBy(p.v.Files), p.counting()
	put := p.lease.Follow(p.uses, nil)
	for _, record := range records {
		if err := p.lease.Check(ctx); err != nil {
			return err
		}
		generation, err := taken.Next(record.ID, counts[record.ID])
		if err != nil {
			return err
		}
		put.Add(names.Capture(record.ID, generation))
		if _, err := p.r.ledger.WriteGeneration(ctx, record, generation); err != nil {
			return err
		}
	}
	if err := put.Check(ctx); err != nil {
		return err
	}
	var err error
	p.v.Files, err = p.r.storage.List(ctx, names.Captures)
	return err
}

// counting gives the generations that count, of captures that can be read.
func (p *repairer) counting() map[string]int {
	counts := make(map[string]int)
	if p.v == nil {
		return counts // nothing was looked at yet
	}
	for _, c := range p.v.Captures {
		counts[c.ID] = c.Generation
	}
	return counts
}
