package take

import (
	"context"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
)

// followVolume has what is put from now on of a volume be said by what it was before, if it was there.
func (s *session) followVolume(ctx context.Context, t *volumeTaken, before *format.Volume) error {
	if before == nil {
		return nil
	}
	if err := s.follow(ctx, t.List, &before.MemberList); err != nil {
		return err
	}
	return s.follow(ctx, t.Contents, before.Contents)
}

// follow has a stream be said by what it was before. What can't be read of that only makes more of it be stored as it is.
func (s *session) follow(ctx context.Context, stream *intake.Stream, before *format.Recipe) error {
	if before == nil {
		return nil
	}
	q := new(intake.Sequence)
	for run, err := range s.r.slabs.Runs(ctx, before) {
		if err != nil {
			break
		}
		q.Add(s.index, run)
	}
	return s.Intake.Follow(stream, q)
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
