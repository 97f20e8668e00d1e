package vault

import (
	"bytes"
	"context"
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
		if err := v.checkSlot(d); err != nil {
			damaged(d.ID, v.orSlotSpare(ctx, d.ID, err))
		}
	}
	return err
}

// orSlotSpare adds to what is wrong with a key slot that its second copy is whole.
func (v *Vault) orSlotSpare(ctx context.Context, id crypt.SlotID, err error) error {
	name := names.KeySlot(string(id))
	spare := v.Spare(ctx, name, crypt.MaxSlotDocument)
	if spare == nil || v.checkSlot(crypt.SlotDocument{ID: id, Document: spare}) != nil {
		return err
	}
	return fmt.Errorf("%w; its second copy, %s, is whole: put a copy of it in its place", err, names.Spare(name))
}

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
