package crypt

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// SlotDocument is a slot as it is stored.
type SlotDocument struct {
	ID       SlotID
	Document []byte

	// Err, if there is one, says why the document was not read: the slot counts as
	// one that was not tried.
	Err error
}

// UnlockAny opens the first slot that the secret opens, and returns it with
// the root key: first [UnlockOptions.First], then the others by the work that they
// take, of those that take the same the older version first, and then as given.
// Slots of the other kind, and of kinds unknown to this release, are passed over.
// It looks at ctx before each slot; the derivation of one key can't be interrupted.
//
// It fails with [ErrWrongSecret] only if every slot of the secret's kind was
// intact and tried, but for those that are too cheap, which kist never makes. If some slot was
// damaged, foreign, forged, too costly, of an unknown version, or one of more than
// [MaxSlots], the error wraps each one's [*SlotError] and not ErrWrongSecret, since the
// secret may well be the one of that slot. If there was no slot to try, it fails with [ErrNoSlot].
func UnlockAny(ctx context.Context, slots []SlotDocument, secret Secret, repo RepositoryID, o UnlockOptions) (*RootKey, *Slot, error) {
	u := &unlocking{secret: secret, repo: repo, check: o.Check, bounds: newBounds(o)}
	for _, slot := range u.candidates(slots, o.First) {
		if err := ctx.Err(); err != nil {
			return nil, nil, fmt.Errorf("unlock the repository: %w", err)
		}
		root, err := u.try(slot)
		switch {
		case errors.Is(err, ErrEmptySecret):
			return nil, nil, err
		case root != nil:
			return root, slot, nil
		}
	}
	return nil, nil, u.failure()
}

// unlocking is one opening of a repository.
type unlocking struct {
	secret Secret
	repo   RepositoryID
	check  func(*RootKey) error
	bounds *bounds

	wrong   int
	refused error // what check said first
	untried slotErrors
}

// candidates gives the intact slots of the secret's kind, in the order in which they
// are tried.
func (u *unlocking) candidates(documents []SlotDocument, first SlotID) (slots []*Slot) {
	for _, d := range documents {
		if d.Err != nil {
			u.untried = append(u.untried, d.Err)
			continue
		}
		slot, err := ParseSlot(d.ID, d.Document)
		switch {
		case err == nil && slot.Kind() == u.secret.Kind():
			slots = append(slots, slot)
		case err != nil && !errors.Is(err, ErrUnknownSlotKind):
			u.untried = append(u.untried, err)
		}
	}
	slices.SortStableFunc(slots, func(a, b *Slot) int {
		return cmp.Or(
			-compareBool(a.ID() == first, b.ID() == first),
			cmp.Compare(a.Cost().Work(), b.Cost().Work()),
			cmp.Compare(a.Version(), b.Version()), // what a stopped renewal left is found, and goes
		)
	})
	return slots
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// try opens a slot; the root key is nil where it does not open.
func (u *unlocking) try(slot *Slot) (*RootKey, error) {
	root, err := slot.unlock(u.secret, u.repo, u.bounds)
	if err == nil && u.check != nil {
		if err = u.check(root); err != nil {
			if u.refused == nil {
				u.refused = err
			}
			root.Wipe()
			return nil, err
		}
	}
	switch {
	case err == nil:
		return root, nil
	case errors.Is(err, ErrWrongSecret):
		u.wrong++
	default:
		err = &SlotError{ID: slot.ID(), Err: err}
		u.untried = append(u.untried, err)
	}
	return nil, err
}

// failure says why no slot opened.
func (u *unlocking) failure() error {
	kind := u.secret.Kind()
	switch {
	case u.refused != nil:
		return u.refused
	case u.wrong > 0 && len(u.untried) > 0 && u.untried.all(ErrSlotTooCheap):
		return fmt.Errorf("this %s opens none of the key slots (%d tried): %w; and %w", kind, u.wrong, ErrWrongSecret, u.untried)
	case len(u.untried) > 0:
		return fmt.Errorf("this %s opens none of the key slots (%d tried, %d not): %w", kind, u.wrong, len(u.untried), u.untried)
	case u.wrong == 0:
		return fmt.Errorf("%w: a %s", ErrNoSlot, kind)
	}
	return fmt.Errorf("this %s opens none of the key slots (%d tried): %w", kind, u.wrong, ErrWrongSecret)
}

// slotErrors are errors of several slots. Its text is of a few lines, however many
// slots somebody put there.
type slotErrors []error

const maxSlotErrors = 5

func (e slotErrors) Error() string {
	var lines []string
	for i, err := range e {
		if i == maxSlotErrors {
			lines = append(lines, fmt.Sprintf("and %d key slots more", len(e)-i))
			break
		}
		lines = append(lines, err.Error())
	}
	return strings.Join(lines, "\n")
}

func (e slotErrors) Unwrap() []error { return e }

func (e slotErrors) all(target error) bool {
	return !slices.ContainsFunc(e, func(err error) bool { return !errors.Is(err, target) })
}
