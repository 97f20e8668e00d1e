package reclaim

import (
	"context"
	"fmt"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// turns moves the chunks of slabs as they were captured: one capture after the other, in the order of its recipes, beside what
// the one before of the same name and host had in their place, as far as that is moved or stays.
type turns struct {
	*mover
	hasher    *crypt.Hasher
	planned   bitset           // chunks that are on their way
	left      map[*stocked]int // how many are not, of each slab
	begun     bool             // something was put since the last slab was ended
	now, last *ledger.Capture  // what is moved, and of which something was put last
}

// moveInTurn takes in the chunks of slabs that are needed. Those of others that are left were taken in before.
func (m *mover) moveInTurn(ctx context.Context, slabs []*stocked) error {
	t := &turns{mover: m, hasher: m.r.vault.Keys().NewHasher(), planned: make(bitset, len(m.v.direct)), left: make(map[*stocked]int)}
	now := make(map[format.SlabID]bool)
	for _, s := range slabs {
		now[s.id] = true
		for at := s.first; at < s.first+s.chunks; at++ {
			if m.v.direct.has(at) {
				t.left[s]++
			}
		}
	}
	for id := range m.ids {
		if s := m.v.stock[id]; !now[id] {
			for at := s.first; at < s.first+s.chunks; at++ {
				t.planned.set(at)
			}
		}
	}
	err := vault.InOrder(ctx, slabs, vault.Askers, m.openSame, func(_ *stocked, _ *fetch.Slab, err error) error { return err })
	if err != nil {
		return err
	}
	latest := make(map[[2]string]*ledger.Capture)
	for _, c := range m.v.byAge() {
		of := [2]string{c.Name, c.Host}
		if err := t.capture(ctx, c, latest[of]); err != nil {
			return fmt.Errorf("capture %s: %w", c.ID, err)
		}
		latest[of] = c
	}
	return nil
}

// openSame opens a slab that has the chunks which a table says.
func (m *mover) openSame(ctx context.Context, s *stocked) (*fetch.Slab, error) {
	slab, err := m.r.slabs.Open(ctx, s.id)
	if err == nil && !sameChunks(slab.Frames, s.frames) {
		err = &fetch.SlabError{Slab: s.id, Frame: -1, Err: stock.ErrDenied}
	}
	return slab, err
}

// wants tells whether a recipe names a slab of which chunks are still to be moved.
func (t *turns) wants(r *format.Recipe) bool {
	for _, s := range t.v.walked[weave.RecipeKey(r)] {
		if t.left[s] > 0 {
			return true
		}
	}
	return false
}

// capture moves what a capture names, and no one before it.
func (t *turns) capture(ctx context.Context, c, before *ledger.Capture) error {
	t.now = c
	for i := range c.Volumes {
		v := &c.Volumes[i]
		var was *format.Volume
		if before != nil {
			was = volumeOf(before, v.Name)
		}
		for _, p := range weave.Parts(v) {
			lane, follows := intake.Listing, (*format.Recipe)(nil)
			if p.Use == weave.ForContents {
				lane = intake.Contents
			}
			switch {
			case was != nil && p.Recipe == v.Contents:
				follows = was.Contents
			case was != nil && p.Recipe == &v.MemberList:
				follows = &was.MemberList
			}
			if err := t.recipe(ctx, p.Recipe, follows, lane); err != nil {
				return err
			}
		}
	}
	if c.Seen == nil {
		return nil
	}
	return t.recipe(ctx, c.Seen, nil, intake.Listing)
}

func volumeOf(c *ledger.Capture, name string) *format.Volume {
	for i := range c.Volumes {
		if c.Volumes[i].Name == name {
			return &c.Volumes[i]
		}
	}
	return nil
}

// recipe moves what a recipe names. follows is what was there before; or nil.
func (t *turns) recipe(ctx context.Context, r, follows *format.Recipe, lane intake.Lane) error {
	if !t.wants(r) {
		return nil
	}
	if t.last != t.now { // it may stand on what was moved for others
		if err := t.endSlab(); err != nil {
			return err
		}
		t.last = t.now
	}
	stream := t.w.Intake.Stream(lane)
	q := new(intake.Sequence)
	if follows != nil && t.w.Intake.Follows() {
		if err := t.sequence(ctx, q, follows); err != nil {
			return err
		}
	}
	if err := t.w.Intake.Follow(stream, q); err != nil {
		return err
	}
	p := &plan{turns: t, stream: stream}
	for run, err := range t.r.slabs.Runs(ctx, r) {
		if err != nil {
			return err
		}
		if err := p.add(ctx, run); err != nil {
			return err
		}
	}
	return p.flush(ctx)
}

// endSlab has what was moved shortly before be put, so that it can be read.
func (t *turns) endSlab() error {
	if !t.begun || !t.w.Intake.Follows() {
		return nil
	}
	t.begun = false
	return t.w.Intake.EndSlab()
}

// sequence appends what a recipe named, where it lies now.
func (t *turns) sequence(ctx context.Context, q *intake.Sequence, r *format.Recipe) error {
	if err := t.endSlab(); err != nil {
		return err
	}
	for run, err := range t.r.slabs.Runs(ctx, r) {
		if err != nil {
			return err
		}
		ids := t.ids[run.Slab]
		if ids == nil {
			q.Add(t.index, run)
			continue
		}
		for n := range run.Count {
			if int(run.First+n) >= len(ids) {
				break
			}
			// Nobody else uses the index: nothing was put since the slab was ended.
			if ref, ok := t.index.Lookup(ids[run.First+n]); ok {
				q.AddChunk(ref)
			}
		}
	}
	return nil
}

// plan is what is to be read for a recipe, in its order.
type plan struct {
	*turns
	stream *intake.Stream
	visits []visit
	passed *passing // the last chunk that is known, behind the last one that is to be moved
}

// visit is a frame with the chunks of it that are moved then.
type visit struct {
	slab   *stocked
	frame  int
	first  int // number of the frame's first chunk in the slab
	chunks []visited
}

// visited is a chunk by its number in the frame, and what is known before it.
type visited struct {
	n      int
	behind *passing // nil: the chunk that was moved before
}

// passing is a chunk that is known.
type passing struct {
	ref  known.Ref
	slab *stocked // set: it is on its way, and its identity is among those of the slab
	at   int
}

// visitsAhead bounds what is planned before it is read.
const visitsAhead = 1024

// add plans for a run.
func (p *plan) add(ctx context.Context, run format.Run) error {
	if p.ids[run.Slab] == nil {
		if ref, ok := p.index.Find(run.Slab, run.First+run.Count-1); ok {
			p.passed = &passing{ref: ref}
		}
		return nil
	}
	s := p.v.stock[run.Slab]
	for at := int(run.First); at < int(run.First+run.Count) && at < s.chunks; at++ {
		if !p.v.direct.has(s.first + at) {
			continue
		}
		if p.planned.has(s.first + at) {
			p.passed = &passing{slab: s, at: at}
			continue
		}
		p.planned.set(s.first + at)
		p.left[s]--
		if err := p.visit(ctx, s, at); err != nil {
			return err
		}
	}
	return nil
}

// visit plans to move a chunk.
func (p *plan) visit(ctx context.Context, s *stocked, at int) error {
	last := len(p.visits) - 1
	if last >= 0 && p.visits[last].slab == s && at >= p.visits[last].first && at < p.visits[last].first+len(s.frames[p.visits[last].frame].Chunks) {
		v := &p.visits[last]
		v.chunks = append(v.chunks, visited{at - v.first, p.passed})
		p.passed = nil
		return nil
	}
	if len(p.visits) >= visitsAhead {
		if err := p.flush(ctx); err != nil {
			return err
		}
	}
	slab, err := p.r.slabs.Open(ctx, s.id)
	if err != nil {
		return err
	}
	frame := slab.FrameOf(uint32(at))
	first := int(slab.FirstChunk(frame))
	p.visits = append(p.visits, visit{s, frame, first, []visited{{at - first, p.passed}}})
	p.passed = nil
	return nil
}

// flush does what is planned.
func (p *plan) flush(ctx context.Context) error {
	visits := p.visits
	p.visits = nil
	return vault.InOrderWithin(ctx, visits, framesAhead, bytesAhead, func(v visit) int { return v.slab.frames[v.frame].Raw() },
		func(ctx context.Context, v visit) ([]byte, error) {
			slab, err := p.openSame(ctx, v.slab)
			if err != nil {
				return nil, err
			}
			return p.r.slabs.Frame(ctx, slab, v.frame)
		},
		func(v visit, raw []byte, err error) error {
			if err != nil {
				return err
			}
			return p.take(&v, raw)
		})
}

// take takes in the chunks of a frame.
func (p *plan) take(v *visit, raw []byte) error {
	s, f := v.slab, &v.slab.frames[v.frame]
	if err := p.standOn(f); err != nil {
		return err
	}
	n, off := 0, 0
	for _, c := range v.chunks {
		if c.n < n { // named out of order
			n, off = 0, 0
		}
		for ; n < c.n; n++ {
			off += int(f.Chunks[n])
		}
		chunk, at := raw[off:off+int(f.Chunks[n])], v.first+n
		id := p.hasher.Sum(chunk)
		p.ids[s.id][at] = id
		if p.said[s.id].Deny(uint32(at), id) {
			return &fetch.SlabError{Slab: s.id, Frame: v.frame, Err: stock.ErrDenied}
		}
		if err := p.pass(c.behind); err != nil {
			return err
		}
		p.begun = true
		if err := p.put(p.stream, chunk); err != nil {
			return err
		}
		p.moved(s, v.frame, n)
	}
	p.meter.Add(int64(f.Sealed)*int64(len(v.chunks))/int64(len(f.Chunks)), false)
	return nil
}

// pass says which known chunk stands before the next one.
func (p *plan) pass(c *passing) error {
	switch {
	case c == nil:
		return nil
	case c.slab != nil:
		return p.w.Intake.PassID(p.stream, p.ids[c.slab.id][c.at])
	}
	return p.w.Intake.Pass(p.stream, c.ref)
}
