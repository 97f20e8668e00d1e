package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/spool"
	"github.com/kistarchive/kist/store"
)

// waitingCaptures gives the captures that were not sent, oldest first, and the ids of those that can't be read.
func (s *spooled) waitingCaptures(ctx context.Context) (captures []*store.Capture, unread []string, err error) {
	l, err := s.List(ctx)
	if err != nil {
		return nil, nil, err
	}
	captures = slices.DeleteFunc(slices.Clone(l.Captures), func(c *store.Capture) bool { return c.Retired != nil || s.place.IsSent(c.ID) })
	if l.Damage == nil {
		return captures, nil, nil
	}
	ids, err := s.place.Waiting()
	unread = slices.DeleteFunc(ids, func(id string) bool {
		return slices.ContainsFunc(l.Captures, func(c *store.Capture) bool { return c.ID == id })
	})
	return captures, unread, err
}

// damagedWaiting says that captures wait that can't be sent as they are, since the spool is damaged.
type damagedWaiting struct {
	ids []string
	err error
}

func (e *damagedWaiting) Error() string {
	if len(e.ids) == 1 {
		return fmt.Sprintf("capture %s waits on this machine, is damaged there, and was not sent: %v", e.ids[0], e.err)
	}
	return fmt.Sprintf("%d captures wait on this machine, are damaged there, and were not sent: %s: %v", len(e.ids), strings.Join(e.ids, ", "), e.err)
}

func (e *damagedWaiting) Unwrap() error { return e.err }

// damagedAdvice says what to do about that.
const damagedAdvice = "kist restore brings back what can be read of it. kist resume --drop gives up the rest, for good, and sends what is left."

// adviseWaiting says of captures that are damaged in the spool what to do, and gives other errors as they are.
func adviseWaiting(err error) error {
	if errors.As(err, new(*damagedWaiting)) {
		return &advised{err, damagedAdvice}
	}
	return err
}

// sending has one process at a time send from a spool. One that waits for another one asks the repository something now and then, so
// that a share that does not answer shows.
func (a *app) sending(ctx context.Context, s *spooled, r *repository) (done func(), err error) {
	told := false
	return s.place.Send(ctx, func() error {
		if !told {
			a.Say("Another kist sends what waits on this machine: waiting for it.")
			told = true
		}
		_, err := r.at.Objects.Stat(ctx, anchor)
		return err
	})
}

// send sends a capture. From its mark on it is not sent again; a run that is killed before sends it again, and finds it there.
func (a *app) send(ctx context.Context, s *spooled, r *repository, c *store.Capture) (*store.Capture, error) {
	tried, err := s.place.Try(c.ID)
	if err != nil {
		return nil, err
	}
	shown, end := a.progress("sending " + c.ID)
	defer end()
	sent, err := s.Send(ctx, c, r.Repository, store.SendOptions{Tried: tried, Progress: shown})
	if err == nil {
		_, err = carryHolds(ctx, s, r, c.ID)
	}
	if err == nil {
		err = s.place.MarkSent(c.ID)
	}
	if err == nil { // what was held meanwhile: see holdSent
		sent.Held, err = carryHolds(ctx, s, r, c.ID)
	}
	if err != nil {
		return nil, err
	}
	return sent, nil
}

// sendMending is send, and where the spool is damaged mends that as far as can be: captures that come later rely on nothing of it that is
// harmed, and may heal what waits.
func (a *app) sendMending(ctx context.Context, s *spooled, r *repository, c *store.Capture) (*store.Capture, error) {
	sent, err := a.send(ctx, s, r, c)
	if !errors.Is(err, store.ErrDamaged) {
		return sent, err
	}
	out, failed := s.Repair(ctx, store.RepairOptions{Host: hostName()})
	if failed != nil {
		return nil, &damagedWaiting{[]string{c.ID}, errors.Join(err, failed)}
	}
	lost := slices.Contains(out.Unreadable, c.ID) || slices.ContainsFunc(out.Lost, func(h store.Harmed) bool { return h.Capture == c.ID })
	all, _, failed := s.waitingCaptures(ctx)
	i := slices.IndexFunc(all, func(now *store.Capture) bool { return now.ID == c.ID })
	if lost || failed != nil || i < 0 {
		return nil, &damagedWaiting{[]string{c.ID}, err}
	}
	return a.send(ctx, s, r, all[i])
}

// sendLeft sends what earlier captures left waiting, and says so.
func (a *app) sendLeft(ctx context.Context, r *repository, drop bool) (ids []string, err error) {
	all, ok := a.spools()
	if !ok {
		return nil, nil
	}
	place, err := all.Of(spoolName(r.Repository))
	if err != nil {
		return nil, err
	}
	if waiting, err := place.Waiting(); err != nil || len(waiting) == 0 && !drop {
		return nil, err
	}
	s, err := a.spoolBeside(ctx, r, false)
	if err != nil || s == nil {
		return nil, err
	}
	defer s.Close()
	done, err := a.sending(ctx, s, r)
	if err != nil {
		return nil, err
	}
	defer done()
	if drop {
		if err := a.dropWaiting(ctx, s); err != nil {
			return nil, err
		}
	}
	return a.sendWaiting(ctx, s, r)
}

// sendWaiting is sendLeft for a spool that is open, and from which nobody else sends. What is damaged keeps nothing else back.
func (a *app) sendWaiting(ctx context.Context, s *spooled, r *repository) (ids []string, err error) {
	waiting, unread, err := s.waitingCaptures(ctx)
	if err != nil {
		return nil, err
	}
	var damaged *damagedWaiting
	if len(unread) > 0 {
		damaged = &damagedWaiting{unread, fmt.Errorf("index files can't be read: %w", store.ErrDamaged)}
	}
	for _, c := range waiting {
		sent, err := a.sendMending(ctx, s, r, c)
		if harmed := (*damagedWaiting)(nil); errors.As(err, &harmed) {
			if damaged != nil {
				harmed.ids, harmed.err = append(damaged.ids, c.ID), cmp.Or(damaged.err, harmed.err)
			}
			damaged = harmed
			continue
		}
		if err != nil {
			return ids, fmt.Errorf("capture %s waits on this machine, and was not sent: %w", c.ID, err)
		}
		a.Say("Sent capture %s, which had waited on this machine; the repository grew by %s.", c.ID, screen.Size(sent.Added))
		ids = append(ids, c.ID)
	}
	if len(ids) > 0 {
		a.tidySpool(ctx, s)
	}
	if damaged != nil {
		return ids, adviseWaiting(damaged)
	}
	return ids, nil
}

// sendMade sends a capture that was just made, and tells whether it was sent, and then what had waited before.
func (a *app) sendMade(ctx context.Context, s *spooled, r *repository, made *captured) (sent bool, err error) {
	done, err := a.sending(ctx, s, r)
	if err != nil {
		return false, err
	}
	defer done()
	there, err := a.sendMending(ctx, s, r, made.Capture)
	if err != nil {
		return false, adviseWaiting(err)
	}
	made.Added, made.Held = there.Added, there.Held
	_, err = a.sendWaiting(ctx, s, r)
	a.tidySpool(ctx, s)
	return true, a.warnDamaged(err)
}

// warnDamaged warns of what earlier captures left in a spool that is damaged or not used, where a run did what it was asked for, and gives
// other errors.
func (a *app) warnDamaged(err error) error {
	if errors.Is(err, spool.ErrOthers) {
		a.Warn("%s. What waits there is not sent", screen.Text(err.Error()))
		return nil
	}
	if damaged := (*damagedWaiting)(nil); errors.As(err, &damaged) {
		a.Warn("%s. %s", screen.Text(damaged.Error()), damagedAdvice)
		return nil
	}
	return err
}

// dropWaiting gives up what is damaged in a spool, and says what.
func (a *app) dropWaiting(ctx context.Context, s *spooled) error {
	progress, end := a.progress("reading what waits")
	out, err := s.Repair(ctx, store.RepairOptions{Drop: true, Host: hostName(), Progress: progress})
	end()
	if err != nil {
		return err
	}
	for _, line := range lostLines(out) {
		a.Warn("given up: %s", line)
	}
	return nil
}
