package intake

import (
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
)

// mostStanding bounds how many frames stand on a group of chunks, over all captures: they are harmed with it. A chunk that has
// so many is no base any more; what is like it is stored as it is, and is the base of what comes. Measured in bench/RESULTS.md.
const mostStanding = 128

// groupOf is of how many chunks, numbered through a slab, it is counted together what stands on them: about a frame.
const groupOf = 16

// notedStanding is how many frames stand at the least on a group of chunks that is noted.
const notedStanding = mostStanding / 8

// Crowds counts the frames that stand on others, by any way: by groups of chunks. It is not safe for concurrent use.
type Crowds struct {
	counted tally
	noted   tally // see Recall
}

// Count adds a frame that stands on some groups. It takes a time that grows as the number of spans does, however long these are.
func (c *Crowds) Count(on Groups) {
	for _, s := range on {
		c.counted.add(s, 1)
	}
}

// Noted gives the groups of some slabs on which many frames stand, for Recall.
func (c *Crowds) Noted(slabs map[format.SlabID]bool) (all []format.CrowdRecord) {
	for slab := range c.counted {
		if !slabs[slab] {
			continue
		}
		steps := c.counted.steps(slab)
		for i, s := range steps {
			if s.frames < notedStanding {
				continue // as the last one is
			}
			for group := s.group; group < steps[i+1].group; group++ {
				all = append(all, format.CrowdRecord{Slab: slab, Group: group, Frames: s.frames})
			}
		}
	}
	return all
}

// Recall has frames counted that were noted, until Add adds them: some of them may be counted twice.
func (c *Crowds) Recall(noted []format.CrowdRecord) {
	c.noted = nil
	for _, n := range noted {
		c.noted.add(groupSpan{n.Slab, n.Group, n.Group + 1}, min(n.Frames, mostStanding))
	}
}

// Add adds what others count, of other frames, and so all that there are.
func (c *Crowds) Add(others *Crowds) {
	c.noted = nil
	for slab := range others.counted {
		steps := others.counted.steps(slab)
		for i, s := range steps[:len(steps)-1] {
			c.counted.add(groupSpan{slab, s.group, steps[i+1].group}, s.frames)
		}
	}
}

// On tells how many frames stand on the chunks of a base, or those that most do.
func (c *Crowds) On(b format.Base) uint32 { return c.most(spanOf(b)) }

// most is On for groups.
func (c *Crowds) most(s groupSpan) uint32 {
	most := c.at(s.slab, s.from)
	for _, t := range []*tally{&c.counted, &c.noted} {
		for _, step := range t.within(s) {
			most = max(most, c.at(s.slab, step.group))
		}
	}
	return most
}

func (c *Crowds) at(slab format.SlabID, group uint32) uint32 {
	return c.counted.at(slab, group) + c.noted.at(slab, group)
}

// full tells whether so many frames stand on some groups that no further one is to.
func (c *Crowds) full(s groupSpan) bool { return c.most(s) >= mostStanding }

// crowded tells whether so many frames stand on a base, or on what that stands on, that no further one is to.
func (a *assembler) crowded(b basis) bool {
	if b.frame >= 0 {
		return a.standing[b.frame] >= mostStanding
	}
	return slices.ContainsFunc(b.lies(), a.in.cfg.Crowds.full)
}

// stand notes that a further frame stands on a base.
func (a *assembler) stand(b *basis) {
	if b.frame >= 0 {
		a.standing[b.frame]++
		return
	}
	a.in.cfg.Crowds.Count(b.lies())
}

// lies gives where a base of before lies, and what it stands on.
func (b *basis) lies() Groups {
	return GroupsOf(append(slices.Clone(b.below), format.Base{Slab: b.slab, First: b.n, Count: 1}))
}
