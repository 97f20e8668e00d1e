package reclaim

import (
	"fmt"
	"slices"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// TestFooting: what is moved is to stand on what it stood on, as far as that stays or was moved before it, and else on what that
// stood on.
func TestFooting(t *testing.T) {
	wide := standing(1, format.Base{Slab: format.SlabID{1}, First: 0, Count: 1 << 20})
	for name, c := range map[string]struct {
		slabs  [][]format.Frame
		absent []byte
		left   []byte
		moved  []place
		want   string
	}{
		"what stays":                {slabs: [][]format.Frame{{plain(), plain()}, {standing(1, on(1, 1), on(1, 0))}}, left: []byte{2}, want: "1:1 1:0"},
		"what was moved":            {slabs: [][]format.Frame{{plain(), plain()}, {standing(1, on(1, 1), on(1, 0))}}, left: []byte{1, 2}, moved: []place{{1, 1}}, want: "moved"},
		"below what goes":           {slabs: [][]format.Frame{{plain()}, {standing(1, on(1, 0))}, {standing(2, on(2, 0))}}, left: []byte{2, 3}, want: "1:0"},
		"each once":                 {slabs: [][]format.Frame{{plain()}, {of(2, standing(1, on(1, 0)))}, {standing(2, on(2, 0), on(2, 1))}}, left: []byte{2, 3}, want: "1:0"},
		"nothing is below":          {slabs: [][]format.Frame{{plain()}, {standing(1, on(1, 0))}}, left: []byte{1, 2}},
		"its base is absent":        {slabs: [][]format.Frame{{plain()}, {plain()}, {standing(1, on(1, 0), on(2, 0))}}, absent: []byte{1}, left: []byte{3}, want: "2:0"},
		"beyond a slab's end":       {slabs: [][]format.Frame{{plain(), plain()}, {wide}}, left: []byte{2}, want: "1:0 1:1"},
		"what is as deep":           {slabs: [][]format.Frame{{plain()}, {standing(1, on(1, 0))}, {standing(1, on(2, 0))}}, left: []byte{2, 3}},
		"in a circle":               {slabs: [][]format.Frame{{standing(1, on(2, 0))}, {standing(1, on(1, 0))}}, left: []byte{1, 2}},
		"one that stands on itself": {slabs: [][]format.Frame{{standing(2, on(1, 0))}}, left: []byte{1}},
	} {
		v := surveyed(c.slabs, c.absent...)
		m := &mover{v: v, left: make(map[format.SlabID]bool), ids: make(map[format.SlabID][]crypt.Identity)}
		for _, n := range c.left {
			s := v.slab(n)
			m.left[s.id], m.ids[s.id] = true, make([]crypt.Identity, s.chunks)
		}
		for _, p := range c.moved {
			m.ids[v.slab(p.slab).id][p.chunk] = crypt.Identity{1}
		}
		f := &footing{mover: m, seen: make(map[*format.Frame]bool)}
		f.add(&v.slab(byte(len(c.slabs))).frames[0])
		var got []string
		for _, s := range f.on {
			if s.ID != (crypt.Identity{}) {
				got = append(got, "moved")
				continue
			}
			got = append(got, fmt.Sprintf("%d:%d", s.Slab[0], s.Chunk))
		}
		if text := fmt.Sprint(got); text != "["+c.want+"]" {
			t.Errorf("%s: %s, not [%s]", name, text, c.want)
		}
	}
}

// of gives a frame with so many chunks.
func of(chunks int, f format.Frame) format.Frame {
	f.Chunks = slices.Repeat(f.Chunks, chunks)
	return f
}

// TestFootingIsBounded: of the chunks that a forged table names as bases so many are told.
func TestFootingIsBounded(t *testing.T) {
	v := surveyed([][]format.Frame{{of(mostFooting+1, plain())}, {standing(1, format.Base{Slab: format.SlabID{1}, Count: 1 << 20})}})
	f := &footing{mover: &mover{v: v}, seen: make(map[*format.Frame]bool)}
	if f.add(&v.slab(2).frames[0]); len(f.on) != mostFooting {
		t.Errorf("%d chunks are told, not %d", len(f.on), mostFooting)
	}
}

// TestInstead: in the place of what goes, and before what that stood on, comes what was moved that stood on it, by the order of both.
func TestInstead(t *testing.T) {
	top := of(2, standing(2, on(2, 0), on(2, 1), on(1, 1)))
	v := surveyed([][]format.Frame{{plain(), plain()}, {standing(1, on(1, 0)), standing(1, on(1, 1))}, {top, top, top, top, top}})
	m := &mover{
		v: v, left: map[format.SlabID]bool{{2}: true, {3}: true}, instead: make(map[int][]base),
		ids: map[format.SlabID][]crypt.Identity{{2}: make([]crypt.Identity, 2), {3}: make([]crypt.Identity, 10)},
	}
	s := v.slab(3)
	for n := range byte(10) {
		m.ids[s.id][n] = crypt.Identity{n + 1}
	}
	m.moved(s, 0, 0) // on 2:0
	for frame := range mostInstead + 1 {
		m.moved(s, frame, 1) // on 2:1 and what stays
	}
	next := &footing{mover: m, seen: make(map[*format.Frame]bool)}
	next.add(&s.frames[4])
	var got []string
	for _, s := range next.on {
		got = append(got, fmt.Sprintf("%d:%d/%d", s.Slab[0], s.Chunk, s.ID[0]))
	}
	want := []string{"0:0/1", "0:0/2", "0:0/4", "0:0/6", "1:1/0", "1:0/0", "1:1/0"}
	if !slices.Equal(got, want) {
		t.Errorf("the next one is to stand on %v, not %v", got, want)
	}
}

// TestInsteadOfNothing: a base that a forged table names where its slab has none, or in a slab that is not there, has nothing in its place, nor has one
// that stays.
func TestInsteadOfNothing(t *testing.T) {
	v := surveyed([][]format.Frame{{plain()}, {plain()}, {standing(1, on(1, 1)), standing(1, on(9, 0)), standing(1, on(2, 0))}})
	m := &mover{v: v, left: make(map[format.SlabID]bool), ids: make(map[format.SlabID][]crypt.Identity), instead: make(map[int][]base)}
	for _, s := range v.order {
		m.left[s.id], m.ids[s.id] = s != v.slab(2), make([]crypt.Identity, s.chunks)
	}
	for frame := range v.slab(3).frames {
		m.moved(v.slab(3), frame, 0)
	}
	if len(m.instead) > 0 {
		t.Errorf("in the place of %v", m.instead)
	}
}
