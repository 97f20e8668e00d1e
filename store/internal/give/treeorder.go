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
)

// inOrder finds members by an order, and reads a few of them at a time.
type inOrder struct {
	r    *Giver
	v    *ledger.Volume
	tree weave.OrderTree

	list, stamps *stretch
	spans        recent[weave.OrderSpan, []*treeMember]
}

// openOrder gives what finds members by the order of the volume.
func (t *tree) openOrder() (finder, error) {
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
func (t *tree) whole(recipe *format.Recipe) (*stretch, error) {
	c, err := t.r.openStream(t.ctx, recipe)
	if err == nil {
		err = c.proof.err
	}
	if err != nil {
		return nil, err
	}
	return t.r.stretch(t.ctx, c, 0, recipe.Chunks)
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
		for span, err := range f.tree.From(f.list.ctx, path) {
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
		for i, l := range entries {
			members[i] = newTreeMember(l)
		}
		return members, len(members), nil
	})
}

// bytes reads a part of a stretch; one that it does not have is damage of the order that asks for it.
func (s *stretch) bytes(off, n uint64) ([]byte, error) {
	if all := uint64(s.length); off > all || n > all-off {
		return nil, &orderError{fmt.Errorf("%w: an order that ends behind the member list", format.ErrDamaged)}
	}
	if n == 0 {
		return nil, nil
	}
	in, err := s.stored(int64(off), int64(off+n))
	if err != nil {
		return nil, err
	}
	defer in.close()
	p := make([]byte, n)
	for done := 0; done < len(p); {
		k, err := in.readFrom(int64(off)+int64(done), p[done:])
		if done += k; err != nil {
			return nil, fmt.Errorf("member list: %w", weave.OrDamage(err, "it ends too early"))
		}
	}
	return p, nil
}
