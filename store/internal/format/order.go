package format

import (
	"cmp"
	"sync"
)

// An order lists the members of a volume by their paths, so that one is found without reading
// the member list. It is a tree of nodes, each a chunk of its own. It names places in the member
// list and says nothing of a member but where it stands.

// Bounds of an order.
const (
	MaxOrder        = 256 << 20 // bytes of all nodes
	MaxOrderLevel   = 16
	MaxOrderItems   = 4096    // spans of a leaf, or nodes below an inner one
	MaxOrderMembers = 4096    // of a span
	MaxOrderSpan    = 4 << 20 // bytes of a span in the member list, and in the stamps
)

// OrderNode is a node of an order. Either there are spans (at level 0) or nodes below it.
type OrderNode struct {
	Level uint32       `cbor:"1,keyasint"`
	Spans []OrderSpan  `cbor:"2,keyasint,omitempty"`
	Below []OrderBelow `cbor:"3,keyasint,omitempty"`
}

// OrderSpan is a number of members that follow each other in the member list and whose paths
// ascend. Gaps are from the end of the span before; of the first, from where the node begins.
type OrderSpan struct {
	_         struct{} `cbor:",toarray"`
	Path      []byte   // of the first member
	Members   uint32
	List      uint64 // bytes in the member list
	Stamps    uint64 // bytes in the stamps, packed
	Chunks    uint64 // of the contents
	Padding   uint32 // of the content before, in front of the first member's header
	ListGap   int64
	StampsGap int64
	ChunksGap int64
}

// OrderBelow is a node below another one. Its begin is counted from that of the one before it;
// of the first, from where the node above begins.
type OrderBelow struct {
	_      struct{} `cbor:",toarray"`
	Path   []byte   // the first below it
	Back   uint32   // how many chunks the node stands before the one that names it
	List   int64
	Stamps int64
	Chunks int64
}

// EncodeOrderNode gives the bytes of a node.
func EncodeOrderNode(n *OrderNode) []byte { return orderCodec().encode(n) }

// orderCodec is made once: an order has many nodes.
var orderCodec = sync.OnceValue(func() codec { return newCodecFor(MaxOrderItems) })

var orderBounds = newBounds(16*MaxOrderItems, MaxOrderItems)

// DecodeOrderNode is the inverse of EncodeOrderNode.
func DecodeOrderNode(b []byte) (*OrderNode, error) {
	var n OrderNode
	if err := decode(b, &n, orderBounds); err != nil {
		return nil, err
	}
	return &n, n.check()
}

func (n *OrderNode) check() error {
	if n.Level > MaxOrderLevel || (n.Level == 0) != (len(n.Below) == 0) || (n.Level == 0) != (len(n.Spans) > 0) {
		return damaged("a node of level %d with %d spans and %d nodes below it", n.Level, len(n.Spans), len(n.Below))
	}
	for i, s := range n.Spans {
		if s.Path == nil || s.Members == 0 || s.Members > MaxOrderMembers || s.List > MaxOrderSpan || s.Stamps > MaxOrderSpan || s.Padding > 511 {
			return damaged("a span of %d members in %d bytes and %d", s.Members, s.List, s.Stamps)
		}
		if i > 0 && ComparePathBytes(n.Spans[i-1].Path, s.Path) >= 0 {
			return damaged("an order whose paths do not ascend")
		}
	}
	for i, b := range n.Below {
		if b.Path == nil || b.Back == 0 {
			return damaged("a node below another one, %d chunks before it", b.Back)
		}
		if i > 0 && ComparePathBytes(n.Below[i-1].Path, b.Path) >= 0 {
			return damaged("an order whose paths do not ascend")
		}
	}
	return nil
}

// ComparePaths orders paths as a walk meets them: folder by folder, names by their bytes. So what
// is below a folder stands right behind it. No name holds a byte zero.
func ComparePaths(a, b string) int { return comparePaths(a, b) }

// ComparePathBytes is ComparePaths.
func ComparePathBytes(a, b []byte) int { return comparePaths(a, b) }

func comparePaths[T string | []byte](a, b T) int {
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return cmp.Compare(pathRank(a[i]), pathRank(b[i]))
		}
	}
	return cmp.Compare(len(a), len(b))
}

// pathRank puts the slash before all other bytes.
func pathRank(c byte) int {
	if c == '/' {
		return -1
	}
	return int(c)
}
