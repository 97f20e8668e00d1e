package store

import (
	"cmp"
	"context"
	"iter"

	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weigh"
)

// Difference is a member that two captures do not have alike.
type Difference struct {
	Volume string  `json:"volume"`
	Path   string  `json:"path"`
	Was    *Member `json:"was,omitempty"` // in the first capture; nil: added
	Is     *Member `json:"is,omitempty"`  // in the second one; nil: gone
	// Contents tells that the contents differ, not only what the header says.
	Contents bool `json:"contents"`
	// Bytes is how much of the contents the other capture has nowhere: of what is
	// there now, or of a member that is gone. Uncompressed.
	Bytes int64 `json:"bytes"`
}

// Compare finds the members that were added, are gone, or changed between two
// captures, and how many bytes that neither shared are behind each. Contents are
// compared by their chunks, none is read. Members are compared by path, within
// volumes of one name, or the only ones of both captures; of several of one path the
// last counts. What was added or changed comes in the order of the second capture, then
// what is gone in that of the first, under the names that their volumes have there.
//
// It keeps the members of one capture in memory. The sequence ends with an error:
// [ErrForeign], or [ErrDamaged] where a member list can't be read.
func (r *Repository) Compare(ctx context.Context, was, is *Capture) iter.Seq2[Difference, error] {
	return func(yield func(Difference, error) bool) {
		err := cmp.Or(r.open(ctx), r.ownsAll(was), r.ownsAll(is))
		if err == nil {
			var closed error
			err = r.scales.Compare(ctx, was.captured, is.captured, func(d weigh.Difference) bool {
				closed = r.open(ctx)
				return closed == nil && yield(Difference(d), nil)
			})
			err = cmp.Or(err, closed)
		}
		if err != nil {
			vault.NoteEnd(ctx, &err)
			yield(Difference{}, err)
		}
	}
}
