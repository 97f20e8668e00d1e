package intake

import (
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
)

// Lane keeps chunks of one use in frames of their own: what lists and rebuilds
// a capture is read without its contents.
type Lane int

// The lanes.
const (
	Contents  Lane = iota // of members
	Listing               // member lists and recipes
	alike                 // of Contents, what is said by others
	listAlike             // of Listing, the same
	lanes
)

// alike gives the lane of what is said by others.
func (l Lane) alike() Lane {
	if l == Listing {
		return listAlike
	}
	return alike
}

// lists tells whether there are lists in a lane.
func (l Lane) lists() bool { return l == Listing || l == listAlike }

// listAlone is how many bytes of a list are stored anew before further ones are said by others: so of a small change no
// more is read back.
const listAlone = 32 << 10

// assembler looks chunks up and puts new ones into frames.
type assembler struct {
	in   *Intake
	open [lanes]*frame
	next int   // number of the next frame
	ring *ring // nil: nothing is said by others

	standing map[int]int // how many frames stand on one of this session

	olds   *olds   // nil: nothing is said by what was there before
	before *before // of contents; nil: they follow nothing
	stood  *stood  // nil: of what is put is not known what it stood on
}

func newAssembler(in *Intake) *assembler {
	a := &assembler{in: in, standing: make(map[int]int)}
	if in.cfg.deltas() {
		a.ring = newRing()
	}
	if in.saysByOld() {
		a.olds = &olds{in, a.ring.sampler, in.cfg.Keys.NewHasher()}
	}
	return a
}

func (a *assembler) run() error {
	defer close(a.in.compress)
	defer close(a.in.write)
	for {
		select {
		case q := <-a.in.ask:
			a.answer(q)
		case b, ok := <-a.in.assemble:
			if !ok {
				return nil
			}
			if err := a.handle(b); err != nil {
				return err
			}
		}
	}
}

func (a *assembler) handle(b *batch) error {
	if _, err := receive(a.in.ctx, b.done); err != nil {
		return err
	}
	if err := a.take(b); err != nil {
		return err
	}
	if b.settled != nil {
		if err := a.settle(b.settled, b.ends); err != nil {
			return err
		}
	}
	a.in.free <- b // never blocks: it has room for all batches
	return nil
}

// question is what Resolve asks.
type question struct {
	refs   []known.Ref
	answer chan answer
}

type answer struct {
	ids []crypt.Identity
	err error
}

func (a *assembler) answer(q question) {
	ids := make([]crypt.Identity, len(q.refs))
	var err error
	for i, r := range q.refs {
		if ids[i], err = a.in.cfg.Index.Identity(r); err != nil {
			break
		}
		if found, ok := a.in.cfg.Index.Lookup(ids[i]); ok { // it or its equal
			q.refs[i] = found
		}
	}
	q.answer <- answer{ids, err} // never blocks: it has room for one
}

func (a *assembler) take(b *batch) error {
	rest := b.buf
	for i := range b.pieces {
		p := &b.pieces[i]
		var err error
		switch {
		case p.follows != nil:
			a.follow(p.stream, p.follows)
		case p.stood != nil:
			a.stood = p.stood
			a.stood.olds = a.olds
		case p.passes:
			a.pass(p)
		case p.begins:
			if err := a.endFrame(p.stream.lane); err != nil {
				return err
			}
		case p.from != nil:
			err = p.stream.concat(p.from)
		case p.known:
			a.beforeOf(p.stream).passed(p.ref)
			err = a.takeKnown(p)
		default:
			err = a.takeChunk(p.stream, rest[:p.length], b.ids[i], p.times)
		}
		if err != nil {
			return err
		}
		rest = rest[p.inBuffer():]
	}
	return nil
}

func (a *assembler) takeKnown(p *piece) error {
	id, err := a.in.cfg.Index.Identity(p.ref)
	if err != nil {
		return err
	}
	return p.stream.append(p.ref, id, p.length, p.times)
}

func (a *assembler) takeChunk(s *Stream, chunk []byte, id crypt.Identity, times uint64) error {
	a.beforeOf(s).near()
	ref, ok := a.in.cfg.Index.Lookup(id)
	if ok {
		a.beforeOf(s).passed(ref)
	} else {
		var err error
		if ref, ok, err = a.lookFurther(id, len(chunk)); err != nil {
			return err
		}
	}
	if !ok {
		var err error
		if ref, err = a.store(s, chunk, id); err != nil {
			return err
		}
		s.fresh += int64(len(chunk))
		a.in.lacked += int64(len(chunk))
	}
	return s.append(ref, id, len(chunk), times)
}

// lookFurther looks up a chunk of n bytes that the index lacks among all that is known, once so much was lacking that this
// is worth what it takes.
func (a *assembler) lookFurther(id crypt.Identity, n int) (ref known.Ref, ok bool, err error) {
	in := a.in
	if in.cfg.More == nil || in.more == nil && in.lacked+int64(n) <= in.cfg.MoreFrom {
		return 0, false, nil
	}
	if err := in.learn(in.ctx); err != nil {
		return 0, false, err
	}
	at, ok := in.more.Index.Lookup(id)
	if !ok {
		return 0, false, nil
	}
	slab, chunk := in.more.Index.Locate(at)
	ref, err = in.cfg.Index.AddElsewhere(id, slab, chunk)
	return ref, err == nil, err
}

// pass has what a stream follows go on behind a chunk that is known.
func (a *assembler) pass(p *piece) {
	ref, ok := p.ref, p.known
	if !ok {
		ref, ok = a.in.cfg.Index.Lookup(p.id)
	}
	if ok {
		a.beforeOf(p.stream).passed(ref)
	}
}

// follow has a list, or all contents from here on, be said by what they were before.
func (a *assembler) follow(s *Stream, q *Sequence) {
	if s.lane == Contents {
		if a.before = q.start(a); a.before.says() {
			a.ring.hold(ringBeside)
		} else {
			a.ring.hold(ringBytes)
		}
	} else {
		s.before = q.start(a)
	}
}

// beforeOf gives what a stream follows. Contents come in streams of their own, one for each member.
func (a *assembler) beforeOf(s *Stream) *before {
	if s.lane == Contents {
		return a.before
	}
	return s.before
}

// basesOf gives the chunks that a new one is to be said by.
func (a *assembler) basesOf(s *Stream, chunk []byte) []basis {
	if a.ring == nil {
		a.beforeOf(s).skip()
		return nil
	}
	stood := a.stood.like(chunk)
	if s.lane == Listing && s.fresh < listAlone && len(stood.bases) == 0 {
		s.before.skip()
		return nil
	}
	best, other := a.beforeOf(s).like(chunk), stood
	if best.share() < stood.share() {
		best, other = stood, best
	}
	bases := best.bases
	if !best.suffice() {
		bases = append(bases, other.bases...)
		if s.lane == Contents {
			bases = append(bases, a.ring.like(chunk)...)
		}
	}
	return fewFrames(slices.DeleteFunc(bases, a.crowded))
}

// fewFrames gives the first of the bases, of as many frames as one may stand on.
func fewFrames(bases []basis) []basis {
	frames := 0
	for i := range bases {
		if slices.ContainsFunc(bases[:i], func(o basis) bool { return o.sameFrame(&bases[i]) }) {
			continue
		}
		if frames++; frames > format.MaxBaseFrames {
			return bases[:i]
		}
	}
	return bases
}

// store puts a new chunk into the open frame of its lane.
func (a *assembler) store(s *Stream, chunk []byte, id crypt.Identity) (known.Ref, error) {
	lane, bases := s.lane, a.basesOf(s, chunk)
	if len(bases) > 0 {
		lane = lane.alike()
	}
	f, err := a.frameFor(lane, len(chunk), bases)
	if err != nil {
		return 0, err
	}
	switch {
	case len(bases) > 0:
		f.addBases(bases, a.stand)
	case lane == Contents && a.ring != nil && mayKeep(len(chunk)):
		a.ring.keep(f.number, chunk, id)
	}
	ref, err := a.in.cfg.Index.Add(id, f.number, len(f.lengths))
	f.add(chunk, id)
	return ref, err
}

// frameFor gives the open frame of a lane, or another one where it has no room for n bytes and their bases.
func (a *assembler) frameFor(lane Lane, n int, bases []basis) (*frame, error) {
	f := a.open[lane]
	if f != nil && f.takes(n) && f.takesBases(bases) {
		return f, nil
	}
	if err := a.endFrame(lane); err != nil {
		return nil, err
	}
	f, err := receive(a.in.ctx, a.in.freeFrame)
	if err != nil {
		return nil, err
	}
	f.reset()
	f.number, f.lane = a.next, lane
	if a.ring != nil && lane != Listing {
		f.target = format.DeltaTarget
	}
	a.next++
	a.open[lane] = f
	return f, nil
}

// emit sends a frame on, what it stands on first.
func (a *assembler) emit(f *frame) error {
	if below := a.open[Contents]; below != nil && below != f && f.standsOn(&basis{frame: below.number}) {
		if err := a.endFrame(Contents); err != nil {
			return err
		}
	}
	if err := send(a.in.ctx, a.in.compress, f); err != nil {
		return err
	}
	return send(a.in.ctx, a.in.write, f)
}

// settle sends all open frames on, and behind them an empty one that closes
// settled when all before it have their places.
func (a *assembler) settle(settled chan struct{}, ends bool) error {
	for lane := range lanes {
		if err := a.endFrame(lane); err != nil {
			return err
		}
	}
	f, err := receive(a.in.ctx, a.in.freeFrame)
	if err != nil {
		return err
	}
	f.reset()
	f.settled, f.ends = settled, ends
	return a.emit(f)
}
