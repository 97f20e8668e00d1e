package main

import (
	"context"
	"errors"
	"io/fs"
	"syscall"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/crypt"
)

// renewSlot makes the key slot that opened the repository anew, where it is of an older
// kind. It is done behind what was asked for, and fails that never: there is a next time.
func (a *app) renewSlot(ctx context.Context, r *repository) {
	old := r.OpenedSlot()
	slot, err := r.RenewSlot(ctx, r.secret)
	switch {
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS), err != nil && ctx.Err() != nil:
	case err != nil:
		a.Warn("key slot %s is of an older kind, and was not made anew: %s", old, screen.Text(err.Error()))
	case slot != nil:
		a.removeFromSpool(ctx, r, old)
		a.Say("Key slot %s was of an older kind; it is made anew as %s, for the same %s.", old, slot.ID(), slotSecret(slot))
	}
}

func slotSecret(s *crypt.Slot) string {
	if s.Kind() == crypt.SlotKeyFile {
		return "key file"
	}
	return "passphrase"
}
