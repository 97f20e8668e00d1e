package fetch

import (
	"context"
	"fmt"
	"io"
	"iter"
	"sync"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// Chunk is one chunk of a stream.
type Chunk struct {
	Data []byte // not to be changed
	ID   crypt.Identity
}

// Reader gives the chunks of a stream in order. It is for one goroutine, and
// must be closed.
type Reader struct {
	slabs   *Slabs
	ctx     context.Context
	cancel  context.CancelFunc
	batches chan []*part // in order; closed after the last
	window  *window
	done    chan struct{} // closed when nothing reads ahead any more
	batch   []*part       // that come behind the one that is being given out
	now     *part         // being given out
	next    int           // its next chunk
	err     error         // stays
}

// Block is one or more consecutive chunks of a stream, or one that comes several times.
type Block struct {
	Data    []byte // of all of them, once; not to be changed
	Lengths []uint32
	Times   uint64           // 1, or more of one chunk
	IDs     []crypt.Identity // nil where they were not asked for

	slabs *Slabs
	lent  *cachedFrame
}

// part is a number of consecutive chunks of one frame, or one several times.
type part struct {
	slab     *Slab
	frame    int
	from, to int    // chunks of the frame
	times    uint32 // more than 1 only for one chunk
	ready    chan struct{}
	data     []byte       // of the chunks
	lent     *cachedFrame // that data is a part of, to be given back; nil: it isn't lent
	ids      []crypt.Identity
	err      error
}

// Runs is a sequence of runs; one that ends with an error ends there.
type Runs = iter.Seq2[format.Run, error]

// ReadOptions change what a Reader gives.
type ReadOptions struct {
	// NoIdentities is for who compares none: the chunks have none. That a frame is what
	// was sealed is still known, but not that it holds what its writer meant to seal.
	NoIdentities bool
	// Lend uses the memory of chunks again: their bytes are there until the next call
	// of the Reader, or as long as Block.Hold asks for.
	Lend bool
	// Want, if set, gives the identity that a chunk of a slab must have, by its number
	// there. Reading one that has another fails with damage that names slab and frame. It
	// is called by several goroutines.
	Want func(slab format.SlabID, chunk uint32) (crypt.Identity, bool)
	// Most, if set, is how many reads may be ahead at the most.
	Most int
}

// Read gives a reader of the chunks that runs name.
func (s *Slabs) Read(ctx context.Context, runs Runs) *Reader {
	return s.ReadWith(ctx, runs, ReadOptions{})
}

// ReadWith is Read with options.
func (s *Slabs) ReadWith(ctx context.Context, runs Runs, o ReadOptions) *Reader {
	ctx, cancel := context.WithCancel(ctx)
	first, all, _ := s.aheadOf()
	if o.Most > 0 {
		first, all = min(first, o.Most), min(all, o.Most)
	}
	r := &Reader{
		slabs: s, ctx: ctx, cancel: cancel, batches: make(chan []*part, all), done: make(chan struct{}),
		window: newWindow(first, all),
	}
	go func() {
		defer close(r.done)
		r.plan(s.openAhead(ctx, runs), o)
	}()
	return r
}

// waiting is how many frames may be fetched beside those that keep the workers
// busy.
const waiting = 2

// plan cuts runs into parts and has them filled: as many at once as there are
// workers, and some that wait for storage.
func (r *Reader) plan(runs Runs, o ReadOptions) {
	s, ctx := r.slabs, r.ctx
	var filling sync.WaitGroup
	defer filling.Wait()
	defer close(r.batches)
	_, _, underWay := s.aheadOf()
	slots := make(chan struct{}, underWay)
	for parts, with := range s.together(s.cut(ctx, runs)) {
		if r.window.take(ctx, s.weight(with)) != nil {
			return
		}
		r.batches <- parts // never blocks: it has room for all
		if with == nil {
			close(parts[0].ready)
			return
		}
		slots <- struct{}{} // a worker that has one heeds the context
		filling.Go(func() {
			for _, p := range parts {
				p.err = s.fill(ctx, p, with, o)
				close(p.ready)
			}
			s.spanDone(with)
			<-slots
		})
	}
}

// together gives parts with those whose frames are read with one call. One with an error comes alone, and without a span.
func (s *Slabs) together(parts iter.Seq[*part]) iter.Seq2[[]*part, *span] {
	return func(yield func([]*part, *span) bool) {
		var batch []*part
		var with *span
		most := spanFirst
		for p := range parts {
			if with != nil && p.err == nil && s.extend(with, p.slab, p.frame) {
				batch = append(batch, p)
				continue
			}
			if with != nil && !yield(batch, with) {
				return
			}
			if batch, with = []*part{p}, nil; p.err != nil {
				yield(batch, nil)
				return
			}
			with = newSpan(p.slab, p.frame)
			with.most, most = most, min(2*most, spanRaw)
		}
		if with != nil {
			yield(batch, with)
		}
	}
}

// cut gives the parts of runs in order. A part with an error is the last.
func (s *Slabs) cut(ctx context.Context, runs Runs) iter.Seq[*part] {
	return func(yield func(*part) bool) {
		for run, err := range runs {
			if err != nil {
				yield(&part{err: err, ready: make(chan struct{})})
				return
			}
			if !s.cutRun(ctx, run, yield) {
				return
			}
		}
	}
}

func (s *Slabs) cutRun(ctx context.Context, run format.Run, yield func(*part) bool) bool {
	slab, err := s.Open(ctx, run.Slab)
	if err == nil && uint64(run.First)+uint64(run.Count) > uint64(slab.chunks) {
		err = &SlabError{run.Slab, -1, fmt.Errorf("%w: chunk %d is named and the slab has %d",
			format.ErrDamaged, run.First+run.Count-1, slab.chunks)}
	}
	if err != nil {
		yield(&part{err: err, ready: make(chan struct{})})
		return false
	}
	frame := slab.frameOf(run.First)
	for first, left := int(run.First), int(run.Count); left > 0; frame++ {
		from := first - int(slab.first[frame])
		to := min(from+left, len(slab.Frames[frame].Chunks))
		if !yield(&part{slab: slab, frame: frame, from: from, to: to, times: run.Times, ready: make(chan struct{})}) {
			return false
		}
		first += to - from
		left -= to - from
	}
	return true
}

// fill reads the chunks of a part and identifies them.
func (s *Slabs) fill(ctx context.Context, p *part, with *span, o ReadOptions) error {
	raw, err := s.rawOf(ctx, p, with, o.Lend)
	if err != nil {
		return err
	}
	start := sum(p.slab.Frames[p.frame].Chunks[:p.from])
	p.data = raw[start : start+sum(p.lengths())]
	if !o.NoIdentities {
		h := <-s.hashers
		p.ids = identities(h, p.data, p.lengths())
		s.hashers <- h
	}
	return p.hold(o)
}

// hold compares the chunks with those that are wanted.
func (p *part) hold(o ReadOptions) error {
	if o.Want == nil {
		return nil
	}
	for i, id := range p.ids {
		n := p.slab.first[p.frame] + uint32(p.from+i)
		if want, ok := o.Want(p.slab.ID, n); ok && want != id {
			return &SlabError{p.slab.ID, p.frame, fmt.Errorf("%w: chunk %d of the slab is not what was captured", format.ErrDamaged, n)}
		}
	}
	return nil
}

// rawOf reads the frame of a part.
func (s *Slabs) rawOf(ctx context.Context, p *part, with *span, lend bool) ([]byte, error) {
	if !lend {
		return s.frame(ctx, p.slab, p.frame, purpose{with: with})
	}
	f, err := s.lend(ctx, p.slab, p.frame, purpose{with: with})
	if err != nil {
		return nil, err
	}
	p.lent = f
	return f.raw, nil
}

// lengths gives those of the part's chunks.
func (p *part) lengths() []uint32 { return p.slab.Frames[p.frame].Chunks[p.from:p.to] }

func sum(lengths []uint32) int {
	n := 0
	for _, l := range lengths {
		n += int(l)
	}
	return n
}

// Next gives the next chunk, or io.EOF after the last.
func (r *Reader) Next() (Chunk, error) {
	return firstOf(r.NextBlock(1))
}

// firstOf gives the only chunk of a block.
func firstOf(b Block, err error) (Chunk, error) {
	if err != nil {
		return Chunk{}, err
	}
	c := Chunk{Data: b.Data}
	if b.IDs != nil {
		c.ID = b.IDs[0]
	}
	return c, nil
}

// NextBlock gives as many of the next chunks as lie one after the other, or come again, at
// least one and at most the given number, or io.EOF after the last.
func (r *Reader) NextBlock(most uint64) (Block, error) {
	for r.err == nil && (r.now == nil || r.next == r.now.to-r.now.from) {
		r.err = r.advance()
	}
	if r.err != nil {
		return Block{}, r.err
	}
	if r.now.times > 1 {
		return r.repeat(most)
	}
	end := r.next + int(min(uint64(r.now.to-r.now.from-r.next), most)) // most may be any number
	b := r.now.block(r.next, end)
	b.slabs = r.slabs
	r.now.data = r.now.data[len(b.Data):]
	r.next = end
	return b, nil
}

// repeat gives a chunk that comes several times, at most so often.
func (r *Reader) repeat(most uint64) (Block, error) {
	if r.ctx.Err() != nil { // advance, which looks as well, may be 2^32 chunks away
		r.err = context.Cause(r.ctx)
		return Block{}, r.err
	}
	b := r.now.block(r.next, r.next+1)
	b.slabs = r.slabs
	b.Times = min(uint64(r.now.times), most)
	if r.now.times -= uint32(b.Times); r.now.times == 0 {
		r.next++
	}
	return b, nil
}

// block gives the chunks from the one that data begins with up to another.
func (p *part) block(from, to int) Block {
	b := Block{Lengths: p.lengths()[from:to], Times: 1, lent: p.lent}
	n := sum(b.Lengths)
	b.Data = p.data[:n:n]
	if p.ids != nil {
		b.IDs = p.ids[from:to]
	}
	return b
}

func (r *Reader) advance() error {
	if r.now != nil {
		r.slabs.giveBack(r.now.lent)
		r.now = nil
	}
	if len(r.batch) == 0 {
		select {
		case batch, ok := <-r.batches:
			if !ok {
				if err := r.ctx.Err(); err != nil {
					return context.Cause(r.ctx)
				}
				return io.EOF
			}
			r.batch = batch
			r.window.next()
		case <-r.ctx.Done():
			return context.Cause(r.ctx)
		}
	}
	p := r.batch[0]
	r.batch = r.batch[1:]
	<-p.ready // its reading heeds the context
	if p.err != nil {
		return p.err
	}
	r.now, r.next = p, 0
	return nil
}

// Close ends the reading ahead, and waits until it has ended.
func (r *Reader) Close() error {
	r.cancel()
	<-r.done
	return nil
}

// frameOf gives the frame in which a chunk of the slab lies.
func (slab *Slab) frameOf(chunk uint32) int {
	lo, hi := 0, len(slab.first)
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; slab.first[mid] <= chunk {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}
