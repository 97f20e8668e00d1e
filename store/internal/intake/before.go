package intake

import (
	"slices"
	"sort"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/delta"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
)

// Old is a chunk that was there before.
type Old struct {
	Data  []byte
	Frame int           // number of its frame in the slab
	First uint32        // number of that frame's first chunk
	Held  *format.Frame // the frame

	id crypt.Identity
}

// Sequence is what contents were made of before, chunk by chunk.
type Sequence struct {
	spans  []seqSpan // in order
	byRef  []int     // numbers of spans, by their first chunks
	length int
}

// seqSpan is a number of chunks that follow each other in the index.
type seqSpan struct {
	first known.Ref
	count int
	at    int // place of the first in the sequence
}

// Add appends chunks, of a slab that the index knows, or not at all.
func (q *Sequence) Add(x *known.Index, run format.Run) {
	if run.Times > 1 { // mostly holes, and there are no bases in them
		run.Count = 1
	}
	first, ok := x.Find(run.Slab, run.First)
	if _, whole := x.Find(run.Slab, run.First+run.Count-1); !ok || !whole {
		return
	}
	if n := len(q.spans) - 1; n >= 0 && q.spans[n].first+known.Ref(q.spans[n].count) == first {
		q.spans[n].count += int(run.Count)
	} else {
		q.spans = append(q.spans, seqSpan{first, int(run.Count), q.length})
	}
	q.length += int(run.Count)
}

// AddChunk appends a chunk that the index knows.
func (q *Sequence) AddChunk(ref known.Ref) {
	if n := len(q.spans) - 1; n >= 0 && q.spans[n].first+known.Ref(q.spans[n].count) == ref {
		q.spans[n].count++
	} else {
		q.spans = append(q.spans, seqSpan{ref, 1, q.length})
	}
	q.length++
}

// start begins to go along the sequence.
func (q *Sequence) start(a *assembler) *before {
	if len(q.spans) == 0 {
		return nil
	}
	q.byRef = make([]int, len(q.spans))
	for i := range q.byRef {
		q.byRef[i] = i
	}
	slices.SortStableFunc(q.byRef, func(a, b int) int { return int(int64(q.spans[a].first) - int64(q.spans[b].first)) })
	return &before{q: q, in: a.in, olds: a.olds}
}

// Spans gives how many runs of chunks the sequence has; each takes some 40 bytes of memory.
func (q *Sequence) Spans() int { return len(q.spans) }

// span gives the number of the span that has a place.
func (q *Sequence) span(at int) int {
	return sort.Search(len(q.spans), func(i int) bool { return q.spans[i].at > at }) - 1
}

// ref gives the chunk at a place.
func (q *Sequence) ref(at int) known.Ref {
	s := q.spans[q.span(at)]
	return s.first + known.Ref(at-s.at)
}

// find gives a place of a chunk.
func (q *Sequence) find(r known.Ref) (int, bool) {
	i := sort.Search(len(q.byRef), func(i int) bool { return q.spans[q.byRef[i]].first > r }) - 1
	if i < 0 {
		return 0, false
	}
	s := q.spans[q.byRef[i]]
	return s.at + int(r-s.first), r < s.first+known.Ref(s.count)
}

// before goes along what contents were made of, and gives of it what stood where a chunk stands that is not known: behind
// the same neighbour. A base is checked before it is one: what stands in its place may be anything.
type before struct {
	*olds // nil: it only tells where to look
	q     *Sequence
	in    *Intake
	at    int // the place behind the last chunk that is known

	tests, fit, rest int
	anchors, theirs  []uint64
}

const (
	// oldAnchors is how densely a chunk is sampled to be held against what stood in its place.
	oldAnchors delta.Often = 256
	// window is how many chunks are looked at behind the last one that is known.
	window = 3
	// Of so many tests a quarter must fit, or so many chunks are not tested.
	firstTests = 24
	restChunks = 512
	// enough of the anchors, one in so many, are shared by a chunk that is taken without looking further.
	enough = 2
)

// says tells whether chunks may be said by what was there, not only looked for about it.
func (b *before) says() bool { return b != nil && b.olds != nil }

// passed says that the contents go on with a chunk that is known.
func (b *before) passed(r known.Ref) {
	if b == nil {
		return
	}
	if b.at < b.q.length && b.q.ref(b.at) == r {
		b.at++
	} else if at, ok := b.q.find(r); ok {
		b.at = at + 1
	}
}

// skip says that the contents go on with a chunk that is stored as it is.
func (b *before) skip() {
	if b != nil && b.at < b.q.length {
		b.at++
	}
}

// likes are what a chunk may be said by, and how many of its anchors they share, of how many.
type likes struct {
	bases      []basis
	hits, most int
}

// suffice tells whether nothing more needs to be looked for.
func (l *likes) suffice() bool { return len(l.bases) > 0 && l.hits >= l.most/enough }

// share is the part of the anchors that they share. Ways of counting may count equal ones once or each.
func (l *likes) share() float64 { return float64(l.hits) / float64(max(1, l.most)) }

// like gives what a chunk may be said by of what stood in its place.
func (b *before) like(chunk []byte) (l likes) {
	if b == nil || b.at >= b.q.length {
		return l
	}
	if b.olds == nil {
		b.skip()
		return l
	}
	if b.resting() {
		return l
	}
	if b.anchors = b.sampler.Append(b.anchors[:0], chunk, oldAnchors); len(b.anchors) == 0 {
		return l
	}
	slices.Sort(b.anchors)
	best, most, where := basis{}, max(1, len(b.anchors)/20)-1, -1
	for at := b.at; at < min(b.at+window, b.q.length); at++ {
		candidate, hits := b.test(b.q.ref(at))
		if hits > most {
			best, most, where = candidate, hits, at
		}
		if most >= len(b.anchors)/enough {
			break
		}
	}
	b.tests++
	if where < 0 {
		return l
	}
	b.fit++
	b.at = where + 1
	return likes{[]basis{best}, most, len(b.anchors)}
}

// resting tells whether too little fitted lately.
func (b *before) resting() bool {
	if b.rest > 0 {
		b.rest--
		return true
	}
	if b.tests == firstTests {
		if 4*b.fit < b.tests {
			b.rest = restChunks
		}
		b.tests, b.fit = 0, 0
	}
	return false
}

// test reads a chunk, or what it stands on where that is as deep as may be, and tells how many anchors it shares.
func (b *before) test(r known.Ref) (best basis, hits int) {
	slab, n := b.in.cfg.Index.Locate(r)
	old, ok := b.read(slab, n)
	if !ok {
		return best, 0
	}
	if old.Held.Depth < format.MaxDepth {
		return old.basis(slab, n), b.shared(old.Data)
	}
	for _, place := range beneath(old.Held.Bases, int(n-old.First), len(old.Held.Chunks)) {
		under, ok := b.read(place.Slab, place.First)
		if !ok || under.Held.Depth >= format.MaxDepth {
			continue
		}
		if shared := b.shared(under.Data); shared > hits {
			best, hits = under.basis(place.Slab, place.First), shared
		}
	}
	return best, hits
}

// beneath gives the bases that are likely to be those of a chunk of a frame: bases come in the order of what they were
// taken for.
func beneath(bases []format.Base, chunk, chunks int) (near []format.Base) {
	all := 0
	for _, b := range bases {
		all += int(b.Count)
	}
	at := chunk * all / chunks
	from, to := max(0, at-1), min(all, at+2)
	for _, b := range bases { // which are counted through as one
		for n := max(0, from); n < min(int(b.Count), to); n++ {
			near = append(near, format.Base{Slab: b.Slab, First: b.First + uint32(n), Count: 1})
		}
		from, to = from-int(b.Count), to-int(b.Count)
	}
	return near
}

// shared counts the anchors that a chunk shares with the one at hand.
func (b *before) shared(data []byte) (n int) {
	b.theirs = b.sampler.Append(b.theirs[:0], data, oldAnchors)
	for _, a := range b.theirs {
		if _, ok := slices.BinarySearch(b.anchors, a); ok {
			n++
		}
	}
	return n
}

// near has an index that keeps samples know what stood here and behind it.
func (b *before) near() {
	if b == nil || !b.in.cfg.Index.Sampled() {
		return
	}
	for at := b.at; at < min(b.at+window, b.q.length); at++ {
		b.in.cfg.Index.Near(b.q.ref(at))
	}
}

// Follow says what a list was made of before, or, of a stream of contents, all contents that are put from now on. It is
// of use with DeltasOn, and where the index keeps samples.
func (in *Intake) Follow(s *Stream, q *Sequence) error {
	if !in.Follows() {
		return nil
	}
	if err := in.room(); err != nil {
		return err
	}
	in.current.pieces = append(in.current.pieces, piece{stream: s, follows: q})
	return nil
}

// Pass says that a stream goes on with a chunk that the index knows, without appending it.
func (in *Intake) Pass(s *Stream, ref known.Ref) error {
	return in.pass(piece{stream: s, passes: true, known: true, ref: ref})
}

// PassID is Pass for a chunk that may have been put shortly before.
func (in *Intake) PassID(s *Stream, id crypt.Identity) error {
	return in.pass(piece{stream: s, passes: true, id: id})
}

func (in *Intake) pass(p piece) error {
	if err := in.room(); err != nil {
		return err
	}
	in.current.pieces = append(in.current.pieces, p)
	return nil
}

// Follows tells whether Follow is of use.
func (in *Intake) Follows() bool { return in.saysByOld() || in.cfg.Index.Sampled() }

// saysByOld tells whether chunks are said by what was there before.
func (in *Intake) saysByOld() bool {
	return in.cfg.deltas() && in.cfg.Deltas == DeltasOn && in.cfg.Old != nil
}
