package check

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// orderKey is by what orders are known to be equal, and of equal lists.
type orderKey struct {
	listKey
	order crypt.Digest
}

// checkOrder holds the order of a volume against its member list. Nothing but speed is lost with it.
func (v *verifier) checkOrder(ctx context.Context, c *ledger.Capture, vol *format.Volume) error {
	if !v.o.Full || vol.Order == nil {
		return nil
	}
	key := orderKey{keyOfList(vol), vol.Order.Digest}
	if v.orders[key] {
		return nil
	}
	err := v.r.compareOrder(ctx, &ledger.Volume{Volume: vol})
	switch {
	case err == nil:
		v.orders[key] = true
	case v.isOfSlab(err): // named where the bad place is
	case vault.IsDamage(err):
		v.WrongOrders[weave.RecipeKey(vol.Order)] = true
		err = fmt.Errorf("order of the members of volume %q: %w; no capture is harmed, and repairing leaves it out", vol.Name, err)
		v.report.Damage = append(v.report.Damage, newDamage(names.Capture(c.ID, 0), err))
	default:
		return err
	}
	return nil
}

// compareOrder reads an order and a member list, each to its end.
func (r *Verifier) compareOrder(ctx context.Context, v *ledger.Volume) error {
	spans, err := r.orderSpans(ctx, v.Order)
	if err != nil {
		return err
	}
	w := &orderWalk{spans: spans, byPlace: make([]int, len(spans)), passed: make(map[string]bool)}
	for i := range spans {
		w.byPlace[i] = i
	}
	slices.SortFunc(w.byPlace, func(a, b int) int { return cmp.Compare(spans[a].Begin.List, spans[b].Begin.List) })
	for l, err := range r.reader.Listing(ctx, v) {
		if err == nil {
			err = w.entry(l)
		}
		if err != nil {
			return err
		}
	}
	if len(w.byPlace) > 0 || w.left > 0 || len(w.passed) > 0 {
		return fmt.Errorf("%w: it has not the members that the list has", format.ErrDamaged)
	}
	return nil
}

// orderSpans gives the spans of an order.
func (r *Verifier) orderSpans(ctx context.Context, order *format.Recipe) (spans []weave.OrderSpan, err error) {
	nodes, err := r.orderNodes(ctx, order)
	if err != nil {
		return nil, err
	}
	read := 0 // each node once: what is below one that is named twice does not ascend
	t := weave.OrderTree{Root: uint64(len(nodes)) - 1, Node: func(_ context.Context, n uint64) (*format.OrderNode, error) {
		read++
		return format.DecodeOrderNode(nodes[n])
	}}
	for s, err := range t.From(ctx, "") {
		if err != nil {
			return nil, err
		}
		if n := len(spans); n > 0 && format.ComparePaths(spans[n-1].Path, s.Path) >= 0 {
			return nil, fmt.Errorf("%w: its paths do not ascend", format.ErrDamaged)
		}
		spans = append(spans, s)
	}
	if read != len(nodes) {
		return nil, fmt.Errorf("%w: it has nodes that none names", format.ErrDamaged)
	}
	return spans, nil
}

// orderNodes gives the nodes of an order, encoded.
func (r *Verifier) orderNodes(ctx context.Context, order *format.Recipe) (nodes [][]byte, err error) {
	if order.Bytes > format.MaxOrder || order.Chunks > order.Bytes || order.Chunks == 0 {
		return nil, fmt.Errorf("%w: it has %d nodes of %d bytes", format.ErrDamaged, order.Chunks, order.Bytes)
	}
	stream := r.slabs.Stream(ctx, order)
	defer stream.Close()
	for {
		c, err := stream.Next()
		if err == io.EOF {
			return nodes, nil
		}
		if err != nil {
			return nil, err
		}
		nodes = append(nodes, slices.Clone(c.Data))
	}
}

// orderWalk goes through a member list beside its order.
type orderWalk struct {
	spans   []weave.OrderSpan
	byPlace []int // of the spans that are still to come

	at     weave.Extent // of the next entry
	span   int          // of the last one
	left   int          // members of it
	last   string
	passed map[string]bool // paths that no span has, and that must come again
}

func (w *orderWalk) entry(l *weave.Listed) error {
	at := w.at
	w.at = at.Plus(l.Extent())
	if w.left == 0 && len(w.byPlace) > 0 && w.spans[w.byPlace[0]].Begin.List == at.List {
		w.span, w.byPlace = w.byPlace[0], w.byPlace[1:]
		s := &w.spans[w.span]
		if s.Begin != at || s.Padding != l.Skip {
			return w.unlike("stands elsewhere")
		}
		w.left = s.Members
	} else if w.left == 0 {
		if l.Member != nil {
			w.passed[weave.OrderPath(weave.CleanPath(l.Member.Path))] = true
		}
		return nil
	}
	if l.Member == nil || l.Global {
		return w.unlike("is no member that stands for itself")
	}
	return w.member(weave.OrderPath(weave.CleanPath(l.Member.Path)))
}

// member takes the next member of a span.
func (w *orderWalk) member(path string) error {
	s := &w.spans[w.span]
	switch {
	case w.left == s.Members && path != s.Path, w.left < s.Members && format.ComparePaths(w.last, path) >= 0:
		return w.unlike("has another path")
	case w.span+1 < len(w.spans) && format.ComparePaths(path, w.spans[w.span+1].Path) >= 0:
		return w.unlike("stands before what comes before it")
	}
	w.last = path
	delete(w.passed, path)
	if w.left--; w.left == 0 && w.at != s.Begin.Plus(s.Length) {
		return w.unlike("ends elsewhere")
	}
	return nil
}

func (w *orderWalk) unlike(what string) error {
	return fmt.Errorf("%w: what it has at %q %s", format.ErrDamaged, w.spans[w.span].Path, what)
}
