package main

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// spoolKeeps is how many of the captures of each name and host that were sent stay in a spool: so one of which the time is wrong
// leaves others to be restored.
const spoolKeeps = 3

// spoolReserve is what a spool keeps so that room can be made when its disk is full.
const spoolReserve = 256 << 10

// tidySpool frees what the spool need not keep: of each name and host the latest captures stay, so that the next one
// reads what changed, and they can be restored while the repository is away.
func (a *app) tidySpool(ctx context.Context, s *spooled) {
	old := func(all []*store.Capture) []*store.Capture { return sentBefore(all, time.Now()) }
	err := s.tidy(ctx, old, store.ReclaimOptions{})
	if errors.Is(err, store.ErrDamaged) && s.allSent() {
		if _, err = s.Repair(ctx, store.RepairOptions{Drop: true, Host: hostName()}); err == nil {
			err = s.tidy(ctx, old, store.ReclaimOptions{})
		}
	}
	if err != nil && ctx.Err() == nil && !errors.Is(err, store.ErrBusy) {
		a.Warn("the spool in %s was not tidied, and the next kist capture tries again: %s", screen.Printable(s.place.Dir), screen.Text(err.Error()))
	}
}

// allSent tells whether the repository has all that is in the spool.
func (s *spooled) allSent() bool {
	waiting, err := s.place.Waiting()
	return err == nil && len(waiting) == 0
}

// sentBefore gives the captures after which as many of the same name and host came into the spool as are kept. By that, and not by what they say
// they were taken, they count; those of the future, by a clock that was wrong or as somebody said, put no other out.
func sentBefore(all []*store.Capture, now time.Time) (old []*store.Capture) {
	late := func(c *store.Capture) bool {
		latest := now.Add(store.ClockTolerance)
		return c.Taken.After(latest) || c.Written.After(latest)
	}
	for _, c := range all {
		newer := 0
		for _, d := range all {
			if d.Name == c.Name && d.Host == c.Host && late(d) == late(c) && cmp.Or(d.Written.Compare(c.Written), cmp.Compare(d.ID, c.ID)) > 0 {
				newer++
			}
		}
		if newer >= spoolKeeps {
			old = append(old, c)
		}
	}
	return old
}

// choice chooses among the captures of a spool those that may go, if they were sent.
type choice func(all []*store.Capture) []*store.Capture

func everySent(all []*store.Capture) []*store.Capture { return all }

// sentBut chooses all but the latest capture of a name and host.
func sentBut(name, host string) choice {
	return func(all []*store.Capture) []*store.Capture {
		latest := (*store.Capture)(nil)
		for _, c := range all {
			if c.Name == name && c.Host == host && (latest == nil || c.Written.After(latest.Written)) {
				latest = c
			}
		}
		return slices.DeleteFunc(slices.Clone(all), func(c *store.Capture) bool { return c == latest })
	}
}

// makeRoom frees in the spool what no capture names that is there, and then what the choices give, one after the other, until there is
// enough. Where another process is at work in the spool, nothing is freed.
func (s *spooled) makeRoom(ctx context.Context, enough func() bool, choices ...choice) error {
	// What a run left that was killed, or found the disk full, no retirement explains.
	o := store.ReclaimOptions{AcceptUnexplained: true}
	err := s.tidy(ctx, func([]*store.Capture) []*store.Capture { return nil }, o)
	for _, chosen := range choices {
		if err == nil && !enough() {
			err = s.tidy(ctx, chosen, o)
		}
	}
	return err
}

// tidy retires those of the captures that old gives, as far as they were sent, and frees what they took, while nobody else is at work in the spool. With
// AcceptUnexplained it frees also where nothing was retired.
func (s *spooled) tidy(ctx context.Context, old choice, o store.ReclaimOptions) error {
	all, err := s.Captures(ctx)
	if err != nil {
		return err
	}
	var going, held []string
	for _, c := range old(all) {
		if !s.place.IsSent(c.ID) {
			continue
		}
		going = append(going, c.ID)
		if c.Held {
			held = append(held, c.ID)
		}
	}
	if len(going) == 0 && !o.AcceptUnexplained {
		return nil
	}
	s.room.Allow(-1)
	// No other machine is at work in a spool, so nothing need be waited for.
	o.Grace, o.Host, o.Reserve = store.NoGrace, hostName(), spoolReserve
	_, err = s.use.Alone(ctx, func() error { return s.free(ctx, going, held, o) })
	return err
}

// free is tidy while nobody else is at work.
func (s *spooled) free(ctx context.Context, going, held []string, o store.ReclaimOptions) (err error) {
	if len(held) > 0 {
		err = s.Release(ctx, held)
	}
	if err == nil && len(going) > 0 {
		err = s.Retire(ctx, going, markOptions("sent"))
	}
	if err == nil {
		_, err = s.Reclaim(ctx, o)
	}
	if err != nil {
		return err
	}
	there, err := s.AllCaptures(ctx)
	if err != nil {
		return err
	}
	return s.place.Forget(func(id string) bool {
		return slices.ContainsFunc(there, func(c *store.Capture) bool { return c.ID == id })
	})
}
