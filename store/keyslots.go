package store

import (
	"context"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/vault"
)

// Slot is a key slot as Slots lists it.
type Slot struct {
	ID crypt.SlotID
	// Slot is nil where the slot can't be read; Err says why.
	Slot *crypt.Slot
	Err  error
	// Standing is "" where the slot can't be read.
	Standing SlotStanding
	// Opened tells that this slot opened the repository.
	Opened bool
}

// SlotStanding says whether a key slot was made by who could open the repository.
type SlotStanding string

const (
	// SlotProven is a slot whose MAC fits, or the one that opened the repository.
	SlotProven SlotStanding = vault.SlotProven
	// SlotUnproved is a slot of version 1, which has no MAC: it may be forged. Open
	// the repository by it, and RenewSlot makes it one that is proven.
	SlotUnproved SlotStanding = vault.SlotUnproved
	// SlotForged is a slot that was made without the repository's root key, changed, or is
	// of another repository.
	SlotForged SlotStanding = vault.SlotForged
)

// Slots lists the key slots, in order of their ids.
func (r *Repository) Slots(ctx context.Context) (slots []Slot, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	listed, err := r.vault.Slots(ctx)
	if err != nil {
		return nil, err
	}
	slots = make([]Slot, len(listed))
	for i, s := range listed {
		slots[i] = Slot{ID: s.ID, Slot: s.Slot, Err: s.Err, Standing: SlotStanding(s.Standing), Opened: s.Opened}
	}
	return slots, nil
}

// OpenedSlot gives the id of the key slot that opened the repository, or that [Repository.RenewSlot]
// made in its place.
func (r *Repository) OpenedSlot() crypt.SlotID { return r.vault.OpenedSlot() }

// AddSlot lets another passphrase or key file open the repository. It fails with
// [ErrTooManySlots], and with [crypt.ErrLabel].
func (r *Repository) AddSlot(ctx context.Context, secret crypt.Secret, o crypt.SlotOptions) (s *crypt.Slot, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	return r.vault.AddSlot(ctx, secret, o)
}

// RemoveSlot takes away a key slot. A copy of it that somebody kept still opens
// the repository: the root key stays the same. It fails with [ErrNotFound], and
// with [ErrLastSlot] where no other slot would be left that is known to open the
// repository: only those that are [SlotProven] count.
func (r *Repository) RemoveSlot(ctx context.Context, id crypt.SlotID) (err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return err
	}
	return r.vault.RemoveSlot(ctx, id)
}

// RenewSlot makes the key slot that opened the repository anew, where it is of an older
// version, and returns the new one; otherwise it returns nil and does nothing. secret is what opened
// the slot. A release that knows older versions only can't open by the new slot.
//
// The new slot is put, read again and opened before the old one is removed: whatever
// stops this leaves the old one, the new one or both. It may be done again, and by
// several machines at the same time. On a medium that can't be written to, it fails
// with what the operating system says.
func (r *Repository) RenewSlot(ctx context.Context, secret crypt.Secret) (renewed *crypt.Slot, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	return r.vault.RenewSlot(ctx, secret, func(id crypt.SlotID) { r.ledger.Watch().Keep(r.ledger.Watch().Memory.SetSlot(id)) })
}
