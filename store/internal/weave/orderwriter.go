package weave

import "github.com/kistarchive/kist/store/internal/format"

// What an order is made of. Groups end where the path behind them says so, so that
// they fall into step again behind every change.
const (
	orderLeast     = 128      // members: the list of fewer is read as quickly
	orderPath      = 8 << 10  // bytes of the longest path
	orderNode      = 16 << 10 // bytes of a node, but for a path
	orderSpanBytes = 64 << 10 // of the member list
	orderSpan      = 256      // members; 64 on average
	orderGroup     = 128      // spans, and nodes; 32 on average
	orderBuffered  = 128 << 20
)

// OrderWriter makes an order of members. It is for one goroutine.
type OrderWriter struct {
	emit   func(node []byte) error // in order; the root last
	sorted bool                    // members come in the order of paths
	given  bool                    // up: there is no order
	most   int                     // bytes that may be buffered; 0: any number

	at      Extent // of the next member
	members int
	buffer  orderBuffer

	span   OrderSpan // being put together; of no members: none
	last   string    // path in it
	spans  []OrderSpan
	size   int // of spans, encoded
	levels []orderLevel
	nodes  uint64 // emitted
	bytes  int    // of them
}

// orderLevel is a level of inner nodes.
type orderLevel struct {
	pending []orderRef
	size    int
	nodes   int // that were emitted of the level below
}

// NewOrderWriter makes an order whose nodes go to emit. Where sorted is set, members come in the
// order of paths, and little memory is taken; else all paths are buffered, up to most bytes if that is
// above 0.
func NewOrderWriter(sorted bool, most int, emit func(node []byte) error) *OrderWriter {
	return &OrderWriter{emit: emit, sorted: sorted, most: most}
}

// GivenUp tells whether no order is made.
func (w *OrderWriter) GivenUp() bool { return w.given }

// GiveUp makes no order.
func (w *OrderWriter) GiveUp() { w.given, w.buffer = true, orderBuffer{} }

// Pass takes the next entry, which is no member.
func (w *OrderWriter) Pass(x Extent) { w.at = w.at.Plus(x) }

// Add takes the next member, with its clean path and the padding before its header.
func (w *OrderWriter) Add(path string, padding int, x Extent) error {
	at := w.at
	w.at = w.at.Plus(x)
	if w.given {
		return nil
	}
	path = OrderPath(path)
	if len(path) > orderPath || x.List > format.MaxOrderSpan || x.Stamps > format.MaxOrderSpan || padding > 511 {
		w.GiveUp()
		return nil
	}
	w.members++
	if w.sorted {
		return w.next(path, OrderSpan{Path: path, Members: 1, Begin: at, Length: x, Padding: padding})
	}
	w.buffer.add(path, padding, at, x)
	if w.most > 0 && w.buffer.bytes > w.most {
		w.GiveUp()
	}
	return nil
}

// next takes the next member in the order of paths.
func (w *OrderWriter) next(path string, s OrderSpan) error {
	if w.members > 1 && w.span.Members > 0 && format.ComparePaths(w.last, path) >= 0 {
		w.GiveUp()
		return nil
	}
	w.last = path
	if w.joins(&s) {
		w.span.Members++
		w.span.Length = w.span.Length.Plus(s.Length)
		return nil
	}
	if err := w.endSpan(); err != nil {
		return err
	}
	w.span = s
	return nil
}

// joins tells whether a member belongs to the span that is being put together.
func (w *OrderWriter) joins(s *OrderSpan) bool {
	l := &w.span
	return l.Members > 0 && l.Members < orderSpan && l.Begin.Plus(l.Length) == s.Begin &&
		l.Length.List+s.Length.List <= orderSpanBytes && l.Length.Stamps+s.Length.Stamps <= orderSpanBytes &&
		pathHash(s.Path)&63 != 0
}

// endSpan puts the span, if there is one, into the leaf.
func (w *OrderWriter) endSpan() error {
	s := w.span
	if s.Members == 0 {
		return nil
	}
	w.span = OrderSpan{}
	size := len(s.Path) + 64
	// A node that was emitted can't be taken back.
	if w.members >= orderLeast && ends(s.Path, 6, len(w.spans), w.size+size, 1) {
		if err := w.endLeaf(false); err != nil {
			return err
		}
	}
	w.spans = append(w.spans, s)
	w.size += size
	return nil
}

// ends tells whether a group ends before what has that path.
func ends(path string, shift, members, bytes, least int) bool {
	return members >= least && (members >= orderGroup || bytes > orderNode || pathHash(path)>>shift&31 == 0)
}

// endLeaf emits the leaf. The root begins at nothing, and others with their first member.
func (w *OrderWriter) endLeaf(root bool) error {
	ref := orderRef{path: w.spans[0].Path, begin: w.spans[0].Begin}
	var at Extent
	if !root {
		at = ref.begin
	}
	n := &format.OrderNode{Spans: make([]format.OrderSpan, len(w.spans))}
	for i, s := range w.spans {
		f := format.OrderSpan{
			Path: []byte(s.Path), Members: uint32(s.Members), Padding: uint32(s.Padding),
			List: s.Length.List, Stamps: s.Length.Stamps, Chunks: s.Length.Chunks,
		}
		f.ListGap, f.StampsGap, f.ChunksGap = s.Begin.gap(at)
		at = s.Begin.Plus(s.Length)
		n.Spans[i] = f
	}
	w.spans, w.size = w.spans[:0], 0
	return w.put(n, ref, 0, root)
}

// put emits a node, and names it in the one above.
func (w *OrderWriter) put(n *format.OrderNode, ref orderRef, level int, root bool) error {
	b := format.EncodeOrderNode(n)
	if w.bytes += len(b); w.bytes > format.MaxOrder {
		w.GiveUp()
		return nil
	}
	if err := w.emit(b); err != nil {
		return err
	}
	ref.number, ref.level = w.nodes, level
	w.nodes++
	if root {
		return nil
	}
	if len(w.levels) == level {
		w.levels = append(w.levels, orderLevel{})
	}
	l := &w.levels[level]
	l.nodes++
	size := len(ref.path) + 24
	if ends(ref.path, 11+5*level, len(l.pending), l.size+size, 2) {
		if err := w.endInner(level, false); err != nil {
			return err
		}
		l = &w.levels[level] // there may be more now
	}
	l.pending = append(l.pending, ref)
	l.size += size
	return nil
}

// endInner emits a node of the level above so many.
func (w *OrderWriter) endInner(level int, root bool) error {
	l := &w.levels[level]
	refs := l.pending
	l.pending, l.size = nil, 0
	ref := orderRef{path: refs[0].path, begin: refs[0].begin}
	var at Extent
	if !root {
		at = ref.begin
	}
	n := &format.OrderNode{Level: uint32(level) + 1, Below: make([]format.OrderBelow, len(refs))}
	for i, r := range refs {
		b := format.OrderBelow{Path: []byte(r.path), Back: uint32(w.nodes - r.number)}
		b.List, b.Stamps, b.Chunks = r.begin.gap(at)
		at = r.begin
		n.Below[i] = b
	}
	return w.put(n, ref, level+1, root)
}

// Finish emits what is left, and tells whether there is an order.
func (w *OrderWriter) Finish() (bool, error) {
	if w.given || w.members < orderLeast {
		return false, nil
	}
	for m := range w.buffer.sorted() {
		if err := w.next(m.Path, m); err != nil {
			return false, err
		}
	}
	w.buffer = orderBuffer{}
	if w.given {
		return false, nil
	}
	if err := w.endSpan(); err != nil {
		return false, err
	}
	root := len(w.levels) == 0
	err := w.endLeaf(root)
	for level := 0; err == nil && !root; level++ {
		root = len(w.levels) == level+1
		err = w.endInner(level, root)
	}
	return err == nil && !w.given, err
}

// pathHash is FNV-1a of 64 bits, mixed so that each bit depends on all. It is the same on
// every machine, so that equal members give equal nodes.
func pathHash(path string) uint64 {
	h := uint64(14695981039346656037)
	for i := range len(path) {
		h = (h ^ uint64(path[i])) * 1099511628211
	}
	h = (h ^ h>>33) * 0xff51afd7ed558ccd
	return h ^ h>>33
}
