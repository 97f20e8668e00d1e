package take

import (
	"context"

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

// mostFollowed bounds what is followed where the index has no room for all: 10 MiB.
const mostFollowed = 1 << 18

// follow has a stream be said by what it was before. What can't be read of that only makes more of it be stored as it is.
func (s *session) follow(ctx context.Context, stream *intake.Stream, before *format.Recipe) error {
	if before == nil {
		return nil
	}
	q := new(intake.Sequence)
	for run, err := range s.r.slabs.Runs(ctx, before) {
		if err != nil {
			s.lacking.note(err)
			break
		}
		s.nameNeeded(run.Slab)
		if q.Add(s.index, run); q.Spans() == mostFollowed && s.index.Sampled() {
			break // memory is short
		}
	}
	return s.Intake.Follow(stream, q)
}
