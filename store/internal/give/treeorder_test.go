package give

import (
	"context"
	"errors"
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
)

// TestOrderAscends: members come in the order of paths, also from one span to the next: a member that another span has
// again, or has passed, is damage of the order, in whose place the list serves.
func TestOrderAscends(t *testing.T) {
	node := &format.OrderNode{Spans: []format.OrderSpan{{Path: []byte("a"), Members: 2, List: 18}, {Path: []byte("c"), Members: 1, List: 9}}}
	for _, c := range []struct {
		first []string // members of the first span, of which the order says the first
		from  string
		want  []string
		bad   bool
	}{
		{[]string{"a", "b"}, "", []string{"a", "b", "c"}, false},
		{[]string{"a", "b"}, "b", []string{"b", "c"}, false},
		{[]string{"a", "c"}, "", []string{"a", "c"}, true},
		{[]string{"a", "d"}, "", []string{"a", "d"}, true},
	} {
		f := &inOrder{list: &windows{in: &stretch{ctx: t.Context()}}}
		f.spans.limit = keptMembers
		f.tree.Node = func(context.Context, uint64) (*format.OrderNode, error) { return node, nil }
		at := 0
		for span, err := range f.tree.From(t.Context(), "") {
			if err != nil {
				t.Fatal(err)
			}
			paths := [][]string{c.first, {"c"}}[at]
			at++
			if _, err := f.spans.get(span, func() (all []*treeMember, cost int, err error) {
				for _, path := range paths {
					all = append(all, &treeMember{path: path})
				}
				return all, len(all), nil
			}); err != nil {
				t.Fatal(err)
			}
		}
		var got []string
		var ends error
		for m, err := range f.from(c.from) {
			if ends = err; err != nil {
				break
			}
			got = append(got, m.path)
		}
		var bad *orderError
		if !slices.Equal(got, c.want) || errors.As(ends, &bad) != c.bad || c.bad && !errors.Is(ends, format.ErrDamaged) || !c.bad && ends != nil {
			t.Errorf("%q from %q: %q, %v", c.first, c.from, got, ends)
		}
	}
}

// TestAbsurdOrders: how many nodes and bytes an order may have is looked at before anything of it is read, or held.
func TestAbsurdOrders(t *testing.T) {
	for name, r := range map[string]*format.Recipe{
		"of no nodes":              {Bytes: 9},
		"of more nodes than bytes": {Chunks: 10, Bytes: 9},
		"beyond all bounds":        {Chunks: 1, Bytes: format.MaxOrder + 1},
	} {
		t.Run(name, func(t *testing.T) {
			defer func() {
				if recover() != nil { // there is nothing to read from
					t.Error("it was read")
				}
			}()
			if _, err := (&tree{v: &ledger.Volume{Volume: &format.Volume{Order: r}}, ctx: t.Context()}).openOrder(); !errors.Is(err, format.ErrDamaged) {
				t.Error(err)
			}
		})
	}
}
