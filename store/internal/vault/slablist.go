package vault

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// SlabObject is a slab that there is.
type SlabObject struct {
	ID format.SlabID
	storage.Info
}

// SlabList are slabs in the order of their ids.
type SlabList []SlabObject

// ListSlabs gives the slabs that there are.
func (r *Vault) ListSlabs(ctx context.Context) (SlabList, error) {
	infos, err := r.Look(ctx, names.Slabs)
	return SlabsAmong(infos), err
}

// SlabFolders is how many folders slabs lie in.
const SlabFolders = 256

// FolderOfSlab gives the number of the folder that a slab lies in.
func FolderOfSlab(id format.SlabID) int { return int(id[0]) }

// LookInto gives the slabs in some folders, by their numbers.
func (r *Vault) LookInto(ctx context.Context, folders []int) (SlabList, error) {
	var all []storage.Info
	err := InOrder(ctx, folders, Askers,
		func(ctx context.Context, n int) ([]storage.Info, error) {
			return r.storage.List(ctx, fmt.Sprintf("%s/%02x", names.Slabs, n))
		},
		func(_ int, infos []storage.Info, err error) error {
			all = append(all, infos...)
			return err
		})
	return SlabsAmong(all), err
}

// SlabsAmong gives those of the objects that are named as slabs are.
func SlabsAmong(infos []storage.Info) SlabList {
	l := make(SlabList, 0, len(infos))
	for _, info := range infos {
		if id, err := names.ParseSlab(info.Name); err == nil {
			l = append(l, SlabObject{id, info})
		}
	}
	slices.SortFunc(l, func(a, b SlabObject) int { return bytes.Compare(a.ID[:], b.ID[:]) })
	return l
}

// Find gives the place of a slab.
func (l SlabList) Find(id format.SlabID) (int, bool) {
	return slices.BinarySearchFunc(l, id, func(s SlabObject, id format.SlabID) int { return bytes.Compare(s.ID[:], id[:]) })
}

// Length gives the length of a slab, in bytes.
func (l SlabList) Length(id format.SlabID) (int64, bool) {
	i, ok := l.Find(id)
	if !ok {
		return 0, false
	}
	return l[i].Size, true
}

// Without gives the slabs that drop does not tell of.
func (l SlabList) Without(drop func(SlabObject) bool) SlabList {
	if !slices.ContainsFunc(l, drop) {
		return l
	}
	return slices.DeleteFunc(slices.Clone(l), drop)
}

// Since gives the slabs that were put at that time or later.
func (l SlabList) Since(t time.Time) map[format.SlabID]bool {
	young := make(map[format.SlabID]bool)
	for _, s := range l {
		if !s.Modified.Before(t) {
			young[s.ID] = true
		}
	}
	return young
}
