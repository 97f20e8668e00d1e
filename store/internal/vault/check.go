package vault

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// errNotAsWritten is for what reading forgives, as white space.
var errNotAsWritten = fmt.Errorf("%w: readable, but not as it was written", format.ErrDamaged)

// CheckManifest holds kist.json against what was written.
func (v *Vault) CheckManifest(ctx context.Context) error {
	m, err := readManifest(ctx, v.storage)
	if err == nil {
		err = m.check(v.keys)
	}
	if err == nil && !bytes.Equal(m.encode(), m.raw) {
		err = errNotAsWritten
	}
	if !IsDamage(err) {
		return err
	}
	if spare, failed := spareManifest(ctx, v.storage); failed == nil && spare.check(v.keys) == nil {
		err = fmt.Errorf("%w; its second copy, %s, is whole: put a copy of it in its place", err, names.Spare(names.Manifest))
	}
	return err
}

// CheckSlots holds the key slots against what was written, and tells damaged of each that
// is not. It fails where they can't be reached.
func (v *Vault) CheckSlots(ctx context.Context, damaged func(crypt.SlotID, error)) error {
	documents, err := readSlots(ctx, v.storage)
	for _, d := range documents {
		err := v.checkSlot(d)
		if err == nil {
			continue
		}
		name := names.KeySlot(string(d.ID))
		if _, err = TrySpare(ctx, v, name, crypt.MaxSlotDocument, asDamage(err), func(b []byte) (any, error) {
			return nil, v.checkSlot(crypt.SlotDocument{ID: d.ID, Document: b})
		}); err != nil {
			damaged(d.ID, err)
		}
	}
	return err
}

// asDamage marks what is wrong with a key slot that may be as it was in its second copy.
func asDamage(err error) error {
	if errors.Is(err, crypt.ErrDamagedSlot) {
		return &damagedSlot{err}
	}
	return err
}

// damagedSlot is damage with the text that it has as a key slot's.
type damagedSlot struct{ error }

func (d *damagedSlot) Unwrap() []error { return []error{d.error, format.ErrDamaged} }

func (v *Vault) checkSlot(d crypt.SlotDocument) error {
	s, err := crypt.ParseSlot(d.ID, d.Document)
	if err != nil {
		return err
	}
	standing, err := v.standing(s)
	if err != nil {
		return err
	}
	if standing == SlotForged {
		return &crypt.SlotError{ID: d.ID, Err: crypt.ErrForgedSlot}
	}
	written, err := s.Marshal()
	if err == nil && !bytes.Equal(written, d.Document) {
		err = errNotAsWritten
	}
	return err
}
