package ledger

import (
	"context"

	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/remember"
	"github.com/kistarchive/kist/store/storage"
)

// Recall holds the captures whose index files were listed, and those of them that were
// read, against what this machine knows, and learns what is new. It asks the storage for
// nothing, unless something is amiss that a mark or a later listing may explain. What it finds it tells;
// it makes nothing fail.
func (r *Ledger) Recall(ctx context.Context, files []storage.Info, read []*Capture) {
	lapses, learned := r.Lapses(files, read, nil, nil)
	if len(lapses.Missing) > 0 {
		var err error
		if files, err = r.ListCaptures(ctx); err != nil { // this machine may have made one since
			return // whoever needs the storage next says what is wrong with it
		}
	}
	if !lapses.Empty() {
		marks, err := r.ReadStages(ctx, names.Gone)
		if err != nil {
			return
		}
		elsewhere, err := r.ReadElsewhere(ctx)
		if err != nil {
			return
		}
		lapses, learned = r.Lapses(files, read, marks.Departures(), elsewhere.Captures)
	}
	r.Learn(learned...)
	r.watch.tell(lapses)
}

// Lapses compares what is there with what this machine knows, with what went on
// purpose, and with what other places have. It gives what is amiss, and what is to be learned.
func (r *Ledger) Lapses(files []storage.Info, read []*Capture, gone, elsewhere Departures) (*LapseError, []remember.Capture) {
	l, learned := &LapseError{}, []remember.Capture(nil)
	there := make(map[string]bool)
	for _, id := range CaptureIDs(files) {
		there[id] = true
	}
	for _, known := range r.watch.Memory.Captures() {
		switch went := gone.Covers(known.ID, known.Hash); {
		case known.Kind == remember.Gone && there[known.ID] && !gone.Names(known.ID):
			l.Returned = append(l.Returned, known.ID)
		case known.Kind == remember.Gone || there[known.ID]:
		case went:
			known.Kind = remember.Gone
			learned = append(learned, known)
		case elsewhere.Covers(known.ID, known.Hash): // it may come again
		default:
			l.Missing = append(l.Missing, known.ID)
		}
	}
	for _, c := range read {
		known, ok := r.watch.Memory.Find(c.ID)
		switch now := c.Remembered(remember.Seen); {
		case !ok, known.Hash != now.Hash && (c.Was(known.Hash) || gone.Covers(c.ID, known.Hash)):
			learned = append(learned, now)
		case known.Kind != remember.Gone && known.Hash != now.Hash:
			l.Exchanged = append(l.Exchanged, c.ID)
		}
	}
	return l, learned
}
