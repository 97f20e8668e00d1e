package weave

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/store/internal/format"
)

// madeOrder is an order in memory.
type madeOrder struct {
	nodes [][]byte
	made  bool
}

// orderedMember is a member as it comes to an order; without a path, no member.
type orderedMember struct {
	path    string
	padding int
	takes   Extent
}

func makeOrder(t fatal, sorted bool, most int, members []orderedMember) *madeOrder {
	o := &madeOrder{}
	w := NewOrderWriter(sorted, most, func(node []byte) error {
		o.nodes = append(o.nodes, node)
		return nil
	})
	for _, m := range members {
		if m.path == "" {
			w.Pass(m.takes)
		} else if err := w.Add(m.path, m.padding, m.takes); err != nil {
			t.Fatalf("%v", err)
		}
	}
	var err error
	if o.made, err = w.Finish(); err != nil {
		t.Fatalf("%v", err)
	}
	return o
}

func (o *madeOrder) tree() *OrderTree {
	return &OrderTree{Root: uint64(len(o.nodes)) - 1, Node: func(_ context.Context, n uint64) (*format.OrderNode, error) {
		return format.DecodeOrderNode(o.nodes[n])
	}}
}

// plantPaths gives so many members in the order of their paths.
func plantPaths(n int) []orderedMember {
	all := []orderedMember{{path: ".", takes: Extent{100, 20, 0}}}
	for i := range n {
		if i%100 == 0 {
			all = append(all, orderedMember{path: fmt.Sprintf("bed-%05d", i/100), takes: Extent{100, 20, 0}})
		}
		all = append(all, orderedMember{path: fmt.Sprintf("bed-%05d/plant-%02d", i/100, i%100), padding: i % 512, takes: Extent{110, 20, uint64(i % 3)}})
	}
	return all
}

// TestOrderWriter finds every member at its place by an order, however the members come.
func TestOrderWriter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(orderLeast, 3000).Draw(t, "members")
		sorted := rapid.Bool().Draw(t, "sorted")
		in := plantPaths(n)
		if !sorted {
			in = shuffledMembers(t, in)
		}
		o := makeOrder(t, sorted, 0, in)
		if !o.made {
			t.Fatalf("there is no order")
		}
		checkOrderOf(t, o, in)
	})
}

// shuffledMembers mixes members, some of them twice, with what is none between them.
func shuffledMembers(t *rapid.T, in []orderedMember) []orderedMember {
	out := rapid.Permutation(in).Draw(t, "order")
	for range rapid.IntRange(0, 20).Draw(t, "more") {
		at := rapid.IntRange(0, len(out)-1).Draw(t, "at")
		again := orderedMember{takes: Extent{7, 3, 1}}
		if rapid.Bool().Draw(t, "twice") {
			again.path = out[at].path
		}
		out = slices.Insert(out, rapid.IntRange(0, len(out)).Draw(t, "to"), again)
	}
	return out
}

// fatal is a testing.T, or one of rapid.
type fatal interface {
	Fatalf(format string, args ...any)
	Context() context.Context
}

// checkOrderOf holds the spans of an order against the members: the last one of each path.
func checkOrderOf(t fatal, o *madeOrder, in []orderedMember) {
	type placed struct {
		orderedMember
		begin Extent
	}
	var at Extent
	byPlace, last := make(map[Extent]int), make(map[string]int)
	all := make([]placed, len(in))
	for i, m := range in {
		all[i] = placed{m, at}
		byPlace[at] = i
		at = at.Plus(m.takes)
		if m.path != "" {
			last[OrderPath(m.path)] = i
		}
	}
	before, begun := "", false
	for s, err := range o.tree().From(t.Context(), "") {
		if err != nil {
			t.Fatalf("%v", err)
		}
		i, ok := byPlace[s.Begin]
		if !ok || s.Padding != all[i].padding {
			t.Fatalf("a span begins where no member does: %+v", s)
		}
		var length Extent
		for n := range s.Members {
			m := all[i+n]
			path := OrderPath(m.path)
			if m.path == "" || last[path] != i+n || begun && format.ComparePaths(before, path) >= 0 || n == 0 && path != s.Path {
				t.Fatalf("%q does not belong into %+v", m.path, s)
			}
			delete(last, path)
			before, begun, length = path, true, length.Plus(m.takes)
		}
		if length != s.Length {
			t.Fatalf("%+v, not of %+v", s, length)
		}
	}
	if len(last) > 0 {
		t.Fatalf("%d members are in no span", len(last))
	}
}

// TestOrderFrom begins with the span in which a path is, or would be.
func TestOrderFrom(t *testing.T) {
	in := plantPaths(20_000)
	tree := makeOrder(t, true, 0, in).tree()
	for i := 0; i < len(in); i += 37 {
		path := OrderPath(in[i].path)
		for _, ask := range []string{path, path + "\x00"} {
			spans := 0
			for s, err := range tree.From(t.Context(), ask) {
				if err != nil {
					t.Fatal(err)
				}
				if spans == 0 && format.ComparePaths(s.Path, ask) > 0 {
					t.Fatalf("%q: the first span begins behind it, with %q", ask, s.Path)
				}
				if spans == 1 && format.ComparePaths(s.Path, ask) <= 0 {
					t.Fatalf("%q: the second span begins before it, with %q", ask, s.Path)
				}
				if spans++; spans == 2 {
					break
				}
			}
			if spans == 0 {
				t.Fatalf("%q: no span", ask)
			}
		}
	}
}

// TestOrderOfChanges: one member more, or a longer one, gives few nodes that were not there.
func TestOrderOfChanges(t *testing.T) {
	in := plantPaths(100_000)
	old := makeOrder(t, true, 0, in)
	there := make(map[string]bool)
	for _, n := range old.nodes {
		there[string(n)] = true
	}
	for name, change := range map[string]func([]orderedMember) []orderedMember{
		"none": func(m []orderedMember) []orderedMember { return m },
		"one more": func(m []orderedMember) []orderedMember {
			return slices.Insert(m, 2, orderedMember{path: "bed-00000/new", takes: Extent{90, 20, 1}})
		},
		"one less": func(m []orderedMember) []orderedMember { return slices.Delete(m, 50_000, 50_001) },
		"longer":   func(m []orderedMember) []orderedMember { m[70_000].takes.List += 3; return m },
	} {
		now := makeOrder(t, true, 0, change(slices.Clone(in)))
		more, bytes := 0, 0
		for _, n := range now.nodes {
			if !there[string(n)] {
				more++
				bytes += len(n)
			}
		}
		if most := 8; name == "none" && more > 0 || more > most || len(now.nodes) < 40 {
			t.Errorf("%s: %d of %d nodes are new, of %d bytes", name, more, len(now.nodes), bytes)
		}
	}
}

// TestOrderGivesUp: what there is no order of.
func TestOrderGivesUp(t *testing.T) {
	many := plantPaths(500)
	long := orderedMember{path: string(make([]byte, orderPath+1)), takes: Extent{List: 9}}
	for name, c := range map[string]struct {
		in     []orderedMember
		sorted bool
		most   int
		made   bool
	}{
		"many":                   {in: many, made: true},
		"sorted":                 {in: many, sorted: true, made: true},
		"few":                    {in: many[:orderLeast-1]},
		"not sorted":             {in: append(slices.Clone(many), many[0]), sorted: true},
		"a long path":            {in: append(slices.Clone(many), long)},
		"a long entry":           {in: append(slices.Clone(many), orderedMember{path: "z", takes: Extent{List: format.MaxOrderSpan + 1}})},
		"more than may be kept":  {in: many, most: 1000},
		"as much as may be kept": {in: many, most: 1 << 20, made: true},
	} {
		if o := makeOrder(t, c.sorted, c.most, c.in); o.made != c.made {
			t.Errorf("%s: made: %v", name, o.made)
		}
	}
}

// TestOrderNodes are no longer than the shortest bound of chunks (package chunk: four times
// the smallest average, 8 KiB).
func TestOrderNodes(t *testing.T) {
	var in []orderedMember
	for i := range 2000 {
		path := fmt.Sprintf("%0*d", 1+i*4%orderPath, i)
		in = append(in, orderedMember{path: path, padding: 511, takes: Extent{1 << 22, 1 << 22, 1 << 40}})
	}
	o := makeOrder(t, false, 0, in)
	checkOrderOf(t, o, in)
	for _, n := range o.nodes {
		if len(n) > 32<<10 {
			t.Errorf("a node of %d bytes", len(n))
		}
	}
}

// BenchmarkOrderWriter makes orders of 100,000 members. It reports nanoseconds a member.
func BenchmarkOrderWriter(b *testing.B) {
	in := plantPaths(100_000)
	for name, sorted := range map[string]bool{"sorted": true, "buffered": false} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				w := NewOrderWriter(sorted, 0, func([]byte) error { return nil })
				for _, m := range in {
					if err := w.Add(CleanPath(m.path), m.padding, m.takes); err != nil {
						b.Fatal(err)
					}
				}
				if ok, err := w.Finish(); !ok || err != nil {
					b.Fatal(ok, err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(in)), "ns/member")
		})
	}
}
