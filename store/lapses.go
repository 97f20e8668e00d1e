package store

import (
	"context"

	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/remember"
	"github.com/kistarchive/kist/store/storage"
)

// recall holds the captures whose index files were listed, and those of them that were
// read, against what this machine knows, and learns what is new. It asks the storage for
// nothing, unless something is amiss that a mark may explain. What it finds it tells;
// it makes nothing fail.
func (r *Repository) recall(ctx context.Context, files []storage.Info, read []*captured) {
	lapses, learned := r.lapses(files, read, nil)
	if !lapses.empty() {
		marks, err := r.readBatchesOf(ctx, names.Gone)
		if err != nil {
			return // whoever needs the storage next says what is wrong with it
		}
		lapses, learned = r.lapses(files, read, marks.departures())
	}
	r.watch.keep(r.watch.memory.Note(learned...))
	r.watch.tell(lapses)
}

// lapses compares what is there with what this machine knows, and with what went on
// purpose. It gives what is amiss, and what is to be learned.
func (r *Repository) lapses(files []storage.Info, read []*captured, gone departures) (*LapseError, []remember.Capture) {
	l, learned := &LapseError{}, []remember.Capture(nil)
	there := make(map[string]bool)
	for _, id := range captureIDs(files) {
		there[id] = true
	}
	for _, known := range r.watch.memory.Captures() {
		switch went := gone.covers(known.ID, known.Hash); {
		case known.Kind == remember.Gone && there[known.ID] && !gone.names(known.ID):
			l.Returned = append(l.Returned, known.ID)
		case known.Kind == remember.Gone || there[known.ID]:
		case went:
			known.Kind = remember.Gone
			learned = append(learned, known)
		default:
			l.Missing = append(l.Missing, known.ID)
		}
	}
	for _, c := range read {
		known, ok := r.watch.memory.Find(c.ID)
		switch now := c.remembered(remember.Seen); {
		case !ok, known.Hash != now.Hash && gone.covers(c.ID, known.Hash):
			learned = append(learned, now)
		case known.Kind != remember.Gone && known.Hash != now.Hash:
			l.Exchanged = append(l.Exchanged, c.ID)
		}
	}
	return l, learned
}
