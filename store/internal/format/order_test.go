package format

import (
	"bytes"
	"errors"
	"math"
	"reflect"
	"slices"
	"testing"
)

// goodNodes gives a leaf and an inner node.
func goodNodes() (leaf, inner *OrderNode) {
	return &OrderNode{Spans: []OrderSpan{
			{Path: []byte{}, Members: 3, List: 300, Stamps: 40, ListGap: math.MinInt64, StampsGap: math.MaxInt64},
			{Path: []byte("bed"), Members: MaxOrderMembers, List: MaxOrderSpan, Stamps: MaxOrderSpan, Chunks: math.MaxUint64, Padding: 511, ChunksGap: -1},
		}}, &OrderNode{Level: MaxOrderLevel, Below: []OrderBelow{
			{Path: []byte{}, Back: 1, List: -1}, {Path: []byte("bed/a"), Back: 9}, {Path: []byte("bed-"), Back: 1 << 30, Chunks: 4},
		}}
}

// TestOrderNode: what is encoded decodes, and what breaks a rule of the page (FORMAT.md, section 9) does not.
func TestOrderNode(t *testing.T) {
	leaf, inner := goodNodes()
	for _, n := range []*OrderNode{leaf, inner} {
		got, err := DecodeOrderNode(EncodeOrderNode(n))
		if err != nil || !reflect.DeepEqual(got, n) {
			t.Errorf("%+v becomes %+v, %v", n, got, err)
		}
	}
	for name, spoil := range map[string]func(leaf, inner *OrderNode){
		"no spans":              func(l, _ *OrderNode) { l.Spans = nil },
		"no nodes":              func(_, i *OrderNode) { i.Below = nil },
		"both":                  func(l, i *OrderNode) { i.Spans = l.Spans },
		"a leaf of a level":     func(l, _ *OrderNode) { l.Level = 1 },
		"an inner node of none": func(_, i *OrderNode) { i.Level = 0 },
		"too high":              func(_, i *OrderNode) { i.Level++ },
		"no members":            func(l, _ *OrderNode) { l.Spans[0].Members = 0 },
		"too many members":      func(l, _ *OrderNode) { l.Spans[1].Members++ },
		"too long in the list":  func(l, _ *OrderNode) { l.Spans[1].List++ },
		"too long of stamps":    func(l, _ *OrderNode) { l.Spans[1].Stamps++ },
		"too much padding":      func(l, _ *OrderNode) { l.Spans[1].Padding++ },
		"equal paths":           func(l, _ *OrderNode) { l.Spans[1].Path = l.Spans[0].Path },
		"paths out of order":    func(_, i *OrderNode) { i.Below[1], i.Below[2] = i.Below[2], i.Below[1] },
		"below itself":          func(_, i *OrderNode) { i.Below[1].Back = 0 },
		"a path of none":        func(l, _ *OrderNode) { l.Spans[0].Path = nil },
		"a node of no path":     func(_, i *OrderNode) { i.Below[0].Path = nil },
		"too many spans": func(l, _ *OrderNode) {
			for n := range MaxOrderItems {
				l.Spans = append(l.Spans, OrderSpan{Path: []byte{'c', byte(n >> 8), byte(n)}, Members: 1})
			}
		},
	} {
		leaf, inner := goodNodes()
		spoil(leaf, inner)
		_, err1 := DecodeOrderNode(EncodeOrderNode(leaf))
		_, err2 := DecodeOrderNode(EncodeOrderNode(inner))
		if err := errors.Join(err1, err2); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func FuzzOrderNode(f *testing.F) {
	leaf, inner := goodNodes()
	for _, n := range []*OrderNode{leaf, inner} {
		b := EncodeOrderNode(n)
		f.Add(b)
		f.Add(b[:len(b)-1])
		f.Add(append(b, 0))
	}
	f.Add([]byte{0xa1, 0x01, 0x00})
	f.Add([]byte{0xa2, 0x01, 0x00, 0x20, 0x00})
	f.Add(bytes.Repeat([]byte{0x81}, 40))
	f.Fuzz(func(t *testing.T, b []byte) {
		n, err := DecodeOrderNode(b)
		if err != nil {
			if !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrUnknownPart) {
				t.Fatal(err)
			}
			return
		}
		again, err := DecodeOrderNode(EncodeOrderNode(n))
		if err != nil || !reflect.DeepEqual(again, n) {
			t.Fatalf("%+v, and again %+v (%v)", n, again, err)
		}
	})
}

// TestComparePaths has paths in the order of a walk: a folder comes before what it
// holds, and that before names that only begin like it.
func TestComparePaths(t *testing.T) {
	ordered := []string{
		"", "./", "./A", "./a", "./a/", "./a/b/", "./a/b/c", "./a/b!", "./a/b.c", "./a/c", "./a!", "./a!/", "./a!/x",
		"./a-", "./a.b", "./a0", "./aa", "./b", "./\xff",
	}
	for i, a := range ordered {
		for j, b := range ordered {
			want := 0
			if i < j {
				want = -1
			} else if i > j {
				want = 1
			}
			if got := ComparePaths(a, b); got != want {
				t.Errorf("%q, %q: %d", a, b, got)
			}
		}
	}
	shuffled := slices.Clone(ordered)
	slices.Reverse(shuffled)
	if slices.SortFunc(shuffled, ComparePaths); !slices.Equal(shuffled, ordered) {
		t.Errorf("sorted: %q", shuffled)
	}
}
