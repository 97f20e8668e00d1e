package store

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
)

// MaxParity is the most parity that slabs get, in percent.
const MaxParity = format.MaxParity

// Parity gives how much parity is written with slabs here, in percent of their length; 0: none.
func (r *Repository) Parity(ctx context.Context) (percent int, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return 0, err
	}
	return r.vault.Parity(ctx)
}

// LostSettings gives the names of marks with settings of this place where there are some and none can be read: how much parity was
// to be written, and with which deltas, is not known then, and Parity and Deltas give none. SetParity and SetDeltas set them again;
// where one of them alone is set, the other is off from then on.
func (r *Repository) LostSettings(ctx context.Context) (marks []string, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	return r.vault.LostSettings(ctx)
}

// SetParity has what is written to this place of the repository from now on carry so much parity, from 1 to MaxParity
// percent of each slab, or none with 0. By its parity a slab is read, and put anew by [Repository.Repair], though any one
// run of it is damaged that has a share of 1/96 of its length for each percent (1 MiB of a slab of 32 MiB at 3 percent; 512 bytes at the
// least), or scattered blocks are; small objects get a second copy. What is there already stays as it is.
// A Repository that is open elsewhere goes on as it began. It fails with [ErrBadOptions].
func (r *Repository) SetParity(ctx context.Context, percent int, o MarkOptions) (err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := cmp.Or(r.open(ctx), o.check()); err != nil {
		return err
	}
	if err := r.vault.SetParity(ctx, percent, o.Host); err != nil {
		return err
	}
	return r.vault.SpareWhatOpens(ctx)
}

// Mendable is an object that is damaged, and that could be read all the same.
type Mendable struct {
	Object  string `json:"object"`
	Problem string `json:"problem"`
}

// Mendable gives the objects that were damaged where this Repository read them since it was opened, and could
// be read by their parity or a second copy: what came of that is proved as always. [Repository.Repair] puts them anew;
// until then, further damage to them may be more than that heals.
func (r *Repository) Mendable() []Mendable {
	var all []Mendable
	for id, cause := range r.slabs.Healed() {
		all = append(all, Mendable{names.Slab(id), vault.ProblemOf(names.Slab(id), cause)})
	}
	for name, cause := range r.vault.Healed() {
		all = append(all, Mendable{name, vault.ProblemOf(name, cause)})
	}
	slices.SortFunc(all, func(a, b Mendable) int { return strings.Compare(a.Object, b.Object) })
	return all
}
