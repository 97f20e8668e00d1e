package store

import (
	"context"
	"fmt"
	"io"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/give"
)

// ErrCut is what is wrong with a [LostMember] of a volume that is Unfinished: the stream that was
// captured ended within it.
var ErrCut = give.ErrCut

// ErrNothingWhole is returned by [Repository.RestoreFolder] and [Repository.RestoreInto], with FolderOptions.Losses, where no
// member that was wanted is whole.
var ErrNothingWhole = fmt.Errorf("%w: no member is whole", ErrDamaged)

// Losses says what of a volume can't be restored.
type Losses struct {
	Volume *Volume
	// Members are those that can't be given back whole, by their paths in the form of CleanPath. A
	// hard link is among them where its target is.
	Members []LostMember
	// Ends says why nothing is known of members that came behind the last that is known: the
	// member list is damaged from there on, or the captured stream was Unfinished. Nil where all are known.
	Ends error
	// Unproved says that nothing shows that the other members are what was captured; it wraps
	// ErrUnproved. Nil where each chunk of theirs was held against that.
	Unproved error

	found *give.Losses
	of    *format.Volume // that they are of
}

// LostMember is one that can't be restored whole, and why: damage that names the object, or [ErrCut].
type LostMember struct {
	Path string
	Err  error
}

// None tells whether all of the volume can be restored, and proved. It does not of Losses that FindLosses did not give.
func (l *Losses) None() bool { return l != nil && l.found != nil && l.found.None() }

// FindLosses reads all of a volume's data and tells what of it can't be restored: for whoever
// met [ErrDamaged], and wants what is whole, or has a volume that is Unfinished. Damage is no error here.
// The memory that it takes grows with what is lost.
//
// progress, if set, is called as that of [RestoreOptions]. It fails with [ErrMoved], and with errors of
// the storage that are no damage.
func (r *Repository) FindLosses(ctx context.Context, v *Volume, progress func(Progress)) (_ *Losses, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	if err := r.ready(ctx, v); err != nil {
		return nil, err
	}
	found, err := r.giver.FindLosses(ctx, v.captured(), g.meter("progress", progress))
	if err != nil {
		return nil, err
	}
	l := &Losses{Volume: v, Ends: found.Ends, Unproved: found.Unproved, found: found, of: v.record}
	for _, m := range found.Members {
		l.Members = append(l.Members, LostMember(m))
	}
	return l, nil
}

// RestoreWhole writes a tar stream of the members that can be restored whole, in the order of the
// capture, as [Repository.RestoreMembers] does: no part of a lost one. match, if set, chooses among them. It gives their number,
// which may be 0.
func (r *Repository) RestoreWhole(ctx context.Context, l *Losses, match func(path string) bool, w io.Writer, o RestoreOptions) (n int, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	if err := r.open(ctx); err != nil {
		return 0, err
	}
	if err := r.ownsLosses(l); err != nil {
		return 0, err
	}
	return r.giver.WriteWhole(ctx, l.Volume.captured(), l.found, g.match("match", match), g.writer(w), g.meter("RestoreOptions.Progress", o.Progress))
}

// ownsLosses makes sure that FindLosses of this repository gave all losses, each of its Volume.
func (r *Repository) ownsLosses(all ...*Losses) error {
	for _, l := range all {
		if l == nil || l.found == nil || l.Volume == nil || l.Volume.record != l.of {
			return fmt.Errorf("losses that FindLosses did not give: %w", ErrForeign)
		}
		if err := r.owns(l.Volume); err != nil {
			return err
		}
	}
	return nil
}

// lossesOf gives what is known to be lost of a volume, or nil.
func lossesOf(all []*Losses, v *Volume) *Losses {
	for _, l := range all {
		if l.of == v.record {
			return l
		}
	}
	return nil
}
