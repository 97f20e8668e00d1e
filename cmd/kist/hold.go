package main

import (
	"context"
	"slices"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
	"github.com/kistarchive/kist/store"
)

func (a *app) holdCommand() *cli.Command {
	return &cli.Command{
		Name:      "hold",
		Usage:     "keep captures from ever being retired",
		ArgsUsage: "CAPTURE…",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "note", Usage: "`TEXT` that says why, for people"},
		},
		Description: `
A held capture is not retired, neither by its id nor by a rotation, until kist
release ends that. kist capture --hold holds a capture from the start. What is held
is held once more only for another --note. Of a capture that waits on this machine to be
sent, the hold goes with it.

Example:
  kist hold seedbank@latest --note "before the move to hazel"`,
		Action: a.opening(1, -1, a.hold),
	}
}

func (a *app) hold(c *cli.Context, r *repository) error {
	ctx, note := c.Context, c.String("note")
	m, err := a.findMarkable(ctx, r, c.Args().Slice())
	if err != nil {
		return err
	}
	defer m.close()
	done, err := holdFor(ctx, r, m.here, note)
	if err == nil && len(m.waiting) > 0 {
		var more []*store.Capture
		more, err = holdFor(ctx, m.spool.repository, m.waiting, note)
		done = append(done, more...)
		if err == nil {
			err = holdSent(ctx, m.spool, r, m.waiting)
		}
	}
	if err != nil {
		return err
	}
	return a.printMarked(slices.Concat(m.here, m.waiting), "Held", "Held already:", func(c *store.Capture) bool {
		c.Held = true
		return slices.Contains(done, c)
	})
}

// holdFor holds captures that are not held for a note yet, and gives these.
func holdFor(ctx context.Context, r *repository, captures []*store.Capture, note string) ([]*store.Capture, error) {
	if len(captures) == 0 {
		return nil, nil
	}
	holds, err := r.Holds(ctx)
	if err != nil {
		return nil, err
	}
	toHold := slices.DeleteFunc(slices.Clone(captures), func(c *store.Capture) bool { return isHeldFor(holds[c.ID], note) })
	if len(toHold) == 0 {
		return nil, nil
	}
	return toHold, r.Hold(ctx, idsOf(toHold), markOptions(note))
}

// holdSent holds in the repository what was sent while it was held in the spool: whoever sends looks for holds until it has noted that
// it is done, so one of the two sees the other.
func holdSent(ctx context.Context, s *spooled, r *repository, captures []*store.Capture) error {
	for _, c := range captures {
		if !s.place.IsSent(c.ID) {
			continue
		}
		if _, err := carryHolds(ctx, s, r, c.ID); err != nil {
			return err
		}
	}
	return nil
}

// carryHolds holds a capture in the repository as it is held in the spool, and tells whether it is.
func carryHolds(ctx context.Context, s *spooled, r *repository, id string) (held bool, err error) {
	given, err := s.Holds(ctx)
	if err != nil || len(given[id]) == 0 {
		return false, err
	}
	there, err := r.Holds(ctx)
	if err != nil {
		return false, err
	}
	for _, h := range given[id] {
		same := func(t store.Hold) bool { return t.Host == h.Host && t.Reason == h.Reason }
		if slices.ContainsFunc(there[id], same) {
			continue
		}
		if err := r.Hold(ctx, []string{id}, store.MarkOptions{Host: h.Host, Reason: h.Reason}); err != nil {
			return false, err
		}
	}
	return true, nil
}

// isHeldFor tells whether one more hold would add nothing: one with the same note is there, or, for none, any. That of an
// upgrade ends with it, and says nothing for who wants a capture kept; nor does one that can't be read.
func isHeldFor(holds []store.Hold, note string) bool {
	return slices.ContainsFunc(holds, func(h store.Hold) bool {
		return note != "" && h.Reason == note || note == "" && h.Host+h.Reason != "" && !upgrade.IsHoldReason(h.Reason)
	})
}
