package check

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
)

// noteUnneeded says how many slabs no capture names: what reclaiming frees, or all that is
// left of captures whose index files are gone. Those that are damaged are named by themselves.
func (v *verifier) noteUnneeded() {
	n, bytes := 0, int64(0)
	for _, s := range v.unneeded {
		if len(v.state(s.ID).Bad) == 0 {
			n, bytes = n+1, bytes+s.Size
		}
	}
	if n > 0 {
		v.note("slabs that no capture needs which can be read: %d, of %s together; reclaiming frees them, unless index files are missing", n, names.Size(bytes))
	}
}

// noteBaseless tells of a slab that is gone, and on which nothing stands that captures need: a writer who was taken for dead
// left that, and no writer relies on it.
func (v *verifier) noteBaseless(d *Damage, frames int) {
	v.note("%s is gone, and so %s can't be read; no capture%s needs that, and reclaiming frees it", d.Object, names.Count(frames, "frame that stands on it", "frames that stand on it"), v.lookedAt())
}

// lookedAt is what follows "no capture" where not all were looked at.
func (v *verifier) lookedAt() string {
	if len(v.o.Captures) > 0 {
		return " that was looked at"
	}
	return ""
}

// overcome tells whether a frame that can't be read harms nothing any more: no capture needs it, and a mark keeps writers from
// relying on it, which a repair puts. Without the mark it is damage, as a capture to come might rely on it.
func (v *verifier) overcome(place badPlace, d *Damage) bool {
	if len(d.Captures) > 0 || v.slows[place] || v.Slabs[place.slab].Bad[place.frame] == nil {
		return false
	}
	var frames []uint32
	if place.frame >= 0 {
		frames = []uint32{uint32(place.frame)}
	}
	return v.marked.Covers(place.slab, frames)
}

// noteOvercome says which slabs have frames that were overcome, and when each may go.
func (v *verifier) noteOvercome(overcome map[format.SlabID]bool) {
	needs := "no capture" + v.lookedAt() + " needs what is damaged in it"
	under := v.basesOfWanted()
	for _, id := range slices.SortedFunc(maps.Keys(overcome), func(a, b format.SlabID) int { return slices.Compare(a[:], b[:]) }) {
		if under[id] {
			v.note("%s is damaged, %s, and nothing relies on that any more; slabs that captures need stand on it: reclaiming frees it once these are moved, or no capture needs them", names.Slab(id), needs)
			continue
		}
		when := ""
		if at := v.announced(id); !at.IsZero() {
			when = fmt.Sprintf(" after %s", ledger.UTC(at.Add(v.r.vault.Grace())))
		}
		v.note("%s is damaged, %s, and nothing relies on that any more: reclaiming frees it%s", names.Slab(id), needs, when)
	}
}

// basesOfWanted gives the slabs on which frames stand of others that captures want.
func (v *verifier) basesOfWanted() map[format.SlabID]bool {
	under := make(map[format.SlabID]bool)
	note := func(ids []format.SlabID) {
		for _, id := range ids {
			under[id] = true
		}
	}
	for id, s := range v.Slabs {
		if !s.wanted {
			continue
		}
		note(format.BaseSlabs(id, s.standing))
		if s.record != nil {
			note(s.record.BaseSlabs())
		}
	}
	return under
}

// announced gives when it was first announced that a slab is to go; zero: it was not.
func (v *verifier) announced(id format.SlabID) (first time.Time) {
	for _, b := range v.going.Announced {
		if b.Record == nil || !slices.Contains(b.Record.Slabs, id) {
			continue
		}
		if at := b.At(); first.IsZero() || at.Before(first) {
			first = at
		}
	}
	return first
}
