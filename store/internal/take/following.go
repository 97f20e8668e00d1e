package take

import (
	"context"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
)

// follow has contents that are put from now on be said by what they were before, where that is set. What can't be read of
// that only makes more of them be stored as they are.
func (s *session) follow(ctx context.Context, contents *format.Recipe) error {
	if contents == nil {
		return nil
	}
	q := new(intake.Sequence)
	for run, err := range s.r.slabs.Runs(ctx, contents) {
		if err != nil {
			break
		}
		q.Add(s.index, run)
	}
	return s.Intake.Follow(q)
}

// oldChunk reads a chunk that was there before.
func oldChunk(slabs *fetch.Slabs) func(context.Context, format.SlabID, uint32) (intake.Old, error) {
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
		raw, err := slabs.Frame(ctx, slab, old.Frame)
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
