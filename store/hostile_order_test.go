package store_test

import (
	"context"
	"io"
	"io/fs"
	"math"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
)

// walkFS reads all that a volume's file system has.
func (h *hostileReader) walkFS(ctx context.Context, v *store.Volume) error {
	fsys, err := h.r.FS(ctx, v)
	if err != nil {
		return err
	}
	return fs.WalkDir(fsys, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		fsys.Stat(name) // links may lead anywhere
		if !d.Type().IsRegular() {
			return nil
		}
		file, err := fsys.Open(name)
		if err != nil {
			return err
		}
		defer file.Close()
		buf := make([]byte, 64<<10)
		for range hostileOutput / len(buf) {
			if _, err = file.Read(buf); err != nil {
				break
			}
		}
		if err == io.EOF {
			err = nil
		}
		return err
	})
}

// ordered gives a volume of three members with an order of those nodes; the root is the last.
func (f *forge) ordered(nodes ...*format.OrderNode) {
	v := f.volumeOf(members(f.t, regular("a", 4), regular("b", 0), regular("c", 0)), bean)
	var chunks [][]byte
	for _, n := range nodes {
		chunks = append(chunks, format.EncodeOrderNode(n))
	}
	r := f.recipe(f.slab(chunks...), 0, chunks...)
	v.Order = &r
	f.capture(nil, v)
}

// TestHostileOrders: whatever an order says, the member list is what counts.
func TestHostileOrders(t *testing.T) {
	span := func(path string, members uint32, list uint64, gap int64) format.OrderSpan {
		return format.OrderSpan{Path: []byte(path), Members: members, List: list, ListGap: gap}
	}
	leaf := func(spans ...format.OrderSpan) *format.OrderNode { return &format.OrderNode{Spans: spans} }
	inner := func(level uint32, below ...format.OrderBelow) *format.OrderNode {
		return &format.OrderNode{Level: level, Below: below}
	}
	below := func(path string, back uint32) format.OrderBelow {
		return format.OrderBelow{Path: []byte(path), Back: back}
	}
	deep := []*format.OrderNode{leaf(span("a", 1, 9, 0))}
	for level := range uint32(16) {
		deep = append(deep, inner(level+1, below("a", 1)))
	}
	wide := make([]format.OrderBelow, 4096)
	for i := range wide {
		wide[i] = below("a"+string(rune(0x100+i)), 1)
	}
	cases := map[string]hostile{}
	for name, nodes := range map[string][]*format.OrderNode{
		"no bytes of the list":          {leaf(span("a", 3, 0, 0))},
		"places behind the list":        {leaf(span("a", 3, 300, 1<<40))},
		"places before the list":        {leaf(span("a", 3, 300, -1))},
		"sums that overflow":            {leaf(span("a", 1, 9, math.MaxInt64), span("b", 1, 9, math.MaxInt64), span("c", 1, 9, math.MinInt64))},
		"bytes that are no entries":     {leaf(span("a", 1, 7, 3))},
		"more members than there are":   {leaf(span("a", 4096, 4<<20, 0))},
		"paths that do not ascend":      {leaf(span("b", 1, 9, 0), span("a", 1, 9, 0))},
		"a path twice":                  {leaf(span("a", 1, 9, 0), span("a", 1, 9, 0))},
		"a node that is nowhere":        {inner(1, below("a", 9))},
		"a node below itself":           {inner(1, below("a", 0))},
		"a node of a wrong level":       {inner(1, below("a", 1)), inner(1, below("a", 1))},
		"a node named twice":            {leaf(span("a", 1, 9, 0)), inner(1, below("a", 1), below("b", 1))},
		"sixteen levels of one":         deep,
		"many nodes that are all one":   {leaf(span("a", 1, 9, 0)), inner(1, wide...)},
		"a level beyond all":            {inner(17, below("a", 1))},
		"no spans":                      {leaf()},
		"an empty inner node":           {inner(3)},
		"spans and nodes below at once": {{Level: 1, Spans: leaf(span("a", 1, 9, 0)).Spans, Below: []format.OrderBelow{below("a", 1)}}},
	} {
		cases[name] = hostile{
			make:    func(f *forge) { f.ordered(nodes...); f.tables() },
			works:   []string{"FS", "members", "open member", "restore", "extract", "verify", "usage"},
			refused: []string{bothVerify},
		}
	}
	cases["an order without an end"] = hostile{
		make: func(f *forge) {
			v := f.volumeOf(members(f.t, regular("a", 4)), bean)
			r := endless(f.slab(bean), 0)
			v.Order = &r
			f.capture(nil, v)
			f.tables()
		},
		works: []string{"FS", "members", "restore"},
		bomb:  true,
	}
	cases["an order that is no record"] = hostile{
		make: func(f *forge) {
			v := f.volumeOf(members(f.t, regular("a", 4)), bean)
			r := f.recipe(f.slab(bean, bean), 0, bean, bean)
			v.Order = &r
			f.capture(nil, v)
			f.tables()
		},
		works:   []string{"FS", "members", "restore"},
		refused: []string{bothVerify},
	}
	runHostile(t, cases)
}
