package replicate

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/remember"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Errors of two repositories that are no two places of one.
var (
	ErrNotReplica = vault.ErrNotReplica
	ErrSamePlace  = vault.ErrSamePlace
)

// Options say what is copied.
type Options struct {
	Captures []string // their ids; none: all that are not retired, and were not removed there
	DryRun   bool
	Host     string // for people
	Meter    *vault.Meter
}

// Report says what was copied, or would be.
type Report struct {
	Sent   []string
	Amend  []Amend
	Same   int // captures that were there
	Left   []Left
	Differ []string // captures whose index file is another one there
	Later  []string // captures that need what is being removed there
	Damage []Damage
	Slabs  int
	Bytes  int64 // of slabs, tables and index files that were put
	Notes  []string

	PutBack []string // slabs of captures that were there, which were gone there and were sent again
}

// Amend is what was amended of a capture that is in both places, and not there yet.
type Amend struct {
	ID        string
	Amendment *format.Amendment
}

// Left is a capture that was not copied, on purpose.
type Left struct{ ID, Why string }

// Damage is an object that can't be read, or is missing, and the captures that were not sent, or are harmed, for it.
type Damage struct {
	Object   string
	There    bool // in the place that is written
	Err      error
	Captures []string
}

// Replicator copies captures from one place of a repository to another.
type Replicator struct{ from, to *stock.Stock }

// New gives what copies from one place to another.
func New(from, to *stock.Stock) *Replicator { return &Replicator{from, to} }

// Check fails with ErrNotReplica or ErrSamePlace.
func (r *Replicator) Check() error {
	from, to := r.from.Vault(), r.to.Vault()
	switch {
	case !from.SameRepository(to):
		return ErrNotReplica
	case from.Place() == to.Place():
		return ErrSamePlace
	}
	return nil
}

// Replicate copies captures. It wants two places that are read afresh.
func (r *Replicator) Replicate(ctx context.Context, o Options) (*Report, error) {
	if err := r.Check(); err != nil {
		return nil, err
	}
	out := &Report{}
	for tries := 1; ; tries++ {
		before := len(out.Sent)
		p := &replication{r: r, o: o, out: &Report{Sent: out.Sent, Slabs: out.Slabs, Bytes: out.Bytes, PutBack: out.PutBack}, meter: meter{m: o.Meter}}
		err := p.run(ctx)
		p.end(ctx)
		out = p.out
		out.Same = max(0, out.Same-before) // those that were sent are there now
		if err != nil || tries == ledger.Relists || !p.missed() {
			return out, err
		}
		if moved, err := p.moved(ctx); err != nil || !moved {
			return out, err
		}
	}
}

// missed tells that something was not there to be read which no lease kept from going: anything, where there was none, and else an
// index file in whose place another one came, for reclaiming without a grace time removes it at once.
func (p *replication) missed() bool {
	return slices.ContainsFunc(p.out.Damage, func(d Damage) bool {
		return !d.There && (p.unleased || errors.Is(d.Err, storage.ErrNotFound) && vault.FolderOf(d.Object) == names.Captures)
	})
}

// moved tells whether captures have other index files than when they were read.
func (p *replication) moved(ctx context.Context) (bool, error) {
	files, err := p.r.from.Ledger().ListCaptures(ctx)
	return err == nil && !maps.Equal(ledger.HighestGenerations(files), p.here.highest), err
}

// replication is one run.
type replication struct {
	r     *Replicator
	o     Options
	out   *Report
	meter meter
	lease *lease.Lease // there; nil for a dry run

	here, there *captures
	needs       *needs
	same        []*ledger.Capture   // that are in both places, as they are there
	gaps        []gap               // of these
	states      map[int32]state     // of the slabs that captures need
	holdings    *stock.Holdings     // there
	marked      ledger.HarmedPlaces // there
	renewing    sync.Mutex
	finals      map[string]bool         // names of the final marks that there were
	pending     []*format.SlabRecord    // of slabs that no table lists there yet
	failed      map[string]bool         // captures that are not sent
	unleased    bool                    // where it is read, no lease could be put
	leave       []func(context.Context) // ends leases
}

// run copies in the order of FORMAT.md, section 10: the lease there, final marks, slabs and tables, and then
// what there is to copy, whose lease comes before it is looked at.
func (p *replication) run(ctx context.Context) error {
	p.failed, p.states = make(map[string]bool), make(map[int32]state)
	if err := p.begin(ctx); err != nil {
		return err
	}
	todo, err := p.choose(ctx)
	if err != nil {
		return err
	}
	if err := p.findGaps(ctx); err != nil {
		return err
	}
	if err := p.plan(ctx, todo); err != nil {
		return err
	}
	if p.o.DryRun {
		return nil
	}
	if err := p.tellElsewhere(ctx, todo); err != nil {
		return err
	}
	if err := p.fillGaps(ctx); err != nil {
		return err
	}
	if err := p.send(ctx, todo); err != nil {
		return err
	}
	p.meter.done()
	return p.tidyElsewhere(ctx)
}

// begin takes the leases, and finds out what is there.
func (p *replication) begin(ctx context.Context) (err error) {
	if !p.o.DryRun {
		if err := p.takeLeases(ctx); err != nil {
			return err
		}
	}
	if err := p.refresh(ctx); err != nil {
		return err
	}
	if p.here, err = readCaptures(ctx, p.r.from.Ledger()); err != nil {
		return err
	}
	if p.there, err = readCaptures(ctx, p.r.to.Ledger()); err != nil {
		return err
	}
	p.needs, err = newNeeds(ctx, p.r.from)
	return err
}

// takeLeases takes the lease there, and one here, so that nothing goes while it is read. Here that may
// fail, as where it is mounted read-only: what goes meanwhile is missed then, and nothing else.
func (p *replication) takeLeases(ctx context.Context) (err error) {
	if p.lease, err = p.r.to.Leases().Take(ctx, format.WorkReplicate, p.o.Host, ""); err != nil {
		return err
	}
	here, err := p.r.from.Leases().Take(ctx, format.WorkReplicate, p.o.Host, "")
	if err == nil {
		p.leave = append(p.leave, here.End)
		return nil
	}
	if ctx.Err() != nil {
		return err
	}
	p.unleased = true
	p.out.Notes = append(p.out.Notes, fmt.Sprintf("no lease could be put where it is read, so that reclaiming there may take away what is to be copied; what is missed then is copied by the next run (%v)", err))
	return nil
}

func (p *replication) end(ctx context.Context) {
	if p.lease != nil {
		p.lease.End(ctx)
	}
	for _, end := range p.leave {
		end(ctx)
	}
}

// refresh finds out which slabs are there, as a writer that begins now.
func (p *replication) refresh(ctx context.Context) (err error) {
	if p.holdings, err = p.r.to.Hold(ctx, p.lease); err != nil {
		return err
	}
	p.finals, _ = p.holdings.Going.Finals()
	p.marked = p.holdings.Going.Harmed()
	clear(p.states)
	return nil
}

// damage notes what harms captures.
func (p *replication) damage(object string, there bool, err error, ids ...string) {
	i := slices.IndexFunc(p.out.Damage, func(d Damage) bool { return d.Object == object && d.There == there })
	if i < 0 {
		i = len(p.out.Damage)
		p.out.Damage = append(p.out.Damage, Damage{Object: object, There: there, Err: err})
	}
	d := &p.out.Damage[i]
	for _, id := range ids {
		if !slices.Contains(d.Captures, id) {
			d.Captures = append(d.Captures, id)
		}
	}
}

// learn has this machine know there what it knows here of captures that were sent.
func (p *replication) learn(sent []*ledger.Capture) {
	var learned []remember.Capture
	for _, c := range sent {
		kind := remember.Seen
		if p.r.from.Ledger().IsOwn(c) {
			kind = remember.Made
		}
		learned = append(learned, c.Remembered(kind))
	}
	p.r.to.Ledger().Learn(learned...)
}
