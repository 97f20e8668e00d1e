package reclaim

import (
	"context"
	"errors"
	"fmt"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// ErrUnexplained is returned where more would go than retirements, and what was moved, explain:
// index files may have vanished that no other capture saw.
var ErrUnexplained = errors.New("nothing is removed: more would go than retirements explain")

// unexplainedFloor is how many bytes that nothing explains are never worth a question, as
// long as there is a capture: two slabs, which an interrupted capture leaves any day.
const unexplainedFloor = 2 * format.SlabTarget

// checkExplained refuses to free what nothing explains: all slabs where no capture is
// left, or more than half of what is stored. A slab's going is explained by a capture that
// was retired and is still there, by an index file in whose place another one has come,
// or by an announcement, which passed this check when it was made. Slabs that may be of
// writers at work do not count.
func (v *survey) checkExplained(ctx context.Context, others []lease.Writer) error {
	known := stock.NewExclusion(v.going)
	var stored int64
	odd := make(map[format.SlabID]*stocked)
	for _, s := range v.order {
		stored += s.info.Size
	}
	for _, s := range v.unusedSlabs(v.needed, others) {
		if !known.Last[s.id] && !known.Slabs[s.id] {
			odd[s.id] = s
		}
	}
	if !v.tooMuch(odd, stored) {
		return nil
	}
	if err := v.explain(ctx, odd); err != nil || !v.tooMuch(odd, stored) {
		return err
	}
	slabs, why := names.Count(len(odd), "slab", "slabs"), "needed by no capture"
	if len(v.captures) == 0 {
		why = "no capture is there"
	}
	return fmt.Errorf("%w: %s of %s, of %s stored, would go: %s. If index files (captures/…) are missing, bring them back from a copy; "+
		"if it is what interrupted captures left, or what was given up by repairing, it can be accepted, and is freed then", ErrUnexplained, slabs, names.Count(bytesOf(odd), "byte", "bytes"), names.Count(stored, "byte", "bytes"), why)
}

func (v *survey) tooMuch(odd map[format.SlabID]*stocked, stored int64) bool {
	n := bytesOf(odd)
	if len(v.captures) == 0 {
		return n > 0
	}
	return n > unexplainedFloor && n > stored/2
}

func bytesOf(slabs map[format.SlabID]*stocked) (n int64) {
	for _, s := range slabs {
		n += s.info.Size
	}
	return n
}

// explain takes the slabs out that captures which go, or index files in whose place others
// have come, name.
func (v *survey) explain(ctx context.Context, odd map[format.SlabID]*stocked) error {
	for _, c := range v.captures {
		if !v.expired(c) {
			continue
		}
		if err := v.explainBy(ctx, c, odd); err != nil {
			return err
		}
	}
	for _, info := range v.superseded {
		record, err := v.r.ledger.ReadIndexFile(ctx, info)
		if vault.IsDamage(err) || errors.Is(err, storage.ErrNotFound) {
			continue
		}
		if err != nil {
			return err
		}
		if err := v.explainBy(ctx, &ledger.Capture{IndexFile: record, File: ledger.File{Info: info}}, odd); err != nil {
			return err
		}
	}
	return nil
}

func (v *survey) explainBy(ctx context.Context, c *ledger.Capture, odd map[format.SlabID]*stocked) error {
	for _, recipe := range weave.Recipes(c) {
		for level := range recipe.Level + 1 {
			outer := format.Recipe{Level: level, Runs: recipe.Runs}
			for run, err := range v.r.slabs.Runs(ctx, &outer) {
				if vault.IsDamage(err) {
					break // the slabs that hold the list may be gone already
				}
				if err != nil {
					return err
				}
				v.explained(odd, run.Slab)
			}
		}
	}
	return nil
}

// explained takes a slab out, and what it stands on.
func (v *survey) explained(odd map[format.SlabID]*stocked, id format.SlabID) {
	s := odd[id]
	if s == nil {
		return
	}
	delete(odd, id)
	for _, base := range s.below {
		v.explained(odd, base.id)
	}
}
