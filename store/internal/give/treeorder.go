package give

import (
	"context"
	"fmt"
	"iter"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/weave"
)

// What a tree keeps in each of two generations.
const (
	keptNodes   = 4 << 20 // bytes of nodes, encoded
	keptMembers = 8192    // of spans
	keptWindows = 4 << 20 // bytes of a stream

	window = 64 << 10 // bytes of a stream that are read together
)

// inOrder finds members by an order, and reads a few of them at a time.
type inOrder struct {
	r    *Giver
	v    *ledger.Volume
	tree weave.OrderTree

	list, stamps *windows
	spans        recent[weave.OrderSpan, []*treeMember]
}

// openOrder gives what finds members by the order of the volume.
func (t *tree) openOrder() (finder, error) {
	if o := t.v.Order; o.Bytes > format.MaxOrder || o.Chunks > o.Bytes || o.Chunks == 0 {
		return nil, fmt.Errorf("%w: an order of %d nodes in %d bytes", format.ErrDamaged, o.Chunks, o.Bytes)
	}
	nodes, err := t.r.openStream(t.ctx, t.v.Order)
	if err != nil {
		return nil, err
	}
	kept := &recent[uint64, *format.OrderNode]{limit: keptNodes}
	return t.newInOrder(weave.OrderTree{Root: t.v.Order.Chunks - 1, Node: func(ctx context.Context, n uint64) (*format.OrderNode, error) {
		return kept.get(n, func() (*format.OrderNode, int, error) { return t.r.readNode(ctx, nodes, n) })
	}})
}

func (t *tree) newInOrder(nodes weave.OrderTree) (*inOrder, error) {
	f := &inOrder{r: t.r, v: t.v, tree: nodes}
	f.spans.limit = keptMembers
	var err error
	if f.list, err = t.whole(&t.v.MemberList); err == nil {
		f.stamps, err = t.whole(weave.OrEmpty(t.v.Stamps))
	}
	return f, err
}

// whole gives a stream, any part of which can be read.
func (t *tree) whole(recipe *format.Recipe) (*windows, error) {
	c, err := t.r.openStream(t.ctx, recipe)
	if err == nil {
		err = c.proof.err
	}
	if err != nil {
		return nil, err
	}
	s, err := t.r.stretch(t.ctx, c, 0, recipe.Chunks)
	if err != nil {
		return nil, err
	}
	return &windows{in: s, kept: recent[int64, []byte]{limit: keptWindows}}, nil
}

// readNode reads a node: a chunk of its own.
func (r *Giver) readNode(ctx context.Context, nodes *openedContents, n uint64) (*format.OrderNode, int, error) {
	runs, err := nodes.cut(n, 1)
	if err != nil {
		return nil, 0, err
	}
	in := r.slabs.ReadWith(ctx, fetch.Inline(runs), fetch.ReadOptions{Want: nodes.proof.want})
	defer in.Close()
	c, err := in.Next()
	if err != nil {
		return nil, 0, weave.OrDamage(err, "a node of an order is missing")
	}
	node, err := format.DecodeOrderNode(c.Data)
	return node, len(c.Data), err
}

// from implements finder.
func (f *inOrder) from(path string) iter.Seq2[*treeMember, error] {
	return func(yield func(*treeMember, error) bool) {
		last, begun := "", false
		for span, err := range f.tree.From(f.list.in.ctx, path) {
			if err == nil && begun && format.ComparePaths(last, span.Path) >= 0 {
				err = fmt.Errorf("%w: an order whose paths do not ascend", format.ErrDamaged)
			}
			if err != nil {
				yield(nil, asOrderError(err))
				return
			}
			members, err := f.unpack(span)
			if err != nil {
				yield(nil, err)
				return
			}
			for _, m := range members {
				if format.ComparePaths(m.path, path) >= 0 && !yield(m, nil) {
					return
				}
			}
			last, begun = members[len(members)-1].path, true
		}
	}
}

// unpack gives the members of a span. That the member list can't be read is no error of the order.
func (f *inOrder) unpack(span weave.OrderSpan) ([]*treeMember, error) {
	return f.spans.get(span, func() ([]*treeMember, int, error) {
		list, err := f.list.bytes(span.Begin.List, span.Length.List)
		if err != nil {
			return nil, 0, err
		}
		stamps, err := f.stamps.bytes(span.Begin.Stamps, span.Length.Stamps)
		if err != nil {
			return nil, 0, err
		}
		entries, err := span.Unpack(f.v, list, stamps)
		if err != nil {
			return nil, 0, asOrderError(err)
		}
		members := make([]*treeMember, len(entries))
		at := span.Begin.List
		for i, l := range entries {
			members[i] = newTreeMember(l, at)
			at += l.ListLength
		}
		return members, len(members), nil
	})
}
