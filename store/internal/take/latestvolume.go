package take

import (
	"context"
	"iter"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// latestVolume gives the volume as the latest capture of the same name, host and
// source has it, of those that this machine made and that were not retired, or nil.
func (s *session) latestVolume(ctx context.Context, v Volume) *format.Volume {
	if s.retiredErr != nil {
		return nil // it is only read again
	}
	gone, err := s.r.retired(ctx, s.retired)
	if err != nil {
		return nil
	}
	var found *format.Volume
	s.r.latestLike(ctx, s.r.ledger.OwnFiles(s.files), func(c *ledger.Capture) bool {
		switch {
		case !s.r.ledger.IsOwn(c):
			s.r.ledger.Recall(ctx, s.files, []*ledger.Capture{c}) // tells that it was exchanged
		case !gone[c.ID]:
			found = findPrior([]*ledger.Capture{c}, s.o, v)
		}
		return found != nil
	})
	return found
}

// retired gives the ids of captures that are retired, of marks that were listed.
func (r *Taker) retired(ctx context.Context, marks []storage.Info) (map[string]bool, error) {
	gone, err := r.ledger.RetiredBySeveral(ctx, marks)
	if err != nil {
		return nil, err
	}
	undone := make(map[string]bool)
	for _, info := range marks {
		if mark, _, err := names.ParseEnding(info.Name); err == nil {
			undone[mark] = true
		}
	}
	for _, info := range marks {
		if id, err := names.ParseMark(info.Name); err == nil && !undone[info.Name] {
			gone[id] = true
		}
	}
	return gone, nil
}

// newestFirst gives the index files of each capture, of those that were listed in the
// order of their names: by the minute in the ids, as Captures orders them, and within a
// minute by when they were written.
func newestFirst(files []storage.Info) iter.Seq[[]ledger.File] {
	minute := func(f storage.Info) string { return names.Minute(f.Name) }
	return func(yield func([]ledger.File) bool) {
		for len(files) > 0 {
			first := len(files) - 1
			for first > 0 && minute(files[first-1]) == minute(files[first]) {
				first--
			}
			together := ledger.Generations(files[first:])
			slices.SortStableFunc(together, func(a, b []ledger.File) int { return b[0].Info.Modified.Compare(a[0].Info.Modified) })
			for _, capture := range together {
				if !yield(capture) {
					return
				}
			}
			files = files[:first]
		}
	}
}

// latestLike gives the newest capture that fits, of those whose index files were
// listed, or nil. It reads them newest first, and not many more than it must; what
// can't be read does not fit.
func (r *Taker) latestLike(ctx context.Context, files []storage.Info, fits func(*ledger.Capture) bool) *ledger.Capture {
	next, stop := iter.Pull(newestFirst(files))
	defer stop()
	for n := 1; ; n = min(2*n, vault.Few) {
		var some [][]ledger.File
		for range n {
			if capture, ok := next(); ok {
				some = append(some, capture)
			}
		}
		captures, _, _, err := r.ledger.Read(ctx, some)
		if err != nil || len(some) == 0 {
			return nil
		}
		for _, c := range slices.Backward(captures) {
			if fits(c) {
				return c
			}
		}
	}
}
