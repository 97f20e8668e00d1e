package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/secrets"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
)

func (a *app) passphraseCommand() *cli.Command {
	return &cli.Command{
		Name:  "passphrase",
		Usage: "manage the passphrases and key files that open the repository",
		Description: `
Each passphrase or key file has a key slot: the root key, sealed under it.

Example:
  kist passphrase list
  kist passphrase add --label "the safe"`,
		Subcommands: []*cli.Command{a.addCommand(), a.changeCommand(), a.removeCommand(), a.slotsCommand()},
	}
}

func newSecretFlags() []cli.Flag {
	return []cli.Flag{
		&cli.StringFlag{Name: "key-file", Usage: "make a new key in `FILE`, which must not be there"},
		&cli.StringFlag{Name: "new-passphrase-file", Usage: "read the new passphrase from `FILE`"},
		&cli.StringFlag{Name: "label", Usage: "`TEXT` that tells the key slot from others; it can be read without a key"},
	}
}

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

func (a *app) removeCommand() *cli.Command {
	return &cli.Command{
		Name:      "remove",
		Usage:     "take a key slot away",
		ArgsUsage: "SLOT",
		Description: `
SLOT is an id as kist passphrase list shows it, or a leading part of it that fits
no other. The last one can't be removed: only those that are proven count. A copy of the key slot that somebody kept
still opens the repository.

Example:
  kist passphrase remove 3f9a`,
		Action: a.opening(1, 1, a.removeSlot),
	}
}

func (a *app) slotsCommand() *cli.Command {
	return &cli.Command{
		Name:  "list",
		Usage: "list the key slots",
		Description: `
A key slot is proven when it was made by who could open the repository, or opened it
just now. One of an older kind is unproved: whoever opens the repository by it and
captures makes it anew, and it is proven. A forged one was put there by somebody who
can write to the share but not open the repository: take it away.

Example:
  kist passphrase list`,
		Action: a.opening(0, 0, a.listSlots),
	}
}

// slotJSON is a key slot as scripts get it.
type slotJSON struct {
	ID     crypt.SlotID   `json:"id"`
	Kind   crypt.SlotKind `json:"kind"`
	Label  string         `json:"label"`
	Made   *time.Time     `json:"made"`
	Opened bool           `json:"opened"` // this one opened the repository

	Version  int                `json:"version,omitempty"`
	Standing store.SlotStanding `json:"standing,omitempty"` // proven, unproved or forged
	Error    string             `json:"error,omitempty"`
}

func newSlotJSON(s store.Slot) slotJSON {
	j := slotJSON{ID: s.ID, Opened: s.Opened, Standing: s.Standing}
	if s.Err != nil {
		j.Error = s.Err.Error()
	}
	if s.Slot != nil {
		made := s.Slot.Made()
		j.Kind, j.Label, j.Made, j.Version = s.Slot.Kind(), s.Slot.Label(), &made, s.Slot.Version()
	}
	return j
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
	a.Say("Key slot %s (%s), which opened the repository, was removed.", old.ID, old.Slot.Kind())
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
	if err := r.reopens(ctx, secret, slot.ID()); err != nil {
		return nil, fmt.Errorf("new key slot %s does not open the repository: %w", slot.ID(), err)
	}
	return slot, nil
}

func (a *app) printSlot(s *crypt.Slot) error {
	if a.shared.json {
		return a.PrintJSON(newSlotJSON(store.Slot{ID: s.ID(), Slot: s, Standing: store.SlotProven}))
	}
	a.Printf("Key slot %s (%s) opens the repository now.\n", s.ID(), s.Kind())
	return nil
}

func (a *app) removeSlot(c *cli.Context, r *repository) error {
	slots, err := r.Slots(c.Context)
	if err != nil {
		return err
	}
	id, err := selectSlot(slots, c.Args().First())
	if err != nil {
		return err
	}
	if err := r.RemoveSlot(c.Context, id); err != nil {
		return err
	}
	a.Say("Key slot %s was removed.", id)
	return nil
}

// selectSlot gives the id that begins with part.
func selectSlot(slots []store.Slot, part string) (crypt.SlotID, error) {
	var found []string
	for _, s := range slots {
		if part != "" && strings.HasPrefix(string(s.ID), part) {
			found = append(found, string(s.ID))
		}
	}
	switch len(found) {
	case 0:
		return "", fmt.Errorf("key slot %q: %w (kist passphrase list shows what there is)", part, store.ErrNotFound)
	case 1:
		return crypt.SlotID(found[0]), nil
	}
	return "", usagef("key slot %q: that may be %s: give more of the id", part, strings.Join(found, " or "))
}

func (a *app) listSlots(c *cli.Context, r *repository) error {
	slots, err := r.Slots(c.Context)
	if err != nil {
		return err
	}
	if err := a.printSlots(slots); err != nil {
		return err
	}
	var bad error
	for _, s := range slots {
		if s.Standing == store.SlotForged {
			a.Warn("key slot %s was not made by who could open the repository. kist passphrase remove %s takes it away; see who can write to the share.", screen.Printable(string(s.ID)), screen.Printable(string(s.ID)))
		}
		if s.Err != nil || s.Standing == store.SlotForged {
			bad = &statusError{status: statusDamage}
		}
	}
	return bad
}

func (a *app) printSlots(slots []store.Slot) error {
	if a.shared.json {
		array := screen.NewArray(a.Out)
		for _, s := range slots {
			if err := array.Add(newSlotJSON(s)); err != nil {
				return err
			}
		}
		return array.End()
	}
	lines := []string{"slot\tkind\tmade\topened now\tstanding\tlabel"}
	for _, s := range slots {
		lines = append(lines, slotLine(s))
	}
	return a.Table(lines)
}

func slotLine(s store.Slot) string {
	if s.Slot == nil {
		return fmt.Sprintf("%s\t-\t-\t-\t-\t(%s)", screen.Printable(string(s.ID)), screen.Text(s.Err.Error()))
	}
	opened := "no"
	if s.Opened {
		opened = "yes"
	}
	standing := string(s.Standing)
	if s.Standing == store.SlotForged {
		standing = "FORGED"
	}
	return fmt.Sprintf("%s\t%s\t%s\t%s\t%s\t%s", s.ID, s.Slot.Kind(), screen.LocalTime(s.Slot.Made()), opened, standing, screen.Printable(s.Slot.Label()))
}
