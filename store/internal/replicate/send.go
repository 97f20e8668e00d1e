package replicate

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
)

// plan finds out what captures need, and how much of it is missing there.
func (p *replication) plan(ctx context.Context, todo []*ledger.Capture) error {
	counted := make(map[int32]bool)
	bytes := int64(0)
	count := func(n int32) {
		if !counted[n] && p.stateOf(n).wants() {
			length, _ := p.needs.list.Length(p.needs.ids[n])
			counted[n] = true
			bytes += length
		}
	}
	for _, g := range p.gaps {
		count(g.slab)
	}
	for _, c := range todo {
		needed, err := p.needs.of(ctx, c)
		if vault.IsDamage(err) {
			p.fail(c, damagedObject(err), false, err)
			continue
		}
		if err != nil {
			return err
		}
		for _, n := range needed {
			count(n)
		}
	}
	p.meter.expect(bytes)
	if p.o.DryRun {
		p.out.Slabs, p.out.Bytes = len(counted), bytes
		for _, g := range p.gaps {
			if counted[g.slab] {
				p.out.PutBack = append(p.out.PutBack, names.Slab(p.needs.ids[g.slab]))
			}
		}
		for _, c := range p.viable(ctx, todo) {
			p.out.Sent = append(p.out.Sent, c.ID)
			p.out.Bytes += c.Info.Size
		}
	}
	return nil
}

// damagedObject names the object that an error is about.
func damagedObject(err error) string {
	var slab *fetch.SlabError
	var object *vault.ObjectError
	switch {
	case errors.As(err, &object):
		return object.Object
	case errors.As(err, &slab):
		return names.Slab(slab.Slab)
	}
	return ""
}

// fail notes that a capture is not sent, for damage.
func (p *replication) fail(c *ledger.Capture, object string, there bool, err error) {
	p.failed[c.ID] = true
	p.damage(object, there, err, c.ID)
}

// viable gives the captures of which nothing is known to be in the way, and notes the others.
func (p *replication) viable(ctx context.Context, batch []*ledger.Capture) (good []*ledger.Capture) {
	for _, c := range batch {
		if !p.failed[c.ID] && p.isViable(ctx, c) {
			good = append(good, c)
		}
	}
	return good
}

func (p *replication) isViable(ctx context.Context, c *ledger.Capture) bool {
	slabs, err := p.needs.of(ctx, c)
	if err != nil {
		return false // noted by plan
	}
	waits := false
	for _, n := range slabs {
		switch s := p.stateOf(n); s.is {
		case damaged, odd:
			p.fail(c, s.object, s.is == odd, s.err)
		case going:
			waits = true
		}
	}
	if waits && !p.failed[c.ID] {
		p.failed[c.ID] = true
		p.out.Later = append(p.out.Later, c.ID)
	}
	return !p.failed[c.ID]
}

// send copies captures, some at a time: their slabs, tables that list these, and then their index files. What is
// left when it fails is found by the next run.
func (p *replication) send(ctx context.Context, todo []*ledger.Capture) error {
	for len(todo) > 0 {
		n, err := p.some(ctx, todo)
		if err == nil {
			err = p.sendBatch(ctx, todo[:n])
		}
		if err != nil {
			p.salvage(ctx)
			return err
		}
		todo = todo[n:]
	}
	return nil
}

// salvageTime bounds how long a run that failed tries to list what arrived: the share may be what failed.
const salvageTime = 7 * time.Second

func (p *replication) salvage(ctx context.Context) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), salvageTime)
	defer cancel()
	p.writeTables(ctx) // its failing is no loss: the slabs are found without a table
}

// some tells how many of the captures are committed together.
func (p *replication) some(ctx context.Context, todo []*ledger.Capture) (int, error) {
	slabs := make(map[int32]bool)
	for i, c := range todo {
		if i == batchCaptures || len(slabs) >= batchSlabs {
			return i, nil
		}
		if p.failed[c.ID] {
			continue
		}
		missing, err := p.missing(ctx, todo[i:i+1])
		if err != nil {
			return 0, err
		}
		for _, n := range missing {
			slabs[n] = true
		}
	}
	return len(todo), nil
}

// missing gives the slabs that captures need and that are not there, or are harmed there, each once.
func (p *replication) missing(ctx context.Context, batch []*ledger.Capture) (slabs []int32, err error) {
	seen := make(map[int32]bool)
	for _, c := range batch {
		needed, err := p.needs.of(ctx, c)
		if err != nil {
			return nil, err
		}
		for _, n := range needed {
			if !seen[n] && p.stateOf(n).wants() {
				slabs = append(slabs, n)
			}
			seen[n] = true
		}
	}
	return slabs, nil
}

// commitTries is how often captures are committed anew by a lease in the place of one that lapsed.
const commitTries = 3

func (p *replication) sendBatch(ctx context.Context, batch []*ledger.Capture) error {
	for range commitTries {
		if batch = p.viable(ctx, batch); len(batch) == 0 {
			return nil
		}
		slabs, err := p.missing(ctx, batch)
		if err != nil {
			return err
		}
		if err := p.copySlabs(ctx, slabs); err != nil {
			return err
		}
		if err := p.adopt(ctx, batch); err != nil {
			return err
		}
		if err := p.writeTables(ctx); err != nil {
			return err
		}
		if batch = p.viable(ctx, batch); len(batch) == 0 {
			return nil
		}
		safe, err := p.safe(ctx, batch)
		if err != nil {
			return err
		}
		if safe {
			return p.commit(ctx, batch)
		}
		if err := p.regain(ctx); err != nil {
			return err
		}
	}
	return lease.ErrOvertaken
}

// regain begins anew, as a writer does whose lease lapsed.
func (p *replication) regain(ctx context.Context) error {
	p.lease.End(ctx)
	l, err := p.r.to.Leases().Take(ctx, format.WorkReplicate, p.o.Host, "")
	if err != nil {
		return err
	}
	p.lease = l
	return p.refresh(ctx)
}

// uses gives all slabs that captures rely on.
func (p *replication) uses(ctx context.Context, batch []*ledger.Capture) (map[format.SlabID]bool, error) {
	all := make(map[format.SlabID]bool)
	for _, c := range batch {
		slabs, err := p.needs.of(ctx, c)
		if err != nil {
			return nil, err
		}
		for _, n := range slabs {
			all[p.needs.ids[n]] = true
		}
	}
	return all, nil
}

// threat tells of a final mark that names a slab on which captures rely. One that can't be read, and was there
// from the start, named none: what is older is not relied on.
func (p *replication) threat(uses map[format.SlabID]bool) func(*ledger.Batch) bool {
	return func(f *ledger.Batch) bool {
		if f.Record == nil {
			return !p.finals[f.Info.Name]
		}
		return slices.ContainsFunc(f.Record.Slabs, func(id format.SlabID) bool { return uses[id] })
	}
}

// safe tells, before index files are put, that nobody can have taken the lease for dead and removes what they rely on.
func (p *replication) safe(ctx context.Context, batch []*ledger.Capture) (bool, error) {
	alive, err := p.lease.Confirm(ctx)
	if err != nil || !alive {
		return false, err
	}
	uses, err := p.uses(ctx, batch)
	if err != nil {
		return false, err
	}
	final, err := p.r.to.Ledger().ReadStages(ctx, names.Final)
	return err == nil && !final.Threatens(p.threat(uses)), err
}

// commit puts the index files, and looks again.
func (p *replication) commit(ctx context.Context, batch []*ledger.Capture) error {
	uses, err := p.uses(ctx, batch)
	if err != nil {
		return err
	}
	var put []putFile
	var failed error
	for _, c := range batch {
		file, err := p.putCapture(ctx, c)
		if err != nil {
			failed = err // those before are there
			break
		}
		if file.name != "" {
			put = append(put, file)
		}
	}
	if err := p.checkAfter(ctx, uses, put); err != nil {
		return errors.Join(failed, err)
	}
	var sent []*ledger.Capture
	for _, file := range put {
		p.out.Sent = append(p.out.Sent, file.capture.ID)
		p.there.byID[file.capture.ID] = file.capture
		sent = append(sent, file.capture)
	}
	p.learn(sent)
	return failed
}

// checkAfter makes sure that nobody went on without the lease, and withdraws the captures otherwise.
func (p *replication) checkAfter(ctx context.Context, uses map[format.SlabID]bool, put []putFile) error {
	if len(put) == 0 {
		return nil
	}
	err := p.lease.CheckAfter(ctx, p.threat(uses))
	if err == nil && (p.lease.SinceRenewal() >= lease.Life/2 || p.lease.Lapsed()) {
		err = p.checkSlabs(ctx, uses) // putting them took so long that it may have been taken for dead
	}
	if err != nil {
		return errors.Join(err, p.withdraw(ctx, put))
	}
	return nil
}

func (p *replication) checkSlabs(ctx context.Context, uses map[format.SlabID]bool) error {
	now, err := p.r.to.Hold(ctx, nil)
	if err != nil {
		return err
	}
	for id := range uses {
		if _, ok := now.Slabs.Find(id); !ok || now.Exclusion.Slabs[id] {
			return fmt.Errorf("%s: %w", names.Slab(id), lease.ErrOvertaken)
		}
	}
	return nil
}
