package take

import (
	"context"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/weave"
)

// Files are taken over only from captures that this machine made, by its own notes: what
// an index file says of a host's files, whoever holds a key can have put there. The
// hash that was noted covers all of it but the runs, which moving changes; so it is
// proved that they name chunks of what the hash covers.

// proves tells whether the runs of a volume's recipes name the chunks of which the
// volume's digests were made, by their identities.
func (s *session) proves(ctx context.Context, v *format.Volume) bool {
	for _, recipe := range []*format.Recipe{&v.MemberList, v.Stamps, v.Contents, v.States} {
		if recipe != nil && !s.provesRecipe(ctx, recipe) {
			return false
		}
	}
	return true
}

func (s *session) provesRecipe(ctx context.Context, recipe *format.Recipe) bool {
	next, stop := weave.PullPlaces(ctx, s.r.slabs.Runs(ctx, recipe))
	defer stop()
	digest, l, chunks := crypt.NewDigestHasher(), weave.Locator{Index: s.index}, uint64(0)
	for {
		var refs []known.Ref
		var lengths []int
		for len(refs) < expectedBlock {
			at, err, more := next()
			if err != nil {
				s.lacking.note(err)
				return false
			}
			if !more {
				break
			}
			ref, n, ok := l.Find(at)
			if !ok {
				s.lacking.add(at.Slab)
				return false
			}
			refs, lengths = append(refs, ref), append(lengths, n)
		}
		if len(refs) == 0 {
			return chunks == recipe.Chunks && digest.Sum() == recipe.Digest
		}
		ids, err := s.Intake.Resolve(ctx, refs)
		s.lacking.note(err)
		if chunks += uint64(len(refs)); err != nil || chunks > recipe.Chunks {
			return false
		}
		for i, id := range ids {
			digest.Add(id, lengths[i])
		}
	}
}
