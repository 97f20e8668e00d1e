package crypt

import "fmt"

const (
	// DefaultMaxMemory is the memory in bytes that unlocking a slot may take
	// unless [UnlockOptions] say otherwise: 1 GiB.
	DefaultMaxMemory = 1 << 30

	// MaxSlots is how many slots one opening tries, and how many a repository should have.
	MaxSlots = 64

	// DefaultMaxWork is the work, as [Cost.Work] counts it, of all slots that one
	// opening tries unless [UnlockOptions] say otherwise: that of MaxSlots slots of
	// [DefaultCost], some 10 s on two cores.
	DefaultMaxWork = MaxSlots * (64 << 10) * 3
)

// UnlockOptions bound what unlocking may cost, for the slots come from the
// repository and may be hostile.
type UnlockOptions struct {
	// MaxMemory is the memory in bytes that Argon2id may take. Zero means
	// [DefaultMaxMemory], or half of what is available where that is less, but
	// always as much as [DefaultCost]. No slot takes more than 4 GiB.
	MaxMemory int64

	// Available is the memory in bytes that the machine has to spare, for the
	// default of MaxMemory. Zero means to ask the machine: on Linux it is the
	// available memory of /proc/meminfo, or the limit of the process's control group
	// where that is lower; elsewhere it is not known.
	Available int64

	// MaxWork bounds the sum of [Cost.Work] of the passphrase slots that are tried.
	// Zero means [DefaultMaxWork].
	MaxWork int64

	// First is the slot that [UnlockAny] tries before all others, such as the one that
	// opened last on this machine. Others follow, the least work first. "" means none.
	First SlotID

	// Floor is the least cost of a passphrase slot that is tried; one that is less in
	// any parameter is refused. Zero means [DefaultCost].
	//
	// A lower floor is DANGEROUS: whoever can write to the repository may put slots
	// there that make whoever opens it try guesses of the passphrase for them. It is for
	// tests, and for slots that were made by something else.
	Floor Cost

	// Check, if there is one, says whether an opened root key is the repository's.
	// [UnlockAny] passes over a slot whose root key it refuses, and if no other opens,
	// returns the error that Check gave first.
	Check func(*RootKey) error
}

// Unlock opens the slot.
//
// Every error is a [*SlotError] and wraps [ErrForeignSlot], [ErrSecretKind],
// [ErrSlotTooCheap], [ErrSlotTooCostly], [ErrEmptySecret], [ErrForgedSlot] or, where
// the slot is intact and the secret does not open it, [ErrWrongSecret].
func (s *Slot) Unlock(secret Secret, repo RepositoryID, o UnlockOptions) (*RootKey, error) {
	root, err := s.unlock(secret, repo, newBounds(o))
	if err != nil {
		return nil, &SlotError{ID: s.doc.ID, Err: err}
	}
	return root, nil
}

// unlock opens the slot, and takes what that costs off the bounds.
func (s *Slot) unlock(secret Secret, repo RepositoryID, b *bounds) (*RootKey, error) {
	if s.doc.Repository != repo {
		return nil, fmt.Errorf("%w: %v", ErrForeignSlot, s.doc.Repository)
	}
	if s.doc.Kind != secret.Kind() {
		return nil, fmt.Errorf("%w: a %s", ErrSecretKind, s.doc.Kind)
	}
	if b.slots == 0 {
		return nil, ErrTooManySlots
	}
	if s.doc.Kind == SlotPassphrase {
		if err := b.allow(s.Cost()); err != nil {
			return nil, err
		}
	}
	b.slots--
	b.work -= s.Cost().Work()
	return s.doc.open(secret)
}

// bounds are what one opening may still cost.
type bounds struct {
	floor        Cost
	memory, work int64
	slots        int
}

func newBounds(o UnlockOptions) *bounds {
	b := &bounds{floor: o.Floor, memory: o.MaxMemory, work: o.MaxWork, slots: MaxSlots}
	if b.floor == (Cost{}) {
		b.floor = DefaultCost()
	}
	if b.memory == 0 {
		b.memory = DefaultMaxMemory
		available := o.Available
		if available == 0 {
			available = availableMemory()
		}
		if available > 0 {
			b.memory = min(b.memory, max(available/2, DefaultCost().memory()))
		}
	}
	if b.work == 0 {
		b.work = DefaultMaxWork
	}
	return b
}

// allow refuses a cost that is out of bounds.
func (b *bounds) allow(c Cost) error {
	switch {
	case c.Below(b.floor):
		return fmt.Errorf("%w (%v)", ErrSlotTooCheap, c)
	case c.memory() > b.memory:
		return fmt.Errorf("%w: it takes %d bytes of memory, and %d are allowed or there", ErrSlotTooCostly, c.memory(), b.memory)
	case c.Work() > b.work:
		return fmt.Errorf("%w: it takes %d KiB of memory times passes, and %d are left of what one opening may take", ErrSlotTooCostly, c.Work(), b.work)
	}
	return nil
}
