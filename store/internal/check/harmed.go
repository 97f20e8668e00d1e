package check

import (
	"cmp"
	"context"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
)

// maxHarmed is how many members a Damage names.
const maxHarmed = 1000

// nameHarmed adds to the damages the capture and the members that harms are
// about.
func (v *verifier) nameHarmed(ctx context.Context, c *ledger.Capture, vol *format.Volume, harms []harm, damages map[badPlace]*Damage) error {
	if len(harms) == 0 {
		return nil
	}
	whole := false
	for _, h := range harms {
		for _, cause := range v.causesOf(h.place) {
			d := damages[cause]
			if !slices.Contains(d.Captures, c.ID) {
				d.Captures = append(d.Captures, c.ID)
			}
			if h.whole {
				whole = true
				d.add(Harmed{Capture: c.ID, Volume: vol.Name})
			}
		}
	}
	if whole {
		return nil // the member list may be unreadable, and no member can be had
	}
	slices.SortFunc(harms, func(a, b harm) int { return cmp.Compare(a.span.First, b.span.First) })
	for l, err := range v.r.reader.Listing(ctx, &ledger.Volume{Volume: vol, Of: c}) {
		if err != nil {
			if vault.IsDamage(err) {
				return nil
			}
			return err
		}
		// Spans and members both come in the order of the stream.
		for len(harms) > 0 && harms[0].span.First+harms[0].span.Count <= l.Chunk {
			harms = harms[1:]
		}
		if l.Member == nil {
			continue
		}
		for i := 0; i < len(harms) && harms[i].span.First < l.Chunk+l.Chunks; i++ {
			for _, cause := range v.causesOf(harms[i].place) {
				damages[cause].add(Harmed{c.ID, vol.Name, l.Member.Path})
			}
		}
	}
	return nil
}

// add names a member, once.
func (d *Damage) add(h Harmed) {
	if d.last == h {
		return
	}
	d.last = h
	if len(d.Members) >= maxHarmed {
		d.More++
		return
	}
	d.Members = append(d.Members, h)
}
