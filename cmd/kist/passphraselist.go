package main

import (
	"fmt"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
)

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
			a.Warn("key slot %s was not made by who could open the repository. kist passphrase remove %s takes it away; see who can write where the repository lies.", screen.Printable(string(s.ID)), screen.Printable(string(s.ID)))
		}
		if s.Err != nil || s.Standing == store.SlotForged {
			bad = &statusError{status: statusDamage}
		}
	}
	return bad
}

func (a *app) printSlots(slots []store.Slot) error {
	if a.JSON {
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
	return a.FitTable(lines, "label")
}

func slotLine(s store.Slot) string {
	if s.Slot == nil {
		return fmt.Sprintf("%s\t-\t-\t-\t-\t(%s)", screen.Printable(string(s.ID)), screen.Line(s.Err.Error()))
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
