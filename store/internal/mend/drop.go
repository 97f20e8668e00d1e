package mend

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/check"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/weave"
)

// lostVolume is what can't be read of a volume.
type lostVolume struct {
	whole   bool
	entries map[int]bool // numbers in the member list
	paths   []string
}

// findLost lists the members that can't be read, now that all is healed that can
// be.
func (p *repairer) findLost(ctx context.Context) error {
	for _, c := range p.v.Captures {
		for i := range c.Volumes {
			lost, err := p.lostOf(ctx, &c.Volumes[i])
			if err != nil {
				return fmt.Errorf("capture %s: %w", c.ID, err)
			}
			if lost.whole {
				p.out.Lost = append(p.out.Lost, check.Harmed{Capture: c.ID, Volume: c.Volumes[i].Name})
			}
			for _, path := range lost.paths {
				p.out.Lost = append(p.out.Lost, check.Harmed{Capture: c.ID, Volume: c.Volumes[i].Name, Path: path})
			}
		}
	}
	return nil
}

// lostOf finds out what can't be read of a volume.
func (p *repairer) lostOf(ctx context.Context, vol *format.Volume) (*lostVolume, error) {
	lost := &lostVolume{entries: make(map[int]bool)}
	if len(p.bad) == 0 && len(p.v.Wrong) == 0 {
		return lost, nil
	}
	// Nothing that is known fits the digest, so nothing tells which members are whole.
	if p.v.Wrong[weave.RecipeKey(weave.OrEmpty(vol.Contents))] == check.Unexplained {
		return &lostVolume{whole: true}, nil
	}
	for _, recipe := range []*format.Recipe{&vol.MemberList, weave.OrEmpty(vol.Stamps)} {
		if p.v.Wrong[weave.RecipeKey(recipe)] != check.Intact {
			return &lostVolume{whole: true}, nil
		}
		spans, err := p.lostSpans(ctx, recipe)
		if errors.Is(err, errLost) || len(spans) > 0 {
			return &lostVolume{whole: true}, nil
		}
		if err != nil {
			return nil, err
		}
	}
	spans, err := p.lostSpans(ctx, weave.OrEmpty(vol.Contents))
	if errors.Is(err, errLost) || len(spans) > 0 && !vol.Tar {
		return &lostVolume{whole: true}, nil
	}
	if err != nil || len(spans) == 0 {
		return lost, err
	}
	for l, err := range p.r.reader.Listing(ctx, &ledger.Volume{Volume: vol, Of: nil}) {
		if err != nil {
			return nil, err
		}
		// Spans and members both come in the order of the stream.
		for len(spans) > 0 && spans[0].First+spans[0].Count <= l.Chunk {
			spans = spans[1:]
		}
		if len(spans) == 0 || spans[0].First >= l.Chunk+l.Chunks {
			continue
		}
		lost.entries[l.Number] = true
		if l.Member != nil {
			lost.paths = append(lost.paths, l.Member.Path)
		}
	}
	return lost, nil
}

// lostSpans gives the chunks of a stream that can't be read, in order.
func (p *repairer) lostSpans(ctx context.Context, recipe *format.Recipe) (spans []weave.Span, err error) {
	wrong := p.v.Wrong[weave.RecipeKey(recipe)] != check.Intact
	for level := range recipe.Level {
		outer := format.Recipe{Level: level, Runs: recipe.Runs}
		for run, err := range p.r.slabs.Runs(ctx, &outer) {
			// A list of runs that can't be read: nobody knows which chunks it named.
			if err == nil && p.lostIn(run, wrong) {
				err = errLost
			}
			if err != nil {
				return nil, err
			}
		}
	}
	at := uint64(0)
	for run, err := range p.r.slabs.Runs(ctx, recipe) {
		if err != nil {
			return nil, err
		}
		b := p.bad[run.Slab]
		for n := range run.Count {
			if b.lost(run.First+n) || wrong && b.disputes(run.First+n) {
				spans = append(spans, weave.Span{First: at + uint64(n), Count: uint64(run.Times)})
			}
		}
		at += run.Len()
	}
	return spans, nil
}

func (p *repairer) lostIn(run format.Run, wrong bool) bool {
	b := p.bad[run.Slab]
	for n := range run.Count {
		if b.lost(run.First+n) || wrong && b.disputes(run.First+n) {
			return true
		}
	}
	return false
}

// dropMembers writes captures without what can't be read.
func (p *repairer) dropMembers(ctx context.Context) error {
	if len(p.out.Lost) == 0 {
		return nil
	}
	var records []*format.IndexFile
	var empty []string // captures of which nothing is left
	harmed := slices.DeleteFunc(slices.Clone(p.v.Captures), func(c *ledger.Capture) bool {
		return !slices.ContainsFunc(p.out.Lost, func(l check.Harmed) bool { return l.Capture == c.ID })
	})
	for _, captures := range p.r.byGroup(harmed) {
		some, none, err := p.dropFrom(ctx, captures)
		if err != nil {
			return err
		}
		records, empty = append(records, some...), append(empty, none...)
	}
	if err := p.writeGenerations(ctx, records); err != nil {
		return err
	}
	return p.dropCaptures(ctx, empty)
}

// dropFrom gives the new records of captures of one group, and the ids of those of which
// nothing is left.
func (p *repairer) dropFrom(ctx context.Context, captures []*ledger.Capture) (records []*format.IndexFile, empty []string, err error) {
	h, err := p.newHealer(ctx, captures[0].Name)
	if err != nil {
		return nil, nil, err
	}
	for _, c := range captures {
		record, err := p.withoutLost(ctx, h, c)
		if err != nil {
			h.w.Intake.Abandon(context.WithoutCancel(ctx))
			return nil, nil, fmt.Errorf("capture %s: %w", c.ID, err)
		}
		if len(record.Volumes) == 0 {
			empty = append(empty, c.ID)
			continue
		}
		records = append(records, record)
	}
	return records, empty, h.close(records)
}

// withoutLost gives the record of a capture without what can't be read.
func (p *repairer) withoutLost(ctx context.Context, h *healer, c *ledger.Capture) (*format.IndexFile, error) {
	record := *c.IndexFile
	record.Volumes = nil
	var whole []string // volumes that are lost
	for i := range c.Volumes {
		vol := &c.Volumes[i]
		lost, err := p.lostOf(ctx, vol)
		if err != nil {
			return nil, err
		}
		switch {
		case lost.whole:
			whole = append(whole, "all of volume "+vol.Name)
		case len(lost.entries) == 0:
			record.Volumes = append(record.Volumes, *vol)
		default:
			rest, err := p.volumeWithout(ctx, h, vol, lost)
			if err != nil {
				return nil, err
			}
			record.Volumes = append(record.Volumes, *rest)
		}
	}
	if len(whole) > 0 && len(record.Volumes) > 0 {
		first := &record.Volumes[0]
		first.Warnings = append(slices.Clone(first.Warnings), DroppedText+names.Shortened(whole, 2*names.Most))
	}
	return &record, nil
}

// DroppedText begins the warnings that say what was given up. Readers go by it: it stays as it is.
const DroppedText = "members whose contents were damaged, and that were dropped: "

// volumeWithout takes a volume in again, without some members. Its stream is
// another one then.
func (p *repairer) volumeWithout(ctx context.Context, h *healer, vol *format.Volume, lost *lostVolume) (*format.Volume, error) {
	record, t := *vol, h.w.NewStrands()
	list, err := h.w.NewEntryWriter(&t)
	if err != nil {
		return nil, err
	}
	defer list.Close()
	record.Members = 0
	c := &copier{h: h, runs: p.r.slabs.Runs(ctx, weave.OrEmpty(vol.Contents)), ctx: ctx}
	defer c.close()
	before := uint64(0)
	for l, err := range p.r.reader.Listing(ctx, &ledger.Volume{Volume: vol, Of: nil}) {
		if err != nil {
			return nil, err
		}
		keep := !lost.entries[l.Number]
		if err := c.pass(l.Chunks, keep, t.Contents); err != nil {
			return nil, err
		}
		if !keep {
			continue
		}
		// An entry begins with the padding of the content before it, and that may be another
		// member's now.
		header := slices.Concat(make([]byte, weave.Padding(before)), l.Head[min(l.Skip, len(l.Head)):]) // a stream may end within its padding
		e := weave.NewEntry(l.Kind, header)
		e.Length, e.Chunks = l.Length, l.Chunks
		before = l.Length
		if l.Kind == tarstream.Entry {
			record.Members++
		}
		if err := list.Write(e, header); err != nil {
			return nil, err
		}
	}
	if err := list.Finish(); err != nil {
		return nil, err
	}
	if err := h.w.Intake.Settle(); err != nil {
		return nil, err
	}
	// The hash was of the stream with all members; the digests prove what is left.
	record.Length, record.SHA256 = list.Length, nil
	record.Warnings = append(slices.Clone(vol.Warnings), DroppedText+names.Shortened(lost.paths, 2*names.Most))
	err = h.w.WriteRecipes(&record, &t)
	return &record, err
}

// copier passes the chunks of a volume's contents on.
type copier struct {
	h    *healer
	ctx  context.Context
	runs fetch.Runs
	next weave.PlaceSource
	stop func()
}

// pass goes over the next chunks, and appends them to a stream if they are kept.
func (c *copier) pass(chunks uint64, keep bool, to *intake.Stream) error {
	if c.next == nil {
		c.next, c.stop = weave.PullRepeats(c.ctx, c.runs)
	}
	for chunks > 0 {
		at, times, err, ok := c.next(chunks)
		if err == nil && !ok {
			err = fmt.Errorf("%w: the contents end too early", format.ErrDamaged)
		}
		if err != nil {
			return err
		}
		chunks -= times
		if !keep {
			continue
		}
		slab, err := c.h.r.slabs.Open(c.ctx, at.Slab)
		if err != nil {
			return err
		}
		ref, ok := c.h.index.Find(at.Slab, at.Chunk)
		if !ok { // its frame is marked, for another chunk
			if err := c.h.store(c.ctx, slab, at.Chunk, times, to); err != nil {
				return err
			}
			continue
		}
		n, _ := slab.ChunkLength(at.Chunk)
		if err := c.h.w.Intake.PutKnownTimes(to, ref, n, times); err != nil {
			return err
		}
	}
	return nil
}

// store takes a chunk in by its content, so often, one after the other.
func (h *healer) store(ctx context.Context, slab *fetch.Slab, chunk uint32, times uint64, to *intake.Stream) error {
	r := h.r.slabs.Read(ctx, fetch.Inline([]format.Run{{Slab: slab.ID, First: chunk, Count: 1, Times: 1}}))
	defer r.Close()
	c, err := r.Next()
	if err != nil {
		return weave.OrDamage(err, "a chunk is missing")
	}
	buf, err := h.w.Intake.Reserve()
	if err != nil {
		return err
	}
	if len(c.Data) > len(buf) {
		return fmt.Errorf("%w: a chunk of %d bytes", format.ErrDamaged, len(c.Data))
	}
	h.w.Intake.PutTimes(to, copy(buf, c.Data), times)
	return nil
}

func (c *copier) close() {
	if c.stop != nil {
		c.stop()
	}
}
