package vault

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// RenewSlot makes the key slot that opened the repository anew, where it is of an older
// version, and returns the new one; otherwise it returns nil and does nothing. secret is what opened
// the slot. before is called with the new one before the old one is removed.
//
// The new slot is put, read again and opened before the old one is removed: whatever
// stops this leaves the old one, the new one or both.
func (v *Vault) RenewSlot(ctx context.Context, secret crypt.Secret, before func(crypt.SlotID)) (*crypt.Slot, error) {
	if err := v.keys.Wiped(); err != nil {
		return nil, err
	}
	old := v.opened.Load()
	if old.Version() >= crypt.SlotVersion {
		return nil, nil
	}
	if err := v.opens(old, secret); err != nil {
		return nil, fmt.Errorf("key slot %s is not made anew: %w", old.ID(), err)
	}
	renewed, err := old.Renewed(v.root, secret)
	if err != nil {
		return nil, err
	}
	document, err := renewed.Marshal()
	if err != nil {
		return nil, err
	}
	name := names.KeySlot(string(renewed.ID()))
	// It is there already if this was stopped before, or another machine did it.
	if err := v.storage.Put(ctx, name, bytes.NewReader(document)); err != nil && !errors.Is(err, storage.ErrExists) {
		return nil, fmt.Errorf("making key slot %s anew: %w", old.ID(), err)
	}
	if renewed, err = v.readRenewed(ctx, renewed.ID(), secret); err != nil {
		return nil, fmt.Errorf("key slot %s, made anew, does not open the repository, so that the old one stays: %w", old.ID(), err)
	}
	v.opened.Store(renewed)
	before(renewed.ID())
	v.spareSlot(ctx, renewed)
	if err := v.removeSpare(ctx, names.KeySlot(string(old.ID()))); err != nil {
		return renewed, fmt.Errorf("removing the second copy of key slot %s, which is made anew as %s: %w", old.ID(), renewed.ID(), err)
	}
	if err := v.storage.Remove(ctx, names.KeySlot(string(old.ID()))); err != nil && !errors.Is(err, storage.ErrNotFound) {
		return renewed, fmt.Errorf("removing key slot %s, which is made anew as %s: %w", old.ID(), renewed.ID(), err)
	}
	return renewed, nil
}

func (v *Vault) readRenewed(ctx context.Context, id crypt.SlotID, secret crypt.Secret) (*crypt.Slot, error) {
	document, err := readAll(ctx, v.storage, names.KeySlot(string(id)), crypt.MaxSlotDocument)
	if err != nil {
		return nil, err
	}
	slot, err := crypt.ParseSlot(id, document)
	if err != nil {
		return nil, err
	}
	return slot, v.opens(slot, secret)
}

// opens sees that a slot opens by the secret, and is this repository's. What the slot
// that opened it costs has been allowed.
func (v *Vault) opens(slot *crypt.Slot, secret crypt.Secret) error {
	c := v.opened.Load().Cost()
	root, err := slot.Unlock(secret, v.manifest.ID, crypt.UnlockOptions{Floor: c, MaxMemory: int64(c.MemoryKiB) << 10, MaxWork: c.Work()})
	if err != nil {
		return err
	}
	defer root.Wipe()
	if !root.Equal(v.root) {
		return crypt.ErrForgedSlot
	}
	return nil
}
