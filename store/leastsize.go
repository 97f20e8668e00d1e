package store

import (
	"context"
)

// LeastSize gives how many bytes a volume's contents take on a disk at least once they are restored into a
// folder: without holes, and without what a file system needs for names and for the ends of blocks. With match it is of
// the members that match accepts, by their paths in the form of [CleanPath], holes included. Hardly any contents are read.
//
// It fails with [ErrDamaged] where that can't be told, and with [ErrMoved].
func (r *Repository) LeastSize(ctx context.Context, v *Volume, match func(path string) bool) (_ int64, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	if err := r.ready(ctx, v); err != nil {
		return 0, err
	}
	n, err := r.giver.LeastSize(ctx, v.captured(), g.match("match", match))
	return n, r.giver.OrMoved(ctx, v.captured(), err)
}
