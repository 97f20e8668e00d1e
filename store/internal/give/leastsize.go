package give

import (
	"context"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/weave"
)

// firstChunk names a chunk.
type firstChunk struct {
	slab  format.SlabID
	chunk uint32
}

// zerosOf gives how many bytes a chunk that comes again and again stands for if it is all zeros, else 0.
func (r *Giver) zerosOf(ctx context.Context, run format.Run, known map[firstChunk]uint64) (int64, error) {
	key := firstChunk{run.Slab, run.First}
	length, ok := known[key]
	if !ok {
		chunks := r.slabs.ReadWith(ctx, fetch.Inline([]format.Run{{Slab: run.Slab, First: run.First, Count: 1, Times: 1}}), fetch.ReadOptions{NoIdentities: true})
		defer chunks.Close()
		c, err := chunks.Next()
		if err != nil {
			return 0, err
		}
		if len(c.Data) > 0 && isZeros(c.Data) {
			length = uint64(len(c.Data))
		}
		known[key] = length
	}
	return int64(length) * int64(run.Times), nil
}

// LeastSize gives how many bytes the contents of a volume take at least, without zeros that come
// again and again, as those of holes do; with match, of the members that it accepts.
func (r *Giver) LeastSize(ctx context.Context, v *ledger.Volume, match func(path string) bool) (int64, error) {
	contents := weave.OrEmpty(v.Contents)
	size := int64(contents.Bytes)
	known := make(map[firstChunk]uint64)
	for run, err := range r.slabs.Runs(ctx, contents) {
		if err != nil {
			return 0, err
		}
		if run.Times <= 1 {
			continue
		}
		n, err := r.zerosOf(ctx, run, known)
		if err != nil {
			return 0, err
		}
		size -= n
	}
	if match == nil {
		return max(size, 0), nil
	}
	chosen := int64(0)
	for l, err := range r.reader.Listing(ctx, v) {
		if err != nil {
			return 0, err
		}
		if l.Member != nil && match(weave.CleanPath(l.Member.Path)) {
			chosen += int64(l.Length)
		}
	}
	return max(min(size, chosen), 0), nil
}
