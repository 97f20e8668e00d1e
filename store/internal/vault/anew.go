package vault

import (
	"bytes"
	"context"
	"errors"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// PutAnew puts an object that is damaged anew, under its name: with the bytes that it had, which the caller has proved.
// Before the object goes, its second copy is there, so that at every moment one of the two is whole. The caller is the only
// one who repairs or reclaims. A slab's second copy is removed afterwards; others stay.
func (v *Vault) PutAnew(ctx context.Context, name string, content []byte) error {
	spare := names.Spare(name)
	if err := v.putOver(ctx, spare, content); err != nil {
		return err
	}
	if err := v.putOver(ctx, name, content); err != nil {
		return err
	}
	if FolderOf(name) != names.Slabs {
		return nil
	}
	return v.Drop(ctx, spare)
}

// putOver puts an object in the place of what is there, if that is anything else.
func (v *Vault) putOver(ctx context.Context, name string, content []byte) error {
	there, err := readAll(ctx, v.storage, name, int64(len(content)))
	if err == nil && bytes.Equal(there, content) {
		return nil
	}
	switch {
	case fetch.IsAbsent(err):
	case err == nil || IsDamage(err) || fetch.IsUnreadable(err):
		if err := v.Drop(ctx, name); err != nil {
			return err
		}
	default:
		return err
	}
	return v.storage.Put(ctx, name, bytes.NewReader(content))
}

// Drop removes an object, if it is there.
func (v *Vault) Drop(ctx context.Context, name string) error {
	if dropper, ok := v.storage.(storage.Dropper); ok {
		if err := dropper.Drop(ctx, name); !errors.Is(err, errors.ErrUnsupported) {
			return err
		}
	}
	if err := v.storage.Remove(ctx, name); !errors.Is(err, storage.ErrNotFound) {
		return err
	}
	return nil
}
