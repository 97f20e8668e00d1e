package weave

import (
	"context"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
)

// OldChunks reads chunks that were there before, for intake.Config.
func OldChunks(slabs *fetch.Slabs) func(context.Context, format.SlabID, uint32) (intake.Old, error) {
	return func(ctx context.Context, id format.SlabID, chunk uint32) (old intake.Old, err error) {
		slab, err := slabs.Open(ctx, id)
		if err != nil {
			return old, err
		}
		if _, there := slab.ChunkLength(chunk); !there {
			return old, format.ErrDamaged
		}
		old.Frame = slab.FrameOf(chunk)
		old.First, old.Held = slab.FirstChunk(old.Frame), &slab.Frames[old.Frame]
		raw, err := slabs.BaseFrame(ctx, slab, old.Frame)
		if err != nil {
			return old, err
		}
		for _, n := range old.Held.Chunks[:chunk-old.First] {
			raw = raw[n:]
		}
		old.Data = raw[:old.Held.Chunks[chunk-old.First]]
		return old, nil
	}
}
