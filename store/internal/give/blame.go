package give

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// mostBlamed is how many members an error names.
const mostBlamed = 10

// blame says which members a stream that can't be restored whole lacks. at is the number
// of the entry whose content could not be read, or less than 0 where all could be read
// and the whole is not what was captured.
func (r *Giver) blame(ctx context.Context, v *ledger.Volume, at int, err error) error {
	if !vault.IsDamage(err) || ctx.Err() != nil {
		return err
	}
	var paths []string
	if at >= 0 {
		paths = r.pathsOf(ctx, v, func(l *weave.Listed) bool { return l.Number == at })
	} else {
		paths = r.wrongMembers(ctx, v)
	}
	if len(paths) == 0 {
		return err
	}
	more := ""
	if n := len(paths) - mostBlamed; n > 0 {
		paths, more = paths[:mostBlamed], fmt.Sprintf(", and %d more", n)
	}
	for i := range paths {
		paths[i] = fmt.Sprintf("%q", paths[i])
	}
	word := "member"
	if len(paths) > 1 || more != "" {
		word = "members"
	}
	return fmt.Errorf("%s %s%s: %w", word, strings.Join(paths, ", "), more, err)
}

// pathsOf gives the members of the entries that is accepts, as far as the list can be
// read.
func (r *Giver) pathsOf(ctx context.Context, v *ledger.Volume, is func(*weave.Listed) bool) (paths []string) {
	for l, err := range r.reader.Listing(ctx, v) {
		if err != nil {
			break
		}
		if l.Member != nil && is(l) {
			paths = append(paths, l.Member.Path)
		}
	}
	return paths
}

// wrongMembers gives the members whose chunks are not what was captured, as far as
// tables tell that.
func (r *Giver) wrongMembers(ctx context.Context, v *ledger.Volume) []string {
	contents := weave.OrEmpty(v.Contents)
	p, err := r.proveBySaid(ctx, contents)
	if err != nil || p == nil {
		return nil
	}
	var wrong []uint64 // numbers of chunks, ascending
	at := uint64(0)
	r.eachChunk(ctx, contents, func(slab format.SlabID, n uint32, id crypt.Identity) { // fails at the end, as is known
		if want, _ := p.want(slab, n); want != id {
			wrong = append(wrong, at)
		}
		at++
	})
	return r.pathsOf(ctx, v, func(l *weave.Listed) bool {
		i, _ := slices.BinarySearch(wrong, l.Chunk)
		return i < len(wrong) && wrong[i] < l.Chunk+l.Chunks
	})
}
