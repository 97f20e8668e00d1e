package store

import (
	"bytes"
	"context"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// slabObject is a slab that there is.
type slabObject struct {
	id format.SlabID
	storage.Info
}

// slabList are slabs in the order of their ids.
type slabList []slabObject

// listSlabs gives the slabs that there are.
func (r *Repository) listSlabs(ctx context.Context) (slabList, error) {
	infos, err := r.storage.List(ctx, names.Slabs)
	return slabsAmong(infos), err
}

// slabsAmong gives those of the objects that are named as slabs are.
func slabsAmong(infos []storage.Info) slabList {
	l := make(slabList, 0, len(infos))
	for _, info := range infos {
		if id, err := names.ParseSlab(info.Name); err == nil {
			l = append(l, slabObject{id, info})
		}
	}
	slices.SortFunc(l, func(a, b slabObject) int { return bytes.Compare(a.id[:], b.id[:]) })
	return l
}

// find gives the place of a slab.
func (l slabList) find(id format.SlabID) (int, bool) {
	return slices.BinarySearchFunc(l, id, func(s slabObject, id format.SlabID) int { return bytes.Compare(s.id[:], id[:]) })
}

// length gives the length of a slab, in bytes.
func (l slabList) length(id format.SlabID) (int64, bool) {
	i, ok := l.find(id)
	if !ok {
		return 0, false
	}
	return l[i].Size, true
}

// without gives the slabs that drop does not tell of.
func (l slabList) without(drop func(slabObject) bool) slabList {
	if !slices.ContainsFunc(l, drop) {
		return l
	}
	return slices.DeleteFunc(slices.Clone(l), drop)
}

// since gives the slabs that were put at that time or later.
func (l slabList) since(t time.Time) map[format.SlabID]bool {
	young := make(map[format.SlabID]bool)
	for _, s := range l {
		if !s.Modified.Before(t) {
			young[s.id] = true
		}
	}
	return young
}
