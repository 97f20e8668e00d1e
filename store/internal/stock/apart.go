package stock

import (
	"bytes"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/vault"
)

// ApartFor says how captures of a name are taken in.
func (r *Stock) ApartFor(name string) intake.Apart {
	if r.vault.Apart() == vault.Together {
		return intake.Apart{}
	}
	group := r.vault.Keys().Group(name)
	return r.ApartOf(group[:])
}

// ApartOf is apartFor by the group.
func (r *Stock) ApartOf(group []byte) intake.Apart {
	return intake.Apart{Group: group, Stored: r.vault.Apart() == vault.ApartStored}
}

// ofGroup tells whether chunks of a slab may be relied on by captures of a group; nil
// stands for captures that share chunks.
func ofGroup(rec *format.SlabRecord, group []byte) bool {
	return group == nil || bytes.Equal(rec.Group, group)
}

// Gather puts items with the same key together.
func Gather[T any](items []T, key func(T) string) (all [][]T) {
	places := make(map[string]int)
	for _, item := range items {
		k := key(item)
		at, ok := places[k]
		if !ok {
			at = len(all)
			places[k] = at
			all = append(all, nil)
		}
		all[at] = append(all[at], item)
	}
	return all
}
