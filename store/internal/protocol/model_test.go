package protocol

import "math/bits"

// objects is a set of the objects that the model's repository may hold.
type objects uint32

const (
	slabA   objects = 1 << iota // chunk a and, if it can be rewritten, a dead one
	slabB                       // chunk b
	newSlab                     // what the first writer stores; the second's follows
	_
	moved     // chunk a, rewritten by the reclaimer
	indexOld  // the index file of the capture that is there from the start
	indexNext // its next generation
	indexNew  // the first writer's; the second's follows
	_
	indexDoomed // of a capture that has been retired for the grace time from the start
	retired     // the mark on the old capture
	hold        // the same
	lease       // the first writer's; the other actors' follow
	_           // the second writer's
	_           // the reclaimers'
	_           //
	_           // the operator's
	announced   // condemned/B, of the first batch; the second's follows, and so below
	_           //
	final       // condemned/B.final
	_           //
	gone        // condemned/B.gone
	_           //
	endOfNames  // none
)

const (
	allSlabs   = slabA | slabB | newSlab | newSlab<<1 | moved
	allIndexes = indexOld | indexNext | indexNew | indexNew<<1 | indexDoomed
	allLeases  = lease * (1<<actors - 1)
	allFinals  = final | final<<1
	oldCapture = indexOld | indexNext
)

// The actors, in the order of their leases.
const (
	writers     = 0
	reclaimers  = 2
	theOperator = 4
	actors      = 5
)

func leaseOf(actor int) objects { return lease << actor }

// actorSet is a set of actors.
type actorSet uint8

// each calls fn with every actor of the set.
func (s actorSet) each(fn func(actor int)) {
	for actor := range actors {
		if s.has(actor) {
			fn(actor)
		}
	}
}

func (s actorSet) has(actor int) bool { return s>>actor&1 == 1 }

// chunks is a set of chunks: a and b.
type chunks uint8

const (
	chunkA chunks = 1
	chunkB chunks = 2
)

// state is all that the actors' next steps depend on, and what the invariants
// need to know of the past. What no longer counts is zero, so that equal
// situations are equal values.
type state struct {
	there objects // objects that are there
	// With a listing that lags: objects that were put or removed so lately that
	// others may not see it, and those of them that the reclaimer waits for.
	fresh, waited objects
	batch         [2]batch
	writer        [2]writer
	reclaimer     [2]reclaimer
	operator      operator
	lapsed        actorSet // leases that are dead
	graceOver     bool     // the retired mark is older than the grace time
	undone, held  bool     // an undo, a hold reported success and stands
	wasThere      objects  // index files that were there from the start
	recorded      objects  // those of them whose capture is in a .gone mark
	rewritten     bool     // the name of the rewritten slab has been used
	fault         fault    // what a step broke
}

// batch is what the marks condemned/B, .final and .gone of one B say.
type batch struct {
	slabs objects  // announced
	final objects  // condemned for good: slabs
	goes  objects  // condemned for good: captures, by their first index files
	gone  objects  // captures that were removed
	after actorSet // actors whose lease began once the final mark had settled
	used  bool     // the name has been used, and is not used again
}

func (s *state) has(o objects) bool { return s.there&o != 0 }

// stored returns the chunks that a slab holds.
func (s *state) stored(slab objects) chunks {
	switch slab {
	case slabA, moved:
		return chunkA
	case slabB:
		return chunkB
	case newSlab:
		return s.writer[0].stored
	default:
		return s.writer[1].stored
	}
}

// needs returns the slabs that the index files of a listing need, the highest
// generation of each capture counting.
func (s *state) needs(indexes objects) objects {
	var slabs objects
	switch {
	case indexes&indexNext != 0:
		slabs = moved | slabB
	case indexes&indexOld != 0:
		slabs = slabA | slabB
	}
	for i := range s.writer {
		if indexes&(indexNew<<i) != 0 {
			slabs |= s.writer[i].slabs
		}
	}
	if indexes&indexDoomed != 0 {
		slabs |= slabB
	}
	return s.withBases(slabs)
}

// subsets calls fn with every subset of a set, from the empty one.
func subsets(of objects, fn func(objects)) {
	for sub := objects(0); ; sub = (sub - of) & of {
		fn(sub)
		if sub == of {
			return
		}
	}
}

// each calls fn with every member of a set.
func (o objects) each(fn func(objects)) {
	for ; o != 0; o &= o - 1 {
		fn(1 << bits.TrailingZeros32(uint32(o)))
	}
}

// first returns a set of the first member.
func (o objects) first() objects { return o & -o }

// fault says what a step broke.
type fault uint8

const (
	noFault fault = iota
	tooEarly
	notRetired
	undoBroken
)

var faultText = map[fault]string{
	tooEarly:   "a capture is removed that has not been retired for the grace time",
	notRetired: "a capture is removed that is not retired, or is held",
	undoBroken: "a capture is removed although undoing or holding reported success",
}

// broken returns which invariant the state breaks, or nothing.
func (s *state) broken() string {
	listed := s.there & allIndexes
	for i, w := range s.writer {
		if w.looks() {
			listed &^= indexNew << i // it has not reported success
		}
	}
	if missing := s.needs(listed) &^ s.there; missing != 0 {
		return "a capture that is listed lacks " + nameOf(missing.first())
	}
	for i, w := range s.writer {
		if (w.at == wCommitted || w.at == wDone) && !s.has(indexNew<<i) {
			return "a writer reported success and its capture is not there"
		}
	}
	left := s.there & (indexOld | indexDoomed)
	if s.has(indexNext) {
		left |= indexOld
	}
	if s.wasThere&^left&^s.recorded != 0 {
		return "a capture vanished without being in a .gone mark"
	}
	if (s.undone || s.held) && left&indexOld == 0 {
		return "undoing or holding reported success, and the capture is not there"
	}
	return faultText[s.fault]
}

var objectNames = [...]string{
	"A", "B", "N1", "N2", "M", "captures/K0", "captures/K0.1", "captures/K1", "captures/K2", "captures/K3",
	"retired/K0", "holds/K0", "leases/W1", "leases/W2", "leases/R1", "leases/R2", "leases/O",
	"condemned/1", "condemned/2", "condemned/1.final", "condemned/2.final", "condemned/1.gone", "condemned/2.gone",
}

// nameOf names the members of a set.
func nameOf(o objects) string {
	text := ""
	o.each(func(one objects) {
		if text != "" {
			text += " "
		}
		if one&allSlabs != 0 {
			text += "slab "
		}
		text += objectNames[bits.TrailingZeros32(uint32(one))]
	})
	if text == "" {
		return "nothing"
	}
	return text
}
