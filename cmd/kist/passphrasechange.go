package main

import (
	"context"
	"fmt"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/store"
)

func (a *app) changeCommand() *cli.Command {
	return &cli.Command{
		Name:  "change",
		Usage: "exchange the passphrase or key file that opens the repository for another",
		Flags: newSecretFlags(),
		Description: `
A new key slot is made, and the one that opened the repository is removed. A copy
of the old key slot that somebody kept still opens the repository.

Example:
  kist passphrase change`,
		Action: a.changeSlot,
	}
}

// changeSlot makes the new key slot and proves it before the old one goes: at no moment does
// nothing open the repository.
func (a *app) changeSlot(c *cli.Context) error {
	r, err := a.openForNew(c)
	if err != nil {
		return err
	}
	defer r.Close()
	old, err := openedSlot(c.Context, r)
	if err != nil {
		return err
	}
	label := c.String("label")
	if !c.IsSet("label") {
		label = old.Slot.Label()
	}
	slot, err := a.makeSlot(c.Context, c, r, label)
	if err != nil {
		return err
	}
	if err := r.RemoveSlot(c.Context, old.ID); err != nil {
		return fmt.Errorf("the new key slot %s is there, and the old one still: %w", slot.ID(), err)
	}
	a.removeFromSpool(c.Context, r, old.ID)
	a.Say("Key slot %s (%s), which opened the repository, was removed.", old.ID, old.Slot.Kind())
	return a.printSlot(slot)
}

// openedSlot gives the slot that the secret in hand opened, which only the store knows.
func openedSlot(ctx context.Context, r *repository) (store.Slot, error) {
	slots, err := r.Slots(ctx)
	if err != nil {
		return store.Slot{}, err
	}
	for _, s := range slots {
		if s.Opened && s.Slot != nil {
			return s, nil
		}
	}
	return store.Slot{}, fmt.Errorf("the key slot that opened the repository: %w", store.ErrNotFound)
}
