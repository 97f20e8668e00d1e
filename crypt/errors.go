package crypt

import (
	"errors"
	"fmt"
	"io/fs"
)

// Opening sealed objects.
var (
	// ErrDamaged is returned when a sealed piece or a wrapped key does not
	// authenticate: its bytes changed, or it stands in another place than the
	// one it was sealed for, or the keys are another repository's.
	ErrDamaged = errors.New("damaged, or not in the place it was sealed for")

	// ErrUnknownWrapping is returned when an object's key is wrapped in a way
	// that this release does not know.
	ErrUnknownWrapping = errors.New("unknown kind of key wrapping; a newer release is needed")
)

// Reading and unlocking key slots. Those that concern one slot come wrapped in
// a [*SlotError] that names it.
var (
	// ErrDamagedSlot is returned when a slot's document is not what was
	// written. It says nothing about the secret.
	ErrDamagedSlot = errors.New("damaged; use the passphrase or key file of another slot")

	// ErrUnknownSlotVersion is returned for an intact slot document of a
	// version that this release does not know.
	ErrUnknownSlotVersion = errors.New("unknown version; a newer release is needed")

	// ErrUnknownSlotKind is returned for an intact slot document of a kind
	// that this release does not know.
	ErrUnknownSlotKind = errors.New("unknown kind; a newer release is needed")

	// ErrForeignSlot is returned when a slot belongs to another repository.
	ErrForeignSlot = errors.New("belongs to another repository")

	// ErrSlotTooCostly is returned when unlocking a slot would take more
	// memory or work than allowed, or memory that the machine does not have.
	ErrSlotTooCostly = errors.New("costs more than allowed")

	// ErrSlotTooCheap is returned when a slot's passphrase would cost less to try than
	// [UnlockOptions] allow. No kist makes such a slot: who can write to the
	// repository may have put it there, to have guesses tried by who opens it.
	ErrSlotTooCheap = errors.New("costs less to try than any that kist makes: it is not tried, as it may be there to have passphrases guessed")

	// ErrTooManySlots is returned for the slots beyond [MaxSlots], which are
	// neither tried nor made.
	ErrTooManySlots = fmt.Errorf("at most %d key slots are used", MaxSlots)

	// ErrForgedSlot is returned when a slot was not made by a holder of the
	// repository's root key.
	ErrForgedSlot = errors.New("forged: not made by who could open the repository")

	// ErrUnprovedSlot is returned by [Keys.CheckSlot] for a slot of version 1, which
	// does not tell who made it.
	ErrUnprovedSlot = errors.New("of version 1, which does not tell whether it is forged")

	// ErrSecretKind is returned when a slot is given a passphrase but takes a
	// key file, or the other way round.
	ErrSecretKind = errors.New("takes another kind of secret")

	// ErrNoSlot is returned when no slot takes the kind of secret given.
	ErrNoSlot = errors.New("no key slot takes this kind of secret")

	// ErrWrongSecret is returned when an intact slot does not open: the wrong
	// passphrase or the wrong key file.
	ErrWrongSecret = errors.New("wrong passphrase or key file")
)

// ErrKeysWiped is returned when [Keys] are used after Wipe. It is [fs.ErrClosed], too.
var ErrKeysWiped error = keysWiped{}

type keysWiped struct{}

func (keysWiped) Error() string { return "the repository was closed, and its keys wiped" }

func (keysWiped) Unwrap() error { return fs.ErrClosed }

// Making secrets and slots.
var (
	// ErrEmptySecret is returned for an empty passphrase, and for any secret
	// that is used after Wipe or was never made.
	ErrEmptySecret = errors.New("empty passphrase or key")

	// ErrPassphraseTooLong is returned for one of more than [MaxPassphrase] bytes.
	ErrPassphraseTooLong = fmt.Errorf("passphrase is longer than %d bytes", MaxPassphrase)

	// ErrKeyFileSize is returned when a key file is not exactly 32 bytes long.
	ErrKeyFileSize = fmt.Errorf("a key file holds exactly %d bytes", keySize)

	// ErrCost is returned when a [Cost] is outside its bounds.
	ErrCost = errors.New("cost of the key derivation is out of bounds")

	// ErrLabel is returned when a slot's label is too long or not printable.
	ErrLabel = fmt.Errorf("a label holds at most %d bytes of printable text", MaxLabel)
)

// SlotError names the key slot that an error is about.
type SlotError struct {
	ID  SlotID
	Err error
}

func (e *SlotError) Error() string { return fmt.Sprintf("key slot %s: %v", e.ID, e.Err) }

// Unwrap returns what is wrong with the slot.
func (e *SlotError) Unwrap() error { return e.Err }
