package vault

import (
	"bytes"
	"context"
	"errors"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// OpenSpool opens a storage that is to hold captures of the repository for a while, with its keys, and makes it first if it
// is empty. What opens the repository opens the spool: it has the same kist.json and the same key slots, and gets those that were
// added. It fails with ErrExists where another repository is there.
func (v *Vault) OpenSpool(ctx context.Context, st storage.Storage) (*Vault, error) {
	m, err := readManifest(ctx, st)
	if err == nil && (m.ID != v.manifest.ID || m.check(v.keys) != nil) {
		return nil, ErrExists
	}
	if err != nil && !errors.Is(err, ErrNoRepository) {
		return nil, err
	}
	if err := copySlots(ctx, v.storage, st); err != nil {
		return nil, err
	}
	if m == nil {
		m = v.manifest
		// Last: only now is there a spool. Somebody else who makes it writes the same.
		if err := st.Put(ctx, names.Manifest, bytes.NewReader(m.written())); err != nil && !errors.Is(err, storage.ErrExists) {
			return nil, err
		}
	}
	root := v.root.Clone()
	keys, err := root.Derive(m.ID)
	if err != nil {
		return nil, err
	}
	return newVault(st, m, root, keys, v.opened.Load())
}

// copySlots gives a storage the key slots of another. It takes none away that is gone there: whoever may write in the other one could
// have removed it, and what waits here may be opened by nothing else.
func copySlots(ctx context.Context, from, to storage.Storage) error {
	wanted, err := listSlots(ctx, from)
	if err != nil {
		return err
	}
	there, err := listSlots(ctx, to)
	if err != nil {
		return err
	}
	for _, info := range differing(wanted, there) {
		b, err := readSized(ctx, from, info, crypt.MaxSlotDocument)
		if errors.Is(err, storage.ErrNotFound) {
			continue // removed since it was listed
		}
		if err == nil {
			err = to.Put(ctx, info.Name, bytes.NewReader(b))
		}
		if err != nil && !IsDamage(err) && !errors.Is(err, storage.ErrExists) {
			return err
		}
	}
	return nil
}

// differing gives what others do not have by its name.
func differing(infos, others []storage.Info) []storage.Info {
	return slices.DeleteFunc(slices.Clone(infos), func(i storage.Info) bool {
		return slices.ContainsFunc(others, func(o storage.Info) bool { return o.Name == i.Name })
	})
}
