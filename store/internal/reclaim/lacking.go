package reclaim

import (
	"fmt"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// lacks tells whether a slab is gone that a capture needs.
func (v *survey) lacks(id format.SlabID) bool {
	s := v.absent[id]
	return s != nil && (v.named(s) || s.frames != nil && v.needed.any(s.first, s.first+s.chunks))
}

// noteLacking tells of slabs that are gone and that captures need, but for one that noteBlindness tells of.
func (v *survey) noteLacking() []string {
	var gone []string
	for id := range v.absent {
		if v.lacks(id) && (v.blind == nil || v.blind.id != id) {
			gone = append(gone, names.Slab(id))
		}
	}
	if len(gone) == 0 {
		return nil
	}
	slices.Sort(gone)
	return []string{fmt.Sprintf("%s is gone, which captures need: verifying tells what is lost with it", names.Shortened(gone, names.Most))}
}
