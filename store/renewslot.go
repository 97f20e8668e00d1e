package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// RenewSlot makes the key slot that opened the repository anew, where it is of an older
// version, and returns the new one; otherwise it returns nil and does nothing. secret is what opened
// the slot. A release that knows older versions only can't open by the new slot.
//
// The new slot is put, read again and opened before the old one is removed: whatever
// stops this leaves the old one, the new one or both. It may be done again, and by
// several machines at the same time. On a medium that can't be written to, it fails
// with what the operating system says.
func (r *Repository) RenewSlot(ctx context.Context, secret crypt.Secret) (*crypt.Slot, error) {
	if err := r.vault.Keys().Wiped(); err != nil {
		return nil, err
	}
	old := r.opened.Load()
	if old.Version() >= crypt.SlotVersion {
		return nil, nil
	}
	if err := r.opens(old, secret); err != nil {
		return nil, fmt.Errorf("key slot %s is not made anew: %w", old.ID(), err)
	}
	renewed, err := old.Renewed(r.root, secret)
	if err != nil {
		return nil, err
	}
	document, err := renewed.Marshal()
	if err != nil {
		return nil, err
	}
	name := names.KeySlot(string(renewed.ID()))
	// It is there already if this was stopped before, or another machine did it.
	if err := r.storage.Put(ctx, name, bytes.NewReader(document)); err != nil && !errors.Is(err, storage.ErrExists) {
		return nil, fmt.Errorf("making key slot %s anew: %w", old.ID(), err)
	}
	if renewed, err = r.readRenewed(ctx, renewed.ID(), secret); err != nil {
		return nil, fmt.Errorf("key slot %s, made anew, does not open the repository, so that the old one stays: %w", old.ID(), err)
	}
	r.opened.Store(renewed)
	r.watch.keep(r.watch.memory.SetSlot(renewed.ID()))
	if err := r.storage.Remove(ctx, names.KeySlot(string(old.ID()))); err != nil && !errors.Is(err, storage.ErrNotFound) {
		return renewed, fmt.Errorf("removing key slot %s, which is made anew as %s: %w", old.ID(), renewed.ID(), err)
	}
	return renewed, nil
}

func (r *Repository) readRenewed(ctx context.Context, id crypt.SlotID, secret crypt.Secret) (*crypt.Slot, error) {
	document, err := vault.ReadAll(ctx, r.storage, names.KeySlot(string(id)), crypt.MaxSlotDocument)
	if err != nil {
		return nil, err
	}
	slot, err := crypt.ParseSlot(id, document)
	if err != nil {
		return nil, err
	}
	return slot, r.opens(slot, secret)
}

// opens sees that a slot opens by the secret, and is this repository's. What the slot
// that opened it costs has been allowed.
func (r *Repository) opens(slot *crypt.Slot, secret crypt.Secret) error {
	c := r.opened.Load().Cost()
	root, err := slot.Unlock(secret, r.vault.ID(), crypt.UnlockOptions{Floor: c, MaxMemory: int64(c.MemoryKiB) << 10, MaxWork: c.Work()})
	if err != nil {
		return err
	}
	defer root.Wipe()
	if !root.Equal(r.root) {
		return crypt.ErrForgedSlot
	}
	return nil
}
