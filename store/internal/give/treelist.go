package give

import (
	"context"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/weave"
)

// mostListed is how many members are kept as they are where there is no order.
const mostListed = 4096

// readList reads all of the member list. Of few members all is kept, of many an order, which takes some
// 30 bytes a member beside its path while it is made. Behind a pax global header no member stands for
// itself, so all are kept.
func (t *tree) readList() (finder, error) {
	in, err := t.readListAs(false)
	if err == nil && in == nil {
		return t.readListAs(true)
	}
	return in, err
}

// readListAs is readList; it gives nil where all members must be kept, and that is not asked for.
func (t *tree) readListAs(all bool) (finder, error) {
	var nodes [][]byte
	order := weave.NewOrderWriter(false, 0, func(node []byte) error {
		nodes = append(nodes, node)
		return nil
	})
	var members inMemory
	next := uint64(0)
	for l, err := range t.r.reader.Listing(t.ctx, t.v) {
		if err != nil {
			return nil, err
		}
		at := next
		next += l.ListLength
		if l.Member == nil {
			order.Pass(l.Extent())
			continue
		}
		if l.Global && !all {
			return nil, nil
		}
		if all || len(members) <= mostListed {
			members = append(members, newTreeMember(l, at))
		}
		if err := order.Add(weave.CleanPath(l.Member.Path), l.Skip, l.Extent()); err != nil {
			return nil, err
		}
	}
	if all || len(members) <= mostListed {
		return members.sorted(), nil
	}
	if ok, err := order.Finish(); err != nil || !ok {
		return nil, err
	}
	return t.newInOrder(nodesInMemory(nodes))
}

// sorted gives the members in the order of paths; of several with one path the last.
func (all inMemory) sorted() inMemory {
	slices.SortStableFunc(all, func(a, b *treeMember) int { return format.ComparePaths(a.path, b.path) })
	out := all[:0]
	for i, m := range all {
		if i+1 == len(all) || all[i+1].path != m.path {
			out = append(out, m)
		}
	}
	return slices.Clip(out)
}

// nodesInMemory gives an order of encoded nodes.
func nodesInMemory(nodes [][]byte) weave.OrderTree {
	return weave.OrderTree{Root: uint64(len(nodes)) - 1, Node: func(_ context.Context, n uint64) (*format.OrderNode, error) {
		if n >= uint64(len(nodes)) {
			return nil, fmt.Errorf("%w: an order has no node %d", format.ErrDamaged, n)
		}
		return format.DecodeOrderNode(nodes[n])
	}}
}
