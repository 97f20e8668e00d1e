// Package intake takes chunks in and puts those that a repository lacks into
// frames, slabs and tables.
//
// The work passes through stages that overlap:
//
//	caller     fills batches of 256 KiB with chunks                one goroutine
//	identify   hashes the chunks of a batch                        one per core
//	assemble   looks chunks up; puts new ones into frames          one goroutine
//	compress   compresses frames, and reads them back              one per core
//	write      seals frames in order, sends them to slabs          one goroutine
//	put        gives a slab to the storage while it is filled      one, and one for each that is on its way
//
// Batches and frames pass in order, so that the same input gives the same
// frames and recipes however many cores there are. Every queue is bounded, and
// so is the memory: some MiB a core.
package intake

import (
	"cmp"
	"context"
	"errors"
	"runtime"
	"slices"

	"github.com/klauspost/compress/zstd"
	"golang.org/x/sync/errgroup"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/storage"
)

// Config says where chunks go.
type Config struct {
	Storage    storage.Storage
	Repository crypt.RepositoryID
	Keys       *crypt.Keys
	Index      *known.Index      // what is known; the Intake adds what it takes in
	MaxChunk   int               // the longest chunk, in bytes: four times the average
	Level      zstd.EncoderLevel // of all frames; 0: what pays for each
	Workers    int               // 0: one per core
	Puts       int               // how many slabs are put at the same time, with the one that is being filled; 0: 2
	Apart      Apart
	// Adopted are slabs that no table lists. The table of this session will.
	Adopted []*format.SlabRecord
	// Joined are slabs that other tables list. The last table of this session, if there is one, lists them, too.
	Joined []*format.SlabRecord
	// More gives what else is known, and is called once, when the session has taken in MoreFrom bytes that Index lacks: to
	// find out takes as long as others wrote much. nil: there is nothing else.
	More     func(ctx context.Context) (*More, error)
	MoreFrom int64
	// MoreAtEnd has More be called before the last table is written, too, if there is one.
	MoreAtEnd bool
	// Parity is how much parity slabs get, in percent; 0: none. A slab is in memory as a whole then.
	Parity int
	// Deltas says which chunks are said by others. Those of captures that are apart never are.
	Deltas Deltas
	// Alike tells that where chunks may be said by others, all ways of that are made use of, those by earlier captures included: slabs
	// say so.
	Alike bool
	// Old reads chunks that were there before; with DeltasOn it is set.
	Old func(ctx context.Context, slab format.SlabID, chunk uint32) (Old, error)
	// Crowds counts what stands on what was there before, and goes on with that; nil: nothing does.
	Crowds *Crowds
	// NoRecheck leaves out reading frames back before they are sealed. Without it a
	// session fails with ErrChanged where they are not what was hashed.
	NoRecheck bool
	// TableName gives the name of the next table object. It is asked again where somebody has that name already.
	TableName func() string

	// For tests: they change frames that are about to be compressed, and to be sealed.
	flip, spoil func(*frame)
	// For tests: how long slabs become at the most, in bytes; 0: format.SlabTarget.
	slabTarget int
}

// deltas tells whether chunks may be said by others.
func (c *Config) deltas() bool { return c.Deltas != DeltasOff && c.Apart.Group == nil }

// puts is how many slabs are put at the same time. What is written last is flushed while the next one is filled.
func (c *Config) puts() int { return cmp.Or(c.Puts, 2) }

// Intake is one session of taking chunks in. Its methods are for one
// goroutine.
type Intake struct {
	cfg    Config
	base   context.Context // outlives the stages
	cancel context.CancelFunc
	ctx    context.Context // of the stages: done when one of them fails
	group  *errgroup.Group

	free      chan *batch // batches to fill
	current   *batch
	identify  chan *batch
	assemble  chan *batch
	compress  chan *frame
	write     chan *frame
	freeFrame chan *frame
	ask       chan question

	more   *More // what Config.More gave; nil: it was not asked yet
	lacked int64 // bytes of chunks that were taken in and not known

	writer *writer
	ended  bool
}

// New starts a session. It must be ended by Close or Abandon.
func New(ctx context.Context, cfg Config) (*Intake, error) {
	if cfg.Crowds == nil {
		cfg.Crowds = new(Crowds)
	}
	if cfg.Workers <= 0 {
		cfg.Workers = runtime.GOMAXPROCS(0)
	}
	base, cancel := context.WithCancel(ctx)
	group, ctx := errgroup.WithContext(base)
	depth := cfg.Workers + 2
	in := &Intake{
		cfg: cfg, base: base, cancel: cancel, ctx: ctx, group: group,
		free:      make(chan *batch, depth+cfg.Workers),
		identify:  make(chan *batch, depth),
		assemble:  make(chan *batch, depth),
		compress:  make(chan *frame, depth),
		write:     make(chan *frame, depth),
		freeFrame: make(chan *frame, depth+cfg.Workers+int(lanes)),
		ask:       make(chan question),
		writer:    newWriter(cfg),
	}
	for range cap(in.free) {
		in.free <- new(batch)
	}
	for range cap(in.freeFrame) {
		in.freeFrame <- new(frame)
	}
	for range cfg.Workers {
		p, err := newPacker(cfg.Level, cfg.MaxChunk)
		if err != nil {
			cancel()
			return nil, err
		}
		var check *rechecker
		if !cfg.NoRecheck {
			if check, err = newRechecker(cfg.Keys); err != nil {
				cancel()
				return nil, err
			}
		}
		group.Go(func() error { return in.runIdentify() })
		group.Go(func() error { return in.runCompress(p, check) })
	}
	group.Go(func() error { return newAssembler(in).run() })
	group.Go(func() error { return in.runWrite() })
	return in, nil
}

// Reserve gives room for one chunk, of MaxChunk bytes. Put keeps it.
func (in *Intake) Reserve() ([]byte, error) {
	if err := in.room(); err != nil {
		return nil, err
	}
	b := in.current
	if b.buf == nil {
		b.buf = make([]byte, 0, batchTarget+in.cfg.MaxChunk)
	}
	n := len(b.buf)
	return b.buf[n : n+in.cfg.MaxChunk : n+in.cfg.MaxChunk], nil
}

// Put appends to the stream the chunk that is the first n bytes of what
// Reserve gave last.
func (in *Intake) Put(s *Stream, n int) { in.PutTimes(s, n, 1) }

// PutTimes is Put for a chunk that the stream has so often, one at the least.
func (in *Intake) PutTimes(s *Stream, n int, times uint64) {
	b := in.current
	b.buf = b.buf[:len(b.buf)+n]
	b.pieces = append(b.pieces, piece{stream: s, length: n, times: times})
}

// PutKnown appends to the stream a chunk of n bytes that the index knows.
func (in *Intake) PutKnown(s *Stream, ref known.Ref, n int) error {
	return in.PutKnownTimes(s, ref, n, 1)
}

// PutKnownTimes is PutKnown for a chunk that the stream has so often, one at the least.
func (in *Intake) PutKnownTimes(s *Stream, ref known.Ref, n int, times uint64) error {
	if err := in.room(); err != nil {
		return err
	}
	in.current.pieces = append(in.current.pieces, piece{stream: s, length: n, times: times, known: true, ref: ref})
	return nil
}

// Resolve gives the identities of chunks that the index knows, and replaces refs
// by those under which the index finds them: so it makes no difference whether a
// chunk is put or told by PutKnown. Unlike the other methods it is for any
// goroutine, since the session has the index in use, and it ends with ctx too.
func (in *Intake) Resolve(ctx context.Context, refs []known.Ref) ([]crypt.Identity, error) {
	q := question{refs, make(chan answer, 1)}
	select {
	case in.ask <- q:
	case <-in.ctx.Done():
		return nil, context.Cause(in.ctx)
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
	got := <-q.answer // at once, or as soon as it is read again
	return got.ids, got.err
}

// Append appends to the stream all chunks of a Draft, which is not to be used
// after it.
func (in *Intake) Append(s, draft *Stream) error {
	if err := in.room(); err != nil {
		return err
	}
	in.current.pieces = append(in.current.pieces, piece{stream: s, from: draft})
	return nil
}

// room makes sure that the current batch takes another chunk.
func (in *Intake) room() error {
	if in.ended {
		return in.over()
	}
	if in.current != nil && in.current.full() {
		if err := in.flush(nil); err != nil {
			return err
		}
	}
	if in.current == nil {
		b, err := receive(in.ctx, in.free)
		if err != nil {
			return in.fail(err)
		}
		b.reset()
		in.current = b
	}
	return nil
}

// flush sends the current batch on its way.
func (in *Intake) flush(settled chan struct{}) error {
	b := in.current
	if b == nil {
		return nil
	}
	in.current = nil
	b.settled = settled
	if err := send(in.ctx, in.identify, b); err != nil {
		return in.fail(err)
	}
	return in.fail(send(in.ctx, in.assemble, b))
}

// Settle waits until every chunk put so far has its place in a slab. Streams
// can tell their runs from then on.
func (in *Intake) Settle() error { return in.settle(false) }

// EndSlab is Settle that completes the open slab, too: when it returns nil, all that was put so far is in the storage, and
// the index finds it by Find.
func (in *Intake) EndSlab() error {
	err := in.settle(true)
	if err == nil {
		in.cfg.Index.FindAdded() // nobody else uses it: all stages wait
	}
	return err
}

func (in *Intake) settle(ends bool) error {
	if in.ended {
		return in.over()
	}
	if err := in.room(); err != nil {
		return err
	}
	in.current.ends = ends
	settled := make(chan struct{})
	if err := in.flush(settled); err != nil {
		return err
	}
	_, err := receive(in.ctx, settled)
	return in.fail(err)
}

// Close writes what is still open. All slabs and tables are on disk when it
// returns nil.
func (in *Intake) Close() (Written, error) {
	if err := in.Settle(); err != nil {
		return Written{}, err
	}
	in.end()
	defer in.cancel()
	if err := in.group.Wait(); err != nil {
		return Written{}, err
	}
	if in.cfg.MoreAtEnd && in.writer.hasWritten() {
		if err := in.learn(in.base); err != nil {
			return Written{}, err
		}
	}
	if in.more != nil {
		in.writer.cfg.Joined = append(slices.Clip(in.cfg.Joined), in.more.Joined...)
	}
	return in.writer.finish(in.base)
}

// Abandon ends the session after a failure. It tries to write a table of the
// slabs that did arrive, so that the next session finds their chunks; without
// it they are found by reading those slabs again.
func (in *Intake) Abandon(ctx context.Context) error {
	in.cancel()
	in.end()
	in.group.Wait() // its error was reported when it arose
	return in.writer.salvage(ctx)
}

func (in *Intake) end() {
	if !in.ended {
		in.ended = true
		close(in.identify)
		close(in.assemble)
	}
}

// ErrEnded is returned by a session that was closed or abandoned.
var ErrEnded = errors.New("this intake has ended")

// over says why the session takes nothing more.
func (in *Intake) over() error {
	if err := in.group.Wait(); err != nil {
		return err
	}
	return ErrEnded
}

// fail gives the error that stopped the session in place of the cancellation
// that it led to.
func (in *Intake) fail(err error) error {
	if err == nil || in.ctx.Err() == nil {
		return err
	}
	in.cancel()
	in.end()
	if first := in.group.Wait(); first != nil {
		return first
	}
	return context.Cause(in.ctx)
}

func send[T any](ctx context.Context, c chan<- T, v T) error {
	select {
	case c <- v:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

func receive[T any](ctx context.Context, c <-chan T) (T, error) {
	select {
	case v := <-c:
		return v, nil
	case <-ctx.Done():
		var none T
		return none, context.Cause(ctx)
	}
}
