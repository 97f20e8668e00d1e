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

// Crowds counts the frames that stand on others, by any way: by groups of chunks.
type Crowds struct {
	of    map[crowd]standing
	frame uint32           // at hand
	noted map[crowd]uint32 // see Recall
}

type standing struct {
	frames uint32
	last   uint32 // of them, so that each counts once
}

type crowd struct {
	slab  format.SlabID
	group uint32
}

// Count adds a frame that stands on bases, which themselves may stand on others.
func (c *Crowds) Count(bases []format.Base, below func(format.Base) []format.Base) {
	c.frame++
	for _, b := range bases {
		c.count(b)
		for _, under := range below(b) {
			c.count(under)
		}
	}
}

func (c *Crowds) count(b format.Base) {
	for group := b.First / groupOf; group <= (b.First+b.Count-1)/groupOf; group++ {
		at := crowd{b.Slab, group}
		s := c.of[at]
		if s.last == c.frame {
			continue
		}
		if c.of == nil {
			c.of = make(map[crowd]standing)
		}
		c.of[at] = standing{s.frames + 1, c.frame}
	}
}

// Noted gives the groups of some slabs on which many frames stand, for Recall.
func (c *Crowds) Noted(slabs map[format.SlabID]bool) (all []format.CrowdRecord) {
	for at, n := range c.of {
		if n.frames >= notedStanding && slabs[at.slab] {
			all = append(all, format.CrowdRecord{Slab: at.slab, Group: at.group, Frames: n.frames})
		}
	}
	return all
}

// Recall has frames counted that were noted, until Add adds them: some of them may be counted twice.
func (c *Crowds) Recall(noted []format.CrowdRecord) {
	c.noted = make(map[crowd]uint32, len(noted))
	for _, n := range noted {
		c.noted[crowd{n.Slab, n.Group}] = n.Frames
	}
}

// Add adds what others count, of other frames, and so all that there are.
func (c *Crowds) Add(others *Crowds) {
	c.noted = nil
	if c.of == nil {
		c.of = make(map[crowd]standing, len(others.of))
	}
	for at, n := range others.of {
		s := c.of[at]
		s.frames += n.frames
		c.of[at] = s
	}
}

// On tells how many frames stand on the chunks of a base, or those that most do.
func (c *Crowds) On(b format.Base) (most uint32) {
	for group := b.First / groupOf; group <= (b.First+b.Count-1)/groupOf; group++ {
		at := crowd{b.Slab, group}
		most = max(most, c.of[at].frames+c.noted[at])
	}
	return most
}

// full tells whether so many frames stand on the chunks of a base, or some of them, that no further one is to.
func (c *Crowds) full(b format.Base) bool { return c.On(b) >= mostStanding }

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
	a.in.cfg.Crowds.Count(b.lies(), func(format.Base) []format.Base { return nil })
}

// lies gives where a base of before lies, and what it stands on.
func (b *basis) lies() []format.Base {
	return append(slices.Clone(b.below), format.Base{Slab: b.slab, First: b.n, Count: 1})
}
