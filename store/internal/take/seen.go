package take

import (
	"context"
	"time"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/weave"
)

// seenAgain is how long the list of captures seen of the capture before serves again where nothing else is stored. So an
// unchanged capture is an index file and nothing else; what vanishes meanwhile is missed by who made it, by the capture that
// follows it, and by who stores something.
const seenAgain = 7 * 24 * time.Hour

// seen takes in the list of captures seen, if it must, and gives what gives its recipe once the other recipes are made.
func (s *session) seen(ctx context.Context) (recipe func() (*format.Recipe, error), err error) {
	before, err := s.seenBefore(ctx)
	if err != nil || before != nil {
		return func() (*format.Recipe, error) { return before, nil }, err
	}
	if s.there, err = s.r.ledger.SeenIDs(ctx, s.files); err != nil {
		return nil, err
	}
	stream, err := s.takeSeen()
	if err == nil {
		err = s.Intake.Settle()
	}
	return func() (*format.Recipe, error) { return s.OptionalRecipe(stream) }, err
}

// seenBefore gives the list of the capture before, if that may serve again, or nil. The capture then relies on it.
func (s *session) seenBefore(ctx context.Context) (*format.Recipe, error) {
	if s.o.whole || s.before == nil || time.Since(time.Unix(0, s.before.Seen)).Abs() >= seenAgain {
		return nil, nil
	}
	if err := s.Intake.Settle(); err != nil {
		return nil, err
	}
	if s.Intake.Lacked() > 0 {
		return nil, nil
	}
	c := s.lastCapture(ctx)
	if c == nil || c.Seen == nil || !s.r.ledger.IsOwn(c) || !s.uses(ctx, c.Seen) {
		return nil, nil
	}
	return c.Seen, nil
}

// lastCapture gives the capture before of the service, by the note of it, or nil where that is not there as it was.
func (s *session) lastCapture(ctx context.Context) *ledger.Capture {
	if s.before == nil {
		return nil
	}
	there := ledger.FilesOf(s.files, s.before.Capture)
	if len(there) != 1 || there[0].Name != names.Capture(s.before.Capture, 0) {
		return nil
	}
	captures, _, _, err := s.r.ledger.Read(ctx, ledger.Generations(there))
	if err != nil || len(captures) != 1 {
		return nil
	}
	return captures[0]
}

// uses notes that the capture relies on a recipe of the capture before, if all is there that it names.
func (s *session) uses(ctx context.Context, recipe *format.Recipe) bool {
	l := weave.Locator{Index: s.index}
	for level := range recipe.Level + 1 {
		for run, err := range s.r.slabs.Runs(ctx, &format.Recipe{Level: level, Runs: recipe.Runs}) {
			if err != nil {
				return false
			}
			for n := range run.Count {
				if _, _, ok := l.Find(weave.Place{Slab: run.Slab, Chunk: run.First + n}); !ok {
					return false
				}
			}
			s.Use(run)
		}
	}
	return true
}

// takeSeen takes in the ids of the captures that there were, so that one that
// vanishes shows.
func (s *session) takeSeen() (*intake.Stream, error) {
	stream := s.Intake.Stream(intake.Listing)
	var ids []byte
	for i, id := range s.there {
		ids = append(append(ids, id...), '\n')
		if !endsSeen(id) && len(ids) < maxSeenChunk && i < len(s.there)-1 {
			continue
		}
		buf, err := s.Intake.Reserve()
		if err != nil {
			return nil, err
		}
		s.Intake.Put(stream, copy(buf, ids))
		ids = ids[:0]
	}
	return stream, nil
}

// maxSeenChunk bounds a chunk of the ids of captures, in bytes: less than the longest chunk.
const maxSeenChunk = chunk.MinAverage

// endsSeen tells whether a chunk ends behind the id of a capture. One of 144 does, by its
// random end: so what each capture adds anew is at most some 3 KiB, however many there are.
func endsSeen(id string) bool { return id[len(id)-1] < '3' && id[len(id)-2] < '3' }
