package reclaim

import (
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
)

// standOn has the chunks of a frame that come next stand on what they stood on, as far as that stays or was moved before.
func (m *mover) standOn(f *format.Frame) error {
	t := &footing{mover: m, seen: make(map[*format.Frame]bool)}
	t.add(f)
	return m.w.Intake.StandOn(t.on)
}

// footing is what a frame stood on. In the place of what goes comes what was moved that stood on it, and what that stood on.
type footing struct {
	*mover
	on   []intake.Stood
	seen map[*format.Frame]bool
}

// mostFooting bounds how many chunks are told: no frame that kist makes stands on as many.
const mostFooting = format.MaxFrameChunks

// add adds what a frame stood on. What lies further below comes last: no more of all is read than some frames.
func (t *footing) add(f *format.Frame) {
	var lower []*format.Frame
	for _, b := range f.Bases {
		s := t.v.stock[b.Slab]
		for n := b.First; s != nil && n < b.First+b.Count && int(n) < s.chunks && len(t.on) < mostFooting; n++ {
			if is, ok := t.foundBy(s, n); ok {
				t.on = append(t.on, is)
				continue
			}
			for _, b := range t.instead[s.first+int(n)] {
				t.on = append(t.on, intake.Stood{ID: t.ids[b.slab.id][b.n]})
			}
			if below := &s.frames[s.frameOf(int(n))]; below.Depth < f.Depth && !t.seen[below] {
				t.seen[below] = true
				lower = append(lower, below)
			}
		}
	}
	for _, below := range lower {
		t.add(below)
	}
}

// foundBy tells of a chunk what it can be found by, if it stays or was moved.
func (m *mover) foundBy(s *stocked, n uint32) (is intake.Stood, ok bool) {
	if !m.left[s.id] {
		return intake.Stood{Slab: s.id, Chunk: n}, true
	}
	if ids := m.ids[s.id]; ids != nil {
		is.ID = ids[n]
	}
	return is, is.ID != crypt.Identity{}
}

// mostInstead is how many chunks are noted that stood on one which goes.
const mostInstead = 3

// moved notes that a chunk was moved, which is there in the place of what it stood on and what goes.
func (m *mover) moved(s *stocked, frame, chunk int) {
	f := &s.frames[frame]
	is := base{s, s.begins[frame] + chunk}
	eachBase(f.Bases, chunk, len(f.Chunks), func(slab format.SlabID, n int) {
		below := m.v.stock[slab]
		if below == nil || n >= below.chunks {
			return
		}
		if _, ok := m.foundBy(below, uint32(n)); ok {
			return
		}
		if at := below.first + n; len(m.instead[at]) < mostInstead {
			m.instead[at] = append(m.instead[at], is)
		}
	})
}
