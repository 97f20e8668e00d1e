package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
)

func (a *app) removeCommand() *cli.Command {
	return &cli.Command{
		Name:      "remove",
		Usage:     "take a key slot away",
		ArgsUsage: "SLOT",
		Description: `
SLOT is an id as kist passphrase list shows it, or a leading part of it that fits
no other. The last one can't be removed: only those that are proven count. A copy of the key slot that somebody kept
still opens the repository. The slot goes from the spool on this machine as well; those of other machines keep theirs.

Example:
  kist passphrase remove 3f9a`,
		Action: a.opening(1, 1, a.removeSlot),
	}
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
	a.removeFromSpool(c.Context, r, id)
	removed := slots[slices.IndexFunc(slots, func(s store.Slot) bool { return s.ID == id })]
	if removed.Opened {
		a.Warn("key slot %s is the one that opened the repository just now: what was given opens it no more", id)
	}
	if a.JSON {
		return a.PrintJSON(newSlotJSON(removed))
	}
	a.Say("Key slot %s was removed.", id)
	return nil
}

// removeFromSpool takes a key slot that this machine removed away from its spool, too: of itself a spool loses none.
func (a *app) removeFromSpool(ctx context.Context, r *repository, id crypt.SlotID) {
	s, err := a.spoolBeside(ctx, r, false)
	if s != nil {
		err = s.RemoveSlot(ctx, id)
		s.Close()
	}
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		a.Warn("key slot %s still opens the spool on this machine: %s", id, screen.Text(err.Error()))
	}
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
		return "", fmt.Errorf("key slot %q: %w (kist passphrase list shows what there is)%s", part, store.ErrNotFound, meantSlot(slots, part))
	case 1:
		return crypt.SlotID(found[0]), nil
	}
	return "", usagef("key slot %q: that may be %s: give more of the id", part, strings.Join(found, " or "))
}
