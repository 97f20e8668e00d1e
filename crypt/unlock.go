package crypt

import (
	"context"
	"errors"
	"fmt"

	"golang.org/x/crypto/chacha20poly1305"
)

// DefaultMaxMemory is the memory in bytes that unlocking a slot may take
// unless [UnlockOptions] say otherwise: 1 GiB.
const DefaultMaxMemory = 1 << 30

// UnlockOptions bound what unlocking may cost.
type UnlockOptions struct {
	// MaxMemory is the memory in bytes that Argon2id may take, for the slots
	// come from the repository and may be hostile. Zero means
	// [DefaultMaxMemory]. No slot takes more than 4 GiB.
	MaxMemory int64
}

// Unlock opens the slot. A slot that costs less than [DefaultCost] opens like
// any other: refusing it would protect nobody, since its sealed root key lies
// there already; see [Slot.Cost] to warn of it.
//
// Every error is a [*SlotError] and wraps [ErrForeignSlot], [ErrSecretKind],
// [ErrSlotTooCostly], [ErrEmptySecret] or, where the slot is intact and the
// secret does not open it, [ErrWrongSecret].
func (s *Slot) Unlock(secret Secret, repo RepositoryID, o UnlockOptions) (*RootKey, error) {
	root, err := s.unlock(secret, repo, o)
	if err != nil {
		return nil, &SlotError{ID: s.doc.ID, Err: err}
	}
	return root, nil
}

func (s *Slot) unlock(secret Secret, repo RepositoryID, o UnlockOptions) (*RootKey, error) {
	if s.doc.Repository != repo {
		return nil, fmt.Errorf("%w: %v", ErrForeignSlot, s.doc.Repository)
	}
	if s.doc.Kind != secret.Kind() {
		return nil, fmt.Errorf("%w: a %s", ErrSecretKind, s.doc.Kind)
	}
	if o.MaxMemory == 0 {
		o.MaxMemory = DefaultMaxMemory
	}
	if need := int64(s.Cost().MemoryKiB) << 10; need > o.MaxMemory {
		return nil, fmt.Errorf("%w: %d bytes, %d allowed", ErrSlotTooCostly, need, o.MaxMemory)
	}
	return s.doc.open(secret)
}

// seal fills in the sealed root key and the checksum.
func (d *slotDocument) seal(root *RootKey, secret Secret) error {
	data, err := d.additionalData()
	if err != nil {
		return fmt.Errorf("seal the root key: %w", err)
	}
	key, err := secret.slotKey(d.Salt, d.cost())
	if err != nil {
		return fmt.Errorf("seal the root key: %w", err)
	}
	defer clear(key[:])
	aead, err := chacha20poly1305.NewX(key[:])
	if err != nil {
		return fmt.Errorf("seal the root key: %w", err)
	}
	d.Sealed = aead.Seal(nil, d.Nonce, root.material()[:], data)
	d.Checksum, err = d.checksum()
	return err
}

// open is the way back from seal.
func (d *slotDocument) open(secret Secret) (*RootKey, error) {
	data, err := d.additionalData()
	if err != nil {
		return nil, err
	}
	key, err := secret.slotKey(d.Salt, d.cost())
	if err != nil {
		return nil, err
	}
	defer clear(key[:])
	aead, err := chacha20poly1305.NewX(key[:])
	if err != nil {
		return nil, err
	}
	root, err := aead.Open(nil, d.Nonce, d.Sealed, data)
	if err != nil {
		return nil, ErrWrongSecret
	}
	return &RootKey{key: hide((*[keySize]byte)(root))}, nil
}

func (d *slotDocument) cost() Cost {
	if d.Argon2id == nil {
		return Cost{}
	}
	return *d.Argon2id
}

// SlotDocument is a slot as it is stored.
type SlotDocument struct {
	ID       SlotID
	Document []byte
}

// UnlockAny opens the first slot that the secret opens, and returns it with
// the root key. Slots of the other kind, and of kinds unknown to this release,
// are passed over. It looks at ctx before each slot; the derivation of one key
// can't be interrupted.
//
// It fails with [ErrWrongSecret] only if every slot of the secret's kind was
// intact and tried. If some slot was damaged, foreign, too costly or of an
// unknown version, the error wraps each one's [*SlotError] and not
// ErrWrongSecret, since the secret may well be the one of that slot. If there
// was no slot to try, it fails with [ErrNoSlot].
func UnlockAny(ctx context.Context, slots []SlotDocument, secret Secret, repo RepositoryID, o UnlockOptions) (*RootKey, *Slot, error) {
	var wrong int
	var untried []error
	for _, stored := range slots {
		if err := ctx.Err(); err != nil {
			return nil, nil, fmt.Errorf("unlock the repository: %w", err)
		}
		slot, root, err := stored.unlock(secret, repo, o)
		switch {
		case err == nil:
			return root, slot, nil
		case errors.Is(err, ErrEmptySecret):
			return nil, nil, err
		case errors.Is(err, ErrSecretKind), errors.Is(err, ErrUnknownSlotKind):
		case errors.Is(err, ErrWrongSecret):
			wrong++
		default:
			untried = append(untried, err)
		}
	}
	switch {
	case len(untried) > 0:
		return nil, nil, fmt.Errorf("this %s opens none of the key slots (%d tried, %d not): %w",
			secret.Kind(), wrong, len(untried), errors.Join(untried...))
	case wrong == 0:
		return nil, nil, fmt.Errorf("%w: a %s", ErrNoSlot, secret.Kind())
	}
	return nil, nil, fmt.Errorf("this %s opens none of the key slots (%d tried): %w", secret.Kind(), wrong, ErrWrongSecret)
}

func (d SlotDocument) unlock(secret Secret, repo RepositoryID, o UnlockOptions) (*Slot, *RootKey, error) {
	slot, err := ParseSlot(d.ID, d.Document)
	if err != nil {
		return nil, nil, err
	}
	root, err := slot.Unlock(secret, repo, o)
	return slot, root, err
}
