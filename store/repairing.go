package store

import (
	"context"

	"github.com/kistarchive/kist/store/internal/mend"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
)

// RepairOptions say how far repairing may go.
type RepairOptions struct {
	// Drop gives up what can't be mended: members are taken out of their captures,
	// volumes and captures that can't be read at all are removed, and captures that
	// vanished are no longer missed. Look first what that costs, without it.
	// What the storage does not show, as one that lags behind, is given up as well.
	Drop bool
	// From is another place of the repository, or a copy of its files, which may hold what is damaged or gone here. It
	// is read, and nothing is written there but a lease; to mend that place, too, repair it from this one.
	From *Repository
	// Host is where it is done, for people.
	Host string
	// Progress, if set, is called now and then, by one goroutine at a time.
	Progress func(Progress)
}

// Repaired says what [Repository.Repair] did, and what it can't mend.
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
	// Own are marks that say which place of the repository this is, or what its settings are, that can't be read and
	// beside which nothing tells. They are kept, unless they are dropped: then this is the first place, or has no settings.
	Own []string `json:"own,omitempty"`
	// Amendments are index files that can't be read, of captures of which an earlier one can and counts. What they amended
	// is not known. Dropping removes them; until then Reclaim removes nothing, as nobody knows what they need.
	Amendments []string `json:"amendments,omitempty"`
	// Dropped tells that what was lost has been given up.
	Dropped bool `json:"dropped"`

	// Left is what is damaged of kist.json and the key slots: nothing is put in their place, so that there is no
	// moment without what opens the repository. Each says whether its second copy is whole.
	Left []Damage `json:"left,omitempty"`
	// Renewed are objects that were damaged or gone, and were put anew as they were: by the parity of slabs, or by second copies.
	Renewed []string `json:"renewed,omitempty"`
	// PutBack are slabs that were gone, and came from the other place under their own names.
	PutBack []string `json:"put_back,omitempty"`
	// Restored are captures whose index files could not be read, and came from there.
	Restored []string `json:"restored,omitempty"`
	// Taken is how many chunks came from there into new slabs.
	Taken int `json:"taken_chunks,omitempty"`
	// Offered are those of Vanished whose index files are in the other place: Replicate copies them when
	// they are named.
	Offered []string `json:"offered,omitempty"`
	// There is what was wanted of the other place and is damaged there.
	There []OtherDamage `json:"damaged_there,omitempty"`
	Notes []string      `json:"notes,omitempty"`
}

// OtherDamage is an object of another place that is not what was written.
type OtherDamage struct {
	Object  string `json:"object"`
	Problem string `json:"problem"`
}

// Mended tells whether nothing is left that can't be mended. Frames from which captures were healed stay
// where they are, which Verify notes, until Reclaim removes their slabs.
func (r *Repaired) Mended() bool {
	return len(r.Left) == 0 && (r.Dropped || len(r.Lost) == 0 && len(r.Unreadable) == 0 && len(r.Vanished) == 0 && len(r.Exchanged) == 0 && len(r.Returned) == 0 && len(r.Own) == 0 && len(r.Amendments) == 0)
}

// Repair verifies all of the repository and mends what it can. It writes tables anew that
// are lost, or say of a frame what it does not hold. Harmed chunks that are found elsewhere, as when the same content was captured
// again, are taken from there. The places that are harmed are marked, so that
// captures from now on store such content again: capturing what was harmed once
// more, and then repairing once more, heals the older captures. What can't be mended is
// listed, and stays as it is until it is dropped. An index file that is gone and missed comes back by its second copy, if there
// is one; what is damaged of kist.json and key slots is left to people.
//
// With RepairOptions.From it takes what is harmed or gone here from another place of the repository: slabs
// that are gone come back as they were, harmed chunks come into new slabs, and index files that can't be read into new
// generations. Everything is held against its seal and its identity, and nothing comes that does not fit. What
// is harmed in both places is lost. Where each has lost something that the other one has, repair both, each from
// the other; a capture that is whole in neither place may need that a second time in the first.
//
// Only one may repair or reclaim at a time: [ErrBusy]. It may be stopped at any
// moment and called again. It fails with [ErrNotReplica] and [ErrSamePlace] for what it can't be repaired from.
func (r *Repository) Repair(ctx context.Context, o RepairOptions) (out *Repaired, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	defer giveBusy(&err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	from, err := r.otherStock(o.From)
	if err != nil {
		return nil, err
	}
	fresh, err := r.afresh()
	if err != nil {
		return nil, err
	}
	defer fresh.slabs.Close()
	done, err := fresh.mender.Repair(ctx, mend.Options{Drop: o.Drop, Host: o.Host, From: from, Meter: g.meter("RepairOptions.Progress", o.Progress)})
	if done == nil {
		return nil, err
	}
	out = &Repaired{
		Tables: RebuildReport(done.Tables), Healed: done.Healed, Lost: givenHarmed(done.Lost), Unreadable: done.Unreadable,
		Vanished: done.Vanished, Exchanged: done.Exchanged, Returned: done.Returned, Marks: done.Marks, Own: done.Own, Amendments: done.Amendments, Dropped: done.Dropped,
		Renewed: done.Renewed, PutBack: done.PutBack, Restored: done.Restored, Taken: done.Taken, Offered: done.Offered, Notes: done.Notes,
	}
	for _, d := range done.Left {
		out.Left = append(out.Left, givenDamage(d))
	}
	for _, d := range done.There {
		out.There = append(out.There, OtherDamage{d.Object, vault.ProblemOf(d.Object, d.Err)})
	}
	return out, err
}

// otherStock gives the stock of another place of the repository, or nil where there is none.
func (r *Repository) otherStock(other *Repository) (*stock.Stock, error) {
	if other == nil {
		return nil, nil
	}
	if err := other.vault.Open(); err != nil {
		return nil, err
	}
	switch {
	case !r.vault.SameRepository(other.vault):
		return nil, ErrNotReplica
	case other == r:
		return nil, ErrSamePlace
	}
	return other.stock, nil
}
