package store

import (
	"cmp"
	"context"
	"io"
	"iter"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/vault"
)

// Member is one member of a volume.
type Member = tarstream.Member

// Members lists the members of a volume in the order of its stream, without
// reading their contents. A sequence that ends with an error ends there. A
// volume that is no tar stream has one member, named by the volume's Source or
// Name. It fails with [ErrForeign], [ErrDamaged], and with [ErrMoved] as
// [Repository.Restore] does.
func (r *Repository) Members(ctx context.Context, v *Volume) iter.Seq2[*Member, error] {
	return func(yield func(*Member, error) bool) {
		if err := cmp.Or(r.open(ctx), r.owns(v)); err != nil {
			yield(nil, err)
			return
		}
		kept := v.captured()
		for e, err := range r.reader.Listing(ctx, kept) {
			if err == nil {
				err = r.open(ctx)
			}
			if err != nil {
				err = r.giver.OrMoved(ctx, kept, err)
				vault.NoteEnd(ctx, &err)
				yield(nil, err)
				return
			}
			if e.Member != nil && !yield(e.Member, nil) {
				return
			}
		}
	}
}

// OpenMember reads the content of one member as it was before it became a
// member: the holes of a sparse file are filled with zeros, and a hard link is
// followed. Of several members of that path the last counts, as for tar. The
// content must be closed. Only frames that hold the content, the member list and tables
// are read, unless the tables are lost or say what does not fit: then all contents of the
// volume are.
//
// Every chunk is held against what was captured: reading fails with [ErrDamaged] at one that
// is another, and with [ErrUnproved] at the end where nothing tells.
//
// It fails with [ErrNotFound], also for what has no content, such as a folder. Like
// the reading of the content it fails with [ErrMoved] as [Repository.Restore] does.
func (r *Repository) OpenMember(ctx context.Context, v *Volume, path string) (m *Member, content io.ReadCloser, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.ready(ctx, v); err != nil {
		return nil, nil, err
	}
	return r.giver.OpenMember(ctx, v.captured(), path)
}
