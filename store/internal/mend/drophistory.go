package mend

import (
	"context"
	"maps"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/remember"
)

// findExchanged lists captures that are there and are not what they were, or that should
// not be there.
func (p *repairer) findExchanged(context.Context) error {
	p.exchanged = p.r.ledger.Exchanged(p.v.Captures, p.v.Gone)
	p.out.Exchanged = slices.AppendSeq(p.out.Exchanged, maps.Keys(p.exchanged))
	slices.Sort(p.out.Exchanged)
	lapses, _ := p.r.ledger.Lapses(p.v.Files, nil, p.v.Gone, p.v.Elsewhere)
	p.out.Returned = append(p.out.Returned, lapses.Returned...)
	return nil
}

// departing gives the record of a mark by which captures are gone, as far as it is known
// what they were.
func (p *repairer) departing(ids []string) *format.BatchRecord {
	was := make(map[string][]crypt.Digest)
	for _, c := range p.v.Captures {
		was[c.ID] = append(was[c.ID], c.Hash())
		if b := c.Previous; b != nil {
			was[b.ID] = append(was[b.ID], b.Hash)
		}
	}
	record := &format.BatchRecord{}
	for _, id := range ids {
		if known, ok := p.r.ledger.Watch().Memory.Find(id); ok {
			was[id] = append(was[id], known.Hash)
		}
		if len(was[id]) == 0 {
			was[id] = make([]crypt.Digest, 1)
		}
		for _, hash := range slices.CompactFunc(was[id], func(a, b crypt.Digest) bool { return a == b }) {
			ledger.Depart(record, id, hash)
		}
	}
	return record
}

// departChanged says that captures are not what they were any more, before they are
// written without what is lost: members, states, the list of captures seen.
func (p *repairer) departChanged(ctx context.Context, records []*format.IndexFile) error {
	if len(records) == 0 {
		return nil
	}
	mark := &format.BatchRecord{}
	for _, record := range records {
		i := slices.IndexFunc(p.v.Captures, func(c *ledger.Capture) bool { return c.ID == record.ID })
		if was := p.v.Captures[i].Hash(); was != record.Hash() {
			ledger.Depart(mark, record.ID, was)
		}
	}
	if len(mark.Captures) == 0 {
		return nil
	}
	if _, err := p.r.ledger.PutBatch(ctx, names.Gone, mark); err != nil {
		return err
	}
	for i, id := range mark.Captures {
		p.v.Gone[id] = append(p.v.Gone[id], mark.Hashes[i]) // or findExchanged would take it for somebody else's doing
	}
	return nil
}

// dropHistory takes captures as they are that were exchanged or have returned.
func (p *repairer) dropHistory(ctx context.Context) error {
	mark := &format.BatchRecord{}
	for _, id := range p.out.Exchanged {
		for _, hash := range p.exchanged[id].Was {
			ledger.Depart(mark, id, hash)
		}
	}
	if len(mark.Captures) > 0 {
		if _, err := p.r.ledger.PutBatch(ctx, names.Gone, mark); err != nil {
			return err
		}
	}
	var seen []remember.Capture
	for _, c := range p.v.Captures {
		if slices.Contains(p.out.Returned, c.ID) {
			seen = append(seen, c.Remembered(remember.Seen))
		}
	}
	p.r.ledger.Learn(seen...)
	return nil
}
