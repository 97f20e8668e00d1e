package weave

import (
	"context"
	"fmt"
	"iter"
	"sort"

	"github.com/kistarchive/kist/store/internal/format"
)

// OrderTree reads an order.
type OrderTree struct {
	// Node gives a node by its number. What it gives is not changed.
	Node func(ctx context.Context, number uint64) (*format.OrderNode, error)
	Root uint64
}

// orderRef names a node as the one above it does.
type orderRef struct {
	number uint64
	level  int // -1: the root
	path   string
	begin  Extent
}

// From gives the spans in the order of paths, beginning with the last whose first path is not
// behind path; or with the first of all. It fails with damage where the nodes do not fit each other.
func (t *OrderTree) From(ctx context.Context, path string) iter.Seq2[OrderSpan, error] {
	return func(yield func(OrderSpan, error) bool) {
		t.below(ctx, orderRef{number: t.Root, level: -1}, path, yield)
	}
}

// below goes on with a node; it gives false when no more is wanted.
func (t *OrderTree) below(ctx context.Context, ref orderRef, path string, yield func(OrderSpan, error) bool) bool {
	n, err := t.Node(ctx, ref.number)
	if err == nil {
		err = ref.check(n)
	}
	if err != nil {
		yield(OrderSpan{}, err)
		return false
	}
	if n.Level == 0 {
		return spansFrom(n, ref.begin, path, yield)
	}
	begin := ref.begin
	first := lastNotBehind(len(n.Below), path, func(i int) []byte { return n.Below[i].Path })
	for i, b := range n.Below {
		begin = begin.across(b.List, b.Stamps, b.Chunks)
		if i < first {
			continue
		}
		if uint64(b.Back) > ref.number {
			yield(OrderSpan{}, fmt.Errorf("%w: a node before the first", format.ErrDamaged))
			return false
		}
		if !t.below(ctx, orderRef{ref.number - uint64(b.Back), int(n.Level) - 1, string(b.Path), begin}, path, yield) {
			return false
		}
		path = "" // from the next node on, all of it
	}
	return true
}

// check holds a node against what the one above it says.
func (r *orderRef) check(n *format.OrderNode) error {
	if r.level < 0 {
		return nil
	}
	var first []byte
	if n.Level == 0 {
		first = n.Spans[0].Path
	} else {
		first = n.Below[0].Path
	}
	if int(n.Level) != r.level || string(first) != r.path {
		return fmt.Errorf("%w: node %d of an order is not the one that is named", format.ErrDamaged, r.number)
	}
	return nil
}

func spansFrom(n *format.OrderNode, begin Extent, path string, yield func(OrderSpan, error) bool) bool {
	first := lastNotBehind(len(n.Spans), path, func(i int) []byte { return n.Spans[i].Path })
	for i, s := range n.Spans {
		span := OrderSpan{
			Path: string(s.Path), Members: int(s.Members), Padding: int(s.Padding),
			Begin: begin.across(s.ListGap, s.StampsGap, s.ChunksGap), Length: Extent{s.List, s.Stamps, s.Chunks},
		}
		begin = span.Begin.Plus(span.Length)
		if i >= first && !yield(span, nil) {
			return false
		}
	}
	return true
}

// lastNotBehind gives the last of ascending paths that is not behind path; or the first.
func lastNotBehind(n int, path string, at func(int) []byte) int {
	behind := sort.Search(n, func(i int) bool { return format.ComparePaths(string(at(i)), path) > 0 })
	return max(behind-1, 0)
}
