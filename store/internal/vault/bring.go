package vault

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// BringManifest puts kist.json into another place of the repository where it is gone or damaged, and tells whether
// it did. A key slot there must prove that it is one: under the kist.json of another repository nothing would open.
// What is damaged goes first, so an interrupted one leaves none, and can be done again. It fails with ErrNotReplica.
func (v *Vault) BringManifest(ctx context.Context, st storage.Storage) (put bool, err error) {
	if err := v.keys.Wiped(); err != nil {
		return false, err
	}
	there, err := readManifest(ctx, st)
	if err == nil {
		err = there.check(v.keys)
	}
	gone := errors.Is(err, ErrNoRepository)
	if err == nil || !gone && !errors.Is(err, format.ErrDamaged) {
		return false, err
	}
	documents, err := readSlots(ctx, st)
	if err != nil {
		return false, err
	}
	if !slices.ContainsFunc(documents, v.made) {
		return false, fmt.Errorf("%w: no key slot there proves that it is", ErrNotReplica)
	}
	if !gone {
		if err := st.Remove(ctx, names.Manifest); err != nil && !errors.Is(err, storage.ErrNotFound) {
			return false, err
		}
	}
	if err := st.Put(ctx, names.Manifest, bytes.NewReader(v.manifest.written())); err != nil {
		return false, err
	}
	return true, nil
}

// made tells of a key slot that a holder of the root key made it.
func (v *Vault) made(d crypt.SlotDocument) bool {
	slot, err := crypt.ParseSlot(d.ID, d.Document)
	return err == nil && v.keys.CheckSlot(slot) == nil
}
