package vault

import (
	"context"
	"errors"
	"maps"
	"slices"
	"strings"
	"sync"

	"github.com/kistarchive/kist/store/storage"
)

// freshList is what somebody saw listed who read everything afresh. Objects don't change: whoever looks
// again asks which there are, and for the length and the time of what is new.
type freshList struct {
	mu   sync.Mutex
	seen map[string]map[string]storage.Info // by folder and name
}

func newFreshList() *freshList { return &freshList{seen: make(map[string]map[string]storage.Info)} }

// Look lists a folder, for those who remove or mend: of what was not listed since Afresh, all is asked
// for.
func (v *Vault) Look(ctx context.Context, folder string) ([]storage.Info, error) {
	namer, ok := v.storage.(storage.Namer)
	if v.fresh == nil || !ok {
		return v.storage.List(ctx, folder)
	}
	before := v.fresh.of(folder)
	if before == nil {
		infos, err := v.storage.List(ctx, folder)
		return infos, v.fresh.note(folder, infos, err)
	}
	there, err := namer.Names(ctx, folder)
	if errors.Is(err, errors.ErrUnsupported) {
		return v.storage.List(ctx, folder)
	}
	if err != nil {
		return nil, err
	}
	var infos []storage.Info
	err = InOrder(ctx, there, Askers,
		func(ctx context.Context, name string) (storage.Info, error) {
			if info, ok := before[name]; ok {
				return info, nil
			}
			return v.storage.Stat(ctx, name)
		},
		func(_ string, info storage.Info, err error) error {
			if errors.Is(err, storage.ErrNotFound) {
				return nil // removed since it was listed
			}
			infos = append(infos, info)
			return err
		})
	slices.SortFunc(infos, func(a, b storage.Info) int { return strings.Compare(a.Name, b.Name) })
	return infos, v.fresh.note(folder, infos, err)
}

func (f *freshList) of(folder string) map[string]storage.Info {
	f.mu.Lock()
	defer f.mu.Unlock()
	return maps.Clone(f.seen[folder])
}

// note passes an error on.
func (f *freshList) note(folder string, infos []storage.Info, err error) error {
	if err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.seen[folder] = make(map[string]storage.Info, len(infos))
	for _, info := range infos {
		f.seen[folder][info.Name] = info
	}
	return nil
}
