package main

import (
	"context"
	"fmt"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/secrets"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
)

func (a *app) addCommand() *cli.Command {
	return &cli.Command{
		Name:  "add",
		Usage: "let another passphrase or key file open the repository",
		Flags: newSecretFlags(),
		Description: `
Behind the word add, --key-file is the new key file. What opens the repository is
given before the command word, by the environment, or asked for.

Example:
  kist passphrase add --label "the safe"
  kist passphrase add --key-file /root/kist.key --label "the nightly timer"`,
		Action: a.addSlot,
	}
}

func (a *app) addSlot(c *cli.Context) error {
	r, err := a.openForNew(c)
	if err != nil {
		return err
	}
	defer r.Close()
	slot, err := a.makeSlot(c.Context, c, r, c.String("label"))
	if err != nil {
		return err
	}
	defer a.renewSlot(c.Context, r)
	return a.printSlot(slot)
}

// openForNew opens the repository after a look at the command line.
func (a *app) openForNew(c *cli.Context) (*repository, error) {
	if err := cmdline.WantArgs(c, 0, 0); err != nil {
		return nil, err
	}
	files := secrets.Files{Passphrase: c.String("new-passphrase-file"), Key: c.String("key-file")}
	if err := files.Check("--new-passphrase-file", "--key-file"); err != nil {
		return nil, err
	}
	return a.open(c.Context)
}

// makeSlot adds a key slot and proves that it opens the repository.
func (a *app) makeSlot(ctx context.Context, c *cli.Context, r *repository, label string) (*crypt.Slot, error) {
	secret, undo, err := a.newSecret(ctx, secrets.Files{Passphrase: c.String("new-passphrase-file"), Key: c.String("key-file")})
	if err != nil {
		return nil, err
	}
	slot, err := r.AddSlot(ctx, secret, crypt.SlotOptions{Label: label, Made: time.Now()})
	if err != nil {
		undo()
		return nil, err
	}
	// The slot stays if this fails: it may be the proof that failed, and not the slot.
	if err := r.reopens(ctx, secret, slot.ID()); err != nil {
		return nil, fmt.Errorf("new key slot %s does not open the repository: %w", slot.ID(), err)
	}
	return slot, nil
}

func (a *app) printSlot(s *crypt.Slot) error {
	if a.JSON {
		return a.PrintJSON(newSlotJSON(store.Slot{ID: s.ID(), Slot: s, Standing: store.SlotProven}))
	}
	a.Printf("Key slot %s (%s) opens the repository now.\n", s.ID(), s.Kind())
	return nil
}
