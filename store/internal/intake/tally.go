package intake

import (
	"bytes"
	"cmp"
	"slices"
	"sort"

	"github.com/kistarchive/kist/store/internal/format"
)

// Some twenty bytes of a table name a base of any number of chunks. So groups are never gone through one by one: spans are joined
// by their ends, and counts are kept where they change.

// Groups are groups of chunks: spans in order, none of which touches another one of its slab.
type Groups []groupSpan

// groupSpan is of groups that follow each other.
type groupSpan struct {
	slab     format.SlabID
	from, to uint32 // to is behind it
}

func spanOf(b format.Base) groupSpan {
	return groupSpan{b.Slab, b.First / groupOf, (b.First+b.Count-1)/groupOf + 1}
}

// GroupsOf gives the groups that bases lie in.
func GroupsOf(bases []format.Base) Groups {
	all := make(Groups, len(bases))
	for i, b := range bases {
		all[i] = spanOf(b)
	}
	return all.joined()
}

// With gives the groups and others.
func (g Groups) With(others ...Groups) Groups {
	return slices.Concat(append(others, g)...).joined()
}

// joined puts spans in order, and makes one of those that touch.
func (g Groups) joined() Groups {
	slices.SortFunc(g, func(a, b groupSpan) int {
		return cmp.Or(bytes.Compare(a.slab[:], b.slab[:]), cmp.Compare(a.from, b.from))
	})
	all := g[:0]
	for _, s := range g {
		if last := len(all) - 1; last >= 0 && all[last].slab == s.slab && s.from <= all[last].to {
			all[last].to = max(all[last].to, s.to)
		} else {
			all = append(all, s)
		}
	}
	return all
}

// tally counts frames by groups.
type tally map[format.SlabID]*counts

// counts is of one slab.
type counts struct {
	steps []step // in order; before the first nothing is counted, and behind the last neither
	edges []edge // what is to be added to them
}

// step is how many frames there are from a group on.
type step struct{ group, frames uint32 }

// edge is how many more there are from a group on, or fewer.
type edge struct {
	group uint32
	by    int32
}

// fewEdges is how many edges are kept at the least before they are added.
const fewEdges = 16

func (t *tally) add(s groupSpan, frames uint32) {
	if *t == nil {
		*t = make(tally)
	}
	c := (*t)[s.slab]
	if c == nil {
		c = new(counts)
		(*t)[s.slab] = c
	}
	c.edges = append(c.edges, edge{s.from, int32(frames)}, edge{s.to, -int32(frames)})
	if len(c.edges) > fewEdges+2*len(c.steps) { // so that in all it takes no more than sorting all edges once, some times over
		c.fold()
	}
}

// fold makes steps of the edges.
func (c *counts) fold() {
	var frames uint32
	for _, s := range c.steps {
		c.edges = append(c.edges, edge{s.group, int32(s.frames - frames)})
		frames = s.frames
	}
	slices.SortFunc(c.edges, func(a, b edge) int { return cmp.Compare(a.group, b.group) })
	c.steps, frames = c.steps[:0], 0
	for len(c.edges) > 0 {
		group, was := c.edges[0].group, frames
		for len(c.edges) > 0 && c.edges[0].group == group {
			frames += uint32(c.edges[0].by)
			c.edges = c.edges[1:]
		}
		if frames != was {
			c.steps = append(c.steps, step{group, frames})
		}
	}
	c.edges = nil
}

// steps gives where the counts of a slab change.
func (t tally) steps(slab format.SlabID) []step {
	c := t[slab]
	if c == nil {
		return nil
	}
	if len(c.edges) > 0 {
		c.fold()
	}
	return c.steps
}

// at tells how many frames are counted of a group.
func (t tally) at(slab format.SlabID, group uint32) uint32 {
	steps := t.steps(slab)
	if i := behind(steps, group); i > 0 {
		return steps[i-1].frames
	}
	return 0
}

// within gives where counts change in a span, behind its first group.
func (t tally) within(s groupSpan) []step {
	steps := t.steps(s.slab)
	return steps[behind(steps, s.from):behind(steps, s.to-1)]
}

// behind gives the place of the first step behind a group.
func behind(steps []step, group uint32) int {
	return sort.Search(len(steps), func(i int) bool { return steps[i].group > group })
}
